//! From the written form to settings: defaults filled in, names resolved, every problem of sense found
//! together. Each section has a file of its own below.

mod climate;
mod context;
mod curve;
mod grid;
mod layers;
mod legend;
mod measure;
mod requisites;
mod scenarios;
mod weights;

use crate::options::StudyFile;
use crate::problem::{Problem, Problems};
use crate::read::{read, sort};
use crate::settings::Study;
use crate::source::Source;
use context::Context;
use std::path::Path;

/// Reads and resolves a study file; gives the study and its warnings.
///
/// # Errors
/// All problems of form together; if there are none, all problems of sense together.
pub fn load(path: &Path) -> Result<(Study, Vec<Problem>), Problems> {
    let (file, source) = read(path)?;
    resolve(&file, &source)
}

/// Turns a written study into settings; gives the study and its warnings.
///
/// Named files must exist (a pattern of files is looked up when water is read) and legends are read.
/// Layers are not opened.
///
/// # Errors
/// All problems of sense together, each with its place, from the top of the file down.
pub fn resolve(file: &StudyFile, source: &Source) -> Result<(Study, Vec<Problem>), Problems> {
    let mut context = Context::new(file, source);
    let study = resolve_sections(&mut context);
    let Context { mut problems, mut warnings, .. } = context;
    match study {
        Some(study) if problems.is_empty() => {
            sort(&source.path, &mut warnings);
            Ok((study, warnings))
        }
        _ => {
            sort(&source.path, &mut problems);
            problems.dedup(); // Two layers may share a legend, and so its problems.
            Err(Problems(problems))
        }
    }
}

/// Resolves every section, so that the problems of all are found, and only then gives up on a missing one.
fn resolve_sections(context: &mut Context<'_>) -> Option<Study> {
    let (file, source) = (context.file, context.source);
    named(context, "study.name", &file.study.name);
    named(context, "study.organism", &file.study.organism);
    let grid = grid::grid(context);
    let period = grid::period(context);
    let layers = layers::layers(context);
    let climate = climate::climate(context, period.as_ref());
    let inundation = climate::inundation(context);
    let requisites = requisites::requisites(context);
    let suitability = requisites::suitability(context, requisites.consistency_ratio);
    let patches = grid::patches(context);
    let scenarios = scenarios::scenarios(context);
    context.warn_unused();
    Some(Study {
        path: context.absolute(&source.path.to_string_lossy(), Path::new("")),
        text: source.text.clone(),
        name: file.study.name.clone(),
        organism: file.study.organism.clone(),
        purpose: file.study.purpose.clone(),
        contact: file.study.contact.clone(),
        licence: file.study.licence.clone(),
        seed: file.study.seed,
        grid,
        period: period?,
        layers,
        climate,
        inundation,
        requisites: requisites.list,
        suitability,
        patches,
        scenarios,
    })
}

fn named(context: &mut Context<'_>, at: &str, text: &str) {
    if text.trim().is_empty() {
        context.problem(at, format!("{at} is empty"), "it stands in the report");
    }
}
