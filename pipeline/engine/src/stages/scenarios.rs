//! Expected hydroperiod and fall of depth of every cell, in the baseline and in every scenario.

use super::Context;
use super::water::{Water, WaterProducts};
use super::yearly::{CaseYears, TileYears, YearlyCells};
use crate::blob::WetCells;
use crate::dilution::Dilution;
use crate::error::EngineError;
use crate::layers::NO_CLASS;
use crate::measures::CaseCells;
use lentic_habitat::drawdown::{Factor, Lines, equivalent_fall, shift};
use lentic_habitat::response::trust::CovarianceRoot;
use lentic_habitat::response::{Beta, Design, Groups};
use lentic_habitat::suitability::Measured;
use lentic_habitat::water::{BitRows, bit};
use lentic_raster::{Scratch, Window};
use lentic_study::settings::{Drawdown, Role, Scenario};
use std::collections::BTreeMap;

/// A baseline or scenario with what its water answers to.
pub struct Case<'a> {
    /// "baseline" or the scenario's name.
    pub name: String,
    /// The scenario; none for the baseline.
    pub scenario: Option<&'a Scenario>,
    /// Its months, by climate.
    pub designs: Vec<Design>,
    /// Its temperature by climate and month of the baseline axis, degrees Celsius, NaN where not known; empty where no variable
    /// measures warmth.
    pub temperature: Vec<Vec<f64>>,
    /// Logits that a trend carried on adds to the wet cells of a response group; 0 for groups not named.
    pub trend: BTreeMap<Option<i32>, f64>,
}

impl Case<'_> {
    /// Fall of z from the baseline by climate, for each of the baseline's months with its position. Where years are
    /// replayed, months have no partner: there it is the difference of the means of the calendar month, so that a replay of the
    /// whole baseline changes nothing.
    fn falls_of_z(&self, baseline: &[Design]) -> Vec<Vec<(usize, f64)>> {
        let replays = self.scenario.is_some_and(|s| !s.replay.is_empty() && !s.drawdown_replaces_climate);
        let of = |(before, after): (&Design, &Design)| -> Vec<(usize, f64)> {
            if replays {
                let (before_z, after_z) = (before.mean_z(), after.mean_z());
                let fall = |m: usize| before_z[m].zip(after_z[m]).map_or(0.0, |(b, a)| b - a);
                return before.calendar().map(|(at, m)| (at, fall(m))).collect();
            }
            before.z().zip(after.z()).map(|((at, b), (_, a))| (at, b - a)).collect()
        };
        baseline.iter().zip(&self.designs).map(of).collect()
    }
}

/// Water of one case.
pub struct CaseWater {
    /// Expected hydroperiod, months per year.
    pub hydroperiod: Scratch<f32>,
    /// Its standard deviation from the fit of the cell; NaN where no cell was fitted.
    pub hydroperiod_sd: Scratch<f32>,
    /// Fall of depth, metres, where depth matters.
    pub fall: Option<Scratch<f32>>,
    /// Yearly variables, in the order of the study.
    pub yearly: Vec<YearlyCells>,
    /// By what concentrations are multiplied, by pool, where water quality is measured.
    pub dilution: Dilution,
    /// Cells without a known answer of depth, so that depth was held.
    pub depth_held: u64,
    /// Never-wet cells under a rise without a line to place them on.
    pub rise_unknown: u64,
}

/// Cells that a drawdown cannot be answered for.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Unknown {
    /// Wet cells of which it is not known how water follows its table.
    pub factor: u64,
    held: u64,
    rise: u64,
}

impl Unknown {
    /// Refuses a drawdown that water cannot follow.
    ///
    /// # Errors
    /// Where there are wet cells that cannot be answered for.
    pub fn refuse(unknown: u64, scenario: &str) -> Result<(), EngineError> {
        if unknown == 0 {
            return Ok(());
        }
        Err(EngineError::Drawdown {
            scenario: scenario.to_string(),
            reason: format!(
                "{unknown} wet cells lie in no pool or response group whose sometimes wet cells (at least 30, over 0.3 m of elevation or on a steep, plain line) show how water falls with rising ground"
            ),
        })
    }
}

