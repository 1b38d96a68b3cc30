//! Limits that the system sets a program, known before anything is computed.

use crate::error::EngineError;

/// Open files that a run needs besides the rasters it reads: flat files of cells, a few for each scenario.
const FILES: u64 = 256;
/// Addresses that the program and its libraries take before they hold anything, and what each thread takes of them, MiB: as seen on
/// Linux, where the C library sets a range of addresses aside for every thread.
const ADDRESSES_MIB: u64 = 700;
const THREAD_MIB: u64 = 130;

/// A limit as Linux tells it (proc(5)): `None` where there is none, or nobody tells.
fn limit(name: &str) -> Option<u64> {
    let text = std::fs::read_to_string("/proc/self/limits").ok()?;
    soft(&text, name)
}

fn soft(text: &str, name: &str) -> Option<u64> {
    let line = text.lines().find_map(|line| line.strip_prefix(name))?;
    line.split_whitespace().next()?.parse().ok()
}

/// Refuses to begin where too few files may be open at a time; else each thread keeps no more open than there is room for.
///
/// # Errors
/// A limit that is too low.
pub fn files(threads: usize) -> Result<(), EngineError> {
    let Some(limit) = limit("Max open files") else { return Ok(()) };
    if limit < FILES {
        return Err(EngineError::Limit(format!(
            "the system lets this program open {limit} files at a time, and it needs at least {FILES}: raise the limit (ulimit -n 1024) and start it again"
        )));
    }
    let each = (limit - FILES) / threads.max(1) as u64;
    lentic_raster::keep_open_at_most(usize::try_from(each).unwrap_or(usize::MAX));
    Ok(())
}

/// Refuses to begin what takes about `mib` of memory where the system gives fewer addresses: it would end in the middle, without a word.
///
/// # Errors
/// A limit that is too low.
pub fn addresses(mib: u64) -> Result<(), EngineError> {
    let Some(limit) = limit("Max address space").map(|bytes| bytes >> 20) else { return Ok(()) };
    let needed = ADDRESSES_MIB + THREAD_MIB * rayon::current_num_threads() as u64 + mib;
    if limit < needed {
        return Err(EngineError::Limit(format!(
            "the system lets this program have {limit} MiB of addresses, and this run needs about {needed} MiB with {} threads: raise the limit (ulimit -v) or give fewer --threads. To hold a run to so much memory, use --memory",
            rayon::current_num_threads()
        )));
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    #[test]
    fn limits_are_read_as_linux_tells_them() {
        let text = "Limit                     Soft Limit           Hard Limit           Units     \n\
            Max open files            1024                 524288               files     \n\
            Max address space         unlimited            unlimited            bytes     \n";
        assert_eq!(super::soft(text, "Max open files"), Some(1024));
        assert_eq!(super::soft(text, "Max address space"), None);
        assert_eq!(super::soft("", "Max open files"), None);
    }
}
