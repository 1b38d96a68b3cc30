//! Files that are either whole or not there.

use crate::ReportError;
use std::fs::{self, File};
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};

/// Wraps what the system said about `path`.
pub(crate) fn refused(path: &Path, doing: &'static str) -> impl FnOnce(std::io::Error) -> ReportError {
    let path = path.to_path_buf();
    move |source| ReportError::File { path, doing, source }
}

/// The name a file has while it is being written: `NAME.part`.
fn beside(path: &Path) -> PathBuf {
    let mut name = path.as_os_str().to_os_string();
    name.push(".part");
    PathBuf::from(name)
}

/// Lets `fill` write `path` beside its place, then renames it. On an error the part is removed.
pub(crate) fn write_whole(
    path: &Path,
    fill: impl FnOnce(&mut BufWriter<File>) -> Result<(), ReportError>,
) -> Result<(), ReportError> {
    let part = beside(path);
    let filled = File::create(&part).map_err(refused(&part, "written")).and_then(|file| {
        let mut out = BufWriter::new(file);
        fill(&mut out)?;
        out.flush().map_err(refused(&part, "written"))
    });
    if let Err(error) = filled {
        // The first error is the one to tell; a part that cannot be removed is harmless.
        let _ = fs::remove_file(&part);
        return Err(error);
    }
    fs::rename(&part, path).map_err(refused(path, "written"))
}

/// Writes `bytes` as `path`, whole or not at all.
pub(crate) fn write_bytes(path: &Path, bytes: &[u8]) -> Result<(), ReportError> {
    write_whole(path, |out| out.write_all(bytes).map_err(refused(path, "written")))
}

/// Writes indented JSON with a final newline.
pub(crate) fn write_json(path: &Path, value: &serde_json::Value) -> Result<(), ReportError> {
    write_bytes(path, format!("{value:#}\n").as_bytes())
}

/// Makes sure a folder exists.
pub(crate) fn make_folder(folder: &Path) -> Result<(), ReportError> {
    fs::create_dir_all(folder).map_err(refused(folder, "made"))
}
