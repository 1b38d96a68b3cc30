//! Bad input is refused with exit code 1 and a message that says where, what was found and what is expected; nothing is
//! left behind. Snapshots hold the messages whole, with temporary paths cut off.

use lentic_raster::{Bounds, Crs, Grid, write_bytes, write_floats};
use lentic_tests::Basin;
use lentic_tests::raster::Raster;
use lentic_tests::refusal::{line_of, refused, refused_with};
use std::fs;
use std::path::Path;

/// The demo's reference system.
const CRS: &str = "+proj=laea +lat_0=-31 +lon_0=-18 +x_0=0 +y_0=0 +datum=WGS84 +units=m +no_defs";

/// Cuts a file to its first bytes.
fn truncate(path: &Path, bytes: u64) {
    let file = fs::OpenOptions::new().write(true).open(path).unwrap();
    assert!(file.metadata().unwrap().len() > bytes);
    file.set_len(bytes).unwrap();
}

/// A grid of 20 x 20 cells of 30 m with this left upper corner.
fn grid(left: f64, top: f64) -> Grid {
    let bounds = Bounds { left, bottom: top - 600.0, right: left + 600.0, top };
    Grid::from_bounds(Crs::parse(CRS).unwrap(), bounds, 30.0).unwrap()
}

#[test]
fn a_missing_file() {
    let basin = Basin::small();
    fs::remove_file(basin.file("layers/ground.tif")).unwrap();
    let line = line_of(&basin, "layers/ground.tif");
    insta::assert_snapshot!(refused(&basin, &[&line, "layers/ground.tif"]));
}

#[test]
fn degrees_are_no_grid() {
    let basin = Basin::small();
    basin.edit("study.toml", CRS, "EPSG:4326");
    let line = line_of(&basin, "EPSG:4326");
    insta::assert_snapshot!(refused(&basin, &[&line, "equal-area"]));
}

#[test]
fn a_layer_elsewhere() {
    let basin = Basin::small();
    let far = grid(90_000.0, -50_000.0);
    write_floats(&basin.file("layers/ground.tif"), &far, &vec![3.0; far.len()], None).unwrap();
    let line = line_of(&basin, "layers/ground.tif");
    insta::assert_snapshot!(refused(&basin, &[&line, "\"ground\"", "does not overlap"]));
}

#[test]
fn a_legend_that_lacks_a_code() {
    let basin = Basin::small();
    basin.edit("legends/zones.csv", "3,Spring line\n", "");
    insta::assert_snapshot!(refused(&basin, &["legends/zones.csv", "\"zones\"", "code 3"]));
}

#[test]
fn a_pattern_without_files() {
    let basin = Basin::small();
    basin.edit("study.toml", "water/water_{year}-{month}.tif", "water/pond_{year}-{month}.tif");
    let line = line_of(&basin, "water/pond_");
    insta::assert_snapshot!(refused(&basin, &[&line, "water/pond_{year}-{month}.tif", "water_1991-01.tif"]));
}

#[test]
fn two_files_of_one_month() {
    let basin = Basin::small();
    fs::copy(basin.file("water/water_1995-05.tif"), basin.file("water/water_again_1995-05.tif")).unwrap();
    basin.edit("study.toml", "water/water_{year}-{month}.tif", "water/water_*{year}-{month}.tif");
    let line = line_of(&basin, "water/water_*");
    insta::assert_snapshot!(refused(&basin, &[&line, "1995-05", "water_again_1995-05.tif"]));
}

#[test]
fn months_missing_in_the_climate() {
    let basin = Basin::small();
    basin.cut("climate.csv", "1995,6,", "1995,8,");
    insta::assert_snapshot!(refused(&basin, &["climate.csv", "2 of the months", "1995-06"]));
}

#[test]
fn a_climate_that_ends_too_early() {
    let basin = Basin::small();
    let text = fs::read_to_string(basin.file("climate.csv")).unwrap();
    fs::write(basin.file("climate.csv"), &text[..text.find("2019,1,").unwrap()]).unwrap();
    insta::assert_snapshot!(refused(&basin, &["climate.csv", "2018-12", "2020-12"]));
}

