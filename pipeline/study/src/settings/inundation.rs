//! `[inundation]` resolved.

use super::Driver;

/// How water is read and modelled.
#[derive(Clone, Debug, PartialEq)]
pub struct Inundation {
    /// What drives water.
    pub driver: Driver,
    /// Name of the class layer of response groups; `None`: one group.
    pub groups: Option<String>,
    /// Water, for distances and shares, from this many months per year.
    pub water_limit_months: f64,
    /// Observed months a cell needs.
    pub minimum_months: u32,
    /// Calendar months a cell needs seen.
    pub minimum_calendar_months: u32,
    /// Given logits per metre.
    pub logits_per_metre: Option<f64>,
    /// Whether pools may answer to a level of their own.
    pub pool_levels: bool,
    /// How many times years are drawn for yearly measures.
    pub realisations: u32,
    /// Prior sd of the intercept.
    pub intercept_sd: f64,
    /// Prior sd of the slope on the index.
    pub index_sd: f64,
    /// Prior sd of the season terms.
    pub season_sd: f64,
}
