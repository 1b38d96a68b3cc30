//! A run handed to a real Slurm of one node: job arrays and the merge give the bytes of one process; a share that fails is
//! submitted again alone.

use lentic_tests::{Basin, Outcome, lentic};
use serde_json::Value;
use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::{Duration, Instant};

/// A Slurm of this machine; ended when dropped.
struct Slurm {
    folder: tempfile::TempDir,
    configuration: PathBuf,
}

fn one_node() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("slurm/one-node.sh")
}

impl Slurm {
    /// `None` where the user may not start one. A root without Slurm is told to install it: the test is not skipped there.
    fn start() -> Option<Slurm> {
        let user = Outcome::of(Command::new("id").arg("-u")).done();
        if user.trim() != "0" {
            eprintln!("not run: a Slurm of one's own can only be started by root");
            return None;
        }
        let there = Command::new("sbatch").arg("--version").output();
        assert!(there.is_ok(), "sbatch is missing: install slurm-wlm and munge (`make setup-test`)");
        let folder = tempfile::TempDir::new().unwrap();
        let said = Outcome::of(Command::new(one_node()).arg(folder.path())).done();
        let configuration = PathBuf::from(said.trim());
        assert!(configuration.is_file(), "{said}");
        Some(Slurm { folder, configuration })
    }

    fn command(&self, program: &str) -> Command {
        let mut command = Command::new(program);
        command.env("SLURM_CONF", &self.configuration);
        command
    }

    fn waiting(&self) -> String {
        Outcome::of(self.command("squeue").args(["--noheader", "--format=%i %j %T"])).done()
    }

    /// Waits until no job waits or runs.
    fn wait(&self) {
        let begun = Instant::now();
        while !self.waiting().trim().is_empty() {
            assert!(begun.elapsed() < Duration::from_secs(900), "still there:\n{}", self.waiting());
            std::thread::sleep(Duration::from_millis(500));
        }
    }

    /// `lentic submit` of a study.
    fn submit(&self, basin: &Basin, more: &[&str]) -> Outcome {
        let mut command = lentic();
        command.env("SLURM_CONF", &self.configuration).arg("submit").arg(basin.study());
        command.arg("--out").arg(basin.folder().join(OUT)).args(["--shards", SHARES, "--tile", "32"]);
        command.arg("--profile").arg(basin.folder().join("profile.toml")).args(more);
        Outcome::of(&mut command)
    }
}

impl Drop for Slurm {
    fn drop(&mut self) {
        let _ = Command::new(one_node()).arg(self.folder.path()).arg("stop").status();
    }
}

/// A name that a shell would take apart if it were not quoted.
const OUT: &str = "the cluster's $run";
const SHARES: &str = "3";

/// Products by name, with their bytes.
fn products(run: &Path) -> BTreeMap<String, Vec<u8>> {
    let mut found = BTreeMap::new();
    for section in ["rasters", "tables", "vectors", "figures"] {
        for entry in fs::read_dir(run.join(section)).unwrap() {
            let path = entry.unwrap().path();
            found.insert(path.strip_prefix(run).unwrap().display().to_string(), fs::read(path).unwrap());
        }
    }
    found
}

fn record(run: &Path) -> Value {
    serde_json::from_slice(&fs::read(run.join("run.json")).unwrap()).unwrap()
}

/// Logs of the jobs whose name begins so.
fn logs(jobs: &Path, begin: &str) -> Vec<String> {
    let names = fs::read_dir(jobs).unwrap().map(|entry| entry.unwrap().file_name().into_string().unwrap());
    let mut found: Vec<String> =
        names.filter(|name| name.starts_with(begin) && name.ends_with(".log")).collect();
    found.sort();
    found
}

