//! A disk that is full, told so that the user can mend it.

use crate::error::EngineError;
use lentic_raster::{RasterError, Room};
use lentic_report::ReportError;
use std::io::ErrorKind;
use std::path::Path;

/// How another run folder is chosen.
pub const WITH_OUT: &str = " with --out (and --kept)";

/// Whether a system call failed for want of room.
pub fn is_full(source: &std::io::Error) -> bool {
    matches!(source.kind(), ErrorKind::StorageFull | ErrorKind::QuotaExceeded | ErrorKind::FileTooLarge)
        // a library's error that only holds the system's words
        || says_full(&source.to_string())
}

/// How the system, SQLite and GDAL call it.
fn says_full(text: &str) -> bool {
    ["No space left", "(os error 28)", "quota exceeded", "database or disk is full"]
        .iter()
        .any(|words| text.contains(words))
}

/// An error of writing as one that tells of the full disk, if that is what is behind it; to be asked while what was written is still
/// there. `needed_mib`: what all of it takes, where that is known.
pub fn told(error: EngineError, folder: &Path, needed_mib: Option<u64>, with: &'static str) -> EngineError {
    let room = Room::at(folder);
    let spent = room.is_some_and(Room::is_spent);
    let full = match &error {
        EngineError::Io { source, .. }
        | EngineError::Raster(RasterError::Io { source, .. })
        | EngineError::Report(ReportError::File { source, .. }) => is_full(source),
        // what GDAL says of a write that failed is not always why
        EngineError::Raster(RasterError::Write { said, .. }) => spent || says_full(said),
        EngineError::Report(ReportError::Frame { message, .. }) => spent || says_full(message),
        _ => false,
    };
    if !full {
        return error;
    }
    // the parts of a run folder lie beside it, and a name that ends in .part tells a user nothing
    let place = folder.parent().filter(|parent| !parent.as_os_str().is_empty()).unwrap_or(Path::new("."));
    EngineError::NoRoom {
        said: error.to_string(),
        folder: place.to_path_buf(),
        free: match room {
            Some(Room { files: Some(0), .. }) => "no more files".into(),
            Some(Room { bytes, .. }) => format!("{:.1} MiB", bytes as f64 / f64::from(1 << 20)),
            None => "nothing".into(),
        },
        needed: needed_mib
            .map(|mib| format!("The whole run takes about {mib} MiB while it works. "))
            .unwrap_or_default(),
        with,
    }
}
