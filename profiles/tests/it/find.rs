//! Profiles by name: a file, the user's folder, a shipped map.

use std::path::PathBuf;

use packside_profiles::load::known;
use packside_profiles::{FindError, find, shipped};

/// A scratch folder that goes away.
struct Folder(PathBuf);

impl Folder {
    fn new(name: &str) -> Self {
        let path =
            std::env::temp_dir().join(format!("packside-find-{}-{name}", std::process::id()));
        std::fs::create_dir_all(path.join("profiles")).unwrap();
        Self(path)
    }

    fn put(&self, name: &str, text: &str) -> PathBuf {
        let path = self.0.join("profiles").join(name);
        std::fs::write(&path, text).unwrap();
        path
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

fn own_map(id: &str) -> String {
    shipped()[1]
        .1
        .replace("id = \"generic-lv-rack\"", &format!("id = \"{id}\""))
}

#[test]
fn shipped_name_is_found_with_its_text() {
    let loaded = find("generic-lv-rack", None).unwrap();
    assert_eq!(loaded.profile.profile.id, "generic-lv-rack");
    assert_eq!(loaded.text, shipped()[1].1);
    assert_eq!(loaded.origin, "shipped:generic-lv-rack");
}

#[test]
fn name_in_the_folder_and_path_of_a_file_are_found() {
    let folder = Folder::new("own");
    let path = folder.put("my-rack.toml", &own_map("my-rack"));
    assert_eq!(
        find("my-rack", Some(&folder.0)).unwrap().profile.profile.id,
        "my-rack"
    );
    assert_eq!(
        find(path.to_str().unwrap(), None)
            .unwrap()
            .profile
            .profile
            .id,
        "my-rack"
    );
    assert_eq!(
        known(Some(&folder.0)),
        ["generic-hv-stack", "generic-lv-rack", "my-rack"]
    );
}

#[test]
fn err_own_profile_with_a_shipped_name_names_both() {
    let folder = Folder::new("same");
    let path = folder.put("generic-lv-rack.toml", &own_map("generic-lv-rack"));
    let error = find("generic-lv-rack", Some(&folder.0)).unwrap_err();
    assert_eq!(
        error.to_string(),
        format!(
            "profile \"generic-lv-rack\": {} has the name of a shipped profile: rename it, or give its path",
            packside_profiles::shown(&path)
        )
    );
}

#[test]
fn err_own_profile_with_a_shipped_id_under_another_file_name() {
    let folder = Folder::new("id");
    folder.put("mine.toml", &own_map("generic-lv-rack"));
    let error = find("mine", Some(&folder.0)).unwrap_err();
    assert!(matches!(error, FindError::SameName { .. }), "{error}");
}

#[test]
fn err_unknown_profile_lists_the_known_and_the_nearest() {
    assert_eq!(
        find("generic-hv-stak", None).unwrap_err().to_string(),
        "profile \"generic-hv-stak\": expected a file or one of generic-hv-stack, generic-lv-rack, found no such \
         profile; did you mean generic-hv-stack?"
    );
    let error = find("generic-hv-stack.toml", None).unwrap_err();
    assert!(
        error
            .to_string()
            .starts_with("profile generic-hv-stack.toml: cannot be read: "),
        "{error}"
    );
}

#[test]
fn err_own_profile_with_mistakes_names_its_file() {
    let folder = Folder::new("wrong");
    let path = folder.put("wrong.toml", "format = 1\n");
    let error = find("wrong", Some(&folder.0)).unwrap_err().to_string();
    assert!(
        error.starts_with(&format!("{}: ", packside_profiles::shown(&path))),
        "{error}"
    );
    assert!(
        error.contains("profile: expected a table [profile], found none"),
        "{error}"
    );
}
