//! Many variants of one study in a single pass over the tiles, from the stored fits to habitat at the cells: steps of drying,
//! points of a surface, causes taken apart. Nothing of a variant is kept but what the caller makes of it, so that memory is
//! bounded by tiles in flight, however many variants there are.
//!
//! A variant takes the same way as a scenario ([`Site::answer`] for its water, [`crate::scoring`] for its suitability), so the
//! same change gives the same habitat to the bit. Water is answered anew in the margin that distances, shares and nearness look
//! into.

use super::Context;
use super::scenarios::{Answer, AnswersBy, Case, Site, Unknown};
use super::water::WaterProducts;
use super::yearly::CaseYears;
use crate::dilution::{Dilution, depths, dilutions, volumes};
use crate::error::EngineError;
use crate::layers::known;
use crate::measures::CaseCells;
use crate::reuse::{Leaves, Step, Working};
use crate::scoring::{Scorer, Tile};
use lentic_habitat::change::is_habitat;
use lentic_habitat::members::{DepthError, Member};
use lentic_habitat::suitability::Measured;
use lentic_raster::Window;
use lentic_study::Study;
use lentic_study::settings::Role;
use serde::Serialize;
use serde::de::DeserializeOwned;
use std::rc::Rc;

/// Bytes that the numbers of a window's years may take; where they are more, they are drawn anew for every variant.
const NUMBERS_BYTES: usize = 256 << 20;

/// Cells a side of the windows: what a window keeps for its variants has to stay small.
const WINDOW: usize = 256;

/// Windows that cover the grid, in reading order.
pub fn windows(context: &Context) -> Vec<Window> {
    lentic_raster::tiles(context.grid, WINDOW)
}

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

/// A variant, ready to be found anywhere.
pub struct Variant<'a> {
    case: &'a Case<'a>,
    member: Option<&'a Member>,
    years: Option<CaseYears<'a>>,
    dilution: Dilution,
}

/// One tile, on which any variant may be found.
pub struct Place<'a> {
    what_if: WhatIf<'a>,
    site: Rc<Site>,
    /// The study that scores, and how depths lie off.
    study: &'a Study,
    depths: DepthError,
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
    /// Makes variants of cases, which must have other names than a pass of theirs would mix up; the dilution of pools is found
    /// here, where some variable measures water quality.
    ///
    /// # Errors
    /// A drawdown without a known answer, a layer that cannot be read, or a disk that refuses.
    pub fn variants(&self, cases: &'a [Case<'a>]) -> Result<Vec<Variant<'a>>, EngineError> {
        self.of_members(cases.iter().map(|case| (case, None)).collect())
    }

    /// Makes variants of cases of members, as [`Self::variants`].
    ///
    /// # Errors
    /// A drawdown without a known answer, a layer that cannot be read, or a disk that refuses.
    pub fn of_members(
        &self,
        cases: Vec<(&'a Case<'a>, Option<&'a Member>)>,
    ) -> Result<Vec<Variant<'a>>, EngineError> {
        let context = self.context;
        let with_roots = cases.iter().any(|(_, member)| member.is_some_and(|m| !m.response.is_empty()));
        let mut dilution = vec![Dilution::default(); cases.len()];
        if let Some(depth) = depths(context.study) {
            let tiles = context.over_tiles("measuring volumes of variants", |_, window| {
                let site = Site::about(context, self.water, self.by.lines, window, with_roots)?;
                let mut falls = vec![None];
                for (case, member) in &cases {
                    let unknown = &mut Unknown::default();
                    let by = self.by.of_member(*member);
                    falls.push(Some(site.answer(context, by, case, None, true, unknown)?.depth_falls));
                }
                volumes(context, depth, window, &falls)
            })?;
            dilution = dilutions(cases.len() + 1, tiles).split_off(1);
        }
        let of = |((case, member), dilution): ((&'a Case<'a>, Option<&'a Member>), Dilution)| {
            let study = member.map_or(context.study, |member| &member.study);
            Variant { case, member, years: CaseYears::new(study, case), dilution }
        };
        Ok(cases.into_iter().zip(dilution).map(of).collect())
    }

    /// Runs a step on windows that cover the grid, in parallel, and returns the results in their order; they and what it `leaves` are kept.
    ///
    /// # Errors
    /// The first error in tile order.
    pub fn over_tiles<T: Serialize + DeserializeOwned + Send>(
        &self,
        step: Step,
        leaves: &Leaves,
        work: impl Fn(&Place) -> Result<T, EngineError> + Sync,
    ) -> Result<Vec<T>, EngineError> {
        let windows: Vec<(usize, Window)> = windows(self.context).into_iter().enumerate().collect();
        let working = self.context.step(step, None, windows.len());
        let found = self.over_windows(
            &working,
            &windows,
            false,
            leaves,
            |_, place| work(place),
            |_, _, part| Ok(part),
        )?;
        working.finish()?;
        Ok(found)
    }

    /// Runs `work` on these windows, each with its number among the parts of the step, in parallel; what it finds is kept, and what `take` makes of it returned in their order; `with_roots` where members may have
    /// other coefficients.
    ///
    /// # Errors
    /// The first error in the order of the windows.
    pub fn over_windows<T: Serialize + DeserializeOwned + Send, R: Send>(
        &self,
        working: &Working,
        parts: &[(usize, Window)],
        with_roots: bool,
        leaves: &Leaves,
        work: impl Fn(usize, &Place) -> Result<T, EngineError> + Sync,
        take: impl Fn(usize, Window, T) -> Result<R, EngineError> + Sync,
    ) -> Result<Vec<R>, EngineError> {
        let context = self.context;
        let scorer = Scorer::new(context.layers);
        let beyond = scorer.reach_of_water();
        let years = CaseYears::new(context.study, self.by.baseline);
        let with_fall = context.study.layer_with(Role::Depth).is_some();
        let scored: Vec<bool> =
            context.study.yearly_variables().map(|variable| variable.measure.averages_scores()).collect();
        let compute = |at: usize, window: Window| {
            let about = window.with_margin(beyond, context.grid);
            let mut site = Site::about(context, self.water, self.by.lines, about, with_roots)?;
            if let Some(years) = &years {
                site.keep_numbers(self.by, years, NUMBERS_BYTES);
            }
            let site = Rc::new(site);
            let tile = scorer.tile(window)?;
            let place = Place {
                what_if: *self,
                site,
                study: context.study,
                depths: DepthError::default(),
                tile,
                with_fall,
                scored: &scored,
                window,
            };
            work(at, &place)
        };
        context.over_parts(working, parts, |at, window| {
            let found = working.window(at, &window, leaves, || compute(at, window))?;
            take(at, window, found)
        })
    }
}

