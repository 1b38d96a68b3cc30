//! `[uncertainty]` resolved, and the spread of a scenario.

/// What is not known for sure; a spread of 0 leaves that part as it is.
#[derive(Clone, Debug, PartialEq)]
pub struct Uncertainty {
    /// Number of members.
    pub members: usize,
    /// Half-width of break points, share of their curve's span, and of scores of classes.
    pub curves: f64,
    /// Standard deviation of a weight of one half.
    pub weights: f64,
    /// Half-width of the threshold.
    pub threshold: f64,
    /// Whether coefficients of the response are drawn from their fit.
    pub response: bool,
    /// Standard deviation of depths, metres.
    pub vertical_m: f64,
    /// The run over a sample that says which part counts most, if asked for.
    pub sensitivity: Option<Sensitivity>,
}

/// A run for Sobol indices.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Sensitivity {
    /// Rows of the design, a power of two.
    pub samples: usize,
    /// Cells of the sample at least.
    pub cells: usize,
}

/// How far the numbers of a scenario may lie off: least and largest departure, the first at most 0, the second at least 0.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Spread {
    /// Percentage points of the change of precipitation.
    pub precipitation: [f64; 2],
    /// Degrees of the change of temperature.
    pub temperature_c: [f64; 2],
    /// Standard deviations of the shift of a given index.
    pub index_shift: [f64; 2],
    /// Percent of the fall of the water table.
    pub drawdown_percent: [f64; 2],
}
