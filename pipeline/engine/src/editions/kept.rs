//! A finished run read back: its record, its tables, its page with the pixels of its maps.

use crate::error::EngineError;
use crate::explain::CELLS;
use crate::inputs;
use crate::page_input::thinned;
use crate::ranges::agreement;
use crate::run::PAGE;
use crate::tables::ranges::NO_AGREEMENT;
use lentic_raster::{Crs, Grid, RasterSource, Resample, Window, read_aligned_bytes, read_aligned_f32};
use lentic_report::{
    EditionKind, GridRecord, MapLayer, MapPixels, PageInput, RunRecord, Table, read_kept, read_record,
    read_table, record_text, seal_holds,
};
use std::path::{Path, PathBuf};

/// A run as it lies in its folder.
pub struct KeptRun {
    /// The folder.
    pub folder: PathBuf,
    /// Its record.
    pub record: RunRecord,
    /// Tables of its page, with their cells.
    pub tables: Vec<Table>,
    /// Its page, without record, tables and pixels.
    pub page: PageInput<'static>,
    /// Its grid.
    pub grid: Grid,
}

/// Files that are written again, so that it does not matter what has become of them.
pub fn is_written_again(file: &str) -> bool {
    ["report.html", "run.json", "figures"].contains(&file) || file.starts_with("figures/")
}

impl KeptRun {
    /// Reads the run in a folder.
    ///
    /// # Errors
    /// A folder that holds no run, one of an older program, a public edition, or files that are not what the run wrote.
    pub fn read(folder: &Path) -> Result<Self, EngineError> {
        let refuse = |reason: String| EngineError::Again { run: folder.to_path_buf(), reason };
        let path = folder.join("run.json");
        if !path.is_file() {
            return Err(refuse("it holds no run.json; name the folder of a finished run".into()));
        }
        let record = read_record(&path).map_err(|e| refuse(e.to_string()))?;
        if record.edition.kind == EditionKind::Public {
            return Err(refuse(
                "it is a public edition, which keeps nothing to write it from; name the run it was made from"
                    .into(),
            ));
        }
        let page = folder.join(CELLS).join(PAGE);
        let listed =
            record.products.iter().any(|product| Path::new(&product.file) == Path::new(CELLS).join(PAGE));
        if !listed {
            return Err(refuse(format!(
                "version {} of the program, which made it, kept nothing of its page ({CELLS}/{PAGE}); run the study again",
                record.program.version
            )));
        }
        // what is written again gets a seal of its own: it must not stand on a record that was edited
        if seal_holds(&record_text(&path)?) != Some(true) {
            return Err(refuse(
                "its run.json was edited: its text does not agree with its seal; bring it back, or run the study again".into(),
            ));
        }
        let changed = changed(folder, &record);
        if !changed.is_empty() {
            return Err(refuse(format!(
                "its files are not what the run wrote: {}; bring them back, or run the study again",
                changed.join(", ")
            )));
        }
        let kept = read_kept(&page)?;
        let tables = folder.join("tables");
        let tables = kept.tables.iter().map(|head| read_table(&tables, head)).collect::<Result<_, _>>()?;
        let grid = grid_of(&record.grid)?;
        Ok(KeptRun { folder: folder.to_path_buf(), record, tables, page: kept.page, grid })
    }

    /// The pixels of a map, from the raster it is of.
    ///
    /// # Errors
    /// A raster that cannot be read.
    pub fn fill(&self, map: &mut MapLayer) -> Result<(), EngineError> {
        let source = RasterSource::open(&self.folder.join(&map.kept.file), 1)?;
        let numbers =
            |window: &Window| Ok(read_aligned_f32(&source, &self.grid, window, Resample::Continuous)?);
        (map.width, map.height) = match (&mut map.pixels, map.kept.members) {
            (MapPixels::Ramp { values, .. }, _) => {
                let (width, height, cells) = thinned(&self.grid, numbers)?;
                *values = cells;
                (width, height)
            }
            (MapPixels::Classes { codes, .. }, Some(members)) => {
                let (width, height, shares) = thinned(&self.grid, numbers)?;
                *codes = shares.into_iter().map(|share| class_of_share(share, members)).collect();
                (width, height)
            }
            (MapPixels::Classes { codes, no_data, .. }, None) => {
                let empty = no_data.unwrap_or(u8::MAX);
                let bytes = |window: &Window| Ok(read_aligned_bytes(&source, &self.grid, window, empty)?);
                let (width, height, cells) = thinned(&self.grid, bytes)?;
                *codes = cells;
                (width, height)
            }
        };
        Ok(())
    }

    /// The record as it was when the page was written: what is known only afterwards is left out.
    pub fn record_of_page(&self) -> RunRecord {
        RunRecord { stages: Vec::new(), products: Vec::new(), seal: String::new(), ..self.record.clone() }
    }
}

/// The class of agreement of a stored share, which 32 bits hold only nearly: the share is that of whole members.
fn class_of_share(share: f32, members: usize) -> u8 {
    if share.is_nan() {
        return NO_AGREEMENT;
    }
    let members = members as f64;
    agreement((f64::from(share) * members).round() / members)
}

/// The grid of a record.
///
/// # Errors
/// A reference system PROJ does not know.
pub fn grid_of(record: &GridRecord) -> Result<Grid, EngineError> {
    let [left, _, _, top] = record.bounds;
    let crs = Crs::parse(&record.crs)?;
    Ok(Grid { crs, left, top, cell_m: record.cell_m, rows: record.rows as usize, cols: record.cols as usize })
}

/// Files that are missing or other than the record says, in words.
fn changed(folder: &Path, record: &RunRecord) -> Vec<String> {
    let checked = record.products.iter().filter(|product| !is_written_again(&product.file));
    let told = checked.filter_map(|product| match inputs::digest(&folder.join(&product.file)) {
        Ok((_, found)) if found == product.blake3 => None,
        Ok(_) => Some(format!("{} was changed", product.file)),
        Err(_) => Some(format!("{} is missing or cannot be read", product.file)),
    });
    told.collect()
}
