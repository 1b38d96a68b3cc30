//! The rasters of a public edition: shares of classes and means of numbers over its cells.

use super::coarse::Coarse;
use super::hidden::Hidden;
use crate::editions::kept::KeptRun;
use crate::error::EngineError;
use crate::stages::bands;
use lentic_raster::{
    CellType, CogData, CogSpec, FloatBand, RasterSource, Resample, Scratch, Window, read_aligned_bytes,
    read_aligned_f32, write_cog,
};
use rayon::prelude::*;
use std::collections::BTreeMap;
use std::path::Path;

/// No data in rasters of classes.
const NO_DATA: u8 = 255;

/// Products that tell of habitat, by the beginning of their names. What is withheld is left out of them.
const OF_CASE: [&str; 4] = ["suitability_", "habitat_share_", "limiting_factor_", "change_"];
/// Such products of today's habitat.
const OF_TODAY: [&str; 4] = ["drying_margin", "refuges", "time_of_loss_", "suitability_observed"];
/// Such products of several scenarios together.
const OF_ALL: &str = "ensemble_share_";
/// Bands whose mean says nothing, by the beginning of their names: months of the year, numbers of variables, p values.
const NO_MEANS: [&str; 3] = ["median month", "variable farthest", "p of the"];

/// A raster of the public edition.
#[derive(Clone, Debug)]
pub struct PublicRaster {
    /// Path in the edition, as in the run.
    pub file: String,
    /// By band, the code of the class it gives the share of; `None` for a mean.
    pub codes: Vec<Option<u8>>,
}

/// A band as it is to be written.
struct Band {
    name: String,
    unit: String,
    code: Option<u8>,
    values: Vec<f32>,
}

/// What goes into every raster.
pub struct Rasters<'a> {
    /// The run.
    pub kept: &'a KeptRun,
    /// The public cells.
    pub coarse: &'a Coarse,
    /// Habitat withheld.
    pub hidden: &'a Hidden,
    /// Metadata of the files.
    pub metadata: Vec<(String, String)>,
    /// Folder of intermediate files.
    pub work: &'a Path,
}

