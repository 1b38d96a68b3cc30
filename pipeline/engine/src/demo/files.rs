//! The demo's folder: where each file lies and how it is written.

use super::climate::{BASELINE_START, Climate, MONTHS};
use super::terrain::CELL_M;
use super::view::NOT_SEEN;
use super::{Demo, DemoError, DemoSize, records, water};
use lentic_raster::{
    Bounds, Crs, Grid, PatchLayer, Scratch, Window, write_bytes, write_floats, write_patches,
};
use lentic_study::Month;
use std::fmt::Write;
use std::path::{Path, PathBuf};

/// Equal-area, about a point in the open ocean: an invented basin lies on no real one.
pub(super) const CRS: &str = "+proj=laea +lat_0=-31 +lon_0=-18 +x_0=0 +y_0=0 +datum=WGS84 +units=m +no_defs";

const STUDY: &str = include_str!("text/study.toml");
const README: &str = include_str!("text/README.md");
const TRUTH_README: &str = include_str!("text/truth.txt");
/// Legends: file name, text.
pub(super) const LEGENDS: [(&str, &str); 3] = [
    ("wetland_class.csv", include_str!("text/wetland_class.csv")),
    ("land_cover.csv", include_str!("text/land_cover.csv")),
    ("zones.csv", include_str!("text/zones.csv")),
];

/// Folders within the demo's.
pub(super) const FOLDERS: [&str; 4] = ["layers", "water", "legends", "truth"];

/// The folder and the grid of its rasters.
pub(super) struct Files {
    folder: PathBuf,
    grid: Grid,
}

/// The demo's cells, so many rows and columns, about the origin of its reference system.
pub(super) fn grid_of(rows: usize, cols: usize) -> Result<Grid, DemoError> {
    let (half_wide, half_high) = (cols as f64 * CELL_M / 2.0, rows as f64 * CELL_M / 2.0);
    let bounds = Bounds { left: -half_wide, bottom: -half_high, right: half_wide, top: half_high };
    Ok(Grid::from_bounds(Crs::parse(CRS)?, bounds, CELL_M)?)
}

/// The table of monthly weather.
pub(super) fn weather(climate: &Climate) -> String {
    let mut text = String::from("year,month,precipitation_mm,temperature_c\n");
    for (t, month) in climate.months.iter().enumerate() {
        let (rain, warmth) = (climate.rain[t], climate.temperature[t]);
        let _ = writeln!(text, "{},{},{rain:.1},{warmth:.1}", month.year(), month.calendar());
    }
    text
}

impl Files {
    /// Files in a folder that has [`FOLDERS`].
    pub(super) fn new(folder: &Path, size: DemoSize) -> Result<Self, DemoError> {
        let (rows, cols) = size.rows_cols();
        Ok(Files { folder: folder.to_path_buf(), grid: grid_of(rows, cols)? })
    }

    fn text(&self, name: &str, text: &str) -> Result<(), DemoError> {
        let path = self.folder.join(name);
        std::fs::write(&path, text).map_err(|source| DemoError::Write { path, source })
    }

    fn bytes(&self, name: &str, cells: &[u8], no_data: Option<u8>) -> Result<(), DemoError> {
        Ok(write_bytes(&self.folder.join(name), &self.grid, cells, no_data)?)
    }

    fn floats(&self, name: &str, cells: &[f32], no_data: Option<f32>) -> Result<(), DemoError> {
        Ok(write_floats(&self.folder.join(name), &self.grid, cells, no_data)?)
    }

    /// Study file, legends, tables and notes.
    pub(super) fn texts(&self, demo: &Demo) -> Result<(), DemoError> {
        let seed = demo.seed.to_string();
        let years = demo.climate.driest_years(10);
        let years = years.iter().map(ToString::to_string).collect::<Vec<_>>().join(", ");
        let fill = |text: &str| {
            text.replace("{crs}", CRS).replace("{seed}", &seed).replace("{driest_years}", &years)
        };
        self.text("study.toml", &fill(STUDY))?;
        self.text("README.md", &fill(README))?;
        self.text("truth/README.txt", TRUTH_README)?;
        for (name, text) in LEGENDS {
            self.text(&format!("legends/{name}"), text)?;
        }
        let mut pools = String::from("code,name\n");
        for (index, pool) in demo.terrain.pools.iter().enumerate() {
            let _ = writeln!(pools, "{},Pool {} ({})", index + 1, index + 1, pool.kind.word());
        }
        self.text("legends/pools.csv", &pools)?;
        self.text("climate.csv", &weather(&demo.climate))?;
        let records = records::table(demo.size, demo.seed, &demo.terrain, &demo.hydroperiod);
        self.text("records.csv", &records)
    }

