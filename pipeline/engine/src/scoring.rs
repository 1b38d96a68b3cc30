//! From measures to requisites and suitability on one window of the grid: the one way for a run and for the explanation of a
//! single cell.

mod reach;
mod scored;
mod tile;

pub use reach::Reach;
pub use scored::{CellRows, Scored};
pub use tile::Tile;

use crate::layers::Layers;
use crate::measures::Reader;
use lentic_habitat::suitability::requisite_weights;
use lentic_study::Study;

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
}
