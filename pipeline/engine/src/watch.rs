//! Whether the files of a run stay as they are while it reads them.

use crate::check::Checked;
use crate::error::{EngineError, io};
use crate::inputs;
use lentic_raster::remote;
use std::fs;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};

/// What changes with a file: its length, when it was written, and which file it is.
type Stamp = (u64, i64, i64, u64);

/// Files here as they were before they were read. Servers are asked by [`inputs::unchanged_on_servers`].
#[derive(Clone, Debug, Default)]
pub struct Watched(Vec<(PathBuf, Stamp)>);

fn stamp(path: &Path) -> std::io::Result<Stamp> {
    fs::metadata(path).map(|found| (found.len(), found.mtime(), found.mtime_nsec(), found.ino()))
}

impl Watched {
    /// The files of a study.
    ///
    /// # Errors
    /// A file that is not there.
    pub fn of(checked: &Checked) -> Result<Self, EngineError> {
        let files = inputs::files(checked)?;
        let mut paths: Vec<PathBuf> = files.into_iter().map(|(_, path, _)| path).collect();
        paths.retain(|path| !remote::is_remote(path));
        paths.push(checked.study.path.clone());
        let stamped = paths.into_iter().map(|path| Ok((path.clone(), stamp(&path).map_err(io(&path))?)));
        Ok(Watched(stamped.collect::<Result<_, EngineError>>()?))
    }

    /// Asks whether all of them are as they were.
    ///
    /// # Errors
    /// A file that is gone or was written since.
    pub fn unchanged(&self) -> Result<(), EngineError> {
        for (path, before) in &self.0 {
            let found = match stamp(path) {
                Ok(now) if now == *before => continue,
                Ok(now) if now.0 != before.0 => format!("it had {} bytes and has {} now", before.0, now.0),
                Ok(_) => "it was written again".to_string(),
                Err(error) => format!("it cannot be found any more ({error})"),
            };
            return Err(EngineError::Changed { file: path.clone(), found });
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_written_or_gone_is_noticed() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.tif");
        let watch = || Watched(vec![(path.clone(), stamp(&path).unwrap())]);
        fs::write(&path, "one").unwrap();
        let watched = watch();
        assert!(watched.unchanged().is_ok());
        fs::write(&path, "longer").unwrap();
        assert!(watched.unchanged().unwrap_err().to_string().contains("had 3 bytes and has 6 now"));
        let watched = watch();
        let file = fs::File::options().write(true).open(&path).unwrap();
        file.set_modified(std::time::SystemTime::now() + std::time::Duration::from_secs(5)).unwrap();
        assert!(watched.unchanged().unwrap_err().to_string().contains("written again"));
        let watched = watch();
        fs::remove_file(&path).unwrap();
        assert!(watched.unchanged().unwrap_err().to_string().contains("cannot be found"));
    }
}
