//! The report page: one HTML file that works offline.
//!
//! Everything is inside the file, and its content security policy forbids any request, so opening
//! it tells nobody that it was opened.

mod charts;
mod input;
mod keep;
mod map;
mod view;

pub use input::{
    AreaRow, BoyceCurve, ClimateMark, ClimateSurface, CurvePanel, CurveShape, Distribution, Drought,
    DroughtMonth, HabitatByYear, Headline, HeadlineRow, KeptCells, LadderCurve, LossBreakdown, LossRow,
    MapLayer, MapPixels, MethodNote, PageInput, PopulationPath, SensitivityPanel, SensitivityPart, YearLine,
};
pub use keep::{KeptPage, read_kept, write_kept};

use crate::ReportError;
use crate::file::write_bytes;
use minijinja::{Environment, UndefinedBehavior, Value};
use std::path::Path;

const TEMPLATE: &str = include_str!("../template/page.html");
const STYLE: &str = include_str!("../template/page.css");
const PRINT: &str = include_str!("../template/print.css");
const MAP_SCRIPT: &str = include_str!("../template/map.js");
const TABLE_SCRIPT: &str = include_str!("../template/tables.js");

/// Writes the report page as one HTML file.
///
/// Same input, same bytes: the page shows no time of its own making.
///
/// # Errors
/// A map layer whose pixels do not fit its size or whose codes have no class, or a file that cannot
/// be written.
pub fn write_page(path: &Path, input: &PageInput<'_>) -> Result<(), ReportError> {
    let broken = |message: String| ReportError::Page { path: path.to_path_buf(), message };
    let mut environment = Environment::new();
    environment.set_undefined_behavior(UndefinedBehavior::Strict);
    // The name ends in .html, so every value is escaped unless it is marked safe below.
    environment.add_template("page.html", TEMPLATE).map_err(|error| broken(error.to_string()))?;
    let maps = map::maps(input)?;
    let map_data = script_safe(&maps).map_err(|error| broken(error.to_string()))?;
    let safe = Value::from_safe_string;
    let text = environment
        .get_template("page.html")
        .and_then(|template| {
            template.render(minijinja::context! {
                style => safe(format!("{STYLE}\n{PRINT}\n{}", on_every_sheet(&input.record.edition.mark))),
                map_script => safe(MAP_SCRIPT.to_string()),
                table_script => safe(TABLE_SCRIPT.to_string()),
                map_data => safe(map_data),
                maps => Value::from(minijinja::value::Serde(&maps)),
                charts => charts::charts(input),
                page => Value::from(minijinja::value::Serde(view::view(input))),
            })
        })
        .map_err(|error| broken(error.to_string()))?;
    write_bytes(path, text.as_bytes())
}

/// Style that prints the mark of an edition in the upper margin of every sheet (CSS Paged Media, margin boxes).
fn on_every_sheet(mark: &str) -> String {
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
