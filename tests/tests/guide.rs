//! The guide holds what it says: its commands run, its links lead somewhere, the messages it quotes are the program's.

use lentic_tests::outside::gdalinfo;
use lentic_tests::raster::Raster;
use lentic_tests::{Outcome, lentic};
use serde_json::Value;
use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;
use tempfile::TempDir;

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().unwrap().to_path_buf()
}

fn page(name: &str) -> String {
    fs::read_to_string(root().join("docs").join(name)).unwrap()
}

/// Pages of the guide with their text.
fn pages() -> Vec<(String, String)> {
    let all =
        fs::read_dir(root().join("docs")).unwrap().map(|e| e.unwrap().file_name().into_string().unwrap());
    let mut names: Vec<String> = all.filter(|name| name.ends_with(".md")).collect();
    names.sort();
    names.into_iter().map(|name| (name.clone(), page(&name))).collect()
}

/// The shell commands of a page, block by block.
fn commands(text: &str) -> Vec<String> {
    text.split("```sh\n").skip(1).map(|rest| rest.split("```").next().unwrap().to_string()).collect()
}

/// Runs commands as a reader would type them, in a folder, with the program on the path.
#[track_caller]
fn type_in(folder: &Path, page: &str, commands: &str) -> String {
    let program = PathBuf::from(lentic().get_program());
    let path = format!("{}:{}", program.parent().unwrap().display(), std::env::var("PATH").unwrap());
    let mut shell = Command::new("bash");
    shell.arg("-c").arg(format!("set -euo pipefail\n{commands}")).current_dir(folder).env("PATH", path);
    let outcome = Outcome::of(&mut shell);
    assert_eq!(outcome.code, Some(0), "{page}: {commands}\n{outcome:#?}");
    outcome.stdout
}

/// Pages whose commands are run by another test, or need what a test has not, and why.
const ELSEWHERE: [(&str, &str); 8] = [
    ("cluster.md", "needs a cluster; tests/slurm.rs starts one"),
    ("survey.md", "run by tests/survey.rs"),
    ("water.md", "needs scenes; the command is run by tests/scenes.rs"),
    ("rerun.md", "shares of several machines; run by tests/reuse.rs"),
    ("own-layers.md", "run below"),
    (
        "install.md",
        "needs root or an engine for containers; completions and pages of the manual are run by tests/shells.rs",
    ),
    ("quick-start.md", "each command is run by a test of its own; needs scenes and runs of somebody's"),
    ("tutorial.md", "run by tests/tutorial.rs"),
];
/// Pages about a finished run, whose commands are run one after the other.
const OF_A_RUN: [&str; 3] = ["report.md", "citing.md", "publishing.md"];

#[test]
fn every_page_with_commands_is_run_or_says_why_not() {
    let known: BTreeSet<&str> = ELSEWHERE.iter().map(|(name, _)| *name).chain(OF_A_RUN).collect();
    for (name, text) in pages() {
        if !commands(&text).is_empty() && GUIDE.contains(&name.as_str()) {
            assert!(known.contains(name.as_str()), "{name} has commands that no test runs");
        }
    }
}

/// Pages this test answers for.
const GUIDE: [&str; 21] = [
    "README.md",
    "citing.md",
    "cluster.md",
    "curves.md",
    "evidence.md",
    "glossary.md",
    "install.md",
    "methods.md",
    "own-layers.md",
    "promises.md",
    "publishing.md",
    "quick-start.md",
    "records.md",
    "report.md",
    "rerun.md",
    "scenarios.md",
    "servers.md",
    "survey.md",
    "troubleshooting.md",
    "tutorial.md",
    "water.md",
];

#[test]
fn commands_for_own_layers_do_what_they_say() {
    let folder = TempDir::new().unwrap();
    let all = commands(&page("own-layers.md"));
    assert!(all.len() > 8);
    type_in(folder.path(), "own-layers.md", &all.join("\n"));
    let basin = folder.path().join("basin");
    let cells = |name: &str| Raster::read(&basin.join(name), 1).cells;
    // a mosaic of two halves is the whole
    assert_eq!(cells("ground_whole.tif"), cells("layers/ground.tif"));
    assert!(gdalinfo(&basin.join("ground_declared.tif"))["bands"][0]["noDataValue"] == -9999.0);
    // centimetres in a file of its own scale are metres again
    let (stored, depth) = (cells("depth_m.tif"), cells("layers/depth.tif"));
    assert!(stored.iter().zip(&depth).all(|(cm, m)| m.is_nan() || (cm / 100.0 - m).abs() < 0.006));
    assert_eq!(gdalinfo(&basin.join("depth_m.tif"))["bands"][0]["scale"], 0.01);
    // zones from the outline: 1 inside, no data outside
    let zones = cells("zones_new.tif");
    assert!(zones.contains(&1.0) && zones.iter().all(|zone| *zone == 1.0 || zone.is_nan()));
    // codes recoded by a table: zone 2 is water, others are not
    let (mask, zones) = (cells("mask.tif"), cells("layers/zones.tif"));
    for (mask, zone) in mask.iter().zip(&zones).filter(|(_, zone)| !zone.is_nan() && **zone > 0.0) {
        assert_eq!(*mask, f64::from(u8::from(*zone == 2.0)), "zone {zone}");
    }
    assert_eq!(gdalinfo(&basin.join("water_1991.tif"))["bands"].as_array().unwrap().len(), 12);
}

