//! Correcting: what observers found at the points turns mapped areas into estimates with intervals.

use super::map::{ClassMap, FinishedRun, NO_CLASS, Stratum, strata};
use super::sheet::{self, Filled};
use super::{M2_PER_HA, SurveyError, tables};
use crate::error::EngineError;
use crate::progress::Progress;
use lentic_numerics::olofsson::{Accuracy, Estimate, estimate};
use lentic_raster::Cell;
use lentic_report::{guarded, write_table};
use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::path::{Path, PathBuf};

/// How to correct.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct CorrectOptions {
    /// Folder of the tables; `corrected` beside the filled-in table if not given.
    pub out: Option<PathBuf>,
    /// Strata in which nobody looked and whose area is left out.
    pub without: BTreeSet<u8>,
}

/// What came out for one class.
#[derive(Clone, Debug, PartialEq)]
pub struct ClassResult {
    /// Code on the map.
    pub code: u8,
    /// Name.
    pub name: String,
    /// Mapped area, hectares; 0 where no cell has the class or its area is left out.
    pub mapped_ha: f64,
    /// Points with a reference class in the area mapped so.
    pub points: u64,
    /// User's accuracy.
    pub users: Estimate,
    /// Producer's accuracy.
    pub producers: Estimate,
    /// Share of the whole area.
    pub share: Estimate,
    /// Estimated area, hectares.
    pub area_ha: Estimate,
}

/// What came out of a filled-in table.
#[derive(Clone, Debug, PartialEq)]
pub struct Corrected {
    /// Folder of the tables.
    pub folder: PathBuf,
    /// Identifier of the run.
    pub run_id: String,
    /// The map.
    pub map: String,
    /// Area the estimates are of, hectares.
    pub whole_ha: f64,
    /// Points with a reference class.
    pub points: u64,
    /// Reserve points among them.
    pub reserve: u64,
    /// Points, not in reserve, without a reference class.
    pub left_out: u64,
    /// Share of the area mapped right.
    pub overall: Estimate,
    /// By class: of those that have cells or were found.
    pub classes: Vec<ClassResult>,
    /// Points by map class (row) and reference class (column), in the order of `classes`.
    pub counts: Vec<Vec<u64>>,
    /// Estimated share of the area by map class and reference class.
    pub shares: Vec<Vec<f64>>,
    /// What a reader must know.
    pub notes: Vec<String>,
}

/// Corrects the mapped areas of a run by a filled-in table, and writes tables.
///
/// # Errors
/// No run, a table that cannot be used or was drawn over another run, a stratum in which nobody looked; then nothing is
/// written.
pub fn correct(
    run: &Path,
    table: &Path,
    options: &CorrectOptions,
    progress: &dyn Progress,
) -> Result<Corrected, EngineError> {
    let run = FinishedRun::open(run)?;
    let rows = sheet::read(table)?;
    let refuse = |problems: Vec<String>| SurveyError::Table { file: table.to_path_buf(), problems };
    let map = ClassMap::open(&run, only_map(&rows).map_err(|e| refuse(vec![e]))?)?;
    progress.start("measuring strata", 0);
    let strata = strata(&map, &run, run.record.seed)?;
    progress.finish();
    let references = examine(table, &map, &strata, &rows)?;
    let sample = Sample::new(&map, &strata, &rows, &references, &options.without)?;
    sample.check(table, &options.without)?;
    let accuracy = estimate(&sample.areas(), &sample.counts).map_err(|e| refuse(vec![e.to_string()]))?;
    let folder =
        options.out.clone().unwrap_or_else(|| table.parent().unwrap_or(Path::new("")).join("corrected"));
    let corrected = summary(folder, &run, &map, &sample, accuracy);
    for table in tables::all(&corrected) {
        write_table(&corrected.folder, &table)?;
    }
    Ok(corrected)
}

/// The map all rows name.
fn only_map(rows: &[Filled]) -> Result<&str, String> {
    let map = rows.first().map_or("", |row| row.map.as_str());
    match rows.iter().find(|row| row.map != map) {
        None => Ok(map),
        Some(other) => Err(format!(
            "line {}: the point was drawn over the map \"{}\", those before it over \"{map}\"; correct one map at a time",
            other.line, other.map
        )),
    }
}

