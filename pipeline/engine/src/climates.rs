//! The climates of a study: the weather and index of each, and which cell has which.

mod choose;
mod csv;
mod droughts;
mod grid;
mod levels;
mod rasters;
mod read;
pub mod untrusted;
mod zones;

pub use choose::{Choice, choose};
pub use droughts::{Droughts, Shown, droughts, whole_index};
pub use levels::PoolPlace;
pub use read::read;

use crate::error::EngineError;
use crate::layers::{Layers, known};
use grid::Place as GridPlace;
use lentic_habitat::climate::{ClimateModel, Evapotranspiration, Series, Shift, replay};
use lentic_habitat::response::Design;
use lentic_habitat::water::MonthAxis;
use lentic_raster::Window;
use lentic_study::Month;
use lentic_study::settings::{AnomalyScale, Climate, Driver, IndexKind};
use rayon::prelude::*;
use std::collections::BTreeMap;
use std::sync::Arc;

/// First and last month that a climate must have.
#[derive(Clone, Copy, Debug)]
pub struct Needed {
    /// First month.
    pub first: Month,
    /// Last month.
    pub last: Month,
}

/// What the numbers of a series of `[climate]` are.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Kind {
    Rain,
    Mean,
    Lowest,
    Highest,
    Standardised,
    Percent,
}

/// Monthly temperatures lie between these, degrees Celsius; what is beyond counts in another unit.
const TEMPERATURES: std::ops::RangeInclusive<f64> = -90.0..=70.0;
/// Standard deviations lie within this of 0; what is beyond is on another scale.
const DEVIATIONS: f64 = 10.0;

impl Kind {
    /// The kind of a series by its key in the study file.
    fn of(name: &str, climate: &Climate) -> Option<Kind> {
        Some(match (name, climate.scale) {
            // what an index given ready-made does not look at
            ("precipitation", _) if climate.index == IndexKind::Given => return None,
            ("precipitation", _) => Kind::Rain,
            ("temperature", _) => Kind::Mean,
            ("temperature_min", _) => Kind::Lowest,
            ("temperature_max", _) => Kind::Highest,
            (_, AnomalyScale::Standardised) => Kind::Standardised,
            (_, AnomalyScale::PercentOfNormal) => Kind::Percent,
        })
    }

    /// Why a number cannot be.
    fn refuses(self, value: f64) -> Option<&'static str> {
        match self {
            Kind::Rain if value < 0.0 => Some("is below 0, and precipitation cannot be"),
            Kind::Percent if value < 0.0 => Some("is below 0, and a percentage of normal cannot be"),
            Kind::Mean | Kind::Lowest | Kind::Highest if !TEMPERATURES.contains(&value) => {
                Some("is no monthly temperature in degrees Celsius, which lies between -90 and 70")
            }
            Kind::Standardised if value.abs() > DEVIATIONS => Some(
                "is no standardised value, which lies within 10 standard deviations of 0; percentages need scale_kind = \"percent of normal\"",
            ),
            _ => None,
        }
    }

    fn put(self, series: &mut Series, values: Vec<f64>) {
        match self {
            Kind::Rain => series.precipitation = values,
            Kind::Mean => series.temperature = Some(values),
            Kind::Lowest => series.extremes.get_or_insert_default()[0] = values,
            Kind::Highest => series.extremes.get_or_insert_default()[1] = values,
            Kind::Standardised | Kind::Percent => series.anomaly = values,
        }
    }
}

/// The first month whose daily highest temperature lies below the lowest.
fn crossed(series: &Series) -> Option<Month> {
    let [low, high] = series.extremes.as_ref()?;
    let at = low.iter().zip(high).position(|(low, high)| low > high)?;
    Some(series.first.plus(at as i32))
}

/// What a climate is called.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Label {
    /// For file names: letters, digits, `_`; empty for the climate of a whole study.
    pub id: String,
    /// For readers.
    pub name: String,
}

/// Where cells get their climate from.
#[derive(Debug)]
enum Place {
    /// All cells have the first.
    Whole,
    /// By the code of a class layer of this name.
    Zones { layer: String, at: BTreeMap<i32, usize> },
    /// By the cell of a climate raster their centre lies in.
    Grid(Box<GridPlace>),
}

