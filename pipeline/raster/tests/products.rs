//! Products read back: cloud-optimised GeoTIFF and GeoPackage.
#![allow(clippy::unwrap_used)]

mod common;

use std::path::Path;

use common::{Sequence, grid, grid_in};
use gdal::vector::LayerAccess;
use gdal::{Dataset, Metadata};
use lentic_raster::{
    Attribute, AttributeValues, ClassBand, CogData, CogSpec, FloatBand, Grid, PatchLayer, Point,
    RasterSource, Resample, Scratch, ScratchCell, Shape, ShapeKind, Window, burn, read_aligned_f32, tiles,
    vector_bounds, write_bytes, write_cog, write_float_bands, write_patches, write_shapes,
};

fn scratch<T: ScratchCell>(folder: &Path, name: &str, grid: &Grid, cells: &[T]) -> Scratch<T> {
    let scratch = Scratch::create(&folder.join(name), grid).unwrap();
    scratch.write(&Window::whole(grid), cells).unwrap();
    scratch
}

fn spec(threads: usize) -> CogSpec {
    CogSpec {
        title: "Suitability, \"now\" & <later>".into(),
        metadata: vec![("licence".into(), "CC BY 4.0".into())],
        threads,
    }
}

#[test]
fn floats_as_a_cloud_optimised_file() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let crs = "+proj=laea +lat_0=-31 +lon_0=-18 +datum=WGS84 +units=m";
    let grid = grid_in(crs, -300.0, 900.0, 30.0, 1100, 700);
    let mut random = Sequence(1);
    let mut cells: Vec<f32> = (0..grid.len()).map(|_| random.next() as f32).collect();
    cells[5] = f32::NAN;
    let one = scratch(folder, "one", &grid, &cells);
    let two = scratch(folder, "two", &grid, &vec![f32::NAN; grid.len()]);
    let band =
        |cells, description: &str| FloatBand { cells, description: description.into(), unit: "1".into() };
    let data = CogData::Floats(vec![band(&one, "slope"), band(&two, "p")]);
    let path = folder.join("a.tif");
    let statistics = write_cog(&path, &grid, &spec(1), &data).unwrap();
    assert!(statistics[1].is_none());
    let found = statistics[0].unwrap();
    // The plain two-pass formula over all cells.
    let valid: Vec<f64> = cells.iter().filter(|c| !c.is_nan()).map(|&c| f64::from(c)).collect();
    let mean = valid.iter().sum::<f64>() / valid.len() as f64;
    let variance = valid.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / valid.len() as f64;
    assert_eq!(found.count, valid.len() as u64);
    assert!((found.mean - mean).abs() < 1e-12 && (found.stddev - variance.sqrt()).abs() < 1e-12);

    let dataset = Dataset::open(&path).unwrap();
    assert_eq!(dataset.metadata_item("LAYOUT", "IMAGE_STRUCTURE").as_deref(), Some("COG"));
    assert_eq!(dataset.metadata_item("COMPRESSION", "IMAGE_STRUCTURE").as_deref(), Some("DEFLATE"));
    assert_eq!(
        dataset.metadata_item("TIFFTAG_IMAGEDESCRIPTION", "").as_deref(),
        Some("Suitability, \"now\" & <later>")
    );
    assert_eq!(dataset.metadata_item("licence", "").as_deref(), Some("CC BY 4.0"));
    assert_eq!(dataset.geo_transform().unwrap(), [-300.0, 30.0, 0.0, 900.0, 0.0, -30.0]);
    let band = dataset.rasterband(1).unwrap();
    assert_eq!(band.description().unwrap(), "slope");
    assert_eq!(band.unit(), "1");
    assert_eq!(band.block_size(), (512, 512));
    assert_eq!(band.overview_count().unwrap(), 2);
    assert!(band.no_data_value().unwrap().is_nan());
    let number = |key| band.metadata_item(key, "").unwrap().parse::<f64>().unwrap();
    assert_eq!(number("STATISTICS_MEAN"), found.mean);
    assert_eq!(number("STATISTICS_STDDEV"), found.stddev);
    assert_eq!(number("STATISTICS_MINIMUM"), found.min);
    assert_eq!(number("STATISTICS_MAXIMUM"), found.max);
    // GDAL's own statistics of the file, computed anew, agree.
    let own = band.compute_raster_min_max(false).unwrap();
    assert_eq!((own.min, own.max), (found.min, found.max));
    drop(dataset);

    // Cells and reference system come back through this crate as they were.
    let source = RasterSource::open(&path, 1).unwrap();
    assert!(source.crs().same_as(&grid.crs));
    let back = read_aligned_f32(&source, &grid, &Window::whole(&grid), Resample::Continuous).unwrap();
    assert!(back.iter().zip(&cells).all(|(a, b)| a.to_bits() == b.to_bits()));

    // The same bytes again, also with more threads, and nothing left beside the file.
    write_cog(&folder.join("b.tif"), &grid, &spec(2), &data).unwrap();
    assert!(std::fs::read(&path).unwrap() == std::fs::read(folder.join("b.tif")).unwrap());
    assert_eq!(names(folder), ["a.tif", "b.tif", "one", "two"]);
}

