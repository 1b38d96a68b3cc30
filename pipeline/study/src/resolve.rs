//! From the written form to settings: defaults filled in, names resolved, every problem of sense found
//! together. Each section has a file of its own below.

mod climate;
mod context;
mod crossing;
mod curve;
mod grid;
mod ladder;
mod layers;
mod legend;
mod measure;
mod near;
mod network;
mod over_time;
mod past;
mod population;
mod publication;
mod range;
mod records;
mod requisites;
mod scenarios;
mod series;
mod uncertainty;
mod weights;

use crate::examine::Unlisted;
use crate::options::{LayerKind, StudyFile};
use crate::problem::{Problem, Problems};
use crate::settings::{Legend, Study};
use crate::source::Source;
use crate::spoilt::Spoilt;
use context::Context;
use std::path::Path;

/// Turns a written study into settings; gives the study and its warnings.
///
/// Named files must exist (a pattern of files is looked up when water is read) and legends are read.
/// Layers are not opened.
///
/// # Errors
/// All problems of sense together, each with its place, from the top of the file down.
pub fn resolve(file: &StudyFile, source: &Source) -> Result<(Study, Vec<Problem>), Problems> {
    let Settled { study, problems, warnings, .. } = settle(file, source, &Spoilt::default());
    if problems.is_empty() {
        let Problems(warnings) = Problems::sorted(&source.path, warnings);
        Ok((study, warnings))
    } else {
        Err(Problems::sorted(&source.path, problems))
    }
}

/// Reads the legend of a class layer.
///
/// # Errors
/// Everything that is wrong with it.
pub fn legend(path: &Path) -> Result<Legend, Vec<Problem>> {
    Ok(legend::read(path)?.settings())
}

/// A study as far as it is sound.
pub(crate) struct Settled {
    pub study: Study,
    /// Problems of sense; if there are any, the study is not whole.
    pub problems: Vec<Problem>,
    pub warnings: Vec<Problem>,
    pub unlisted: Vec<Unlisted>,
}

/// As [`resolve`], of a file that may hold stand-ins: nothing is said about those, nor about what only
/// they bring about.
pub(crate) fn settle(file: &StudyFile, source: &Source, spoilt: &Spoilt) -> Settled {
    let mut context = Context::new(file, source, spoilt);
    let study = resolve_sections(&mut context);
    let Context { problems, warnings, unlisted, .. } = context;
    Settled { study, problems, warnings, unlisted }
}

fn resolve_sections(context: &mut Context<'_>) -> Study {
    let (file, source) = (context.file, context.source);
    named(context, "study.name", &file.study.name);
    named(context, "study.organism", &file.study.organism);
    let grid = grid::grid(context);
    let baseline = grid::baseline(context);
    let reference = grid::reference(context, baseline);
    // before what it may allow
    context.network = network::network(context);
    let mut layers = layers::layers(context);
    let climate = climate::climate(context, reference);
    let inundation = climate::inundation(context);
    let requisites = requisites::requisites(context);
    let suitability = requisites::suitability(context, requisites.consistency_ratio);
    let patches = grid::patches(context);
    let records = records::records(context);
    let uncertainty = uncertainty::uncertainty(context);
    let range = range::range(context);
    let population = population::population(context, baseline);
    let scenarios = scenarios::scenarios(context, baseline);
    let drying_ladder = ladder::drying_ladder(context);
    let response_surface = ladder::response_surface(context);
    let over_time_years = over_time::over_time(context, baseline);
    let water_requirement = over_time::water_requirement(context);
    let publication = publication::publication(context);
    context.warn_unused();
    if baseline.is_none() {
        // Without its months a stack of files cannot be told.
        layers.retain(|layer| layer.kind != LayerKind::WaterHistory);
    }
    Study {
        path: context.absolute(&source.path.to_string_lossy(), Path::new("")),
        text: source.text.clone(),
        name: file.study.name.clone(),
        organism: file.study.organism.clone(),
        purpose: file.study.purpose.clone(),
        contact: file.study.contact.clone(),
        licence: file.study.licence.clone(),
        seed: file.study.seed,
        grid,
        period: grid::period(context, baseline, reference),
        layers,
        climate: climate.filter(|_| baseline.is_some() && reference.is_some()),
        inundation,
        requisites: requisites.list,
        suitability,
        patches,
        records,
        uncertainty,
        range,
        population,
        scenarios,
        drying_ladder,
        response_surface,
        over_time_years,
        water_requirement,
        publication,
        network: context.network.take(),
    }
}

fn named(context: &mut Context<'_>, at: &str, text: &str) {
    if text.trim().is_empty() {
        context.problem(at, format!("{at} is empty"), "it stands in the report");
    }
}
