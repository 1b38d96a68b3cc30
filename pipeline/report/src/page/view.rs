//! The words and numbers of the page, as the template reads them.

use super::numbers::Numbers;
use super::patches::linked;
use super::{HeadlineRow, MethodNote, PageInput, ProtocolPart};
use crate::number::{cell, hectares, percent};
use crate::record::{Input, RunRecord};
use crate::table::{Table, Values};
use serde::Serialize;

/// More rows of a table are left to its file.
const MOST_ROWS: usize = 300;
/// Parts of the reporting protocol, in its order, with their names in links and their titles.
const PARTS: [(ProtocolPart, &str, &str); 5] = [
    (ProtocolPart::Overview, "overview", "Overview"),
    (ProtocolPart::Data, "data", "Data"),
    (ProtocolPart::Model, "model", "Model"),
    (ProtocolPart::Assessment, "assessment", "Assessment"),
    (ProtocolPart::Prediction, "prediction", "Prediction"),
];

#[derive(Serialize)]
pub(super) struct View<'a> {
    record: &'a RunRecord,
    baseline: Card,
    scenarios: Vec<Card>,
    assessed: String,
    not_assessed_total: String,
    holds: Vec<String>,
    goes_first: Vec<String>,
    uncertain: Vec<String>,
    warnings: Vec<String>,
    notes: Vec<String>,
    tables: Vec<TableView<'a>>,
    parts: Vec<PartView<'a>>,
    references: Vec<ReferenceView<'a>>,
    sources: Vec<Source<'a>>,
    not_assessed: Vec<[String; 2]>,
    cautions: Vec<String>,
    cite: &'a str,
    grid: String,
}

/// The baseline or a scenario in the summary.
#[derive(Serialize, Default)]
struct Card {
    title: String,
    habitat: String,
    range: Option<String>,
    /// Equivalent connected area, hectares.
    connected: Option<String>,
    lost_percent: Option<String>,
    /// Name, hectares, share of the baseline in percent (for the bar, plain), class of the swatch.
    parts: Vec<Part>,
}

#[derive(Serialize)]
struct Part {
    name: &'static str,
    class: &'static str,
    hectares: String,
    /// Share of the bar, percent.
    share: String,
}

#[derive(Serialize)]
struct TableView<'a> {
    name: &'a str,
    title: &'a str,
    number: Option<usize>,
    note: String,
    columns: Vec<ColumnView<'a>>,
    rows: Vec<RowView>,
    left_out: usize,
}

#[derive(Serialize)]
struct ColumnView<'a> {
    name: &'a str,
    label: String,
    unit: &'a str,
    description: &'a str,
    number: bool,
}

#[derive(Serialize)]
struct RowView {
    /// The patch of the map whose own row this is.
    id: Option<i64>,
    cells: Vec<CellView>,
}

#[derive(Serialize)]
struct CellView {
    /// As shown; empty where missing.
    shown: String,
    /// In full, for sorting and download; `None` where missing.
    value: Option<String>,
    /// The patch of the map that the cell names.
    patch: Option<i64>,
}

/// A part of the reporting protocol.
#[derive(Serialize)]
struct PartView<'a> {
    name: &'static str,
    title: &'static str,
    notes: Vec<MethodView<'a>>,
}

#[derive(Serialize)]
struct MethodView<'a> {
    title: &'a str,
    paragraphs: Vec<String>,
    formulas: &'a [String],
}

#[derive(Serialize)]
struct ReferenceView<'a> {
    text: &'a str,
    doi: &'a str,
}

/// A layer with its files.
#[derive(Serialize)]
struct Source<'a> {
    layer: &'a str,
    files: String,
    size: String,
    source: &'a str,
    licence: &'a str,
    date: &'a str,
    blake3: &'a str,
    /// What the server told of a single file that lies on one.
    server: String,
}

