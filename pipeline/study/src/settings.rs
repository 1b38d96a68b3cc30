//! The study as the pipeline uses it: every default filled in, every name resolved, every path absolute.

use crate::Month;
pub use crate::options::{
    Combine, DrawdownCause, Driver, IndexKind, LayerKind, Role, WaterContent, ZeroRule,
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
    /// Scenarios in file order, the baseline not among them.
    pub scenarios: Vec<Scenario>,
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

/// Where a layer's cells are.
#[derive(Clone, Debug, PartialEq)]
pub enum Files {
    /// One file.
    One(PathBuf),
    /// A pattern with {year}, {month}, {day}; absolute.
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

/// A monthly series, not yet read.
#[derive(Clone, Debug, PartialEq)]
pub struct Series {
    /// CSV file.
    pub file: PathBuf,
    /// Column name.
    pub column: String,
}

/// Climate and index.
#[derive(Clone, Debug, PartialEq)]
pub struct Climate {
    /// Precipitation, mm.
    pub precipitation: Series,
    /// Mean temperature, degrees Celsius.
    pub temperature: Option<Series>,
    /// Which index.
    pub index: IndexKind,
    /// Months summed.
    pub months: usize,
    /// Degrees north; `None`: centre of the grid.
    pub latitude: Option<f64>,
    /// What a zero sum reads as.
    pub zero: ZeroRule,
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
    /// Variables.
    pub variables: Vec<Variable>,
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
            | Measure::DistanceToClass { layer, .. }
            | Measure::ShareOfClass { layer, .. } => Some(layer),
            _ => None,
        }
    }

    /// Unit of the measure where it does not come from a layer.
    pub fn unit(&self) -> &'static str {
        match self {
            Measure::Hydroperiod => "months per year",
            Measure::Depth | Measure::DistanceToClass { .. } | Measure::DistanceToWater { .. } => "m",
            Measure::Slope => "degrees",
            Measure::ShareOfClass { .. } | Measure::ShareOfWater { .. } => "share",
            Measure::Layer(_) | Measure::Class(_) => "",
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
    /// Habitat begins here.
    pub threshold: f64,
    /// Consistency ratio of the requisites' pairwise weights, if they are used.
    pub consistency_ratio: Option<f64>,
    /// Names of mask layers that make a cell unsuitable.
    pub barriers: Vec<String>,
}

/// What counts as a patch.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Patches {
    /// Corners join cells too.
    pub corners_join: bool,
    /// Smallest patch, hectares.
    pub minimum_ha: f64,
    /// Core lies farther than this from non-habitat, metres; 0: no core.
    pub edge_m: f64,
}

/// A scenario.
#[derive(Clone, Debug, PartialEq)]
pub struct Scenario {
    /// Name for files.
    pub name: String,
    /// Line for the report (the name where none is given).
    pub title: String,
    /// Year reached.
    pub horizon: Option<i32>,
    /// Factor on precipitation by calendar month, January first (1.0 = no change).
    pub precipitation_factor: [f64; 12],
    /// Degrees added by calendar month.
    pub temperature_c: [f64; 12],
    /// Water years of the record that come again, in order, each named by the calendar year it begins in; empty: the baseline's.
    pub replay: Vec<i32>,
    /// Whether the residual trend goes on to the horizon.
    pub continue_trend: bool,
    /// Fall of the water table.
    pub drawdown: Drawdown,
    /// The fall stands in place of the answer to climate.
    pub drawdown_replaces_climate: bool,
    /// Class layer in place of the land cover.
    pub land_cover: Option<String>,
}

impl Scenario {
    /// Whether the scenario changes precipitation or temperature, or which years come.
    pub fn changes_climate(&self) -> bool {
        !self.replay.is_empty()
            || self.precipitation_factor.iter().any(|f| *f != 1.0)
            || self.temperature_c.iter().any(|t| *t != 0.0)
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
