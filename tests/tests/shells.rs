//! Completions in the shells themselves, pages of the manual before a checker of such pages.

use lentic_tests::{Outcome, lentic};
use std::fs;
use std::process::Command;
use tempfile::TempDir;

/// The completion of a shell in a file of a temporary folder.
fn completion(folder: &TempDir, shell: &str) -> String {
    let path = folder.path().join(format!("_lentic.{shell}"));
    fs::write(&path, Outcome::of(lentic().args(["completions", shell])).done()).unwrap();
    path.to_str().unwrap().to_string()
}

/// A program of the shells' packages, which `make test` installs.
#[track_caller]
fn installed(program: &str) -> Command {
    let found = Command::new("sh").args(["-c", &format!("command -v {program}")]).output().unwrap();
    assert!(found.status.success(), "{program} is missing; `make test` installs it");
    Command::new(program)
}

#[test]
fn bash_completes_commands_options_and_names() {
    let folder = TempDir::new().unwrap();
    let script = completion(&folder, "bash");
    let offered = |words: &str| {
        let last = words.split(' ').count() - 1;
        let of = format!(
            "source '{script}'; COMP_WORDS=({words}); COMP_CWORD={last}; _lentic lentic \"${{COMP_WORDS[{last}]}}\" \"${{COMP_WORDS[{}]}}\"; printf '%s\\n' \"${{COMPREPLY[@]}}\"",
            last - 1
        );
        let said = Outcome::of(installed("bash").args(["--noprofile", "--norc", "-c", &of])).done();
        said.lines().map(str::to_string).collect::<Vec<_>>()
    };
    assert_eq!(offered("lentic comp"), ["compare", "completions"]);
    assert_eq!(offered("lentic run --keep"), ["--keep-nothing"]);
    assert_eq!(offered("lentic survey dr"), ["draw"]);
    assert_eq!(offered("lentic completions z"), ["zsh"]);
}

#[test]
fn zsh_and_fish_take_theirs() {
    let folder = TempDir::new().unwrap();
    let zsh = completion(&folder, "zsh");
    Outcome::of(installed("zsh").args(["-n", &zsh])).done();
    let fish = completion(&folder, "fish");
    let asked = format!("source {fish}; complete -C 'lentic comp'");
    let said = Outcome::of(installed("fish").args(["--no-config", "-c", &asked])).done();
    let names: Vec<&str> = said.lines().filter_map(|line| line.split('\t').next()).collect();
    assert_eq!(names, ["compare", "completions"], "{said}");
}

#[test]
fn pages_of_the_manual_are_sound() {
    let folder = TempDir::new().unwrap();
    Outcome::of(lentic().arg("man").arg(folder.path())).done();
    let pages: Vec<_> = fs::read_dir(folder.path()).unwrap().map(|entry| entry.unwrap().path()).collect();
    assert!(pages.len() > 20, "{pages:?}");
    for page in &pages {
        // style (long lines, blanks at their ends) is a matter of the text's maker
        Outcome::of(installed("mandoc").args(["-T", "lint", "-W", "error"]).arg(page)).done();
    }
    let shown =
        Outcome::of(installed("mandoc").args(["-T", "utf8"]).arg(folder.path().join("lentic-new.1"))).done();
    assert!(shown.contains("lentic new my-basin") && shown.contains("closed-basin"), "{shown}");
}

#[test]
fn the_long_version_tells_what_it_was_built_from() {
    let short = Outcome::of(lentic().arg("-V")).done();
    let long = Outcome::of(lentic().arg("--version")).done();
    assert_eq!(short.lines().count(), 1);
    assert!(long.starts_with(short.trim_end()));
    for part in ["commit   ", "target   ", "profile  release"] {
        assert!(long.contains(part), "{part}: {long}");
    }
    assert!(!long.contains('/'), "a path stands in {long}");
}
