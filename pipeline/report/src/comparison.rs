//! The comparison of runs: its record and its page, one HTML file that works offline and needs no script.

use crate::ReportError;
use crate::file::write_bytes;
use crate::number::{cell, hectares, round_step};
use crate::page::on_every_sheet;
use crate::palette::{ClassStyle, Ramp, compared_classes};
use crate::picture::picture;
use crate::record::{Product, Program};
use crate::table::{Column, Table, Values};
use minijinja::{Environment, UndefinedBehavior, Value};
use serde::{Deserialize, Serialize};
use std::path::Path;

const TEMPLATE: &str = include_str!("../template/comparison.html");
const STYLE: &str = include_str!("../template/page.css");
const OWN_STYLE: &str = include_str!("../template/comparison.css");
const PRINT: &str = include_str!("../template/print.css");

/// More rows of a table are left to its file.
const MOST_ROWS: usize = 200;
/// Columns that stand in the files only: too long to read.
const IN_FILES_ONLY: [&str; 5] = ["run_id", "blake3_before", "blake3_after", "bytes_before", "bytes_after"];
/// Differences of suitability beyond this have the colour at the end of the ramp.
const REACH: f32 = 0.5;
/// Colours of the ramp of differences.
const STEPS: usize = 255;

/// The record of a comparison, `comparison.json`.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct ComparisonRecord {
    /// The program that compared.
    pub program: Program,
    /// Digest of this record's text with an empty seal, filled in when it is written.
    pub seal: String,
    /// When it was made, ISO 8601 in UTC.
    pub started: String,
    /// The runs; the first is what the others are compared with.
    pub runs: Vec<ComparedRun>,
    /// What happened, a paragraph for each run after the first.
    pub sentences: Vec<String>,
    /// What the reader must know.
    pub cautions: Vec<String>,
    /// Every file written, this record not among them.
    pub products: Vec<Product>,
}

/// A run of a comparison.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct ComparedRun {
    /// Its letter.
    pub label: String,
    /// Name of its folder.
    pub folder: String,
    /// Its identifier.
    pub run_id: String,
    /// Its checksum.
    pub checksum: String,
    /// When it began.
    pub started: String,
    /// Name of its study.
    pub study: String,
    /// The program that ran it.
    pub program: Program,
    /// Whether it was found as it was left.
    pub whole: bool,
}

/// Everything the page shows.
#[derive(Clone, Debug)]
pub struct ComparisonPage<'a> {
    /// The record, its products not yet in it.
    pub record: &'a ComparisonRecord,
    /// Name of the first run's study.
    pub study: String,
    /// What stands on every page; "" for nothing.
    pub mark: String,
    /// Ground that the maps cover from left to right, metres.
    pub ground_width_m: f64,
    /// Habitat of each scenario in every run that has it.
    pub areas: Vec<ScenarioAreas>,
    /// A map for each scenario and run after the first.
    pub maps: Vec<ComparisonMap>,
    /// What changed on the way in, for each run after the first.
    pub changes: Vec<ChangesShown>,
    /// Tables shown.
    pub tables: &'a [Table],
}

/// Habitat of a scenario in several runs.
#[derive(Clone, Debug, PartialEq)]
pub struct ScenarioAreas {
    /// Title of the scenario.
    pub scenario: String,
    /// Letter of the run, habitat and its 5 % to 95 % range, hectares.
    pub runs: Vec<(char, f64, Option<[f64; 2]>)>,
}

/// A scenario in two runs.
#[derive(Clone, Debug)]
pub struct ComparisonMap {
    /// Title of the scenario.
    pub scenario: String,
    /// Letters of the runs.
    pub labels: [char; 2],
    /// Habitat of both over the cells that both assessed, hectares.
    pub habitat_ha: [f64; 2],
    /// Columns of pixels.
    pub width: usize,
    /// Rows of pixels.
    pub height: usize,
    /// Codes: 0 neither, 1 both, 2 first only, 3 other only, 255 not compared.
    pub codes: Vec<u8>,
    /// Suitability of the other minus that of the first, NaN where not compared.
    pub differences: Vec<f32>,
}

/// What changed on the way in.
#[derive(Clone, Debug, Serialize)]
pub struct ChangesShown {
    /// Letters of the runs.
    pub labels: [char; 2],
    /// Inputs that changed, in words; "" where none did.
    pub inputs: String,
    /// How many files are the same.
    pub inputs_same: usize,
    /// How many settings changed.
    pub settings: usize,
    /// Versions that changed, in words.
    pub program: Vec<String>,
}

#[derive(Serialize)]
struct MapView {
    title: String,
    before: String,
    after: String,
    labels: [char; 2],
    habitat: String,
    difference: String,
    classes: Vec<ClassView>,
    stops: Vec<String>,
}

#[derive(Serialize)]
struct BarsView<'a> {
    title: &'a str,
    bars: Vec<BarView>,
}