/// Climates of a run. There is always at least one for a cell to have, though it may know no index.
#[derive(Clone, Debug)]
pub struct Climates {
    place: Arc<Place>,
    labels: Arc<Vec<Label>>,
    /// Models of every climate by months summed, the lengths rising; empty where the study has no climate. A length that cannot
    /// be fitted is not among them.
    lengths: Arc<Vec<(usize, Vec<ClimateModel>)>>,
    /// Position among the lengths.
    chosen: usize,
    driver: Driver,
    water_year_starts: u32,
    /// Pools that answer to a level of their own.
    levels: Arc<levels::Levels>,
}

impl Climates {
    /// The climates of a study without climate.
    fn none(driver: Driver, water_year_starts: u32) -> Self {
        Climates {
            place: Arc::new(Place::Whole),
            labels: Arc::default(),
            lengths: Arc::default(),
            chosen: 0,
            driver,
            water_year_starts,
            levels: Arc::default(),
        }
    }

    /// The index of each climate; none where the study has no climate.
    pub fn models(&self) -> &[ClimateModel] {
        self.lengths.get(self.chosen).map_or(&[], |(_, models)| models)
    }

    /// What each climate is called.
    pub fn labels(&self) -> &[Label] {
        &self.labels
    }

    /// Where the climate comes from, in a few words.
    pub fn in_words(&self) -> String {
        match (&*self.place, self.models().len()) {
            (_, 0) => "none".into(),
            (Place::Whole, _) => "one series".into(),
            (Place::Zones { layer, .. }, n) => format!("{n} zones of layer \"{layer}\""),
            (Place::Grid(_), n) => format!("{n} climate cells"),
        }
    }

    /// Months the index sums; 1 where there is none.
    pub fn months(&self) -> usize {
        self.lengths.get(self.chosen).map_or(1, |(months, _)| *months)
    }

    /// How evapotranspiration is found, if the index knows it.
    pub fn evapotranspiration(&self) -> Option<Evapotranspiration> {
        self.models().first()?.evapotranspiration()
    }

    /// Whether the climates are those of a raster.
    pub fn are_grid(&self) -> bool {
        matches!(*self.place, Place::Grid(_))
    }

    /// Whether the climates are those of zones.
    pub fn are_zones(&self) -> bool {
        matches!(*self.place, Place::Zones { .. })
    }

    /// Which climate each cell of a window answers to, or which pool's level, as a position among `designs`; `None` where it has
    /// none. Where water answers to the season only, all cells have the first.
    ///
    /// # Errors
    /// A layer of zones that cannot be read.
    pub fn of_cells(&self, layers: &Layers, window: Window) -> Result<Vec<Option<usize>>, EngineError> {
        match self.driver {
            Driver::Season => Ok(vec![Some(0); window.len()]),
            Driver::Index => self.levelled(layers, window, self.lying_in(layers, window)?),
        }
    }

    /// Which climate each cell of a window lies in, whatever its water answers to.
    fn lying_in(&self, layers: &Layers, window: Window) -> Result<Vec<Option<usize>>, EngineError> {
        match &*self.place {
            Place::Whole => Ok(vec![Some(0); window.len()]),
            Place::Zones { layer, at } => match layers.study.layer(layer) {
                Some(layer) => {
                    let codes = layers.codes(layer, window)?;
                    Ok(codes.into_iter().map(|code| known(code).and_then(|c| at.get(&c).copied())).collect())
                }
                None => Ok(vec![None; window.len()]),
            },
            Place::Grid(place) => place.of_cells(layers.grid, window),
        }
    }

    /// The months water answers to, by climate and then by pool with a level, under a change.
    pub fn designs(&self, axis: &MonthAxis, shift: &Shift) -> Vec<Design> {
        let design =
            |model: &ClimateModel| Design::new(axis, &model.z_on(axis, shift, self.water_year_starts));
        match self.models() {
            [first, others @ ..] if self.driver == Driver::Index => {
                let first = design(first);
                let others = others.par_iter().map(|model| design(model).sharing(&first));
                let others: Vec<Design> = others.collect();
                let mut all: Vec<Design> = std::iter::once(first).chain(others).collect();
                let pools = self.designs_of_pools(axis, shift, &all);
                let pools: Vec<Design> = pools.into_iter().map(|design| design.sharing(&all[0])).collect();
                all.extend(pools);
                all
            }
            _ => vec![Design::new(axis, &vec![Some(0.0); axis.len])],
        }
    }

