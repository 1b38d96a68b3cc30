//! What can go wrong with a survey.

use std::path::PathBuf;

/// Most problems of a table told at once.
const MOST_TOLD: usize = 20;

/// Why no survey was drawn, or no area corrected.
#[derive(Debug, thiserror::Error)]
pub enum SurveyError {
    /// The folder is no run.
    #[error("{}: this is no finished run: {reason}; give the folder that `lentic run` left", folder.display())]
    NoRun {
        /// The folder.
        folder: PathBuf,
        /// What is missing.
        reason: String,
    },
    /// The run has no such map.
    #[error("{}: the run has no map of classes \"{map}\"; it has {}", folder.display(), choices.join(", "))]
    NoMap {
        /// The run folder.
        folder: PathBuf,
        /// What was asked for.
        map: String,
        /// What there is.
        choices: Vec<String>,
    },
    /// The map has no cell with a class.
    #[error("map \"{map}\" of {} has no cell with a class: nothing was assessed, so there is nothing to look at", folder.display())]
    Empty {
        /// The run folder.
        folder: PathBuf,
        /// The map.
        map: String,
    },
    /// A setting that cannot be.
    #[error("{name} is {found}, expected {expected}")]
    Setting {
        /// Its name on the command line.
        name: String,
        /// What was given.
        found: String,
        /// What is expected.
        expected: String,
    },
    /// Strata with fewer cells than points.
    #[error(
        "map \"{map}\": {}; ask for fewer points there, for example with --points {}, or lower --minimum",
        told(short),
        suggestion(short)
    )]
    TooFewCells {
        /// The map.
        map: String,
        /// Code, name, cells and points of each.
        short: Vec<(u8, String, u64, u64)>,
    },
    /// The folder of the survey cannot be used.
    #[error("survey folder {}: {reason}", folder.display())]
    Target {
        /// The folder.
        folder: PathBuf,
        /// Why not, and what to do.
        reason: String,
    },
    /// The filled-in table cannot be used.
    #[error("{}: {}", file.display(), listed(problems))]
    Table {
        /// The file.
        file: PathBuf,
        /// What is wrong, each with its line.
        problems: Vec<String>,
    },
    /// Strata in which nobody looked.
    #[error(
        "{}: no point has a reference class in {}; visit at least two points of each, or leave their area out with --without CODE",
        file.display(), strata.join(", ")
    )]
    NoPoints {
        /// The filled-in table.
        file: PathBuf,
        /// The strata, "code name (hectares)".
        strata: Vec<String>,
    },
}

fn told(short: &[(u8, String, u64, u64)]) -> String {
    let one = |(code, name, cells, points): &(u8, String, u64, u64)| {
        format!("stratum {code} \"{name}\" has {cells} cells, fewer than its {points} points")
    };
    short.iter().map(one).collect::<Vec<_>>().join("; ")
}

fn suggestion(short: &[(u8, String, u64, u64)]) -> String {
    short.iter().map(|(code, _, cells, _)| format!("{code}={cells}")).collect::<Vec<_>>().join(" --points ")
}

fn listed(problems: &[String]) -> String {
    let mut told: Vec<&str> = problems.iter().take(MOST_TOLD).map(String::as_str).collect();
    let more = problems.len().saturating_sub(MOST_TOLD);
    let rest = format!("and {more} more");
    if more > 0 {
        told.push(&rest);
    }
    if let [one] = told[..] { one.to_string() } else { format!("\n  {}", told.join("\n  ")) }
}
