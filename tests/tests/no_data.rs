//! No data is a state, never 0: a cell without a zone cannot be told how far its water table falls.

use lentic_raster::{
    Bounds, Crs, Grid, NO_CLASS, RasterSource, Window, inspect, read_aligned_class, write_bytes,
};
use lentic_tests::raster::Raster;
use lentic_tests::table::Table;
use lentic_tests::{Basin, outside};

#[test]
fn a_cell_without_a_zone_is_not_assessed_under_a_fall_by_zone() {
    let basin = Basin::small();
    let path = basin.file("layers/zones.tif");
    let info = inspect(&path, 1).unwrap();
    let Bounds { left, bottom, right, top } = info.bounds();
    let crs = Crs::parse(info.crs.as_ref().unwrap().wkt()).unwrap();
    let grid = Grid::from_bounds(crs, Bounds { left, bottom, right, top }, 30.0).unwrap();
    let whole = Window::whole(&grid);
    let zones = read_aligned_class(&RasterSource::open(&path, 1).unwrap(), &grid, &whole).unwrap();
    let blank = |cell: usize| (30..60).contains(&(cell % grid.cols));
    let cells: Vec<u8> = zones
        .iter()
        .enumerate()
        .map(|(cell, code)| if blank(cell) || *code == NO_CLASS { 0 } else { *code as u8 })
        .collect();
    write_bytes(&path, &grid, &cells, Some(0)).unwrap();
    // of the two scenarios with this fall the one of pumping alone comes first
    let study = std::fs::read_to_string(basin.study()).unwrap();
    let by_zone =
        study.replacen("drawdown_m = 0.4", "drawdown_m = { 1 = 0.4, 2 = 0.4, 3 = 0.4, 4 = 0.4 }", 1);
    assert_ne!(study, by_zone);
    std::fs::write(basin.study(), by_zone).unwrap();

    let run = basin.run("run", &[]);
    let areas = Table::of_run(&run, "habitat_area");
    assert!(areas.number("scenario", "pumping", "not_assessed_ha") > 100.0);
    let months = Raster::read(&run.join("rasters/hydroperiod_pumping.tif"), 1);
    let usual = Raster::read(&run.join("rasters/hydroperiod_baseline.tif"), 1);
    let missing = months.cells.iter().zip(&usual.cells).filter(|(p, b)| p.is_nan() && !b.is_nan()).count();
    assert!(missing > 1000, "{missing} cells without a zone");
    let compared = outside::python()
        .arg(outside::reference().join("compare.py"))
        .arg(basin.study())
        .arg(&run)
        .output()
        .unwrap();
    assert!(compared.status.success(), "{}", String::from_utf8_lossy(&compared.stdout));
}