    /// The months water answers to when water years come again in this order, by climate, under a change.
    ///
    /// # Errors
    /// Years that the series does not hold whole.
    pub fn replayed(&self, years: &[i32], shift: &Shift) -> Result<Vec<Design>, EngineError> {
        let starts = self.water_year_starts;
        let first = years.first().and_then(|year| replay::begins(*year, starts)).unwrap_or_default();
        let axis = MonthAxis { first, len: 12 * years.len() };
        let design = |model: &ClimateModel| match model.refuses_replay(years, starts) {
            Some(reason) => Err(EngineError::Replay(reason)),
            None => {
                let parts = model.replayed(years, starts, shift);
                let z: Vec<Option<f64>> = parts.into_iter().flatten().map(|month| month.z).collect();
                Ok(Design::new(&axis, &z))
            }
        };
        let mut all: Vec<Design> = self.models().iter().map(design).collect::<Result<_, _>>()?;
        let pools = self.levels().iter();
        all.extend(pools.filter_map(|place| self.replayed_design_of(place, &axis, years, shift)));
        Ok(all)
    }

    /// Temperature by climate and month of a replay, as [`Climates::temperatures`].
    pub fn replayed_temperatures(&self, years: &[i32], shift: &Shift) -> Vec<Vec<f64>> {
        let starts = self.water_year_starts;
        let of = |model: &ClimateModel| model.replayed_temperature(years, starts, shift);
        self.and_of_pools(self.models().iter().map(of).collect())
    }

    /// What each climate has, and then what each pool with a level has from its climate.
    fn and_of_pools<T: Clone>(&self, mut of_climates: Vec<T>) -> Vec<T> {
        let pools = self.levels().iter().filter_map(|place| of_climates.get(place.climate).cloned());
        let pools: Vec<T> = pools.collect();
        of_climates.extend(pools);
        of_climates
    }

    /// A model of the longest index that can be fitted, which looks farthest back.
    pub fn longest(&self) -> Option<&ClimateModel> {
        self.lengths.last().and_then(|(_, models)| models.first())
    }

    /// Words that tell the weather of all climates from their first month until `last` from any other.
    pub fn until(&self, last: Month) -> String {
        let mut hasher = blake3::Hasher::new();
        let models = self.lengths.last().map_or(&[][..], |(_, models)| models);
        for (model, label) in models.iter().zip(self.labels.iter()) {
            let series = model.series();
            let months = (last.since(series.first) + 1).max(0) as usize;
            hasher.update(format!("{}\n{}\n{months}\n", label.id, series.first).as_bytes());
            let [lowest, highest] =
                series.extremes.as_ref().map_or([None, None], |[low, high]| [Some(low), Some(high)]);
            let lists = [
                Some(&series.precipitation),
                series.temperature.as_ref(),
                lowest,
                highest,
                Some(&series.anomaly),
            ];
            for values in lists {
                let used = values.map_or(&[][..], |values| &values[..months.min(values.len())]);
                hasher.update(&(used.len() as u64).to_le_bytes());
                used.iter().for_each(|value| {
                    hasher.update(&value.to_le_bytes());
                });
            }
            // the latitude stands among the settings, or follows from the grid and its layers
        }
        hasher.finalize().to_hex().to_string()
    }

    /// Temperature by climate and month of the axis under a change, degrees Celsius; NaN where it is not known.
    pub fn temperatures(&self, axis: &MonthAxis, shift: &Shift) -> Vec<Vec<f64>> {
        self.and_of_pools(self.models().iter().map(|model| model.temperature_on(axis, shift)).collect())
    }

    /// How many months of these designs lie outside the range of the reference record, and of how many: of the climate
    /// with the most.
    pub fn extrapolated(&self, designs: &[Design]) -> (usize, usize) {
        let outside = |(model, design): (&ClimateModel, &Design)| {
            (model.extrapolated(design.z().map(|(_, z)| z)), design.len())
        };
        self.models().iter().zip(designs).map(outside).max_by_key(|(n, _)| *n).unwrap_or((0, 0))
    }
}

#[cfg(test)]
mod tests;