pub(super) fn view<'a>(input: &'a PageInput<'a>, numbers: &Numbers) -> View<'a> {
    let referred = |lines: &[String]| lines.iter().map(|line| numbers.linked(line)).collect::<Vec<String>>();
    let headline = &input.headline;
    let grid = &input.record.grid;
    let longest = headline
        .rows
        .iter()
        .map(|row| row.kept_ha + row.degraded_ha + row.lost_ha + row.gained_ha)
        .fold(headline.habitat_ha, f64::max);
    View {
        record: input.record,
        baseline: Card {
            title: "Baseline".into(),
            habitat: hectares(headline.habitat_ha),
            range: headline.range_ha.map(range),
            connected: headline.connected_ha.map(hectares),
            ..Card::default()
        },
        scenarios: headline.rows.iter().map(|row| card(row, longest)).collect(),
        assessed: hectares(headline.assessed_ha),
        not_assessed_total: hectares(headline.not_assessed_ha),
        holds: referred(&input.holds),
        goes_first: referred(&input.goes_first),
        uncertain: referred(&input.uncertain),
        warnings: referred(&input.record.warnings),
        notes: referred(&input.record.notes),
        tables: input.tables.iter().map(|one| table(input, one, numbers)).collect(),
        parts: PARTS.iter().map(|part| part_view(input, *part, numbers)).collect(),
        references: input
            .references
            .iter()
            .map(|reference| ReferenceView { text: &reference.text, doi: &reference.doi })
            .collect(),
        sources: sources(&input.record.inputs),
        not_assessed: input
            .not_assessed
            .iter()
            .map(|row| [row.label.clone(), hectares(row.area_ha)])
            .collect(),
        cautions: referred(&input.cautions),
        cite: &input.cite,
        grid: if grid.rows == 0 {
            "Not told in this edition".into()
        } else {
            format!(
                "{}, cells of {} m, {} rows x {} columns",
                grid.crs,
                cell(grid.cell_m),
                cell(grid.rows as f64),
                cell(grid.cols as f64)
            )
        },
    }
}

fn range([low, high]: [f64; 2]) -> String {
    format!("{} to {} ha", hectares(low), hectares(high))
}

fn card(row: &HeadlineRow, longest: f64) -> Card {
    let part = |name, class, area: f64| Part {
        name,
        class,
        hectares: hectares(area),
        share: format!("{:.3}", if longest > 0.0 { 100.0 * area / longest } else { 0.0 }),
    };
    Card {
        title: row.title.clone(),
        habitat: hectares(row.habitat_ha),
        range: row.range_ha.map(range),
        connected: row.connected_ha.map(hectares),
        lost_percent: row.lost_percent.map(percent),
        parts: vec![
            part("Kept as good", "kept", row.kept_ha),
            part("Degraded", "degraded", row.degraded_ha),
            part("Lost", "lost", row.lost_ha),
            part("Gained", "gained", row.gained_ha),
        ],
    }
}

fn table<'a>(input: &PageInput<'_>, table: &'a Table, numbers: &Numbers) -> TableView<'a> {
    let rows = table.rows();
    let linked = linked(input, table);
    let own = input.patches.as_ref().is_some_and(|patches| patches.table == table.name);
    let row = |row: usize| -> RowView {
        let cells = table.columns.iter().enumerate().map(|(column, of)| {
            let (shown, value) = shown(&of.values, row);
            let patch = linked.as_ref().and_then(|linked| linked.number(table, row, column));
            CellView { shown, value, patch }
        });
        let cells: Vec<CellView> = cells.collect();
        RowView { id: cells.iter().find_map(|cell| cell.patch).filter(|_| own), cells }
    };
    TableView {
        name: &table.name,
        title: &table.title,
        number: numbers.tables.get(&table.name).copied(),
        note: numbers.linked(&table.note),
        columns: table
            .columns
            .iter()
            .map(|column| ColumnView {
                name: &column.name,
                label: label(&column.name, &column.unit),
                unit: &column.unit,
                description: &column.description,
                number: !matches!(column.values, Values::Text(_)),
            })
            .collect(),
        rows: (0..rows.min(MOST_ROWS)).map(row).collect(),
        left_out: rows.saturating_sub(MOST_ROWS),
    }
}

/// "lost_ha" in ha reads "lost"; the unit stands beside it.
pub(super) fn label(name: &str, unit: &str) -> String {
    let plain = name.strip_suffix(&format!("_{unit}")).unwrap_or(name);
    let plain =
        if unit == "months per year" { plain.strip_suffix("_months").unwrap_or(plain) } else { plain };
    let plain =
        if matches!(unit, "%" | "percent") { plain.strip_suffix("_percent").unwrap_or(plain) } else { plain };
    plain.replace('_', " ")
}

