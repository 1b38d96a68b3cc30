//! Reads the layers of a study onto windows of the grid, by role or by name.

use crate::error::EngineError;
use lentic_raster::{
    Grid, RasterError, RasterSource, Resample, Window, burn, read_aligned_class, read_aligned_f32,
};
use lentic_study::Study;
use lentic_study::settings::{Files, Layer, LayerKind, Role};
use lentic_study::source::key;
use std::path::{Path, PathBuf};

pub use lentic_raster::NO_CLASS;

/// Endings of vector files, which masks may come from.
const VECTOR_ENDINGS: [&str; 4] = ["gpkg", "geojson", "shp", "fgb"];

/// Whether a file holds vector data, by its ending.
pub fn is_vector(path: &Path) -> bool {
    path.extension()
        .and_then(|e| e.to_str())
        .is_some_and(|e| VECTOR_ENDINGS.contains(&e.to_ascii_lowercase().as_str()))
}

/// The single file of a layer that is not a stack (for a stack, its pattern).
pub fn file_of(layer: &Layer) -> PathBuf {
    match &layer.files {
        Files::One(path) => path.clone(),
        Files::Pattern(pattern) => PathBuf::from(pattern),
    }
}

/// Address of a layer's files in the study file.
pub fn place_of_files(layer: &Layer) -> String {
    let at = key("layers", &layer.name);
    match layer.files {
        Files::One(_) => key(&at, "file"),
        Files::Pattern(_) => key(&at, "files"),
    }
}

/// The raster source of a layer's file.
///
/// # Errors
/// When the file cannot be opened or has no place on the ground.
pub fn source_of(layer: &Layer, path: &Path, band: usize) -> Result<RasterSource, RasterError> {
    Ok(RasterSource::open(path, band)?.with_no_data(&layer.no_data).with_scale(layer.scale))
}

/// Layers on a grid.
#[derive(Clone, Copy)]
pub struct Layers<'a> {
    /// The study.
    pub study: &'a Study,
    /// The grid.
    pub grid: &'a Grid,
}

impl Layers<'_> {
    /// Class codes of a layer in a window; `NO_CLASS` where none.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn codes(&self, layer: &Layer, window: Window) -> Result<Vec<i32>, EngineError> {
        let source = source_of(layer, &file_of(layer), layer.band)?;
        Ok(read_aligned_class(&source, self.grid, &window)?)
    }

    /// Numbers of a continuous, fraction or mask layer in a window; NaN where none.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn numbers(&self, layer: &Layer, window: Window) -> Result<Vec<f32>, EngineError> {
        let path = file_of(layer);
        if is_vector(&path) {
            let burnt = burn(&path, self.grid, &window, true)?;
            return Ok(burnt.into_iter().map(|b| f32::from(u8::from(b))).collect());
        }
        let source = source_of(layer, &path, layer.band)?;
        let how = match layer.kind {
            LayerKind::Mask => Resample::Mask,
            _ => Resample::Continuous,
        };
        Ok(read_aligned_f32(&source, self.grid, &window, how)?)
    }

    /// Where barriers lie: burnt wherever they touch a cell.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn barrier(&self, layer: &Layer, window: Window) -> Result<Vec<bool>, EngineError> {
        let path = file_of(layer);
        if is_vector(&path) {
            return Ok(burn(&path, self.grid, &window, true)?);
        }
        let source = source_of(layer, &path, layer.band)?;
        let values = read_aligned_f32(&source, self.grid, &window, Resample::Barrier)?;
        Ok(values.into_iter().map(|v| v > 0.0).collect())
    }

    /// Codes of the layer with a role, if the study has one.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn codes_with(&self, role: Role, window: Window) -> Result<Option<Vec<i32>>, EngineError> {
        self.study.layer_with(role).map(|layer| self.codes(layer, window)).transpose()
    }

    /// Numbers of the layer with a role, if the study has one.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn numbers_with(&self, role: Role, window: Window) -> Result<Option<Vec<f32>>, EngineError> {
        self.study.layer_with(role).map(|layer| self.numbers(layer, window)).transpose()
    }

    /// Response group of every cell of a window.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn groups(&self, window: Window) -> Result<Vec<Option<i32>>, EngineError> {
        let layer = self.study.inundation.groups.as_ref().and_then(|name| self.study.layer(name));
        match layer {
            Some(layer) => Ok(self.codes(layer, window)?.into_iter().map(known).collect()),
            None => Ok(vec![None; window.len()]),
        }
    }

    /// Pool of every cell of a window.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn pools(&self, window: Window) -> Result<Vec<Option<i32>>, EngineError> {
        match self.codes_with(Role::Pools, window)? {
            Some(codes) => Ok(codes.into_iter().map(known).collect()),
            None => Ok(vec![None; window.len()]),
        }
    }
}

/// A class code, `None` where there is none.
pub fn known(code: i32) -> Option<i32> {
    (code != NO_CLASS).then_some(code)
}
