//! The study file as written (TOML). Every key of the file is a field here, and the JSON Schema is made
//! from these structs. Nothing here is checked beyond its type; `resolve` turns it into `settings`.

mod uncertainty;

pub use uncertainty::{SensitivitySection, SpreadSection, UncertaintySection};
mod network;
mod population;
mod publication;
mod range;

pub use network::NetworkSection;
pub use population::{DensitySection, PopulationSection, StageSection};
pub use publication::{Generalise, PublicationSection, SensitivityWord};
pub use range::{GenerationSection, PlacesBy, RangeSection};

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

/// What the cells of a layer hold.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum LayerKind {
    /// Codes with a legend; never averaged.
    Class,
    /// Numbers with a unit.
    Continuous,
    /// 0 or 1; a vector file is burnt wherever it touches a cell.
    Mask,
    /// Shares from 0 to 1.
    Fraction,
    /// The monthly stack of surface water.
    WaterHistory,
}

/// What the layer is for, where a stage needs to know.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Role {
    /// Monthly surface water.
    Water,
    /// Ground elevation, metres.
    Ground,
    /// Usual water depth, metres.
    Depth,
    /// Zones for tables and for drawdown by zone.
    Zones,
    /// Wetland classes for tables and, unless set otherwise, response groups.
    WetlandClass,
    /// Land cover for tables.
    LandCover,
    /// Pools whose water level is one surface.
    Pools,
}

/// What the monthly files of a water history hold.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum WaterContent {
    /// 0 dry, 1 wet, no data where not seen.
    Mask,
    /// Share of the cell under water; wet at `wet_at` (0.5) or more.
    Fraction,
    /// Water depth in any unit; wet where it is above `wet_at` (0).
    Depth,
}

/// `[layers.NAME]`: give `file` or `files`.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct LayerSection {
    /// One file, relative to the study file.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub file: Option<String>,
    /// A pattern with {year} and, unless each file holds twelve bands, {month}; {day} too where a
    /// month may have several dates. For water histories, and for the continuous layers of `[climate]`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub files: Option<String>,
    /// Continuous layers of `[climate]` in one file: the month of its first band, as "1988-01"; each
    /// band is a month.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub first_month: Option<String>,
    /// What the cells hold.
    pub kind: LayerKind,
    /// What the layer is for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub role: Option<Role>,
    /// Band to read, from 1 (1).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 1))]
    pub band: Option<usize>,
    /// CSV with columns code, name and, if wanted, scores.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub legend: Option<String>,
    /// Water histories: what the files hold ("mask").
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub holds: Option<WaterContent>,
    /// Water histories of fractions or depths: where wet begins.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub wet_at: Option<f64>,
    /// Water histories: codes that mean "not seen", besides no data.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub unobserved: Vec<f64>,
    /// Values that mean "no data", besides what the file declares.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub no_data: Vec<f64>,
    /// Multiply values by this on reading (1).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub scale: Option<f64>,
    /// Unit after scaling.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub unit: Option<String>,
    /// Where the layer comes from.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub source: Option<String>,
    /// Its licence.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub licence: Option<String>,
    /// Its date.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub date: Option<String>,
}

/// The drought index.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum IndexKind {
    /// Standardized precipitation index.
    Spi,
    /// Standardized precipitation evapotranspiration index.
    Spei,
    /// Anomalies of the study's own, read from `anomaly`.
    Given,
}

/// What the numbers of a given anomaly are.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum AnomalyScale {
    /// Standard deviations from the mean.
    #[serde(rename = "standardised")]
    Standardised,
    /// 100 in a normal month; becomes standard deviations by the gamma distribution of its calendar month.
    #[serde(rename = "percent of normal")]
    PercentOfNormal,
}

/// The word of `months`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum ChooseWord {
    /// The length that best predicts water in years left out.
    #[serde(rename = "choose")]
    Choose,
}

