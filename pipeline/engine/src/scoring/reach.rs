//! How far beyond a cell a study looks.

use crate::layers::Layers;
use crate::measures::Reader;
use lentic_study::settings::Requisite;

/// How far beyond a cell the study looks. A requisite that others must be near to is scored beyond the cell by as much as
/// they look for it, so that reaches add up.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Reach {
    /// Cells beyond the window within which each requisite is scored.
    pub(super) beyond: Vec<usize>,
    /// Requisites, each after the one it must be near to.
    pub(super) order: Vec<usize>,
    /// Cells beyond the window that are read.
    pub farthest: usize,
}

impl Reach {
    /// Cells beyond a window within which water is asked for.
    pub fn of_water(&self, layers: Layers) -> usize {
        let reader = Reader { layers };
        let own = |requisite: &Requisite| {
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
        let reach = |(requisite, beyond): (&Requisite, &usize)| {
            let own = requisite.variables.iter().map(|variable| reader.reach(&variable.measure)).max();
            beyond + own.unwrap_or(0)
        };
        let farthest = requisites.iter().zip(&beyond).map(reach).max().unwrap_or(0);
        Reach { beyond, order, farthest }
    }
}
