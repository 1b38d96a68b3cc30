//! Which part of the uncertainty counts most: bars of Sobol indices with their intervals.

use super::svg::{Anchor, Svg, Word, fitted};
use super::{BOLD, INK, LINE, MUTED, SMALL};
use crate::page::SensitivityPanel;
use crate::palette::{DEGRADED, KEPT};

/// Height of the two bars of a part with the space below.
const ROW: f64 = 34.0;

/// One panel for each number looked at; for each part a bar of its total share and a thinner one of what it makes by itself.
pub(crate) fn sensitivity(panels: &[SensitivityPanel], width: f64) -> Svg {
    let named: Vec<String> = panels
        .iter()
        .filter_map(|panel| {
            let first = panel.parts.iter().max_by(|a, b| a.total[0].total_cmp(&b.total[0]))?;
            Some(format!("{}: most by {}", panel.title, first.name))
        })
        .collect();
    let mut svg =
        Svg::new(width, &format!("Shares of the variance by part of the uncertainty. {}.", named.join("; ")));
    let legend = [("With all it acts together with", KEPT), ("By itself", DEGRADED)];
    let mut y = svg.legend(0.0, &legend.map(|(name, colour)| (name.to_string(), colour.css())));
    let left = if width < SMALL { 0.0 } else { 176.0 };
    let plot = width - left - 24.0;
    let most = panels
        .iter()
        .flat_map(|panel| &panel.parts)
        .map(|part| part.total[2].max(part.first[2]))
        .fold(1.0, f64::max);
    let x_of = |share: f64| left + share.max(0.0) / most * plot;
    for panel in panels {
        svg.text(0.0, y + 16.0, &fitted(&panel.title, 13.0 * BOLD, width), Word::new(13.0, INK).bold());
        y += 26.0;
        for part in &panel.parts {
            let name = if part.told { part.name.clone() } else { format!("{} (not told from 0)", part.name) };
            if width < SMALL {
                svg.text(0.0, y + 10.0, &fitted(&name, 12.0, width), Word::new(12.0, INK));
                y += 16.0;
            } else {
                svg.text(
                    left - 8.0,
                    y + 14.0,
                    &fitted(&name, 12.0, left - 8.0),
                    Word::new(12.0, INK).at(Anchor::End),
                );
            }
            let share = |[value, low, top]: [f64; 3]| format!("{value:.2} ({low:.2} to {top:.2})");
            let words = format!(
                "{}, {}: {} with all it acts together with, {} by itself",
                panel.title,
                part.name,
                share(part.total),
                share(part.first)
            );
            svg.mark([left, y, plot, 21.0], &words);
            for (at, high, colour, [value, low, top]) in
                [(y, 12.0, KEPT, part.total), (y + 14.0, 7.0, DEGRADED, part.first)]
            {
                svg.rect(left, at, x_of(value) - left, high, &colour.css());
                let middle = at + high / 2.0;
                svg.line([x_of(low), middle], [x_of(top), middle], INK, 1.0);
                for end in [low, top] {
                    svg.line([x_of(end), middle - 3.0], [x_of(end), middle + 3.0], INK, 1.0);
                }
            }
            y += ROW;
        }
        svg.line([left, y], [left + plot, y], LINE, 1.0);
        for tick in [0.0, 0.25, 0.5, 0.75, 1.0] {
            svg.line([x_of(tick), y], [x_of(tick), y + 5.0], MUTED, 1.0);
            let anchor = if tick == 0.0 { Anchor::Start } else { Anchor::Middle };
            svg.text(x_of(tick), y + 19.0, &format!("{tick}"), Word::new(12.0, MUTED).at(anchor));
        }
        y += 32.0;
    }
    let more = svg.axes(0.0, y + 10.0, "Share of the variance; lines: 5 to 95 %", width);
    svg.finish(y + 18.0 + more)
}
