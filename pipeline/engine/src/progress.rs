//! How the run tells what it does, without knowing who listens.

/// A listener. Calls come from several threads.
pub trait Progress: Sync {
    /// A stage begins that has `cells` cells of work (0: unknown).
    fn start(&self, stage: &str, cells: u64);
    /// `cells` more cells are done.
    fn advance(&self, cells: u64);
    /// The stage is done.
    fn finish(&self);
    /// A warning, said once.
    fn warn(&self, message: &str);
}

/// Nobody listens.
pub struct Silent;

impl Progress for Silent {
    fn start(&self, _stage: &str, _cells: u64) {}
    fn advance(&self, _cells: u64) {}
    fn finish(&self) {}
    fn warn(&self, _message: &str) {}
}
