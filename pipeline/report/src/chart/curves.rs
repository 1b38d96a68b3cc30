//! Response curves as small panels side by side, over the distribution of what they score.

use super::svg::{Anchor, Svg, Word, fitted, wrapped};
use super::{BOLD, INK, LINE, MUTED};
use crate::number::{axis, round_step};
use crate::page::{CurvePanel, CurveShape, Distribution};
use crate::palette::KEPT;

/// Least width of a panel.
const PANEL: f64 = 215.0;
/// Height of the plot of a panel.
const PLOT: f64 = 84.0;
/// Classes with more entries than this are cut; the study file has them all.
const MOST_CLASSES: usize = 10;
/// Fill of the bars of a distribution.
const BARS: &str = "#d9d5c8";

/// One panel per variable, titled with the variable and its requisite; scores run from 0 to 1. Behind each curve stands how often
/// each measure occurs, its height by the square root so that what is rare shows.
pub(crate) fn response_curves(panels: &[CurvePanel], width: f64) -> Svg {
    let mut svg = Svg::new(
        width,
        &format!("Response curves of {} variables: score from 0 to 1 against the measure.", panels.len()),
    );
    let columns = ((width / PANEL).floor() as usize).clamp(1, 4);
    let gap = 26.0;
    let panel_width = (width - gap * (columns - 1) as f64) / columns as f64;
    let mut y = 0.0;
    for row in panels.chunks(columns) {
        let mut tallest = 0.0f64;
        for (column, panel) in row.iter().enumerate() {
            let x = column as f64 * (panel_width + gap);
            tallest = tallest.max(draw(&mut svg, panel, x, y, panel_width));
        }
        y += tallest + 22.0;
    }
    svg.finish(y)
}

/// Draws a panel with its top left corner at (x, y) and returns its height.
fn draw(svg: &mut Svg, panel: &CurvePanel, x: f64, y: f64, width: f64) -> f64 {
    svg.text(x, y + 13.0, &fitted(&panel.variable, 13.0 * BOLD, width), Word::new(13.0, INK).bold());
    svg.text(x, y + 29.0, &fitted(&panel.requisite, 12.0, width), Word::new(12.0, MUTED));
    match &panel.shape {
        CurveShape::Line(points) => line(svg, panel, points, [x, y + 40.0], width),
        CurveShape::Classes(scores) => classes(svg, scores, &panel.distribution, [x, y + 40.0], width),
    }
}

fn line(svg: &mut Svg, panel: &CurvePanel, points: &[[f64; 2]], [x, y]: [f64; 2], width: f64) -> f64 {
    let left = x + 24.0;
    let plot = width - 34.0;
    let y_of = |score: f64| y + PLOT * (1.0 - score.clamp(0.0, 1.0));
    bars(svg, &panel.distribution, [left, y], plot);
    for score in [0.0, 0.5, 1.0] {
        svg.line([left, y_of(score)], [left + plot, y_of(score)], LINE, 0.8);
        svg.text(left - 5.0, y_of(score) + 4.0, &axis(score), Word::new(11.0, MUTED).at(Anchor::End));
    }
    let finite: Vec<[f64; 2]> =
        points.iter().copied().filter(|point| point.iter().all(|v| v.is_finite())).collect();
    let (low, high) = match &panel.distribution {
        Distribution::Bins { span: [low, high], .. } => (*low, *high),
        Distribution::Classes(_) => (0.0, 0.0),
    };
    let span = high - low;
    if span > 0.0 {
        let x_of = |value: f64| left + (value - low) / span * plot;
        let drawn: Vec<_> = finite.iter().map(|point| [x_of(point[0]), y_of(point[1])]).collect();
        svg.polyline(&drawn, &KEPT.css(), 2.2);
        // Break points are worth seeing; the many points of a smooth curve are not.
        if drawn.len() <= 8 {
            for point in &drawn {
                svg.dot(point[0], point[1], 2.6, &KEPT.css());
            }
        }
        let step = round_step(span, 4);
        let mut tick = (low / step).ceil() * step;
        while tick <= high + step * 1e-9 {
            svg.line([x_of(tick), y + PLOT], [x_of(tick), y + PLOT + 4.0], MUTED, 1.0);
            svg.text(x_of(tick), y + PLOT + 16.0, &axis(tick), Word::new(11.0, MUTED).at(Anchor::Middle));
            tick += step;
        }
    }
    if span > 0.0 {
        marks(svg, panel, &finite, [left, y], plot);
    }
    let name = match panel.unit.as_str() {
        "" => panel.measure.clone(),
        unit => format!("{} ({unit})", panel.measure),
    };
    let mut lines = wrapped(&name, 12.0, plot + 10.0);
    if lines.len() > 2 {
        let rest = lines.split_off(1).join(" ");
        lines.push(fitted(&rest, 12.0, plot + 10.0));
    }
    let more = svg.lines(left, y + PLOT + 32.0, &lines, Word::new(12.0, MUTED));
    40.0 + PLOT + 34.0 + more
}

