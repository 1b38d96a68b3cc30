//! Which patches hold a record of the animal.

use crate::error::EngineError;
use crate::records::Record;
use crate::stages::Context;
use lentic_raster::{Cell, Scratch, Window};
use std::collections::BTreeSet;

/// Numbers of the patches that hold a record: the patch of the record's cell, else the patch whose cell centre lies nearest
/// to the record, where that is within the radius the record is known to (ties: the first in reading order).
///
/// # Errors
/// When the disk refuses.
pub fn holding(
    context: &Context,
    records: &[Record],
    labels: &Scratch<u32>,
) -> Result<BTreeSet<u32>, EngineError> {
    let grid = context.grid;
    let mut found = BTreeSet::new();
    for record in records {
        let Cell { row, col } = record.cell;
        let reach = (record.uncertainty_m / grid.cell_m).ceil().clamp(0.0, grid.len() as f64) as usize;
        let window = Window { row, col, rows: 1, cols: 1 }.with_margin(reach, grid);
        let numbers = labels.read(&window)?;
        let own = numbers[(row - window.row) * window.cols + (col - window.col)];
        if own > 0 {
            found.insert(own);
            continue;
        }
        let mut best = (record.uncertainty_m.powi(2), 0);
        for (at, label) in numbers.iter().enumerate().filter(|(_, label)| **label > 0) {
            let centre =
                grid.centre(Cell { row: window.row + at / window.cols, col: window.col + at % window.cols });
            let squared = (centre.x - record.x).powi(2) + (centre.y - record.y).powi(2);
            if squared < best.0 || (squared == best.0 && best.1 == 0) {
                best = (squared, *label);
            }
        }
        if best.1 > 0 {
            found.insert(best.1);
        }
    }
    Ok(found)
}
