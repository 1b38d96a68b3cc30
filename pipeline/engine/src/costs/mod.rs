//! What drying costs: steps of drying, points of a surface, causes taken apart, ways to horizons and supplies of water, all of
//! them found in one pass over the tiles; refuges, fates of patches and habitat by year of the past besides.

pub mod causes;
pub mod ensembles;
pub mod fates;
pub mod ladder;
pub mod management;
pub mod past;
pub mod plan;
pub mod refuges;
pub mod steps;
pub mod supply;
pub mod surface;

use crate::error::EngineError;
use crate::layers::known;
use crate::reuse::{Leaves, Step};
use crate::stages::Context;
use crate::stages::patches::CasePatches;
use crate::stages::scenarios::Case;
use crate::stages::suitability::SuitabilityProducts;
use crate::stages::what_if::{Found, Place, WhatIf};
use causes::Losses;
use ladder::{Ladder, LadderPart};
use lentic_habitat::patches::Standing;
use lentic_raster::{CellAreas, RawCells, Scratch, Window};
use lentic_study::settings::Role;
use plan::{Plan, Use};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use steps::Steps;
use supply::{Gains, SupplyTile};
use surface::{Surface, SurfaceTile};

/// What was found; none of what the study does not ask for.
#[derive(Default)]
pub struct Costs {
    /// Steps of drying.
    pub ladder: Option<Ladder>,
    /// Habitat area over changes of climate.
    pub surface: Option<Surface>,
    /// Causes of the loss, by the case of a scenario that has both.
    pub causes: BTreeMap<usize, Losses>,
    /// Ways to the horizon by case: the years looked at, and habitat in them.
    pub ways: BTreeMap<usize, (Vec<i32>, Ladder)>,
    /// What steps of supply bring back, by case.
    pub supplies: BTreeMap<usize, Gains>,
}

/// What is known of the cells of a tile before any variant.
pub struct Facts<'a> {
    /// The tile.
    pub window: Window,
    /// Cells compared in all scenarios.
    pub compared: Vec<bool>,
    /// Habitat in the baseline.
    pub before: Vec<bool>,
    /// Patch of the baseline, 0 none; empty where patches are not looked at.
    pub patch: Vec<u32>,
    /// Zones, where the study has any and they are looked at.
    pub zone: Option<Vec<Option<i32>>>,
    /// Usual depth, metres, where the study has depths and they are looked at.
    pub depth: Option<Vec<f32>>,
    areas: &'a CellAreas,
}

impl<'a> Facts<'a> {
    /// The cells of a tile, without patches, zones and depths.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn read(
        context: &'a Context,
        products: &SuitabilityProducts,
        window: Window,
    ) -> Result<Self, EngineError> {
        Ok(Facts {
            window,
            compared: products.compared(&window)?,
            before: habitat_of(&products.standing[0], &window)?,
            patch: Vec::new(),
            zone: None,
            depth: None,
            areas: &context.areas,
        })
    }

    /// Area of a cell, square metres.
    pub fn area(&self, cell: usize) -> f64 {
        self.areas.area_m2(self.window.row + cell / self.window.cols)
    }
}

fn habitat_of(standing: &Scratch<u8>, window: &Window) -> Result<Vec<bool>, EngineError> {
    Ok(standing.read(window)?.into_iter().map(|standing| standing == Standing::Habitat as u8).collect())
}

/// What a tile gives to each product while variants are found.
struct TileParts {
    ladder: Option<Steps>,
    surface: Option<SurfaceTile>,
    causes: BTreeMap<usize, Steps>,
    ways: BTreeMap<usize, Steps>,
    supplies: BTreeMap<usize, SupplyTile>,
}

/// What a tile leaves.
#[derive(Serialize, Deserialize)]
struct TileFound {
    ladder: Option<LadderPart>,
    surface: Option<SurfaceTile>,
    causes: BTreeMap<usize, Losses>,
    ways: BTreeMap<usize, LadderPart>,
    supplies: BTreeMap<usize, Gains>,
}

/// Where codes of cells are written.
struct Maps {
    ladder: Option<Scratch<u8>>,
    ways: BTreeMap<usize, Scratch<u8>>,
}

impl Maps {
    fn leaves(&self) -> Leaves<'_> {
        let files = self.ladder.iter().chain(self.ways.values());
        Leaves { cells: files.map(|cells| cells as &dyn RawCells).collect(), files: Vec::new() }
    }
}

impl TileParts {
    fn new(context: &Context, plan: &Plan, cells: usize) -> Self {
        let study = context.study;
        let steps = |count: usize| Steps::new(count, cells);
        let mut parts = TileParts {
            ladder: study.drying_ladder.as_ref().map(|ladder| steps(ladder.steps().len())),
            surface: study.response_surface.as_ref().map(|s| SurfaceTile::new(surface::points(s).count())),
            causes: BTreeMap::new(),
            ways: BTreeMap::new(),
            supplies: BTreeMap::new(),
        };
        let supplied = study.water_requirement.as_ref().map_or(0, |wanted| wanted.supply.steps().len() + 1);
        for what in plan.known.iter().map(|(_, what)| what).chain(plan.uses.iter().flatten()) {
            match what {
                Use::Step(_) | Use::Point(_) => {}
                Use::Cause(case, _) => {
                    parts.causes.entry(*case).or_insert_with(|| steps(causes::COUNT));
                }
                Use::Time(case, _) => {
                    parts.ways.entry(*case).or_insert_with(|| steps(plan.times[*case].len()));
                }
                Use::Supply(case, _) => {
                    parts.supplies.entry(*case).or_insert_with(|| SupplyTile::new(supplied, cells));
                }
            }
        }
        parts
    }

