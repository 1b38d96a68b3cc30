//! Problems in the order in which they are best mended: the study file, then water, layers, legends, climate, records.

use lentic_study::Problem;
use std::path::Path;

/// What a problem is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Step {
    /// Keys and values of the study file.
    Study,
    /// Files of the water history.
    Water,
    /// The other layers.
    Layers,
    /// Legends of class layers.
    Legends,
    /// Series of weather, or anomalies.
    Climate,
    /// Records of the animal.
    Records,
}

impl Step {
    /// For people.
    pub fn title(self) -> &'static str {
        match self {
            Step::Study => "study file",
            Step::Water => "water",
            Step::Layers => "layers",
            Step::Legends => "legends",
            Step::Climate => "climate",
            Step::Records => "records",
        }
    }

    /// What to do about it.
    fn advice(self) -> &'static str {
        match self {
            Step::Study => "correct the study file",
            Step::Water => {
                "put the water files where the layer's pattern looks for them (lentic water makes masks from scenes), or correct the pattern"
            }
            Step::Layers => {
                "put the layers where their keys file look for them, or take out what you have nothing for"
            }
            Step::Legends => {
                "fill in the legends: a line code,name for each code that occurs, and every score that a curve looks for"
            }
            Step::Climate => "put the climate table in place: a line for each month, without gaps",
            Step::Records => "mend the table of records",
        }
    }
}

/// Problems by step, each with those of the earlier step before it; within a step as they were.
pub fn in_order(study: &Path, problems: &[Problem]) -> Vec<(Step, Vec<Problem>)> {
    let text = std::fs::read_to_string(study).unwrap_or_default();
    let mut steps: Vec<(Step, Vec<Problem>)> = Vec::new();
    for problem in problems {
        let step = step_of(study, &text, problem);
        match steps.iter_mut().find(|(known, _)| *known == step) {
            Some((_, of)) => of.push(problem.clone()),
            None => steps.push((step, vec![problem.clone()])),
        }
    }
    steps.sort_by_key(|(step, _)| *step);
    steps
}

/// What to do next, from the first step that has problems.
pub fn next(study: &Path, steps: &[(Step, Vec<Problem>)]) -> String {
    let Some((step, problems)) = steps.first() else {
        return format!("lentic run {}", study.display());
    };
    let from = problems.first().map_or_else(String::new, |problem| {
        let line = problem.place.map_or_else(String::new, |place| format!(":{}", place.line));
        format!(", beginning at {}{line}", problem.file.display())
    });
    format!("{}{from}; then: lentic check {}", step.advice(), study.display())
}

fn step_of(study: &Path, text: &str, problem: &Problem) -> Step {
    if problem.file == study {
        return problem.place.map_or(Step::Study, |place| step_at(text, place.line));
    }
    // another file: the line that names it
    let names = |line: &str| {
        line.split('"').skip(1).step_by(2).any(|name| !name.is_empty() && problem.file.ends_with(name))
    };
    text.lines()
        .position(|line| !line.starts_with('#') && names(line))
        .map_or(Step::Study, |at| step_at(text, at + 1))
}

/// What the line of a study file, from 1, is about.
fn step_at(text: &str, line: usize) -> Step {
    let lines: Vec<&str> = text.lines().collect();
    let upto = &lines[..line.min(lines.len())];
    let Some(start) = upto.iter().rposition(|line| line.starts_with('[')) else { return Step::Study };
    let header = upto[start];
    let own = lines[start + 1..].iter().take_while(|line| !line.starts_with('['));
    if header.starts_with("[climate") {
        return Step::Climate;
    }
    if header.starts_with("[records") {
        return Step::Records;
    }
    if !header.starts_with("[layers.") {
        return Step::Study;
    }
    let is_water = own.clone().any(|line| line.starts_with("kind") && line.contains("water-history"));
    match upto.last() {
        _ if is_water => Step::Water,
        Some(line) if line.starts_with("legend") => Step::Legends,
        Some(line) if ["file", "band", "first_month"].iter().any(|key| line.starts_with(key)) => Step::Layers,
        _ => Step::Study,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use lentic_study::Place;

    const TEXT: &str = "[study]\nname = 1\n[layers.wet]\nfiles = \"w/{year}.tif\"\nkind = \"water-history\"\n[layers.kinds]\nfile = \"kinds.tif\"\nlegend = \"kinds.csv\"\nkindd = 1\n[climate]\nprecipitation = { file = \"c.csv\" }\n[records]\nfile = \"r.csv\"\n";

    #[test]
    fn lines_and_files_are_told_by_what_they_are_for() {
        let folder = tempfile::tempdir().unwrap();
        let study = folder.path().join("study.toml");
        std::fs::write(&study, TEXT).unwrap();
        let problem = |file: &str, line: Option<usize>| {
            Problem::of_file(&folder.path().join(file), line.map(Place::of_line), "", "")
        };
        let of = |file: &str, line| step_of(&study, TEXT, &problem(file, line));
        assert_eq!(of("study.toml", Some(2)), Step::Study);
        assert_eq!(of("study.toml", Some(4)), Step::Water);
        assert_eq!(of("study.toml", Some(7)), Step::Layers);
        assert_eq!(of("study.toml", Some(8)), Step::Legends);
        assert_eq!(of("study.toml", Some(9)), Step::Study);
        assert_eq!(of("study.toml", Some(11)), Step::Climate);
        assert_eq!(of("kinds.csv", Some(1)), Step::Legends);
        assert_eq!(of("c.csv", None), Step::Climate);
        assert_eq!(of("r.csv", None), Step::Records);
        let steps = in_order(
            &study,
            &[problem("r.csv", None), problem("study.toml", Some(4)), problem("study.toml", Some(2))],
        );
        assert_eq!(
            steps.iter().map(|(step, _)| *step).collect::<Vec<_>>(),
            [Step::Study, Step::Water, Step::Records]
        );
        assert!(next(&study, &steps).contains("study.toml:2; then: lentic check "));
    }
}