/// Months summed, or "choose".
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(untagged)]
pub enum IndexMonths {
    /// So many.
    Number(#[schemars(range(min = 1, max = 60))] u32),
    /// "choose"
    Word(ChooseWord),
}

/// What a zero precipitation sum reads as.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum ZeroRule {
    /// The centre of the probability mass at zero, q/2.
    Centre,
    /// The whole mass, q (McKee et al. 1993).
    Mass,
}

/// A monthly series: `file` and `column` (a CSV with columns `year` and `month`), or `layer` (a raster
/// for each month).
#[derive(Clone, Debug, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct SeriesSection {
    /// The CSV, relative to the study file.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub file: Option<String>,
    /// The column.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub column: Option<String>,
    /// Column of zone codes, where the file holds a series for each zone of the layer `zones`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub zone_column: Option<String>,
    /// A continuous layer with `files` or `first_month`; each cell takes the climate cell its centre
    /// lies in.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub layer: Option<String>,
}

/// `[climate]`: one series for the whole study, one for each zone, or rasters.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ClimateSection {
    /// Monthly precipitation, mm; needed by "spi" and "spei".
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub precipitation: Option<SeriesSection>,
    /// Monthly mean temperature, degrees Celsius; "spei" needs it, or both extremes.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub temperature: Option<SeriesSection>,
    /// Monthly mean of the daily lowest temperature, degrees Celsius. With both extremes
    /// evapotranspiration is Hargreaves and Samani's, else Thornthwaite's.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub temperature_min: Option<SeriesSection>,
    /// Monthly mean of the daily highest temperature, degrees Celsius.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub temperature_max: Option<SeriesSection>,
    /// Ready-made anomalies; needed by "given".
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub anomaly: Option<SeriesSection>,
    /// What the numbers of `anomaly` are.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub scale_kind: Option<AnomalyScale>,
    /// Class layer of the zones of `zone_column` (the layer with role `zones`).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub zones: Option<String>,
    /// Which index.
    pub index: IndexKind,
    /// Months summed (of "given": the months the anomalies were summed over), or "choose".
    pub months: IndexMonths,
    /// With "choose": the lengths tried (1, 2, 3, 6, 9, 12, 18, 24, 36, 48).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub choose_from: Option<Vec<u32>>,
    /// Degrees north, for day length (centre of the grid, the zone or the climate cell).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = -66.0, max = 66.0))]
    pub latitude: Option<f64>,
    /// What a zero sum reads as ("centre").
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub zero: Option<ZeroRule>,
}

/// What drives water in the fitted response.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Driver {
    /// The drought index and the season.
    Index,
    /// The season only.
    Season,
}

/// `[inundation]`
#[derive(Clone, Debug, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct InundationSection {
    /// What drives water ("index" where there is a climate).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub driver: Option<Driver>,
    /// Class layer of response groups (the layer with role `wetland_class`).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub groups: Option<String>,
    /// A cell is water, for distances and shares, from this many months per year (3).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0, max = 12.0))]
    pub water_limit_months: Option<f64>,
    /// Observed months a cell needs to be assessed (24).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 1))]
    pub minimum_months: Option<u32>,
    /// Calendar months, of twelve, a cell needs seen to be assessed (6).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 1, max = 12))]
    pub minimum_calendar_months: Option<u32>,
    /// Logits per metre of water table, where the study knows better than the fit.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub logits_per_metre: Option<f64>,
    /// Fit a balance of its water to each pool, and take its level in place of the drought index where that explains years left out
    /// much better; needs roles pools and ground, precipitation and temperature (true).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pool_levels: Option<bool>,
    /// How many times the years are drawn for yearly measures (10).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 1, max = 1000))]
    pub realisations: Option<u32>,
    /// Prior spreads of the response.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub prior: Option<PriorSection>,
}

/// `[inundation.prior]`: standard deviations.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct PriorSection {
    /// Of the intercept, about 0 (10).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub intercept_sd: Option<f64>,
    /// Of the slope on the index, about the group median (0.5).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub index_sd: Option<f64>,
    /// Of the two season terms, about the group medians (1).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub season_sd: Option<f64>,
}

