//! How many points, and how many of them in each stratum.

use super::SurveyError;
use super::map::Stratum;
use lentic_numerics::olofsson::{allocate, expected_standard_error, sample_size};
use std::collections::BTreeMap;

/// A setting for every stratum, and for single ones by code.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ByStratum<T> {
    /// For every stratum that is not named.
    pub all: Option<T>,
    /// By code.
    pub of: BTreeMap<u8, T>,
}

impl<T: Copy> ByStratum<T> {
    fn get(&self, code: u8) -> Option<T> {
        self.of.get(&code).copied().or(self.all)
    }
}

/// How large a sample is wanted.
#[derive(Clone, Debug, PartialEq)]
pub struct Wanted {
    /// Standard error of overall accuracy to reach.
    pub standard_error: f64,
    /// User's accuracy expected, a share.
    pub accuracy: ByStratum<f64>,
    /// Points in all, instead of what the standard error asks for; points of single strata, instead of their share.
    pub points: ByStratum<u64>,
    /// Fewest points in a stratum.
    pub minimum: u64,
    /// Reserve points, as a share of the points of each stratum.
    pub reserve: f64,
}

/// User's accuracy expected where nothing is said (ours: maps of wetlands are seldom better).
pub(super) const ACCURACY: f64 = 0.8;

/// Most points a survey may have: what a spreadsheet and a season of field work could ever hold, and a guard against a slip.
const MOST: u64 = 100_000;

/// Points of one stratum.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Share {
    /// User's accuracy expected.
    pub accuracy: f64,
    /// Points.
    pub points: u64,
    /// Reserve points after them.
    pub reserve: u64,
}

/// What is asked of every stratum.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Plan {
    /// By stratum, in their order.
    pub shares: Vec<Share>,
    /// Points that the standard error would take with the best shares; `None` where the number was given.
    pub asked: Option<u64>,
    /// Standard error of overall accuracy these points give if accuracies come out as expected; `None` where a stratum
    /// has one point.
    pub standard_error: Option<f64>,
}

/// Shares points out over the strata.
///
/// # Errors
/// Settings that cannot be, strata that are not there, strata with fewer cells than points.
pub(super) fn plan(map: &str, strata: &[Stratum], wanted: &Wanted) -> Result<Plan, SurveyError> {
    check(strata, wanted)?;
    let areas: Vec<f64> = strata.iter().map(|stratum| stratum.area_m2).collect();
    let accuracies: Vec<f64> =
        strata.iter().map(|stratum| wanted.accuracy.get(stratum.code).unwrap_or(ACCURACY)).collect();
    let asked = match wanted.points.all {
        Some(_) => None,
        None => Some(sample_size(&areas, &accuracies, wanted.standard_error).ok_or_else(|| {
            setting(
                "--standard-error",
                wanted.standard_error,
                "a number that asks for fewer than 1e15 points",
            )
        })?),
    };
    let total = wanted.points.all.or(asked).unwrap_or(0);
    if total > MOST {
        return Err(setting(
            if asked.is_some() { "--standard-error" } else { "--points" },
            asked.map_or_else(
                || total.to_string(),
                |n| format!("{}, which takes {n} points", wanted.standard_error),
            ),
            &format!("one that takes at most {MOST}"),
        ));
    }
    let set: Vec<Option<u64>> =
        strata.iter().map(|stratum| wanted.points.of.get(&stratum.code).copied()).collect();
    let reached = |points: &[u64]| expected_standard_error(&areas, &accuracies, points);
    let mut points = allocate(&areas, total, wanted.minimum, &set);
    if asked.is_some() && set.contains(&None) {
        // the formula is for the best shares; these are by area and minimum, and may need more
        let more = (total..=MOST).map(|total| allocate(&areas, total, wanted.minimum, &set));
        let enough = |points: &Vec<u64>| reached(points).is_some_and(|error| error <= wanted.standard_error);
        points = more.into_iter().find(enough).unwrap_or(points);
    }
    let short: Vec<_> = strata
        .iter()
        .zip(&points)
        .filter(|(stratum, points)| **points > stratum.cells)
        .map(|(stratum, points)| (stratum.code, stratum.name.clone(), stratum.cells, *points))
        .collect();
    if !short.is_empty() {
        return Err(SurveyError::TooFewCells { map: map.into(), short });
    }
    let standard_error = reached(&points);
    let shares = strata
        .iter()
        .zip(accuracies)
        .zip(points)
        .map(|((stratum, accuracy), points)| {
            let reserve = (points as f64 * wanted.reserve).ceil() as u64;
            Share { accuracy, points, reserve: reserve.min(stratum.cells - points) }
        })
        .collect();
    Ok(Plan { shares, asked, standard_error })
}

