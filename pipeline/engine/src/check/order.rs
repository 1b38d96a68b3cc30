//! Problems in the order in which they are best mended: the study file, then water, layers, legends, climate, records.

use lentic_study::source::key;
use lentic_study::{Problem, Source};
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
    // of a file that is no TOML all there is to say is about the file
    let source = std::fs::read_to_string(study).ok().and_then(|text| Source::parse(study, text).ok());
    let mut steps: Vec<(Step, Vec<Problem>)> = Vec::new();
    for problem in problems {
        let step = source.as_ref().map_or(Step::Study, |(source, _)| step_of(source, problem));
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

fn step_of(source: &Source, problem: &Problem) -> Step {
    let address = match problem.file == source.path {
        true => problem.place.and_then(|place| source.address_at(place)),
        false => source.address_naming(&problem.file),
    };
    address.map_or(Step::Study, |at| step_at(source, at))
}

/// What a key of a study file is about.
fn step_at(source: &Source, at: &str) -> Step {
    let within =
        |table: &str| at.strip_prefix(table).filter(|rest| rest.is_empty() || rest.starts_with(['.', '[']));
    if within("climate").is_some() {
        return Step::Climate;
    }
    if within("records").is_some() {
        return Step::Records;
    }
    let layer = |name: &&str| within(&key("layers", name)).is_some();
    let Some(name) = source.keys(&["layers"]).into_iter().find(layer) else { return Step::Study };
    if source.value()["layers"][name]["kind"] == "water-history" {
        return Step::Water;
    }
    match within(&key("layers", name)) {
        Some(".legend") => Step::Legends,
        Some(".file" | ".files" | ".band" | ".first_month") => Step::Layers,
        _ => Step::Study,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const TEXT: &str = r#"
        [study]
        name = 1
        # a line that begins as no table does, and another way to write one
        [ layers.wet ]
        files = "w/{year}.tif"
        kind = "water-history"
        [layers."the kinds"]
          file = "kinds.tif"
        legend = 'kinds.csv'
        kindd = 1
        [climate]
        precipitation = { file = "c.csv" }
        [records]
        file = "r.csv"
    "#;

    #[test]
    fn problems_are_told_by_the_key_they_stand_at_or_that_names_their_file() {
        let folder = tempfile::tempdir().unwrap();
        let study = folder.path().join("study.toml");
        std::fs::write(&study, TEXT).unwrap();
        let (source, _) = Source::parse(&study, TEXT.into()).unwrap();
        let of = |at: &str| step_of(&source, &source.problem(at, String::new(), String::new()));
        assert_eq!(of("study.name"), Step::Study);
        assert_eq!(of("grid"), Step::Study);
        assert_eq!(of("layers.wet.files"), Step::Water);
        assert_eq!(of("layers.wet"), Step::Water);
        let kinds = |of: &str| key(&key("layers", "the kinds"), of);
        assert_eq!(of(&kinds("file")), Step::Layers);
        assert_eq!(of(&kinds("legend")), Step::Legends);
        assert_eq!(of(&kinds("kindd")), Step::Study);
        assert_eq!(of("climate.precipitation.file"), Step::Climate);
        assert_eq!(of("climate.index"), Step::Climate);
        assert_eq!(of("records.file"), Step::Records);
        let problem = |file: &str| Problem::of_file(&folder.path().join(file), None, "", "");
        let of_file = |file: &str| step_of(&source, &problem(file));
        assert_eq!(of_file("kinds.csv"), Step::Legends);
        assert_eq!(of_file("kinds.tif"), Step::Layers);
        assert_eq!(of_file("c.csv"), Step::Climate);
        assert_eq!(of_file("r.csv"), Step::Records);
        assert_eq!(of_file("elsewhere.csv"), Step::Study);
        let found =
            ["layers.wet.files", "study.name"].map(|at| source.problem(at, String::new(), String::new()));
        let steps = in_order(&study, &[&[problem("r.csv")], &found[..]].concat());
        assert_eq!(
            steps.iter().map(|(step, _)| *step).collect::<Vec<_>>(),
            [Step::Study, Step::Water, Step::Records]
        );
        assert!(next(&study, &steps).contains("study.toml:3; then: lentic check "));
    }

    #[test]
    fn what_is_no_toml_is_the_file() {
        let folder = tempfile::tempdir().unwrap();
        let study = folder.path().join("study.toml");
        std::fs::write(&study, "[climate\n").unwrap();
        let steps = in_order(&study, &[Problem::of_file(&study, None, "", "")]);
        assert_eq!(steps[0].0, Step::Study);
    }
}
