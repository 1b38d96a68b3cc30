//! Habitat area over changes of precipitation and temperature, as a map of cells with their numbers.

use super::svg::{Anchor, Svg, Word, text_width, wrapped};
use super::{INK, LINE, MUTED, SMALL};
use crate::colour::Rgb;
use crate::number::{axis, hectares};
use crate::page::{ClimateMark, ClimateSurface};
use crate::palette::Ramp;

/// Colours between no habitat and the most.
const COLOURS: usize = 64;
/// Height of a cell.
const CELL: f64 = 42.0;
const WHITE: &str = "#ffffff";

/// A cell for each point, deeper coloured where there is more habitat; named scenarios as numbered dots.
pub(crate) fn response_surface(surface: &ClimateSurface, width: f64) -> Svg {
    let (columns, rows) = (surface.precipitation.len(), surface.temperature_c.len());
    let mut svg = Svg::new(
        width,
        &format!(
            "Habitat area in hectares over {columns} changes of precipitation and {rows} of temperature; {} named scenarios are marked.",
            surface.marks.len()
        ),
    );
    let most = surface.habitat_ha.iter().copied().filter(|a| a.is_finite()).fold(0.0, f64::max);
    let colours = Ramp::Suitability.colours(COLOURS);
    let left = 44.0;
    let cell = (width - left - 4.0) / columns.max(1) as f64;
    let size = if width < SMALL { 11.0 } else { 12.0 };
    svg.text(0.0, 12.0, "Warmer by (degrees C)", Word::new(12.0, MUTED));
    let top = 22.0;
    let x_at = |place: f64| left + (place + 0.5) * cell;
    // the coolest row lies at the bottom
    let y_at = |place: f64| top + (rows as f64 - 0.5 - place) * CELL;
    for (row, warmth) in surface.temperature_c.iter().enumerate() {
        let word = Word::new(12.0, MUTED).at(Anchor::End);
        svg.text(left - 7.0, y_at(row as f64) + 4.0, &axis(*warmth), word);
        for column in 0..columns {
            let Some(area) = surface.habitat_ha.get(row * columns + column).filter(|a| a.is_finite()) else {
                continue;
            };
            let share = if most > 0.0 { area / most } else { 0.0 };
            let colour = colours[(share * (COLOURS - 1) as f64).round() as usize];
            let (x, y) = (x_at(column as f64), y_at(row as f64));
            svg.rect(x - cell / 2.0 + 0.5, y - CELL / 2.0 + 0.5, cell - 1.0, CELL - 1.0, &colour.css());
            let text = hectares(*area);
            let words = format!(
                "Precipitation {:+} %, {:+} degrees C: {text} ha",
                surface.precipitation[column], warmth
            );
            svg.mark([x - cell / 2.0, y - CELL / 2.0, cell, CELL], &words);
            if text_width(&text, size) <= cell - 4.0 {
                let ink = if is_dark(colour) { WHITE } else { INK };
                svg.text(x, y + 16.0, &text, Word::new(size, ink).at(Anchor::Middle));
            }
        }
    }
    let mut bottom = top + rows as f64 * CELL;
    for (column, rain) in surface.precipitation.iter().enumerate() {
        let sign = if *rain > 0.0 { "+" } else { "" };
        let text = format!("{sign}{}", axis(*rain));
        svg.text(x_at(column as f64), bottom + 15.0, &text, Word::new(12.0, MUTED).at(Anchor::Middle));
    }
    bottom += 44.0
        + svg.axes(left, bottom + 33.0, "Change of precipitation (%); cells: habitat (ha)", width - left);
    for (at, mark) in surface.marks.iter().enumerate() {
        let place = place_in(&surface.precipitation, mark.precipitation)
            .zip(place_in(&surface.temperature_c, mark.temperature_c));
        let number = (at + 1).to_string();
        let note = if let Some((column, row)) = place {
            // scenarios of one climate stand side by side
            let before = surface.marks[..at].iter().filter(|other| same_place(other, mark)).count();
            let (x, y) = (x_at(column) + 20.0 * before as f64, y_at(row) - 7.0);
            svg.dot(x, y, 9.5, WHITE);
            svg.dot(x, y, 8.5, INK);
            svg.text(x, y + 4.0, &number, Word::new(11.0, WHITE).bold().at(Anchor::Middle));
            mark.title.clone()
        } else {
            format!("{} (beyond this picture)", mark.title)
        };
        svg.line([0.0, bottom], [width, bottom], LINE, 0.5);
        svg.dot(9.0, bottom + 13.0, 8.5, INK);
        svg.text(9.0, bottom + 17.0, &number, Word::new(11.0, WHITE).bold().at(Anchor::Middle));
        let lines = wrapped(&note, 12.0, width - 26.0);
        bottom += 26.0 + svg.lines(24.0, bottom + 17.0, &lines, Word::new(12.0, INK));
    }
    svg.finish(bottom + 4.0)
}

fn same_place(one: &ClimateMark, other: &ClimateMark) -> bool {
    (one.precipitation, one.temperature_c) == (other.precipitation, other.temperature_c)
}

/// Position of a value between rising values, in steps; `None` beyond their ends.
fn place_in(values: &[f64], value: f64) -> Option<f64> {
    let at = values.windows(2).position(|pair| (pair[0]..=pair[1]).contains(&value))?;
    Some(at as f64 + (value - values[at]) / (values[at + 1] - values[at]))
}

/// Whether white words read better on a colour than dark ones, by its luma.
fn is_dark(colour: Rgb) -> bool {
    let [red, green, blue] = colour.0.map(f64::from);
    0.299 * red + 0.587 * green + 0.114 * blue < 140.0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_scenario_lies_between_its_neighbours() {
        assert_eq!(place_in(&[-40.0, -20.0, 0.0], -15.0), Some(1.25));
        assert_eq!(place_in(&[0.0, 1.0], 0.0), Some(0.0));
        assert_eq!(place_in(&[0.0, 1.0], 1.5), None);
    }
}
