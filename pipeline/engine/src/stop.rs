//! Stopping when asked to: a signal leaves a mark, and work ends at the next tile or file as on an error, so that what is under way is
//! removed and what was kept stays.

use crate::error::EngineError;
use std::sync::atomic::{AtomicI32, Ordering};

/// The signal that asked first; 0: none.
static ASKED: AtomicI32 = AtomicI32::new(0);

/// Asks all work of this process to stop. Whether nobody had asked before.
pub fn ask(signal: i32) -> bool {
    ASKED.compare_exchange(0, signal, Ordering::Relaxed, Ordering::Relaxed).is_ok()
}

/// Goes on unless somebody asked to stop.
///
/// # Errors
/// [`EngineError::Stopped`] where somebody did.
pub(crate) fn unless_asked() -> Result<(), EngineError> {
    match ASKED.load(Ordering::Relaxed) {
        0 => Ok(()),
        signal => Err(EngineError::Stopped { signal, kept: false }),
    }
}

/// The usual name of a signal.
pub(crate) fn name(signal: i32) -> String {
    // common practice: POSIX gives these three their numbers
    match signal {
        1 => "SIGHUP".into(),
        2 => "SIGINT".into(),
        15 => "SIGTERM".into(),
        other => format!("signal {other}"),
    }
}
