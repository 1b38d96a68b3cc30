//! Pools whose water answers to a level of their own: each is one more place to have a design from, after those of the climates.

use super::Climates;
use crate::error::EngineError;
use crate::layers::Layers;
use lentic_habitat::climate::{ClimateModel, Shift, replay};
use lentic_habitat::pool_level::PoolLevel;
use lentic_habitat::response::Design;
use lentic_habitat::response::pool::group_of_pool;
use lentic_habitat::water::MonthAxis;
use lentic_raster::Window;
use std::collections::BTreeMap;
use std::sync::Arc;

/// A pool with its level.
#[derive(Clone, Debug)]
pub struct PoolPlace {
    /// Code of the pool.
    pub pool: i32,
    /// The climate most of its cells have.
    pub climate: usize,
    /// Its balance.
    pub level: PoolLevel,
}

/// All pools with a level.
#[derive(Clone, Debug, Default)]
pub(super) struct Levels {
    pools: Vec<PoolPlace>,
    /// Position among `pools` by code.
    at: BTreeMap<i32, usize>,
}

impl Climates {
    /// These climates and pools with levels of their own.
    #[must_use]
    pub fn with_levels(&self, pools: Vec<PoolPlace>) -> Climates {
        let at = pools.iter().enumerate().map(|(at, place)| (place.pool, at)).collect();
        Climates { levels: Arc::new(Levels { pools, at }), ..self.clone() }
    }

    /// The pools with levels of their own, in the order of their places.
    pub fn levels(&self) -> &[PoolPlace] {
        &self.levels.pools
    }

    /// How many places to have a design from there are.
    pub fn places(&self) -> usize {
        self.models().len().max(1) + self.levels.pools.len()
    }

    /// Response group of every cell of a window: its class, in a pool with a level the pool.
    ///
    /// # Errors
    /// When a layer cannot be read.
    pub fn groups(&self, layers: &Layers, window: Window) -> Result<Vec<Option<i32>>, EngineError> {
        let mut groups = layers.groups(window)?;
        if !self.levels.pools.is_empty() {
            for (group, pool) in groups.iter_mut().zip(layers.pools(window)?) {
                if let Some(pool) = pool.filter(|pool| self.levels.at.contains_key(pool)) {
                    *group = group_of_pool(pool);
                }
            }
        }
        Ok(groups)
    }

    /// Gives cells of pools with levels those as their place; cells without a climate keep none.
    pub(super) fn levelled(
        &self,
        layers: &Layers,
        window: Window,
        mut places: Vec<Option<usize>>,
    ) -> Result<Vec<Option<usize>>, EngineError> {
        if !self.levels.pools.is_empty() {
            let first = self.models().len();
            for (place, pool) in places.iter_mut().zip(layers.pools(window)?) {
                let level = pool.and_then(|pool| self.levels.at.get(&pool));
                if let (Some(place), Some(at)) = (place.as_mut(), level) {
                    *place = first + at;
                }
            }
        }
        Ok(places)
    }

    /// The months a pool's water answers to under a change, z being its level.
    pub(super) fn design_of(&self, place: &PoolPlace, axis: &MonthAxis, shift: &Shift) -> Option<Design> {
        let model = self.models().get(place.climate)?;
        let z = self.level_of(place, model, shift)?;
        let series = model.series().axis();
        let index = model.z_on(axis, shift, self.water_year_starts);
        let of = |month, index: Option<f64>| index.and_then(|_| z.get(series.position(month)?).copied());
        let z: Vec<Option<f64>> = axis.months().zip(index).map(|(month, index)| of(month, index)).collect();
        Some(Design::new(axis, &z))
    }

    /// As [`Climates::design_of`], for water years that come again.
    pub(super) fn replayed_design_of(
        &self,
        place: &PoolPlace,
        axis: &MonthAxis,
        years: &[i32],
        shift: &Shift,
    ) -> Option<Design> {
        let model = self.models().get(place.climate)?;
        let z = self.level_of(place, model, shift)?;
        let mut months = model.months(shift);
        months.iter_mut().zip(z).for_each(|(month, z)| month.z = month.z.map(|_| z));
        let parts = replay::parts(&months, years, self.water_year_starts);
        let z: Vec<Option<f64>> = parts.into_iter().flatten().map(|month| month.z).collect();
        Some(Design::new(axis, &z))
    }

    fn level_of(&self, place: &PoolPlace, model: &ClimateModel, shift: &Shift) -> Option<Vec<f64>> {
        Some(place.level.z(&model.weather(shift)?))
    }
}
