//! What a variable measures.

use super::Average;

/// What a variable measures. Layers by name.
#[derive(Clone, Debug, PartialEq)]
pub enum Measure {
    /// Value of a layer.
    Layer(String),
    /// Code of a class layer.
    Class(String),
    /// Months per year.
    Hydroperiod,
    /// Metres of water.
    Depth,
    /// Degrees.
    Slope,
    /// Metres to the nearest of these classes, at most `limit_m`.
    DistanceToClass {
        /// Class layer.
        layer: String,
        /// Codes looked for.
        classes: Vec<i32>,
        /// Reach.
        limit_m: f64,
    },
    /// Metres to the nearest water cell, at most `limit_m`.
    DistanceToWater {
        /// Reach.
        limit_m: f64,
    },
    /// Share of these classes within `radius_m`.
    ShareOfClass {
        /// Class layer.
        layer: String,
        /// Codes looked for.
        classes: Vec<i32>,
        /// Reach.
        radius_m: f64,
    },
    /// Share of water cells within `radius_m`.
    ShareOfWater {
        /// Reach.
        radius_m: f64,
    },
    /// Longest wet spell of a water year, months.
    LongestWetSpell {
        /// What is averaged over the years.
        average: Average,
    },
    /// Months of a water year that are wet and warm.
    WetAndWarmMonths {
        /// Lowest and highest monthly mean temperature, degrees Celsius.
        window_c: [f64; 2],
        /// What is averaged over the years.
        average: Average,
    },
    /// Share of years with a wet spell.
    YearsWithSpell {
        /// Months of the spell.
        months: usize,
        /// First and last calendar month of its season.
        season: [u32; 2],
    },
    /// Concentration of a layer, growing as a pool shrinks.
    WaterQuality(String),
}

impl Measure {
    /// How far, in metres, the measure looks from a cell (slope looks one cell: 0 here).
    pub fn reach_m(&self) -> f64 {
        match self {
            Measure::DistanceToClass { limit_m, .. } | Measure::DistanceToWater { limit_m } => *limit_m,
            Measure::ShareOfClass { radius_m, .. } | Measure::ShareOfWater { radius_m } => *radius_m,
            _ => 0.0,
        }
    }

    /// The layer it names, if it names one.
    pub fn layer(&self) -> Option<&str> {
        match self {
            Measure::Layer(layer)
            | Measure::Class(layer)
            | Measure::WaterQuality(layer)
            | Measure::DistanceToClass { layer, .. }
            | Measure::ShareOfClass { layer, .. } => Some(layer),
            _ => None,
        }
    }

    /// Whether it looks at single years.
    pub fn is_yearly(&self) -> bool {
        matches!(
            self,
            Measure::LongestWetSpell { .. }
                | Measure::WetAndWarmMonths { .. }
                | Measure::YearsWithSpell { .. }
        )
    }

    /// Whether the scores of single years are averaged, so that the score does not follow from the mean measure.
    pub fn averages_scores(&self) -> bool {
        matches!(
            self,
            Measure::LongestWetSpell { average: Average::Score }
                | Measure::WetAndWarmMonths { average: Average::Score, .. }
        )
    }

    /// Unit of the measure where it does not come from a layer.
    pub fn unit(&self) -> &'static str {
        match self {
            Measure::Hydroperiod => "months per year",
            Measure::Depth | Measure::DistanceToClass { .. } | Measure::DistanceToWater { .. } => "m",
            Measure::Slope => "degrees",
            Measure::ShareOfClass { .. } | Measure::ShareOfWater { .. } => "share",
            Measure::LongestWetSpell { .. } | Measure::WetAndWarmMonths { .. } => "months",
            Measure::YearsWithSpell { .. } => "share of years",
            Measure::Layer(_) | Measure::Class(_) | Measure::WaterQuality(_) => "",
        }
    }
}
