//! Files beside a raster. A GeoTIFF is read alone: what stands beside it is no input of a run, so it must not change what is read.

use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};

use crate::error::RasterError;
use crate::handles::with_a_handle;

/// Longest side file that is looked through, bytes: one with tables of classes may be long.
const LONGEST: u64 = 16 << 20;
/// What in a side file (GDAL's XML of metadata) changes cells, their place or their meaning. Statistics, histograms, tables of classes
/// and colours do not, and are left alone.
const TELLING: [(&str, &str); 7] = [
    ("<NoDataValue", "a value for no data"),
    ("<MaskBand", "a mask"),
    ("<GeoTransform", "a place on the ground"),
    ("<SRS", "a coordinate reference system"),
    ("<Scale", "a scale"),
    ("<Offset", "an offset"),
    ("<GCPList", "ground control points"),
];

/// True for the beginning of a TIFF or BigTIFF (TIFF 6.0, section 2; BigTIFF has 43 in place of 42).
fn is_tiff_head(head: &[u8]) -> bool {
    [b"II\x2a\0", b"MM\0\x2a", b"II\x2b\0", b"MM\0\x2b"].iter().any(|magic| head.starts_with(*magic))
}

/// Whether a file begins as a TIFF does; not one that cannot be read.
pub(crate) fn is_tiff(mut file: File) -> bool {
    let mut head = [0; 4];
    file.read_exact(&mut head).is_ok() && is_tiff_head(&head)
}

/// Refuses a raster whose side files would change what is read from it. For a GeoTIFF that is a mask, and what GDAL's XML says of cells;
/// for another format, whose side files are read, overviews and masks that are no TIFF and so may lead anywhere.
pub(crate) fn check(path: &Path, tiff: bool) -> Result<(), RasterError> {
    let beside = |ending: &str| {
        let mut name = path.as_os_str().to_owned();
        name.push(ending);
        Some(PathBuf::from(name)).filter(|file| file.exists())
    };
    if tiff {
        if let Some(mask) = beside(".msk") {
            return Err(refuse(
                path,
                format!("a mask lies beside it ({})", told(&mask)),
                "put it into the raster, with gdal_translate --config GDAL_TIFF_INTERNAL_MASK YES, or move it away",
            ));
        }
    } else if let Some(other) =
        [".msk", ".ovr"].into_iter().find_map(beside).filter(|file| !File::open(file).is_ok_and(is_tiff))
    {
        let found = format!("the file {} beside it is no TIFF, as masks and overviews are", told(&other));
        return Err(refuse(path, found, "move it away"));
    }
    let Some(metadata) = beside(".aux.xml") else { return Ok(()) };
    let mut text = Vec::new();
    with_a_handle(|| File::open(&metadata))
        .and_then(|file| file.take(LONGEST).read_to_end(&mut text))
        .map_err(|error| RasterError::io(&metadata, "reading the file beside a raster", error))?;
    let text = String::from_utf8_lossy(&text);
    if text.contains("OVERVIEW_FILE") {
        let found = format!("the file {} beside it names another file", told(&metadata));
        return Err(refuse(path, found, "move it away"));
    }
    let said = TELLING.iter().find(|(element, _)| tiff && text.contains(element));
    match said {
        None => Ok(()),
        Some((_, what)) => {
            let found = format!(
                "the file {} beside it states {what}, which the raster itself should",
                told(&metadata)
            );
            Err(refuse(
                path,
                found,
                "write the raster anew with gdal_translate, which puts it in, or move that file away",
            ))
        }
    }
}

fn told(file: &Path) -> String {
    file.file_name().unwrap_or(file.as_os_str()).to_string_lossy().into_owned()
}

fn refuse(path: &Path, found: String, mend: &str) -> RasterError {
    RasterError::unfit(path, found + "; only the raster itself is an input of a run", mend)
}