impl Rasters<'_> {
    /// Writes all of them into `folder`: every raster of the run, and the share of habitat of every case.
    ///
    /// # Errors
    /// A raster that cannot be read, or a file that cannot be written.
    pub fn write(&self, folder: &Path) -> Result<Vec<PublicRaster>, EngineError> {
        let is_raster = |file: &&str| file.starts_with("rasters/") && file.ends_with(".tif");
        let files = self.kept.record.products.iter().map(|product| product.file.as_str()).filter(is_raster);
        let files: Vec<&str> = files.collect();
        let written: Vec<Result<PublicRaster, EngineError>> =
            files.par_iter().map(|file| self.of_file(folder, file)).collect();
        let mut all = written.into_iter().collect::<Result<Vec<_>, _>>()?;
        for case in self.hidden.cases() {
            all.push(self.habitat(folder, case)?);
        }
        Ok(all)
    }

    /// The cases whose withheld habitat is left out of a product; `None` for one that tells nothing of habitat.
    fn cases_of<'n>(&'n self, name: &'n str) -> Option<Vec<&'n str>> {
        if OF_TODAY.iter().any(|begin| name.starts_with(begin)) {
            return Some(vec!["baseline"]);
        }
        if name.starts_with(OF_ALL) {
            return Some(self.hidden.cases().collect());
        }
        let case = OF_CASE.iter().find_map(|begin| name.strip_prefix(begin))?;
        Some(if name.starts_with("change_") { vec!["baseline", case] } else { vec![case] })
    }

    fn of_file(&self, folder: &Path, file: &str) -> Result<PublicRaster, EngineError> {
        let source = RasterSource::open(&self.kept.folder.join(file), 1)?;
        let name = file.trim_start_matches("rasters/").trim_end_matches(".tif");
        let cases = self.cases_of(name);
        let bands = match source.info().cell_type {
            CellType::Byte => self.shares(&source, cases.as_deref())?,
            _ => self.means(&source, cases.as_deref())?,
        };
        self.write_one(folder, name, &source.title()?, bands)
    }

    /// Share of each class. Of products of habitat over assessed cells that are not withheld, of others over cells with a class.
    fn shares(&self, source: &RasterSource, cases: Option<&[&str]>) -> Result<Vec<Band>, EngineError> {
        let (grid, cells) = (&self.kept.grid, self.coarse.grid.len());
        let mut counts: BTreeMap<u8, Vec<u32>> = BTreeMap::new();
        let mut with_class = vec![0u32; cells];
        let mut hidden = vec![0u32; cells];
        for band in bands(grid) {
            let codes = read_aligned_bytes(source, grid, &band, NO_DATA)?;
            let withheld = self.hidden.withheld(cases.unwrap_or_default(), &band)?;
            for (cell, (code, withheld)) in codes.into_iter().zip(withheld).enumerate() {
                let at = self.coarse.cell(&band, cell);
                hidden[at] += u32::from(withheld);
                if !withheld && code != NO_DATA {
                    with_class[at] += 1;
                    counts.entry(code).or_insert_with(|| vec![0; cells])[at] += 1;
                }
            }
        }
        let names = source.class_names()?;
        let share = |at: usize, count: u32| {
            let (with_data, over) = match cases {
                Some(_) => (self.coarse.assessed[at], self.coarse.assessed[at] - hidden[at]),
                None => (with_class[at], with_class[at]),
            };
            self.told(at, with_data, f64::from(count), over)
        };
        let band = |(code, counts): (u8, Vec<u32>)| Band {
            name: format!("share of class {code}: {}", names.get(&code).map_or("", String::as_str)),
            unit: "share".into(),
            code: Some(code),
            values: counts.into_iter().enumerate().map(|(at, count)| share(at, count)).collect(),
        };
        Ok(counts.into_iter().map(band).collect())
    }

    fn means(&self, first: &RasterSource, cases: Option<&[&str]>) -> Result<Vec<Band>, EngineError> {
        let (grid, cells) = (&self.kept.grid, self.coarse.grid.len());
        let mut all = Vec::new();
        for number in 1..=first.info().bands {
            let source = RasterSource::open(first.path(), number)?;
            let info = source.info();
            if NO_MEANS.iter().any(|begin| info.description.starts_with(begin)) {
                continue;
            }
            let (mut sums, mut with_data) = (vec![0f64; cells], vec![0u32; cells]);
            let mut over = vec![0u32; cells];
            for band in bands(grid) {
                let values = read_aligned_f32(&source, grid, &band, Resample::Continuous)?;
                let withheld = self.hidden.withheld(cases.unwrap_or_default(), &band)?;
                for (cell, (value, withheld)) in values.into_iter().zip(withheld).enumerate() {
                    if value.is_nan() {
                        continue;
                    }
                    let at = self.coarse.cell(&band, cell);
                    with_data[at] += 1;
                    if !withheld {
                        over[at] += 1;
                        sums[at] += f64::from(value);
                    }
                }
            }
            let values = (0..cells).map(|at| self.told(at, with_data[at], sums[at], over[at]));
            all.push(Band {
                name: format!("mean of the cell: {}", info.description),
                unit: info.unit.clone(),
                code: None,
                values: values.collect(),
            });
        }
        Ok(all)
    }

    /// A sum over so many cells as a mean that a public cell tells: to hundredths, so that how many cells were left out cannot be read
    /// from its digits.
    fn told(&self, at: usize, with_data: u32, sum: f64, over: u32) -> f32 {
        if over == 0 || !self.coarse.tells(at, with_data) {
            return f32::NAN;
        }
        ((sum / f64::from(over) * 100.0).round() / 100.0 + 0.0) as f32
    }

    fn habitat(&self, folder: &Path, case: &str) -> Result<PublicRaster, EngineError> {
        let cells = self.coarse.grid.len();
        let (mut shown, mut hidden) = (vec![0u32; cells], vec![0u32; cells]);
        for band in bands(&self.kept.grid) {
            let states =
                self.hidden.shown(case, &band)?.into_iter().zip(self.hidden.withheld(&[case], &band)?);
            for (cell, (is_shown, is_withheld)) in states.enumerate() {
                let at = self.coarse.cell(&band, cell);
                shown[at] += u32::from(is_shown);
                hidden[at] += u32::from(is_withheld);
            }
        }
        let assessed = &self.coarse.assessed;
        let value = |at: usize| self.told(at, assessed[at], f64::from(shown[at]), assessed[at] - hidden[at]);
        let band = Band {
            name: "share of the cell that is habitat".into(),
            unit: "share".into(),
            code: None,
            values: (0..cells).map(value).collect(),
        };
        let title = format!("Habitat: {}", self.title_of(case));
        self.write_one(folder, &format!("habitat_{case}"), &title, vec![band])
    }

    /// Title of a case.
    fn title_of(&self, case: &str) -> String {
        let mut rows = self.kept.page.headline.rows.iter();
        rows.find(|row| row.scenario == case).map_or_else(|| case.to_string(), |row| row.title.clone())
    }

    fn write_one(
        &self,
        folder: &Path,
        name: &str,
        title: &str,
        bands: Vec<Band>,
    ) -> Result<PublicRaster, EngineError> {
        let grid = &self.coarse.grid;
        let codes: Vec<Option<u8>> = bands.iter().map(|band| band.code).collect();
        let file = format!("rasters/{name}.tif");
        if bands.is_empty() {
            return Ok(PublicRaster { file, codes });
        }
        let flat = |(number, band): (usize, &Band)| {
            let path = self.work.join(format!("public_{name}_{number}.f32"));
            let scratch = Scratch::<f32>::create(&path, grid)?;
            scratch.write(&Window::whole(grid), &band.values)?;
            Ok(scratch)
        };
        let scratches = bands.iter().enumerate().map(flat).collect::<Result<Vec<_>, EngineError>>()?;
        let bands = bands.into_iter().zip(&scratches);
        let bands = bands.map(|(band, cells)| FloatBand { cells, description: band.name, unit: band.unit });
        let spec = CogSpec { title: title.into(), metadata: self.metadata.clone(), threads: 1 };
        write_cog(&folder.join(format!("{name}.tif")), grid, &spec, &CogData::Floats(bands.collect()))?;
        Ok(PublicRaster { file, codes })
    }
}
