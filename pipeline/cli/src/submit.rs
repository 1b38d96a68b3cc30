//! `lentic submit`: a run handed to a cluster.

use crate::args::{Speech, SubmitArgs};
use crate::bars::Bars;
use crate::say;
use lentic_engine::cluster::{Script, Submitted, Work, scheduled, scripts, steps, submit};
use lentic_engine::run::{Keep, RunOptions, default_folder};
use lentic_engine::{EngineError, Machines, prepare};
use lentic_study::cluster::{Profile, load};
use serde_json::json;
use std::path::{Path, PathBuf};

/// Writes the scripts of a run and submits them, or shows them.
pub fn submit_run(wanted: &SubmitArgs, speech: Speech) -> Result<(), EngineError> {
    prepare(None)?;
    let profile = wanted.profile.as_deref().map(load).transpose()?.unwrap_or_default();
    let work = work(wanted, &profile)?;
    let options = RunOptions {
        out: work.out.clone(),
        tile: work.tile,
        memory_mib: None,
        keep: work.kept.clone().map_or(Keep::Beside, Keep::In),
        machines: Machines::One,
    };
    let bars = Bars::new(speech.quiet || speech.json);
    let steps = steps(&work, &options, wanted.again, &bars)?;
    let made = scripts(&profile, &work, &steps)?;
    if wanted.dry_run {
        return shown(&work, &made, speech);
    }
    told(&work, &submit(&work, &made)?, speech);
    Ok(())
}

fn work(wanted: &SubmitArgs, profile: &Profile) -> Result<Work, EngineError> {
    let absolute = |path: &Path| {
        std::path::absolute(path).map_err(|source| EngineError::Io { path: path.to_path_buf(), source })
    };
    let program = match &profile.program {
        // from the machine that submits; a name alone is looked for where programs are
        Some(program) if program.contains('/') => absolute(Path::new(program))?,
        Some(program) => PathBuf::from(program),
        None => std::env::current_exe()
            .map_err(|source| EngineError::Io { path: PathBuf::from("lentic"), source })?,
    };
    Ok(Work {
        study: absolute(&wanted.study)?,
        out: absolute(&wanted.out.clone().unwrap_or_else(|| default_folder(&wanted.study)))?,
        kept: wanted.kept.as_deref().map(absolute).transpose()?,
        tile: wanted.tile as usize,
        shards: wanted.shards as usize,
        program,
    })
}

/// Prints the scripts and the commands that would submit them.
fn shown(work: &Work, made: &[Script], speech: Speech) -> Result<(), EngineError> {
    if speech.json {
        let one = |script: &Script| json!({ "name": script.name, "what": script.what, "shares": script.shares, "script": script.text });
        say::out(&format!(
            "{:#}",
            json!({ "done": true, "scripts": made.iter().map(one).collect::<Vec<_>>() })
        ));
        return Ok(());
    }
    for (at, script) in made.iter().enumerate() {
        say::out(&format!("# {}\n# {}\n{}", script.what, scheduled(work, script, at == 0)?, script.text));
    }
    Ok(())
}

fn told(work: &Work, jobs: &[Submitted], speech: Speech) {
    let folder = work.jobs();
    if speech.json {
        let outcome = json!({ "done": true, "jobs": jobs, "folder": folder.display().to_string() });
        say::out(&format!("{outcome:#}"));
    } else if !speech.quiet {
        for job in jobs {
            say::out(&format!("job {}: {}", job.job, job.what));
        }
        say::out(&format!(
            "Scripts and logs: {}\nThe run will be in {}. When a share fails, the jobs after it end: mend what its log tells, then submit the same with --again.",
            folder.display(),
            work.out.display()
        ));
    }
}
