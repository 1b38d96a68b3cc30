//! A window scored in one case: what it measures, what limits its cells.

use super::Tile;
use super::tile::{Scores, Values};
use lentic_habitat::limiting::{self, BARRIER, Limit, Site, UNKNOWN, limiting};
use lentic_habitat::suitability::Measured;
use lentic_raster::Window;
use lentic_study::settings::Measure;
use std::rc::Rc;

/// A window in one case.
pub struct Scored<'a> {
    pub(super) tile: &'a Tile<'a>,
    pub(super) values: Vec<Rc<Values>>,
    /// By requisite, over its window; `None` where it need not be near another.
    pub(super) nearness: Vec<Option<Vec<f64>>>,
    pub(super) requisites: Vec<Scores>,
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
