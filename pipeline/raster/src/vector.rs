//! Vector layers: burnt onto the grid, measured, written.

use std::path::Path;

use gdal::raster::{RasterizeOptions, rasterize};
use gdal::spatial_ref::{CoordTransform, SpatialRef};
use gdal::vector::{Feature, FieldDefn, Geometry, LayerAccess, LayerOptions, OGRwkbGeometryType};
use gdal::{Dataset, DatasetOptions, DriverManager, GdalOpenFlags};
use gdal_sys::OGRFieldType;

use crate::error::{RasterError, said};
use crate::ffi;
use crate::grid::{Bounds, Crs, Grid, Point};
use crate::handles;
use crate::part::Part;
use crate::window::Window;

const DRIVERS: [&str; 4] = ["GPKG", "ESRI Shapefile", "GeoJSON", "FlatGeobuf"];
const DRIVER_NAMES: &str = "GeoPackage, ESRI Shapefile, GeoJSON, FlatGeobuf";

/// The date written into GeoPackage files, so that the same content gives the same bytes.
const FIXED_DATE: &str = "2000-01-01T00:00:00Z";

/// Marks the cells of a window that the shapes of a vector file cover, row-major. With `all_touched`
/// every cell a shape touches counts, else those whose centre an area covers (lines: those the line
/// passes through the middle of). All layers of the file are taken; shapes in another reference system
/// are carried over point by point.
///
/// # Errors
/// A file that cannot be read or has no reference system, or a window that leaves the grid.
pub fn burn(path: &Path, grid: &Grid, window: &Window, all_touched: bool) -> Result<Vec<bool>, RasterError> {
    if !Window::whole(grid).contains(window) {
        return Err(RasterError::Size(format!("{window:?} leaves the grid")));
    }
    // A cell of margin, so that rounding at the window's edge cannot drop a shape.
    let wide = window.with_margin(1, grid);
    let shapes = shapes(path, &grid.crs, Some(grid.window_bounds(&wide)))?;
    if shapes.is_empty() || window.is_empty() {
        return Ok(vec![false; window.len()]);
    }
    let library = |error| RasterError::Library { doing: "burning shapes onto the grid", said: said(&error) };
    let burnt = rasterised(grid, window, &shapes, all_touched).map_err(library)?;
    Ok(burnt.into_iter().map(|cell| cell != 0).collect())
}

pub(crate) fn rasterised(
    grid: &Grid,
    window: &Window,
    shapes: &[Geometry],
    all_touched: bool,
) -> gdal::errors::Result<Vec<u8>> {
    let size = (window.cols, window.rows);
    let mut target =
        DriverManager::get_driver_by_name("MEM")?.create_with_band_type::<u8, _>("", size.0, size.1, 1)?;
    target.set_geo_transform(&grid.geo_transform(window))?;
    let values = vec![1.0; shapes.len()];
    let options = RasterizeOptions { all_touched, ..RasterizeOptions::default() };
    rasterize(&mut target, &[1], shapes, &values, Some(options))?;
    Ok(target.rasterband(1)?.read_as::<u8>((0, 0), size, size, None)?.into_shape_and_vec().1)
}

/// The rectangle around all shapes of a vector file, in the given reference system.
///
/// # Errors
/// A file that cannot be read, has no reference system, or holds no shape.
pub fn vector_bounds(path: &Path, crs: &Crs) -> Result<Bounds, RasterError> {
    let mut bounds: Option<Bounds> = None;
    for shape in shapes(path, crs, None)? {
        let found = shape.envelope();
        let all = bounds.get_or_insert(Bounds {
            left: found.MinX,
            bottom: found.MinY,
            right: found.MaxX,
            top: found.MaxY,
        });
        all.left = all.left.min(found.MinX);
        all.bottom = all.bottom.min(found.MinY);
        all.right = all.right.max(found.MaxX);
        all.top = all.top.max(found.MaxY);
    }
    bounds.ok_or_else(|| {
        RasterError::unfit(path, "the file holds no shape", "give a file with at least one area or line")
    })
}

