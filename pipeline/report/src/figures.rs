//! The charts as SVG files, sized for a journal page.

use crate::ReportError;
use crate::chart::{
    Svg, boyce_curve, drought_index, drying_ladder, escape, habitat_area, habitat_by_year, loss_breakdown,
    population_paths, response_curves, response_surface, sensitivity,
};
use crate::file::{make_folder, write_bytes};
use crate::page::PageInput;
use std::path::{Path, PathBuf};

/// Full width of the text of a journal page, millimetres (common practice: 170 to 190).
const WIDTH_MM: f64 = 180.0;
/// The same in units of the drawing; 12 units of text come to 8.5 points.
const WIDTH: f64 = 720.0;

/// Writes `habitat_area.svg`, `loss_by_NAME.svg`, `drought_index.svg` (of several climates `drought_index_ID.svg` each), `response_curves.svg`,
/// `boyce_curve.svg`, `drying_ladder.svg`, `response_surface.svg` `habitat_by_year.svg` `sensitivity.svg` and `population.svg` into `folder` (made where it is missing), those that have something to show, and returns their paths.
///
/// # Errors
/// A file cannot be written.
pub fn write_figures(folder: &Path, input: &PageInput<'_>) -> Result<Vec<PathBuf>, ReportError> {
    make_folder(folder)?;
    let mut written = Vec::new();
    let mut write = |name: String, picture: Svg| {
        let path = folder.join(format!("{name}.svg"));
        let text = marked(picture.file(WIDTH_MM), &input.record.edition.mark);
        write_bytes(&path, text.as_bytes())?;
        written.push(path);
        Ok::<(), ReportError>(())
    };
    write("habitat_area".into(), habitat_area(&input.headline, WIDTH))?;
    for breakdown in input.losses.iter().filter(|breakdown| !breakdown.rows.is_empty()) {
        let picture = loss_breakdown(breakdown, &input.headline, WIDTH);
        write(format!("loss_by_{}", plain(&breakdown.name)), picture)?;
    }
    for drought in &input.droughts {
        let of = if drought.id.is_empty() { String::new() } else { format!("_{}", plain(&drought.id)) };
        write(format!("drought_index{of}"), drought_index(drought, WIDTH))?;
    }
    if !input.curves.is_empty() {
        write("response_curves".into(), response_curves(&input.curves, WIDTH))?;
    }
    if let Some(boyce) = &input.boyce {
        write("boyce_curve".into(), boyce_curve(boyce, WIDTH))?;
    }
    if let Some(ladder) = &input.ladder {
        write("drying_ladder".into(), drying_ladder(ladder, WIDTH))?;
    }
    if !input.sensitivity.is_empty() {
        write("sensitivity".into(), sensitivity(&input.sensitivity, WIDTH))?;
    }
    if let Some(surface) = &input.surface {
        write("response_surface".into(), response_surface(surface, WIDTH))?;
    }
    if let Some(found) = &input.over_time {
        write("habitat_by_year".into(), habitat_by_year(found, WIDTH))?;
    }
    if !input.population.is_empty() {
        write("population".into(), population_paths(&input.population, WIDTH))?;
    }
    Ok(written)
}

/// A picture with the mark of its edition among its metadata.
fn marked(picture: String, mark: &str) -> String {
    match picture.rsplit_once("</svg>") {
        Some((drawing, rest)) if !mark.is_empty() => {
            format!("{drawing}<metadata>{}</metadata>\n</svg>{rest}", escape(mark))
        }
        _ => picture,
    }
}

/// A word as part of a file name: other characters than letters, digits, `_` and `-` become `_`.
fn plain(word: &str) -> String {
    word.chars().map(|c| if c.is_ascii_alphanumeric() || matches!(c, '_' | '-') { c } else { '_' }).collect()
}
