//! Evidence beside published thresholds; no category is told.

use super::{numbers, table, words};
use crate::evidence::population::{BEST, PopulationFound};
use crate::evidence::range::{Basis, RangeFound};
use crate::stages::scenarios::Case;
use lentic_report::{Column, Table};
use lentic_study::settings::Population;

/// Criteria for species.
const SPECIES: &str = "IUCN Red List Categories and Criteria 3.1 (2012)";
/// Criteria for ecosystems.
const ECOSYSTEMS: &str = "IUCN Red List of Ecosystems 2.0 (Keith et al. 2013)";

/// A piece of evidence with the thresholds of its criterion, the gravest first.
struct Row {
    criteria: &'static str,
    criterion: &'static str,
    what: String,
    basis: String,
    scenario: String,
    unit: &'static str,
    low: Option<f64>,
    high: Option<f64>,
    thresholds: [&'static str; 3],
}

/// The table of evidence.
pub fn evidence(
    cases: &[Case],
    range: Option<&RangeFound>,
    population: Option<(&Population, &PopulationFound)>,
) -> Table {
    let mut rows = Vec::new();
    if let Some(found) = range {
        reductions(cases, found, &mut rows);
        ranges(cases, found, &mut rows);
        declines(cases, found, &mut rows);
        ecosystems(cases, found, &mut rows);
    }
    if let Some((settings, found)) = population {
        animals(cases, settings, found, &mut rows);
    }
    // an empty word is missing
    let given = |value: &dyn Fn(&Row) -> &'static str| {
        rows.iter().map(|r| Some(value(r).to_string()).filter(|word| !word.is_empty())).collect()
    };
    let threshold = |at: usize| given(&|r| r.thresholds[at]);
    table(
        "evidence",
        "Evidence beside published thresholds",
        "ASSIGNING A CATEGORY IS FOR THE ASSESSORS. Thresholds are printed beside each number as published; a number beyond one is not a category, for every criterion has further conditions (B1 and B2 need two of: few \
         places or severe fragmentation, continuing decline, extreme fluctuations), and the measures here are those of the study area only, not of the whole range unless the study covers it. Where low and high differ they are: \
         for reductions the linear and the exponential reading, for occupancy the least over shifts and that from the origin, for the population the range of the density.",
        vec![
            Column::text("criteria", "Whose criteria", words(&rows, |r| r.criteria.into())),
            Column::text("criterion", "Criterion it bears on", words(&rows, |r| r.criterion.into())),
            Column::text("evidence", "What is measured", words(&rows, |r| r.what.clone())),
            Column::text("basis", "What it is told from", words(&rows, |r| r.basis.clone())),
            Column::text("scenario", "Scenario; baseline is today", words(&rows, |r| r.scenario.clone())),
            Column::real("low", "", "Lower reading", numbers(&rows, |r| r.low)),
            Column::real("high", "", "Higher reading", numbers(&rows, |r| r.high)),
            Column::text("unit", "Unit of both", given(&|r| r.unit)),
            Column::text(
                "threshold_critically_endangered",
                "Published threshold of \"critically endangered\"",
                threshold(0),
            ),
            Column::text("threshold_endangered", "Published threshold of \"endangered\"", threshold(1)),
            Column::text("threshold_vulnerable", "Published threshold of \"vulnerable\"", threshold(2)),
        ],
    )
}

fn ordered(a: Option<f64>, b: Option<f64>) -> (Option<f64>, Option<f64>) {
    match (a, b) {
        (Some(a), Some(b)) => (Some(a.min(b)), Some(a.max(b))),
        (a, b) => (a.or(b), b.or(a)),
    }
}

fn reductions(cases: &[Case], found: &RangeFound, rows: &mut Vec<Row>) {
    for r in &found.reductions {
        let (low, high) = ordered(r.linear, r.exponential);
        let species = r.quantity != "area of water";
        rows.push(Row {
            criteria: if species { SPECIES } else { ECOSYSTEMS },
            criterion: if species { "A3 (c)" } else { "A2a" },
            what: format!("reduction of {} over {} years", r.quantity, super::range::plain(r.window)),
            basis: r.basis.into(),
            scenario: cases[r.case].name.clone(),
            unit: "percent",
            low,
            high,
            thresholds: [">= 80", ">= 50", ">= 30"],
        });
    }
}