#[test]
fn arrays_and_a_merge_give_the_bytes_of_one_process_and_a_failed_share_goes_again_alone() {
    let Some(slurm) = Slurm::start() else { return };
    let basin = Basin::small();
    let alone = basin.run("alone", &[]);
    let out = basin.folder().join(OUT);
    let jobs = basin.folder().join(format!("{OUT}.jobs"));
    // share 1 of step 2 meets a broken machine the first time
    let broken = basin.folder().join("broken");
    let trap = format!(
        "if [ \"$SLURM_JOB_NAME\" = lentic-step-2 ] && [ \"$SLURM_ARRAY_TASK_ID\" = 1 ] && mkdir '{}' 2>/dev/null; then echo the machine is broken >&2; exit 1; fi",
        broken.display()
    );
    let profile = format!(
        "partition = \"all\"\ntime = \"30\"\nmemory = \"500M\"\ncpus = 1\nmerge_memory = \"1G\"\nbefore = ['''{trap}''']\n"
    );
    fs::write(basin.folder().join("profile.toml"), profile).unwrap();

    // shown, not submitted
    let shown = slurm.submit(&basin, &["--dry-run"]).done();
    assert!(shown.contains("#SBATCH --array=0-2") && shown.contains("#SBATCH --mem=500M"), "{shown}");
    assert!(shown.contains("shard merge") && shown.contains("--dependency=afterok:JOB"), "{shown}");
    assert!(slurm.waiting().trim().is_empty() && !jobs.exists());

    let said = slurm.submit(&basin, &[]).done();
    let steps = said.lines().filter(|line| line.starts_with("job ")).count() - 1;
    assert!(steps > 3 && said.contains("putting the run together"), "{said}");
    // not twice at a time
    let twice = slurm.submit(&basin, &["--again"]);
    assert!(twice.code == Some(1) && twice.stderr.contains("are still waiting or running"), "{twice:#?}");
    slurm.wait();
    let log = fs::read_to_string(jobs.join(&logs(&jobs, "step-2-1-")[0])).unwrap();
    assert!(broken.is_dir() && log.contains("the machine is broken"), "{log}");
    // what hangs on it did not begin, and nothing half-made is there
    assert_eq!(logs(&jobs, "step-1-").len(), 3);
    assert!(logs(&jobs, "step-3-").is_empty() && logs(&jobs, "merge-").is_empty() && !out.exists());

    let again = slurm.submit(&basin, &["--again", "--dry-run"]).done();
    assert!(!again.contains("lentic-step-1\n"), "{again}");
    let second = again.split("#SBATCH --job-name=lentic-step-2").nth(1).unwrap();
    assert!(second.lines().any(|line| line == "#SBATCH --array=1"), "{again}");
    slurm.submit(&basin, &["--again"]).done();
    slurm.wait();
    assert_eq!(logs(&jobs, "step-1-").len(), 3);
    let of_two = ["step-2-0-", "step-2-1-", "step-2-2-"].map(|begin| logs(&jobs, begin).len());
    assert_eq!(of_two, [1, 2, 1]);
    assert!(
        out.join("run.json").is_file(),
        "{:?}",
        logs(&jobs, "").iter().map(|name| fs::read_to_string(jobs.join(name))).collect::<Vec<_>>()
    );

    let (one, many) = (products(&alone), products(&out));
    assert!(one.len() > 40 && one.keys().eq(many.keys()));
    let differing: Vec<&String> = one.keys().filter(|name| one[*name] != many[*name]).collect();
    assert!(differing.is_empty(), "{differing:?} differ");
    assert_eq!(record(&alone)["checksum"], record(&out)["checksum"]);
    println!("{steps} steps in {SHARES} shares each, {} products the same as of one process", one.len());

    // nothing is missing any more: only the merge is left to do
    let left = slurm.submit(&basin, &["--again", "--dry-run"]).done();
    assert_eq!(left.matches("#!/bin/bash").count(), 1, "{left}");
}

#[test]
fn what_cannot_be_submitted_is_told() {
    let basin = Basin::small();
    let profile = basin.folder().join("profile.toml");
    let submit = |path: &str| {
        let mut command = lentic();
        command.arg("submit").arg(basin.study()).arg("--out").arg(basin.folder().join("run"));
        command.arg("--profile").arg(&profile).env("PATH", path);
        Outcome::of(&mut command)
    };
    fs::write(&profile, "acount = \"wetlands\"\n").unwrap();
    let said = submit("/nowhere");
    assert!(
        said.code == Some(1) && said.stderr.contains("profile.toml:1") && said.stderr.contains("\"account\""),
        "{said:#?}"
    );
    fs::write(&profile, "").unwrap();
    let said = submit("/nowhere");
    assert!(
        said.code == Some(1)
            && said.stderr.contains("there is no sbatch on this machine")
            && said.stderr.contains("--dry-run"),
        "{said:#?}"
    );
}

/// The commands of the manifest for Kubernetes, run as pods run them, one after the other.
#[test]
fn the_manifest_of_kubernetes_runs_a_study() {
    let manifest = Path::new(env!("CARGO_MANIFEST_DIR")).join("../configs/cluster/kubernetes.yaml");
    let text = fs::read_to_string(manifest).unwrap();
    let commands: Vec<&str> =
        text.lines().map(str::trim).filter(|line| line.starts_with("exec lentic shard ")).collect();
    assert_eq!(commands.len(), 2, "{commands:?}");
    let basin = Basin::small();
    let (run, alone) = (basin.folder().join("pods"), basin.run("alone", &[]));
    let program = PathBuf::from(lentic().get_program());
    let path = format!("{}:{}", program.parent().unwrap().display(), std::env::var("PATH").unwrap());
    let shares = 2;
    let pod = |command: &str, step: usize, share: usize| {
        let mut pod = Command::new("/bin/sh");
        pod.args(["-c", command]).env("PATH", &path).env("STUDY", basin.study()).env("OUT", &run);
        pod.env("SHARES", shares.to_string()).env("THREADS", "1");
        pod.env("STEP_NUMBER", step.to_string()).env("JOB_COMPLETION_INDEX", share.to_string());
        Outcome::of(&mut pod).done();
    };
    let plan = Outcome::of(
        lentic().args(["shard", "plan", "--json", "--shards", "2", "--out"]).arg(&run).arg(basin.study()),
    )
    .done();
    let plan: Value = serde_json::from_str(&plan).unwrap();
    for step in 1..=plan["steps"].as_array().unwrap().len() {
        (0..shares).rev().for_each(|share| pod(commands[0], step, share));
    }
    pod(commands[1], 0, 0);
    assert_eq!(record(&alone)["checksum"], record(&run)["checksum"]);
}
