//! Expected hydroperiod and fall of depth of every cell, in the baseline and in every scenario.

mod case;
mod fall;
mod mean_fall;
mod site;

pub use case::Case;
pub(crate) use fall::prescribed;
pub(crate) use site::{Answer, AnswersBy, Site};

use super::Context;
use super::curves::Curves;
use super::water::WaterProducts;
use super::yearly::{CaseYears, YearlyCells};
use crate::dilution::Dilution;
use crate::error::EngineError;
use crate::measures::CaseCells;
use crate::reuse::{Leaves, Step, Working};
use lentic_habitat::drawdown::Lines;
use lentic_habitat::response::Groups;
use lentic_habitat::suitability::Measured;
use lentic_raster::{RawCells, Scratch, Window};
use lentic_study::settings::Role;
use serde::{Deserialize, Serialize};

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
#[derive(Clone, Copy, Debug, Default, Serialize, Deserialize)]
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
    answers: (&Lines, &Curves),
    cases: &[Case],
) -> Result<Vec<CaseWater>, EngineError> {
    let with_depth = context.study.layer_with(Role::Depth).is_some();
    let years: Vec<Option<CaseYears>> =
        cases.iter().map(|case| CaseYears::new(context.study, case)).collect();
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
    let (lines, curves) = answers;
    let by = AnswersBy { groups, lines, curves, off: &[], baseline: &cases[0] };
    let step = |case: &Case| context.step(Step::Scenario, case.scenario, context.tiles.len());
    let workings: Vec<Working> = cases.iter().map(step).collect();
    let tiles = context.over_own(&workings[0], &context.tiles, |tile, window| {
        one_tile(context, water, by, (cases, &years), (&products, &workings), tile, window)
    })?;
    workings.into_iter().try_for_each(Working::finish)?;
    for (at, case) in cases.iter().enumerate() {
        let unknown: u64 = tiles.iter().map(|tile| tile[at].factor).sum();
        Unknown::refuse(unknown, &case.name)?;
        products[at].depth_held = tiles.iter().map(|tile| tile[at].held).sum();
        products[at].rise_unknown = tiles.iter().map(|tile| tile[at].rise).sum();
    }
    Ok(products)
}

fn one_tile(
    context: &Context,
    water: &WaterProducts,
    by: AnswersBy,
    (cases, years): (&[Case], &[Option<CaseYears>]),
    (products, workings): (&[CaseWater], &[Working]),
    tile: usize,
    window: Window,
) -> Result<Vec<Unknown>, EngineError> {
    // read where some case is not kept
    let mut site: Option<Site> = None;
    let mut all = Vec::with_capacity(cases.len());
    for (((case, product), years), working) in cases.iter().zip(products).zip(years).zip(workings) {
        let found = working.window(tile, &window, &product.leaves(), || {
            let site = match &mut site {
                Some(site) => site,
                none => {
                    let wet = context.files.wet(tile, &context.axis)?;
                    let fits = (wet, context.files.coefficients(tile)?, context.files.covariances(tile)?);
                    none.insert(Site::new(context, water, by.lines, window, fits)?)
                }
            };
            let mut unknown = Unknown::default();
            let with_fall = product.fall.is_some();
            let answer = site.answer(context, by, case, years.as_ref(), with_fall, &mut unknown)?;
            product.hydroperiod.write(&window, &answer.months)?;
            if let Some(years) = &answer.years {
                years.write(&product.yearly)?;
            }
            product.hydroperiod_sd.write(&window, &answer.sds)?;
            if let Some(fall) = &product.fall {
                fall.write(&window, &answer.depth_falls)?;
            }
            Ok(unknown)
        })?;
        all.push(found);
    }
    Ok(all)
}

impl CaseWater {
    fn leaves(&self) -> Leaves<'_> {
        let own: [&dyn RawCells; 2] = [&self.hydroperiod, &self.hydroperiod_sd];
        let fall = self.fall.iter().map(|fall| fall as &dyn RawCells);
        let yearly = self.yearly.iter().flat_map(YearlyCells::raw);
        Leaves { cells: own.into_iter().chain(fall).chain(yearly).collect(), files: Vec::new() }
    }
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
