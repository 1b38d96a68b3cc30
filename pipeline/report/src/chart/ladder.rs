//! Habitat area against steps of drying.

use super::svg::{Anchor, Svg, Word, wrapped};
use super::{BOLD, INK, LINE, MUTED, SMALL};
use crate::number::{axis, hectares, round_step};
use crate::page::LadderCurve;
use crate::palette::{KEPT, LOST};

/// Habitat as a line with dots, and the part of it that is habitat today as a line below, hidden where both are the same.
pub(crate) fn drying_ladder(ladder: &LadderCurve, width: f64) -> Svg {
    let points: Vec<[f64; 3]> =
        ladder.points.iter().copied().filter(|point| point.iter().all(|v| v.is_finite())).collect();
    let today = points.first().map_or(0.0, |point| point[1]);
    let half = ladder.half_lost.as_ref().map_or_else(
        || "More than half of today's habitat is kept at every step".to_string(),
        |step| format!("Half of today's habitat is lost by {step}"),
    );
    let mut svg = Svg::new(
        width,
        &format!("Habitat area in hectares by {}, from {} ha today. {half}.", ladder.drying, hectares(today)),
    );
    let lower = svg.lines(0.0, 13.0, &wrapped(&half, 13.0 * BOLD, width), Word::new(13.0, INK).bold());
    let legend = [("Habitat", KEPT), ("Of it, habitat today", LOST)];
    let top = svg.legend(24.0 + lower, &legend.map(|(name, colour)| (name.to_string(), colour.css()))) + 8.0;
    let left = 52.0;
    let (plot, high) = (width - left - 14.0, if width < SMALL { 170.0 } else { 220.0 });
    let most = points.iter().map(|point| point[1].max(point[2])).fold(0.0, f64::max);
    let most = if most > 0.0 { most } else { 1.0 };
    let step = round_step(most, 5);
    let most = (most / step).ceil() * step;
    let last = points.last().map_or(1.0, |point| point[0]).max(f64::MIN_POSITIVE);
    let x_of = |value: f64| left + value / last * plot;
    let y_of = |area: f64| top + high * (1.0 - area / most);
    for tick in 0..=(most / step).round() as usize {
        let area = tick as f64 * step;
        svg.line([left, y_of(area)], [left + plot, y_of(area)], LINE, 0.8);
        svg.text(left - 6.0, y_of(area) + 4.0, &axis(area), Word::new(12.0, MUTED).at(Anchor::End));
    }
    let drawn = |at: usize| -> Vec<[f64; 2]> { points.iter().map(|p| [x_of(p[0]), y_of(p[at])]).collect() };
    svg.polyline(&drawn(2), &LOST.css(), 2.0);
    svg.polyline(&drawn(1), &KEPT.css(), 2.4);
    for [x, y] in drawn(1) {
        svg.dot(x, y, 3.0, &KEPT.css());
    }
    for [step, area, kept] in &points {
        let words = format!(
            "{} {} {}: {} ha of habitat, {} ha of it habitat today",
            ladder.drying,
            axis(*step),
            ladder.unit,
            hectares(*area),
            hectares(*kept)
        );
        svg.mark([x_of(*step) - 5.0, top, 10.0, high], &words);
    }
    let bottom = top + high;
    let step = round_step(last, if width < SMALL { 4 } else { 8 });
    for tick in 0..=(last / step + 1e-9).floor() as usize {
        let value = tick as f64 * step;
        svg.line([x_of(value), bottom], [x_of(value), bottom + 5.0], MUTED, 1.0);
        svg.text(x_of(value), bottom + 19.0, &axis(value), Word::new(12.0, MUTED).at(Anchor::Middle));
    }
    let name = format!("{} ({}); upwards: habitat (ha)", ladder.drying, ladder.unit);
    let more = svg.axes(left, bottom + 37.0, &name, plot);
    svg.finish(bottom + 46.0 + more)
}
