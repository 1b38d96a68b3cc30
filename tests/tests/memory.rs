//! A run keeps to the memory it is given, and comes out the same.

use lentic_tests::{Basin, Outcome, lentic};
use serde_json::Value;
use std::fs;
use std::path::Path;
use std::process::{Command, Stdio};

/// Runs a command and gives the most memory it ever held, MiB, as the system counted it (VmHWM of proc(5)).
fn peak_mib(command: &mut Command) -> u64 {
    let mut child = command.stdout(Stdio::null()).spawn().unwrap();
    let status = format!("/proc/{}/status", child.id());
    let mut peak = 0;
    loop {
        if let Ok(text) = fs::read_to_string(&status) {
            let line = text.lines().find_map(|line| line.strip_prefix("VmHWM:"));
            let kib = line.and_then(|line| line.trim().strip_suffix(" kB")?.trim().parse::<u64>().ok());
            peak = peak.max(kib.unwrap_or(0) / 1024);
        }
        if let Some(ended) = child.try_wait().unwrap() {
            assert!(ended.success(), "{ended}");
            assert!(peak > 30, "{peak} MiB were seen");
            return peak;
        }
        std::thread::sleep(std::time::Duration::from_millis(20));
    }
}

fn checksum(run: &Path) -> String {
    let record: Value = serde_json::from_slice(&fs::read(run.join("run.json")).unwrap()).unwrap();
    record["checksum"].as_str().unwrap().to_string()
}

/// A million cells, with 360 months and four scenarios, on many more threads than the memory is for.
#[test]
fn a_run_keeps_within_its_memory() {
    let folder = tempfile::tempdir().unwrap();
    let basin = folder.path().join("basin");
    Outcome::of(lentic().args(["demo", "--quiet", "--million-cells", "1"]).arg(&basin)).done();
    let run = |out: &str, more: &[&str]| {
        let mut command = lentic();
        command.arg("run").arg(basin.join("study.toml")).arg("--out").arg(folder.path().join(out));
        command.args(["--quiet", "--keep-nothing"]).args(more);
        command
    };
    let told: Value = {
        let check = Outcome::of(lentic().args(["check", "--json"]).arg(basin.join("study.toml")));
        serde_json::from_str(&check.done()).unwrap()
    };
    let free = peak_mib(&mut run("free", &["--threads", "24"]));
    let held = peak_mib(&mut run("held", &["--threads", "24", "--memory", "450MiB"]));
    println!("{free} MiB with 24 threads, {held} MiB of 450; told before: {}", told["memory_mib"]);
    assert!(held <= 450, "{held} MiB of 450");
    assert!(free > 450, "{free} MiB without a budget: this test holds nothing back");
    assert_eq!(checksum(&folder.path().join("held")), checksum(&folder.path().join("free")));
}

#[test]
fn too_little_memory_is_refused_with_what_would_do() {
    let basin = Basin::small();
    let outcome = basin.try_run("run", &["--quiet", "--memory", "64MiB"]);
    assert_eq!(outcome.code, Some(1), "{outcome:?}");
    let words = outcome.stderr.split("needs about ").nth(1).expect(&outcome.stderr);
    let least = words.split(' ').next().unwrap();
    basin.run("run", &["--quiet", "--memory", &format!("{least}MiB")]);
    for wrong in ["2", "2GB", "0GiB", "much"] {
        let outcome = basin.try_run("run", &["--memory", wrong]);
        assert!(outcome.code == Some(1) && outcome.stderr.contains("as 1.5GiB or 900MiB"), "{outcome:?}");
    }
}
