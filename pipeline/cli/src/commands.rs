//! The commands, each a few calls to the engine.

use crate::args::{Args, Command, Speech};
use crate::bars::Bars;
use crate::explain::{explained_json, explained_text};
use crate::new::new;
use crate::report::report;
use crate::run::{run_study, shard};
use crate::say;
use crate::shell::{completions, man};
use crate::signals;
use crate::submit::submit_run;
use crate::survey::survey;
use crate::trace::{compare_runs, verify_run};
use lentic_engine::calibrate::{CalibrationSummary, calibrate, default_calibration_folder};
use lentic_engine::check::{Checked, check};
use lentic_engine::compare::CompareOptions;
use lentic_engine::demo::{DemoSize, write_demo, write_large};
use lentic_engine::explain::{ExplainOptions, explain};
use lentic_engine::run::{Keep, RunOptions};
use lentic_engine::scenes::{WaterOptions, water};
use lentic_engine::verify::VerifyOptions;
use lentic_engine::{EngineError, Machines, prepare};
use lentic_study::scenes;
use serde_json::json;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// Cells a side of a tile, unless said otherwise.
const TILE: usize = 256;

/// Does what the command line asks.
pub fn dispatch(args: &Args) -> ExitCode {
    let speech = args.speech;
    // what writes ends without a trace when it is told to stop; what only reads just ends
    let writes = match &args.command {
        Command::Run { plan, .. } => !plan,
        Command::Submit(wanted) => !wanted.dry_run,
        Command::Shard { .. } | Command::Calibrate { .. } | Command::Compare { .. } => true,
        Command::Report(_) | Command::Water { .. } | Command::Survey { .. } | Command::Demo { .. } => true,
        Command::Check { .. } | Command::Explain { .. } => false,
        Command::Verify { .. } | Command::Schema { .. } => false,
        Command::New(_) | Command::Completions { .. } | Command::Man { .. } => false,
    };
    if writes && let Err(error) = signals::listen() {
        return ExitCode::from(say::error(&error, speech.json));
    }
    let outcome = match &args.command {
        Command::Demo { folder, small, million_cells, seed } => {
            demo(folder, *small, *million_cells, *seed, speech)
        }
        Command::New(wanted) => new(wanted, speech),
        Command::Check { study } => match check_study(study, speech) {
            Ok(()) => Ok(()),
            Err(e) => return ExitCode::from(say::check_error(study, &e, speech.json)),
        },
        Command::Completions { shell } => {
            say::out(completions(*shell).trim_end());
            Ok(())
        }
        Command::Man { folder } => man(folder),
        Command::Run { of, keep_nothing, plan } => run_study(of, *keep_nothing, *plan, speech),
        Command::Shard { what } => shard(what, speech),
        Command::Submit(wanted) => submit_run(wanted, speech),
        Command::Calibrate { study, out, threads, tile } => {
            calibrate_study(study, out.clone(), *threads, *tile as usize, speech)
        }
        Command::Explain { run, x, y, lonlat, study } => {
            let options =
                ExplainOptions { run: run.clone(), x: *x, y: *y, lonlat: *lonlat, study: study.clone() };
            explain_cell(&options, speech)
        }
        Command::Verify { run, cited, inputs, study } => {
            let options = VerifyOptions {
                run: run.clone(),
                inputs: *inputs,
                study: study.clone(),
                cited: cited.clone(),
            };
            match verify_run(&options, speech) {
                Ok(true) => Ok(()),
                Ok(false) => {
                    let _ = say::output_refused();
                    return ExitCode::from(say::REFUSED);
                }
                Err(error) => Err(error),
            }
        }
        Command::Compare { runs, out, regrid, unverified } => {
            let options = CompareOptions {
                runs: runs.clone(),
                out: out.clone(),
                regrid: *regrid,
                unverified: *unverified,
            };
            compare_runs(&options, speech)
        }
        Command::Report(wanted) => report(wanted, speech),
        Command::Water { scenes, out, threads, tile } => {
            make_masks(scenes, out.clone(), *threads, *tile as usize, speech)
        }
        Command::Survey { what } => survey(what, speech),
        Command::Schema { scenes } => {
            let text = if *scenes { scenes::schema_text() } else { lentic_study::schema_text() };
            say::out(text.trim_end());
            Ok(())
        }
    };
    let code = match outcome {
        Ok(()) => say::DONE,
        Err(e) => say::error(&e, speech.json),
    };
    ExitCode::from(match say::output_refused() {
        Some(error) => {
            say::err(&format!("error: standard output: {error}; what was to be said there is lost"));
            if code == say::DONE { say::FAILED } else { code }
        }
        None => code,
    })
}

