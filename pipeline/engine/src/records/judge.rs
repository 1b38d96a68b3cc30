//! Suitability held against records: tables, notes, and what the page shows of it.

use super::novelty::{self, CaseNovelty};
use super::{Drawn, Prepared, Reason, Record, Sample, SetAside, Untested, Vetted};
use crate::error::EngineError;
use crate::page_input::{self, Maps};
use crate::stages::Context;
use crate::stages::scenarios::{Case, CaseWater};
use crate::stages::suitability::SuitabilityProducts;
use crate::stages::water::WaterProducts;
use crate::tables::records as tables;
use lentic_habitat::folds::Parting;
use lentic_habitat::novelty::Envelope;
use lentic_habitat::validation::{FEW, Part, boyce_with_range, by_fold, importance};
use lentic_numerics::accuracy::{Auc, Confusion, Range, auc};
use lentic_numerics::boyce::Boyce;
use lentic_report::{BoyceCurve, MapLayer, Ramp, Table};
use lentic_study::settings::ThresholdRule;

/// Absences from which they are tested against (ours): fewer say nothing.
const ABSENCES: usize = 5;
/// How many standard errors above one half an area must lie to tell records from background (one-sided 5 %).
const SURE: f64 = 1.645;

/// What records say of a run.
pub struct Judged {
    /// Tables for everybody who may read the run.
    pub tables: Vec<Table>,
    /// Tables that hold places of records: kept from the page.
    pub sensitive: Vec<Table>,
    /// What a reader should know.
    pub notes: Vec<String>,
    /// What a reader must look into.
    pub warnings: Vec<String>,
    /// The curve of the Boyce index.
    pub boyce: Option<BoyceCurve>,
    /// Novelty of every case.
    pub novelty: Vec<CaseNovelty>,
    /// One line for the command line.
    pub summary: String,
}

impl Judged {
    /// Maps for the page.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn maps(&self, maps: &Maps) -> Result<Vec<MapLayer>, EngineError> {
        let one = |(case, found): (&Case, &CaseNovelty)| {
            let caption = format!(
                "How far conditions lie beyond those at the records, as a share of their range, {}. 0: within them.",
                page_input::title(case)
            );
            let unit = "share of the range";
            maps.ramp("Novelty", case, &found.novelty, unit, (0.0, 1.0), Ramp::Margin, caption)
        };
        maps.cases.iter().zip(&self.novelty).map(one).collect()
    }
}

/// What is told of records that cannot be held against suitability: the table of records set aside, a warning and a line for the
/// command line.
pub fn untested(vetted: &Vetted, untested: &Untested, file: &str) -> (Table, String, String) {
    let table = tables::set_aside(&set_aside(vetted, &untested.drawn));
    let warning = format!("{file}: {}", untested.reason);
    (table, warning, format!("0 of {} records used: {}", vetted.rows, untested.reason))
}

/// One row of the table of validation.
pub struct Row {
    /// Which part of the ground, in words.
    pub part: String,
    /// What it is tested against.
    pub against: &'static str,
    /// The numbers.
    pub tested: Part,
    /// Range of the Boyce index.
    pub range: Option<Range>,
}