#[test]
fn a_replay_of_years_beyond_the_climate() {
    let basin = Basin::small();
    let study = fs::read_to_string(basin.study()).unwrap();
    let line = study.lines().find(|line| line.starts_with("replay = ")).unwrap().to_string();
    basin.edit("study.toml", &line, "replay = { from = 2018, to = 2030 }");
    let at = line_of(&basin, "replay = ");
    // the line moves with every change of the demo study
    insta::assert_snapshot!(
        refused(&basin, &[&at, "2021", "1989 to 2020"]).replace(&at, "study.toml:LINE: ")
    );
}

#[test]
fn text_for_a_number_in_the_climate() {
    let basin = Basin::small();
    let text = fs::read_to_string(basin.file("climate.csv")).unwrap();
    let mut lines: Vec<String> = text.lines().map(String::from).collect();
    let fields: Vec<&str> = lines[40].split(',').collect();
    lines[40] = format!("{},{},trace,{}", fields[0], fields[1], fields[3]);
    fs::write(basin.file("climate.csv"), lines.join("\n")).unwrap();
    insta::assert_snapshot!(refused(&basin, &["climate.csv:41: ", "\"trace\"", "precipitation_mm"]));
}

#[test]
fn text_for_a_number_in_the_study() {
    let basin = Basin::small();
    basin.edit("study.toml", "cell_m = 30.0", "cell_m = \"thirty\"");
    let line = line_of(&basin, "thirty");
    insta::assert_snapshot!(refused(&basin, &[&line, "cell_m"]));
}

#[test]
fn an_unknown_key() {
    let basin = Basin::small();
    basin.edit("study.toml", "minimum_ha = 0.5", "minimun_ha = 0.5");
    let line = line_of(&basin, "minimun_ha");
    insta::assert_snapshot!(refused(&basin, &[&line, "did you mean \"minimum_ha\""]));
}

#[test]
fn a_curve_that_does_not_rise() {
    let basin = Basin::small();
    basin.edit(
        "study.toml",
        "[[0.0, 1.0], [150.0, 1.0], [600.0, 0.2]]",
        "[[0.0, 1.0], [600.0, 0.2], [150.0, 1.0]]",
    );
    let line = line_of(&basin, "[600.0, 0.2], [150.0");
    insta::assert_snapshot!(refused(&basin, &[&line]));
}

#[test]
fn weights_that_come_to_nothing() {
    let basin = Basin::small();
    basin.edit(
        "study.toml",
        "[3.0, 0.0], [6.0, 0.6], [9.0, 1.0], [12.0, 1.0]]\nweight = 2.0",
        "[3.0, 0.0], [6.0, 0.6], [9.0, 1.0], [12.0, 1.0]]\nweight = 0.0",
    );
    basin.edit(
        "study.toml",
        "a season of some four months\nweight = 1.0",
        "a season of some four months\nweight = 0.0",
    );
    basin.edit(
        "study.toml",
        "curve.trapezoid = [0.05, 0.3, 1.2, 3.0]\nweight = 1.0",
        "curve.trapezoid = [0.05, 0.3, 1.2, 3.0]\nweight = 0.0",
    );
    insta::assert_snapshot!(refused(&basin, &["study.toml:", "foraging-water", "0"]));
}

/// Wherever the file ends: before its header, between header and place on the ground, in the middle of the cells.
#[test]
fn a_water_mask_cut_short() {
    let mut said = String::new();
    for bytes in [0, 100, 300, 400, 531] {
        let basin = Basin::small();
        truncate(&basin.file("water/water_2003-09.tif"), bytes);
        let line = line_of(&basin, "water/water_{year}");
        said +=
            &format!("{bytes} bytes\n{}", refused(&basin, &[&line, "\"water\"", "water/water_2003-09.tif"]));
    }
    insta::assert_snapshot!(said);
}

#[test]
fn a_layer_cut_short() {
    let basin = Basin::small();
    let path = basin.file("layers/ground.tif");
    let bytes = fs::metadata(&path).unwrap().len();
    truncate(&path, bytes * 2 / 3);
    let line = line_of(&basin, "layers/ground.tif");
    insta::assert_snapshot!(refused(&basin, &[&line, "\"ground\"", "layers/ground.tif"]));
}

/// Tests may run as root, whom no permission stops; so the target lies below a plain file, where nobody can write.
#[test]
fn nowhere_to_write() {
    let basin = Basin::small();
    fs::write(basin.folder().join("plain"), "a file, no folder").unwrap();
    let outcome = basin.try_run("plain/run", &[]);
    insta::assert_snapshot!(refused_with(&basin, outcome, &["DIR/plain/run", "DIR/plain is a file"]));
    assert_eq!(fs::read_to_string(basin.folder().join("plain")).unwrap(), "a file, no folder");
    assert_eq!(fs::read_dir(basin.folder()).unwrap().count(), 2);
}

