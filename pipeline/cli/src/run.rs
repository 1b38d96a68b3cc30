//! Running a study: at once, as a plan, or in shares on several machines.

use crate::args::{RunArgs, ShardCommand, Speech};
use crate::bars::Bars;
use lentic_engine::run::{Keep, RunOptions, RunSummary, default_folder, run};
use lentic_engine::shards::{RunPlan, SharedStep, merge, plan, run_share};
use lentic_engine::{Counts, EngineError, Machines, Planned, Standing, prepare};
use serde_json::{Value, json};

impl RunArgs {
    fn options(&self) -> RunOptions {
        RunOptions {
            out: self.out.clone().unwrap_or_else(|| default_folder(&self.study)),
            tile: self.tile as usize,
            memory_mib: self.memory,
            keep: self.kept.clone().map_or(Keep::Beside, Keep::In),
            machines: Machines::One,
        }
    }
}

/// Runs a study, or says what a run would do.
pub fn run_study(
    of: &RunArgs,
    keep_nothing: bool,
    only_plan: bool,
    speech: Speech,
) -> Result<(), EngineError> {
    prepare(of.threads)?;
    let mut options = of.options();
    let bars = Bars::new(speech.quiet || speech.json);
    if only_plan {
        let found = plan(&of.study, &options, &bars)?;
        let text = if speech.json { format!("{:#}", plan_json(&found)) } else { plan_text(&found) };
        crate::say::out(&text);
        return Ok(());
    }
    if keep_nothing {
        options.keep = Keep::Nothing;
    }
    told(&run(&of.study, &options, &bars)?, speech);
    Ok(())
}

fn told(summary: &RunSummary, speech: Speech) {
    if speech.json {
        crate::say::out(&format!("{:#}", summary_json(summary)));
    } else if !speech.quiet {
        crate::say::out(&summary_text(summary));
    }
}

/// Works on shares of a run.
pub fn shard(what: &ShardCommand, speech: Speech) -> Result<(), EngineError> {
    let bars = Bars::new(speech.quiet || speech.json);
    match what {
        ShardCommand::Plan { of, shards } => {
            prepare(of.threads)?;
            let found = plan(&of.study, &of.options(), &bars)?;
            let text = match speech.json {
                true => format!("{:#}", shares_json(&found, *shards as usize)),
                false => shares_text(&found, *shards as usize),
            };
            crate::say::out(&text);
            Ok(())
        }
        ShardCommand::Run { of, shards, shard, step } => {
            prepare(of.threads)?;
            let share = (*step as usize, *shard as usize, *shards as usize);
            run_share(&of.study, &of.options(), share, &bars)?;
            if speech.json {
                crate::say::out(&format!(
                    "{:#}",
                    json!({ "done": true, "step": step, "shard": shard, "shards": shards })
                ));
            } else if !speech.quiet {
                crate::say::out(&format!("share {shard} of {shards} of step {step} is kept"));
            }
            Ok(())
        }
        ShardCommand::Merge { of, shards } => {
            prepare(of.threads)?;
            told(&merge(&of.study, &of.options(), *shards as usize, &bars)?, speech);
            Ok(())
        }
    }
}

fn word(standing: &Standing) -> &'static str {
    match standing {
        Standing::Kept => "kept",
        Standing::Missing(_) | Standing::Nothing => "to compute",
        Standing::Hangs => "perhaps to compute",
    }
}

fn plan_text(plan: &RunPlan) -> String {
    let title = |step: &Planned| step.title();
    let widest = plan.steps.iter().map(|step| title(step).chars().count()).max().unwrap_or(0);
    let mut lines: Vec<String> = plan
        .steps
        .iter()
        .map(|step| {
            let tiles = match (&step.standing, step.tiles) {
                (Standing::Missing(_), Some(tiles)) => format!(", {} of {tiles} tiles kept", step.kept),
                _ => String::new(),
            };
            let why = if step.why.is_empty() { String::new() } else { format!(" ({})", step.why) };
            format!("{:widest$}  {}{tiles}{why}", title(step), word(&step.standing))
        })
        .collect();
    lines.push("patches, connection, evidence, tables and page are made anew in every run; rasters whose cells stay as they are are taken over from the run before".into());
    lines.push(match &plan.store {
        Some(store) => format!("kept steps: {}", store.display()),
        None => "nothing is kept".into(),
    });
    lines.join("\n")
}

