//! The comparison in words: a paragraph that can be pasted, and what its reader must know.

use super::changes::{Changes, How, InputChange, KeyChange};
use super::load::Loaded;
use super::{CompareOptions, Compared};
use std::collections::BTreeMap;

/// Keys named one by one in a paragraph; more are counted.
const MOST_KEYS: usize = 3;
/// Scenarios told in a paragraph, those with the largest change; more are counted.
const MOST_SCENARIOS: usize = 3;
/// Areas of assessed ground that differ by less are one, hectares.
const SAME_HA: f64 = 0.005;

/// What happened between the first run and another, in one paragraph.
pub fn sentence(first: &Loaded, one: &Compared<'_>) -> String {
    let run = |run: &Loaded| format!("run {} of {}", run.record.run_id, run.date());
    let mut text = format!("Between {} and {}, ", run(first), run(one.run));
    let mut parts: Vec<(f64, String)> = Vec::new();
    for scenario in first.shared(one.run) {
        let areas = |run: &Loaded| {
            let row = run.row(scenario)?;
            Some((row.get("habitat_ha")?, row.get("low_ha").zip(row.get("high_ha"))))
        };
        let Some((before, after)) = areas(first).zip(areas(one.run)) else { continue };
        let (name, weight) = match scenario {
            // today is always told
            "baseline" => ("habitat today went".to_string(), f64::INFINITY),
            other => (format!("habitat under \"{}\"", first.title(other)), (after.0 - before.0).abs()),
        };
        parts.push((weight, format!("{name} {}", course(before, after))));
    }
    let more = parts.len().saturating_sub(1 + MOST_SCENARIOS);
    let mut weights: Vec<f64> = parts.iter().map(|part| part.0).collect();
    weights.sort_by(|a, b| b.total_cmp(a));
    let least = weights.get(MOST_SCENARIOS).copied().unwrap_or(0.0);
    let mut parts: Vec<String> = parts
        .into_iter()
        .filter(|part| part.0 >= least)
        .take(1 + MOST_SCENARIOS)
        .map(|part| part.1)
        .collect();
    if more > 0 {
        parts.push(format!("{more} more scenarios stand in table areas_of_runs"));
    }
    text += &parts.join("; ");
    text += ". ";
    text += &what_changed(&one.changes, first, one.run);
    let alone: f64 = one.scenarios.iter().flat_map(|s| s.assessed_alone_ha()).fold(0.0, f64::max);
    if let Some(today) = one.scenarios.iter().find(|s| s.scenario == "baseline").filter(|_| alone > SAME_HA) {
        let [before, after] = today.habitat_ha();
        text += &format!(
            " The two did not assess the same ground ({} ha in one only); over what both assessed, habitat today went {}.",
            hectares(today.assessed_alone_ha().iter().sum()),
            course((before, None), (after, None))
        );
    }
    text
}

/// "from 12.3 to 10.1 ha (-18 %)", with ranges where both have them.
fn course(
    (before, range_before): (f64, Option<(f64, f64)>),
    (after, range_after): (f64, Option<(f64, f64)>),
) -> String {
    let share = match before {
        b if b > 0.0 && hectares(before) == hectares(after) => ", unchanged".to_string(),
        b if b > 0.0 => format!(" ({:+.1} %)", 100.0 * (after - before) / b),
        _ => String::new(),
    };
    let range = |range: Option<(f64, f64)>| {
        range.map_or_else(String::new, |(low, high)| {
            format!(" (5 to 95 %: {} to {})", hectares(low), hectares(high))
        })
    };
    format!(
        "from {}{} to {}{} ha{share}",
        hectares(before),
        range(range_before),
        hectares(after),
        range(range_after)
    )
}

/// Hectares with about three figures.
fn hectares(x: f64) -> String {
    match x.abs() {
        a if a >= 99.95 => format!("{x:.0}"),
        a if a >= 0.995 => format!("{x:.1}"),
        0.0 => "0".into(),
        _ => format!("{x:.2}"),
    }
}

/// What changed on the way in, in a sentence.
fn what_changed(changes: &Changes, first: &Loaded, other: &Loaded) -> String {
    if changes.none() {
        return "Nothing that goes in changed: inputs, settings and program are the same.".into();
    }
    let inputs = match changes.inputs.is_empty() {
        true => "inputs (none)".to_string(),
        false => format!("inputs ({})", inputs_in_words(&changes.inputs)),
    };
    let settings = match changes.settings.len() {
        0 => "settings (none)".to_string(),
        n if n > MOST_KEYS => {
            let named: Vec<&str> = changes.settings.iter().take(MOST_KEYS).map(|c| c.key.as_str()).collect();
            format!("{n} settings ({} and {} more)", named.join(", "), n - MOST_KEYS)
        }
        _ => {
            format!("settings ({})", changes.settings.iter().map(key_in_words).collect::<Vec<_>>().join(", "))
        }
    };
    let program = match changes.program.is_empty() {
        true => format!(
            "the program was the same ({} {})",
            first.record.program.name, other.record.program.version
        ),
        false => {
            format!("program ({})", changes.program.iter().map(key_in_words).collect::<Vec<_>>().join(", "))
        }
    };
    format!("What changed: {inputs}; {settings}; {program}.")
}

