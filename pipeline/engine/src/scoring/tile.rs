//! A window measured once for all cases, and scored case by case.

use super::{Scored, Scorer};
use crate::error::EngineError;
use crate::measures::{CaseCells, Reader, block};
use lentic_habitat::measure::{distance_to, within};
use lentic_habitat::suitability::{Measured, requisite_scores, score, scores, suitability};
use lentic_raster::Window;
use lentic_study::Study;
use lentic_study::settings::{Near, Requisite, Scenario, Variable};
use std::cell::RefCell;
use std::collections::BTreeMap;
use std::rc::Rc;

/// A window with what is the same in all cases.
pub struct Tile<'a> {
    pub(super) scorer: &'a Scorer<'a>,
    /// The study whose curves, weights and rules score.
    study: &'a Study,
    /// The tile of the study as given, where this one scores by another.
    given: Option<&'a Tile<'a>>,
    pub(super) window: Window,
    /// Where each requisite is scored.
    pub(super) windows: Vec<Window>,
    pub(super) barrier: Vec<bool>,
    shared: Shared,
    /// Variables that hang on the land cover alone, by the layer that takes its place.
    by_land: RefCell<BTreeMap<Option<String>, Rc<Shared>>>,
    /// The case scored first, which most cells of the others are like.
    first: RefCell<Option<Rc<Case>>>,
}

/// What one case scores.
struct Case {
    values: Vec<Rc<Values>>,
    /// By requisite, before nearness.
    requisites: Vec<Scores>,
}

/// Scores of a requisite over its window.
pub(super) type Scores = Rc<Vec<f64>>;

/// Variables measured before; `None` for those that were not.
type Shared = Vec<Option<Rc<Values>>>;

/// A variable over the window of its requisite.
pub(super) struct Values {
    pub(super) measured: Rc<Measured>,
    pub(super) scores: Vec<f64>,
}

impl Scorer<'_> {
    /// Measures what is the same in all cases.
    ///
    /// # Errors
    /// A layer that cannot be read, or a class without a score.
    pub fn tile(&self, window: Window) -> Result<Tile<'_>, EngineError> {
        let study = self.study();
        let mut barrier = vec![false; window.len()];
        for layer in study.suitability.barriers.iter().filter_map(|name| study.layer(name)) {
            let burnt = self.layers.barrier(layer, window)?;
            barrier.iter_mut().zip(burnt).for_each(|(b, here)| *b |= here);
        }
        let windows =
            self.reach.beyond.iter().map(|cells| window.with_margin(*cells, self.layers.grid)).collect();
        let mut tile = Tile {
            scorer: self,
            study,
            given: None,
            window,
            windows,
            barrier,
            shared: Vec::new(),
            by_land: RefCell::default(),
            first: RefCell::default(),
        };
        tile.shared = tile.values(|at| !self.changing[at], None, &NoWater)?;
        Ok(tile)
    }
}

impl<'a> Tile<'a> {
    /// The variables wanted, by position, in one case.
    fn values(
        &self,
        wanted: impl Fn(usize) -> bool,
        scenario: Option<&Scenario>,
        cells: &dyn CaseCells,
    ) -> Result<Vec<Option<Rc<Values>>>, EngineError> {
        let reader = Reader { layers: self.scorer.layers };
        let mut all = Vec::new();
        let mut years = 0;
        for (requisite, window) in self.study.requisites.iter().zip(&self.windows) {
            for variable in &requisite.variables {
                let yearly = years;
                years += usize::from(variable.measure.is_yearly());
                if !wanted(all.len()) {
                    all.push(None);
                    continue;
                }
                let measured = reader.measure(&variable.measure, yearly, *window, scenario, cells)?;
                let scores = scores(&variable.name, &variable.curve, &measured)?;
                all.push(Some(Rc::new(Values { measured: Rc::new(measured), scores })));
            }
        }
        Ok(all)
    }

    /// The same tile scored by a study that measures the same, with other curves, weights or rules.
    ///
    /// # Errors
    /// A class without a score.
    pub fn by_study<'b>(&'b self, study: &'b Study) -> Result<Tile<'b>, EngineError> {
        let mut tile = Tile {
            scorer: self.scorer,
            study,
            given: Some(self),
            window: self.window,
            windows: self.windows.clone(),
            barrier: self.barrier.clone(),
            shared: Vec::new(),
            by_land: RefCell::default(),
            first: RefCell::default(),
        };
        tile.shared = tile.scored_anew(&self.shared)?;
        Ok(tile)
    }

    /// What was measured, scored by the curves of this tile's study.
    fn scored_anew(&self, known: &Shared) -> Result<Shared, EngineError> {
        let anew = |((_, variable), values): ((&Requisite, &Variable), &Option<Rc<Values>>)| {
            let Some(values) = values else { return Ok(None) };
            let scores = scores(&variable.name, &variable.curve, &values.measured)?;
            Ok(Some(Rc::new(Values { measured: Rc::clone(&values.measured), scores })))
        };
        self.study.variables().zip(known).map(anew).collect()
    }

    /// The variables that change with the land cover alone, measured once for each land cover.
    fn of_land(&self, scenario: Option<&Scenario>) -> Result<Rc<Shared>, EngineError> {
        let cover = scenario.and_then(|scenario| scenario.land_cover.clone());
        if let Some(found) = self.by_land.borrow().get(&cover) {
            return Ok(Rc::clone(found));
        }
        let wanted = |at: usize| self.shared[at].is_none() && !self.scorer.of_water[at];
        let found = Rc::new(match self.given {
            Some(given) => {
                let measured = given.of_land(scenario)?;
                self.scored_anew(&measured)?
            }
            None => self.values(wanted, scenario, &NoWater)?,
        });
        self.by_land.borrow_mut().insert(cover, Rc::clone(&found));
        Ok(found)
    }

