//! `[climate]` resolved.

use super::{AnomalyScale, IndexKind, ZeroRule};
use std::path::PathBuf;

/// Where a monthly series is, not yet read.
#[derive(Clone, Debug, PartialEq)]
pub enum Series {
    /// A column of a CSV file.
    Column {
        /// CSV file.
        file: PathBuf,
        /// Column name.
        column: String,
        /// Column of zone codes, where the file holds a series for each zone.
        zone_column: Option<String>,
    },
    /// A monthly layer, by name.
    Layer(String),
}

impl Series {
    /// The column of zone codes, if the series is one by zone.
    pub fn zone_column(&self) -> Option<&str> {
        match self {
            Series::Column { zone_column, .. } => zone_column.as_deref(),
            Series::Layer(_) => None,
        }
    }
}

/// Months the index sums.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum IndexMonths {
    /// So many.
    Fixed(usize),
    /// The best of these, rising.
    Choose(Vec<usize>),
}

impl IndexMonths {
    /// Every length that may be used, rising.
    pub fn lengths(&self) -> &[usize] {
        match self {
            IndexMonths::Fixed(months) => std::slice::from_ref(months),
            IndexMonths::Choose(months) => months,
        }
    }
}

/// Climate and index. Which series there are follows from the index once a study is sound.
#[derive(Clone, Debug, PartialEq)]
pub struct Climate {
    /// Precipitation, mm.
    pub precipitation: Option<Series>,
    /// Mean temperature, degrees Celsius.
    pub temperature: Option<Series>,
    /// Mean of the daily lowest temperature, degrees Celsius; there with `temperature_max` only.
    pub temperature_min: Option<Series>,
    /// Mean of the daily highest temperature, degrees Celsius.
    pub temperature_max: Option<Series>,
    /// Ready-made anomalies.
    pub anomaly: Option<Series>,
    /// What their numbers are.
    pub scale: AnomalyScale,
    /// Name of the class layer of zones, where any series is one by zone.
    pub zones: Option<String>,
    /// Which index.
    pub index: IndexKind,
    /// Months summed.
    pub months: IndexMonths,
    /// Degrees north; `None`: centre of the grid, zone or climate cell.
    pub latitude: Option<f64>,
    /// What a zero sum reads as.
    pub zero: ZeroRule,
}

impl Climate {
    /// Every series there is, with its key in the study file.
    pub fn series(&self) -> impl Iterator<Item = (&'static str, &Series)> {
        let all = [
            ("precipitation", &self.precipitation),
            ("temperature", &self.temperature),
            ("temperature_min", &self.temperature_min),
            ("temperature_max", &self.temperature_max),
            ("anomaly", &self.anomaly),
        ];
        all.into_iter().filter_map(|(name, series)| Some((name, series.as_ref()?)))
    }
}
