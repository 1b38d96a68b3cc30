//! The scripts of the jobs. They hold all that the jobs need, so that they can be read, changed and submitted by hand.

use super::{StepShares, Work, text_of};
use crate::error::EngineError;
use lentic_study::cluster::Profile;

/// A job.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Script {
    /// Name of its file and of the job: "step-1", "merge".
    pub name: String,
    /// What it does, in words.
    pub what: String,
    /// Shares of the array; none for the merge.
    pub shares: Vec<usize>,
    /// The script.
    pub text: String,
    /// Name of the log, with Slurm's signs for array and job.
    pub log: String,
}

/// The scripts of a run in the order in which they must be run: the steps that have shares to compute, then the merge.
///
/// # Errors
/// A path that cannot stand in a script.
pub fn scripts(profile: &Profile, work: &Work, steps: &[StepShares]) -> Result<Vec<Script>, EngineError> {
    let mut made = Vec::new();
    for step in steps.iter().filter(|step| !step.shares.is_empty()) {
        let name = format!("step-{}", step.step);
        let mut lines = head(&name, profile);
        let most = profile.at_once.map(|most| format!("%{most}")).unwrap_or_default();
        lines.push(format!("#SBATCH --array={}{most}", shares_text(&step.shares)));
        lines.extend(limits(&profile.time, &profile.memory, profile.cpus));
        lines.extend(body(profile));
        lines.push(command(work, "run", &format!("--shard \"$SLURM_ARRAY_TASK_ID\" --step {}", step.step))?);
        let what = format!("step {} ({}), shares {}", step.step, step.title, shares_text(&step.shares));
        let log = format!("{name}-%a-%A.log");
        made.push(Script { name, what, shares: step.shares.clone(), text: text(&lines), log });
    }
    let mut lines = head("merge", profile);
    let (time, memory) = (
        profile.merge_time.as_ref().or(profile.time.as_ref()),
        profile.merge_memory.as_ref().or(profile.memory.as_ref()),
    );
    lines.extend(limits(&time.cloned(), &memory.cloned(), profile.merge_cpus.or(profile.cpus)));
    lines.extend(body(profile));
    lines.push(command(work, "merge", "")?);
    let log = "merge-%j.log".into();
    made.push(Script {
        name: "merge".into(),
        what: "putting the run together".into(),
        shares: Vec::new(),
        text: text(&lines),
        log,
    });
    Ok(made)
}

fn text(lines: &[String]) -> String {
    lines.iter().map(|line| format!("{line}\n")).collect()
}

fn head(name: &str, profile: &Profile) -> Vec<String> {
    // bash, as clusters give their modules as functions of it
    let mut lines = vec!["#!/bin/bash".to_string(), format!("#SBATCH --job-name=lentic-{name}")];
    lines.extend(profile.account.iter().map(|account| format!("#SBATCH --account={account}")));
    lines.extend(profile.partition.iter().map(|partition| format!("#SBATCH --partition={partition}")));
    lines
}

fn limits(time: &Option<String>, memory: &Option<String>, cpus: Option<u32>) -> Vec<String> {
    let mut lines: Vec<String> = time.iter().map(|time| format!("#SBATCH --time={time}")).collect();
    lines.extend(memory.iter().map(|memory| format!("#SBATCH --mem={memory}")));
    lines.extend(cpus.iter().map(|cpus| format!("#SBATCH --cpus-per-task={cpus}")));
    lines
}

fn body(profile: &Profile) -> Vec<String> {
    let mut lines: Vec<String> = profile.options.iter().map(|option| format!("#SBATCH {option}")).collect();
    lines.push("set -e".into());
    lines.extend(profile.before.iter().cloned());
    lines
}

/// The line that runs the program; all paths are quoted for the shell.
fn command(work: &Work, what: &str, which: &str) -> Result<String, EngineError> {
    let mut words = vec![
        "exec".to_string(),
        quoted(text_of(&work.program)?),
        format!("shard {what}"),
        "--out".into(),
        quoted(text_of(&work.out)?),
    ];
    if let Some(kept) = &work.kept {
        words.extend(["--kept".into(), quoted(text_of(kept)?)]);
    }
    words.push(format!(
        "--tile {} --shards {} --threads \"${{SLURM_CPUS_PER_TASK:-1}}\" --quiet",
        work.tile, work.shards
    ));
    words.extend(Some(which.to_string()).filter(|which| !which.is_empty()));
    // last, behind --, so that no name passes for an option
    words.extend(["--".into(), quoted(text_of(&work.study)?)]);
    Ok(words.join(" "))
}

