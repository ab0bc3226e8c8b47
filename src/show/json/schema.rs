//! The schemas of everything that is printed as JSON, made from the structs and kept in `docs/schema/`.

use std::fs;
use std::path::{Path, PathBuf};

use schemars::generate::SchemaSettings;
use schemars::{JsonSchema, Schema};

use super::{
    check, compare, demo, draft, explain, failed, find, lamp, listen, profile, report, retest,
    visit, watch,
};

/// File, and the schema that it holds.
fn schemas() -> [(&'static str, Schema); 15] {
    [
        ("check", of::<check::Check>()),
        ("compared", of::<compare::Compared>()),
        ("demo", of::<demo::Demo>()),
        ("draft", of::<draft::Draft>()),
        ("explained", of::<explain::Explained>()),
        ("failed", of::<failed::Failed>()),
        ("find", of::<find::Search>()),
        ("lamp", of::<lamp::Answer>()),
        ("listen-line", of::<listen::Line>()),
        ("profile", of::<profile::Profiles>()),
        ("report", of::<report::Report>()),
        ("retest", of::<retest::Retest>()),
        ("verified", of::<report::Verified>()),
        ("visited", of::<visit::Visited>()),
        ("watch-line", of::<watch::Line>()),
    ]
}

/// What is printed, not what would be read: a field that is null all the same stands there.
fn of<T: JsonSchema>() -> Schema {
    let settings = SchemaSettings::draft2020_12().for_serialize();
    settings.into_generator().into_root_schema_for::<T>()
}

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/schema")
}

// Kind of all values: derived (from the structs).
#[test]
fn schemas_are_kept_as_they_are() {
    let folder = folder();
    for (name, schema) in schemas() {
        let file = folder.join(format!("{name}.json"));
        let made = serde_json::to_string_pretty(&schema).unwrap() + "\n";
        if std::env::var_os("PACKSIDE_BLESS").is_some() {
            fs::create_dir_all(&folder).unwrap();
            fs::write(&file, &made).unwrap();
        }
        let kept = fs::read_to_string(&file).unwrap_or_default();
        assert!(
            kept == made,
            "{} differs: after a wanted change PACKSIDE_BLESS=1 cargo test -p packside schemas_are_kept",
            packside_profiles::shown(&file)
        );
    }
    let kept = fs::read_dir(&folder).unwrap().count();
    assert_eq!(kept, schemas().len(), "a file of docs/schema has no struct");
}
