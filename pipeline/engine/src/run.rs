//! A whole run: check, compute stage by stage, write products, publish.

use crate::check::{Checked, check};
use crate::describe;
use crate::error::EngineError;
use crate::folder::Building;
use crate::inputs;
use crate::page_input::{self, Maps};
use crate::products;
use crate::progress::Progress;
use crate::records::{self, Judged};
use crate::run_record::{area_note, grid_record, now, period_record, program, study_record};
use crate::stages::response::ResponseProducts;
use crate::stages::scenarios::{Case, CaseWater};
use crate::stages::suitability::SuitabilityProducts;
use crate::stages::water::WaterProducts;
use crate::stages::{self, Context};
use crate::tables;
use lentic_habitat::change::ha;
use lentic_habitat::climate::{ClimateModel, IndexSettings, Shift};
use lentic_habitat::response::{Design, Groups, Spreads};
use lentic_report::{
    Headline, PageInput, RunRecord, Stage, Table, write_figures, write_page, write_record, write_table,
};
use lentic_study::Problem;
use lentic_study::settings::Driver;
use std::path::{Path, PathBuf};
use std::time::Instant;

/// Disagreement of observed and modelled baseline above which a run warns, percent.
const DISAGREEMENT: f64 = 10.0;
/// Version of the program.
pub const VERSION: &str = env!("CARGO_PKG_VERSION");

/// How to run.
#[derive(Clone, Debug)]
pub struct RunOptions {
    /// The run folder.
    pub out: PathBuf,
    /// Cells a side of a tile.
    pub tile: usize,
}

/// What a run found, for the command line.
#[derive(Clone, Debug)]
pub struct RunSummary {
    /// The run folder.
    pub folder: PathBuf,
    /// Identifier of the run.
    pub run_id: String,
    /// The answer in a few numbers.
    pub headline: Headline,
    /// How suitability does against records, in one line, where the study has them.
    pub records: Option<String>,
    /// Warnings.
    pub warnings: Vec<String>,
    /// Seconds taken.
    pub seconds: f64,
}

/// Times of the stages.
struct Clock {
    last: Instant,
    stages: Vec<Stage>,
}

impl Clock {
    fn lap(&mut self, name: &str, cells: usize) {
        let seconds = self.last.elapsed().as_secs_f64();
        self.last = Instant::now();
        self.stages.push(Stage { name: name.into(), seconds, cells: cells as u64 });
    }
}

