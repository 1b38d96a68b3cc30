//! A run within a stated budget of memory: fewer tiles at a time and a smaller cache of decoded blocks, never other results.

use crate::check::Checked;
use crate::error::EngineError;

/// Least and most of GDAL's cache of decoded blocks, MiB.
pub const CACHE_MIB: std::ops::RangeInclusive<u64> = 16..=256;
/// Part of a budget that goes to that cache.
const CACHE_PART: u64 = 6;

/// How a run keeps to a budget.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Budget {
    /// Tiles in flight: threads.
    pub threads: usize,
    /// GDAL's cache, MiB.
    pub cache_mib: u64,
}

/// Memory a run needs, MiB.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Needs {
    /// Whatever runs at a time.
    pub fixed_mib: u64,
    /// For each thread.
    pub thread_mib: u64,
}

impl Budget {
    /// The budget of a study: as many threads as fit, up to those there are.
    ///
    /// # Errors
    /// A budget in which not even one thread fits.
    pub fn of(checked: &Checked, tile: usize, mib: u64) -> Result<Self, EngineError> {
        Self::fitting(checked.needs(tile), mib, rayon::current_num_threads())
            .map_err(|least_mib| EngineError::Memory { mib, least_mib, tile })
    }

    /// As [`Budget::of`], from what is needed; the error is the least that would do.
    fn fitting(needs: Needs, mib: u64, threads: usize) -> Result<Self, u64> {
        let Needs { fixed_mib, thread_mib } = needs;
        let cache_mib = (mib / CACHE_PART).clamp(*CACHE_MIB.start(), *CACHE_MIB.end());
        let room = mib.checked_sub(fixed_mib + cache_mib).map_or(0, |rest| rest / thread_mib.max(1));
        if room == 0 {
            // the cache takes its part of the least too
            let least = (fixed_mib + thread_mib) * CACHE_PART / (CACHE_PART - 1) + *CACHE_MIB.start();
            return Err(least);
        }
        Ok(Budget { threads: threads.min(room as usize), cache_mib })
    }

    /// Runs `work` within the budget.
    ///
    /// # Errors
    /// Those of `work`, or threads that cannot be made.
    pub fn hold<T: Send>(
        self,
        work: impl FnOnce() -> Result<T, EngineError> + Send,
    ) -> Result<T, EngineError> {
        lentic_raster::init(self.cache_mib as usize);
        let threads = self.threads;
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build();
        let pool = pool.map_err(|e| EngineError::Threads { threads, reason: e.to_string() })?;
        pool.install(work)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn threads_and_cache_fit_the_budget_and_the_least_is_enough() {
        let needs = Needs { fixed_mib: 300, thread_mib: 50 };
        assert_eq!(Budget::fitting(needs, 2000, 8), Ok(Budget { threads: 8, cache_mib: 256 }));
        // 600 / 6 for the cache, 200 for threads
        assert_eq!(Budget::fitting(needs, 600, 8), Ok(Budget { threads: 4, cache_mib: 100 }));
        let least = Budget::fitting(needs, 200, 8).unwrap_err();
        assert_eq!(Budget::fitting(needs, least, 8).map(|budget| budget.threads), Ok(1));
        for mib in least..3000 {
            let Budget { threads, cache_mib } = Budget::fitting(needs, mib, 64).unwrap();
            assert!(300 + 50 * threads as u64 + cache_mib <= mib, "{mib}");
        }
    }
}
