//! The index to be shown, month by month: of each climate, or of a raster of many climates their mean over the study area.

use super::{Climates, Label};
use crate::error::EngineError;
use crate::stages::Context;
use crate::stages::water::WaterProducts;
use lentic_habitat::climate::{ClimateModel, MonthIndex, Shift, replay};
use lentic_numerics::exact_sum::ExactSum;
use rayon::prelude::*;
use std::collections::BTreeMap;

/// Up to so many climate cells are shown one by one; more only as their mean.
const EACH: usize = 20;
/// Climates worked on at a time, so that the months of all never stand in memory together.
const TOGETHER: usize = 64;

/// The index of one climate, or of the mean of many.
#[derive(Clone, Debug)]
pub struct Droughts {
    /// What it is called.
    pub label: Label,
    /// Months by case.
    pub by_case: Vec<(String, Vec<MonthIndex>)>,
}

/// A case whose index is shown.
#[derive(Clone, Debug)]
pub struct Shown {
    /// Its name.
    pub name: String,
    /// Its change of climate.
    pub shift: Shift,
    /// Water years that come again; empty: the record as it was.
    pub replay: Vec<i32>,
}

impl Shown {
    /// The months of the case out of those of the whole series under its change: one part, or one for each run of years that
    /// are replayed.
    fn parts(&self, months: Vec<MonthIndex>, water_year_starts: u32) -> Vec<(String, Vec<MonthIndex>)> {
        let parts = match &self.replay[..] {
            [] => vec![months],
            years => replay::parts(&months, years, water_year_starts),
        };
        parts.into_iter().map(|months| (self.name.clone(), months)).collect()
    }
}

/// The index of every climate that is shown, in each of these cases.
///
/// # Errors
/// A layer that cannot be read, or a disk that refuses.
pub fn droughts(
    context: &Context,
    water: &WaterProducts,
    cases: &[Shown],
) -> Result<Vec<Droughts>, EngineError> {
    let climates = context.climates;
    let starts = context.study.period.water_year_starts;
    if climates.are_grid() && climates.models().len() > EACH {
        let weights = areas(context, climates, water)?;
        let by_case =
            cases.iter().flat_map(|case| case.parts(mean(climates.models(), &weights, &case.shift), starts));
        let label = Label {
            id: String::new(),
            name: format!("mean of {} climate cells", weights.iter().filter(|weight| **weight > 0.0).count()),
        };
        return Ok(vec![Droughts { label, by_case: by_case.collect() }]);
    }
    let each = climates.models().iter().zip(climates.labels());
    let of = |(model, label): (&ClimateModel, &Label)| Droughts {
        label: label.clone(),
        by_case: cases.iter().flat_map(|case| case.parts(model.months(&case.shift), starts)).collect(),
    };
    Ok(each.map(of).collect())
}

/// The index of the whole study area in each of these cases, months in parts as they follow one another: of several climates their
/// mean by area. None where the study has no climate.
///
/// # Errors
/// A layer that cannot be read, or a disk that refuses.
pub fn whole_index(
    context: &Context,
    water: &WaterProducts,
    cases: &[Shown],
) -> Result<Vec<Vec<Vec<MonthIndex>>>, EngineError> {
    let climates = context.climates;
    let weights = match climates.models() {
        [] => return Ok(Vec::new()),
        [_] => vec![1.0],
        _ => areas(context, climates, water)?,
    };
    let starts = context.study.period.water_year_starts;
    let of = |case: &Shown| {
        let parts = case.parts(mean(climates.models(), &weights, &case.shift), starts);
        parts.into_iter().map(|(_, months)| months).collect()
    };
    Ok(cases.iter().map(of).collect())
}

/// Area of the study that lies in each climate, square metres.
fn areas(context: &Context, climates: &Climates, water: &WaterProducts) -> Result<Vec<f64>, EngineError> {
    let tiles = context.over_tiles("weighing climates", |_, window| {
        let inside = water.inside.read(&window)?;
        let mut sums: BTreeMap<usize, ExactSum> = BTreeMap::new();
        for (cell, climate) in climates.lying_in(&context.layers, window)?.into_iter().enumerate() {
            if let Some(climate) = climate.filter(|_| inside[cell] == 1) {
                sums.entry(climate).or_default().add(context.areas.area_m2(window.row + cell / window.cols));
            }
        }
        Ok(sums)
    })?;
    let mut all = vec![ExactSum::default(); climates.models().len()];
    for (climate, sum) in tiles.into_iter().flatten() {
        all[climate].merge(&sum);
    }
    Ok(all.iter().map(|sum| sum.value().unwrap_or(0.0)).collect())
}

/// A mean in the making, of the climates that have a value.
#[derive(Clone, Copy, Default)]
struct Mean {
    sum: f64,
    weight: f64,
}

impl Mean {
    fn add(&mut self, value: Option<f64>, weight: f64) {
        if let Some(value) = value {
            self.sum += weight * value;
            self.weight += weight;
        }
    }

    fn value(self) -> Option<f64> {
        (self.weight > 0.0).then(|| self.sum / self.weight)
    }
}

/// The months of the mean of climates, each by its weight; a climate without index in a month is not part of the mean there.
fn mean(models: &[ClimateModel], weights: &[f64], shift: &Shift) -> Vec<MonthIndex> {
    let mut months: Vec<(MonthIndex, [Mean; 3])> = Vec::new();
    let weighed: Vec<(&ClimateModel, f64)> =
        models.iter().zip(weights.iter().copied()).filter(|(_, weight)| *weight > 0.0).collect();
    for part in weighed.chunks(TOGETHER) {
        let each: Vec<(Vec<MonthIndex>, f64)> =
            part.par_iter().map(|(model, weight)| (model.months(shift), *weight)).collect();
        for (own, weight) in each {
            if months.is_empty() {
                let empty = |month: &MonthIndex| MonthIndex { limited: false, ..*month };
                months = own.iter().map(|month| (empty(month), Default::default())).collect();
            }
            for ((month, means), own) in months.iter_mut().zip(&own) {
                month.limited |= own.limited;
                for (mean, value) in means.iter_mut().zip([own.sum, own.shown, own.z]) {
                    mean.add(value, weight);
                }
            }
        }
    }
    months
        .into_iter()
        .map(|(month, [sum, shown, z])| MonthIndex {
            sum: sum.value(),
            shown: shown.value(),
            z: z.value(),
            ..month
        })
        .collect()
}
