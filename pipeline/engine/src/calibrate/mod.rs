//! Calibration: curves fitted to records, held against the study's own, and written as part of a study.
//!
//! It runs the baseline of the study as a run does, and nothing of the scenarios.

mod compare;
mod curves;

use crate::check::check;
use crate::climates::choose;
use crate::describe;
use crate::error::EngineError;
use crate::folder::{Building, Kind, sibling};
use crate::inputs;
use crate::progress::Progress;
use crate::records::{self, Prepared, Vetted};
use crate::run::{Clock, RunOptions, VERSION, cases, default_folder, spreads};
use crate::run_record::{grid_record, period_record, program, study_record};
use crate::stages::{self, Context};
use crate::tables::{calibration as tables, records as record_tables};
pub use compare::Comparison;
pub use curves::FittedCurves;
use lentic_habitat::calibration::{Calibration, CalibrationError, Data, Layout, calibrate as fit};
use lentic_habitat::folds::{Parting, folds};
use lentic_habitat::validation::FEW;
use lentic_report::{RunRecord, checksum, write_record, write_table};
use lentic_study::settings::{Measure, ThresholdRule};
use lentic_study::{Problem, Problems, parse};
use std::path::{Path, PathBuf};

/// Name of the part of a study that is written.
const FRAGMENT: &str = "fragment.toml";

/// What a calibration found, for the command line.
#[derive(Clone, Debug)]
pub struct CalibrationSummary {
    /// Its folder.
    pub folder: PathBuf,
    /// Identifier, of the inputs, the study and the program.
    pub id: String,
    /// Records used.
    pub records: usize,
    /// Background cells.
    pub background: usize,
    /// Folds.
    pub folds: usize,
    /// Area under the ROC curve on records left out, mean over folds by records: fitted, the study's own.
    pub auc: [Option<f64>; 2],
    /// Rank correlation of the two maps.
    pub rank_correlation: Option<f64>,
    /// Habitat by both, by the study only, by the fit only, hectares.
    pub habitat_ha: [f64; 3],
    /// Warnings.
    pub warnings: Vec<String>,
    /// Seconds taken.
    pub seconds: f64,
}

