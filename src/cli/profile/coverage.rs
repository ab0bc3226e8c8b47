//! `packside profile coverage`: what can go wrong, and when a map would show it.

use packside_profiles::Loaded;
use packside_profiles::coverage::{Covered, Sight, coverage as covered};

use super::given::{CheckOutcome, failed, object};
use crate::cli::failure::LOCAL;
use crate::show::json::profile::{Content, CoveredMode};
use crate::words::coverage as words;

/// Every failure mode, those first that show soonest.
pub(super) fn coverage(loaded: &Loaded, json: bool) -> CheckOutcome {
    let id = &loaded.profile.profile.id;
    let modes = match covered(&loaded.profile) {
        Ok(modes) => modes,
        Err(error) => {
            let hint = "this is a defect of packside itself";
            return failed("internal", &error.to_string(), hint, LOCAL, json);
        }
    };
    if json {
        let modes = modes.iter().map(CoveredMode::of).collect();
        let profile = id.clone();
        return (
            object("coverage", Content::Coverage { profile, modes }),
            String::new(),
            0,
        );
    }
    let mut text = format!("{id}: what can go wrong, and when this map would show it\n");
    let sights = [
        Sight::AtRest,
        Sight::WithInverter,
        Sight::UnderCurrent,
        Sight::FlagOnly,
        Sight::NotAtAll,
    ];
    for sight in sights {
        let here: Vec<&Covered> = modes.iter().filter(|mode| mode.sight == sight).collect();
        text.push_str(&format!(
            "\n{} ({} of {})\n",
            words::sight(sight),
            here.len(),
            modes.len()
        ));
        for covered in here {
            text.push_str(&line(covered));
        }
    }
    text.push_str(&format!("\nnext: packside profile show {id}\n"));
    (text, String::new(), 0)
}

/// `  3  a cell was below its absolute minimum · people · first: …`.
fn line(covered: &Covered) -> String {
    let mode = covered.mode;
    let weak = if covered.weak { ", with time" } else { "" };
    let lacks = words::lacks(covered).map_or_else(String::new, |lacks| format!("\n      {lacks}"));
    format!(
        "  {:>2}  {}{weak} · danger: {} · first: {}{lacks}\n",
        mode.number,
        mode.words,
        words::hazard(mode.hazard),
        words::first(mode.first)
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_map_tells_of_all_sixty_modes() {
        for name in ["generic-hv-stack", "generic-lv-rack", "sunspec"] {
            let loaded = packside_profiles::find(name, None).unwrap();
            let (text, said, exit) = coverage(&loaded, false);
            let modes = text
                .lines()
                .filter(|line| line.contains(" · danger: "))
                .count();
            assert_eq!((modes, said.as_str(), exit), (60, "", 0), "{name}");
            let (object, ..) = coverage(&loaded, true);
            let object: serde_json::Value = serde_json::from_str(&object).unwrap();
            assert_eq!(object["modes"].as_array().unwrap().len(), 60, "{name}");
        }
    }
}
