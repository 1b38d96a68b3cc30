//! Suitability of every case, the change of every scenario, and the areas by class: one pass over
//! tiles with a margin as wide as the farthest reach.

use super::Context;
use super::scenarios::{Case, CaseWater};
use super::water::{Water, WaterProducts};
use crate::error::EngineError;
use crate::layers::{Layers, NO_CLASS, known};
use lentic_habitat::change::{Areas, ByClass, Change, is_habitat};
use lentic_habitat::drawdown::depth_after;
use lentic_habitat::measure::{Block, distance_to, share_within, slope};
use lentic_habitat::patches::Standing;
use lentic_habitat::suitability::{Measured, suitability};
use lentic_numerics::exact_sum::ExactSum;
use lentic_raster::{Scratch, Window};
use lentic_study::Study;
use lentic_study::settings::{Layer, Measure, Role};

/// Why a cell is not assessed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u8)]
pub enum Reason {
    /// It is assessed.
    Assessed = 0,
    /// Its water record is too short.
    ShortRecord = 1,
    /// A layer has no data there.
    NoData = 2,
    /// Too little of its surroundings is known.
    Surroundings = 3,
    /// Outside the study area.
    Outside = 255,
}

/// Tables are made by these roles, in this order.
pub const TABLE_ROLES: [Role; 3] = [Role::Zones, Role::WetlandClass, Role::LandCover];

/// Areas of one scenario.
#[derive(Clone, Debug, Default)]
pub struct ScenarioAreas {
    /// The whole study area.
    pub whole: Areas,
    /// By `TABLE_ROLES`.
    pub by: [ByClass; 3],
}

/// Where habitat by observed and by modelled hydroperiod differ, square metres.
#[derive(Clone, Debug, Default)]
pub struct BaselineCheck {
    /// Habitat by both.
    pub both: ExactSum,
    /// By the observed only.
    pub observed_only: ExactSum,
    /// By the modelled only.
    pub modelled_only: ExactSum,
}

/// What the stage leaves.
pub struct SuitabilityProducts {
    /// Suitability by case.
    pub suitability: Vec<Scratch<f32>>,
    /// Suitability by observed hydroperiod.
    pub observed: Scratch<f32>,
    /// Change by case; the baseline's is against itself.
    pub change: Vec<Scratch<u8>>,
    /// `Standing` by case.
    pub standing: Vec<Scratch<u8>>,
    /// `Reason` codes.
    pub reason: Scratch<u8>,
    /// Zone codes, if there are zones.
    pub zones: Option<Scratch<u32>>,
    /// Areas by case.
    pub areas: Vec<ScenarioAreas>,
    /// Observed against modelled baseline.
    pub check: BaselineCheck,
    /// The whole study area, square metres.
    pub inside: ExactSum,
    /// Its parts by `Reason`, square metres.
    pub reasons: [ExactSum; 4],
}

/// Reach of the study's farthest variable, cells.
pub fn reach_cells(study: &Study, cell_m: f64) -> usize {
    let metres = study.variables().map(|(_, v)| v.measure.reach_m()).fold(0.0, f64::max);
    // slope looks one cell beyond
    ((metres / cell_m).ceil() as usize).max(1)
}

/// Runs the stage for all cases (the baseline first).
///
/// # Errors
/// A layer that cannot be read, a class without a score, or a disk that refuses.
pub fn run(
    context: &Context,
    water: &WaterProducts,
    cases: &[Case],
    case_water: &[CaseWater],
) -> Result<SuitabilityProducts, EngineError> {
    let study = context.study;
    let named = |kind: &str| -> Result<Vec<Scratch<u8>>, EngineError> {
        cases.iter().map(|case| context.bytes(&format!("{kind}_{}", case.name))).collect()
    };
    let mut products = SuitabilityProducts {
        suitability: cases
            .iter()
            .map(|case| context.floats(&format!("suitability_{}", case.name)))
            .collect::<Result<_, _>>()?,
        observed: context.floats("suitability_observed")?,
        change: named("change")?,
        standing: named("standing")?,
        reason: context.bytes("reason")?,
        zones: study.layer_with(Role::Zones).map(|_| context.words("zones")).transpose()?,
        areas: vec![ScenarioAreas::default(); cases.len()],
        check: BaselineCheck::default(),
        inside: ExactSum::default(),
        reasons: Default::default(),
    };
    let reach = reach_cells(study, context.grid.cell_m);
    let tiles = context.over_tiles("scoring habitat", |_, window| {
        one_tile(context, water, cases, case_water, &products, window, reach)
    })?;
    for tile in tiles {
        for (total, areas) in products.areas.iter_mut().zip(&tile.areas) {
            total.whole.merge(&areas.whole);
            for (total, by) in total.by.iter_mut().zip(&areas.by) {
                total.merge(by);
            }
        }
        products.check.both.merge(&tile.check.both);
        products.check.observed_only.merge(&tile.check.observed_only);
        products.check.modelled_only.merge(&tile.check.modelled_only);
        products.inside.merge(&tile.inside);
        products.reasons.iter_mut().zip(&tile.reasons).for_each(|(total, part)| total.merge(part));
    }
    Ok(products)
}

