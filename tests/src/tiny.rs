//! Tiny studies of any grid, record and layers, made in a moment, for runs at the ends of what numbers can be.

use crate::{Outcome, lentic};
use gdal::DriverManager;
use gdal::raster::{Buffer, GdalType, RasterCreationOptions};
use gdal::spatial_ref::SpatialRef;
use lentic_numerics::seed::{hash64, unit};
use serde_json::Value;
use std::fs;
use std::path::{Path, PathBuf};
use tempfile::TempDir;

/// Not seen in a month.
pub const UNSEEN: u8 = 255;

/// State of water by month (from 0) and cell (row-major).
type Water = Box<dyn Fn(usize, usize) -> u8>;

/// A study to be written. Its one requisite scores hydroperiod from 0 (0 months) to 1 (12 months); threshold 0.5.
pub struct Tiny {
    folder: TempDir,
    /// Reference system.
    pub crs: String,
    /// Side of a cell in units of the system.
    pub cell: f64,
    /// Left edge.
    pub left: f64,
    /// Top edge.
    pub top: f64,
    /// Rows.
    pub rows: usize,
    /// Columns.
    pub cols: usize,
    /// First year of the baseline.
    pub first_year: i32,
    /// Years of the baseline.
    pub years: usize,
    /// State of water.
    pub water: Water,
    /// Rain by months since the January before the baseline, mm; none: water follows the season alone.
    pub rain: Option<Box<dyn Fn(usize) -> f64>>,
    /// More of the study: layers, requisites, sections; before the scenarios.
    pub more: String,
    /// More lines of `[period]`, `[inundation]` and `[climate]`.
    pub inside: [String; 3],
    /// Scenarios.
    pub scenarios: String,
}

/// A scenario of another precipitation, percent.
pub fn rain(name: &str, percent: f64) -> String {
    format!("[[scenarios]]\nname = \"{name}\"\nprecipitation = {percent:?}\n\n")
}

impl Tiny {
    /// Four rows and five columns of 30 m in an equal-area system, 30 years; water as months and cells take turns, rain that varies.
    pub fn new() -> Tiny {
        Tiny {
            folder: TempDir::new().unwrap(),
            crs: "+proj=laea +lat_0=-31 +lon_0=-18 +datum=WGS84 +units=m +no_defs".into(),
            cell: 30.0,
            left: 0.0,
            top: 0.0,
            rows: 4,
            cols: 5,
            first_year: 1991,
            years: 30,
            water: Box::new(|month, cell| u8::from(unit(hash64(7, month as u64, cell as u64)) < 0.5)),
            rain: Some(Box::new(|month| 5.0 + (90.0 * unit(hash64(3, month as u64, 1))).round())),
            more: String::new(),
            inside: Default::default(),
            scenarios: rain("drier", -20.0),
        }
    }

    /// The grid.
    #[must_use]
    pub fn grid(mut self, rows: usize, cols: usize, cell: f64) -> Tiny {
        (self.rows, self.cols, self.cell) = (rows, cols, cell);
        self
    }

    /// Where the grid lies.
    #[must_use]
    pub fn at(mut self, crs: &str, left: f64, top: f64) -> Tiny {
        self.crs = crs.into();
        (self.left, self.top) = (left, top);
        self
    }

    /// Months of water a year by cell, the first ones of every calendar year: in the table of this cell, taken in turn.
    #[must_use]
    pub fn months_of_water(self, of: &'static [usize]) -> Tiny {
        self.water(move |month, cell| u8::from(month % 12 < of[cell % of.len()]))
    }

    /// The state of water.
    #[must_use]
    pub fn water(mut self, of: impl Fn(usize, usize) -> u8 + 'static) -> Tiny {
        self.water = Box::new(of);
        self
    }

    /// Water that follows the season alone, without climate or scenarios.
    #[must_use]
    pub fn without_climate(mut self) -> Tiny {
        self.rain = None;
        self.scenarios = String::new();
        self
    }

    /// The folder of the study.
    pub fn folder(&self) -> PathBuf {
        self.folder.path().join("study")
    }

    /// The study file.
    pub fn study(&self) -> PathBuf {
        self.folder().join("study.toml")
    }

