//! The public edition of a run: a folder of its own in which places are generalised, small patches withheld, and nothing leads back to
//! records, files or the exact grid.
//!
//! Every file of it is made anew from what the run keeps; nothing is copied. What a table or a text must not tell is left out unless it is
//! known to tell nothing.

mod cells;
mod choice;
mod coarse;
mod hidden;
mod maps;
mod rasters;
mod tables;
mod text;

use super::kept::KeptRun;
use super::{close, complete, write_tables};
use crate::error::{EngineError, io};
use crate::folder::{Building, Kind};
use crate::progress::Progress;
use crate::protocol::exact_bounds;
use crate::references;
use crate::run::VERSION;
use choice::{Choice, withheld_zones};
use coarse::Coarse;
use hidden::Hidden;
use lentic_report::{
    Edition, EditionKind, GridRecord, Input, MapLayer, PageInput, PublicationRecord, RunRecord, StudyRecord,
};
use lentic_study::settings::Generalise;
use maps::PublicMaps;
use rasters::Rasters;
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use tables::{PublicTables, Rules};
use text::{Telltale, Told};

/// What of which run is published.
#[derive(Clone, Debug)]
pub struct PublicOptions {
    /// The run folder.
    pub run: PathBuf,
    /// The folder of the edition; `RUN-public` beside the run where it is not given.
    pub out: Option<PathBuf>,
    /// How exactly places are told, instead of what the study says.
    pub generalise: Option<Generalise>,
    /// Patches smaller than this are withheld, hectares, instead of what the study says.
    pub withhold_under_ha: Option<f64>,
}

/// What was published.
#[derive(Clone, Debug)]
pub struct PublicSummary {
    /// The folder of the edition.
    pub folder: PathBuf,
    /// The mark on its pages.
    pub mark: String,
    /// How places were generalised, sentence by sentence.
    pub told: Vec<String>,
    /// Tables left out.
    pub left_out: Vec<String>,
}

/// Writes the public edition of a finished run, whole or not at all.
///
/// # Errors
/// A folder that holds no run, a run of an older program or one that was changed, a step finer than the cells of the run, a target that holds
/// something else, or a disk that refuses.
pub fn publish(options: &PublicOptions, progress: &dyn Progress) -> Result<PublicSummary, EngineError> {
    let run = std::fs::canonicalize(&options.run).map_err(io(&options.run))?;
    let target = options.out.clone().unwrap_or_else(|| beside(&options.run, &run));
    progress.start("reading the run", 0);
    let kept = KeptRun::read(&run)?;
    progress.finish();
    let steps = steps(options, &kept)?;
    let building = Building::start_of(&target, Kind::Public)?;

    progress.start("generalising places", 0);
    let cases = cases(&kept);
    let patches = kept.tables.iter().find(|table| table.name == "patches");
    let choice = Choice::of_patches(patches, &cases, steps.withhold_under_ha);
    let zones = withheld_zones(&kept.record.zones_ha, steps.cell_m);
    let rules = Rules { choice: &choice, zones: &zones, cell_m: steps.cell_m, grid: &kept.grid };
    let PublicTables { tables, left_out } = rules.apply(&kept.tables)?;
    let telltale = Telltale::of(&kept, &zones);
    let mark = text::mark(steps.cell_m);
    let ground = match steps.cell_m {
        Some(cell_m) => Some(Coarse::new(&kept, cell_m)?),
        None => None,
    };
    let record = public_record(&kept.record, &telltale, &mark, steps, ground.as_ref());
    let shown = ground.as_ref().filter(|coarse| !coarse.is_empty());
    let maps = match shown {
        Some(coarse) => rasters_and_maps(&kept, coarse, &choice, &record, &building)?,
        None => Vec::new(),
    };
    let told = Told {
        steps,
        choice: &choice,
        zones: zones.len(),
        left_out: &left_out,
        too_small: ground.is_some() && shown.is_none(),
    }
    .sentences();
    let page = public_page(&kept, &telltale, &zones, &told);
    let page = PageInput { record: &record, tables: &tables, maps, ..page };
    write_tables(&building, &tables)?;
    let record = complete(&building, &record, tables.iter().collect(), &page, &told.join("\n"))?;
    close(&building, &record)?;
    building.publish()?;
    progress.finish();
    Ok(PublicSummary { folder: target, mark, told, left_out })
}

/// `RUN-public` beside a run, told as the run was.
fn beside(told: &Path, run: &Path) -> PathBuf {
    let name = run.file_name().unwrap_or_default().to_string_lossy().into_owned() + "-public";
    match told.file_name() {
        Some(_) => told.with_file_name(name),
        // "." and the like have no name to build on
        None => run.with_file_name(name),
    }
}

fn steps(options: &PublicOptions, kept: &KeptRun) -> Result<PublicationRecord, EngineError> {
    let of_study = kept.record.publication.unwrap_or_default();
    let cell_m = options.generalise.map_or(of_study.cell_m, Generalise::cell_m);
    let withhold_under_ha = options.withhold_under_ha.unwrap_or(of_study.withhold_under_ha);
    let own = kept.grid.cell_m;
    if let Some(cell_m) = cell_m.filter(|cell_m| *cell_m < own) {
        return Err(EngineError::Again {
            run: options.run.clone(),
            reason: format!(
                "places are to be told by cells of {cell_m} m, but its own cells are {own} m: that generalises nothing; give a larger step"
            ),
        });
    }
    Ok(PublicationRecord { cell_m, withhold_under_ha })
}

