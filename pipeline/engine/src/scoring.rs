//! From measures to requisites and suitability on one window of the grid: the one way for a run and for the explanation of a
//! single cell.

use crate::error::EngineError;
use crate::layers::Layers;
use crate::measures::{CaseCells, Reader, block};
use lentic_habitat::limiting::{self, BARRIER, Limit, Site, UNKNOWN, limiting};
use lentic_habitat::measure::{distance_to, within};
use lentic_habitat::suitability::{
    Measured, requisite_scores, requisite_weights, score, scores, suitability,
};
use lentic_raster::Window;
use lentic_study::Study;
use lentic_study::settings::{Measure, Scenario};
use std::cell::RefCell;
use std::collections::BTreeMap;
use std::rc::Rc;

/// How far beyond a cell the study looks. A requisite that others must be near to is scored beyond the cell by as much as
/// they look for it, so that reaches add up.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Reach {
    /// Cells beyond the window within which each requisite is scored.
    beyond: Vec<usize>,
    /// Requisites, each after the one it must be near to.
    order: Vec<usize>,
    /// Cells beyond the window that are read.
    pub farthest: usize,
}

impl Reach {
    /// Cells beyond a window within which water is asked for.
    pub fn of_water(&self, layers: Layers) -> usize {
        let reader = Reader { layers };
        let own = |requisite: &lentic_study::settings::Requisite| {
            let asking = requisite.variables.iter().filter(|v| Reader::asks_for_water(&v.measure));
            asking.map(|variable| reader.reach(&variable.measure)).max()
        };
        let both = layers.study.requisites.iter().zip(&self.beyond);
        both.filter_map(|(requisite, beyond)| Some(beyond + own(requisite)?)).max().unwrap_or(0)
    }

    /// The reach of a study whose circles of nearness are refused.
    pub fn of(layers: Layers) -> Self {
        let requisites = &layers.study.requisites;
        let reader = Reader { layers };
        let depth = |at: usize| {
            let mut way = vec![at];
            while let Some(near) = way.last().and_then(|at| requisites[*at].near.as_ref()) {
                way.push(near.requisite);
            }
            way.len()
        };
        let mut order: Vec<usize> = (0..requisites.len()).collect();
        order.sort_by_key(|at| depth(*at));
        let mut beyond = vec![0; requisites.len()];
        for at in order.iter().rev() {
            if let Some(near) = &requisites[*at].near {
                let cells = (near.within_m / layers.grid.cell_m).ceil() as usize;
                beyond[near.requisite] = beyond[near.requisite].max(beyond[*at] + cells);
            }
        }
        let reach = |(requisite, beyond): (&lentic_study::settings::Requisite, &usize)| {
            let own = requisite.variables.iter().map(|variable| reader.reach(&variable.measure)).max();
            beyond + own.unwrap_or(0)
        };
        let farthest = requisites.iter().zip(&beyond).map(reach).max().unwrap_or(0);
        Reach { beyond, order, farthest }
    }
}

/// Scores windows of a study's grid.
pub struct Scorer<'a> {
    layers: Layers<'a>,
    reach: Reach,
    /// Whether each variable may differ between cases.
    changing: Vec<bool>,
    /// Whether each variable hangs on the water of a case.
    of_water: Vec<bool>,
    weights: Vec<f64>,
}

impl<'a> Scorer<'a> {
    /// A scorer of the baseline and all scenarios of a study.
    pub fn new(layers: Layers<'a>) -> Self {
        let study = layers.study;
        let reader = Reader { layers };
        let changing = study
            .variables()
            .map(|(_, v)| {
                Reader::asks_for_water(&v.measure)
                    || study.scenarios.iter().any(|scenario| reader.changes(&v.measure, scenario))
            })
            .collect();
        let of_water = study.variables().map(|(_, v)| Reader::asks_for_water(&v.measure)).collect();
        Scorer { layers, reach: Reach::of(layers), changing, of_water, weights: requisite_weights(study) }
    }

    /// Cells beyond a window within which water is asked for.
    pub fn reach_of_water(&self) -> usize {
        self.reach.of_water(self.layers)
    }

    fn study(&self) -> &'a Study {
        self.layers.study
    }

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
        };
        tile.shared = tile.values(|at| !self.changing[at], None, &NoWater)?;
        Ok(tile)
    }
}

