//! Every reason by itself, on a grid of 40 x 40 cells of 100 m about 31 degrees south, 18 west.

use super::*;
use lentic_raster::Bounds;
use std::path::Path;
use tempfile::TempDir;

/// A study that has only what vetting looks at.
fn study(folder: &Path, keys: &str) -> Study {
    let text = include_str!("../../demo/text/study.toml");
    let text = text.replace("{crs}", "EPSG:6933").replace("{seed}", "20").replace("{driest_years}", "1999");
    // only the records section is of interest: the sections before it stay as they are
    let mut text = text;
    if let Some(start) = text.find("[records]") {
        let end = text[start..].find("\n# ----").map_or(text.len(), |e| start + e);
        text.replace_range(start..end, "");
    }
    text.push_str(&format!("\n[records]\nfile = \"records.csv\"\n{keys}\n"));
    std::fs::write(folder.join("study.toml"), text).unwrap();
    // layers are not there, but records are
    let examined = lentic_study::examine(&folder.join("study.toml"));
    let mut study = examined.study.unwrap();
    study.grid.area = None;
    study
}

fn grid() -> Grid {
    let crs = Crs::parse("+proj=laea +lat_0=-31 +lon_0=-18 +datum=WGS84 +units=m").unwrap();
    let bounds = Bounds { left: -2000.0, bottom: -2000.0, right: 2000.0, top: 2000.0 };
    Grid::from_bounds(crs, bounds, 100.0).unwrap()
}

fn vetted(header: &str, rows: &[&str], keys: &str) -> Result<Vetted, String> {
    let folder = TempDir::new().unwrap();
    let text = format!("{header}\n{}\n", rows.join("\n"));
    std::fs::write(folder.path().join("records.csv"), text).unwrap();
    let study = study(folder.path(), keys);
    assert!(study.records.is_some(), "the records section is unsound: {keys}");
    let place = format!("{}/", folder.path().display());
    vet(&study, &grid()).map(|v| v.unwrap()).map_err(|p| p.to_string().replace(&place, ""))
}

const HEADER: &str = "occurrenceID,decimalLatitude,decimalLongitude,coordinateUncertaintyInMeters,eventDate,occurrenceStatus,individualCount";
const WGS84: &str = "crs = \"EPSG:4326\"";

#[test]
fn every_reason_is_found() {
    let rows = [
        "good,-31.00010,-18.00010,10,1995-03-07,present,2",
        "empty,,-18.00010,10,1995-03-07,present,2",
        "words,31 S,-18.00010,10,1995-03-07,present,2",
        "zero,0,0,10,1995-03-07,present,2",
        "swapped,-18.00300,-31.00300,10,1995-03-07,present,2",
        "sign,31.00300,-18.00300,10,1995-03-07,present,2",
        "signs,31.00300,18.00300,10,1995-03-07,present,2",
        "degrees,-131.00300,-18.00300,10,1995-03-07,present,2",
        "outside,-31.50000,-18.00300,10,1995-03-07,present,2",
        "vague,-31.00300,-18.00300,1500,1995-03-07,present,2",
        "unstated,-31.00300,-18.00300,,1995-03-07,present,2",
        "rounded,-31.00,-18.00,10,1995-03-07,present,2",
        "doubled,-31.0001,-18.0001,25,1995-03-07,present,4",
        "same cell,-31.00020,-18.00020,5,1996-03-07,present,",
        "other day,-31.00300,-18.00300,10,1996-08-01,,1",
        "odd word,-31.00300,-18.00300,10,1995-03-07,perhaps,2",
        "contrary,-31.00300,-18.00300,10,1995-03-07,present,0",
        "absent with some,-31.00300,-18.00300,10,1995-03-07,absent,3",
        "absent,-31.00600,-18.00600,10,1995-03-07,absent,0",
        "absent by count,-31.00900,-18.00900,10,1995-03-07,,0",
        "absent where found,-31.00310,-18.00310,10,1997-03-07,absent,0",
    ];
    let found = vetted(HEADER, &rows, WGS84).unwrap();
    assert_eq!(found.rows, rows.len());
    let name = |line: usize| rows[line - 2].split(',').next().unwrap();
    let told: Vec<(&str, Reason)> = found.set_aside.iter().map(|s| (name(s.line), s.reason)).collect();
    assert_eq!(
        told,
        [
            // the finding of the day after is less vague and stands for the cell
            ("good", Reason::SameCell),
            ("empty", Reason::NoCoordinates),
            ("words", Reason::NotNumbers),
            ("zero", Reason::Zero),
            ("swapped", Reason::Swapped),
            ("sign", Reason::Sign),
            ("signs", Reason::Sign),
            ("degrees", Reason::NotDegrees),
            ("outside", Reason::Outside),
            ("vague", Reason::Vague),
            ("unstated", Reason::Vague),
            ("rounded", Reason::Vague),
            ("doubled", Reason::Doubled),
            ("odd word", Reason::Status),
            ("contrary", Reason::Status),
            ("absent with some", Reason::Status),
            ("absent where found", Reason::SameCell),
        ]
    );
    let ids = |records: &[Record]| records.iter().map(|r| r.id.clone()).collect::<Vec<_>>();
    assert_eq!(ids(&found.presences), ["same cell", "other day"]);
    assert_eq!(ids(&found.absences), ["absent", "absent by count"]);
    assert!(
        found.reasons().starts_with("1 no coordinates, 1 coordinates are not numbers"),
        "{}",
        found.reasons()
    );
    // details tell no place
    assert!(found.set_aside.iter().all(|s| !s.detail.contains("31.0") && !s.detail.contains("18.0")));
    // pyproj 3.7.2, from EPSG:4326 to this azimuthal projection: (-31.0002, -18.0002) is x -19.101, y -22.174
    let one = &found.presences[0];
    assert!((one.x - -19.101).abs() < 0.002 && (one.y - -22.174).abs() < 0.002, "{one:?}");
    assert_eq!(one.cell, Cell { row: 20, col: 19 });
}

