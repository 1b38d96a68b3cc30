//! A new study from a template and a few answers, its comments kept.
//!
//! The templates are those of `configs/`, whole files that run as they stand on layers of their description. [`fill`] puts answers into one
//! and takes out what hangs on layers, climate or scenarios that there are none of; [`legends`] and [`readme`] are what stands beside it.

mod beside;
mod sheet;
mod template;
#[cfg(test)]
mod tests;

pub use beside::{legends, readme};
pub use template::Template;

use crate::options::{MeasureKind, RequisiteSection, StudyFile, WaterContent};
use sheet::Sheet;
use std::collections::BTreeSet;
use toml::Value;

/// Where the climate comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ClimateFrom {
    /// One table of monthly rain and temperature.
    Table,
    /// A table with lines for each zone.
    Zones,
    /// Monthly rasters of rain and temperature.
    Rasters,
    /// A table of anomalies that are ready-made.
    Anomalies,
    /// Nowhere: water answers to the season only.
    None,
}

/// Where the grid lies.
#[derive(Clone, Debug, PartialEq)]
pub enum Extent {
    /// Left, bottom, right, top, metres.
    Bounds([f64; 4]),
    /// A vector file, as the study is to name it.
    Area(String),
}

/// What is known of a new study.
#[derive(Clone, Debug, PartialEq)]
pub struct Answers {
    /// Name of the basin.
    pub name: String,
    /// The animal.
    pub organism: String,
    /// Projected reference system.
    pub crs: String,
    /// Cell side, metres.
    pub cell_m: f64,
    /// Where the grid lies.
    pub extent: Extent,
    /// First and last year of the baseline.
    pub baseline: (i32, i32),
    /// First calendar month of the water year.
    pub water_year_starts: u32,
    /// What the water files hold.
    pub holds: WaterContent,
    /// Names of the layers there are, besides the water.
    pub layers: BTreeSet<String>,
    /// Where the climate comes from.
    pub climate: ClimateFrom,
    /// Names of the scenarios wanted; `None` for all that the rest allows.
    pub scenarios: Option<BTreeSet<String>>,
    /// The words that make the same study again, for its head; empty for none.
    pub told: String,
}

/// Fewest years a drought index is fitted on, and how many are advised (WMO-No. 1090).
const FEWEST_YEARS: i32 = 10;
const YEARS_ADVISED: i32 = 30;

/// Scenarios of a study whose climate is another than its template's; the numbers are placeholders like the template's own.
const LOWER_INDEX: &str = r#"[[scenarios]]
name = "lower-index"
title = "Index 0.8 standard deviations lower in every month"
horizon = 2050
index_shift = -0.8                           # standard deviations, one number or twelve. placeholder"#;
const DRIER: &str = r#"[[scenarios]]
name = "drier"
title = "15 % less rain, 1 degree warmer"
horizon = 2050
precipitation = -15.0                        # percent, one number or twelve. placeholder
temperature_c = 1.0                          # degrees C, one number or twelve. placeholder"#;

/// The text of a study: the template with the answers in their places.
///
/// What needs a layer, a climate or a ground there is none of is left out with its paragraph: variables, then requisites without variables,
/// crossing, scenarios. A fall of the water table without ground takes the template's number of logits per metre.
pub fn fill(template: Template, answers: &Answers) -> String {
    let mut sheet = Sheet::of(template.text());
    head(&mut sheet, answers);
    period(&mut sheet, answers);
    water(&mut sheet, answers);
    let native = native_climate(&sheet);
    climate(&mut sheet, answers, native);
    layers(&mut sheet, answers);
    needs(&mut sheet, answers);
    scenarios(&mut sheet, answers, native);
    sheet.text()
}

/// Names and titles of the scenarios that a study can have.
pub fn possible_scenarios(template: Template, answers: &Answers) -> Vec<(String, String)> {
    let all = Answers { scenarios: None, ..answers.clone() };
    let sheet = Sheet::of(&fill(template, &all));
    let named = |table: Value| {
        let of = |key: &str| Some(table.get(key)?.as_str()?.to_string());
        Some((of("name")?, of("title")?))
    };
    sheet.tables("[[scenarios]]").into_iter().filter_map(named).collect()
}

