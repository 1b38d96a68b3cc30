//! The study as the pipeline uses it: every default filled in, every name resolved, every path absolute.

mod climate;
mod curve;
mod inundation;
mod layers;
mod measure;
mod network;
mod patches;
mod population;
mod publication;
mod range;
mod records;
mod requisites;
mod scenarios;
mod suitability;
mod uncertainty;
mod what_if;

pub use crate::options::{
    AnomalyScale, Average, Combine, DrawdownCause, Driver, IndexKind, LayerKind, PatchWeight, Role,
    ThresholdRule, WaterContent, ZeroRule,
};
pub use climate::{Climate, IndexMonths, Series};
pub use curve::Curve;
pub use inundation::Inundation;
pub use layers::{Files, Layer, Legend, LegendClass};
pub use measure::Measure;
pub use network::Network;
pub use patches::{Crossing, Patches};
pub use population::Population;
pub use publication::{Generalise, Publication, SensitivityWord};
pub use range::{Generation, PlacesBy, Range};
pub use records::Records;
pub use requisites::{Missing, Near, Requisite, Variable};
pub use scenarios::{Drawdown, Scenario, precipitation_factor};
pub use suitability::Suitability;
pub use uncertainty::{Sensitivity, Spread, Uncertainty};
pub use what_if::{DryingLadder, ResponseSurface, Supply, WaterRequirement};

use crate::Month;
use std::path::PathBuf;

/// A resolved study. Layers, requisites, variables and scenarios keep the order of the file.
#[derive(Clone, Debug)]
pub struct Study {
    /// The study file itself.
    pub path: PathBuf,
    /// Text of the study file, as read.
    pub text: String,
    /// Name of the study.
    pub name: String,
    /// The animal.
    pub organism: String,
    /// What the answer is for.
    pub purpose: String,
    /// Who to ask.
    pub contact: String,
    /// Licence of the products.
    pub licence: String,
    /// Seed of everything random.
    pub seed: u64,
    /// The grid.
    pub grid: GridSettings,
    /// The months compared.
    pub period: Period,
    /// Layers in file order.
    pub layers: Vec<Layer>,
    /// Monthly climate, if any.
    pub climate: Option<Climate>,
    /// Water.
    pub inundation: Inundation,
    /// Requisites in file order.
    pub requisites: Vec<Requisite>,
    /// From requisites to habitat.
    pub suitability: Suitability,
    /// Patches.
    pub patches: Patches,
    /// Records of the animal, if any.
    pub records: Option<Records>,
    /// What is not known for sure, if ranges are asked for.
    pub uncertainty: Option<Uncertainty>,
    /// How range is told, where it is asked for.
    pub range: Option<Range>,
    /// How a population is projected, where it is asked for.
    pub population: Option<Population>,
    /// Scenarios in file order, the baseline not among them.
    pub scenarios: Vec<Scenario>,
    /// Steps of drying, if any.
    pub drying_ladder: Option<DryingLadder>,
    /// Changes of climate looked at together, if any.
    pub response_surface: Option<ResponseSurface>,
    /// Habitat along the years, if wanted: years between the times looked at.
    pub over_time_years: Option<i32>,
    /// Supply of water looked at, if any.
    pub water_requirement: Option<WaterRequirement>,
    /// How places are told to others.
    pub publication: Publication,
    /// What may be fetched from servers, if anything.
    pub network: Option<Network>,
}

impl Study {
    /// The layer of a role, if the study has one.
    pub fn layer_with(&self, role: Role) -> Option<&Layer> {
        self.layers.iter().find(|layer| layer.role == Some(role))
    }

    /// The layer of this name.
    pub fn layer(&self, name: &str) -> Option<&Layer> {
        self.layers.iter().find(|layer| layer.name == name)
    }

    /// Variables whose measures look at single years, in file order.
    pub fn yearly_variables(&self) -> impl Iterator<Item = &Variable> {
        self.variables().map(|(_, variable)| variable).filter(|variable| variable.measure.is_yearly())
    }

    /// Whether some variable follows the depth of water, so that its fall must be known.
    pub fn follows_depth(&self) -> bool {
        self.variables().any(|(_, v)| matches!(v.measure, Measure::Depth | Measure::WaterQuality(_)))
    }

    /// Whether some variable measures warmth, which needs a temperature series over the baseline.
    pub fn needs_temperature(&self) -> bool {
        self.variables().any(|(_, v)| matches!(v.measure, Measure::WetAndWarmMonths { .. }))
    }

    /// Every variable with its requisite, in file order.
    pub fn variables(&self) -> impl Iterator<Item = (&Requisite, &Variable)> {
        self.requisites.iter().flat_map(|r| r.variables.iter().map(move |v| (r, v)))
    }
}

/// The grid as the study states it; the raster crate makes a `Grid` of it.
#[derive(Clone, Debug, PartialEq)]
pub struct GridSettings {
    /// CRS as written, for example "EPSG:32633".
    pub crs: String,
    /// Cell side, metres.
    pub cell_m: f64,
    /// Left, bottom, right, top; `None` when the area file gives them.
    pub bounds: Option<[f64; 4]>,
    /// Vector file of the study area.
    pub area: Option<PathBuf>,
}

/// First and last months, both included.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Period {
    /// Baseline months.
    pub baseline: (Month, Month),
    /// Months the index is fitted on.
    pub reference: (Month, Month),
    /// First calendar month of the water year, 1 to 12.
    pub water_year_starts: u32,
}
