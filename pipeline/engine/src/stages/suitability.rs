//! Suitability of every case, the change of every scenario, and the areas by class: one pass over
//! tiles with a margin as wide as the farthest reach.

use super::Context;
use super::scenarios::{Case, CaseWater};
use super::water::{Water, WaterProducts};
use super::yearly::{self, YearlyCells};
use crate::distribution::Counts;
use crate::error::EngineError;
use crate::layers::known;
use crate::measures::CaseCells;
use crate::reuse::{Leaves, Step};
use crate::scoring::{Scored, Scorer};
use lentic_habitat::change::{Areas, ByClass, Change, is_habitat};
use lentic_habitat::limiting::{UNKNOWN, factor_names};
use lentic_habitat::patches::Standing;
use lentic_habitat::suitability::Measured;
use lentic_numerics::exact_sum::ExactSum;
use lentic_raster::{RawCells, Scratch, Window};
use lentic_study::settings::Role;
use serde::{Deserialize, Serialize};

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
    /// It lies in no climate.
    NoClimate = 4,
    /// Outside the study area.
    Outside = 255,
}

/// Reasons inside the study area.
pub const REASONS: usize = 5;

/// Tables are made by these roles, in this order.
pub const TABLE_ROLES: [Role; 3] = [Role::Zones, Role::WetlandClass, Role::LandCover];

/// Areas of one scenario.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
pub struct ScenarioAreas {
    /// The whole study area.
    pub whole: Areas,
    /// By `TABLE_ROLES`.
    pub by: [ByClass; 3],
}

/// Where habitat by observed and by modelled hydroperiod differ, square metres.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
pub struct BaselineCheck {
    /// Habitat by both.
    pub both: ExactSum,
    /// By the observed only.
    pub observed_only: ExactSum,
    /// By the modelled only.
    pub modelled_only: ExactSum,
}

/// Areas by limiting factor, square metres; position = code.
pub type LimitAreas = Vec<[ExactSum; 2]>;

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
    /// Codes of the limiting factor by case.
    pub limiting: Vec<Scratch<u8>>,
    /// `Reason` codes.
    pub reason: Scratch<u8>,
    /// Zone codes, if there are zones.
    pub zones: Option<Scratch<u32>>,
    /// Areas by case.
    pub areas: Vec<ScenarioAreas>,
    /// By case, areas of compared cells by limiting factor: those that are no habitat, and those that are.
    pub limit_areas: Vec<LimitAreas>,
    /// By variable, what it measures in the baseline over the compared cells.
    pub distributions: Vec<Counts>,
    /// By variable, cells inside the study area that have its measure in the baseline.
    pub known: Vec<u64>,
    /// Observed against modelled baseline.
    pub check: BaselineCheck,
    /// The whole study area, square metres.
    pub inside: ExactSum,
    /// Its parts by `Reason`, square metres.
    pub reasons: [ExactSum; REASONS],
}

impl SuitabilityProducts {
    fn leaves(&self) -> Leaves<'_> {
        let numbers = self.suitability.iter().chain([&self.observed]).map(|cells| cells as &dyn RawCells);
        let codes = [&self.change, &self.standing, &self.limiting].into_iter().flatten();
        let codes = codes.chain([&self.reason]).map(|cells| cells as &dyn RawCells);
        let zones = self.zones.iter().map(|cells| cells as &dyn RawCells);
        Leaves { cells: numbers.chain(codes).chain(zones).collect(), files: Vec::new() }
    }

    /// Cells of a window that are compared: assessed in the baseline and in every scenario.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn compared(&self, window: &Window) -> Result<Vec<bool>, EngineError> {
        let reasons = self.reason.read(window)?;
        Ok(reasons.into_iter().map(|reason| reason == Reason::Assessed as u8).collect())
    }
}

/// The water of the record itself.
struct RecordCells<'a> {
    hydroperiod: &'a Scratch<f32>,
    yearly: Vec<YearlyCells>,
}

impl CaseCells for RecordCells<'_> {
    fn hydroperiod(&self, window: &Window) -> Result<Vec<f32>, EngineError> {
        Ok(self.hydroperiod.read(window)?)
    }

    fn fall(&self, _: &Window) -> Result<Option<Vec<f32>>, EngineError> {
        Ok(None)
    }

    fn yearly(&self, at: usize, window: &Window) -> Result<Measured, EngineError> {
        self.yearly[at].read(window)
    }

    fn concentration(&self, _: i32) -> f64 {
        1.0
    }
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
        limiting: named("limiting")?,
        reason: context.bytes("reason")?,
        zones: study.layer_with(Role::Zones).map(|_| context.words("zones")).transpose()?,
        areas: Vec::new(),
        limit_areas: Vec::new(),
        distributions: Vec::new(),
        known: Vec::new(),
        check: BaselineCheck::default(),
        inside: ExactSum::default(),
        reasons: Default::default(),
    };
    let yearly = yearly::observed(context, water, &cases[0])?;
    let record = RecordCells { hydroperiod: &water.hydroperiod, yearly };
    let scorer = Scorer::new(context.layers);
    let tiles = context.over_kept(Step::Habitat, &|_| products.leaves(), |_, window| {
        one_tile(context, &scorer, water, cases, case_water, &record, &products, window)
    })?;
    let mut totals = Totals::new(context, cases.len());
    tiles.iter().for_each(|tile| totals.merge(tile));
    products.areas = totals.areas;
    products.limit_areas = totals.limits;
    products.distributions = totals.distributions;
    products.known = totals.known;
    products.check = totals.check;
    products.inside = totals.inside;
    products.reasons = totals.reasons;
    Ok(products)
}

