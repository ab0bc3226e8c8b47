//! A port, a host, a file or a scenario typed without its option: read as what it plainly is, and said.
//!
//! Input: what was typed, and why the parser refused it. Output: the arguments meant, or the same refusal with the
//! right option. Does not: guess where a word could be two things.

use std::ffi::OsString;
use std::net::{IpAddr, SocketAddr};
use std::path::Path;

use clap::builder::StyledStr;
use clap::error::{ContextKind, ContextValue, ErrorKind};
use packside_simulator::Scenario;

use super::args::typed as in_shell;
use crate::link::Target;
use crate::wire::Framing;

/// Arguments as they may be meant.
pub(super) struct Meant {
    /// The arguments.
    pub(super) typed: Vec<OsString>,
    /// Why they were refused as they were typed.
    pub(super) refused: clap::Error,
}

/// The arguments as they may be meant.
///
/// # Errors
/// The refusal, with a tip where there is one.
pub(super) fn meant(typed: Vec<OsString>, error: clap::Error) -> Result<Meant, clap::Error> {
    let refused = match error.kind() {
        ErrorKind::UnknownArgument => ContextKind::InvalidArg,
        ErrorKind::InvalidSubcommand => ContextKind::InvalidSubcommand,
        _ => return Err(error),
    };
    let Some(ContextValue::String(word)) = error.get(refused).cloned() else {
        return Err(error);
    };
    let Some(option) = option_of(&word) else {
        return Err(unknown(error, &word));
    };
    if refused == ContextKind::InvalidSubcommand {
        let command = format!("packside check {option} {}", in_shell(&word));
        return Err(with_tip(error, &format!("to look at it: {command}")));
    }
    let place = typed.iter().rposition(|part| *part == *word);
    let typed = typed.into_iter().enumerate().flat_map(|(index, part)| {
        let option = (Some(index) == place).then(|| OsString::from(option));
        option.into_iter().chain([part])
    });
    Ok(Meant {
        typed: typed.collect(),
        refused: error,
    })
}

/// The option that a word plainly belongs to.
fn option_of(word: &str) -> Option<&'static str> {
    if word.starts_with('-') || word.is_empty() {
        return None;
    }
    let path = Path::new(word);
    let is_port = word.starts_with("/dev/")
        || word
            .strip_prefix("COM")
            .is_some_and(|number| number.parse::<u8>().is_ok());
    if is_port {
        return Some("--serial");
    }
    if word == "last" || word.ends_with(".visit.jsonl") {
        return Some("--recording");
    }
    if Scenario::shipped().iter().any(|(name, _)| *name == word) {
        return Some("--simulated");
    }
    if is_kept(word) {
        return Some("--at");
    }
    is_host(word)
        .then_some("--gateway")
        .filter(|_| !path.exists())
}

/// An address, or a name with a dot or a port behind it.
fn is_host(word: &str) -> bool {
    let is_address = word.parse::<IpAddr>().is_ok() || word.parse::<SocketAddr>().is_ok();
    let (name, port) = word.split_once(':').unwrap_or((word, ""));
    let is_name = (word == "localhost" || name.contains('.') || !port.is_empty())
        && name.split('.').all(|part| {
            !part.is_empty() && part.chars().all(|c| c.is_ascii_alphanumeric() || c == '-')
        });
    let ends_like_a_file = Path::new(name).extension().is_some_and(|end| {
        ["toml", "json", "jsonl", "html", "csv", "txt"]
            .iter()
            .any(|known| end == *known)
    });
    (is_address || is_name && !ends_like_a_file) && Target::gateway(word, Framing::Tcp).is_ok()
}

/// Whether a place was kept under this name.
fn is_kept(name: &str) -> bool {
    let folder = packside_profiles::config_folder(None, |name| std::env::var_os(name));
    super::places::plain_name(&name.into()).is_ok()
        && folder.is_some_and(|folder| folder.join("places").join(format!("{name}.toml")).is_file())
}

/// A word that could be anything: how a unit is named.
fn unknown(error: clap::Error, word: &str) -> clap::Error {
    let is_option = word.starts_with('-');
    if is_option || error.kind() != ErrorKind::UnknownArgument {
        return error;
    }
    let tip = "a unit is named by --serial PORT, --gateway HOST, --at NAME, --recording FILE or --simulated SCENARIO, \
               a register map by --profile NAME";
    with_tip(error, tip)
}

fn with_tip(mut error: clap::Error, tip: &str) -> clap::Error {
    let tip = StyledStr::from(tip.to_owned());
    error.insert(ContextKind::Suggested, ContextValue::StyledStrs(vec![tip]));
    error
}

#[cfg(test)]
mod tests {
    use super::option_of;

    // Kind: invented
    #[test]
    fn plain_words_have_one_option_or_none() {
        for (word, option) in [
            ("/dev/ttyUSB0", Some("--serial")),
            ("COM3", Some("--serial")),
            ("192.0.2.7", Some("--gateway")),
            ("192.0.2.7:1502", Some("--gateway")),
            ("[2001:db8::7]:502", Some("--gateway")),
            ("gateway.example", Some("--gateway")),
            ("localhost:1502", Some("--gateway")),
            ("last", Some("--recording")),
            ("barn.visit.jsonl", Some("--recording")),
            ("hv-waiting", Some("--simulated")),
            ("map.toml", None),
            ("unit", None),
            ("--serail", None),
            ("../x", None),
            ("", None),
        ] {
            assert_eq!(option_of(word), option, "{word}");
        }
    }
}