/// How scores are combined.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum Combine {
    /// Weighted arithmetic mean.
    #[serde(rename = "arithmetic mean")]
    ArithmeticMean,
    /// Weighted geometric mean; any 0 gives 0.
    #[serde(rename = "geometric mean")]
    GeometricMean,
    /// The lowest score.
    #[serde(rename = "minimum")]
    Minimum,
    /// The product of the scores.
    #[serde(rename = "product")]
    Product,
}

/// `[requisites.NAME]`
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct RequisiteSection {
    /// How its variables are combined.
    pub combine: Combine,
    /// Weight among requisites (1).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0))]
    pub weight: Option<f64>,
    /// Weights of the variables from pairwise comparison, in their order, instead of `weight` keys.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pairwise: Option<Vec<Vec<f64>>>,
    /// Take the pairwise weights even where the consistency ratio is 0.10 or more.
    #[serde(default)]
    pub accept_inconsistent: bool,
    /// Another requisite that must be met nearby.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub near: Option<NearSection>,
    /// The variables.
    pub variables: Vec<VariableSection>,
}

/// `near`: the requisite counts only within reach of another.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct NearSection {
    /// The other requisite.
    pub requisite: String,
    /// How far it may be, metres.
    #[schemars(range(min = 0.0))]
    pub within_m: f64,
    /// The score from which a cell meets it (0.5).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0, max = 1.0))]
    pub at_least: Option<f64>,
    /// Factor on the score by metres to the nearest such cell, read no farther than `within_m` (1 within it, 0 beyond).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub curve: Option<CurveSection>,
}

/// What a variable measures.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum MeasureKind {
    /// The value of a continuous, fraction or mask layer.
    #[serde(rename = "layer")]
    Layer,
    /// The code of a class layer.
    #[serde(rename = "class")]
    Class,
    /// Hydroperiod, months per year.
    #[serde(rename = "hydroperiod")]
    Hydroperiod,
    /// Water depth, metres (layer with role `depth`).
    #[serde(rename = "depth")]
    Depth,
    /// Slope of the ground, degrees (layer with role `ground`).
    #[serde(rename = "slope")]
    Slope,
    /// Metres to the nearest cell of given classes.
    #[serde(rename = "distance to class")]
    DistanceToClass,
    /// Metres to the nearest water cell.
    #[serde(rename = "distance to water")]
    DistanceToWater,
    /// Share of given classes within a radius.
    #[serde(rename = "share of class")]
    ShareOfClass,
    /// Share of water cells within a radius.
    #[serde(rename = "share of water")]
    ShareOfWater,
    /// Longest unbroken wet spell of a water year, months; years one by one.
    #[serde(rename = "longest wet spell")]
    LongestWetSpell,
    /// Months of a water year that are wet and warm enough to be active; years one by one.
    #[serde(rename = "wet and warm months")]
    WetAndWarmMonths,
    /// Share of years with a wet spell of some months within a season.
    #[serde(rename = "share of years with a spell")]
    YearsWithSpell,
    /// A concentration in water that grows as a pool shrinks (continuous layer; layers with roles `depth` and `pools`).
    #[serde(rename = "water quality")]
    WaterQuality,
}

/// What is averaged over the years of a yearly measure.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Average {
    /// The scores of the single years.
    Score,
    /// The measures of the single years; the curve is applied to their mean.
    Measure,
}

/// What a missing value of a variable does to the cell: "not assessed", "omit" or a score.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(untagged)]
pub enum IfMissing {
    /// A score from 0 to 1.
    Score(f64),
    /// "not assessed" or "omit".
    Word(IfMissingWord),
}

/// The words of `if_missing`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum IfMissingWord {
    /// The cell is not assessed.
    #[serde(rename = "not assessed")]
    NotAssessed,
    /// The variable is left out and the other weights fill its place.
    #[serde(rename = "omit")]
    Omit,
}

