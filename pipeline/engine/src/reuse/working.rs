//! A step at work: windows found in the store, windows computed and kept.

use super::part::{Part, write_whole};
use super::shard::{Machines, Shard};
use super::steps::Step;
use super::store::{DONE, Store, address, digest_of_all};
use crate::error::{EngineError, io};
use blake3::Hash;
use lentic_raster::{RawCells, Window};
use serde::Serialize;
use serde::de::DeserializeOwned;
use std::collections::BTreeMap;
use std::fs;
use std::ops::Range;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

/// What a step leaves of a window besides what it returns.
#[derive(Default)]
pub struct Leaves<'a> {
    /// Windows of files over the grid.
    pub cells: Vec<&'a dyn RawCells>,
    /// Files of the window's own.
    pub files: Vec<PathBuf>,
}

/// A step at work.
pub struct Working<'s> {
    store: &'s Store,
    step: Step,
    name: String,
    /// Where its parts are; `None` where nothing is kept.
    folder: Option<PathBuf>,
    windows: usize,
    digests: Mutex<BTreeMap<usize, Hash>>,
}

impl<'s> Working<'s> {
    pub(super) fn new(
        store: &'s Store,
        step: Step,
        name: String,
        folder: Option<PathBuf>,
        windows: usize,
    ) -> Self {
        Working { store, step, name, folder, windows, digests: Mutex::default() }
    }

    /// The windows to work on: all, or those of a share.
    pub fn own(&self) -> Range<usize> {
        self.share().map_or(0..self.windows, |shard| shard.own(self.windows))
    }

    /// The share of this step that is all there is to do.
    fn share(&self) -> Option<Shard> {
        match self.store.machines {
            Machines::Share(shard) if shard.step == self.step => Some(shard),
            _ => None,
        }
    }

    /// What it does, for people.
    pub fn title(&self) -> &'static str {
        self.step.title()
    }

    fn part(&self, at: usize) -> Option<(PathBuf, Hash)> {
        self.folder.as_ref().map(|folder| (folder.join(format!("{at}.part")), address(folder, at)))
    }

    /// What a window gives: from the store, or computed and kept.
    ///
    /// # Errors
    /// Those of `compute`, or a disk that refuses; in a share also a window that the store should hold and does not.
    pub fn window<T: Serialize + DeserializeOwned>(
        &self,
        at: usize,
        window: &Window,
        leaves: &Leaves,
        compute: impl FnOnce() -> Result<T, EngineError>,
    ) -> Result<T, EngineError> {
        let Some((path, address)) = self.part(at) else { return compute() };
        if let Some((part, digest)) = Part::read(&path, &address, true) {
            let value = postcard::from_bytes(&part.value).ok();
            if let Some(value) = value.filter(|_| leaves.restore(window, &part.cells).is_ok()) {
                self.count(at, digest, true);
                return Ok(value);
            }
        }
        if self.store.machines != Machines::One && self.share().is_none() && !self.step.is_small() {
            // one that is there but does not read back must not be counted as kept by a plan
            let _ = fs::remove_file(&path);
            return Err(EngineError::Lacking {
                step: self.step.title(),
                windows: vec![at],
                of: self.windows,
            });
        }
        let value = compute()?;
        let packed = postcard::to_allocvec(&value).map_err(|error| EngineError::Store {
            folder: path.clone(),
            reason: format!("what a tile gave cannot be written down ({error}); run with --keep-nothing"),
        })?;
        // what was computed from a file that changed must not be kept under the checksum of before
        self.store.files_untouched()?;
        let part = Part { value: packed, cells: leaves.gather(window)? };
        self.count(at, part.digest(), false);
        self.keep(&part, (&path, &address))?;
        Ok(value)
    }

    /// A run goes on without keeping where the disk refuses; a share is nothing but what it keeps.
    fn keep(&self, part: &Part, (path, address): (&Path, &Hash)) -> Result<(), EngineError> {
        let failed = |failure: &Mutex<Option<String>>| {
            failure.lock().unwrap_or_else(PoisonError::into_inner).is_some()
        };
        if self.share().is_none() && failed(&self.store.failure) {
            return Ok(());
        }
        let folder = path.parent().unwrap_or(Path::new("."));
        let written = fs::create_dir_all(folder).and_then(|()| part.write(path, address));
        match written {
            Ok(_) => Ok(()),
            Err(error) if self.share().is_some() => Err(io(path)(error)),
            Err(error) => {
                self.store.failed(path, &error);
                Ok(())
            }
        }
    }

    fn count(&self, at: usize, digest: Hash, kept: bool) {
        self.digests.lock().unwrap_or_else(PoisonError::into_inner).insert(at, digest);
        let mut counts = self.store.counts.lock().unwrap_or_else(PoisonError::into_inner);
        if kept { counts.kept += 1 } else { counts.computed += 1 }
    }

    /// Ends the step, and with it a run that was to do no more than a share of it. What follows hangs on its digest.
    ///
    /// # Errors
    /// [`EngineError::ShareDone`] where this share was all there was to do; an input that changed, or a disk that refuses.
    pub fn finish(self) -> Result<(), EngineError> {
        let Some(folder) = &self.folder else { return Ok(()) };
        if self.share().is_some() {
            self.store.inputs_unchanged()?;
            return Err(EngineError::ShareDone);
        }
        let digests = self.digests.into_inner().unwrap_or_else(PoisonError::into_inner);
        let digest = digest_of_all(digests);
        if folder.is_dir() && self.store.failure().is_none() {
            let done = folder.join(DONE);
            if let Err(error) = write_whole(&done, digest.to_hex().as_bytes()) {
                self.store.failed(&done, &error);
            }
        }
        self.store.knows(self.name, digest);
        Ok(())
    }
}

impl Leaves<'_> {
    fn gather(&self, window: &Window) -> Result<Vec<u8>, EngineError> {
        let mut bytes = Vec::new();
        for cells in &self.cells {
            bytes.extend(cells.read_raw(window)?);
        }
        for path in &self.files {
            let content = fs::read(path).map_err(io(path))?;
            bytes.extend((content.len() as u64).to_le_bytes());
            bytes.extend(content);
        }
        Ok(bytes)
    }

    fn restore(&self, window: &Window, bytes: &[u8]) -> Result<(), EngineError> {
        let short = || io(Path::new("a kept part"))(std::io::Error::other("it is too short"));
        let mut rest = bytes;
        for cells in &self.cells {
            let (own, after) = rest.split_at_checked(window.len() * cells.cell_bytes()).ok_or_else(short)?;
            cells.write_raw(window, own)?;
            rest = after;
        }
        for path in &self.files {
            let (length, after) = rest.split_first_chunk::<8>().ok_or_else(short)?;
            let (own, after) =
                after.split_at_checked(u64::from_le_bytes(*length) as usize).ok_or_else(short)?;
            fs::write(path, own).map_err(io(path))?;
            rest = after;
        }
        if rest.is_empty() { Ok(()) } else { Err(short()) }
    }
}
