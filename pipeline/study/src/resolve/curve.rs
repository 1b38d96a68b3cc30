//! Response curves: exactly one kind each, and only what a curve of that kind may hold.

use super::context::Context;
use super::legend::number;
use crate::options::{CurveSection, MeasureKind, VariableSection};
use crate::settings::Curve;
use crate::source::{item, key};
use std::collections::BTreeMap;

/// The curve of a variable at `at`; `None` once its problem is told.
pub(super) fn curve(context: &mut Context<'_>, at: &str, variable: &VariableSection) -> Option<Curve> {
    let at_measure = key(at, "measure");
    let at = key(at, "curve");
    let section = &variable.curve;
    let name = kind(context, &at, section)?;
    let at_key = key(&at, name);
    let by_class = matches!(name, "classes" | "legend");
    let fits = by_class == (variable.measure == MeasureKind::Class);
    if !fits && !context.spoilt.value(&at_measure) {
        let (message, help) = if by_class {
            (
                format!("{at_key} scores classes, but the measure is not \"class\""),
                "use points, trapezoid, gaussian or logistic, or measure = \"class\"",
            )
        } else {
            (
                format!("{at_key} would calculate with class codes"),
                "give each class a score under classes, or name a score column under legend",
            )
        };
        context.problem_at_key(&at_key, message, help);
        return None;
    }
    let before = context.problems.len();
    let curve = match section {
        CurveSection { classes: Some(classes), .. } => by_code(context, &at_key, variable, classes),
        CurveSection { legend: Some(column), .. } => by_legend(context, &at_key, variable, column),
        _ => by_number(context, &at_key, section),
    };
    curve.filter(|_| context.problems.len() == before)
}

/// A curve over distance at `at`; `None` once its problem is told.
pub(super) fn of_distance(context: &mut Context<'_>, at: &str, section: &CurveSection) -> Option<Curve> {
    let name = kind(context, at, section)?;
    let at_key = key(at, name);
    if matches!(name, "classes" | "legend") {
        let message = format!("{at_key} scores classes, but this curve is over metres");
        context.problem_at_key(&at_key, message, "use points, trapezoid, gaussian or logistic");
        return None;
    }
    let before = context.problems.len();
    let curve = by_number(context, &at_key, section);
    curve.filter(|_| context.problems.len() == before)
}

/// The one key of a curve; `None` once its problem is told.
fn kind(context: &mut Context<'_>, at: &str, section: &CurveSection) -> Option<&'static str> {
    let written = keys(section);
    if context.spoilt.within(at) || (written.is_empty() && context.spoilt.open(at)) {
        return None;
    }
    let [name] = written.as_slice() else {
        let found = match written.as_slice() {
            [] => "no key".to_string(),
            several => several.join(" and "),
        };
        let message = format!("{at} has {found}; exactly one kind of curve is expected");
        let help = "one of points, trapezoid, gaussian, logistic, classes, legend";
        context.problem(at, message, help);
        return None;
    };
    Some(name)
}

/// A curve that calculates with the measure.
fn by_number(context: &mut Context<'_>, at_key: &str, section: &CurveSection) -> Option<Curve> {
    match section {
        CurveSection { points: Some(points), .. } => points_curve(context, at_key, points),
        CurveSection { trapezoid: Some(corners), .. } => trapezoid(context, at_key, *corners),
        CurveSection { gaussian: Some(bell), .. } => {
            if bell.spread <= 0.0 {
                let at = key(at_key, "spread");
                let message = format!("{at} is {}; a number above 0 is expected", bell.spread);
                context.problem(&at, message, "it is the standard deviation of the bell");
            }
            Some(Curve::Gaussian { best: bell.best, spread: bell.spread })
        }
        CurveSection { logistic: Some(rise), .. } => {
            if rise.steepness == 0.0 {
                let at = key(at_key, "steepness");
                let message = format!("{at} is 0, which scores 0.5 everywhere");
                context.problem(&at, message, "above 0 rises, below 0 falls");
            }
            Some(Curve::Logistic { middle: rise.middle, steepness: rise.steepness })
        }
        _ => None,
    }
}

fn keys(section: &CurveSection) -> Vec<&'static str> {
    [
        ("points", section.points.is_some()),
        ("trapezoid", section.trapezoid.is_some()),
        ("gaussian", section.gaussian.is_some()),
        ("logistic", section.logistic.is_some()),
        ("classes", section.classes.is_some()),
        ("legend", section.legend.is_some()),
    ]
    .into_iter()
    .filter_map(|(name, written)| written.then_some(name))
    .collect()
}

fn is_score(score: f64) -> bool {
    (0.0..=1.0).contains(&score)
}