    /// Writes a raster over the grid into the folder, a band for each list of cells.
    #[track_caller]
    pub fn raster<T: GdalType + Copy>(&self, name: &str, bands: &[Vec<T>], no_data: Option<f64>) -> PathBuf {
        let path = self.folder().join(name);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        let driver = DriverManager::get_driver_by_name("GTiff").unwrap();
        let options = RasterCreationOptions::from_iter(["COMPRESS=DEFLATE"]);
        let size = (self.cols, self.rows);
        let mut set = driver
            .create_with_band_type_with_options::<T, _>(&path, size.0, size.1, bands.len(), &options)
            .unwrap();
        set.set_geo_transform(&[self.left, self.cell, 0.0, self.top, 0.0, -self.cell]).unwrap();
        set.set_spatial_ref(&SpatialRef::from_definition(&self.crs).unwrap()).unwrap();
        for (at, cells) in bands.iter().enumerate() {
            let mut band = set.rasterband(at + 1).unwrap();
            if no_data.is_some() {
                band.set_no_data_value(no_data).unwrap();
            }
            band.write((0, 0), size, &mut Buffer::new(size, cells.clone())).unwrap();
        }
        path
    }

    /// A layer of this name, kind and file, as more of the study.
    pub fn layer(&mut self, name: &str, kind: &str, more: &str) {
        self.more += &format!(
            "[layers.{name}]\nfile = \"{name}.tif\"\nkind = \"{kind}\"\nsource = \"invented\"\n{more}\n"
        );
    }

    /// The same value in every cell.
    pub fn all<T: Copy>(&self, value: T) -> Vec<Vec<T>> {
        vec![vec![value; self.rows * self.cols]]
    }

    /// Writes all of it.
    #[track_caller]
    pub fn write(&self) {
        let cells = self.rows * self.cols;
        for year in 0..self.years {
            let month = |m: usize| (0..cells).map(|cell| (self.water)(12 * year + m, cell)).collect();
            let bands: Vec<Vec<u8>> = (0..12).map(month).collect();
            self.raster(&format!("water/w_{}.tif", self.first_year + year as i32), &bands, Some(255.0));
        }
        let (first, last) = (self.first_year, self.first_year + self.years as i32 - 1);
        let (right, bottom) =
            (self.left + self.cols as f64 * self.cell, self.top - self.rows as f64 * self.cell);
        let climate = match &self.rain {
            None => "[inundation]\ndriver = \"season\"\n".to_string(),
            Some(rain) => {
                let mut text = String::from("year,month,rain\n");
                for month in 0..12 * (self.years + 1) {
                    text +=
                        &format!("{},{},{}\n", first - 1 + month as i32 / 12, month % 12 + 1, rain(month));
                }
                fs::write(self.folder().join("climate.csv"), text).unwrap();
                format!(
                    "[climate]\nprecipitation = {{ file = \"climate.csv\", column = \"rain\" }}\nindex = \"spi\"\nmonths = 3\n{}\n[inundation]\n",
                    self.inside[2]
                )
            }
        };
        let text = format!(
            "[study]\nname = \"Tiny\"\norganism = \"invented\"\npurpose = \"test\"\n\n[grid]\ncrs = '{crs}'\ncell_m = {cell:?}\n\
             bounds = [{left:?}, {bottom:?}, {right:?}, {top:?}]\n\n[period]\nbaseline = [\"{first}-01\", \"{last}-12\"]\n{period}\n\
             [layers.water]\nfiles = \"water/w_{{year}}.tif\"\nkind = \"water-history\"\nholds = \"mask\"\nsource = \"invented\"\n\n\
             {climate}{inundation}\n[requisites.water]\ncombine = \"arithmetic mean\"\n\n[[requisites.water.variables]]\nname = \"months\"\n\
             measure = \"hydroperiod\"\ncurve.points = [[0.0, 0.0], [12.0, 1.0]]\n\n[suitability]\ncombine = \"arithmetic mean\"\nthreshold = 0.5\n\n\
             {more}\n{scenarios}",
            crs = self.crs,
            cell = self.cell,
            left = self.left,
            top = self.top,
            period = self.inside[0],
            inundation = self.inside[1],
            more = self.more,
            scenarios = self.scenarios,
        );
        fs::write(self.study(), text).unwrap();
    }

    /// Runs the study as it stands in its folder.
    pub fn try_run(&self) -> Outcome {
        let out = self.folder.path().join("run");
        Outcome::of(
            lentic().args(["run", "--quiet", "--keep-nothing"]).arg(self.study()).arg("--out").arg(out),
        )
    }

