//! What drying costs: steps of drying and points of a surface, found in one pass over the tiles.

pub mod fates;
pub mod ladder;
pub mod surface;

use crate::error::EngineError;
use crate::run::case_of;
use crate::stages::patches::CasePatches;
use crate::stages::scenarios::Case;
use crate::stages::suitability::{Reason, SuitabilityProducts};
use crate::stages::what_if::{Found, Place, WhatIf};
use ladder::{Ladder, LadderTile};
use lentic_habitat::patches::Standing;
use lentic_raster::{CellAreas, Window};
use lentic_study::Study;
use lentic_study::settings::Scenario;
use surface::{Surface, SurfaceTile};

/// What was found; none of what the study does not ask for.
#[derive(Default)]
pub struct Costs {
    /// Steps of drying.
    pub ladder: Option<Ladder>,
    /// Habitat area over changes of climate.
    pub surface: Option<Surface>,
}

/// What a variant is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Use {
    /// A step of the ladder, by its position.
    Step(usize),
    /// A point of the surface, by its position.
    Point(usize),
}

/// The variants wanted, each once, with what they are for.
#[derive(Default)]
struct Plan {
    /// What today is for.
    today: Vec<Use>,
    scenarios: Vec<Scenario>,
    uses: Vec<Vec<Use>>,
}

impl Plan {
    fn of(study: &Study) -> Self {
        let mut plan = Plan::default();
        if let Some(ladder) = &study.drying_ladder {
            for (at, step) in ladder.steps().iter().enumerate() {
                plan.add(ladder.scenario(*step), Use::Step(at));
            }
        }
        if let Some(surface) = &study.response_surface {
            for (at, (rain, warmth)) in surface::points(surface).enumerate() {
                plan.add(surface.scenario(rain, warmth), Use::Point(at));
            }
        }
        plan
    }

    /// Adds a use of a scenario; scenarios that change the same are one variant, and one without change is today.
    fn add(&mut self, scenario: Scenario, what: Use) {
        if alike(&scenario, &Scenario::unchanged("")) {
            self.today.push(what);
        } else if let Some(at) = self.scenarios.iter().position(|known| alike(known, &scenario)) {
            self.uses[at].push(what);
        } else {
            self.scenarios.push(scenario);
            self.uses.push(vec![what]);
        }
    }
}

/// Whether two scenarios change the same.
fn alike(one: &Scenario, other: &Scenario) -> bool {
    let Scenario { name, title, horizon, .. } = other.clone();
    Scenario { name, title, horizon, ..one.clone() } == *other
}

/// What is known of the cells of a tile before any variant.
pub struct Facts<'a> {
    /// The tile.
    pub window: Window,
    /// Cells compared in all scenarios.
    pub compared: Vec<bool>,
    /// Habitat in the baseline.
    pub before: Vec<bool>,
    /// Patch of the baseline, 0 none.
    pub patch: Vec<u32>,
    areas: &'a CellAreas,
}

impl Facts<'_> {
    /// Area of a cell, square metres.
    pub fn area(&self, cell: usize) -> f64 {
        self.areas.area_m2(self.window.row + cell / self.window.cols)
    }
}

/// What a tile gives to each product.
struct TileParts {
    ladder: Option<LadderTile>,
    surface: Option<SurfaceTile>,
}

impl TileParts {
    fn new(study: &Study, cells: usize) -> Self {
        TileParts {
            ladder: study.drying_ladder.as_ref().map(|ladder| LadderTile::new(ladder.steps().len(), cells)),
            surface: study
                .response_surface
                .as_ref()
                .map(|wanted| SurfaceTile::new(surface::points(wanted).count())),
        }
    }

    /// Takes the habitat of a variant: by cell, `None` where it is not assessed.
    fn see(&mut self, what: Use, facts: &Facts, habitat: &dyn Fn(usize) -> Option<bool>) {
        match what {
            Use::Step(at) => self.ladder.iter_mut().for_each(|ladder| ladder.see(at, facts, habitat)),
            Use::Point(at) => self.surface.iter_mut().for_each(|surface| surface.see(at, facts, habitat)),
        }
    }
}

/// Finds what the study asks for; nothing is computed where it asks for nothing.
///
/// # Errors
/// A drawdown without a known answer, a layer that cannot be read, or a disk that refuses.
pub fn run(
    what_if: WhatIf,
    products: &SuitabilityProducts,
    patches: &[CasePatches],
) -> Result<Costs, EngineError> {
    let context = what_if.context;
    let study = context.study;
    let plan = Plan::of(study);
    if plan.today.is_empty() && plan.uses.is_empty() {
        return Ok(Costs::default());
    }
    let cases: Vec<Case> =
        plan.scenarios.iter().map(|scenario| case_of(context, scenario)).collect::<Result<_, _>>()?;
    let variants = what_if.variants(&cases)?;
    let margin = study.drying_ladder.as_ref().map(|_| context.bytes("drying_margin")).transpose()?;
    let tiles = what_if.over_tiles("finding what drying costs", |place: &Place| {
        let window = place.window;
        let reasons = products.reason.read(&window)?;
        let standing = products.standing[0].read(&window)?;
        let facts = Facts {
            window,
            compared: reasons.iter().map(|reason| *reason == Reason::Assessed as u8).collect(),
            before: standing.iter().map(|standing| *standing == Standing::Habitat as u8).collect(),
            patch: patches[0].labels.read(&window)?,
            areas: &context.areas,
        };
        let mut parts = TileParts::new(study, window.len());
        for what in &plan.today {
            parts.see(*what, &facts, &|cell| Some(facts.before[cell]));
        }
        for (variant, uses) in variants.iter().zip(&plan.uses) {
            let found: Found = place.find(variant)?;
            uses.iter().for_each(|what| parts.see(*what, &facts, &|cell| found.habitat(cell)));
        }
        let ladder = match (&parts.ladder, &margin) {
            (Some(ladder), Some(margin)) => Some(ladder.finish(&facts, margin)?),
            _ => None,
        };
        Ok((ladder, parts.surface))
    })?;
    let mut costs = Costs::default();
    if let (Some(ladder), Some(margin)) = (&study.drying_ladder, margin) {
        let parts = tiles.iter().filter_map(|(ladder, _)| ladder.as_ref());
        costs.ladder = Some(Ladder::of(ladder.steps().len(), parts, &patches[0], margin));
    }
    if let Some(wanted) = &study.response_surface {
        costs.surface = Some(Surface::of(wanted, tiles.iter().filter_map(|(_, surface)| surface.as_ref())));
    }
    Ok(costs)
}

#[cfg(test)]
mod tests {
    use super::*;
    use lentic_study::settings::{DryingLadder, ResponseSurface};

    #[test]
    fn what_changes_the_same_is_found_once() {
        let mut plan = Plan::default();
        let ladder = DryingLadder::PrecipitationLoss(vec![0.0, 10.0]);
        let surface = ResponseSurface { precipitation: vec![-10.0, 0.0], temperature_c: vec![0.0, 1.0] };
        for (at, step) in ladder.steps().iter().enumerate() {
            plan.add(ladder.scenario(*step), Use::Step(at));
        }
        for (at, (rain, warmth)) in surface::points(&surface).enumerate() {
            plan.add(surface.scenario(rain, warmth), Use::Point(at));
        }
        // today: step 0 and the point without change; 10 % less rain: step 1 and point 0
        assert_eq!(plan.today, [Use::Step(0), Use::Point(1)]);
        assert_eq!(plan.uses, [vec![Use::Step(1), Use::Point(0)], vec![Use::Point(2)], vec![Use::Point(3)]]);
    }
}
