//! The futures whose truth the demo computes; `text/study.toml` states the same numbers.

/// One future.
pub(super) struct Future {
    pub name: &'static str,
    /// Factor on rain.
    pub rain: f64,
    /// Degrees Celsius added.
    pub warmer: f64,
    /// Metres the water level stands lower.
    pub lower_m: f64,
}

/// The futures, in the order of the study file.
pub(super) const FUTURES: [Future; 4] = [
    Future { name: "drier", rain: 0.85, warmer: 1.0, lower_m: 0.0 },
    Future { name: "much-drier", rain: 0.70, warmer: 2.0, lower_m: 0.0 },
    Future { name: "pumping", rain: 1.0, warmer: 0.0, lower_m: 0.4 },
    Future { name: "pumping-and-drier", rain: 0.85, warmer: 1.0, lower_m: 0.4 },
];
