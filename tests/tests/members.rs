//! Ranges over members of uncertainty, and which part counts most.

use lentic_tests::raster::Raster;
use lentic_tests::table::Table;
use lentic_tests::{Basin, Outcome, outside};
use std::fs;
use std::path::Path;

const CASES: [&str; 3] = ["baseline", "drier", "pumping"];

/// Replaces the spreads of the section.
fn spreads(basin: &Basin, section: &str) {
    basin.cut("study.toml", "[uncertainty]", "# ---- range and population");
    basin.edit(
        "study.toml",
        "# ---- uncertainty",
        &format!("[uncertainty]\n{section}\n\n# ---- uncertainty"),
    );
}

/// Takes out the spreads of the scenarios.
fn without_spread(basin: &Basin) {
    let text = fs::read_to_string(basin.study()).unwrap();
    let kept: Vec<&str> = text.lines().filter(|line| !line.starts_with("spread = ")).collect();
    fs::write(basin.study(), kept.join("\n") + "\n").unwrap();
}

fn shares(run: &Path, case: &str) -> Vec<f64> {
    Raster::read(&run.join(format!("rasters/habitat_share_{case}.tif")), 1).cells
}

/// The independent program draws all members by docs/methods.md, from its own fits, and finds their areas.
#[test]
fn members_are_those_of_the_independent_program() {
    let basin = Basin::with_members();
    basin.cut("study.toml", "vertical_m", "# sensitivity");
    let run = basin.run("run", &["--quiet"]);
    let outcome = Outcome::of(outside::python().arg("members.py").arg(basin.study()).arg(&run).arg("20"));
    assert_eq!(outcome.code, Some(0), "{}{}", outcome.stdout, outcome.stderr);
    assert!(outcome.stdout.matches("ok    member").count() >= 20 * 7 * 2, "{}", outcome.stdout);
    // with all members known their ranges on the ground of patches follow too
    assert!(outcome.stdout.matches("ok    patches").count() >= 6 * 4, "{}", outcome.stdout);
}

/// Members of zero spread are the plain run to the bit: every range has no width, every share is 0 or 1.
#[test]
fn without_spread_members_are_the_plain_run() {
    let basin = Basin::with_members();
    without_spread(&basin);
    spreads(&basin, "members = 20\ncurves = 0\nweights = 0\nthreshold = 0\nresponse = false");
    let run = basin.run("run", &["--quiet"]);
    let table = Table::of_run(&run, "habitat_area");
    for row in &table.0 {
        let number = |column: &str| row[column].parse::<f64>().unwrap();
        // the plain run adds up kept and gained
        let close = |column: &str| (number(column) - number("habitat_ha")).abs() <= 1e-12 * number(column);
        assert!(close("low_ha") && close("high_ha"), "{row:?}");
    }
    for row in Table::of_run(&run, "habitat_members").0 {
        let plain = table.0.iter().find(|plain| plain["scenario"] == row["scenario"]).unwrap();
        let off = |column: &str| {
            let [a, b] = [&row[column], &plain[column]].map(|text| text.parse::<f64>().unwrap());
            (a - b).abs() <= 1e-12 * a.max(b)
        };
        assert!(off("habitat_ha") && off("lost_ha"), "{row:?} {plain:?}");
    }
    for case in CASES {
        let suitability = Raster::read(&run.join(format!("rasters/suitability_{case}.tif")), 1).cells;
        let mut habitat = 0;
        for (share, suitability) in shares(&run, case).iter().zip(suitability) {
            assert!(
                share.is_nan() || *share == f64::from(u8::from(suitability >= 0.5)),
                "{share} {suitability}"
            );
            habitat += u32::from(*share == 1.0);
        }
        assert!(habitat > 50, "{case}: {habitat}");
    }
}

