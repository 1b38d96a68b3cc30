//! Which scenes there are: their dates, and the file of each band that is needed.

use super::{items, refuse, refuse_file};
use crate::error::EngineError;
use crate::stop;
use lentic_raster::{Grid, Point, RasterSource, StackError, find_all_dated};
use lentic_study::scenes::Scenes;
use lentic_study::scenes::settings::{Band, Find};
use lentic_study::{Month, Problem, Problems};
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

/// A scene.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Scene {
    /// Its month.
    pub month: Month,
    /// Its day, if known.
    pub day: Option<u32>,
    /// Date and what tells it from others of that date; names its files.
    pub name: String,
    /// The file of each needed band, in the order of the settings.
    pub files: Vec<PathBuf>,
}

impl Scene {
    /// Its date as in "1988-08-14", or only the month.
    pub fn date(&self) -> String {
        date(self.month, self.day)
    }
}

/// A date as in "1988-08-14", or only the month.
fn date(month: Month, day: Option<u32>) -> String {
    day.map_or_else(|| month.to_string(), |day| format!("{month}-{day:02}"))
}

/// A scene as far as it is known while it is put together: the file of each needed band, if there is one.
pub(super) struct Draft {
    /// Its month.
    pub month: Month,
    /// Its day.
    pub day: Option<u32>,
    /// What tells it from others of its date.
    pub id: String,
    /// The file messages name where a band is missing.
    pub told: PathBuf,
    /// By needed band.
    pub files: Vec<Option<PathBuf>>,
}

/// What was found.
pub(super) struct Found {
    /// Scenes to use, by date and name.
    pub scenes: Vec<Scene>,
    /// Scenes left out, with why.
    pub left_out: Vec<(Scene, String)>,
}

/// Most problems of one kind that are told one by one.
const TOLD: usize = 20;

/// Finds the scenes.
///
/// # Errors
/// Nothing there, a scene without a needed band, a scene found twice, or none on the grid and in the period.
pub(super) fn find(settings: &Scenes, grid: &Grid) -> Result<Found, EngineError> {
    let drafts = match &settings.find {
        Find::Pattern(pattern) => by_pattern(settings, pattern)?,
        Find::Items(path) => items::read(path, &settings.bands)?,
    };
    let mut scenes = complete(settings, drafts)?;
    scenes.sort();
    refuse_twice(&scenes)?;
    name_apart(&mut scenes);
    let mut found = Found { scenes: Vec::new(), left_out: Vec::new() };
    for scene in scenes {
        stop::unless_asked()?;
        let early = settings.first.is_some_and(|first| scene.month < first);
        let late = settings.last.is_some_and(|last| scene.month > last);
        if early || late {
            found.left_out.push((scene, "outside the period".into()));
        } else if overlaps(settings, &scene, grid)? {
            found.scenes.push(scene);
        } else {
            found.left_out.push((scene, "does not touch the grid".into()));
        }
    }
    if found.scenes.is_empty() {
        let off = found.left_out.iter().filter(|(_, why)| why.contains("grid")).count();
        let (at, help) = if off > 0 {
            ("grid", "correct the grid's bounds or reference system, or the scenes")
        } else {
            ("period", "widen [period] or take it out")
        };
        let message = format!(
            "no scene can be used: {} found, {off} of them beyond the grid, {} outside the period",
            found.left_out.len(),
            found.left_out.len() - off
        );
        return Err(refuse(settings, at, message, help));
    }
    Ok(found)
}

/// Whether the scene's bands reach the grid, by points over the grid carried to the reference system of the file.
fn overlaps(settings: &Scenes, scene: &Scene, grid: &Grid) -> Result<bool, EngineError> {
    const STEPS: usize = 16;
    for (path, band) in scene.files.iter().zip(&settings.bands) {
        let source = RasterSource::open(path, band.number)?;
        let all = grid.bounds();
        let along = |low: f64, high: f64, step: usize| low + (high - low) * step as f64 / STEPS as f64;
        let mut points: Vec<Point> = (0..=STEPS)
            .flat_map(|i| (0..=STEPS).map(move |j| (i, j)))
            .map(|(i, j)| Point { x: along(all.left, all.right, i), y: along(all.bottom, all.top, j) })
            .collect();
        grid.crs.transform(source.crs(), &mut points)?;
        points.retain(|point| point.x.is_finite() && point.y.is_finite());
        let range = |of: fn(&Point) -> f64| {
            points.iter().map(of).fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), v| (a.min(v), b.max(v)))
        };
        let ((left, right), (bottom, top)) = (range(|p| p.x), range(|p| p.y));
        let file = source.info().bounds();
        if left >= file.right || right <= file.left || bottom >= file.top || top <= file.bottom {
            return Ok(false);
        }
    }
    Ok(true)
}

