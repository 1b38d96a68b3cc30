//! What the folder of masks remembers, so that a scene done with the same inputs and settings is left as it is.
//!
//! `scenes/NAME.tif` is the mask of a scene and `scenes/NAME.json` how it came out; `water.json` lists the months. A
//! mask counts as done only if its inputs, settings and its own bytes are still the same.

use super::find::Scene;
use super::{Context, write_whole};
use crate::error::{EngineError, io};
use crate::run::VERSION;
use crate::stop;
use lentic_report::Table;
use lentic_study::Month;
use rayon::prelude::*;
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet};
use std::fs::{self, File, TryLockError};
use std::path::{Path, PathBuf};

/// The file that marks a folder of masks.
const MARK: &str = "water.json";
/// The contact sheet.
pub(super) const SHEET: &str = "contact_sheet.png";

/// A file read.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct InputRecord {
    /// Path from the scenes file's folder, or the file name.
    pub file: String,
    /// Checksum of its bytes.
    pub blake3: String,
}

/// What a scene's mask is made from.
#[derive(Clone, Debug)]
pub(super) struct Ticket {
    /// Of inputs, settings and program.
    pub fingerprint: String,
    /// Files read.
    pub inputs: Vec<InputRecord>,
}

/// How a scene came out.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(super) struct SceneRecord {
    /// Of inputs, settings and program.
    pub fingerprint: String,
    /// Files read.
    pub inputs: Vec<InputRecord>,
    /// The mask, a path within the folder.
    pub mask: String,
    /// Checksum of the mask.
    pub blake3: String,
    /// Threshold used; `None` where nothing was clear.
    pub threshold: Option<f64>,
    /// Where it comes from.
    pub how: String,
    /// Cells of the study area with data, as a share.
    pub share_covered: Option<f64>,
    /// Cells of the study area with data and good quality.
    pub share_clear: Option<f64>,
    /// Clear cells with water.
    pub share_wet: Option<f64>,
    /// Clear cells without water, but under plants that hide it.
    pub share_hidden: Option<f64>,
    /// What to look at.
    pub flags: Vec<String>,
}

/// The mask of a month.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
struct MonthRecord {
    /// Of the masks of its scenes.
    fingerprint: String,
    /// Checksum of the mask.
    blake3: String,
}

/// `water.json`.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
struct FolderRecord {
    program: String,
    /// Of the table of scenes; empty while the work is not finished.
    fingerprint: String,
    months: BTreeMap<String, MonthRecord>,
    #[serde(default)]
    scenes: BTreeMap<String, SceneRecord>,
}

/// The folder of masks.
pub(super) struct Keeper {
    folder: PathBuf,
    record: FolderRecord,
    // held open: the lock lasts as long as this
    _lock: File,
}

