//! Problems of form and of sense are told together, and none only because of another.

use crate::common::{Folder, GOOD, edited};
use lentic_study::{Examined, Problem, parse};
use serde_json::{Map, Value, json};
use std::collections::BTreeSet;
use std::path::Path;

/// What [`parse`] and so the form alone says of the text of these values.
fn form(values: &Value) -> (String, Vec<Problem>) {
    let text = toml::to_string(values).unwrap();
    let problems =
        parse(Path::new("study.toml"), text.clone()).err().map_or(Vec::new(), |problems| problems.0);
    (text, problems)
}

/// Every change of one value or key, beneath `here`, of the whole that `rebuild` makes.
fn changes(here: &Value, rebuild: &dyn Fn(Value) -> Value, all: &mut Vec<Value>) {
    let others = [json!(true), json!("no such word"), json!(-1e12), json!([]), json!({})];
    // An emptied table lacks many things, which is more than one mistake.
    let others = others.into_iter().filter(|other| !(other.is_object() && here.is_object()));
    all.extend(others.map(rebuild));
    match here {
        Value::Array(items) => {
            for (i, item) in items.iter().enumerate() {
                let put = |value: Value| {
                    let mut items = items.clone();
                    items[i] = value;
                    rebuild(Value::Array(items))
                };
                changes(item, &put, all);
            }
        }
        Value::Object(table) => {
            for (name, inner) in table {
                let renamed = |to: &str| -> Map<String, Value> {
                    let entry = |(key, v): (&String, &Value)| {
                        (if key == name { to.to_string() } else { key.clone() }, v.clone())
                    };
                    table.iter().map(entry).collect()
                };
                all.push(rebuild(Value::Object(renamed(&format!("{name}x")))));
                all.push(rebuild(Value::Object(renamed("quite another"))));
                let mut without = table.clone();
                without.shift_remove(name);
                all.push(rebuild(Value::Object(without)));
                let put = |value: Value| {
                    let mut table = table.clone();
                    table[name] = value;
                    rebuild(Value::Object(table))
                };
                changes(inner, &put, all);
            }
        }
        _ => {}
    }
}

/// The study is sound but for one change, so whatever is said beside the problems of form is noise.
#[test]
fn one_mistake_of_form_brings_no_other_with_it() {
    let mut all = Vec::new();
    for text in std::iter::once(GOOD.to_string()).chain(crate::climate::every_kind()) {
        let (_, source) = parse(Path::new("study.toml"), text).unwrap();
        // Of the other kinds of climate only the sections that differ are spoilt.
        let whole = source.value().clone();
        if all.is_empty() {
            changes(&whole, &|value| value, &mut all);
        } else {
            for section in ["layers", "climate"] {
                let put = |value: Value| {
                    let mut whole = whole.clone();
                    whole[section] = value;
                    whole
                };
                changes(&whole[section], &put, &mut all);
            }
        }
    }
    all.retain(Value::is_object);
    let mut spoilt = 0;
    let mut noise = BTreeSet::new();
    for values in &all {
        let (text, of_form) = form(values);
        if of_form.is_empty() {
            continue; // Sound still, or a mistake of sense.
        }
        spoilt += 1;
        let found = Folder::new(&text).examine();
        assert!(found.study.is_some(), "{text}");
        let said = |problems: &[Problem]| problems.iter().map(|p| p.message.clone()).collect::<Vec<_>>();
        let (found, of_form) = (said(&found.problems), said(&of_form));
        if found != of_form {
            let more: Vec<&String> = found.iter().filter(|m| !of_form.contains(m)).collect();
            noise.insert(format!("{of_form:?}\n  brings {more:?}"));
        }
    }
    assert!(spoilt > 500, "{spoilt} of {} changes", all.len());
    assert!(noise.is_empty(), "{}", noise.into_iter().collect::<Vec<_>>().join("\n"));
}

#[test]
fn form_and_sense_come_together_from_the_top_down() {
    let text = edited(&[
        ("cell_m = 30.0", "cell_m = \"thirty\""),
        ("\"1991-01\"", "\"1991-13\""),
        ("unit = \"m\"", "units = \"m\""),
        ("file = \"depth.tif\"", "file = \"depht.tif\""),
        ("index = \"spei\"", "index = \"spie\""),
        ("[6, 1.0]", "[1, 1.0]"),
        ("spread = 80.0", "spread = 0"),
        ("barriers = [\"roads\"]", "barriers = [\"road\"]"),
        ("name = \"crops-2050\"", ""),
        ("cause = \"climate\"", ""),
    ]);
    let folder = Folder::new(&text).with("zones.csv", "code,name\n1,north\nx,south\n");
    insta::assert_snapshot!(folder.problems());
}

/// What hangs on a layer, a month or a variable that could not be read is left out, and the rest is there.
#[test]
fn what_is_sound_is_kept() {
    let text = edited(&[
        ("unobserved = [9]", "unobserved = 9"),
        ("file = \"depth.tif\"", "file = \"depht.tif\""),
        ("spread = 80.0", "spread = \"wide\""),
        ("unit = \"m\"", "units = \"m\""),
        ("temperature = { file = \"climate.csv\"", "temperature = { file = \"climat.csv\""),
    ]);
    let Examined { study, problems, .. } = Folder::new(&text).examine();
    let study = study.unwrap();
    assert_eq!(problems.len(), 5, "{problems:?}");
    let layers: Vec<&str> = study.layers.iter().map(|layer| layer.name.as_str()).collect();
    let kept = ["wetland_class", "ground", "land_cover", "land_cover_2050", "districts", "roads", "fall"];
    assert_eq!(layers, kept);
    let variables: Vec<&str> = study.variables().map(|(_, variable)| variable.name.as_str()).collect();
    assert_eq!(variables, ["hydroperiod", "depth", "plants", "reeds near", "nest ground"]);
    assert!(study.climate.unwrap().temperature.is_none());
    assert!(study.grid.bounds.is_some() && study.scenarios.len() == 4);
}

#[test]
fn a_grid_or_baseline_that_is_not_known_takes_what_hangs_on_it_along() {
    let study = |edit| Folder::new(&edited(&[edit])).examine().study.unwrap();
    let no_cells = study(("cell_m = 30.0", "cell_m = \"thirty\""));
    assert_eq!((no_cells.grid.bounds, no_cells.grid.area), (None, None));
    assert_eq!(no_cells.grid.crs, "EPSG:6933");
    let backwards = study(("bounds = [0, 0, 3000, 1500]", "bounds = [3000, 0, 0, 1500]"));
    assert_eq!(backwards.grid.bounds, None);
    let no_months = study(("\"1991-01\"", "\"1991-13\""));
    assert!(no_months.climate.is_none() && no_months.layers.iter().all(|layer| layer.name != "water"));
    let no_reference = study(("\"2020-12\"]", "\"2020-12\"]\nreference = 1991"));
    assert!(no_reference.climate.is_none() && no_reference.layers.iter().any(|layer| layer.name == "water"));
}
