//! What the run record says of program, study, grid and time.

use crate::check::Checked;
use crate::inputs;
use crate::run::VERSION;
use crate::stages::Context;
use lentic_report::{GridRecord, PeriodRecord, Program, StudyRecord};
use std::path::{Component, Path, PathBuf};
use std::time::SystemTime;

/// The program and the libraries behind the numbers.
pub fn program() -> Program {
    let others = [("PROJ".to_string(), lentic_raster::proj_version())].into();
    Program { name: "lentic".into(), version: VERSION.into(), gdal: lentic_raster::gdal_version(), others }
}

/// The study as it was run.
pub fn study_record(checked: &Checked, run: &Path) -> StudyRecord {
    let study = &checked.study;
    StudyRecord {
        name: study.name.clone(),
        organism: study.organism.clone(),
        purpose: study.purpose.clone(),
        contact: study.contact.clone(),
        licence: study.licence.clone(),
        path: inputs::named(&study.path, study),
        beside: beside(run, &study.path).unwrap_or_default(),
        blake3: blake3::hash(study.text.as_bytes()).to_hex().to_string(),
        text: study.text.clone(),
        threshold: study.suitability.threshold,
    }
}

/// Steps up from a run folder that are kept: farther apart, the way would tell of the user's machine.
const STEPS_UP: usize = 4;

/// Names of the folders down to a path and its own, from the root; "." and ".." are gone.
fn steps(path: &Path) -> Option<Vec<String>> {
    let mut steps = Vec::new();
    for part in std::path::absolute(path).ok()?.components() {
        match part {
            Component::Normal(name) => steps.push(name.to_str()?.to_string()),
            Component::ParentDir => drop(steps.pop()),
            _ => {}
        }
    }
    Some(steps)
}

/// The way from a run folder to a file, with `/`: "../study.toml". `None` where they lie far apart, so that nothing of the
/// user's machine but folders beside the study gets into a record.
pub fn beside(run: &Path, file: &Path) -> Option<String> {
    let (run, file) = (steps(run)?, steps(file)?);
    let shared = run.iter().zip(&file).take_while(|(a, b)| a == b).count();
    let up = run.len() - shared;
    if shared == 0 || up > STEPS_UP {
        return None;
    }
    let way = std::iter::repeat_n("..", up).chain(file[shared..].iter().map(String::as_str));
    Some(way.collect::<Vec<_>>().join("/"))
}

/// The file that lies a kept way from a run folder.
pub fn at_the_end_of(run: &Path, way: &str) -> PathBuf {
    let path = way.split('/').fold(run.to_path_buf(), |path, step| path.join(step));
    match steps(&path) {
        Some(steps) => Path::new("/").join(steps.iter().collect::<PathBuf>()),
        None => path,
    }
}

/// The grid, with what is to know of its areas.
pub fn grid_record(checked: &Checked, context: &Context) -> GridRecord {
    let grid = &checked.grid;
    let bounds = grid.bounds();
    GridRecord {
        crs: checked.study.grid.crs.clone(),
        cell_m: grid.cell_m,
        rows: grid.rows as u64,
        cols: grid.cols as u64,
        bounds: [bounds.left, bounds.bottom, bounds.right, bounds.top],
        area_note: area_note(context).unwrap_or_else(|| "Equal-area reference system".into()),
    }
}

/// What is to know of areas where the reference system is not equal-area.
pub fn area_note(context: &Context) -> Option<String> {
    (!context.grid.crs.is_equal_area()).then(|| {
        format!(
            "The grid's reference system is not equal-area; areas are geodesic, at most {:.3} % away from the square of the cell side.",
            100.0 * context.areas.largest_area_difference()
        )
    })
}

/// The months compared.
pub fn period_record(checked: &Checked) -> PeriodRecord {
    let period = &checked.study.period;
    let words =
        |months: (lentic_study::Month, lentic_study::Month)| [months.0.to_string(), months.1.to_string()];
    PeriodRecord { baseline: words(period.baseline), reference: words(period.reference) }
}

/// Now, as ISO 8601 in UTC (days to civil date: Hinnant's algorithm, public domain).
pub fn now() -> String {
    let seconds = SystemTime::now().duration_since(SystemTime::UNIX_EPOCH).map_or(0, |d| d.as_secs()) as i64;
    let (days, rest) = (seconds.div_euclid(86_400), seconds.rem_euclid(86_400));
    let z = days + 719_468;
    let era = z.div_euclid(146_097);
    let day_of_era = z.rem_euclid(146_097);
    let year_of_era = (day_of_era - day_of_era / 1460 + day_of_era / 36_524 - day_of_era / 146_096) / 365;
    let day_of_year = day_of_era - (365 * year_of_era + year_of_era / 4 - year_of_era / 100);
    let shifted = (5 * day_of_year + 2) / 153;
    let day = day_of_year - (153 * shifted + 2) / 5 + 1;
    let month = if shifted < 10 { shifted + 3 } else { shifted - 9 };
    let year = year_of_era + era * 400 + i64::from(month <= 2);
    format!("{year:04}-{month:02}-{day:02}T{:02}:{:02}:{:02}Z", rest / 3600, rest % 3600 / 60, rest % 60)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_study_is_found_from_its_run() {
        let way = |run: &str, file: &str| beside(Path::new(run), Path::new(file));
        assert_eq!(way("/data/basin/run", "/data/basin/study.toml").as_deref(), Some("../study.toml"));
        assert_eq!(way("/data/run", "/data/basin/study.toml").as_deref(), Some("../basin/study.toml"));
        assert_eq!(way("/data/basin/../run", "/data/a/./study.toml").as_deref(), Some("../a/study.toml"));
        // nothing in common, or too far apart
        assert_eq!(way("/tmp/run", "/home/someone/study.toml"), None);
        assert_eq!(way("/data/a/b/c/d/e", "/data/study.toml"), None);
        let found = |run: &str| at_the_end_of(Path::new(run), "../a/study.toml");
        assert_eq!(found("/data/run"), Path::new("/data/a/study.toml"));
        assert_eq!(found("/data/b/../run/"), Path::new("/data/a/study.toml"));
    }
}