    /// Writes and runs the study, which must end well and leave sound products; gives the run folder.
    #[track_caller]
    pub fn run(&self) -> PathBuf {
        self.write();
        self.run_written()
    }

    /// As [`Tiny::run`], of what was written before.
    #[track_caller]
    pub fn run_written(&self) -> PathBuf {
        self.try_run().done();
        let run = self.folder.path().join("run");
        sound(&run);
        run
    }

    /// Writes the study, which must be refused alike by `run` and `check`, naming all `words`; nothing is left. Gives the message.
    #[track_caller]
    pub fn refused(&self, words: &[&str]) -> String {
        self.write();
        self.refused_written(words)
    }

    /// As [`Tiny::refused`], of what was written before.
    #[track_caller]
    pub fn refused_written(&self, words: &[&str]) -> String {
        let said = self.stopped_written(words);
        let checked = Outcome::of(lentic().args(["check", "--quiet"]).arg(self.study()));
        assert_eq!(checked.code, Some(1), "check lets pass what run refuses: {said}");
        said
    }

    /// As [`Tiny::refused_written`], where only a run can know.
    #[track_caller]
    pub fn stopped_written(&self, words: &[&str]) -> String {
        let outcome = self.try_run();
        assert_eq!(outcome.code, Some(1), "{outcome:#?}");
        let said = outcome.stderr.replace(&self.folder.path().display().to_string(), "DIR");
        assert!(!said.contains("panicked"), "{said}");
        for word in words {
            assert!(said.contains(word), "{word:?} is not in: {said}");
        }
        let left: Vec<_> =
            fs::read_dir(self.folder.path()).unwrap().map(|e| e.unwrap().file_name()).collect();
        assert_eq!(left, ["study"], "something is left");
        said
    }
}

impl Default for Tiny {
    fn default() -> Self {
        Tiny::new()
    }
}

/// Warnings of a run, in one text.
#[track_caller]
pub fn warnings(run: &Path) -> String {
    let record: Value = serde_json::from_slice(&fs::read(run.join("run.json")).unwrap()).unwrap();
    record["warnings"].as_array().unwrap().iter().map(|w| format!("{}\n", w.as_str().unwrap())).collect()
}

/// Files of a folder with this ending.
fn files(folder: &Path, ending: &str) -> Vec<PathBuf> {
    let all = fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path());
    all.filter(|path| path.extension().is_some_and(|e| e == ending)).collect()
}

/// What a page shows: its text and the attributes of its charts, without scripts and styles.
fn shown(page: &str) -> String {
    let mut rest = page;
    let mut text = String::new();
    while let Some(at) = rest.find("<script").into_iter().chain(rest.find("<style")).min() {
        text.push_str(&rest[..at]);
        let end = if rest[at..].starts_with("<script") { "</script>" } else { "</style>" };
        rest = &rest[at + rest[at..].find(end).expect("it ends") + end.len()..];
    }
    text + rest
}

/// Nothing of a run is NaN or infinite in words: no cell of a table, nothing the page shows, no number of a figure.
#[track_caller]
pub fn sound(run: &Path) {
    for path in files(&run.join("tables"), "csv") {
        let mut reader = csv::Reader::from_path(&path).unwrap();
        let names = reader.headers().unwrap().clone();
        for row in reader.records() {
            for (name, cell) in names.iter().zip(row.unwrap().iter()) {
                let no_number = cell.parse::<f64>().is_ok_and(|value| !value.is_finite());
                // the dictionary names the value that stands for no data in rasters
                let told = !no_number || path.ends_with("data_dictionary.csv");
                assert!(told && cell != "-0", "{}: {name} is {cell}", path.display());
            }
        }
    }
    let word = |text: &str| {
        let strange = |word: &str| ["NaN", "inf", "-inf", "Infinity", "nan"].contains(&word);
        text.split(|c: char| !(c.is_alphanumeric() || c == '-')).find(|w| strange(w)).map(str::to_string)
    };
    let page = fs::read_to_string(run.join("report.html")).unwrap();
    assert!(page.trim_end().ends_with("</html>"), "the page is not whole");
    assert_eq!(word(&shown(&page)), None, "the page tells a number that is none");
    for path in files(&run.join("figures"), "svg") {
        assert_eq!(word(&fs::read_to_string(&path).unwrap()), None, "{}", path.display());
    }
    let record: Value = serde_json::from_slice(&fs::read(run.join("run.json")).unwrap()).unwrap();
    assert!(record["products"].as_array().unwrap().len() > 10);
}
