//! When a run or a calibration began, and how long its stages took.

use crate::run_record::now;
use lentic_report::Stage;
use std::time::Instant;

/// Memory from which on a stage gives back what it freed: under it that costs more time than it is worth.
const RESIDENT_MIB: u64 = 256;

/// Times of the stages.
pub(crate) struct Clock {
    begun: Instant,
    last: Instant,
    /// When it began, for the record.
    pub started: String,
    /// The stages that are done.
    pub stages: Vec<Stage>,
}

impl Clock {
    /// Begins now.
    pub fn start() -> Self {
        let begun = Instant::now();
        Clock { begun, last: begun, started: now(), stages: Vec::new() }
    }

    /// A stage is done, over so many cells. What it held open is closed: what was decoded for it serves hardly another, and would
    /// stay in memory to the end.
    pub fn lap(&mut self, name: &str, cells: usize) {
        lentic_raster::close_own();
        rayon::broadcast(|_| lentic_raster::close_own());
        lentic_raster::give_back_beyond(RESIDENT_MIB);
        let seconds = self.last.elapsed().as_secs_f64();
        self.last = Instant::now();
        self.stages.push(Stage { name: name.into(), seconds, cells: cells as u64 });
    }

    /// Seconds since the beginning.
    pub fn seconds(&self) -> f64 {
        self.begun.elapsed().as_secs_f64()
    }
}
