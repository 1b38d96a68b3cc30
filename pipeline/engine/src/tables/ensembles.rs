//! Table of ensembles.

use super::{numbers, table, words};
use crate::costs::ensembles::Ensemble;
use crate::stages::scenarios::Case;
use crate::stages::suitability::ScenarioAreas;
use lentic_habitat::change::ha;
use lentic_numerics::stats::quantile;
use lentic_report::{Column, Table};

/// What the scenarios of each ensemble agree on; `None` without any.
pub fn ensembles(cases: &[Case], areas: &[ScenarioAreas], found: &[Ensemble]) -> Option<Table> {
    if found.is_empty() {
        return None;
    }
    let habitat = |ensemble: &Ensemble, share: f64| {
        let values: Vec<f64> = ensemble.cases.iter().map(|case| areas[*case].whole.habitat_ha()).collect();
        quantile(&values, share)
    };
    let lost = |ensemble: &Ensemble, share: f64| {
        let values: Vec<f64> =
            ensemble.cases.iter().filter_map(|case| areas[*case].whole.lost_percent()).collect();
        quantile(&values, share)
    };
    let horizon = |ensemble: &Ensemble| {
        let years: Vec<Option<i32>> =
            ensemble.cases.iter().map(|case| cases[*case].scenario.and_then(|s| s.horizon)).collect();
        years.first().copied().flatten().filter(|first| years.iter().all(|year| *year == Some(*first)))
    };
    let real = |name: &str, unit: &str, said: &str, value: &dyn Fn(&Ensemble) -> Option<f64>| {
        Column::real(name, unit, said, numbers(found, value))
    };
    Some(table(
        "ensembles",
        "Habitat over the scenarios of each ensemble",
        "An ensemble is a set of scenarios that tell the same future in other ways. Its range says how far they lie apart, not how sure each of them is: for that see table habitat_ranges.",
        vec![
            Column::text("ensemble", "Its name", words(found, |ensemble| ensemble.name.clone())),
            Column::integer(
                "horizon",
                "",
                "Year reached, where it is the same in all",
                found.iter().map(|ensemble| horizon(ensemble).map(i64::from)).collect(),
            ),
            Column::integer(
                "scenarios",
                "",
                "Number of its scenarios",
                found.iter().map(|ensemble| Some(ensemble.cases.len() as i64)).collect(),
            ),
            real("habitat_least_ha", "ha", "Least habitat of them", &|e| habitat(e, 0.0)),
            real("habitat_median_ha", "ha", "Median habitat", &|e| habitat(e, 0.5)),
            real("habitat_most_ha", "ha", "Most habitat", &|e| habitat(e, 1.0)),
            real("lost_least_percent", "percent", "Least lost share of today's habitat", &|e| lost(e, 0.0)),
            real("lost_median_percent", "percent", "Median lost share", &|e| lost(e, 0.5)),
            real("lost_most_percent", "percent", "Largest lost share", &|e| lost(e, 1.0)),
            real("habitat_in_all_ha", "ha", "Habitat in every one of them", &|e| Some(ha(&e.in_all))),
            real("habitat_in_some_ha", "ha", "Habitat in one of them at least", &|e| Some(ha(&e.in_some))),
        ],
    ))
}
