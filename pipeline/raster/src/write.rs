//! Cloud-optimised GeoTIFF products from scratch files.
//!
//! The scratch file is shown to GDAL as a raw raster wrapped in an in-memory description, and copied
//! block by block, so memory stays bounded whatever the size of the grid.

use std::fmt::Write as _;
use std::path::Path;

use gdal::raster::RasterCreationOptions;
use gdal::{Dataset, DatasetOptions, DriverManager, GdalOpenFlags};

use crate::error::RasterError;
use crate::ffi;
use crate::grid::Grid;
use crate::part::Part;
use crate::scratch::{Scratch, ScratchCell};
use crate::statistics::{Statistics, of_classes, of_floats};
use crate::window::Window;

/// What a product says about itself.
#[derive(Clone, Debug, Default)]
pub struct CogSpec {
    /// Title, one line; the image description of the file.
    pub title: String,
    /// Further pairs of name and text, such as licence or method.
    pub metadata: Vec<(String, String)>,
    /// Threads that compress (at least 1). The bytes do not depend on it.
    pub threads: usize,
}

/// One band of 32-bit floats; NaN is no data.
#[derive(Debug)]
pub struct FloatBand<'a> {
    /// The cells.
    pub cells: &'a Scratch<f32>,
    /// Name of the band.
    pub description: String,
    /// Unit of the values, may be empty.
    pub unit: String,
}

/// A band of class codes.
#[derive(Debug)]
pub struct ClassBand<'a> {
    /// The cells.
    pub cells: &'a Scratch<u8>,
    /// Name of the band.
    pub description: String,
    /// The code for no data, if there is one.
    pub no_data: Option<u8>,
    /// Colour of each code: red, green, blue, opacity. A GeoTIFF keeps no opacity: only the code for no
    /// data shows through.
    pub colours: Vec<(u8, [u8; 4])>,
    /// Name of each code; kept as band metadata `class_CODE`.
    pub names: Vec<(u8, String)>,
}

