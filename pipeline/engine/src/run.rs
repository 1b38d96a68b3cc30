//! A whole run: check, compute stage by stage, write products, publish.

use crate::budget::Budget;
use crate::check::{Checked, check};
use crate::climates::{Shown, choose, droughts};
use crate::costs::past::YearAreas;
use crate::costs::refuges::Refuges;
use crate::costs::{self, Costs};
use crate::dated;
use crate::describe;
use crate::dilution::dilute;
use crate::editions;
use crate::error::EngineError;
use crate::evidence::{self, Evidence};
use crate::explain::CELLS;
use crate::folder::{self, Building};
use crate::inputs;
use crate::limits;
use crate::page_input::{self, Maps};
use crate::page_places;
use crate::products;
use crate::progress::Progress;
use crate::protocol;
use crate::ranges::sensitivity::Sensitivity;
use crate::ranges::{self, Ranges};
use crate::records::{self, Judged};
use crate::references;
use crate::reuse::{Counts, Machines, Store, common};
use crate::room;
use crate::run_record::{area_note, grid_record, now, period_record, program, study_record};
use crate::stages::patches::CasePatches;
use crate::stages::response::ResponseProducts;
use crate::stages::scenarios::{AnswersBy, Case, CaseWater};
use crate::stages::suitability::SuitabilityProducts;
use crate::stages::water::WaterProducts;
use crate::stages::what_if::WhatIf;
use crate::stages::{self, Context};
use crate::summary;
use crate::tables;
use crate::trend;
use crate::watch::Watched;
use lentic_habitat::change::ha;
use lentic_habitat::climate::Shift;
use lentic_habitat::response::Spreads;
use lentic_raster::Room;
use lentic_report::{Headline, Input, PageInput, RunRecord, Stage, Table, write_kept};
use lentic_study::Problem;
use lentic_study::settings::{Driver, Scenario};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;
use std::time::Instant;

/// Disagreement of observed and modelled baseline above which a run warns, percent.
const DISAGREEMENT: f64 = 10.0;
/// Version of the program.
pub const VERSION: &str = env!("CARGO_PKG_VERSION");

/// File in `cells/` that keeps what the page shows.
pub const PAGE: &str = "page.json";

/// How to run.
#[derive(Clone, Debug)]
pub struct RunOptions {
    /// The run folder.
    pub out: PathBuf,
    /// Cells a side of a tile.
    pub tile: usize,
    /// Memory it may take, MiB; as much as its threads need where it is not said.
    pub memory_mib: Option<u64>,
    /// What is kept of its steps, for the next run.
    pub keep: Keep,
    /// Which part of the work is this machine's.
    pub machines: Machines,
}

/// Where the steps of a run are kept.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub enum Keep {
    /// Beside the run folder, with `.kept` behind its name.
    #[default]
    Beside,
    /// In this folder.
    In(PathBuf),
    /// Nowhere.
    Nothing,
}

