//! Whether the files of a run stay as they are while it reads them.

use crate::check::Checked;
use crate::error::EngineError;
use crate::inputs;
use lentic_raster::remote;
use lentic_report::Input;
use std::fs;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};

/// What changes with a file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Stamp {
    bytes: u64,
    /// When it was written: seconds, nanoseconds.
    written: (i64, i64),
    /// Which file it is.
    number: u64,
    /// When anything of it changed, which no program can set: seconds, nanoseconds.
    touched: (i64, i64),
}

impl Stamp {
    fn of(path: &Path) -> std::io::Result<Self> {
        let found = fs::metadata(path)?;
        Ok(Stamp {
            bytes: found.len(),
            written: (found.mtime(), found.mtime_nsec()),
            number: found.ino(),
            touched: (found.ctime(), found.ctime_nsec()),
        })
    }

    /// Whether the same file was not written as far as it tells of itself.
    fn is_as(&self, before: &Stamp) -> bool {
        Stamp { touched: before.touched, ..*self } == *before
    }
}

/// Files here as they were before they were read. Servers are asked by [`inputs::unchanged_on_servers`].
#[derive(Clone, Debug, Default)]
pub struct Watched(Vec<(PathBuf, Stamp)>);

impl Watched {
    /// The files of a study.
    ///
    /// # Errors
    /// A file that is not there.
    pub fn of(checked: &Checked) -> Result<Self, EngineError> {
        let read = inputs::files(checked)?.into_iter().map(|(_, path, _)| path);
        let here = read.filter(|path| !remote::is_remote(path)).chain([checked.study.path.clone()]);
        let stamped = here.map(|path| match Stamp::of(&path) {
            Ok(stamp) => Ok((path, stamp)),
            // it was there when the study was checked
            Err(error) => Err(not_found(&path, &error)),
        });
        Ok(Watched(stamped.collect::<Result<_, EngineError>>()?))
    }

    /// Where they are.
    pub fn paths(&self) -> impl Iterator<Item = &Path> {
        self.0.iter().map(|(path, _)| path.as_path())
    }

    /// Asks whether all of them are as they were, as far as they tell of themselves.
    ///
    /// # Errors
    /// A file that is gone or was written since.
    pub fn untouched(&self) -> Result<(), EngineError> {
        self.0.iter().try_for_each(|(path, before)| look(path, before).map(|_| ()))
    }

    /// As [`Self::untouched`]; a file that something was done to and that tells the same size and time of writing is read again and held against
    /// its checksum in `inputs`, those of the run in their order.
    ///
    /// # Errors
    /// A file that is gone, was written since or holds other bytes.
    pub fn unchanged(&self, inputs: &[Input]) -> Result<(), EngineError> {
        let here = inputs.iter().filter(|input| input.server.is_none()).map(Some);
        // the study itself is no input; its text is compared by what it tells
        for ((path, before), input) in self.0.iter().zip(here.chain(std::iter::repeat(None))) {
            let now = look(path, before)?;
            let Some(input) = input.filter(|_| now.touched != before.touched) else { continue };
            if inputs::digest(path)?.1 != input.blake3 {
                let found = "it holds other bytes, though it tells the same size and time".to_string();
                return Err(EngineError::Changed { file: path.clone(), found });
            }
        }
        Ok(())
    }
}

fn look(path: &Path, before: &Stamp) -> Result<Stamp, EngineError> {
    let found = match Stamp::of(path) {
        Ok(now) if now.is_as(before) => return Ok(now),
        Ok(now) if now.bytes != before.bytes => {
            format!("it had {} bytes and has {} now", before.bytes, now.bytes)
        }
        Ok(_) => "it was written again".to_string(),
        Err(error) => return Err(not_found(path, &error)),
    };
    Err(EngineError::Changed { file: path.to_path_buf(), found })
}

fn not_found(path: &Path, error: &std::io::Error) -> EngineError {
    let found = format!("it cannot be found any more ({error})");
    EngineError::Changed { file: path.to_path_buf(), found }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_written_or_gone_is_noticed() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.tif");
        let watch = || Watched(vec![(path.clone(), Stamp::of(&path).unwrap())]);
        let input = |bytes: &str| {
            [Input { blake3: blake3::hash(bytes.as_bytes()).to_hex().to_string(), ..Input::default() }]
        };
        fs::write(&path, "one").unwrap();
        let watched = watch();
        assert!(watched.unchanged(&input("one")).is_ok());
        fs::write(&path, "longer").unwrap();
        let told = |watched: &Watched, bytes: &str| watched.unchanged(&input(bytes)).unwrap_err().to_string();
        assert!(told(&watched, "one").contains("had 3 bytes and has 6 now"));
        assert!(watched.untouched().is_err());
        let watched = watch();
        let file = fs::File::options().write(true).open(&path).unwrap();
        file.set_modified(std::time::SystemTime::now() + std::time::Duration::from_secs(5)).unwrap();
        assert!(told(&watched, "longer").contains("written again"));
        // another file under the name, of the same size and time
        let watched = watch();
        let modified = fs::metadata(&path).unwrap().modified().unwrap();
        let other = folder.path().join("b.tif");
        fs::write(&other, "LONGER").unwrap();
        fs::File::options().write(true).open(&other).unwrap().set_modified(modified).unwrap();
        fs::rename(&other, &path).unwrap();
        assert!(told(&watched, "longer").contains("written again"));
        let watched = watch();
        fs::remove_file(&path).unwrap();
        assert!(told(&watched, "longer").contains("cannot be found"));
    }

    #[test]
    fn other_bytes_of_the_same_size_and_time_are_noticed_and_another_mode_is_none() {
        use std::os::unix::fs::PermissionsExt;
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.tif");
        fs::write(&path, "cells").unwrap();
        let modified = fs::metadata(&path).unwrap().modified().unwrap();
        let watched = Watched(vec![(path.clone(), Stamp::of(&path).unwrap())]);
        let blake3 = blake3::hash(b"cells").to_hex().to_string();
        let inputs = [Input { blake3, ..Input::default() }];
        fs::set_permissions(&path, fs::Permissions::from_mode(0o400)).unwrap();
        assert!(watched.unchanged(&inputs).is_ok());
        fs::set_permissions(&path, fs::Permissions::from_mode(0o600)).unwrap();
        fs::write(&path, "CELLS").unwrap();
        fs::File::options().write(true).open(&path).unwrap().set_modified(modified).unwrap();
        assert!(watched.untouched().is_ok(), "size, time and file are the same");
        let told = watched.unchanged(&inputs).unwrap_err().to_string();
        assert!(told.contains("other bytes"), "{told}");
    }
}
