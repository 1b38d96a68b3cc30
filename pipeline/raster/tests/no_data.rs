//! Every kind of "no data", and files that cannot be used.
#![allow(clippy::unwrap_used)]

mod common;

use std::path::Path;

use common::{Raster, assert_near, grid};
use lentic_raster::{
    NO_CLASS, RasterSource, Resample, Window, inspect, read_aligned_bytes, read_aligned_class,
    read_aligned_f32,
};

const NAN: f32 = f32::NAN;

fn floats(path: &Path, extra: &[f64]) -> Vec<f32> {
    let grid = grid(0.0, 30.0, 30.0, 1, 4);
    let source = RasterSource::open(path, 1).unwrap().with_no_data(extra);
    read_aligned_f32(&source, &grid, &Window::whole(&grid), Resample::Continuous).unwrap()
}

fn line<T: gdal::raster::GdalType + Copy>(cells: &[T]) -> Raster<'_, T> {
    Raster::square(0.0, 30.0, 30.0, 4, cells)
}

#[test]
fn declared_fillers_of_floats() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let path = line(&[1.0f32, f32::NAN, -9999.0, 0.0]).no_data(-9999.0).write(folder, "a.tif");
    assert_near(&floats(&path, &[]), &[1.0, NAN, NAN, 0.0], 0.0);
    let path = line(&[1.0f32, f32::NAN, 2.0, 0.0]).no_data(f64::NAN).write(folder, "b.tif");
    assert_near(&floats(&path, &[]), &[1.0, NAN, 2.0, 0.0], 0.0);
    // The lowest float, as declared in two ways and not at all.
    for (index, declared) in [Some(f64::from(f32::MIN)), Some(-3.4e38), None].into_iter().enumerate() {
        let cells = [1.0f32, f32::MIN, -3.4e38, 0.0];
        let mut raster = line(&cells);
        raster.no_data = declared;
        let path = raster.write(folder, &format!("c{index}.tif"));
        assert_near(&floats(&path, &[]), &[1.0, NAN, NAN, 0.0], 0.0);
    }
    // Declared with the digits of a 64-bit float, held in 32 bits.
    let path = line(&[1.0f32, -9999.9, 2.0, 0.0]).no_data(-9999.9).write(folder, "d.tif");
    assert_near(&floats(&path, &[]), &[1.0, NAN, 2.0, 0.0], 0.0);
    // And the other way round.
    let cells = [1.0f64, f64::from(-9999.9f32), -9999.9, 0.0];
    let path = line(&cells).no_data(-9999.9).write(folder, "e.tif");
    assert_near(&floats(&path, &[]), &[1.0, NAN, NAN, 0.0], 0.0);
}

#[test]
fn extra_values_and_whole_numbers() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let path = line(&[1u8, 254, 255, 0]).no_data(255.0).write(folder, "a.tif");
    assert_near(&floats(&path, &[254.0]), &[1.0, NAN, NAN, 0.0], 0.0);
    let path = line(&[i32::MAX, -32768, i32::MAX - 1, 0]).no_data(2_147_483_647.0).write(folder, "b.tif");
    let found = floats(&path, &[-32768.0]);
    // The neighbour of the filler is another number, though not in 32 bits.
    assert_near(&found, &[NAN, NAN, 2_147_483_648.0, 0.0], 0.0);
}

#[test]
fn no_data_is_told_before_scaling() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.tif");
    let raster = line(&[10i16, 20, -1, 0]).no_data(-1.0);
    let dataset = raster.dataset(&path);
    let mut band = dataset.rasterband(1).unwrap();
    band.set_scale(0.5).unwrap();
    band.set_offset(-6.0).unwrap();
    drop(dataset);
    // 10 * 0.5 - 6 = -1 is a value, not the filler.
    assert_near(&floats(&path, &[]), &[-1.0, 4.0, NAN, -6.0], 0.0);
    let grid = grid(0.0, 30.0, 30.0, 1, 4);
    let source = RasterSource::open(&path, 1).unwrap().with_scale(10.0);
    let window = Window::whole(&grid);
    let found = read_aligned_f32(&source, &grid, &window, Resample::Continuous).unwrap();
    assert_near(&found, &[-10.0, 40.0, NAN, -60.0], 0.0);
    // Codes are never scaled.
    assert_eq!(read_aligned_class(&source, &grid, &window).unwrap(), [10, 20, NO_CLASS, 0]);
}

