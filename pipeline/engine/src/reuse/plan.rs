//! What a run would compute and what it would find kept, and why.

use super::ingredients::Ingredients;
use super::recipes::{name_of, of};
use super::shard::share_of;
use super::steps::Step;
use super::store::{Store, named};
use crate::check::Checked;
use crate::costs::plan::Plan;
use crate::stages::scenarios::Case;
use crate::stages::{curves, levels};
use lentic_study::settings::Scenario;
use std::collections::BTreeSet;

/// What would become of a step.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Standing {
    /// Every tile is kept.
    Kept,
    /// Tiles are missing; which shares of how many they fall to can be told from them.
    Missing(Vec<usize>),
    /// Nothing is there.
    Nothing,
    /// Hangs on what a step before gives, which is not known yet.
    Hangs,
}

/// A step of a run as the store knows it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Planned {
    /// The step.
    pub step: Step,
    /// The scenario, where the step is one of a scenario; else empty.
    pub of: String,
    /// Its tiles, where they are known.
    pub tiles: Option<usize>,
    /// Tiles that are kept.
    pub kept: usize,
    /// What would become of it.
    pub standing: Standing,
    /// Why it is not kept, in a few words; empty where it is.
    pub why: String,
}

impl Planned {
    /// What it does, for people.
    pub fn title(&self) -> String {
        match self.of.as_str() {
            "" => self.step.title().to_string(),
            of => format!("{}: {of}", self.step.title()),
        }
    }

    /// Shares with something to do, of so many.
    pub fn missing_shares(&self, of: usize) -> BTreeSet<usize> {
        match (&self.standing, self.tiles) {
            (Standing::Kept, _) => BTreeSet::new(),
            (Standing::Missing(windows), Some(tiles)) => {
                windows.iter().map(|window| share_of(*window, tiles, of)).collect()
            }
            _ => (0..of).collect(),
        }
    }
}

/// The steps of a study, in order, each with the scenario it is of.
pub fn steps(checked: &Checked) -> Vec<(Step, Option<&Scenario>)> {
    let study = &checked.study;
    let cases = || std::iter::once(None).chain(study.scenarios.iter().map(Some));
    let costs = {
        let cases: Vec<Case> = cases()
            .map(|scenario| Case {
                name: name_of(scenario).into(),
                scenario,
                designs: Vec::new(),
                temperature: Vec::new(),
                trend: Default::default(),
            })
            .collect();
        !Plan::of(study, &cases).is_empty()
    };
    let uncertainty = study.uncertainty.as_ref();
    let mut steps = Vec::new();
    for step in Step::ALL {
        let wanted = match step {
            Step::Water | Step::Response | Step::Habitat => true,
            Step::Beds | Step::Levels => levels::wanted(study, &checked.climates),
            Step::PoolGround | Step::PoolWater => curves::wanted(study),
            Step::Years => study.yearly_variables().next().is_some(),
            Step::Costs => costs,
            // worked out by whoever needs them
            Step::Priors | Step::Quality => false,
            Step::Past => study.over_time_years.is_some(),
            Step::Members => uncertainty.is_some(),
            Step::Sensitivity => uncertainty.is_some_and(|uncertainty| uncertainty.sensitivity.is_some()),
            Step::Scenario => {
                steps.extend(cases().map(|scenario| (step, scenario)));
                false
            }
        };
        steps.extend(wanted.then_some((step, None)));
    }
    steps
}

impl Store {
    /// What a run of this study would find kept, step by step.
    pub fn plan(&self, checked: &Checked) -> Vec<Planned> {
        let study = &checked.study;
        // whether it is known what the steps up to the fits, the scenarios, and years and habitat give
        let (mut fits, mut scenarios, mut after) = (true, true, true);
        let mut planned = Vec::new();
        for (step, scenario) in steps(checked) {
            let of = of(step, scenario);
            let name = named(step, of);
            let ingredients = self.ingredients(study, &checked.climates, step, scenario);
            let folder = Store::within(step, &name, &ingredients);
            let known = match step {
                step if step <= Step::Scenario => fits,
                Step::Years => fits,
                _ => fits && scenarios && after,
            };
            let tiles = self.windows(&folder).filter(|_| known);
            let parts = if known { self.parts(&folder) } else { BTreeSet::new() };
            let standing = match tiles {
                _ if !known => Standing::Hangs,
                None => Standing::Nothing,
                Some(tiles) => match (0..tiles).filter(|at| !parts.contains(at)).collect::<Vec<_>>() {
                    missing if missing.is_empty() => Standing::Kept,
                    missing if missing.len() == tiles => Standing::Nothing,
                    missing => Standing::Missing(missing),
                },
            };
            let why = why(&standing, self.last(&name).as_ref(), &ingredients);
            match (&standing, tiles.and_then(|tiles| self.digest_of(&folder, tiles))) {
                (Standing::Kept, Some(digest)) => self.knows(name, digest),
                _ if step < Step::Scenario => fits = false,
                _ if step == Step::Scenario => scenarios = false,
                _ if step <= Step::Habitat => after = false,
                // the others hang on habitat, not on each other
                _ => {}
            }
            planned.push(Planned { step, of: of.to_string(), tiles, kept: parts.len(), standing, why });
        }
        planned
    }
}

fn why(standing: &Standing, earlier: Option<&Ingredients>, ingredients: &Ingredients) -> String {
    let changed: Vec<&str> = earlier.map_or_else(Vec::new, |earlier| {
        let names = ingredients.changed_from(earlier).into_iter();
        names.filter(|name| *standing != Standing::Hangs || !name.starts_with("what \"")).collect()
    });
    let other = match changed.len() {
        0 => String::new(),
        _ => format!("other than in the last run: {}", changed.join(", ")),
    };
    match (standing, earlier) {
        (Standing::Kept, _) => String::new(),
        (Standing::Missing(_), _) => "a run stopped here, or tiles were removed".into(),
        (Standing::Nothing, None) => "not run yet".into(),
        (Standing::Nothing, Some(_)) if other.is_empty() => "its tiles are not there any more".into(),
        (Standing::Hangs, _) if other.is_empty() => "hangs on what the steps before give".into(),
        _ => other,
    }
}