/// Runs the stage for all cases (the baseline first).
///
/// # Errors
/// A drawdown without a known answer, a layer that cannot be read, or a disk that refuses.
pub fn run(
    context: &Context,
    water: &WaterProducts,
    groups: &Groups,
    lines: &Lines,
    cases: &[Case],
) -> Result<Vec<CaseWater>, EngineError> {
    let with_depth = context.study.layer_with(Role::Depth).is_some();
    let years: Vec<Option<CaseYears>> = cases.iter().map(|case| CaseYears::new(context, case)).collect();
    let mut products = Vec::new();
    for case in cases {
        let fall = (with_depth && case.scenario.is_some())
            .then(|| context.floats(&format!("fall_{}", case.name)))
            .transpose()?;
        products.push(CaseWater {
            hydroperiod: context.floats(&format!("hydroperiod_{}", case.name))?,
            hydroperiod_sd: context.floats(&format!("hydroperiod_sd_{}", case.name))?,
            fall,
            yearly: YearlyCells::create(context, &case.name)?,
            dilution: Dilution::default(),
            depth_held: 0,
            rise_unknown: 0,
        });
    }
    let by = AnswersBy { groups, lines, baseline: &cases[0] };
    let tiles = context.over_tiles("answering the scenarios", |tile, window| {
        one_tile(context, water, by, (cases, &years), &products, tile, window)
    })?;
    for (at, case) in cases.iter().enumerate() {
        let unknown: u64 = tiles.iter().map(|tile| tile[at].factor).sum();
        Unknown::refuse(unknown, &case.name)?;
        products[at].depth_held = tiles.iter().map(|tile| tile[at].held).sum();
        products[at].rise_unknown = tiles.iter().map(|tile| tile[at].rise).sum();
    }
    Ok(products)
}

/// By what water answers, in every window.
#[derive(Clone, Copy)]
pub(crate) struct AnswersBy<'a> {
    /// Priors of the response groups.
    pub groups: &'a Groups,
    /// How water follows its table.
    pub lines: &'a Lines,
    /// The baseline.
    pub baseline: &'a Case<'a>,
}

/// By response group, a standard-normal vector by which coefficients are drawn within their error.
pub(crate) type Vectors = BTreeMap<Option<i32>, [f64; 4]>;

/// A wet cell of some tile: its position in the window gathered for, coefficients, root of their covariance, observed and wet
/// months.
type Gathered = (u32, Beta, Option<CovarianceRoot>, Vec<u64>, Vec<u64>);

