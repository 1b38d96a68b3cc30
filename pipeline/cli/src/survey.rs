//! `lentic survey`: ground truth for a finished run.

use crate::args::Speech;
use crate::bars::Bars;
use clap::Subcommand;
use lentic_engine::survey::{
    ByStratum, CAUTIONS, CorrectOptions, Corrected, DrawOptions, Drawn, Wanted, correct, draw,
};
use lentic_engine::{EngineError, Estimate, prepare};
use serde_json::{Value, json};
use std::path::PathBuf;
use std::str::FromStr;

/// What to do with a survey.
#[derive(Subcommand, Debug)]
pub enum SurveyCommand {
    /// Draw points to visit: spatially balanced, stratified by the classes of a map
    Draw {
        /// Run folder
        run: PathBuf,
        /// Map whose classes are the strata: habitat_baseline, permanence, habitat_SCENARIO or change_SCENARIO
        #[arg(long, default_value = "habitat_baseline")]
        map: String,
        /// Folder of the survey, not in the run folder [default: survey-MAP beside the run folder]
        #[arg(long, short)]
        out: Option<PathBuf>,
        /// Standard error of overall accuracy to reach
        #[arg(long, default_value_t = 0.03, allow_negative_numbers = true)]
        standard_error: f64,
        /// User's accuracy expected of every stratum, or of one [default: 0.8]
        #[arg(long, value_name = "SHARE|CODE=SHARE", allow_negative_numbers = true)]
        accuracy: Vec<OneOrAll<f64>>,
        /// Points in all instead of a standard error, or points of one stratum
        #[arg(long, value_name = "N|CODE=N", allow_negative_numbers = true)]
        points: Vec<OneOrAll<u64>>,
        /// Fewest points in a stratum
        #[arg(long, default_value_t = 50)]
        minimum: u64,
        /// Reserve points, as a share of the points
        #[arg(long, default_value_t = 0.2, allow_negative_numbers = true)]
        reserve: f64,
        /// Seed of the random starts [default: the study's]
        #[arg(long)]
        seed: Option<u64>,
    },
    /// Correct mapped areas by a filled-in table of points
    Correct {
        /// Run folder the points were drawn over
        run: PathBuf,
        /// The table, with its column reference_class filled in
        table: PathBuf,
        /// Folder of the tables [default: corrected, beside the filled-in table]
        #[arg(long, short)]
        out: Option<PathBuf>,
        /// Leave out the area of a stratum in which nobody looked
        #[arg(long, value_name = "CODE")]
        without: Vec<u8>,
    },
}

/// A value for every stratum, or for one by its code.
#[derive(Clone, Copy, Debug)]
pub struct OneOrAll<T> {
    code: Option<u8>,
    value: T,
}

impl<T: FromStr> FromStr for OneOrAll<T> {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let (code, value) = match text.split_once('=') {
            None => (None, text),
            Some((code, value)) => {
                let code =
                    code.trim().parse().map_err(|_| format!("\"{code}\" is no class code (0 to 254)"))?;
                (Some(code), value)
            }
        };
        let value =
            value.trim().parse().map_err(|_| format!("\"{value}\" is no number of the kind expected"))?;
        Ok(OneOrAll { code, value })
    }
}

/// The last value for all, and the last for each stratum.
fn gather<T: Copy>(given: &[OneOrAll<T>]) -> ByStratum<T> {
    ByStratum {
        all: given.iter().rev().find(|one| one.code.is_none()).map(|one| one.value),
        of: given.iter().filter_map(|one| Some((one.code?, one.value))).collect(),
    }
}

/// Does what is asked.
///
/// # Errors
/// As the engine says.
pub fn survey(command: &SurveyCommand, speech: Speech) -> Result<(), EngineError> {
    prepare(None)?;
    let bars = Bars::new(speech.quiet || speech.json);
    match command {
        SurveyCommand::Draw { run, map, out, standard_error, accuracy, points, minimum, reserve, seed } => {
            let wanted = Wanted {
                standard_error: *standard_error,
                accuracy: gather(accuracy),
                points: gather(points),
                minimum: *minimum,
                reserve: *reserve,
            };
            let options = DrawOptions { map: map.clone(), out: out.clone(), wanted, seed: *seed };
            let drawn = draw(run, &options, &bars)?;
            say(speech, || drawn_json(&drawn), || drawn_text(&drawn));
        }
        SurveyCommand::Correct { run, table, out, without } => {
            let options = CorrectOptions { out: out.clone(), without: without.iter().copied().collect() };
            let corrected = correct(run, table, &options, &bars)?;
            say(speech, || corrected_json(&corrected), || corrected_text(&corrected));
        }
    }
    Ok(())
}

fn say(speech: Speech, json: impl Fn() -> Value, text: impl Fn() -> String) {
    if speech.json {
        crate::say::out(&format!("{:#}", json()));
    } else if !speech.quiet {
        crate::say::out(&text());
    }
}

