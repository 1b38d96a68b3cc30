//! Opened rasters, kept for the next read of the same thread.

use std::cell::RefCell;
use std::collections::{HashMap, HashSet};
use std::fs::File;
use std::io::ErrorKind;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};
use std::rc::Rc;
use std::sync::atomic::{AtomicUsize, Ordering};

use gdal::{Dataset, DatasetOptions, GdalOpenFlags};

use crate::beside;
use crate::error::{RasterError, said};
use crate::ffi;
use crate::remote;

/// Formats a raster may have. Formats that can point at other files or addresses are left out.
const DRIVERS: [&str; 5] = ["GTiff", "netCDF", "HFA", "ENVI", "AAIGrid"];
const DRIVER_NAMES: &str = "GeoTIFF (COG included), netCDF, ERDAS Imagine, ENVI, Arc/Info ASCII grid";

/// Most rasters one thread keeps open unless [`keep_open`] says otherwise.
const KEEP: usize = 64;

static MOST: AtomicUsize = AtomicUsize::new(KEEP);

/// Most that the system's limit of open files leaves to each thread.
static ALLOWED: AtomicUsize = AtomicUsize::new(usize::MAX);

/// The system's number for a program that may open no more files (EMFILE, the same on Linux and macOS).
const NO_MORE_FILES: i32 = 24;

/// Grows with each call of [`close_opened`].
static CLOSED: AtomicUsize = AtomicUsize::new(0);

thread_local! {
    static OPENED: RefCell<Kept> = RefCell::new(Kept::default());
}

/// An open raster.
#[derive(Clone)]
pub(crate) struct Opened {
    /// As GDAL knows it.
    pub(crate) dataset: Rc<Dataset>,
    /// Places in the file of its blocks that were found sound.
    pub(crate) sound: Rc<RefCell<HashSet<u64>>>,
}

/// The rasters a thread keeps open.
#[derive(Default)]
struct Kept {
    handles: HashMap<PathBuf, Handle>,
    /// `CLOSED` when they were opened.
    closed: usize,
}

struct Handle {
    raster: Opened,
    stamp: Option<Stamp>,
    /// Grows with each use; the least is closed first.
    used: u64,
}

/// Tells whether the file behind a path is still the one that was opened.
#[derive(PartialEq)]
struct Stamp {
    device: u64,
    inode: u64,
    bytes: u64,
    modified: (i64, i64),
}

/// Sets how many rasters each thread keeps open between reads (64 if never called; at least 1). A
/// thread that reads a stack of months tile by tile gains from keeping them all, as long as threads
/// times files stays under the system's limit of open files, often 1024.
pub fn keep_open(files_per_thread: usize) {
    MOST.store(files_per_thread.max(1), Ordering::Relaxed);
}

/// Whatever [`keep_open`] says, each thread keeps no more open than this from now on (at least 1), as the system's limit of open files
/// demands.
pub fn keep_open_at_most(files_per_thread: usize) {
    ALLOWED.store(files_per_thread.max(1), Ordering::Relaxed);
}

/// Does something that opens a file; where the system lets the program open no more, what is kept open is let go, and it is tried once
/// again.
pub(crate) fn with_a_handle<T>(act: impl Fn() -> std::io::Result<T>) -> std::io::Result<T> {
    act().or_else(|error| match error.raw_os_error() {
        Some(NO_MORE_FILES) => {
            let_go();
            act()
        }
        _ => Err(error),
    })
}

/// Closes this thread's rasters at once, those of another thread when it next opens one.
fn let_go() {
    let closed = CLOSED.fetch_add(1, Ordering::Relaxed) + 1;
    OPENED.with_borrow_mut(|opened| *opened = Kept { handles: HashMap::new(), closed });
}

/// Closes this thread's rasters; their decoded blocks go with them.
pub fn close_own() {
    OPENED.with_borrow_mut(|opened| opened.handles.clear());
}

/// Gives freed memory back to the system where the program holds more than this, MiB. Not where the system does not say how much it
/// holds.
pub fn give_back_beyond(mib: u64) {
    if resident_kib().is_some_and(|kib| kib >> 10 > mib) {
        ffi::give_back_memory();
    }
}

/// Memory this program holds, KiB, where the system says so as Linux does (proc(5), VmRSS of /proc/self/status).
fn resident_kib() -> Option<u64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let told = status.lines().find_map(|line| line.strip_prefix("VmRSS:"))?;
    told.trim().strip_suffix("kB")?.trim().parse().ok()
}

