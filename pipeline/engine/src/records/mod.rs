//! Records of the animal: read, vetted, sampled, and held against suitability.
//!
//! `vet` happens while a study is checked; [`prepare`] draws the background and finds thresholds before habitat is told from
//! the rest; [`mod@judge`] tests the finished suitability.

mod dates;
pub mod judge;
pub mod novelty;
mod read;
mod sample;
mod vet;

pub use judge::{Judged, judge};
pub use sample::{Drawn, Sample};
pub use vet::vet;

use crate::check::Checked;
use crate::error::EngineError;
use crate::stages::Context;
use crate::stages::scenarios::{Case, CaseWater};
use crate::stages::water::WaterProducts;
use lentic_habitat::folds::{Folds, folds};
use lentic_habitat::validation::{FEW, FoundThreshold, threshold};
use lentic_raster::Cell;
use lentic_report::{Table, write_table};
use lentic_study::Study;
use lentic_study::settings::{Records, ThresholdRule};
use std::os::unix::fs::PermissionsExt;
use std::path::Path;

/// Reads a table of records, for tests that give it hostile bytes; the line of every row.
pub(crate) fn lines_of(file: &Path) -> Result<Vec<usize>, lentic_study::Problem> {
    Ok(read::read(file)?.rows.iter().map(|row| row.line).collect())
}

/// Least side of a block, cells (ours): below, neighbours would stand in different folds.
const LEAST_BLOCK: usize = 10;

/// What was seen.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Status {
    /// The animal was found.
    Present,
    /// It was looked for and not found.
    Absent,
}

impl Status {
    /// The Darwin Core word.
    pub fn word(self) -> &'static str {
        match self {
            Status::Present => "present",
            Status::Absent => "absent",
        }
    }
}

/// A record that can be used.
#[derive(Clone, Debug, PartialEq)]
pub struct Record {
    /// Line of the file.
    pub line: usize,
    /// Its occurrenceID, "" if it has none.
    pub id: String,
    /// Eastwards on the grid's reference system, metres.
    pub x: f64,
    /// Northwards, metres.
    pub y: f64,
    /// The cell it lies in.
    pub cell: Cell,
    /// Radius it is known to, metres.
    pub uncertainty_m: f64,
    /// The date as written.
    pub date: String,
}

/// Why a record is set aside.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Reason {
    /// A coordinate is missing.
    NoCoordinates,
    /// A coordinate is no number.
    NotNumbers,
    /// Its reference system is not known.
    NoSystem,
    /// Status or count is not understood, or they contradict each other.
    Status,
    /// A coordinate of 0, which stands for "not known" in many tables.
    Zero,
    /// Latitude and longitude changed places.
    Swapped,
    /// A sign is missing or too many.
    Sign,
    /// Beyond 90 degrees of latitude or 180 of longitude.
    NotDegrees,
    /// Elsewhere.
    Outside,
    /// Placed too vaguely, or with no word on how well.
    Vague,
    /// No date that can be used, where months are chosen.
    Undated,
    /// Before or after the months chosen.
    OtherMonths,
    /// The same finding twice.
    Doubled,
    /// Another record stands for the cell.
    SameCell,
    /// Suitability is not known there.
    NotAssessed,
}

impl Reason {
    /// The reason in plain words.
    pub fn words(self) -> &'static str {
        match self {
            Reason::NoCoordinates => "no coordinates",
            Reason::NotNumbers => "coordinates are not numbers",
            Reason::NoSystem => "reference system not known",
            Reason::Status => "status not understood",
            Reason::Zero => "zero coordinates",
            Reason::Swapped => "latitude and longitude swapped",
            Reason::Sign => "wrong sign of a coordinate",
            Reason::NotDegrees => "coordinates are not degrees",
            Reason::Outside => "outside the study area",
            Reason::Vague => "vague",
            Reason::Undated => "no date to tell the month by",
            Reason::OtherMonths => "outside the months used",
            Reason::Doubled => "doubled",
            Reason::SameCell => "same cell as another record",
            Reason::NotAssessed => "cell not assessed",
        }
    }
}

/// A record set aside.
#[derive(Clone, Debug, PartialEq)]
pub struct SetAside {
    /// Line of the file.
    pub line: usize,
    /// Why.
    pub reason: Reason,
    /// More on it; never a coordinate.
    pub detail: String,
}

/// What became of the rows of a table of records.
#[derive(Clone, Debug, PartialEq)]
pub struct Vetted {
    /// Rows of the table.
    pub rows: usize,
    /// Findings, one per cell, by line.
    pub presences: Vec<Record>,
    /// Places searched in vain, one per cell, none in a cell with a finding.
    pub absences: Vec<Record>,
    /// The others, by line.
    pub set_aside: Vec<SetAside>,
}

impl Vetted {
    /// How many rows were set aside for each reason, in words: "5 vague, 3 doubled".
    pub fn reasons(&self) -> String {
        reasons(&self.set_aside)
    }
}