/// The cells of a window with what their water answers by, the same in every case.
pub(crate) struct Site {
    /// The window.
    pub window: Window,
    /// Cells ever wet, by their positions in the window.
    pub wet: WetCells,
    /// Their coefficients.
    betas: Vec<Beta>,
    /// Roots of the covariances of those; empty where no standard deviations are wanted.
    roots: Vec<CovarianceRoot>,
    codes: Vec<Option<i32>>,
    pools: Vec<Option<i32>>,
    /// `Water` codes.
    pub states: Vec<u8>,
    ground: Option<Vec<f32>>,
    factors: Vec<Option<Factor>>,
    /// Climate of every cell.
    pub climates: Vec<Option<usize>>,
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
        let codes = context.layers.groups(window)?;
        let pools = context.layers.pools(window)?;
        let states = water.state.read(&window)?;
        let ground = context.layers.numbers_with(Role::Ground, window)?;
        let factors: Vec<Option<Factor>> =
            wet.cells.iter().map(|c| lines.of(pools[*c as usize], codes[*c as usize])).collect();
        let climates = context.climates.of_cells(&context.layers, window)?;
        Ok(Site { window, wet, betas, roots, codes, pools, states, ground, factors, climates })
    }

    /// The cells of any window, from the tiles it lies over; roots of covariances only where `with_roots`.
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
        let mut found: Vec<Gathered> = Vec::new();
        for (tile, place) in context.tiles.iter().enumerate() {
            let Some(shared) = place.intersect(&window) else { continue };
            let wet = context.files.wet(tile, &context.axis)?;
            let betas = context.files.coefficients(tile)?;
            let roots = if with_roots { context.files.covariances(tile)? } else { Vec::new() };
            for (at, (cell, beta)) in wet.cells.iter().zip(betas).enumerate() {
                let (row, col) =
                    (place.row + *cell as usize / place.cols, place.col + *cell as usize % place.cols);
                if shared.contains(&Window { row, col, rows: 1, cols: 1 }) {
                    let here = (row - window.row) * window.cols + col - window.col;
                    found.push((
                        here as u32,
                        beta,
                        roots.get(at).copied(),
                        wet.rows.observed(at).to_vec(),
                        wet.rows.wet(at).to_vec(),
                    ));
                }
            }
        }
        found.sort_unstable_by_key(|(cell, ..)| *cell);
        let mut rows = BitRows::new(&context.axis, 0);
        found.iter().for_each(|(.., observed, wet)| rows.push(observed, wet));
        let wet = WetCells { cells: found.iter().map(|(cell, ..)| *cell).collect(), rows };
        let betas = found.iter().map(|(_, beta, ..)| *beta).collect();
        let roots = found.iter().filter_map(|(_, _, root, ..)| *root).collect();
        Site::new(context, water, lines, window, (wet, betas, roots))
    }

    /// Coefficients of the wet cells drawn within their error: estimate + L u, u by response group, b not below 0.
    fn drawn(&self, u: &Vectors) -> Vec<Beta> {
        let cells = self.wet.cells.iter().zip(&self.betas).zip(&self.roots);
        let draw = |((cell, beta), root): ((&u32, &Beta), &CovarianceRoot)| {
            let Some(u) = u.get(&self.codes[*cell as usize]) else { return *beta };
            let off = root.times(u);
            let mut drawn: Beta = std::array::from_fn(|k| beta[k] + off[k]);
            drawn[1] = drawn[1].max(0.0);
            drawn
        };
        cells.map(draw).collect()
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
        (years, drawn): (Option<&'y CaseYears<'y>>, Option<&Vectors>),
        (with_fall, with_sd): (bool, bool),
        unknown: &mut Unknown,
    ) -> Result<Answer<'y>, EngineError> {
        let Site { window, wet, betas, roots, codes, pools, states, ground, factors, climates } = self;
        let drawn = drawn.map(|u| self.drawn(u));
        let betas = drawn.as_ref().unwrap_or(betas);
        let elevation_of = |cell: usize| ground.as_ref().map_or(f64::NAN, |g| f64::from(g[cell]));
        let mut years = years.map(|years| TileYears::new(years, *window, states));
        let mut months: Vec<f32> = states
            .iter()
            .map(|state| if *state == Water::NotAssessed as u8 { f32::NAN } else { 0.0 })
            .collect();
        let mut sds = vec![f32::NAN; window.len()];
        let falls = prescribed(context, case.scenario, *window)?;
        let mut depth_falls = vec![0.0f32; window.len()];
        let falls_of_z = case.falls_of_z(&by.baseline.designs);
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
            let shift = factor.map_or(trend, |f| shift(&f, fall, betas[at][0], elevation, never_dry));
            let design = &case.designs[climate];
            // the value is the same to the bit, with its standard deviation or without
            months[cell] = match roots.get(at).filter(|_| with_sd) {
                Some(root) => {
                    let (value, sd) = design.hydroperiod_with_sd(&betas[at], shift, root);
                    sds[cell] = sd as f32;
                    value as f32
                }
                None => design.hydroperiod(&betas[at], shift) as f32,
            };
            if let Some(years) = &mut years {
                years.draw(cell, climate, &betas[at], shift, by.groups.of(codes[cell]).lag1);
            }
            if with_fall {
                match factor {
                    Some(factor) => {
                        let mean = mean_fall(&falls_of_z[climate], wet.rows.wet(at));
                        depth_falls[cell] = equivalent_fall(betas[at][1], mean, factor.g, fall) as f32;
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
                let line = by.lines.of(pools[cell], codes[cell]).and_then(|f| f.line);
                match line.filter(|_| elevation.is_finite()).zip(climates[cell]) {
                    Some((line, climate)) => {
                        let group = by.groups.of(codes[cell]);
                        let mean = group.mean;
                        let beta: Beta = [line.intercept_at(elevation), mean[1].max(0.0), mean[2], mean[3]];
                        let shift = -line.g * h;
                        months[cell] = case.designs[climate].hydroperiod(&beta, shift) as f32;
                        if let Some(years) = &mut years {
                            years.draw(cell, climate, &beta, shift, group.lag1);
                        }
                    }
                    None => unknown.rise += 1,
                }
            }
        }
        Ok(Answer { months, sds, depth_falls, years })
    }
}

