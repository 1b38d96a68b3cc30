//! The store: a folder beside the run folder that keeps what steps found, tile by tile, so that a later run computes only what
//! changed, a run that was stopped goes on, and several machines may share one run.
//!
//! `STEP/KEY/TILE.part` holds a tile, `STEP/KEY/windows` says how many there are, `STEP/KEY/done` that a step is whole, by its digest, `last.json` names what the
//! latest finished runs used, `rasters.json` their rasters. A part is named by the digest of everything it follows from and proves its own content, so that it is either right or
//! computed anew; nothing in the store needs a lock.

use super::ingredients::Ingredients;
use super::part::{Part, write_whole};
use super::rasters::Rasters;
use super::recipes::of;
use super::shard::Machines;
use super::steps::Step;
use super::working::Working;
use crate::error::{EngineError, io};
use crate::inputs;
use crate::room::{self, is_full};
use crate::watch::Watched;
use blake3::{Hash, Hasher};
use lentic_report::Input;
use lentic_study::settings::Scenario;
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet};
use std::fs::{self, Permissions};
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};
use std::time::Duration;

/// How many finished runs' parts stay, for each run folder.
const RUNS_KEPT: usize = 2;
/// How long parts of runs stay that did not finish.
const UNFINISHED_KEPT: Duration = Duration::from_secs(30 * 24 * 60 * 60);
/// Says that a folder is a store.
const LAST: &str = "last.json";

/// What a run used of a step: its part of the store and what it followed from.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Used {
    /// Folder in the store, with `/`.
    pub folder: String,
    /// What it follows from.
    pub ingredients: Ingredients,
}

/// What a finished run used, by step and what of.
type Run = BTreeMap<String, Used>;

/// What the latest finished runs used, by run folder, the latest first.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
pub struct Last {
    /// Runs.
    runs: BTreeMap<String, Vec<Run>>,
}

/// How much of a run was found in the store.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Counts {
    /// Parts found.
    pub kept: usize,
    /// Parts computed.
    pub computed: usize,
}

/// The store of a run; with no folder nothing is kept.
#[derive(Debug)]
pub struct Store {
    pub(super) folder: Option<PathBuf>,
    /// The run folder, which tells runs of several studies apart.
    pub(super) run: String,
    /// Rasters of the run before into the same folder.
    pub(super) earlier: Rasters,
    /// Rasters of this run.
    pub(super) rasters: Mutex<Rasters>,
    /// What every step follows from.
    pub(super) common: Common,
    pub(super) machines: Machines,
    used: Mutex<BTreeMap<String, Used>>,
    pub(super) digests: Mutex<BTreeMap<String, Hash>>,
    pub(super) counts: Mutex<Counts>,
    /// The inputs, which must stay as they are.
    watched: (Watched, Vec<Input>),
    /// Why nothing more is kept, once the disk refused.
    pub(super) failure: Mutex<Option<String>>,
}

/// Ingredients by where they come from.
#[derive(Clone, Debug, Default)]
pub struct Common {
    /// The program and its libraries.
    pub program: String,
    /// Of every step.
    pub all: Ingredients,
    /// Sections of the study, by name.
    pub sections: BTreeMap<&'static str, String>,
    /// Layers: settings and digest of the files.
    pub layers: BTreeMap<String, String>,
}

impl Store {
    /// A store that keeps nothing.
    pub fn nothing() -> Self {
        Store::over(None, Common::default(), Machines::One)
    }

    /// A store that holds nothing and is not written, for a plan.
    pub fn empty(common: Common) -> Self {
        Store::over(None, common, Machines::One)
    }

    fn over(folder: Option<PathBuf>, common: Common, machines: Machines) -> Self {
        Store {
            folder,
            run: String::new(),
            earlier: Rasters::new(),
            rasters: Mutex::default(),
            common,
            machines,
            used: Mutex::default(),
            digests: Mutex::default(),
            counts: Mutex::default(),
            watched: Default::default(),
            failure: Mutex::default(),
        }
    }

    /// Opens a store, made where there is none.
    ///
    /// # Errors
    /// A folder that holds something else, or cannot be made.
    pub fn open(folder: &Path, common: Common, machines: Machines) -> Result<Self, EngineError> {
        let refused = |reason: String| EngineError::Store { folder: folder.to_path_buf(), reason };
        let other = "give another with --kept, or run with --keep-nothing";
        if folder.exists() {
            let mut entries =
                fs::read_dir(folder).map_err(|e| refused(format!("it cannot be read ({e}); {other}")))?;
            if entries.next().is_some() && !folder.join(LAST).is_file() {
                return Err(refused(format!("it holds files that are no kept steps of lentic; {other}")));
            }
        }
        let made = fs::create_dir_all(folder).and_then(|()| {
            // exact places of a sensitive animal: for the owner only, where the file system keeps modes
            let _ = fs::set_permissions(folder, Permissions::from_mode(0o700));
            let last = folder.join(LAST);
            if last.exists() { Ok(()) } else { write_whole(&last, b"{\"runs\":{}}\n") }
        });
        made.map_err(|e| match is_full(&e) {
            true => room::told(io(folder)(e), folder, None, " with --kept"),
            false => refused(format!("it cannot be written ({e}); {other}")),
        })?;
        Ok(Store::over(Some(folder.to_path_buf()), common, machines))
    }