impl Place<'_> {
    /// The run.
    pub fn context(&self) -> &Context<'_> {
        self.what_if.context
    }

    /// The same place as a member sees it, for the variants of that member.
    ///
    /// # Errors
    /// A class without a score.
    pub fn of_member<'m>(&'m self, member: &'m Member) -> Result<Place<'m>, EngineError> {
        let WhatIf { context, water, by } = self.what_if;
        Ok(Place {
            what_if: WhatIf { context, water, by: by.of_member(Some(member)) },
            site: Rc::clone(&self.site),
            study: &member.study,
            depths: member.depths,
            tile: self.tile.by_study(&member.study)?,
            with_fall: self.with_fall,
            scored: self.scored,
            window: self.window,
        })
    }

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
        debug_assert!(variant.member.is_none_or(|member| std::ptr::eq(&member.study, self.study)));
        let mut unknown = Unknown::default();
        let case = variant.case;
        let years = variant.years.as_ref();
        let with_fall = self.with_fall && case.scenario.is_some();
        let answer = self.site.answer(context, by, case, years, with_fall, &mut unknown)?;
        Unknown::refuse(unknown.factor, &case.name)?;
        let water = Water {
            from: self.site.window,
            answer,
            with_fall,
            scored: self.scored,
            dilution: &variant.dilution,
            context,
            depths: self.depths,
        };
        let suitability = self.tile.score(case.scenario, &water)?.suitability;
        Ok(Found {
            suitability,
            hydroperiod: water.hydroperiod(&self.window)?,
            fall: water.fall(&self.window)?,
            threshold: self.study.suitability.threshold,
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
    context: &'a Context<'a>,
    depths: DepthError,
}

/// The cells of a window out of those of one about it.
pub fn cut<T: Copy>(from: &Window, window: &Window, values: &[T]) -> Vec<T> {
    debug_assert!(window.offset_in(from).is_some() && values.len() == from.len());
    from.crop(window, values).unwrap_or_default()
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

    fn depth_error(&self, window: &Window) -> Result<Option<Vec<f32>>, EngineError> {
        if self.depths.metres == 0.0 {
            return Ok(None);
        }
        let Context { layers, grid, .. } = self.context;
        // zones only in a study without pools: what a window happens to hold decides nothing
        let bodies = match layers.study.layer_with(Role::Pools) {
            Some(_) => layers.pools(*window)?,
            None => {
                layers.codes_with(Role::Zones, *window)?.unwrap_or_default().into_iter().map(known).collect()
            }
        };
        let at = |cell: usize| {
            let (row, col) = (window.row + cell / window.cols, window.col + cell % window.cols);
            (row * grid.cols + col) as u64
        };
        let off = |cell: usize| {
            let body = bodies.get(cell).copied().flatten().unwrap_or(0);
            self.depths.of(body, at(cell)) as f32
        };
        Ok(Some((0..window.len()).map(off).collect()))
    }
}

#[cfg(test)]
mod tests;