/// Tests the suitability of a run; see the fields of [`Judged`] for what comes out.
///
/// # Errors
/// A layer that cannot be read, or a disk that refuses.
pub fn judge(
    context: &Context,
    water: &WaterProducts,
    (cases, case_water): (&[Case], &[CaseWater]),
    suitability: &SuitabilityProducts,
    vetted: &Vetted,
    prepared: &Prepared,
) -> Result<Judged, EngineError> {
    let study = context.study;
    let Prepared { drawn, folds, thresholds } = prepared;
    let (presences, background) = (drawn.presences.scores(), drawn.background.scores());
    let boyce = boyce_with_range(&presences, &background, &folds.groups, study.seed);
    let rows = rows(prepared, &presences, &background, boyce.as_ref(), study.suitability.threshold);
    let set_aside = set_aside(vetted, drawn);
    let mut all = vec![tables::validation(&rows), tables::set_aside(&set_aside)];
    let used = study.suitability.threshold_rule;
    all.push(tables::thresholds(study, thresholds, used, &presences, &background));
    if let Some((boyce, _)) = &boyce {
        all.push(tables::boyce_curve(boyce));
    }
    let enough = presences.len() >= FEW;
    let gives = match enough {
        true => importance(study, &drawn.presences.places, &drawn.background.places, study.seed)?,
        false => None,
    };
    if let Some(gives) = &gives {
        all.push(tables::importance(study, gives));
    }
    let envelope = Envelope::of(&drawn.presences.places.measured);
    let novelty = novelty::run(context, cases, case_water, suitability, &water.inside, &envelope)?;
    all.push(tables::novelty(study, cases, &novelty, &envelope));
    let sensitive = vec![tables::records(vetted, prepared, study.suitability.threshold)];
    let whole = rows.iter().find(|row| row.part == ALL).map(|row| &row.tested);
    let area = whole.and_then(|part| part.auc);
    Ok(Judged {
        tables: all,
        sensitive,
        notes: notes(context, vetted, prepared),
        warnings: warnings(prepared, area, boyce.as_ref()),
        summary: summary(vetted, presences.len(), area, boyce.as_ref()),
        boyce: boyce.map(|(boyce, range)| BoyceCurve {
            points: boyce.steps.iter().filter_map(|s| Some([s.middle, s.ratio?])).collect(),
            index: boyce.index,
            range: range.map(|r| [r.low, r.high]),
            thresholds: marks(prepared, study.suitability.threshold),
        }),
        novelty,
    })
}

/// The part that is all of them.
const ALL: &str = "all";

/// Fold by fold, all together, and against absences where there are enough.
fn rows(
    prepared: &Prepared,
    presences: &[f64],
    background: &[f64],
    boyce: Option<&(Boyce, Option<Range>)>,
    threshold: f64,
) -> Vec<Row> {
    let range = boyce.and_then(|(_, range)| *range);
    if presences.len() < FEW {
        let tested = Part {
            presences: presences.len(),
            background: background.len(),
            auc: None,
            boyce: boyce.and_then(|(boyce, _)| boyce.index),
            threshold: None,
            confusion: None,
            reached_tenth: None,
        };
        return vec![Row { part: ALL.into(), against: "background", tested, range }];
    }
    let (parts, whole) = by_fold(presences, background, &prepared.folds);
    let mut rows: Vec<Row> = parts
        .into_iter()
        .enumerate()
        .map(|(fold, tested)| Row {
            part: format!("fold {}", fold + 1),
            against: "background",
            tested,
            range: None,
        })
        .collect();
    rows.push(Row { part: ALL.into(), against: "background", tested: whole, range });
    let absences = prepared.drawn.absences.scores();
    if absences.len() >= ABSENCES {
        let tested = Part {
            presences: presences.len(),
            background: absences.len(),
            auc: auc(presences, &absences),
            boyce: None,
            threshold: Some(threshold),
            confusion: Some(Confusion::at(f64::from(threshold as f32), presences, &absences)),
            reached_tenth: None,
        };
        rows.push(Row { part: "against absences".into(), against: "recorded absences", tested, range: None });
    }
    rows
}

/// All records set aside, those in cells not assessed among them.
pub(crate) fn set_aside(vetted: &Vetted, drawn: &Drawn) -> Vec<SetAside> {
    let mut all = vetted.set_aside.clone();
    let mut add = |records: &[Record], kept: &[usize]| {
        for (_, record) in records.iter().enumerate().filter(|(at, _)| kept.binary_search(at).is_err()) {
            let detail = "suitability is not known in its cell (raster not_assessed)".into();
            all.push(SetAside { line: record.line, reason: Reason::NotAssessed, detail });
        }
    };
    add(&vetted.presences, &drawn.kept);
    add(&vetted.absences, &drawn.kept_absences);
    all.sort_by_key(|s| s.line);
    all
}

fn marks(prepared: &Prepared, used: f64) -> Vec<(String, f64)> {
    let mut marks: Vec<(String, f64)> = prepared
        .thresholds
        .iter()
        .map(|t| {
            let name = match t.rule {
                ThresholdRule::Best => "best sum",
                ThresholdRule::TenthPercentile => "tenth percentile",
            };
            (name.to_string(), t.value)
        })
        .filter(|(_, value)| *value != used)
        .collect();
    marks.push(("threshold".into(), used));
    marks.sort_by(|a, b| a.1.total_cmp(&b.1));
    marks
}

