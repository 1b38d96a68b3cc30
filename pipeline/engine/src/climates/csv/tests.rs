//! Each kind of bad table with its message.

use super::*;
use lentic_habitat::climate::Series;
use lentic_study::settings::{AnomalyScale, IndexKind, IndexMonths, ZeroRule};

/// A climate whose series are columns of one file.
fn climate(dir: &Path, text: &str, names: &[(&str, &str)], zone_column: Option<&str>) -> Climate {
    let file = dir.join("climate.csv");
    std::fs::write(&file, text).unwrap();
    let series = |key: &str| {
        let column = names.iter().find(|(name, _)| *name == key)?.1.to_string();
        Some(Written::Column { file: file.clone(), column, zone_column: zone_column.map(String::from) })
    };
    Climate {
        precipitation: series("precipitation"),
        temperature: series("temperature"),
        temperature_min: series("temperature_min"),
        temperature_max: series("temperature_max"),
        anomaly: series("anomaly"),
        scale: AnomalyScale::Standardised,
        zones: zone_column.map(|_| "zones".into()),
        index: if series("anomaly").is_some() { IndexKind::Given } else { IndexKind::Spei },
        months: IndexMonths::Fixed(1),
        latitude: None,
        zero: ZeroRule::Centre,
    }
}

fn needed(first: &str, last: &str) -> Needed {
    Needed { first: first.parse().unwrap(), last: last.parse().unwrap() }
}

/// The series of one zone, or all that is wrong.
fn read_columns(
    text: &str,
    names: &[(&str, &str)],
    zone: Option<i32>,
    needed: Needed,
) -> Result<Series, String> {
    let dir = tempfile::tempdir().unwrap();
    let place = format!("{}/", dir.path().display());
    let climate = climate(dir.path(), text, names, zone.map(|_| "zone"));
    let mut problems = Vec::new();
    let columns = columns(&climate, &mut problems);
    let of_zone = zone.map_or_else(String::new, |zone| format!(" for zone {zone}"));
    let found =
        if problems.is_empty() { series(&columns, zone, &of_zone, needed, &mut problems) } else { None };
    found.ok_or_else(|| {
        problems.iter().map(|p| p.to_string().replace(&place, "")).collect::<Vec<_>>().join("\n")
    })
}

const BOTH: [(&str, &str); 2] = [("precipitation", "rain_mm"), ("temperature", "mean_c")];

fn read_text(text: &str, needed: Needed) -> Result<Series, String> {
    read_columns(text, &BOTH, None, needed)
}

#[test]
fn a_clean_table_with_byte_order_mark_and_spaces() {
    let text = "\u{feff}year, month, rain_mm, mean_c\r\n1991,1, 10.5, 4\r\n1991,2,0,5.5\r\n";
    let series = read_text(text, needed("1991-01", "1991-02")).unwrap();
    assert_eq!(series.precipitation, [10.5, 0.0]);
    assert_eq!(series.temperature, Some(vec![4.0, 5.5]));
}

#[test]
fn all_bad_lines_are_named() {
    let text = "year,month,rain_mm,mean_c\n1991,1,ten,4\n1991,13,1,5\n1991,2,-3,5\n1991,3,1,1\n1991,3,1,1\n";
    let said = read_text(text, needed("1991-01", "1991-03")).unwrap_err();
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
    let said = read_text(text, needed("1991-01", "1991-12")).unwrap_err();
    assert!(said.contains("covers 1991-01 to 1991-03"), "{said}");
    assert!(said.contains("the first of them 1991-02"), "{said}");
    let said = read_text("year,month,p,mean_c\n", needed("1991-01", "1991-12")).unwrap_err();
    assert!(said.contains("no column \"rain_mm\"; its columns are year, month, p, mean_c"), "{said}");
}

#[test]
fn what_is_no_number_is_named() {
    for (word, why) in [
        ("NaN", ": it seems to stand for a missing value"),
        ("inf", ""),
        ("-infinity", ""),
        ("1e999", ""),
        ("12,5", ": it has a decimal comma; write 12.5"),
    ] {
        let text = format!("year,month,rain_mm,mean_c\n1991,1,\"{word}\",4\n");
        let said = read_text(&text, needed("1991-01", "1991-01")).unwrap_err();
        assert_eq!(
            said,
            format!(
                "climate.csv:2: \"{word}\" in column \"rain_mm\" is not a number{why} (mend the line, or leave the cell empty if the value is missing)"
            )
        );
    }
    let kelvin = "year,month,rain_mm,mean_c\n1991,1,10,277.15\n";
    let said = read_text(kelvin, needed("1991-01", "1991-01")).unwrap_err();
    assert!(
        said.contains("277.15 in column \"mean_c\" is no monthly temperature in degrees Celsius"),
        "{said}"
    );
}

