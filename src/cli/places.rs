//! Places kept under a name: `find --save NAME` writes one, `--at NAME` takes it wherever a link is
//! expected.
//!
//! One TOML file each, `places/NAME.toml` in the config folder: link, unit address, register map, and
//! the serial number of the unit, so that another unit behind the same address is noticed. Nothing
//! secret is kept.

use std::path::{Path, PathBuf};

use packside_profiles::{Foreign, LineSettings, clean};
use serde::{Deserialize, Serialize, Serializer};

use super::args::{CheckArgs, FramingArg};
use super::failure::{Failure, LOCAL, USAGE, failure};
use super::output::Output;
use super::record::ANOTHER_UNIT;

/// Version of the file.
pub(crate) const FORMAT: u32 = 1;

/// A place as it stands in its file.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct SavedPlace {
    /// Version of the file.
    pub(crate) format: u32,
    /// Serial port.
    #[serde(serialize_with = "as_given")]
    pub(crate) serial: Option<Foreign>,
    /// Its settings.
    #[serde(serialize_with = "as_given")]
    pub(crate) line: Option<Foreign>,
    /// Gateway.
    #[serde(serialize_with = "as_given")]
    pub(crate) gateway: Option<Foreign>,
    /// Its framing.
    #[serde(serialize_with = "as_given")]
    pub(crate) framing: Option<Foreign>,
    /// Unit address.
    pub(crate) unit: u8,
    /// Register map.
    #[serde(serialize_with = "as_given")]
    pub(crate) profile: Option<Foreign>,
    /// Serial number of the unit.
    #[serde(serialize_with = "as_given")]
    pub(crate) unit_serial: Option<Foreign>,
}

/// A place is read again by us only: what is kept in it is kept as it was given.
fn as_given<S: Serializer>(text: &Option<Foreign>, to: S) -> Result<S::Ok, S::Error> {
    text.as_ref().map(Foreign::as_given).serialize(to)
}

/// The folder of places in the config folder.
pub(super) fn folder(config: Option<&Path>) -> Result<PathBuf, Failure> {
    config.map(|folder| folder.join("places")).ok_or_else(|| {
        let hint = Some("give --config FOLDER".to_owned());
        failure(
            LOCAL,
            "config",
            "no config folder is known on this computer",
            hint,
        )
    })
}

/// A name that stays in the folder; any other is refused.
pub(crate) fn plain_name(name: &Foreign) -> Result<&str, Failure> {
    let given = name.as_given();
    let is_plain = |c: char| c.is_alphanumeric() || matches!(c, '-' | '_');
    if !given.is_empty() && given.chars().count() <= 64 && given.chars().all(is_plain) {
        return Ok(given);
    }
    let found = name.clean();
    let message = format!("name of a place: expected letters, digits, - and _, found \"{found}\"");
    Err(failure(USAGE, "usage", message, None))
}

/// Writes a place; one of that name is replaced. Gives the file.
pub(crate) fn save(
    place: &SavedPlace,
    name: &Foreign,
    config: Option<&Path>,
) -> Result<PathBuf, Failure> {
    let name = plain_name(name)?;
    let folder = folder(config)?;
    let path = folder.join(format!("{name}.toml"));
    std::fs::create_dir_all(&folder).map_err(|why| {
        let message = format!(
            "{}: cannot be made: {why}",
            packside_profiles::shown(&folder)
        );
        failure(LOCAL, "file", message, None)
    })?;
    let output = Output {
        option: "--save",
        path: &path,
        kind: "a place",
        is_kind: |begin| toml::from_str::<SavedPlace>(begin).is_ok(),
        inputs: &[],
        replace: None,
    };
    let text = toml::to_string(place).map_err(|error| {
        let message = format!(
            "{}: cannot be written: {error}",
            packside_profiles::shown(&path)
        );
        failure(LOCAL, "file", message, None)
    })?;
    output.write(&text)?;
    Ok(path)
}

/// Reads a place.
pub(crate) fn load(name: &Foreign, config: Option<&Path>) -> Result<SavedPlace, Failure> {
    let name = plain_name(name)?;
    let folder = folder(config)?;
    let path = folder.join(format!("{name}.toml"));
    let hint = || {
        Some(format!(
            "packside find … --save {name} keeps a place under this name"
        ))
    };
    let text = packside_profiles::read_text(&path).map_err(|error| {
        let there = names(&folder);
        let there = if there.is_empty() {
            "none".to_owned()
        } else {
            there.join(", ")
        };
        let why = if error.kind() == std::io::ErrorKind::NotFound {
            "there is no such place".to_owned()
        } else {
            error.to_string()
        };
        let message = format!("--at {name}: {why}; places kept: {there}");
        failure(LOCAL, "place", message, hint())
    })?;
    read(&text).map_err(|why| {
        failure(
            LOCAL,
            "place",
            format!("{}: {why}", packside_profiles::shown(&path)),
            hint(),
        )
    })
}

