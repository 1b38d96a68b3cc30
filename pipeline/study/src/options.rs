//! The study file as written (TOML). Every key of the file is a field here, and the JSON Schema is made
//! from these structs. Nothing here is checked beyond its type; `resolve` turns it into `settings`.

mod climate;
mod curve;
mod inundation;
mod layers;
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

pub use climate::{
    AnomalyScale, ChooseWord, ClimateSection, IndexKind, IndexMonths, SeriesSection, ZeroRule,
};
pub use curve::{CurveSection, GaussianCurve, LogisticCurve};
pub use inundation::{Driver, InundationSection, PriorSection};
pub use layers::{LayerKind, LayerSection, Role, WaterContent};
pub use network::NetworkSection;
pub use patches::{CrossingSection, PatchWeight, PatchesSection, ResistanceOption, ResistanceWord};
pub use population::{DensitySection, PopulationSection, StageSection};
pub use publication::{Generalise, PublicationSection, SensitivityWord};
pub use range::{GenerationSection, PlacesBy, RangeSection};
pub use records::RecordsSection;
pub use requisites::{
    Average, IfMissing, IfMissingWord, MeasureKind, NearSection, RequisiteSection, VariableSection,
};
pub use scenarios::{DrawdownCause, DrawdownSection, ReplaySection, ScenarioSection, YearOrMonths};
pub use suitability::{Combine, SuitabilitySection, Threshold, ThresholdRule};
pub use uncertainty::{SensitivitySection, SpreadSection, UncertaintySection};
pub use what_if::{
    DryingLadderSection, HabitatOverTimeSection, ResponseSurfaceSection, WaterRequirementSection,
};

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// A whole study file.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct StudyFile {
    /// Who and what the study is about.
    pub study: StudySection,
    /// The grid everything is computed on.
    pub grid: GridSection,
    /// The months compared.
    pub period: PeriodSection,
    /// Input layers by name. A layer named like a role (`water`, `ground`, `depth`, `zones`,
    /// `wetland_class`, `land_cover`, `pools`) takes that role unless `role` says otherwise.
    pub layers: BTreeMap<String, LayerSection>,
    /// Monthly climate and the drought index; left out, water answers to the season only.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub climate: Option<ClimateSection>,
    /// How water is read and how it answers to drought and drawdown.
    #[serde(default)]
    pub inundation: InundationSection,
    /// What the animal needs: each requisite combines variables.
    pub requisites: BTreeMap<String, RequisiteSection>,
    /// How requisites become one suitability, and where habitat begins.
    pub suitability: SuitabilitySection,
    /// What counts as a patch.
    #[serde(default)]
    pub patches: PatchesSection,
    /// Records of the animal, to test the suitability against.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub records: Option<RecordsSection>,
    /// What is not known for sure, drawn again and again.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub uncertainty: Option<UncertaintySection>,
    /// Range measures, as evidence for those who assess the animal's status.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub range: Option<RangeSection>,
    /// What the loss of habitat means for the number of animals.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub population: Option<PopulationSection>,
    /// The futures compared with the baseline.
    #[serde(default)]
    pub scenarios: Vec<ScenarioSection>,
    /// Rising steps of drying, to find where each cell and patch stops being habitat.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub drying_ladder: Option<DryingLadderSection>,
    /// Habitat area over changes of rain and warmth.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub response_surface: Option<ResponseSurfaceSection>,
    /// Habitat area year by year of the past and along the scenarios, and when each cell is lost.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub habitat_over_time: Option<HabitatOverTimeSection>,
    /// How much water brings back what a scenario loses.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub water_requirement: Option<WaterRequirementSection>,
    /// How sensitive the places are, and how a public edition tells them.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub publication: Option<PublicationSection>,
    /// Which files on servers may be read; left out, none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub network: Option<NetworkSection>,
}

/// `[study]`
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct StudySection {
    /// Name of the study, as it stands in the report.
    pub name: String,
    /// The animal, as it stands in the report.
    pub organism: String,
    /// What the answer is for.
    #[serde(default)]
    pub purpose: String,
    /// Who to ask.
    #[serde(default)]
    pub contact: String,
    /// Licence of the products.
    #[serde(default)]
    pub licence: String,
    /// Seed of everything drawn at random (1).
    #[serde(default = "one")]
    pub seed: u64,
}

fn one() -> u64 {
    1
}

/// `[grid]`: a projected CRS and square cells; give `bounds` or `area`.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct GridSection {
    /// Coordinate reference system, for example "EPSG:32633" (projected).
    pub crs: String,
    /// Cell side, metres.
    #[schemars(range(min = 0.001))]
    pub cell_m: f64,
    /// Left, bottom, right, top in the CRS, metres.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bounds: Option<[f64; 4]>,
    /// Vector file of the study area; cells whose centre lies outside it are left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub area: Option<String>,
}

/// `[period]`: first and last month, both included, as "1991-01".
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct PeriodSection {
    /// The months of today's habitat.
    pub baseline: [String; 2],
    /// The months the drought index is fitted on (the baseline).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reference: Option<[String; 2]>,
    /// First calendar month of the water year (1).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 1, max = 12))]
    pub water_year_starts: Option<u32>,
}
