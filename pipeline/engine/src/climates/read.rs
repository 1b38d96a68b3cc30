//! Reads the weather of every climate and fits its index, with all that is wrong with it.

use super::csv::{self, Column};
use super::zones::{Zone, zones};
use super::{Climates, Kind, Label, Needed, Place, grid};
use crate::layers::{Layers, place_of_files};
use crate::tables::class_name;
use lentic_habitat::climate::{ClimateError, ClimateModel, IndexSettings, Series, YEARS_NEEDED};
use lentic_raster::Grid;
use lentic_study::settings::{Climate, IndexKind, Layer, Series as Written};
use lentic_study::source::key;
use lentic_study::{Problem, Study};
use rayon::prelude::*;
use std::collections::BTreeMap;
use std::sync::Arc;

/// Climates named in a message before the rest is only counted.
const SHOWN: usize = 6;

/// Something to be told of the study at an address of its file.
#[derive(Clone, Debug)]
pub struct Told {
    /// Address in the study file.
    pub at: String,
    /// What was found.
    pub message: String,
    /// How to mend it.
    pub help: &'static str,
    /// It lets the run go on.
    pub warning: bool,
}

/// What reading found.
#[derive(Debug, Default)]
pub struct Found {
    /// The climates, where nothing is wrong with them.
    pub climates: Option<Climates>,
    /// Problems of tables.
    pub problems: Vec<Problem>,
    /// Problems and warnings of the study and its layers.
    pub told: Vec<Told>,
}

/// A climate whose index is not fitted yet.
struct Record {
    label: Label,
    latitude: f64,
    series: Arc<Series>,
}

/// Reads and fits the climates of a study over `needed` months. Without a grid only what does not need one is looked at, and
/// there are no climates.
pub fn read(study: &Study, grid: Option<&Grid>, needed: Needed) -> Found {
    let mut found = Found::default();
    let (driver, starts) = (study.inundation.driver, study.period.water_year_starts);
    let Some(climate) = &study.climate else {
        found.climates = Some(Climates::none(driver, starts));
        return found;
    };
    let Some((place, records)) = weather(study, climate, grid, needed, &mut found) else { return found };
    let Some((place, labels, lengths)) = fitted(study, climate, place, records, &mut found) else {
        return found;
    };
    found.climates = Some(Climates {
        place: Arc::new(place),
        labels: Arc::new(labels),
        lengths: Arc::new(lengths),
        chosen: 0,
        driver,
        water_year_starts: starts,
        levels: Arc::default(),
    });
    found
}

/// The weather of every climate.
fn weather(
    study: &Study,
    climate: &Climate,
    grid: Option<&Grid>,
    needed: Needed,
    found: &mut Found,
) -> Option<(Place, Vec<Record>)> {
    let columns = csv::columns(climate, &mut found.problems);
    if !found.problems.is_empty() {
        return None;
    }
    let of_layers: Vec<(Kind, &str)> = climate
        .series()
        .filter_map(|(name, series)| match series {
            Written::Layer(layer) => Some((Kind::of(name, climate)?, layer.as_str())),
            Written::Column { .. } => None,
        })
        .collect();
    if !of_layers.is_empty() {
        let layers: Vec<(Kind, &Layer)> =
            of_layers.iter().filter_map(|(kind, name)| Some((*kind, study.layer(name)?))).collect();
        // one that cannot be used is told already
        let whole = layers.len() == of_layers.len();
        let weather =
            grid::read(study, &layers, &columns, grid, needed, &mut found.told).filter(|_| whole)?;
        let cells = weather.cells.iter().zip(weather.latitude).zip(weather.series);
        let record = |((cell, latitude), series): ((&lentic_raster::Cell, f64), Series)| Record {
            label: Label {
                id: format!("row_{}_column_{}", cell.row + 1, cell.col + 1),
                name: grid::name(*cell),
            },
            latitude: climate.latitude.unwrap_or(latitude),
            series: Arc::new(series),
        };
        return Some((Place::Grid(Box::new(weather.place)), cells.map(record).collect()));
    }
    match &climate.zones {
        Some(name) => by_zone(study, climate, name, &columns, grid, needed, found),
        None => {
            let series = csv::series(&columns, None, "", needed, &mut found.problems)?;
            let latitude =
                latitude(climate, || grid?.centre_latitude().map_err(|e| wrong_grid(found, &e)).ok())?;
            let label = Label { id: String::new(), name: "all".into() };
            Some((Place::Whole, vec![Record { label, latitude, series: Arc::new(series) }]))
        }
    }
}

