//! The run folder: built beside its place and put there whole, so that a failed run leaves nothing.

use crate::error::{EngineError, io};
use crate::room::{self, is_full};
use crate::stop;
use lentic_report::{EditionKind, read_record};
use std::fs::{self, File, Permissions, TryLockError};
use std::os::unix::fs::PermissionsExt;
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
    /// The public edition of a run.
    Public,
}

impl Kind {
    /// The record of what was done.
    pub fn record(self) -> &'static str {
        match self {
            Kind::Run | Kind::Public => "run.json",
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
            Kind::Public => "public edition of a run",
        }
    }

    /// Whether a folder holds this kind. A run and its public edition never take each other's place: the one would be lost, or
    /// published.
    fn holds(self, folder: &Path) -> bool {
        let record = folder.join(self.record());
        if matches!(self, Kind::Calibration | Kind::Comparison) || !record.is_file() {
            return record.is_file();
        }
        let public = read_record(&record).is_ok_and(|record| record.edition.kind == EditionKind::Public);
        public == (self == Kind::Public)
    }
}

/// Modes of files and folders that only their owner may read.
const OWNER_FILE: u32 = 0o600;
const OWNER_FOLDER: u32 = 0o700;
/// What the group and all others may do.
const OTHERS: u32 = 0o077;

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
        target
            .file_name()
            .ok_or_else(|| folder("this is not a folder name; give one, as in reports/my-study".into()))?;
        if !target.is_dir() && (target.exists() || target.is_symlink()) {
            let what = if target.exists() { "a file, not a folder" } else { "a link that leads nowhere" };
            return Err(folder(format!("it is {what}; choose another with --out")));
        }
        if target.exists() {
            let mut entries = fs::read_dir(target).map_err(|e| folder(format!("cannot be read ({e})")))?;
            if entries.next().is_some() && !kind.holds(target) {
                return Err(folder(format!(
                    "it holds files that are not a {} of lentic, and would be replaced; choose another with --out",
                    kind.word()
                )));
            }
        }
        let parent = target.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
        if parent.exists() && !parent.is_dir() {
            return Err(folder(format!(
                "{} is a file, not a folder; choose another with --out",
                parent.display()
            )));
        }
        let refused = |e: std::io::Error| {
            if is_full(&e) {
                return room::told(io(target)(e), target, None, room::WITH_OUT);
            }
            folder(format!(
                "cannot be written ({e}); check the permissions of {} or choose another with --out",
                parent.display()
            ))
        };
        fs::create_dir_all(parent).map_err(refused)?;
        let part = sibling(target, ".part");
        fs::create_dir_all(&part).map_err(refused)?;
        // nobody else looks in while it is built; where the file system keeps no modes the caller warns
        let _ = fs::set_permissions(&part, Permissions::from_mode(OWNER_FOLDER));
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

    /// Whether the file system keeps modes, so that files can be for their owner only.
    pub fn keeps_modes(&self) -> bool {
        fs::metadata(&self.part).is_ok_and(|found| found.permissions().mode() & OTHERS == 0)
    }

    /// Leaves the products to their owner only. Where the file system keeps no modes nothing changes; see [`Self::keeps_modes`].
    ///
    /// # Errors
    /// When it refuses.
    pub fn close_to_others(&self) -> Result<(), EngineError> {
        if !self.keeps_modes() {
            return Ok(());
        }
        let set =
            |path: &Path, mode| fs::set_permissions(path, Permissions::from_mode(mode)).map_err(io(path));
        set(&self.run(), OWNER_FOLDER)?;
        walk(&self.run(), &mut |path, folder| set(path, if folder { OWNER_FOLDER } else { OWNER_FILE }))
    }

    /// Takes over the files of a finished folder but those that `left_out` names (by their path in it, with `/`): by a link where
    /// the file system has them, else by a copy. To change such a file write it anew, beside and renamed.
    ///
    /// # Errors
    /// When the file system refuses.
    pub fn take_over(&self, folder: &Path, left_out: impl Fn(&str) -> bool) -> Result<(), EngineError> {
        let target = self.run();
        walk(folder, &mut |path, is_folder| {
            let Ok(within) = path.strip_prefix(folder) else { return Ok(()) };
            stop::unless_asked()?;
            if left_out(&within.to_string_lossy()) {
                return Ok(());
            }
            let to = target.join(within);
            if is_folder {
                return fs::create_dir_all(&to).map_err(io(&to));
            }
            link_or_copy(path, &to).map_err(io(path))
        })
    }

    /// Where intermediate files go.
    pub fn work(&self) -> PathBuf {
        self.part.join("work")
    }

    /// A folder of products, created.
    ///
    /// # Errors
    /// When it cannot be created, or somebody asked to stop.
    pub fn section(&self, name: &str) -> Result<PathBuf, EngineError> {
        stop::unless_asked()?;
        let path = self.run().join(name);
        fs::create_dir_all(&path).map_err(io(&path))?;
        Ok(path)
    }

    /// Puts the finished run in its place; an earlier run there is replaced.
    ///
    /// # Errors
    /// When the file system refuses a rename, or somebody asked to stop.
    pub fn publish(&self) -> Result<(), EngineError> {
        stop::unless_asked()?;
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

/// What stands beside a file or folder under its name and an ending.
pub fn sibling(path: &Path, ending: &str) -> PathBuf {
    let mut name = path.file_name().unwrap_or_default().to_os_string();
    name.push(ending);
    path.with_file_name(name)
}

/// Puts a finished file in a second place: by a link where the file system has them, else by a copy.
///
/// # Errors
/// When the file system refuses.
pub fn link_or_copy(from: &Path, to: &Path) -> std::io::Result<()> {
    fs::hard_link(from, to).or_else(|_| fs::copy(from, to).map(|_| ()))
}

/// Refuses a run folder that holds what the run reads, or where it keeps its steps: both would go with the earlier run there.
///
/// # Errors
/// Such a folder.
pub fn replaces_none<'a>(
    target: &Path,
    mut read: impl Iterator<Item = &'a Path>,
    kept: Option<&Path>,
) -> Result<(), EngineError> {
    let refused = |reason: String| Err(EngineError::Folder { folder: target.to_path_buf(), reason });
    // of what is not there yet nothing is lost
    let Ok(own) = fs::canonicalize(target) else { return Ok(()) };
    let within = |path: &Path| fs::canonicalize(path).is_ok_and(|path| path.starts_with(&own));
    if let Some(path) = read.find(|path| within(path)) {
        return refused(format!(
            "it holds {}, which the run reads, and would be replaced; choose another with --out",
            path.display()
        ));
    }
    match kept.filter(|kept| within(kept)) {
        Some(kept) => refused(format!(
            "it holds {}, where steps are kept, and would be replaced; choose another with --out or --kept",
            kept.display()
        )),
        None => Ok(()),
    }
}