fn ranges(cases: &[Case], found: &RangeFound, rows: &mut Vec<Row>) {
    // "both" adds nothing to what all patches say
    for r in found.rows.iter().filter(|r| r.basis != Basis::Both) {
        let mut push = |criterion, what: &str, unit, low: f64, high: f64, thresholds| {
            rows.push(Row {
                criteria: SPECIES,
                criterion,
                what: what.into(),
                basis: r.basis.words().into(),
                scenario: cases[r.case].name.clone(),
                unit,
                low: Some(low),
                high: Some(high),
                thresholds,
            });
        };
        let extent = r.extent_km2;
        push("B1", "extent of occurrence", "km2", extent, extent, ["< 100", "< 5000", "< 20000"]);
        let occupancy = [r.least_occupancy_km2, r.occupancy_km2];
        push("B2", "area of occupancy", "km2", occupancy[0], occupancy[1], ["< 10", "< 500", "< 2000"]);
        // D2 is about today
        let today = r.case == 0;
        if today {
            let rule = ["", "", "typically < 20, with a plausible threat"];
            push("D2", "area of occupancy", "km2", occupancy[0], occupancy[1], rule);
        }
        if let Some(places) = r.places {
            let places = places as f64;
            push("B (a)", "places by threat", "", places, places, ["exactly 1", "<= 5", "<= 10"]);
            if today {
                let rule = ["", "", "typically <= 5, with a plausible threat"];
                push("D2", "places by threat", "", places, places, rule);
            }
        }
        if let Some(percent) = r.fragmented_percent {
            let rule = "> 50 of the area of occupancy";
            push(
                "B (a)",
                "share in patches too small and too far apart",
                "percent",
                percent,
                percent,
                [rule; 3],
            );
        }
    }
}

fn declines(cases: &[Case], found: &RangeFound, rows: &mut Vec<Row>) {
    const ANY: [&str; 3] = ["below 0, at any rate"; 3];
    let mut push = |criterion, what: String, basis: &str, scenario: &str, value| {
        rows.push(Row {
            criteria: SPECIES,
            criterion,
            what,
            basis: basis.into(),
            scenario: scenario.into(),
            unit: "percent per year",
            low: value,
            high: value,
            thresholds: ANY,
        });
    };
    if let Some(decline) = &found.decline {
        let what =
            format!("change of the hydroperiod of today's habitat, {} to {}", decline.first, decline.last);
        push("B (b) (iii)", what, "water record", "baseline", decline.percent_per_year);
    }
    for r in &found.reductions {
        let criterion = match r.quantity {
            "extent of occurrence" => "B (b) (i)",
            "area of occupancy" => "B (b) (ii)",
            "habitat area" => "B (b) (iii)",
            _ => continue,
        };
        let yearly = (r.now > 0.0).then(|| 100.0 * (r.then - r.now) / r.between / r.now);
        push(criterion, format!("change of {}", r.quantity), r.basis, &cases[r.case].name, yearly);
    }
}

fn ecosystems(cases: &[Case], found: &RangeFound, rows: &mut Vec<Row>) {
    for (case, water) in cases.iter().zip(&found.water) {
        let mut push = |criterion, what: &str, unit, value: f64, thresholds| {
            rows.push(Row {
                criteria: ECOSYSTEMS,
                criterion,
                what: what.into(),
                basis: "water of compared cells".into(),
                scenario: case.name.clone(),
                unit,
                low: Some(value),
                high: Some(value),
                thresholds,
            });
        };
        push("B1", "convex hull of water", "km2", water.hull_km2, ["<= 2000", "<= 20000", "<= 50000"]);
        push("B2", "squares of 10 x 10 km with water", "", water.squares as f64, ["<= 2", "<= 20", "<= 50"]);
    }
}

fn animals(cases: &[Case], settings: &Population, found: &PopulationFound, rows: &mut Vec<Row>) {
    let stable = &settings.growth.stable;
    let older: f64 = stable[1..].iter().sum();
    let bearing = settings.stages.iter().zip(stable).skip(1).filter(|(stage, _)| stage.offspring > 0.0);
    let share = bearing.map(|(_, share)| share).sum::<f64>() / older;
    let basis = "room of patches x density (upper bound; rates are placeholders until set)";
    for best in found.outcomes.iter().filter(|o| o.density == BEST) {
        let (low, high) = match found.outcomes.iter().position(|o| o == best) {
            Some(at) => (&found.outcomes[at - 1], &found.outcomes[at + 1]),
            None => continue,
        };
        let mut push = |criterion, what: String, low: f64, high: f64, unit, thresholds| {
            rows.push(Row {
                criteria: SPECIES,
                criterion,
                what,
                basis: basis.into(),
                scenario: cases[best.case].name.clone(),
                unit,
                low: Some(low),
                high: Some(high),
                thresholds,
            });
        };
        let when = if best.case == 0 { "today" } else { "at the horizon" };
        let mature = format!("mature individuals there is room for, {when}");
        let (least, most) = (low.all.room_then * share, high.all.room_then * share);
        push("C", mature.clone(), least, most, "animals", ["< 250", "< 2500", "< 10000"]);
        push("D", mature, least, most, "animals", ["< 50", "< 250", "< 1000 (D1)"]);
        let largest = format!("mature individuals there is room for in the largest group, {when}");
        let (least, most) = (low.largest[1] * share, high.largest[1] * share);
        push("C2a (i)", largest, least, most, "animals", ["<= 50", "<= 250", "<= 1000"]);
        let gone = format!("share of courses without any animal after {} years", best.years);
        let each = [low, best, high].map(|o| 100.0 * o.all.gone);
        let (least, most) =
            (each.iter().copied().fold(f64::INFINITY, f64::min), each.iter().copied().fold(0.0, f64::max));
        push(
            "E",
            gone,
            least,
            most,
            "percent",
            [
                ">= 50 in 10 years or 3 generations",
                ">= 20 in 20 years or 5 generations",
                ">= 10 in 100 years",
            ],
        );
    }
}
