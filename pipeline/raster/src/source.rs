//! One band of one raster file: what it is, and what in it counts as no data.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};

use gdal::raster::GdalDataType;
use gdal::{Dataset, Metadata};

use crate::error::{RasterError, said};
use crate::grid::{Bounds, Crs, Grid};
use crate::handles;

/// Largest block that is decoded, bytes (ours): as much as the largest cache of decoded blocks.
pub(crate) const MOST_BLOCK: u64 = 256 << 20;

/// Bytes of the largest block met.
static LARGEST: AtomicU64 = AtomicU64::new(0);

const UNKNOWN_CELLS: &str = "the cells hold complex numbers, signed bytes or a kind that is not \
                             known, expected whole numbers of another kind or floats";
const AS_FLOATS: &str = "convert it, for example with gdal_translate -ot Float32";

/// Kind of number in a raster's cells.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CellType {
    /// 8-bit unsigned.
    Byte,
    /// 16-bit unsigned.
    UInt16,
    /// 16-bit signed.
    Int16,
    /// 32-bit unsigned.
    UInt32,
    /// 32-bit signed.
    Int32,
    /// 64-bit unsigned.
    UInt64,
    /// 64-bit signed.
    Int64,
    /// 32-bit float.
    Float32,
    /// 64-bit float.
    Float64,
}

impl CellType {
    /// Bytes of a cell.
    #[must_use]
    pub fn bytes(self) -> usize {
        match self {
            CellType::Byte => 1,
            CellType::UInt16 | CellType::Int16 => 2,
            CellType::UInt32 | CellType::Int32 | CellType::Float32 => 4,
            CellType::UInt64 | CellType::Int64 | CellType::Float64 => 8,
        }
    }
}

/// What a band of a raster file is.
#[derive(Clone, Debug, PartialEq)]
pub struct SourceInfo {
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// GDAL's six numbers: left, cell width, 0, top, 0, minus cell height.
    pub geo_transform: [f64; 6],
    /// Reference system, if the file states one.
    pub crs: Option<Crs>,
    /// Declared no-data value.
    pub no_data: Option<f64>,
    /// Kind of number.
    pub cell_type: CellType,
    /// Columns of a block, the piece a file is decoded in.
    pub block_width: usize,
    /// Rows of a block.
    pub block_height: usize,
    /// Number of bands in the file.
    pub bands: usize,
    /// The file's own scale: value = stored * scale + offset.
    pub scale: f64,
    /// The file's own offset.
    pub offset: f64,
    /// True if a mask band or an alpha band says which cells hold data.
    pub has_mask: bool,
    /// Unit the file states, may be empty.
    pub unit: String,
    /// Name of the band, may be empty.
    pub description: String,
}

impl SourceInfo {
    /// The rectangle the raster covers, in its own reference system.
    #[must_use]
    pub fn bounds(&self) -> Bounds {
        let [left, width, _, top, _, height] = self.geo_transform;
        Bounds {
            left,
            bottom: top + height * self.height as f64,
            right: left + width * self.width as f64,
            top,
        }
    }
}

/// A band of a raster file with what the study says about it. Holds no open file, so it can be shared
/// between threads.
#[derive(Clone, Debug)]
pub struct RasterSource {
    path: PathBuf,
    band: usize,
    info: SourceInfo,
    crs: Crs,
    pub(crate) extra_no_data: Vec<f64>,
    pub(crate) factor: f64,
}

impl RasterSource {
    /// Opens a band (from 1) and checks that it can be laid onto a grid.
    ///
    /// # Errors
    /// As [`inspect`], and a file without a reference system.
    pub fn open(path: &Path, band: usize) -> Result<Self, RasterError> {
        let info = inspect(path, band)?;
        let Some(crs) = info.crs.clone() else {
            return Err(RasterError::unfit(
                path,
                "the raster states no coordinate reference system, so its place is not known",
                "set one, for example with: gdal_edit.py -a_srs EPSG:CODE FILE; or, if the file was cut short, copy it again",
            ));
        };
        Ok(Self { path: path.to_path_buf(), band, info, crs, extra_no_data: Vec::new(), factor: 1.0 })
    }