impl Keeper {
    /// Opens or makes the folder.
    ///
    /// # Errors
    /// A folder that holds something else, that cannot be written, or that another run is writing.
    pub fn open(folder: &Path) -> Result<Self, EngineError> {
        let refuse = |reason: String| EngineError::Folder { folder: folder.to_path_buf(), reason };
        let mark = folder.join(MARK);
        let lock_path = folder.join(".lock");
        if folder.exists() {
            let mut entries = fs::read_dir(folder).map_err(|e| refuse(format!("cannot be read ({e})")))?;
            if entries.next().is_some() && !mark.is_file() && !lock_path.is_file() {
                let reason =
                    "it holds files that are not masks made by lentic water; choose another with --out";
                return Err(refuse(reason.into()));
            }
        }
        let refused =
            |e: std::io::Error| refuse(format!("cannot be written ({e}); choose another with --out"));
        fs::create_dir_all(folder.join("scenes")).map_err(refused)?;
        let lock = File::create(&lock_path).map_err(refused)?;
        match lock.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => {
                let reason = "another run is writing it; wait for that to end, or choose another with --out";
                return Err(refuse(reason.into()));
            }
            Err(TryLockError::Error(e)) => return Err(refused(e)),
        }
        // what was known is only used again if all of it can be read
        let record = read::<FolderRecord>(&mark).unwrap_or_default();
        Ok(Keeper { folder: folder.to_path_buf(), record, _lock: lock })
    }

    /// An empty folder for intermediate files; it goes with the keeper.
    pub fn work(&self) -> Result<PathBuf, EngineError> {
        let work = self.work_path();
        if work.exists() {
            fs::remove_dir_all(&work).map_err(io(&work))?;
        }
        fs::create_dir_all(&work).map_err(io(&work))?;
        Ok(work)
    }

    fn work_path(&self) -> PathBuf {
        self.folder.join(".work")
    }

    /// The mask of a scene, within the folder.
    fn scene_file(scene: &Scene) -> String {
        format!("scenes/{}.tif", scene.name)
    }

    /// The mask of a scene.
    pub fn scene_path(&self, scene: &Scene) -> PathBuf {
        self.folder.join(Self::scene_file(scene))
    }

    /// The mask that a record names.
    pub fn mask_path(&self, record: &SceneRecord) -> PathBuf {
        self.folder.join(&record.mask)
    }

    /// The mask of a month.
    pub fn month_path(&self, month: Month) -> PathBuf {
        self.folder.join(month_file(month))
    }

    /// The record of a scene whose mask need not be made again.
    pub fn kept(&self, scene: &Scene, ticket: &Ticket) -> Result<Option<SceneRecord>, EngineError> {
        stop::unless_asked()?;
        let mask = self.scene_path(scene);
        let found = read::<SceneRecord>(&mask.with_extension("json"));
        let Some(record) = found.filter(|r| r.fingerprint == ticket.fingerprint && mask.is_file()) else {
            return Ok(None);
        };
        Ok((digest(&mask)? == record.blake3).then_some(record))
    }

    /// Remembers a scene whose mask was made just now.
    pub fn keep(
        &self,
        scene: &Scene,
        ticket: &Ticket,
        record: SceneRecord,
    ) -> Result<SceneRecord, EngineError> {
        let path = self.scene_path(scene);
        let record = SceneRecord {
            fingerprint: ticket.fingerprint.clone(),
            inputs: ticket.inputs.clone(),
            mask: Self::scene_file(scene),
            blake3: digest(&path)?,
            ..record
        };
        write_json(&path.with_extension("json"), &record)?;
        Ok(record)
    }

    /// Notes the months about to be made, so that a later run knows them for its own.
    pub fn begin(&mut self, months: impl Iterator<Item = Month>) -> Result<(), EngineError> {
        let before = self.record.months.len();
        for month in months {
            self.record.months.entry(month.to_string()).or_default();
        }
        if self.record.months.len() > before {
            self.record.fingerprint.clear();
            write_json(&self.folder.join(MARK), &self.record)?;
        }
        Ok(())
    }

    /// Whether the mask of a month is that of just these scenes.
    pub fn has_month(&self, month: Month, scenes: &[&SceneRecord]) -> Result<bool, EngineError> {
        let path = self.month_path(month);
        let Some(record) = self.record.months.get(&month.to_string()) else { return Ok(false) };
        Ok(record.fingerprint == month_fingerprint(scenes)
            && path.is_file()
            && digest(&path)? == record.blake3)
    }

    /// Puts the mask of a month, made just now, in its place and remembers it.
    pub fn keep_month(
        &mut self,
        month: Month,
        made: &Path,
        scenes: &[&SceneRecord],
    ) -> Result<(), EngineError> {
        let blake3 = digest(made)?;
        let path = self.month_path(month);
        fs::rename(made, &path).map_err(io(&path))?;
        let record = MonthRecord { fingerprint: month_fingerprint(scenes), blake3 };
        self.record.months.insert(month.to_string(), record);
        Ok(())
    }

    /// Removes masks of scenes and months that are no longer asked for; gives whether there were any.
    pub fn remove_old(
        &mut self,
        scenes: &[Scene],
        months: impl Iterator<Item = Month>,
    ) -> Result<bool, EngineError> {
        let months: BTreeSet<String> = months.map(|month| month.to_string()).collect();
        let names: BTreeSet<&str> = scenes.iter().map(|scene| scene.name.as_str()).collect();
        let mut old = Vec::new();
        for month in self.record.months.keys().filter(|month| !months.contains(*month)) {
            old.push(self.folder.join(format!("water_{month}.tif")));
        }
        let folder = self.folder.join("scenes");
        for entry in fs::read_dir(&folder).map_err(io(&folder))? {
            let path = entry.map_err(io(&folder))?.path();
            let stem = path.file_stem().and_then(|stem| stem.to_str()).unwrap_or_default();
            // our own records only: whatever else lies there is left alone
            let ours = path.extension().is_some_and(|e| e == "json");
            if ours && !names.contains(stem) && read::<SceneRecord>(&path).is_some() {
                old.push(path.with_extension("tif"));
                old.push(path);
            }
        }
        self.record.months.retain(|month, _| months.contains(month));
        for path in old.iter().filter(|path| path.exists()) {
            fs::remove_file(path).map_err(io(path))?;
        }
        Ok(!old.is_empty())
    }

    /// Whether tables and contact sheet are those of this table of scenes.
    pub fn is_current(&self, table: &Table) -> bool {
        let files = ["scenes.csv", "scenes.parquet", "scenes.schema.json", SHEET];
        self.record.fingerprint == table_fingerprint(table)
            && files.iter().all(|file| self.folder.join(file).is_file())
    }

    /// Puts the contact sheet in its place.
    pub fn publish_sheet(&self, drawn: &Path) -> Result<(), EngineError> {
        let path = self.folder.join(SHEET);
        fs::rename(drawn, &path).map_err(io(&path))
    }

    /// Notes that everything is done.
    pub fn finish(
        &mut self,
        scenes: &[Scene],
        records: &[SceneRecord],
        table: &Table,
    ) -> Result<(), EngineError> {
        self.record.program = format!("lentic {VERSION}");
        self.record.fingerprint = table_fingerprint(table);
        self.record.scenes =
            scenes.iter().zip(records).map(|(scene, record)| (scene.name.clone(), record.clone())).collect();
        write_json(&self.folder.join(MARK), &self.record)
    }
}

