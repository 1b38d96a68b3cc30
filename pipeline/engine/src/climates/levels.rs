//! Pools whose water answers to a level of their own: each is one more place to have a design from, after those of the climates.

use super::Climates;
use crate::error::EngineError;
use crate::layers::Layers;
use lentic_habitat::climate::{Shift, Weather, replay};
use lentic_habitat::pool_level::PoolLevel;
use lentic_habitat::response::Design;
use lentic_habitat::response::pool::group_of_pool;
use lentic_habitat::water::MonthAxis;
use lentic_raster::Window;
use rayon::prelude::*;
use std::collections::{BTreeMap, BTreeSet};
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

    /// Designs of the pools under a change, z being their levels; `of_climates` are those of the climates under it.
    pub(super) fn designs_of_pools(
        &self,
        axis: &MonthAxis,
        shift: &Shift,
        of_climates: &[Design],
    ) -> Vec<Design> {
        // pools of one climate share its weather
        let climates: BTreeSet<usize> = self.levels().iter().map(|place| place.climate).collect();
        let weather = |climate: usize| Some((climate, self.models().get(climate)?.weather(shift)?));
        let weathers: BTreeMap<usize, Weather> = climates.into_iter().filter_map(weather).collect();
        let design = |place: &PoolPlace| {
            let offset = self.models().get(place.climate)?.series().axis().position(axis.first)?;
            let (index, weather) = (of_climates.get(place.climate)?, weathers.get(&place.climate)?);
            Some(place.level.design(axis, index, weather, offset))
        };
        self.levels().par_iter().filter_map(design).collect()
    }

    /// The months a pool's water answers to when water years come again in this order, under a change.
    pub(super) fn replayed_design_of(
        &self,
        place: &PoolPlace,
        axis: &MonthAxis,
        years: &[i32],
        shift: &Shift,
    ) -> Option<Design> {
        let model = self.models().get(place.climate)?;
        let z = place.level.z(&model.weather(shift)?);
        let mut months = model.months(shift);
        months.iter_mut().zip(z).for_each(|(month, z)| month.z = month.z.map(|_| z));
        let parts = replay::parts(&months, years, self.water_year_starts);
        let z: Vec<Option<f64>> = parts.into_iter().flatten().map(|month| month.z).collect();
        Some(Design::new(axis, &z))
    }
}
