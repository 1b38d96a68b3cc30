//! Patches as polygons in a GeoPackage, and paths between them beside.

use std::collections::BTreeMap;
use std::path::Path;

use gdal::spatial_ref::SpatialRef;
use gdal::vector::{Feature, FieldDefn, Geometry, Layer, LayerAccess, LayerOptions, OGRwkbGeometryType};
use gdal::{Dataset, DatasetOptions, DriverManager, GdalOpenFlags};
use gdal_sys::OGRFieldType;

use crate::error::RasterError;
use crate::ffi;
use crate::grid::Grid;
use crate::paths::PathLayer;
use crate::scratch::Scratch;
use crate::vector::geopackage;
use crate::write::raw_description;

/// A layer of patches.
#[derive(Debug)]
pub struct PatchLayer<'a> {
    /// Name of the layer.
    pub name: String,
    /// Label of each cell: 0 outside patches, else the number of the patch, from 1.
    pub labels: &'a Scratch<u32>,
    /// Further columns beside `patch`, the label.
    pub attributes: Vec<Attribute>,
}

/// A column of a layer of patches or points.
#[derive(Clone, Debug)]
pub struct Attribute {
    /// Name of the column.
    pub name: String,
    /// Values by patch or point.
    pub values: AttributeValues,
}

/// Values of a column, one for each point, or that of patch `label` at index `label - 1`; `None` and NaN are left empty.
#[derive(Clone, Debug)]
pub enum AttributeValues {
    /// Whole numbers.
    Integer(Vec<Option<i64>>),
    /// Numbers.
    Real(Vec<Option<f64>>),
    /// Texts.
    Text(Vec<Option<String>>),
}

impl AttributeValues {
    pub(crate) fn len(&self) -> usize {
        match self {
            Self::Integer(values) => values.len(),
            Self::Real(values) => values.len(),
            Self::Text(values) => values.len(),
        }
    }

    pub(crate) fn field_type(&self) -> OGRFieldType::Type {
        match self {
            Self::Integer(_) => OGRFieldType::OFTInteger64,
            Self::Real(_) => OGRFieldType::OFTReal,
            Self::Text(_) => OGRFieldType::OFTString,
        }
    }

    pub(crate) fn set(
        &self,
        feature: &mut Feature<'_>,
        field: usize,
        patch: usize,
    ) -> gdal::errors::Result<()> {
        match self {
            Self::Integer(values) => match values.get(patch).copied().flatten() {
                Some(value) => feature.set_field_integer64(field, value),
                None => Ok(()),
            },
            Self::Real(values) => match values.get(patch).copied().flatten() {
                Some(value) if !value.is_nan() => feature.set_field_double(field, value),
                _ => Ok(()),
            },
            Self::Text(values) => match values.get(patch).and_then(Option::as_deref) {
                Some(value) => feature.set_field_string(field, value),
                None => Ok(()),
            },
        }
    }
}

