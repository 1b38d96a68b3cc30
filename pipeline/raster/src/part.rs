//! Files that appear whole or not at all.

use std::path::{Path, PathBuf};

use crate::error::RasterError;

/// A file under way: written beside its final name, put in its place by [`Part::finish`], removed if
/// dropped before that.
pub(crate) struct Part {
    path: PathBuf,
    target: PathBuf,
}

impl Part {
    /// A name beside `target`, `NAME.part`; an old file of that name is removed.
    pub(crate) fn new(target: &Path) -> Result<Self, RasterError> {
        Self::with_ending(target, "part")
    }

    /// A name beside `target` that ends in `.part.ENDING`, for formats known by their ending.
    pub(crate) fn with_ending(target: &Path, ending: &str) -> Result<Self, RasterError> {
        let Some(name) = target.file_name() else {
            return Err(RasterError::unfit(target, "this names no file", "give a file name"));
        };
        let mut name = name.to_os_string();
        name.push(".");
        name.push(ending);
        let path = target.with_file_name(name);
        match std::fs::remove_file(&path) {
            Err(error) if error.kind() != std::io::ErrorKind::NotFound => {
                return Err(RasterError::io(&path, "removing an unfinished file", error));
            }
            _ => {}
        }
        Ok(Self { path, target: target.to_path_buf() })
    }

    pub(crate) fn path(&self) -> &Path {
        &self.path
    }

    /// Puts the file in its place.
    pub(crate) fn finish(self) -> Result<(), RasterError> {
        std::fs::rename(&self.path, &self.target)
            .map_err(|error| RasterError::io(&self.target, "putting the file in its place", error))
    }
}

impl Drop for Part {
    fn drop(&mut self) {
        // After `finish` there is nothing left to remove, and while failing there is nothing to add.
        let _ = std::fs::remove_file(&self.path);
    }
}
