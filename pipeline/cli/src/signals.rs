//! Signals that ask the program to stop: the first lets it end at the next tile or file, the second ends it at once.

use crate::say;
use lentic_engine::{EngineError, stop};
use signal_hook::consts::{SIGHUP, SIGINT, SIGTERM};
use signal_hook::iterator::Signals;
use signal_hook::low_level::exit;

/// Exit code of a program that a signal ended, less the signal (common practice of shells).
pub const BY_SIGNAL: i32 = 128;

/// Listens from now on, on a thread of its own. Signals that whoever started the program wanted ignored, as `nohup` does, stay so.
///
/// # Errors
/// When the system refuses a thread.
pub fn listen() -> Result<(), EngineError> {
    let refused = |e: std::io::Error| EngineError::Threads { threads: 1, reason: e.to_string() };
    let ignored = ignored();
    let wanted = [SIGHUP, SIGINT, SIGTERM].into_iter().filter(|signal| !ignored(*signal));
    let mut signals = Signals::new(wanted).map_err(refused)?;
    let answer = move || {
        for signal in signals.forever() {
            if !stop::ask(signal) {
                exit(BY_SIGNAL + signal);
            }
            say::err("stopping at the next tile or file; the signal again stops at once");
        }
    };
    std::thread::Builder::new().name("signals".into()).spawn(answer).map(|_| ()).map_err(refused)
}

/// Which signals were ignored when the program began, as Linux tells it (proc(5), SigIgn); where nobody tells, that of a terminal
/// that hangs up is taken to be.
fn ignored() -> impl Fn(i32) -> bool {
    let status = std::fs::read_to_string("/proc/self/status").ok();
    let mask = status.as_deref().and_then(|text| {
        let mask = text.lines().find_map(|line| line.strip_prefix("SigIgn:"))?;
        u64::from_str_radix(mask.trim(), 16).ok()
    });
    move |signal| mask.map_or(signal == SIGHUP, |mask| mask >> (signal - 1) & 1 == 1)
}