/// Names of the cases, the baseline first.
fn cases(kept: &KeptRun) -> Vec<String> {
    let scenarios = kept.page.headline.rows.iter().map(|row| row.scenario.clone());
    std::iter::once("baseline".to_string()).chain(scenarios).collect()
}

fn rasters_and_maps(
    kept: &KeptRun,
    coarse: &Coarse,
    choice: &Choice,
    record: &RunRecord,
    building: &Building,
) -> Result<Vec<MapLayer>, EngineError> {
    let work = building.work();
    let hidden = Hidden::find(kept, &choice.shown, &work)?;
    let mut metadata = vec![
        ("study".to_string(), record.study.name.clone()),
        ("organism".to_string(), record.study.organism.clone()),
        ("program".to_string(), format!("lentic {VERSION}")),
        ("edition".to_string(), record.edition.mark.clone()),
    ];
    if !record.study.licence.is_empty() {
        metadata.push(("licence".into(), record.study.licence.clone()));
    }
    let rasters = Rasters { kept, coarse, hidden: &hidden, metadata, work: &work };
    let rasters = rasters.write(&building.section("rasters")?)?;
    let maps = PublicMaps { folder: &building.run(), grid: &coarse.grid, rasters: &rasters };
    maps.all(&kept.page.maps, &kept.page.headline.rows)
}

/// The record without study file, paths, checksums of inputs, exact bounds, times and seeds of single stages.
fn public_record(
    of_run: &RunRecord,
    telltale: &Telltale,
    mark: &str,
    steps: PublicationRecord,
    coarse: Option<&Coarse>,
) -> RunRecord {
    // files of one layer count as one
    let mut inputs: Vec<Input> = Vec::new();
    for input in of_run.inputs.iter().filter(|input| !input.layer.ends_with("(legend)")) {
        if inputs.last().is_none_or(|last| last.layer != input.layer) {
            inputs.push(Input {
                file: String::new(),
                bytes: 0,
                blake3: String::new(),
                server: None,
                ..input.clone()
            });
        }
    }
    let grid = match coarse {
        Some(coarse) => {
            let b = coarse.grid.bounds();
            GridRecord {
                crs: of_run.grid.crs.clone(),
                cell_m: coarse.grid.cell_m,
                rows: coarse.grid.rows as u64,
                cols: coarse.grid.cols as u64,
                bounds: [b.left, b.bottom, b.right, b.top],
                area_note: format!("Areas were measured on the cells of the run: {}", of_run.grid.area_note),
            }
        }
        None => GridRecord::default(),
    };
    // every part is named, so that a new one cannot get into public unseen
    RunRecord {
        program: of_run.program.clone(),
        run_id: of_run.run_id.clone(),
        checksum: String::new(),
        seal: String::new(),
        started: of_run.started.clone(),
        edition: Edition { kind: EditionKind::Public, mark: mark.to_string() },
        publication: Some(steps),
        study: StudyRecord {
            path: String::new(),
            beside: String::new(),
            blake3: String::new(),
            text: String::new(),
            ..of_run.study.clone()
        },
        grid,
        period: of_run.period.clone(),
        seed: of_run.seed,
        concentrations: BTreeMap::new(),
        zones_ha: BTreeMap::new(),
        inputs,
        stages: Vec::new(),
        warnings: telltale.without(&of_run.warnings),
        notes: telltale.without(&of_run.notes),
        products: Vec::new(),
    }
}

/// The page of the run with what it may tell in public; record, tables and maps are still to come.
///
/// Every part is named, so that a new one cannot get into public unseen.
fn public_page(
    kept: &KeptRun,
    telltale: &Telltale,
    zones: &BTreeSet<String>,
    told: &[String],
) -> PageInput<'static> {
    let PageInput {
        record,
        headline,
        holds,
        goes_first,
        uncertain,
        maps: _,
        // the outline of every patch; latitudes and longitudes to many digits
        patches: _,
        places: _,
        mut losses,
        droughts,
        curves,
        boyce,
        ladder,
        surface,
        sensitivity,
        over_time,
        population,
        tables,
        mut methods,
        not_assessed,
        references: _,
        cautions,
        cite: _,
    } = kept.page.clone();
    for breakdown in losses.iter_mut().filter(|breakdown| breakdown.name == "zone") {
        breakdown.rows.retain(|row| !zones.contains(&row.name));
    }
    losses.retain(|breakdown| !breakdown.rows.is_empty());
    for note in &mut methods {
        note.text = note.text.replace(&exact_bounds(&kept.record.grid), "");
    }
    methods.retain(|note| !telltale.is_in(&note.text));
    methods.insert(0, text::method(told));
    PageInput {
        record,
        headline,
        holds: telltale.without(&holds),
        goes_first: telltale.without(&goes_first),
        uncertain: telltale.without(&uncertain),
        maps: Vec::new(),
        patches: None,
        places: None,
        losses,
        droughts,
        curves,
        boyce,
        ladder,
        surface,
        sensitivity,
        over_time,
        population,
        tables,
        not_assessed,
        references: references::of(&methods),
        methods,
        cautions: telltale.without(&cautions),
        cite: String::new(),
    }
}