impl Keep {
    /// The folder for a run folder; `None` where nothing is kept.
    pub fn folder(&self, out: &Path) -> Option<PathBuf> {
        match self {
            Keep::Nothing => None,
            Keep::In(folder) => Some(folder.clone()),
            Keep::Beside => {
                let mut name = out.file_name().unwrap_or_default().to_os_string();
                name.push(".kept");
                Some(out.with_file_name(name))
            }
        }
    }
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
    /// Tiles of steps found as an earlier run left them, and tiles computed.
    pub tiles: Counts,
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
    let clock = Clock { last: begun, stages: Vec::new() };
    progress.start("checking the study", 0);
    let checked = check(study)?;
    progress.finish();
    let study = checked.study.clone();
    let budget = options.memory_mib.map(|mib| Budget::of(&checked, options.tile, mib)).transpose()?;
    limits::addresses(options.memory_mib.unwrap_or_else(|| checked.memory_mib(options.tile)))?;
    // before anything is read again, so that whatever is done to a file from here on is noticed
    let watched = Watched::of(&checked)?;
    folder::replaces_none(&options.out, watched.paths(), options.keep.folder(&options.out).as_deref())?;
    let needed_mib = needed_mib(&checked);
    let work = || {
        let building = Building::start(&options.out)?;
        let store = OnceLock::new();
        compute(checked, options, (&building, &store, &watched), progress, (begun, started, clock)).map_err(
            |error| {
                if matches!(error, EngineError::ShareDone | EngineError::Changed { .. }) {
                    return error;
                }
                // a file that changed explains any other failure, and what was kept of it must go
                let stays = store.get().map_or_else(|| watched.untouched(), Store::files_unchanged);
                // a full disk is told before what was written is removed, while it is as full as it was
                let told = || room::told(error, &options.out, Some(needed_mib), room::WITH_OUT);
                stays.err().unwrap_or_else(told)
            },
        )
    };
    match budget {
        Some(budget) => budget.hold(work),
        None => work(),
    }
    .map_err(|error| match error {
        EngineError::Stopped { signal, .. } => {
            EngineError::Stopped { signal, kept: options.keep != Keep::Nothing }
        }
        error => dated::with_layer(error, &study),
    })
}

/// Page, figures and tables of a small study, MiB.
const PAGE_MIB: u64 = 12;

/// Disk that a run takes until it is done.
fn needed_mib(checked: &Checked) -> u64 {
    checked.disk_mib() + PAGE_MIB
}