impl Drop for Keeper {
    fn drop(&mut self) {
        // nothing useful can be done if this fails; the next run clears it
        let _ = fs::remove_dir_all(self.work_path());
    }
}

/// The file name of a month's mask.
pub(super) fn month_file(month: Month) -> String {
    format!("water_{month}.tif")
}

/// What every scene's mask is made from, in the order of scenes; every file is read once.
pub(super) fn tickets(context: &Context<'_>, scenes: &[Scene]) -> Result<Vec<Ticket>, EngineError> {
    let settings = &context.settings;
    let mut files: BTreeSet<&Path> =
        scenes.iter().flat_map(|s| s.files.iter().map(PathBuf::as_path)).collect();
    let hidden = settings.hidden.as_ref().map(|hidden| hidden.file.as_path());
    let area = settings.grid.area.as_deref();
    files.extend(hidden.into_iter().chain(area));
    context.progress.start("taking checksums", 0);
    let sums: BTreeMap<&Path, String> = files
        .into_par_iter()
        .map(|path| {
            stop::unless_asked()?;
            Ok((path, digest(path)?))
        })
        .collect::<Result<_, EngineError>>()?;
    context.progress.finish();
    let sum = |path: &Path| sums.get(path).cloned().unwrap_or_default();
    let grid = &context.grid;
    let bands: Vec<_> = settings.bands.iter().map(|b| (b.number, b.scale, b.offset, &b.no_data)).collect();
    let rest = settings.hidden.as_ref().map(|hidden| (hidden.band, &hidden.codes, sum(&hidden.file)));
    // the debug form of plain values: it is compared only with itself, under one program version
    let shared = format!(
        "{VERSION} {:?} {:?} {bands:?} {:?} {:?} {rest:?} {:?}",
        grid.crs.wkt(),
        (grid.left, grid.top, grid.cell_m, grid.rows, grid.cols),
        settings.rules,
        settings.index,
        area.map(sum)
    );
    Ok(scenes
        .iter()
        .map(|scene| {
            let input =
                |path: &PathBuf| InputRecord { file: named(&settings.folder, path), blake3: sum(path) };
            let mut inputs: Vec<InputRecord> = scene.files.iter().map(input).collect();
            let text = format!("{shared} {:?}", inputs.iter().map(|i| &i.blake3).collect::<Vec<_>>());
            inputs.dedup();
            Ticket { fingerprint: hash(text.as_bytes()), inputs }
        })
        .collect())
}

/// A path as it is told to others: from the folder of the scenes file, else the file name only.
fn named(folder: &Path, path: &Path) -> String {
    let told = path.strip_prefix(folder).ok().or_else(|| path.file_name().map(Path::new)).unwrap_or(path);
    told.to_string_lossy().into_owned()
}

fn month_fingerprint(scenes: &[&SceneRecord]) -> String {
    let sums: Vec<&str> = scenes.iter().map(|scene| scene.blake3.as_str()).collect();
    hash(format!("{VERSION} {}", sums.join(" ")).as_bytes())
}

fn table_fingerprint(table: &Table) -> String {
    hash(format!("{VERSION} {table:?}").as_bytes())
}

fn hash(bytes: &[u8]) -> String {
    blake3::hash(bytes).to_hex().to_string()
}

/// BLAKE3 of a file, read in pieces.
fn digest(path: &Path) -> Result<String, EngineError> {
    let mut file = File::open(path).map_err(io(path))?;
    let mut hasher = blake3::Hasher::new();
    std::io::copy(&mut file, &mut hasher).map_err(io(path))?;
    Ok(hasher.finalize().to_hex().to_string())
}

/// A record, `None` if it is not there or not whole: the work is then done again.
fn read<T: DeserializeOwned>(path: &Path) -> Option<T> {
    serde_json::from_slice(&fs::read(path).ok()?).ok()
}

fn write_json<T: Serialize>(path: &Path, value: &T) -> Result<(), EngineError> {
    let text = serde_json::to_string_pretty(value)
        .map_err(|error| EngineError::Io { path: path.to_path_buf(), source: error.into() })?;
    write_whole(path, format!("{text}\n").as_bytes())
}