#[test]
fn commands_about_a_run_run() {
    let folder = TempDir::new().unwrap();
    let mut names = OF_A_RUN.into_iter();
    let first = commands(&page(names.next().unwrap())).join("\n");
    // members take more time than all else, and no command here is about them
    let (demo, rest) = first.split_once('\n').unwrap();
    type_in(folder.path(), "report.md", demo);
    let study = folder.path().join("basin/study.toml");
    let text = fs::read_to_string(&study).unwrap();
    let (before, after) = text.split_once("# ---- uncertainty").unwrap();
    let (_, after) = after.split_once("# ---- range and population").unwrap();
    let whole = format!("{before}# ---- range and population{after}");
    let kept: Vec<&str> = whole.lines().filter(|line| !line.starts_with("spread = ")).collect();
    fs::write(&study, kept.join("\n") + "\n").unwrap();
    let told = type_in(folder.path(), "report.md", rest);
    assert!(told.contains("hydroperiod"), "{told}");
    let record: Value =
        serde_json::from_slice(&fs::read(folder.path().join("run/run.json")).unwrap()).unwrap();
    let checksum = record["checksum"].as_str().unwrap()[..16].to_string();
    for name in names {
        let text = commands(&page(name)).join("\n");
        let mut text = text
            .replace("RUN_A", "run")
            .replace("RUN_B", "run")
            .replace("RUN", "run")
            .replace("FOLDER", "compared");
        if let Some((_, rest)) = text.clone().split_once("--cited ") {
            let example: String = rest.chars().take_while(char::is_ascii_hexdigit).collect();
            text = text.replace(&example, &checksum);
        }
        type_in(folder.path(), name, &text);
    }
    assert!(folder.path().join("web/report.html").is_file() && folder.path().join("compared").is_dir());
}

/// Sources as the program says them: strings that go on over lines are one line.
fn said() -> String {
    let mut text = String::new();
    let mut folders: Vec<PathBuf> = ["raster", "study", "habitat", "engine", "report", "cli"]
        .iter()
        .map(|name| root().join("pipeline").join(name).join("src"))
        .collect();
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|e| e == "rs") {
                text += &fs::read_to_string(path).unwrap();
            }
        }
    }
    let mut joined = String::new();
    for line in text.lines() {
        match line.trim_start().strip_suffix('\\') {
            Some(begun) => joined.push_str(begun),
            None => joined.push_str(line.trim_start()),
        }
        joined.push(if line.ends_with('\\') { '\u{1}' } else { '\n' });
    }
    joined.replace('\u{1}', "").replace("\\\"", "\"")
}

#[test]
fn quoted_messages_are_the_program_s() {
    let sources = said();
    let text = page("troubleshooting.md");
    let quoted: Vec<&str> = text
        .lines()
        .filter_map(|line| line.strip_prefix("| `")?.split_once("` |").map(|(message, _)| message))
        .collect();
    assert!(quoted.len() > 30, "{}", quoted.len());
    for message in quoted {
        assert!(sources.contains(message), "the program says nothing like: {message}");
    }
    assert!(!sources.contains("a message that nobody says"));
}

#[test]
fn links_of_the_guide_lead_somewhere() {
    let mut links = 0;
    for (name, text) in pages() {
        for rest in text.split("](").skip(1) {
            let target = rest.split(')').next().unwrap().split('#').next().unwrap();
            if target.is_empty() || target.contains("://") {
                continue;
            }
            links += 1;
            assert!(
                root().join("docs").join(target).exists(),
                "{name} links to {target}, which is not there"
            );
        }
    }
    assert!(links > 40);
    // every page stands in the table of contents
    let contents = page("README.md");
    for name in GUIDE.iter().filter(|name| **name != "README.md") {
        assert!(contents.contains(&format!("]({name})")), "{name} is not in the table of contents");
    }
}