fn check(strata: &[Stratum], wanted: &Wanted) -> Result<(), SurveyError> {
    let error = wanted.standard_error;
    if !(error.is_finite() && error > 0.0 && error < 1.0) {
        return Err(setting("--standard-error", error, "a number above 0 and below 1, such as 0.03"));
    }
    for accuracy in wanted.accuracy.all.iter().chain(wanted.accuracy.of.values()) {
        if !(*accuracy > 0.0 && *accuracy < 1.0) {
            return Err(setting("--accuracy", accuracy, "a share above 0 and below 1, such as 0.8"));
        }
    }
    if !(wanted.reserve.is_finite() && (0.0..=10.0).contains(&wanted.reserve)) {
        return Err(setting("--reserve", wanted.reserve, "a share from 0 to 10, such as 0.2"));
    }
    // the variance of a stratum needs two points
    if wanted.minimum < 2 || wanted.minimum > MOST {
        return Err(setting("--minimum", wanted.minimum, &format!("a number from 2 to {MOST}")));
    }
    if let Some(few) = wanted.points.of.values().find(|points| !(2..=MOST).contains(*points)) {
        return Err(setting("--points", few, &format!("a number from 2 to {MOST} for each stratum")));
    }
    let codes = strata
        .iter()
        .map(|stratum| format!("{} {}", stratum.code, stratum.name))
        .collect::<Vec<_>>()
        .join(", ");
    let known = |code: &u8| strata.iter().any(|stratum| stratum.code == *code);
    let unknown = |of: Vec<&u8>| of.into_iter().find(|code| !known(code)).copied();
    for (name, code) in [
        ("--accuracy", unknown(wanted.accuracy.of.keys().collect())),
        ("--points", unknown(wanted.points.of.keys().collect())),
    ] {
        if let Some(code) = code {
            return Err(setting(
                name,
                format!("set for stratum {code}"),
                &format!("a stratum with cells on this map: {codes}"),
            ));
        }
    }
    Ok(())
}

fn setting(name: &str, found: impl std::fmt::Display, expected: &str) -> SurveyError {
    SurveyError::Setting { name: name.into(), found: found.to_string(), expected: expected.into() }
}

#[cfg(test)]
mod tests {
    use super::*;
    use lentic_raster::Cell;

    fn strata() -> Vec<Stratum> {
        let one = |code: u8, name: &str, cells: u64| Stratum {
            code,
            name: name.into(),
            cells,
            area_m2: 900.0 * cells as f64,
            start: Cell { row: 0, col: 0 },
        };
        vec![one(0, "Not habitat", 9_000), one(1, "Habitat", 990), one(4, "Gained", 10)]
    }

    fn wanted() -> Wanted {
        Wanted {
            standard_error: 0.03,
            accuracy: ByStratum::default(),
            points: ByStratum { all: None, of: [(4, 3)].into() },
            minimum: 50,
            reserve: 0.2,
        }
    }

    #[test]
    fn points_by_standard_error_minimum_and_hand() {
        // (.4/.03)^2 = 177.8; with 3 set, 50 at least and the rest by area it takes 204: counted up in Python until
        // .16 x (.81/150 + .009801/49 + .000001/2) is at most .03^2
        let plan = plan("m", &strata(), &wanted()).unwrap();
        assert_eq!(plan.asked, Some(178));
        assert_eq!(plan.shares.iter().map(|s| s.points).collect::<Vec<_>>(), [151, 50, 3]);
        assert_eq!(plan.shares.iter().map(|s| s.reserve).collect::<Vec<_>>(), [31, 10, 1]);
        assert!((plan.standard_error.unwrap() - 0.029_934_649_911_2).abs() < 1e-12);
    }

    #[test]
    fn a_number_given_is_kept() {
        let mut wanted = wanted();
        wanted.points.all = Some(100);
        let plan = plan("m", &strata(), &wanted).unwrap();
        assert_eq!(plan.asked, None);
        assert_eq!(plan.shares.iter().map(|s| s.points).collect::<Vec<_>>(), [50, 50, 3]);
        // every stratum set by hand: nothing is left to raise
        wanted.points = ByStratum { all: None, of: [(0, 5), (1, 5), (4, 5)].into() };
        let plan = super::plan("m", &strata(), &wanted).unwrap();
        assert_eq!(plan.shares.iter().map(|s| s.points).collect::<Vec<_>>(), [5, 5, 5]);
        assert!(plan.standard_error.unwrap() > 0.03);
    }

    #[test]
    fn a_reserve_is_no_larger_than_what_is_left() {
        let mut wanted = wanted();
        wanted.points.of.insert(4, 9);
        wanted.reserve = 3.0;
        assert_eq!(plan("m", &strata(), &wanted).unwrap().shares[2].reserve, 1);
    }

    #[test]
    fn settings_that_cannot_be() {
        let refused = |change: &dyn Fn(&mut Wanted)| {
            let mut wanted = wanted();
            change(&mut wanted);
            plan("m", &strata(), &wanted).unwrap_err().to_string()
        };
        for error in [0.0, -0.02, f64::NAN, 1.0] {
            assert!(refused(&|w| w.standard_error = error).contains("--standard-error is"), "{error}");
        }
        assert!(refused(&|w| w.standard_error = 1e-5).contains("takes 1600000000 points"));
        assert!(refused(&|w| w.points.all = Some(200_000)).contains("--points is 200000"));
        assert!(refused(&|w| w.accuracy.all = Some(1.0)).contains("--accuracy is 1,"));
        assert!(refused(&|w| w.reserve = -0.1).contains("--reserve"));
        assert!(refused(&|w| w.minimum = 1).contains("--minimum is 1, expected a number from 2"));
        let unknown = refused(&|w| {
            w.accuracy.of.insert(7, 0.9);
        });
        assert!(unknown.contains("stratum 7") && unknown.contains("4 Gained"), "{unknown}");
        let short = refused(&|w| w.points.of.clear());
        assert!(short.contains("\"Gained\" has 10 cells, fewer than its 50 points"), "{short}");
        assert!(short.contains("--points 4=10"), "{short}");
    }
}
