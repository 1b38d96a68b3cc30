//! The study as the pipeline uses it: every default filled in, every name resolved, every path absolute.

mod network;
mod population;
mod publication;
mod range;

pub use network::Network;
pub use population::Population;
pub use publication::{Generalise, Publication, SensitivityWord};
pub use range::{Generation, PlacesBy, Range};

use crate::Month;
pub use crate::options::{
    AnomalyScale, Average, Combine, DrawdownCause, Driver, IndexKind, LayerKind, PatchWeight, Role,
    ThresholdRule, WaterContent, ZeroRule,
};
use std::collections::BTreeMap;
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

/// Where a layer's cells are: files here, or addresses of files on servers.
#[derive(Clone, Debug, PartialEq)]
pub enum Files {
    /// One file.
    One(PathBuf),
    /// A pattern with {year}, {month}, {day}; absolute, or an address.
    Pattern(String),
}

/// An input layer.
#[derive(Clone, Debug, PartialEq)]
pub struct Layer {
    /// Its name in the study file.
    pub name: String,
    /// Where it is.
    pub files: Files,
    /// What it holds.
    pub kind: LayerKind,
    /// What it is for.
    pub role: Option<Role>,
    /// Band, from 1.
    pub band: usize,
    /// Month of the first band, where each band of the file is a month of the climate.
    pub first_month: Option<Month>,
    /// Legend of a class layer, read.
    pub legend: Option<Legend>,
    /// Water histories: content.
    pub holds: WaterContent,
    /// Water histories: wet at this value (fraction: at or above; depth: above).
    pub wet_at: f64,
    /// Codes that mean "not seen".
    pub unobserved: Vec<f64>,
    /// Values that mean "no data" besides what the file declares.
    pub no_data: Vec<f64>,
    /// Factor on reading.
    pub scale: f64,
    /// Unit after scaling, "" if none.
    pub unit: String,
    /// Where it comes from.
    pub source: String,
    /// Its licence.
    pub licence: String,
    /// Its date.
    pub date: String,
}

impl Layer {
    /// Whether the layer is a raster for each month of the climate, not a single one.
    pub fn is_monthly(&self) -> bool {
        let pattern = matches!(self.files, Files::Pattern(_));
        self.kind != LayerKind::WaterHistory && (pattern || self.first_month.is_some())
    }
}

/// A legend: code to name and scores, in code order.
#[derive(Clone, Debug, PartialEq)]
pub struct Legend {
    /// The CSV.
    pub path: PathBuf,
    /// Rows by code.
    pub classes: BTreeMap<i32, LegendClass>,
}

/// One row of a legend.
#[derive(Clone, Debug, PartialEq)]
pub struct LegendClass {
    /// Name shown.
    pub name: String,
    /// Other columns that hold numbers.
    pub scores: BTreeMap<String, f64>,
}

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

/// A requisite with weights normalised to sum 1.
#[derive(Clone, Debug, PartialEq)]
pub struct Requisite {
    /// Name.
    pub name: String,
    /// How its variables combine.
    pub combine: Combine,
    /// Its weight among requisites (all sum to 1).
    pub weight: f64,
    /// Consistency ratio of its variables' pairwise weights, if they are used.
    pub consistency_ratio: Option<f64>,
    /// Another requisite that must be met nearby.
    pub near: Option<Near>,
    /// Variables.
    pub variables: Vec<Variable>,
}

/// A requisite counts only within reach of another.
#[derive(Clone, Debug, PartialEq)]
pub struct Near {
    /// Position of the other among the requisites.
    pub requisite: usize,
    /// How far it may be, metres.
    pub within_m: f64,
    /// Score from which a cell meets the other.
    pub at_least: f64,
    /// Factor by distance; `None`: 1 within reach, 0 beyond.
    pub curve: Option<Curve>,
}

/// A variable.
#[derive(Clone, Debug, PartialEq)]
pub struct Variable {
    /// Name, unique in the study.
    pub name: String,
    /// What is measured.
    pub measure: Measure,
    /// From measure to score.
    pub curve: Curve,
    /// Weight in its requisite (they sum to 1).
    pub weight: f64,
    /// What a missing value does.
    pub if_missing: Missing,
}

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

/// From measure to score in [0, 1].
#[derive(Clone, Debug, PartialEq)]
pub enum Curve {
    /// Straight lines between points of rising measure, flat outside.
    Points(Vec<[f64; 2]>),
    /// 0 at a, 1 from b to c, 0 from d.
    Trapezoid([f64; 4]),
    /// exp(-(x - best)^2 / (2 spread^2))
    Gaussian {
        /// Where the score is 1.
        best: f64,
        /// Standard deviation.
        spread: f64,
    },
    /// 1 / (1 + exp(-steepness (x - middle)))
    Logistic {
        /// Where the score is 0.5.
        middle: f64,
        /// Logits per unit.
        steepness: f64,
    },
    /// Score by class code; a code without a score is an error when met.
    Classes(BTreeMap<i32, f64>),
}

/// What a missing value does.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Missing {
    /// The cell is not assessed.
    NotAssessed,
    /// The other weights fill its place.
    Omit,
    /// It scores this.
    Score(f64),
}

