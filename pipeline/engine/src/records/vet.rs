//! Which records can be used, and why the others cannot. The rules stand in the order they are asked; the first that holds is
//! the reason told.

use super::read::{Row, Written, problem, read};
use super::{Reason, Record, SetAside, Status, Vetted, dates};
use lentic_raster::{Cell, Crs, Grid, Point, Window, burn};
use lentic_study::settings::Records;
use lentic_study::{Problem, Study};
use std::collections::{BTreeMap, HashMap};

/// Cells a side of the windows the study area is burnt in.
const WINDOW: usize = 256;
/// Decimals that tell one place from another: a ten-millionth of a degree is a centimetre.
const ALIKE: f64 = 1e7;
/// Metres of a degree of latitude.
const DEGREE_M: f64 = 111_320.0;

/// The place of a row as it could be meant.
#[derive(Clone, Copy)]
struct Places {
    written: Point,
    swapped: Point,
    signs: [Point; 3],
}

/// Why a row is set aside, and more on it.
type Why = (Reason, String);

/// A row that may be used as far as its own cells say.
struct Found<'a> {
    row: &'a Row,
    point: Point,
    cell: Cell,
    status: Status,
    uncertainty_m: f64,
}

/// Reads and vets the records of a study; `None` for a study without.
///
/// # Errors
/// One problem with the table as a whole: it cannot be read, its reference system is not declared or not known, or none of its
/// rows can be used.
pub fn vet(study: &Study, grid: &Grid) -> Result<Option<Vetted>, Problem> {
    let Some(records) = &study.records else { return Ok(None) };
    let file = &records.file;
    let written = read(file)?;
    let crs = declared(records, &written)?;
    let carried = carry(&written, crs, records, grid)?;
    let mut set_aside = Vec::new();
    let mut found = Vec::new();
    for (row, places) in written.rows.iter().zip(carried) {
        match place(row, places, grid)
            .and_then(|kept| vague(kept, records))
            .and_then(|kept| dated(kept, records))
        {
            Ok(kept) => found.push(kept),
            Err((reason, detail)) => set_aside.push(SetAside { line: row.line, reason, detail }),
        }
    }
    let inside = inside(study, grid, &found).map_err(|message| problem(file, None, message, ""))?;
    let mut kept = inside.into_iter();
    found.retain(|one| {
        let inside = kept.next().unwrap_or(false);
        if !inside {
            let (reason, detail) = outside();
            set_aside.push(SetAside { line: one.row.line, reason, detail });
        }
        inside
    });
    let found = without_doubles(found, &mut set_aside);
    let [presences, absences] = one_per_cell(found, &mut set_aside);
    set_aside.sort_by_key(|s| s.line);
    if presences.is_empty() {
        let message = format!(
            "none of its {} records can be used: {}{}",
            written.rows.len(),
            super::reasons(&set_aside),
            if absences.is_empty() { "" } else { "; only absences are left" }
        );
        return Err(problem(file, None, message, advice(&set_aside)));
    }
    Ok(Some(Vetted { rows: written.rows.len(), presences, absences, set_aside }))
}

fn advice(set_aside: &[SetAside]) -> &'static str {
    if set_aside.iter().any(|s| s.reason == Reason::Vague) {
        "records.maximum_uncertainty_m sets what is vague, records.assumed_uncertainty_m stands in where a record states none"
    } else {
        "check the columns, records.crs, and that the records lie in the study area"
    }
}

/// The system for rows that state none.
fn declared(records: &Records, written: &Written) -> Result<Option<Crs>, Problem> {
    let file = &records.file;
    let Some(text) = &records.crs else {
        if written.has_datum {
            return Ok(None);
        }
        return Err(problem(
            file,
            Some(1),
            "has no column geodeticDatum, and [records] names no crs: what the degrees count from is not known".into(),
            "set records.crs, for example crs = \"EPSG:4326\" where the table means WGS 84",
        ));
    };
    let crs = Crs::parse(text).map_err(|e| problem(file, None, format!("records.crs: {e}"), ""))?;
    if crs.is_projected() {
        return Err(problem(
            file,
            None,
            format!(
                "records.crs is \"{text}\", a projected system, but decimalLatitude and decimalLongitude are degrees"
            ),
            "name the geographic system of the degrees, for example \"EPSG:4326\"",
        ));
    }
    Ok(Some(crs))
}