    /// Takes the habitat of a variant: by cell, `None` where it is not assessed; `found` where it was found anew.
    fn see(
        &mut self,
        what: Use,
        facts: &Facts,
        habitat: &dyn Fn(usize) -> Option<bool>,
        found: Option<&Found>,
    ) {
        match what {
            Use::Step(at) => self.ladder.iter_mut().for_each(|steps| steps.see(at, facts, habitat)),
            Use::Point(at) => self.surface.iter_mut().for_each(|surface| surface.see(at, facts, habitat)),
            Use::Cause(case, at) => {
                self.causes.get_mut(&case).into_iter().for_each(|steps| steps.see(at, facts, habitat));
            }
            Use::Time(case, at) => {
                self.ways.get_mut(&case).into_iter().for_each(|steps| steps.see(at, facts, habitat));
            }
            Use::Supply(case, at) => {
                for (tile, found) in self.supplies.get_mut(&case).into_iter().zip(found) {
                    tile.see(at, facts, found);
                }
            }
        }
    }

    fn finish(self, facts: &Facts, maps: &Maps) -> Result<TileFound, EngineError> {
        let ladder = self.ladder.iter().zip(&maps.ladder).next();
        let mut ways = BTreeMap::new();
        for (case, steps) in &self.ways {
            if let Some(map) = maps.ways.get(case) {
                ways.insert(*case, ladder::finish(steps, facts, map)?);
            }
        }
        Ok(TileFound {
            ladder: ladder.map(|(steps, map)| ladder::finish(steps, facts, map)).transpose()?,
            surface: self.surface,
            causes: self.causes.iter().map(|(case, steps)| (*case, Losses::of(steps, facts))).collect(),
            ways,
            supplies: self.supplies.into_iter().map(|(case, tile)| (case, tile.finish(facts))).collect(),
        })
    }
}

/// Finds what the study asks for; nothing is computed where it asks for nothing.
///
/// # Errors
/// A drawdown without a known answer, a layer that cannot be read, or a disk that refuses.
pub fn run(
    what_if: WhatIf,
    cases: &[Case],
    products: &SuitabilityProducts,
    patches: &[CasePatches],
) -> Result<Costs, EngineError> {
    let context = what_if.context;
    let study = context.study;
    let plan = Plan::of(study, cases);
    if plan.is_empty() {
        return Ok(Costs::default());
    }
    let ways = plan.times.iter().enumerate().filter(|(_, years)| !years.is_empty());
    let map =
        |(case, _): (usize, &Vec<i32>)| Ok((case, context.bytes(&format!("way_{}", cases[case].name))?));
    let maps = Maps {
        ladder: study.drying_ladder.as_ref().map(|_| context.bytes("drying_margin")).transpose()?,
        ways: ways.map(map).collect::<Result<_, EngineError>>()?,
    };
    let own = plan.cases(context)?;
    let variants = what_if.variants(&own)?;
    let depths = study.layer_with(Role::Depth).filter(|_| study.water_requirement.is_some());
    let tiles = what_if.over_tiles(Step::Costs, &maps.leaves(), |place: &Place| {
        let window = place.window;
        let zones = context.layers.codes_with(Role::Zones, window)?;
        let facts = Facts {
            patch: patches[0].labels.read(&window)?,
            zone: zones.map(|codes| codes.into_iter().map(known).collect()),
            depth: depths.map(|layer| context.layers.numbers(layer, window)).transpose()?,
            ..Facts::read(context, products, window)?
        };
        let mut parts = TileParts::new(context, &plan, window.len());
        for (case, what) in &plan.known {
            let habitat = habitat_of(&products.standing[*case], &window)?;
            parts.see(*what, &facts, &|cell| Some(habitat[cell]), None);
        }
        for (variant, uses) in variants.iter().zip(&plan.uses) {
            let found = place.find(variant)?;
            uses.iter().for_each(|what| parts.see(*what, &facts, &|cell| found.habitat(cell), Some(&found)));
        }
        parts.finish(&facts, &maps)
    })?;
    Ok(gather(context, &plan, maps, &tiles, &patches[0]))
}

/// Adds up the tiles.
fn gather(context: &Context, plan: &Plan, maps: Maps, tiles: &[TileFound], patches: &CasePatches) -> Costs {
    let study = context.study;
    let mut costs = Costs::default();
    if let (Some(ladder), Some(margin)) = (&study.drying_ladder, maps.ladder) {
        let parts = tiles.iter().filter_map(|tile| tile.ladder.as_ref());
        costs.ladder = Some(Ladder::of(ladder.steps().len(), parts, patches, margin));
    }
    if let Some(wanted) = &study.response_surface {
        costs.surface = Some(Surface::of(wanted, tiles.iter().filter_map(|tile| tile.surface.as_ref())));
    }
    for (case, map) in maps.ways {
        let parts = tiles.iter().filter_map(|tile| tile.ways.get(&case));
        let way = Ladder::of(plan.times[case].len(), parts, patches, map);
        costs.ways.insert(case, (plan.times[case].clone(), way));
    }
    for tile in tiles {
        for (case, losses) in &tile.causes {
            costs.causes.entry(*case).or_default().merge(losses);
        }
        for (case, gains) in &tile.supplies {
            costs.supplies.entry(*case).or_default().merge(gains);
        }
    }
    costs
}