/// The latitude the study gives, else that found; where neither is known there is no climate.
fn latitude(climate: &Climate, found: impl FnOnce() -> Option<f64>) -> Option<f64> {
    climate.latitude.or_else(found)
}

fn wrong_grid(found: &mut Found, error: &lentic_raster::RasterError) {
    let help = "check the bounds, or give climate.latitude";
    found.told.push(Told { at: "grid.crs".into(), message: error.to_string(), help, warning: false });
}

/// The weather of zones: every zone on the grid has its series.
fn by_zone(
    study: &Study,
    climate: &Climate,
    name: &str,
    columns: &[Column],
    grid: Option<&Grid>,
    needed: Needed,
    found: &mut Found,
) -> Option<(Place, Vec<Record>)> {
    let written = csv::zones_of(columns);
    let layer = study.layer(name);
    let on_grid: Option<BTreeMap<i32, Zone>> = match (layer, grid) {
        // a layer that cannot be read is told where layers are looked at
        (Some(layer), Some(grid)) => zones(&Layers { study, grid }, layer).ok(),
        _ => None,
    };
    let codes: Vec<i32> = match &on_grid {
        Some(zones) => zones.keys().copied().collect(),
        None => written.iter().copied().flatten().collect(),
    };
    let title = |code: i32| class_name(layer, Some(code));
    let mut all = Vec::new();
    for code in codes {
        let shown =
            if title(code) == code.to_string() { String::new() } else { format!(" ({})", title(code)) };
        let of_zone = format!(" for zone {code}{shown}");
        all.push((code, csv::series(columns, Some(code), &of_zone, needed, &mut found.problems)));
    }
    let (grid, on_grid) = (grid?, on_grid?);
    if on_grid.is_empty() && found.problems.is_empty() {
        found.told.push(Told {
            at: key("layers", name),
            message: format!("layer \"{name}\" has no zone anywhere on the grid, so no cell has a climate"),
            help: "check the layer and its no_data",
            warning: false,
        });
    }
    let strange: Vec<String> = written
        .iter()
        .flatten()
        .filter(|code| !on_grid.contains_key(code))
        .map(ToString::to_string)
        .collect();
    if !strange.is_empty() {
        let message = format!(
            "the climate has series for zones that lie nowhere on the grid and are not used: {}",
            strange.join(", ")
        );
        found.told.push(Told {
            at: key("layers", name),
            message,
            help: "check their codes, or take them out",
            warning: true,
        });
    }
    let mut records = Vec::new();
    for (code, series) in all {
        let series = series?;
        let centre = on_grid.get(&code)?.centroid(grid);
        let latitude = latitude(climate, || {
            grid.crs.to_geographic(centre).map_err(|e| wrong_grid(found, &e)).ok().map(|point| point.y)
        })?;
        let label = Label { id: format!("zone_{code}"), name: title(code) };
        records.push(Record { label, latitude, series: Arc::new(series) });
    }
    if records.is_empty() {
        return None;
    }
    let at = on_grid.keys().enumerate().map(|(at, code)| (*code, at)).collect();
    Some((Place::Zones { layer: name.to_string(), at }, records))
}

type Fitted = (Place, Vec<Label>, Vec<(usize, Vec<ClimateModel>)>);

