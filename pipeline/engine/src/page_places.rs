//! What makes the maps of the page answer to a pointer: patches by number, and latitudes and longitudes.

use crate::error::EngineError;
use crate::stages::patches::CasePatches;
use lentic_raster::{Grid, Point, Scratch, Window};
use lentic_report::{PatchMap, PlaceMesh};

/// Points of the mesh along a side. Between points the page goes straight: over a basin of 60 km that errs by less than a metre.
const MESH: usize = 17;

/// The patches of the baseline, thinned to one pixel for `step` cells a side: the first patch met in the cells of a pixel, so that small
/// ones stay on the map.
///
/// # Errors
/// When the disk refuses.
pub fn patch_map(grid: &Grid, baseline: &CasePatches, step: usize) -> Result<PatchMap, EngineError> {
    let (width, height) = (grid.cols.div_ceil(step), grid.rows.div_ceil(step));
    Ok(PatchMap {
        width,
        height,
        step,
        numbers: first_met(grid, &baseline.labels, step)?,
        table: "patches".into(),
        scenario: "baseline".into(),
        also_in: ["habitat_loss_by_patch", "patch_fates", "patch_time_of_loss", "patch_margins"]
            .map(String::from)
            .to_vec(),
    })
}

fn first_met(grid: &Grid, labels: &Scratch<u32>, step: usize) -> Result<Vec<u32>, EngineError> {
    let width = grid.cols.div_ceil(step);
    let mut numbers = vec![0u32; width * grid.rows.div_ceil(step)];
    for row in 0..grid.rows {
        let cells = labels.read(&Window { row, col: 0, rows: 1, cols: grid.cols })?;
        for (col, label) in cells.into_iter().enumerate().filter(|(_, label)| *label > 0) {
            let pixel = &mut numbers[row / step * width + col / step];
            if *pixel == 0 {
                *pixel = label;
            }
        }
    }
    Ok(numbers)
}

/// Latitudes and longitudes over the grid; none where the reference system leads to none.
pub fn places(grid: &Grid) -> Option<PlaceMesh> {
    let along = |at: usize| at as f64 / (MESH - 1) as f64;
    let (width, height) = (grid.cols as f64 * grid.cell_m, grid.rows as f64 * grid.cell_m);
    let mut points: Vec<Point> = (0..MESH * MESH)
        .map(|at| Point { x: grid.left + along(at % MESH) * width, y: grid.top - along(at / MESH) * height })
        .collect();
    grid.crs.all_to_geographic(&mut points).ok()?;
    let degrees = points.iter().map(|point| [point.y, point.x]).collect();
    Some(PlaceMesh { columns: MESH, rows: MESH, degrees })
}