    /// Further stored values that mean no data, beside the declared one.
    #[must_use]
    pub fn with_no_data(mut self, values: &[f64]) -> Self {
        self.extra_no_data = values.to_vec();
        self
    }

    /// A factor on the values, after the file's own scale and offset, as when centimetres are to be
    /// metres (0.01). Class codes are never scaled.
    #[must_use]
    pub fn with_scale(mut self, factor: f64) -> Self {
        self.factor = factor;
        self
    }

    /// The grid the raster itself lies on.
    ///
    /// # Errors
    /// Cells that are not square, or a reference system that is not projected in metres.
    pub fn grid(&self) -> Result<Grid, RasterError> {
        let [left, width, _, top, _, height] = self.info.geo_transform;
        // A millionth of a cell: coordinates in files are rounded.
        if (width + height).abs() > 1e-6 * width {
            return Err(RasterError::unfit(
                &self.path,
                format!("its cells are {width} wide and {} high, expected squares", -height),
                "give a raster of a run, or warp it to square cells, for example with gdalwarp -tr",
            ));
        }
        self.crs.require_metres(self.info.bounds().centre())?;
        let (rows, cols) = (self.info.height, self.info.width);
        Ok(Grid { crs: self.crs.clone(), left, top, cell_m: width, rows, cols })
    }

    /// Names of the classes as [`crate::write_cog`] keeps them, in the band's metadata `class_CODE`; empty for a band
    /// without.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn class_names(&self) -> Result<BTreeMap<u8, String>, RasterError> {
        let dataset = handles::open(&self.path)?;
        let band = dataset
            .rasterband(self.band)
            .map_err(|error| RasterError::read(&self.path, "the names of classes", &error))?;
        let name = |code: u8| Some((code, band.metadata_item(&format!("class_{code}"), "")?));
        Ok((0..=u8::MAX).filter_map(name).collect())
    }

    /// Title of the file as [`crate::write_cog`] keeps it; empty for a file without.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn title(&self) -> Result<String, RasterError> {
        let dataset = handles::open(&self.path)?;
        Ok(dataset.metadata_item("TIFFTAG_IMAGEDESCRIPTION", "").unwrap_or_default())
    }

    /// The file.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// The band, from 1.
    #[must_use]
    pub fn band(&self) -> usize {
        self.band
    }

    /// What the file states.
    #[must_use]
    pub fn info(&self) -> &SourceInfo {
        &self.info
    }

    /// Reference system of the file.
    #[must_use]
    pub fn crs(&self) -> &Crs {
        &self.crs
    }
}

/// Describes a band (from 1) of a raster file.
///
/// # Errors
/// A file that cannot be opened or is of another format, a band it does not have, complex numbers, a
/// raster that is rotated, sheared, mirrored or without a place on the ground.
pub fn inspect(path: &Path, band: usize) -> Result<SourceInfo, RasterError> {
    let dataset = handles::open(path)?;
    let bands = dataset.raster_count();
    if band == 0 || band > bands {
        return Err(RasterError::unfit(
            path,
            format!("band {band} is asked for, but the file has {bands} band(s)"),
            if bands == 0 {
                "name a file (of netCDF: a variable) that holds a raster"
            } else {
                "name a band that is there; bands count from 1"
            },
        ));
    }
    let geo_transform = dataset.geo_transform().map_err(|_| {
        RasterError::unfit(
            path,
            "the raster has no place on the ground (no geotransform)",
            "georeference it, for example with gdal_translate -a_ullr; or, if the file was cut short, copy it again",
        )
    })?;
    check_upright(path, &geo_transform)?;
    let read = |error: &gdal::errors::GdalError| RasterError::read(path, "the header", error);
    let raster = dataset.rasterband(band).map_err(|error| read(&error))?;
    let crs = match dataset.spatial_ref() {
        Ok(reference) => Some(Crs::from_reference(&reference).map_err(|found| {
            RasterError::unfit(
                path,
                format!("its coordinate reference system cannot be used: {found}"),
                "set one, for example with: gdal_edit.py -a_srs EPSG:CODE FILE",
            )
        })?),
        Err(_) => None,
    };
    // How GDAL before 3.7 marks signed bytes, which it would read as 128 to 255.
    if raster.metadata_item("PIXELTYPE", "IMAGE_STRUCTURE").as_deref() == Some("SIGNEDBYTE") {
        return Err(RasterError::unfit(path, UNKNOWN_CELLS, AS_FLOATS));
    }
    let flags = raster.mask_flags().map_err(|error| read(&error))?;
    let (width, height) = dataset.raster_size();
    let (block_width, block_height) = raster.block_size();
    let kind = cell_type(path, raster.band_type())?;
    check_blocks(path, &dataset, (block_width, block_height), kind)?;
    Ok(SourceInfo {
        width,
        height,
        geo_transform,
        crs,
        no_data: raster.no_data_value(),
        cell_type: kind,
        block_width,
        block_height,
        bands,
        scale: raster.scale().unwrap_or(1.0),
        offset: raster.offset().unwrap_or(0.0),
        has_mask: !flags.is_all_valid() && !flags.is_nodata(),
        unit: raster.unit(),
        description: raster.description().map_err(|error| RasterError::Read {
            path: path.to_path_buf(),
            what: "the band name".into(),
            said: said(&error),
        })?,
    })
}

