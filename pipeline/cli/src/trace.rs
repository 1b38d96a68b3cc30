//! Verifying a finished run, and comparing runs.

use crate::args::Speech;
use crate::bars::Bars;
use crate::say;
use lentic_engine::compare::{CompareOptions, compare};
use lentic_engine::verify::{Verified, VerifyOptions, verify};
use lentic_engine::{EngineError, prepare};
use serde_json::json;

/// Alterations told one by one; the rest are counted (`--json` has all).
const MOST_TOLD: usize = 40;

/// Verifies a folder and says what was found; whether nothing was altered.
///
/// # Errors
/// A folder that cannot be verified.
pub fn verify_run(options: &VerifyOptions, speech: Speech) -> Result<bool, EngineError> {
    prepare(None)?;
    let found = verify(options)?;
    if speech.json {
        let mut value = json!(found);
        if let Some(map) = value.as_object_mut() {
            map.insert("done".into(), json!(true));
            map.insert("whole".into(), json!(found.whole()));
            map.insert("folder".into(), json!(options.run.display().to_string()));
        }
        say::out(&format!("{value:#}"));
    } else {
        for alteration in found.alterations.iter().take(MOST_TOLD) {
            say::err(&format!("altered: {}: {}", alteration.file, alteration.words));
        }
        let more = found.alterations.len().saturating_sub(MOST_TOLD);
        if more > 0 {
            say::err(&format!("and {more} more; --json lists all"));
        }
        if !speech.quiet {
            say::out(&verified_text(&found, options));
        }
    }
    Ok(found.whole())
}

fn verified_text(found: &Verified, options: &VerifyOptions) -> String {
    let mut lines = Vec::new();
    let what = match found.run_id.as_str() {
        "" => found.kind.to_string(),
        id => format!("{} {id} of {}", found.kind, found.started.get(..10).unwrap_or("no date")),
    };
    lines.push(if found.whole() {
        format!("{what} is as it was left: {} files and its record", found.files)
    } else {
        let n = found.alterations.len();
        format!(
            "{what} was altered: {n} thing{} {} not as left, {} files are",
            if n == 1 { "" } else { "s" },
            if n == 1 { "is" } else { "are" },
            found.files
        )
    });
    if let Some(inputs) = &found.inputs {
        lines.push(format!("inputs: {} files are as the run read them", inputs.files));
        if !inputs.not_reached.is_empty() {
            let first: Vec<&str> = inputs.not_reached.iter().take(3).map(String::as_str).collect();
            lines.push(format!(
                "inputs: {} files are not where the study names them, nothing is said of them ({}{})",
                inputs.not_reached.len(),
                first.join(", "),
                if inputs.not_reached.len() > first.len() { ", ..." } else { "" }
            ));
        }
    }
    if !found.checksum.is_empty() {
        lines.push(format!("checksum {}", found.checksum));
    }
    if options.cited.is_none() && !found.checksum.is_empty() {
        lines.push("Compare it with the one cited, or give that with --cited.".into());
    }
    lines.join("\n")
}

/// Compares runs and says what happened between them.
///
/// # Errors
/// Runs that cannot be compared, or a disk that refuses.
pub fn compare_runs(options: &CompareOptions, speech: Speech) -> Result<(), EngineError> {
    prepare(None)?;
    let bars = Bars::new(speech.quiet || speech.json);
    let found = compare(options, &bars)?;
    if speech.json {
        let value = json!({
            "done": true,
            "folder": found.folder.display().to_string(),
            "sentences": found.sentences,
            "cautions": found.cautions,
        });
        say::out(&format!("{value:#}"));
    } else if !speech.quiet {
        for caution in &found.cautions {
            say::err(&format!("note: {caution}"));
        }
        say::out(&found.sentences.join("\n\n"));
        say::out(&format!("{}", found.folder.join("comparison.html").display()));
    }
    Ok(())
}
