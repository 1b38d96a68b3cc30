//! Blocks of a GeoTIFF packed with DEFLATE, unpacked once to hold them against the checksum they carry (Adler-32, RFC 1950). libtiff
//! takes a block that unpacks to more than it has room for without a word, as some writers make the last strip too long, and then
//! leaves the end of a damaged block as memory happened to be.

use std::cell::RefCell;
use std::collections::HashSet;
use std::fs::File;
use std::os::unix::fs::FileExt;
use std::path::Path;

use gdal::raster::RasterBand;
use gdal::{Dataset, Metadata};
use libdeflater::Decompressor;

use crate::error::RasterError;
use crate::handles;
use crate::remote;
use crate::source::{MOST_BLOCK, block_bytes};
use crate::window::Window;

thread_local! {
    static UNPACKING: RefCell<Unpacking> = RefCell::new(Unpacking {
        decompressor: Decompressor::new(),
        packed: Vec::new(),
        unpacked: Vec::new(),
    });
}

struct Unpacking {
    decompressor: Decompressor,
    packed: Vec<u8>,
    unpacked: Vec<u8>,
}

/// Refuses a block of a band that lies in a window and is not what its checksum says. Cells of the band have `cell_bytes`; `sound`
/// holds the places in the file of blocks that were found sound. A file on a server is taken as it comes.
///
/// # Errors
/// A damaged block, or a file that cannot be read.
pub(crate) fn check(
    path: &Path,
    dataset: &Dataset,
    band: &RasterBand,
    (window, cell_bytes): (&Window, usize),
    sound: &RefCell<HashSet<u64>>,
) -> Result<(), RasterError> {
    if dataset.metadata_item("COMPRESSION", "IMAGE_STRUCTURE").as_deref() != Some("DEFLATE")
        || dataset.driver().short_name() != "GTiff"
        || remote::is_remote(path)
        || window.is_empty()
    {
        return Ok(());
    }
    let number = |key: &str, col: usize, row: usize| {
        band.metadata_item(&format!("{key}_{col}_{row}"), "TIFF")?.parse::<u64>().ok()
    };
    let (width, mut height) = band.block_size();
    // GDAL gives a file of one long strip line by line: only its first line has a place
    let lines = band.y_size();
    if height == 1 && lines > 1 && number("BLOCK_OFFSET", 0, lines - 1).is_none() {
        height = lines;
    }
    let bytes = block_bytes(dataset, (width, height), cell_bytes);
    if bytes > MOST_BLOCK {
        return Ok(());
    }
    let mut file: Option<File> = None;
    for row in window.row / height..=(window.end_row() - 1) / height {
        for col in window.col / width..=(window.end_col() - 1) / width {
            // a block never written has no place
            let place = number("BLOCK_OFFSET", col, row).zip(number("BLOCK_SIZE", col, row));
            let place =
                place.filter(|(offset, packed)| *packed <= MOST_BLOCK && !sound.borrow().contains(offset));
            let Some((offset, packed)) = place else { continue };
            let file = match &mut file {
                Some(file) => file,
                none => none.insert(
                    handles::with_a_handle(|| File::open(path))
                        .map_err(|error| RasterError::io(path, "opening it", error))?,
                ),
            };
            if !is_sound(file, (offset, packed as usize), bytes as usize) {
                return Err(RasterError::Read {
                    path: path.to_path_buf(),
                    what: format!("the block in row {row} and column {col} of its blocks"),
                    said: "its content is not what its checksum says".into(),
                });
            }
            sound.borrow_mut().insert(offset);
        }
    }
    Ok(())
}

/// Whether so many bytes from a place on unpack to no more than `most` bytes with the right checksum. What cannot be read, or does not
/// begin as it should, is left to GDAL, which says so; a mask may be packed otherwise than its raster.
fn is_sound(file: &File, (offset, packed): (u64, usize), most: usize) -> bool {
    UNPACKING.with_borrow_mut(|Unpacking { decompressor, packed: bytes, unpacked }| {
        bytes.resize(packed, 0);
        unpacked.resize(most, 0);
        file.read_exact_at(bytes, offset).is_err()
            || !begins_as_zlib(bytes)
            || decompressor.zlib_decompress(bytes, unpacked).is_ok()
    })
}

/// Method 8 and a header divisible by 31 (RFC 1950, section 2.2).
fn begins_as_zlib(bytes: &[u8]) -> bool {
    matches!(bytes, [cmf, flg, ..] if cmf & 15 == 8 && (u16::from(*cmf) << 8 | u16::from(*flg)) % 31 == 0)
}