fn demo(
    folder: &Path,
    small: bool,
    million_cells: Option<f64>,
    seed: u64,
    speech: Speech,
) -> Result<(), EngineError> {
    prepare(None)?;
    let size = if small { DemoSize::Small } else { DemoSize::Full };
    let bars = Bars::new(speech.quiet || speech.json);
    let told = |step: &str| lentic_engine::Progress::start(&bars, step, 0);
    let summary = match million_cells {
        Some(millions) => write_large(folder, millions, seed, &told)?,
        None => write_demo(folder, size, seed, &told)?,
    };
    lentic_engine::Progress::finish(&bars);
    let study = folder.join("study.toml");
    if speech.json {
        say::out(&format!("{:#}", json!({ "done": true, "study": study.display().to_string() })));
    } else if !speech.quiet {
        say::out(&format!(
            "{} x {} cells, {} pools, {} monthly masks, {:.0} % of cells ever wet",
            summary.cols,
            summary.rows,
            summary.pools,
            summary.masks,
            100.0 * summary.ever_wet_share
        ));
        say::out(&format!(
            "Talverra Sink is invented; so is its turtle. Next:\n  lentic run {}",
            study.display()
        ));
    }
    Ok(())
}

fn check_study(study: &Path, speech: Speech) -> Result<(), EngineError> {
    prepare(None)?;
    let checked = check(study)?;
    if speech.json {
        let report = json!({
            "done": true,
            "problems": say::problems_json(&checked.warnings),
            "rows": checked.grid.rows,
            "cols": checked.grid.cols,
            "months_with_water_files": checked.stack.images.len(),
            "scenarios": checked.study.scenarios.len(),
            "records": checked.records.as_ref().map(|vetted| json!({
                "rows": vetted.rows,
                "findings": vetted.presences.len(),
                "absences": vetted.absences.len(),
                "set_aside": vetted.set_aside.len(),
            })),
            "climates": checked.climates.models().len(),
            "memory_mib": checked.memory_mib(TILE),
            "disk_mib": checked.disk_mib(),
            "seconds": checked.seconds(TILE)?,
        });
        say::out(&format!("{report:#}"));
        return Ok(());
    }
    say::problems(&checked.warnings);
    if !speech.quiet {
        say::out(&told(&checked)?);
        say::out(&format!("The study can be run:\n  lentic run {}", study.display()));
    }
    Ok(())
}

/// A rough time in the unit that suits it.
fn duration(seconds: f64) -> String {
    match seconds {
        s if s < 90.0 => format!("{s:.0} s"),
        s if s < 5400.0 => format!("{:.0} min", s / 60.0),
        s => format!("{:.1} h", s / 3600.0),
    }
}

/// Name of the grid's reference system; a PROJ text has none and stands for itself.
fn crs_name(checked: &Checked) -> &str {
    match checked.grid.crs.name() {
        "unknown" | "" => &checked.study.grid.crs,
        name => name,
    }
}

fn told(checked: &Checked) -> Result<String, EngineError> {
    let grid = &checked.grid;
    let study = &checked.study;
    let (first, last) = study.period.baseline;
    let records = checked.records.as_ref().map(|vetted| {
        let set_aside = match vetted.set_aside.len() {
            0 => String::new(),
            _ => format!("; set aside: {}", vetted.reasons()),
        };
        let (found, absent) = (vetted.presences.len(), vetted.absences.len());
        format!("records    {found} findings and {absent} absences of {} rows{set_aside}", vetted.rows)
    });
    let lines = [
        format!("study      {}", study.name),
        format!("grid       {} x {} cells of {} m, {}", grid.cols, grid.rows, grid.cell_m, crs_name(checked)),
        format!("baseline   {first} to {last}, water files for {} months", checked.stack.images.len()),
        format!("climate    {}", checked.climates.in_words()),
        format!("layers     {}", study.layers.iter().map(|l| l.name.as_str()).collect::<Vec<_>>().join(", ")),
        format!(
            "requisites {}",
            study.requisites.iter().map(|r| r.name.as_str()).collect::<Vec<_>>().join(", ")
        ),
        format!(
            "scenarios  {}",
            study.scenarios.iter().map(|s| s.name.as_str()).collect::<Vec<_>>().join(", ")
        ),
        format!(
            "needs      about {} MiB of memory, {} MiB of disk and {}",
            checked.memory_mib(TILE),
            checked.disk_mib(),
            duration(checked.seconds(TILE)?)
        ),
    ];
    // records before what is needed
    let mut lines = lines.to_vec();
    lines.splice(lines.len() - 1..lines.len() - 1, records);
    Ok(lines.join("\n"))
}

