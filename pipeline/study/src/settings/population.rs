//! `[population]` resolved.

use lentic_numerics::population::Stage;
use lentic_numerics::stage_matrix::Growth;

/// How a population is projected.
#[derive(Clone, Debug, PartialEq)]
pub struct Population {
    /// Animals older than hatchlings a hectare at suitability 1: low, best, high.
    pub density_per_ha: [f64; 3],
    /// A group with fewer animals older than hatchlings is as good as lost.
    pub quasi_extinction: f64,
    /// Patches no farther apart than this are joined, metres.
    pub dispersal_m: Option<f64>,
    /// Names of the stages.
    pub names: Vec<String>,
    /// Stages in order, hatchlings first.
    pub stages: Vec<Stage>,
    /// Growth in an ordinary year.
    pub growth: Growth,
    /// A water year whose mean index is this or lower is a drought year.
    pub drought_at: f64,
    /// Courses drawn.
    pub replicates: usize,
    /// Years of the baseline's course, and of scenarios without a horizon.
    pub years: Option<usize>,
    /// Share of the room that is taken at the start.
    pub start_share: f64,
    /// Who set the rates, "" where they are placeholders.
    pub rates_from: String,
}

impl Population {
    /// Whether drought years differ from others.
    pub fn feels_drought(&self) -> bool {
        self.stages.iter().any(|s| s.drought_survival != 1.0 || s.drought_offspring != 1.0)
    }
}