/// As [`Vetted::reasons`].
fn reasons(set_aside: &[SetAside]) -> String {
    let mut all: Vec<Reason> = set_aside.iter().map(|s| s.reason).collect();
    all.sort_unstable();
    let parts = all.chunk_by(|a, b| a == b).map(|same| format!("{} {}", same.len(), same[0].words()));
    parts.collect::<Vec<_>>().join(", ")
}

/// Records with background and the thresholds they give, before habitat is told from the rest.
pub struct Prepared {
    /// What was drawn.
    pub drawn: Drawn,
    /// Parts of the ground.
    pub folds: Folds,
    /// Thresholds, those that the records give.
    pub thresholds: Vec<FoundThreshold>,
}

/// Records that cannot be held against suitability.
pub struct Untested {
    /// What was drawn.
    pub drawn: Drawn,
    /// Why not.
    pub reason: String,
}

/// Side of the blocks of a study, cells.
pub fn block_cells(study: &Study, records: &Records, cell_m: f64) -> usize {
    match records.block_m {
        Some(metres) => ((metres / cell_m).round() as usize).max(1),
        None => {
            let farthest = study.variables().map(|(_, v)| v.measure.reach_m()).fold(0.0, f64::max);
            ((farthest / cell_m).ceil() as usize).max(LEAST_BLOCK)
        }
    }
}

/// Draws background, parts the ground and finds thresholds; `None` for a study without records, [`Untested`] where none of them
/// stands in an assessed cell.
///
/// # Errors
/// A layer that cannot be read, or survey effort of 0 everywhere.
pub fn prepare(
    context: &Context,
    water: &WaterProducts,
    case: &Case,
    case_water: &CaseWater,
    vetted: Option<&Vetted>,
) -> Result<Option<Result<Prepared, Untested>>, EngineError> {
    let (Some(records), Some(vetted)) = (&context.study.records, vetted) else { return Ok(None) };
    let drawn = sample::draw(context, water, case, case_water, vetted, records)?;
    let refused = |reason: String| EngineError::Records { file: records.file.clone(), reason };
    if drawn.presences.cells.is_empty() {
        let reason = format!(
            "none of its {} usable records stands in an assessed cell, so suitability is not held against records; raster not_assessed shows why cells are not assessed",
            vetted.presences.len()
        );
        return Ok(Some(Err(Untested { drawn, reason })));
    }
    if drawn.background.cells.is_empty() {
        return Err(refused(
            "no assessed cell has survey effort above 0, so there is no background; check records.effort_layer".into(),
        ));
    }
    let block = block_cells(context.study, records, context.grid.cell_m);
    let seed = context.study.seed;
    let folds = folds(&drawn.presences.cells, &drawn.background.cells, block, seed);
    let (presences, background) = (drawn.presences.scores(), drawn.background.scores());
    let thresholds = [ThresholdRule::Best, ThresholdRule::TenthPercentile]
        .into_iter()
        .filter_map(|rule| threshold(rule, &presences, &background, &folds.groups, seed))
        .collect();
    Ok(Some(Ok(Prepared { drawn, folds, thresholds })))
}

/// The study with the threshold that its records set, where it asks for that.
///
/// # Errors
/// Too few records for the rule, or a threshold of 0, which would make habitat of every cell.
pub fn settled(checked: &Checked, prepared: Option<&Prepared>) -> Result<Checked, EngineError> {
    let mut settled = checked.clone();
    let (Some(rule), Some(records)) = (checked.study.suitability.threshold_rule, &checked.study.records)
    else {
        return Ok(settled);
    };
    let refused = |reason: String| EngineError::Records { file: records.file.clone(), reason };
    let found = prepared.and_then(|p| p.thresholds.iter().find(|t| t.rule == rule));
    let Some(found) = found else {
        let n = prepared.map_or(0, |p| p.drawn.presences.cells.len());
        let needs = match rule {
            ThresholdRule::Best => format!(
                "{FEW}; set suitability.threshold to a number, or to \"{}\"",
                ThresholdRule::TenthPercentile.words()
            ),
            ThresholdRule::TenthPercentile => {
                "at least one; set suitability.threshold to a number".to_string()
            }
        };
        return Err(refused(format!(
            "{n} records stand in assessed cells, and \"{}\" needs {needs}",
            rule.words()
        )));
    };
    if found.value <= 0.0 {
        return Err(refused(format!(
            "by \"{}\" the threshold is 0, which makes habitat of every assessed cell: records stand where the study's suitability is 0 (table records of a run with a number as threshold shows which); set suitability.threshold to a number",
            rule.words()
        )));
    }
    settled.study.suitability.threshold = found.value;
    Ok(settled)
}

/// Writes a table that holds places of records: for the owner of the files only.
///
/// # Errors
/// When a file cannot be written.
pub fn write_sensitive(folder: &Path, table: &Table) -> Result<(), EngineError> {
    for path in write_table(folder, table)? {
        std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o600))
            .map_err(|source| EngineError::Io { path: path.clone(), source })?;
    }
    Ok(())
}