/// The run of a study that was checked.
fn compute(
    checked: Checked,
    options: &RunOptions,
    (building, kept, watched): (&Building, &OnceLock<Store>, &Watched),
    progress: &dyn Progress,
    (begun, started, mut clock): (Instant, String, Clock),
) -> Result<RunSummary, EngineError> {
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

    let needed = needed_mib(&checked);
    if let Some(free) = Room::at(&options.out).map(|room| room.bytes >> 20).filter(|free| *free < needed) {
        warn(format!(
            "the run takes about {needed} MiB of disk while it works, and {free} MiB are free where the run folder lies: it may run full"
        ));
    }
    if checked.study.publication.sensitive && !building.keeps_modes() {
        warn("the file system of the run folder keeps no modes, so that anybody who reaches it can read exact places; keep sensitive runs elsewhere".into());
    }
    let inputs = inputs::checksums(&checked, progress)?;
    inputs::server_warning(&inputs).into_iter().for_each(&mut warn);
    clock.lap("taking checksums", 0);
    let opened = store(&checked, &inputs, options, &mut warn)?.of_run(&options.out);
    let store = kept.get_or_init(|| opened.watching(watched.clone(), &inputs));

    let mut context = Context::new(
        &checked.study,
        &checked.grid,
        &checked.climates,
        options.tile,
        &building.work(),
        progress,
    )?;
    context.store = store;
    let water = stages::water::run(&context, &checked.stack)?;
    clock.lap("reading water", cells);

    let choice = choose(&context, &water.sample, spreads(&checked))?;
    if let Some(choice) = &choice {
        context.climates = &choice.climates;
        clock.lap("choosing the length of the index", 0);
    }
    let answering = stages::levels::run(&context, &water, spreads(&checked))?;
    let (climates, groups) = (&answering.climates, &answering.groups);
    context.climates = climates;
    if !answering.pools.is_empty() {
        clock.lap("fitting the levels of pools", cells);
    }
    let mut cases = cases(&context)?;
    let response = stages::response::run(&context, &water, &cases[0].designs, groups)?;
    clock.lap("fitting the response", cells);
    // a share is told nothing but what its cells hang on
    let told_all = !matches!(options.machines, Machines::Share(_));
    let judged_by = told_all || checked.study.scenarios.iter().any(|scenario| scenario.continue_trend);
    let quality = (judged_by && checked.study.inundation.driver == Driver::Index)
        .then(|| groups.quality(&cases[0].designs, &context.axis, &answering.sample, climates.months()));
    let trends = quality.as_ref().map_or_else(trend::Told::default, |quality| {
        trend::carry_on(&checked.study, &mut cases, quality, groups, &answering.sample)
    });
    clock.lap("judging the response", 0);

    let lines = response.lines.lines(checked.study.inundation.logits_per_metre);
    let lines = lines.with_levels(answering.lines());
    let curves = stages::curves::run(&context, &water, &cases[0].designs, groups)?;
    let mut case_water = stages::scenarios::run(&context, &water, groups, (&lines, &curves), &cases)?;
    dilute(&context, &mut case_water)?;
    let volumes = stages::volume::run(&context, &water, &case_water)?;
    clock.lap("answering the scenarios", cells);

    let prepared = records::prepare(&context, &water, &cases[0], &case_water[0], checked.records.as_ref())?;
    let (prepared, untested) = match prepared {
        Some(Err(untested)) => (None, Some(untested)),
        other => (other.and_then(Result::ok), None),
    };
    // where the records set the threshold it is known from here on
    let checked = records::settled(&checked, prepared.as_ref())?;
    let mut context =
        Context::new(&checked.study, &checked.grid, climates, options.tile, &building.work(), progress)?;
    context.store = store;
    let context = context;
    let suitability = stages::suitability::run(&context, &water, &cases, &case_water)?;
    clock.lap("scoring habitat", cells);

    let patches = stages::patches::run(&context, &cases, &case_water, &suitability)?;
    clock.lap("finding patches", cells);

    let whole = &suitability.areas[0].whole;
    let assessed_m2 = 10_000.0 * (ha(&suitability.inside) - ha(&whole.not_assessed));
    let connections = match told_all {
        true => stages::connection::run(&context, &cases, &patches, assessed_m2)?,
        false => None,
    };
    let connections = connections.as_deref();
    if connections.is_some() {
        clock.lap("connecting patches", cells);
    }
    let by = AnswersBy { groups, lines: &lines, curves: &curves, off: &[], baseline: &cases[0] };
    let what_if = WhatIf { context: &context, water: &water, by };
    let costs = costs::run(what_if, &cases, &suitability, &patches)?;
    let past = match checked.study.over_time_years {
        Some(_) => Some(costs::past::run(what_if, &cases[0], &suitability)?),
        None => None,
    };
    let refuges = costs::refuges::run(&context, &suitability, &case_water)?;
    let ensembles = costs::ensembles::run(&context, &cases, &suitability)?;
    let savings = costs::management::run(&context, &cases, &suitability)?;
    let refuge_margins = match (&refuges, &costs.ladder) {
        (Some(refuges), Some(ladder)) => Some(costs::refuges::margins(&context, refuges, &ladder.margin)?),
        _ => None,
    };
    let refuge_ways = match &refuges {
        Some(found) => stages::connection::of_patches(&context, &cases[0], &found.patches, assessed_m2)?,
        None => None,
    };
    let fates = costs::fates::run(&context, &water, &suitability, &patches)?;
    clock.lap("finding what drying costs", cells);
    let ranges = ranges::run(what_if, &cases, &suitability, &patches[0])?;
    let ranges = ranges.as_ref();
    if ranges.is_some() {
        clock.lap("computing members", cells);
    }
    let sensitivity = ranges::sensitivity::run(what_if, &cases, &suitability)?;
    let sensitivity = sensitivity.as_ref();
    if let Some(found) = sensitivity {
        clock.lap("finding what counts most", found.cells);
    }

    let judged = match (&checked.records, &prepared) {
        (Some(vetted), Some(prepared)) => {
            let cases = (&cases[..], &case_water[..]);
            let judged = records::judge(&context, &water, cases, &suitability, vetted, prepared)?;
            clock.lap("testing against records", cells);
            Some(judged)
        }
        _ => None,
    };

    let evidence = evidence::gather(
        &checked,
        &context,
        &water,
        &cases,
        &case_water,
        &suitability,
        &patches,
        connections,
    )?;
    clock.lap("gathering evidence", cells);

    let extrapolated: Vec<usize> = cases.iter().map(|case| climates.extrapolated(&case.designs).0).collect();
    let mut tables =
        vec![tables::habitat_area(&cases, &suitability.areas, &patches, connections, &extrapolated, ranges)];
    tables.extend(ranges.map(|ranges| tables::ranges::habitat_ranges(&checked.study, &cases, ranges)));
    tables.extend(ranges.map(|ranges| tables::ranges::habitat_agreement(&cases, ranges)));
    tables.extend(ranges.map(|ranges| tables::ranges::habitat_members(&cases, ranges)));
    tables.extend(sensitivity.map(|found| tables::ranges::sensitivity(&cases, found)));
    tables.extend(tables::loss_by_class(&checked.study, &cases, &suitability.areas));
    tables.push(tables::patches(&checked.study, &checked.grid, &cases, &patches, connections));
    tables.extend(connections.map(|found| tables::connection(&cases, &patches, found)));
    tables.push(tables::costs::loss_by_patch(&cases, &patches, &fates, ranges));
    tables.extend(tables::costs::fates(&cases, &patches, &fates));
    tables.extend(tables::costs::of_study(&checked.study, &costs));
    tables.extend(tables::causes::causes(&cases, &costs));
    tables.extend(refuges.as_ref().map(|found| {
        let connection = refuge_ways.as_ref();
        tables::causes::refuges(&checked.study, &checked.grid, found, refuge_margins.as_deref(), connection)
    }));
    tables.extend(tables::ensembles::ensembles(&cases, &suitability.areas, &ensembles));
    tables.extend(tables::management::management(&cases, &savings, volumes.as_ref()));
    tables.extend(past.as_ref().map(|past| tables::over_time::by_year(&cases, &costs, past, ranges)));
    tables.extend(tables::over_time::patches(&cases, &costs));
    tables.extend(tables::supply::supplies(&checked.study, &cases, &costs).into_iter().flatten());
    tables.push(tables::limiting_factor(&checked.study, &cases, &suitability));
    tables.push(tables::weights(&checked.study));
    let shown = droughts(&context, &water, &shown_climates(&cases))?;
    if !shown.is_empty() {
        let mean = tables::is_mean(climates, &shown);
        tables.push(tables::drought_index(&shown, mean));
        tables.push(tables::drought_events(&shown, mean));
    }
    tables.extend(choice.as_ref().map(tables::index_choice));
    tables.push(tables::inundation_fit(&checked.study, groups, &response, &lines));
    tables.extend(tables::levels::pool_levels(&checked.study, &answering.pools));
    tables.extend(tables::drawdown_curves(&checked.study, &curves));
    tables.push(tables::baseline_check(&suitability));
    if let Some(quality) = &quality {
        tables.push(tables::inundation_quality(&checked.study, quality));
        tables.push(tables::inundation_reliability(&checked.study, quality));
        tables::quality_warnings(&checked.study, quality).into_iter().for_each(&mut warn);
    }
    tables.extend(volumes.as_ref().map(|volumes| tables::volume(&cases, volumes)));

    let mut of_records = judged.as_ref().map(|judged| judged.summary.clone());
    if let (Some(untested), Some(records), Some(vetted)) =
        (&untested, &checked.study.records, &checked.records)
    {
        let file = inputs::named(&records.file, &checked.study);
        let (table, warning, summary) = records::judge::untested(vetted, untested, &file);
        tables.push(table);
        warn(warning);
        of_records = Some(summary);
    }
    if let Some(judged) = &judged {
        tables.extend(judged.tables.iter().cloned());
        judged.warnings.iter().cloned().for_each(&mut warn);
    }

    tables.extend(evidence.tables.iter().cloned());
    trends.warnings.into_iter().for_each(&mut warn);
    let mut notes = trends.notes;
    notes.extend(tables::held_notes(&cases, &case_water));
    notes.extend(judged.iter().flat_map(|judged| judged.notes.iter().cloned()));
    notes.extend(evidence.notes.iter().cloned());
    notes.extend(tables::prior_only_note(&suitability));
    notes.extend(connections.into_iter().flat_map(|found| tables::connection_notes(&cases, found)));
    notes.extend(tables::costs::returned_note(&checked.study, &costs));
    notes.extend(area_note(&context));
    notes.extend(index_note(&checked, &response));
    notes.extend(tables::levels::pool_level_notes(&checked.study, &answering.pools));
    notes.extend(choice.as_ref().map(|choice| choice.note()));
    notes.extend(tables::extrapolated_notes(climates, &cases));
    notes.extend(tables::warming_warning(climates, &cases));
    if let Some(percent) = tables::disagreement_percent(&suitability).filter(|p| *p > DISAGREEMENT) {
        warn(format!(
            "baseline habitat by observed and by modelled hydroperiod differ on {percent:.0} % of its area: read losses with care (table baseline_check)"
        ));
    }
    tables::unanswering(&checked.study, &response).into_iter().for_each(&mut warn);
    tables::surface_warning(&checked.study, &curves).into_iter().for_each(&mut warn);
    tables::without_data(&checked.study, &suitability).into_iter().for_each(&mut warn);
    tables::no_habitat(&checked.study, &suitability).into_iter().for_each(&mut warn);
    tables::unfitted_warnings(climates).into_iter().for_each(&mut warn);

    let stage = products::Stages {
        context: &context,
        cases: &cases,
        water: &water,
        response: &response,
        case_water: &case_water,
        suitability: &suitability,
        patches: &patches,
        connections,
        novelty: judged.as_ref().map_or(&[], |judged| &judged.novelty),
        costs: &costs,
        ranges,
        refuges: refuges.as_ref(),
        ensembles: &ensembles,
    };
    stage.write_cells(building)?;
    stage.mask_outside()?;
    stage.write(building)?;
    clock.lap("writing rasters", cells);
    let run_id = inputs::run_id(&checked, &inputs);
    let record = RunRecord {
        warnings: warnings.clone(),
        program: program(),
        run_id: run_id.clone(),
        checksum: String::new(),
        seal: String::new(),
        edition: editions::of_run(&checked.study.publication),
        publication: Some(editions::publication_record(&checked.study.publication)),
        started: started.clone(),
        study: study_record(&checked, &options.out),
        grid: grid_record(&checked, &context),
        period: period_record(&checked),
        seed: checked.study.seed,
        concentrations: concentrations(&cases, &case_water),
        zones_ha: page_input::zones_ha(&checked.study, &suitability.areas),
        inputs,
        stages: Vec::new(),
        notes,
        products: Vec::new(),
    };
    let headline =
        page_input::headline(&cases, &suitability.areas, ha(&suitability.inside), connections, ranges);
    let droughts = page_input::droughts(&checked.study, climates, &shown);
    let mut record = write_report(
        &checked,
        &context,
        building,
        &record,
        &headline,
        droughts,
        &tables,
        (&cases, &water, &response, &case_water, &suitability),
        (&costs, ranges, sensitivity),
        (past.as_ref(), refuges.as_ref(), &patches),
        judged.as_ref(),
        evidence,
    )?;
    clock.lap("writing tables and report", cells);
    store.inputs_unchanged()?;
    record.stages = clock.stages;
    editions::close(building, &record)?;
    building.publish()?;
    // the run is there: what cannot be kept for the next one is no failure of this one
    let closed = store.close().err().map(|error| error.to_string());
    if let Some(reason) = store.failure().or(closed) {
        warnings.push(format!("not all steps could be kept for the next run: {reason}"));
        progress.warn(&warnings[warnings.len() - 1]);
    }
    Ok(RunSummary {
        folder: options.out.clone(),
        run_id,
        headline,
        records: of_records,
        warnings,
        seconds: begun.elapsed().as_secs_f64(),
        tiles: store.counts(),
    })
}