/// Shows everything in a folder to `see`, folders before what they hold; with it whether it is a folder.
fn walk(
    folder: &Path,
    see: &mut impl FnMut(&Path, bool) -> Result<(), EngineError>,
) -> Result<(), EngineError> {
    for entry in fs::read_dir(folder).map_err(io(folder))? {
        let path = entry.map_err(io(folder))?.path();
        let is_folder = path.is_dir() && !path.is_symlink();
        see(&path, is_folder)?;
        if is_folder {
            walk(&path, see)?;
        }
    }
    Ok(())
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
        assert!(Building::start(&target).is_err(), "the lock lasts as long as the building");
        drop(building);
        let again = Building::start(&target).unwrap();
        fs::write(again.run().join("run.json"), "2").unwrap();
        again.publish().unwrap();
        drop(again);
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
    fn finished_files_can_be_for_their_owner_only() {
        let dir = tempfile::tempdir().unwrap();
        let target = dir.path().join("run");
        let building = Building::start(&target).unwrap();
        fs::write(building.section("tables").unwrap().join("a.csv"), "a").unwrap();
        assert!(building.keeps_modes());
        building.close_to_others().unwrap();
        building.publish().unwrap();
        let mode = |path: &str| fs::metadata(target.join(path)).unwrap().permissions().mode() & 0o777;
        assert_eq!([mode(""), mode("tables"), mode("tables/a.csv")], [0o700, 0o700, 0o600]);
    }

    #[test]
    fn a_run_and_its_public_edition_do_not_take_each_others_place() {
        let dir = tempfile::tempdir().unwrap();
        let write = |name: &str, kind| {
            let folder = dir.path().join(name);
            fs::create_dir(&folder).unwrap();
            let mut record = lentic_report::RunRecord::default();
            record.edition.kind = kind;
            lentic_report::write_record(&folder.join("run.json"), &record).unwrap();
            folder
        };
        let (run, public) = (write("run", EditionKind::Sensitive), write("public", EditionKind::Public));
        assert!(Building::start_of(&run, Kind::Public).is_err());
        assert!(Building::start_of(&public, Kind::Run).is_err());
        assert!(Building::start_of(&run, Kind::Run).is_ok());
        assert!(Building::start_of(&public, Kind::Public).is_ok());
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
