//! Drawing: Halton points in order from a random start, kept inside each stratum.

use super::map::{ClassMap, FinishedRun, Stratum, strata};
use super::plan::{Plan, Wanted, plan};
use super::sheet::{self, EMPTY, yes_no};
use super::target::{LAYER, RECORD, TABLE, WAYPOINTS, Writing, outside};
use super::{CAUTIONS, M2_PER_HA};
use crate::error::{EngineError, io};
use crate::progress::Progress;
use crate::run::VERSION;
use crate::stages::{bands, grid_cells};
use lentic_numerics::halton::{Frame, FrameCell};
use lentic_raster::{
    Attribute, AttributeValues, Cell, Grid, Point, RasterError, Waypoint, Window, to_wgs84, write_points,
    write_waypoints,
};
use rayon::prelude::*;
use serde_json::json;
use std::collections::BinaryHeap;
use std::path::{Path, PathBuf};

/// Name of the layer of points.
const LAYER_NAME: &str = "survey_points";

/// What to draw.
#[derive(Clone, Debug, PartialEq)]
pub struct DrawOptions {
    /// The map whose classes are the strata.
    pub map: String,
    /// Folder of the survey; beside the run folder if not given.
    pub out: Option<PathBuf>,
    /// How large a sample.
    pub wanted: Wanted,
    /// Seed of the starts; the study's if not given.
    pub seed: Option<u64>,
}

/// A stratum as drawn.
#[derive(Clone, Debug, PartialEq)]
pub struct DrawnStratum {
    /// Code on the map.
    pub code: u8,
    /// Name.
    pub name: String,
    /// Cells.
    pub cells: u64,
    /// Area, hectares.
    pub area_ha: f64,
    /// User's accuracy expected.
    pub accuracy: f64,
    /// Points.
    pub points: u64,
    /// Reserve points.
    pub reserve: u64,
}

/// What was drawn.
#[derive(Clone, Debug, PartialEq)]
pub struct Drawn {
    /// Folder of the survey.
    pub folder: PathBuf,
    /// Identifier of the run.
    pub run_id: String,
    /// The map.
    pub map: String,
    /// The seed.
    pub seed: u64,
    /// Strata by code.
    pub strata: Vec<DrawnStratum>,
    /// Points the wanted standard error would take with the best shares; `None` where a number was given.
    pub asked: Option<u64>,
    /// Standard error of overall accuracy to expect.
    pub standard_error: Option<f64>,
    /// What to know before going out.
    pub notes: Vec<String>,
}

/// A point drawn.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct SurveyPoint {
    /// Name: P for points, R for reserve points, numbered from north to south, so that it tells no stratum.
    pub id: String,
    /// Place of its stratum among the strata.
    pub stratum: usize,
    /// Order within its stratum, from 1; reserve points follow the points.
    pub order: u64,
    /// Whether it is a reserve point.
    pub reserve: bool,
    /// Its cell.
    pub cell: Cell,
    /// Centre of the cell on the run's grid.
    pub at: Point,
    /// The same as longitude and latitude on WGS 84.
    pub wgs84: Point,
}

/// Draws a survey over a finished run and leaves its folder.
///
/// # Errors
/// No run, no such map, settings that cannot be, a stratum with fewer cells than points, or a folder that may hold field
/// work; then nothing is written.
pub fn draw(run: &Path, options: &DrawOptions, progress: &dyn Progress) -> Result<Drawn, EngineError> {
    let run = FinishedRun::open(run)?;
    let map = ClassMap::open(&run, &options.map)?;
    let folder = options.out.clone().unwrap_or_else(|| default_folder(&run.folder, &map.name));
    outside(&run.folder, &folder)?;
    let writing = Writing::start(&folder)?;
    let seed = options.seed.unwrap_or(run.record.seed);
    progress.start("measuring strata", 0);
    let strata = strata(&map, &run, seed)?;
    let plan = plan(&map.name, &strata, &options.wanted)?;
    progress.start("drawing points", 0);
    let points = points(&map, &strata, &plan)?;
    progress.finish();
    write(&writing, &map, &strata, &points)?;
    let drawn = summary(folder, &run, &map, seed, &strata, &plan, options.wanted.points.all);
    let record = record(&drawn, &run, &options.wanted, &writing)?;
    let path = writing.folder().join(RECORD);
    std::fs::write(&path, format!("{record:#}\n")).map_err(io(&path))?;
    writing.publish()?;
    Ok(drawn)
}

/// Beside the run folder, which the next run replaces.
fn default_folder(run: &Path, map: &str) -> PathBuf {
    let whole = if run.file_name().is_some() { None } else { run.canonicalize().ok() };
    let parent = whole.as_deref().unwrap_or(run).parent().unwrap_or(Path::new(""));
    parent.join(format!("survey-{map}"))
}