/// Usual names of systems, as codes that PROJ knows.
fn code(datum: &str) -> String {
    let plain: String =
        datum.to_uppercase().chars().filter(|c| c.is_ascii_alphanumeric() || *c == ':').collect();
    let code = match plain.as_str() {
        "WGS84" | "WORLDGEODETICSYSTEM1984" => "EPSG:4326",
        "NAD27" => "EPSG:4267",
        "NAD83" => "EPSG:4269",
        "ETRS89" => "EPSG:4258",
        "GDA94" => "EPSG:4283",
        "GDA2020" => "EPSG:7844",
        "NZGD2000" => "EPSG:4167",
        "SIRGAS2000" => "EPSG:4674",
        _ => return plain,
    };
    code.to_string()
}

/// The places of every row on the grid's system, or why there is none.
fn carry(
    written: &Written,
    otherwise: Option<Crs>,
    records: &Records,
    grid: &Grid,
) -> Result<Vec<Result<Places, Why>>, Problem> {
    let mut systems: HashMap<String, Option<Crs>> = HashMap::new();
    let mut rows: BTreeMap<String, Vec<usize>> = BTreeMap::new();
    let mut all = Vec::new();
    for (at, row) in written.rows.iter().enumerate() {
        let known = systems.entry(row.datum.clone()).or_insert_with(|| match row.datum.as_str() {
            "" => otherwise.clone(),
            datum => Crs::parse(&code(datum)).ok().filter(|crs| !crs.is_projected()),
        });
        let degrees = degrees(row);
        match (degrees, known) {
            (Err(why), _) => all.push(Err(why)),
            (Ok(_), None) => all.push(Err((
                Reason::NoSystem,
                match row.datum.as_str() {
                    "" => "geodeticDatum is empty, and [records] names no crs".into(),
                    datum => format!("geodeticDatum is \"{datum}\""),
                },
            ))),
            (Ok(written), Some(_)) => {
                rows.entry(row.datum.clone()).or_default().push(at);
                let Point { x, y } = written;
                let signs = [Point { x: -x, y }, Point { x, y: -y }, Point { x: -x, y: -y }];
                all.push(Ok(Places { written, swapped: Point { x: y, y: x }, signs }));
            }
        }
    }
    for (datum, rows) in rows {
        let Some(Some(crs)) = systems.get(&datum) else { continue };
        let mut points = Vec::with_capacity(5 * rows.len());
        for places in rows.iter().filter_map(|at| all[*at].as_ref().ok()) {
            points.extend([places.written, places.swapped]);
            points.extend(places.signs);
        }
        // a place no system knows is nowhere, and must not stop the others
        for point in points.iter_mut().filter(|p| p.x.abs() > 180.0 || p.y.abs() > 90.0) {
            *point = Point { x: f64::NAN, y: f64::NAN };
        }
        crs.transform(&grid.crs, &mut points).map_err(|e| problem(&records.file, None, e.to_string(), ""))?;
        for (at, five) in rows.iter().zip(points.chunks_exact(5)) {
            all[*at] = Ok(Places { written: five[0], swapped: five[1], signs: [five[2], five[3], five[4]] });
        }
    }
    Ok(all)
}

/// Longitude and latitude as written.
fn degrees(row: &Row) -> Result<Point, Why> {
    let number = |name: &str, text: &str| match text.parse::<f64>() {
        _ if text.is_empty() => Err((Reason::NoCoordinates, format!("{name} is empty"))),
        Ok(value) if value.is_finite() => Ok(value),
        _ => Err((Reason::NotNumbers, format!("{name} is not a number with a point"))),
    };
    let y = number("decimalLatitude", &row.latitude)?;
    let x = number("decimalLongitude", &row.longitude)?;
    Ok(Point { x, y })
}