    /// Every layer but the masks.
    pub(super) fn layers(&self, demo: &Demo) -> Result<(), DemoError> {
        let cover = &demo.cover;
        self.bytes("layers/wetland_class.tif", &cover.wetland_class, Some(255))?;
        self.bytes("layers/land_cover.tif", &cover.land_cover, Some(255))?;
        self.bytes("layers/land_cover_2050.tif", &cover.land_cover_2050, Some(255))?;
        self.bytes("layers/zones.tif", &cover.zones, Some(255))?;
        self.bytes("layers/roads.tif", &cover.roads, Some(255))?;
        self.bytes("layers/pools.tif", &demo.terrain.pool, Some(0))?;
        self.floats("layers/ground.tif", &demo.terrain.ground, Some(-9999.0))?;
        let depth: Vec<f32> = water::usual_depth(&demo.terrain, &demo.histories)
            .iter()
            .map(|d| (d * 100.0).round() / 100.0)
            .collect();
        self.floats("layers/depth.tif", &depth, Some(-9999.0))?;
        self.area(demo)
    }

    /// The study area, as a polygon along cell edges.
    fn area(&self, demo: &Demo) -> Result<(), DemoError> {
        let path = self.folder.join("area.gpkg");
        let aside = self.folder.join(".area");
        let labels = Scratch::create(&aside, &self.grid)?;
        let cells: Vec<u32> = demo.terrain.inside.iter().map(|inside| u32::from(*inside)).collect();
        labels.write(&Window::whole(&self.grid), &cells)?;
        let layer = PatchLayer { name: "area".to_string(), labels: &labels, attributes: Vec::new() };
        write_patches(&path, &self.grid, &[layer])?;
        std::fs::remove_file(&aside).map_err(|source| DemoError::Write { path: aside, source })
    }

    /// One monthly mask.
    pub(super) fn mask(&self, month: Month, cells: &[u8]) -> Result<(), DemoError> {
        self.bytes(&format!("water/water_{month}.tif"), cells, Some(NOT_SEEN))
    }

    /// True hydroperiod of the baseline or a future.
    pub(super) fn truth(&self, name: &str, cells: &[f32]) -> Result<(), DemoError> {
        self.floats(&format!("truth/true_hydroperiod_{name}.tif"), cells, Some(-9999.0))
    }

    /// Level and volume of every pool in every baseline month, and its water balance by year.
    pub(super) fn stages(&self, demo: &Demo) -> Result<(), DemoError> {
        let mut text = String::from("month,pool,stage_m,volume_m3\n");
        for t in BASELINE_START..MONTHS {
            for (index, history) in demo.histories.iter().enumerate() {
                let (month, pool) = (demo.climate.months[t], index + 1);
                let (stage, volume) = (history.stage[t], history.volume[t]);
                let _ = writeln!(text, "{month},{pool},{stage:.4},{volume:.1}");
            }
        }
        self.text("truth/pool_stage.csv", &text)?;

        let mut text = String::from(
            "year,pool,start_m3,rain_m3,runoff_m3,spring_m3,received_m3,evaporation_m3,seepage_m3,\
             spilt_m3,end_m3\n",
        );
        for start in (BASELINE_START..MONTHS).step_by(12) {
            for (index, history) in demo.histories.iter().enumerate() {
                let mut f = water::Flows::default();
                history.flows[start..start + 12].iter().for_each(|month| f.add(month));
                let came = [history.volume[start - 1], f.rain, f.runoff, f.spring, f.received];
                let went = [f.evaporation, f.seepage, f.spilt, history.volume[start + 11]];
                let _ = write!(text, "{},{}", demo.climate.months[start].year(), index + 1);
                for cubic_metres in came.iter().chain(&went) {
                    let _ = write!(text, ",{cubic_metres:.1}");
                }
                text.push('\n');
            }
        }
        self.text("truth/water_balance.csv", &text)
    }
}