/// Cells of each stratum with the least rank from its start: the Halton points that lie in it, in order.
fn ranked(
    map: &ClassMap,
    strata: &[Stratum],
    frame: &Frame,
    most: &[usize],
) -> Result<Vec<Vec<Cell>>, EngineError> {
    let mut place = [None; 256];
    for (at, stratum) in strata.iter().enumerate() {
        place[usize::from(stratum.code)] = Some(at);
    }
    let indices = frame.indices(map.grid.cols as u64, map.grid.rows as u64);
    let starts: Vec<u64> = strata.iter().map(|stratum| frame.index(frame_cell(stratum.start))).collect();
    let windows: Vec<Window> = bands(&map.grid).collect();
    let found = windows
        .par_iter()
        .map(|window| {
            let mut least: Vec<BinaryHeap<(u64, Cell)>> = vec![BinaryHeap::new(); strata.len()];
            for ((row, col), code) in grid_cells(*window).zip(map.read(window)?) {
                let Some(at) = place[usize::from(code)] else { continue };
                let Some(index) = indices.get(row, col) else { continue };
                let (cell, rank) = (Cell { row, col }, frame.rank(starts[at], index));
                let heap = &mut least[at];
                if heap.len() < most[at] {
                    heap.push((rank, cell));
                } else if heap.peek().is_some_and(|(last, _)| rank < *last) {
                    heap.pop();
                    heap.push((rank, cell));
                }
            }
            Ok(least)
        })
        .collect::<Result<Vec<_>, EngineError>>()?;
    let mut all: Vec<Vec<(u64, Cell)>> = vec![Vec::new(); strata.len()];
    for (at, heap) in found.into_iter().flat_map(|least| least.into_iter().enumerate()) {
        all[at].extend(heap);
    }
    let first = |(mut ranked, most): (Vec<(u64, Cell)>, &usize)| {
        // no two cells share a rank
        ranked.sort_unstable();
        ranked.into_iter().take(*most).map(|(_, cell)| cell).collect()
    };
    Ok(all.into_iter().zip(most).map(first).collect())
}

fn frame_cell(cell: Cell) -> FrameCell {
    FrameCell { row: cell.row as u64, col: cell.col as u64 }
}

/// The smallest frame that holds a grid.
fn frame(grid: &Grid) -> Result<Frame, RasterError> {
    Frame::covering(grid.cols as u64, grid.rows as u64).ok_or_else(|| {
        RasterError::Grid(format!(
            "{} rows and {} columns are too many to draw from; use larger cells",
            grid.rows, grid.cols
        ))
    })
}

/// The points, by stratum and order.
fn points(map: &ClassMap, strata: &[Stratum], plan: &Plan) -> Result<Vec<SurveyPoint>, EngineError> {
    let most: Vec<usize> = plan.shares.iter().map(|share| (share.points + share.reserve) as usize).collect();
    let cells = ranked(map, strata, &frame(&map.grid)?, &most)?;
    let mut points = Vec::new();
    for ((stratum, cells), share) in cells.into_iter().enumerate().zip(&plan.shares) {
        for (order, cell) in (1u64..).zip(cells) {
            let at = map.grid.centre(cell);
            let reserve = order > share.points;
            points.push(SurveyPoint { id: String::new(), stratum, order, reserve, cell, at, wgs84: at });
        }
    }
    let places: Vec<Point> = points.iter().map(|point| point.at).collect();
    for (point, wgs84) in points.iter_mut().zip(to_wgs84(&map.grid, &places)?) {
        point.wgs84 = wgs84;
    }
    for (reserve, letter) in [(false, 'P'), (true, 'R')] {
        let mut of: Vec<&mut SurveyPoint> =
            points.iter_mut().filter(|point| point.reserve == reserve).collect();
        of.sort_by_key(|point| point.cell);
        for (number, point) in (1..).zip(of) {
            point.id = format!("{letter}{number:04}");
        }
    }
    Ok(points)
}

/// Writes table, layer and waypoints.
fn write(
    writing: &Writing,
    map: &ClassMap,
    strata: &[Stratum],
    points: &[SurveyPoint],
) -> Result<(), EngineError> {
    let folder = writing.folder();
    sheet::write(&folder.join(TABLE), &map.name, strata, points)?;
    let places: Vec<Point> = points.iter().map(|point| point.at).collect();
    write_points(&folder.join(LAYER), &map.grid.crs, LAYER_NAME, &places, &attributes(map, strata, points))?;
    let mut waypoints: Vec<Waypoint> = points
        .iter()
        .map(|point| Waypoint {
            at: point.wgs84,
            name: point.id.clone(),
            kind: if point.reserve { "reserve" } else { "point" }.into(),
        })
        .collect();
    // by name, so that the order tells no stratum either
    waypoints.sort_by(|a, b| a.name.cmp(&b.name));
    write_waypoints(&folder.join(WAYPOINTS), &waypoints)?;
    Ok(())
}