/// A mark for each bin: the score in its middle and how much of the ground lies in it.
fn marks(svg: &mut Svg, panel: &CurvePanel, points: &[[f64; 2]], [left, y]: [f64; 2], plot: f64) {
    let Distribution::Bins { span: [low, high], cells, below, above } = &panel.distribution else { return };
    let all = cells.iter().sum::<u64>() + below + above;
    let width = plot / cells.len().max(1) as f64;
    for (bin, count) in cells.iter().enumerate() {
        let value = low + (high - low) * (bin as f64 + 0.5) / cells.len() as f64;
        let Some(score) = between(points, value) else { continue };
        let unit = if panel.unit.is_empty() { String::new() } else { format!(" {}", panel.unit) };
        let words = format!(
            "{}: {}{unit} scores {score:.2}; {} of the cells",
            panel.variable,
            axis((value * 100.0).round() / 100.0),
            share(*count, all)
        );
        svg.mark([left + bin as f64 * width, y, width, PLOT], &words);
    }
}

/// The score at a measure on the straight lines between points; that of the ends beyond them.
fn between(points: &[[f64; 2]], value: f64) -> Option<f64> {
    let (first, last) = (points.first()?, points.last()?);
    if value <= first[0] || value >= last[0] {
        return Some(if value <= first[0] { first[1] } else { last[1] });
    }
    let [a, b] = points.windows(2).map(|pair| [pair[0], pair[1]]).find(|[_, b]| value <= b[0])?;
    Some(if b[0] > a[0] { a[1] + (b[1] - a[1]) * (value - a[0]) / (b[0] - a[0]) } else { b[1] })
}

/// The bars of a distribution, as wide as the plot; what lies beyond it is told in words.
fn bars(svg: &mut Svg, distribution: &Distribution, [left, y]: [f64; 2], plot: f64) {
    let Distribution::Bins { cells, below, above, .. } = distribution else { return };
    let all = cells.iter().sum::<u64>() + below + above;
    let most = cells.iter().copied().max().unwrap_or(0);
    if most > 0 {
        let width = plot / cells.len() as f64;
        let bar = |(at, cells): (usize, &u64)| {
            let height = PLOT * (*cells as f64 / most as f64).sqrt();
            [left + at as f64 * width, y + PLOT - height, width, height]
        };
        let drawn: Vec<[f64; 4]> =
            cells.iter().enumerate().filter(|(_, cells)| **cells > 0).map(bar).collect();
        svg.rects(&drawn, BARS);
    }
    for (beyond, at, anchor) in [(below, left, Anchor::Start), (above, left + plot, Anchor::End)] {
        if *beyond > 0 {
            let side = if matches!(anchor, Anchor::Start) { "below" } else { "above" };
            let text = format!("{} {side}", share(*beyond, all));
            svg.text(at, y - 3.0, &text, Word::new(10.0, MUTED).at(anchor));
        }
    }
}

/// A share in percent; what is there at all is never 0 %.
fn share(part: u64, whole: u64) -> String {
    match 100.0 * part as f64 / whole.max(1) as f64 {
        0.0 => "0 %".to_string(),
        percent if percent < 1.0 => "<1 %".to_string(),
        percent => format!("{percent:.0} %"),
    }
}

fn classes(
    svg: &mut Svg,
    scores: &[(String, Option<f64>)],
    distribution: &Distribution,
    [x, y]: [f64; 2],
    width: f64,
) -> f64 {
    let cells: &[u64] = match distribution {
        Distribution::Classes(cells) => cells,
        Distribution::Bins { .. } => &[],
    };
    let all: u64 = cells.iter().sum();
    let shares = if all > 0 { 36.0 } else { 0.0 };
    let names = width * 0.5 - shares / 2.0;
    let plot = width - names - 34.0 - shares;
    let mut at = y;
    for (index, (name, score)) in scores.iter().enumerate().take(MOST_CLASSES) {
        svg.text(x, at + 11.0, &fitted(name, 12.0, names - 8.0), Word::new(12.0, INK));
        if let Some(cells) = cells.get(index) {
            let word = Word::new(11.0, MUTED).at(Anchor::End);
            svg.text(x + width, at + 11.0, &share(*cells, all), word);
        }
        svg.rect(x + names, at + 2.0, plot, 10.0, "#eceeec");
        let told = score.map_or("no score".to_string(), |score| format!("scores {}", axis(score)));
        let ground = cells.get(index).map_or(String::new(), |n| format!("; {} of the cells", share(*n, all)));
        svg.mark([x + names, at + 2.0, plot, 10.0], &format!("{name} {told}{ground}"));
        let label = match score {
            Some(score) => {
                svg.rect(x + names, at + 2.0, score.clamp(0.0, 1.0) * plot, 10.0, &KEPT.css());
                axis(*score)
            }
            None => "none".to_string(),
        };
        svg.text(x + width - shares, at + 11.0, &label, Word::new(11.0, MUTED).at(Anchor::End));
        at += 17.0;
    }
    if scores.len() > MOST_CLASSES {
        let more = format!("and {} more classes", scores.len() - MOST_CLASSES);
        svg.text(x, at + 11.0, &more, Word::new(11.0, MUTED));
        at += 17.0;
    }
    svg.text(x + names, at + 11.0, "score (0 to 1)", Word::new(11.0, MUTED));
    if all > 0 {
        svg.text(x + width, at + 11.0, "cells", Word::new(11.0, MUTED).at(Anchor::End));
    }
    40.0 + (at + 15.0 - y)
}
