//! What the page is made of: plain numbers and words, no files.

use crate::palette::{ClassStyle, Ramp};
use crate::record::RunRecord;
use crate::table::Table;
use serde::{Deserialize, Serialize};
use std::sync::LazyLock;

/// Everything the page and the figures show. A run keeps it (see [`crate::write_kept`]) but for the record, the cells of tables
/// and the pixels of maps, which stand in files of their own.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct PageInput<'a> {
    /// The run record as far as it is known when the page is written.
    #[serde(skip, default = "no_record")]
    pub record: &'a RunRecord,
    /// The answer in a few numbers.
    pub headline: Headline,
    /// What lasts, one sentence each; shown in the summary.
    pub holds: Vec<String>,
    /// What is lost first, one sentence each; shown in the summary.
    pub goes_first: Vec<String>,
    /// What is uncertain, one sentence each, most important first; shown in the summary.
    pub uncertain: Vec<String>,
    /// Maps, all covering the bounds of `record.grid`, in the order offered.
    pub maps: Vec<MapLayer>,
    /// Patches of the baseline as a picture, to be picked on the maps.
    pub patches: Option<PatchMap>,
    /// Latitudes and longitudes over the grid, where the place of the grid is known.
    pub places: Option<PlaceMesh>,
    /// Loss split by zone, wetland class, land cover.
    pub losses: Vec<LossBreakdown>,
    /// Drought index and events of each climate shown; none where the study has no climate.
    pub droughts: Vec<Drought>,
    /// Response curves.
    pub curves: Vec<CurvePanel>,
    /// How records crowd as suitability rises, where the study has records.
    pub boyce: Option<BoyceCurve>,
    /// Habitat area by steps of drying, where the study asks for it.
    pub ladder: Option<LadderCurve>,
    /// Habitat area over changes of climate, where the study asks for it.
    pub surface: Option<ClimateSurface>,
    /// Which part of the uncertainty counts most, for each number looked at.
    pub sensitivity: Vec<SensitivityPanel>,
    /// Habitat by year, where the study asks for it.
    pub over_time: Option<HabitatByYear>,
    /// How the population goes, by scenario, where the study projects it.
    pub population: Vec<PopulationPath>,
    /// Tables shown in full.
    #[serde(skip)]
    pub tables: &'a [Table],
    /// How it was computed, from the settings used.
    pub methods: Vec<MethodNote>,
    /// Area not assessed, by reason.
    pub not_assessed: Vec<AreaRow>,
    /// What the answer must not be used for, and what it leaves out.
    pub cautions: Vec<String>,
    /// Works that the methods cite, in the order of the list.
    pub references: Vec<Reference>,
    /// How to cite the run.
    pub cite: String,
}

/// The record of a page that was read back, until its own is set.
fn no_record<'a>() -> &'a RunRecord {
    static NONE: LazyLock<RunRecord> = LazyLock::new(RunRecord::default);
    &NONE
}

/// The answer in a few numbers, all over the cells assessed in the baseline and in every scenario.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Headline {
    /// Habitat in the baseline, hectares.
    pub habitat_ha: f64,
    /// 5 % to 95 % range of it over the members, hectares.
    pub range_ha: Option<[f64; 2]>,
    /// Equivalent connected area of the baseline, hectares, where connection is computed.
    pub connected_ha: Option<f64>,
    /// Area assessed in the baseline and in every scenario, hectares.
    pub assessed_ha: f64,
    /// Area of the study left out of the comparison, hectares.
    pub not_assessed_ha: f64,
    /// One row per scenario, in the order of the study; the baseline not among them.
    pub rows: Vec<HeadlineRow>,
}

/// A scenario against the baseline.
///
/// `kept_ha + degraded_ha + lost_ha` is the habitat of the baseline;
/// `kept_ha + degraded_ha + gained_ha` is the habitat of the scenario.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct HeadlineRow {
    /// Name for files.
    pub scenario: String,
    /// Line for readers.
    pub title: String,
    /// Habitat in the scenario, hectares.
    pub habitat_ha: f64,
    /// 5 % to 95 % range of it over the members, hectares.
    pub range_ha: Option<[f64; 2]>,
    /// Equivalent connected area in the scenario, hectares, where connection is computed.
    pub connected_ha: Option<f64>,
    /// Habitat in both, its suitability not lower by the set step, hectares.
    pub kept_ha: f64,
    /// Habitat in both, but of lower suitability, hectares.
    pub degraded_ha: f64,
    /// Habitat in the baseline only, hectares.
    pub lost_ha: f64,
    /// Habitat in the scenario only, hectares.
    pub gained_ha: f64,
    /// Lost habitat as a share of the baseline's, percent; `None` where the baseline has none.
    pub lost_percent: Option<f64>,
}

