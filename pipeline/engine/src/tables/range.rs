//! Tables of range measures, reductions and continuing decline.

use super::{numbers, table, words};
use crate::evidence::range::{RangeFound, RangeRow, ReductionRow};
use crate::stages::Context;
use crate::stages::scenarios::Case;
use lentic_report::{Column, Table};
use lentic_study::settings::Range;

/// A number of years for readers: at most one decimal.
pub fn plain(years: f64) -> String {
    let rounded = (years * 10.0).round() / 10.0;
    format!("{rounded}")
}

/// All tables of range.
pub fn all(context: &Context, cases: &[Case], range: &Range, found: &RangeFound) -> Vec<Table> {
    let mut tables =
        vec![measures(cases, range, found), reductions(cases, found), declines(context, cases, found)];
    tables.push(years(found));
    tables
}

fn measures(cases: &[Case], range: &Range, found: &RangeFound) -> Table {
    let rows: Vec<&RangeRow> = found.rows.iter().collect();
    let places = match range.places {
        Some(by) => format!(
            "places by threat are {}: a patch counts to that with most of its cells, a patch in none is a place of its own.",
            by.word()
        ),
        None => "places by threat are not told: the study has neither pools nor zones.".into(),
    };
    let fragmented = match (range.viable_patch_ha, range.dispersal_m) {
        (Some(viable), Some(limit)) => {
            format!(
                "Fragmented: patches under {viable} ha and farther than {limit} m from the nearest other patch."
            )
        }
        _ => "The fragmented share needs viable_patch_ha and dispersal_m.".into(),
    };
    table(
        "range_measures",
        "Range measures",
        &format!(
            "Evidence for assessors, who alone assign a category. Records show where the animal was found, patches where it may live, so all patches give an upper bound. Extent of \
             occurrence: convex hull, at least the area of occupancy. Area of occupancy: squares of 2 x 2 km. Of scenarios, patches with records are those that share a cell with one of today's. {fragmented} In this table {places}"
        ),
        vec![
            Column::text(
                "scenario",
                "Scenario; baseline is today",
                words(&rows, |r| cases[r.case].name.clone()),
            ),
            Column::text("basis", "What the range is told from", words(&rows, |r| r.basis.words().into())),
            Column::integer(
                "records",
                "",
                "Records, one for each cell",
                rows.iter().map(|r| r.records.map(|n| n as i64)).collect(),
            ),
            Column::integer(
                "patches",
                "",
                "Patches",
                rows.iter().map(|r| r.patches.map(|n| n as i64)).collect(),
            ),
            Column::real("patch_area_ha", "ha", "Area of these patches", numbers(&rows, |r| r.area_ha)),
            Column::real("hull_km2", "km2", "Area of the convex hull", numbers(&rows, |r| Some(r.hull_km2))),
            Column::real(
                "extent_of_occurrence_km2",
                "km2",
                "Extent of occurrence: the hull, at least the area of occupancy",
                numbers(&rows, |r| Some(r.extent_km2)),
            ),
            Column::real(
                "area_of_occupancy_km2",
                "km2",
                "Area of occupancy on squares from the origin of the reference system",
                numbers(&rows, |r| Some(r.occupancy_km2)),
            ),
            Column::real(
                "least_area_of_occupancy_km2",
                "km2",
                "The least over shifts of the squares by steps of 100 m",
                numbers(&rows, |r| Some(r.least_occupancy_km2)),
            ),
            Column::integer(
                "places_by_threat",
                "",
                "Places that one drying event would hit each",
                rows.iter().map(|r| r.places.map(|n| n as i64)).collect(),
            ),
            Column::real(
                "fragmented_percent",
                "percent",
                "Share of the area in patches too small and too far apart",
                numbers(&rows, |r| r.fragmented_percent),
            ),
        ],
    )
}

