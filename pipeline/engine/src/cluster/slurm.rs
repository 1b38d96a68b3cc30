//! Handing scripts to Slurm.

use super::scripts::{Script, quoted};
use super::{Work, refused, text_of};
use crate::error::{EngineError, io};
use crate::stop;
use serde::{Deserialize, Serialize};
use std::fs;
use std::io::ErrorKind;
use std::path::{Path, PathBuf};
use std::process::Command;

/// File of the folder of jobs that lists what was submitted last.
const LIST: &str = "jobs.json";

/// A job that Slurm has taken.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Submitted {
    /// Slurm's number.
    pub job: u64,
    /// Name of its script.
    pub name: String,
    /// What it does, in words.
    pub what: String,
    /// Shares of the array; none for the merge.
    pub shares: Vec<usize>,
}

/// The command that submits a script after another job, for people: a job that is not known yet is `JOB`.
///
/// # Errors
/// A path that cannot stand in a command.
pub fn scheduled(work: &Work, script: &Script, is_first: bool) -> Result<String, EngineError> {
    let (log, file) = (work.jobs().join(&script.log), work.jobs().join(format!("{}.sh", script.name)));
    let after = if is_first { "" } else { " --dependency=afterok:JOB" };
    let (log, file) = (quoted(text_of(&log)?), quoted(text_of(&file)?));
    Ok(format!("sbatch --parsable --kill-on-invalid-dep=yes{after} --output={log} {file}"))
}

/// Writes the scripts and submits them, each to begin when all of the one before has ended well. Where Slurm refuses one, those
/// before it are taken back.
///
/// # Errors
/// Jobs of an earlier time that are still waiting or running, no Slurm on this machine, or its refusal.
pub fn submit(work: &Work, scripts: &[Script]) -> Result<Vec<Submitted>, EngineError> {
    let folder = work.jobs();
    let parent = folder.parent().unwrap_or(Path::new("/"));
    fs::create_dir_all(parent).map_err(io(parent))?;
    none_pending(&folder)?;
    if folder.exists() && !folder.is_dir() {
        return Err(refused(format!("{} is no folder; move it away", folder.display())));
    }
    fs::create_dir_all(&folder).map_err(io(&folder))?;
    // Slurm's own signs in a path would be replaced
    if text_of(&folder)?.contains(['%', '\\']) {
        return Err(refused(format!(
            "the path {} holds % or \\, which Slurm would take for signs of its own; choose another --out",
            folder.display()
        )));
    }
    let mut done: Vec<Submitted> = Vec::new();
    for script in scripts {
        match stop::unless_asked().and_then(|()| one(&folder, script, done.last().map(|job| job.job))) {
            Ok(job) => done.push(Submitted {
                job,
                name: script.name.clone(),
                what: script.what.clone(),
                shares: script.shares.clone(),
            }),
            Err(error) => {
                take_back(&done);
                return Err(error);
            }
        }
    }
    let path = folder.join(LIST);
    let text = serde_json::to_string_pretty(&done).unwrap_or_default();
    if let Err(error) = fs::write(&path, text + "\n") {
        take_back(&done);
        return Err(io(&path)(error));
    }
    Ok(done)
}

/// Submits one script; gives the number of the job.
fn one(folder: &Path, script: &Script, after: Option<u64>) -> Result<u64, EngineError> {
    let file = folder.join(format!("{}.sh", script.name));
    fs::write(&file, &script.text).map_err(io(&file))?;
    let mut output = std::ffi::OsString::from("--output=");
    output.push(folder.join(&script.log));
    let mut command = Command::new("sbatch");
    command.args(["--parsable", "--kill-on-invalid-dep=yes"]).arg(output);
    command.args(after.map(|job| format!("--dependency=afterok:{job}"))).arg(&file);
    let text = answer(&mut command, &script.name)?;
    // with the cluster's name behind a semicolon where there are several
    let number = text.trim().split(';').next().and_then(|number| number.parse().ok());
    number.ok_or_else(|| refused(format!("sbatch answered {text:?} where the number of a job is expected")))
}

/// Runs a program of Slurm and gives what it says.
fn answer(command: &mut Command, what: &str) -> Result<String, EngineError> {
    let program = command.get_program().to_string_lossy().into_owned();
    let output = command.output().map_err(|error| match error.kind() {
        ErrorKind::NotFound => refused(format!(
            "there is no {program} on this machine; submit where the cluster's Slurm is, or write the scripts with --dry-run"
        )),
        _ => refused(format!("{program} cannot be started: {error}")),
    })?;
    if output.status.success() {
        return Ok(String::from_utf8_lossy(&output.stdout).into_owned());
    }
    let said = String::from_utf8_lossy(&output.stderr).trim().replace('\n', "; ");
    let hint = if said.contains("array") {
        "; a cluster takes arrays up to its MaxArraySize (scontrol show config), often 1001: give fewer --shards"
    } else {
        "; correct the profile"
    };
    Err(refused(format!("{program} refuses {what}: {said}{hint}")))
}

/// Takes jobs back; what cannot be taken back ends by itself, as what it waits for never comes.
fn take_back(jobs: &[Submitted]) {
    if !jobs.is_empty() {
        let _ = Command::new("scancel").args(jobs.iter().map(|job| job.job.to_string())).output();
    }
}

/// Refuses while jobs of an earlier time are waiting or running, which would compute the same shares.
fn none_pending(folder: &Path) -> Result<(), EngineError> {
    let path: PathBuf = folder.join(LIST);
    let Ok(text) = fs::read_to_string(&path) else { return Ok(()) };
    let Ok(jobs) = serde_json::from_str::<Vec<Submitted>>(&text) else { return Ok(()) };
    let numbers: Vec<String> = jobs.iter().map(|job| job.job.to_string()).collect();
    let mut command = Command::new("squeue");
    command.args(["--noheader", "--format=%A", "--jobs", &numbers.join(",")]);
    // Slurm knows no number that is long gone, and says so as an error
    let Ok(output) = command.output() else { return Ok(()) };
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    let mut pending: Vec<&str> = text.split_whitespace().collect();
    pending.sort_unstable();
    pending.dedup();
    if !output.status.success() || pending.is_empty() {
        return Ok(());
    }
    Err(refused(format!(
        "jobs of this run are still waiting or running ({}); wait for them (squeue), or take them back: scancel {}",
        pending.join(", "),
        numbers.join(" ")
    )))
}
