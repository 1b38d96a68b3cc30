//! Rasters on servers: which may be fetched, what identifies them, and reading that goes on after a failure.
//!
//! GDAL reads the cells by ranges (`/vsicurl/`). What it does not say is asked here: whether the server gives parts of
//! files at all, what identifies the file, where redirects lead, and why reading failed.
//!
//! What may be fetched is set for the whole process by [`permit`], as GDAL's own settings are; nothing is until then.
//! Secrets (a query, a header) stay in this module: paths, messages and records know an address without them.

mod ask;
mod identity;

pub use identity::Identity;

use std::collections::HashMap;
use std::ffi::OsString;
use std::path::{Path, PathBuf};
use std::sync::{Arc, PoisonError, RwLock};
use std::time::{Duration, Instant};

use gdal::{Dataset, DatasetOptions, GdalOpenFlags};
use lentic_study::address;
use lentic_study::settings::Network;
use url::Url;

use crate::error::{RasterError, said};
use crate::ffi;
use ask::{Found, Trouble};

/// Side files would be asked for one by one.
const NO_LISTING: &str = "GDAL_DISABLE_READDIR_ON_OPEN";
/// Bytes fetched at once on opening: the header of most COGs.
const FIRST_BYTES: &str = "32768";
/// Pause before the second try; doubled for each further one.
const PAUSE: Duration = Duration::from_millis(500);
/// The longest pause.
const LONGEST_PAUSE: Duration = Duration::from_secs(30);

/// What may be fetched, with the secrets that go along.
struct Access {
    network: Network,
    query: Option<String>,
    header: Option<String>,
}

#[derive(Default)]
struct State {
    access: Option<Arc<Access>>,
    /// What was found by address; `None` where the server has no such file.
    known: HashMap<String, Option<Found>>,
}

static STATE: RwLock<Option<State>> = RwLock::new(None);

fn with_state<T>(change: impl FnOnce(&mut State) -> T) -> T {
    // what another thread left half done is a map without an entry
    let mut state = STATE.write().unwrap_or_else(PoisonError::into_inner);
    change(state.get_or_insert_default())
}

/// Sets what this process may fetch from now on, and forgets what it knew of servers. `None`: nothing.
///
/// # Errors
/// An environment variable named for a secret that is not there or cannot be used, or GDAL refuses an option.
pub fn permit(network: Option<&Network>) -> Result<(), RasterError> {
    crate::quiet();
    let access = network.map(Access::new).transpose()?.map(Arc::new);
    if let Some(access) = &access {
        access.set_options()?;
    }
    with_state(|state| *state = State { access, known: HashMap::new() });
    ffi::forget_remote(None);
    Ok(())
}

/// Whether a path is an address.
#[must_use]
pub fn is_remote(path: &Path) -> bool {
    path.to_str().is_some_and(address::is_address)
}

/// What identifies a file on a server, as found when it was first met; `None` where the server has no such file.
///
/// # Errors
/// An address that may not be fetched, or a server that gives no useful answer.
pub fn identity(path: &Path) -> Result<Option<Identity>, RasterError> {
    Ok(found(path)?.map(|found| found.identity))
}

/// As [`identity`], asked of the server anew.
///
/// # Errors
/// As there.
pub fn identity_now(path: &Path) -> Result<Option<Identity>, RasterError> {
    Ok(ask(path, "its header")?.map(|found| found.identity))
}

/// What was found of a file when it was first met.
fn found(path: &Path) -> Result<Option<Found>, RasterError> {
    let key = path.to_string_lossy().into_owned();
    if let Some(known) = with_state(|state| state.known.get(&key).cloned()) {
        return Ok(known);
    }
    let found = ask(path, "its header")?;
    with_state(|state| {
        state.known.entry(key).or_insert(found.clone());
    });
    Ok(found)
}

/// Asks a server for a file, trying again as often as the study says.
fn ask(path: &Path, what: &str) -> Result<Option<Found>, RasterError> {
    let text = path.to_string_lossy();
    let fail = |trouble: Trouble| trouble.told(path, what);
    let access = with_state(|state| state.access.clone()).ok_or_else(|| {
        fail(Trouble::refused("the study allows no network", "add its server to allow of [network]"))
    })?;
    let url = address::parse(&text)
        .map_err(|error| fail(Trouble::refused(&error.to_string(), "correct the address")))?;
    if !access.network.allows(&url) {
        let why = format!("the study allows {} only", access.network.allowed());
        return Err(fail(Trouble::refused(&why, "add its server to allow of [network]")));
    }
    ask::file(&access, &url).map_err(fail)
}

