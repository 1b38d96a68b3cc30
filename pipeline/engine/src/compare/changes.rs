//! What went into one run and not, or differently, into another: inputs, settings, program.

use super::load::Loaded;
use lentic_report::{Input, RunRecord};
use std::collections::BTreeMap;

/// How one thing changed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum How {
    /// In both, but not alike.
    Changed,
    /// In this run only.
    Added,
    /// In the first run only.
    Gone,
    /// The same content under another name.
    Renamed,
}

impl How {
    /// In a word.
    pub fn word(self) -> &'static str {
        match self {
            How::Added => "added",
            How::Gone => "gone",
            How::Changed => "changed",
            How::Renamed => "renamed",
        }
    }
}

/// A file read.
#[derive(Clone, Debug)]
pub struct InputChange {
    /// Layer it serves.
    pub layer: String,
    /// How it changed.
    pub how: How,
    /// In the first run.
    pub before: Option<Input>,
    /// In this run.
    pub after: Option<Input>,
}

/// A setting, or a part of the program.
#[derive(Clone, Debug)]
pub struct KeyChange {
    /// Key path, or name of the part.
    pub key: String,
    /// How it changed.
    pub how: How,
    /// In the first run.
    pub before: Option<String>,
    /// In this run.
    pub after: Option<String>,
}

/// All that changed on the way in.
#[derive(Clone, Debug, Default)]
pub struct Changes {
    /// Files read.
    pub inputs: Vec<InputChange>,
    /// Files that are the same in both.
    pub inputs_same: usize,
    /// Keys of the study file.
    pub settings: Vec<KeyChange>,
    /// Versions of the program and its libraries.
    pub program: Vec<KeyChange>,
}

impl Changes {
    /// From the first run to another.
    pub fn between(first: &Loaded, other: &Loaded) -> Changes {
        let (inputs, inputs_same) = inputs(&first.record.inputs, &other.record.inputs);
        Changes {
            inputs,
            inputs_same,
            settings: keys(&first.settings, &other.settings),
            program: keys(&parts(&first.record), &parts(&other.record)),
        }
    }

    /// Whether nothing changed.
    pub fn none(&self) -> bool {
        self.inputs.is_empty() && self.settings.is_empty() && self.program.is_empty()
    }
}

/// The program and its libraries with their versions.
pub fn parts(record: &RunRecord) -> BTreeMap<String, String> {
    let program = &record.program;
    let mut parts = program.others.clone();
    parts.insert(program.name.clone(), program.version.clone());
    parts.insert("GDAL".into(), program.gdal.clone());
    parts
}

fn keys(before: &BTreeMap<String, String>, after: &BTreeMap<String, String>) -> Vec<KeyChange> {
    let all: std::collections::BTreeSet<&String> = before.keys().chain(after.keys()).collect();
    let change = |key: &String| {
        let (old, new) = (before.get(key), after.get(key));
        let how = match (old, new) {
            (Some(old), Some(new)) if old == new => return None,
            (Some(_), Some(_)) => How::Changed,
            (None, _) => How::Added,
            (_, None) => How::Gone,
        };
        Some(KeyChange { key: key.clone(), how, before: old.cloned(), after: new.cloned() })
    };
    all.into_iter().filter_map(change).collect()
}

/// Files by layer and name; what is gone under one name and added under another with the same content was renamed.
fn inputs(before: &[Input], after: &[Input]) -> (Vec<InputChange>, usize) {
    let by_name = |inputs: &[Input]| -> BTreeMap<(String, String), Input> {
        inputs.iter().map(|input| ((input.layer.clone(), input.file.clone()), input.clone())).collect()
    };
    let (old, new) = (by_name(before), by_name(after));
    let mut found = Vec::new();
    let mut same = 0;
    let mut added: Vec<&Input> =
        new.iter().filter(|(key, _)| !old.contains_key(*key)).map(|(_, input)| input).collect();
    for (key, input) in &old {
        let one = |how, after: Option<Input>| InputChange {
            layer: key.0.clone(),
            how,
            before: Some(input.clone()),
            after,
        };
        match new.get(key) {
            Some(now) if now.same_content(input) => same += 1,
            Some(now) => found.push(one(How::Changed, Some(now.clone()))),
            None => match added.iter().position(|new| new.layer == input.layer && new.same_content(input)) {
                Some(at) => found.push(one(How::Renamed, Some(added.remove(at).clone()))),
                None => found.push(one(How::Gone, None)),
            },
        }
    }
    found.extend(added.into_iter().map(|input| InputChange {
        layer: input.layer.clone(),
        how: How::Added,
        before: None,
        after: Some(input.clone()),
    }));
    let name = |change: &InputChange| {
        change.after.as_ref().or(change.before.as_ref()).map(|input| input.file.clone()).unwrap_or_default()
    };
    found.sort_by(|a, b| (&a.layer, name(a)).cmp(&(&b.layer, name(b))));
    (found, same)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn files_are_told_apart_by_name_and_content() {
        let file = |layer: &str, file: &str, blake3: &str| Input {
            layer: layer.into(),
            file: file.into(),
            blake3: blake3.into(),
            ..Input::default()
        };
        let before = [
            file("water", "1.tif", "a"),
            file("water", "2.tif", "b"),
            file("ground", "g.tif", "c"),
            file("old", "o.csv", "d"),
        ];
        let after = [
            file("water", "1.tif", "a"),
            file("water", "2.tif", "x"),
            file("water", "3.tif", "y"),
            file("ground", "h.tif", "c"),
        ];
        let (found, same) = inputs(&before, &after);
        let told: Vec<(&str, How)> = found.iter().map(|c| (c.layer.as_str(), c.how)).collect();
        assert_eq!(
            told,
            [("ground", How::Renamed), ("old", How::Gone), ("water", How::Changed), ("water", How::Added)]
        );
        assert_eq!(same, 1);
    }

    #[test]
    fn keys_are_told_by_what_became_of_them() {
        let map = |pairs: &[(&str, &str)]| -> BTreeMap<String, String> {
            pairs.iter().map(|(k, v)| ((*k).to_string(), (*v).to_string())).collect()
        };
        let found =
            keys(&map(&[("a", "1"), ("b", "2"), ("c", "3")]), &map(&[("b", "2"), ("c", "4"), ("d", "5")]));
        let told: Vec<(&str, How)> = found.iter().map(|c| (c.key.as_str(), c.how)).collect();
        assert_eq!(told, [("a", How::Gone), ("c", How::Changed), ("d", How::Added)]);
    }
}
