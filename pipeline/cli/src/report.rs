//! `lentic report`.

use crate::args::{ReportArgs, Speech};
use crate::bars::Bars;
use crate::say;
use lentic_engine::editions::again::report_again;
use lentic_engine::editions::public::{PublicOptions, publish};
use lentic_engine::{EngineError, prepare};
use serde_json::json;

/// Writes the page of a run again.
pub fn report(wanted: &ReportArgs, speech: Speech) -> Result<(), EngineError> {
    prepare(None)?;
    let bars = Bars::new(speech.quiet || speech.json);
    if wanted.public {
        return publish_run(wanted, &bars, speech);
    }
    let page = report_again(&wanted.run, &bars)?;
    if speech.json {
        say::out(&format!("{:#}", json!({ "done": true, "report": page.display().to_string() })));
    } else if !speech.quiet {
        say::out(&format!("written again from what the run keeps: {}", page.display()));
    }
    Ok(())
}

fn publish_run(wanted: &ReportArgs, bars: &Bars, speech: Speech) -> Result<(), EngineError> {
    let options = PublicOptions {
        run: wanted.run.clone(),
        out: wanted.out.clone(),
        generalise: wanted.generalise,
        withhold_under_ha: wanted.withhold_under_ha,
    };
    let made = publish(&options, bars)?;
    if speech.json {
        let outcome = json!({
            "done": true,
            "folder": made.folder.display().to_string(),
            "mark": made.mark,
            "how_places_were_generalised": made.told,
            "tables_left_out": made.left_out,
        });
        say::out(&format!("{outcome:#}"));
    } else if !speech.quiet {
        say::out(&format!("{}\n{}", made.told.join("\n"), made.mark));
        say::out(&format!("Read it before you publish it: {}", made.folder.join("report.html").display()));
    }
    Ok(())
}
