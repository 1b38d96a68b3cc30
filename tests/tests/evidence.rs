//! Range measures and the population in whole runs: published numbers through the program, what needs no records, what nothing
//! changes, refusals, and the words that must stand beside them.

use lentic_tests::Basin;
use lentic_tests::refusal::{line_of, refused};
use lentic_tests::table::Table;
use std::collections::BTreeMap;
use std::fs;

fn number(row: &BTreeMap<String, String>, column: &str) -> f64 {
    row[column].parse().unwrap_or_else(|_| panic!("{column} is no number: {row:?}"))
}

/// Puts stages in place of the demo's.
fn with_stages(basin: &Basin, stages: &str) {
    basin.cut("study.toml", "[[population.stages]]", "# ---- scenarios");
    let text = fs::read_to_string(basin.study()).unwrap();
    fs::write(basin.study(), text.replacen("# ---- scenarios", &format!("{stages}\n# ---- scenarios"), 1))
        .unwrap();
}

/// Only the scenarios from this one on, for speed.
fn only_from(basin: &Basin, name: &str) {
    basin.without_costs();
    basin.cut("study.toml", "[[scenarios]]\nname = \"drier\"", &format!("[[scenarios]]\nname = \"{name}\""));
}

/// Crouse, Crowder and Caswell 1987, Ecology 68:1412-1423: a sea turtle in seven stages, first as the matrix of table 4, then by
/// survival and years of table 3. Published: lambda 0.945.
#[test]
fn a_published_turtle_through_the_program() {
    let entries: [(f64, f64, f64); 7] = [
        (0.0, 0.6747, 0.0),
        (0.7370, 0.0486, 0.0),
        (0.6610, 0.0147, 0.0),
        (0.6907, 0.0518, 0.0),
        (0.0, 0.8091, 127.0),
        (0.0, 0.8091, 4.0),
        (0.8089, 0.0, 80.0),
    ];
    let rates: [(f64, f64, f64); 7] = [
        (0.6747, 1.0, 0.0),
        (0.7857, 7.0, 0.0),
        (0.6758, 8.0, 0.0),
        (0.7425, 6.0, 0.0),
        (0.8091, 1.0, 127.0),
        (0.8091, 1.0, 4.0),
        (0.8091, 32.0, 80.0),
    ];
    let by = |names: [&str; 2], numbers: [(f64, f64, f64); 7]| -> String {
        let stage = |(at, (a, b, f)): (usize, &(f64, f64, f64))| {
            format!(
                "[[population.stages]]\nname = \"stage {at}\"\n{} = {a:?}\n{} = {b:?}\noffspring = {f:?}\n",
                names[0], names[1]
            )
        };
        numbers.iter().enumerate().map(stage).collect()
    };
    let basin = Basin::small();
    only_from(&basin, "driest-years");
    with_stages(&basin, &by(["stay", "grow"], entries));
    let run = basin.run("matrix", &["--quiet"]);
    let growth = Table::of_run(&run, "population_growth");
    assert!((growth.number("years", "ordinary", "lambda") - 0.945).abs() < 5e-4);
    // no stage feels drought, so there is no second matrix
    assert_eq!(growth.0.len(), 1);
    let elasticities = Table::of_run(&run, "population_elasticities");
    let sum = |rate: &str| -> f64 {
        elasticities.0.iter().filter(|r| r["rate"] == rate).map(|r| number(r, "elasticity")).sum()
    };
    // numpy.linalg.eig
    assert!((sum("offspring") - 0.051_002_048_5).abs() < 1e-9);
    assert!((sum("stay") - 0.667_411_344_7).abs() < 1e-9);
    assert!((sum("grow") - 0.281_586_606_8).abs() < 1e-9);
    // the run warns, for it shrinks by itself
    let record = fs::read_to_string(run.join("run.json")).unwrap();
    assert!(record.contains("falls by 5.5 % a year even without drought"), "{record}");

    let basin = Basin::small();
    only_from(&basin, "driest-years");
    with_stages(&basin, &by(["survival", "years"], rates));
    let growth = Table::of_run(&basin.run("rates", &["--quiet"]), "population_growth");
    // numpy.linalg.eig of the unrounded matrix
    assert!((growth.number("years", "ordinary", "lambda") - 0.945_228_759_4).abs() < 1e-9);
}

/// Years that come again as they were change neither habitat nor droughts nor, with the same draws, a single animal.
#[test]
fn a_replay_of_the_whole_baseline_changes_no_animal() {
    let basin = Basin::small();
    only_from(&basin, "driest-years");
    let text = fs::read_to_string(basin.study()).unwrap();
    let from = text.find("replay = {").unwrap();
    let rest = text[from..].find('\n').unwrap();
    let again = "replay = { from = 1991, to = 2020 }";
    let text = format!("{}{again}{}", &text[..from], &text[from + rest..])
        .replace("horizon = 2030", "horizon = 2080");
    fs::write(basin.study(), text).unwrap();
    let run = basin.run("run", &["--quiet"]);
    let rows = Table::of_run(&run, "population").0;
    let (today, again): (Vec<_>, Vec<_>) = rows.iter().partition(|row| row["scenario"] == "baseline");
    assert!(today.len() > 3 && today.len() == again.len());
    for (a, b) in today.iter().zip(&again) {
        for (column, value) in a.iter().filter(|(column, _)| *column != "scenario") {
            assert_eq!(value, &b[column], "{column} of group {}", a["group"]);
        }
    }
    let years = Table::of_run(&run, "population_by_year").0;
    assert_eq!(years.len(), 2 * 61);
}

