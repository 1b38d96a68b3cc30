//! The cells of a window, and how their water answers to a case.

use super::mean_fall::Falls;
use super::{Case, Unknown, prescribed};
use crate::blob::WetCells;
use crate::error::EngineError;
use crate::stages::Context;
use crate::stages::curves::Curves;
use crate::stages::water::{Water, WaterProducts};
use crate::stages::yearly::{CaseYears, DrawnBy, Numbers, TileYears};
use lentic_habitat::drawdown::curve::Bound;
use lentic_habitat::drawdown::{Factor, Lines, equivalent_fall, shift};
use lentic_habitat::members::Member;
use lentic_habitat::response::trust::CovarianceRoot;
use lentic_habitat::response::{Beta, Groups};
use lentic_habitat::water::BitRows;
use lentic_numerics::season::Block;
use lentic_raster::Window;
use lentic_study::settings::Role;

/// By what water answers, in every window.
#[derive(Clone, Copy)]
pub(crate) struct AnswersBy<'a> {
    /// Priors of the response groups.
    pub groups: &'a Groups,
    /// How water follows its table.
    pub lines: &'a Lines,
    /// How it does in pools that have a curve.
    pub curves: &'a Curves,
    /// By response group ([`Groups::position`]), the standard normal numbers that coefficients lie off by; empty where they do not.
    pub off: &'a [[f64; 4]],
    /// The baseline.
    pub baseline: &'a Case<'a>,
}

impl<'a> AnswersBy<'a> {
    /// As a member has it.
    pub fn of_member(self, member: Option<&'a Member>) -> Self {
        AnswersBy { off: member.map_or(&[], |member| &member.response), ..self }
    }
}

/// The cells of a window with what their water answers by, the same in every case.
pub(crate) struct Site {
    /// The window.
    pub window: Window,
    /// Cells ever wet, by their positions in the window.
    pub wet: WetCells,
    /// Their coefficients.
    betas: Vec<Beta>,
    /// Roots of the covariances of those; empty where neither standard deviations nor members are wanted.
    roots: Vec<CovarianceRoot>,
    codes: Vec<Option<i32>>,
    pools: Vec<Option<i32>>,
    /// `Water` codes.
    pub states: Vec<u8>,
    ground: Option<Vec<f32>>,
    factors: Vec<Option<Factor>>,
    /// Climate of every cell.
    pub climates: Vec<Option<usize>>,
    /// Numbers that years of the wet cells are drawn by, where many cases follow.
    numbers: Option<Numbers>,
}

/// Water of a window in one case.
pub(crate) struct Answer<'a> {
    /// Expected hydroperiod, months per year.
    pub months: Vec<f32>,
    /// Its standard deviation; NaN where it is not known or not wanted.
    pub sds: Vec<f32>,
    /// Fall of depth, metres.
    pub depth_falls: Vec<f32>,
    /// Yearly measures, where the study has any.
    pub years: Option<TileYears<'a>>,
}

impl Site {
    /// The cells of a window whose wet cells and fits are these.
    ///
    /// # Errors
    /// A layer that cannot be read, or a disk that refuses.
    pub fn new(
        context: &Context,
        water: &WaterProducts,
        lines: &Lines,
        window: Window,
        (wet, betas, roots): (WetCells, Vec<Beta>, Vec<CovarianceRoot>),
    ) -> Result<Self, EngineError> {
        let codes = context.climates.groups(&context.layers, window)?;
        let pools = context.layers.pools(window)?;
        let states = water.state.read(&window)?;
        let ground = context.layers.numbers_with(Role::Ground, window)?;
        let factors: Vec<Option<Factor>> =
            wet.cells.iter().map(|c| lines.of(pools[*c as usize], codes[*c as usize])).collect();
        let climates = context.climates.of_cells(&context.layers, window)?;
        Ok(Site { window, wet, betas, roots, codes, pools, states, ground, factors, climates, numbers: None })
    }