/// The store of a run.
fn store(
    checked: &Checked,
    inputs: &[Input],
    options: &RunOptions,
    warn: &mut impl FnMut(String),
) -> Result<Store, EngineError> {
    let Some(folder) = options.keep.folder(&options.out) else { return Ok(Store::nothing()) };
    match common(checked, inputs, options.tile) {
        Some(common) => match Store::open(&folder, common, options.machines) {
            // a share is nothing but what it keeps
            Err(EngineError::NoRoom { said, .. }) if options.machines == Machines::One => {
                warn(format!(
                    "{said}: the disk is full, so that nothing is kept of its steps for the next run"
                ));
                Ok(Store::nothing())
            }
            opened => opened,
        },
        None => {
            warn(
                "the program cannot read itself, so that nothing is kept of its steps for the next run"
                    .into(),
            );
            Ok(Store::nothing())
        }
    }
}

/// The baseline and every scenario, each with the months its water answers to.
///
/// # Errors
/// Years to replay that the climate does not hold.
pub(crate) fn cases<'a>(context: &Context<'a>) -> Result<Vec<Case<'a>>, EngineError> {
    let (climates, axis) = (context.climates, &context.axis);
    let warmth = context.study.needs_temperature();
    let mut cases = vec![Case {
        name: "baseline".into(),
        scenario: None,
        designs: climates.designs(axis, &Shift::NONE),
        temperature: if warmth { climates.temperatures(axis, &Shift::NONE) } else { Vec::new() },
        trend: BTreeMap::new(),
    }];
    for scenario in &context.study.scenarios {
        cases.push(case_of(context, scenario)?);
    }
    Ok(cases)
}