/// "water: 2 added, 1 changed; ground: 1 changed".
pub fn inputs_in_words(changes: &[InputChange]) -> String {
    let mut layers: BTreeMap<&str, BTreeMap<How, usize>> = BTreeMap::new();
    for change in changes {
        *layers.entry(&change.layer).or_default().entry(change.how).or_default() += 1;
    }
    let layer = |(layer, counts): (&str, BTreeMap<How, usize>)| {
        let counts: Vec<String> = counts.iter().map(|(how, n)| format!("{n} {}", how.word())).collect();
        format!("{layer}: {}", counts.join(", "))
    };
    layers.into_iter().map(layer).collect::<Vec<_>>().join("; ")
}

fn key_in_words(change: &KeyChange) -> String {
    match (&change.before, &change.after) {
        (Some(before), Some(after)) => format!("{} from {} to {}", change.key, short(before), short(after)),
        (None, Some(after)) => format!("{} set to {}", change.key, short(after)),
        (_, None) => format!("{} taken out", change.key),
    }
}

/// A value cut to what fits a sentence.
fn short(value: &str) -> String {
    const MOST: usize = 40;
    if value.chars().count() <= MOST {
        value.to_string()
    } else {
        value.chars().take(MOST - 3).chain("...".chars()).collect()
    }
}

/// What the reader must know before reading on.
pub fn cautions(first: &Loaded, compared: &[Compared<'_>], options: &CompareOptions) -> Vec<String> {
    let mut lines = Vec::new();
    for one in compared {
        let apart = first.apart(one.run);
        if options.regrid && !apart.is_empty() {
            lines.push(format!(
                "Run {} lies on another grid than run {} ({}). Its suitability was brought onto the grid of run {} (mean by area from smaller cells, bilinear from larger), then held against its threshold: \
                 areas over these cells differ a little from those of its own tables, and edges of habitat may lie a cell off.",
                one.run.label,
                first.label,
                apart.join("; "),
                first.label
            ));
        }
        let missing = |run: &Loaded, of: &Loaded| -> Vec<String> {
            run.areas.iter().map(|row| &row.scenario).filter(|name| of.row(name).is_none()).cloned().collect()
        };
        for (there, not) in [(first, one.run), (one.run, first)] {
            let only = missing(there, not);
            if !only.is_empty() {
                lines.push(format!(
                    "Only run {} has scenario {}: not compared with run {}.",
                    there.label,
                    only.join(", "),
                    not.label
                ));
            }
        }
        let changed: Vec<&str> = one
            .changes
            .settings
            .iter()
            .filter_map(|change| change.key.strip_prefix("scenarios.")?.split('.').next())
            .collect();
        let mut changed = changed;
        changed.dedup();
        if !changed.is_empty() {
            lines.push(format!(
                "In run {} scenario {} is another than in run {}, though of the same name: see the settings.",
                one.run.label,
                changed.join(", "),
                first.label
            ));
        }
        if first.record.study.name != one.run.record.study.name {
            lines.push(format!(
                "These are two studies: \"{}\" (run {}) and \"{}\" (run {}).",
                first.record.study.name, first.label, one.run.record.study.name, one.run.label
            ));
        }
    }
    for run in std::iter::once(first).chain(compared.iter().map(|one| one.run)).filter(|run| !run.whole) {
        lines.push(format!(
            "Run {} was altered since it was run: what is told of it may not be what was computed.",
            run.label
        ));
    }
    lines.push("A difference between two runs is a difference between two computations; whether the wetland changed follows only if what went in describes it better or later, not otherwise.".into());
    lines.push(
        "Locations of a rare animal are sensitive: generalise or withhold these maps before sharing them."
            .into(),
    );
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn courses_read_as_people_write_them() {
        assert_eq!(course((123.4, None), (100.0, None)), "from 123 to 100 ha (-19.0 %)");
        assert_eq!(course((0.0, None), (4.25, None)), "from 0 to 4.2 ha");
        assert_eq!(course((5.0, None), (5.0, None)), "from 5.0 to 5.0 ha, unchanged");
        assert_eq!(
            course((10.0, Some((8.0, 12.0))), (5.0, Some((0.5, 7.0)))),
            "from 10.0 (5 to 95 %: 8.0 to 12.0) to 5.0 (5 to 95 %: 0.50 to 7.0) ha (-50.0 %)"
        );
    }
}