type Outcome<'a> = Result<Found<'a>, Why>;

fn outside() -> Why {
    (Reason::Outside, "lies on no cell of the study area".into())
}

/// Status and place of a row.
fn place<'a>(row: &'a Row, places: Result<Places, Why>, grid: &Grid) -> Outcome<'a> {
    let places = places?;
    let status = status(row)?;
    let on_grid = |point: Point| grid.cell_at(point).is_some();
    if let Some(cell) = grid.cell_at(places.written) {
        let found = Found { row, point: places.written, cell, status, uncertainty_m: f64::NAN };
        return Ok(found);
    }
    let Point { x, y } = degrees(row)?;
    Err(if x == 0.0 || y == 0.0 {
        (Reason::Zero, "a coordinate is 0 and the place lies outside the study area".into())
    } else if on_grid(places.swapped) {
        (Reason::Swapped, "the other way round it lies in the study area".into())
    } else if places.signs.into_iter().any(on_grid) {
        (Reason::Sign, "with another sign it lies in the study area".into())
    } else if x.abs() > 180.0 || y.abs() > 90.0 {
        (Reason::NotDegrees, "latitude runs from -90 to 90, longitude from -180 to 180".into())
    } else {
        outside()
    })
}

fn status(row: &Row) -> Result<Status, Why> {
    let count = row.count.parse::<f64>().ok();
    let said = match row.status.to_lowercase().as_str() {
        // Darwin Core takes a record without status for a finding
        "" if count == Some(0.0) => Status::Absent,
        "" | "present" => Status::Present,
        "absent" => Status::Absent,
        other => {
            let detail = format!("occurrenceStatus is \"{other}\"; present or absent is expected");
            return Err((Reason::Status, detail));
        }
    };
    match (said, count) {
        (Status::Present, Some(0.0)) => {
            Err((Reason::Status, "occurrenceStatus is present, but individualCount is 0".into()))
        }
        (Status::Absent, Some(n)) if n > 0.0 => {
            Err((Reason::Status, "occurrenceStatus is absent, but individualCount is above 0".into()))
        }
        _ => Ok(said),
    }
}

fn vague<'a>(found: Found<'a>, records: &Records) -> Outcome<'a> {
    let most = records.maximum_uncertainty_m;
    let row = found.row;
    let stated = match row.uncertainty.as_str() {
        "" => match records.assumed_uncertainty_m {
            Some(assumed) => assumed,
            None => return Err((Reason::Vague, "coordinateUncertaintyInMeters is empty".into())),
        },
        text => match text.parse::<f64>() {
            Ok(metres) if metres.is_finite() && metres >= 0.0 => metres,
            _ => {
                let detail = "coordinateUncertaintyInMeters is not a number of metres";
                return Err((Reason::Vague, detail.into()));
            }
        },
    };
    if stated > most {
        let detail = format!("known to within {stated} m; at most {most} m are used");
        return Err((Reason::Vague, detail));
    }
    // Degrees rounded to few decimals are vaguer than stated: half a unit of the last decimal of both.
    let decimals = |text: &str| {
        text.split(['e', 'E']).next().and_then(|t| t.split_once('.')).map_or(0, |(_, d)| d.len())
    };
    let fewest = decimals(&row.latitude).max(decimals(&row.longitude));
    let rounding = 0.5 * DEGREE_M * 10f64.powi(-(fewest.min(9) as i32));
    if rounding > most {
        let detail =
            format!("both coordinates are rounded to {fewest} decimals, that is to within {rounding:.0} m");
        return Err((Reason::Vague, detail));
    }
    Ok(Found { uncertainty_m: stated, ..found })
}

