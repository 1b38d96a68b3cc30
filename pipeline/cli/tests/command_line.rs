//! The program as a person or another program meets it: options, exit codes, what goes to which stream, JSON.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a test must stop at what it cannot read")]

use serde_json::Value;
use std::fs;
use std::path::Path;
use std::process::{Command, Output};
use tempfile::TempDir;

fn lentic(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_lentic")).args(arguments).output().unwrap()
}

fn out(output: &Output) -> String {
    String::from_utf8(output.stdout.clone()).unwrap()
}

fn err(output: &Output) -> String {
    String::from_utf8(output.stderr.clone()).unwrap()
}

fn json(output: &Output) -> Value {
    serde_json::from_slice(&output.stdout).unwrap_or_else(|e| panic!("no JSON ({e}): {output:?}"))
}

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

/// The small demo in `basin` of a temporary folder.
fn basin() -> TempDir {
    let folder = TempDir::new().unwrap();
    let made = lentic(&["demo", "--small", "--quiet", text(&folder.path().join("basin"))]);
    assert_eq!(made.status.code(), Some(0), "{made:?}");
    assert!(made.stdout.is_empty() && made.stderr.is_empty(), "--quiet speaks: {made:?}");
    folder
}

#[test]
fn version_names_the_libraries() {
    let said = lentic(&["--version"]);
    assert_eq!(said.status.code(), Some(0));
    let line = out(&said);
    assert!(line.starts_with(&format!("lentic {} (GDAL ", env!("CARGO_PKG_VERSION"))), "{line}");
    // GDAL's own program knows its version
    let gdal = out(&Command::new("gdalinfo").arg("--version").output().unwrap());
    let number = gdal.strip_prefix("GDAL ").and_then(|rest| rest.split(',').next()).unwrap();
    assert!(line.contains(&format!("(GDAL {number}, PROJ ")), "{line} against {gdal}");
}

#[test]
fn help_names_every_command_and_the_exit_codes() {
    let said = lentic(&["--help"]);
    assert_eq!(said.status.code(), Some(0));
    assert!(said.stderr.is_empty());
    let help = out(&said);
    for word in [
        "demo",
        "check",
        "run",
        "report",
        "calibrate",
        "survey",
        "verify",
        "compare",
        "shard",
        "submit",
        "schema",
        "--json",
        "--quiet",
        "Exit codes: 0 done, 1 refused input",
    ] {
        assert!(help.contains(word), "{word} is not in the help:\n{help}");
    }
    for command in ["demo", "check", "run", "report", "calibrate", "survey", "verify", "compare", "schema"] {
        let said = lentic(&[command, "--help"]);
        assert_eq!(said.status.code(), Some(0), "{command}");
        assert!(out(&said).contains(&format!("Usage: lentic {command}")), "{command}");
    }
}

#[test]
fn a_wrong_command_line_is_refused() {
    for (arguments, named) in [
        (&["run", "study.toml", "--outt", "x"][..], "--out"),
        (&["runn", "study.toml"][..], "run"),
        (&["run"][..], "<STUDY>"),
        (&["compare", "one"][..], "<RUNS>"),
        (&["verify", "run", "--study", "study.toml"][..], "--inputs"),
        (&["run", "study.toml", "--tile", "4"][..], "16..=8192"),
        (&["run", "study.toml", "--threads", "many"][..], "--threads"),
    ] {
        let said = lentic(arguments);
        assert_eq!(said.status.code(), Some(1), "{arguments:?}");
        assert!(said.stdout.is_empty());
        assert!(err(&said).contains(named), "{arguments:?}: {}", err(&said));
    }
    assert_eq!(lentic(&[]).status.code(), Some(1));
}

#[test]
fn the_schema_is_json_with_every_section() {
    let said = lentic(&["schema"]);
    assert_eq!(said.status.code(), Some(0));
    let schema = json(&said);
    assert_eq!(schema["$schema"], "https://json-schema.org/draft/2020-12/schema");
    for section in [
        "study",
        "grid",
        "period",
        "layers",
        "climate",
        "inundation",
        "requisites",
        "suitability",
        "scenarios",
    ] {
        assert!(schema["properties"][section].is_object(), "{section}");
    }
}

#[test]
fn a_demo_takes_no_folder_that_holds_something() {
    let folder = TempDir::new().unwrap();
    fs::write(folder.path().join("notes.txt"), "mine").unwrap();
    let said = lentic(&["demo", "--small", text(folder.path())]);
    assert_eq!(said.status.code(), Some(1));
    assert!(err(&said).contains(text(folder.path())), "{}", err(&said));
    let left: Vec<_> = fs::read_dir(folder.path()).unwrap().map(|e| e.unwrap().file_name()).collect();
    assert_eq!(left, ["notes.txt"]);
    assert_eq!(fs::read_to_string(folder.path().join("notes.txt")).unwrap(), "mine");

    let said = lentic(&["demo", "--small", "--json", text(folder.path())]);
    assert_eq!(said.status.code(), Some(1));
    let report = json(&said);
    assert_eq!(report["done"], false);
    assert!(report["error"].as_str().is_some_and(|e| e.contains(text(folder.path()))), "{report}");
}