/// The case of a scenario, without a trend that goes on.
///
/// # Errors
/// Years to replay that the climate does not hold.
pub(crate) fn case_of<'a>(context: &Context, scenario: &'a Scenario) -> Result<Case<'a>, EngineError> {
    let (climates, axis) = (context.climates, &context.axis);
    let change = Shift::of(scenario);
    let replay = &scenario.replay[..];
    let designs = match replay {
        _ if scenario.drawdown_replaces_climate => climates.designs(axis, &Shift::NONE),
        [] => climates.designs(axis, &change),
        years => climates.replayed(years, &change)?,
    };
    let temperature = match replay {
        _ if !context.study.needs_temperature() => Vec::new(),
        // it grows warmer all the same where water answers to the fall alone
        years if !years.is_empty() && !scenario.drawdown_replaces_climate => {
            climates.replayed_temperatures(years, &change)
        }
        _ => climates.temperatures(axis, &change),
    };
    Ok(Case {
        name: scenario.name.clone(),
        scenario: Some(scenario),
        designs,
        temperature,
        trend: BTreeMap::new(),
    })
}

/// What the run record keeps of the dilution of the cases, for those that measure it.
fn concentrations(cases: &[Case], water: &[CaseWater]) -> BTreeMap<String, BTreeMap<i32, f32>> {
    let kept = cases.iter().zip(water).filter(|(_, water)| !water.dilution.0.is_empty());
    kept.map(|(case, water)| (case.name.clone(), water.dilution.0.clone())).collect()
}

