//! Scenarios of management beside the scenario that they answer.

use lentic_tests::Basin;
use lentic_tests::outside::{agrees, looked_at};
use lentic_tests::raster::Raster;
use lentic_tests::refusal::refused;
use lentic_tests::table::Table;
use std::fs;

/// The small basin with wells everywhere, and three ways to spare some ground of them.
fn basin() -> Basin {
    let basin = Basin::small();
    let mut text = fs::read_to_string(basin.study()).unwrap();
    let zones = |first: &str| format!("{{ 1 = {first}, 2 = 0.4, 3 = 0.4, 4 = 0.4 }}");
    for (name, fall) in [
        ("half-in-one-zone", zones("0.2")),
        ("none-in-one-zone", zones("0.0")),
        ("less-everywhere", "0.3".into()),
    ] {
        text.push_str(&format!(
            "\n[[scenarios]]\nname = \"{name}\"\ninstead_of = \"pumping\"\ndrawdown_m = {fall}\n"
        ));
    }
    text.push_str("\n[[scenarios]]\nname = \"rain-held\"\ninstead_of = \"drier\"\nprecipitation = -10.0\ntemperature_c = 1.0\n");
    fs::write(basin.study(), text).unwrap();
    basin
}

#[test]
fn what_management_saves_is_told_and_ranked() {
    let basin = basin();
    let run = basin.run("run", &["--tile", "40"]);
    let outcome = agrees(&basin.study(), &run);
    looked_at(&outcome, &["management"]);
    let table = Table::of_run(&run, "management");
    assert_eq!(table.0.len(), 4);
    let of = |scenario: &str, column: &str| table.number("scenario", scenario, column);
    let habitat = |case: &str| -> Vec<bool> {
        let change = Raster::read(&run.join(format!("rasters/change_{case}.tif")), 1).cells;
        change.iter().map(|code| [1.0, 2.0, 4.0].contains(code)).collect()
    };
    let there = habitat("pumping");
    for name in ["half-in-one-zone", "none-in-one-zone", "less-everywhere"] {
        let cells = habitat(name).iter().zip(&there).filter(|(here, there)| **here && !**there).count();
        // cells of 30 m on a projected grid: 0.09 ha but for the scale of the projection
        let saved = of(name, "saved_ha");
        assert!((saved / (0.09 * cells as f64) - 1.0).abs() < 0.01, "{name}: {saved} ha, {cells} cells");
        assert_eq!(of(name, "given_up_ha"), 0.0, "a higher table takes no habitat from the demo's turtle");
    }
    assert!((of("half-in-one-zone", "rise_m") - 0.2).abs() < 1e-12);
    assert!((of("less-everywhere", "rise_m") - 0.1).abs() < 1e-12);
    assert!(of("none-in-one-zone", "saved_ha") > of("half-in-one-zone", "saved_ha"));
    assert!(of("less-everywhere", "moved_ha") > 2.0 * of("half-in-one-zone", "moved_ha"));
    assert!(of("less-everywhere", "volume_m3") > 0.0);
    // ranked by net hectares among those that answer the same scenario
    for row in &table.0 {
        let better = table.0.iter().filter(|other| {
            let net =
                |row: &std::collections::BTreeMap<String, String>| row["net_ha"].parse::<f64>().unwrap();
            other["instead_of"] == row["instead_of"] && net(other) > net(row)
        });
        assert_eq!(row["rank"].parse::<usize>().unwrap(), better.count() + 1, "{row:?}");
    }
    assert!((of("rain-held", "precipitation_percent") - 5.0).abs() < 1e-9);
    assert!(of("rain-held", "net_ha_per_percent") > 0.0);
    assert!(table.cell("scenario", "rain-held", "rise_m").is_empty());
}

#[test]
fn an_answer_to_no_scenario_is_refused() {
    let basin = basin();
    basin.edit("study.toml", "instead_of = \"drier\"", "instead_of = \"driest\"");
    refused(&basin, &["instead_of is \"driest\"", "another scenario of the study is expected", "much-drier"]);
}
