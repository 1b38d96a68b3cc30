//! From multispectral scenes to monthly masks of water: `lentic water`.
//!
//! Every scene becomes a mask of its own (`scenes/`), the scenes of a month one mask by majority. A scene or month whose
//! inputs and settings are the same as last time is left as it is. Months are put in their places together, when all are made: a
//! part of them would look like a whole record with months that nobody saw.

mod find;
mod items;
mod mask;
mod months;
mod record;
mod sheet;
mod table;

use crate::error::{EngineError, io};
use crate::folder::sibling;
use crate::progress::Progress;
use crate::stop;
use find::{Found, Scene};
use lentic_raster::{Bounds, Crs, Grid, Scratch, Window, burn, tiles, vector_bounds};
use lentic_study::scenes::{self, Scenes};
use lentic_study::{Month, Problem, Problems};
use rayon::prelude::*;
use record::{Keeper, SceneRecord, Ticket};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// Code of a cell without water.
const DRY: u8 = 0;
/// Code of a cell with water.
const WET: u8 = 1;
/// Code of a cell not seen.
const NOT_SEEN: u8 = 255;

/// How to make masks.
#[derive(Clone, Debug)]
pub struct WaterOptions {
    /// Folder of the masks; what an earlier call left there is used again.
    pub out: PathBuf,
    /// Cells a side of the tiles worked on at a time.
    pub tile: usize,
}

/// What was done.
#[derive(Clone, Debug)]
pub struct WaterSummary {
    /// Folder of the masks.
    pub folder: PathBuf,
    /// Scenes found.
    pub scenes: usize,
    /// Scenes done now.
    pub done: usize,
    /// Scenes left as they were.
    pub kept: usize,
    /// Months with a mask.
    pub months: usize,
    /// Months whose mask was made now.
    pub months_made: usize,
    /// Scenes to look at: name and why.
    pub flagged: Vec<(String, String)>,
}

/// What everything here needs.
struct Context<'a> {
    settings: Scenes,
    grid: Grid,
    tiles: Vec<Window>,
    /// 1 for cells of the study area; `None` without an area.
    inside: Option<Scratch<u8>>,
    work: PathBuf,
    progress: &'a dyn Progress,
}

impl Context<'_> {
    /// Which cells of a window lie in the study area.
    fn inside(&self, window: &Window) -> Result<Vec<bool>, EngineError> {
        Ok(match &self.inside {
            Some(scratch) => scratch.read(window)?.into_iter().map(|code| code == 1).collect(),
            None => vec![true; window.len()],
        })
    }
}

/// Where masks go unless said otherwise: `water` beside the scenes file.
pub fn default_folder(path: &Path) -> PathBuf {
    path.parent().unwrap_or(Path::new("")).join("water")
}

/// Makes the monthly masks of a scenes file.
///
/// # Errors
/// Everything wrong with the file and its scenes, before anything is written; then whatever cannot be read or
/// written; or somebody asked to stop. Masks of scenes that are done are kept.
pub fn water(
    path: &Path,
    options: &WaterOptions,
    progress: &dyn Progress,
) -> Result<WaterSummary, EngineError> {
    make(path, options, progress).map_err(|error| match error {
        EngineError::Stopped { signal, .. } => EngineError::Stopped { signal, kept: true },
        other => other,
    })
}

fn make(path: &Path, options: &WaterOptions, progress: &dyn Progress) -> Result<WaterSummary, EngineError> {
    let settings = scenes::load(path)?;
    let grid = grid(&settings)?;
    progress.start("finding scenes", 0);
    let Found { mut scenes, mut left_out } = find::find(&settings, &grid)?;
    progress.finish();
    let mut keeper = Keeper::open(&options.out)?;
    let work = keeper.work()?;
    let tiles = tiles(&grid, options.tile);
    let inside = inside(&settings, &grid, &tiles, &work)?;
    let context = Context { settings, grid, tiles, inside, work, progress };
    let mut tickets = record::tickets(&context, &scenes)?;
    leave_out_copies(&mut scenes, &mut tickets, &mut left_out);

    let mut by_month: BTreeMap<Month, Vec<usize>> = BTreeMap::new();
    for (at, scene) in scenes.iter().enumerate() {
        by_month.entry(scene.month).or_default().push(at);
    }
    keeper.begin(by_month.keys().copied())?;
    let (records, done) = scene_masks(&context, &keeper, &scenes, &tickets)?;
    let made = months::make(&context, &keeper, &by_month, &records)?;

    let table = table::table(&context, &scenes, &records, &left_out);
    let changed = done + made.len() > 0 || !keeper.is_current(&table);
    let sheet = context.work.join(record::SHEET);
    if changed {
        let path = |month: Month| made.path(month).unwrap_or_else(|| keeper.month_path(month));
        sheet::write(&context, &sheet, path, &by_month, &records)?;
    }
    // from here on all of it takes a moment, and is not stopped
    stop::unless_asked()?;
    let months_made = made.len();
    made.publish(&mut keeper)?;
    let removed = keeper.remove_old(&scenes, by_month.keys().copied())?;
    if changed || removed {
        lentic_report::write_table(&options.out, &table)?;
        if changed {
            keeper.publish_sheet(&sheet)?;
        }
        keeper.finish(&scenes, &records, &table)?;
    }
    let mut flagged: Vec<(String, String)> =
        left_out.iter().map(|(scene, why)| (scene.name.clone(), why.clone())).collect();
    for (scene, record) in scenes.iter().zip(&records) {
        flagged.extend(record.flags.iter().map(|flag| (scene.name.clone(), flag.clone())));
    }
    Ok(WaterSummary {
        folder: options.out.clone(),
        scenes: scenes.len() + left_out.len(),
        done,
        kept: scenes.len() - done,
        months: by_month.len(),
        months_made,
        flagged,
    })
}