fn quoted(text: &str) -> String {
    Value::String(text.trim().to_string()).to_string()
}

fn head(sheet: &mut Sheet, answers: &Answers) {
    let told = match answers.told.as_str() {
        "" => String::new(),
        told => format!("# Written by\n#   {told}\n#\n"),
    };
    // a convention of editors for TOML: where the schema lies
    sheet.begin_with(&format!("#:schema ./study.schema.json\n{told}"));
    sheet.set("[study]", "name", &quoted(&answers.name));
    sheet.set("[study]", "organism", &quoted(&answers.organism));
    sheet.set("[grid]", "crs", &quoted(&answers.crs));
    sheet.set("[grid]", "cell_m", &format!("{:?}", answers.cell_m));
    match &answers.extent {
        Extent::Bounds(bounds) => sheet.set("[grid]", "bounds", &format!("{bounds:?}")),
        Extent::Area(file) => {
            sheet.comment_out("[grid]", "bounds");
            sheet.put_in_force("[grid]", "area");
            sheet.set("[grid]", "area", &quoted(file));
        }
    }
}

fn period(sheet: &mut Sheet, answers: &Answers) {
    let (first, last) = answers.baseline;
    let months = |from: i32| format!("[\"{from:04}-01\", \"{last:04}-12\"]");
    sheet.set("[period]", "baseline", &months(first));
    let short = last - first + 1 < FEWEST_YEARS;
    if answers.climate == ClimateFrom::None || !short {
        sheet.comment_out("[period]", "reference");
    } else {
        sheet.put_in_force("[period]", "reference");
        sheet.set("[period]", "reference", &months(last - YEARS_ADVISED + 1));
    }
    sheet.set("[period]", "water_year_starts", &answers.water_year_starts.to_string());
}

fn water(sheet: &mut Sheet, answers: &Answers) {
    let at = "[layers.water]";
    let word = match answers.holds {
        WaterContent::Mask => "mask",
        WaterContent::Fraction => "fraction",
        WaterContent::Depth => "depth",
    };
    if sheet.string(at, "holds").as_deref() == Some(word) {
        return;
    }
    sheet.set(at, "holds", &quoted(word));
    // codes of masks, or a limit in the unit of the template, mean nothing in other files
    sheet.drop_line(at, "unobserved");
    sheet.drop_line(at, "wet_at");
    sheet.drop_line(at, "unit");
    match answers.holds {
        WaterContent::Mask => {
            sheet.add(at, "unobserved = [255]                           # codes for \"not seen\" that the files do not declare as no data");
        }
        WaterContent::Fraction => {
            sheet.add(at, "wet_at = 0.5                                 # share of the cell under water from which it is wet; default [0.5]");
        }
        WaterContent::Depth => {
            sheet.add(at, "wet_at = 0.0                                 # wet where the depth is above this, in the unit of the files; default [0]");
        }
    }
}

fn native_climate(sheet: &Sheet) -> ClimateFrom {
    match sheet.string("[climate]", "index").as_deref() {
        Some("given") => ClimateFrom::Anomalies,
        _ => ClimateFrom::Table,
    }
}