/// What is added up over tiles.
#[derive(Serialize, Deserialize)]
struct Totals {
    areas: Vec<ScenarioAreas>,
    limits: Vec<LimitAreas>,
    distributions: Vec<Counts>,
    known: Vec<u64>,
    check: BaselineCheck,
    inside: ExactSum,
    reasons: [ExactSum; REASONS],
}

impl Totals {
    fn new(context: &Context, cases: usize) -> Self {
        let variables = context.study.variables().count();
        let codes = usize::from(UNKNOWN) + 1;
        debug_assert!(factor_names(&context.study.requisites).len() < codes);
        Totals {
            areas: vec![ScenarioAreas::default(); cases],
            limits: vec![vec![<[ExactSum; 2]>::default(); codes]; cases],
            distributions: vec![Counts::default(); variables],
            known: vec![0; variables],
            check: BaselineCheck::default(),
            inside: ExactSum::default(),
            reasons: Default::default(),
        }
    }

    fn merge(&mut self, tile: &Totals) {
        for (total, areas) in self.areas.iter_mut().zip(&tile.areas) {
            total.whole.merge(&areas.whole);
            total.by.iter_mut().zip(&areas.by).for_each(|(total, by)| total.merge(by));
        }
        for (total, limits) in self.limits.iter_mut().flatten().zip(tile.limits.iter().flatten()) {
            total.iter_mut().zip(limits).for_each(|(total, area)| total.merge(area));
        }
        self.distributions
            .iter_mut()
            .zip(&tile.distributions)
            .for_each(|(total, counts)| total.merge(counts));
        self.known.iter_mut().zip(&tile.known).for_each(|(total, known)| *total += known);
        self.check.both.merge(&tile.check.both);
        self.check.observed_only.merge(&tile.check.observed_only);
        self.check.modelled_only.merge(&tile.check.modelled_only);
        self.inside.merge(&tile.inside);
        self.reasons.iter_mut().zip(&tile.reasons).for_each(|(total, area)| total.merge(area));
    }
}