/// `[[requisites.NAME.variables]]`
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct VariableSection {
    /// Name, unique in the study.
    pub name: String,
    /// What is measured.
    pub measure: MeasureKind,
    /// The layer measured, where the measure needs one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub layer: Option<String>,
    /// Class codes looked for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub classes: Vec<i32>,
    /// Distances read no farther than this, metres.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0))]
    pub limit_m: Option<f64>,
    /// Radius of shares, metres.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0))]
    pub radius_m: Option<f64>,
    /// Lowest and highest monthly mean temperature at which the animal is active, degrees Celsius.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub window_c: Option<[f64; 2]>,
    /// Months of the spell that a year must reach.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 1, max = 12))]
    pub spell_months: Option<u32>,
    /// First and last calendar month of the season in which the spell must lie; [10, 3] runs over New Year.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub season: Option<[u32; 2]>,
    /// Yearly measures: what is averaged over the years ("score").
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub average: Option<Average>,
    /// From measure to score.
    pub curve: CurveSection,
    /// Weight in the requisite (1).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0))]
    pub weight: Option<f64>,
    /// What a missing value does ("not assessed").
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub if_missing: Option<IfMissing>,
}

/// A response curve: exactly one of the keys.
#[derive(Clone, Debug, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct CurveSection {
    /// Straight lines between [measure, score] points, flat outside.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub points: Option<Vec<[f64; 2]>>,
    /// 0 up to the first, 1 from the second to the third, 0 from the fourth.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub trapezoid: Option<[f64; 4]>,
    /// Bell about a best value.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub gaussian: Option<GaussianCurve>,
    /// S-shaped rise (or fall, with a negative steepness).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub logistic: Option<LogisticCurve>,
    /// Score by class code.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub classes: Option<BTreeMap<String, f64>>,
    /// Score by class from this column of the layer's legend.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub legend: Option<String>,
}

/// exp(-(x - best)^2 / (2 spread^2))
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct GaussianCurve {
    /// Where the score is 1.
    pub best: f64,
    /// Standard deviation.
    pub spread: f64,
}

/// 1 / (1 + exp(-steepness (x - middle)))
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct LogisticCurve {
    /// Where the score is 0.5.
    pub middle: f64,
    /// Logits per unit of the measure.
    pub steepness: f64,
}

/// Where habitat begins.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(untagged)]
pub enum Threshold {
    /// A suitability from 0 to 1.
    Number(#[schemars(range(min = 0.0, max = 1.0))] f64),
    /// A rule; needs `[records]`.
    Rule(ThresholdRule),
}

/// How records set the threshold.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum ThresholdRule {
    /// The suitability with the largest sum of sensitivity (share of records at or above it) and specificity (share of the
    /// background below it); needs 20 records.
    #[serde(rename = "max sensitivity and specificity")]
    Best,
    /// The suitability that nine tenths of the records reach.
    #[serde(rename = "tenth percentile of records")]
    TenthPercentile,
}

impl ThresholdRule {
    /// The words of the rule in a study file.
    pub fn words(self) -> &'static str {
        match self {
            ThresholdRule::Best => "max sensitivity and specificity",
            ThresholdRule::TenthPercentile => "tenth percentile of records",
        }
    }
}

/// `[suitability]`
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct SuitabilitySection {
    /// How requisites are combined.
    pub combine: Combine,
    /// Habitat begins at this suitability: a number, or the words of a rule by which the records set it.
    pub threshold: Threshold,
    /// Weights of the requisites from pairwise comparison, in the order of `order`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pairwise: Option<Vec<Vec<f64>>>,
    /// The requisites in the order of the pairwise comparison.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub order: Vec<String>,
    /// Take the pairwise weights even where the consistency ratio is 0.10 or more.
    #[serde(default)]
    pub accept_inconsistent: bool,
    /// Mask layers that make a cell unsuitable.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub barriers: Vec<String>,
}