/// Leaves out scenes whose files hold the very bytes of those of an earlier scene of the date: the same observation must not
/// count twice.
fn leave_out_copies(scenes: &mut Vec<Scene>, tickets: &mut Vec<Ticket>, left_out: &mut Vec<(Scene, String)>) {
    let mut first: BTreeMap<(String, Vec<String>), String> = BTreeMap::new();
    let (mut kept, mut kept_tickets) = (Vec::new(), Vec::new());
    for (scene, ticket) in scenes.drain(..).zip(tickets.drain(..)) {
        let key = (scene.date(), ticket.inputs.iter().map(|input| input.blake3.clone()).collect());
        match first.get(&key) {
            Some(earlier) => {
                let why = format!("the same bytes as {earlier}");
                left_out.push((scene, why));
            }
            None => {
                first.insert(key, scene.name.clone());
                kept.push(scene);
                kept_tickets.push(ticket);
            }
        }
    }
    (*scenes, *tickets) = (kept, kept_tickets);
}

/// The mask of every scene that has none yet, in parallel; gives the records in the order of scenes.
fn scene_masks(
    context: &Context<'_>,
    keeper: &Keeper,
    scenes: &[Scene],
    tickets: &[Ticket],
) -> Result<(Vec<SceneRecord>, usize), EngineError> {
    let kept: Vec<Option<SceneRecord>> = scenes
        .par_iter()
        .zip(tickets)
        .map(|(scene, ticket)| keeper.kept(scene, ticket))
        .collect::<Result<_, EngineError>>()?;
    let missing = kept.iter().filter(|record| record.is_none()).count();
    context.progress.start("masking scenes", (missing * context.grid.len()) as u64);
    let records: Vec<Result<SceneRecord, EngineError>> = scenes
        .par_iter()
        .enumerate()
        .zip(kept)
        .map(|((at, scene), kept)| match kept {
            Some(record) => Ok(record),
            None => {
                stop::unless_asked()?;
                let record = mask::make(context, scene, at, &keeper.scene_path(scene))?;
                keeper.keep(scene, &tickets[at], record)
            }
        })
        .collect();
    context.progress.finish();
    Ok((records.into_iter().collect::<Result<_, _>>()?, missing))
}

/// A problem of the scenes file as an error.
fn refuse(settings: &Scenes, at: &str, message: String, help: &str) -> EngineError {
    Problems(vec![settings.source.problem(at, message, help.into())]).into()
}

/// A problem of another file as an error.
fn refuse_file(file: &Path, message: String, help: &str) -> Problem {
    Problem::of_file(file, None, message, help)
}

fn grid(settings: &Scenes) -> Result<Grid, EngineError> {
    let written = &settings.grid;
    let crs =
        Crs::parse(&written.crs).map_err(|error| refuse(settings, "grid.crs", error.to_string(), ""))?;
    let made = match (written.bounds, &written.area) {
        (Some([left, bottom, right, top]), _) => {
            Grid::from_bounds(crs, Bounds { left, bottom, right, top }, written.cell_m)
        }
        (None, Some(area)) => {
            vector_bounds(area, &crs).and_then(|bounds| Grid::covering(crs, bounds, written.cell_m))
        }
        (None, None) => return Err(refuse(settings, "grid", "[grid] has no extent".into(), "add bounds")),
    };
    made.map_err(|error| refuse(settings, "grid", error.to_string(), ""))
}

fn inside(
    settings: &Scenes,
    grid: &Grid,
    tiles: &[Window],
    work: &Path,
) -> Result<Option<Scratch<u8>>, EngineError> {
    let Some(area) = &settings.grid.area else { return Ok(None) };
    let scratch = Scratch::<u8>::create(&work.join("inside"), grid)?;
    tiles.par_iter().try_for_each(|window| -> Result<(), EngineError> {
        stop::unless_asked()?;
        let burnt = burn(area, grid, window, false)?;
        let codes: Vec<u8> = burnt.into_iter().map(u8::from).collect();
        Ok(scratch.write(window, &codes)?)
    })?;
    Ok(Some(scratch))
}

/// Writes a file whole or not at all.
fn write_whole(path: &Path, bytes: &[u8]) -> Result<(), EngineError> {
    let part = sibling(path, ".part");
    let written = std::fs::write(&part, bytes).and_then(|()| std::fs::rename(&part, path));
    written.map_err(|error| {
        // what is told is the first error
        let _ = std::fs::remove_file(&part);
        io(path)(error)
    })
}

/// Reads items of STAC, for tests that give it hostile bytes; the number of scenes.
pub(crate) fn count_of(
    file: &Path,
    bands: &[lentic_study::scenes::settings::Band],
) -> Result<usize, EngineError> {
    Ok(items::read(file, bands)?.len())
}
