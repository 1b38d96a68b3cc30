//! Runs at the ends of what numbers can be: grids, records of water, climates, scenarios. Expected numbers follow by hand from how the
//! study is made: a cell that is wet in the first nine months of every year is habitat at a threshold of six, one with two is not.

use lentic_tests::raster::Raster;
use lentic_tests::table::Table;
use lentic_tests::tiny::{Tiny, rain, warnings};
use std::fs;
use std::path::Path;

/// Cells of nine and of two months take turns.
const TURNS: &[usize] = &[9, 2];

fn close(found: f64, expected: f64) {
    assert!((found - expected).abs() <= 1e-9 * expected.abs(), "{found} for {expected}");
}

#[track_caller]
fn cells(run: &Path, name: &str) -> Vec<f64> {
    Raster::read(&run.join("rasters").join(name).with_extension("tif"), 1).cells
}

/// Area, habitat, observed hydroperiod and suitability are those the study was made with.
#[track_caller]
fn as_made(tiny: &Tiny, of: &[usize]) {
    let run = tiny.run();
    let n = tiny.rows * tiny.cols;
    let months: Vec<f64> = (0..n).map(|cell| of[cell % of.len()] as f64).collect();
    let cell_ha = tiny.cell * tiny.cell / 10_000.0;
    let habitat = months.iter().filter(|months| **months > 6.0).count();
    let table = Table::of_run(&run, "habitat_area");
    close(table.number("scenario", "baseline", "habitat_ha"), habitat as f64 * cell_ha);
    assert_eq!(table.number("scenario", "baseline", "not_assessed_ha"), 0.0);
    assert_eq!(cells(&run, "hydroperiod_observed"), months);
    let (modelled, scores) = (cells(&run, "hydroperiod_baseline"), cells(&run, "suitability_baseline"));
    assert_eq!(modelled.len(), n);
    for ((modelled, score), months) in modelled.iter().zip(&scores).zip(&months) {
        assert!((modelled - months).abs() < 0.6, "{modelled} months modelled of {months}");
        assert!((score - modelled / 12.0).abs() < 1e-6, "score {score} of {modelled} months");
    }
}

#[test]
fn grids_of_one_cell_one_row_and_one_column() {
    as_made(&Tiny::new().grid(1, 1, 30.0).months_of_water(&[9]), &[9]);
    as_made(&Tiny::new().grid(1, 40, 30.0).months_of_water(TURNS), TURNS);
    as_made(&Tiny::new().grid(40, 1, 30.0).months_of_water(TURNS), TURNS);
}

#[test]
fn cells_of_a_centimetre_and_of_ten_kilometres() {
    for cell in [0.01, 10_000.0] {
        as_made(&Tiny::new().grid(3, 4, cell).months_of_water(TURNS), TURNS);
    }
}

#[test]
fn a_hundred_years() {
    let mut tiny = Tiny::new().grid(2, 2, 30.0).months_of_water(TURNS);
    (tiny.years, tiny.first_year) = (100, 1900);
    as_made(&tiny, TURNS);
    let index = Table::of_run(&tiny.folder().with_file_name("run"), "drought_index");
    // every month of the climate, which begins a year before
    assert_eq!(index.0.iter().filter(|row| row.values().any(|v| v == "baseline")).count(), 1212);
}

#[test]
fn records_too_short_say_what_is_needed() {
    let mut tiny = Tiny::new().months_of_water(TURNS);
    tiny.years = 1;
    tiny.refused(&[
        "the drought index would be fitted on 12 months; at least 120 are needed",
        "24 months in 6 calendar months",
    ]);
    tiny.years = 9;
    tiny.refused(&["fitted on 108 months; at least 120 are needed", "ten years or more"]);
    // one month: a year of files of which one month alone is seen
    let mut tiny = Tiny::new().without_climate().water(|month, _| if month == 6 { 1 } else { 255 });
    tiny.years = 1;
    tiny.refused(&["12 month(s) of the baseline", "so the record is too short"]);
    tiny.inside[1] = "minimum_months = 1\nminimum_calendar_months = 1\n".into();
    tiny.write();
    tiny.stopped_written(&[
        "no assessed cell inside the study area is wet in 10 to 90 % of its observed months",
    ]);
    // one year, where the study says that is enough
    let mut tiny = Tiny::new().without_climate().months_of_water(TURNS);
    tiny.years = 1;
    tiny.inside[1] = "minimum_months = 12\n".into();
    let run = tiny.run();
    assert!(warnings(&run).contains("fewer than the usual 24 in 6"), "{}", warnings(&run));
    assert_eq!(cells(&run, "hydroperiod_observed")[..2], [9.0, 2.0]);
}