/// Fits curves to the records of a study and leaves a folder with them.
///
/// # Errors
/// A study that is refused or has no records, records that give no fit, a layer that cannot be read, or a disk that
/// refuses; then nothing is left.
pub fn calibrate(
    study: &Path,
    options: &RunOptions,
    progress: &dyn Progress,
) -> Result<CalibrationSummary, EngineError> {
    let mut clock = Clock::start();
    progress.start("checking the study", 0);
    let checked = check(study)?;
    progress.finish();
    let (Some(settings), Some(vetted)) = (&checked.study.records, &checked.records) else {
        return Err(no_records(study).into());
    };
    let refused = |reason| EngineError::Calibration { file: settings.file.clone(), reason };
    may_be_fitted(&checked.study, vetted, &checked.grid).map_err(refused)?;
    let mut warnings: Vec<String> = inputs::warnings(&checked).collect();
    let cells = checked.grid.len();
    clock.lap("checking the study", cells);

    let building = Building::start_of(&options.out, Kind::Calibration)?;
    let inputs = inputs::checksums(&checked, progress)?;
    warnings.extend(inputs::server_warning(&inputs));
    let mut context = Context::new(
        &checked.study,
        &checked.grid,
        &checked.climates,
        options.tile,
        &building.work(),
        progress,
    )?;
    let water = stages::water::run(&context, &checked.stack)?;
    let choice = choose(&context, &water.sample, spreads(&checked))?;
    if let Some(choice) = &choice {
        context.climates = &choice.climates;
    }
    let answering = stages::levels::run(&context, &water, spreads(&checked))?;
    let (climates, groups) = (&answering.climates, &answering.groups);
    context.climates = climates;
    let mut cases = cases(&context)?;
    cases.truncate(1);
    let response = stages::response::run(&context, &water, &cases[0].designs, groups)?;
    let lines = response.lines.lines(checked.study.inundation.logits_per_metre);
    let lines = lines.with_levels(answering.lines());
    // the baseline alone follows no curve
    let curves = stages::curves::Curves::default();
    let case_water = stages::scenarios::run(&context, &water, groups, (&lines, &curves), &cases)?;
    clock.lap("computing the baseline", cells);

    let prepared = records::prepare(&context, &water, &cases[0], &case_water[0], Some(vetted))?;
    let Some(prepared) = prepared else { return Err(no_records(study).into()) };
    let prepared = prepared
        .map_err(|untested| EngineError::Records { file: settings.file.clone(), reason: untested.reason })?;
    let checked = records::settled(&checked, Some(&prepared))?;
    let context =
        Context::new(&checked.study, &checked.grid, climates, options.tile, &building.work(), progress)?;
    progress.start("fitting curves to records", 0);
    let found = fitted(&context, &prepared).map_err(refused)?;
    progress.finish();
    clock.lap("fitting curves to records", 0);

    let curves = FittedCurves::of(&checked.study, &found.model);
    let threshold = curves.threshold(&checked.study, &prepared)?;
    let comparison =
        Comparison::run(&context, &water, (&cases[0], &case_water[0]), &curves, threshold.map(|t| t.value))?;
    clock.lap("comparing the maps", cells);

    let id = inputs::run_id(&checked, &inputs);
    let date = clock.started.get(..10).unwrap_or("").to_string();
    let (file, _) = parse(&checked.study.path, checked.study.text.clone())?;
    let folder = building.section("tables")?;
    let study = &checked.study;
    for table in [
        tables::coefficients(study, &found),
        tables::curves(study, &found, &curves),
        tables::penalties(&found),
        tables::cross_validation(&found),
        tables::comparison(&comparison, study.suitability.threshold, threshold),
        record_tables::set_aside(&records::judge::set_aside(vetted, &prepared.drawn)),
    ] {
        write_table(&folder, &table)?;
    }
    let used = record_tables::records(vetted, &prepared, study.suitability.threshold);
    records::write_sensitive(&folder, &used)?;
    comparison.write_rasters(&context, &building.section("rasters")?)?;
    let text = curves.fragment(&file, &found, threshold, &id, &date)?;
    let path = building.run().join(FRAGMENT);
    std::fs::write(&path, text).map_err(|source| EngineError::Io { path: path.clone(), source })?;
    warnings.extend(curves.warnings(study, &found));
    clock.lap("writing the calibration", cells);
    let mut notes = records::judge::notes(&context, vetted, &prepared);
    notes.extend(describe::calibration(&found));
    let mut record = RunRecord {
        program: program(),
        run_id: id.clone(),
        started: clock.started.clone(),
        study: study_record(&checked, &options.out),
        grid: grid_record(&checked, &context),
        period: period_record(&checked),
        seed: study.seed,
        inputs,
        stages: std::mem::take(&mut clock.stages),
        warnings: warnings.clone(),
        notes,
        products: inputs::products(&building.run())?,
        ..RunRecord::default()
    };
    record.checksum = checksum(&record);
    inputs::unchanged_on_servers(&record.inputs)?;
    write_record(&building.run().join(Kind::Calibration.record()), &record)?;
    if checked.study.publication.sensitive {
        building.close_to_others()?;
    }
    building.publish()?;
    let mean = |part: fn(&lentic_habitat::calibration::FoldScore) -> &lentic_habitat::validation::Part| {
        tables::mean_by_records(&found, part, |p| p.auc.map(|a| a.value))
    };
    Ok(CalibrationSummary {
        folder: options.out.clone(),
        id,
        records: prepared.drawn.presences.cells.len(),
        background: prepared.drawn.background.cells.len(),
        folds: found.folds.len(),
        auc: [mean(|f| &f.fitted), mean(|f| &f.expert)],
        rank_correlation: comparison.rank_correlation,
        habitat_ha: comparison.habitat_ha(),
        warnings,
        seconds: clock.seconds(),
    })
}

/// Version of the program, for the fragment.
fn version() -> &'static str {
    VERSION
}

/// The default folder: that of a run, and what it holds.
pub fn default_calibration_folder(study: &Path) -> PathBuf {
    sibling(&default_folder(study), "-calibration")
}

fn no_records(study: &Path) -> Problems {
    Problems(vec![Problem {
        file: study.to_path_buf(),
        place: None,
        message: "the study has no [records], which curves could be fitted to".into(),
        help: "add [records] with the file of a table of findings".into(),
        warning: false,
    }])
}

/// What can be known before anything is computed: enough records, and not all of them in one place.
fn may_be_fitted(
    study: &lentic_study::Study,
    vetted: &Vetted,
    grid: &lentic_raster::Grid,
) -> Result<(), CalibrationError> {
    let places: Vec<_> = vetted.presences.iter().map(|r| (r.cell.row, r.cell.col)).collect();
    if places.len() < FEW {
        return Err(CalibrationError::Few(places.len()));
    }
    let block = study.records.as_ref().map_or(1, |r| records::block_cells(study, r, grid.cell_m));
    match folds(&places, &[], block, study.seed).parting {
        Parting::Whole => Err(CalibrationError::Together(places.len())),
        _ => Ok(()),
    }
}

fn fitted(context: &Context, prepared: &Prepared) -> Result<Calibration, CalibrationError> {
    let drawn = &prepared.drawn;
    let measures: Vec<&Measure> = context.study.variables().map(|(_, v)| &v.measure).collect();
    let layout = Layout::new(&measures, &drawn.presences.places.measured, &drawn.background.places.measured);
    let expert = (drawn.presences.scores(), drawn.background.scores());
    let data = Data {
        presences: &drawn.presences.places,
        background: &drawn.background.places,
        expert: (&expert.0, &expert.1),
        folds: &prepared.folds,
    };
    fit(layout, data)
}

/// The rule by which fitted suitability becomes habitat.
const RULE: ThresholdRule = ThresholdRule::Best;