/// Closes what is open: this thread's rasters at once, those of another thread when it next opens one. With a raster go its
/// decoded blocks; their memory goes back to the system. For work that is done with its files.
pub fn close_opened() {
    let_go();
    ffi::give_back_memory();
}

impl Kept {
    /// Lets go what [`close_opened`] asked for.
    fn heed(&mut self) {
        let closed = CLOSED.load(Ordering::Relaxed);
        if self.closed != closed {
            *self = Kept { handles: HashMap::new(), closed };
        }
    }

    /// The raster at `path`, if it is open and still the same file.
    fn find(&mut self, path: &Path, stamp: Option<&Stamp>) -> Option<Opened> {
        self.heed();
        let next = self.next();
        let handle = self.handles.get_mut(path)?;
        if handle.stamp.as_ref() != stamp {
            self.handles.remove(path);
            return None;
        }
        handle.used = next;
        Some(handle.raster.clone())
    }

    /// Keeps a raster in the place of those used longest ago.
    fn keep(&mut self, path: &Path, raster: Opened, stamp: Option<Stamp>) {
        self.heed();
        while self.handles.len() >= MOST.load(Ordering::Relaxed).min(ALLOWED.load(Ordering::Relaxed)) {
            let oldest = self.handles.iter().min_by_key(|(_, handle)| handle.used);
            let Some(oldest) = oldest.map(|(path, _)| path.clone()) else { break };
            self.handles.remove(&oldest);
        }
        let used = self.next();
        self.handles.insert(path.to_path_buf(), Handle { raster, stamp, used });
    }

    fn next(&self) -> u64 {
        self.handles.values().map(|handle| handle.used).max().unwrap_or(0) + 1
    }
}

/// The raster at `path`, opened by this thread.
pub(crate) fn open(path: &Path) -> Result<Rc<Dataset>, RasterError> {
    Ok(open_kept(path)?.dataset)
}

/// The raster at `path`, opened by this thread, and what is known of its blocks.
pub(crate) fn open_kept(path: &Path) -> Result<Opened, RasterError> {
    let stamp = stamp(path);
    if let Some(found) = OPENED.with_borrow_mut(|kept| kept.find(path, stamp.as_ref())) {
        return Ok(found);
    }
    let raster = Opened { dataset: Rc::new(open_anew(path)?), sound: Rc::default() };
    OPENED.with_borrow_mut(|kept| kept.keep(path, raster.clone(), stamp));
    Ok(raster)
}

/// Closes the raster at `path` in this thread, so that it is opened anew.
pub(crate) fn forget(path: &Path) {
    OPENED.with_borrow_mut(|opened| opened.handles.remove(path));
}

/// A file as the system opens it, `None` where there is none: of one that cannot be opened the system says why, and GDAL does not.
pub(crate) fn opened(path: &Path) -> Result<Option<File>, RasterError> {
    match with_a_handle(|| File::open(path)) {
        Ok(file) => Ok(Some(file)),
        Err(error) if error.kind() == ErrorKind::NotFound => Ok(None),
        Err(error) => Err(RasterError::io(path, "opening it", error)),
    }
}

fn open_anew(path: &Path) -> Result<Dataset, RasterError> {
    crate::quiet();
    if remote::is_remote(path) {
        return remote::open(path);
    }
    let refuse = |said: String| RasterError::Open {
        path: path.to_path_buf(),
        what: "raster",
        said,
        formats: DRIVER_NAMES,
    };
    // a name that GDAL reads as something else than a file
    if path.to_string_lossy().starts_with("/vsi") || (path.exists() && !path.is_file()) {
        return Err(refuse("there is no such file".into()));
    }
    let Some(file) = opened(path)? else { return Err(refuse("there is no such file".into())) };
    let tiff = beside::is_tiff(file);
    beside::check(path, tiff)?;
    let options = DatasetOptions {
        open_flags: GdalOpenFlags::GDAL_OF_RASTER | GdalOpenFlags::GDAL_OF_READONLY,
        allowed_drivers: Some(if tiff { &DRIVERS[..1] } else { &DRIVERS[1..] }),
        ..DatasetOptions::default()
    };
    let opened = if tiff {
        remote::alone(|| Dataset::open_ex(path, options))
    } else {
        Dataset::open_ex(path, options)
    };
    opened.map_err(|error| refuse(said(&error)))
}

/// `None` where the path is no plain file, as with one served over a network.
fn stamp(path: &Path) -> Option<Stamp> {
    let data = std::fs::metadata(path).ok()?;
    Some(Stamp {
        device: data.dev(),
        inode: data.ino(),
        bytes: data.len(),
        modified: (data.mtime(), data.mtime_nsec()),
    })
}