#[test]
fn water_that_never_changes_or_is_never_seen() {
    for state in [0, 1, 255] {
        let tiny = Tiny::new().water(move |_, _| state);
        tiny.write();
        let said = tiny.stopped_written(&["the answer of water", "10 to 90 %", "hold 0 and 1 as expected"]);
        assert!(!said.contains("NaN"), "{said}");
    }
    // beside cells that change, lasting water is near 12 months, none is 0, and what was never seen is not assessed
    let tiny = Tiny::new().grid(4, 4, 30.0).water(|month, cell| match cell % 4 {
        0 => 1,
        1 => 0,
        2 => 255,
        _ => u8::from(month % 12 < 9),
    });
    let run = tiny.run();
    let modelled = cells(&run, "hydroperiod_baseline");
    assert!(modelled.iter().step_by(4).all(|months| *months > 11.9), "{modelled:?}");
    assert!(modelled.iter().skip(1).step_by(4).all(|months| *months == 0.0), "{modelled:?}");
    assert!(modelled.iter().skip(2).step_by(4).all(|months| months.is_nan()), "{modelled:?}");
    let table = Table::of_run(&run, "habitat_area");
    close(table.number("scenario", "baseline", "habitat_ha"), 8.0 * 0.09);
    close(table.number("scenario", "baseline", "not_assessed_ha"), 4.0 * 0.09);
}

#[test]
fn a_missing_year_is_not_seen_and_told() {
    let tiny = Tiny::new().months_of_water(TURNS);
    tiny.write();
    fs::remove_file(tiny.folder().join("water/w_2000.tif")).unwrap();
    let run = tiny.run_written();
    assert!(
        warnings(&run).contains("12 of 360 baseline months have no file and count as not seen: 2000-01"),
        "{}",
        warnings(&run)
    );
    assert_eq!(cells(&run, "hydroperiod_observed")[..2], [9.0, 2.0]);
}

#[test]
fn climates_that_are_no_weather() {
    for (value, said) in
        [(0.0, "precipitation is 0 in every month"), (31.5, "precipitation is 31.5 in every month")]
    {
        let mut tiny = Tiny::new().months_of_water(TURNS);
        tiny.rain = Some(Box::new(move |_| value));
        tiny.refused(&["climate.csv", said]);
    }
}

#[test]
fn a_scenario_without_change_is_the_baseline_to_the_bit() {
    let mut tiny = Tiny::new().grid(10, 10, 30.0);
    tiny.scenarios = rain("same", 0.0) + &rain("no-rain", -100.0) + &rain("flood", 1000.0);
    let run = tiny.run();
    let of = |what: &str, case: &str| cells(&run, &format!("{what}_{case}"));
    assert_eq!(of("suitability", "same"), of("suitability", "baseline"));
    assert_eq!(of("hydroperiod", "same"), of("hydroperiod", "baseline"));
    let table = Table::of_run(&run, "habitat_area");
    for column in ["lost_ha", "gained_ha", "degraded_ha", "lost_percent"] {
        assert_eq!(table.number("scenario", "same", column), 0.0, "{column}");
    }
    let baseline = of("hydroperiod", "baseline");
    for (dry, (usual, flood)) in
        of("hydroperiod", "no-rain").iter().zip(baseline.iter().zip(of("hydroperiod", "flood")))
    {
        assert!(
            dry <= usual && *usual <= flood && (0.0..=12.0).contains(dry) && flood <= 12.0,
            "{dry} {usual} {flood}"
        );
    }
    assert!(
        table.number("scenario", "no-rain", "lost_ha") > 0.0
            && table.number("scenario", "flood", "gained_ha") > 0.0
    );
    // every month lies beyond the record
    assert_eq!(table.number("scenario", "no-rain", "extrapolated_months"), 360.0);
}

#[test]
fn no_scenario_and_forty() {
    let mut tiny = Tiny::new();
    tiny.scenarios = String::new();
    assert_eq!(Table::of_run(&tiny.run(), "habitat_area").0.len(), 1);
    let mut tiny = Tiny::new();
    tiny.scenarios = (1..=40).map(|n| rain(&format!("less-{n:02}"), -f64::from(n))).collect();
    let table = Table::of_run(&tiny.run(), "habitat_area");
    assert_eq!(table.0.len(), 41);
    let lost: Vec<f64> = table.0[1..].iter().map(|row| row["lost_ha"].parse().unwrap()).collect();
    assert!(
        lost.windows(2).all(|two| two[0] <= two[1]) && lost[39] > 0.0,
        "less rain never loses less: {lost:?}"
    );
}