fn calibrate_study(
    study: &Path,
    out: Option<PathBuf>,
    threads: Option<usize>,
    tile: usize,
    speech: Speech,
) -> Result<(), EngineError> {
    prepare(threads)?;
    let out = out.unwrap_or_else(|| default_calibration_folder(study));
    let bars = Bars::new(speech.quiet || speech.json);
    let summary = calibrate(
        study,
        &RunOptions { out, tile, memory_mib: None, keep: Keep::Nothing, machines: Machines::One },
        &bars,
    )?;
    if speech.json {
        say::out(&format!("{:#}", calibration_json(&summary)));
    } else if !speech.quiet {
        for warning in &summary.warnings {
            say::err(&format!("warning: {warning}"));
        }
        say::out(&calibration_text(&summary));
    }
    Ok(())
}

fn explain_cell(options: &ExplainOptions, speech: Speech) -> Result<(), EngineError> {
    prepare(None)?;
    let explained = explain(options)?;
    if speech.json {
        say::out(&format!("{:#}", explained_json(&explained)));
    } else {
        say::out(&explained_text(&explained));
    }
    Ok(())
}

fn calibration_json(summary: &CalibrationSummary) -> serde_json::Value {
    let [both, own, fitted] = summary.habitat_ha;
    json!({
        "done": true,
        "folder": summary.folder.display().to_string(),
        "id": summary.id,
        "records": summary.records,
        "background": summary.background,
        "folds": summary.folds,
        "auc_fitted": summary.auc[0],
        "auc_of_study": summary.auc[1],
        "rank_correlation": summary.rank_correlation,
        "habitat_by_both_ha": both,
        "habitat_by_study_only_ha": own,
        "habitat_by_fit_only_ha": fitted,
        "warnings": summary.warnings,
        "seconds": summary.seconds,
    })
}

fn calibration_text(summary: &CalibrationSummary) -> String {
    let shown = |value: Option<f64>| value.map_or_else(|| "none".to_string(), |v| format!("{v:.3}"));
    let [both, own, fitted] = summary.habitat_ha;
    [
        format!("records            {} against {} background cells, {} folds", summary.records, summary.background, summary.folds),
        format!("AUC on folds left out: fitted {}, the study's own curves {}", shown(summary.auc[0]), shown(summary.auc[1])),
        format!("rank correlation of the two maps {}", shown(summary.rank_correlation)),
        format!("habitat            {both:.1} ha by both, {own:.1} ha by the study only, {fitted:.1} ha by the fit only"),
        "The study's own curves stay in force. Read the fitted ones before you use any:".to_string(),
        format!("  {}", summary.folder.join("fragment.toml").display()),
    ]
    .join("\n")
}

fn make_masks(
    scenes: &Path,
    out: Option<PathBuf>,
    threads: Option<usize>,
    tile: usize,
    speech: Speech,
) -> Result<(), EngineError> {
    prepare(threads)?;
    let out = out.unwrap_or_else(|| lentic_engine::scenes::default_folder(scenes));
    let bars = Bars::new(speech.quiet || speech.json);
    let made = water(scenes, &WaterOptions { out, tile }, &bars)?;
    if speech.json {
        let flagged: Vec<_> =
            made.flagged.iter().map(|(scene, flag)| json!({ "scene": scene, "flag": flag })).collect();
        let outcome = json!({
            "done": true,
            "folder": made.folder.display().to_string(),
            "scenes": made.scenes,
            "scenes_done_now": made.done,
            "scenes_kept": made.kept,
            "months": made.months,
            "months_made_now": made.months_made,
            "flagged": flagged,
        });
        say::out(&format!("{outcome:#}"));
        return Ok(());
    }
    if !speech.quiet {
        for (scene, flag) in &made.flagged {
            say::err(&format!("look at {scene}: {flag}"));
        }
        say::out(&format!(
            "{} scenes: {} masked, {} kept, {} left out; {} months, {} made\nlook at every mask: {}",
            made.scenes,
            made.done,
            made.kept,
            made.scenes - made.done - made.kept,
            made.months,
            made.months_made,
            made.folder.join("contact_sheet.png").display()
        ));
    }
    Ok(())
}
