//! Ground truth: a spatially balanced, stratified sample of points over a finished run's map, and the map's areas
//! corrected by what observers found there.

mod correct;
mod draw;
mod error;
mod map;
mod plan;
mod sheet;
mod tables;
mod target;

pub use correct::{ClassResult, CorrectOptions, Corrected, correct};
pub use draw::{DrawOptions, Drawn, DrawnStratum, draw};
pub use error::SurveyError;
pub use plan::{ByStratum, Wanted};

/// Square metres of a hectare.
const M2_PER_HA: f64 = 10_000.0;

/// What everybody who goes out must know.
pub const CAUTIONS: [&str; 6] = [
    "Places: locations of a rare animal guide collectors. Keep these files private and share no localities of animals or nests found on the way.",
    "Permits: entering land, wading in protected wetlands and handling animals need the permits of the country and the site, and the owner's word.",
    "Biosecurity: clean, disinfect and dry boots, nets and boats between pools.",
    "Animals: do not disturb overwintering or nesting turtles; no digging in banks, no draining, no probing of refuges.",
    "People: not alone at deep water or soft mud. A point that cannot be reached safely is left empty with a note; the next reserve point of its stratum takes its place.",
    "Blind: observers should not know the mapped class (the GPX file does not tell it). Every point needs the same protocol, written before the first visit.",
];

/// Reads a filled-in table, for tests that give it hostile bytes; the line of every row.
pub(crate) fn lines_of(table: &std::path::Path) -> Result<Vec<u64>, crate::EngineError> {
    Ok(sheet::read(table)?.iter().map(|row| row.line).collect())
}

#[cfg(test)]
mod tests;
