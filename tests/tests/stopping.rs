//! Stopping and limits: signals end a run without a trace and it goes on from there; nobody reading the output, few open files, little
//! memory and odd clocks end clearly or change nothing.

use lentic_tests::faults::{checksum, ended_clearly, names, not_run};
use lentic_tests::signals::{ended, listening, signal, started, until};
use lentic_tests::{Basin, Outcome, lentic};
use serde_json::Value;
use std::fs;
use std::path::Path;
use std::process::Command;
use std::time::Duration;

const TILES: [&str; 2] = ["--tile", "16"];

#[test]
fn a_signal_stops_a_run_without_a_trace_and_it_goes_on_from_there() {
    let basin = Basin::small();
    let fresh = checksum(&basin.run("fresh", &["--quiet", TILES[0], TILES[1]]));
    let (part, store, out) =
        (basin.folder().join("run.part"), basin.folder().join("run.kept"), basin.folder().join("run"));
    let moments = [
        part.join("work"),
        store.join("water"),
        store.join("habitat"),
        part.join("run/rasters"),
        part.join("run/tables"),
    ];
    let signals = [("INT", 130), ("TERM", 143), ("HUP", 129), ("INT", 130), ("TERM", 143)];
    let mut stopped = 0;
    for (at, ((name, code), moment)) in signals.into_iter().zip(&moments).enumerate() {
        let _ = fs::remove_dir_all(&store);
        let mut child = started(&mut listening(basin.command("run").args(["--quiet", TILES[0], TILES[1]])));
        until(&mut child, || moment.exists());
        signal(&mut child, name);
        let outcome = ended(child);
        // the very end may come first
        if outcome.code != Some(0) {
            stopped += 1;
            assert_eq!(outcome.code, Some(code), "{outcome:#?}");
            assert!(outcome.stderr.contains(&format!("stopped by SIG{name}")), "{outcome:#?}");
            assert!(outcome.stderr.contains("goes on from there") && !outcome.stderr.contains("panicked"));
            assert!(!part.exists() && !out.exists(), "{moment:?}: {:?}", names(basin.folder()));
        }
        let told: Value = serde_json::from_str(
            &Outcome::of(basin.command("run").args(["--json", TILES[0], TILES[1]])).done(),
        )
        .unwrap();
        assert!(at < 2 || told["tiles_kept"].as_u64().unwrap() > 0, "{told}");
        assert_eq!(checksum(&out), fresh);
        fs::remove_dir_all(&out).unwrap();
    }
    println!("{stopped} of {} runs were stopped", signals.len());
    assert!(stopped >= 4, "{stopped}");
}

/// The second signal waits for nothing; what is left then goes with the next run.
#[test]
fn a_second_signal_stops_at_once() {
    let basin = Basin::small();
    // the tile under way may end between the two, and the first signal then ends the program as it should: once is enough
    let at_once = (0..10).any(|_| {
        let mut child = started(&mut listening(basin.command("run").args(["--quiet", "--keep-nothing"])));
        until(&mut child, || basin.folder().join("run.part/work").exists());
        // held still, so that both wait for it; which of the two is told first is the system's choice
        signal(&mut child, "STOP");
        signal(&mut child, "INT");
        signal(&mut child, "TERM");
        signal(&mut child, "CONT");
        let outcome = ended(child);
        assert!(matches!(outcome.code, Some(130 | 143)), "{outcome:#?}");
        assert!(!basin.folder().join("run").exists());
        !outcome.stderr.contains("stopped by")
    });
    assert!(at_once);
    basin.run("run", &["--quiet"]);
    assert_eq!(names(basin.folder()), ["basin", "run"]);
}

/// A program started with `nohup` goes on when the terminal hangs up.
#[test]
fn a_signal_that_is_to_be_ignored_is() {
    let basin = Basin::small();
    let mut shell = Command::new("sh");
    let line = "trap '' HUP; exec \"$0\" run \"$1\" --out \"$2\" --quiet --keep-nothing";
    shell.args(["-c", line]).arg(lentic().get_program()).arg(basin.study()).arg(basin.folder().join("run"));
    let mut child = started(&mut shell);
    until(&mut child, || basin.folder().join("run.part/work").exists());
    signal(&mut child, "HUP");
    ended(child).done();
    assert!(basin.folder().join("run/run.json").is_file());
}