fn dated<'a>(found: Found<'a>, records: &Records) -> Outcome<'a> {
    if records.from.is_none() && records.to.is_none() {
        return Ok(found);
    }
    let Some((first, last)) = dates::months(&found.row.date) else {
        let detail = match found.row.date.as_str() {
            "" => "eventDate is empty".to_string(),
            date => format!("eventDate is \"{date}\"; a date as 1995-03-07 is expected"),
        };
        return Err((Reason::Undated, detail));
    };
    if records.from.is_some_and(|from| first < from) || records.to.is_some_and(|to| last > to) {
        return Err((Reason::OtherMonths, format!("{first} to {last}")));
    }
    Ok(found)
}

/// Which of the records lie inside the study area.
fn inside(study: &Study, grid: &Grid, found: &[Found]) -> Result<Vec<bool>, String> {
    let Some(area) = &study.grid.area else { return Ok(vec![true; found.len()]) };
    let mut by_window: BTreeMap<(usize, usize), Vec<usize>> = BTreeMap::new();
    for (at, one) in found.iter().enumerate() {
        by_window.entry((one.cell.row / WINDOW, one.cell.col / WINDOW)).or_default().push(at);
    }
    let mut inside = vec![false; found.len()];
    for ((row, col), members) in by_window {
        let (row, col) = (row * WINDOW, col * WINDOW);
        let window =
            Window { row, col, rows: WINDOW.min(grid.rows - row), cols: WINDOW.min(grid.cols - col) };
        let burnt = burn(area, grid, &window, false).map_err(|e| e.to_string())?;
        for at in members {
            let Cell { row, col } = found[at].cell;
            inside[at] = burnt[(row - window.row) * window.cols + col - window.col];
        }
    }
    Ok(inside)
}

/// Leaves out findings entered twice: same place, date and status; the first stays.
fn without_doubles<'a>(found: Vec<Found<'a>>, set_aside: &mut Vec<SetAside>) -> Vec<Found<'a>> {
    let mut seen: HashMap<(i64, i64, String, Status), usize> = HashMap::new();
    let mut kept = Vec::new();
    for one in found {
        let rounded = |text: &str| text.parse::<f64>().map_or(0, |v| (v * ALIKE).round() as i64);
        let key = (rounded(&one.row.latitude), rounded(&one.row.longitude), one.row.date.clone(), one.status);
        match seen.get(&key) {
            Some(line) => set_aside.push(SetAside {
                line: one.row.line,
                reason: Reason::Doubled,
                detail: format!("as line {line}"),
            }),
            None => {
                seen.insert(key, one.row.line);
                kept.push(one);
            }
        }
    }
    kept
}

/// Findings, then absences, one per cell: the least vague (the first of equals) stands for it, and a finding before an absence.
fn one_per_cell(mut found: Vec<Found>, set_aside: &mut Vec<SetAside>) -> [Vec<Record>; 2] {
    found.sort_by(|a, b| {
        let key = |f: &Found| (f.status, f.cell);
        key(a)
            .cmp(&key(b))
            .then(a.uncertainty_m.total_cmp(&b.uncertainty_m))
            .then(a.row.line.cmp(&b.row.line))
    });
    let mut taken: HashMap<Cell, usize> = HashMap::new();
    let mut kept = [Vec::new(), Vec::new()];
    for one in found {
        if let Some(line) = taken.get(&one.cell) {
            let detail = format!("line {line} stands for it");
            set_aside.push(SetAside { line: one.row.line, reason: Reason::SameCell, detail });
            continue;
        }
        taken.insert(one.cell, one.row.line);
        kept[usize::from(one.status == Status::Absent)].push(Record {
            line: one.row.line,
            id: one.row.id.clone(),
            x: one.point.x,
            y: one.point.y,
            cell: one.cell,
            uncertainty_m: one.uncertainty_m,
            date: one.row.date.clone(),
        });
    }
    kept.iter_mut().for_each(|records| records.sort_by_key(|r| r.line));
    kept
}

#[cfg(test)]
mod tests;
