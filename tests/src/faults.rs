//! Faults of a machine, really made: disks that are full or turned read-only, users without rights, limits of the system.

use crate::Outcome;
use std::collections::BTreeMap;
use std::fs;
use std::io::Write;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::Command;
use tempfile::TempDir;

/// Says, past the test runner that swallows what passing tests say, that a fault could not be made; where `LENTIC_ALL_FAULTS` is set
/// the test fails instead.
#[track_caller]
pub fn not_run(why: &str) {
    let place = std::panic::Location::caller();
    let _ = writeln!(std::io::stderr(), "\nNOT RUN ({place}): {why}\n");
    assert!(std::env::var_os("LENTIC_ALL_FAULTS").is_none(), "not run: {why}");
}

/// Whether the tests run as root, whom no file permission stops.
pub fn is_root() -> bool {
    Outcome::of(Command::new("id").arg("-u")).done().trim() == "0"
}

/// A disk of a set size in memory; given back when dropped.
pub struct Disk(TempDir);

impl Disk {
    /// `None`, and told, where disks cannot be mounted.
    #[track_caller]
    pub fn of_kib(kib: u64) -> Option<Disk> {
        let folder = TempDir::new().unwrap();
        let options = format!("size={kib}k,mode=0777");
        let mut mount = Command::new("mount");
        mount.args(["-t", "tmpfs", "-o", &options, "lentic-test"]).arg(folder.path());
        match mount.output() {
            Ok(output) if output.status.success() => Some(Disk(folder)),
            other => {
                let said = other.map(|o| String::from_utf8_lossy(&o.stderr).into_owned());
                not_run(&format!("a disk of its own needs root and the right to mount: {said:?}"));
                None
            }
        }
    }

    /// Where it is.
    pub fn path(&self) -> &Path {
        self.0.path()
    }

    /// What it holds now, KiB.
    #[track_caller]
    pub fn used_kib(&self) -> u64 {
        let said = Outcome::of(Command::new("df").args(["-k", "--output=used"]).arg(self.path())).done();
        said.lines().last().unwrap().trim().parse().unwrap()
    }

    /// Mounts it again with other options, as `size=100k` or `ro`.
    #[track_caller]
    pub fn remount(&self, options: &str) {
        Outcome::of(Command::new("mount").args(["-o", &format!("remount,{options}")]).arg(self.path()))
            .done();
    }
}

impl Disk {
    /// Lets nothing more be made or removed there, while files that are open stay so, as a disk that fails does.
    #[track_caller]
    pub fn turn_read_only(&self) {
        let mount = |options: &[&str]| {
            Outcome::of(Command::new("mount").args(options).arg(self.path())).done();
        };
        Outcome::of(Command::new("mount").arg("--bind").arg(self.path()).arg(self.path())).done();
        mount(&["-o", "remount,ro,bind"]);
    }

    /// Takes back [`Self::turn_read_only`].
    #[track_caller]
    pub fn turn_writable(&self) {
        Outcome::of(Command::new("umount").arg("-l").arg(self.path())).done();
    }
}

impl Drop for Disk {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg("-l").arg(self.path()).status();
    }
}

/// The user nobody (65534, common practice), running a program that lies where everybody may read it.
pub struct Nobody {
    _folder: TempDir,
    program: PathBuf,
}

impl Nobody {
    /// `None`, and told, where the tests may not become another user.
    #[track_caller]
    pub fn with(program: &Path) -> Option<Nobody> {
        if !is_root() {
            not_run("only root can run a program as another user");
            return None;
        }
        let folder = TempDir::new().unwrap();
        fs::set_permissions(folder.path(), fs::Permissions::from_mode(0o755)).unwrap();
        let copy = folder.path().join("program");
        fs::copy(program, &copy).unwrap();
        fs::set_permissions(&copy, fs::Permissions::from_mode(0o755)).unwrap();
        Some(Nobody { _folder: folder, program: copy })
    }

    /// The program as nobody.
    pub fn command(&self) -> Command {
        let mut command = Command::new("setpriv");
        command.args(["--reuid=65534", "--regid=65534", "--clear-groups"]).arg(&self.program);
        command
    }
}

/// Every file below a folder by its path in it, with its bytes, and every folder.
#[track_caller]
pub fn tree(folder: &Path) -> BTreeMap<String, Option<blake3::Hash>> {
    let mut found = BTreeMap::new();
    let mut folders = vec![folder.to_path_buf()];
    while let Some(next) = folders.pop() {
        for entry in fs::read_dir(&next).unwrap() {
            let path = entry.unwrap().path();
            let name = path.strip_prefix(folder).unwrap().display().to_string();
            if path.is_dir() && !path.is_symlink() {
                found.insert(name, None);
                folders.push(path);
            } else {
                found.insert(name, Some(blake3::hash(&fs::read(&path).unwrap_or_default())));
            }
        }
    }
    found
}

/// Names of what lies in a folder, in order.
#[track_caller]
pub fn names(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> =
        fs::read_dir(folder).unwrap().map(|e| e.unwrap().file_name().into_string().unwrap()).collect();
    names.sort();
    names
}

/// The checksum that a run is cited by.
#[track_caller]
pub fn checksum(run: &Path) -> String {
    let record: serde_json::Value = serde_json::from_slice(&fs::read(run.join("run.json")).unwrap()).unwrap();
    record["checksum"].as_str().unwrap().to_string()
}

/// Asserts that a program ended by itself, without a panic, with one of these codes and, where that is none of success, with words.
#[track_caller]
pub fn ended_clearly(outcome: &Outcome, codes: &[i32]) {
    assert!(outcome.code.is_some_and(|code| codes.contains(&code)), "{outcome:#?}");
    assert!(!outcome.stderr.contains("panicked"), "{outcome:#?}");
    assert!(outcome.code == Some(0) || outcome.stderr.contains("error"), "{outcome:#?}");
}
