//! Loss by cause, ways to horizons, refuges and supplies of water on the small demo: against the scenarios of the study and
//! against what must add up.

use lentic_tests::Ready;
use lentic_tests::raster::Raster;
use lentic_tests::table::Table;
use std::sync::OnceLock;

fn demo() -> &'static Ready {
    static READY: OnceLock<Ready> = OnceLock::new();
    READY.get_or_init(|| Ready::make("drying-ways", true))
}

fn table(name: &str) -> Table {
    Table::of_run(&demo().run, name)
}

fn number(row: &std::collections::BTreeMap<String, String>, column: &str) -> f64 {
    row[column].parse().unwrap_or_else(|_| panic!("{column}: {:?}", row[column]))
}

#[track_caller]
fn close(one: f64, other: f64, what: &str) {
    assert!((one - other).abs() <= 1e-9 * one.abs().max(1.0), "{what}: {one} and {other}");
}

/// The demo's fourth scenario is its first and its third together: causes alone lose what those scenarios lose.
#[test]
fn causes_are_the_scenarios_that_hold_them_alone() {
    let (causes, areas) = (table("loss_attribution"), table("habitat_area"));
    assert_eq!(causes.0.len(), 1, "one scenario has both");
    let of = |column: &str| causes.number("scenario", "pumping-and-drier", column);
    let lost = |scenario: &str| areas.number("scenario", scenario, "lost_ha");
    close(of("climate_ha"), lost("drier"), "climate alone");
    close(of("abstraction_ha"), lost("pumping"), "abstraction alone");
    close(of("both_ha"), lost("pumping-and-drier"), "both");
    close(of("scenario_ha"), lost("pumping-and-drier"), "the scenario");
    close(of("interaction_ha"), of("both_ha") - of("climate_ha") - of("abstraction_ha"), "interaction");
    let parts = ["only_climate_ha", "only_abstraction_ha", "either_ha", "only_together_ha"];
    close(parts.iter().map(|part| of(part)).sum(), of("both_ha"), "parts of what both lose");
    // in the demo no cell comes back when a second cause joins: what a cause loses alone is among what both lose
    close(of("only_climate_ha") + of("either_ha"), of("climate_ha"), "lost to climate, alone or not");
    assert!(of("only_together_ha") > 0.0 && of("either_ha") > 0.0);
}

#[test]
fn a_way_leads_from_today_to_the_scenario() {
    let (years, areas, patches) =
        (table("habitat_by_year"), table("habitat_area"), table("patch_time_of_loss"));
    for (scenario, horizon) in
        [("drier", 2050), ("much-drier", 2080), ("pumping", 2050), ("pumping-and-drier", 2050)]
    {
        let way: Vec<_> = years.0.iter().filter(|row| row["series"] == scenario).collect();
        let ends = [way[0], way[way.len() - 1]];
        assert_eq!(ends.map(|row| row["year"].as_str()), ["2020", &horizon.to_string()]);
        close(number(ends[0], "habitat_ha"), areas.number("scenario", "baseline", "habitat_ha"), "today");
        close(number(ends[1], "habitat_ha"), areas.number("scenario", scenario, "habitat_ha"), scenario);
        // the demo's depth curve falls again in deep water, so that habitat may come, but nothing lost comes back
        let lost: f64 = way[1..].iter().map(|row| number(row, "first_lost_ha")).sum();
        close(lost, areas.number("scenario", scenario, "lost_ha"), scenario);
        let codes = Raster::read(&demo().run.join(format!("rasters/time_of_loss_{scenario}.tif")), 1);
        let change = Raster::read(&demo().run.join(format!("rasters/change_{scenario}.tif")), 1);
        let steps = way.len() as f64;
        let cells = || codes.cells.iter().zip(&change.cells).filter(|(code, _)| !code.is_nan());
        assert!(cells().all(|(code, change)| (1.0..steps).contains(code) == (*change == 3.0)));
        for row in patches.0.iter().filter(|row| row["scenario"] == scenario) {
            assert_eq!(row["by"].is_empty(), number(row, "kept_at_horizon") >= 0.5, "{row:?}");
            let span = |name: &str| row[name].parse::<i32>().ok();
            assert!(span("after").zip(span("by")).is_none_or(|(after, by)| after < by && by <= horizon));
        }
    }
    // no way leads to land cover or years that come at once
    assert!(years.0.iter().all(|row| !["cropland-2050", "driest-years"].contains(&row["series"].as_str())));
}

