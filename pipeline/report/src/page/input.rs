//! What the page is made of: plain numbers and words, no files.

mod charts;
mod maps;
mod methods;

pub use charts::{
    BoyceCurve, ClimateMark, ClimateSurface, CurvePanel, CurveShape, Distribution, Drought, DroughtMonth,
    HabitatByYear, LadderCurve, PopulationPath, SensitivityPanel, SensitivityPart, YearLine,
};
pub use maps::{KeptCells, MapLayer, MapPixels, PatchMap, PlaceMesh};
pub use methods::{MethodNote, ProtocolPart, Reference};

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

/// An area with its name.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct AreaRow {
    /// What it is.
    pub label: String,
    /// Hectares.
    pub area_ha: f64,
}
