//! The contact sheet of all monthly masks: a row per year, a column per calendar month that occurs.

use super::record::SceneRecord;
use super::{Context, NOT_SEEN, WET};
use crate::error::EngineError;
use crate::stop;
use lentic_raster::{RasterSource, Window, read_aligned_bytes};
use lentic_report::{Thumbnail, write_contact_sheet};
use lentic_study::Month;
use rayon::prelude::*;
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

/// Pixels of a picture's longer side, at most.
const SIDE: usize = 160;
/// Small grids are enlarged up to this many times.
const MOST_TIMES: usize = 8;

/// How cells become pixels.
#[derive(Clone, Copy)]
struct Scale {
    /// Cells a side of a pixel.
    step: usize,
    /// Pixels a side of a cell, where a pixel is one cell.
    times: usize,
    /// Columns of pixels before they are enlarged.
    width: usize,
    /// Rows of pixels before they are enlarged.
    height: usize,
}

impl Scale {
    fn of(rows: usize, cols: usize) -> Self {
        let longest = rows.max(cols).max(1);
        let step = longest.div_ceil(SIDE);
        let times = (SIDE / longest).clamp(1, MOST_TIMES);
        Scale { step, times, width: cols.div_ceil(step), height: rows.div_ceil(step) }
    }
}

/// Writes the contact sheet of masks that lie where `mask` says; labels of months with a flagged scene are set off.
pub(super) fn write(
    context: &Context<'_>,
    sheet: &Path,
    mask: impl Fn(Month) -> PathBuf + Sync,
    by_month: &BTreeMap<Month, Vec<usize>>,
    records: &[SceneRecord],
) -> Result<(), EngineError> {
    let scale = Scale::of(context.grid.rows, context.grid.cols);
    let distinct = |of: fn(&Month) -> i32| by_month.keys().map(of).collect::<BTreeSet<i32>>();
    let (years, calendar) = (distinct(|month| month.year()), distinct(|month| month.calendar() as i32));
    // how many come before
    let place = |all: &BTreeSet<i32>, one: i32| all.range(..one).count();
    context.progress.start("drawing the contact sheet", 0);
    let pictures = by_month
        .par_iter()
        .map(|(month, scenes)| {
            Ok(Thumbnail {
                label: month.to_string(),
                row: place(&years, month.year()),
                column: place(&calendar, month.calendar() as i32),
                marked: scenes.iter().any(|at| !records[*at].flags.is_empty()),
                codes: picture(context, &mask(*month), scale)?,
            })
        })
        .collect::<Result<Vec<_>, EngineError>>();
    context.progress.finish();
    let (width, height) = (scale.width * scale.times, scale.height * scale.times);
    write_contact_sheet(sheet, width, height, &pictures?)?;
    Ok(())
}

/// The pixels of one mask.
fn picture(context: &Context<'_>, mask: &Path, scale: Scale) -> Result<Vec<u8>, EngineError> {
    let source = RasterSource::open(mask, 1)?;
    // cells seen and cells wet, by pixel
    let mut pixels = vec![(0u64, 0u64); scale.width * scale.height];
    for window in &context.tiles {
        stop::unless_asked()?;
        let codes = read_aligned_bytes(&source, &context.grid, window, NOT_SEEN)?;
        for (at, code) in codes.into_iter().enumerate().filter(|(_, code)| *code != NOT_SEEN) {
            let pixel = &mut pixels[pixel_of(window, at, scale)];
            pixel.0 += 1;
            pixel.1 += u64::from(code == WET);
        }
    }
    // codes of `lentic_report::water_classes`
    let class = |(seen, wet): (u64, u64)| match wet {
        _ if seen == 0 => 0,
        0 => 1,
        wet if 2 * wet < seen => 2,
        _ => 3,
    };
    let across = scale.width * scale.times;
    let enlarged = (0..across * scale.height * scale.times).map(|at| {
        let (row, column) = (at / across / scale.times, at % across / scale.times);
        class(pixels[row * scale.width + column])
    });
    Ok(enlarged.collect())
}

fn pixel_of(window: &Window, at: usize, scale: Scale) -> usize {
    let (row, col) = (window.row + at / window.cols, window.col + at % window.cols);
    row / scale.step * scale.width + col / scale.step
}
