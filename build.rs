//! What `packside --version` says of the source it was built from: the commit and its date.
//!
//! Only of a release: elsewhere every commit would build the whole package anew.

use std::process::Command;

fn main() {
    println!("cargo:rerun-if-changed=build.rs");
    println!("cargo:rerun-if-env-changed=PACKSIDE_COMMIT");
    let version = env!("CARGO_PKG_VERSION");
    let is_release = std::env::var("PROFILE").is_ok_and(|profile| profile == "release");
    let commit = if is_release { commit() } else { None };
    let version = match commit {
        Some(commit) => format!("{version} ({commit})"),
        None => version.to_owned(),
    };
    println!("cargo:rustc-env=PACKSIDE_VERSION={version}");
}

/// Commit and date: as given by whoever builds from an archive, else those of this repository.
fn commit() -> Option<String> {
    if let Ok(given) = std::env::var("PACKSIDE_COMMIT") {
        return Some(given);
    }
    // A package that lies inside somebody else's repository is not built from that one's commit.
    let folder = std::env::var("CARGO_MANIFEST_DIR").ok()?;
    if let Ok(packed) = std::fs::read_to_string(".cargo_vcs_info.json") {
        let (_, behind) = packed.split_once("\"sha1\": \"")?;
        return behind.get(..10).map(str::to_owned);
    }
    let top = git(&["rev-parse", "--show-toplevel"])?;
    if std::fs::canonicalize(folder).ok()? != std::fs::canonicalize(top).ok()? {
        return None;
    }
    let log = git(&["rev-parse", "--git-path", "logs/HEAD"])?;
    println!("cargo:rerun-if-changed={log}");
    git(&["show", "--no-patch", "--format=%h, %cs", "HEAD"])
}

fn git(arguments: &[&str]) -> Option<String> {
    let output = Command::new("git").args(arguments).output().ok()?;
    let text = String::from_utf8(output.stdout).ok()?;
    Some(text.trim().to_owned()).filter(|text| output.status.success() && !text.is_empty())
}
