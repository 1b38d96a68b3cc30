//! The run folder: built beside its place and put there whole, so that a failed run leaves nothing.

use crate::error::{EngineError, io};
use std::fs::{self, File, TryLockError};
use std::path::{Path, PathBuf};

/// A run folder being built. Dropped without `publish`, it is removed.
pub struct Building {
    target: PathBuf,
    part: PathBuf,
    // held open: the lock lasts as long as this
    _lock: File,
}

/// What is built, told by the file that each of its folders holds: one that holds it may be replaced.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// A run.
    Run,
    /// A calibration.
    Calibration,
    /// A comparison of runs.
    Comparison,
}

impl Kind {
    /// The record of what was done.
    pub fn record(self) -> &'static str {
        match self {
            Kind::Run => "run.json",
            Kind::Calibration => "calibration.json",
            Kind::Comparison => "comparison.json",
        }
    }

    /// What it is called.
    pub fn word(self) -> &'static str {
        match self {
            Kind::Run => "run",
            Kind::Calibration => "calibration",
            Kind::Comparison => "comparison",
        }
    }
}

impl Building {
    /// Starts building the run folder `target`.
    ///
    /// # Errors
    /// When the target holds something that is not a run, cannot be written beside, or is being written by
    /// another run.
    pub fn start(target: &Path) -> Result<Self, EngineError> {
        Self::start_of(target, Kind::Run)
    }

    /// As [`Building::start`], of any kind.
    ///
    /// # Errors
    /// As there.
    pub fn start_of(target: &Path, kind: Kind) -> Result<Self, EngineError> {
        let folder = |reason: String| EngineError::Folder { folder: target.to_path_buf(), reason };
        let name = target
            .file_name()
            .ok_or_else(|| folder("this is not a folder name; give one, as in reports/my-study".into()))?;
        if target.exists() {
            let mut entries = fs::read_dir(target).map_err(|e| folder(format!("cannot be read ({e})")))?;
            if entries.next().is_some() && !target.join(kind.record()).is_file() {
                return Err(folder(format!(
                    "it holds files that are not a {} of lentic, and would be replaced; choose another with --out",
                    kind.word()
                )));
            }
        }
        let mut part_name = name.to_os_string();
        part_name.push(".part");
        let parent = target.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
        if parent.exists() && !parent.is_dir() {
            return Err(folder(format!(
                "{} is a file, not a folder; choose another with --out",
                parent.display()
            )));
        }
        let refused = |e: std::io::Error| {
            folder(format!(
                "cannot be written ({e}); check the permissions of {} or choose another with --out",
                parent.display()
            ))
        };
        fs::create_dir_all(parent).map_err(refused)?;
        let part = parent.join(part_name);
        fs::create_dir_all(&part).map_err(refused)?;
        let lock_path = part.join("lock");
        let lock = File::create(&lock_path).map_err(refused)?;
        match lock.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => {
                return Err(folder(
                    "another run is writing it; wait for that run to end, or choose another with --out"
                        .into(),
                ));
            }
            Err(TryLockError::Error(e)) => return Err(refused(e)),
        }
        let building = Building { target: target.to_path_buf(), part, _lock: lock };
        // a killed run may have left its work behind
        for folder in [building.run(), building.work()] {
            if folder.exists() {
                fs::remove_dir_all(&folder).map_err(io(&folder))?;
            }
            fs::create_dir_all(&folder).map_err(io(&folder))?;
        }
        Ok(building)
    }

    /// Where the products go for now.
    pub fn run(&self) -> PathBuf {
        self.part.join("run")
    }

    /// Where intermediate files go.
    pub fn work(&self) -> PathBuf {
        self.part.join("work")
    }

    /// A folder of products, created.
    ///
    /// # Errors
    /// When it cannot be created.
    pub fn section(&self, name: &str) -> Result<PathBuf, EngineError> {
        let path = self.run().join(name);
        fs::create_dir_all(&path).map_err(io(&path))?;
        Ok(path)
    }

    /// Puts the finished run in its place; an earlier run there is replaced.
    ///
    /// # Errors
    /// When the file system refuses a rename.
    pub fn publish(self) -> Result<(), EngineError> {
        let old = self.part.join("old");
        if old.exists() {
            fs::remove_dir_all(&old).map_err(io(&old))?;
        }
        if self.target.exists() {
            fs::rename(&self.target, &old).map_err(io(&self.target))?;
        }
        if let Err(e) = fs::rename(self.run(), &self.target) {
            // bring the earlier run back before giving up
            if old.exists() {
                fs::rename(&old, &self.target).map_err(io(&self.target))?;
            }
            return Err(io(&self.target)(e));
        }
        Ok(())
    }
}

impl Drop for Building {
    fn drop(&mut self) {
        // nothing useful can be done if this fails; the next run clears it
        let _ = fs::remove_dir_all(&self.part);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_run_appears_whole_or_not_at_all() {
        let dir = tempfile::tempdir().unwrap();
        let target = dir.path().join("a/run");
        {
            let building = Building::start(&target).unwrap();
            fs::write(building.run().join("run.json"), "{}").unwrap();
        }
        assert!(!target.exists());
        assert_eq!(fs::read_dir(dir.path().join("a")).unwrap().count(), 0);
        let building = Building::start(&target).unwrap();
        fs::write(building.run().join("run.json"), "1").unwrap();
        building.publish().unwrap();
        assert_eq!(fs::read_to_string(target.join("run.json")).unwrap(), "1");
        let again = Building::start(&target).unwrap();
        fs::write(again.run().join("run.json"), "2").unwrap();
        again.publish().unwrap();
        assert_eq!(fs::read_to_string(target.join("run.json")).unwrap(), "2");
        assert_eq!(fs::read_dir(dir.path().join("a")).unwrap().count(), 1);
    }

    #[test]
    fn a_folder_of_something_else_is_left_alone() {
        let dir = tempfile::tempdir().unwrap();
        fs::write(dir.path().join("thesis.txt"), "mine").unwrap();
        let refused = Building::start(dir.path()).err().map(|e| e.to_string()).unwrap();
        assert!(refused.contains("not a run of lentic"), "{refused}");
        assert!(dir.path().join("thesis.txt").is_file());
    }

    #[test]
    fn a_second_run_on_the_same_folder_is_refused() {
        let dir = tempfile::tempdir().unwrap();
        let target = dir.path().join("run");
        let _first = Building::start(&target).unwrap();
        let refused = Building::start(&target).err().map(|e| e.to_string()).unwrap();
        assert!(refused.contains("another run"), "{refused}");
    }
}
