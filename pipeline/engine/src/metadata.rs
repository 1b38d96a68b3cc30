//! What other programs read of a finished folder of products: written from the folder, the record and the tables alone, so that any
//! edition of a run can be described.
//!
//! The checksum of a run covers its products, and is quoted by its page, its citation file and its crate. So there is an order, which
//! [`complete`] keeps: what describes the products, the list of files, the checksum, then what quotes it.

use crate::describe;
use crate::error::EngineError;
use crate::inputs;
use crate::run_record::now;
use lentic_raster::{CellType, Crs, Point, ProductRaster, describe_layers, describe_raster};
use lentic_report::{
    ClassStyle, CrateParts, Described, DescribedBand, DescribedField, DescribedLayer, DescribedRaster, Place,
    Rgb, RunRecord, Table, checksum, dictionary, write_citation_file, write_crate, write_package,
    write_stac_item, write_style, write_table,
};
use rayon::prelude::*;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// For whom a folder is described.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Audience {
    /// The owner of the run: everything.
    Owner,
    /// Anybody: no names and checksums of inputs, and no bounds but what the rasters themselves state.
    Public,
}

/// Points along each side of the grid that its outline takes.
const ALONG: usize = 8;

/// Completes a folder whose tables, rasters, vectors and figures are written: data dictionary, data package, catalogue item and styles;
/// the checksum over all of it; then the page (which `write_page` writes, given the record with its checksum and how the run is cited), the
/// citation file and the crate. Gives the record with checksum and products, still to be sealed by `write_record`; whoever adds files after
/// this adds them to its products by `inputs::products_beside`.
///
/// # Errors
/// A product cannot be read, or a file not be written.
pub fn complete(
    folder: &Path,
    record: &RunRecord,
    tables: Vec<&Table>,
    audience: Audience,
    write_page: impl FnOnce(&RunRecord, &str) -> Result<(), EngineError>,
) -> Result<RunRecord, EngineError> {
    let described = describe_products(folder, record, tables, audience)?;
    let mut sealed = sealed(record, folder, &described)?;
    let cite = describe::citation(&sealed);
    // the page does not list files: it is one of them
    write_page(&RunRecord { products: Vec::new(), ..sealed.clone() }, &cite)?;
    // a public edition tells when its run began, and is the same whenever it is made
    let ended = if audience == Audience::Owner { now() } else { String::new() };
    write_citing(folder, &sealed, &described, (&cite, &ended), audience)?;
    sealed.products = inputs::products_beside(folder, &sealed.products)?;
    Ok(sealed)
}

/// Describes the products of a folder and writes the data dictionary, the data package, the catalogue item and the styles of the rasters
/// into it.
///
/// # Errors
/// A product cannot be read, or a file not be written.
fn describe_products<'a>(
    folder: &Path,
    record: &RunRecord,
    tables: Vec<&'a Table>,
    audience: Audience,
) -> Result<Described<'a>, EngineError> {
    let rasters = rasters(folder)?;
    let layers = layers(folder, &tables)?;
    let place = if audience == Audience::Owner { place(record) } else { None };
    let mut described = Described { tables, rasters, layers, place };
    let own = dictionary(&described.tables, &described.rasters, &described.layers);
    write_table(&folder.join("tables"), &own)?;
    // the dictionary is a table of the package like any other
    let tables: Vec<&Table> = described.tables.iter().copied().chain([&own]).collect();
    let package = Described { tables, ..Described::default() };
    write_package(&folder.join("datapackage.json"), record, &package)?;
    if !described.rasters.is_empty() {
        write_stac_item(&folder.join("rasters/stac-item.json"), record, &described)?;
    }
    for raster in &described.rasters {
        write_style(&folder.join(&raster.file).with_extension("qml"), raster)?;
    }
    described.rasters.sort_by(|a, b| a.file.cmp(&b.file));
    Ok(described)
}

/// The record with the files that are in the folder, their titles, and the checksum over them.
///
/// # Errors
/// A file that cannot be read.
fn sealed(record: &RunRecord, folder: &Path, described: &Described<'_>) -> Result<RunRecord, EngineError> {
    let mut sealed = RunRecord { products: inputs::products(folder)?, ..record.clone() };
    for product in &mut sealed.products {
        if let Some(title) = described.title(&product.file) {
            product.title = title.to_string();
        }
    }
    sealed.checksum = checksum(&sealed);
    Ok(sealed)
}

/// Writes what quotes the checksum besides the page: the citation file and the crate.
///
/// # Errors
/// A file cannot be written.
fn write_citing(
    folder: &Path,
    sealed: &RunRecord,
    described: &Described<'_>,
    (cite, ended): (&str, &str),
    audience: Audience,
) -> Result<(), EngineError> {
    write_citation_file(&folder.join("CITATION.cff"), sealed)?;
    let inputs = audience == Audience::Owner;
    let parts = CrateParts { described, cite, ended, inputs, record_file: "run.json" };
    write_crate(&folder.join("ro-crate-metadata.json"), sealed, &parts)?;
    Ok(())
}

/// Files of a folder with an ending, by name; none where the folder is not there.
fn files(folder: &Path, ending: &str) -> Vec<PathBuf> {
    let entries = std::fs::read_dir(folder).into_iter().flatten();
    let mut found: Vec<PathBuf> = entries
        .filter_map(|entry| Some(entry.ok()?.path()))
        .filter(|path| path.extension().is_some_and(|found| found == ending))
        .collect();
    found.sort();
    found
}