/// Reads the text of a place.
pub(crate) fn read(text: &str) -> Result<SavedPlace, String> {
    let place: SavedPlace = packside_profiles::whole_file(text, "place", "file")
        .map_err(|problems| problems.to_string())?;
    if place.format != FORMAT {
        return Err(format!("format: expected {FORMAT}, found {}", place.format));
    }
    if place.serial.is_some() == place.gateway.is_some() {
        return Err("expected either serial or gateway".to_owned());
    }
    Ok(place)
}

fn names(folder: &Path) -> Vec<String> {
    let entries = std::fs::read_dir(folder).into_iter().flatten();
    let mut names: Vec<String> = entries
        .filter_map(|entry| {
            let path = entry.ok()?.path();
            let is_place = path
                .extension()
                .is_some_and(|extension| extension == "toml");
            is_place.then(|| path.file_stem().map(packside_profiles::shown))?
        })
        .collect();
    names.sort();
    names
}

/// Puts a place into the arguments of a look; what was given beside it stays.
pub(crate) fn fill(args: &CheckArgs) -> Result<CheckArgs, Failure> {
    let Some(name) = &args.link.place.at else {
        return Ok(args.clone());
    };
    let saved = load(name, args.link.config.folder().as_deref())?;
    let mut args = args.clone();
    let wrong = |key: &str, value: &Foreign| {
        failure(
            LOCAL,
            "place",
            format!("--at {}: {key}: found \"{}\"", name.clean(), value.clean()),
            None,
        )
    };
    if let Some(line) = saved
        .line
        .as_ref()
        .filter(|_| args.link.place.line.is_none())
    {
        args.link.place.line = Some(
            line.as_given()
                .parse::<LineSettings>()
                .map_err(|_| wrong("line", line))?,
        );
    }
    if let Some(framing) = &saved.framing {
        let known =
            FramingArg::of_id(framing.as_given()).ok_or_else(|| wrong("framing", framing))?;
        args.link.place.framing = args.link.place.framing.or(Some(known));
    }
    args.link.place.serial = saved.serial;
    args.link.place.gateway = saved.gateway;
    args.ask.profile = args.ask.profile.or(saved.profile);
    if args.ask.only.is_none() {
        args.ask.unit = args.ask.unit.or(Some(saved.unit));
    }
    args.link.place.unit_serial = saved.unit_serial;
    Ok(args)
}

/// Stops where another unit answers than the one kept.
pub(crate) fn same_unit(args: &CheckArgs, serial: Option<&str>) -> Result<(), Failure> {
    let (Some(name), Some(kept), Some(found)) =
        (&args.link.place.at, &args.link.place.unit_serial, serial)
    else {
        return Ok(());
    };
    if *kept == found {
        return Ok(());
    }
    let (name, kept, found) = (name.clean(), kept.clean(), clean(found));
    let message = format!("--at {name}: expected the unit with serial {kept}, found {found}");
    let hint = format!(
        "another unit answers there: check where you are, or keep this one with packside find … --save {name}"
    );
    Err(failure(LOCAL, ANOTHER_UNIT, message, Some(hint)))
}

#[cfg(test)]
mod tests {
    use super::*;

    // Kind: invented
    #[test]
    fn place_comes_back_as_it_was_kept() {
        let folder = tempfile::tempdir().unwrap();
        let place = SavedPlace {
            format: FORMAT,
            serial: Some("/dev/serial/by-id/usb-Some \"A1\"".into()),
            line: Some("9600-8E1".into()),
            gateway: None,
            framing: None,
            unit: 3,
            profile: Some("generic-hv-stack".into()),
            unit_serial: Some("D\u{e9}mo-1".into()),
        };
        save(&place, &"cellar".into(), Some(folder.path())).unwrap();
        assert_eq!(load(&"cellar".into(), Some(folder.path())).unwrap(), place);
        let missing = load(&"attic".into(), Some(folder.path())).unwrap_err();
        assert_eq!(
            missing.message,
            "--at attic: there is no such place; places kept: cellar"
        );
        assert!(
            ["../x", ""]
                .iter()
                .all(|name| plain_name(&(*name).into()).is_err())
        );
    }
}