/// Satellites saw nothing from May to September 2003, which is to leave that year without a number and no other with a wrong one.
#[test]
fn a_year_hardly_seen_has_no_habitat_area() {
    let years = table("habitat_by_year");
    let past: Vec<_> = years.0.iter().filter(|row| row["series"] == "past").collect();
    assert_eq!(past.len(), 30);
    for row in past {
        let seen = number(row, "today_assessed_share");
        assert_eq!(row["habitat_ha"].is_empty(), seen < 0.5, "{row:?}");
        assert_eq!(row["habitat_ha"].is_empty(), row["year"] == "2003", "{row:?}");
        if seen >= 0.5 {
            assert!(number(row, "habitat_ha") >= number(row, "habitat_seen_ha"), "{row:?}");
        }
    }
}

#[test]
fn refuges_are_habitat_everywhere() {
    let run = &demo().run;
    let refuges = Raster::read(&run.join("rasters/refuges.tif"), 1);
    let mut stays = vec![true; refuges.cells.len()];
    for scenario in ["drier", "much-drier", "pumping", "pumping-and-drier", "cropland-2050", "driest-years"] {
        let change = Raster::read(&run.join(format!("rasters/change_{scenario}.tif")), 1);
        stays.iter_mut().zip(&change.cells).for_each(|(stays, code)| *stays &= matches!(*code, 1.0 | 2.0));
    }
    let all = stays.iter().filter(|stays| **stays).count();
    let drawn = refuges.cells.iter().filter(|code| **code == 1.0).count();
    assert!(refuges.cells.iter().zip(&stays).all(|(code, stays)| *code != 1.0 || *stays));
    // pieces under the minimum area are no refuges
    assert!(drawn > 0 && drawn <= all && 10 * drawn > 5 * all, "{drawn} of {all} cells");
    let rows = table("refuges").0;
    close(rows.iter().map(|row| number(row, "area_ha")).sum(), drawn as f64 * 0.09, "area");
    assert!(rows.windows(2).all(|pair| number(&pair[0], "area_ha") >= number(&pair[1], "area_ha")));
    assert!(rows.iter().all(|row| number(row, "mean_lowest_suitability") >= 0.5));
}

/// Wells lower the table by 0.4 m; a rise of 0.4 m undoes them: all habitat and all water come back.
#[test]
fn water_put_back_brings_habitat_back() {
    let (zones, patches) = (table("what_water_where"), table("water_requirement"));
    let areas = table("habitat_area");
    let of_rise = |rise: f64, column: &str| -> f64 {
        zones.0.iter().filter(|row| number(row, "rise_m") == rise).map(|row| number(row, column)).sum()
    };
    close(of_rise(0.4, "restored_ha"), areas.number("scenario", "pumping", "lost_ha"), "restored");
    close(of_rise(0.4, "restored_ha"), of_rise(0.4, "lost_ha"), "restored of lost");
    assert!(of_rise(0.1, "restored_ha") < of_rise(0.2, "restored_ha"));
    let volumes = table("volume");
    let held = |scenario: &str| -> f64 {
        volumes.0.iter().filter(|row| row["scenario"] == scenario).map(|row| number(row, "volume_m3")).sum()
    };
    close(of_rise(0.4, "volume_m3"), held("baseline") - held("pumping"), "water put back");
    for row in &patches.0 {
        close(number(row, "restorable_ha"), number(row, "lost_ha"), "restorable");
        if number(row, "lost_ha") > 0.0 {
            assert!(
                number(row, "half_rise_m") <= number(row, "all_rise_m") && number(row, "all_rise_m") <= 0.4
            );
            assert!(number(row, "half_volume_m3") <= number(row, "all_volume_m3"));
        } else {
            assert!(row["half_rise_m"].is_empty() && row["all_volume_m3"].is_empty(), "{row:?}");
        }
    }
}
