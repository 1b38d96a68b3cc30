//! Habitat lost, by zone or class and scenario.

use super::svg::{Svg, Word, fitted, text_width};
use super::{INK, LINE, MUTED};
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

    let names = (width * 0.3).min(190.0);
    let numbers = 118.0;
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
        let room = width - text_width(&area, 12.0) - 14.0;
        let name = fitted(&row.name, 13.0, room);
        svg.text(0.0, y + 13.0, &name, Word::new(13.0, INK).bold());
        svg.text(text_width(&name, 13.0) * 1.08 + 10.0, y + 13.0, &area, Word::new(12.0, MUTED));
        y += 20.0;
        for (scenario, lost) in headline.rows.iter().zip(&row.lost_ha) {
            svg.text(0.0, y + 12.0, &fitted(&scenario.title, 12.0, names - 8.0), Word::new(12.0, MUTED));
            svg.rect(names, y + 2.0, row.habitat_ha * scale, 12.0, LINE);
            svg.rect(names, y + 2.0, lost * scale, 12.0, &LOST.css());
            let mut note = format!("{} ha", hectares(*lost));
            if row.habitat_ha > 0.0 {
                note.push_str(&format!(" ({} %)", percent(100.0 * lost / row.habitat_ha)));
            }
            svg.text(names + row.habitat_ha.max(*lost) * scale + 6.0, y + 12.0, &note, Word::new(12.0, INK));
            y += 18.0;
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