#[test]
fn a_check_says_what_a_run_would_do() {
    let folder = basin();
    let study = folder.path().join("basin/study.toml");
    let said = lentic(&["check", text(&study)]);
    assert_eq!(said.status.code(), Some(0), "{said:?}");
    for part in ["Talverra Sink", "92 x 69 cells of 30 m", "1991-01 to 2020-12", "much-drier", "MiB"] {
        assert!(out(&said).contains(part), "{part}: {}", out(&said));
    }
    let report = json(&lentic(&["check", "--json", text(&study)]));
    assert_eq!(report["done"], true);
    assert_eq!((&report["rows"], &report["cols"]), (&69.into(), &92.into()));
    assert_eq!(report["months_with_water_files"], 360);
    assert_eq!(report["scenarios"], 6);
    assert!(
        report["memory_mib"].as_u64().is_some_and(|m| m > 0)
            && report["disk_mib"].as_u64().is_some_and(|m| m > 0)
            && report["seconds"].as_f64().is_some_and(|s| s > 0.0 && s < 600.0)
    );
    assert_eq!(report["problems"], serde_json::json!([]));
    let left: Vec<_> = fs::read_dir(folder.path()).unwrap().collect();
    assert_eq!(left.len(), 1, "a check leaves something");
}

#[test]
fn a_run_answers_in_words_and_in_json() {
    let folder = basin();
    let (study, target) = (folder.path().join("basin/study.toml"), folder.path().join("run"));
    let said = lentic(&["run", text(&study), "--out", text(&target)]);
    assert_eq!(said.status.code(), Some(0), "{said:?}");
    let words = out(&said);
    assert!(words.contains("habitat today") && words.contains("report.html"), "{words}");

    let said = lentic(&["run", "--json", text(&study), "--out", text(&target)]);
    assert_eq!(said.status.code(), Some(0), "{said:?}");
    assert!(said.stderr.is_empty(), "{}", err(&said));
    let report = json(&said);
    assert_eq!(report["done"], true);
    assert_eq!(report["folder"], text(&target));
    let record: Value = serde_json::from_slice(&fs::read(target.join("run.json")).unwrap()).unwrap();
    assert_eq!(report["run_id"], record["run_id"]);
    assert!(words.contains(record["run_id"].as_str().unwrap()), "two runs of one study differ in run_id");
    let rows = report["scenarios"].as_array().unwrap();
    let names: Vec<_> = rows.iter().map(|row| row["scenario"].as_str().unwrap()).collect();
    assert_eq!(
        names,
        ["drier", "much-drier", "pumping", "pumping-and-drier", "cropland-2050", "driest-years"]
    );
    let baseline = report["baseline_habitat_ha"].as_f64().unwrap();
    assert!(baseline > 0.0);
    for row in rows {
        let of = |key: &str| row[key].as_f64().unwrap();
        assert!((of("kept_ha") + of("lost_ha") - baseline).abs() < 1e-6, "{row}");
        assert!((of("kept_ha") + of("gained_ha") - of("habitat_ha")).abs() < 1e-6, "{row}");
        assert!((of("lost_percent") - 100.0 * of("lost_ha") / baseline).abs() < 1e-6, "{row}");
    }
}

#[test]
fn problems_come_as_lines_and_as_json() {
    let folder = basin();
    let study = folder.path().join("basin/study.toml");
    let good = fs::read_to_string(&study).unwrap();
    fs::write(&study, good.replace("neighbours = 8", "neighbours = 5")).unwrap();
    let line = good.lines().position(|line| line.starts_with("neighbours = 8")).unwrap() + 1;
    let target = folder.path().join("run");

    let said = lentic(&["run", text(&study), "--out", text(&target)]);
    assert_eq!(said.status.code(), Some(1));
    assert!(said.stdout.is_empty());
    let begin = format!("error: {}:{line}: ", study.display());
    assert!(err(&said).starts_with(&begin), "{}", err(&said));
    assert!(!target.exists());

    for command in ["check", "run"] {
        let said = lentic(&[command, "--json", text(&study)]);
        assert_eq!(said.status.code(), Some(1), "{command}");
        let report = json(&said);
        assert_eq!((&report["done"], &report["error"]), (&Value::Bool(false), &Value::Null));
        let problems = report["problems"].as_array().unwrap();
        assert_eq!(problems.len(), 1, "{report}");
        assert_eq!(problems[0]["line"], line);
        assert_eq!(problems[0]["file"], text(&study));
        assert_eq!(problems[0]["warning"], false);
        assert!(problems[0]["message"].as_str().is_some_and(|m| m.contains('5')), "{report}");
    }
    let gone = lentic(&["check", text(&folder.path().join("nothing.toml"))]);
    assert_eq!(gone.status.code(), Some(1));
    assert!(err(&gone).contains("nothing.toml"), "{}", err(&gone));
}

/// Without --out a run goes to `reports/` and the study's name, in the folder one stands in.
#[test]
fn the_default_folder_bears_the_studys_name() {
    let folder = basin();
    let mut command = Command::new(env!("CARGO_BIN_EXE_lentic"));
    let said =
        command.current_dir(folder.path()).args(["run", "--quiet", "basin/study.toml"]).output().unwrap();
    assert_eq!(said.status.code(), Some(0), "{said:?}");
    assert!(said.stdout.is_empty() && said.stderr.is_empty(), "--quiet speaks: {said:?}");
    assert!(folder.path().join("reports/talverra-sink/report.html").is_file());
}