/// `[patches]`
#[derive(Clone, Debug, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct PatchesSection {
    /// 8 (sides and corners) or 4 (sides) (8).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub neighbours: Option<u8>,
    /// Smallest patch, hectares (0).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0))]
    pub minimum_ha: Option<f64>,
    /// Core lies farther than this from non-habitat, metres (0: no core reported).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0))]
    pub edge_m: Option<f64>,
    /// How hard ground is to cross, for connection; left out, none is computed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub crossing: Option<CrossingSection>,
}

/// The resistance of ground: a number of 1 or more, or "impassable".
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(untagged)]
pub enum ResistanceOption {
    /// Cost of a metre, against the easiest ground.
    Factor(f64),
    /// "impassable".
    Word(ResistanceWord),
}

/// The word of a resistance.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum ResistanceWord {
    /// Never crossed.
    #[serde(rename = "impassable")]
    Impassable,
}

/// What a patch counts for in its connection.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum PatchWeight {
    /// Its area.
    #[serde(rename = "area")]
    Area,
    /// Its area times its mean suitability.
    #[serde(rename = "area x suitability")]
    AreaTimesSuitability,
}

/// `[patches.crossing]`: resistance by class of a layer, given by `resistance` or `legend`.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct CrossingSection {
    /// Class layer that says how hard ground is to cross; today's land cover gives way to a scenario's.
    pub layer: String,
    /// Resistance by class code: 1 for the easiest ground, more for harder, or "impassable".
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub resistance: Option<BTreeMap<String, ResistanceOption>>,
    /// Resistance by class from this column of the layer's legend.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub legend: Option<String>,
    /// Resistance by mask layer, wherever it touches a cell; the highest of a cell counts.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub barriers: BTreeMap<String, ResistanceOption>,
    /// Cost, metres over the easiest ground, that half of the animals overcome.
    #[schemars(range(min = 0.0))]
    pub effective_m: f64,
    /// Cost, metres over the easiest ground, that none overcomes.
    #[schemars(range(min = 0.0))]
    pub limit_m: f64,
    /// What a patch counts for ("area").
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub weight: Option<PatchWeight>,
}

/// `[records]`: a table of findings with Darwin Core terms as column names: decimalLatitude, decimalLongitude, and as far
/// as known geodeticDatum, coordinateUncertaintyInMeters, eventDate, occurrenceStatus, individualCount, occurrenceID.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct RecordsSection {
    /// CSV (commas, semicolons or tabs), relative to the study file.
    pub file: String,
    /// Reference system of the degrees, for example "EPSG:4326"; needed where rows have no geodeticDatum.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub crs: Option<String>,
    /// Records vaguer than this are set aside, metres (the cell side, at least 100).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0))]
    pub maximum_uncertainty_m: Option<f64>,
    /// What a record that states no uncertainty is taken to have, metres; left out, such records are set aside as vague.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0))]
    pub assumed_uncertainty_m: Option<f64>,
    /// First month of the findings used, as "1991-01"; with it or `to`, undated records are set aside.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub from: Option<String>,
    /// Last month of the findings used.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub to: Option<String>,
    /// Continuous, fraction or mask layer of survey effort, 0 or more: background is drawn in proportion to it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub effort_layer: Option<String>,
    /// Side of the squares that are tested together, metres (the farthest reach of the variables, at least ten cells).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0))]
    pub block_m: Option<f64>,
    /// Assessed cells that stand for the ground at large (10000).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 100, max = 1_000_000))]
    pub background: Option<u32>,
    /// Where the records come from.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub source: Option<String>,
    /// Their licence.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub licence: Option<String>,
}

/// One number, or twelve from January on.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(untagged)]
pub enum YearOrMonths {
    /// The same all year.
    Year(f64),
    /// January to December.
    Months([f64; 12]),
}

/// Water years of the record that come again, named by the calendar year they begin in: `years`, or all years `from` ... `to`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ReplaySection {
    /// The years, in the order they come; one may come more than once.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub years: Option<Vec<i32>>,
    /// The first of a run of years.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub from: Option<i32>,
    /// The last of a run of years.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub to: Option<i32>,
}