fn reductions(cases: &[Case], found: &RangeFound) -> Table {
    let rows: Vec<&ReductionRow> = found.reductions.iter().collect();
    table(
        "range_reduction",
        "Reduction by scenario",
        "From the baseline to the horizon, read over the years of the criterion: linear takes the same amount every year, exponential the same share. Negative: a rise. Area of water is told \
         over 50 years, as for ecosystems. Where years_told is longer than years_between the course is carried on past the horizon. Scenarios without a horizon, and years that come again, are not told.",
        vec![
            Column::text("scenario", "Scenario", words(&rows, |r| cases[r.case].name.clone())),
            Column::text("quantity", "What shrinks", words(&rows, |r| r.quantity.into())),
            Column::text("basis", "What it is told from", words(&rows, |r| r.basis.into())),
            Column::text("unit", "Unit of both levels", words(&rows, |r| r.unit.into())),
            Column::real("baseline", "", "Level in the baseline", numbers(&rows, |r| Some(r.now))),
            Column::real("horizon", "", "Level at the horizon", numbers(&rows, |r| Some(r.then))),
            Column::real(
                "years_between",
                "years",
                "From the end of the baseline to the horizon",
                numbers(&rows, |r| Some(r.between)),
            ),
            Column::real(
                "years_told",
                "years",
                "Years the reduction is told over",
                numbers(&rows, |r| Some(r.window)),
            ),
            Column::real(
                "linear_percent",
                "percent",
                "Reduction, the same amount every year",
                numbers(&rows, |r| r.linear),
            ),
            Column::real(
                "exponential_percent",
                "percent",
                "Reduction, the same share every year",
                numbers(&rows, |r| r.exponential),
            ),
            Column::real(
                "yearly_percent",
                "percent",
                "Share lost every year by the latter",
                numbers(&rows, |r| r.yearly),
            ),
        ],
    )
}

/// A decline that goes on.
struct Going {
    scenario: String,
    quantity: String,
    basis: &'static str,
    first: i64,
    last: i64,
    unit: &'static str,
    per_year: f64,
    percent: Option<f64>,
    p: Option<f64>,
}

fn declines(context: &Context, cases: &[Case], found: &RangeFound) -> Table {
    let end = i64::from(context.study.period.baseline.1.year());
    let record = found.decline.iter().map(|d| Going {
        scenario: "baseline".into(),
        quantity: "hydroperiod of today's habitat".into(),
        basis: "water record",
        first: i64::from(d.first),
        last: i64::from(d.last),
        unit: "months per year",
        per_year: d.per_year,
        percent: d.percent_per_year,
        p: Some(d.p),
    });
    let projected = found.reductions.iter().map(|r| Going {
        scenario: cases[r.case].name.clone(),
        quantity: r.quantity.into(),
        basis: r.basis,
        first: end,
        last: end + r.between as i64,
        unit: r.unit,
        per_year: (r.then - r.now) / r.between,
        percent: (r.now > 0.0).then(|| 100.0 * (r.then - r.now) / r.between / r.now),
        p: None,
    });
    let rows: Vec<Going> = record.chain(projected).collect();
    table(
        "continuing_decline",
        "Continuing decline",
        "Change a year at any rate, apart from reduction; below 0 is decline. Of the record: Theil-Sen slope of the yearly hydroperiod over the cells of today's habitat that ever held water, percent \
         of its median, p of the Mann-Kendall test. Of scenarios: from the baseline to the horizon, percent of the baseline. That it is likely to go on is for the assessors to judge.",
        vec![
            Column::text(
                "scenario",
                "Scenario; baseline is the record",
                words(&rows, |r| r.scenario.clone()),
            ),
            Column::text("quantity", "What changes", words(&rows, |r| r.quantity.clone())),
            Column::text("basis", "What it is told from", words(&rows, |r| r.basis.into())),
            Column::integer("first_year", "", "First year", rows.iter().map(|r| Some(r.first)).collect()),
            Column::integer("last_year", "", "Last year", rows.iter().map(|r| Some(r.last)).collect()),
            Column::text("unit", "Unit, a year", words(&rows, |r| r.unit.into())),
            Column::real("change_per_year", "", "Change a year", numbers(&rows, |r| Some(r.per_year))),
            Column::real(
                "percent_per_year",
                "percent",
                "Change a year in percent",
                numbers(&rows, |r| r.percent),
            ),
            Column::real("p", "", "Two-sided p of the trend; empty for scenarios", numbers(&rows, |r| r.p)),
        ],
    )
}

fn years(found: &RangeFound) -> Table {
    let rows = &found.years[..];
    table(
        "habitat_water_by_year",
        "Water of today's habitat by year",
        "Mean by area of the yearly hydroperiod over the cells of the baseline habitat that ever held water, year by year of the record. Today's habitat is held: the table says how its water went, not how large \
         habitat was.",
        vec![
            Column::integer(
                "year",
                "",
                "Calendar year",
                rows.iter().map(|y| Some(i64::from(y.year))).collect(),
            ),
            Column::real(
                "hydroperiod_months",
                "months",
                "Mean hydroperiod",
                numbers(rows, |y| Some(y.months)),
            ),
            Column::real("seen_ha", "ha", "Habitat seen in the year", numbers(rows, |y| Some(y.seen_ha))),
        ],
    )
}
