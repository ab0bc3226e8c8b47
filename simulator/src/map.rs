//! The register map of a scenario: the named one, with what the scenario says is otherwise in it.
//!
//! Input: a scenario, a folder with own maps. Output: a profile and its text. Does not: know what a
//! map means; the loader of the profiles checks the whole as it checks every file.
//!
//! # Why the text is changed and not the loaded profile
//! Whoever looks at a unit records the text of its map and judges by it later.

use std::path::Path;

use packside_profiles::Profile;
use toml::{Table, Value};

use crate::scenario::Scenario;
use crate::scenario_error::ScenarioError;

/// The map of a scenario, and its text.
#[derive(Debug, Clone)]
pub struct Map {
    /// Loaded.
    pub profile: Profile,
    /// As text; that of the file where the scenario changes nothing.
    pub text: String,
}

impl Scenario {
    /// Loads its register map. `config` is the folder with own maps.
    ///
    /// # Errors
    /// Where there is no such map, or what the scenario changes makes no valid one.
    pub fn load_map(&self, config: Option<&Path>) -> Result<Map, ScenarioError> {
        let wrong = |why: String| ScenarioError::Map {
            scenario: self.name.as_str().into(),
            why,
        };
        let found =
            packside_profiles::find(&self.profile, config).map_err(|e| wrong(e.to_string()))?;
        if self.map.is_empty() {
            return Ok(Map {
                profile: found.profile,
                text: found.text,
            });
        }
        let mut table: Table = found
            .text
            .parse()
            .map_err(|e: toml::de::Error| wrong(e.to_string()))?;
        merge(&mut table, &self.map);
        let text = toml::to_string(&table).map_err(|e| wrong(e.to_string()))?;
        let origin = format!("{} with [map] of {}", self.profile, self.name);
        let profile = packside_profiles::load(&text, &origin).map_err(|e| wrong(e.to_string()))?;
        Ok(Map { profile, text })
    }
}

/// Puts `new` into `old`: tables key by key, entries of lists by their `id`, all else as it is.
fn merge(old: &mut Table, new: &Table) {
    for (key, value) in new {
        match (old.get_mut(key), value) {
            (Some(Value::Table(old)), Value::Table(new)) => merge(old, new),
            (Some(Value::Array(old)), Value::Array(new)) if new.iter().all(has_id) => {
                for entry in new {
                    let same = |one: &&mut Value| one.get("id") == entry.get("id");
                    match (old.iter_mut().find(same), entry) {
                        (Some(Value::Table(old)), Value::Table(new)) => merge(old, new),
                        _ => old.push(entry.clone()),
                    }
                }
            }
            _ => {
                old.insert(key.clone(), value.clone());
            }
        }
    }
}

fn has_id(value: &Value) -> bool {
    value.get("id").is_some()
}

#[cfg(test)]
mod tests {
    use packside_profiles::model::{FedBy, InverterPort};

    use crate::Scenario;

    fn load(rest: &str) -> Scenario {
        let text = format!(
            "format = 3\nname = \"t\"\ntitle = \"t\"\nprofile = \"generic-lv-rack\"\nlook_at = \"1s\"\n{rest}"
        );
        Scenario::load(&text, "t").unwrap()
    }

    // Kind: invented
    #[test]
    fn map_of_a_scenario_is_the_named_one_with_its_changes() {
        let plain = load("").load_map(None).unwrap();
        let rest = "[map.inverter]\nport = \"can\"\nfed_by = \"other-port\"\nasking_may_close_switches = false\n[[map.point]]\nid = \"current_code\"\nrotates = true\n";
        let changed = load(rest).load_map(None).unwrap();
        assert_eq!(changed.profile.inverter.port, InverterPort::Can);
        assert_eq!(changed.profile.inverter.fed_by, FedBy::OtherPort);
        assert_eq!(
            changed.profile.inverter.silence_s,
            plain.profile.inverter.silence_s
        );
        let code = |map: &super::Map| map.profile.point("current_code").unwrap().clone();
        assert!(code(&changed).rotates && !code(&plain).rotates);
        assert_eq!(changed.profile.points.len(), plain.profile.points.len());
        // Whoever has only the text has the same map.
        assert_eq!(
            packside_profiles::load(&changed.text, "t").unwrap(),
            changed.profile
        );
    }

    #[test]
    fn err_map_that_the_loader_refuses_is_named() {
        let error = load("[map.inverter]\nport = \"air\"\n")
            .load_map(None)
            .unwrap_err();
        let text = error.to_string();
        assert!(text.starts_with("scenario t: its register map: "), "{text}");
    }
}