/// What the tables and rasters of ranges say of each other.
#[test]
fn ranges_hold_together() {
    let basin = Basin::with_members();
    let run = basin.run("run", &["--quiet"]);
    let areas = Table::of_run(&run, "habitat_area");
    let members = Table::of_run(&run, "habitat_members");
    let agreement = Table::of_run(&run, "habitat_agreement");
    let number = |text: &str| text.parse::<f64>().unwrap();
    for case in CASES {
        let mut own: Vec<f64> = members
            .0
            .iter()
            .filter(|row| row["scenario"] == case)
            .map(|row| number(&row["habitat_ha"]))
            .collect();
        assert_eq!(own.len(), 20);
        // type 7 of twenty: the second lowest and a twentieth of the way from the lowest
        own.sort_by(f64::total_cmp);
        let low = own[0] + 0.95 * (own[1] - own[0]);
        let high = own[18] + 0.05 * (own[19] - own[18]);
        assert!((areas.number("scenario", case, "low_ha") - low).abs() < 1e-9 * low);
        assert!((areas.number("scenario", case, "high_ha") - high).abs() < 1e-9 * high);
        assert!(own[0] < own[19] && own[19] < 3.0 * own[10], "{case}: {own:?}");
        // the mean member has as much habitat as the shares of all cells make together; a cell has 0.09 ha
        let mean = own.iter().sum::<f64>() / 20.0;
        let known: Vec<f64> = shares(&run, case).into_iter().filter(|share| !share.is_nan()).collect();
        assert!((0.09 * known.iter().sum::<f64>() - mean).abs() < 1e-3 * mean, "{case}: {mean}");
        let classes: Vec<f64> = agreement
            .0
            .iter()
            .filter(|row| row["scenario"] == case)
            .map(|row| number(&row["area_ha"]))
            .collect();
        assert!((classes.iter().sum::<f64>() - 0.09 * known.len() as f64).abs() < 1e-2);
        // 19 of 20, as a 32-bit float
        let sure = known.iter().filter(|share| **share > 0.94).count();
        assert!((classes[4] - 0.09 * sure as f64).abs() < 1e-3, "{case}: {classes:?}");
    }
    // ranges by zone, in the table by class too
    let ranges = Table::of_run(&run, "habitat_ranges");
    for row in &ranges.0 {
        let three = ["low", "median", "high"].map(|part| number(&row[&format!("habitat_{part}_ha")]));
        assert!(three[0] <= three[1] && three[1] <= three[2], "{row:?}");
        assert_eq!(row["lost_low_ha"].is_empty(), row["scenario"] == "baseline");
    }
    for split in ["whole", "zone", "wetland_class", "land_cover"] {
        assert!(ranges.0.iter().any(|row| row["split"] == split), "{split}");
    }
    let page = fs::read_to_string(run.join("report.html")).unwrap();
    assert!(page.contains("middle 90 % of 20 members") && page.contains("Agreement"));
}

/// Nothing of it without the section, and the rest as before.
#[test]
fn nothing_is_drawn_unless_asked_for() {
    let basin = Basin::with_members();
    let with = basin.run("with", &["--quiet"]);
    let plain_basin = Basin::small();
    let plain = plain_basin.run("without", &["--quiet"]);
    for product in
        ["tables/habitat_members.csv", "tables/habitat_ranges.csv", "rasters/habitat_share_drier.tif"]
    {
        assert!(with.join(product).is_file() && !plain.join(product).exists(), "{product}");
    }
    assert!(plain.join("tables/habitat_area.csv").is_file());
    for row in Table::of_run(&plain, "habitat_area").0 {
        assert!(row["low_ha"].is_empty() && row["high_ha"].is_empty() && !row["habitat_ha"].is_empty());
    }
    for same in ["rasters/suitability_drier.tif", "tables/habitat_loss_by_zone.csv"] {
        assert!(fs::read(with.join(same)).unwrap() == fs::read(plain.join(same)).unwrap(), "{same}");
    }
}