fn plan_json(plan: &RunPlan) -> Value {
    let steps = plan.steps.iter().map(|step| {
        json!({
            "step": step.step.word(),
            "scenario": if step.of.is_empty() { Value::Null } else { json!(step.of) },
            "state": word(&step.standing),
            "tiles": step.tiles,
            "tiles_kept": step.kept,
            "why": step.why,
        })
    });
    json!({
        "steps": steps.collect::<Value>(),
        "kept": plan.store.as_ref().map(|store| store.display().to_string()),
    })
}

fn shares_text(plan: &RunPlan, shards: usize) -> String {
    let line = |(at, shared): (usize, &SharedStep)| {
        let told = match shared.missing.len() {
            0 => "done".to_string(),
            n if n == shards => "all shares to do".to_string(),
            _ => {
                let missing: Vec<String> = shared.missing.iter().map(usize::to_string).collect();
                format!("to do: {}", missing.join(", "))
            }
        };
        format!("step {:2}  {}: {told}", at + 1, shared.step.title())
    };
    let lines: Vec<String> = plan.shares(shards).iter().enumerate().map(line).collect();
    lines.join("\n")
}

fn shares_json(plan: &RunPlan, shards: usize) -> Value {
    let steps = plan.shares(shards).into_iter().enumerate().map(|(at, SharedStep { step, missing })| {
        json!({ "step": at + 1, "name": step.word(), "title": step.title(), "shards": shards, "missing": missing })
    });
    json!({
        "steps": steps.collect::<Value>(),
        "kept": plan.store.as_ref().map(|store| store.display().to_string()),
    })
}

fn summary_json(summary: &RunSummary) -> serde_json::Value {
    let scenarios: Vec<_> = summary
        .headline
        .rows
        .iter()
        .map(|row| {
            json!({
                "scenario": row.scenario,
                "habitat_ha": row.habitat_ha,
                "kept_ha": row.kept_ha + row.degraded_ha,
                "lost_ha": row.lost_ha,
                "gained_ha": row.gained_ha,
                "lost_percent": row.lost_percent,
            })
        })
        .collect();
    json!({
        "done": true,
        "folder": summary.folder.display().to_string(),
        "run_id": summary.run_id,
        "baseline_habitat_ha": summary.headline.habitat_ha,
        "not_assessed_ha": summary.headline.not_assessed_ha,
        "scenarios": scenarios,
        "records": summary.records,
        "warnings": summary.warnings,
        "seconds": summary.seconds,
        "tiles_computed": summary.tiles.computed,
        "tiles_kept": summary.tiles.kept,
    })
}

fn summary_text(summary: &RunSummary) -> String {
    let headline = &summary.headline;
    let mut lines = vec![("habitat today", headline.habitat_ha, String::new())];
    for row in &headline.rows {
        let lost = row.lost_percent.map_or_else(String::new, |p| format!(", {p:.1} % of today's lost"));
        lines.push((row.scenario.as_str(), row.habitat_ha, lost));
    }
    if headline.not_assessed_ha > 0.0 {
        lines.push(("not assessed", headline.not_assessed_ha, String::new()));
    }
    let widest = lines.iter().map(|(name, ..)| name.len()).max().unwrap_or(0);
    let lines: Vec<String> =
        lines.iter().map(|(name, area, lost)| format!("{name:widest$} {area:>12.1} ha{lost}")).collect();
    let mut text = lines.join("\n");
    if let Some(records) = &summary.records {
        text.push_str(&format!("\n{records}"));
    }
    let kept = match summary.tiles {
        Counts { kept: 0, .. } => String::new(),
        Counts { kept, computed } => format!(" ({kept} of {} tiles were kept from before)", kept + computed),
    };
    text.push_str(&format!(
        "\nrun {} in {:.1} s{kept}: {}",
        summary.run_id,
        summary.seconds,
        summary.folder.join("report.html").display()
    ));
    text
}