/// A text as one word of the shell.
pub(super) fn quoted(text: &str) -> String {
    format!("'{}'", text.replace('\'', "'\\''"))
}

/// Rising numbers as Slurm lists them: runs as "0-3", others by commas.
#[must_use]
pub fn shares_text(shares: &[usize]) -> String {
    let mut runs: Vec<(usize, usize)> = Vec::new();
    for &share in shares {
        match runs.last_mut() {
            Some((_, last)) if *last + 1 == share => *last = share,
            _ => runs.push((share, share)),
        }
    }
    let one = |(first, last): (usize, usize)| {
        if first == last { first.to_string() } else { format!("{first}-{last}") }
    };
    runs.into_iter().map(one).collect::<Vec<_>>().join(",")
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::path::PathBuf;

    fn work() -> Work {
        Work {
            study: "/data/o'hara basin/study.toml".into(),
            out: "/data/$HOME run".into(),
            kept: Some("/scratch/kept \"1\"".into()),
            tile: 256,
            shards: 8,
            program: "/opt/lentic".into(),
        }
    }

    fn steps() -> Vec<StepShares> {
        let step = |step, title: &str, shares: &[usize]| StepShares {
            step,
            title: title.into(),
            shares: shares.to_vec(),
        };
        vec![
            step(1, "reading water", &[3, 7]),
            step(2, "fitting the response", &[]),
            step(3, "scoring habitat", &[0, 1, 2, 3, 4, 5, 6, 7]),
        ]
    }

    #[test]
    fn lists_of_shares() {
        assert_eq!(shares_text(&[0, 1, 2, 3]), "0-3");
        assert_eq!(shares_text(&[3, 7]), "3,7");
        assert_eq!(shares_text(&[0, 2, 3, 4, 9]), "0,2-4,9");
        assert_eq!(shares_text(&[]), "");
    }

    #[test]
    fn the_scripts_of_a_run() {
        let profile = Profile {
            account: Some("wetlands".into()),
            partition: Some("all".into()),
            time: Some("02:00:00".into()),
            memory: Some("4G".into()),
            cpus: Some(2),
            at_once: Some(5),
            merge_memory: Some("16G".into()),
            options: vec!["--constraint=fast".into()],
            before: vec!["module load gdal".into()],
            ..Profile::default()
        };
        let made = scripts(&profile, &work(), &steps()).unwrap();
        let told: Vec<String> = made
            .iter()
            .map(|script| format!("== {} ({}; {})\n{}", script.name, script.what, script.log, script.text))
            .collect();
        insta::assert_snapshot!("scripts", told.join("\n"));
        // what is not said is left to the cluster
        let bare = scripts(&Profile::default(), &work(), &steps()).unwrap();
        let options: Vec<&str> = bare[0].text.lines().filter(|line| line.starts_with("#SBATCH")).collect();
        assert_eq!(options, ["#SBATCH --job-name=lentic-step-1", "#SBATCH --array=3,7"]);
    }

    /// The shell gives back every path as it was: `sh` is the oracle.
    #[test]
    fn paths_reach_the_program_whatever_they_hold() {
        for name in
            ["plain", "two words", "it's", "$(touch no)", "`no`", "a\"b", "-x", "*", "\\", "é", "a;b&c|d"]
        {
            let line = format!("printf %s {}", quoted(name));
            let output = std::process::Command::new("sh").args(["-c", &line]).output().unwrap();
            assert_eq!(String::from_utf8(output.stdout).unwrap(), name);
        }
        let broken = Work { out: PathBuf::from("/data/a\nb"), ..work() };
        assert!(
            scripts(&Profile::default(), &broken, &steps()).unwrap_err().to_string().contains("rename it")
        );
    }
}
