//! Habitat by year: the past as dots, scenarios as lines to their horizons.

use super::svg::{Anchor, Svg, Word};
use super::{INK, LINE, MUTED, SMALL};
use crate::colour::Rgb;
use crate::number::{axis, hectares, round_step};
use crate::page::HabitatByYear;

/// Colours of the scenarios, told apart by any eye; more come again.
const LINES: [Rgb; 6] = [
    Rgb::new(0xca7614),
    Rgb::new(0x5a1414),
    Rgb::new(0x223ea0),
    Rgb::new(0x765a84),
    Rgb::new(0x034b45),
    Rgb::new(0x6892e6),
];

/// Dots of the past joined by a thin line; a line with dots for each scenario.
pub(crate) fn habitat_by_year(found: &HabitatByYear, width: f64) -> Svg {
    let mut svg = Svg::new(
        width,
        &format!(
            "Habitat area in hectares by year: {} years of the past by the water seen, and {} scenarios to their horizons.",
            found.past.len(),
            found.ways.len()
        ),
    );
    let mut legend = vec![("Past, by the water seen".to_string(), MUTED.to_string())];
    let colours = LINES.iter().cycle();
    legend.extend(
        found.ways.iter().zip(colours.clone()).map(|(way, colour)| (way.title.clone(), colour.css())),
    );
    let top = svg.legend(0.0, &legend) + 8.0;
    let all = || found.past.iter().chain(found.ways.iter().flat_map(|way| &way.points));
    let ranges = || found.range.iter().chain(found.ways.iter().flat_map(|way| &way.range));
    let most = all().map(|point| point.1).chain(ranges().map(|range| range[1]));
    let most = most.filter(|area| area.is_finite()).fold(0.0, f64::max);
    let most = if most > 0.0 { most } else { 1.0 };
    let step = round_step(most, 5);
    let most = (most / step).ceil() * step;
    let first = all().map(|point| point.0).min().unwrap_or(0);
    let last = all().map(|point| point.0).max().unwrap_or(1).max(first + 1);
    let left = 52.0;
    let (plot, high) = (width - left - 16.0, if width < SMALL { 180.0 } else { 240.0 });
    let x_of = |year: i32| left + f64::from(year - first) / f64::from(last - first) * plot;
    let y_of = |area: f64| top + high * (1.0 - area / most);
    for tick in 0..=(most / step).round() as usize {
        let area = tick as f64 * step;
        svg.line([left, y_of(area)], [left + plot, y_of(area)], LINE, 0.8);
        svg.text(left - 6.0, y_of(area) + 4.0, &axis(area), Word::new(12.0, MUTED).at(Anchor::End));
    }
    let drawn = |points: &[(i32, f64)]| -> Vec<[f64; 2]> {
        points
            .iter()
            .filter(|point| point.1.is_finite())
            .map(|(year, area)| [x_of(*year), y_of(*area)])
            .collect()
    };
    let past = drawn(&found.past);
    svg.polyline(&past, LINE, 1.0);
    past.iter().for_each(|[x, y]| svg.dot(*x, *y, 2.6, MUTED));
    let told = |year: i32, area: f64, what: &str| format!("{year}: {} ha ({what})", hectares(area));
    for (year, area) in found.past.iter().filter(|point| point.1.is_finite()) {
        svg.mark_point([x_of(*year), y_of(*area)], &told(*year, *area, "by the water seen"));
    }
    for way in &found.ways {
        for (year, area) in way.points.iter().filter(|point| point.1.is_finite()) {
            svg.mark_point([x_of(*year), y_of(*area)], &told(*year, *area, &way.title));
        }
    }
    // ways may run together for a time: the first lies on top, those beneath it are wider
    let ways: Vec<_> = found.ways.iter().zip(colours).enumerate().collect();
    for (at, (way, colour)) in ways.into_iter().rev() {
        let points = drawn(&way.points);
        svg.polyline(&points, &colour.css(), 2.0 + 1.2 * at.min(4) as f64);
        points.iter().for_each(|[x, y]| svg.dot(*x, *y, 2.6, &colour.css()));
    }
    // ranges of one year stand beside each other
    let mut taken: Vec<f64> = Vec::new();
    let start = found.ways.iter().find_map(|way| way.points.first()).map(|point| point.0);
    let bars = found.range.zip(start).map(|(range, year)| (year, range, MUTED.to_string()));
    let ends = found
        .ways
        .iter()
        .zip(LINES.iter().cycle())
        .filter_map(|(way, colour)| Some((way.points.last()?.0, way.range?, colour.css())));
    for (year, [low, high], colour) in bars.into_iter().chain(ends) {
        let mut x = x_of(year);
        while taken.iter().any(|other| (other - x).abs() < 5.0) {
            x -= 6.0;
        }
        taken.push(x);
        svg.line([x, y_of(low)], [x, y_of(high)], &colour, 2.0);
        for end in [low, high] {
            svg.line([x - 2.5, y_of(end)], [x + 2.5, y_of(end)], &colour, 2.0);
        }
    }
    let bottom = top + high;
    let every = round_step(f64::from(last - first), if width < SMALL { 4 } else { 9 }).max(1.0) as i32;
    let mut year = first + (every - first.rem_euclid(every)) % every;
    while year <= last {
        svg.line([x_of(year), bottom], [x_of(year), bottom + 5.0], MUTED, 1.0);
        svg.text(x_of(year), bottom + 19.0, &year.to_string(), Word::new(12.0, INK).at(Anchor::Middle));
        year += every;
    }
    let more = svg.axes(left, bottom + 37.0, "Year; upwards: habitat (ha)", plot);
    svg.finish(bottom + 46.0 + more)
}
