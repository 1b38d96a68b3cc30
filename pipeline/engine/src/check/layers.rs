//! What can be known of every layer before computing: whether it can be read, lies on the grid, and holds
//! only codes that its legend names and its curves score.

use super::{Checker, SHOWN};
use crate::error::EngineError;
use crate::layers::{Layers, file_of, is_vector, place_of_files, source_of};
use crate::stack::{Image, Stack};
use lentic_raster::{
    Bounds, Grid, NO_CLASS, Point, RasterError, SourceInfo, Window, inspect, tiles, vector_bounds,
};
use lentic_study::settings::{Curve, Layer, LayerKind, Measure, Role};
use lentic_study::source::{item, key};
use lentic_study::{Problem, Source, Study};
use rayon::prelude::*;
use std::collections::BTreeSet;

/// Cells a side of the tiles legends are compared in.
const SCAN: usize = 1024;

impl Checker<'_> {
    /// Whether the file can be opened at all; all that can be asked where the grid is not known.
    pub(super) fn opens(&mut self, layer: &Layer) {
        let path = file_of(layer);
        // stacks are opened where their months are read
        if is_vector(&path) || layer.kind == LayerKind::WaterHistory || layer.is_monthly() {
            return;
        }
        if let Err(e) = inspect(&path, layer.band) {
            self.problem(&place_of_files(layer), format!("layer \"{}\": {e}", layer.name), "");
        }
    }

    pub(super) fn layer(&mut self, layer: &Layer, grid: &Grid, stack: Option<&Stack>) {
        if layer.is_monthly() {
            return; // read with the climate
        }
        let at = place_of_files(layer);
        let path = file_of(layer);
        if is_vector(&path) {
            match vector_bounds(&path, &grid.crs) {
                Ok(bounds) => self.overlap(layer, &at, bounds, grid),
                Err(e) => self.problem(&at, format!("layer \"{}\": {e}", layer.name), ""),
            }
            return;
        }
        if layer.kind == LayerKind::WaterHistory {
            if let Some(stack) = stack {
                self.images(layer, &at, grid, stack);
            }
            return;
        }
        match inspect(&path, layer.band).and_then(|info| bounds_on(&info, grid)) {
            Ok(bounds) => self.overlap(layer, &at, bounds, grid),
            Err(e) => {
                self.problem(&at, format!("layer \"{}\": {e}", layer.name), "");
                return;
            }
        }
        let layers = Layers { study: self.study, grid };
        let outcome = match layer.kind {
            LayerKind::Class => self.codes(layer, &layers, &at),
            _ => layers.numbers(layer, last_row(grid)).map(drop),
        };
        if let Err(e) = outcome {
            self.problem(&at, format!("layer \"{}\": {e}", layer.name), "");
        }
    }

    fn overlap(&mut self, layer: &Layer, at: &str, bounds: Bounds, grid: &Grid) {
        let own = grid.bounds();
        if apart(bounds, own) {
            let show =
                |b: Bounds| format!("x {:.0} to {:.0}, y {:.0} to {:.0}", b.left, b.right, b.bottom, b.top);
            self.problem(
                at,
                format!(
                    "layer \"{}\" does not overlap the grid: it covers {}, the grid {}",
                    layer.name,
                    show(bounds),
                    show(own)
                ),
                "check grid.crs, grid.bounds and the layer's own reference system",
            );
        }
    }

    /// Opens every water file and reads its last row, where a file cut short shows.
    fn images(&mut self, layer: &Layer, at: &str, grid: &Grid, stack: &Stack) {
        let layers = Layers { study: self.study, grid };
        let (mut bad, mut away) = (0, Vec::new());
        let images: Vec<&Image> = stack.images.values().flatten().collect();
        let probed = images.par_iter().map(|image| -> Result<_, EngineError> {
            let source = source_of(layer, &image.path, image.band)?;
            let bounds = bounds_on(source.info(), grid)?;
            Ok((bounds, Stack::probe(&layers, layer, &source, last_row(grid))))
        });
        // told in the order of the months, whoever was first
        let probed: Vec<Result<_, EngineError>> = probed.collect();
        for (index, (image, probed)) in images.iter().zip(probed).enumerate() {
            let outcome = probed.and_then(|(bounds, read)| {
                match index {
                    // one that lies elsewhere says it for all
                    0 => self.overlap(layer, at, bounds, grid),
                    _ if apart(bounds, grid.bounds()) => away.push(image.path.clone()),
                    _ => {}
                }
                read
            });
            if let Err(e) = outcome {
                bad += 1;
                if bad <= SHOWN {
                    self.problem(at, format!("layer \"{}\": {e}", layer.name), "");
                }
            }
        }
        away.dedup();
        if let Some(first) = away.first() {
            let message = format!(
                "layer \"{}\": {} of its files do not overlap the grid and say nothing of it, first {}",
                layer.name,
                away.len(),
                first.display()
            );
            self.warn(at, message, "check their place with gdalinfo");
        }
        if bad > SHOWN {
            let message =
                format!("layer \"{}\": {} more of its files cannot be used", layer.name, bad - SHOWN);
            self.problem(at, message, "mend the first ones and check again");
        }
    }

    /// Compares the codes that occur with the legend and with the curves that score them.
    fn codes(&mut self, layer: &Layer, layers: &Layers, at: &str) -> Result<(), EngineError> {
        let of_windows =
            tiles(layers.grid, SCAN).into_par_iter().map(|window| -> Result<BTreeSet<i32>, EngineError> {
                let mut codes = layers.codes(layer, window)?;
                // cells in a row are often of one class
                codes.dedup();
                Ok(codes.into_iter().collect())
            });
        // of errors the first in the order of the windows
        let of_windows: Vec<Result<BTreeSet<i32>, EngineError>> = of_windows.collect();
        let mut found = BTreeSet::new();
        for codes in of_windows {
            found.extend(codes?);
        }
        found.remove(&NO_CLASS);
        self.codes_named(layer, &found);
        self.codes_scored(layer, &found);
        self.codes_crossed(layer, &found);
        if found.is_empty() {
            self.warn(
                at,
                format!("layer \"{}\" has no class anywhere on the grid", layer.name),
                "check where the layer lies, and its value for no data",
            );
        }
        Ok(())
    }

    /// Whether the legend names every code that occurs; a code missing from a shared legend is told once.
    fn codes_named(&mut self, layer: &Layer, found: &BTreeSet<i32>) {
        let Some(legend) = &layer.legend else { return };
        let mut lacking: Vec<i32> =
            found.iter().filter(|c| !legend.classes.contains_key(c)).copied().collect();
        lacking.retain(|code| self.lacking.insert((legend.path.clone(), *code)));
        if let Some(codes) = list(&lacking) {
            self.problems.push(Problem {
                file: legend.path.clone(),
                place: None,
                message: format!(
                    "the legend of layer \"{}\" has no line for code {codes}, found in {}",
                    layer.name,
                    file_of(layer).display()
                ),
                help: "add a line for each code that occurs, or declare the code as no_data".into(),
                warning: false,
            });
        }
    }

    /// Whether every variable that scores the layer scores every code that occurs.
    fn codes_scored(&mut self, layer: &Layer, found: &BTreeSet<i32>) {
        for (requisite, variable) in self.study.variables() {
            let (Measure::Class(of), Curve::Classes(scores)) = (&variable.measure, &variable.curve) else {
                continue;
            };
            if *of != layer.name && !layer_replaces(self.study, &layer.name, of) {
                continue;
            }
            let at = curve_of(self.source, &requisite.name, &variable.name);
            let mut unscored: Vec<i32> =
                found.iter().filter(|code| !scores.contains_key(code)).copied().collect();
            // Scores of a legend follow its lines: a code it is known to lack needs no second word.
            if let Some(legend) = self.study.layer(of).and_then(|of| of.legend.as_ref())
                && self.source.has(&key(&at, "legend"))
            {
                unscored.retain(|code| !self.lacking.contains(&(legend.path.clone(), *code)));
            }
            if let Some(codes) = list(&unscored) {
                let message = format!(
                    "variable \"{}\" gives no score to code {codes}, which occurs in layer \"{}\"",
                    variable.name, layer.name
                );
                self.problem(&at, message, "score every class that occurs");
            }
        }
    }

    /// Whether every code that occurs has a resistance, where the layer is crossed.
    fn codes_crossed(&mut self, layer: &Layer, found: &BTreeSet<i32>) {
        let Some(crossing) = &self.study.patches.crossing else { return };
        let of = &crossing.layer;
        if *of != layer.name && !layer_replaces(self.study, &layer.name, of) {
            return;
        }
        let at = "patches.crossing";
        let mut unknown: Vec<i32> =
            found.iter().filter(|code| !crossing.resistance.contains_key(code)).copied().collect();
        // Resistances of a legend follow its lines: a code it is known to lack needs no second word.
        let (by_legend, by_code) = (key(at, "legend"), key(at, "resistance"));
        if let Some(legend) = self.study.layer(of).and_then(|of| of.legend.as_ref())
            && self.source.has(&by_legend)
        {
            unknown.retain(|code| !self.lacking.contains(&(legend.path.clone(), *code)));
        }
        if let Some(codes) = list(&unknown) {
            let message = format!(
                "patches.crossing gives no resistance to code {codes}, which occurs in layer \"{}\"",
                layer.name
            );
            let at = if self.source.has(&by_legend) { by_legend } else { by_code };
            self.problem(
                &at,
                message,
                "give every class that occurs a resistance of 1 or more, or \"impassable\"",
            );
        }
    }
}

