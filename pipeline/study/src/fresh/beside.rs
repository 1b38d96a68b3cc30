//! What stands beside a new study: legends to fill in, and what to put where.

use crate::options::{LayerKind, SeriesSection, StudyFile};
use std::collections::BTreeMap;
use std::fmt::Write;

/// Legends of the class layers of a study, its text and what it says, by path: the classes that the template names, with empty columns for scores that curves look for.
pub fn legends(text: &str, file: &StudyFile) -> BTreeMap<String, String> {
    let mut legends = BTreeMap::new();
    for (name, layer) in file.layers.iter().filter(|(_, layer)| layer.kind == LayerKind::Class) {
        let Some(path) = &layer.legend else { continue };
        let variables = file.requisites.values().flat_map(|requisite| &requisite.variables);
        let scores: Vec<&str> = variables
            .filter(|variable| variable.layer.as_ref() == Some(name))
            .filter_map(|variable| variable.curve.legend.as_deref())
            .collect();
        let mut legend = String::from("code,name");
        scores.iter().for_each(|column| {
            let _ = write!(legend, ",{column}");
        });
        legend.push('\n');
        for (code, class) in named_classes(text, name) {
            let _ = writeln!(legend, "{code},{class}{}", ",".repeat(scores.len()));
        }
        // two layers may share one; the first that names classes is it
        let kept = legends.entry(path.clone()).or_insert_with(String::new);
        if legend.lines().count() > kept.lines().count() {
            *kept = legend;
        }
    }
    legends
}

/// The classes of the line "In this template: 1 this, 2 that" of a layer.
fn named_classes(text: &str, layer: &str) -> Vec<(i32, String)> {
    let header = format!("[layers.{layer}]");
    let lines = text.lines().skip_while(|line| line.trim() != header).skip(1);
    let own = lines.take_while(|line| !line.starts_with('['));
    let told = own.filter_map(|line| line.strip_prefix("# In this template: ")).next().unwrap_or_default();
    let class = |part: &str| {
        let (code, name) = part.trim().split_once(' ')?;
        Some((code.parse().ok()?, name.to_string()))
    };
    told.split(", ").filter_map(class).collect()
}

/// What to put where for a study with these legends, in the order in which `lentic check` asks for it.
pub fn readme(file: &StudyFile, legends: &BTreeMap<String, String>) -> String {
    let mut told = format!(
        "# {}\n\nA study for lentic. `study.toml` says what is computed, line by line; this page says what to put where. After each step:\n\n    lentic check study.toml\n\nIt names what is missing or wrong, in this order, and ends with what to do next.\n\n",
        file.study.name
    );
    let [first, last] = &file.period.baseline;
    let _ = writeln!(told, "1. **Water**, {first} to {last}:");
    for (name, layer) in file.layers.iter().filter(|(_, layer)| layer.kind == LayerKind::WaterHistory) {
        let place = layer.files.as_deref().or(layer.file.as_deref()).unwrap_or_default();
        let _ = writeln!(
            told,
            "   `{place}` (layer `{name}`). From scenes of a satellite: `lentic water`, docs/water.md."
        );
    }
    told.push_str("2. **Layers**, each on any grid and in any reference system:\n\n   | file | layer | kind | unit |\n   |---|---|---|---|\n");
    for (name, layer) in file.layers.iter().filter(|(_, layer)| layer.kind != LayerKind::WaterHistory) {
        let kind = match layer.kind {
            LayerKind::Class => "codes, with a legend",
            LayerKind::Continuous => "numbers",
            LayerKind::Mask => "0 or 1, or a vector file",
            _ => "shares from 0 to 1",
        };
        let place = layer.files.as_deref().or(layer.file.as_deref()).unwrap_or_default();
        let unit = layer.unit.as_deref().unwrap_or_default();
        let _ = writeln!(told, "   | `{place}` | {name} | {kind} | {unit} |");
    }
    told.push_str("\n   What you do not have: take its `[layers.NAME]` out of `study.toml`, and what names it; `lentic check` shows where.\n");
    if !legends.is_empty() {
        let names: Vec<String> = legends.keys().map(|path| format!("`{path}`")).collect();
        let _ = writeln!(
            told,
            "3. **Legends**, to fill in: {}. One line for each code that occurs; score columns hold 0 (useless) to 1 (best), and are for a biologist.",
            names.join(", ")
        );
    }
    match &file.climate {
        None => told.push_str("4. **Climate**: none; water answers to the season only.\n"),
        Some(climate) => {
            told.push_str("4. **Climate**, a line a month, without gaps:\n");
            let series = [
                (&climate.precipitation, "mm a month"),
                (&climate.temperature, "mean, degrees C"),
                (&climate.anomaly, "anomaly"),
            ];
            for (series, unit) in series.iter().filter_map(|(series, unit)| Some((series.as_ref()?, unit))) {
                let _ = writeln!(told, "   {}: {unit}", series_place(series));
            }
        }
    }
    told.push_str(
        "5. Go through every number marked **placeholder** or **common practice** in `study.toml` with somebody who knows the animal and the water.\n6. `lentic run study.toml`, and read \"What is uncertain\" and \"Warnings\" in the report before the areas.\n\nAn editor that knows TOML completes and checks `study.toml` by `study.schema.json` while you type.\n\nPlaces of a rare animal are sensitive: no records and no runs in public folders (`.gitignore` here leaves them out). Field checks need permits; do not\ndisturb overwintering or nesting animals; clean, disinfect and dry boots and nets between waters. No releases on a model's word; whether a species is\nthreatened is for the assessors to judge; decisions on water are for licensed hydrologists and the authorities.\n",
    );
    told
}

fn series_place(series: &SeriesSection) -> String {
    match (&series.file, &series.layer) {
        (Some(file), _) => {
            let zone = series.zone_column.as_ref().map_or_else(String::new, |zone| format!("{zone},"));
            format!(
                "`{file}` with columns `{zone}year,month,{}`",
                series.column.as_deref().unwrap_or_default()
            )
        }
        (None, Some(layer)) => format!("layer `{layer}`"),
        _ => String::new(),
    }
}