#[derive(Serialize)]
struct BarView {
    label: char,
    habitat: String,
    range: Option<String>,
    /// Length, and begin and length of the range, percent of the longest.
    length: String,
    whisker: Option<[String; 2]>,
}

#[derive(Serialize)]
struct ClassView {
    name: String,
    colour: String,
}

#[derive(Serialize)]
struct TableView<'a> {
    name: &'a str,
    title: &'a str,
    note: &'a str,
    columns: Vec<ColumnView<'a>>,
    rows: Vec<Vec<String>>,
    left_out: usize,
}

#[derive(Serialize)]
struct ColumnView<'a> {
    name: String,
    unit: &'a str,
    description: &'a str,
    number: bool,
}

#[derive(Serialize)]
struct Scale {
    label: String,
    /// Share of the map's width, percent.
    share: String,
}

/// Writes the page. Same input, same bytes.
///
/// # Errors
/// Maps whose pixels do not fit their size, or a file that cannot be written.
pub fn write_comparison_page(path: &Path, page: &ComparisonPage<'_>) -> Result<(), ReportError> {
    let broken = |message: String| ReportError::Page { path: path.to_path_buf(), message };
    let maps = page.maps.iter().map(map).collect::<Result<Vec<MapView>, ReportError>>()?;
    let tables: Vec<TableView<'_>> = page.tables.iter().map(table).collect();
    let mut environment = Environment::new();
    environment.set_undefined_behavior(UndefinedBehavior::Strict);
    // the name ends in .html, so every value is escaped unless it is marked safe below
    environment.add_template("comparison.html", TEMPLATE).map_err(|error| broken(error.to_string()))?;
    let text = environment
        .get_template("comparison.html")
        .and_then(|template| {
            template.render(minijinja::context! {
                style => Value::from_safe_string(format!("{STYLE}\n{OWN_STYLE}\n{PRINT}\n{}", on_every_sheet(&page.mark))),
                record => Value::from(minijinja::value::Serde(page.record)),
                study => &page.study,
                mark => &page.mark,
                maps => Value::from(minijinja::value::Serde(&maps)),
                changes => Value::from(minijinja::value::Serde(&page.changes)),
                bars => Value::from(minijinja::value::Serde(&bars(&page.areas))),
                tables => Value::from(minijinja::value::Serde(&tables)),
                scale => Value::from(minijinja::value::Serde(&scale(page.ground_width_m))),
                reach => REACH,
            })
        })
        .map_err(|error| broken(error.to_string()))?;
    write_bytes(path, text.as_bytes())
}

/// Bars of all scenarios on one scale.
fn bars(areas: &[ScenarioAreas]) -> Vec<BarsView<'_>> {
    let all = areas.iter().flat_map(|one| &one.runs);
    let longest = all.map(|(_, ha, range)| range.map_or(*ha, |[_, high]| high.max(*ha))).fold(0.0, f64::max);
    let share = |ha: f64| format!("{:.3}", if longest > 0.0 { 100.0 * ha / longest } else { 0.0 });
    let bar = |(label, ha, range): &(char, f64, Option<[f64; 2]>)| BarView {
        label: *label,
        habitat: hectares(*ha),
        range: range.map(|[low, high]| format!("{} to {}", hectares(low), hectares(high))),
        length: share(*ha),
        whisker: range.map(|[low, high]| [share(low), share(high - low)]),
    };
    areas
        .iter()
        .map(|one| BarsView { title: &one.scenario, bars: one.runs.iter().map(bar).collect() })
        .collect()
}

/// A round length of about a quarter of the map.
fn scale(ground_width_m: f64) -> Scale {
    let length = round_step(ground_width_m, 4);
    let label = if length >= 1000.0 {
        format!("{} km", cell(length / 1000.0))
    } else {
        format!("{} m", cell(length))
    };
    Scale { label, share: format!("{:.3}", 100.0 * length / ground_width_m.max(length)) }
}

fn map(map: &ComparisonMap) -> Result<MapView, ReportError> {
    let [a, b] = map.labels;
    let classes: Vec<ClassStyle> = compared_classes(a, b);
    let size = (map.width, map.height);
    // index 0 of a picture is no data
    let index = |code: &u8| classes.iter().position(|class| class.code == *code).map_or(0, |at| at as u8 + 1);
    let indices: Vec<u8> = map.codes.iter().map(index).collect();
    let colours: Vec<_> = classes.iter().map(|class| class.colour).collect();
    let ramp = |value: &f32| match value.is_nan() {
        true => 0,
        false => 1 + (((value + REACH) / (2.0 * REACH)).clamp(0.0, 1.0) * (STEPS - 1) as f32).round() as u8,
    };
    let shades: Vec<u8> = map.differences.iter().map(ramp).collect();
    Ok(MapView {
        title: map.scenario.clone(),
        before: hectares(map.habitat_ha[0]),
        after: hectares(map.habitat_ha[1]),
        labels: map.labels,
        habitat: picture(&map.scenario, size, &indices, &colours)?,
        difference: picture(&map.scenario, size, &shades, &Ramp::Trend.colours(STEPS))?,
        classes: classes
            .iter()
            .map(|class| ClassView { name: class.name.clone(), colour: class.colour.css() })
            .collect(),
        stops: Ramp::Trend.colours(17).into_iter().map(crate::colour::Rgb::css).collect(),
    })
}

