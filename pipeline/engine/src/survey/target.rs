//! The folder of a survey: it appears whole, and field work in it is never overwritten.

use super::SurveyError;
use crate::error::{EngineError, io};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use tempfile::TempDir;

/// The file that says how a survey was drawn.
pub(super) const RECORD: &str = "survey.json";
/// The table of points.
pub(super) const TABLE: &str = "survey.csv";
/// The points as a layer.
pub(super) const LAYER: &str = "survey.gpkg";
/// The points as waypoints.
pub(super) const WAYPOINTS: &str = "survey.gpx";

/// Places are for the owner's eyes only.
const PRIVATE_FILE: u32 = 0o600;
const PRIVATE_FOLDER: u32 = 0o700;

/// The part of the record that tells whether its files are as they were drawn.
#[derive(Serialize, Deserialize)]
struct Written {
    files: BTreeMap<String, String>,
}

/// Refuses a folder inside the run folder: the next run there would take field work away with the old products.
///
/// # Errors
/// Such a folder.
pub(super) fn outside(run: &Path, target: &Path) -> Result<(), SurveyError> {
    let run = run.canonicalize().ok();
    let whole = std::path::absolute(target).unwrap_or_else(|_| target.to_path_buf());
    if run.is_some() && whole.ancestors().any(|folder| folder.canonicalize().ok() == run) {
        let reason = "it lies in the run folder, which the next run replaces; choose another with --out";
        return Err(SurveyError::Target { folder: target.to_path_buf(), reason: reason.into() });
    }
    Ok(())
}

/// Refuses a folder that holds anything but a survey nobody has touched.
///
/// # Errors
/// Such a folder; a file in its place.
pub(super) fn check(target: &Path) -> Result<(), SurveyError> {
    let refuse = |reason: String| Err(SurveyError::Target { folder: target.to_path_buf(), reason });
    if !target.exists() {
        return Ok(());
    }
    if !target.is_dir() {
        return refuse("it is a file, not a folder; choose another with --out".into());
    }
    let names = match fs::read_dir(target).and_then(|entries| {
        entries
            .map(|entry| Ok(entry?.file_name().to_string_lossy().into_owned()))
            .collect::<Result<Vec<_>, _>>()
    }) {
        Ok(names) => names,
        Err(e) => return refuse(format!("cannot be read ({e}); choose another with --out")),
    };
    if names.is_empty() {
        return Ok(());
    }
    let ours = [RECORD, TABLE, LAYER, WAYPOINTS];
    if let Some(other) = names.iter().find(|name| !ours.contains(&name.as_str())) {
        return refuse(format!(
            "it holds \"{other}\", which is no part of an empty survey, and would be replaced; choose another with --out"
        ));
    }
    let record = fs::read_to_string(target.join(RECORD)).ok();
    let written = record.and_then(|text| serde_json::from_str::<Written>(&text).ok());
    let digest = |name: &str| fs::read(target.join(name)).ok().map(|bytes| checksum(&bytes));
    let changed = |name: &str| match &written {
        Some(written) => written.files.get(name) != digest(name).as_ref(),
        None => target.join(name).exists(),
    };
    if let Some(name) = [TABLE, LAYER, WAYPOINTS].into_iter().find(|name| changed(name)) {
        return refuse(format!(
            "{name} is not as it was drawn: it may hold field work, which is never overwritten; choose another with --out"
        ));
    }
    Ok(())
}

/// BLAKE3 of some bytes, hexadecimal.
fn checksum(bytes: &[u8]) -> String {
    blake3::hash(bytes).to_hex().to_string()
}

/// A survey being written, beside its place. Dropped without `publish`, it is removed.
pub(super) struct Writing {
    target: PathBuf,
    // removed when dropped, with an earlier survey moved into it
    work: TempDir,
}

impl Writing {
    /// Starts writing the survey `target`.
    ///
    /// # Errors
    /// A target that may not be replaced or cannot be written beside.
    pub fn start(target: &Path) -> Result<Self, EngineError> {
        check(target)?;
        let refuse = |e: std::io::Error| SurveyError::Target {
            folder: target.to_path_buf(),
            reason: format!("cannot be written ({e}); check permissions or choose another with --out"),
        };
        let parent = target.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
        fs::create_dir_all(parent).map_err(refuse)?;
        // nobody else may look into such a folder
        let work = tempfile::Builder::new().prefix(".survey-").tempdir_in(parent).map_err(refuse)?;
        let writing = Writing { target: target.to_path_buf(), work };
        fs::create_dir(writing.folder()).map_err(refuse)?;
        Ok(writing)
    }

    /// Where the files go for now.
    pub fn folder(&self) -> PathBuf {
        self.work.path().join("new")
    }

    /// Checksums of the files written so far, by name.
    ///
    /// # Errors
    /// A file that cannot be read.
    pub fn checksums(&self) -> Result<BTreeMap<String, String>, EngineError> {
        [TABLE, LAYER, WAYPOINTS]
            .into_iter()
            .map(|name| {
                let path = self.folder().join(name);
                Ok((name.to_string(), checksum(&fs::read(&path).map_err(io(&path))?)))
            })
            .collect()
    }

    /// Makes all files private and puts the folder in its place.
    ///
    /// # Errors
    /// When the file system refuses.
    pub fn publish(self) -> Result<(), EngineError> {
        let folder = self.folder();
        let private =
            |path: &Path, mode| fs::set_permissions(path, fs::Permissions::from_mode(mode)).map_err(io(path));
        for name in [TABLE, LAYER, WAYPOINTS, RECORD] {
            private(&folder.join(name), PRIVATE_FILE)?;
        }
        private(&folder, PRIVATE_FOLDER)?;
        // once more, as somebody may have written there meanwhile
        check(&self.target)?;
        let old = self.work.path().join("old");
        if self.target.exists() {
            fs::rename(&self.target, &old).map_err(io(&self.target))?;
        }
        if let Err(e) = fs::rename(&folder, &self.target) {
            // bring the earlier survey back before giving up
            if old.exists() {
                fs::rename(&old, &self.target).map_err(io(&self.target))?;
            }
            return Err(io(&self.target)(e));
        }
        Ok(())
    }
}