/// Without records the range is told from patches alone.
#[test]
fn range_without_records() {
    let basin = Basin::small();
    only_from(&basin, "driest-years");
    basin.cut("study.toml", "[records]", "# ---- range");
    let run = basin.run("run", &["--quiet"]);
    let rows = Table::of_run(&run, "range_measures").0;
    assert_eq!(rows.len(), 2);
    for row in &rows {
        assert_eq!(row["basis"], "all patches (habitat-based upper bound)");
        assert_eq!(row["records"], "");
        assert!(number(row, "extent_of_occurrence_km2") >= number(row, "area_of_occupancy_km2"));
        assert!(number(row, "least_area_of_occupancy_km2") <= number(row, "area_of_occupancy_km2"));
        assert!(number(row, "patches") >= number(row, "places_by_threat"));
    }
}

/// Neither section: neither tables nor figures.
#[test]
fn a_study_without_both_has_none_of_it() {
    let basin = Basin::small();
    only_from(&basin, "driest-years");
    basin.cut("study.toml", "[range]", "# ---- scenarios");
    let run = basin.run("run", &["--quiet"]);
    for name in ["range_measures", "range_reduction", "continuing_decline", "evidence", "population"] {
        assert!(!run.join(format!("tables/{name}.csv")).exists(), "{name}");
    }
    assert!(!run.join("figures/population.svg").exists());
    let page = fs::read_to_string(run.join("report.html")).unwrap();
    assert!(!page.contains("EVERY RATE IS A PLACEHOLDER") && !page.contains("Population by scenario"));
}

/// The report says what the numbers are not.
#[test]
fn the_report_repeats_the_cautions() {
    let basin = Basin::small();
    only_from(&basin, "driest-years");
    let run = basin.run("run", &["--quiet"]);
    let page = fs::read_to_string(run.join("report.html")).unwrap();
    for words in [
        "EVERY RATE IS A PLACEHOLDER until a biologist",
        "No animal is to be released or moved on a model",
        "ASSIGNING A CATEGORY IS FOR THE ASSESSORS",
        "Population by scenario",
        "counts them twice",
    ] {
        assert!(page.contains(words), "{words:?} is not on the page");
    }
    assert!(run.join("figures/population.svg").exists());
    // who set the rates is named in place of the placeholder, and the rest stays
    basin.edit("study.toml", "# rates_from = \"name, source\"", "rates_from = \"a keeper's notes\"");
    let run = basin.run("named", &["--quiet"]);
    let page = fs::read_to_string(run.join("report.html")).unwrap();
    assert!(page.contains("Rates set by: a keeper") && page.contains("released or moved"));
    assert!(!page.contains("EVERY RATE IS A PLACEHOLDER"));
}

#[test]
fn rates_without_sense_are_refused() {
    let basin = Basin::small();
    basin.edit("study.toml", "low = 2.0, best", "low = -2.0, best");
    let at = line_of(&basin, "low = -2.0");
    refused(&basin, &[&at, "population.density_per_ha.low is -2", "0 or more"]);
    let basin = Basin::small();
    basin.edit("study.toml", "survival = 0.93 ", "survival = 1.93 ");
    let at = line_of(&basin, "survival = 1.93");
    refused(&basin, &[&at, "population.stages[2].survival is 1.93", "a share from 0 to 1"]);
    let basin = Basin::small();
    basin.cut("study.toml", "years = 60 ", "replicates = 300");
    basin.cut("study.toml", "horizon = 2030", "replay =");
    refused(&basin, &["scenario \"driest-years\" has no horizon", "[population] years"]);
}

/// More density never means fewer animals at the end, and a drier future with fewer rooms and more droughts leaves fewer.
#[test]
fn more_room_more_animals() {
    let basin = Basin::small();
    let run = basin.run("run", &["--quiet"]);
    let rows = Table::of_run(&run, "population").0;
    let median = |scenario: &str, density: &str| {
        let mut found = rows
            .iter()
            .filter(|r| r["scenario"] == scenario && r["density"] == density && r["group"] == "all");
        number(found.next().unwrap(), "animals_then")
    };
    for scenario in ["baseline", "drier", "much-drier", "pumping", "pumping-and-drier"] {
        assert!(median(scenario, "low") <= median(scenario, "best"), "{scenario}");
        assert!(median(scenario, "best") <= median(scenario, "high"), "{scenario}");
    }
    assert!(median("pumping-and-drier", "best") < median("drier", "best"));
    // rooms of the groups sum to the room of all
    for scenario in ["baseline", "much-drier"] {
        let of = |groups: bool, column: &str| -> f64 {
            let rows = rows.iter().filter(|r| {
                r["scenario"] == scenario && r["density"] == "best" && (r["group"] == "all") != groups
            });
            rows.map(|r| number(r, column)).sum()
        };
        for column in ["room_now", "room_then", "animals_now"] {
            assert!(
                (of(true, column) - of(false, column)).abs() < 1e-6 * of(false, column),
                "{scenario} {column}"
            );
        }
    }
}
