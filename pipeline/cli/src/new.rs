//! `lentic new`: what is known of a new study from options and questions, and its folder written.

mod answers;
mod ask;
mod words;

use crate::args::Speech;
use crate::say;
use answers::answers;
use clap::Args as Group;
use lentic_engine::new_study::{Written, is_free, write_new};
use lentic_engine::{EngineError, prepare};
use lentic_study::fresh::{ClimateFrom, Template};
use lentic_study::options::WaterContent;
use serde_json::json;
use std::io::IsTerminal;
use std::path::{Path, PathBuf};
use words::{bounds, climate, holds, metres, names, template, years};

/// What is known of a new study.
#[derive(Group, Debug, Clone)]
pub struct NewArgs {
    /// New or empty folder to write it to
    folder: PathBuf,
    /// Kind of wetland: closed-basin, floodplain, coastal-marsh, peatland, spring-fed or depth-marsh
    #[arg(long, short, value_parser = template)]
    template: Option<Template>,
    /// Name of the basin, as it stands in the report [default: the folder's name]
    #[arg(long)]
    name: Option<String>,
    /// The animal, as it stands in the report [default: a semi-aquatic turtle]
    #[arg(long)]
    organism: Option<String>,
    /// A raster whose reference system, cell and bounds the study shall have
    #[arg(long, value_name = "RASTER")]
    like: Option<PathBuf>,
    /// Projected reference system in metres, as EPSG:6933; or LON,LAT of the middle, for an equal-area one about it
    #[arg(long, allow_hyphen_values = true)]
    crs: Option<String>,
    /// Cell side, metres [default: that of --like, else of the template]
    #[arg(long, value_name = "METRES", value_parser = metres)]
    cell: Option<f64>,
    /// Left, bottom, right, top in the reference system, metres
    #[arg(long, value_name = "L,B,R,T", allow_hyphen_values = true, conflicts_with = "area", value_parser = bounds)]
    bounds: Option<[f64; 4]>,
    /// Vector file of the study area instead of bounds
    #[arg(long, value_name = "FILE")]
    area: Option<PathBuf>,
    /// First and last year of the baseline [default: those of the template]
    #[arg(long, value_name = "YEAR-YEAR", value_parser = years)]
    baseline: Option<(i32, i32)>,
    /// First calendar month of the water year, in the dry season [default: that of the template]
    #[arg(long, value_name = "MONTH", value_parser = clap::value_parser!(u32).range(1..=12))]
    water_year_starts: Option<u32>,
    /// What the water files hold: mask, fraction or depth [default: as the template]
    #[arg(long, value_parser = holds)]
    water: Option<WaterContent>,
    /// Layers there are, with commas; all or none [default: all of the template]
    #[arg(long, value_name = "NAMES")]
    layers: Option<String>,
    /// Where the climate comes from: table, zones, rasters, anomalies or none [default: as the template]
    #[arg(long, value_parser = climate)]
    climate: Option<ClimateFrom>,
    /// Scenarios wanted, with commas; all or none [default: all that the rest allows]
    #[arg(long, value_name = "NAMES")]
    scenarios: Option<String>,
    /// Ask nothing, on a terminal either
    #[arg(long)]
    no_questions: bool,
}

fn refuse(reason: impl Into<String>) -> EngineError {
    EngineError::New { reason: reason.into() }
}

/// Writes the folder of a new study.
pub fn new(wanted: &NewArgs, speech: Speech) -> Result<(), EngineError> {
    prepare(None)?;
    is_free(&wanted.folder)?;
    let terminal = std::io::stdin().is_terminal() && std::io::stderr().is_terminal();
    let asks = terminal && !(wanted.no_questions || speech.quiet || speech.json);
    if !asks {
        complete(wanted)?;
    }
    let (template, answers) = answers(wanted, asks)?;
    let written = write_new(&wanted.folder, template, &answers)?;
    told(&wanted.folder, &written, speech);
    Ok(())
}

fn told(folder: &Path, written: &Written, speech: Speech) {
    let study = written.study.display();
    if speech.json {
        let (rows, cols) = written.size;
        say::out(&format!(
            "{:#}",
            json!({ "done": true, "study": study.to_string(), "rows": rows, "cols": cols, "scenarios": written.scenarios })
        ));
    } else if !speech.quiet {
        let (rows, cols) = written.size;
        say::out(&format!(
            "{cols} x {rows} cells, {} scenarios: {study}\nWhat to put where stands in {}\nnext: lentic check {study}",
            written.scenarios.len(),
            folder.join("README.md").display()
        ));
    }
}

/// Refuses where nothing can be asked and something without a sensible default is not given.
fn complete(wanted: &NewArgs) -> Result<(), EngineError> {
    let mut missing = Vec::new();
    if wanted.template.is_none() {
        missing.push(format!("--template ({})", names(Template::ALL.map(Template::name))));
    }
    if wanted.like.is_none() {
        if wanted.crs.is_none() {
            missing.push("--crs (as EPSG:6933, or LON,LAT of the middle)".to_string());
        }
        if wanted.bounds.is_none() && wanted.area.is_none() {
            missing.push("--bounds L,B,R,T or --area FILE".to_string());
        }
    }
    if missing.is_empty() {
        return Ok(());
    }
    let like =
        if wanted.like.is_none() { "; --like RASTER stands for --crs, --cell and --bounds" } else { "" };
    Err(refuse(format!(
        "nothing can be asked here, and these are not given: {}{like}. Give them, or run it on a terminal",
        missing.join("; ")
    )))
}
