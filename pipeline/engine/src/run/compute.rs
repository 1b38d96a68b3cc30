//! The stages of a run, in order, from a checked study to a published run folder.

use super::cases::{cases, concentrations, shown_climates, spreads};
use super::found::Found;
use super::options::{RunOptions, RunSummary};
use super::report::write_report;
use super::{Clock, needed_mib};
use crate::check::Checked;
use crate::climates::{choose, droughts};
use crate::costs;
use crate::dilution::dilute;
use crate::editions;
use crate::error::EngineError;
use crate::evidence;
use crate::folder::Building;
use crate::inputs;
use crate::page_input;
use crate::progress::Progress;
use crate::ranges;
use crate::records;
use crate::reuse::{Machines, Step, Store, common};
use crate::run_record::{grid_record, period_record, program, study_record};
use crate::stages::scenarios::AnswersBy;
use crate::stages::what_if::WhatIf;
use crate::stages::{self, Context};
use crate::trend;
use crate::watch::Watched;
use lentic_habitat::change::ha;
use lentic_raster::{Room, with_little_cache};
use lentic_report::{Headline, Input, RunRecord};
use lentic_study::settings::Driver;
use std::sync::OnceLock;

/// GDAL's cache while rasters are written, at most.
const WRITING_CACHE_MIB: usize = 64;

/// What whoever waits was told, in order.
struct Told<'a> {
    progress: &'a dyn Progress,
    warnings: Vec<String>,
}

impl Told<'_> {
    fn warn(&mut self, message: String) {
        self.progress.warn(&message);
        self.warnings.push(message);
    }
}

/// The run of a study that was checked. The store goes to `kept` as soon as it is open.
///
/// # Errors
/// A layer that cannot be read, a disk that refuses, or an input that changed.
pub fn compute(
    checked: Checked,
    options: &RunOptions,
    (building, kept, watched): (&Building, &OnceLock<Store>, &Watched),
    progress: &dyn Progress,
    mut clock: Clock,
) -> Result<RunSummary, EngineError> {
    let mut told = Told { progress, warnings: Vec::new() };
    warn_before(&checked, options, building, &mut told);
    let cells = checked.grid.len();
    clock.lap("checking the study", cells);
    let inputs = inputs::checksums(&checked, progress)?;
    inputs::server_warning(&inputs).into_iter().for_each(|warning| told.warn(warning));
    clock.lap("taking checksums", 0);
    let opened = store(&checked, &inputs, options, &mut told)?.of_run(&options.out);
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
    let judge = || Ok(groups.quality(&cases[0].designs, &context.axis, &answering.sample, climates.months()));
    let quality = (judged_by && checked.study.inundation.driver == Driver::Index)
        .then(|| context.small_kept(Step::Quality, judge))
        .transpose()?;
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

    let droughts = droughts(&context, &water, &shown_climates(&cases))?;
    let none_used = untested.and_then(|untested| {
        let (records, vetted) = (checked.study.records.as_ref()?, checked.records.as_ref()?);
        Some(records::judge::untested(vetted, &untested, &inputs::named(&records.file, &checked.study)))
    });
    let found = Found {
        checked: &checked,
        context: &context,
        cases: &cases,
        water: &water,
        choice: choice.as_ref(),
        answering: &answering,
        response: &response,
        quality: quality.as_ref(),
        trends: &trends,
        lines: &lines,
        curves: &curves,
        case_water: &case_water,
        volumes: volumes.as_ref(),
        suitability: &suitability,
        patches: &patches,
        connections,
        costs: &costs,
        past: past.as_ref(),
        refuges: refuges.as_ref(),
        refuge_margins: refuge_margins.as_deref(),
        refuge_ways: refuge_ways.as_ref(),
        ensembles: &ensembles,
        savings: &savings,
        fates: &fates,
        ranges,
        sensitivity,
        judged: judged.as_ref(),
        none_used: none_used.as_ref(),
        evidence: &evidence,
        droughts: &droughts,
    };
    finish(&found, options, (building, store), (clock, inputs), told)
}