/// Fits the index of every climate, for every length that may be used.
fn fitted(
    study: &Study,
    climate: &Climate,
    place: Place,
    records: Vec<Record>,
    found: &mut Found,
) -> Option<Fitted> {
    let (from, to) = study.period.reference;
    let too_short = (to.since(from) + 1) as usize / 12 < YEARS_NEEDED;
    let lacks = |series: &Series| series.temperature.is_none() && series.extremes.is_none();
    if too_short || (climate.index == IndexKind::Spei && records.iter().any(|record| lacks(&record.series))) {
        return None; // told with the study
    }
    let fit = |months: usize| -> Vec<Result<ClimateModel, ClimateError>> {
        let one = |record: &Record| {
            let settings = IndexSettings {
                index: climate.index,
                months,
                zero: climate.zero,
                scale: climate.scale,
                latitude: record.latitude,
                reference: study.period.reference,
            };
            ClimateModel::fit(Arc::clone(&record.series), settings)
        };
        records.par_iter().map(one).collect()
    };
    let mut lengths: Vec<(usize, Vec<Result<ClimateModel, ClimateError>>)> =
        climate.months.lengths().iter().map(|months| (*months, fit(*months))).collect();
    // Of a raster the climates without index are left out; of zones each is needed.
    let enough = |models: &[Result<ClimateModel, ClimateError>]| match place {
        Place::Grid(_) => models.iter().any(Result::is_ok),
        Place::Whole | Place::Zones { .. } => models.iter().all(Result::is_ok),
    };
    if !lengths.iter().any(|(_, models)| enough(models)) {
        let (_, models) = lengths.pop()?;
        let errors = records.iter().zip(&models);
        let errors = errors.filter_map(|(record, model)| Some((&record.label, model.as_ref().err()?)));
        tell(study, climate, errors.collect(), found);
        return None;
    }
    lengths.retain(|(_, models)| enough(models));
    let keep: Vec<bool> =
        (0..records.len()).map(|at| lengths.iter().all(|(_, models)| models[at].is_ok())).collect();
    let left_out = keep.iter().filter(|kept| !**kept).count();
    let mut place = place;
    if let Place::Grid(cells) = place {
        if left_out == keep.len() {
            let errors = lengths.iter().flat_map(|(_, models)| models.iter().zip(&records));
            let errors = errors.filter_map(|(model, record)| Some((&record.label, model.as_ref().err()?)));
            tell(study, climate, errors.collect(), found);
            return None;
        }
        if left_out > 0 {
            let first =
                records.iter().zip(&keep).find(|(_, kept)| !**kept).map(|(r, _)| r.label.name.as_str());
            let message = format!(
                "{left_out} of {} climate cells have no drought index (too few, dry or equal months) and are left out: the \
                 study is not assessed there; the first is {}",
                keep.len(),
                first.unwrap_or_default()
            );
            found.told.push(Told {
                at: "climate".into(),
                message,
                help: "fill the gaps of their series where they matter",
                warning: true,
            });
        }
        place = Place::Grid(Box::new(cells.only(&keep)));
    }
    let kept = |at: &usize| keep[*at];
    let labels = (0..records.len()).filter(kept).map(|at| records[at].label.clone()).collect();
    let lengths = lengths
        .into_iter()
        .map(|(months, models)| {
            (
                months,
                models
                    .into_iter()
                    .zip(&keep)
                    .filter(|(_, kept)| **kept)
                    .filter_map(|(m, _)| m.ok())
                    .collect(),
            )
        })
        .collect();
    Some((place, labels, lengths))
}

/// Tells why climates have no index, where the main series is: of rasters the first cell, of tables each zone.
fn tell(study: &Study, climate: &Climate, errors: Vec<(&Label, &ClimateError)>, found: &mut Found) {
    let main = if climate.index == IndexKind::Given { &climate.anomaly } else { &climate.precipitation };
    match main {
        Some(Written::Layer(name)) => {
            let (Some(layer), Some((label, error))) = (study.layer(name), errors.first()) else { return };
            let message = format!(
                "layer \"{name}\": none of its {} climate cells under the grid has an index; in the first, {}, {error}",
                errors.len(),
                label.name
            );
            found.told.push(Told { at: place_of_files(layer), message, help: "", warning: false });
        }
        Some(Written::Column { file, .. }) => {
            let more = errors.len().saturating_sub(SHOWN);
            let shown = errors.into_iter().take(SHOWN).map(|(label, error)| match label.id.as_str() {
                "" => error.to_string(),
                _ => format!("zone \"{}\": {error}", label.name),
            });
            let rest = (more > 0).then(|| format!("{more} more zones have no index"));
            found.problems.extend(shown.chain(rest).map(|message| Problem {
                file: file.clone(),
                place: None,
                message,
                help: String::new(),
                warning: false,
            }));
        }
        None => {}
    }
}