fn table(table: &Table) -> TableView<'_> {
    let shown = |values: &Values, row: usize| match values {
        Values::Text(cells) => cells.get(row).cloned().flatten().unwrap_or_default(),
        Values::Integer(cells) => {
            cells.get(row).copied().flatten().map(|n| n.to_string()).unwrap_or_default()
        }
        Values::Real(cells) => {
            cells.get(row).copied().flatten().filter(|x| x.is_finite()).map(cell).unwrap_or_default()
        }
    };
    let rows = table.rows();
    let columns: Vec<&Column> =
        table.columns.iter().filter(|column| !IN_FILES_ONLY.contains(&column.name.as_str())).collect();
    let plain =
        |name: &str, unit: &str| name.strip_suffix(&format!("_{unit}")).unwrap_or(name).replace('_', " ");
    TableView {
        name: &table.name,
        title: &table.title,
        note: &table.note,
        columns: columns
            .iter()
            .map(|column| ColumnView {
                name: plain(&column.name, &column.unit),
                unit: &column.unit,
                description: &column.description,
                number: !matches!(column.values, Values::Text(_)),
            })
            .collect(),
        rows: (0..rows.min(MOST_ROWS))
            .map(|row| columns.iter().map(|column| shown(&column.values, row)).collect())
            .collect(),
        left_out: rows.saturating_sub(MOST_ROWS),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const BAD: &str = "</style><script>alert(1)</script>\"'&";

    fn page(record: &ComparisonRecord, tables: &[Table]) -> String {
        let map = ComparisonMap {
            scenario: BAD.into(),
            labels: ['A', 'B'],
            habitat_ha: [12.0, 3.4],
            width: 2,
            height: 2,
            codes: vec![0, 1, 3, 255],
            differences: vec![0.0, -0.2, 0.9, f32::NAN],
        };
        let changes = ChangesShown {
            labels: ['A', 'B'],
            inputs: BAD.into(),
            inputs_same: 3,
            settings: 1,
            program: vec![BAD.into()],
        };
        let page = ComparisonPage {
            record,
            study: BAD.into(),
            mark: String::new(),
            ground_width_m: 3000.0,
            areas: vec![ScenarioAreas {
                scenario: BAD.into(),
                runs: vec![('A', 10.0, None), ('B', 5.0, Some([2.5, 20.0]))],
            }],
            maps: vec![map],
            changes: vec![changes],
            tables,
        };
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("comparison.html");
        write_comparison_page(&path, &page).unwrap();
        std::fs::read_to_string(path).unwrap()
    }

    #[test]
    fn words_of_users_stay_words_and_nothing_is_asked_of_the_network() {
        let run = |label: &str| ComparedRun {
            label: label.into(),
            study: BAD.into(),
            folder: BAD.into(),
            ..ComparedRun::default()
        };
        let record = ComparisonRecord {
            runs: vec![run("A"), run("B")],
            sentences: vec![BAD.into()],
            cautions: vec![BAD.into()],
            ..ComparisonRecord::default()
        };
        let table = Table {
            name: "settings_changed".into(),
            title: "T".into(),
            note: String::new(),
            columns: vec![
                Column::text("key", BAD, vec![Some(BAD.into()), None]),
                Column::real("lost_ha", "ha", "Lost", vec![Some(0.0), None]),
            ],
        };
        let html = page(&record, &[table]);
        assert!(!html.contains("<script") && !html.contains(BAD));
        assert_eq!(html.matches("</style>").count(), 1);
        assert!(html.contains("default-src 'none'; img-src data:; style-src 'unsafe-inline'"));
        for word in ["http:", "https:", "url(", "@import", "srcset="] {
            assert!(!html.replace("&#x2f;", "/").contains(word), "{word}");
        }
        // both maps, told in words too
        assert_eq!(html.matches("src=\"data:image").count(), 2);
        assert!(html.matches("alt=\"").count() == 2 && html.contains("12.0 ha") && html.contains("3.4 ha"));
        // bars on one scale: the longest whisker ends at 100 %
        assert!(html.contains("width:50.000%") && html.contains("left:12.500%;width:87.500%"));
        // a missing number is no zero
        assert!(html.contains("<td class=\"number\">0</td>") && html.contains("<td class=\"number\"></td>"));
    }

    #[test]
    fn scales_are_round_and_fit() {
        assert_eq!((scale(3000.0).label, scale(3000.0).share), ("1 km".into(), "33.333".into()));
        assert_eq!(scale(700.0).label, "200 m");
    }
}