/// The raster at an address, opened by this thread.
pub(crate) fn open(path: &Path) -> Result<Dataset, RasterError> {
    let mut begun = None;
    loop {
        let found = found(path)?.ok_or_else(|| missing(path))?;
        let error = match open_once(&found.target) {
            Ok(dataset) => return Ok(dataset),
            Err(error) => error,
        };
        let why = scrubbed(&said(&error));
        // GDAL has tried again by itself; the server is asked whether the file is at fault or the way to it
        if again(path, "its header", &why, &mut begun)? {
            continue;
        }
        return Err(RasterError::Open {
            path: path.into(),
            what: "raster",
            said: why,
            formats: "GeoTIFF (COG included), as a file on a server must be",
        });
    }
}

fn open_once(target: &str) -> gdal::errors::Result<Dataset> {
    let options = DatasetOptions {
        open_flags: GdalOpenFlags::GDAL_OF_RASTER | GdalOpenFlags::GDAL_OF_READONLY,
        allowed_drivers: Some(&["GTiff"]),
        ..DatasetOptions::default()
    };
    alone(|| Dataset::open_ex(virtual_path(target), options))
}

/// Opens a raster without any file beside it.
pub(crate) fn alone(open: impl FnOnce() -> gdal::errors::Result<Dataset>) -> gdal::errors::Result<Dataset> {
    gdal::config::set_thread_local_config_option(NO_LISTING, "EMPTY_DIR")?;
    let opened = open();
    gdal::config::clear_thread_local_config_option(NO_LISTING)?;
    opened
}

fn virtual_path(target: &str) -> PathBuf {
    let mut path = OsString::from("/vsicurl/");
    path.push(target);
    PathBuf::from(path)
}

/// Reads cells of a file, here or on a server; on a server, again after a failure as often as the study says.
///
/// # Errors
/// What `read` gives; of a server with what it answers now.
pub(crate) fn trying<T>(
    path: &Path,
    read: impl Fn() -> Result<T, RasterError>,
    forget: impl Fn(),
) -> Result<T, RasterError> {
    let mut begun = None;
    loop {
        let error = match read() {
            Err(error) if is_remote(path) => error,
            other => return other,
        };
        let RasterError::Read { what, said, .. } = &error else { return Err(error) };
        forget();
        let why = scrubbed(said);
        if !again(path, what, &why, &mut begun)? {
            let mend = "the file may be cut short or damaged on the server; make it there again, or copy a whole one here and give its path";
            return Err(RasterError::Remote {
                address: shown(path),
                what: format!("reading {what}"),
                said: why,
                mend: mend.into(),
            });
        }
    }
}

/// Failed rounds of reading one thing.
struct Rounds {
    began: Instant,
    count: u32,
}

/// Whether to read again after a failure: the server answers, has the same file, and was not tried too often. Forgets what
/// GDAL keeps of the file.
fn again(path: &Path, what: &str, why: &str, rounds: &mut Option<Rounds>) -> Result<bool, RasterError> {
    let rounds = rounds.get_or_insert_with(|| Rounds { began: Instant::now(), count: 0 });
    let before = found(path)?.ok_or_else(|| missing(path))?;
    ffi::forget_remote(virtual_path(&before.target).to_str());
    let now = ask(path, what).map_err(|error| after(error, rounds, why))?;
    let Some(now) = now else { return Err(changed(path, &before.identity, "it is gone")) };
    if now.identity != before.identity {
        return Err(changed(path, &before.identity, &format!("now {}", now.identity)));
    }
    // a redirect may lead elsewhere now
    with_state(|state| state.known.insert(path.to_string_lossy().into_owned(), Some(now)));
    rounds.count += 1;
    let tries = with_state(|state| state.access.as_ref().map_or(1, |access| access.network.tries));
    if rounds.count >= tries {
        return Ok(false);
    }
    std::thread::sleep(pause(rounds.count));
    Ok(true)
}

/// Adds to an error what reading itself said.
fn after(error: RasterError, rounds: &Rounds, why: &str) -> RasterError {
    match error {
        RasterError::Remote { address, what, said, mend } => {
            let seconds = rounds.began.elapsed().as_secs();
            RasterError::Remote {
                address,
                what,
                said: format!("{said}; before, {seconds} s ago: {why}"),
                mend,
            }
        }
        other => other,
    }
}

/// That a file on a server is another than it was at the beginning.
#[must_use]
pub fn changed(path: &Path, before: &Identity, now: &str) -> RasterError {
    RasterError::Remote {
        address: shown(path),
        what: "reading it".into(),
        said: format!("it was changed during the run: at the beginning {before}, {now}"),
        mend: "run again when nobody changes it, or copy it here and give its path".into(),
    }
}

