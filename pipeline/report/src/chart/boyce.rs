//! Records against suitability: the curve of the continuous Boyce index.

use super::svg::{Anchor, Svg, Word};
use super::{INK, LINE, MUTED, SMALL};
use crate::number::{axis, round_step};
use crate::page::BoyceCurve;
use crate::palette::KEPT;

/// Height of a name of a threshold.
const NAME: f64 = 15.0;

/// Ratio over suitability, with a guide at 1 and the thresholds, which rise, marked.
pub(crate) fn boyce_curve(curve: &BoyceCurve, width: f64) -> Svg {
    let index = match (curve.index, curve.range) {
        (Some(index), Some([low, high])) => {
            format!("Continuous Boyce index {index:.2} ({low:.2} to {high:.2})")
        }
        (Some(index), None) => format!("Continuous Boyce index {index:.2}"),
        (None, _) => "The continuous Boyce index has no value here".to_string(),
    };
    let mut svg = Svg::new(width, &format!("Share of records over share of ground by suitability. {index}."));
    svg.text(0.0, 13.0, &index, Word::new(13.0, INK).bold());
    let finite: Vec<[f64; 2]> =
        curve.points.iter().copied().filter(|p| p.iter().all(|v| v.is_finite())).collect();
    let (left, top) = (40.0, 30.0 + NAME * curve.thresholds.len() as f64);
    let (plot, high) = (width - left - 12.0, if width < SMALL { 170.0 } else { 210.0 });
    let most = finite.iter().map(|p| p[1]).fold(1.0, f64::max);
    let step = round_step(most, 5);
    let most = (most / step).ceil() * step;
    let x_of = |score: f64| left + score.clamp(0.0, 1.0) * plot;
    let y_of = |ratio: f64| top + high * (1.0 - (ratio / most).clamp(0.0, 1.0));
    for tick in 0..=(most / step).round() as usize {
        let ratio = tick as f64 * step;
        svg.line([left, y_of(ratio)], [left + plot, y_of(ratio)], LINE, 0.8);
        svg.text(left - 6.0, y_of(ratio) + 4.0, &axis(ratio), Word::new(12.0, MUTED).at(Anchor::End));
    }
    svg.dashes([left, y_of(1.0)], [left + plot, y_of(1.0)], INK);
    // A row for each name, to the right of its line, lines further right beginning lower; the other way round where the
    // last name would run out of the picture. So no line runs through a name.
    let rightwards = curve.thresholds.iter().all(|(_, score)| *score < 0.75);
    for (turn, (name, score)) in curve.thresholds.iter().enumerate() {
        let row = if rightwards { turn } else { curve.thresholds.len() - 1 - turn };
        let (x, y) = (x_of(*score), 30.0 + NAME * row as f64);
        svg.line([x, y - 8.0], [x, top + high], MUTED, 1.2);
        let (x, anchor) = if rightwards { (x + 4.0, Anchor::Start) } else { (x - 4.0, Anchor::End) };
        svg.text(x, y, &format!("{name} {score:.2}"), Word::new(12.0, MUTED).at(anchor));
    }
    let drawn: Vec<[f64; 2]> = finite.iter().map(|p| [x_of(p[0]), y_of(p[1])]).collect();
    svg.polyline(&drawn, &KEPT.css(), 2.2);
    for ([score, ratio], at) in finite.iter().zip(&drawn) {
        svg.mark_point(*at, &format!("Suitability {}: {ratio:.2} times as common as ground", axis(*score)));
    }
    let bottom = top + high;
    for tick in 0..=5 {
        let score = f64::from(tick) / 5.0;
        svg.line([x_of(score), bottom], [x_of(score), bottom + 5.0], MUTED, 1.0);
        svg.text(x_of(score), bottom + 19.0, &axis(score), Word::new(12.0, MUTED).at(Anchor::Middle));
    }
    let note = "Suitability; upwards: records over ground, dashed where they are as common";
    let more = svg.axes(left, bottom + 37.0, note, plot);
    svg.finish(bottom + 46.0 + more)
}