#[test]
fn a_mask_band_hides_cells() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.tif");
    // in the file: one beside it is refused
    gdal::config::set_thread_local_config_option("GDAL_TIFF_INTERNAL_MASK", "YES").unwrap();
    let dataset = line(&[1u8, 2, 3, 0]).dataset(&path);
    let mut band = dataset.rasterband(1).unwrap();
    band.create_mask_band(true).unwrap();
    let mut mask = gdal::raster::Buffer::new((4, 1), vec![255u8, 0, 255, 255]);
    band.open_mask_band().unwrap().write((0, 0), (4, 1), &mut mask).unwrap();
    drop(dataset);
    assert!(inspect(&path, 1).unwrap().has_mask);
    assert_near(&floats(&path, &[]), &[1.0, NAN, 3.0, 0.0], 0.0);
    let grid = grid(0.0, 30.0, 30.0, 1, 4);
    let source = RasterSource::open(&path, 1).unwrap();
    let window = Window::whole(&grid);
    assert_eq!(read_aligned_bytes(&source, &grid, &window, 255).unwrap(), [1, 255, 3, 0]);
    assert_eq!(read_aligned_class(&source, &grid, &window).unwrap(), [1, NO_CLASS, 3, 0]);
}

#[test]
fn masks_of_bytes_and_of_other_numbers() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let grid = grid(0.0, 30.0, 30.0, 1, 4);
    let window = Window::whole(&grid);
    let bytes = |path: &Path| read_aligned_bytes(&RasterSource::open(path, 1).unwrap(), &grid, &window, 255);
    let path = line(&[0u8, 1, 9, 1]).no_data(9.0).write(folder, "a.tif");
    assert_eq!(bytes(&path).unwrap(), [0, 1, 255, 1]);
    let path = line(&[0i16, 1, -9, 1]).no_data(-9.0).write(folder, "b.tif");
    assert_eq!(bytes(&path).unwrap(), [0, 1, 255, 1]);
    let path = line(&[0.0f32, 1.0, f32::NAN, 1.0]).write(folder, "c.tif");
    assert_eq!(bytes(&path).unwrap(), [0, 1, 255, 1]);
    let path = line(&[0.0f32, 0.5, 1.0, 1.0]).write(folder, "d.tif");
    let text = bytes(&path).unwrap_err().to_string();
    assert!(text.contains("d.tif") && text.contains("0.5"), "{text}");
    let path = line(&[0i16, 300, 1, 1]).write(folder, "e.tif");
    assert!(bytes(&path).unwrap_err().to_string().contains("300"));
}

#[test]
fn files_that_cannot_be_used_are_named() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let mut raster = line(&[1u8, 2, 3, 4]);
    raster.crs = "";
    let path = raster.write(folder, "nowhere.tif");
    let text = RasterSource::open(&path, 1).unwrap_err().to_string();
    assert!(text.contains("nowhere.tif") && text.contains("no coordinate reference system"), "{text}");
    let text = inspect(&path, 2).unwrap_err().to_string();
    assert!(text.contains("band 2") && text.contains("1 band"), "{text}");
    assert!(inspect(&path, 0).is_err());
    assert!(inspect(&folder.join("absent.tif"), 1).unwrap_err().to_string().contains("absent.tif"));
    std::fs::write(folder.join("text.tif"), "not a raster").unwrap();
    let text = inspect(&folder.join("text.tif"), 1).unwrap_err().to_string();
    assert!(text.contains("text.tif") && text.contains("GeoTIFF"), "{text}");
    // Rotated, mirrored, without place.
    for (name, numbers, word) in [
        ("turned.tif", [0.0, 30.0, 1.0, 0.0, 1.0, -30.0], "rotated"),
        ("mirrored.tif", [0.0, 30.0, 0.0, 0.0, 0.0, 30.0], "mirrored"),
    ] {
        let path = folder.join(name);
        let mut dataset = line(&[1u8, 2, 3, 4]).dataset(&path);
        dataset.set_geo_transform(&numbers).unwrap();
        drop(dataset);
        let text = inspect(&path, 1).unwrap_err().to_string();
        assert!(text.contains(name) && text.contains(word), "{text}");
    }
}