/// Bytes of the largest block of any raster looked at by this process.
#[must_use]
pub fn largest_block() -> u64 {
    LARGEST.load(Ordering::Relaxed)
}

/// Refuses blocks that cannot be decoded in reasonable memory: GDAL decodes a block as a whole, however few of its cells are wanted.
fn check_blocks(
    path: &Path,
    dataset: &Dataset,
    block: (usize, usize),
    kind: CellType,
) -> Result<(), RasterError> {
    let bytes = block_bytes(dataset, block, kind.bytes());
    if bytes > MOST_BLOCK {
        return Err(RasterError::unfit(
            path,
            format!(
                "its blocks are {} x {} cells, {} MiB each; at most {} MiB are taken, as a block is decoded whole",
                block.0,
                block.1,
                bytes >> 20,
                MOST_BLOCK >> 20
            ),
            "write it anew in tiles, with gdal_translate -co TILED=YES -co COMPRESS=DEFLATE",
        ));
    }
    LARGEST.fetch_max(bytes, Ordering::Relaxed);
    Ok(())
}

/// Bytes of a block, unpacked: of all bands where a file keeps them cell by cell.
pub(crate) fn block_bytes(dataset: &Dataset, block: (usize, usize), cell_bytes: usize) -> u64 {
    let together = dataset.metadata_item("INTERLEAVE", "IMAGE_STRUCTURE").as_deref() == Some("PIXEL");
    let bands = if together { dataset.raster_count() } else { 1 };
    [block.0, block.1, bands, cell_bytes].into_iter().fold(1u64, |all, n| all.saturating_mul(n as u64))
}

fn check_upright(path: &Path, geo_transform: &[f64; 6]) -> Result<(), RasterError> {
    let [_, width, shear, _, turn, height] = *geo_transform;
    if shear != 0.0 || turn != 0.0 {
        return Err(RasterError::unfit(
            path,
            format!("the raster is rotated or sheared (terms {shear} and {turn}, expected 0 and 0)"),
            "warp it to a north-up raster, for example with gdalwarp",
        ));
    }
    // Also true if a term is no number.
    if !(width > 0.0 && height < 0.0 && geo_transform.iter().all(|term| term.is_finite())) {
        return Err(RasterError::unfit(
            path,
            format!(
                "the raster is mirrored (cell width {width}, expected above 0; cell height {height}, expected below 0)"
            ),
            "warp it to a north-up raster, for example with gdalwarp",
        ));
    }
    Ok(())
}

fn cell_type(path: &Path, found: GdalDataType) -> Result<CellType, RasterError> {
    Ok(match found {
        GdalDataType::UInt8 => CellType::Byte,
        GdalDataType::UInt16 => CellType::UInt16,
        GdalDataType::Int16 => CellType::Int16,
        GdalDataType::UInt32 => CellType::UInt32,
        GdalDataType::Int32 => CellType::Int32,
        GdalDataType::UInt64 => CellType::UInt64,
        GdalDataType::Int64 => CellType::Int64,
        GdalDataType::Float32 => CellType::Float32,
        GdalDataType::Float64 => CellType::Float64,
        _ => {
            return Err(RasterError::unfit(path, UNKNOWN_CELLS, AS_FLOATS));
        }
    })
}