/// The bands of a product.
#[derive(Debug)]
pub enum CogData<'a> {
    /// One or more bands of quantities.
    Floats(Vec<FloatBand<'a>>),
    /// One band of classes.
    Classes(ClassBand<'a>),
}

/// Writes a cloud-optimised GeoTIFF: DEFLATE, blocks of 512, overviews (mean of quantities, most
/// frequent class), statistics of every band over its cells with data. The file appears whole or not at
/// all, and the same input gives the same bytes. Returns the statistics of each band, `None` for a band
/// without data.
///
/// # Errors
/// A scratch file of another size than the grid, no band, or writing fails.
pub fn write_cog(
    path: &Path,
    grid: &Grid,
    spec: &CogSpec,
    data: &CogData<'_>,
) -> Result<Vec<Option<Statistics>>, RasterError> {
    crate::quiet();
    let mut statistics = Vec::new();
    let mut bands = String::new();
    match data {
        CogData::Floats(floats) => {
            for (index, band) in floats.iter().enumerate() {
                check_size(path, grid, band.cells)?;
                let found = of_floats(band.cells, grid)?;
                let mut inner = found.as_ref().map(statistics_items).unwrap_or_default();
                inner = metadata_element(&inner);
                inner += "<NoDataValue>nan</NoDataValue>";
                inner += &element("UnitType", &band.unit);
                inner += &element("Description", &band.description);
                bands += &raw_band(path, band.cells, index + 1, &inner)?;
                statistics.push(found);
            }
        }
        CogData::Classes(band) => {
            check_size(path, grid, band.cells)?;
            let found = of_classes(band.cells, grid, band.no_data)?;
            let mut items = found.as_ref().map(statistics_items).unwrap_or_default();
            for (code, name) in &band.names {
                items += &item(&format!("class_{code}"), name);
            }
            let mut inner = metadata_element(&items);
            if let Some(no_data) = band.no_data {
                inner += &element("NoDataValue", &no_data.to_string());
            }
            inner += &element("Description", &band.description);
            inner += &colour_table(&band.colours);
            bands += &raw_band(path, band.cells, 1, &inner)?;
            statistics.push(found);
        }
    }
    if statistics.is_empty() {
        return Err(RasterError::Size(format!("{}: no band to write", path.display())));
    }
    let description = description(grid, spec, &bands);
    let part = Part::new(path)?;
    copy(&description, part.path(), spec, matches!(data, CogData::Classes(_)))
        .map_err(|error| RasterError::write(path, &error))?;
    if let Some(said) = ffi::last_failure() {
        return Err(RasterError::Write { path: path.to_path_buf(), said });
    }
    part.finish()?;
    Ok(statistics)
}

/// A scratch file alone in GDAL's XML description, for reading it as a raster.
pub(crate) fn raw_description<T: ScratchCell>(
    grid: &Grid,
    cells: &Scratch<T>,
) -> Result<String, RasterError> {
    check_size(cells.path(), grid, cells)?;
    let band = raw_band(cells.path(), cells, 1, "")?;
    Ok(description(grid, &CogSpec::default(), &band))
}

fn check_size<T: ScratchCell>(path: &Path, grid: &Grid, cells: &Scratch<T>) -> Result<(), RasterError> {
    if cells.rows() == grid.rows && cells.cols() == grid.cols {
        return Ok(());
    }
    Err(RasterError::Size(format!(
        "{}: a scratch file of {} rows and {} columns for a grid of {} and {}",
        path.display(),
        cells.rows(),
        cells.cols(),
        grid.rows,
        grid.cols
    )))
}

/// Copies the described raster. Errors that show only on closing are left for the caller to ask for.
fn copy(description: &str, target: &Path, spec: &CogSpec, classes: bool) -> gdal::errors::Result<()> {
    // Newer versions of GDAL ask for consent before a description in memory may read a raw file.
    gdal::config::set_thread_local_config_option("GDAL_VRT_RAWRASTERBAND_ALLOWED_SOURCE", "ALL")?;
    // overviews are made in a file of their own first, which is gone again as soon as it was packed: packing it too only takes time
    gdal::config::set_thread_local_config_option("COG_TMP_COMPRESSION", "NONE")?;
    let source = Dataset::open_ex(
        description,
        DatasetOptions {
            open_flags: GdalOpenFlags::GDAL_OF_RASTER,
            allowed_drivers: Some(&["VRT"]),
            ..DatasetOptions::default()
        },
    )?;
    let mut options = RasterCreationOptions::new();
    let (predictor, resampling) = if classes { ("NO", "MODE") } else { ("FLOATING_POINT", "AVERAGE") };
    options.set_name_value("COMPRESS", "DEFLATE")?;
    options.set_name_value("PREDICTOR", predictor)?;
    options.set_name_value("BLOCKSIZE", "512")?;
    options.set_name_value("OVERVIEW_RESAMPLING", resampling)?;
    options.set_name_value("BIGTIFF", "IF_SAFER")?;
    options.set_name_value("NUM_THREADS", &spec.threads.max(1).to_string())?;
    let driver = DriverManager::get_driver_by_name("COG")?;
    ffi::forget_error();
    drop(source.create_copy(&driver, target, &options)?);
    Ok(())
}

/// The whole raster in GDAL's XML description.
fn description(grid: &Grid, spec: &CogSpec, bands: &str) -> String {
    let mut text = format!("<VRTDataset rasterXSize=\"{}\" rasterYSize=\"{}\">", grid.cols, grid.rows);
    text += &element("SRS", grid.crs.wkt());
    let numbers = grid.geo_transform(&Window::whole(grid)).map(|number| number.to_string());
    text += &element("GeoTransform", &numbers.join(", "));
    let mut items = String::new();
    if !spec.title.is_empty() {
        items += &item("TIFFTAG_IMAGEDESCRIPTION", &spec.title);
    }
    for (name, value) in &spec.metadata {
        items += &item(name, value);
    }
    text += &metadata_element(&items);
    text += bands;
    text + "</VRTDataset>"
}

fn raw_band<T: ScratchCell>(
    path: &Path,
    cells: &Scratch<T>,
    number: usize,
    inner: &str,
) -> Result<String, RasterError> {
    let file = std::path::absolute(cells.path())
        .map_err(|error| RasterError::io(cells.path(), "finding the scratch file", error))?;
    let Some(file) = file.to_str() else {
        return Err(RasterError::unfit(
            path,
            "the scratch folder's name is not Unicode",
            "choose a run folder with a plain name",
        ));
    };
    Ok(format!(
        "<VRTRasterBand dataType=\"{}\" band=\"{number}\" subClass=\"VRTRawRasterBand\">{inner}\
         <SourceFilename relativetoVRT=\"0\">{}</SourceFilename><ImageOffset>0</ImageOffset>\
         <PixelOffset>{}</PixelOffset><LineOffset>{}</LineOffset><ByteOrder>LSB</ByteOrder></VRTRasterBand>",
        T::GDAL_NAME,
        escape(file),
        T::BYTES,
        T::BYTES * cells.cols()
    ))
}

fn colour_table(colours: &[(u8, [u8; 4])]) -> String {
    let Some(most) = colours.iter().map(|(code, _)| *code).max() else { return String::new() };
    let mut text = String::from("<ColorInterp>Palette</ColorInterp><ColorTable>");
    for code in 0..=most {
        // Codes without a colour are transparent.
        let [red, green, blue, opacity] =
            colours.iter().find(|(known, _)| *known == code).map_or([0; 4], |(_, colour)| *colour);
        // Writing into a string cannot fail.
        let _ = write!(text, "<Entry c1=\"{red}\" c2=\"{green}\" c3=\"{blue}\" c4=\"{opacity}\"/>");
    }
    text + "</ColorTable>"
}

fn statistics_items(found: &Statistics) -> String {
    [
        ("STATISTICS_MINIMUM", found.min),
        ("STATISTICS_MAXIMUM", found.max),
        ("STATISTICS_MEAN", found.mean),
        ("STATISTICS_STDDEV", found.stddev),
        ("STATISTICS_VALID_PERCENT", found.valid_percent),
    ]
    .iter()
    .map(|(name, value)| item(name, &value.to_string()))
    .collect()
}

fn metadata_element(items: &str) -> String {
    if items.is_empty() { String::new() } else { format!("<Metadata>{items}</Metadata>") }
}

fn item(name: &str, value: &str) -> String {
    format!("<MDI key=\"{}\">{}</MDI>", escape(name), escape(value))
}

fn element(name: &str, text: &str) -> String {
    if text.is_empty() { String::new() } else { format!("<{name}>{}</{name}>", escape(text)) }
}

/// Text for XML; characters that XML forbids are left out.
fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for character in text.chars() {
        match character {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\n' | '\t' => out.push(' '),
            other if other.is_control() || matches!(other, '\u{fffe}' | '\u{ffff}') => {}
            other => out.push(other),
        }
    }
    out
}