fn drawn_json(drawn: &Drawn) -> Value {
    let strata: Vec<_> = drawn
        .strata
        .iter()
        .map(|s| {
            json!({
                "code": s.code,
                "name": s.name,
                "cells": s.cells,
                "area_ha": s.area_ha,
                "expected_users_accuracy": s.accuracy,
                "points": s.points,
                "reserve": s.reserve,
            })
        })
        .collect();
    json!({
        "done": true,
        "folder": drawn.folder.display().to_string(),
        "run_id": drawn.run_id,
        "map": drawn.map,
        "seed": drawn.seed,
        "points_asked": drawn.asked,
        "standard_error_expected": drawn.standard_error,
        "strata": strata,
        "notes": drawn.notes,
        "cautions": CAUTIONS,
    })
}

fn drawn_text(drawn: &Drawn) -> String {
    let header = ["stratum", "area, ha", "cells", "expected", "points", "reserve"].map(String::from);
    let rows = drawn.strata.iter().map(|s| {
        [
            format!("{} {}", s.code, s.name),
            format!("{:.1}", s.area_ha),
            s.cells.to_string(),
            format!("{:.2}", s.accuracy),
            s.points.to_string(),
            s.reserve.to_string(),
        ]
    });
    let mut lines = vec![format!("map {} of run {}, seed {}", drawn.map, drawn.run_id, drawn.seed)];
    lines.extend(aligned(std::iter::once(header).chain(rows).collect()));
    if let Some(error) = drawn.standard_error {
        lines.push(format!("overall accuracy to expect with a standard error of {error:.3}"));
    }
    lines.extend(drawn.notes.iter().map(|note| format!("note: {note}")));
    lines.push(String::new());
    lines.extend(CAUTIONS.map(String::from));
    lines.push(String::new());
    lines.push(format!("points to visit: {}", drawn.folder.join("survey.csv").display()));
    lines.join("\n")
}

fn estimate_json(estimate: &Estimate, most: f64) -> Value {
    let interval = estimate.interval(0.0, most);
    json!({
        "value": estimate.value,
        "standard_error": estimate.standard_error,
        "low": interval.map(|i| i.0),
        "high": interval.map(|i| i.1),
    })
}

fn corrected_json(corrected: &Corrected) -> Value {
    let classes: Vec<_> = corrected
        .classes
        .iter()
        .map(|c| {
            json!({
                "code": c.code,
                "name": c.name,
                "mapped_ha": c.mapped_ha,
                "points": c.points,
                "area_ha": estimate_json(&c.area_ha, corrected.whole_ha),
                "users_accuracy": estimate_json(&c.users, 1.0),
                "producers_accuracy": estimate_json(&c.producers, 1.0),
            })
        })
        .collect();
    json!({
        "done": true,
        "folder": corrected.folder.display().to_string(),
        "run_id": corrected.run_id,
        "map": corrected.map,
        "area_ha": corrected.whole_ha,
        "points": corrected.points,
        "reserve_points": corrected.reserve,
        "left_out": corrected.left_out,
        "overall_accuracy": estimate_json(&corrected.overall, 1.0),
        "classes": classes,
        "counts": corrected.counts,
        "shares": corrected.shares,
        "notes": corrected.notes,
    })
}

/// "0.88 (0.81 to 0.95)", "-" where it is not defined.
fn told(estimate: &Estimate, most: f64, digits: usize) -> String {
    match (estimate.value, estimate.interval(0.0, most)) {
        (Some(value), Some((low, high))) => format!("{value:.digits$} ({low:.digits$} to {high:.digits$})"),
        (Some(value), None) => format!("{value:.digits$} (no range)"),
        _ => "-".into(),
    }
}

fn corrected_text(corrected: &Corrected) -> String {
    let header = ["class", "points", "mapped, ha", "in truth, ha", "user's accuracy", "producer's accuracy"];
    let rows = corrected.classes.iter().map(|c| {
        [
            format!("{} {}", c.code, c.name),
            c.points.to_string(),
            format!("{:.1}", c.mapped_ha),
            told(&c.area_ha, corrected.whole_ha, 1),
            told(&c.users, 1.0, 2),
            told(&c.producers, 1.0, 2),
        ]
    });
    let mut lines = vec![
        format!(
            "map {} of run {}: {} points with a reference class ({} of them reserve), {} without",
            corrected.map, corrected.run_id, corrected.points, corrected.reserve, corrected.left_out
        ),
        format!("overall accuracy {}; ranges are 95 %", told(&corrected.overall, 1.0, 2)),
    ];
    lines.extend(aligned(std::iter::once(header.map(String::from)).chain(rows).collect()));
    lines.extend(corrected.notes.iter().map(|note| format!("note: {note}")));
    lines.push(format!("tables: {}", corrected.folder.display()));
    lines.join("\n")
}

/// Columns of equal width: the first to the left, the others to the right.
fn aligned(rows: Vec<[String; 6]>) -> Vec<String> {
    let width: [usize; 6] =
        std::array::from_fn(|at| rows.iter().map(|row| row[at].chars().count()).max().unwrap_or(0));
    let line = |row: [String; 6]| {
        let cells: Vec<String> = row
            .iter()
            .zip(width)
            .enumerate()
            .map(
                |(at, (cell, width))| {
                    if at == 0 { format!("{cell:width$}") } else { format!("{cell:>width$}") }
                },
            )
            .collect();
        cells.join("  ")
    };
    rows.into_iter().map(line).collect()
}