/// A map.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct MapLayer {
    /// Unique on the page: letters, digits, `_`, `-`.
    pub id: String,
    /// Title, for example "Suitability, baseline".
    pub title: String,
    /// Layers of one group are told apart by scenario: "Suitability", "Change", "Hydroperiod".
    pub group: String,
    /// Title of the scenario ("Baseline" for the baseline), `None` where the layer knows none.
    pub scenario: Option<String>,
    /// Unit of the values, "" for classes.
    pub unit: String,
    /// One sentence on what is shown, also read out in place of the picture.
    pub caption: String,
    /// Columns of pixels.
    pub width: usize,
    /// Rows of pixels.
    pub height: usize,
    /// Cells of the grid along a side of a pixel; pixels begin at the top left of the grid.
    pub step: usize,
    /// Where its cells are kept.
    pub kept: KeptCells,
    /// Pixels row by row from the top left, `width * height` of them.
    pub pixels: MapPixels,
}

/// The patches of one scenario as a picture of their numbers.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PatchMap {
    /// Columns of pixels.
    pub width: usize,
    /// Rows of pixels.
    pub height: usize,
    /// Cells of the grid along a side of a pixel.
    pub step: usize,
    /// Number of the patch of each pixel, 0 where there is none; row by row from the top left.
    #[serde(with = "super::run_lengths")]
    pub numbers: Vec<u32>,
    /// Name of the table with a row for each patch (columns `scenario` and `patch`).
    pub table: String,
    /// What the column `scenario` of that table says of these patches.
    pub scenario: String,
    /// Names of other tables whose column `patch` holds numbers of these patches in every row.
    pub also_in: Vec<String>,
}

/// Latitude and longitude at points spread evenly over the bounds of the grid, edges included.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PlaceMesh {
    /// Points from left to right, at least two.
    pub columns: usize,
    /// Points from top to bottom, at least two.
    pub rows: usize,
    /// Latitude and longitude in degrees on the datum of the reference system, row by row from the top left.
    pub degrees: Vec<[f64; 2]>,
}

/// Where the cells of a map are kept in full, in band 1 of a raster of the run.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct KeptCells {
    /// Path inside the run folder, with `/`; "" where they are kept nowhere.
    pub file: String,
    /// Where the raster holds shares of members and the map shows classes of them: how many members.
    pub members: Option<usize>,
}

/// The pixels of a map, already thinned.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub enum MapPixels {
    /// Class codes.
    Classes {
        /// Codes.
        #[serde(skip)]
        codes: Vec<u8>,
        /// Classes in the order of the legend.
        styles: Vec<ClassStyle>,
        /// Code of pixels without data.
        no_data: Option<u8>,
    },
    /// Numbers, NaN where there are none.
    Ramp {
        /// Values.
        #[serde(skip)]
        values: Vec<f32>,
        /// Value at the low end of the ramp.
        min: f32,
        /// Value at the high end of the ramp.
        max: f32,
        /// Which colours.
        ramp: Ramp,
    },
}

/// Loss split by something: zones, wetland classes, land cover.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct LossBreakdown {
    /// Plain word for files: "zone", "wetland_class".
    pub name: String,
    /// Title, for example "Habitat lost by zone".
    pub title: String,
    /// Rows in the order shown.
    pub rows: Vec<LossRow>,
}

/// One zone or class.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct LossRow {
    /// Its name.
    pub name: String,
    /// Habitat in the baseline, hectares.
    pub habitat_ha: f64,
    /// Habitat lost, hectares, one value per row of the headline and in that order.
    pub lost_ha: Vec<f64>,
}

/// The drought index month by month.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Drought {
    /// Index and months summed, for example "SPEI, 12 months".
    pub index: String,
    /// Name of the climate for files: letters, digits, `_`, `-`; "" where there is only one.
    pub id: String,
    /// Name of the climate for readers, for example of its zone; "" where there is only one.
    pub place: String,
    /// Months in order.
    pub months: Vec<DroughtMonth>,
    /// First and last month of each drought, as "1991-01", both included.
    pub events: Vec<[String; 2]>,
}

/// One month of the index.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct DroughtMonth {
    /// The month, as "1991-01".
    pub month: String,
    /// The index (standard deviations), `None` where it has none.
    pub index: Option<f64>,
}

/// The response curve of a variable.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CurvePanel {
    /// The requisite it belongs to.
    pub requisite: String,
    /// The variable.
    pub variable: String,
    /// What is measured, for example "hydroperiod".
    pub measure: String,
    /// Unit of the measure, "" where there is none.
    pub unit: String,
    /// Its shape.
    pub shape: CurveShape,
    /// What is measured over the compared cells of the baseline.
    pub distribution: Distribution,
}

/// How many cells have which measure.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub enum Distribution {
    /// In even bins.
    Bins {
        /// Low end of the first bin and high end of the last.
        span: [f64; 2],
        /// Cells by bin.
        cells: Vec<u64>,
        /// Cells below the span.
        below: u64,
        /// Cells above it.
        above: u64,
    },
    /// By class, in the order of the shape.
    Classes(Vec<u64>),
}

/// Measure to score.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub enum CurveShape {
    /// Points (measure, score) joined by straight lines, measures rising.
    Line(Vec<[f64; 2]>),
    /// Score by class, `None` where the class has none.
    Classes(Vec<(String, Option<f64>)>),
}

