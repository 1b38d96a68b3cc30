//! `lentic new`: answers from options, and on a terminal from questions.

use crate::args::Speech;
use crate::say;
use clap::Args as Group;
use dialoguer::theme::SimpleTheme;
use dialoguer::{Input, MultiSelect, Select};
use lentic_engine::new_study::{Written, is_free, like, reference_system, study_area, write_new};
use lentic_engine::{EngineError, prepare};
use lentic_study::fresh::{Answers, ClimateFrom, Extent, Template, possible_scenarios};
use lentic_study::options::WaterContent;
use serde_json::json;
use std::collections::BTreeSet;
use std::io::IsTerminal;
use std::path::{Path, PathBuf};

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

const CLIMATES: [(ClimateFrom, &str, &str); 5] = [
    (ClimateFrom::Table, "table", "one table of monthly rain and temperature"),
    (ClimateFrom::Zones, "zones", "a table with lines for each zone (needs the layer zones)"),
    (ClimateFrom::Rasters, "rasters", "monthly rasters of rain and temperature"),
    (ClimateFrom::Anomalies, "anomalies", "a table of ready-made anomalies, as of a river's level"),
    (ClimateFrom::None, "none", "none: water answers to the season only"),
];
const CONTENTS: [(WaterContent, &str, &str); 3] = [
    (WaterContent::Mask, "mask", "masks: 0 dry, 1 wet"),
    (WaterContent::Fraction, "fraction", "shares of the cell under water, 0 to 1"),
    (WaterContent::Depth, "depth", "depths of water"),
];

fn template(word: &str) -> Result<Template, String> {
    let found = Template::ALL.into_iter().find(|template| template.name() == word);
    found.ok_or_else(|| format!("one of {} is expected", names(Template::ALL.map(Template::name))))
}

fn climate(word: &str) -> Result<ClimateFrom, String> {
    let found = CLIMATES.iter().find(|(_, name, _)| *name == word).map(|(climate, ..)| *climate);
    found.ok_or_else(|| format!("one of {} is expected", names(CLIMATES.map(|(_, name, _)| name))))
}

fn holds(word: &str) -> Result<WaterContent, String> {
    let found = CONTENTS.iter().find(|(_, name, _)| *name == word).map(|(holds, ..)| *holds);
    found.ok_or_else(|| format!("one of {} is expected", names(CONTENTS.map(|(_, name, _)| name))))
}

fn names<const N: usize>(words: [&str; N]) -> String {
    words.join(", ")
}

fn metres(word: &str) -> Result<f64, String> {
    let found = word.trim().parse::<f64>().ok().filter(|side| side.is_finite() && *side >= 0.001);
    found.ok_or_else(|| "a number of metres of 0.001 or more is expected".to_string())
}

fn bounds(word: &str) -> Result<[f64; 4], String> {
    let numbers: Option<Vec<f64>> =
        word.split(',').map(|part| part.trim().parse::<f64>().ok().filter(|n| n.is_finite())).collect();
    let found = numbers.and_then(|numbers| <[f64; 4]>::try_from(numbers).ok());
    found.filter(|[left, bottom, right, top]| left < right && bottom < top).ok_or_else(|| {
        "left, bottom, right and top in metres are expected, as -1800,-1500,1800,1500".to_string()
    })
}

fn years(word: &str) -> Result<(i32, i32), String> {
    let found = word
        .trim()
        .split_once('-')
        .and_then(|(first, last)| first.trim().parse().ok().zip(last.trim().parse().ok()));
    found
        .filter(|(first, last): &(i32, i32)| (1000..=9999).contains(first) && first <= last && *last <= 9999)
        .ok_or_else(|| "first and last year are expected, as 1991-2020".to_string())
}