/// Runs a study and leaves the run folder.
///
/// # Errors
/// A study that is refused, a layer that cannot be read, or a disk that refuses; then no run folder is left
/// and an earlier one stays as it was.
pub fn run(study: &Path, options: &RunOptions, progress: &dyn Progress) -> Result<RunSummary, EngineError> {
    let begun = Instant::now();
    let started = now();
    let mut clock = Clock { last: begun, stages: Vec::new() };
    progress.start("checking the study", 0);
    let checked = check(study)?;
    progress.finish();
    let mut warnings: Vec<String> = Vec::new();
    let mut warn = |message: String| {
        progress.warn(&message);
        warnings.push(message);
    };
    for problem in &checked.warnings {
        // files are told as the study knows them, so that nothing of the user's machine gets into a report
        let file = PathBuf::from(inputs::named(&problem.file, &checked.study));
        warn(Problem { file, ..problem.clone() }.to_string());
    }
    let cells = checked.grid.len();
    clock.lap("checking the study", cells);

    let building = Building::start(&options.out)?;
    let inputs = inputs::checksums(&checked, progress)?;
    clock.lap("taking checksums", 0);

    let context = Context::new(&checked.study, &checked.grid, options.tile, &building.work(), progress)?;
    let water = stages::water::run(&context, &checked.stack)?;
    clock.lap("reading water", cells);

    let model = climate_model(&checked)?;
    let cases = cases(&context, model.as_ref());
    let groups = Groups::fit(&cases[0].design, &context.axis, &water.sample, spreads(&checked))?;
    let response = stages::response::run(&context, &water, &cases[0].design, &groups)?;
    clock.lap("fitting the response", cells);

    let lines = response.lines.lines(checked.study.inundation.logits_per_metre);
    let case_water = stages::scenarios::run(&context, &water, &groups, &lines, &cases)?;
    clock.lap("answering the scenarios", cells);

    let prepared = records::prepare(&context, &water, &cases[0], &case_water[0], checked.records.as_ref())?;
    // where the records set the threshold it is known from here on
    let checked = records::settled(&checked, prepared.as_ref())?;
    let context = Context::new(&checked.study, &checked.grid, options.tile, &building.work(), progress)?;
    let suitability = stages::suitability::run(&context, &water, &cases, &case_water)?;
    clock.lap("scoring habitat", cells);

    let patches = stages::patches::run(&context, &cases, &case_water, &suitability)?;
    clock.lap("finding patches", cells);

    let judged = match (&checked.records, &prepared) {
        (Some(vetted), Some(prepared)) => {
            let cases = (&cases[..], &case_water[..]);
            let judged = records::judge(&context, &water, cases, &suitability, vetted, prepared)?;
            clock.lap("testing against records", cells);
            Some(judged)
        }
        _ => None,
    };

    let extrapolated: Vec<usize> = cases
        .iter()
        .map(|case| model.as_ref().map_or(0, |m| m.extrapolated(case.design.z().map(|(_, z)| z))))
        .collect();
    let mut tables = vec![tables::habitat_area(&cases, &suitability.areas, &patches, &extrapolated)];
    tables.extend(tables::loss_by_class(&checked.study, &cases, &suitability.areas));
    tables.push(tables::patches(&checked.study, &checked.grid, &cases, &patches));
    let months = model.as_ref().map(|model| {
        tables::index_months(model, &cases, |case| match case.scenario {
            None => Some(Shift::NONE),
            Some(scenario) => scenario.changes_climate().then(|| Shift::of(scenario)),
        })
    });
    if let Some(months) = &months {
        tables.push(tables::drought_index(months));
        tables.push(tables::drought_events(months));
    }
    tables.push(tables::inundation_fit(&checked.study, &groups, &response, &lines));
    tables.push(tables::baseline_check(&suitability));
    if checked.study.inundation.driver == Driver::Index {
        let index_months = checked.study.climate.as_ref().map_or(1, |climate| climate.months);
        let quality = groups.quality(&cases[0].design, &context.axis, &water.sample, index_months);
        tables.push(tables::inundation_quality(&checked.study, &quality));
        tables.push(tables::inundation_reliability(&checked.study, &quality));
        tables::quality_warnings(&checked.study, &quality).into_iter().for_each(&mut warn);
        clock.lap("judging the response", 0);
    }

    if let Some(judged) = &judged {
        tables.extend(judged.tables.iter().cloned());
        judged.warnings.iter().cloned().for_each(&mut warn);
    }

    let mut notes = tables::held_notes(&cases, &case_water);
    notes.extend(judged.iter().flat_map(|judged| judged.notes.iter().cloned()));
    notes.extend(tables::prior_only_note(&suitability));
    notes.extend(area_note(&context));
    notes.extend(index_note(&checked, &response));
    if let Some(percent) = tables::disagreement_percent(&suitability).filter(|p| *p > DISAGREEMENT) {
        warn(format!(
            "baseline habitat by observed and by modelled hydroperiod differ on {percent:.0} % of its area: read losses with care (table baseline_check)"
        ));
    }
    tables::unanswering(&checked.study, &response).into_iter().for_each(&mut warn);
    if let Some(model) = &model {
        let unfitted = model.unfitted();
        if !unfitted.is_empty() {
            warn(format!(
                "calendar months {unfitted:?} have no drought index (too many dry or equal sums) and are left out of the response"
            ));
        }
    }
    for (case, n) in cases.iter().zip(&extrapolated).filter(|(_, n)| **n > 0) {
        notes.push(format!(
            "Scenario {}: the drought index of {n} of {} months lies outside the reference record; the response there is extrapolated.",
            case.name,
            case.design.len()
        ));
    }

    let stage = products::Stages {
        context: &context,
        cases: &cases,
        water: &water,
        response: &response,
        case_water: &case_water,
        suitability: &suitability,
        patches: &patches,
        novelty: judged.as_ref().map_or(&[], |judged| &judged.novelty),
    };
    stage.mask_outside()?;
    stage.write(&building)?;
    clock.lap("writing rasters", cells);
    let run_id = inputs::run_id(&checked, &inputs);
    let mut record = RunRecord {
        program: program(),
        run_id: run_id.clone(),
        started: started.clone(),
        study: study_record(&checked),
        grid: grid_record(&checked, &context),
        period: period_record(&checked),
        seed: checked.study.seed,
        inputs,
        stages: Vec::new(),
        warnings: Vec::new(),
        notes,
        products: Vec::new(),
    };
    let headline = page_input::headline(&cases, &suitability.areas, ha(&suitability.inside));
    record.warnings = warnings.clone();
    let drought = months.as_ref().and_then(|months| page_input::drought(&checked.study, &months.first()?.1));
    write_report(
        &checked,
        &context,
        &building,
        &record,
        &headline,
        drought,
        &tables,
        (&cases, &water, &case_water, &suitability),
        judged.as_ref(),
    )?;
    clock.lap("writing tables and report", cells);
    record.stages = clock.stages;
    record.products = inputs::products(&building.run())?;
    write_record(&building.run().join("run.json"), &record)?;
    building.publish()?;
    Ok(RunSummary {
        folder: options.out.clone(),
        run_id,
        headline,
        records: judged.map(|judged| judged.summary),
        warnings,
        seconds: begun.elapsed().as_secs_f64(),
    })
}