/// A cell as shown, empty where missing, and in full.
pub(super) fn shown(values: &Values, row: usize) -> (String, Option<String>) {
    match values {
        Values::Text(cells) => {
            let word = cells.get(row).cloned().flatten();
            (word.clone().unwrap_or_default(), word)
        }
        Values::Integer(cells) => {
            let number = cells.get(row).copied().flatten();
            // Codes and years are whole numbers too, so no commas here.
            let text = number.map(|number| number.to_string());
            (text.clone().unwrap_or_default(), text)
        }
        Values::Real(cells) => {
            let number = cells.get(row).copied().flatten().filter(|number| number.is_finite());
            (number.map(cell).unwrap_or_default(), number.map(|number| number.to_string()))
        }
    }
}

fn part_view<'a>(
    input: &'a PageInput<'_>,
    (part, name, title): (ProtocolPart, &'static str, &'static str),
    numbers: &Numbers,
) -> PartView<'a> {
    let notes = input.methods.iter().filter(|note| note.part == part);
    PartView { name, title, notes: notes.map(|note| method(note, numbers)).collect() }
}

fn method<'a>(note: &'a MethodNote, numbers: &Numbers) -> MethodView<'a> {
    let paragraphs = note.text.split("\n\n").map(str::trim).filter(|text| !text.is_empty());
    MethodView {
        title: &note.title,
        paragraphs: paragraphs.map(|text| numbers.linked(text)).collect(),
        formulas: &note.formulas,
    }
}

/// Inputs by layer, in the order first met; a history of hundreds of files is one line.
fn sources(inputs: &[Input]) -> Vec<Source<'_>> {
    let mut layers: Vec<Vec<&Input>> = Vec::new();
    for input in inputs {
        match layers.iter_mut().find(|files| files[0].layer == input.layer) {
            Some(files) => files.push(input),
            None => layers.push(vec![input]),
        }
    }
    layers
        .iter()
        .map(|files| {
            let first = files[0];
            let last = files[files.len() - 1];
            let one = files.len() == 1;
            Source {
                layer: &first.layer,
                files: if first.file.is_empty() {
                    String::new()
                } else if one {
                    first.file.clone()
                } else {
                    format!("{} files, {} to {}", files.len(), first.file, last.file)
                },
                size: if first.file.is_empty() {
                    String::new()
                } else {
                    size(files.iter().map(|file| file.bytes).sum())
                },
                source: &first.source,
                licence: &first.licence,
                date: &first.date,
                blake3: if one { &first.blake3 } else { "" },
                server: if one && first.server.is_some() { first.content() } else { String::new() },
            }
        })
        .collect()
}

/// Bytes in decimal units.
fn size(bytes: u64) -> String {
    match bytes {
        0..1_000 => format!("{bytes} B"),
        1_000..1_000_000 => format!("{:.0} kB", bytes as f64 / 1e3),
        1_000_000..1_000_000_000 => format!("{:.1} MB", bytes as f64 / 1e6),
        _ => format!("{:.1} GB", bytes as f64 / 1e9),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn files_of_a_history_are_one_line() {
        let file = |layer: &str, file: &str| Input {
            layer: layer.into(),
            file: file.into(),
            bytes: 600_000,
            blake3: "ab".into(),
            ..Input::default()
        };
        let inputs = [file("water", "w1.tif"), file("ground", "g.tif"), file("water", "w2.tif")];
        let sources = sources(&inputs);
        assert_eq!(sources.len(), 2);
        assert_eq!(sources[0].files, "2 files, w1.tif to w2.tif");
        assert_eq!((sources[0].size.as_str(), sources[0].blake3), ("1.2 MB", ""));
        assert_eq!((sources[1].size.as_str(), sources[1].blake3), ("600 kB", "ab"));
    }

    #[test]
    fn headings_do_not_say_the_unit_twice() {
        assert_eq!(label("lost_ha", "ha"), "lost");
        assert_eq!(label("lost_percent", "%"), "lost");
        assert_eq!(label("wetland_class", ""), "wetland class");
    }

    #[test]
    fn a_missing_cell_is_empty_and_zero_is_zero() {
        let values = Values::Real(vec![None, Some(0.0), Some(f64::NAN)]);
        let cells: Vec<_> = (0..3).map(|row| shown(&values, row)).collect();
        assert_eq!(cells[0], (String::new(), None));
        assert_eq!(cells[1], ("0".to_string(), Some("0".to_string())));
        assert_eq!(cells[2].1, None);
    }
}