#[test]
fn a_target_that_holds_something_else() {
    let basin = Basin::small();
    fs::create_dir(basin.folder().join("thesis")).unwrap();
    fs::write(basin.folder().join("thesis/chapter.txt"), "mine").unwrap();
    let outcome = basin.try_run("thesis", &[]);
    insta::assert_snapshot!(refused_with(&basin, outcome, &["DIR/thesis", "--out"]));
    assert_eq!(fs::read_to_string(basin.folder().join("thesis/chapter.txt")).unwrap(), "mine");
    assert_eq!(fs::read_dir(basin.folder()).unwrap().count(), 2);
}

/// Deep in a mask, where only reading everything finds it: the run stops, and says where.
#[test]
fn a_value_that_is_no_state_of_water() {
    let basin = Basin::small();
    let path = basin.file("water/water_2001-02.tif");
    let old = Raster::read(&path, 1);
    let bounds = Bounds {
        left: old.place[0],
        bottom: old.place[3] - old.rows as f64 * 30.0,
        right: old.place[0] + old.cols as f64 * 30.0,
        top: old.place[3],
    };
    let grid = Grid::from_bounds(Crs::parse(CRS).unwrap(), bounds, 30.0).unwrap();
    let mut cells: Vec<u8> = old.cells.iter().map(|c| if c.is_nan() { 255 } else { *c as u8 }).collect();
    cells[grid.cols * 30 + 40] = 7;
    write_bytes(&path, &grid, &cells, Some(255)).unwrap();
    let outcome = basin.try_run("run", &[]);
    insta::assert_snapshot!(refused_with(&basin, outcome, &["\"water\"", "water/water_2001-02.tif", "7"]));
    assert_eq!(fs::read_dir(basin.folder()).unwrap().count(), 1);
}

#[test]
fn records_without_a_reference_system() {
    let basin = Basin::small();
    basin.edit("study.toml", "crs = \"EPSG:4326\" ", "#");
    insta::assert_snapshot!(refused(&basin, &["records.csv:1: ", "geodeticDatum", "records.crs"]));
}

#[test]
fn an_empty_table_of_records() {
    let basin = Basin::small();
    let text = fs::read_to_string(basin.file("records.csv")).unwrap();
    fs::write(basin.file("records.csv"), text.lines().next().unwrap()).unwrap();
    insta::assert_snapshot!(refused(&basin, &["records.csv: holds no records"]));
}

#[test]
fn records_that_all_lie_elsewhere() {
    let basin = Basin::small();
    let text = fs::read_to_string(basin.file("records.csv")).unwrap();
    let moved = [(",-31.", ",-41."), (",-30.", ",-40."), (",-18.", ",-28."), (",-17.", ",-27.")];
    let far = moved.iter().fold(text, |text, (here, there)| text.replace(here, there));
    fs::write(basin.file("records.csv"), far).unwrap();
    insta::assert_snapshot!(refused(&basin, &["records.csv: none of its 80 records can be used"]));
}

/// All problems at once, those of the study file and those of the files it names, in the order of files and lines.
#[test]
fn problems_are_reported_together() {
    let basin = Basin::small();
    basin.edit("study.toml", "minimum_ha = 0.5", "minimun_ha = 0.5");
    basin.edit(
        "study.toml",
        "[[0.0, 1.0], [100.0, 1.0], [300.0, 0.3]]",
        "[[0.0, 1.0], [300.0, 0.3], [100.0, 1.0]]",
    );
    basin.edit("study.toml", "threshold = 0.5 ", "threshold = 1.5 ");
    basin.edit("legends/land_cover.csv", "4,grassland,1.0\n", "");
    basin.cut("climate.csv", "1995,6,", "1995,7,");
    fs::remove_file(basin.file("layers/depth.tif")).unwrap();
    let far = grid(90_000.0, -50_000.0);
    write_bytes(&basin.file("layers/roads.tif"), &far, &vec![0; far.len()], None).unwrap();
    insta::assert_snapshot!(refused(
        &basin,
        &[
            "\"minimun_ha\"",
            "threshold",
            "100",
            "code 4",
            "1995-06",
            "layers/depth.tif",
            "\"roads\" does not overlap"
        ]
    ));
}
