//! `[records]` resolved.

use crate::Month;
use std::path::PathBuf;

/// Records of the animal, not yet read.
#[derive(Clone, Debug, PartialEq)]
pub struct Records {
    /// The table.
    pub file: PathBuf,
    /// Reference system of rows that state none.
    pub crs: Option<String>,
    /// Vaguer ones are set aside, metres.
    pub maximum_uncertainty_m: f64,
    /// What rows without uncertainty are taken to have, metres.
    pub assumed_uncertainty_m: Option<f64>,
    /// First month used.
    pub from: Option<Month>,
    /// Last month used.
    pub to: Option<Month>,
    /// Layer of survey effort, by name.
    pub effort: Option<String>,
    /// Side of the squares tested together, metres; `None`: the farthest reach.
    pub block_m: Option<f64>,
    /// Cells of background.
    pub background: usize,
    /// Where they come from.
    pub source: String,
    /// Their licence.
    pub licence: String,
}