fn points_curve(context: &mut Context<'_>, at: &str, points: &[[f64; 2]]) -> Option<Curve> {
    if points.len() < 2 {
        let message = format!("{at} has {} point(s); at least 2 are expected", points.len());
        context.problem(at, message, "write [[measure, score], [measure, score], ...]");
    }
    for (i, [x, score]) in points.iter().enumerate() {
        let at_point = item(at, i);
        if !is_score(*score) {
            let message = format!("{at_point}: score {score} is not between 0 and 1");
            context.problem(&item(&at_point, 1), message, "each point is [measure, score]");
        }
        let before = i.checked_sub(1).and_then(|i| points.get(i));
        if let Some([before, _]) = before.filter(|[before, _]| before >= x) {
            let message = format!("{at_point}: measure {x} does not lie above {before} before it");
            context.problem(&at_point, message, "points run from the lowest measure to the highest");
        }
    }
    Some(Curve::Points(points.to_vec()))
}

fn trapezoid(context: &mut Context<'_>, at: &str, corners: [f64; 4]) -> Option<Curve> {
    if corners.windows(2).any(|pair| pair[0] > pair[1]) {
        let [a, b, c, d] = corners;
        let message = format!("{at} is [{a}, {b}, {c}, {d}]; corners that do not fall are expected");
        let help = "0 up to the first, 1 from the second to the third, 0 from the fourth";
        context.problem(at, message, help);
    }
    Some(Curve::Trapezoid(corners))
}

fn by_code(
    context: &mut Context<'_>,
    at: &str,
    variable: &VariableSection,
    classes: &BTreeMap<String, f64>,
) -> Option<Curve> {
    let layer = variable.layer.as_deref().unwrap_or_default();
    let mut scores = BTreeMap::new();
    for (written, score) in classes {
        let at_class = key(at, written);
        let Ok(code) = written.trim().parse::<i32>() else {
            let message = format!("{at}: {written:?} is not a class code");
            context.problem_at_key(&at_class, message, "write codes and scores: { 1 = 0.5, 2 = 1.0 }");
            continue;
        };
        if !is_score(*score) {
            let message = format!("{at_class}: score {score} is not between 0 and 1");
            context.problem(&at_class, message, "scores run from 0 (useless) to 1 (best)");
        }
        if scores.insert(code, *score).is_some() {
            let message = format!("{at}: code {code} is written twice");
            context.problem_at_key(&at_class, message, "keep one of the two");
        }
        context.known_code(&at_class, layer, code);
    }
    if classes.is_empty() {
        context.problem(at, format!("{at} is empty"), "write codes and scores: { 1 = 0.5 }");
    }
    warn_of_missing(context, at, layer, &scores);
    Some(Curve::Classes(scores))
}

fn warn_of_missing(context: &mut Context<'_>, at: &str, layer: &str, scores: &BTreeMap<i32, f64>) {
    let Some(legend) = context.legends.get(layer) else {
        return;
    };
    let missing: Vec<String> = legend
        .rows
        .iter()
        .filter(|(code, _)| !scores.contains_key(code))
        .map(|(code, row)| format!("{code} ({})", row.name))
        .collect();
    if !missing.is_empty() {
        let message = format!("{at} has no score for class {}", missing.join(", "));
        context.warn(at, message, "a cell of such a class would stop the run");
    }
}

fn by_legend(context: &mut Context<'_>, at: &str, variable: &VariableSection, column: &str) -> Option<Curve> {
    // A layer that is missing or of the wrong kind is told by the measure.
    let layer = variable.layer.as_deref()?;
    let section = context.file.layers.get(layer)?;
    let Some(legend) = context.legends.get(layer) else {
        if section.legend.is_none() && !context.spoilt.meant(&key("layers", layer), "legend") {
            let message = format!("{at}: layer {layer:?} has no legend");
            context.problem(at, message, "add legend to the layer, or give scores under classes");
        }
        return None;
    };
    let Some(index) = legend.columns.iter().position(|c| c == column) else {
        let known = legend.columns.iter().map(String::as_str);
        let help = crate::nearest::did_you_mean(column, known, "score column in it");
        let message = format!("{at}: the legend of layer {layer:?} has no column {column:?}");
        context.problem(at, message, help);
        return None;
    };
    let mut scores = BTreeMap::new();
    let mut bad = Vec::new();
    for (code, row) in &legend.rows {
        let cell = row.cells.get(index).map_or("", String::as_str);
        match number(cell).filter(|score| is_score(*score)) {
            Some(score) => {
                scores.insert(*code, score);
            }
            None => {
                let message =
                    format!("column {column:?} of class {code} is {cell:?}; a score from 0 to 1 is expected");
                let help = "every class needs a score, as a curve of the study uses the column";
                bad.push(legend.problem(row.place, message, help));
            }
        }
    }
    context.problems.extend(bad);
    Some(Curve::Classes(scores))
}