#[test]
fn a_share_that_is_stopped_is_missing_and_goes_on() {
    let basin = Basin::small();
    let temporary = tempfile::tempdir().unwrap();
    let share = || {
        let mut command = lentic();
        command
            .env("TMPDIR", temporary.path())
            .args(["shard", "run", "--step", "1", "--shard", "0", "--shards", "1"]);
        command.args(TILES).arg(basin.study()).arg("--out").arg(basin.folder().join("run"));
        command
    };
    let mut child = started(&mut listening(&share()));
    until(&mut child, || basin.folder().join("run.kept/water").exists());
    signal(&mut child, "TERM");
    let outcome = ended(child);
    assert!(matches!(outcome.code, Some(143 | 0)), "{outcome:#?}");
    assert_eq!(names(temporary.path()), Vec::<String>::new(), "temporary files are left");
    Outcome::of(&mut share()).done();
}

/// Jobs that were submitted before the signal are taken back.
#[test]
fn a_submission_that_is_stopped_takes_its_jobs_back() {
    let basin = Basin::small();
    let tools = tempfile::tempdir().unwrap();
    let write = |name: &str, text: &str| {
        let path = tools.path().join(name);
        fs::write(&path, format!("#!/bin/sh\n{text}\n")).unwrap();
        Outcome::of(Command::new("chmod").arg("+x").arg(&path)).done();
    };
    // stand-ins for the scheduler's programs: the first submission interrupts who asked for it
    write("sbatch", "kill -INT $PPID; sleep 0.2; echo 41");
    write("squeue", "true");
    write("scancel", &format!("echo \"$@\" > {}", tools.path().join("cancelled").display()));
    let path = format!("{}:{}", tools.path().display(), std::env::var("PATH").unwrap());
    let mut command = lentic();
    command.env("PATH", path).arg("submit").arg(basin.study()).arg("--out").arg(basin.folder().join("run"));
    let outcome = Outcome::of(&mut listening(&command));
    assert_eq!(outcome.code, Some(130), "{outcome:#?}");
    assert_eq!(fs::read_to_string(tools.path().join("cancelled")).unwrap().trim(), "41");
}

#[test]
fn nobody_reading_is_no_panic() {
    let basin = Basin::small();
    let run = basin.run("run", &["--quiet"]);
    let [study, run] = [basin.study(), run].map(|path| path.display().to_string());
    let out = basin.folder().join("other").display().to_string();
    let commands = [
        "schema".to_string(),
        format!("check '{study}'"),
        format!("check --json '{study}'"),
        format!("explain '{run}' 15 -15"),
        format!("verify '{run}'"),
        format!("run '{study}' --plan --out '{out}'"),
        format!("shard plan '{study}' --out '{out}'"),
        format!("run '{study}' --keep-nothing --out '{out}'"),
        format!("run --json '{study}' --keep-nothing --out '{out}'"),
        format!("demo --small '{out}-demo'"),
        "--help".to_string(),
    ];
    let shell = |line: &str| {
        let mut command = Command::new("bash");
        Outcome::of(command.args(["-c", line]).env("L", lentic().get_program()))
    };
    for (at, command) in commands.iter().enumerate() {
        let piped = shell(&format!("set -o pipefail; $L {} | true", command.replace("-demo'", "-1'")));
        ended_clearly(&piped, &[0]);
        let closed = shell(&format!("$L {} >&-", command.replace("-demo'", "-2'")));
        ended_clearly(&closed, &[0]);
        let full = shell(&format!("$L {} > /dev/full", command.replace("-demo'", "-3'")));
        // the parser of the command line does not tell whether its help was read
        let codes: &[i32] = if at + 1 == commands.len() { &[0] } else { &[3] };
        assert!(full.code.is_some_and(|code| codes.contains(&code)), "{command}: {full:#?}");
        assert!(!full.stderr.contains("panicked"), "{command}: {full:#?}");
        assert!(full.code == Some(0) || full.stderr.contains("standard output: No space left"), "{full:#?}");
    }
    // errors that cannot be told keep their codes
    for redirect in ["2> /dev/full", "2>&-"] {
        for (line, code) in [("check /nowhere.toml", 1), ("verify /nowhere", 1), ("no-such-command", 1)] {
            assert_eq!(shell(&format!("$L {line} {redirect}")).code, Some(code), "{line} {redirect}");
        }
    }
}

/// Runs within a limit of the shell.
fn limited(basin: &Basin, limit: &str, out: &str) -> Outcome {
    let mut shell = Command::new("bash");
    let line =
        format!("ulimit {limit}; exec \"$0\" run \"$1\" --out \"$2\" --quiet --keep-nothing --threads 2");
    shell.args(["-c", &line]).arg(lentic().get_program()).arg(basin.study()).arg(basin.folder().join(out));
    Outcome::of(&mut shell)
}