fn one_tile(
    context: &Context,
    water: &WaterProducts,
    by: AnswersBy,
    (cases, years): (&[Case], &[Option<CaseYears>]),
    products: &[CaseWater],
    tile: usize,
    window: Window,
) -> Result<Vec<Unknown>, EngineError> {
    let wet = context.files.wet(tile, &context.axis)?;
    let fits = (wet, context.files.coefficients(tile)?, context.files.covariances(tile)?);
    let site = Site::new(context, water, by.lines, window, fits)?;
    let mut unknown = vec![Unknown::default(); cases.len()];
    for (((case, product), years), unknown) in cases.iter().zip(products).zip(years).zip(&mut unknown) {
        let answer =
            site.answer(context, by, case, (years.as_ref(), None), (product.fall.is_some(), true), unknown)?;
        product.hydroperiod.write(&window, &answer.months)?;
        if let Some(years) = &answer.years {
            years.write(&product.yearly)?;
        }
        product.hydroperiod_sd.write(&window, &answer.sds)?;
        if let Some(fall) = &product.fall {
            fall.write(&window, &answer.depth_falls)?;
        }
    }
    Ok(unknown)
}

impl CaseCells for CaseWater {
    fn hydroperiod(&self, window: &Window) -> Result<Vec<f32>, EngineError> {
        Ok(self.hydroperiod.read(window)?)
    }

    fn fall(&self, window: &Window) -> Result<Option<Vec<f32>>, EngineError> {
        Ok(self.fall.as_ref().map(|fall| fall.read(window)).transpose()?)
    }

    fn yearly(&self, at: usize, window: &Window) -> Result<Measured, EngineError> {
        self.yearly[at].read(window)
    }

    fn concentration(&self, pool: i32) -> f64 {
        self.dilution.concentration(pool)
    }
}

/// Mean fall of z over the wet months of a cell; 0 without any.
fn mean_fall(falls: &[(usize, f64)], wet: &[u64]) -> f64 {
    let (mut sum, mut n) = (0.0, 0u32);
    for (at, fall) in falls {
        if bit(wet, *at) {
            sum += fall;
            n += 1;
        }
    }
    if n == 0 { 0.0 } else { sum / f64::from(n) }
}

/// Fall of the water table in a window, metres (NaN where its layer or the zones have no data: not assessed); `None`
/// where the scenario has none.
fn prescribed(
    context: &Context,
    scenario: Option<&Scenario>,
    window: Window,
) -> Result<Option<Vec<f64>>, EngineError> {
    let Some(scenario) = scenario else { return Ok(None) };
    let (share, rise) = (scenario.drawdown_share, scenario.rise_m);
    Ok(match whole_fall(context, scenario, window)? {
        None if rise != 0.0 => Some(vec![-rise; window.len()]),
        falls => falls.map(|falls| falls.into_iter().map(|h| share * h - rise).collect()),
    })
}

/// The fall that a scenario ends with, before water is supplied against it.
fn whole_fall(
    context: &Context,
    scenario: &Scenario,
    window: Window,
) -> Result<Option<Vec<f64>>, EngineError> {
    match &scenario.drawdown {
        Drawdown::None => Ok(None),
        Drawdown::Everywhere(h) => Ok(Some(vec![*h; window.len()])),
        Drawdown::ByZone(by_zone) => {
            let zones = context.layers.codes_with(Role::Zones, window)?.unwrap_or_default();
            // a zone not named keeps its level; a cell without a zone cannot be told
            let fall = |zone: &i32| match *zone {
                NO_CLASS => f64::NAN,
                zone => by_zone.get(&zone).copied().unwrap_or(0.0),
            };
            Ok(Some(zones.iter().map(fall).collect()))
        }
        Drawdown::Layer(name) => match context.study.layer(name) {
            Some(layer) => {
                let values = context.layers.numbers(layer, window)?;
                Ok(Some(values.into_iter().map(f64::from).collect()))
            }
            None => Ok(None),
        },
    }
}
