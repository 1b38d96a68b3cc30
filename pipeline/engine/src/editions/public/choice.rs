//! Which patches and zones a public edition shows.
//!
//! Whoever withholds one number of a sum withholds nothing. So at least three patches are withheld where any is, and a second zone
//! beside a single one (common practice of statistical disclosure control, from memory).

use super::cells::{numbers, whole, words};
use lentic_report::Table;
use std::collections::{BTreeMap, BTreeSet};

/// Fewest patches withheld together.
const TOGETHER: usize = 3;

/// What is withheld of a case.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Withheld {
    /// How many patches.
    pub patches: usize,
    /// Their area, hectares.
    pub area_ha: f64,
}

/// Patches shown, by case, and what is withheld of each case.
#[derive(Clone, Debug, Default)]
pub struct Choice {
    /// Numbers of the patches shown, as the run numbers them.
    pub shown: BTreeMap<String, BTreeSet<i64>>,
    /// The others.
    pub withheld: BTreeMap<String, Withheld>,
}

impl Choice {
    /// From the table of patches: those of `least_ha` or more, less as many of the smallest as it takes to withhold three.
    pub fn of_patches(patches: Option<&Table>, cases: &[String], least_ha: f64) -> Self {
        let mut choice = Choice::default();
        for case in cases {
            let mut all = patches.map_or_else(Vec::new, |table| of_case(table, case));
            all.sort_by(|a, b| a.1.total_cmp(&b.1).then(a.0.cmp(&b.0)));
            let small = all.iter().filter(|(_, area)| *area < least_ha).count();
            let withheld = if small == 0 { 0 } else { small.max(TOGETHER).min(all.len()) };
            let area_ha = all[..withheld].iter().map(|(_, area)| area).sum();
            choice.withheld.insert(case.clone(), Withheld { patches: withheld, area_ha });
            choice.shown.insert(case.clone(), all[withheld..].iter().map(|(patch, _)| *patch).collect());
        }
        choice
    }

    /// Whether a patch of a case is shown.
    pub fn shows(&self, case: &str, patch: i64) -> bool {
        self.shown.get(case).is_some_and(|shown| shown.contains(&patch))
    }
}

/// Number and area of the patches of a case.
fn of_case(table: &Table, case: &str) -> Vec<(i64, f64)> {
    let rows = words(table, "scenario").into_iter().zip(whole(table, "patch")).zip(numbers(table, "area_ha"));
    let of_case = rows.filter(|((scenario, _), _)| scenario.as_deref() == Some(case));
    of_case.filter_map(|((_, patch), area)| Some((patch?, area?))).collect()
}

/// Names of the zones that are withheld: those smaller than a public cell, or all where no place is told; and the smallest other
/// one beside a single one.
pub fn withheld_zones(zones_ha: &BTreeMap<String, f64>, cell_m: Option<f64>) -> BTreeSet<String> {
    let Some(cell_m) = cell_m else { return zones_ha.keys().cloned().collect() };
    let mut by_area: Vec<(&String, f64)> = zones_ha.iter().map(|(name, area)| (name, *area)).collect();
    by_area.sort_by(|a, b| a.1.total_cmp(&b.1).then(a.0.cmp(b.0)));
    let small = by_area.iter().filter(|(_, area)| *area < cell_m * cell_m / 10_000.0).count();
    let withheld = if small == 1 { 2 } else { small };
    by_area.into_iter().take(withheld).map(|(name, _)| name.clone()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use lentic_report::Column;

    fn patches(areas: &[f64]) -> Table {
        let numbers = (1..=areas.len() as i64).map(Some).collect();
        Table {
            columns: vec![
                Column::text("scenario", "", vec![Some("baseline".into()); areas.len()]),
                Column::integer("patch", "", "", numbers),
                Column::real("area_ha", "ha", "", areas.iter().copied().map(Some).collect()),
            ],
            ..Table::default()
        }
    }

    fn shown(areas: &[f64]) -> (Vec<i64>, Withheld) {
        let choice = Choice::of_patches(Some(&patches(areas)), &["baseline".into()], 1.0);
        (choice.shown["baseline"].iter().copied().collect(), choice.withheld["baseline"])
    }

    #[test]
    fn three_patches_are_withheld_or_none() {
        assert_eq!(shown(&[1.0, 5.0, 2.0]), (vec![1, 2, 3], Withheld::default()));
        let three = Withheld { patches: 3, area_ha: 3.5 };
        assert_eq!(shown(&[0.5, 5.0, 2.0, 1.0, 9.0]), (vec![2, 5], three));
        let four = Withheld { patches: 4, area_ha: 2.0 };
        assert_eq!(shown(&[0.5, 5.0, 0.5, 0.5, 0.5]), (vec![2], four));
        assert_eq!(shown(&[0.5, 5.0]).0, Vec::<i64>::new());
        assert_eq!(shown(&[]), (vec![], Withheld::default()));
    }

    #[test]
    fn no_zone_follows_from_the_others() {
        let zones =
            |areas: &[(&str, f64)]| areas.iter().map(|(name, area)| (name.to_string(), *area)).collect();
        let found =
            |areas: &[(&str, f64)], cell| withheld_zones(&zones(areas), cell).into_iter().collect::<Vec<_>>();
        let three = [("a", 150.0), ("b", 99.0), ("c", 101.0)];
        assert_eq!(found(&three, Some(1000.0)), ["b", "c"]);
        assert_eq!(found(&three, Some(100.0)), Vec::<String>::new());
        assert_eq!(found(&[("a", 50.0), ("b", 60.0), ("c", 200.0)], Some(1000.0)), ["a", "b"]);
        assert_eq!(found(&three, None), ["a", "b", "c"]);
        assert_eq!(found(&[("a", 50.0)], Some(1000.0)), ["a"]);
    }
}