#[test]
fn dates_matter_where_months_are_chosen() {
    let rows = [
        "a,-31.00010,-18.00010,10,1995-03-07,present,2",
        "b,-31.00300,-18.00300,10,1994,present,2",
        "c,-31.00600,-18.00600,10,7 March 1995,present,2",
        "d,-31.00900,-18.00900,10,,present,2",
        "e,-31.01200,-18.01200,10,1996-01/1997-12,present,2",
    ];
    assert_eq!(vetted(HEADER, &rows, WGS84).unwrap().presences.len(), 5);
    let keys = format!("{WGS84}\nfrom = \"1994-06\"\nto = \"1996-12\"");
    let found = vetted(HEADER, &rows, &keys).unwrap();
    assert_eq!(found.presences.len(), 1);
    let reasons: Vec<Reason> = found.set_aside.iter().map(|s| s.reason).collect();
    assert_eq!(reasons, [Reason::OtherMonths, Reason::Undated, Reason::Undated, Reason::OtherMonths]);
}

#[test]
fn systems_row_by_row() {
    let header = "decimalLatitude,decimalLongitude,geodeticDatum,coordinateUncertaintyInMeters";
    let rows = [
        "-31.00010,-18.00010,WGS84,10",
        "-31.00300,-18.00300,EPSG:4326,10",
        "-31.00600,-18.00600,wgs 84,10",
        "-31.00900,-18.00900,not recorded,10",
        "-31.01200,-18.01200,,10",
        "-31.01500,-18.01500,EPSG:6933,10",
    ];
    let found = vetted(header, &rows, "").unwrap();
    assert_eq!(found.presences.len(), 3);
    assert!(found.set_aside.iter().all(|s| s.reason == Reason::NoSystem));
    // the study speaks for rows that state none
    let found = vetted(header, &rows, WGS84).unwrap();
    assert_eq!((found.presences.len(), found.set_aside.len()), (4, 2));
    let found = vetted(header, &rows[..2], "assumed_uncertainty_m = 20.0").unwrap();
    assert_eq!(found.presences.len(), 2);
}

#[test]
fn tables_that_cannot_be_used_at_all() {
    let good = "a,-31.00010,-18.00010,10,1995-03-07,present,2";
    let said = vetted(HEADER, &[good], "").unwrap_err();
    assert!(
        said.contains("records.csv:1: has no column geodeticDatum, and [records] names no crs"),
        "{said}"
    );
    let said = vetted(HEADER, &[good], "crs = \"EPSG:32618\"").unwrap_err();
    assert!(said.contains("a projected system"), "{said}");
    let said = vetted(HEADER, &[good], "crs = \"WGS84 degrees\"").unwrap_err();
    assert!(
        said.contains("records.crs: the coordinate reference system 'WGS84 degrees' is not understood"),
        "{said}"
    );
    let vague = "a,-31.00010,-18.00010,,1995-03-07,present,2";
    let said = vetted(HEADER, &[vague, vague], WGS84).unwrap_err();
    assert!(said.contains("none of its 2 records can be used: 2 vague"), "{said}");
    assert!(said.contains("assumed_uncertainty_m"), "{said}");
    assert_eq!(
        vetted(HEADER, &[vague], &format!("{WGS84}\nassumed_uncertainty_m = 30")).unwrap().presences.len(),
        1
    );
    let absent = "a,-31.00010,-18.00010,10,1995-03-07,absent,0";
    let said = vetted(HEADER, &[absent], WGS84).unwrap_err();
    assert!(said.contains("only absences are left"), "{said}");
}