/// Address of a variable's curve. Its place in the list is looked up in the file, as a study with problems
/// may hold fewer variables.
fn curve_of(source: &Source, requisite: &str, variable: &str) -> String {
    let at = key(&key("requisites", requisite), "variables");
    let written = source.value().get("requisites").and_then(|all| all.get(requisite));
    let written = written.and_then(|requisite| requisite.get("variables")).and_then(|list| list.as_array());
    let mut names =
        written.into_iter().flatten().map(|entry| entry.get("name").and_then(|name| name.as_str()));
    let index = names.position(|name| name == Some(variable));
    index.map_or(at.clone(), |index| key(&item(&at, index), "curve"))
}

/// Whether a layer stands in for the land cover `of` in some scenario.
fn layer_replaces(study: &Study, name: &str, of: &str) -> bool {
    study.layer(of).is_some_and(|layer| layer.role == Some(Role::LandCover))
        && study.scenarios.iter().any(|s| s.land_cover.as_deref() == Some(name))
}

/// The codes with commas; `None` where there are none.
fn list(codes: &[i32]) -> Option<String> {
    let codes: Vec<String> = codes.iter().map(ToString::to_string).collect();
    (!codes.is_empty()).then(|| codes.join(", "))
}

fn last_row(grid: &Grid) -> Window {
    Window { row: grid.rows - 1, col: 0, rows: 1, cols: grid.cols }
}

