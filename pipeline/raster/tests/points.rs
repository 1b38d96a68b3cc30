//! Points and waypoints read back, and what a raster says of its own grid and classes.
#![allow(clippy::unwrap_used)]

mod common;

use common::{Raster, grid, grid_in};
use gdal::Dataset;
use gdal::vector::LayerAccess;
use lentic_raster::{
    Attribute, AttributeValues, Bounds, Crs, Grid, Point, RasterSource, Waypoint, to_wgs84, write_points,
    write_waypoints,
};

fn text(name: &str, values: &[Option<&str>]) -> Attribute {
    let values = values.iter().map(|value| value.map(String::from)).collect();
    Attribute { name: name.into(), values: AttributeValues::Text(values) }
}

#[test]
fn points_come_back_with_their_columns() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("points.gpkg");
    let crs = Crs::parse("EPSG:6933").unwrap();
    let points = [Point { x: 15.0, y: -45.5 }, Point { x: 1e6, y: 0.1 + 0.2 }];
    let columns = [text("id", &[Some("P1"), Some("<R> & \"2\"")]), text("found", &[None, None])];
    write_points(&path, &crs, "places", &points, &columns).unwrap();
    let dataset = Dataset::open(&path).unwrap();
    let mut layer = dataset.layer_by_name("places").unwrap();
    let read: Vec<_> = layer
        .features()
        .map(|feature| {
            let (x, y, _) = feature.geometry().unwrap().get_point(0);
            let text = |field: &str| feature.field_as_string(feature.field_index(field).unwrap()).unwrap();
            (x, y, text("id").unwrap(), text("found"))
        })
        .collect();
    assert_eq!(read[0], (15.0, -45.5, "P1".into(), None));
    assert_eq!(read[1], (1e6, 0.1 + 0.2, "<R> & \"2\"".into(), None));
    let short = write_points(&path, &crs, "places", &points, &[text("id", &[None])]).unwrap_err();
    assert!(short.to_string().contains("column 'id' has 1 values for 2 points"), "{short}");
}

#[test]
fn waypoints_come_back() {
    let folder = tempfile::tempdir().unwrap();
    let (one, two) = (folder.path().join("one.gpx"), folder.path().join("two.gpx"));
    let waypoint =
        |x, y, name: &str| Waypoint { at: Point { x, y }, name: name.into(), kind: "point".into() };
    let waypoints = [waypoint(-17.999_214_7, -30.997_7, "P0001"), waypoint(179.5, 89.0, "<é & \"x\">")];
    write_waypoints(&one, &waypoints).unwrap();
    write_waypoints(&two, &waypoints).unwrap();
    assert_eq!(std::fs::read(&one).unwrap(), std::fs::read(&two).unwrap());
    let dataset = Dataset::open(&one).unwrap();
    let mut layer = dataset.layer_by_name("waypoints").unwrap();
    let read: Vec<_> = layer
        .features()
        .map(|feature| {
            let (x, y, _) = feature.geometry().unwrap().get_point(0);
            let text =
                |field: &str| feature.field_as_string(feature.field_index(field).unwrap()).unwrap().unwrap();
            Waypoint { at: Point { x, y }, name: text("name"), kind: text("type") }
        })
        .collect();
    assert_eq!(read, waypoints);
    let none = write_waypoints(&folder.path().join("nowhere/one.gpx"), &waypoints).unwrap_err();
    assert!(none.to_string().contains("one.gpx: writing failed"), "{none}");
}

#[test]
fn places_on_wgs_84() {
    // The origin of a Lambert azimuthal grid is where its parameters say.
    let grid = grid_in("+proj=laea +lat_0=-31 +lon_0=-18 +datum=WGS84 +units=m", 0.0, 30.0, 30.0, 1, 1);
    let found = to_wgs84(&grid, &[Point { x: 0.0, y: 0.0 }]).unwrap()[0];
    assert!((found.x + 18.0).abs() < 1e-9 && (found.y + 31.0).abs() < 1e-9, "{found:?}");
    let error = to_wgs84(&grid, &[Point { x: 0.0, y: 0.0 }, Point { x: 9e7, y: 9e7 }]).unwrap_err();
    assert!(error.to_string().contains("x = 90000000"), "{error}");
}

#[test]
fn the_grid_of_a_raster() {
    let folder = tempfile::tempdir().unwrap();
    let path = Raster::square(90.0, 60.0, 30.0, 3, &[0u8; 6]).write(folder.path(), "square.tif");
    let source = RasterSource::open(&path, 1).unwrap();
    let bounds = Bounds { left: 90.0, bottom: 0.0, right: 180.0, top: 60.0 };
    let expected = Grid::from_bounds(grid(0.0, 0.0, 1.0, 1, 1).crs, bounds, 30.0).unwrap();
    let found = source.grid().unwrap();
    assert_eq!((found.rows, found.cols, found.cell_m), (2, 3, 30.0));
    assert!(found.compatible(&expected) && found.bounds() == bounds);
    assert!(source.class_names().unwrap().is_empty());
    let oblong = Raster { height_m: 20.0, ..Raster::square(0.0, 60.0, 30.0, 3, &[0u8; 6]) };
    let path = oblong.write(folder.path(), "oblong.tif");
    let error = RasterSource::open(&path, 1).unwrap().grid().unwrap_err().to_string();
    assert!(error.contains("30 wide and 20 high, expected squares"), "{error}");
    let degrees = Raster { crs: "EPSG:4326", ..Raster::square(0.0, 1.0, 0.1, 3, &[0u8; 6]) };
    let path = degrees.write(folder.path(), "degrees.tif");
    let error = RasterSource::open(&path, 1).unwrap().grid().unwrap_err().to_string();
    assert!(error.contains("counts in degrees"), "{error}");
}