    /// The cells of any window, from the tiles it lies over; `with_roots` where coefficients are to lie off.
    ///
    /// # Errors
    /// A layer that cannot be read, or a disk that refuses.
    pub fn about(
        context: &Context,
        water: &WaterProducts,
        lines: &Lines,
        window: Window,
        with_roots: bool,
    ) -> Result<Self, EngineError> {
        type Fitted = (Beta, CovarianceRoot);
        let mut found: Vec<(u32, Fitted, Vec<u64>, Vec<u64>)> = Vec::new();
        for (tile, place) in context.tiles.iter().enumerate() {
            let Some(shared) = place.intersect(&window) else { continue };
            let wet = context.files.wet(tile, &context.axis)?;
            let betas = context.files.coefficients(tile)?;
            let roots = if with_roots { context.files.covariances(tile)? } else { Vec::new() };
            for (at, (cell, beta)) in wet.cells.iter().zip(betas).enumerate() {
                let root = roots.get(at).copied().unwrap_or(CovarianceRoot::UNKNOWN);
                let (row, col) =
                    (place.row + *cell as usize / place.cols, place.col + *cell as usize % place.cols);
                if shared.contains(&Window { row, col, rows: 1, cols: 1 }) {
                    let here = (row - window.row) * window.cols + col - window.col;
                    found.push((
                        here as u32,
                        (beta, root),
                        wet.rows.observed(at).to_vec(),
                        wet.rows.wet(at).to_vec(),
                    ));
                }
            }
        }
        found.sort_unstable_by_key(|(cell, ..)| *cell);
        let mut rows = BitRows::new(&context.axis, 0);
        found.iter().for_each(|(_, _, observed, wet)| rows.push(observed, wet));
        let wet = WetCells { cells: found.iter().map(|(cell, ..)| *cell).collect(), rows };
        let betas = found.iter().map(|(_, (beta, _), ..)| *beta).collect();
        let roots =
            if with_roots { found.iter().map(|(_, (_, root), ..)| *root).collect() } else { Vec::new() };
        Site::new(context, water, lines, window, (wet, betas, roots))
    }

    /// Keeps the numbers that years are drawn by, for many cases to come, where they take no more than so many bytes.
    pub fn keep_numbers(&mut self, by: AnswersBy, baseline: &CaseYears, most: usize) {
        let cells = self.wet.cells.iter().map(|cell| {
            let cell = *cell as usize;
            let place =
                (self.window.row + cell / self.window.cols, self.window.col + cell % self.window.cols);
            (place, self.climates[cell], by.groups.of(self.codes[cell]).lag1)
        });
        self.numbers = Numbers::of(baseline, cells, most);
    }