fn missing(path: &Path) -> RasterError {
    let trouble = Trouble::refused("the server has no such file (404 Not Found)", "correct the address");
    trouble.told(path, "its header")
}

/// How long to wait after so many failures.
fn pause(failures: u32) -> Duration {
    PAUSE.saturating_mul(1 << failures.saturating_sub(1).min(6)).min(LONGEST_PAUSE)
}

/// An address as it may be told.
fn shown(path: &Path) -> String {
    address::shown(&path.to_string_lossy())
}

/// A message of GDAL without what only this module may know.
fn scrubbed(text: &str) -> String {
    let access = with_state(|state| state.access.clone());
    let mut clean = text.replace("/vsicurl/", "");
    let secrets = access.iter().flat_map(|access| access.query.iter().chain(&access.header));
    for secret in secrets.filter(|secret| !secret.is_empty()) {
        clean = clean.replace(secret.as_str(), "...");
    }
    // a redirect may have added a query of its own
    let words = clean
        .split(' ')
        .map(|word| if address::is_address(word) { address::shown(word) } else { word.into() });
    words.collect::<Vec<String>>().join(" ")
}

impl Access {
    fn new(network: &Network) -> Result<Self, RasterError> {
        let read = |variable: &Option<String>, key: &str, fits: &dyn Fn(&str) -> bool, form: &str| {
            let Some(variable) = variable else { return Ok(None) };
            let value = std::env::var(variable).unwrap_or_default();
            let value = value.trim().to_string();
            if value.is_empty() || !fits(&value) || value.contains(char::is_control) {
                return Err(RasterError::Secret {
                    variable: variable.clone(),
                    key: key.into(),
                    form: form.into(),
                });
            }
            Ok(Some(value))
        };
        let query = read(
            &network.query_from,
            "query_from",
            &|text| !text.contains(['#', ' ']),
            "what follows the ? of a signed link",
        )?;
        let header = read(
            &network.header_from,
            "header_from",
            &|text| text.contains(':'),
            "a header such as Authorization: Bearer TOKEN",
        )?;
        let query = query.map(|query| query.trim_start_matches('?').to_string());
        Ok(Access { network: network.clone(), query, header })
    }

    /// The same rules for GDAL's own requests.
    fn set_options(&self) -> Result<(), RasterError> {
        let seconds = (self.network.timeout_s.ceil() as u64).max(1).to_string();
        let retries = self.network.tries.saturating_sub(1).to_string();
        let quoted = |header: &String| format!("\"{}\"", header.replace('\\', "\\\\").replace('"', "\\\""));
        let header = self.header.as_ref().map(quoted).unwrap_or_default();
        let options = [
            ("GDAL_HTTP_MAX_RETRY", retries.as_str()),
            ("GDAL_HTTP_RETRY_DELAY", "0.5"),
            ("GDAL_HTTP_CONNECTTIMEOUT", &seconds),
            ("GDAL_HTTP_LOW_SPEED_TIME", &seconds),
            ("GDAL_HTTP_LOW_SPEED_LIMIT", "1"),
            ("GDAL_HTTP_USERAGENT", ask::AGENT),
            ("GDAL_HTTP_HEADERS", &header),
            ("GDAL_INGESTED_BYTES_AT_OPEN", FIRST_BYTES),
        ];
        for (key, value) in options {
            let set = if value.is_empty() {
                gdal::config::clear_config_option(key)
            } else {
                gdal::config::set_config_option(key, value)
            };
            set.map_err(|error| RasterError::Library {
                doing: "setting how files are fetched",
                said: said(&error),
            })?;
        }
        Ok(())
    }

    /// An address as it is asked for.
    fn target(&self, url: &Url) -> String {
        match (&self.query, url.query()) {
            (Some(query), None) => format!("{url}?{query}"),
            _ => url.to_string(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_is_fetched_unless_permitted() {
        permit(None).unwrap();
        let text = identity(Path::new("https://tiles.invalid/a.tif")).unwrap_err().to_string();
        assert!(text.contains("allows no network"), "{text}");
    }

    #[test]
    fn pauses_double_and_end() {
        assert_eq!([1, 2, 3].map(|n| pause(n).as_millis()), [500, 1000, 2000]);
        assert_eq!(pause(60), LONGEST_PAUSE);
    }

    #[test]
    fn messages_of_gdal_lose_queries() {
        let told = scrubbed("HTTP error on /vsicurl/https://host/a.tif?sig=secret : 503");
        assert_eq!(told, "HTTP error on https://host/a.tif : 503");
    }
}
