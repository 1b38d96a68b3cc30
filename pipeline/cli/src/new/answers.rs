//! Answers for a template, from options and, where they can be asked, from questions.

use super::ask::{checked, choose, several, text};
use super::words::{CLIMATES, CONTENTS, bounds, listed, metres, month, years};
use super::{NewArgs, refuse};
use lentic_engine::EngineError;
use lentic_engine::new_study::{like, reference_system, study_area};
use lentic_study::fresh::{Answers, ClimateFrom, Extent, Template, possible_scenarios};
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

/// The template and all that it asks.
pub(super) fn answers(wanted: &NewArgs, asks: bool) -> Result<(Template, Answers), EngineError> {
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