/// The rectangle a source covers, in the coordinates of the grid: its edges carried over at regular steps.
fn bounds_on(info: &SourceInfo, grid: &Grid) -> Result<Bounds, RasterError> {
    const STEPS: usize = 16;
    let (width, height) = (info.width as f64, info.height as f64);
    let at = |col: f64, row: f64| Point {
        x: info.geo_transform[0] + col * info.geo_transform[1],
        y: info.geo_transform[3] + row * info.geo_transform[5],
    };
    let Some(crs) = &info.crs else {
        return Ok(info.bounds());
    };
    let mut points: Vec<Point> = (0..=STEPS)
        .flat_map(|step| {
            let share = step as f64 / STEPS as f64;
            [
                at(share * width, 0.0),
                at(share * width, height),
                at(0.0, share * height),
                at(width, share * height),
            ]
        })
        .collect();
    if !crs.same_as(&grid.crs) {
        crs.transform(&grid.crs, &mut points)?;
    }
    let least = |value: fn(&Point) -> f64| points.iter().map(value).fold(f64::INFINITY, f64::min);
    let most = |value: fn(&Point) -> f64| points.iter().map(value).fold(f64::NEG_INFINITY, f64::max);
    Ok(Bounds { left: least(|p| p.x), bottom: least(|p| p.y), right: most(|p| p.x), top: most(|p| p.y) })
}

/// Whether two rectangles share no ground; one without extent shares none, nor one whose sides are no numbers.
fn apart(bounds: Bounds, own: Bounds) -> bool {
    let overlap = bounds.left.max(own.left) < bounds.right.min(own.right)
        && bounds.bottom.max(own.bottom) < bounds.top.min(own.top);
    !overlap
}