fn by_pattern(settings: &Scenes, pattern: &str) -> Result<Vec<Draft>, EngineError> {
    type Key = (Month, Option<u32>, String);
    let mut drafts: BTreeMap<Key, Draft> = BTreeMap::new();
    for (at, band) in settings.bands.iter().enumerate() {
        let pattern = match &band.token {
            Some(token) => pattern.replace("{band}", token),
            None => pattern.to_string(),
        };
        let files = find_all_dated(&pattern).map_err(|error| told(settings, band, error))?;
        for file in files {
            let month = file.month.and_then(|month| Month::new(file.year, month)).ok_or_else(|| {
                let message = format!("the pattern {pattern:?} gives a year but no month");
                refuse(settings, "scenes.files", message, "add {month} and {day}, or {day_of_year}")
            })?;
            let id = file.anything.join("_");
            let draft = drafts.entry((month, file.day, id.clone())).or_insert_with(|| Draft {
                month,
                day: file.day,
                id,
                told: file.path.clone(),
                files: vec![None; settings.bands.len()],
            });
            if let Some(first) = &draft.files[at] {
                let date = date(month, file.day);
                let message =
                    format!("two files give band {:?} of {date}: {} and this", band.name, first.display());
                let help = "keep one of them, or make the pattern narrower";
                return Err(Problems(vec![refuse_file(&file.path, message, help)]).into());
            }
            draft.files[at] = Some(file.path);
        }
    }
    Ok(drafts.into_values().collect())
}

/// Says that a band's pattern finds nothing where it is written.
fn told(settings: &Scenes, band: &Band, error: StackError) -> EngineError {
    match error {
        StackError::Pattern { .. } => refuse(settings, "scenes.files", error.to_string(), ""),
        StackError::Nothing { .. } => {
            let at = format!("bands.{}", band.name);
            refuse(settings, &at, format!("band {:?}: {error}", band.name), "")
        }
        other => other.into(),
    }
}

/// Scenes of drafts that have every band.
fn complete(settings: &Scenes, drafts: Vec<Draft>) -> Result<Vec<Scene>, EngineError> {
    let mut problems: Vec<Problem> = Vec::new();
    let mut scenes = Vec::new();
    for draft in drafts {
        let missing: Vec<String> = settings
            .bands
            .iter()
            .zip(&draft.files)
            .filter(|(_, file)| file.is_none())
            .map(|(band, _)| match &band.token {
                Some(token) => format!("{:?} ({token})", band.name),
                None => format!("{:?}", band.name),
            })
            .collect();
        let date = date(draft.month, draft.day);
        if !missing.is_empty() {
            let message = format!("the scene of {date} has no band {}", missing.join(" and no band "));
            problems.push(refuse_file(&draft.told, message, "add the file, or move this scene away"));
            continue;
        }
        let id = slug(&draft.id);
        let name = if id.is_empty() { date } else { format!("{date}_{id}") };
        let files = draft.files.into_iter().flatten().collect();
        scenes.push(Scene { month: draft.month, day: draft.day, name, files });
    }
    if problems.is_empty() {
        return Ok(scenes);
    }
    let more = problems.len().saturating_sub(TOLD);
    problems.truncate(TOLD);
    if let Some(last) = problems.last_mut()
        && more > 0
    {
        last.message += &format!("; {more} more scenes lack bands");
    }
    Err(Problems(problems).into())
}

/// Refuses scenes of one date that have a file in common.
fn refuse_twice(scenes: &[Scene]) -> Result<(), EngineError> {
    let mut seen = BTreeSet::new();
    for scene in scenes {
        let files: BTreeSet<PathBuf> = scene.files.iter().map(|path| real(path)).collect();
        for file in files {
            if !seen.insert((scene.date(), file.clone())) {
                let message = format!("this file stands for the date {} twice", scene.date());
                let help = "list every scene once: take one of the items, or of the files, away";
                return Err(Problems(vec![refuse_file(&file, message, help)]).into());
            }
        }
    }
    Ok(())
}

fn real(path: &Path) -> PathBuf {
    std::fs::canonicalize(path).unwrap_or_else(|_| path.to_path_buf())
}

/// Names that would be the same get a number, in the order of their files.
fn name_apart(scenes: &mut [Scene]) {
    let mut seen = BTreeSet::new();
    for scene in scenes {
        let plain = scene.name.clone();
        let mut number = 2;
        // file systems may not tell capitals from small letters
        while !seen.insert(scene.name.to_lowercase()) {
            scene.name = format!("{plain}_{number}");
            number += 1;
        }
    }
}

/// Letters, digits and hyphens of a text, for file names; at most 60.
fn slug(text: &str) -> String {
    let plain = |c: char| if c.is_ascii_alphanumeric() { c } else { '-' };
    let text: String = text.chars().take(60).map(plain).collect();
    text.trim_matches('-').to_string()
}
