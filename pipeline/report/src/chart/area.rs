//! Habitat area per scenario: kept, degraded, lost, gained.

use super::svg::{Anchor, Svg, Word, fitted, wrapped};
use super::{BOLD, INK, LINE, MUTED, SMALL};
use crate::number::{axis, hectares, percent, round_step};
use crate::page::Headline;
use crate::palette::{DEGRADED, GAINED, KEPT, LOST};

/// One bar for the baseline and one per scenario. Kept, degraded and lost together are as long as
/// the baseline, whose end is dashed through; what is gained sticks out beyond it.
pub(crate) fn habitat_area(headline: &Headline, width: f64) -> Svg {
    let mut svg = Svg::new(
        width,
        "Habitat area in hectares in the baseline and in each scenario, split into kept, degraded, lost and gained.",
    );
    let longest = headline
        .rows
        .iter()
        .map(|row| row.kept_ha + row.degraded_ha + row.lost_ha + row.gained_ha)
        .fold(headline.habitat_ha, f64::max);
    // Without any habitat the axis still needs a length.
    let longest = if longest > 0.0 { longest } else { 1.0 };
    // The last label of the axis is centred on its tick, so keep half of it inside.
    let plot = width - 24.0;
    let scale = plot / longest;
    let mut y = svg.legend(
        0.0,
        &[("Kept as good", KEPT), ("Degraded", DEGRADED), ("Lost", LOST), ("Gained", GAINED)]
            .map(|(name, colour)| (name.to_string(), colour.css())),
    );
    let edge = headline.habitat_ha * scale;

    let mut bar = |svg: &mut Svg, title: &str, parts: &[(&str, f64, String)], note: &str| {
        let (name, title) = (title, wrapped(title, 13.0 * BOLD, width));
        y += svg.lines(0.0, y + 14.0, &title, Word::new(13.0, INK).bold());
        let mut x = 0.0;
        for (part, area, colour) in parts {
            svg.rect(x, y + 21.0, area * scale, 20.0, colour);
            if *area > 0.0 {
                let words = format!("{name}: {part} {} ha", hectares(*area));
                svg.mark([x, y + 21.0, area * scale, 20.0], &words);
            }
            x += area * scale;
        }
        svg.dashes([edge, y + 17.0], [edge, y + 45.0], INK);
        svg.text(0.0, y + 57.0, &fitted(note, 12.0, width), Word::new(12.0, MUTED));
        y += 70.0;
    };

    let with_range = |area: f64, range: Option<[f64; 2]>| match range {
        Some([low, high]) => {
            format!("{} ha ({} to {})", hectares(area), hectares(low), hectares(high))
        }
        None => format!("{} ha", hectares(area)),
    };
    bar(
        &mut svg,
        "Baseline",
        &[("habitat", headline.habitat_ha, KEPT.css())],
        &with_range(headline.habitat_ha, headline.range_ha),
    );
    for row in &headline.rows {
        let mut note = with_range(row.habitat_ha, row.range_ha);
        if let Some(lost) = row.lost_percent {
            note.push_str(&format!(", {} % of the baseline lost", percent(lost)));
        }
        bar(
            &mut svg,
            &row.title,
            &[
                ("kept as good", row.kept_ha, KEPT.css()),
                ("degraded", row.degraded_ha, DEGRADED.css()),
                ("lost", row.lost_ha, LOST.css()),
                ("gained", row.gained_ha, GAINED.css()),
            ],
            &note,
        );
    }
    let bottom = y;
    svg.line([0.0, bottom], [plot, bottom], LINE, 1.0);
    let step = round_step(longest, if width < SMALL { 4 } else { 8 });
    for tick in 0..=(longest / step + 1e-9).floor() as usize {
        let value = tick as f64 * step;
        let x = value * scale;
        svg.line([x, bottom], [x, bottom + 5.0], MUTED, 1.0);
        let anchor = if tick == 0 { Anchor::Start } else { Anchor::Middle };
        svg.text(x, bottom + 19.0, &axis(value), Word::new(12.0, MUTED).at(anchor));
    }
    svg.text(0.0, bottom + 37.0, "Habitat area (ha); dashed: baseline", Word::new(12.0, MUTED));
    svg.finish(bottom + 46.0)
}
