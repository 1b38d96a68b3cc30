//! Bad input is refused with exit code 1 and a message that says where, what was found and what is expected; nothing is left
//! behind.

use crate::{Basin, Outcome, lentic};
use std::fs;

/// Runs the spoilt study, which must be refused naming each of `names`, and gives the message without temporary paths.
/// `lentic check` must say the same.
#[track_caller]
pub fn refused(basin: &Basin, names: &[&str]) -> String {
    let outcome = basin.try_run("run", &[]);
    let said = refused_with(basin, outcome, names);
    let left: Vec<_> = fs::read_dir(basin.folder()).unwrap().map(|e| e.unwrap().file_name()).collect();
    assert_eq!(left, ["basin"], "something is left beside the basin");
    let checked = said_by(basin, Outcome::of(lentic().arg("check").arg(basin.study())));
    // check tells the same in the order in which it is best mended, under headings, and what to do next
    let own = |line: &&str| !line.starts_with("next: ") && !line.starts_with("-- ");
    let lines = |text: &str| {
        let mut lines: Vec<String> = text.lines().filter(own).map(ToString::to_string).collect();
        lines.sort();
        lines
    };
    assert!(checked.lines().last().is_some_and(|line| line.starts_with("next: ")), "{checked}");
    assert_eq!(lines(&checked), lines(&said), "check says something else");
    said
}

/// What an outcome says on standard error, without temporary paths.
pub fn said_by(basin: &Basin, outcome: Outcome) -> String {
    let folder = basin.folder().display().to_string();
    outcome.stderr.replace(&format!("{folder}/basin/"), "").replace(&folder, "DIR")
}

/// Asserts that an outcome is a refusal naming each of `names`, and gives its message without temporary paths.
#[track_caller]
pub fn refused_with(basin: &Basin, outcome: Outcome, names: &[&str]) -> String {
    assert_eq!(outcome.code, Some(1), "{outcome:#?}");
    assert_eq!(outcome.stdout, "");
    let said = said_by(basin, outcome);
    assert!(!said.contains("panicked") && !said.contains("RUST_BACKTRACE"), "{said}");
    for name in names {
        assert!(said.contains(name), "{name:?} is not named in: {said}");
    }
    said
}

/// Line of the study file, from 1, on which `text` stands, as messages begin.
#[track_caller]
pub fn line_of(basin: &Basin, text: &str) -> String {
    let study = fs::read_to_string(basin.study()).unwrap();
    let at = study.lines().position(|line| line.contains(text)).expect("the text stands in the study");
    format!("study.toml:{}: ", at + 1)
}
