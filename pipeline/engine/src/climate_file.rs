//! Reads the monthly climate of a study from CSV, and says what is wrong with it, line by line.

use lentic_habitat::climate::Series;
use lentic_study::settings::{Climate, Series as Column};
use lentic_study::{Month, Place, Problem};
use std::collections::BTreeMap;
use std::path::Path;

/// Bad lines shown of one file before the rest is only counted.
const SHOWN: usize = 5;

/// Reads precipitation and temperature over the months both have.
///
/// # Errors
/// Every problem of both files together.
pub fn read(climate: &Climate, needed: (Month, Month)) -> Result<Series, Vec<Problem>> {
    let mut problems = Vec::new();
    let rain = column(&climate.precipitation, Some(0.0), &mut problems);
    let warmth = climate.temperature.as_ref().map(|t| column(t, None, &mut problems));
    if !problems.is_empty() {
        return Err(problems);
    }
    let mut first = None;
    let mut last = None;
    for series in std::iter::once(&rain).chain(&warmth) {
        first = first.max(series.keys().next().copied());
        let end = series.keys().next_back().copied();
        last = match (last, end) {
            (Some(a), Some(b)) if a < b => Some(a),
            (None, b) | (Some(_), b) => b,
        };
    }
    let file = &climate.precipitation.file;
    let (Some(first), Some(last)) = (first, last) else {
        return Err(vec![problem(file, None, "holds no months", "add a row per month: year, month, value")]);
    };
    if first > needed.0 || last < needed.1 {
        problems.push(problem(
            file,
            None,
            &format!(
                "covers {first} to {last}, but the baseline and reference need {} to {}",
                needed.0, needed.1
            ),
            "add the missing months or shorten the periods",
        ));
    }
    for (column, series) in
        std::iter::once((&climate.precipitation, &rain)).chain(climate.temperature.iter().zip(&warmth))
    {
        let missing: Vec<Month> = first.through(last).filter(|m| !series.contains_key(m)).collect();
        if let Some(gap) = missing.first() {
            problems.push(problem(
                &column.file,
                None,
                &format!(
                    "column \"{}\" has no value for {} of the months {first} to {last}, the first of them {gap}",
                    column.column,
                    missing.len()
                ),
                "the index needs every month; fill the gaps from a neighbouring station and say so in the study",
            ));
        }
    }
    if !problems.is_empty() {
        return Err(problems);
    }
    let values = |series: &BTreeMap<Month, f64>| -> Vec<f64> {
        series.range(first..=last).map(|(_, value)| *value).collect()
    };
    Ok(Series { first, precipitation: values(&rain), temperature: warmth.as_ref().map(values) })
}

fn problem(file: &Path, line: Option<usize>, message: &str, help: &str) -> Problem {
    Problem {
        file: file.to_path_buf(),
        place: line.map(|line| Place { start: 0, end: 0, line }),
        message: message.to_string(),
        help: help.to_string(),
        warning: false,
    }
}

