//! Drawing and correcting over made-up runs.

mod correcting;
mod drawing;

use super::*;
use crate::progress::Silent;
use lentic_raster::{
    Bounds, CellAreas, ClassBand, CogData, CogSpec, Crs, Grid, Scratch, Window, write_cog, write_floats,
};
use lentic_report::{Product, RunRecord, StudyRecord, write_record};
use std::collections::BTreeMap;
use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use tempfile::TempDir;

const CRS: &str = "+proj=laea +lat_0=-31 +lon_0=-18 +datum=WGS84 +units=m";

/// A run with a map `permanence` of these codes on a grid of 30 m.
struct Made {
    folder: TempDir,
    crs: &'static str,
    rows: usize,
    cols: usize,
}

impl Made {
    fn run(&self) -> PathBuf {
        self.folder.path().join("run")
    }

    fn grid(&self) -> Grid {
        let (right, bottom) = (30.0 * self.cols as f64, -30.0 * self.rows as f64);
        let bounds = Bounds { left: 0.0, bottom, right, top: 0.0 };
        Grid::from_bounds(Crs::parse(self.crs).unwrap(), bounds, 30.0).unwrap()
    }

    fn new(rows: usize, cols: usize, code: impl Fn(usize, usize) -> u8) -> Made {
        Made::on(CRS, rows, cols, code)
    }

    fn on(crs: &'static str, rows: usize, cols: usize, code: impl Fn(usize, usize) -> u8) -> Made {
        let made = Made { folder: tempfile::tempdir().unwrap(), crs, rows, cols };
        fs::create_dir_all(made.run().join("rasters")).unwrap();
        made.write("permanence", code);
        made.record(&["permanence"]);
        made
    }

    /// Writes a raster of classes 0 to 4.
    fn write(&self, name: &str, code: impl Fn(usize, usize) -> u8) {
        let grid = self.grid();
        let cells = Scratch::<u8>::create(&self.folder.path().join("cells"), &grid).unwrap();
        let codes: Vec<u8> =
            (0..self.rows * self.cols).map(|at| code(at / self.cols, at % self.cols)).collect();
        cells.write(&Window::whole(&grid), &codes).unwrap();
        let names = ["Dry", "Temporary", "Seasonal", "Semi-permanent", "Permanent"];
        let band = ClassBand {
            cells: &cells,
            description: "classes".into(),
            no_data: Some(255),
            colours: Vec::new(),
            names: (0u8..).zip(names.map(String::from)).collect(),
        };
        let path = self.run().join("rasters").join(format!("{name}.tif"));
        write_cog(&path, &grid, &CogSpec::default(), &CogData::Classes(band)).unwrap();
    }

    fn record(&self, rasters: &[&str]) {
        let product = |name: &&str| Product { file: format!("rasters/{name}.tif"), ..Product::default() };
        let record = RunRecord {
            run_id: "0123456789ab".into(),
            seed: 7,
            study: StudyRecord { path: "study.toml".into(), threshold: 0.5, ..StudyRecord::default() },
            products: rasters.iter().map(product).collect(),
            ..RunRecord::default()
        };
        write_record(&self.run().join("run.json"), &record).unwrap();
    }

    fn options(&self) -> DrawOptions {
        DrawOptions {
            map: "permanence".into(),
            out: None,
            wanted: Wanted {
                standard_error: 0.05,
                accuracy: ByStratum::default(),
                points: ByStratum { all: Some(72), of: BTreeMap::new() },
                minimum: 10,
                reserve: 0.0,
            },
            seed: None,
        }
    }

    fn draw(&self, options: &DrawOptions) -> Result<PathBuf, String> {
        draw(&self.run(), options, &Silent).map(|drawn| drawn.folder).map_err(|e| e.to_string())
    }

    fn correct(&self, table: &Path, without: &[u8]) -> Result<Corrected, String> {
        let options = CorrectOptions { out: None, without: without.iter().copied().collect() };
        correct(&self.run(), table, &options, &Silent).map_err(|e| e.to_string())
    }
}

/// Rows of a drawn table by column.
fn rows(folder: &Path) -> Vec<BTreeMap<String, String>> {
    let mut reader = csv::Reader::from_path(folder.join("survey.csv")).unwrap();
    reader.deserialize().map(|row| row.unwrap()).collect()
}

/// Column and row of a point.
fn place(row: &BTreeMap<String, String>) -> (usize, usize) {
    let number = |name: &str| row[name].parse::<f64>().unwrap();
    ((number("x") / 30.0) as usize, (-number("y") / 30.0) as usize)
}

/// Fills in the drawn table; `found` gives the reference class of a stratum's n-th point.
fn fill(folder: &Path, found: impl Fn(&str, usize) -> String) -> PathBuf {
    let path = folder.join("survey.csv");
    let mut reader = csv::Reader::from_path(&path).unwrap();
    let headers = reader.headers().unwrap().clone();
    let filled = folder.parent().unwrap().join("filled.csv");
    let mut writer = csv::Writer::from_path(&filled).unwrap();
    writer.write_record(&headers).unwrap();
    for record in reader.records() {
        let mut fields: Vec<String> = record.unwrap().iter().map(String::from).collect();
        let order = fields[9].parse().unwrap();
        fields[11] = found(&fields[2], order);
        writer.write_record(&fields).unwrap();
    }
    writer.flush().unwrap();
    filled
}