/// Records against suitability: their share over the share of the ground, window by window (the curve of the continuous Boyce
/// index).
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct BoyceCurve {
    /// Middle of the window and ratio, windows rising.
    pub points: Vec<[f64; 2]>,
    /// The index, where it has a value.
    pub index: Option<f64>,
    /// 5 % to 95 % range of the index over draws of records.
    pub range: Option<[f64; 2]>,
    /// Thresholds to mark, by name, rising.
    pub thresholds: Vec<(String, f64)>,
}

/// Habitat area by steps of drying.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct LadderCurve {
    /// What the steps are, for example "Loss of precipitation".
    pub drying: String,
    /// Unit of the steps.
    pub unit: String,
    /// Step, habitat and the part of it that is habitat today, hectares; steps rising from 0.
    pub points: Vec<[f64; 3]>,
    /// First step at which half of today's habitat or less is kept, in words; `None` where more is kept at every step.
    pub half_lost: Option<String>,
}

/// Which part of the uncertainty counts most for one number.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SensitivityPanel {
    /// What varies, for example "Habitat area, baseline".
    pub title: String,
    /// The parts.
    pub parts: Vec<SensitivityPart>,
}

/// A part of the uncertainty.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SensitivityPart {
    /// In words.
    pub name: String,
    /// Share of the variance that it makes by itself, and its 5 and 95 %.
    pub first: [f64; 3],
    /// Share of the variance in which it has any hand, and its 5 and 95 %.
    pub total: [f64; 3],
    /// Whether the total can be told from 0.
    pub told: bool,
}

/// Habitat area over changes of climate.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ClimateSurface {
    /// Changes of precipitation, percent, rising.
    pub precipitation: Vec<f64>,
    /// Changes of temperature, degrees Celsius, rising.
    pub temperature_c: Vec<f64>,
    /// Habitat, hectares, by temperature and in it by precipitation.
    pub habitat_ha: Vec<f64>,
    /// Scenarios with a change of climate that is the same in all months.
    pub marks: Vec<ClimateMark>,
}

/// Habitat by year, hectares.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct HabitatByYear {
    /// Year and habitat by the water seen in it, years rising.
    pub past: Vec<(i32, f64)>,
    /// 5 % to 95 % range of the modelled baseline over the members, hectares.
    pub range: Option<[f64; 2]>,
    /// Scenarios on their way to their horizons.
    pub ways: Vec<YearLine>,
}

/// A scenario on its way to its horizon.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct YearLine {
    /// Title of the scenario.
    pub title: String,
    /// Year and habitat, hectares, years rising.
    pub points: Vec<(i32, f64)>,
    /// 5 % to 95 % range at the horizon over the members, hectares.
    pub range: Option<[f64; 2]>,
}

/// A named scenario on a surface.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ClimateMark {
    /// Its title.
    pub title: String,
    /// Change of precipitation, percent.
    pub precipitation: f64,
    /// Change of temperature, degrees Celsius.
    pub temperature_c: f64,
}

/// Part of the reporting protocol ODMAP: D. Zurell et al. (2020), Ecography 43:1261-1277, doi:10.1111/ecog.04960.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum ProtocolPart {
    /// Aim, place, time, concept, assumptions.
    Overview,
    /// What was read, and how it was brought together.
    Data,
    /// How suitability comes about.
    Model,
    /// How well it agrees with what is known.
    Assessment,
    /// What scenarios make of it.
    Prediction,
}

/// How something was computed.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct MethodNote {
    /// The part it belongs to.
    pub part: ProtocolPart,
    /// Title.
    pub title: String,
    /// Plain text; an empty line begins a new paragraph.
    pub text: String,
    /// Formulas used, one a line, in plain characters.
    pub formulas: Vec<String>,
}

impl MethodNote {
    /// A note without formulas.
    pub fn new(part: ProtocolPart, title: impl Into<String>, text: impl Into<String>) -> Self {
        MethodNote { part, title: title.into(), text: text.into(), formulas: Vec::new() }
    }

    /// With one formula more.
    pub fn formula(mut self, formula: impl Into<String>) -> Self {
        self.formulas.push(formula.into());
        self
    }
}

/// A work cited.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Reference {
    /// The entry of the list, without the identifier.
    pub text: String,
    /// Digital object identifier, "" where it has none.
    pub doi: String,
}

/// An area with its name.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct AreaRow {
    /// What it is.
    pub label: String,
    /// Hectares.
    pub area_ha: f64,
}

/// The number of animals in one scenario, year by year.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PopulationPath {
    /// Title of the scenario ("Baseline" for the baseline).
    pub title: String,
    /// The first year.
    pub first_year: i32,
    /// By year from the first: 5th percentile, median, 95th percentile over the courses.
    pub years: Vec<[f64; 3]>,
    /// Room at the start and at the end, animals.
    pub room: [f64; 2],
    /// Share of the courses that fell under the level of loss.
    pub lost_share: f64,
}