#[test]
fn classes_as_a_cloud_optimised_file() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let grid = grid(0.0, 0.0, 30.0, 40, 50);
    let cells: Vec<u8> =
        (0..grid.len()).map(|cell| if cell % 7 == 0 { 255 } else { (cell % 3) as u8 }).collect();
    let data = CogData::Classes(ClassBand {
        cells: &scratch(folder, "c", &grid, &cells),
        description: "change".into(),
        no_data: Some(255),
        colours: vec![(0, [255, 255, 255, 255]), (1, [0, 90, 40, 255]), (2, [200, 60, 0, 255])],
        names: vec![(1, "kept".into()), (2, "lost".into())],
    });
    let path = folder.join("a.tif");
    let found = write_cog(&path, &grid, &spec(1), &data).unwrap()[0].unwrap();
    let valid: Vec<u8> = cells.iter().copied().filter(|&cell| cell != 255).collect();
    assert_eq!(found.count, valid.len() as u64);
    assert_eq!((found.min, found.max), (0.0, 2.0));
    let dataset = Dataset::open(&path).unwrap();
    let band = dataset.rasterband(1).unwrap();
    assert_eq!(band.no_data_value(), Some(255.0));
    assert_eq!(band.metadata_item("class_2", "").as_deref(), Some("lost"));
    let names_read = RasterSource::open(&path, 1).unwrap().class_names().unwrap();
    assert_eq!(names_read, [(1, "kept".to_string()), (2, "lost".to_string())].into());
    let colours = band.color_table().unwrap();
    let colour = colours.entry_as_rgb(2).unwrap();
    assert_eq!((colour.r, colour.g, colour.b), (200, 60, 0));
    assert_eq!(band.read_band_as::<u8>().unwrap().data(), cells);
    assert_eq!(names(folder), ["a.tif", "c"]);
}

#[test]
fn a_product_that_cannot_be_written_leaves_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let cells = vec![1.0; 6];
    let grid = grid(0.0, 0.0, 30.0, 2, 3);
    let cells = scratch(folder.path(), "s", &grid, &cells);
    let band = FloatBand { cells: &cells, description: String::new(), unit: String::new() };
    let data = CogData::Floats(vec![band]);
    let path = folder.path().join("absent/a.tif");
    let text = write_cog(&path, &grid, &spec(1), &data).unwrap_err().to_string();
    assert!(text.contains("absent/a.tif"), "{text}");
    assert!(write_cog(&folder.path().join("a.tif"), &grid, &spec(1), &CogData::Floats(Vec::new())).is_err());
    assert_eq!(names(folder.path()), ["s"]);
}

