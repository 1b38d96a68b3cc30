//! Reading climate tables, for tests that give it hostile bytes.

use super::{Needed, csv};
use lentic_study::Problem;
use lentic_study::settings::Climate;

/// Reads the columns that a climate names and puts them together over `needed`: the count of values of each column, with everything
/// that is wrong.
pub fn tables(climate: &Climate, needed: Needed) -> (Vec<usize>, Vec<Problem>) {
    let mut problems = Vec::new();
    let columns = csv::columns(climate, &mut problems);
    for zone in csv::zones_of(&columns) {
        // what it gives is judged by the problems it tells
        let _ = csv::series(&columns, zone, "", needed, &mut problems);
    }
    let count = |column: &csv::Column| column.by_zone.values().map(std::collections::BTreeMap::len).sum();
    (columns.iter().map(count).collect(), problems)
}
