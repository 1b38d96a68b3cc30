//! The least a run could take: decodes every raster the run read, block by block, and encodes rasters of the kind, number and
//! size of those the run wrote, from the same cells; nothing else. Both through GDAL, on so many threads.
//!
//! `cargo run --release --bin floor -- STUDY RUN_FOLDER WORK_FOLDER THREADS` prints seconds as JSON. The cells to encode are laid
//! ready as raw files in the (new) work folder first, which does not count.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    reason = "a measuring program: what is not as it must be stops it"
)]

use std::path::{Path, PathBuf};
use std::time::Instant;

use gdal::raster::{GdalDataType, RasterCreationOptions};
use gdal::{Dataset, DriverManager};
use rayon::prelude::*;
use serde_json::{Value, json};

fn main() {
    let arguments: Vec<String> = std::env::args().collect();
    let [_, study, run, work, threads] = arguments.as_slice() else {
        panic!("use: floor STUDY RUN_FOLDER WORK_FOLDER THREADS");
    };
    let (run, work) = (Path::new(run), Path::new(work));
    let threads = threads.parse().expect("a number of threads");
    rayon::ThreadPoolBuilder::new().num_threads(threads).build_global().unwrap();
    DriverManager::register_all();
    gdal::config::set_config_option("GDAL_DISABLE_READDIR_ON_OPEN", "TRUE").unwrap();
    std::fs::create_dir(work).expect("a new work folder");

    let inputs = inputs(Path::new(study), run);
    let outputs = outputs(run);
    let raws: Vec<PathBuf> = outputs.iter().map(|path| lay_ready(path, work)).collect();

    let (begun, idle) = (Instant::now(), processor_seconds());
    let read: usize = inputs.par_iter().map(|(path, band)| decode(path, *band)).sum();
    let decoded = begun.elapsed().as_secs_f64();
    let begun = Instant::now();
    raws.par_iter().for_each(|raw| encode(raw));
    let encoded = begun.elapsed().as_secs_f64();
    let told = json!({
        "seconds": decoded + encoded,
        "decode_s": decoded,
        "encode_s": encoded,
        "processor_s": processor_seconds() - idle,
        "bands_read": inputs.len(),
        "cells_read": read,
        "rasters_written": raws.len(),
    });
    println!("{told}");
}

/// What this process has used of the processors, all threads together, to a hundredth of a second (Linux; proc(5), fields 14 and 15 of
/// `stat`, in ticks of which a second has a hundred).
fn processor_seconds() -> f64 {
    let text = std::fs::read_to_string("/proc/self/stat").unwrap();
    let (_, after_name) = text.rsplit_once(')').unwrap();
    let ticks = |at: usize| after_name.split_whitespace().nth(at).unwrap().parse::<f64>().unwrap();
    (ticks(11) + ticks(12)) / 100.0
}

/// Every band of every raster that a run read, whose names start from the study's folder.
fn inputs(study: &Path, run: &Path) -> Vec<(PathBuf, usize)> {
    let record: Value = serde_json::from_slice(&std::fs::read(run.join("run.json")).unwrap()).unwrap();
    let folder = study.parent().unwrap();
    let mut found = Vec::new();
    for input in record["inputs"].as_array().unwrap() {
        let path = folder.join(input["file"].as_str().unwrap());
        if path.extension().is_some_and(|ending| ending == "tif") {
            let bands = Dataset::open(&path).unwrap().raster_count();
            found.extend((1..=bands).map(|band| (path.clone(), band)));
        }
    }
    assert!(!found.is_empty(), "a run without rasters to read");
    found
}

/// The rasters a run wrote.
fn outputs(run: &Path) -> Vec<PathBuf> {
    let folders = [run.join("rasters"), run.join("cells")];
    let entries = folders.iter().flat_map(|folder| std::fs::read_dir(folder).unwrap());
    let mut found: Vec<PathBuf> = entries.map(|entry| entry.unwrap().path()).collect();
    found.retain(|path| path.extension().is_some_and(|ending| ending == "tif"));
    found.sort();
    assert!(!found.is_empty(), "a run without rasters");
    found
}

/// The cells of a raster as a raw file.
fn lay_ready(path: &Path, work: &Path) -> PathBuf {
    let raw = work.join(path.file_stem().unwrap()).with_extension("raw");
    let driver = DriverManager::get_driver_by_name("ENVI").unwrap();
    let source = Dataset::open(path).unwrap();
    drop(source.create_copy(&driver, &raw, &RasterCreationOptions::new()).unwrap());
    raw
}

/// Reads a band block by block; gives the number of its cells.
fn decode(path: &Path, band: usize) -> usize {
    let dataset = Dataset::open(path).unwrap();
    let band = dataset.rasterband(band).unwrap();
    let (cols, rows) = dataset.raster_size();
    let (wide, high) = band.block_size();
    let mut cells = 0;
    for row in (0..rows).step_by(high) {
        for col in (0..cols).step_by(wide) {
            let size = (wide.min(cols - col), high.min(rows - row));
            let at = (col as isize, row as isize);
            cells += match band.band_type() {
                GdalDataType::UInt8 => band.read_as::<u8>(at, size, size, None).unwrap().len(),
                _ => band.read_as::<f32>(at, size, size, None).unwrap().len(),
            };
        }
    }
    cells
}

/// Copies a raw file to a cloud-optimised GeoTIFF as a run writes it.
fn encode(raw: &Path) {
    let source = Dataset::open(raw).unwrap();
    let classes = source.rasterband(1).unwrap().band_type() == GdalDataType::UInt8;
    let (predictor, resampling) = if classes { ("NO", "MODE") } else { ("FLOATING_POINT", "AVERAGE") };
    let mut options = RasterCreationOptions::new();
    for (name, value) in [
        ("COMPRESS", "DEFLATE"),
        ("PREDICTOR", predictor),
        ("BLOCKSIZE", "512"),
        ("OVERVIEW_RESAMPLING", resampling),
        ("BIGTIFF", "IF_SAFER"),
        ("NUM_THREADS", "1"),
    ] {
        options.set_name_value(name, value).unwrap();
    }
    let driver = DriverManager::get_driver_by_name("COG").unwrap();
    gdal::config::set_thread_local_config_option("COG_TMP_COMPRESSION", "NONE").unwrap();
    let target = raw.with_extension("tif");
    drop(source.create_copy(&driver, &target, &options).unwrap());
}