#[test]
fn a_fall_and_a_rise_beyond_all_measure() {
    let scenarios = "[[scenarios]]\nname = \"deep\"\ndrawdown_m = 1000000.0\n\n[[scenarios]]\nname = \"rise\"\ndrawdown_m = -1000000.0\n\n";
    let mut with = Tiny::new().months_of_water(TURNS);
    with.scenarios = scenarios.into();
    let mut without = Tiny::new().months_of_water(TURNS).without_climate();
    without.scenarios = scenarios.into();
    for mut tiny in [with, without] {
        tiny.inside[1] = "logits_per_metre = 5.0\n".into();
        let run = tiny.run();
        assert!(cells(&run, "hydroperiod_deep").iter().all(|months| *months == 0.0));
        assert!(cells(&run, "hydroperiod_rise").iter().all(|months| *months == 12.0));
        let table = Table::of_run(&run, "habitat_area");
        assert_eq!(table.number("scenario", "deep", "lost_percent"), 100.0);
        assert_eq!(table.number("scenario", "deep", "habitat_ha"), 0.0);
        close(table.number("scenario", "rise", "habitat_ha"), 20.0 * 0.09);
        // mean of no patches is no number, not 0
        assert_eq!(table.cell("scenario", "deep", "mean_patch_ha"), "");
    }
}

#[test]
fn everything_and_nothing_is_habitat() {
    for (threshold, habitat, lost_percent) in [("0.000001", 20.0 * 0.09, "0.0"), ("0.999999", 0.0, "")] {
        let tiny = Tiny::new().months_of_water(TURNS);
        tiny.write();
        let text = fs::read_to_string(tiny.study()).unwrap();
        fs::write(tiny.study(), text.replace("threshold = 0.5", &format!("threshold = {threshold}")))
            .unwrap();
        let table = Table::of_run(&tiny.run_written(), "habitat_area");
        for case in ["baseline", "drier"] {
            assert!(
                (table.number("scenario", case, "habitat_ha") - habitat).abs() < 1e-12,
                "{case} at {threshold}"
            );
        }
        // a share of nothing is not told
        assert_eq!(table.cell("scenario", "drier", "lost_percent"), lost_percent);
    }
}

#[test]
fn a_hundred_zones_and_255_classes() {
    let mut tiny = Tiny::new().grid(20, 51, 30.0).months_of_water(TURNS);
    tiny.layer("zones", "class", "");
    tiny.layer("wetland_class", "class", "");
    tiny.write();
    let n = tiny.rows * tiny.cols;
    tiny.raster("zones.tif", &[(0..n).map(|cell| (cell % 100) as u16 + 1).collect::<Vec<_>>()], None);
    tiny.raster("wetland_class.tif", &[(0..n).map(|cell| (cell % 255) as u8).collect::<Vec<_>>()], None);
    let run = tiny.run_written();
    for (name, codes) in [("habitat_loss_by_zone", 100), ("habitat_loss_by_wetland_class", 255)] {
        let table = Table::of_run(&run, name);
        let baseline: Vec<_> = table.0.iter().filter(|row| row["scenario"] == "drier").collect();
        assert_eq!(baseline.len(), codes, "{name}");
        let sum: f64 = baseline.iter().map(|row| row["baseline_ha"].parse::<f64>().unwrap()).sum();
        let whole = Table::of_run(&run, "habitat_area").number("scenario", "baseline", "habitat_ha");
        assert!((sum - whole).abs() < 1e-9 * whole, "{name}: {sum} of {whole}");
    }
}

#[test]
fn none_and_ten_thousand_records() {
    let mut tiny = Tiny::new().months_of_water(TURNS);
    tiny.more = "[records]\nfile = \"records.csv\"\ncrs = \"EPSG:4326\"\nmaximum_uncertainty_m = 100.0\nassumed_uncertainty_m = 5.0\n\n".into();
    tiny.write();
    let path = tiny.folder().join("records.csv");
    fs::write(&path, "decimalLatitude,decimalLongitude\n").unwrap();
    tiny.refused_written(&["records.csv: holds no records"]);
    let mut text = String::from("decimalLatitude,decimalLongitude,eventDate\n");
    for n in 0..10_000 {
        // the middles of the 20 cells, each 500 times, on other days
        let (row, col) = (f64::from(n % 20 / 5) + 0.5, f64::from(n % 5) + 0.5);
        let (lat, lon) = (-31.0 - row * 30.0 * 9.02e-6, -18.0 + col * 30.0 * 1.047e-5);
        text += &format!("{lat:.7},{lon:.7},{}-01-{:02}\n", 1991 + n / 20 % 30, n / 600 + 1);
    }
    fs::write(&path, text).unwrap();
    let run = tiny.run_written();
    assert_eq!(Table::of_run(&run, "records").0.len(), 20);
    assert_eq!(Table::of_run(&run, "records_set_aside").0.len(), 9_980);
}