/// A fall of the water table (negative: a rise).
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(untagged)]
pub enum DrawdownSection {
    /// Metres, everywhere.
    Everywhere(f64),
    /// Metres by zone code (layer with role `zones`); other zones 0.
    ByZone(BTreeMap<String, f64>),
    /// A continuous layer of metres.
    Layer(String),
}

/// Why the water table falls.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum DrawdownCause {
    /// Pumping or drainage: adds to the answer to climate.
    Abstraction,
    /// Less recharge: stands in place of the answer to climate.
    Climate,
}

/// `[[scenarios]]`
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ScenarioSection {
    /// Short name, for file names: small letters, digits, hyphens. Not "baseline".
    pub name: String,
    /// One line for the report.
    #[serde(default)]
    pub title: String,
    /// Name shared by scenarios that tell the same future in other ways, such as one for each climate model: letters, digits, hyphens.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ensemble: Option<String>,
    /// Name of another scenario that this one answers by management, such as a rise in one zone; table `management` tells what it saves.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub instead_of: Option<String>,
    /// Year reached.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub horizon: Option<i32>,
    /// Change of precipitation, percent: one number or twelve.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub precipitation: Option<YearOrMonths>,
    /// Change of temperature, degrees Celsius: one number or twelve.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub temperature_c: Option<YearOrMonths>,
    /// Shift of a given index, standard deviations: one number or twelve.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub index_shift: Option<YearOrMonths>,
    /// Water years of the record that come again; with precipitation or temperature_c, as changed by them.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub replay: Option<ReplaySection>,
    /// Whether the trend of the water that climate does not explain goes on to the horizon, in groups where it is significant.
    #[serde(default)]
    pub continue_trend: bool,
    /// Fall of the water table, metres: one number, by zone, or a layer.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub drawdown_m: Option<DrawdownSection>,
    /// Why it falls; needed beside a climate change.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cause: Option<DrawdownCause>,
    /// How far the numbers of the scenario may lie off, for `[uncertainty]`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub spread: Option<SpreadSection>,
    /// A class layer that takes the place of the land cover.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub land_cover: Option<String>,
    /// Factor on the concentrations of a layer of water quality, by layer.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub water_quality: Option<BTreeMap<String, f64>>,
}

/// `[drying_ladder]`: steps of one kind, from 0 on, rising; at most 40.
#[derive(Clone, Debug, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct DryingLadderSection {
    /// Loss of precipitation in every month, percent (0, 5, 10 ... 60).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub precipitation_loss: Option<Vec<f64>>,
    /// Fall of the water table everywhere, metres, in place of the loss of precipitation.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub drawdown_m: Option<Vec<f64>>,
}

/// `[response_surface]`: every change of precipitation with every change of temperature, each the same in all months.
#[derive(Clone, Debug, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ResponseSurfaceSection {
    /// Changes of precipitation, percent, rising (-40, -30, -20, -10, 0, 10).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub precipitation: Option<Vec<f64>>,
    /// Changes of temperature, degrees Celsius, rising (0, 1, 2, 3, 4).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub temperature_c: Option<Vec<f64>>,
}

/// `[habitat_over_time]`: scenarios with a horizon grow evenly from the end of the baseline on.
#[derive(Clone, Debug, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct HabitatOverTimeSection {
    /// Years between the times looked at (5).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 1, max = 100))]
    pub every_years: Option<u32>,
}

/// `[water_requirement]`: steps of one kind of supply, rising, above 0; at most 20.
#[derive(Clone, Debug, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct WaterRequirementSection {
    /// Rise of the water table everywhere, metres, on top of what a scenario does (0.1, 0.2, 0.3, 0.5, 0.8).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rise_m: Option<Vec<f64>>,
    /// More rain than a scenario leaves, percent of today's, in every month, in place of the rise.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub precipitation: Option<Vec<f64>>,
    /// Names of the scenarios looked at (all).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub scenarios: Option<Vec<String>>,
}
