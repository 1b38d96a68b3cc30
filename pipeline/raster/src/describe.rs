//! What a finished product says of itself: title, bands, statistics, classes with their colours; layers and fields of a vector
//! file. Read back from the file, so that what is told of it is what stands in it.

use std::path::Path;

use gdal::vector::LayerAccess;
use gdal::{Dataset, Metadata};
use gdal_sys::{OGRFieldType, OGRwkbGeometryType};

use crate::error::RasterError;
use crate::handles;
use crate::source::{CellType, RasterSource};
use crate::vector::open_package;

/// A raster product.
#[derive(Clone, Debug, PartialEq)]
pub struct ProductRaster {
    /// Title of the file.
    pub title: String,
    /// Bands, in order.
    pub bands: Vec<ProductBand>,
}

/// A band of it.
#[derive(Clone, Debug, PartialEq)]
pub struct ProductBand {
    /// Name of the band.
    pub description: String,
    /// Unit, may be empty.
    pub unit: String,
    /// Kind of number.
    pub cell_type: CellType,
    /// Declared no-data value.
    pub no_data: Option<f64>,
    /// Minimum, maximum, mean, standard deviation and percent of cells with data, as kept in the file; `None` for a band
    /// without data.
    pub statistics: Option<[f64; 5]>,
    /// Code, name and colour (red, green, blue) of each class; empty for quantities.
    pub classes: Vec<(u8, String, [u8; 3])>,
}

/// A layer of a vector product.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ProductLayer {
    /// Its name.
    pub name: String,
    /// Kind of shape: "point", "line", "polygon" or "shape".
    pub shape: &'static str,
    /// Name and type ("string", "integer", "number") of each field.
    pub fields: Vec<(String, &'static str)>,
}

/// Describes a raster product from its file.
///
/// # Errors
/// The file cannot be read.
pub fn describe_raster(path: &Path) -> Result<ProductRaster, RasterError> {
    let first = RasterSource::open(path, 1)?;
    let dataset = handles::open(path)?;
    let title = dataset.metadata_item("TIFFTAG_IMAGEDESCRIPTION", "").unwrap_or_default();
    let bands =
        (1..=first.info().bands).map(|band| describe_band(path, &dataset, band)).collect::<Result<_, _>>()?;
    Ok(ProductRaster { title, bands })
}

fn describe_band(path: &Path, dataset: &Dataset, number: usize) -> Result<ProductBand, RasterError> {
    let source = RasterSource::open(path, number)?;
    let band = dataset.rasterband(number).map_err(|error| RasterError::read(path, "the header", &error))?;
    let statistic =
        |name: &str| -> Option<f64> { band.metadata_item(&format!("STATISTICS_{name}"), "")?.parse().ok() };
    let statistics = || {
        Some([
            statistic("MINIMUM")?,
            statistic("MAXIMUM")?,
            statistic("MEAN")?,
            statistic("STDDEV")?,
            statistic("VALID_PERCENT")?,
        ])
    };
    let colours = band.color_table();
    // a colour table holds numbers of 16 bits; a GeoTIFF's are bytes
    let byte = |number: i16| u8::try_from(number).unwrap_or(0);
    let colour = |code: u8| {
        let entry = colours.as_ref().and_then(|table| table.entry_as_rgb(usize::from(code)));
        entry.map_or([0; 3], |entry| [byte(entry.r), byte(entry.g), byte(entry.b)])
    };
    let classes = source.class_names()?.into_iter().map(|(code, name)| (code, name, colour(code))).collect();
    let info = source.info();
    Ok(ProductBand {
        description: info.description.clone(),
        unit: info.unit.clone(),
        cell_type: info.cell_type,
        no_data: info.no_data,
        statistics: statistics(),
        classes,
    })
}

/// Describes the layers of a vector product from its file.
///
/// # Errors
/// The file cannot be read.
pub fn describe_layers(path: &Path) -> Result<Vec<ProductLayer>, RasterError> {
    let dataset = open_package(path, "vector layer")?;
    let layer = |layer: gdal::vector::Layer<'_>| {
        let defn = layer.defn();
        let shape = match defn.geometry_type() {
            OGRwkbGeometryType::wkbPoint => "point",
            OGRwkbGeometryType::wkbLineString | OGRwkbGeometryType::wkbMultiLineString => "line",
            OGRwkbGeometryType::wkbPolygon | OGRwkbGeometryType::wkbMultiPolygon => "polygon",
            _ => "shape",
        };
        let field = |field: gdal::vector::Field<'_>| {
            let kind = match field.field_type() {
                OGRFieldType::OFTInteger | OGRFieldType::OFTInteger64 => "integer",
                OGRFieldType::OFTReal => "number",
                _ => "string",
            };
            (field.name(), kind)
        };
        ProductLayer { name: layer.name(), shape, fields: defn.fields().map(field).collect() }
    };
    Ok(dataset.layers().map(layer).collect())
}