/// Writes a GeoPackage with one layer per [`PatchLayer`] and one multipolygon per label, in order of
/// label. Cells that meet at a corner only become separate parts of the multipolygon, so that every
/// geometry is valid. The same content gives the same bytes.
///
/// Memory grows with the number of corners of the outlines, not with the grid.
///
/// # Errors
/// A label without attribute values, a scratch file of another size than the grid, or writing fails.
pub fn write_patches(path: &Path, grid: &Grid, layers: &[PatchLayer<'_>]) -> Result<(), RasterError> {
    write_patches_and_paths(path, grid, layers, &[])
}

/// As [`write_patches`], with layers of lines after those of patches.
///
/// # Errors
/// As [`write_patches`]; a line of fewer than two points, or a column with another number of values than there are lines.
pub fn write_patches_and_paths(
    path: &Path,
    grid: &Grid,
    layers: &[PatchLayer<'_>],
    paths: &[PathLayer],
) -> Result<(), RasterError> {
    crate::quiet();
    paths.iter().try_for_each(|layer| layer.check(path))?;
    let mut outlines = Vec::with_capacity(layers.len());
    for layer in layers {
        let patches = polygons(grid, layer.labels)?;
        let most = patches.keys().max().copied().unwrap_or(0);
        let short = layer.attributes.iter().find(|column| (column.values.len() as u64) < most);
        if let Some(column) = short {
            return Err(RasterError::Size(format!(
                "{}: column '{}' of layer '{}' has {} values, but the last patch is {most}",
                path.display(),
                column.name,
                layer.name,
                column.values.len()
            )));
        }
        outlines.push(patches);
    }
    geopackage(path, &grid.crs, |dataset, reference| {
        for (layer, patches) in layers.iter().zip(outlines) {
            write_layer(dataset, reference, layer, patches)?;
        }
        paths.iter().try_for_each(|layer| layer.write(dataset, reference))
    })
}

fn write_layer(
    dataset: &mut Dataset,
    reference: &SpatialRef,
    layer: &PatchLayer<'_>,
    patches: BTreeMap<u64, Vec<Geometry>>,
) -> gdal::errors::Result<()> {
    let target = dataset.create_layer(LayerOptions {
        name: &layer.name,
        srs: Some(reference),
        ty: OGRwkbGeometryType::wkbMultiPolygon,
        options: None,
    })?;
    FieldDefn::new("patch", OGRFieldType::OFTInteger64)?.add_to_layer(&target)?;
    for column in &layer.attributes {
        FieldDefn::new(&column.name, column.values.field_type())?.add_to_layer(&target)?;
    }
    for (label, parts) in patches {
        let mut feature = Feature::new(target.defn())?;
        feature.set_field_integer64(0, i64::try_from(label)?)?;
        for (index, column) in layer.attributes.iter().enumerate() {
            column.values.set(&mut feature, index + 1, usize::try_from(label)? - 1)?;
        }
        let mut whole = Geometry::empty(OGRwkbGeometryType::wkbMultiPolygon)?;
        for part in parts {
            whole.add_geometry(part)?;
        }
        feature.set_geometry(whole)?;
        feature.create(&target)?;
    }
    Ok(())
}

/// Outlines of the patches, by label: 4-connected parts in the order they are met from above.
fn polygons(grid: &Grid, labels: &Scratch<u32>) -> Result<BTreeMap<u64, Vec<Geometry>>, RasterError> {
    let fail = |said| RasterError::Library { doing: "drawing the outlines of patches", said };
    let description = raw_description(grid, labels)?;
    gdal::config::set_thread_local_config_option("GDAL_VRT_RAWRASTERBAND_ALLOWED_SOURCE", "ALL")
        .map_err(|error| fail(error.to_string()))?;
    let source = Dataset::open_ex(
        &description,
        DatasetOptions {
            open_flags: GdalOpenFlags::GDAL_OF_RASTER,
            allowed_drivers: Some(&["VRT"]),
            ..DatasetOptions::default()
        },
    )
    .map_err(|error| fail(error.to_string()))?;
    // "Memory" became part of "MEM" in GDAL 3.11.
    let mut memory = DriverManager::get_driver_by_name("Memory")
        .or_else(|_| DriverManager::get_driver_by_name("MEM"))
        .and_then(|driver| driver.create_vector_only(""))
        .map_err(|error| fail(error.to_string()))?;
    let mut layer = label_layer(&mut memory).map_err(|error| fail(error.to_string()))?;
    ffi::polygonise(&source, &layer, 0).map_err(fail)?;
    let mut out: BTreeMap<u64, Vec<Geometry>> = BTreeMap::new();
    for feature in layer.features() {
        let label = feature.field_as_integer64(0).ok().flatten().unwrap_or(0);
        if let (Ok(label @ 1..), Some(shape)) = (u64::try_from(label), feature.geometry()) {
            out.entry(label).or_default().push(shape.clone());
        }
    }
    Ok(out)
}

fn label_layer(memory: &mut Dataset) -> gdal::errors::Result<Layer<'_>> {
    let layer = memory.create_layer(LayerOptions {
        name: "labels",
        srs: None,
        ty: OGRwkbGeometryType::wkbPolygon,
        options: None,
    })?;
    FieldDefn::new("label", OGRFieldType::OFTInteger64)?.add_to_layer(&layer)?;
    Ok(layer)
}
