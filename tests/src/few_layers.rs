//! A tiny study with a layer of each kind, without climate: checked and run in a moment, for tests that spoil its files.

use lentic_raster::{Bounds, Crs, Grid, write_byte_bands, write_bytes, write_floats};
use std::fs;
use std::path::Path;

/// Rows of the grid.
const ROWS: usize = 40;
/// Columns.
const COLS: usize = 48;

/// The study file.
const STUDY: &str = r#"[study]
name = "Tiny"
organism = "invented"
purpose = "test"

[grid]
crs = "+proj=laea +lat_0=-31 +lon_0=-18 +datum=WGS84 +units=m +no_defs"
cell_m = 30.0
bounds = [0.0, 0.0, 1440.0, 1200.0]

[period]
baseline = ["1991-01", "1992-12"]

[layers.water]
files = "water_{year}.tif"
kind = "water-history"
holds = "mask"
source = "invented"

[layers.land_cover]
file = "land_cover.tif"
kind = "class"
source = "invented"

[layers.depth]
file = "depth.tif"
kind = "continuous"
source = "invented"

[layers.zones]
file = "zones.tif"
kind = "class"
source = "invented"

[inundation]
driver = "season"

[requisites.water]
combine = "arithmetic mean"

[[requisites.water.variables]]
name = "months"
measure = "hydroperiod"
curve.points = [[0.0, 0.0], [12.0, 1.0]]

[[requisites.water.variables]]
name = "water-depth"
measure = "depth"
curve.trapezoid = [0.05, 0.3, 1.2, 3.0]

[[requisites.water.variables]]
name = "reeds"
measure = "share of class"
layer = "land_cover"
classes = [2]
radius_m = 60.0
curve.points = [[0.0, 0.2], [1.0, 1.0]]

[suitability]
combine = "arithmetic mean"
threshold = 0.5
"#;

/// Its layers: a year of water in twelve bands, twice; classes; depths; zones.
pub const LAYERS: [&str; 5] =
    ["water_1991.tif", "water_1992.tif", "land_cover.tif", "depth.tif", "zones.tif"];

/// Writes the study and its layers into a folder.
pub fn write(folder: &Path) {
    let bounds = Bounds { left: 0.0, bottom: 0.0, right: 30.0 * COLS as f64, top: 30.0 * ROWS as f64 };
    let crs = Crs::parse("+proj=laea +lat_0=-31 +lon_0=-18 +datum=WGS84 +units=m +no_defs").unwrap();
    let grid = Grid::from_bounds(crs, bounds, 30.0).unwrap();
    let cells = |of: &dyn Fn(usize, usize) -> u8| -> Vec<u8> {
        (0..ROWS * COLS).map(|cell| of(cell / COLS, cell % COLS)).collect()
    };
    let set = |name: &str, bands: &[Vec<u8>]| {
        let bands: Vec<&[u8]> = bands.iter().map(Vec::as_slice).collect();
        write_byte_bands(&folder.join(name), &grid, &bands, None).unwrap();
    };
    for (year, name) in LAYERS[..2].iter().enumerate() {
        let month = |m: usize| cells(&|row, col| u8::from((row + col + m + year) % 7 < 4));
        set(name, &(0..12).map(month).collect::<Vec<_>>());
    }
    write_bytes(
        &folder.join("land_cover.tif"),
        &grid,
        &cells(&|row, col| 1 + ((row / 3 + col / 5) % 3) as u8),
        None,
    )
    .unwrap();
    write_bytes(&folder.join("zones.tif"), &grid, &cells(&|row, _| 1 + (row / 20) as u8), None).unwrap();
    let depth: Vec<f32> = (0..ROWS * COLS).map(|cell| (cell % 37) as f32 / 12.0).collect();
    write_floats(&folder.join("depth.tif"), &grid, &depth, None).unwrap();
    fs::write(folder.join("study.toml"), STUDY).unwrap();
}