/// The columns of the table, for the layer.
fn attributes(map: &ClassMap, strata: &[Stratum], points: &[SurveyPoint]) -> Vec<Attribute> {
    let column = |name: &str, values| Attribute { name: name.into(), values };
    let text = |name: &str, of: &dyn Fn(&SurveyPoint) -> String| {
        column(name, AttributeValues::Text(points.iter().map(|point| Some(of(point))).collect()))
    };
    let whole = |name: &str, of: &dyn Fn(&SurveyPoint) -> u64| {
        column(name, AttributeValues::Integer(points.iter().map(|p| i64::try_from(of(p)).ok()).collect()))
    };
    let real = |name: &str, of: &dyn Fn(&SurveyPoint) -> f64| {
        column(name, AttributeValues::Real(points.iter().map(|point| Some(of(point))).collect()))
    };
    let mut all = vec![
        text("id", &|p| p.id.clone()),
        text("map", &|_| map.name.clone()),
        whole("stratum", &|p| u64::from(strata[p.stratum].code)),
        text("stratum_name", &|p| strata[p.stratum].name.clone()),
        whole("stratum_cells", &|p| strata[p.stratum].cells),
        real("x", &|p| p.at.x),
        real("y", &|p| p.at.y),
        real("longitude", &|p| p.wgs84.x),
        real("latitude", &|p| p.wgs84.y),
        whole("order", &|p| p.order),
        text("reserve", &|p| yes_no(p.reserve).into()),
    ];
    all.extend(EMPTY.map(|name| column(name, AttributeValues::Text(vec![None; points.len()]))));
    all
}

fn summary(
    folder: PathBuf,
    run: &FinishedRun,
    map: &ClassMap,
    seed: u64,
    strata: &[Stratum],
    plan: &Plan,
    given: Option<u64>,
) -> Drawn {
    let strata: Vec<DrawnStratum> = strata
        .iter()
        .zip(&plan.shares)
        .map(|(stratum, share)| DrawnStratum {
            code: stratum.code,
            name: stratum.name.clone(),
            cells: stratum.cells,
            area_ha: stratum.area_m2 / M2_PER_HA,
            accuracy: share.accuracy,
            points: share.points,
            reserve: share.reserve,
        })
        .collect();
    Drawn {
        folder,
        run_id: run.record.run_id.clone(),
        map: map.name.clone(),
        seed,
        notes: notes(&map.name, &strata, plan, given),
        strata,
        asked: plan.asked,
        standard_error: plan.standard_error,
    }
}

fn notes(map: &str, strata: &[DrawnStratum], plan: &Plan, given: Option<u64>) -> Vec<String> {
    let mut notes = Vec::new();
    if map != "habitat_baseline" && (map.starts_with("habitat_") || map.starts_with("change_")) {
        notes.push(
            "This map is a projection: what observers find today tells how good the baseline is, not whether the projection comes true. Keep the points for a \
             second visit."
                .into(),
        );
    }
    let total: u64 = strata.iter().map(|stratum| stratum.points).sum();
    match (plan.asked, given) {
        (Some(asked), _) if asked != total => notes.push(format!(
            "Shared out at its best the standard error would take {asked} points; by area, with the minimum of each stratum and what was set by hand, it is {total}."
        )),
        (None, Some(given)) if given != total => notes.push(format!(
            "Of {given} points asked for, the minimum of each stratum and what was set by hand make {total}."
        )),
        _ => {}
    }
    if strata.len() == 1 {
        notes.push(
            "The map has only one class with cells; a survey over it cannot tell what the map leaves out."
                .into(),
        );
    }
    notes
}

/// How the survey was drawn, for `survey.json`.
fn record(
    drawn: &Drawn,
    run: &FinishedRun,
    wanted: &Wanted,
    writing: &Writing,
) -> Result<serde_json::Value, EngineError> {
    let strata: Vec<_> = drawn
        .strata
        .iter()
        .map(|stratum| {
            json!({
                "code": stratum.code,
                "name": stratum.name,
                "cells": stratum.cells,
                "area_ha": stratum.area_ha,
                "expected_users_accuracy": stratum.accuracy,
                "points": stratum.points,
                "reserve": stratum.reserve,
            })
        })
        .collect();
    let given = wanted.points.all.is_some();
    Ok(json!({
        "program": format!("lentic {VERSION}"),
        "run_id": drawn.run_id,
        "study": run.record.study.name,
        "map": drawn.map,
        "seed": drawn.seed,
        "standard_error_wanted": (!given).then_some(wanted.standard_error),
        "points_asked": drawn.asked.or(wanted.points.all),
        "standard_error_expected": drawn.standard_error,
        "minimum": wanted.minimum,
        "reserve_share": wanted.reserve,
        "strata": strata,
        "files": writing.checksums()?,
        "notes": drawn.notes,
        "cautions": CAUTIONS,
    }))
}
