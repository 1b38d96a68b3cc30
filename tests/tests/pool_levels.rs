//! Pools that answer to a level of their own: which do, that only they change by it, and that the study can leave it out.

use lentic_tests::Basin;
use lentic_tests::raster::Raster;
use lentic_tests::table::Table;
use std::collections::BTreeSet;

#[test]
fn only_pools_that_won_their_trial_answer_to_a_level() {
    let basin = Basin::small();
    let with = basin.run("with", &["--tile", "40"]);
    basin.edit("study.toml", "[inundation]\n", "[inundation]\npool_levels = false\n");
    let without = basin.run("without", &["--tile", "64"]);
    assert!(!without.join("tables/pool_levels.csv").exists());

    let table = Table::of_run(&with, "pool_levels");
    let mut taken = BTreeSet::new();
    for row in &table.0 {
        let of = |column: &str| row[column].parse::<f64>().unwrap_or_else(|_| panic!("{column} of {row:?}"));
        let won = of("deviance_level") <= of("deviance_index") * 2.0 / 3.0;
        assert_eq!(row["answers_to"] == "level", won, "{row:?}");
        // the masks show the level to a few centimetres, and no rate is negative
        assert!(of("misfit_m") < 0.15 && of("months_seen") > 200.0, "{row:?}");
        for rate in
            ["rain_share", "evaporation_share", "seepage_m", "catchment_share", "inflow_m", "steady_share"]
        {
            assert!(of(rate) >= 0.0, "{row:?}");
        }
        if won {
            taken.insert(row["pool"].parse::<i64>().unwrap());
        }
    }
    assert!(taken.len() >= 2, "{:?}", table.0);
    let fit = Table::of_run(&with, "inundation_fit");
    let named = fit.0.iter().filter(|row| row["name"].starts_with("level of ")).count();
    assert_eq!(named, taken.len());
    let record = std::fs::read_to_string(with.join("run.json")).unwrap();
    assert!(
        record.contains(&format!("of {} of {} pools tried answers to a level", taken.len(), table.0.len())),
        "{record}"
    );

    for name in ["baseline", "much-drier", "driest-years"] {
        let of =
            |run: &std::path::Path| Raster::read(&run.join(format!("rasters/hydroperiod_{name}.tif")), 1);
        let (by_level, by_index) = (of(&with), of(&without));
        let pools = Raster::read(&basin.file("layers/pools.tif"), 1).under(&by_level);
        let (mut moved, mut same) = (0, 0);
        for ((level, index), pool) in by_level.cells.iter().zip(&by_index.cells).zip(&pools) {
            if taken.contains(&(*pool as i64)) {
                moved += usize::from((level - index).abs() > 0.01);
            } else {
                assert_eq!(level.to_bits(), index.to_bits(), "{name}: a cell of pool {pool} changed");
                same += usize::from(*level > 0.0);
            }
        }
        assert!(moved > 300 && same > 50, "{name}: {moved} cells moved, {same} wet cells stay");
    }
}