/// A window with what is the same in all cases.
pub struct Tile<'a> {
    scorer: &'a Scorer<'a>,
    /// The study whose curves, weights and rules score.
    study: &'a Study,
    /// The tile of the study as given, where this one scores by another.
    given: Option<&'a Tile<'a>>,
    window: Window,
    /// Where each requisite is scored.
    windows: Vec<Window>,
    barrier: Vec<bool>,
    shared: Vec<Option<Rc<Values>>>,
    /// Variables that hang on the land cover alone, by the layer that takes its place.
    by_land: RefCell<BTreeMap<Option<String>, Rc<Shared>>>,
}

/// Variables measured before; `None` for those that were not.
type Shared = Vec<Option<Rc<Values>>>;

/// A variable over the window of its requisite.
struct Values {
    measured: Rc<Measured>,
    scores: Vec<f64>,
}

/// A window in one case.
pub struct Scored<'a> {
    tile: &'a Tile<'a>,
    values: Vec<Rc<Values>>,
    /// By requisite, over its window; `None` where it need not be near another.
    nearness: Vec<Option<Vec<f64>>>,
    requisites: Vec<Vec<f64>>,
    /// Suitability; NaN where not assessed.
    pub suitability: Vec<f32>,
}

/// Rows of one cell, reused from cell to cell.
#[derive(Default)]
pub struct CellRows {
    /// Score of every variable.
    pub variables: Vec<f64>,
    /// Factor of nearness of every requisite.
    pub nearness: Vec<f64>,
    /// Score of every requisite.
    pub requisites: Vec<f64>,
    room: limiting::Room,
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
        };
        tile.shared = tile.scored_anew(&self.shared)?;
        Ok(tile)
    }

    /// What was measured, scored by the curves of this tile's study.
    fn scored_anew(&self, known: &Shared) -> Result<Shared, EngineError> {
        let anew = |((_, variable), values): (
            (&lentic_study::settings::Requisite, &lentic_study::settings::Variable),
            &Option<Rc<Values>>,
        )| {
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
        let mut requisites = vec![Vec::new(); study.requisites.len()];
        let mut nearness = vec![None; study.requisites.len()];
        for at in &self.scorer.reach.order {
            let requisite = &study.requisites[*at];
            let of = &values[first[*at]..first[*at] + requisite.variables.len()];
            let rows: Vec<&[f64]> = of.iter().map(|values| &values.scores[..]).collect();
            let mut found = requisite_scores(requisite, &rows);
            if let Some(near) = &requisite.near {
                let factors = self.nearness(*at, near, &requisites[near.requisite]);
                found.iter_mut().zip(&factors).for_each(|(score, factor)| *score *= factor);
                nearness[*at] = Some(factors);
            }
            requisites[*at] = found;
        }
        let here: Vec<Vec<f64>> =
            requisites.iter().zip(&self.windows).map(|(scores, from)| self.cut(from, scores)).collect();
        let rows: Vec<&[f64]> = here.iter().map(|scores| &scores[..]).collect();
        let suitability = suitability(study, &rows, &self.barrier);
        Ok(Scored { tile: self, values, nearness, requisites, suitability })
    }

    /// Factor of nearness of requisite `at` over its window, from the scores of the other over its own.
    fn nearness(&self, at: usize, near: &lentic_study::settings::Near, scores: &[f64]) -> Vec<f64> {
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
    fn cut<T: Copy>(&self, from: &Window, values: &[T]) -> Vec<T> {
        (0..self.window.len()).map(|cell| values[self.place(from, cell)]).collect()
    }

    /// Where a cell of the tile lies in a window about it.
    fn place(&self, within: &Window, cell: usize) -> usize {
        let (row, col) = (cell / self.window.cols, cell % self.window.cols);
        (self.window.row - within.row + row) * within.cols + self.window.col - within.col + col
    }
}

impl Scored<'_> {
    fn windows_of_variables(&self) -> impl Iterator<Item = &Window> {
        let study = self.tile.scorer.study();
        study
            .requisites
            .iter()
            .zip(&self.tile.windows)
            .flat_map(|(requisite, window)| std::iter::repeat_n(window, requisite.variables.len()))
    }

    /// What the variables measure on the tile, in the order of the study.
    pub fn measured(&self) -> Vec<Measured> {
        let cut = |(values, window): (&Rc<Values>, &Window)| match &*values.measured {
            Measured::Numbers(numbers) => Measured::Numbers(self.tile.cut(window, numbers)),
            Measured::Codes(codes) => Measured::Codes(self.tile.cut(window, codes)),
            Measured::Years { measure, score } => Measured::Years {
                measure: self.tile.cut(window, measure),
                score: self.tile.cut(window, score),
            },
        };
        self.values.iter().zip(self.windows_of_variables()).map(cut).collect()
    }

    /// Factors of nearness of the requisites on the tile; empty where one need not be near another.
    pub fn factors(&self) -> Vec<Vec<f64>> {
        let cut = |(factors, window): (&Option<Vec<f64>>, &Window)| {
            factors.as_ref().map_or_else(Vec::new, |factors| self.tile.cut(window, factors))
        };
        self.nearness.iter().zip(&self.tile.windows).map(cut).collect()
    }

    /// The scores that make the suitability of a cell.
    pub fn rows(&self, cell: usize, rows: &mut CellRows) {
        rows.variables.clear();
        let place = |window: &Window| self.tile.place(window, cell);
        let scores = self.values.iter().zip(self.windows_of_variables());
        rows.variables.extend(scores.map(|(values, window)| values.scores[place(window)]));
        rows.nearness.clear();
        rows.requisites.clear();
        for (at, window) in self.tile.windows.iter().enumerate() {
            rows.nearness.push(self.nearness[at].as_ref().map_or(1.0, |factors| factors[place(window)]));
            rows.requisites.push(self.requisites[at][place(window)]);
        }
    }

    /// Whether a barrier lies on a cell.
    pub fn has_barrier(&self, cell: usize) -> bool {
        self.tile.barrier[cell]
    }

    /// What limits a cell; `None` where it is not assessed or a barrier lies on it.
    pub fn limit(&self, cell: usize, rows: &mut CellRows) -> Option<Limit> {
        if self.suitability[cell].is_nan() || self.has_barrier(cell) {
            return None;
        }
        self.rows(cell, rows);
        let study = self.tile.scorer.study();
        let site = Site {
            variables: &rows.variables,
            nearness: &rows.nearness,
            requisites: &rows.requisites,
            weights: &self.tile.scorer.weights,
        };
        Some(limiting(&study.requisites, study.suitability.combine, site, &mut rows.room))
    }

    /// Codes of the limiting factors of the cells of the tile that are 1 in `wanted`, UNKNOWN elsewhere. `before` is another case of
    /// the tile with its codes: a cell whose scores are the same there keeps its code.
    pub fn limits(&self, wanted: &[u8], before: Option<&(Scored, Vec<u8>)>) -> Vec<u8> {
        let mut rows = CellRows::default();
        let differ = before.map(|(other, _)| self.differing(other));
        let code = |(cell, wanted): (usize, &u8)| {
            if *wanted != 1 {
                return UNKNOWN;
            }
            if let (Some((_, codes)), Some(differ)) = (before, &differ)
                && !differ[cell]
            {
                return codes[cell];
            }
            match self.limit(cell, &mut rows) {
                Some(limit) => limit.code,
                None if self.suitability[cell].is_nan() => UNKNOWN,
                None => BARRIER,
            }
        };
        wanted.iter().enumerate().map(code).collect()
    }

    /// Cells of the tile that have another score, of a variable or of nearness, than in another case of the tile.
    fn differing(&self, other: &Scored) -> Vec<bool> {
        let cols = self.tile.window.cols;
        let mut differ = vec![false; self.suitability.len()];
        let mut compare = |window: &Window, here: &[f64], there: &[f64]| {
            for (row, differ) in differ.chunks_exact_mut(cols).enumerate() {
                let from = self.tile.place(window, row * cols);
                let both = here[from..from + cols].iter().zip(&there[from..from + cols]);
                differ
                    .iter_mut()
                    .zip(both)
                    .for_each(|(differ, (here, there))| *differ |= here.to_bits() != there.to_bits());
            }
        };
        for ((here, there), window) in self.values.iter().zip(&other.values).zip(self.windows_of_variables())
        {
            if !Rc::ptr_eq(here, there) {
                compare(window, &here.scores, &there.scores);
            }
        }
        for ((here, there), window) in self.nearness.iter().zip(&other.nearness).zip(&self.tile.windows) {
            if let (Some(here), Some(there)) = (here, there) {
                compare(window, here, there);
            }
        }
        differ
    }

    /// Cells of the tile where a share within a radius is missing.
    pub fn unknown_surroundings(&self) -> Vec<bool> {
        let study = self.tile.scorer.study();
        let mut missing = vec![false; self.suitability.len()];
        for (((_, variable), values), window) in
            study.variables().zip(&self.values).zip(self.windows_of_variables())
        {
            let share =
                matches!(variable.measure, Measure::ShareOfClass { .. } | Measure::ShareOfWater { .. });
            if let (true, Measured::Numbers(numbers)) = (share, &*values.measured) {
                for (cell, missing) in missing.iter_mut().enumerate() {
                    *missing |= numbers[self.tile.place(window, cell)].is_nan();
                }
            }
        }
        missing
    }
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