/// Opens a vector file for reading by these drivers; a message calls it `what` and names the `formats`.
pub(crate) fn open_vector(
    path: &Path,
    what: &'static str,
    drivers: &[&str],
    formats: &'static str,
) -> Result<Dataset, RasterError> {
    crate::quiet();
    let options = DatasetOptions {
        open_flags: GdalOpenFlags::GDAL_OF_VECTOR | GdalOpenFlags::GDAL_OF_READONLY,
        allowed_drivers: Some(drivers),
        ..DatasetOptions::default()
    };
    handles::opened(path)?;
    Dataset::open_ex(path, options).map_err(|error| RasterError::Open {
        path: path.to_path_buf(),
        what,
        said: said(&error),
        formats,
    })
}

/// Opens a GeoPackage, as products are.
pub(crate) fn open_package(path: &Path, what: &'static str) -> Result<Dataset, RasterError> {
    open_vector(path, what, &["GPKG"], "GeoPackage")
}

/// The shapes of all layers in the given reference system; only those near `within` if it is given.
fn shapes(path: &Path, crs: &Crs, within: Option<Bounds>) -> Result<Vec<Geometry>, RasterError> {
    let dataset = open_vector(path, "vector layer", &DRIVERS, DRIVER_NAMES)?;
    let mut out = Vec::new();
    for mut layer in dataset.layers() {
        let Some(reference) = layer.spatial_ref() else {
            return Err(RasterError::unfit(
                path,
                format!("layer '{}' states no coordinate reference system", layer.name()),
                "set one, for example with: ogr2ogr -a_srs EPSG:CODE",
            ));
        };
        let own = Crs::from_reference(&reference).map_err(|found| {
            RasterError::unfit(
                path,
                format!(
                    "the coordinate reference system of layer '{}' cannot be used: {found}",
                    layer.name()
                ),
                "set one, for example with: ogr2ogr -a_srs EPSG:CODE",
            )
        })?;
        let carry = if own.same_as(crs) { None } else { Some(own.transform_to(crs)?) };
        if let Some(area) = within
            && let Some(near) = area_in(&own, crs, area, carry.is_some())?
        {
            layer.set_spatial_filter_rect(near.left, near.bottom, near.right, near.top);
        }
        ffi::forget_error();
        for feature in layer.features() {
            if let Some(shape) = feature.geometry().filter(|shape| !shape.is_empty()) {
                out.push(carried(path, shape, carry.as_ref())?);
            }
        }
        // A broken feature only ends the list; why is told apart.
        if let Some(said) = ffi::last_failure() {
            let what = format!("layer '{}'", layer.name());
            return Err(RasterError::Read { path: path.to_path_buf(), what, said });
        }
    }
    Ok(out)
}

fn carried(path: &Path, shape: &Geometry, carry: Option<&CoordTransform>) -> Result<Geometry, RasterError> {
    let Some(carry) = carry else { return Ok(shape.clone()) };
    shape.transform(carry).map_err(|error| {
        RasterError::unfit(
            path,
            format!("a shape cannot be carried to the grid's coordinate reference system: {}", said(&error)),
            "check that the file's coordinates are what its reference system says",
        )
    })
}

/// A rectangle in another system, widened; `None` if it cannot be carried there, so that all is read.
fn area_in(own: &Crs, crs: &Crs, area: Bounds, differs: bool) -> Result<Option<Bounds>, RasterError> {
    if !differs {
        return Ok(Some(area));
    }
    let corners = [area.left, area.bottom, area.right, area.top];
    let Ok([left, bottom, right, top]) = crs.transform_to(own)?.transform_bounds(&corners, 21) else {
        return Ok(None);
    };
    // Across the date line the left edge comes out right of the right one.
    if left > right {
        return Ok(None);
    }
    // Edges bend between the 21 points: a tenth of the size covers that amply.
    let (dx, dy) = (0.1 * (right - left), 0.1 * (top - bottom));
    Ok(Some(Bounds { left: left - dx, bottom: bottom - dy, right: right + dx, top: top + dy }))
}

/// What the points of a shape are.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ShapeKind {
    /// An area: the points are its outline.
    Area,
    /// A line through the points.
    Line,
}

