//! Many variants of one study in a single pass over the tiles, from the stored fits to habitat at the cells: steps of drying,
//! points of a surface, causes taken apart. Nothing of a variant is kept but what the caller makes of it, so that memory is
//! bounded by tiles in flight, however many variants there are.
//!
//! A variant takes the same way as a scenario ([`Site::answer`] for its water, [`crate::scoring`] for its suitability), so the
//! same change gives the same habitat to the bit. Water is answered anew in the margin that distances, shares and nearness look
//! into.

use super::Context;
use super::scenarios::{Answer, AnswersBy, Case, Site, Unknown, Vectors};
use super::water::WaterProducts;
use super::yearly::CaseYears;
use crate::dilution::{Dilution, depths, dilutions, volumes};
use crate::error::EngineError;
use crate::measures::CaseCells;
use crate::scoring::{Scorer, Tile};
use lentic_habitat::change::is_habitat;
use lentic_habitat::suitability::Measured;
use lentic_raster::Window;
use lentic_study::Study;
use lentic_study::settings::Role;

/// What every variant starts from.
#[derive(Clone, Copy)]
pub struct WhatIf<'a> {
    /// The run.
    pub context: &'a Context<'a>,
    /// The record of water.
    pub water: &'a WaterProducts,
    /// What water answers by.
    pub(crate) by: AnswersBy<'a>,
}

/// What a variant takes in place of the study's own besides its case, as a member of an ensemble does.
#[derive(Clone, Debug, Default)]
pub struct Changed<'a> {
    /// Curves, weights, rules and threshold; the layers, measures and their reach must be those of the study.
    pub study: Option<&'a Study>,
    /// By response group a standard-normal vector u: a cell's coefficients are its estimate plus L u, L the root of their
    /// covariance. A group not named keeps its estimates.
    pub(crate) coefficients: Option<Vectors>,
}

/// A variant, ready to be found anywhere.
pub struct Variant<'a> {
    case: &'a Case<'a>,
    changed: Changed<'a>,
    years: Option<CaseYears<'a>>,
    dilution: Dilution,
}

/// One tile, on which any variant may be found.
pub struct Place<'a> {
    what_if: WhatIf<'a>,
    site: Site,
    tile: Tile<'a>,
    /// Whether depths follow the water, so that their fall is looked for.
    with_fall: bool,
    /// By yearly variable, whether the scores of its years are averaged.
    scored: &'a [bool],
    /// The tile.
    pub window: Window,
}

/// What a variant makes of the cells of a tile.
pub struct Found {
    /// Suitability as stored; NaN where not assessed.
    pub suitability: Vec<f32>,
    /// Expected hydroperiod, months per year.
    pub hydroperiod: Vec<f32>,
    /// Fall of depth, metres; `None` in a study without depths.
    pub fall: Option<Vec<f32>>,
    threshold: f64,
}

impl Found {
    /// Whether a cell is habitat; `None` where it is not assessed.
    pub fn habitat(&self, cell: usize) -> Option<bool> {
        let value = self.suitability[cell];
        (!value.is_nan()).then(|| is_habitat(value, self.threshold))
    }
}

impl<'a> WhatIf<'a> {
    /// Makes variants of cases, each with what it takes in place of the study's own; the dilution of pools is found here, where some
    /// variable measures water quality.
    ///
    /// # Errors
    /// A drawdown without a known answer, a layer that cannot be read, or a disk that refuses.
    pub fn variants(
        &self,
        cases: &'a [Case<'a>],
        changed: impl Fn(usize) -> Changed<'a>,
    ) -> Result<Vec<Variant<'a>>, EngineError> {
        let context = self.context;
        let changed: Vec<Changed> = (0..cases.len()).map(changed).collect();
        let mut dilution = vec![Dilution::default(); cases.len()];
        if let Some(depth) = depths(context.study) {
            let tiles = context.over_tiles("measuring volumes of variants", |_, window| {
                let with_roots = changed.iter().any(|changed| changed.coefficients.is_some());
                let site = Site::about(context, self.water, self.by.lines, window, with_roots)?;
                let mut falls = vec![None];
                for (case, changed) in cases.iter().zip(&changed) {
                    let unknown = &mut Unknown::default();
                    let by = (None, changed.coefficients.as_ref());
                    let answer = site.answer(context, self.by, case, by, (true, false), unknown)?;
                    falls.push(Some(answer.depth_falls));
                }
                volumes(context, depth, window, &falls)
            })?;
            dilution = dilutions(cases.len() + 1, tiles).split_off(1);
        }
        let of = |((case, changed), dilution): ((&'a Case<'a>, Changed<'a>), Dilution)| {
            let years = CaseYears::by(changed.study.unwrap_or(context.study), case);
            Variant { case, changed, years, dilution }
        };
        Ok(cases.iter().zip(changed).zip(dilution).map(of).collect())
    }

    /// Runs `work` on every tile, in parallel, and returns the results in tile order. It may find any of `variants` there.
    ///
    /// # Errors
    /// The first error in tile order.
    pub fn over_tiles<T: Send>(
        &self,
        stage: &str,
        variants: &[Variant],
        work: impl Fn(&Place) -> Result<T, EngineError> + Sync,
    ) -> Result<Vec<T>, EngineError> {
        let context = self.context;
        let scorer = Scorer::new(context.layers);
        let beyond = scorer.reach_of_water();
        let with_fall = context.study.layer_with(Role::Depth).is_some();
        let scored: Vec<bool> =
            context.study.yearly_variables().map(|variable| variable.measure.averages_scores()).collect();
        let with_roots = variants.iter().any(|variant| variant.changed.coefficients.is_some());
        context.over_tiles(stage, |_, window| {
            let about = window.with_margin(beyond, context.grid);
            let site = Site::about(context, self.water, self.by.lines, about, with_roots)?;
            let tile = scorer.tile(window)?;
            work(&Place { what_if: *self, site, tile, with_fall, scored: &scored, window })
        })
    }
}

