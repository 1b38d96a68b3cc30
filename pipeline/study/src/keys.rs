//! A study file as keys and values, so that two studies can be held against each other whatever the order and spelling of
//! their text.

use std::collections::BTreeMap;
use toml::{Table, Value};

/// Every value of a study file by its key path, in TOML's own writing. Entries of a list of tables go by their `name`, else by their
/// place from 1: `scenarios.drier.temperature_c`, `requisites.breeding.variables.depth.weight`. `None` where the text is no TOML.
///
/// ```
/// let keys = lentic_study::keys("[study]\nname = \"A\"\n[[scenarios]]\nname = \"drier\"\nhorizon = 2050\n").unwrap();
/// assert_eq!(keys["scenarios.drier.horizon"], "2050");
/// ```
pub fn keys(text: &str) -> Option<BTreeMap<String, String>> {
    let table: Table = text.parse().ok()?;
    let mut found = BTreeMap::new();
    of_table("", &table, &mut found);
    Some(found)
}

fn of_table(before: &str, table: &Table, found: &mut BTreeMap<String, String>) {
    for (key, value) in table {
        of_value(&if before.is_empty() { key.clone() } else { format!("{before}.{key}") }, value, found);
    }
}

fn of_value(path: &str, value: &Value, found: &mut BTreeMap<String, String>) {
    match value {
        Value::Table(table) if !table.is_empty() => of_table(path, table, found),
        Value::Array(entries) if !entries.is_empty() && entries.iter().all(Value::is_table) => {
            for (at, entry) in entries.iter().enumerate() {
                let name = entry.get("name").and_then(Value::as_str);
                // two of one name would hide each other
                let alone = name.is_some_and(|name| {
                    entries
                        .iter()
                        .filter(|other| other.get("name").and_then(Value::as_str) == Some(name))
                        .count()
                        == 1
                });
                let own = name.filter(|_| alone).map_or_else(|| (at + 1).to_string(), str::to_string);
                of_value(&format!("{path}.{own}"), entry, found);
            }
        }
        value => {
            found.insert(path.to_string(), value.to_string());
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn order_and_spelling_of_the_text_do_not_count() {
        let one =
            "[a]\nx = 0.50 # half\ny = [1, 2]\n[[s]]\nname = \"p\"\nv = { k = true }\n[[s]]\nname = \"q\"\n";
        let two = "s = [{ name = 'q' }, { name = 'p', v.k = true }]\na.y = [ 1,2 ]\na.x = 0.5\n";
        assert_eq!(keys(one), keys(two));
        let found = keys(one).unwrap();
        assert_eq!(found["a.x"], "0.5");
        assert_eq!(found["s.p.v.k"], "true");
        assert_eq!(found["a.y"], "[1, 2]");
        assert_eq!(found.len(), 5);
    }

    #[test]
    fn entries_without_a_name_of_their_own_go_by_place() {
        let found =
            keys("s = [{ v = 1 }, { v = 2 }]\nt = [{ name = 'a', v = 1 }, { name = 'a', v = 2 }]\n").unwrap();
        assert_eq!((found["s.1.v"].as_str(), found["s.2.v"].as_str()), ("1", "2"));
        assert_eq!((found["t.1.v"].as_str(), found["t.2.v"].as_str()), ("1", "2"));
        assert_eq!(keys("no toml"), None);
    }
}
