//! The report page: one HTML file that works offline.
//!
//! Everything is inside the file, and its content security policy forbids any request, so opening
//! it tells nobody that it was opened.

pub(crate) mod charts;
mod input;
mod keep;
mod map;
mod numbers;
mod patches;
mod run_lengths;
mod view;

pub use input::{
    AreaRow, BoyceCurve, ClimateMark, ClimateSurface, CurvePanel, CurveShape, Distribution, Drought,
    DroughtMonth, HabitatByYear, Headline, HeadlineRow, KeptCells, LadderCurve, LossBreakdown, LossRow,
    MapLayer, MapPixels, MethodNote, PageInput, PatchMap, PlaceMesh, PopulationPath, ProtocolPart, Reference,
    SensitivityPanel, SensitivityPart, YearLine,
};
pub use keep::{KeptPage, read_kept, write_kept};

use crate::ReportError;
use crate::file::write_bytes;
use minijinja::{Environment, UndefinedBehavior, Value};
use numbers::Numbers;
use std::path::Path;

const TEMPLATE: &str = include_str!("../template/page.html");
const STYLE: &str = include_str!("../template/page.css");
const PRINT: &str = include_str!("../template/print.css");
const COMMON_SCRIPT: &str = include_str!("../template/common.js");
const MAP_SCRIPT: &str = include_str!("../template/map.js");
const PATCH_SCRIPT: &str = include_str!("../template/patches.js");
const CHART_SCRIPT: &str = include_str!("../template/charts.js");
const PLATE_SCRIPT: &str = include_str!("../template/plates.js");
const PRINT_SCRIPT: &str = include_str!("../template/print.js");
const TABLE_SCRIPT: &str = include_str!("../template/tables.js");
/// The map library, with the licence that goes with every copy of it.
const MAP_LIBRARY: &str = concat!(
    "/*\n",
    include_str!("../vendor/leaflet/LICENSE"),
    "*/\n",
    include_str!("../vendor/leaflet/leaflet.js")
);
const MAP_STYLE: &str = include_str!("../vendor/leaflet/leaflet.css");

/// A page is at most this large, bytes; maps are thinned until it is.
const LARGEST: usize = 15_000_000;
/// Maps are thinned by these steps, one after the other.
const THINNING: [usize; 5] = [1, 2, 3, 4, 8];

/// Writes the report page as one HTML file.
///
/// Same input, same bytes: the page shows no time of its own making. A page larger than 15 MB is written anew with maps of fewer
/// pixels, which the rasters of the run keep in full.
///
/// # Errors
/// A map layer whose pixels do not fit its size or whose codes have no class, or a file that cannot
/// be written.
pub fn write_page(path: &Path, input: &PageInput<'_>) -> Result<(), ReportError> {
    let mut text = String::new();
    for thin in THINNING {
        text = rendered(path, input, thin)?;
        if text.len() <= LARGEST {
            break;
        }
    }
    write_bytes(path, text.as_bytes())
}

/// The page with maps of every `thin`th pixel.
fn rendered(path: &Path, input: &PageInput<'_>, thin: usize) -> Result<String, ReportError> {
    let broken = |message: String| ReportError::Page { path: path.to_path_buf(), message };
    let mut environment = Environment::new();
    environment.set_undefined_behavior(UndefinedBehavior::Strict);
    // The name ends in .html, so every value is escaped unless it is marked safe below.
    environment.add_template("page.html", TEMPLATE).map_err(|error| broken(error.to_string()))?;
    let maps = map::maps(input, thin)?;
    let map_data = script_safe(&maps).map_err(|error| broken(error.to_string()))?;
    let patches = patches::patches(input, thin)?;
    let patch_data = script_safe(&patches).map_err(|error| broken(error.to_string()))?;
    let charts = charts::charts(input);
    let numbers = Numbers::new(
        !input.maps.is_empty(),
        charts.iter().map(|chart| chart.name.as_str()),
        input.tables.iter().map(|table| table.name.as_str()),
    );
    let safe = Value::from_safe_string;
    environment
        .get_template("page.html")
        .and_then(|template| {
            template.render(minijinja::context! {
                style => safe(format!("{MAP_STYLE}\n{STYLE}\n{PRINT}\n{}", on_every_sheet(&input.record.edition.mark))),
                common_script => safe(COMMON_SCRIPT.to_string()),
                map_library => safe(MAP_LIBRARY.to_string()),
                map_script => safe(format!("{MAP_SCRIPT}\n{PATCH_SCRIPT}\n{PLATE_SCRIPT}")),
                table_script => safe(format!("{TABLE_SCRIPT}\n{CHART_SCRIPT}\n{PRINT_SCRIPT}")),
                map_data => safe(map_data),
                patch_data => safe(patch_data),
                patches => Value::from(minijinja::value::Serde(&patches)),
                maps => Value::from(minijinja::value::Serde(&maps)),
                charts => charts::view(&charts, &numbers),
                page => Value::from(minijinja::value::Serde(view::view(input, &numbers))),
                numbers => Value::from(minijinja::value::Serde(&numbers)),
            })
        })
        .map_err(|error| broken(error.to_string()))
}

/// Style that prints the mark of an edition in the upper margin of every sheet (CSS Paged Media, margin boxes).
pub(crate) fn on_every_sheet(mark: &str) -> String {
    if mark.is_empty() {
        return String::new();
    }
    // a mark is words of this program; what could end the string or the element is left out all the same
    let plain: String = mark.chars().filter(|c| !c.is_control() && !"\"\\<>{}".contains(*c)).collect();
    format!(
        "@media print {{ @page {{ @top-center {{ content: \"{plain}\"; font: 600 9pt sans-serif; }} }} }}"
    )
}

/// JSON that may stand in a script element: no character of it can end the element or begin a comment.
fn script_safe(data: &impl serde::Serialize) -> Result<String, serde_json::Error> {
    let text = serde_json::to_string(data)?;
    // `<`, `>` and `&` occur only inside strings, where the escapes mean the same.
    Ok(text.replace('<', "\\u003c").replace('>', "\\u003e").replace('&', "\\u0026"))
}
