//! The number of animals year by year, a panel for each scenario.

use super::svg::{Anchor, Svg, Word, wrapped};
use super::{BOLD, INK, LINE, MUTED, SMALL};
use crate::number::{axis, percent, round_step};
use crate::page::PopulationPath;
use crate::palette::KEPT;

/// Ground of the range.
const BAND: &str = "#bcd5d0";

/// Median over the range of the courses, one panel under the other on one scale of years and animals; room is dashed.
pub(crate) fn population_paths(paths: &[PopulationPath], width: f64) -> Svg {
    let mut svg = Svg::new(
        width,
        "Number of animals year by year in each scenario: median and range over the courses drawn, and the room that habitat has.",
    );
    let entries = [("Median", KEPT.css()), ("5 to 95 % of the courses", BAND.to_string())];
    let mut y = svg.legend(0.0, &entries.map(|(name, colour)| (name.to_string(), colour)));
    let most = paths
        .iter()
        .flat_map(|p| p.years.iter().map(|range| range[2]).chain(p.room))
        .filter(|v| v.is_finite())
        .fold(1.0, f64::max);
    let step = round_step(most, 3);
    let most = (most / step).ceil() * step;
    let first = paths.iter().map(|p| p.first_year).min().unwrap_or(0);
    let last =
        paths.iter().map(|p| p.first_year + p.years.len().max(1) as i32 - 1).max().unwrap_or(first + 1);
    let span = f64::from((last - first).max(1));
    let (left, high) = (46.0, if width < SMALL { 74.0 } else { 86.0 });
    let plot = width - left - 16.0;
    let x_of = |year: f64| left + (year - f64::from(first)) / span * plot;
    for path in paths {
        let title = wrapped(&path.title, 13.0 * BOLD, width);
        y += svg.lines(0.0, y + 14.0, &title, Word::new(13.0, INK).bold());
        let end = path.years.last().map_or([f64::NAN; 3], |range| *range);
        let told = format!(
            "{} animals at the end ({} to {}); lost in {} % of the courses",
            axis(end[1].round()),
            axis(end[0].round()),
            axis(end[2].round()),
            percent(100.0 * path.lost_share)
        );
        let told = wrapped(&told, 12.0, width);
        y += svg.lines(0.0, y + 30.0, &told, Word::new(12.0, MUTED)) + 38.0;
        let y_of = |animals: f64| y + high * (1.0 - (animals / most).clamp(0.0, 1.0));
        for tick in 0..=(most / step).round() as usize {
            let value = tick as f64 * step;
            svg.line([left, y_of(value)], [left + plot, y_of(value)], LINE, 0.8);
            svg.text(left - 6.0, y_of(value) + 4.0, &axis(value), Word::new(12.0, MUTED).at(Anchor::End));
        }
        let year = |at: usize| x_of(f64::from(path.first_year) + at as f64);
        let ends = [year(0), year(path.years.len().max(1) - 1)];
        // the range of a year reaches to half way to the next
        let half = plot / span / 2.0;
        let bars: Vec<[f64; 4]> = path
            .years
            .iter()
            .enumerate()
            .filter(|(_, range)| range.iter().all(|v| v.is_finite()))
            .map(|(at, range)| {
                let from = (year(at) - half).max(ends[0]);
                let to = (year(at) + half).min(ends[1]);
                [from, y_of(range[2]), to - from, y_of(range[0]) - y_of(range[2])]
            })
            .collect();
        svg.rects(&bars, BAND);
        for (at, range) in
            path.years.iter().enumerate().filter(|(_, range)| range.iter().all(|v| v.is_finite()))
        {
            let [low, median, top] = range.map(|animals| axis(animals.round()));
            let words =
                format!("{}, {}: {median} animals ({low} to {top})", path.title, path.first_year + at as i32);
            svg.mark([year(at) - half, y, 2.0 * half, high], &words);
        }
        svg.dashes([ends[0], y_of(path.room[0])], [ends[1], y_of(path.room[1])], INK);
        let median: Vec<[f64; 2]> =
            path.years.iter().enumerate().map(|(at, range)| [year(at), y_of(range[1])]).collect();
        svg.polyline(&median, &KEPT.css(), 2.2);
        y += high + 12.0;
    }
    let every = round_step(span, if width < SMALL { 4 } else { 8 }).max(1.0);
    let mut tick = (f64::from(first) / every).ceil() * every;
    while tick <= f64::from(last) {
        svg.line([x_of(tick), y], [x_of(tick), y + 5.0], MUTED, 1.0);
        svg.text(x_of(tick), y + 19.0, &format!("{tick:.0}"), Word::new(12.0, MUTED).at(Anchor::Middle));
        tick += every;
    }
    let note = "Year; upwards: animals older than hatchlings, dashed: room";
    let more = svg.axes(left, y + 37.0, note, plot);
    svg.finish(y + 46.0 + more)
}
