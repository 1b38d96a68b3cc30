//! The charts as SVG and PNG files, sized for a journal page and for one of its columns.

use crate::ReportError;
use crate::chart::escape;
use crate::file::{make_folder, write_bytes};
use crate::page::PageInput;
use crate::page::charts::{Chart, charts};
use crate::raster_figure::png;
use rayon::prelude::*;
use std::path::{Path, PathBuf};

/// Full width of the text of a journal page, millimetres (common practice: 170 to 190).
const WIDTH_MM: f64 = 180.0;
/// The same in units of the drawing; 12 units of text come to 8.5 points.
const WIDTH: f64 = 720.0;
/// Width of one column of a journal page, millimetres (common practice: 80 to 90).
const COLUMN_MM: f64 = 85.0;
/// The same in units of the drawing, words as large as in the wide one.
const COLUMN: f64 = 318.0;

/// Writes every chart of the page into `folder` (made where it is missing): `NAME.svg` as wide as a page, `NAME_column.svg` and
/// `NAME_column.png` as wide as a column. Returns their paths.
///
/// # Errors
/// A file cannot be written.
pub fn write_figures(folder: &Path, input: &PageInput<'_>) -> Result<Vec<PathBuf>, ReportError> {
    make_folder(folder)?;
    let mark = &input.record.edition.mark;
    let write = |chart: &Chart<'_>| {
        let column = marked((chart.draw)(COLUMN).file(COLUMN_MM), mark);
        let picture = folder.join(format!("{}_column.png", chart.name));
        let files = [
            (
                folder.join(format!("{}.svg", chart.name)),
                marked((chart.draw)(WIDTH).file(WIDTH_MM), mark).into_bytes(),
            ),
            (picture.clone(), png(&picture, &column, COLUMN_MM)?),
            (folder.join(format!("{}_column.svg", chart.name)), column.into_bytes()),
        ];
        files.into_iter().map(|(path, bytes)| write_bytes(&path, &bytes).map(|()| path)).collect()
    };
    let written: Vec<Result<Vec<PathBuf>, ReportError>> = charts(input).par_iter().map(write).collect();
    Ok(written.into_iter().collect::<Result<Vec<_>, _>>()?.concat())
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
