//! `lentic report`.

use crate::args::{ReportArgs, Speech};
use crate::bars::Bars;
use crate::say;
use lentic_engine::editions::again::report_again;
use lentic_engine::{EngineError, prepare};
use serde_json::json;

/// Writes the page of a run again.
pub fn report(wanted: &ReportArgs, speech: Speech) -> Result<(), EngineError> {
    prepare(None)?;
    let bars = Bars::new(speech.quiet || speech.json);
    let page = report_again(&wanted.run, &bars)?;
    if speech.json {
        say::out(&format!("{:#}", json!({ "done": true, "report": page.display().to_string() })));
    } else if !speech.quiet {
        say::out(&format!("written again from what the run keeps: {}", page.display()));
    }
    Ok(())
}