fn column(column: &Column, least: Option<f64>, problems: &mut Vec<Problem>) -> BTreeMap<Month, f64> {
    let mut found = BTreeMap::new();
    let mut say = |line: Option<usize>, message: String, help: &str| {
        problems.push(problem(&column.file, line, &message, help));
    };
    let text = match std::fs::read_to_string(&column.file) {
        Ok(text) => text,
        Err(e) => {
            say(None, format!("cannot be read as text ({e})"), "save the table as CSV in UTF-8");
            return found;
        }
    };
    let text = text.trim_start_matches('\u{feff}');
    let mut reader =
        csv::ReaderBuilder::new().flexible(true).trim(csv::Trim::All).from_reader(text.as_bytes());
    let names: Vec<String> = match reader.headers() {
        Ok(headers) => headers.iter().map(str::to_string).collect(),
        Err(e) => {
            say(Some(1), format!("has no header line ({e})"), "name the columns in the first line");
            return found;
        }
    };
    let at = |name: &str| names.iter().position(|n| n == name);
    let mut places = [0; 3];
    for (place, name) in places.iter_mut().zip(["year", "month", column.column.as_str()]) {
        match at(name) {
            Some(position) => *place = position,
            None => {
                say(
                    Some(1),
                    format!("has no column \"{name}\"; its columns are {}", names.join(", ")),
                    "name the column as it stands in the file",
                );
                return found;
            }
        }
    }
    let mut bad = 0;
    for record in reader.records() {
        let record = match record {
            Ok(record) => record,
            Err(e) => {
                say(None, format!("cannot be read as CSV ({e})"), "check quotes and line ends");
                return found;
            }
        };
        let line = record.position().map_or(0, |p| p.line() as usize);
        let cell = |place: usize| record.get(place).unwrap_or("");
        if cell(places[2]).is_empty() {
            continue;
        }
        let month = cell(places[0]).parse().ok().zip(cell(places[1]).parse().ok());
        let value = cell(places[2]).parse::<f64>().ok().filter(|v| v.is_finite());
        let outcome = match (month.and_then(|(y, m)| Month::new(y, m)), value) {
            (None, _) => Err(format!(
                "\"{}\" and \"{}\" are not a year and a month from 1 to 12",
                cell(places[0]),
                cell(places[1])
            )),
            (_, None) => {
                Err(format!("\"{}\" in column \"{}\" is not a number", cell(places[2]), column.column))
            }
            (_, Some(v)) if least.is_some_and(|least| v < least) => {
                Err(format!("{v} in column \"{}\" is below 0, and precipitation cannot be", column.column))
            }
            (Some(month), Some(_)) if found.contains_key(&month) => Err(format!("{month} stands twice")),
            (Some(month), Some(value)) => {
                found.insert(month, value);
                Ok(())
            }
        };
        if let Err(message) = outcome {
            bad += 1;
            if bad <= SHOWN {
                say(Some(line), message, "mend the line, or leave the cell empty if the value is missing");
            }
        }
    }
    if bad > SHOWN {
        say(None, format!("{} more bad lines", bad - SHOWN), "mend the first ones and check again");
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    fn climate(dir: &Path, text: &str) -> Climate {
        let file = dir.join("climate.csv");
        std::fs::write(&file, text).unwrap();
        Climate {
            precipitation: Column { file: file.clone(), column: "rain_mm".into() },
            temperature: Some(Column { file, column: "mean_c".into() }),
            index: lentic_study::settings::IndexKind::Spei,
            months: 1,
            latitude: None,
            zero: lentic_study::settings::ZeroRule::Centre,
        }
    }

    fn months(first: &str, last: &str) -> (Month, Month) {
        (first.parse().unwrap(), last.parse().unwrap())
    }

    fn read_text(text: &str, needed: (Month, Month)) -> Result<Series, String> {
        let dir = tempfile::tempdir().unwrap();
        let place = format!("{}/", dir.path().display());
        read(&climate(dir.path(), text), needed).map_err(|problems| {
            problems.iter().map(|p| p.to_string().replace(&place, "")).collect::<Vec<_>>().join("\n")
        })
    }

    #[test]
    fn a_clean_table_with_byte_order_mark_and_spaces() {
        let text = "\u{feff}year, month, rain_mm, mean_c\r\n1991,1, 10.5, 4\r\n1991,2,0,5.5\r\n";
        let series = read_text(text, months("1991-01", "1991-02")).unwrap();
        assert_eq!(series.precipitation, [10.5, 0.0]);
        assert_eq!(series.temperature, Some(vec![4.0, 5.5]));
    }

    #[test]
    fn all_bad_lines_are_named() {
        let text =
            "year,month,rain_mm,mean_c\n1991,1,ten,4\n1991,13,1,5\n1991,2,-3,5\n1991,3,1,1\n1991,3,1,1\n";
        let said = read_text(text, months("1991-01", "1991-03")).unwrap_err();
        for part in [
            "climate.csv:2: \"ten\" in column \"rain_mm\" is not a number",
            "climate.csv:3: \"1991\" and \"13\" are not a year and a month",
            "climate.csv:4: -3 in column \"rain_mm\" is below 0",
            "climate.csv:6: 1991-03 stands twice",
        ] {
            assert!(said.contains(part), "{said}");
        }
    }

    #[test]
    fn gaps_short_series_and_unknown_columns() {
        let text = "year,month,rain_mm,mean_c\n1991,1,1,4\n1991,3,1,5\n";
        let said = read_text(text, months("1991-01", "1991-12")).unwrap_err();
        assert!(said.contains("covers 1991-01 to 1991-03"), "{said}");
        assert!(said.contains("the first of them 1991-02"), "{said}");
        let said = read_text("year,month,p,mean_c\n", months("1991-01", "1991-12")).unwrap_err();
        assert!(said.contains("no column \"rain_mm\"; its columns are year, month, p, mean_c"), "{said}");
    }
}