/// The record and every scenario that has a climate of its own.
fn shown_climates(cases: &[Case]) -> Vec<Shown> {
    let of = |case: &Case| match case.scenario {
        None => Some((Shift::NONE, Vec::new())),
        Some(scenario) => scenario.changes_climate().then(|| (Shift::of(scenario), scenario.replay.clone())),
    };
    let shown = cases
        .iter()
        .filter_map(|case| of(case).map(|(shift, replay)| Shown { name: case.name.clone(), shift, replay }));
    shown.collect()
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
    droughts: Vec<lentic_report::Drought>,
    tables: &[Table],
    (cases, water, response, case_water, suitability): (
        &[Case],
        &WaterProducts,
        &ResponseProducts,
        &[CaseWater],
        &SuitabilityProducts,
    ),
    (costs, ranges, sensitivity): (&Costs, Option<&Ranges>, Option<&Sensitivity>),
    (past, refuges, patches): (Option<&BTreeMap<i32, YearAreas>>, Option<&Refuges>, &[CasePatches]),
    judged: Option<&Judged>,
    evidence: Evidence,
) -> Result<RunRecord, EngineError> {
    editions::write_tables(building, tables)?;
    let folder = building.section("tables")?;
    // these never reach the page
    for table in judged.iter().flat_map(|judged| &judged.sensitive) {
        records::write_sensitive(&folder, table)?;
    }
    let page_maps = Maps { study: context.study, grid: context.grid, cases };
    let mut maps = page_maps.all(water, response, case_water, suitability)?;
    maps.extend(page_maps.costs(costs, refuges)?);
    maps.extend(ranges.map(|ranges| page_maps.agreement(ranges)).transpose()?.unwrap_or_default());
    maps.extend(judged.map(|judged| judged.maps(&page_maps)).transpose()?.unwrap_or_default());
    let mut uncertain = vec![match ranges {
        None => "This run has no members of uncertainty: areas are single best values, without a range."
            .to_string(),
        Some(ranges) => format!(
            "Ranges are the middle 90 % of {} members, with what [uncertainty] names drawn anew in each; what it does not name, such as the form of the model, is not in them.",
            ranges.members
        ),
    }];
    if let Some(percent) = tables::disagreement_percent(suitability) {
        uncertain.push(format!(
            "Baseline habitat by observed and by modelled hydroperiod differ on {percent:.1} % of its area."
        ));
    }
    uncertain.extend(tables::warming_warning(context.climates, cases));
    let sensitivity = page_input::sensitivity(cases, sensitivity);
    uncertain.extend(summary::uncertain(headline, tables, &sensitivity));
    if !record.notes.is_empty() {
        uncertain
            .push("What else bears on the numbers, scenario by scenario, stands under Notes.".to_string());
    }
    let methods = describe::methods(checked, context.climates).into_iter().chain(evidence.methods).collect();
    let methods = protocol::notes(checked, record, methods);
    let input = PageInput {
        record,
        headline: headline.clone(),
        holds: summary::holds(headline, tables),
        goes_first: summary::goes_first(headline, tables),
        uncertain,
        maps,
        patches: Some(page_places::patch_map(context.grid, &patches[0], page_maps.stride())?),
        places: page_places::places(context.grid),
        losses: page_input::losses(context.study, &suitability.areas),
        droughts,
        curves: page_input::curves(context.study, &suitability.distributions),
        boyce: judged.and_then(|judged| judged.boyce.clone()),
        ladder: page_input::ladder(context.study, costs),
        surface: page_input::surface(context.study, costs),
        sensitivity,
        over_time: past.map(|past| page_input::over_time(cases, costs, past, ranges)),
        population: evidence.paths,
        tables,
        references: references::of(&methods),
        methods,
        not_assessed: page_input::not_assessed(&suitability.reasons),
        cautions: describe::cautions().into_iter().chain(evidence.cautions).collect(),
        cite: String::new(),
    };
    write_kept(&building.section(CELLS)?.join(PAGE), &input)?;
    let sensitive = judged.iter().flat_map(|judged| &judged.sensitive);
    let all = tables.iter().chain(sensitive).collect();
    editions::complete(building, record, all, &input, editions::OF_SENSITIVE)
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