#[test]
fn patches_joined_at_corners_and_with_holes() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let grid = grid(0.0, 0.0, 10.0, 6, 7);
    // 1: two parts that meet at a corner. 2: a ring with two holes that meet at a corner.
    // 3: a cell inside one of the holes.
    #[rustfmt::skip]
    let cells = [
        1, 1, 0, 0, 0, 0, 0,
        0, 0, 1, 0, 0, 0, 0,
        2, 2, 2, 2, 0, 0, 0,
        2, 3, 2, 2, 0, 0, 0,
        2, 2, 0, 2, 0, 0, 0,
        2, 2, 2, 2, 0, 0, 0,
    ];
    let labels = scratch::<u32>(folder, "labels", &grid, &cells);
    let layer = |name: &str| PatchLayer {
        name: name.into(),
        labels: &labels,
        attributes: vec![
            Attribute {
                name: "cells".into(),
                values: AttributeValues::Integer(vec![Some(3), Some(14), None]),
            },
            Attribute {
                name: "mean".into(),
                values: AttributeValues::Real(vec![Some(0.5), Some(f64::NAN), Some(1.5)]),
            },
            Attribute {
                name: "fate".into(),
                values: AttributeValues::Text(vec![Some("kept".into()), None, None]),
            },
        ],
    };
    let path = folder.join("patches.gpkg");
    write_patches(&path, &grid, &[layer("baseline"), layer("drier")]).unwrap();
    let dataset = Dataset::open(&path).unwrap();
    assert_eq!(dataset.layer_count(), 2);
    let mut layer_read = dataset.layer_by_name("drier").unwrap();
    assert_eq!(layer_read.feature_count(), 3);
    for (index, feature) in layer_read.features().enumerate() {
        let label = index as u32 + 1;
        assert_eq!(feature.field_as_integer64(0).unwrap(), Some(i64::from(label)));
        let shape = feature.geometry().unwrap();
        // By GEOS, the geometry library GDAL uses.
        assert!(shape.is_valid(), "{}", shape.wkt().unwrap());
        let count = cells.iter().filter(|&&cell| cell == label).count();
        assert_eq!(shape.area(), 100.0 * count as f64);
        assert_eq!(shape.geometry_count(), if label == 1 { 2 } else { 1 });
        let column = |name| feature.field_index(name).unwrap();
        assert_eq!(feature.field_as_integer64(column("cells")).unwrap(), [Some(3), Some(14), None][index]);
        assert_eq!(feature.field_as_double(column("mean")).unwrap(), [Some(0.5), None, Some(1.5)][index]);
        assert_eq!(feature.field_as_string(column("fate")).unwrap().is_some(), index == 0);
    }
    drop(dataset);
    let again = folder.join("again.gpkg");
    write_patches(&again, &grid, &[layer("baseline"), layer("drier")]).unwrap();
    assert!(std::fs::read(&path).unwrap() == std::fs::read(&again).unwrap());
    assert_eq!(names(folder), ["again.gpkg", "labels", "patches.gpkg"]);
    // Burnt back, the outlines give the cells they came from.
    let burnt = burn(&path, &grid, &Window::whole(&grid), false).unwrap();
    assert!(burnt.iter().zip(cells).all(|(&burnt, label)| burnt == (label > 0)));
}

#[test]
fn random_patches_are_valid_and_whole() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let mut random = Sequence(11);
    for round in 0..20 {
        let grid = grid(0.0, 0.0, 10.0, 25, 30);
        let cells: Vec<u32> = (0..grid.len()).map(|_| random.below(3) as u32).collect();
        let labels = scratch(folder, "labels", &grid, &cells);
        let path = folder.join(format!("{round}.gpkg"));
        let layer = PatchLayer { name: "patches".into(), labels: &labels, attributes: Vec::new() };
        write_patches(&path, &grid, &[layer]).unwrap();
        let dataset = Dataset::open(&path).unwrap();
        for feature in dataset.layer(0).unwrap().features() {
            let label = feature.field_as_integer64(0).unwrap().unwrap();
            let shape = feature.geometry().unwrap();
            assert!(shape.is_valid(), "round {round} label {label}");
            let count = cells.iter().filter(|&&cell| i64::from(cell) == label).count();
            assert_eq!(shape.area(), 100.0 * count as f64);
        }
    }
}

#[test]
fn a_patch_without_attributes_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let grid = grid(0.0, 0.0, 10.0, 1, 2);
    let labels = scratch::<u32>(folder.path(), "labels", &grid, &[1, 2]);
    let values = AttributeValues::Integer(vec![Some(1)]);
    let attributes = vec![Attribute { name: "cells".into(), values }];
    let layer = PatchLayer { name: "patches".into(), labels: &labels, attributes };
    let text = write_patches(&folder.path().join("a.gpkg"), &grid, &[layer]).unwrap_err().to_string();
    assert!(text.contains("'cells'") && text.contains("last patch is 2"), "{text}");
}

#[test]
fn shapes_burnt_by_centre_and_by_touch() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.gpkg");
    let grid = grid(0.0, 40.0, 10.0, 4, 4);
    let point = |x, y| Point { x, y };
    // Covers the centres at 15 and 25 both ways, and touches all cells around them.
    let area = Shape {
        name: "area".into(),
        points: vec![point(8.0, 8.0), point(32.0, 8.0), point(32.0, 32.0), point(8.0, 32.0)],
    };
    write_shapes(&path, &grid.crs, "areas", ShapeKind::Area, &[area]).unwrap();
    let count = |touched| {
        burn(&path, &grid, &Window::whole(&grid), touched).unwrap().iter().filter(|&&cell| cell).count()
    };
    assert_eq!((count(false), count(true)), (4, 16));
    let inner = Window { row: 1, col: 1, rows: 2, cols: 2 };
    assert_eq!(burn(&path, &grid, &inner, false).unwrap(), [true; 4]);
    let found = vector_bounds(&path, &grid.crs).unwrap();
    assert_eq!((found.left, found.bottom, found.right, found.top), (8.0, 8.0, 32.0, 32.0));
}