fn month(word: &str) -> Result<u32, String> {
    let found = word.trim().parse().ok().filter(|month| (1..=12).contains(month));
    found.ok_or_else(|| "a calendar month from 1 to 12 is expected".to_string())
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

fn answers(wanted: &NewArgs, asks: bool) -> Result<(Template, Answers), EngineError> {
    let template = match wanted.template {
        Some(template) => template,
        None => choose(
            "Which kind of wetland is it?",
            &Template::ALL.map(|t| (t, format!("{}: {}", t.name(), t.about()))),
            Template::ClosedBasin,
        )?,
    };
    let folder_name = wanted
        .folder
        .file_name()
        .map_or_else(|| "My basin".to_string(), |name| name.to_string_lossy().into_owned());
    let name = text(&wanted.name, asks, "Name of the basin", &folder_name)?;
    let organism =
        text(&wanted.organism, asks, "The animal, as it shall stand in the report", "a semi-aquatic turtle")?;
    let (crs, cell_m, extent) = place(wanted, asks, template)?;
    let baseline = match wanted.baseline {
        None if asks => {
            let (first, last) = template.baseline();
            years(&checked(
                "First and last year of the baseline (thirty years: common practice)",
                &format!("{first}-{last}"),
                |word| years(word).map(drop),
            )?)
        }
        None => Ok(template.baseline()),
        Some(given) => Ok(given),
    }
    .map_err(refuse)?;
    let water_year_starts = match wanted.water_year_starts {
        None if asks => month(&checked(
            "First calendar month of the water year, in the dry season before the rains",
            &template.water_year_starts().to_string(),
            |word| month(word).map(drop),
        )?)
        .map_err(refuse)?,
        given => given.unwrap_or_else(|| template.water_year_starts()),
    };
    let holds = match wanted.water {
        None if asks => choose(
            "What do the monthly water files hold?",
            &CONTENTS.map(|(holds, _, about)| (holds, about.to_string())),
            template.holds(),
        )?,
        given => given.unwrap_or_else(|| template.holds()),
    };
    let all = template.layers();
    let layers = match &wanted.layers {
        None if asks => several("Which layers are there? (space marks, enter goes on)", &all, &all)?,
        given => listed("--layers", given.as_deref().unwrap_or("all"), &all)?,
    };
    let climate = match wanted.climate {
        None if asks => {
            let possible = CLIMATES
                .into_iter()
                .filter(|(climate, ..)| *climate != ClimateFrom::Zones || layers.contains("zones"));
            let possible: Vec<_> = possible.map(|(climate, _, about)| (climate, about.to_string())).collect();
            choose("Where does the climate come from?", &possible, template.climate())?
        }
        given => given.unwrap_or_else(|| template.climate()),
    };
    if climate == ClimateFrom::Zones && !layers.contains("zones") {
        return Err(refuse(
            "a climate by zone needs the layer zones: add it to --layers, or take --climate table",
        ));
    }
    let told = String::new();
    let mut answers = Answers {
        name,
        organism,
        crs,
        cell_m,
        extent,
        baseline,
        water_year_starts,
        holds,
        layers,
        climate,
        scenarios: None,
        told,
    };
    let possible = possible_scenarios(template, &answers);
    let known: Vec<String> = possible.iter().map(|(name, _)| name.clone()).collect();
    let scenarios = match &wanted.scenarios {
        None if asks && !known.is_empty() => {
            let titles: Vec<String> =
                possible.iter().map(|(name, title)| format!("{name}: {title}")).collect();
            let marked = several("Which scenarios? (their numbers are placeholders)", &titles, &titles)?;
            marked.iter().filter_map(|title| Some(title.split_once(": ")?.0.to_string())).collect()
        }
        given => listed("--scenarios", given.as_deref().unwrap_or("all"), &known)?,
    };
    answers.scenarios = Some(scenarios);
    answers.told = as_options(template, &answers);
    Ok((template, answers))
}

/// The words that make the same study again.
fn as_options(template: Template, answers: &Answers) -> String {
    let list = |names: &BTreeSet<String>| match names.is_empty() {
        true => "none".to_string(),
        false => names.iter().cloned().collect::<Vec<_>>().join(","),
    };
    let quoted = |text: &str| format!("'{}'", text.replace('\'', "'\\''").replace(['\n', '\r'], " "));
    let extent = match &answers.extent {
        Extent::Bounds(bounds) => format!("--bounds {}", bounds.map(|side| format!("{side:?}")).join(",")),
        Extent::Area(file) => format!("--area {}", quoted(file)),
    };
    let word = |climate| CLIMATES.iter().find(|(of, ..)| *of == climate).map_or("", |(_, word, _)| word);
    let content = CONTENTS.iter().find(|(of, ..)| *of == answers.holds).map_or("", |(_, word, _)| word);
    let (first, last) = answers.baseline;
    let scenarios = answers.scenarios.as_ref().map_or_else(|| "all".to_string(), list);
    format!(
        "lentic new DIR --template {} --name {} --organism {} --crs {} --cell {} {extent} --baseline {first}-{last} --water-year-starts {} --water {content} --layers {} --climate {} --scenarios {scenarios}",
        template.name(),
        quoted(&answers.name),
        quoted(&answers.organism),
        quoted(&answers.crs),
        answers.cell_m,
        answers.water_year_starts,
        list(&answers.layers),
        word(answers.climate),
    )
}

/// Reference system, cell and extent.
fn place(wanted: &NewArgs, asks: bool, template: Template) -> Result<(String, f64, Extent), EngineError> {
    let mut raster = wanted.like.clone();
    let nothing = wanted.crs.is_none() && wanted.bounds.is_none() && wanted.area.is_none();
    if asks && raster.is_none() && nothing {
        let file = checked("A raster whose grid the study shall have (empty: none)", "", |word| match word
            .trim()
        {
            "" => Ok(()),
            file => like(Path::new(file)).map(drop).map_err(|e| e.to_string()),
        })?;
        raster = Some(file.trim()).filter(|file| !file.is_empty()).map(PathBuf::from);
    }
    let found = raster.as_deref().map(like).transpose()?;
    let crs = match (&wanted.crs, &found) {
        (Some(text), _) => reference_system(text)?,
        (None, Some(found)) => found.crs.clone(),
        (None, None) => {
            let asked = "Projected reference system in metres, as EPSG:6933; or longitude,latitude of the middle, for an equal-area one";
            let sound = |word: &str| reference_system(word).map(drop).map_err(|e| e.to_string());
            reference_system(&checked(asked, "", sound)?)?
        }
    };
    let other = found.as_ref().is_some_and(|found| found.crs != crs);
    if other && wanted.bounds.is_none() && wanted.area.is_none() && !asks {
        return Err(refuse(
            "--crs is another than that of the raster of --like, so its bounds do not hold: give --bounds or --area too, or leave out --crs",
        ));
    }
    let found = found.filter(|_| !other);
    let cell_m = match (wanted.cell, &found) {
        (Some(cell), _) => cell,
        (None, Some(found)) => found.cell_m,
        (None, None) if asks => {
            metres(&checked("Cell side, metres", &template.cell_m().to_string(), |word| {
                metres(word).map(drop)
            })?)
            .map_err(refuse)?
        }
        (None, None) => template.cell_m(),
    };
    let extent = match (wanted.bounds, &wanted.area, &found) {
        (Some(bounds), ..) => Extent::Bounds(bounds),
        (None, Some(area), _) => {
            study_area(area, &crs)?;
            Extent::Area(from_folder(&wanted.folder, area))
        }
        (None, None, Some(found)) => Extent::Bounds(found.bounds),
        (None, None, None) => {
            let sound = |word: &str| match bounds(word) {
                Ok(_) => Ok(()),
                Err(_) if Path::new(word.trim()).is_file() => {
                    study_area(Path::new(word.trim()), &crs).map_err(|e| e.to_string())
                }
                Err(said) => Err(format!("{said}, or a vector file that is there")),
            };
            let word = checked(
                "Bounds: left,bottom,right,top in metres; or a vector file of the study area",
                "",
                sound,
            )?;
            bounds(&word).map_or_else(
                |_| Extent::Area(from_folder(&wanted.folder, Path::new(word.trim()))),
                Extent::Bounds,
            )
        }
    };
    Ok((crs, cell_m, extent))
}

/// A file as the study names it: from its folder, where that can be said plainly.
fn from_folder(folder: &Path, file: &Path) -> String {
    let whole = |path: &Path| std::path::absolute(path).unwrap_or_else(|_| path.to_path_buf());
    let (folder, file) = (whole(folder), whole(file));
    let beside = folder.parent().and_then(|parent| file.strip_prefix(parent).ok());
    beside.map_or_else(|| file.display().to_string(), |beside| format!("../{}", beside.display()))
}

/// Names with commas, "all" or "none".
fn listed(option: &str, words: &str, known: &[String]) -> Result<BTreeSet<String>, EngineError> {
    match words.trim() {
        "all" => return Ok(known.iter().cloned().collect()),
        "none" | "" => return Ok(BTreeSet::new()),
        _ => {}
    }
    let names: BTreeSet<String> =
        words.split(',').map(|word| word.trim().to_string()).filter(|word| !word.is_empty()).collect();
    match names.iter().find(|name| !known.contains(name)) {
        None => Ok(names),
        Some(name) => Err(refuse(format!(
            "{option}: \"{name}\" is none of {}; give names of these with commas, all or none",
            known.join(", ")
        ))),
    }
}

fn text(given: &Option<String>, asks: bool, question: &str, default: &str) -> Result<String, EngineError> {
    match given {
        None if asks => checked(question, default, |_| Ok(())),
        given => Ok(given.clone().unwrap_or_else(|| default.to_string())),
    }
}

fn unanswered(e: dialoguer::Error) -> EngineError {
    refuse(format!("the question was not answered ({e}); run it again, or give options (lentic new --help)"))
}

/// Asks until the answer is sound.
fn checked(
    question: &str,
    default: &str,
    sound: impl Fn(&str) -> Result<(), String>,
) -> Result<String, EngineError> {
    let input = Input::<String>::with_theme(&SimpleTheme).with_prompt(question).allow_empty(true);
    let input = if default.is_empty() { input } else { input.default(default.to_string()) };
    input.validate_with(|word: &String| sound(word)).interact_text().map_err(unanswered)
}

fn choose<T: Copy + PartialEq>(question: &str, of: &[(T, String)], default: T) -> Result<T, EngineError> {
    let about: Vec<&str> = of.iter().map(|(_, about)| about.as_str()).collect();
    let at = of.iter().position(|(what, _)| *what == default).unwrap_or(0);
    let chosen = Select::with_theme(&SimpleTheme).with_prompt(question).items(&about).default(at).interact();
    let chosen = chosen.map_err(unanswered)?;
    Ok(of.get(chosen).map_or(default, |(what, _)| *what))
}

fn several(question: &str, of: &[String], marked: &[String]) -> Result<BTreeSet<String>, EngineError> {
    let at: Vec<bool> = of.iter().map(|name| marked.contains(name)).collect();
    let chosen =
        MultiSelect::with_theme(&SimpleTheme).with_prompt(question).items(of).defaults(&at).interact();
    Ok(chosen.map_err(unanswered)?.into_iter().filter_map(|at| of.get(at).cloned()).collect())
}