    /// The store of a run that reads these inputs.
    #[must_use]
    pub fn watching(self, files: Watched, inputs: &[Input]) -> Self {
        Store { watched: (files, inputs.to_vec()), ..self }
    }

    /// Asks whether all inputs stayed as they were. Where one did not, what this run kept may be of either, and is removed.
    ///
    /// # Errors
    /// An input that changed, or a server that gives no useful answer.
    pub fn inputs_unchanged(&self) -> Result<(), EngineError> {
        self.files_unchanged()?;
        self.forgetting(inputs::unchanged_on_servers(&self.watched.1))
    }

    /// As [`Self::inputs_unchanged`], of the files here.
    ///
    /// # Errors
    /// As there.
    pub fn files_unchanged(&self) -> Result<(), EngineError> {
        let (files, inputs) = &self.watched;
        self.forgetting(files.unchanged(inputs))
    }

    /// As [`Self::files_unchanged`], as far as they tell of themselves: quick enough to be asked before a tile is kept.
    ///
    /// # Errors
    /// As there.
    pub(super) fn files_untouched(&self) -> Result<(), EngineError> {
        self.watched.0.untouched()
    }

    fn forgetting(&self, found: Result<(), EngineError>) -> Result<(), EngineError> {
        if let (Err(_), Some(folder)) = (&found, &self.folder) {
            let used = self.used.lock().unwrap_or_else(PoisonError::into_inner);
            for used in used.values() {
                let path = folder.join(&used.folder);
                match fs::remove_dir_all(&path) {
                    Err(error) if error.kind() != std::io::ErrorKind::NotFound => {
                        return Err(io(&path)(error));
                    }
                    _ => {}
                }
            }
        }
        found
    }