/// Lines burnt tile by tile are the lines burnt at once, and every cell a line crosses is marked.
#[test]
fn lines_by_tiles() {
    let folder = tempfile::tempdir().unwrap();
    let grid = grid(0.0, 640.0, 10.0, 64, 64);
    let mut random = Sequence(5);
    let lines: Vec<Shape> = (0..8)
        .map(|_| Shape {
            name: "line".into(),
            points: (0..4).map(|_| Point { x: 640.0 * random.next(), y: 640.0 * random.next() }).collect(),
        })
        .collect();
    let path = folder.path().join("lines.gpkg");
    write_shapes(&path, &grid.crs, "lines", ShapeKind::Line, &lines).unwrap();
    let all = Window::whole(&grid);
    let whole = burn(&path, &grid, &all, true).unwrap();
    for tile in tiles(&grid, 17) {
        let part = burn(&path, &grid, &tile, true).unwrap();
        assert_eq!(Some(part), all.crop(&tile, &whole), "{tile:?}");
    }
    for line in &lines {
        for pair in line.points.windows(2) {
            for step in 0..=1000 {
                let share = f64::from(step) / 1000.0;
                let at = Point {
                    x: pair[0].x + share * (pair[1].x - pair[0].x),
                    y: pair[0].y + share * (pair[1].y - pair[0].y),
                };
                let cell = grid.cell_at(at).unwrap();
                assert!(whole[cell.row * grid.cols + cell.col], "{at:?}");
            }
        }
    }
}

#[test]
fn shapes_in_another_reference_system() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.geojson");
    // GeoJSON is in degrees (RFC 7946). A box of 0.02 degree about the origin of the projection.
    let ring = "[[-18.01,-31.01],[-17.99,-31.01],[-17.99,-30.99],[-18.01,-30.99],[-18.01,-31.01]]";
    let text = format!(r#"{{"type":"Polygon","coordinates":[{ring}]}}"#);
    std::fs::write(&path, text).unwrap();
    let crs = "+proj=laea +lat_0=-31 +lon_0=-18 +datum=WGS84 +units=m";
    let grid = grid_in(crs, -2000.0, 2000.0, 100.0, 40, 40);
    // pyproj 3.7.2: Geod(ellps="WGS84").polygon_area_perimeter of the ring: 4235403 m2.
    let burnt = burn(&path, &grid, &Window::whole(&grid), false).unwrap();
    let area = burnt.iter().filter(|&&cell| cell).count() as f64 * 1e4;
    assert!((area / 4_235_403.0 - 1.0).abs() < 0.05, "{area}");
    let far = Window { row: 0, col: 0, rows: 5, cols: 5 };
    assert_eq!(burn(&path, &grid, &far, true).unwrap(), [false; 25]);
}

#[test]
fn vector_files_that_cannot_be_used() {
    let folder = tempfile::tempdir().unwrap();
    let grid = grid(0.0, 10.0, 10.0, 1, 1);
    let whole = Window::whole(&grid);
    let path = folder.path().join("a.gpkg");
    let text = burn(&path, &grid, &whole, true).unwrap_err().to_string();
    assert!(text.contains("a.gpkg") && text.contains("GeoPackage"), "{text}");
    write_bytes(&path.with_extension("tif"), &grid, &[1], None).unwrap();
    assert!(burn(&path.with_extension("tif"), &grid, &whole, true).is_err());
    std::fs::write(&path, "not a database").unwrap();
    assert!(vector_bounds(&path, &grid.crs).is_err());
    let empty = folder.path().join("empty.gpkg");
    write_shapes(&empty, &grid.crs, "areas", ShapeKind::Area, &[]).unwrap();
    assert!(vector_bounds(&empty, &grid.crs).unwrap_err().to_string().contains("no shape"));
    assert_eq!(burn(&empty, &grid, &whole, true).unwrap(), [false]);
}

#[test]
fn simple_files_come_back() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.tif");
    let grid = grid(0.0, 0.0, 30.0, 2, 2);
    let bands: [&[f32]; 2] = [&[1.0, f32::NAN, 3.0, 4.0], &[5.0; 4]];
    write_float_bands(&path, &grid, &bands, Some(f32::NAN)).unwrap();
    let read = |band| {
        let source = RasterSource::open(&path, band).unwrap();
        read_aligned_f32(&source, &grid, &Window::whole(&grid), Resample::Continuous).unwrap()
    };
    common::assert_near(&read(1), bands[0], 0.0);
    common::assert_near(&read(2), bands[1], 0.0);
    assert!(write_bytes(&path, &grid, &[1, 2, 3], None).is_err());
    assert_eq!(names(folder.path()), ["a.tif"]);
}

fn names(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> = std::fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect();
    names.sort();
    names
}