/// With one part that lies off, all of the variance is its own; the table says how often the study was computed.
#[test]
fn one_part_makes_all_of_the_variance() {
    let basin = Basin::with_members();
    without_spread(&basin);
    let only = "members = 20\ncurves = 0\nweights = 0\nthreshold = 0.1\nresponse = false";
    spreads(&basin, &format!("{only}\nsensitivity = {{ samples = 256, cells = 3000 }}"));
    let run = basin.run("run", &["--quiet"]);
    let table = Table::of_run(&run, "sensitivity");
    let number = |text: &str| text.parse::<f64>().unwrap();
    // baseline area, and area and lost share of six scenarios
    assert_eq!(table.0.len(), 13);
    for row in &table.0 {
        assert_eq!(row["part"], "threshold");
        assert!((number(&row["total_share"]) - 1.0).abs() < 0.25, "{row:?}");
        assert!((number(&row["first_share"]) - 1.0).abs() < 0.25, "{row:?}");
        assert_eq!((&row["total_told_from_0"][..], &row["first_told_from_0"][..]), ("yes", "yes"), "{row:?}");
    }
    assert!(run.join("figures/sensitivity.svg").is_file());
}

/// A higher threshold leaves less habitat, member by member: the members' areas fall as their thresholds rise.
#[test]
fn a_wider_spread_widens_the_range() {
    let width = |by: f64| {
        let basin = Basin::with_members();
        without_spread(&basin);
        let only = format!("members = 40\ncurves = 0\nweights = 0\nthreshold = {by}\nresponse = false");
        spreads(&basin, &only);
        let table = Table::of_run(&basin.run("run", &["--quiet"]), "habitat_area");
        let [low, here, high] =
            ["low_ha", "habitat_ha", "high_ha"].map(|column| table.number("scenario", "baseline", column));
        assert!(low <= here && here <= high, "{low} {here} {high}");
        high - low
    };
    assert!(width(0.2) > 1.5 * width(0.05));
}

/// Two scenarios of one ensemble: the independent program agrees, and the raster of shares holds together with those of change.
#[test]
fn ensembles_of_scenarios() {
    let basin = Basin::small();
    for (name, horizon) in [("drier", "2050"), ("much-drier", "2080")] {
        let text = fs::read_to_string(basin.study()).unwrap();
        let at = text.find(&format!("name = \"{name}\"")).unwrap();
        let end = at + text[at..].find(&format!("horizon = {horizon}")).unwrap();
        let written = format!("{}ensemble = \"models\"\n{}", &text[..end], &text[end..]);
        fs::write(basin.study(), written).unwrap();
    }
    let run = basin.run("run", &["--quiet"]);
    let outcome = Outcome::of(outside::python().arg("compare.py").arg(basin.study()).arg(&run));
    assert_eq!(outcome.code, Some(0), "{}{}", outcome.stdout, outcome.stderr);
    for table in ["ensembles", "refuges"] {
        assert!(outcome.stdout.contains(&format!("ok    {table}: ")), "{}", outcome.stdout);
    }
    let share = Raster::read(&run.join("rasters/ensemble_share_models.tif"), 1).cells;
    let habitat = |case: &str| -> Vec<bool> {
        let change = Raster::read(&run.join(format!("rasters/change_{case}.tif")), 1).cells;
        change.iter().map(|code| [1.0, 2.0, 4.0].contains(code)).collect()
    };
    let (one, other) = (habitat("drier"), habitat("much-drier"));
    let mut halves = 0;
    for (cell, share) in share.iter().enumerate().filter(|(_, share)| !share.is_nan()) {
        let expected = f64::from(u8::from(one[cell]) + u8::from(other[cell])) / 2.0;
        assert_eq!(*share, expected, "cell {cell}");
        halves += u32::from(expected == 0.5);
    }
    assert!(halves > 20, "{halves}");
    let table = Table::of_run(&run, "ensembles");
    assert_eq!(table.number("ensemble", "models", "scenarios"), 2.0);
    assert!(table.cell("ensemble", "models", "horizon").is_empty(), "their horizons differ");
}