#[test]
fn a_file_cut_short_is_an_error() {
    let folder = tempfile::tempdir().unwrap();
    let cells: Vec<f32> = (0..40_000).map(|cell| cell as f32).collect();
    let path = Raster::square(0.0, 0.0, 30.0, 200, &cells).write(folder.path(), "cut.tif");
    let grid = grid(0.0, 0.0, 30.0, 200, 200);
    let window = Window::whole(&grid);
    let source = RasterSource::open(&path, 1).unwrap();
    let read = || read_aligned_f32(&source, &grid, &window, Resample::Continuous);
    assert_eq!(read().unwrap()[39_999], 39_999.0);
    let bytes = std::fs::read(&path).unwrap();
    std::fs::write(&path, &bytes[..bytes.len() / 2]).unwrap();
    let text = read().unwrap_err().to_string();
    assert!(text.contains("cut.tif") && text.contains("cut short"), "{text}");
}

#[test]
fn a_file_written_anew_is_read_anew() {
    let folder = tempfile::tempdir().unwrap();
    let path = line(&[1.0f32, 2.0, 3.0, 4.0]).write(folder.path(), "a.tif");
    assert_near(&floats(&path, &[]), &[1.0, 2.0, 3.0, 4.0], 0.0);
    std::fs::remove_file(&path).unwrap();
    line(&[5.0f32, 6.0, 7.0, 8.0]).write(folder.path(), "a.tif");
    assert_near(&floats(&path, &[]), &[5.0, 6.0, 7.0, 8.0], 0.0);
}

#[test]
fn side_files_are_found() {
    // An ASCII grid keeps its reference system in a side file; a GeoTIFF is read alone, and refused where a side file would change it.
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.asc");
    std::fs::write(
        &path,
        "ncols 4\nnrows 1\nxllcorner 0\nyllcorner 0\ncellsize 30\nNODATA_value -9\n1 -9 3 0\n",
    )
    .unwrap();
    let utm = gdal::spatial_ref::SpatialRef::from_epsg(32618).unwrap();
    utm.morph_to_esri().unwrap();
    let wkt = utm.to_wkt().unwrap();
    assert!(inspect(&path, 1).unwrap().crs.is_none());
    std::fs::write(path.with_extension("prj"), wkt).unwrap();
    // Written anew, so that the file is opened anew.
    std::fs::write(
        &path,
        "ncols 4\nnrows 1\nxllcorner 0\nyllcorner 0\ncellsize 30\nNODATA_value -9\n1 -9 3 10\n",
    )
    .unwrap();
    let source = RasterSource::open(&path, 1).unwrap();
    let grid = common::grid_in("EPSG:32618", 0.0, 30.0, 30.0, 1, 4);
    let codes = read_aligned_class(&source, &grid, &Window::whole(&grid)).unwrap();
    assert_eq!(codes, [1, NO_CLASS, 3, 10]);
    let path = line(&[1.0f32, 2.0, 3.0, 0.0]).write(folder.path(), "b.tif");
    let side =
        "<PAMDataset><PAMRasterBand band=\"1\"><NoDataValue>2</NoDataValue></PAMRasterBand></PAMDataset>";
    std::fs::write(folder.path().join("b.tif.aux.xml"), side).unwrap();
    let refused = RasterSource::open(&path, 1).unwrap_err().to_string();
    assert!(refused.contains("b.tif.aux.xml") && refused.contains("no data"), "{refused}");
    // what changes no cell is left alone
    let side = side.replace("NoDataValue", "Description");
    std::fs::write(folder.path().join("b.tif.aux.xml"), side).unwrap();
    assert_near(&floats(&path, &[]), &[1.0, 2.0, 3.0, 0.0], 0.0);
}