    /// Begins a step over so many windows; `scenario` is that of [`Step::Scenario`].
    pub fn step(
        &self,
        step: Step,
        scenario: Option<&Scenario>,
        windows: usize,
        ingredients: Ingredients,
    ) -> Working<'_> {
        let name = named(step, of(step, scenario));
        let folder = self.folder.as_ref().map(|store| {
            let within = Store::within(step, &name, &ingredients);
            let mut used = self.used.lock().unwrap_or_else(PoisonError::into_inner);
            used.insert(name.clone(), Used { folder: within.clone(), ingredients });
            store.join(within)
        });
        // a plan has to know how many tiles there are; where this fails, keeping a tile fails too and is told
        if let Some(folder) = folder.as_ref().filter(|folder| !folder.join(WINDOWS).is_file()) {
            let _ = fs::create_dir_all(folder)
                .and_then(|()| write_whole(&folder.join(WINDOWS), windows.to_string().as_bytes()));
        }
        Working::new(self, step, name, folder, windows)
    }

    /// Where the parts of a step are in a store.
    pub(super) fn within(step: Step, name: &str, ingredients: &Ingredients) -> String {
        let key = ingredients.key(name).to_hex();
        format!("{}/{}", step.word(), &key[..32])
    }

    /// How many windows a step was begun over.
    pub(super) fn windows(&self, within: &str) -> Option<usize> {
        fs::read_to_string(self.folder.as_ref()?.join(within).join(WINDOWS)).ok()?.trim().parse().ok()
    }

    /// Digest of a step all of whose parts are there.
    pub(super) fn digest_of(&self, within: &str, windows: usize) -> Option<Hash> {
        let folder = self.folder.as_ref()?.join(within);
        let done =
            fs::read_to_string(folder.join(DONE)).ok().and_then(|text| Hash::from_hex(text.trim()).ok());
        done.or_else(|| {
            let parts = (0..windows).map(|at| {
                Part::read(&folder.join(format!("{at}.part")), &address(Path::new(within), at), false)
            });
            let digests = parts.enumerate().map(|(at, part)| Some((at, part?.1)));
            Some(digest_of_all(digests.collect::<Option<Vec<_>>>()?))
        })
    }

    /// Remembers what a step gave.
    pub(super) fn knows(&self, name: String, digest: Hash) {
        self.digests.lock().unwrap_or_else(PoisonError::into_inner).insert(name, digest);
    }

    /// Digest of a step that is whole, by its name; of nothing where nothing is kept.
    pub fn digest(&self, step: Step, of: &str) -> Hash {
        let digests = self.digests.lock().unwrap_or_else(PoisonError::into_inner);
        digests.get(&named(step, of)).copied().unwrap_or_else(|| blake3::hash(b""))
    }

    /// How much was found and how much computed so far.
    pub fn counts(&self) -> Counts {
        *self.counts.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Remembers the first thing that could not be kept.
    pub(super) fn failed(&self, path: &Path, error: &std::io::Error) {
        let mut failure = self.failure.lock().unwrap_or_else(PoisonError::into_inner);
        failure.get_or_insert_with(|| format!("{}: {error}", path.display()));
    }

    /// Why nothing more is kept, if the disk refused.
    pub fn failure(&self) -> Option<String> {
        self.failure.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// The store of a run into this folder.
    #[must_use]
    pub fn of_run(self, out: &Path) -> Self {
        let run = std::path::absolute(out).unwrap_or_else(|_| out.to_path_buf()).display().to_string();
        let earlier =
            self.folder.as_deref().map(|store| Store::earlier_rasters(store, &run)).unwrap_or_default();
        Store { run, earlier, ..self }
    }

    /// What a step followed from in the latest finished run, if it was part of it.
    pub fn last(&self, name: &str) -> Option<Ingredients> {
        let mut last = last_of(self.folder.as_deref()?);
        let run = last.runs.remove(&self.run)?.into_iter().next()?;
        Some(run.get(name)?.ingredients.clone())
    }

    /// Parts of a step there are, by window.
    pub fn parts(&self, within: &str) -> BTreeSet<usize> {
        let Some(folder) = self.folder.as_ref().map(|store| store.join(within)) else {
            return BTreeSet::new();
        };
        let entries = fs::read_dir(folder).into_iter().flatten().flatten();
        let number = |entry: fs::DirEntry| entry.file_name().to_str()?.strip_suffix(".part")?.parse().ok();
        entries.filter_map(number).collect()
    }

    /// Remembers what this finished run used, and removes what neither it nor the finished run before it into the same run folder
    /// used, nor one into another; and what no run that finished used, after a time.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn close(&self) -> Result<(), EngineError> {
        let Some(folder) = &self.folder else { return Ok(()) };
        let used = self.used.lock().unwrap_or_else(PoisonError::into_inner).clone();
        let mut last = last_of(folder);
        let of_folder = last.runs.entry(self.run.clone()).or_default();
        of_folder.insert(0, used);
        let gone = of_folder.split_off(RUNS_KEPT.min(of_folder.len()));
        note(&folder.join(LAST), &last)?;
        self.close_rasters(folder)?;
        let folders = |runs: &mut dyn Iterator<Item = &Run>| -> BTreeSet<String> {
            runs.flat_map(BTreeMap::values).map(|used| used.folder.clone()).collect()
        };
        let wanted = folders(&mut last.runs.values().flatten());
        let dropped = folders(&mut gone.iter());
        for step in Step::ALL {
            for entry in fs::read_dir(folder.join(step.word())).into_iter().flatten().flatten() {
                let within = format!("{}/{}", step.word(), entry.file_name().to_string_lossy());
                // another run may be at what no finished run used
                let stale = || {
                    let modified = entry.metadata().and_then(|found| found.modified()).ok();
                    modified.and_then(|then| then.elapsed().ok()).is_some_and(|age| age > UNFINISHED_KEPT)
                };
                if !wanted.contains(&within) && (dropped.contains(&within) || stale()) {
                    // what cannot be removed costs room only
                    let _ = fs::remove_dir_all(entry.path());
                }
            }
        }
        Ok(())
    }
}

/// The name that a step is told apart by.
pub(super) fn named(step: Step, of: &str) -> String {
    if of.is_empty() { step.word().to_string() } else { format!("{} {of}", step.word()) }
}

/// Says that a step is whole: its digest.
pub(super) const DONE: &str = "done";
/// Says how many windows a step works on.
const WINDOWS: &str = "windows";

/// What tells a part from all others: its step with all that it follows from (the last two names of the folder), and its number.
pub(super) fn address(folder: &Path, at: usize) -> Hash {
    let names: Vec<_> = folder.iter().rev().take(2).map(|name| name.to_string_lossy()).collect();
    blake3::hash(format!("{names:?} {at}").as_bytes())
}

/// Digest of a step from those of its parts, by window.
pub(super) fn digest_of_all(digests: impl IntoIterator<Item = (usize, Hash)>) -> Hash {
    let mut hasher = Hasher::new();
    for (at, digest) in digests {
        hasher.update(&(at as u64).to_le_bytes());
        hasher.update(digest.as_bytes());
    }
    hasher.finalize()
}

fn last_of(folder: &Path) -> Last {
    // a damaged list of runs costs nothing but the words of a plan
    noted(&folder.join(LAST))
}

/// What a note in a store says; nothing where it is not there or damaged.
pub(super) fn noted<T: DeserializeOwned + Default>(path: &Path) -> T {
    fs::read_to_string(path).ok().and_then(|text| serde_json::from_str(&text).ok()).unwrap_or_default()
}

/// Writes a note, whole or not at all.
pub(super) fn note(path: &Path, what: &impl Serialize) -> Result<(), EngineError> {
    let text = serde_json::to_string(what).unwrap_or_default();
    write_whole(path, text.as_bytes()).map_err(io(path))
}
