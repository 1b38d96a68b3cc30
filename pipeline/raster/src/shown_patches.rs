//! Patches of a GeoPackage back onto the grid they were drawn from.

use std::collections::BTreeSet;
use std::path::Path;

use gdal::vector::LayerAccess;

use crate::error::{RasterError, said};
use crate::grid::Grid;
use crate::vector::{open_package, rasterised};
use crate::window::Window;

/// Marks the cells of a window of the grid, row-major, whose centre lies in one of the `wanted` patches of a layer that
/// [`crate::write_patches`] wrote for the same grid.
///
/// # Errors
/// A file or layer that cannot be read, or a window that leaves the grid.
pub fn burn_patches(
    path: &Path,
    layer: &str,
    wanted: &BTreeSet<i64>,
    grid: &Grid,
    window: &Window,
) -> Result<Vec<bool>, RasterError> {
    crate::quiet();
    if !Window::whole(grid).contains(window) {
        return Err(RasterError::Size(format!("{window:?} leaves the grid")));
    }
    let dataset = open_package(path, "layer of patches")?;
    let read = |error: &gdal::errors::GdalError| RasterError::read(path, "the patches", error);
    let mut patches = dataset.layer_by_name(layer).map_err(|error| read(&error))?;
    let field = patches.defn().field_index("patch").map_err(|error| read(&error))?;
    let near = grid.window_bounds(&window.with_margin(1, grid));
    patches.set_spatial_filter_rect(near.left, near.bottom, near.right, near.top);
    let mut shapes = Vec::new();
    for feature in patches.features() {
        let label = feature.field_as_integer64(field).map_err(|error| read(&error))?;
        if let (Some(label), Some(shape)) = (label, feature.geometry())
            && wanted.contains(&label)
        {
            shapes.push(shape.clone());
        }
    }
    if shapes.is_empty() || window.is_empty() {
        return Ok(vec![false; window.len()]);
    }
    let burnt = rasterised(grid, window, &shapes, false).map_err(|error| RasterError::Library {
        doing: "burning patches onto the grid",
        said: said(&error),
    })?;
    Ok(burnt.into_iter().map(|cell| cell != 0).collect())
}
