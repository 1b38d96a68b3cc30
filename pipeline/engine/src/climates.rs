//! The climates of a study: the index of each, and which cell has which.

use crate::check::Checked;
use crate::error::EngineError;
use lentic_habitat::climate::{ClimateModel, IndexSettings, Shift, replay};
use lentic_habitat::response::Design;
use lentic_habitat::water::MonthAxis;
use lentic_raster::Window;
use lentic_study::settings::Driver;

/// Climates of a run. There is always at least one for a cell to have, though it may know no index.
#[derive(Debug)]
pub struct Climates {
    models: Vec<ClimateModel>,
    driver: Driver,
    water_year_starts: u32,
}

impl Climates {
    /// Fits the index of every climate of a checked study.
    ///
    /// # Errors
    /// An index that cannot be fitted, or a grid whose latitude cannot be found.
    pub fn fit(checked: &Checked) -> Result<Self, EngineError> {
        let study = &checked.study;
        let mut models = Vec::new();
        if let (Some(climate), Some(series)) = (&study.climate, &checked.series) {
            let latitude = match climate.latitude {
                Some(latitude) => latitude,
                None => checked.grid.centre_latitude()?,
            };
            let settings = IndexSettings {
                index: climate.index,
                months: climate.months,
                zero: climate.zero,
                latitude,
                reference: study.period.reference,
            };
            models.push(ClimateModel::fit(series.clone(), settings)?);
        }
        Ok(Climates {
            models,
            driver: study.inundation.driver,
            water_year_starts: study.period.water_year_starts,
        })
    }

    /// The index of each climate; none where the study has no climate.
    pub fn models(&self) -> &[ClimateModel] {
        &self.models
    }

    /// Which climate each cell of a window has, as a position among `designs`; `None` where it has none.
    pub fn of_cells(&self, window: Window) -> Vec<Option<usize>> {
        vec![Some(0); window.len()]
    }

    /// The months water answers to, by climate, under a change.
    pub fn designs(&self, axis: &MonthAxis, shift: &Shift) -> Vec<Design> {
        match self.driver {
            Driver::Index if !self.models.is_empty() => {
                let z = |model: &ClimateModel| model.z_on(axis, shift, self.water_year_starts);
                self.models.iter().map(|model| Design::new(axis, &z(model))).collect()
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
        self.models.iter().map(design).collect()
    }

    /// How many months of these designs lie outside the range of the reference record, the most of any climate.
    pub fn extrapolated(&self, designs: &[Design]) -> usize {
        let outside =
            |(model, design): (&ClimateModel, &Design)| model.extrapolated(design.z().map(|(_, z)| z));
        self.models.iter().zip(designs).map(outside).max().unwrap_or(0)
    }
}
