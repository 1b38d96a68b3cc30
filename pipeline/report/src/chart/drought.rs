//! The drought index month by month, droughts shaded.

use super::svg::{Anchor, Svg, Word};
use super::{LINE, MUTED, SMALL};
use crate::page::Drought;
use crate::palette::{DRIER, WETTER};

/// Ground of a drought.
const SHADE: &str = "#f6e3cf";
/// The index is shown within these limits, either side of 0.
const LIMIT: f64 = 3.5;

/// Bars up (wetter) and down (drier) from 0, one per month.
pub(crate) fn drought_index(drought: &Drought, width: f64) -> Svg {
    let mut svg = Svg::new(
        width,
        &format!(
            "Drought index ({}{}) month by month; {} droughts are shaded.",
            drought.index,
            if drought.place.is_empty() { String::new() } else { format!("; {}", drought.place) },
            drought.events.len()
        ),
    );
    let entries = [
        ("Wetter than usual", WETTER.css()),
        ("Drier than usual", DRIER.css()),
        ("Drought", SHADE.to_string()),
    ];
    let top = svg.legend(0.0, &entries.map(|(name, colour)| (name.to_string(), colour)));
    let left = 26.0;
    let (plot, high) = (width - left - 8.0, if width < SMALL { 150.0 } else { 180.0 });
    let months = drought.months.len().max(1) as f64;
    let step = plot / months;
    let y_of = |value: f64| top + high / 2.0 - value.clamp(-LIMIT, LIMIT) / LIMIT * high / 2.0;
    let place = |label: &str| drought.months.iter().position(|month| month.month == label);

    for [first, last] in &drought.events {
        if let (Some(first), Some(last)) = (place(first), place(last)) {
            let x = left + first as f64 * step;
            svg.rect(x, top, (last + 1).saturating_sub(first) as f64 * step, high, SHADE);
        }
    }
    for value in -3..=3 {
        let y = y_of(f64::from(value));
        svg.line(
            [left, y],
            [left + plot, y],
            if value == 0 { MUTED } else { LINE },
            if value == 0 { 1.0 } else { 0.6 },
        );
        svg.text(left - 6.0, y + 4.0, &value.to_string(), Word::new(12.0, MUTED).at(Anchor::End));
    }
    let mut bars = [Vec::new(), Vec::new()];
    for (i, month) in drought.months.iter().enumerate() {
        if let Some(index) = month.index.filter(|index| index.is_finite()) {
            let x = left + i as f64 * step;
            let (a, b) = (y_of(index.max(0.0)), y_of(index.min(0.0)));
            bars[usize::from(index < 0.0)].push([x, a, step * 0.9, b - a]);
            svg.mark([x, top, step, high], &format!("{}: {index:.2}", month.month));
        }
    }
    svg.rects(&bars[0], &WETTER.css());
    svg.rects(&bars[1], &DRIER.css());

    // Years, as many as have room: a label is about 30 units wide.
    let bottom = top + high;
    let januaries: Vec<(usize, &str)> = drought
        .months
        .iter()
        .enumerate()
        .filter_map(|(i, month)| Some((i, month.month.strip_suffix("-01")?)))
        .collect();
    let every = [1, 2, 5, 10, 20, 50]
        .into_iter()
        .find(|every| plot / (months / 12.0) * f64::from(*every) >= 40.0)
        .unwrap_or(100);
    for (i, year) in januaries {
        if year.parse::<i32>().is_ok_and(|year| year.rem_euclid(every) == 0) {
            let x = left + i as f64 * step;
            svg.line([x, bottom], [x, bottom + 5.0], MUTED, 1.0);
            if x + 16.0 <= width && x >= 16.0 {
                svg.text(x, bottom + 19.0, year, Word::new(12.0, MUTED).at(Anchor::Middle));
            }
        }
    }
    let of = if drought.place.is_empty() { String::new() } else { format!("; {}", drought.place) };
    let note = format!("{} (standard deviations); year{of}", drought.index);
    let more = svg.axes(left, bottom + 37.0, &note, plot);
    svg.finish(bottom + 46.0 + more)
}
