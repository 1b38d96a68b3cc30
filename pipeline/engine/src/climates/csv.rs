//! Reads monthly climate from CSV, for the whole study or by zone, and says what is wrong with it, line by line.

use super::{Kind, Needed};
use lentic_habitat::climate::Series;
use lentic_study::settings::{Climate, Series as Written};
use lentic_study::{Letters, Month, Problem, TextTable, why_no_number};
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

/// Bad lines shown of one file before the rest is only counted.
const SHOWN: usize = 5;

/// Values by month.
pub(super) type Values = BTreeMap<Month, f64>;

/// A series of `[climate]` that comes from a CSV.
pub(super) struct Column<'a> {
    /// What it is.
    pub kind: Kind,
    pub file: &'a Path,
    pub column: &'a str,
    /// Column of zone codes, for a series by zone.
    pub zone_column: Option<&'a str>,
    /// Values by zone; under `None` those for the whole study.
    pub by_zone: BTreeMap<Option<i32>, Values>,
}

impl Column<'_> {
    /// The values of a zone: its own, else those for the whole study.
    pub fn of(&self, zone: Option<i32>) -> Option<&Values> {
        self.by_zone.get(if self.zone_column.is_some() { &zone } else { &None })
    }
}

/// Reads every series that comes from a CSV.
pub(super) fn columns<'a>(climate: &'a Climate, problems: &mut Vec<Problem>) -> Vec<Column<'a>> {
    let mut columns = Vec::new();
    for (name, series) in climate.series() {
        let (Written::Column { file, column, zone_column }, Some(kind)) = (series, Kind::of(name, climate))
        else {
            continue;
        };
        let mut found =
            Column { kind, file, column, zone_column: zone_column.as_deref(), by_zone: BTreeMap::new() };
        read_column(&mut found, problems);
        columns.push(found);
    }
    columns
}

/// Every zone that some column names; `None` alone where none is by zone.
pub(super) fn zones_of(columns: &[Column]) -> BTreeSet<Option<i32>> {
    let zoned = columns.iter().filter(|column| column.zone_column.is_some());
    let zones: BTreeSet<Option<i32>> = zoned.flat_map(|column| column.by_zone.keys().copied()).collect();
    if columns.iter().all(|column| column.zone_column.is_none()) { [None].into() } else { zones }
}

/// The series of one zone (`None`: of the whole study) over the months all its columns have; `None` once its problems are told.
/// `of_zone` names the zone in messages.
pub(super) fn series(
    columns: &[Column],
    zone: Option<i32>,
    of_zone: &str,
    needed: Needed,
    problems: &mut Vec<Problem>,
) -> Option<Series> {
    let before = problems.len();
    let main = columns.first()?;
    let mut all: Vec<(&Column, &Values)> = Vec::new();
    for column in columns {
        match column.of(zone).filter(|values| !values.is_empty()) {
            Some(values) => all.push((column, values)),
            None => {
                let message = format!("holds no months{of_zone}");
                let help = if zone.is_some() {
                    "add its rows; a zone that needs no climate can be made no_data in its layer"
                } else {
                    "add a row per month: year, month, value"
                };
                problems.push(Problem::of_file(column.file, None, message, help));
            }
        }
    }
    let first = all.iter().filter_map(|(_, values)| values.keys().next().copied()).max()?;
    let last = all.iter().filter_map(|(_, values)| values.keys().next_back().copied()).min()?;
    if problems.len() > before {
        return None;
    }
    if first > needed.first || last < needed.last {
        problems.push(Problem::of_file(
            main.file,
            None,
            format!(
                "covers {first} to {last}{of_zone}, but the baseline and reference need {} to {}",
                needed.first, needed.last
            ),
            "add the missing months or shorten the periods",
        ));
    }
    for (column, values) in &all {
        let missing: Vec<Month> = first.through(last).filter(|m| !values.contains_key(m)).collect();
        if let Some(gap) = missing.first() {
            problems.push(Problem::of_file(
                column.file,
                None,
                format!(
                    "column \"{}\" has no value{of_zone} for {} of the months {first} to {last}, the first of them {gap}",
                    column.column,
                    missing.len()
                ),
                "the index needs every month; fill the gaps from a neighbouring station and say so in the study",
            ));
        }
    }
    if problems.len() > before {
        return None;
    }
    let mut series = Series { first, ..Series::default() };
    for (column, values) in &all {
        column.kind.put(&mut series, values.range(first..=last).map(|(_, value)| *value).collect());
    }
    if let Some(month) = super::crossed(&series) {
        let highest = columns.iter().find(|column| column.kind == Kind::Highest).unwrap_or(main);
        problems.push(Problem::of_file(
            highest.file,
            None,
            format!(
                "column \"{}\" lies below the lowest temperature{of_zone} in {month}: the daily highest cannot be lower than the daily lowest",
                highest.column
            ),
            "check whether the columns are swapped",
        ));
        return None;
    }
    Some(series)
}

fn read_column(into: &mut Column, problems: &mut Vec<Problem>) {
    let wanted: Vec<&str> = ["year", "month", into.column].into_iter().chain(into.zone_column).collect();
    let read = TextTable::read(into.file, &wanted, Letters::Utf8).and_then(|table| {
        let places = table.columns_of(&wanted, "name the column as it stands in the file")?;
        Ok((table, places))
    });
    let (table, places) = match read {
        Ok(read) => read,
        Err(problem) => return problems.push(problem),
    };
    let mut bad = table.uneven.clone();
    for row in &table.rows {
        let cells: Vec<&str> = places.iter().map(|place| row.cells[*place].as_str()).collect();
        if cells[2].is_empty() {
            continue;
        }
        if let Err(message) = into.take(&cells) {
            let help = "mend the line, or leave the cell empty if the value is missing";
            bad.push(table.problem(row.place, message, help));
        }
    }
    bad.sort_by_key(|problem| problem.place.map(|place| place.line));
    let more = bad.len().saturating_sub(SHOWN);
    problems.extend(bad.into_iter().take(SHOWN));
    if more > 0 {
        let message = format!("{more} more bad lines");
        problems.push(Problem::of_file(into.file, None, message, "mend the first ones and check again"));
    }
}

impl Column<'_> {
    /// Takes in a line: year, month, value and, by zone, the code.
    fn take(&mut self, cells: &[&str]) -> Result<(), String> {
        let month = cells[0].parse().ok().zip(cells[1].parse().ok()).and_then(|(y, m)| Month::new(y, m));
        let month = month.ok_or_else(|| {
            format!("\"{}\" and \"{}\" are not a year and a month from 1 to 12", cells[0], cells[1])
        })?;
        let value = cells[2].parse::<f64>().ok().filter(|v| v.is_finite());
        let value = value.ok_or_else(|| {
            let why = why_no_number(cells[2]);
            format!("\"{}\" in column \"{}\" is not a number{why}", cells[2], self.column)
        })?;
        if let Some(why) = self.kind.refuses(value) {
            return Err(format!("{value} in column \"{}\" {why}", self.column));
        }
        let zone = match (self.zone_column, cells.get(3)) {
            (Some(name), Some(written)) => {
                let code = written.parse::<i32>();
                Some(code.map_err(|_| format!("\"{written}\" in column \"{name}\" is not a zone code"))?)
            }
            _ => None,
        };
        let of_zone = zone.map_or_else(String::new, |zone| format!(" for zone {zone}"));
        match self.by_zone.entry(zone).or_default().insert(month, value) {
            Some(_) => Err(format!("{month} stands twice{of_zone}")),
            None => Ok(()),
        }
    }
}

#[cfg(test)]
mod tests;