    /// Water of the window in a case; falls of depth where they are wanted. Cells that cannot be answered for are counted.
    ///
    /// # Errors
    /// A layer that cannot be read.
    pub fn answer<'y>(
        &self,
        context: &Context,
        by: AnswersBy,
        case: &Case,
        years: Option<&'y CaseYears<'y>>,
        with_fall: bool,
        unknown: &mut Unknown,
    ) -> Result<Answer<'y>, EngineError> {
        let Site { window, wet, betas, roots, codes, pools, states, ground, factors, climates, numbers } =
            self;
        let elevation_of = |cell: usize| ground.as_ref().map_or(f64::NAN, |g| f64::from(g[cell]));
        let mut years = years.map(|years| TileYears::new(years, *window, states));
        let mut months: Vec<f32> = states
            .iter()
            .map(|state| if *state == Water::NotAssessed as u8 { f32::NAN } else { 0.0 })
            .collect();
        let mut sds = vec![f32::NAN; window.len()];
        let falls = prescribed(context, case.scenario, *window)?;
        let mut depth_falls = vec![0.0f32; window.len()];
        let falls_of_z: Vec<Falls> =
            case.falls_of_z(&by.baseline.designs).iter().map(|falls| Falls::new(falls)).collect();
        let (mut passed, mut logits): (Vec<Beta>, Vec<Block>) = (Vec::new(), Vec::new());
        for (at, cell) in wet.cells.iter().enumerate() {
            let cell = *cell as usize;
            let Some(climate) = climates[cell] else { continue };
            let h = falls.as_ref().map_or(0.0, |falls| falls[cell]);
            if h.is_nan() {
                months[cell] = f32::NAN;
                years.iter_mut().for_each(|years| years.unknown(cell));
                continue;
            }
            let factor = factors[at];
            if h != 0.0 && factor.is_none() {
                unknown.factor += 1;
                continue;
            }
            let elevation = elevation_of(cell);
            let never_dry = states[cell] == Water::NeverDry as u8;
            let trend = case.trend.get(&codes[cell]).copied().unwrap_or(0.0);
            // a trend carried on works as the fall that would bring it about
            let fall = factor.map_or(h, |f| h - trend / f.g);
            let beta = match roots.get(at).filter(|_| !by.off.is_empty()) {
                Some(root) => lie_off(&betas[at], root, &by.off[by.groups.position(codes[cell])]),
                None => betas[at],
            };
            let by_line =
                |fall: f64| factor.map_or(trend, |f| shift(&f, fall, beta[0], elevation, never_dry));
            let design = &case.designs[climate];
            let lag1 = by.groups.of(codes[cell]).lag1;
            let chance = DrawnBy { lag1, numbers: numbers.as_ref().map(|numbers| numbers.at(at, climate)) };
            let root = roots.get(at).filter(|_| by.off.is_empty());
            let curve = by.curves.of(pools[cell], elevation).filter(|_| h != 0.0);
            // the value is the same to the bit, with its standard deviation or without
            let (value, sd) = match curve.zip(factor) {
                Some(((curve, ground), factor)) => {
                    // the curve answers the fall, the line no more than the trend
                    let shift = by_line(-trend / factor.g);
                    curve.moved(Some(&beta), ground, h, factor.g, &mut passed);
                    design.bounded_logits(&passed, Bound::of(h), shift, &mut logits);
                    years.iter_mut().for_each(|years| years.draw_logits(cell, climate, &logits, chance));
                    match root {
                        Some(root) => design.hydroperiod_with_sd_of(&logits, root),
                        None => (design.hydroperiod_of(&logits), f64::NAN),
                    }
                }
                None => {
                    let shift = by_line(fall);
                    years.iter_mut().for_each(|years| years.draw(cell, climate, (&beta, shift), chance));
                    match root {
                        Some(root) => design.hydroperiod_with_sd(&beta, shift, root),
                        None => (design.hydroperiod(&beta, shift), f64::NAN),
                    }
                }
            };
            months[cell] = value as f32;
            sds[cell] = sd as f32;
            if with_fall {
                match factor {
                    Some(factor) => {
                        let mean = falls_of_z[climate].mean(wet.rows.wet(at));
                        depth_falls[cell] = equivalent_fall(beta[1], mean, factor.g, fall) as f32;
                    }
                    None => unknown.held += 1,
                }
            }
        }
        if let Some(falls) = &falls {
            for (cell, h) in falls.iter().enumerate() {
                if states[cell] != Water::NeverWet as u8 || *h == 0.0 {
                    continue;
                }
                if h.is_nan() {
                    months[cell] = f32::NAN;
                    years.iter_mut().for_each(|years| years.unknown(cell));
                    continue;
                }
                depth_falls[cell] = h.max(0.0) as f32;
                if *h > 0.0 {
                    continue;
                }
                let elevation = elevation_of(cell);
                let known = elevation.is_finite();
                let factor = by.lines.of(pools[cell], codes[cell]).filter(|_| known);
                let group = by.groups.of(codes[cell]);
                let chance = DrawnBy { lag1: group.lag1, numbers: None };
                let curve = by.curves.of(pools[cell], elevation).zip(factor).zip(climates[cell]);
                if let Some((((curve, ground), factor), climate)) = curve {
                    let design = &case.designs[climate];
                    curve.moved(None, ground, *h, factor.g, &mut passed);
                    design.bounded_logits(&passed, Bound::of(*h), 0.0, &mut logits);
                    months[cell] = design.hydroperiod_of(&logits) as f32;
                    if let Some(years) = &mut years {
                        years.draw_logits(cell, climate, &logits, chance);
                    }
                    continue;
                }
                match factor.and_then(|f| f.line).zip(climates[cell]) {
                    Some((line, climate)) => {
                        let mean = group.mean;
                        let beta: Beta = [line.intercept_at(elevation), mean[1].max(0.0), mean[2], mean[3]];
                        let shift = -line.g * h;
                        months[cell] = case.designs[climate].hydroperiod(&beta, shift) as f32;
                        if let Some(years) = &mut years {
                            years.draw(cell, climate, (&beta, shift), chance);
                        }
                    }
                    None => unknown.rise += 1,
                }
            }
        }
        Ok(Answer { months, sds, depth_falls, years })
    }
}

/// Coefficients that lie off their estimate by L u; b stays at 0 or above. An estimate whose errors are not known stays.
fn lie_off(beta: &Beta, root: &CovarianceRoot, u: &[f64; 4]) -> Beta {
    let off = root.times(u);
    if off.iter().any(|off| off.is_nan()) {
        return *beta;
    }
    let mut moved = *beta;
    moved.iter_mut().zip(off).for_each(|(value, off)| *value += off);
    moved[1] = moved[1].max(0.0);
    moved
}