impl Place<'_> {
    /// The cells about the tile.
    pub(crate) fn site(&self) -> &Site {
        &self.site
    }

    /// Suitability of the tile by any water of the cells about it, on the land of today.
    ///
    /// # Errors
    /// When a layer cannot be read.
    pub fn score(&self, cells: &dyn CaseCells) -> Result<Vec<f32>, EngineError> {
        Ok(self.tile.score(None, cells)?.suitability)
    }

    /// What a variant makes of this tile.
    ///
    /// # Errors
    /// A drawdown without a known answer, or a layer that cannot be read.
    pub fn find(&self, variant: &Variant) -> Result<Found, EngineError> {
        let WhatIf { context, by, .. } = self.what_if;
        let mut unknown = Unknown::default();
        let case = variant.case;
        let with_fall = self.with_fall && case.scenario.is_some();
        let drawn = (variant.years.as_ref(), variant.changed.coefficients.as_ref());
        let answer = self.site.answer(context, by, case, drawn, (with_fall, false), &mut unknown)?;
        Unknown::refuse(unknown.factor, &case.name)?;
        let from = self.site.window;
        let water = Water { from, answer, with_fall, scored: self.scored, dilution: &variant.dilution };
        let study = variant.changed.study.unwrap_or(context.study);
        let suitability = self.tile.suitability_by(study, case.scenario, &water)?;
        Ok(Found {
            suitability,
            hydroperiod: water.hydroperiod(&self.window)?,
            fall: water.fall(&self.window)?,
            threshold: study.suitability.threshold,
        })
    }
}

/// Water of a variant about a tile, in memory.
struct Water<'a> {
    from: Window,
    answer: Answer<'a>,
    with_fall: bool,
    scored: &'a [bool],
    dilution: &'a Dilution,
}

/// The cells of a window out of those of one about it.
pub fn cut<T: Copy>(from: &Window, window: &Window, values: &[T]) -> Vec<T> {
    let first = |row: usize| (window.row + row - from.row) * from.cols + window.col - from.col;
    (0..window.rows).flat_map(|row| &values[first(row)..first(row) + window.cols]).copied().collect()
}

impl Water<'_> {
    fn cut<T: Copy>(&self, window: &Window, values: &[T]) -> Vec<T> {
        cut(&self.from, window, values)
    }
}

impl CaseCells for Water<'_> {
    fn hydroperiod(&self, window: &Window) -> Result<Vec<f32>, EngineError> {
        Ok(self.cut(window, &self.answer.months))
    }

    fn fall(&self, window: &Window) -> Result<Option<Vec<f32>>, EngineError> {
        Ok(self.with_fall.then(|| self.cut(window, &self.answer.depth_falls)))
    }

    fn yearly(&self, at: usize, window: &Window) -> Result<Measured, EngineError> {
        let none = || Measured::Numbers(vec![f32::NAN; window.len()]);
        Ok(match self.answer.years.as_ref().map(|years| years.measured(at, self.scored[at])) {
            Some(Measured::Numbers(measure)) => Measured::Numbers(self.cut(window, &measure)),
            Some(Measured::Years { measure, score }) => {
                Measured::Years { measure: self.cut(window, &measure), score: self.cut(window, &score) }
            }
            _ => none(),
        })
    }

    fn concentration(&self, pool: i32) -> f64 {
        self.dilution.concentration(pool)
    }
}

#[cfg(test)]
mod tests;