/// From requisites to habitat.
#[derive(Clone, Debug, PartialEq)]
pub struct Suitability {
    /// How requisites combine.
    pub combine: Combine,
    /// Habitat begins here; NaN (so that nothing is habitat) until the records set it where there is a rule.
    pub threshold: f64,
    /// How the records set the threshold, if they do.
    pub threshold_rule: Option<ThresholdRule>,
    /// Consistency ratio of the requisites' pairwise weights, if they are used.
    pub consistency_ratio: Option<f64>,
    /// Names of mask layers that make a cell unsuitable.
    pub barriers: Vec<String>,
}

/// What counts as a patch.
#[derive(Clone, Debug, PartialEq)]
pub struct Patches {
    /// Corners join cells too.
    pub corners_join: bool,
    /// Smallest patch, hectares.
    pub minimum_ha: f64,
    /// Core lies farther than this from non-habitat, metres; 0: no core.
    pub edge_m: f64,
    /// How ground between patches is crossed; `None`: no connection is computed.
    pub crossing: Option<Crossing>,
}

/// How ground between patches is crossed. Resistances are 1 or more, the lowest of the classes is 1; infinite is impassable.
#[derive(Clone, Debug, PartialEq)]
pub struct Crossing {
    /// Name of the class layer.
    pub layer: String,
    /// Resistance by class code; a code without one is an error when met.
    pub resistance: BTreeMap<i32, f64>,
    /// Resistance of mask layers by name, wherever they touch a cell.
    pub barriers: BTreeMap<String, f64>,
    /// Cost, metres, at which a way is taken with probability 0.5.
    pub effective_m: f64,
    /// Cost, metres, beyond which no way is taken.
    pub limit_m: f64,
    /// What a patch counts for.
    pub weight: PatchWeight,
}

/// Records of the animal, not yet read.
#[derive(Clone, Debug, PartialEq)]
pub struct Records {
    /// The table.
    pub file: PathBuf,
    /// Reference system of rows that state none.
    pub crs: Option<String>,
    /// Vaguer ones are set aside, metres.
    pub maximum_uncertainty_m: f64,
    /// What rows without uncertainty are taken to have, metres.
    pub assumed_uncertainty_m: Option<f64>,
    /// First month used.
    pub from: Option<Month>,
    /// Last month used.
    pub to: Option<Month>,
    /// Layer of survey effort, by name.
    pub effort: Option<String>,
    /// Side of the squares tested together, metres; `None`: the farthest reach.
    pub block_m: Option<f64>,
    /// Cells of background.
    pub background: usize,
    /// Where they come from.
    pub source: String,
    /// Their licence.
    pub licence: String,
}

/// A scenario.
#[derive(Clone, Debug, PartialEq)]
pub struct Scenario {
    /// Name for files.
    pub name: String,
    /// Line for the report (the name where none is given).
    pub title: String,
    /// Name shared by scenarios that tell the same future in other ways.
    pub ensemble: Option<String>,
    /// Name of the scenario that this one answers by management.
    pub instead_of: Option<String>,
    /// Year reached.
    pub horizon: Option<i32>,
    /// Factor on precipitation by calendar month, January first (1.0 = no change).
    pub precipitation_factor: [f64; 12],
    /// Degrees added by calendar month.
    pub temperature_c: [f64; 12],
    /// Standard deviations added to a given index by calendar month.
    pub index_shift: [f64; 12],
    /// Water years of the record that come again, in order, each named by the calendar year it begins in; empty: the baseline's.
    pub replay: Vec<i32>,
    /// Whether the residual trend goes on to the horizon.
    pub continue_trend: bool,
    /// Fall of the water table.
    pub drawdown: Drawdown,
    /// Share of that fall that has come about; 1 but on the way to a horizon.
    pub drawdown_share: f64,
    /// A rise of the water table everywhere that stands against the fall, metres; 0 but where water is supplied.
    pub rise_m: f64,
    /// How far its numbers may lie off.
    pub spread: Spread,
    /// The fall stands in place of the answer to climate.
    pub drawdown_replaces_climate: bool,
    /// Class layer in place of the land cover.
    pub land_cover: Option<String>,
    /// Factor on the concentrations of layers of water quality, by layer.
    pub water_quality: BTreeMap<String, f64>,
}

impl Scenario {
    /// A scenario that changes nothing yet.
    pub fn unchanged(name: &str) -> Self {
        Scenario {
            name: name.to_string(),
            title: name.to_string(),
            ensemble: None,
            instead_of: None,
            horizon: None,
            precipitation_factor: [1.0; 12],
            temperature_c: [0.0; 12],
            index_shift: [0.0; 12],
            replay: Vec::new(),
            continue_trend: false,
            drawdown: Drawdown::None,
            drawdown_share: 1.0,
            rise_m: 0.0,
            spread: Spread::default(),
            drawdown_replaces_climate: false,
            land_cover: None,
            water_quality: BTreeMap::new(),
        }
    }