/// A named area or line.
#[derive(Clone, Debug, PartialEq)]
pub struct Shape {
    /// Name, kept in the column `name`.
    pub name: String,
    /// Points in order; an area is closed if it is not.
    pub points: Vec<Point>,
}

/// Writes a GeoPackage with one layer of areas or lines.
///
/// # Errors
/// A shape with too few points, or writing fails.
pub fn write_shapes(
    path: &Path,
    crs: &Crs,
    layer: &str,
    kind: ShapeKind,
    shapes: &[Shape],
) -> Result<(), RasterError> {
    let least = if kind == ShapeKind::Area { 3 } else { 2 };
    if let Some(shape) = shapes.iter().find(|shape| shape.points.len() < least) {
        return Err(RasterError::Size(format!(
            "shape '{}' has {} points, at least {least} are needed",
            shape.name,
            shape.points.len()
        )));
    }
    geopackage(path, crs, |dataset, reference| {
        let ty = match kind {
            ShapeKind::Area => OGRwkbGeometryType::wkbPolygon,
            ShapeKind::Line => OGRwkbGeometryType::wkbLineString,
        };
        let target =
            dataset.create_layer(LayerOptions { name: layer, srs: Some(reference), ty, options: None })?;
        FieldDefn::new("name", OGRFieldType::OFTString)?.add_to_layer(&target)?;
        for shape in shapes {
            let mut feature = Feature::new(target.defn())?;
            feature.set_field_string(0, &shape.name)?;
            feature.set_geometry(geometry(kind, &shape.points)?)?;
            feature.create(&target)?;
        }
        Ok(())
    })
}

pub(crate) fn geometry(kind: ShapeKind, points: &[Point]) -> gdal::errors::Result<Geometry> {
    let line = |ty| {
        let mut line = Geometry::empty(ty)?;
        for point in points {
            line.add_point_2d((point.x, point.y));
        }
        Ok::<_, gdal::errors::GdalError>(line)
    };
    if kind == ShapeKind::Line {
        return line(OGRwkbGeometryType::wkbLineString);
    }
    let mut ring = line(OGRwkbGeometryType::wkbLinearRing)?;
    if let (Some(first), Some(last)) = (points.first(), points.last())
        && first != last
    {
        ring.add_point_2d((first.x, first.y));
    }
    let mut area = Geometry::empty(OGRwkbGeometryType::wkbPolygon)?;
    area.add_geometry(ring)?;
    Ok(area)
}

/// Creates a GeoPackage beside its final name, fills it in one transaction and puts it in its place,
/// with a fixed date inside.
pub(crate) fn geopackage(
    path: &Path,
    crs: &Crs,
    fill: impl FnOnce(&mut Dataset, &SpatialRef) -> gdal::errors::Result<()>,
) -> Result<(), RasterError> {
    vector_file(path, "GPKG", "part.gpkg", crs, |mut dataset, reference| {
        let mut transaction = dataset.start_transaction()?;
        fill(&mut transaction, reference)?;
        transaction.commit()?;
        dataset.close()
    })
}

/// Creates a vector file by GDAL's driver of this name beside its final name, lets `fill` fill and close it, and puts it in
/// its place.
pub(crate) fn vector_file(
    path: &Path,
    driver: &str,
    ending: &str,
    crs: &Crs,
    fill: impl FnOnce(Dataset, &SpatialRef) -> gdal::errors::Result<()>,
) -> Result<(), RasterError> {
    crate::quiet();
    let write = |error| RasterError::write(path, &error);
    let part = Part::with_ending(path, ending)?;
    let reference = crs.reference()?;
    gdal::config::set_thread_local_config_option("OGR_CURRENT_DATE", FIXED_DATE).map_err(write)?;
    ffi::forget_error();
    let made = DriverManager::get_driver_by_name(driver)
        .and_then(|driver| driver.create_vector_only(part.path()))
        .and_then(|dataset| fill(dataset, &reference));
    let failure = ffi::last_failure();
    gdal::config::clear_thread_local_config_option("OGR_CURRENT_DATE").map_err(write)?;
    made.map_err(write)?;
    if let Some(said) = failure {
        return Err(RasterError::Write { path: path.to_path_buf(), said });
    }
    part.finish()
}
