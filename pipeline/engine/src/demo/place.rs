//! The folder of a demo while it is made: everything is written aside within it and put in its place at the end, the study file last,
//! so that no half-made basin looks whole.

use super::DemoError;
use std::fs::{self, File, TryLockError};
use std::path::{Path, PathBuf};

/// Where files lie until all are there. Within the folder, so that it is on the same disk, and the folder itself is never exchanged
/// for another: it may be where somebody's shell stands, or a disk of its own.
const ASIDE: &str = ".lentic-demo";
/// Held by whoever writes there.
const LOCK: &str = ".lock";
/// Put in its place last.
const STUDY: &str = "study.toml";

/// A demo under way. What it wrote, and the folders it made, go when it is dropped before [`Making::publish`].
pub(super) struct Making {
    folder: PathBuf,
    aside: PathBuf,
    /// Folders that were not there before, the innermost first.
    made: Vec<PathBuf>,
    // held open: the lock lasts as long as this
    _lock: File,
}

fn failed(path: &Path) -> impl FnOnce(std::io::Error) -> DemoError + '_ {
    move |source| DemoError::Write { path: path.to_path_buf(), source }
}

/// Everything in a folder, by name.
fn entries(folder: &Path) -> Result<Vec<PathBuf>, DemoError> {
    let found = fs::read_dir(folder).and_then(|entries| entries.map(|e| e.map(|e| e.path())).collect());
    let mut found: Vec<PathBuf> = found.map_err(failed(folder))?;
    found.sort();
    Ok(found)
}

fn remove(path: &Path) -> std::io::Result<()> {
    if path.is_dir() && !path.is_symlink() { fs::remove_dir_all(path) } else { fs::remove_file(path) }
}

impl Making {
    /// Begins in a folder that is new or empty; what a demo that was killed left there is removed.
    ///
    /// # Errors
    /// A folder that holds anything, in which another demo is being made, or that cannot be written.
    pub(super) fn start(folder: &Path, parts: &[&str]) -> Result<Self, DemoError> {
        let aside = folder.join(ASIDE);
        if folder.exists() && entries(folder)?.iter().any(|path| *path != aside) {
            return Err(DemoError::NotEmpty(folder.to_path_buf()));
        }
        let new = |path: &&Path| !path.as_os_str().is_empty() && !path.exists();
        let made = folder.ancestors().take_while(new).map(Path::to_path_buf).collect();
        fs::create_dir_all(&aside).map_err(failed(&aside))?;
        let path = aside.join(LOCK);
        let lock = File::create(&path).map_err(failed(&path))?;
        match lock.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => return Err(DemoError::Busy(folder.to_path_buf())),
            Err(TryLockError::Error(error)) => return Err(failed(&path)(error)),
        }
        let making = Making { folder: folder.to_path_buf(), aside, made, _lock: lock };
        for old in making.written()? {
            remove(&old).map_err(failed(&old))?;
        }
        for part in parts {
            let path = making.aside.join(part);
            fs::create_dir_all(&path).map_err(failed(&path))?;
        }
        Ok(making)
    }

    /// Where to write.
    pub(super) fn aside(&self) -> &Path {
        &self.aside
    }

    /// What lies aside.
    fn written(&self) -> Result<Vec<PathBuf>, DemoError> {
        let mut found = entries(&self.aside)?;
        found.retain(|path| *path != self.aside.join(LOCK));
        Ok(found)
    }

    /// Puts everything in its place.
    ///
    /// # Errors
    /// When the file system refuses; nothing is in its place then.
    pub(super) fn publish(mut self) -> Result<(), DemoError> {
        let mut written = self.written()?;
        written.sort_by_key(|path| path.ends_with(STUDY));
        let mut placed = Vec::new();
        for path in &written {
            let target = self.folder.join(path.file_name().unwrap_or_default());
            if let Err(error) = fs::rename(path, &target) {
                // what is told is the first error
                placed.iter().for_each(|path: &PathBuf| drop(remove(path)));
                return Err(failed(&target)(error));
            }
            placed.push(target);
        }
        self.made.clear();
        Ok(())
    }
}

impl Drop for Making {
    fn drop(&mut self) {
        // nothing useful can be done if this fails; the next demo there clears it
        let _ = fs::remove_dir_all(&self.aside);
        for folder in &self.made {
            // refused where somebody put something in the meantime
            let _ = fs::remove_dir(folder);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_not_finished_leaves_no_trace() {
        let dir = tempfile::tempdir().unwrap();
        let folder = dir.path().join("a/b");
        let making = Making::start(&folder, &["layers"]).unwrap();
        assert!(matches!(Making::start(&folder, &[]), Err(DemoError::Busy(_))));
        fs::write(making.aside().join(STUDY), "").unwrap();
        drop(making);
        assert!(!dir.path().join("a").exists());
    }

    #[test]
    fn what_a_killed_one_left_is_cleared_and_nothing_else() {
        let dir = tempfile::tempdir().unwrap();
        fs::create_dir_all(dir.path().join(ASIDE).join("layers")).unwrap();
        fs::write(dir.path().join(ASIDE).join("layers/old.tif"), "").unwrap();
        let making = Making::start(dir.path(), &["layers"]).unwrap();
        fs::write(making.aside().join("layers/new.tif"), "").unwrap();
        fs::write(making.aside().join(STUDY), "").unwrap();
        making.publish().unwrap();
        let names = |path: &Path| -> Vec<_> {
            entries(path).unwrap().iter().map(|path| path.file_name().unwrap().to_owned()).collect()
        };
        assert_eq!(names(dir.path()), ["layers", STUDY]);
        assert_eq!(names(&dir.path().join("layers")), ["new.tif"]);
        assert!(matches!(Making::start(dir.path(), &[]), Err(DemoError::NotEmpty(_))));
    }
}
