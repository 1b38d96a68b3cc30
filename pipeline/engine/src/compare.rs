//! Two or more finished runs held against each other: what went in differently, what came out differently, and where.
//!
//! The first run is the one that all others are compared with.

mod cells;
mod changes;
mod load;
mod page;
mod tables;
mod words;

use crate::error::EngineError;
use crate::folder::{Building, Kind};
use crate::inputs;
use crate::metadata;
use crate::progress::Progress;
use crate::run_record::{now, program};
use cells::ScenarioCells;
use changes::Changes;
use lentic_report::{
    ComparedRun, ComparisonRecord, EditionKind, Table, write_comparison_page, write_sealed, write_style,
    write_table,
};
use load::Loaded;
use std::path::{Path, PathBuf};

/// What is compared, and how.
#[derive(Clone, Debug)]
pub struct CompareOptions {
    /// Run folders, two or more; the first is what the others are compared with.
    pub runs: Vec<PathBuf>,
    /// Folder of the comparison; `None`: beside the runs of this program, by the identifiers.
    pub out: Option<PathBuf>,
    /// Whether runs on another grid are brought onto that of the first.
    pub regrid: bool,
    /// Whether runs that were altered are compared all the same.
    pub unverified: bool,
}

/// What a comparison found, for the command line.
#[derive(Clone, Debug)]
pub struct CompareSummary {
    /// Its folder.
    pub folder: PathBuf,
    /// A paragraph for each run after the first, to be pasted.
    pub sentences: Vec<String>,
    /// What the reader must know.
    pub cautions: Vec<String>,
}

/// Most runs that are compared at once: each has a letter.
const MOST: usize = 26;

/// A run after the first, compared with it.
struct Compared<'a> {
    run: &'a Loaded,
    changes: Changes,
    scenarios: Vec<ScenarioCells>,
}

/// Compares runs and leaves a folder with a page, tables and rasters.
///
/// # Errors
/// Fewer than two runs, one that is none, was altered, or lies on another grid without leave to regrid; a raster that cannot be
/// read; a disk that refuses. Then nothing is left.
pub fn compare(options: &CompareOptions, progress: &dyn Progress) -> Result<CompareSummary, EngineError> {
    if !(2..=MOST).contains(&options.runs.len()) {
        let folder = options.runs.first().cloned().unwrap_or_default();
        let reason = format!("{} runs are given; give 2 to {MOST}", options.runs.len());
        return Err(EngineError::Finished { folder, reason });
    }
    progress.start("verifying the runs", 0);
    let runs = options
        .runs
        .iter()
        .enumerate()
        .map(|(at, folder)| Loaded::of(folder, at, options.unverified))
        .collect::<Result<Vec<Loaded>, EngineError>>()?;
    progress.finish();
    let (first, others) = runs.split_first().ok_or_else(|| nothing(options))?;
    for run in others {
        first.fits(run, options.regrid)?;
    }
    let out = options.out.clone().unwrap_or_else(|| default_folder(&runs));
    refuse_inside(&out, &options.runs)?;

    let building = Building::start_of(&out, Kind::Comparison)?;
    let rasters = building.section("rasters")?;
    let scenarios: usize = others.iter().map(|run| first.shared(run).len()).sum();
    progress.start("comparing cells", (scenarios * first.grid.len()) as u64);
    let mut compared = Vec::new();
    for run in others {
        // with two runs the scenario alone names a file
        let suffix = if others.len() == 1 { String::new() } else { format!("_{}", run.label) };
        let scenarios = cells::compare(first, run, &building.work(), (&rasters, &suffix), progress)?;
        compared.push(Compared { run, changes: Changes::between(first, run), scenarios });
    }
    progress.finish();

    for raster in metadata::rasters(&building.run())? {
        write_style(&building.run().join(&raster.file).with_extension("qml"), &raster)?;
    }
    let folder = building.section("tables")?;
    let all: Vec<Table> = tables::all(first, &compared);
    for table in &all {
        write_table(&folder, table)?;
    }
    let sentences: Vec<String> = compared.iter().map(|one| words::sentence(first, one)).collect();
    let cautions = words::cautions(first, &compared, options);
    let record = ComparisonRecord {
        program: program(),
        seal: String::new(),
        started: now(),
        runs: runs.iter().map(Loaded::record).collect::<Vec<ComparedRun>>(),
        sentences: sentences.clone(),
        cautions: cautions.clone(),
        products: Vec::new(),
    };
    let page = page::page(&record, first, &compared, &all);
    write_comparison_page(&building.run().join("comparison.html"), &page)?;
    let record = ComparisonRecord { products: inputs::products(&building.run())?, ..record };
    write_sealed(&building.run().join(Kind::Comparison.record()), &record)?;
    // what tells cells of a sensitive run is as sensitive
    if runs.iter().any(|run| run.record.edition.kind == EditionKind::Sensitive) {
        building.close_to_others()?;
    }
    building.publish()?;
    Ok(CompareSummary { folder: out, sentences, cautions })
}

fn nothing(options: &CompareOptions) -> EngineError {
    EngineError::Finished {
        folder: options.out.clone().unwrap_or_default(),
        reason: format!("no run is given; give 2 to {MOST}"),
    }
}

/// `reports/comparison-` and the identifiers.
fn default_folder(runs: &[Loaded]) -> PathBuf {
    let ids: Vec<&str> = runs.iter().map(|run| run.record.run_id.as_str()).collect();
    Path::new("reports").join(format!("comparison-{}", ids.join("-")))
}

/// A comparison inside a run would alter it.
fn refuse_inside(out: &Path, runs: &[PathBuf]) -> Result<(), EngineError> {
    let whole = |path: &Path| {
        // of a folder not made yet, the part that is there counts
        let there = path.ancestors().find(|part| part.exists() && !part.as_os_str().is_empty());
        let base = there.map_or_else(|| std::path::absolute("."), |part| part.canonicalize());
        let rest = there.and_then(|part| path.strip_prefix(part).ok()).unwrap_or(path).to_path_buf();
        base.map(|base| base.join(rest))
    };
    let Ok(place) = whole(out) else { return Ok(()) };
    match runs.iter().find(|run| whole(run).is_ok_and(|run| place.starts_with(run))) {
        None => Ok(()),
        Some(run) => Err(EngineError::Folder {
            folder: out.to_path_buf(),
            reason: format!(
                "it lies in the run {}, which would be altered by it; choose another with --out",
                run.display()
            ),
        }),
    }
}