/// What is known before anything is computed and should be told.
fn warn_before(checked: &Checked, options: &RunOptions, building: &Building, told: &mut Told) {
    inputs::warnings(checked).for_each(|warning| told.warn(warning));
    let needed = needed_mib(checked);
    if let Some(free) = Room::at(&options.out).map(|room| room.bytes >> 20).filter(|free| *free < needed) {
        told.warn(format!(
            "the run takes about {needed} MiB of disk while it works, and {free} MiB are free where the run folder lies: it may run full"
        ));
    }
    if checked.study.publication.sensitive && !building.keeps_modes() {
        told.warn("the file system of the run folder keeps no modes, so that anybody who reaches it can read exact places; keep sensitive runs elsewhere".into());
    }
}

/// Writes what was found and publishes the run folder.
fn finish(
    found: &Found,
    options: &RunOptions,
    (building, store): (&Building, &Store),
    (mut clock, inputs): (Clock, Vec<Input>),
    mut told: Told,
) -> Result<RunSummary, EngineError> {
    let (checked, context, suitability) = (found.checked, found.context, found.suitability);
    let cells = checked.grid.len();
    let tables = found.tables();
    found.warnings().into_iter().for_each(|warning| told.warn(warning));
    let rasters = found.products();
    with_little_cache(WRITING_CACHE_MIB, || {
        rasters.write_cells(building)?;
        rasters.mask_outside()?;
        rasters.write(building)
    })?;
    clock.lap("writing rasters", cells);
    let run_id = inputs::run_id(checked, &inputs);
    let record = RunRecord {
        warnings: told.warnings.clone(),
        program: program(),
        run_id: run_id.clone(),
        checksum: String::new(),
        seal: String::new(),
        edition: editions::of_run(&checked.study.publication),
        publication: Some(editions::publication_record(&checked.study.publication)),
        started: clock.started.clone(),
        study: study_record(checked, &options.out),
        grid: grid_record(checked, context),
        period: period_record(checked),
        seed: checked.study.seed,
        concentrations: concentrations(found.cases, found.case_water),
        zones_ha: page_input::zones_ha(&checked.study, &suitability.areas),
        inputs,
        stages: Vec::new(),
        notes: found.notes(),
        products: Vec::new(),
    };
    let inside_ha = ha(&suitability.inside);
    let headline: Headline =
        page_input::headline(found.cases, &suitability.areas, inside_ha, found.connections, found.ranges);
    let mut record = write_report(building, found, &record, &headline, &tables)?;
    clock.lap("writing tables and report", cells);
    store.inputs_unchanged()?;
    record.stages = std::mem::take(&mut clock.stages);
    editions::close(building, &record)?;
    building.publish()?;
    // the run is there: what cannot be kept for the next one is no failure of this one
    let closed = store.close().err().map(|error| error.to_string());
    if let Some(reason) = store.failure().or(closed) {
        told.warn(format!("not all steps could be kept for the next run: {reason}"));
    }
    Ok(RunSummary {
        folder: options.out.clone(),
        run_id,
        headline,
        records: found.of_records(),
        warnings: told.warnings,
        seconds: clock.seconds(),
        tiles: store.counts(),
    })
}

/// The store of a run.
fn store(
    checked: &Checked,
    inputs: &[Input],
    options: &RunOptions,
    told: &mut Told,
) -> Result<Store, EngineError> {
    let Some(folder) = options.keep.folder(&options.out) else { return Ok(Store::nothing()) };
    match common(checked, inputs, options.tile) {
        Some(common) => match Store::open(&folder, common, options.machines) {
            // a share is nothing but what it keeps
            Err(EngineError::NoRoom { said, .. }) if options.machines == Machines::One => {
                told.warn(format!(
                    "{said}: the disk is full, so that nothing is kept of its steps for the next run"
                ));
                Ok(Store::nothing())
            }
            opened => opened,
        },
        None => {
            told.warn(
                "the program cannot read itself, so that nothing is kept of its steps for the next run"
                    .into(),
            );
            Ok(Store::nothing())
        }
    }
}
