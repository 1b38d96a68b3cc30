//! Blocks packed with DEFLATE are held against their checksum (Adler-32, RFC 1950): what was altered is refused, what is sound in any
//! form is read. Files are written by GDAL itself.
#![allow(clippy::unwrap_used)]

mod common;

use std::fs::{self, OpenOptions};
use std::io::{Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use common::Raster;
use gdal::raster::{Buffer, RasterCreationOptions};
use gdal::{Dataset, DatasetOptions, DriverManager, GdalOpenFlags, Metadata};
use lentic_raster::{RasterSource, Window, read_own_cells};
use libdeflater::{CompressionLvl, Compressor};

/// Columns and rows; the last strip of any height that does not divide 50 is short.
const COLS: usize = 40;
const ROWS: usize = 50;

fn cells() -> Vec<u8> {
    (0..COLS * ROWS).map(|at| (at * at % 251) as u8).collect()
}

/// A raster of these cells as GDAL writes it with options of its GeoTIFF driver.
fn written(folder: &Path, name: &str, options: &[&str]) -> PathBuf {
    let cells = cells();
    let plain = Raster::square(0.0, 1000.0, 10.0, COLS, &cells).dataset(&folder.join("plain.tif"));
    let mut creation = RasterCreationOptions::new();
    creation.add_string("COMPRESS=DEFLATE").unwrap();
    for option in options {
        creation.add_string(option).unwrap();
    }
    let driver = DriverManager::get_driver_by_name("GTiff").unwrap();
    let path = folder.join(name);
    drop(plain.create_copy(&driver, &path, &creation).unwrap());
    path
}

fn read(path: &Path) -> Result<Vec<f32>, String> {
    let source = RasterSource::open(path, 1).unwrap();
    read_own_cells(&source, &Window { row: 0, col: 0, rows: ROWS, cols: COLS })
        .map_err(|error| error.to_string())
}

/// Where a block of the band, or of its mask, lies in the file, and its bytes.
fn place(path: &Path, mask: bool, (col, row): (usize, usize)) -> (u64, usize) {
    let dataset = Dataset::open(path).unwrap();
    let band = dataset.rasterband(1).unwrap();
    let band = if mask { band.open_mask_band().unwrap() } else { band };
    let number = |key: &str| {
        band.metadata_item(&format!("{key}_{col}_{row}"), "TIFF").unwrap().parse::<u64>().unwrap()
    };
    (number("BLOCK_OFFSET"), number("BLOCK_SIZE") as usize)
}

fn packed(content: &[u8]) -> Vec<u8> {
    let mut compressor = Compressor::new(CompressionLvl::best());
    let mut bytes = vec![0; compressor.zlib_compress_bound(content.len())];
    let length = compressor.zlib_compress(content, &mut bytes).unwrap();
    bytes.truncate(length);
    bytes
}

fn overwrite(path: &Path, at: u64, bytes: &[u8]) {
    let mut file = OpenOptions::new().write(true).open(path).unwrap();
    file.seek(SeekFrom::Start(at)).unwrap();
    file.write_all(bytes).unwrap();
}

#[test]
fn sound_files_of_every_form_are_read() {
    let folder = tempfile::tempdir().unwrap();
    let expected: Vec<f32> = cells().into_iter().map(f32::from).collect();
    let forms: [&[&str]; 6] = [
        &["TILED=YES", "BLOCKXSIZE=16", "BLOCKYSIZE=16"],
        &["BLOCKYSIZE=7"],
        &["BLOCKYSIZE=1"],
        &["BLOCKYSIZE=50"],
        &["PREDICTOR=2", "BLOCKYSIZE=16", "ZLEVEL=9"],
        &["BIGTIFF=YES", "ENDIANNESS=BIG"],
    ];
    for (at, form) in forms.into_iter().enumerate() {
        let path = written(folder.path(), &format!("{at}.tif"), form);
        assert_eq!(read(&path).unwrap(), expected, "{form:?}");
    }
}

/// One strip of more lines than GDAL keeps as a block is given line by line; its first line alone has a place in the file.
#[test]
fn one_long_strip_is_read_and_its_damage_seen() {
    let folder = tempfile::tempdir().unwrap();
    let (cols, rows) = (3000, 4000);
    let cells: Vec<u8> = (0..cols * rows).map(|at| (at % 251) as u8).collect();
    let plain = Raster::square(0.0, 40_000.0, 10.0, cols, &cells).dataset(&folder.path().join("plain.tif"));
    let mut creation = RasterCreationOptions::new();
    creation.add_string("COMPRESS=DEFLATE").unwrap();
    creation.add_string("BLOCKYSIZE=4000").unwrap();
    let driver = DriverManager::get_driver_by_name("GTiff").unwrap();
    let path = folder.path().join("long.tif");
    drop(plain.create_copy(&driver, &path, &creation).unwrap());
    let window = Window { row: 0, col: 0, rows: 3, cols };
    let read = || read_own_cells(&RasterSource::open(&path, 1).unwrap(), &window);
    let expected: Vec<f32> = cells[..3 * cols].iter().copied().map(f32::from).collect();
    assert_eq!(read().unwrap(), expected);
    let (at, bytes) = place(&path, false, (0, 0));
    overwrite(&path, at + bytes as u64 - 1, b"!");
    let said = read().unwrap_err().to_string();
    assert!(said.contains("long.tif") && said.contains("checksum"), "{said}");
}

#[test]
fn blocks_never_written_are_no_damage() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("sparse.tif");
    let driver = DriverManager::get_driver_by_name("GTiff").unwrap();
    let mut creation = RasterCreationOptions::new();
    for option in ["COMPRESS=DEFLATE", "TILED=YES", "BLOCKXSIZE=16", "BLOCKYSIZE=16", "SPARSE_OK=TRUE"] {
        creation.add_string(option).unwrap();
    }
    let mut dataset =
        driver.create_with_band_type_with_options::<u8, _>(&path, COLS, ROWS, 1, &creation).unwrap();
    dataset.set_geo_transform(&[0.0, 10.0, 0.0, 1000.0, 0.0, -10.0]).unwrap();
    dataset.set_spatial_ref(&gdal::spatial_ref::SpatialRef::from_epsg(6933).unwrap()).unwrap();
    let mut block = Buffer::new((16, 16), vec![9u8; 256]);
    dataset.rasterband(1).unwrap().write((16, 0), (16, 16), &mut block).unwrap();
    drop(dataset);
    let read = read(&path).unwrap();
    assert_eq!(read.iter().filter(|cell| **cell == 9.0).count(), 256);
    assert_eq!(read.iter().filter(|cell| **cell == 0.0).count(), COLS * ROWS - 256);
}