    /// Whether it goes evenly from today to a horizon. Years that come again, another land cover and other water come at once.
    pub fn has_path(&self) -> bool {
        let comes_at_once =
            !self.replay.is_empty() || self.land_cover.is_some() || !self.water_quality.is_empty();
        self.horizon.is_some() && !comes_at_once
    }

    /// The scenario when a share of its change has come about.
    #[must_use]
    pub fn on_the_way(&self, share: f64) -> Scenario {
        Scenario {
            precipitation_factor: self.precipitation_factor.map(|factor| 1.0 + share * (factor - 1.0)),
            temperature_c: self.temperature_c.map(|change| share * change),
            index_shift: self.index_shift.map(|shift| share * shift),
            drawdown_share: share,
            ..self.clone()
        }
    }

    /// Whether the scenario changes precipitation, temperature or a given index, or which years come.
    pub fn changes_climate(&self) -> bool {
        !self.replay.is_empty()
            || self.precipitation_factor.iter().any(|f| *f != 1.0)
            || self.temperature_c.iter().chain(&self.index_shift).any(|t| *t != 0.0)
    }
}

/// A fall of the water table in metres (negative: a rise).
#[derive(Clone, Debug, PartialEq)]
pub enum Drawdown {
    /// No change.
    None,
    /// Everywhere the same.
    Everywhere(f64),
    /// By zone code; other zones 0.
    ByZone(BTreeMap<i32, f64>),
    /// A continuous layer, by name.
    Layer(String),
}

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

/// Rising steps of drying; the first is 0, which changes nothing.
#[derive(Clone, Debug, PartialEq)]
pub enum DryingLadder {
    /// Loss of precipitation in every month, percent.
    PrecipitationLoss(Vec<f64>),
    /// Fall of the water table everywhere, metres.
    Drawdown(Vec<f64>),
}

impl DryingLadder {
    /// The steps.
    pub fn steps(&self) -> &[f64] {
        match self {
            DryingLadder::PrecipitationLoss(steps) | DryingLadder::Drawdown(steps) => steps,
        }
    }

    /// Unit of the steps.
    pub fn unit(&self) -> &'static str {
        match self {
            DryingLadder::PrecipitationLoss(_) => "percent",
            DryingLadder::Drawdown(_) => "m",
        }
    }

    /// What the steps are.
    pub fn in_words(&self) -> &'static str {
        match self {
            DryingLadder::PrecipitationLoss(_) => "loss of precipitation",
            DryingLadder::Drawdown(_) => "fall of the water table",
        }
    }

    /// The scenario of a step.
    pub fn scenario(&self, step: f64) -> Scenario {
        let mut scenario = Scenario::unchanged("drying-ladder");
        match self {
            // written as a scenario of this change is read, so that both are the same to the bit
            DryingLadder::PrecipitationLoss(_) => {
                scenario.precipitation_factor = [precipitation_factor(-step); 12];
            }
            DryingLadder::Drawdown(_) => scenario.drawdown = Drawdown::Everywhere(step),
        }
        scenario
    }
}

/// The factor of a change of precipitation in percent.
pub fn precipitation_factor(percent: f64) -> f64 {
    1.0 + percent / 100.0
}

/// Changes of climate looked at together, the same in all months; each list rises.
#[derive(Clone, Debug, PartialEq)]
pub struct ResponseSurface {
    /// Changes of precipitation, percent.
    pub precipitation: Vec<f64>,
    /// Changes of temperature, degrees Celsius.
    pub temperature_c: Vec<f64>,
}

impl ResponseSurface {
    /// The scenario of a point.
    pub fn scenario(&self, precipitation: f64, temperature_c: f64) -> Scenario {
        Scenario {
            precipitation_factor: [precipitation_factor(precipitation); 12],
            temperature_c: [temperature_c; 12],
            ..Scenario::unchanged("response-surface")
        }
    }
}

/// How much water brings back what a scenario loses.
#[derive(Clone, Debug, PartialEq)]
pub struct WaterRequirement {
    /// What is supplied.
    pub supply: Supply,
    /// Names of the scenarios looked at.
    pub scenarios: Vec<String>,
}

/// Steps of supply, rising, above 0.
#[derive(Clone, Debug, PartialEq)]
pub enum Supply {
    /// Rise of the water table everywhere, metres.
    Rise(Vec<f64>),
    /// More rain than the scenario leaves, percent of today's, in every month.
    Rain(Vec<f64>),
}

impl Supply {
    /// The steps.
    pub fn steps(&self) -> &[f64] {
        match self {
            Supply::Rise(steps) | Supply::Rain(steps) => steps,
        }
    }

    /// Unit of the steps.
    pub fn unit(&self) -> &'static str {
        match self {
            Supply::Rise(_) => "m",
            Supply::Rain(_) => "percent",
        }
    }

    /// A scenario with a step of supply.
    pub fn on_top_of(&self, scenario: &Scenario, step: f64) -> Scenario {
        match self {
            Supply::Rise(_) => Scenario { rise_m: step, ..scenario.clone() },
            Supply::Rain(_) => Scenario {
                precipitation_factor: scenario.precipitation_factor.map(|factor| factor + step / 100.0),
                ..scenario.clone()
            },
        }
    }
}