struct TileAreas {
    areas: Vec<ScenarioAreas>,
    check: BaselineCheck,
    inside: ExactSum,
    reasons: [ExactSum; 4],
}

fn one_tile(
    context: &Context,
    water: &WaterProducts,
    cases: &[Case],
    case_water: &[CaseWater],
    products: &SuitabilityProducts,
    window: Window,
    reach: usize,
) -> Result<TileAreas, EngineError> {
    let study = context.study;
    let outer = window.with_margin(reach, context.grid);
    let block = Block {
        rows: outer.rows,
        cols: outer.cols,
        inner_row: window.row - outer.row,
        inner_col: window.col - outer.col,
        inner_rows: window.rows,
        inner_cols: window.cols,
    };
    let reader = Reader { layers: context.layers, outer, window, block };
    let mut barrier = vec![false; window.len()];
    for name in &study.suitability.barriers {
        if let Some(layer) = study.layer(name) {
            let burnt = context.layers.barrier(layer, window)?;
            barrier.iter_mut().zip(burnt).for_each(|(b, here)| *b |= here);
        }
    }
    // what does not depend on the case is measured once
    let mut shared: Vec<Option<Measured>> = Vec::new();
    for (_, variable) in study.variables() {
        let changes = cases.iter().any(|case| reader.depends_on_case(&variable.measure, case));
        shared.push(if changes { None } else { Some(reader.measure(&variable.measure, None, None)?) });
    }
    let score = |case: Option<&Case>, months: &Scratch<f32>, fall: Option<&Scratch<f32>>| {
        let water = CaseLayers {
            hydroperiod: months.read(&outer)?,
            fall: fall.map(|f| f.read(&window)).transpose()?,
        };
        let mut own = Vec::new();
        for ((_, variable), shared) in study.variables().zip(&shared) {
            own.push(match shared {
                Some(_) => None,
                None => Some(reader.measure(&variable.measure, case, Some(&water))?),
            });
        }
        let measured: Vec<&Measured> =
            own.iter().zip(&shared).filter_map(|(own, shared)| own.as_ref().or(shared.as_ref())).collect();
        let unknown_surroundings: Vec<bool> = surroundings(study, &measured, window.len());
        Ok::<_, EngineError>((suitability(study, &measured, &barrier)?, unknown_surroundings))
    };
    let inside = water.inside.read(&window)?;
    let mut scored = Vec::with_capacity(cases.len());
    let mut surrounded = vec![false; window.len()];
    for (case, case_water) in cases.iter().zip(case_water) {
        let (values, unknown) = score(Some(case), &case_water.hydroperiod, case_water.fall.as_ref())?;
        surrounded.iter_mut().zip(unknown).for_each(|(a, b)| *a |= b);
        scored.push(values);
    }
    let (observed, _) = score(None, &water.hydroperiod, None)?;

    let cells = window.len();
    let states = water.state.read(&window)?;
    let compared: Vec<bool> =
        (0..cells).map(|c| inside[c] == 1 && scored.iter().all(|s| !s[c].is_nan())).collect();
    let reasons: Vec<u8> = (0..cells)
        .map(|c| {
            let reason = match (inside[c], compared[c]) {
                (0, _) => Reason::Outside,
                (_, true) => Reason::Assessed,
                _ if states[c] == Water::NotAssessed as u8 => Reason::ShortRecord,
                _ if surrounded[c] => Reason::Surroundings,
                _ => Reason::NoData,
            };
            reason as u8
        })
        .collect();
    products.reason.write(&window, &reasons)?;

    let mut by_role = Vec::new();
    for role in TABLE_ROLES {
        by_role.push(context.layers.codes_with(role, window)?);
    }
    if let (Some(scratch), Some(codes)) = (&products.zones, &by_role[0]) {
        scratch.write(&window, &codes.iter().map(|c| *c as u32).collect::<Vec<_>>())?;
    }
    let threshold = study.suitability.threshold;
    let area = |cell: usize| context.areas.area_m2(window.row + cell / window.cols);
    let mut totals = TileAreas {
        areas: vec![ScenarioAreas::default(); cases.len()],
        check: BaselineCheck::default(),
        inside: ExactSum::default(),
        reasons: Default::default(),
    };
    let habitat = |value: f32| is_habitat(value, threshold);
    for cell in (0..cells).filter(|c| inside[*c] == 1) {
        totals.inside.add(area(cell));
        if let Some(of_reason) = totals.reasons.get_mut(usize::from(reasons[cell])) {
            of_reason.add(area(cell));
        }
        let check = &mut totals.check;
        match (compared[cell], habitat(observed[cell]), habitat(scored[0][cell])) {
            (true, true, true) => check.both.add(area(cell)),
            (true, true, false) => check.observed_only.add(area(cell)),
            (true, false, true) => check.modelled_only.add(area(cell)),
            _ => {}
        }
    }
    for (at, values) in scored.iter().enumerate() {
        let mut change = vec![Change::NotAssessed as u8; cells];
        let mut standing = vec![Standing::NotCompared as u8; cells];
        for cell in (0..cells).filter(|c| inside[*c] == 1) {
            let what = if compared[cell] {
                standing[cell] =
                    if habitat(values[cell]) { Standing::Habitat } else { Standing::Other } as u8;
                Change::of(scored[0][cell], values[cell], threshold)
            } else {
                Change::NotAssessed
            };
            change[cell] = what as u8;
            let prior_only = states[cell] == Water::NeverDry as u8;
            let totals = &mut totals.areas[at];
            totals.whole.add(what, prior_only, area(cell));
            for (by, codes) in totals.by.iter_mut().zip(&by_role) {
                if let Some(codes) = codes {
                    by.add(known(codes[cell]), what, prior_only, area(cell));
                }
            }
        }
        products.change[at].write(&window, &change)?;
        products.standing[at].write(&window, &standing)?;
        products.suitability[at].write(&window, &values_inside(values, &inside))?;
    }
    products.observed.write(&window, &values_inside(&observed, &inside))?;
    Ok(totals)
}