/// Damage that libtiff 4.5 passes over: a block that unpacks to more than it has room for is never held against its checksum.
#[test]
fn a_block_that_unpacks_to_too_much_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let path =
        written(folder.path(), "much.tif", &["TILED=YES", "BLOCKXSIZE=16", "BLOCKYSIZE=16", "ZLEVEL=1"]);
    let (at, bytes) = place(&path, false, (1, 2));
    let much = packed(&[7; 16 * 16 + 64]);
    assert!(much.len() <= bytes);
    overwrite(&path, at, &much);
    // GDAL reads it without a word
    let options = DatasetOptions { open_flags: GdalOpenFlags::GDAL_OF_RASTER, ..DatasetOptions::default() };
    let dataset = Dataset::open_ex(&path, options).unwrap();
    let read_by_gdal = dataset.rasterband(1).unwrap().read_as::<u8>((16, 32), (16, 16), (16, 16), None);
    assert!(read_by_gdal.is_ok());
    let said = read(&path).unwrap_err();
    assert!(
        said.contains("much.tif") && said.contains("row 2 and column 1") && said.contains("checksum"),
        "{said}"
    );
    assert!(said.contains("copy or make it again"), "{said}");
}

/// Cells elsewhere in the file are read all the same.
#[test]
fn damage_outside_the_window_is_not_looked_for() {
    let folder = tempfile::tempdir().unwrap();
    let path = written(folder.path(), "part.tif", &["TILED=YES", "BLOCKXSIZE=16", "BLOCKYSIZE=16"]);
    let (at, bytes) = place(&path, false, (0, 0));
    overwrite(&path, at + bytes as u64 - 1, &[fs::read(&path).unwrap()[at as usize + bytes - 1] ^ 1]);
    let source = RasterSource::open(&path, 1).unwrap();
    let beside = Window { row: 16, col: 0, rows: 16, cols: 16 };
    assert_eq!(read_own_cells(&source, &beside).unwrap()[0], f32::from(cells()[16 * COLS]));
    let said = read(&path).unwrap_err();
    assert!(said.contains("row 0 and column 0"), "{said}");
}

#[test]
fn a_mask_in_the_file_is_held_against_its_checksum_too() {
    let folder = tempfile::tempdir().unwrap();
    let path = written(folder.path(), "masked.tif", &["TILED=YES", "BLOCKXSIZE=16", "BLOCKYSIZE=16"]);
    gdal::config::set_thread_local_config_option("GDAL_TIFF_INTERNAL_MASK", "YES").unwrap();
    let options = DatasetOptions {
        open_flags: GdalOpenFlags::GDAL_OF_RASTER | GdalOpenFlags::GDAL_OF_UPDATE,
        ..DatasetOptions::default()
    };
    let dataset = Dataset::open_ex(&path, options).unwrap();
    let mut band = dataset.rasterband(1).unwrap();
    band.create_mask_band(true).unwrap();
    let mask: Vec<u8> = (0..COLS * ROWS).map(|at| if at % 3 == 0 { 0 } else { 255 }).collect();
    let mut buffer = Buffer::new((COLS, ROWS), mask);
    band.open_mask_band().unwrap().write((0, 0), (COLS, ROWS), &mut buffer).unwrap();
    drop(dataset);
    gdal::config::clear_thread_local_config_option("GDAL_TIFF_INTERNAL_MASK").unwrap();
    let read_sound = read(&path).unwrap();
    assert!(read_sound.iter().enumerate().all(|(at, cell)| cell.is_nan() == (at % 3 == 0)));
    let (at, bytes) = place(&path, true, (0, 0));
    let sum = at as usize + bytes - 1;
    overwrite(&path, sum as u64, &[fs::read(&path).unwrap()[sum] ^ 1]);
    let said = read(&path).unwrap_err();
    assert!(said.contains("masked.tif"), "{said}");
}
