//! The committed JSON Schema, and our checker held against a general-purpose validator.

use crate::common::GOOD;
use lentic_study::{parse, schema, schema_text};
use proptest::prelude::*;
use serde_json::Value;
use std::path::Path;

#[test]
fn the_committed_schema_is_the_present_one() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../configs/study.schema.json");
    let refresh = "LENTIC_REFRESH=1 cargo test --release -p lentic-study --test study schema";
    if std::env::var_os("LENTIC_REFRESH").is_some() {
        std::fs::write(&path, schema_text()).unwrap();
    }
    let committed = std::fs::read_to_string(&path).unwrap_or_default();
    assert!(
        committed == schema_text(),
        "configs/study.schema.json is not what the structs say; refresh it with\n  {refresh}"
    );
}

/// Every table, list and value of the study, as JSON pointers.
fn pointers(value: &Value, at: String, found: &mut Vec<String>) {
    match value {
        Value::Object(map) => map.iter().for_each(|(name, v)| pointers(v, format!("{at}/{name}"), found)),
        Value::Array(items) => {
            items.iter().enumerate().for_each(|(i, v)| pointers(v, format!("{at}/{i}"), found))
        }
        _ => {}
    }
    if !at.is_empty() {
        found.push(at);
    }
}

fn good() -> Value {
    toml::from_str(GOOD).unwrap()
}

fn spoil(study: &mut Value, pick: usize, with: &Spoil) {
    let mut all = Vec::new();
    pointers(study, String::new(), &mut all);
    let at = &all[pick % all.len()];
    let (parent, name) = at.rsplit_once('/').unwrap();
    match (with, study.pointer_mut(parent).unwrap()) {
        (Spoil::Remove, Value::Object(map)) => {
            map.shift_remove(name);
        }
        (Spoil::Remove, Value::Array(items)) => {
            items.remove(name.parse().unwrap());
        }
        (Spoil::Add(word), Value::Object(map)) => {
            map.insert(word.clone(), Value::from(1));
        }
        (Spoil::Add(word), Value::Array(items)) => items.push(Value::from(word.as_str())),
        (Spoil::Replace(value), _) => *study.pointer_mut(at).unwrap() = value.clone(),
        _ => {}
    }
}

#[derive(Clone, Debug)]
enum Spoil {
    Remove,
    Add(String),
    Replace(Value),
}

fn spoils() -> impl Strategy<Value = Spoil> {
    let word = || prop_oneof!["[a-z]{1,6}", Just("file".to_string()), Just("class".to_string())];
    prop_oneof![
        Just(Spoil::Remove),
        word().prop_map(Spoil::Add),
        word().prop_map(|word| Spoil::Replace(word.into())),
        // Not whole: JSON Schema takes 3.0 for a whole number, TOML and we do not.
        (-100i32..100).prop_map(|n| Spoil::Replace((f64::from(n) + 0.5).into())),
        (-20i64..6_000_000_000).prop_map(|n| Spoil::Replace(n.into())),
        any::<bool>().prop_map(|yes| Spoil::Replace(yes.into())),
        Just(Spoil::Replace(Value::Array(vec![1.into(), 2.into()]))),
        Just(Spoil::Replace(serde_json::json!({ "a": 1 }))),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 2000, failure_persistence: None, ..ProptestConfig::default() })]

    /// Oracle: the crate `jsonschema`, a general-purpose validator of JSON Schema.
    #[test]
    fn our_checker_agrees_with_a_json_schema_validator(
        picks in prop::collection::vec((any::<usize>(), spoils()), 0..3)
    ) {
        let validator = jsonschema::validator_for(&schema()).unwrap();
        let mut study = good();
        picks.iter().for_each(|(pick, with)| spoil(&mut study, *pick, with));
        let text = toml::to_string(&study).unwrap();
        let ours = parse(Path::new("study.toml"), text.clone());
        prop_assert_eq!(
            ours.is_ok(),
            validator.is_valid(&study),
            "{}\n{:?}\n{:?}",
            text,
            ours.err().map(|problems| problems.to_string()),
            validator.iter_errors(&study).map(|e| e.to_string()).collect::<Vec<_>>()
        );
    }
}
