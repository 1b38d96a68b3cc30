//! The house is as DEVELOPERS.md says: who may know whom.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..")
}

/// What each crate may know, after DEVELOPERS.md: cli -> engine -> {habitat, report, raster} -> {numerics, study}, study -> numerics.
const MAY_KNOW: [(&str, &[&str]); 7] = [
    ("numerics", &[]),
    ("study", &["numerics"]),
    ("raster", &["study"]),
    ("habitat", &["numerics", "study"]),
    ("report", &[]),
    ("engine", &["numerics", "raster", "study", "habitat", "report"]),
    ("cli", &["engine", "study"]),
];

/// Names of our crates in a text of sources or of a manifest.
fn own(text: &str, mark: &str) -> BTreeSet<String> {
    let after = text.match_indices(mark).filter(|(at, _)| {
        let before = text[..*at].chars().next_back();
        before.is_none_or(|c| !(c.is_alphanumeric() || c == '_' || c == '-' || c == '/'))
    });
    let name = |(at, mark): (usize, &str)| {
        text[at + mark.len()..].chars().take_while(char::is_ascii_lowercase).collect()
    };
    after.map(name).collect()
}

fn sources(folder: &Path, text: &mut String) {
    for entry in fs::read_dir(folder).unwrap().map(Result::unwrap) {
        let path = entry.path();
        if path.is_dir() {
            sources(&path, text);
        } else if path.extension().is_some_and(|ending| ending == "rs") {
            text.push_str(&fs::read_to_string(&path).unwrap());
        }
    }
}

#[test]
fn crates_know_whom_they_may_and_nobody_else() {
    let rules: BTreeMap<&str, BTreeSet<String>> =
        MAY_KNOW.iter().map(|(name, of)| (*name, of.iter().map(ToString::to_string).collect())).collect();
    let folders =
        fs::read_dir(root().join("pipeline")).unwrap().map(|e| e.unwrap().file_name().into_string().unwrap());
    assert_eq!(
        folders.collect::<BTreeSet<_>>(),
        rules.keys().map(ToString::to_string).collect(),
        "give a new crate its rule here"
    );
    for (name, may) in &rules {
        let folder = root().join("pipeline").join(name);
        let manifest = fs::read_to_string(folder.join("Cargo.toml")).unwrap();
        let normal = manifest
            .split("[dev-dependencies]")
            .next()
            .unwrap()
            .split("[dependencies]")
            .nth(1)
            .unwrap_or_default();
        assert_eq!(own(normal, "lentic-"), *may, "Cargo.toml of {name}");
        let mut text = String::new();
        sources(&folder.join("src"), &mut text);
        let mut known = own(&text, "lentic_");
        known.remove(*name);
        assert!(!known.is_empty() || may.is_empty(), "{name}: the search found nothing");
        assert!(known.is_subset(may), "{name} names {known:?}, and may know {may:?}");
    }
}

/// GDAL is known to one crate, files of the study to none but those above.
#[test]
fn only_one_crate_knows_gdal() {
    for (name, _) in MAY_KNOW {
        let manifest = fs::read_to_string(root().join("pipeline").join(name).join("Cargo.toml")).unwrap();
        let normal = manifest.split("[dev-dependencies]").next().unwrap();
        let knows = normal.lines().any(|line| line.starts_with("gdal"));
        assert_eq!(knows, name == "raster", "{name}");
    }
}