fn climate(sheet: &mut Sheet, answers: &Answers, native: ClimateFrom) {
    let at = "[climate]";
    let asked = answers.climate;
    let weather = |rain: &str, warmth: &str| {
        format!(
            "precipitation = {rain}  # mm a month\ntemperature = {warmth}  # mean, degrees C; \"spei\" needs it\nindex = \"spei\"                               # \"spi\" (rain only) or \"spei\" (rain less evaporative demand, needed for warming)"
        )
    };
    let series = match asked {
        ClimateFrom::Table if native == ClimateFrom::Table => return,
        ClimateFrom::Anomalies if native == ClimateFrom::Anomalies => return,
        ClimateFrom::None => {
            sheet.remove(at);
            sheet.set("[inundation]", "driver", "\"season\"");
            return;
        }
        ClimateFrom::Table => weather(
            r#"{ file = "climate/monthly.csv", column = "precipitation_mm" }"#,
            r#"{ file = "climate/monthly.csv", column = "temperature_c" }"#,
        ),
        ClimateFrom::Zones => weather(
            r#"{ file = "climate/by_zone.csv", column = "precipitation_mm", zone_column = "zone" }"#,
            r#"{ file = "climate/by_zone.csv", column = "temperature_c", zone_column = "zone" }"#,
        ),
        ClimateFrom::Rasters => {
            for (name, unit, what) in [("rain", "mm", "precipitation"), ("warmth", "degrees C", "mean temperature")] {
                sheet.insert_before("# ---- climate and water", &format!(
                    "[layers.{name}]\nfiles = \"climate/{name}_{{year}}-{{month}}.tif\"  # {what} by month, on a grid of its own; or {{year}} alone: twelve bands\nkind = \"continuous\"\nunit = \"{unit}\"\nsource = \"who made the climate grid\""
                ));
            }
            weather(r#"{ layer = "rain" }"#, r#"{ layer = "warmth" }"#)
        }
        ClimateFrom::Anomalies => "anomaly = { file = \"climate/anomaly.csv\", column = \"anomaly\" }  # columns year, month, anomaly\nscale_kind = \"standardised\"                # standard deviations from the mean; or \"percent of normal\" (100 is normal)\nindex = \"given\"                              # months below says over how many they were summed".to_string(),
    };
    for key in ["precipitation", "temperature", "anomaly", "scale_kind", "index"] {
        sheet.drop_line(at, key);
    }
    sheet.add_first(at, &series);
}

fn layers(sheet: &mut Sheet, answers: &Answers) {
    let known = |name: &str| {
        let of_climate = matches!(name, "rain" | "warmth") && answers.climate == ClimateFrom::Rasters;
        name == "water" || of_climate || answers.layers.contains(name)
    };
    let gone: Vec<String> = sheet.names_under("layers").into_iter().filter(|name| !known(name)).collect();
    for name in &gone {
        sheet.remove(&format!("[layers.{name}]"));
    }
    if !known("ground") {
        sheet.put_in_force("[inundation]", "logits_per_metre");
    }
    let group = sheet.string("[inundation]", "groups");
    if group.is_some_and(|group| !known(&group)) {
        sheet.comment_out("[inundation]", "groups");
    }
    for at in ["[suitability]", "[patches.crossing]"] {
        let named = sheet.table(at).and_then(|table| table.get("barriers").cloned());
        let all = match &named {
            Some(Value::Array(names)) => names.iter().all(|name| name.as_str().is_some_and(known)),
            Some(Value::Table(names)) => names.keys().all(|name| known(name)),
            _ => true,
        };
        if !all {
            sheet.comment_out(at, "barriers");
        }
    }
    let crossed = sheet.string("[patches.crossing]", "layer");
    if crossed.is_some_and(|layer| !known(&layer)) {
        sheet.remove("[patches.crossing]");
    }
    // by default the ladder takes rain away
    if matches!(answers.climate, ClimateFrom::None | ClimateFrom::Anomalies)
        && sheet.table("[drying_ladder]").is_some_and(|table| table.get("drawdown_m").is_none())
    {
        sheet.comment_out("[drying_ladder]", "precipitation_loss");
        sheet.put_in_force("[drying_ladder]", "drawdown_m");
    }
}

/// Takes out variables that cannot be measured, then what hangs on them.
fn needs(sheet: &mut Sheet, answers: &Answers) {
    let has = |name: &str| answers.layers.contains(name);
    let weather = !matches!(answers.climate, ClimateFrom::None | ClimateFrom::Anomalies);
    let measured = |variable: &crate::options::VariableSection| {
        let layer = variable.layer.as_deref().is_none_or(has);
        layer
            && match variable.measure {
                MeasureKind::Depth => has("depth"),
                MeasureKind::Slope => has("ground"),
                MeasureKind::WaterQuality => has("depth") && has("pools"),
                MeasureKind::WetAndWarmMonths => weather,
                _ => true,
            }
    };
    let names = sheet.names_under("requisites");
    for name in &names {
        let at = format!("[[requisites.{name}.variables]]");
        let read = |table: &Value| table.clone().try_into().is_ok_and(|variable| measured(&variable));
        sheet.keep(&at, read);
        if sheet.tables(&at).is_empty() {
            sheet.remove(&format!("[requisites.{name}]"));
        }
    }
    let left = sheet.names_under("requisites");
    for name in &left {
        let at = format!("[requisites.{name}]");
        let near = sheet
            .table(&at)
            .and_then(|table| Some(table.get("near")?.get("requisite")?.as_str()?.to_string()));
        if near.is_some_and(|near| !left.contains(&near)) {
            sheet.comment_out(&at, "near");
        }
    }
}

fn scenarios(sheet: &mut Sheet, answers: &Answers, native: ClimateFrom) {
    let at = "[[scenarios]]";
    let has = |name: &str| answers.layers.contains(name);
    let climate = match answers.climate {
        _ if sheet.string("[inundation]", "driver").as_deref() == Some("season") => ClimateFrom::None,
        ClimateFrom::Zones | ClimateFrom::Rasters => ClimateFrom::Table,
        other => other,
    };
    let measured: BTreeSet<String> = requisites(sheet)
        .iter()
        .flat_map(|requisite| &requisite.variables)
        .filter_map(|variable| variable.layer.clone())
        .collect();
    let possible = |table: &Value| {
        let changes = |keys: &[&str]| keys.iter().any(|key| table.get(key).is_some());
        let by_zone = table.get("drawdown_m").is_some_and(Value::is_table);
        let cover = table.get("land_cover").and_then(Value::as_str);
        let quality = table.get("water_quality").and_then(Value::as_table);
        (!changes(&["precipitation", "temperature_c"]) || climate == ClimateFrom::Table)
            && (!changes(&["index_shift"]) || climate == ClimateFrom::Anomalies)
            && (!changes(&["replay"]) || climate != ClimateFrom::None)
            && (!by_zone || has("zones"))
            && cover.is_none_or(|cover| has(cover) && has("land_cover") && measured.contains("land_cover"))
            && quality.is_none_or(|layers| layers.keys().all(|layer| measured.contains(layer)))
    };
    sheet.keep(at, possible);
    let added = match (native, climate) {
        (ClimateFrom::Table, ClimateFrom::Anomalies) => Some(LOWER_INDEX),
        (ClimateFrom::Anomalies, ClimateFrom::Table) => Some(DRIER),
        _ => None,
    };
    if let Some(added) = added {
        sheet.insert_before("# ---- network", added);
    }
    replayed(sheet, answers.baseline);
    if let Some(wanted) = &answers.scenarios {
        let named = |table: &Value| {
            table.get("name").and_then(Value::as_str).is_some_and(|name| wanted.contains(name))
        };
        sheet.keep(at, named);
    }
}

/// Puts years of the baseline that was answered in the place of a template's that lie outside it.
fn replayed(sheet: &mut Sheet, (first, last): (i32, i32)) {
    let at = "[[scenarios]]";
    let years = |table: &Value| {
        let year = |key: &str| table.get("replay")?.get(key)?.as_integer();
        year("from").zip(year("to"))
    };
    let outside = sheet.tables(at).iter().filter_map(years).any(|(from, to)| {
        // the last water year may end in the calendar year after
        from < i64::from(first) || to >= i64::from(last)
    });
    if outside {
        let to = (first + 9).min(last - 1).max(first);
        sheet.set_where(
            at,
            "replay",
            "title",
            &quoted(&format!("The years from {first} to {to} come again")),
        );
        sheet.set_where(at, "replay", "replay", &format!("{{ from = {first}, to = {to} }}"));
    }
}

fn requisites(sheet: &Sheet) -> Vec<RequisiteSection> {
    let file: Result<StudyFile, _> = toml::from_str(&sheet.text());
    file.map(|file| file.requisites.into_values().collect()).unwrap_or_default()
}