/// Holds every row of a table against the map. Gives the reference class of each row, `None` where there is none yet.
///
/// # Errors
/// All problems together, or a map that cannot be read.
fn examine(
    table: &Path,
    map: &ClassMap,
    strata: &[Stratum],
    rows: &[Filled],
) -> Result<Vec<Option<u8>>, EngineError> {
    let mut problems = Vec::new();
    let mut references = Vec::new();
    let (mut ids, mut cells, mut told) = (HashMap::new(), HashMap::new(), BTreeSet::new());
    for row in rows {
        let mut tell = |problem: String| problems.push(format!("line {} ({}): {problem}", row.line, row.id));
        if let Some(first) = ids.insert(row.id.as_str(), row.line) {
            tell(format!("the same id stands on line {first}; keep one row for each point"));
            continue;
        }
        match map.grid.cell_at(row.at) {
            None => tell("the point lies outside the run's grid; the table belongs to another run, or x and y were changed".into()),
            Some(cell) => {
                if let Some(first) = cells.insert(cell, row.line) {
                    tell(format!("it lies in the same cell as line {first}; keep one row for each point"));
                }
                if let Some(problem) = other_run(map, strata, row, cell, &mut told)? {
                    tell(problem);
                }
            }
        }
        match reference(map, &row.reference) {
            Ok(code) => references.push(code),
            Err(problem) => tell(problem),
        }
    }
    if problems.is_empty() {
        Ok(references)
    } else {
        Err(SurveyError::Table { file: table.to_path_buf(), problems }.into())
    }
}

/// Why a row cannot have been drawn over this map; what is told of a whole stratum is told once.
fn other_run(
    map: &ClassMap,
    strata: &[Stratum],
    row: &Filled,
    cell: Cell,
    told: &mut BTreeSet<(u8, u64)>,
) -> Result<Option<String>, EngineError> {
    let code = map.at(cell)?;
    let name = |code: u8| match code {
        NO_CLASS => "no class".to_string(),
        code => format!("{code} {}", map.class(code)),
    };
    const MEND: &str = "the table was drawn over another run: give that run, or draw again";
    if code != row.stratum {
        let (here, there) = (name(code), name(row.stratum));
        return Ok(Some(format!("the map has {here} there, the table says {there}; {MEND}")));
    }
    let cells = strata.iter().find(|stratum| stratum.code == code).map_or(0, |stratum| stratum.cells);
    let differs = cells != row.stratum_cells && told.insert((code, row.stratum_cells));
    Ok(differs.then(|| {
        format!("stratum {} has {cells} cells, the table says {}; {MEND}", name(code), row.stratum_cells)
    }))
}

/// The class an observer wrote, by code or name; `None` where nothing is written.
fn reference(map: &ClassMap, written: &str) -> Result<Option<u8>, String> {
    if written.is_empty() {
        return Ok(None);
    }
    // a name may be copied from the table, where it has an apostrophe if a spreadsheet would run it
    let same = |name: &str| name.trim().to_lowercase() == written.to_lowercase();
    let by_name = map.classes.iter().find(|(_, name)| same(name) || same(&guarded(name)));
    // a spreadsheet may have made 1 into 1.0
    let number = written.parse::<f64>().ok();
    let by_code = || map.classes.iter().find(|(code, _)| number == Some(f64::from(**code)));
    match by_name.or_else(by_code) {
        Some((code, _)) => Ok(Some(*code)),
        None => Err(format!(
            "the reference class \"{written}\" is no class of the map; write the code or name of one: {}",
            map.class_list()
        )),
    }
}

/// Areas and counts by class.
struct Sample {
    /// Code and name of each class.
    classes: Vec<(u8, String)>,
    /// Mapped area of each, m2; 0 where left out.
    area_m2: Vec<f64>,
    /// Area left out, m2.
    left_out_m2: f64,
    /// Points by map class and reference class.
    counts: Vec<Vec<u64>>,
    /// Points, not in reserve, without a reference class, by map class.
    missing: Vec<u64>,
    /// Reserve points with a reference class.
    reserve: u64,
}

impl Sample {
    fn new(
        map: &ClassMap,
        strata: &[Stratum],
        rows: &[Filled],
        references: &[Option<u8>],
        without: &BTreeSet<u8>,
    ) -> Result<Self, SurveyError> {
        if let Some(unknown) = without.iter().find(|code| strata.iter().all(|stratum| stratum.code != **code))
        {
            let codes = strata.iter().map(|stratum| format!("{} {}", stratum.code, stratum.name));
            return Err(SurveyError::Setting {
                name: "--without".into(),
                found: unknown.to_string(),
                expected: format!("a stratum of the map: {}", codes.collect::<Vec<_>>().join(", ")),
            });
        }
        let mapped: BTreeMap<u8, f64> =
            strata.iter().map(|stratum| (stratum.code, stratum.area_m2)).collect();
        let codes: BTreeSet<u8> =
            mapped.keys().copied().chain(references.iter().flatten().copied()).collect();
        let codes: Vec<u8> = codes.into_iter().collect();
        let place = |code: u8| codes.iter().position(|one| *one == code);
        let mut counts = vec![vec![0; codes.len()]; codes.len()];
        let mut missing = vec![0; codes.len()];
        let mut reserve = 0;
        for (row, reference) in rows.iter().zip(references) {
            let Some(stratum) = place(row.stratum) else { continue };
            match reference.and_then(place) {
                Some(reference) => {
                    counts[stratum][reference] += 1;
                    reserve += u64::from(row.reserve);
                }
                None => missing[stratum] += u64::from(!row.reserve),
            }
        }
        let area = |code: &u8| mapped.get(code).copied().unwrap_or(0.0);
        let kept = |code: &u8| if without.contains(code) { 0.0 } else { area(code) };
        Ok(Sample {
            area_m2: codes.iter().map(kept).collect(),
            left_out_m2: without.iter().map(area).sum(),
            classes: codes.into_iter().map(|code| (code, map.class(code))).collect(),
            counts,
            missing,
            reserve,
        })
    }

