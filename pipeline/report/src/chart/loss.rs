//! Habitat lost, by zone or class and scenario.

use super::svg::{Svg, Word, fitted, text_width, wrapped};
use super::{BOLD, INK, LINE, MUTED, SMALL};
use crate::number::{hectares, percent};
use crate::page::{Headline, LossBreakdown, LossRow};
use crate::palette::LOST;

/// More rows than this make a chart nobody reads; the table has them all.
const MOST_ROWS: usize = 12;

/// For every zone or class the area lost in each scenario, the largest habitat first. The pale bar
/// behind is the habitat of the baseline on the same scale.
pub(crate) fn loss_breakdown(breakdown: &LossBreakdown, headline: &Headline, width: f64) -> Svg {
    let mut svg = Svg::new(
        width,
        &format!("{}: hectares lost in each scenario, beside the habitat of the baseline.", breakdown.title),
    );
    let mut rows: Vec<&LossRow> = breakdown.rows.iter().collect();
    // A stable sort: equal areas keep the order given.
    rows.sort_by(|a, b| b.habitat_ha.total_cmp(&a.habitat_ha));
    let left_out = rows.len().saturating_sub(MOST_ROWS);
    rows.truncate(MOST_ROWS);

    let widest = headline.rows.iter().map(|row| text_width(&row.title, 12.0)).fold(0.0, f64::max);
    // Names of scenarios stand beside their bars; on a small screen, or where they are long, above.
    let above = width < SMALL || widest > width * 0.4;
    let names = if above { 0.0 } else { widest + 12.0 };
    let numbers = 126.0;
    let plot = (width - names - numbers).max(40.0);
    let longest = rows.iter().map(|row| row.habitat_ha).fold(0.0, f64::max);
    let longest = if longest > 0.0 { longest } else { 1.0 };
    let scale = plot / longest;

    let mut y = svg.legend(
        0.0,
        &[("Habitat in the baseline".to_string(), LINE.to_string()), ("Lost".to_string(), LOST.css())],
    );
    for row in rows {
        let area = format!("{} ha in the baseline", hectares(row.habitat_ha));
        let room = width - text_width(&area, 12.0) - 10.0;
        svg.text_with_note(0.0, y + 13.0, &fitted(&row.name, 13.0 * BOLD, room), 13.0, &area);
        y += 20.0;
        for (scenario, lost) in headline.rows.iter().zip(&row.lost_ha) {
            let title = wrapped(&scenario.title, 12.0, width);
            y += svg.lines(0.0, y + 12.0, &title, Word::new(12.0, MUTED));
            y += if above { 16.0 } else { 0.0 };
            svg.rect(names, y + 2.0, row.habitat_ha * scale, 12.0, LINE);
            svg.rect(names, y + 2.0, lost * scale, 12.0, &LOST.css());
            let mut note = format!("{} ha", hectares(*lost));
            if row.habitat_ha > 0.0 {
                note.push_str(&format!(" ({} %)", percent(100.0 * lost / row.habitat_ha)));
            }
            let words =
                format!("{}, {}: {note} lost of {} ha", row.name, scenario.title, hectares(row.habitat_ha));
            svg.mark([names, y + 2.0, row.habitat_ha.max(*lost) * scale, 12.0], &words);
            svg.text(names + row.habitat_ha.max(*lost) * scale + 6.0, y + 12.0, &note, Word::new(12.0, INK));
            y += if above { 20.0 } else { 18.0 };
        }
        y += 12.0;
    }
    if left_out > 0 {
        let note = format!("{left_out} more with less habitat are in the table.");
        svg.text(0.0, y + 12.0, &note, Word::new(12.0, MUTED));
        y += 20.0;
    }
    svg.finish(y)
}