fn values_inside(values: &[f32], inside: &[u8]) -> Vec<f32> {
    values.iter().zip(inside).map(|(v, inside)| if *inside == 1 { *v } else { f32::NAN }).collect()
}

/// Cells where a share is missing.
fn surroundings(study: &Study, measured: &[&Measured], cells: usize) -> Vec<bool> {
    let mut missing = vec![false; cells];
    for ((_, variable), measured) in study.variables().zip(measured) {
        let share = matches!(variable.measure, Measure::ShareOfClass { .. } | Measure::ShareOfWater { .. });
        if let (true, Measured::Numbers(values)) = (share, measured) {
            missing.iter_mut().zip(values).for_each(|(m, v)| *m |= v.is_nan());
        }
    }
    missing
}

/// Water of one case around a tile.
struct CaseLayers {
    /// Months per year, over the outer window.
    hydroperiod: Vec<f32>,
    /// Fall of depth, metres, over the window itself.
    fall: Option<Vec<f32>>,
}

/// Measures variables on one tile.
struct Reader<'a> {
    layers: Layers<'a>,
    outer: Window,
    window: Window,
    block: Block,
}

impl Reader<'_> {
    /// Whether a measure may differ between cases, this one among them.
    fn depends_on_case(&self, measure: &Measure, case: &Case) -> bool {
        match measure {
            Measure::Hydroperiod
            | Measure::Depth
            | Measure::DistanceToWater { .. }
            | Measure::ShareOfWater { .. } => true,
            Measure::Slope => false,
            Measure::Layer(name)
            | Measure::Class(name)
            | Measure::DistanceToClass { layer: name, .. }
            | Measure::ShareOfClass { layer: name, .. } => {
                let replaced = case.scenario.and_then(|s| s.land_cover.as_ref()).is_some();
                replaced && self.layers.study.layer(name).is_some_and(|l| l.role == Some(Role::LandCover))
            }
        }
    }

    /// The layer a measure reads in a case: a scenario's land cover takes the place of today's.
    fn layer(&self, name: &str, case: Option<&Case>) -> Result<&Layer, EngineError> {
        let study = self.layers.study;
        let future = case.and_then(|c| c.scenario).and_then(|s| s.land_cover.as_deref());
        let own = study.layer(name);
        let chosen = match (own, future) {
            (Some(layer), Some(future)) if layer.role == Some(Role::LandCover) => study.layer(future),
            _ => own,
        };
        chosen.ok_or_else(|| EngineError::Value {
            layer: name.to_string(),
            file: study.path.clone(),
            found: "there is no such layer".into(),
            expected: "name a layer of the study".into(),
        })
    }

    fn with_role(&self, role: Role, what: &str) -> Result<&Layer, EngineError> {
        let study = self.layers.study;
        study.layer_with(role).ok_or_else(|| EngineError::Value {
            layer: what.to_string(),
            file: study.path.clone(),
            found: format!("no layer has the role {what}"),
            expected: "a variable measures it".into(),
        })
    }

    fn measure(
        &self,
        measure: &Measure,
        case: Option<&Case>,
        water: Option<&CaseLayers>,
    ) -> Result<Measured, EngineError> {
        let cell_m = self.layers.grid.cell_m;
        let limit = self.layers.study.inundation.water_limit_months;
        let months = || water.map_or(&[][..], |w| &w.hydroperiod[..]);
        let wet = || -> Vec<bool> { months().iter().map(|m| f64::from(*m) >= limit).collect() };
        Ok(match measure {
            Measure::Layer(name) => {
                Measured::Numbers(self.layers.numbers(self.layer(name, case)?, self.window)?)
            }
            Measure::Class(name) => Measured::Codes(self.layers.codes(self.layer(name, case)?, self.window)?),
            Measure::Hydroperiod => Measured::Numbers(self.block.cut(months())),
            Measure::Depth => {
                let layer = self.with_role(Role::Depth, "depth")?;
                let mut depth = self.layers.numbers(layer, self.window)?;
                if let Some(fall) = water.and_then(|w| w.fall.as_ref()) {
                    depth.iter_mut().zip(fall).for_each(|(d, fall)| *d = depth_after(*d, *fall));
                }
                Measured::Numbers(depth)
            }
            Measure::Slope => {
                let layer = self.with_role(Role::Ground, "ground")?;
                let ground = self.layers.numbers(layer, self.outer)?;
                Measured::Numbers(slope(&self.block, &ground, cell_m))
            }
            Measure::DistanceToWater { limit_m } => {
                Measured::Numbers(distance_to(&self.block, &wet(), cell_m, *limit_m))
            }
            Measure::ShareOfWater { radius_m } => {
                let known: Vec<bool> = months().iter().map(|m| !m.is_nan()).collect();
                Measured::Numbers(share_within(&self.block, &wet(), &known, cell_m, *radius_m))
            }
            Measure::DistanceToClass { layer, classes, limit_m } => {
                let codes = self.layers.codes(self.layer(layer, case)?, self.outer)?;
                let targets: Vec<bool> = codes.iter().map(|c| classes.contains(c)).collect();
                Measured::Numbers(distance_to(&self.block, &targets, cell_m, *limit_m))
            }
            Measure::ShareOfClass { layer, classes, radius_m } => {
                let codes = self.layers.codes(self.layer(layer, case)?, self.outer)?;
                let targets: Vec<bool> = codes.iter().map(|c| classes.contains(c)).collect();
                let known: Vec<bool> = codes.iter().map(|c| *c != NO_CLASS).collect();
                Measured::Numbers(share_within(&self.block, &targets, &known, cell_m, *radius_m))
            }
        })
    }
}