#[allow(clippy::too_many_arguments)]
fn one_tile(
    context: &Context,
    scorer: &Scorer,
    water: &WaterProducts,
    cases: &[Case],
    case_water: &[CaseWater],
    record: &RecordCells,
    products: &SuitabilityProducts,
    window: Window,
) -> Result<Totals, EngineError> {
    let study = context.study;
    let tile = scorer.tile(window)?;
    let inside = water.inside.read(&window)?;
    let mut scored = Vec::with_capacity(cases.len());
    let mut limits = Vec::with_capacity(cases.len());
    let mut surrounded = vec![false; window.len()];
    let mut measured = Vec::new();
    // the baseline, which most cells of a scenario are like
    let mut before: Option<(Scored, Vec<u8>)> = None;
    for (case, case_water) in cases.iter().zip(case_water) {
        let found = tile.score(case.scenario, case_water)?;
        surrounded.iter_mut().zip(found.unknown_surroundings()).for_each(|(a, b)| *a |= b);
        let of_case = found.limits(&inside, before.as_ref());
        if case.scenario.is_none() {
            measured = found.measured();
        }
        scored.push(found.suitability.clone());
        limits.push(of_case.clone());
        if before.is_none() {
            before = Some((found, of_case));
        }
    }
    drop(before);
    let observed = tile.score(None, record)?.suitability;

    let cells = window.len();
    let states = water.state.read(&window)?;
    let compared: Vec<bool> =
        (0..cells).map(|c| inside[c] == 1 && scored.iter().all(|s| !s[c].is_nan())).collect();
    let climates = context.climates.of_cells(&context.layers, window)?;
    let reasons: Vec<u8> = (0..cells)
        .map(|c| {
            let reason = match (inside[c], compared[c]) {
                (0, _) => Reason::Outside,
                (_, true) => Reason::Assessed,
                _ if climates[c].is_none() => Reason::NoClimate,
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
    let mut totals = Totals::new(context, cases.len());
    let habitat = |value: f32| is_habitat(value, threshold);
    for cell in (0..cells).filter(|c| inside[*c] == 1) {
        totals.inside.add(area(cell));
        if let Some(of_reason) = totals.reasons.get_mut(usize::from(reasons[cell])) {
            of_reason.add(area(cell));
        }
        let check = &mut totals.check;
        // by the record alone a cell may lack a year that counts
        match (compared[cell] && !observed[cell].is_nan(), habitat(observed[cell]), habitat(scored[0][cell]))
        {
            (true, true, true) => check.both.add(area(cell)),
            (true, true, false) => check.observed_only.add(area(cell)),
            (true, false, true) => check.modelled_only.add(area(cell)),
            _ => {}
        }
    }
    let variables = study.variables().zip(&measured);
    for (at, ((_, variable), measured)) in variables.enumerate() {
        totals.distributions[at].add(variable, measured, &compared);
        totals.known[at] = (0..cells).filter(|c| inside[*c] == 1 && measured.is_known(*c)).count() as u64;
    }
    for (at, values) in scored.iter().enumerate() {
        let mut change = vec![Change::NotAssessed as u8; cells];
        let mut standing = vec![Standing::NotCompared as u8; cells];
        let mut limiting = vec![UNKNOWN; cells];
        // cells in a row that are alike are added together
        let mut run: Option<(Alike, u64)> = None;
        for cell in (0..cells).filter(|c| inside[*c] == 1) {
            let what = if compared[cell] {
                let is_habitat = habitat(values[cell]);
                standing[cell] = if is_habitat { Standing::Habitat } else { Standing::Other } as u8;
                limiting[cell] = limits[at][cell];
                totals.limits[at][usize::from(limiting[cell])][usize::from(is_habitat)].add(area(cell));
                Change::of(scored[0][cell], values[cell], threshold)
            } else {
                Change::NotAssessed
            };
            change[cell] = what as u8;
            let prior_only = states[cell] == Water::NeverDry as u8;
            let codes = std::array::from_fn(|by| by_role[by].as_ref().map(|codes| known(codes[cell])));
            let alike = Alike { row: cell / window.cols, what, prior_only, codes };
            match &mut run {
                Some((of, cells)) if *of == alike => *cells += 1,
                _ => {
                    let before = run.replace((alike, 1));
                    before.iter().for_each(|(of, cells)| {
                        of.add(*cells, area(of.row * window.cols), &mut totals.areas[at])
                    });
                }
            }
        }
        run.iter().for_each(|(of, cells)| of.add(*cells, area(of.row * window.cols), &mut totals.areas[at]));
        products.change[at].write(&window, &change)?;
        products.standing[at].write(&window, &standing)?;
        products.limiting[at].write(&window, &limiting)?;
        products.suitability[at].write(&window, &values_inside(values, &inside))?;
    }
    products.observed.write(&window, &values_inside(&observed, &inside))?;
    Ok(totals)
}

/// What decides where the area of a cell is added.
#[derive(PartialEq)]
struct Alike {
    /// Row of the window: its cells have one area.
    row: usize,
    what: Change,
    prior_only: bool,
    /// By `TABLE_ROLES`: the class, where the study has the layer.
    codes: [Option<Option<i32>>; TABLE_ROLES.len()],
}

impl Alike {
    fn add(&self, cells: u64, area: f64, to: &mut ScenarioAreas) {
        to.whole.add_cells(self.what, self.prior_only, area, cells);
        for (by, code) in to.by.iter_mut().zip(self.codes) {
            if let Some(code) = code {
                by.add_cells(code, self.what, self.prior_only, area, cells);
            }
        }
    }
}

/// What is measured on a window in one case.
pub struct WindowMeasures {
    /// By variable, in the order of `Study::variables`.
    pub measured: Vec<Measured>,
    /// Factor of nearness by requisite; empty where it need not be near another.
    pub nearness: Vec<Vec<f64>>,
    /// Where barriers lie.
    pub barrier: Vec<bool>,
    /// The study's suitability, as stored.
    pub suitability: Vec<f32>,
}

/// Measures and scores a window in one case.
///
/// # Errors
/// A layer that cannot be read, a class without a score, or a disk that refuses.
pub fn measure_window(
    context: &Context,
    case: &Case,
    case_water: &CaseWater,
    window: Window,
) -> Result<WindowMeasures, EngineError> {
    let scorer = Scorer::new(context.layers);
    let tile = scorer.tile(window)?;
    let scored = tile.score(case.scenario, case_water)?;
    Ok(WindowMeasures {
        measured: scored.measured(),
        nearness: scored.factors(),
        barrier: (0..window.len()).map(|cell| scored.has_barrier(cell)).collect(),
        suitability: scored.suitability,
    })
}

fn values_inside(values: &[f32], inside: &[u8]) -> Vec<f32> {
    values.iter().zip(inside).map(|(v, inside)| if *inside == 1 { *v } else { f32::NAN }).collect()
}