#[test]
fn many_bad_lines_are_counted() {
    let lines: String = (1..=9).map(|m| format!("1991,{m},wet,1\n")).collect();
    let said =
        read_text(&format!("year,month,rain_mm,mean_c\n{lines}"), needed("1991-01", "1991-09")).unwrap_err();
    assert!(said.contains("climate.csv:6: ") && !said.contains("climate.csv:7: "), "{said}");
    assert!(said.contains("4 more bad lines"), "{said}");
}

#[test]
fn extremes_of_temperature() {
    let names = [("precipitation", "p"), ("temperature_min", "low"), ("temperature_max", "high")];
    let read = |text: &str| read_columns(text, &names, None, needed("1991-01", "1991-02"));
    let series = read("year,month,p,low,high\n1991,1,3,1,9\n1991,2,4,2,8\n").unwrap();
    assert_eq!(series.extremes, Some([vec![1.0, 2.0], vec![9.0, 8.0]]));
    assert_eq!(series.temperature, None);
    let said = read("year,month,p,low,high\n1991,1,3,1,9\n1991,2,4,12,8\n").unwrap_err();
    assert!(said.contains("column \"high\" lies below the lowest temperature in 1991-02"), "{said}");
}

#[test]
fn anomalies_on_another_scale() {
    let names = [("anomaly", "a")];
    let read = |text: &str| read_columns(text, &names, None, needed("1991-01", "1991-01"));
    assert_eq!(read("year,month,a\n1991,1,-1.25\n").unwrap().anomaly, [-1.25]);
    let said = read("year,month,a\n1991,1,104\n").unwrap_err();
    assert!(said.contains("104 in column \"a\" is no standardised value"), "{said}");
    assert!(said.contains("scale_kind = \"percent of normal\""), "{said}");
    assert_eq!(Kind::Percent.refuses(-1.0), Some("is below 0, and a percentage of normal cannot be"));
    assert_eq!(Kind::Percent.refuses(640.0), None);
}

const ZONES: &str =
    "zone,year,month,rain_mm,mean_c\n1,1991,1,5,4\n1,1991,2,6,5\n2,1991,1,7,4\n2,1991,2,8,5\n";

#[test]
fn series_by_zone() {
    let read = |text: &str, zone| read_columns(text, &BOTH, Some(zone), needed("1991-01", "1991-02"));
    assert_eq!(read(ZONES, 1).unwrap().precipitation, [5.0, 6.0]);
    assert_eq!(read(ZONES, 2).unwrap().precipitation, [7.0, 8.0]);
    let said = read(ZONES, 3).unwrap_err();
    assert!(said.contains("holds no months for zone 3 (add its rows"), "{said}");
    let said = read(&ZONES.replace("2,1991,2,8,5\n", ""), 2).unwrap_err();
    assert!(said.contains("covers 1991-01 to 1991-01 for zone 2, but"), "{said}");
    let said = read(&ZONES.replace("2,1991,2", "2,1991,1"), 1).unwrap_err();
    assert!(said.contains("climate.csv:5: 1991-01 stands twice for zone 2"), "{said}");
    let said = read(&ZONES.replace("2,1991,2", "north,1991,2"), 1).unwrap_err();
    assert!(said.contains("\"north\" in column \"zone\" is not a zone code"), "{said}");
    let said = read(&ZONES.replace("zone,", "area,"), 1).unwrap_err();
    assert!(said.contains("has no column \"zone\"; its columns are area, year"), "{said}");
    let gap = format!("{ZONES}2,1991,4,1,1\n");
    let said = read(&gap, 2).unwrap_err();
    assert!(said.contains("has no value for zone 2 for 1 of the months 1991-01 to 1991-04"), "{said}");
}

/// A series for the whole study goes with one by zone.
#[test]
fn one_series_beside_zones() {
    let dir = tempfile::tempdir().unwrap();
    let mut climate = climate(dir.path(), ZONES, &BOTH, Some("zone"));
    let whole = dir.path().join("whole.csv");
    std::fs::write(&whole, "year,month,mean_c\n1991,1,11\n1991,2,12\n").unwrap();
    climate.temperature = Some(Written::Column { file: whole, column: "mean_c".into(), zone_column: None });
    let mut problems = Vec::new();
    let columns = columns(&climate, &mut problems);
    assert_eq!(zones_of(&columns), [Some(1), Some(2)].into());
    let two = series(&columns, Some(2), "", needed("1991-01", "1991-02"), &mut problems).unwrap();
    assert_eq!((two.precipitation, two.temperature), (vec![7.0, 8.0], Some(vec![11.0, 12.0])));
    assert!(problems.is_empty());
}
