//! docs/tutorial.md: its commands, as they stand there, from the scene to the page.

use lentic_tests::table::Table;
use lentic_tests::{Outcome, lentic, outside};
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;
use tempfile::TempDir;

/// The text of all blocks of commands of a page.
fn commands(page: &str) -> String {
    let mut blocks = page.split("```");
    let mut text = String::new();
    while let (Some(_), Some(block)) = (blocks.next(), blocks.next()) {
        text.push_str(block.strip_prefix("sh\n").expect("all blocks are commands"));
    }
    text
}

#[test]
fn the_commands_lead_from_the_scene_to_the_page() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("..").canonicalize().unwrap();
    let script = commands(&fs::read_to_string(root.join("docs/tutorial.md")).unwrap());
    assert!(
        script.contains("lentic new practice") && script.contains("lentic run practice/study.toml"),
        "{script}"
    );
    let folder = TempDir::new().unwrap();
    // the built program and the tests' Python come first
    let beside = |program: &Command| PathBuf::from(program.get_program()).parent().unwrap().to_path_buf();
    let own = std::env::var_os("PATH").unwrap();
    let path = [beside(&lentic()), beside(&outside::python())].into_iter().chain(std::env::split_paths(&own));
    let path = std::env::join_paths(path).unwrap();
    let mut bash = Command::new("bash");
    bash.args(["-euo", "pipefail", "-c", &script])
        .current_dir(folder.path())
        .env("LENTIC", &root)
        .env("PATH", path);
    let outcome = Outcome::of(&mut bash);
    assert_eq!(outcome.code, Some(0), "{outcome:#?}");
    // step by step, as the page says
    let next: Vec<&str> = outcome.stderr.lines().filter(|line| line.starts_with("next: ")).collect();
    assert!(next.len() == 2 && next[0].contains("water files") && next[1].contains("legends"), "{next:?}");
    let run = folder.path().join("practice/run");
    assert!(run.join("report.html").is_file());
    let table = Table::of_run(&run, "habitat_area");
    let ha = |scenario: &str| table.number("scenario", scenario, "habitat_ha");
    assert!(ha("baseline") > 10.0 && ha("drier") < ha("baseline"), "{} and {}", ha("baseline"), ha("drier"));
}