pub(crate) fn climate_model(checked: &Checked) -> Result<Option<ClimateModel>, EngineError> {
    let (Some(climate), Some(series)) = (&checked.study.climate, &checked.series) else {
        return Ok(None);
    };
    let latitude = match climate.latitude {
        Some(latitude) => latitude,
        None => checked.grid.centre_latitude()?,
    };
    let settings = IndexSettings {
        index: climate.index,
        months: climate.months,
        zero: climate.zero,
        latitude,
        reference: checked.study.period.reference,
    };
    Ok(Some(ClimateModel::fit(series.clone(), settings)?))
}

/// The baseline and every scenario, each with the months its water answers to.
pub(crate) fn cases<'a>(context: &Context<'a>, model: Option<&ClimateModel>) -> Vec<Case<'a>> {
    let study = context.study;
    let z = |shift: &Shift| match (model, study.inundation.driver) {
        (Some(model), Driver::Index) => model.z_on(&context.axis, shift, study.period.water_year_starts),
        _ => vec![Some(0.0); context.axis.len],
    };
    let mut cases = vec![Case {
        name: "baseline".into(),
        scenario: None,
        design: Design::new(&context.axis, &z(&Shift::NONE)),
    }];
    for scenario in &study.scenarios {
        let shift = if scenario.drawdown_replaces_climate { Shift::NONE } else { Shift::of(scenario) };
        cases.push(Case {
            name: scenario.name.clone(),
            scenario: Some(scenario),
            design: Design::new(&context.axis, &z(&shift)),
        });
    }
    cases
}

pub(crate) fn spreads(checked: &Checked) -> Spreads {
    let water = &checked.study.inundation;
    Spreads { intercept: water.intercept_sd, index: water.index_sd, season: water.season_sd }
}

/// Which share of the usual wet area follows the index.
fn index_note(checked: &Checked, response: &ResponseProducts) -> Option<String> {
    let share = response.index_led_share().filter(|_| checked.study.inundation.driver == Driver::Index)?;
    Some(format!(
        "{:.0} % of the usual wet area follows the drought index (one unit brings at least half a month of water); the rest hardly does, and in a climate scenario little changes there.",
        100.0 * share
    ))
}

#[allow(clippy::too_many_arguments)]
fn write_report(
    checked: &Checked,
    context: &Context,
    building: &Building,
    record: &RunRecord,
    headline: &Headline,
    drought: Option<lentic_report::Drought>,
    tables: &[Table],
    (cases, water, case_water, suitability): (&[Case], &WaterProducts, &[CaseWater], &SuitabilityProducts),
    judged: Option<&Judged>,
) -> Result<(), EngineError> {
    let folder = building.section("tables")?;
    for table in tables {
        write_table(&folder, table)?;
    }
    // these never reach the page
    for table in judged.iter().flat_map(|judged| &judged.sensitive) {
        records::write_sensitive(&folder, table)?;
    }
    let page_maps = Maps { grid: context.grid, cases };
    let mut maps = page_maps.all(water, case_water, suitability)?;
    maps.extend(judged.map(|judged| judged.maps(&page_maps)).transpose()?.unwrap_or_default());
    let mut uncertain = vec![
        "This run has no members of uncertainty: areas are single best values, without a range.".to_string(),
    ];
    if let Some(percent) = tables::disagreement_percent(suitability) {
        uncertain.push(format!(
            "Baseline habitat by observed and by modelled hydroperiod differ on {percent:.1} % of its area."
        ));
    }
    if !record.notes.is_empty() {
        uncertain
            .push("What else bears on the numbers, scenario by scenario, stands under Notes.".to_string());
    }
    let date = record.started.get(..10).unwrap_or("").to_string();
    let input = PageInput {
        record,
        headline: headline.clone(),
        uncertain,
        maps,
        losses: page_input::losses(context.study, &suitability.areas),
        drought,
        curves: page_input::curves(context.study),
        boyce: judged.and_then(|judged| judged.boyce.clone()),
        tables,
        methods: describe::methods(checked),
        not_assessed: page_input::not_assessed(context.grid, &context.areas, &suitability.reason)?,
        cautions: describe::cautions(),
        cite: describe::citation(context.study, &record.run_id, &date, VERSION),
    };
    write_page(&building.run().join("report.html"), &input)?;
    let figures = building.section("figures")?;
    write_figures(&figures, &input)?;
    Ok(())
}

/// The default run folder: `reports/` and the study's name in small letters (the file's name where the study cannot be
/// read; what is wrong with it is for the run to say).
pub fn default_folder(study: &Path) -> PathBuf {
    let name = lentic_study::examine(study).study.map(|study| study.name);
    let stem = || study.file_stem().map(|stem| stem.to_string_lossy().into_owned());
    let mut slug = String::new();
    for c in name.or_else(stem).unwrap_or_default().chars() {
        match c {
            c if c.is_ascii_alphanumeric() => slug.push(c.to_ascii_lowercase()),
            _ if !slug.is_empty() && !slug.ends_with('-') => slug.push('-'),
            _ => {}
        }
    }
    let slug = slug.trim_end_matches('-');
    Path::new("reports").join(if slug.is_empty() { "study" } else { slug })
}
