//! The schemas of everything that is printed as JSON, made from the structs and kept in `docs/schema/`.

use std::fs;
use std::path::{Path, PathBuf};

use schemars::{Schema, schema_for};

use super::{check, compare, explain, find, lamp, listen, profile, report, retest, visit, watch};

/// File, and the schema that it holds.
fn schemas() -> [(&'static str, Schema); 13] {
    [
        ("check", schema_for!(check::Check)),
        ("compared", schema_for!(compare::Compared)),
        ("explained", schema_for!(explain::Explained)),
        ("failed", schema_for!(check::Failed)),
        ("find", schema_for!(find::Search)),
        ("lamp", schema_for!(lamp::Answer)),
        ("listen-line", schema_for!(listen::Line)),
        ("profile", schema_for!(profile::Profiles)),
        ("report", schema_for!(report::Report)),
        ("retest", schema_for!(retest::Retest)),
        ("verified", schema_for!(report::Verified)),
        ("visited", schema_for!(visit::Visited)),
        ("watch-line", schema_for!(watch::Line)),
    ]
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
            file.display()
        );
    }
    let kept = fs::read_dir(&folder).unwrap().count();
    assert_eq!(kept, schemas().len(), "a file of docs/schema has no struct");
}