    fn areas(&self) -> Vec<f64> {
        self.area_m2.clone()
    }

    fn points(&self, class: usize) -> u64 {
        self.counts[class].iter().sum()
    }

    /// Refuses strata in which nobody looked, and leaving out ones in which somebody did.
    fn check(&self, table: &Path, without: &BTreeSet<u8>) -> Result<(), SurveyError> {
        if let Some(at) =
            (0..self.classes.len()).find(|at| without.contains(&self.classes[*at].0) && self.points(*at) > 0)
        {
            let (code, name) = &self.classes[at];
            return Err(SurveyError::Setting {
                name: "--without".into(),
                found: code.to_string(),
                expected: format!(
                    "a stratum in which nobody looked; {} points of {code} {name} have a reference class",
                    self.points(at)
                ),
            });
        }
        let empty: Vec<String> = (0..self.classes.len())
            .filter(|at| self.area_m2[*at] > 0.0 && self.points(*at) == 0)
            .map(|at| {
                let (code, name) = &self.classes[at];
                format!("{code} {name} ({:.1} ha)", self.area_m2[at] / M2_PER_HA)
            })
            .collect();
        if !empty.is_empty() {
            return Err(SurveyError::NoPoints { file: table.to_path_buf(), strata: empty });
        }
        if self.area_m2.iter().sum::<f64>() <= 0.0 {
            return Err(SurveyError::Setting {
                name: "--without".into(),
                found: "every stratum".into(),
                expected: "at least one that stays".into(),
            });
        }
        Ok(())
    }

    fn notes(&self) -> Vec<String> {
        let mut notes = Vec::new();
        for (at, (code, name)) in self.classes.iter().enumerate() {
            let (points, missing) = (self.points(at), self.missing[at]);
            if self.area_m2[at] == 0.0 {
                let found: u64 = self.counts.iter().map(|row| row[at]).sum();
                if found > 0 && points == 0 {
                    notes.push(format!(
                        "{code} {name} has no mapped area here, but was found at {found} points."
                    ));
                }
                continue;
            }
            if missing > 0 {
                notes.push(format!(
                    "{code} {name}: {missing} points without a reference class are left out; if they could not be reached for a reason that goes with the class, estimates are biased."
                ));
            }
            if points == 1 {
                notes.push(format!(
                    "{code} {name} has a single point with a reference class: standard errors that rest on it are not defined."
                ));
            } else if self.counts[at].contains(&points) {
                notes.push(format!(
                    "All {points} points of {code} {name} have one reference class, so its standard error reads 0; as much as {:.1} % of it may still be something else (3 / points, the rule of three).",
                    (300.0 / points as f64).min(100.0)
                ));
            }
        }
        if self.left_out_m2 > 0.0 {
            notes.push(format!(
                "{:.1} ha in strata where nobody looked are left out of every number here.",
                self.left_out_m2 / M2_PER_HA
            ));
        }
        notes
    }
}

fn summary(
    folder: PathBuf,
    run: &FinishedRun,
    map: &ClassMap,
    sample: &Sample,
    accuracy: Accuracy,
) -> Corrected {
    let whole_ha = sample.area_m2.iter().sum::<f64>() / M2_PER_HA;
    let classes = sample
        .classes
        .iter()
        .zip(&accuracy.classes)
        .enumerate()
        .map(|(at, ((code, name), found))| ClassResult {
            code: *code,
            name: name.clone(),
            mapped_ha: sample.area_m2[at] / M2_PER_HA,
            points: sample.points(at),
            users: found.users,
            producers: found.producers,
            share: found.share,
            area_ha: found.share.times(whole_ha),
        })
        .collect();
    Corrected {
        folder,
        run_id: run.record.run_id.clone(),
        map: map.name.clone(),
        whole_ha,
        points: (0..sample.classes.len()).map(|at| sample.points(at)).sum(),
        reserve: sample.reserve,
        left_out: sample.missing.iter().sum(),
        overall: accuracy.overall,
        classes,
        counts: sample.counts.clone(),
        shares: accuracy.shares,
        notes: sample.notes(),
    }
}