/// What a reader should know of the records and their use.
pub(crate) fn notes(context: &Context, vetted: &Vetted, prepared: &Prepared) -> Vec<String> {
    let study = context.study;
    let drawn = &prepared.drawn;
    let mut notes = vec![format!(
        "Records: {} of {} rows stand for a cell each ({} findings, {} absences); set aside: {}. Places of records are in table records only, which stays in the run folder and is kept from this page.",
        drawn.kept.len() + drawn.kept_absences.len(),
        vetted.rows,
        drawn.kept.len(),
        drawn.kept_absences.len(),
        super::reasons(&set_aside(vetted, drawn))
    )];
    let records = study.records.as_ref();
    if records.is_some_and(|r| r.effort.is_none()) {
        notes.push(
            "No layer of survey effort is given: the area under the ROC curve measures where people looked and where the animal lives together.".into(),
        );
    } else if drawn.without_effort > 0 {
        notes.push(format!(
            "{} records stand where the layer of survey effort has none; check it.",
            drawn.without_effort
        ));
    }
    let (first, last) = study.period.baseline;
    let outside = |record: &&Record| {
        super::dates::months(&record.date).is_some_and(|(from, to)| to < first || from > last)
    };
    let outside = drawn.kept.iter().filter_map(|at| vetted.presences.get(*at)).filter(outside).count();
    if outside > 0 {
        notes.push(format!(
            "{outside} of the records used are dated outside the baseline months {first} to {last}: the water they were found at may have been another (records.from and records.to choose)."
        ));
    }
    if drawn.presences.cells.len() >= FEW {
        notes.push(match prepared.folds.parting {
            Parting::Blocks(blocks) => format!(
                "Validation: records lie in {blocks} squares of {} m; five folds of squares, each judged by thresholds from the other four. Against background, specificity and kappa only compare models of this study.",
                side(context)
            ),
            Parting::Clusters(clusters) => format!(
                "Validation: records lie in fewer than five squares of {0} m, so each of {clusters} clusters farther apart than {0} m is left out in turn.",
                side(context)
            ),
            Parting::Whole => "Validation: all records stand together, so they are tested on the ground they set the thresholds on: read it as fit, not as proof.".into(),
        });
    }
    notes
}

fn side(context: &Context) -> f64 {
    let block = |records| super::block_cells(context.study, records, context.grid.cell_m);
    context.study.records.as_ref().map_or(0.0, |r| block(r) as f64 * context.grid.cell_m)
}

fn warnings(prepared: &Prepared, area: Option<Auc>, boyce: Option<&(Boyce, Option<Range>)>) -> Vec<String> {
    let n = prepared.drawn.presences.cells.len();
    let mut warnings = Vec::new();
    if n < FEW {
        warnings.push(format!(
            "{n} records stand in assessed cells of their own, fewer than {FEW}: only their tenth percentile and the Boyce index are given"
        ));
    }
    if n >= FEW && prepared.folds.parting == Parting::Whole {
        warnings.push("all records stand together: validation has no other ground to test on".into());
    }
    if area.is_some_and(|a| a.value - SURE * a.error <= 0.5) {
        warnings.push(
            "suitability tells records from background no better than chance (table validation): curves, layers or records are wrong, or the animal does not follow them".into(),
        );
    }
    if boyce.is_some_and(|(b, _)| b.index.is_some_and(|index| index < 0.0)) {
        warnings.push(
            "records grow rarer as suitability rises (the Boyce index is below 0, table boyce_curve)".into(),
        );
    }
    warnings
}

fn summary(
    vetted: &Vetted,
    used: usize,
    area: Option<Auc>,
    boyce: Option<&(Boyce, Option<Range>)>,
) -> String {
    let mut text = format!("{used} of {} records used", vetted.rows);
    if let Some(area) = area {
        text.push_str(&format!(", AUC {:.2} (standard error {:.2})", area.value, area.error));
    }
    if let Some(index) = boyce.and_then(|(b, _)| b.index) {
        text.push_str(&format!(", Boyce index {index:.2}"));
    }
    text
}

/// Records that were kept, each with its suitability.
pub(crate) fn paired<'a>(
    records: &'a [Record],
    kept: &'a [usize],
    sample: &'a Sample,
) -> impl Iterator<Item = (&'a Record, f32)> {
    kept.iter().filter_map(|at| records.get(*at)).zip(sample.suitability.iter().copied())
}
