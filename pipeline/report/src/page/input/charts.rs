//! What the charts show.

use serde::{Deserialize, Serialize};

/// The drought index month by month.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Drought {
    /// Index and months summed, for example "SPEI, 12 months".
    pub index: String,
    /// Name of the climate for files: letters, digits, `_`, `-`; "" where there is only one.
    pub id: String,
    /// Name of the climate for readers, for example of its zone; "" where there is only one.
    pub place: String,
    /// Months in order.
    pub months: Vec<DroughtMonth>,
    /// First and last month of each drought, as "1991-01", both included.
    pub events: Vec<[String; 2]>,
}

/// One month of the index.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct DroughtMonth {
    /// The month, as "1991-01".
    pub month: String,
    /// The index (standard deviations), `None` where it has none.
    pub index: Option<f64>,
}

/// The response curve of a variable.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CurvePanel {
    /// The requisite it belongs to.
    pub requisite: String,
    /// The variable.
    pub variable: String,
    /// What is measured, for example "hydroperiod".
    pub measure: String,
    /// Unit of the measure, "" where there is none.
    pub unit: String,
    /// Its shape.
    pub shape: CurveShape,
    /// What is measured over the compared cells of the baseline.
    pub distribution: Distribution,
}

/// How many cells have which measure.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub enum Distribution {
    /// In even bins.
    Bins {
        /// Low end of the first bin and high end of the last.
        span: [f64; 2],
        /// Cells by bin.
        cells: Vec<u64>,
        /// Cells below the span.
        below: u64,
        /// Cells above it.
        above: u64,
    },
    /// By class, in the order of the shape.
    Classes(Vec<u64>),
}

/// Measure to score.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub enum CurveShape {
    /// Points (measure, score) joined by straight lines, measures rising.
    Line(Vec<[f64; 2]>),
    /// Score by class, `None` where the class has none.
    Classes(Vec<(String, Option<f64>)>),
}

/// Records against suitability: their share over the share of the ground, window by window (the curve of the continuous Boyce
/// index).
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct BoyceCurve {
    /// Middle of the window and ratio, windows rising.
    pub points: Vec<[f64; 2]>,
    /// The index, where it has a value.
    pub index: Option<f64>,
    /// 5 % to 95 % range of the index over draws of records.
    pub range: Option<[f64; 2]>,
    /// Thresholds to mark, by name, rising.
    pub thresholds: Vec<(String, f64)>,
}

/// Habitat area by steps of drying.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct LadderCurve {
    /// What the steps are, for example "Loss of precipitation".
    pub drying: String,
    /// Unit of the steps.
    pub unit: String,
    /// Step, habitat and the part of it that is habitat today, hectares; steps rising from 0.
    pub points: Vec<[f64; 3]>,
    /// First step at which half of today's habitat or less is kept, in words; `None` where more is kept at every step.
    pub half_lost: Option<String>,
}

/// Which part of the uncertainty counts most for one number.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SensitivityPanel {
    /// What varies, for example "Habitat area, baseline".
    pub title: String,
    /// The parts.
    pub parts: Vec<SensitivityPart>,
}

/// A part of the uncertainty.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SensitivityPart {
    /// In words.
    pub name: String,
    /// Share of the variance that it makes by itself, and its 5 and 95 %.
    pub first: [f64; 3],
    /// Share of the variance in which it has any hand, and its 5 and 95 %.
    pub total: [f64; 3],
    /// Whether the total can be told from 0.
    pub told: bool,
}

/// Habitat area over changes of climate.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ClimateSurface {
    /// Changes of precipitation, percent, rising.
    pub precipitation: Vec<f64>,
    /// Changes of temperature, degrees Celsius, rising.
    pub temperature_c: Vec<f64>,
    /// Habitat, hectares, by temperature and in it by precipitation.
    pub habitat_ha: Vec<f64>,
    /// Scenarios with a change of climate that is the same in all months.
    pub marks: Vec<ClimateMark>,
}

/// Habitat by year, hectares.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct HabitatByYear {
    /// Year and habitat by the water seen in it, years rising.
    pub past: Vec<(i32, f64)>,
    /// 5 % to 95 % range of the modelled baseline over the members, hectares.
    pub range: Option<[f64; 2]>,
    /// Scenarios on their way to their horizons.
    pub ways: Vec<YearLine>,
}

/// A scenario on its way to its horizon.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct YearLine {
    /// Title of the scenario.
    pub title: String,
    /// Year and habitat, hectares, years rising.
    pub points: Vec<(i32, f64)>,
    /// 5 % to 95 % range at the horizon over the members, hectares.
    pub range: Option<[f64; 2]>,
}

/// A named scenario on a surface.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ClimateMark {
    /// Its title.
    pub title: String,
    /// Change of precipitation, percent.
    pub precipitation: f64,
    /// Change of temperature, degrees Celsius.
    pub temperature_c: f64,
}

/// The number of animals in one scenario, year by year.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PopulationPath {
    /// Title of the scenario ("Baseline" for the baseline).
    pub title: String,
    /// The first year.
    pub first_year: i32,
    /// By year from the first: 5th percentile, median, 95th percentile over the courses.
    pub years: Vec<[f64; 3]>,
    /// Room at the start and at the end, animals.
    pub room: [f64; 2],
    /// Share of the courses that fell under the level of loss.
    pub lost_share: f64,
}