    /// Scores the window in one case; `None` is the land as it is today.
    ///
    /// # Errors
    /// A layer or the water cannot be read, or a class has no score.
    pub fn score(
        &self,
        scenario: Option<&Scenario>,
        cells: &dyn CaseCells,
    ) -> Result<Scored<'_>, EngineError> {
        let study = self.study;
        let land = self.of_land(scenario)?;
        let known = |at: usize| self.shared[at].as_ref().or(land[at].as_ref());
        let own = self.values(|at| known(at).is_none(), scenario, cells)?;
        let values: Vec<Rc<Values>> =
            own.into_iter().enumerate().filter_map(|(at, own)| own.or_else(|| known(at).cloned())).collect();
        let mut first = Vec::new();
        let mut next = 0;
        for requisite in &study.requisites {
            first.push(next);
            next += requisite.variables.len();
        }
        let before = self.first.borrow().clone();
        let mut alone: Vec<Scores> = Vec::with_capacity(study.requisites.len());
        for (at, requisite) in study.requisites.iter().enumerate() {
            let of = first[at]..first[at] + requisite.variables.len();
            let known = before.as_ref().map(|case| (&case.values[of.clone()], &case.requisites[at]));
            alone.push(alone_scores(requisite, &values[of], known));
        }
        let mut requisites = alone.clone();
        let mut nearness = vec![None; study.requisites.len()];
        for at in &self.scorer.reach.order {
            if let Some(near) = &study.requisites[*at].near {
                let factors = self.nearness(*at, near, &requisites[near.requisite]);
                let scores = alone[*at].iter().zip(&factors).map(|(score, factor)| score * factor);
                requisites[*at] = Rc::new(scores.collect());
                nearness[*at] = Some(factors);
            }
        }
        if before.is_none() {
            *self.first.borrow_mut() = Some(Rc::new(Case { values: values.clone(), requisites: alone }));
        }
        let here: Vec<Vec<f64>> =
            requisites.iter().zip(&self.windows).map(|(scores, from)| self.cut(from, scores)).collect();
        let rows: Vec<&[f64]> = here.iter().map(|scores| &scores[..]).collect();
        let suitability = suitability(study, &rows, &self.barrier);
        Ok(Scored { tile: self, values, nearness, requisites, suitability })
    }

    /// Factor of nearness of requisite `at` over its window, from the scores of the other over its own.
    fn nearness(&self, at: usize, near: &Near, scores: &[f64]) -> Vec<f64> {
        let cell_m = self.scorer.layers.grid.cell_m;
        let block = block(&self.windows[near.requisite], &self.windows[at]);
        // where the other is not known it is not met
        let targets: Vec<bool> = scores.iter().map(|score| *score >= near.at_least).collect();
        match &near.curve {
            None => within(&block, &targets, cell_m, near.within_m),
            Some(curve) => distance_to(&block, &targets, cell_m, near.within_m)
                .into_iter()
                .map(|metres| score(curve, f64::from(metres)).unwrap_or(f64::NAN))
                .collect(),
        }
    }

    /// The cells of the tile out of those of a window about it.
    pub(super) fn cut<T: Copy>(&self, from: &Window, values: &[T]) -> Vec<T> {
        let cols = self.window.cols;
        let mut cells = Vec::with_capacity(self.window.len());
        for row in 0..self.window.rows {
            let at = self.place(from, row * cols);
            cells.extend_from_slice(&values[at..at + cols]);
        }
        cells
    }

    /// Where a cell of the tile lies in a window about it.
    pub(super) fn place(&self, within: &Window, cell: usize) -> usize {
        let (row, col) = (cell / self.window.cols, cell % self.window.cols);
        (self.window.row - within.row + row) * within.cols + self.window.col - within.col + col
    }
}

/// Scores of a requisite, nearness aside; `before` is another case, with the values of its variables, whose scores hold for cells that
/// are alike there.
fn alone_scores(
    requisite: &Requisite,
    values: &[Rc<Values>],
    before: Option<(&[Rc<Values>], &Scores)>,
) -> Scores {
    let rows: Vec<&[f64]> = values.iter().map(|values| &values.scores[..]).collect();
    let Some((others, scores)) = before else { return Rc::new(requisite_scores(requisite, &rows, None)) };
    if values.iter().zip(others).all(|(here, there)| Rc::ptr_eq(here, there)) {
        return Rc::clone(scores);
    }
    let others: Vec<&[f64]> = others.iter().map(|values| &values.scores[..]).collect();
    Rc::new(requisite_scores(requisite, &rows, Some((&others, scores))))
}

/// Stands where no water is asked for.
struct NoWater;

impl CaseCells for NoWater {
    fn hydroperiod(&self, window: &Window) -> Result<Vec<f32>, EngineError> {
        Ok(vec![f32::NAN; window.len()])
    }

    fn fall(&self, _: &Window) -> Result<Option<Vec<f32>>, EngineError> {
        Ok(None)
    }

    fn yearly(&self, _: usize, window: &Window) -> Result<Measured, EngineError> {
        Ok(Measured::Numbers(vec![f32::NAN; window.len()]))
    }

    fn concentration(&self, _: i32) -> f64 {
        1.0
    }
}
