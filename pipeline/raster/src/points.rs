//! Points in a GeoPackage, and as waypoints for a hand-held receiver.

use std::path::Path;

use gdal::Dataset;
use gdal::spatial_ref::SpatialRef;
use gdal::vector::{Feature, FieldDefn, Geometry, LayerAccess, LayerOptions, OGRwkbGeometryType};
use gdal_sys::OGRFieldType;

use crate::error::RasterError;
use crate::grid::{Crs, Grid, Point};
use crate::patches::Attribute;
use crate::vector::{geopackage, vector_file};

/// A place to walk to.
#[derive(Clone, Debug, PartialEq)]
pub struct Waypoint {
    /// Longitude (x) and latitude (y) on WGS 84, degrees.
    pub at: Point,
    /// Short name, as receivers show it.
    pub name: String,
    /// Kind of place.
    pub kind: String,
}

/// Writes a GeoPackage with one layer of points, in order, with a column for each attribute. The same content gives
/// the same bytes.
///
/// # Errors
/// A column that has not one value for each point, or writing fails.
pub fn write_points(
    path: &Path,
    crs: &Crs,
    layer: &str,
    points: &[Point],
    attributes: &[Attribute],
) -> Result<(), RasterError> {
    if let Some(column) = attributes.iter().find(|column| column.values.len() != points.len()) {
        return Err(RasterError::Size(format!(
            "{}: column '{}' has {} values for {} points",
            path.display(),
            column.name,
            column.values.len(),
            points.len()
        )));
    }
    geopackage(path, crs, |dataset, reference| fill(dataset, reference, layer, points, attributes))
}

fn fill(
    dataset: &mut Dataset,
    reference: &SpatialRef,
    layer: &str,
    points: &[Point],
    attributes: &[Attribute],
) -> gdal::errors::Result<()> {
    let target = dataset.create_layer(LayerOptions {
        name: layer,
        srs: Some(reference),
        ty: OGRwkbGeometryType::wkbPoint,
        options: None,
    })?;
    for column in attributes {
        FieldDefn::new(&column.name, column.values.field_type())?.add_to_layer(&target)?;
    }
    for (at, point) in points.iter().enumerate() {
        let mut feature = Feature::new(target.defn())?;
        for (field, column) in attributes.iter().enumerate() {
            column.values.set(&mut feature, field, at)?;
        }
        feature.set_geometry(geometry(*point)?)?;
        feature.create(&target)?;
    }
    Ok(())
}

/// Writes waypoints as GPX 1.1 (topografix.com/GPX/1/1). The same content gives the same bytes.
///
/// # Errors
/// GDAL was built without its GPX driver, or writing fails.
pub fn write_waypoints(path: &Path, waypoints: &[Waypoint]) -> Result<(), RasterError> {
    let crs = Crs::parse("EPSG:4326")?;
    vector_file(path, "GPX", "part.gpx", &crs, |mut dataset, reference| {
        // the driver takes the layer's name and the fields from the standard
        let layer = dataset.create_layer(LayerOptions {
            name: "waypoints",
            srs: Some(reference),
            ty: OGRwkbGeometryType::wkbPoint,
            options: None,
        })?;
        for field in ["name", "type"] {
            // present already unless the driver changes its mind
            if layer.defn().field_index(field).is_err() {
                FieldDefn::new(field, OGRFieldType::OFTString)?.add_to_layer(&layer)?;
            }
        }
        let (name, kind) = (layer.defn().field_index("name")?, layer.defn().field_index("type")?);
        for waypoint in waypoints {
            let mut feature = Feature::new(layer.defn())?;
            feature.set_field_string(name, &waypoint.name)?;
            feature.set_field_string(kind, &waypoint.kind)?;
            feature.set_geometry(geometry(waypoint.at)?)?;
            feature.create(&layer)?;
        }
        dataset.close()
    })
}

fn geometry(point: Point) -> gdal::errors::Result<Geometry> {
    let mut geometry = Geometry::empty(OGRwkbGeometryType::wkbPoint)?;
    geometry.add_point_2d((point.x, point.y));
    Ok(geometry)
}

/// Carries points of a grid to longitude (x) and latitude (y) on WGS 84, degrees.
///
/// # Errors
/// A point that cannot be carried there.
pub fn to_wgs84(grid: &Grid, points: &[Point]) -> Result<Vec<Point>, RasterError> {
    let mut carried = points.to_vec();
    let geographic = Crs::parse("EPSG:4326")?;
    grid.crs.transform(&geographic, &mut carried)?;
    match carried.iter().position(|point| !point.x.is_finite()) {
        None => Ok(carried),
        Some(at) => Err(RasterError::Transform {
            point: points[at],
            from: grid.crs.name().to_owned(),
            to: geographic.name().to_owned(),
        }),
    }
}