/// The name of a file inside a section of a run folder.
fn named(section: &str, path: &Path) -> String {
    format!("{section}/{}", path.file_name().map(|name| name.to_string_lossy()).unwrap_or_default())
}

/// Describes the rasters of a folder, by name.
///
/// # Errors
/// One that cannot be read.
pub fn rasters(folder: &Path) -> Result<Vec<DescribedRaster>, EngineError> {
    let one = |path: &PathBuf| {
        let ProductRaster { title, bands } = describe_raster(path)?;
        let band = |band: lentic_raster::ProductBand| DescribedBand {
            data_type: data_type(band.cell_type),
            description: band.description,
            unit: band.unit,
            no_data: band.no_data,
            statistics: band.statistics,
            classes: band
                .classes
                .into_iter()
                .map(|(code, name, colour)| ClassStyle { code, name, colour: Rgb(colour) })
                .collect(),
        };
        Ok(DescribedRaster {
            file: named("rasters", path),
            title,
            bands: bands.into_iter().map(band).collect(),
        })
    };
    files(&folder.join("rasters"), "tif").par_iter().map(one).collect()
}

/// The type's name in catalogues.
fn data_type(cell_type: CellType) -> &'static str {
    match cell_type {
        CellType::Byte => "uint8",
        CellType::UInt16 => "uint16",
        CellType::Int16 => "int16",
        CellType::UInt32 => "uint32",
        CellType::Int32 => "int32",
        CellType::UInt64 => "uint64",
        CellType::Int64 => "int64",
        CellType::Float32 => "float32",
        CellType::Float64 => "float64",
    }
}

/// Layers of the vector files, their fields described by the columns of the same name.
fn layers(folder: &Path, tables: &[&Table]) -> Result<Vec<DescribedLayer>, EngineError> {
    // of patches first: a field of a patch is what the table of patches says
    let mut columns: BTreeMap<&str, (&str, &str)> = BTreeMap::new();
    let first = tables.iter().filter(|table| table.name == "patches");
    for table in first.chain(tables.iter().filter(|table| table.name == "connection")) {
        for column in &table.columns {
            columns.entry(&column.name).or_insert((&column.unit, &column.description));
        }
    }
    let mut all = Vec::new();
    for path in files(&folder.join("vectors"), "gpkg") {
        for layer in describe_layers(&path)? {
            let field = |(name, kind): (String, &'static str)| {
                let (unit, description) = match (of_ways(&name), columns.get(name.as_str())) {
                    (Some(words), _) if layer.shape == "line" => words,
                    (_, Some((unit, description))) => ((*unit).to_string(), (*description).to_string()),
                    (Some(words), None) => words,
                    (None, None) => (String::new(), name.replace('_', " ")),
                };
                DescribedField { name, kind, unit, description }
            };
            all.push(DescribedLayer {
                file: named("vectors", &path),
                name: layer.name,
                shape: layer.shape.to_string(),
                fields: layer.fields.into_iter().map(field).collect(),
            });
        }
    }
    Ok(all)
}

/// Unit and words of the fields of least-cost ways, which no table holds.
fn of_ways(name: &str) -> Option<(String, String)> {
    let (unit, words) = match name {
        "from_patch" => ("", "Patch at one end, by its number in the scenario"),
        "to_patch" => ("", "Patch at the other end"),
        "cost_m" => {
            ("m", "Cost of the way: its length with each step multiplied by the resistance of the ground")
        }
        "length_m" => ("m", "Length of the way on the ground"),
        "probability" => ("", "Probability that the way is taken"),
        _ => return None,
    };
    Some((unit.into(), words.into()))
}

/// Where the grid of a record lies. `None` where longitude and latitude of its bounds are not known: a run is not lost for that, it
/// only has no place in a catalogue.
fn place(record: &RunRecord) -> Option<Place> {
    let grid = &record.grid;
    let [left, bottom, right, top] = grid.bounds;
    let crs = Crs::parse(&grid.crs).ok()?;
    let along = |from: (f64, f64), to: (f64, f64)| {
        (0..ALONG).map(move |step| {
            let share = step as f64 / ALONG as f64;
            Point { x: from.0 + share * (to.0 - from.0), y: from.1 + share * (to.1 - from.1) }
        })
    };
    let mut points: Vec<Point> = along((left, bottom), (right, bottom))
        .chain(along((right, bottom), (right, top)))
        .chain(along((right, top), (left, top)))
        .chain(along((left, top), (left, bottom)))
        .collect();
    points.push(Point { x: left, y: bottom });
    crs.transform(&Crs::parse("EPSG:4326").ok()?, &mut points).ok()?;
    if points.iter().any(|point| !(point.x.is_finite() && point.y.is_finite())) {
        return None;
    }
    // to a ten-millionth of a degree, a centimetre
    let rounded = |value: f64| (value * 1e7).round() / 1e7;
    Some(Place {
        outline: points.iter().map(|point| [rounded(point.x), rounded(point.y)]).collect(),
        code: crs.authority().map(str::to_string),
        wkt: crs.wkt().to_string(),
        bounds: grid.bounds,
        shape: [grid.rows, grid.cols],
        cell_m: grid.cell_m,
    })
}
