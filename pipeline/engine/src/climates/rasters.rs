//! The monthly rasters of a climate: which file holds which month, whether all lie on one grid, and which months all have.

use super::csv::Values;
use super::read::Told;
use super::{Kind, Needed};
use crate::dated;
use crate::error::EngineError;
use crate::layers::{file_of, place_of_files, source_of};
use crate::stack::Image;
use lentic_raster::{RasterError, RasterSource, SourceInfo, inspect};
use lentic_study::settings::Layer;
use lentic_study::{Month, Study};
use rayon::prelude::*;
use std::collections::BTreeMap;

/// Files named in a message before the rest is only counted.
pub(super) const SHOWN: usize = 6;

/// A layer of `[climate]` with its months.
pub(super) struct Stack<'a> {
    pub kind: Kind,
    pub layer: &'a Layer,
    pub months: BTreeMap<Month, RasterSource>,
}

/// A problem with a layer.
pub(super) fn fault(layer: &Layer, message: impl std::fmt::Display, help: &'static str) -> Told {
    Told {
        at: place_of_files(layer),
        message: format!("layer \"{}\": {message}", layer.name),
        help,
        warning: false,
    }
}

/// The rasters of a layer by month.
pub(super) fn open(study: &Study, layer: &Layer) -> Result<BTreeMap<Month, RasterSource>, Vec<Told>> {
    let images = images(study, layer).map_err(|e| vec![fault(layer, e, "")])?;
    let opened: Vec<(Month, Result<RasterSource, RasterError>)> =
        images.par_iter().map(|(month, image)| (*month, source_of(layer, &image.path, image.band))).collect();
    let mut months = BTreeMap::new();
    let mut problems = Vec::new();
    let mut bad = 0;
    for (month, source) in opened {
        match source {
            Ok(source) => {
                months.insert(month, source);
            }
            Err(e) => {
                bad += 1;
                if bad <= SHOWN {
                    problems.push(fault(layer, e, ""));
                }
            }
        }
    }
    if bad > SHOWN {
        let message = format!("{} more of its rasters cannot be used", bad - SHOWN);
        problems.push(fault(layer, message, "mend the first ones and check again"));
    }
    if problems.is_empty() { Ok(months) } else { Err(problems) }
}

/// Which file and band holds which month.
fn images(study: &Study, layer: &Layer) -> Result<Vec<(Month, Image)>, EngineError> {
    let path = file_of(layer);
    if let Some(first) = layer.first_month {
        let bands = inspect(&path, 1)?.bands;
        let image = |band: usize| (first.plus(band as i32 - 1), Image { path: path.clone(), band });
        return Ok((1..=bands).map(image).collect());
    }
    let mut images = Vec::new();
    for file in dated::files(study, layer)? {
        let bands = match file.month {
            Some(month) => vec![(month, layer.band)],
            None => (1..=12).map(|month| (month, month as usize)).collect(),
        };
        let dated = bands.into_iter().filter_map(|(month, band)| {
            Some((Month::new(file.year, month)?, Image { path: file.path.clone(), band }))
        });
        images.extend(dated);
    }
    Ok(images)
}

/// Whether all rasters of a stack lie on the grid of the first layer's first.
pub(super) fn one_grid(stack: &Stack, first: &Stack, source: &RasterSource, told: &mut Vec<Told>) {
    let like = source.info();
    let near = |a: f64, b: f64, unit: f64| (a - b).abs() <= 1e-6 * unit.abs();
    for (month, other) in &stack.months {
        let info = other.info();
        let (a, b) = (like.geo_transform, info.geo_transform);
        let same = (like.width, like.height) == (info.width, info.height)
            && [0, 1].into_iter().all(|i| near(a[i], b[i], a[1]))
            && [3, 5].into_iter().all(|i| near(a[i], b[i], a[5]))
            && source.crs().same_as(other.crs());
        if !same {
            let show = |info: &SourceInfo| {
                let bounds = info.bounds();
                format!(
                    "{} x {} cells from x {}, y {} to x {}, y {}",
                    info.width, info.height, bounds.left, bounds.bottom, bounds.right, bounds.top
                )
            };
            told.push(fault(
                stack.layer,
                format!(
                    "{} ({month}) has another grid, {}, than {} of layer \"{}\", {}",
                    other.path().display(),
                    show(info),
                    source.path().display(),
                    first.layer.name,
                    show(like)
                ),
                "all rasters of [climate] must have one grid and reference system; warp them to that of one",
            ));
            return;
        }
    }
}

/// The months that all have, from the first to the last, without gaps.
pub(super) fn months(
    stacks: &[Stack],
    columns: &[(Kind, &Values)],
    needed: Needed,
    told: &mut Vec<Told>,
) -> Option<Vec<Month>> {
    let firsts = stacks.iter().map(|stack| stack.months.keys().next());
    let first = firsts.chain(columns.iter().map(|(_, v)| v.keys().next())).flatten().max().copied()?;
    let lasts = stacks.iter().map(|stack| stack.months.keys().next_back());
    let last = lasts.chain(columns.iter().map(|(_, v)| v.keys().next_back())).flatten().min().copied()?;
    let main = stacks.first()?.layer;
    if first > needed.first || last < needed.last {
        told.push(fault(
            main,
            format!(
                "the climate covers {first} to {last}, but the baseline and reference need {} to {}",
                needed.first, needed.last
            ),
            "add the missing months or shorten the periods",
        ));
    }
    let mut gaps = |layer: &Layer, what: &str, has: &dyn Fn(&Month) -> bool| {
        let missing: Vec<Month> = first.through(last).filter(|month| !has(month)).collect();
        if let Some(gap) = missing.first() {
            let message =
                format!("{what} {} of the months {first} to {last}, the first of them {gap}", missing.len());
            told.push(fault(
                layer,
                message,
                "the index needs every month; fill the gaps and say so in the study",
            ));
        }
    };
    for stack in stacks {
        gaps(stack.layer, "has no raster for", &|month| stack.months.contains_key(month));
    }
    for (_, values) in columns {
        gaps(main, "beside it a series of the whole study has no value for", &|month| {
            values.contains_key(month)
        });
    }
    Some(first.through(last).collect())
}