#[test]
fn few_open_files_are_refused_at_once_or_suffice() {
    let basin = Basin::small();
    let fresh = checksum(&basin.run("fresh", &["--quiet"]));
    for limit in [12, 32, 64, 128, 255] {
        let outcome = limited(&basin, &format!("-n {limit}"), "run");
        assert_eq!(outcome.code, Some(1), "{limit}: {outcome:#?}");
        assert!(
            outcome.stderr.contains(&format!("open {limit} files at a time"))
                && outcome.stderr.contains("ulimit -n"),
            "{limit}: {outcome:#?}"
        );
        assert_eq!(names(basin.folder()), ["basin", "fresh"]);
    }
    for limit in [256, 300, 1024] {
        limited(&basin, &format!("-n {limit}"), "run").done();
        assert_eq!(checksum(&basin.folder().join("run")), fresh, "{limit}");
    }
}

#[test]
fn little_memory_is_refused_or_leaves_nothing_behind() {
    let basin = Basin::small();
    let fresh = checksum(&basin.run("fresh", &["--quiet"]));
    let mut said = Vec::new();
    for mib in [300, 500, 700, 900, 4000] {
        let outcome = limited(&basin, &format!("-v {}", mib * 1024), "run");
        let out = basin.folder().join("run");
        assert!(!outcome.stderr.contains("panicked"), "{mib} MiB: {outcome:#?}");
        said.push((mib, outcome.code));
        match outcome.code {
            Some(0) => assert_eq!(checksum(&out), fresh, "{mib} MiB"),
            // refused, or not even loaded
            Some(1 | 127) => assert!(outcome.stderr.contains("error"), "{mib} MiB: {outcome:#?}"),
            // the system gave no more in the middle
            None | Some(134) => assert!(!out.exists(), "{mib} MiB: {outcome:#?}"),
            _ => panic!("{mib} MiB: {outcome:#?}"),
        }
    }
    println!("{said:?}");
    assert_eq!(said.last().unwrap().1, Some(0), "{said:?}");
    assert!(said.iter().any(|(_, code)| *code == Some(1)), "{said:?}");
    basin.run("run", &["--quiet"]);
    assert_eq!(checksum(&basin.folder().join("run")), fresh);
    assert_eq!(names(basin.folder()), ["basin", "fresh", "run"]);
}

/// `faketime` in front of a run: a clock of its own.
fn at(basin: &Basin, clock: &str, more: &[&str]) -> Option<Outcome> {
    let mut command = Command::new("faketime");
    command.args(["-f", clock]).arg(lentic().get_program()).arg("run").arg(basin.study());
    command.arg("--out").arg(basin.folder().join("run")).args(["--json"]).args(more);
    match Command::new("faketime").arg("--version").output() {
        Ok(_) => Some(Outcome::of(&mut command)),
        Err(error) => {
            not_run(&format!("faketime is missing ({error}): `make setup-test` installs it"));
            None
        }
    }
}

fn record(run: &Path) -> Value {
    serde_json::from_slice(&fs::read(run.join("run.json")).unwrap()).unwrap()
}

#[test]
fn the_clock_decides_nothing() {
    let basin = Basin::small();
    let out = basin.folder().join("run");
    let fresh = checksum(&basin.run("fresh", &["--quiet"]));
    // inputs from the future
    let future = std::time::SystemTime::now() + Duration::from_secs(40 * 365 * 86_400);
    for file in ["layers/ground.tif", "climate.csv", "water/water_1999-07.tif"] {
        fs::File::options().write(true).open(basin.file(file)).unwrap().set_modified(future).unwrap();
    }
    // a year later, long ago, and a clock that goes back while the run works (an hour a second)
    for (clock, kept) in
        [("+365d", false), ("@2001-02-03 04:05:06", true), ("+0 x-3600", true), ("+20y", true)]
    {
        let Some(outcome) = at(&basin, clock, &[]) else { return };
        let told: Value = serde_json::from_str(&outcome.done()).unwrap();
        assert_eq!(told["tiles_computed"].as_u64().unwrap() == 0, kept, "{clock}: {told}");
        assert!(told["seconds"].as_f64().unwrap() >= 0.0, "{clock}: {told}");
        assert_eq!(checksum(&out), fresh, "{clock}");
        let stages = record(&out)["stages"].as_array().unwrap().clone();
        assert!(stages.iter().all(|stage| stage["seconds"].as_f64().unwrap() >= 0.0), "{clock}: {stages:?}");
        // what was cited then is met now
        Outcome::of(lentic().arg("verify").arg(&out).args(["--cited", &fresh])).done();
    }
    Outcome::of(
        lentic()
            .arg("compare")
            .arg(basin.folder().join("fresh"))
            .arg(&out)
            .arg("--out")
            .arg(basin.folder().join("compared")),
    )
    .done();
}
