//! The tables of a public edition.

use super::cells::{column, filtered, numbers, rounded, whole, with_rows, without, words};
use super::choice::Choice;
use crate::error::EngineError;
use crate::tables::LEVEL_OF;
use lentic_numerics::generalise::{decimals, middle, radius, rounded as degrees_to, two_figures};
use lentic_raster::{Grid, Point};
use lentic_report::{Column, Table, Values};
use std::collections::{BTreeMap, BTreeSet};

/// Tables that are places through and through: rows of records, curves and volumes of single pools.
const NEVER: [&str; 5] = ["records", "records_set_aside", "drawdown_curves", "pool_levels", "volume"];
/// Tables by response group; groups that are single pools are left out.
const BY_GROUP: [&str; 3] = ["inundation_fit", "inundation_quality", "inundation_reliability"];
/// Tables by patch that number patches of the baseline.
const BY_PATCH_OF_TODAY: [&str; 5] =
    ["habitat_loss_by_patch", "patch_fates", "patch_margins", "patch_time_of_loss", "water_requirement"];
/// Tables by patch that number patches of the scenario of the row.
const BY_PATCH_OF_SCENARIO: [&str; 1] = ["patch_origins"];
/// Columns that point at a patch beside the one of the row, or say how it is shaped or lies.
const POINTERS: [&str; 3] = ["costliest_patch", "first_patch", "largest_part"];
/// Columns that tell a place. A table that still has one of them when all rules are through is left out.
const PLACES: [&str; 16] = [
    "patch",
    "refuge",
    "pool",
    "centroid_x",
    "centroid_y",
    "x",
    "y",
    "latitude",
    "longitude",
    "lat",
    "lon",
    "line",
    "occurrence_id",
    "row",
    "col",
    "perimeter_m",
];
/// What the table of patches keeps besides scenario, number, area and place.
const OF_PATCHES: [&str; 5] =
    ["mean_suitability", "mean_hydroperiod_months", "share_by_removal_percent", "removal_rank", "zone"];

/// Tables of the public edition.
pub struct PublicTables {
    /// Those published.
    pub tables: Vec<Table>,
    /// Names of those left out.
    pub left_out: Vec<String>,
}

/// What is told and what is not.
pub struct Rules<'a> {
    /// Patches shown.
    pub choice: &'a Choice,
    /// Zones withheld.
    pub zones: &'a BTreeSet<String>,
    /// Side of the public cells, metres; `None` where no place is told.
    pub cell_m: Option<f64>,
    /// The grid of the run, for its reference system.
    pub grid: &'a Grid,
}

/// A patch of a case, as the run numbers it.
type Key = (String, i64);

impl Rules<'_> {
    /// The public form of each table that has one.
    ///
    /// # Errors
    /// Middles of public cells that cannot be carried to degrees.
    pub fn apply(&self, tables: &[Table]) -> Result<PublicTables, EngineError> {
        let patches = tables.iter().find(|table| table.name == "patches");
        let places = patches.map_or_else(BTreeMap::new, |table| self.places(table));
        let numbers = numbers_anew(&places, patches);
        let mut public = PublicTables { tables: Vec::new(), left_out: Vec::new() };
        for table in tables {
            let told =
                if NEVER.contains(&table.name.as_str()) { None } else { self.one(table, &places, &numbers)? };
            match told {
                Some(table) => public.tables.push(table),
                None => public.left_out.push(table.name.clone()),
            }
        }
        Ok(public)
    }

    fn one(
        &self,
        table: &Table,
        places: &BTreeMap<Key, Point>,
        anew: &BTreeMap<Key, i64>,
    ) -> Result<Option<Table>, EngineError> {
        let name = table.name.as_str();
        let by_patch = BY_PATCH_OF_TODAY.contains(&name)
            || BY_PATCH_OF_SCENARIO.contains(&name)
            || name == "patches"
            || name == "refuges";
        if by_patch && self.cell_m.is_none() {
            return Ok(None);
        }
        let zoned = self.without_zones(table);
        let told = match name {
            "patches" => return self.patches(&zoned, places, anew).map(Some),
            "refuges" => refuges(&zoned),
            "population" => {
                // single groups of patches are as good as places
                let groups = words(&zoned, "group");
                filtered(&zoned, |row| groups[row].as_deref().is_none_or(|group| group == "all"))
            }
            _ if BY_GROUP.contains(&name) => {
                let names = words(&zoned, "name");
                filtered(&zoned, |row| names[row].as_deref().is_none_or(|name| !name.starts_with(LEVEL_OF)))
            }
            // the range at the records is what single records stand in
            "novelty" => without(zoned, &["low", "high"]),
            _ if BY_PATCH_OF_TODAY.contains(&name) => by_patches(&zoned, anew, |_| "baseline".to_string()),
            _ if BY_PATCH_OF_SCENARIO.contains(&name) => by_patches(&zoned, anew, str::to_string),
            _ => zoned,
        };
        let told = without(told, &POINTERS);
        let numbered_anew = BY_PATCH_OF_TODAY.contains(&name) || BY_PATCH_OF_SCENARIO.contains(&name);
        let place = |column: &Column| {
            PLACES.contains(&column.name.as_str()) && !(numbered_anew && column.name == "patch")
        };
        Ok((!told.columns.iter().any(place)).then_some(told))
    }

    /// The table without rows of withheld zones.
    fn without_zones(&self, table: &Table) -> Table {
        let split = words(table, "split");
        let of_zone: Vec<Option<String>> = match table.name.as_str() {
            "habitat_loss_by_zone" => words(table, "name"),
            "habitat_ranges" => {
                let names = words(table, "name").into_iter().zip(split);
                names.map(|(name, split)| name.filter(|_| split.as_deref() == Some("zone"))).collect()
            }
            "what_water_where" => words(table, "zone"),
            _ => return table.clone(),
        };
        filtered(table, |row| of_zone[row].as_ref().is_none_or(|zone| !self.zones.contains(zone)))
    }

    /// Public cell of each patch shown: the middle of that in which its centroid lies.
    fn places(&self, table: &Table) -> BTreeMap<Key, Point> {
        let Some(cell_m) = self.cell_m else { return BTreeMap::new() };
        let (scenarios, patches) = (words(table, "scenario"), whole(table, "patch"));
        let (xs, ys) = (numbers(table, "centroid_x"), numbers(table, "centroid_y"));
        let place = |row: usize| {
            let key = (scenarios[row].clone()?, patches[row]?);
            let place = Point { x: middle(xs[row]?, cell_m), y: middle(ys[row]?, cell_m) };
            self.choice.shows(&key.0, key.1).then_some((key, place))
        };
        (0..table.rows()).filter_map(place).collect()
    }

    /// Patches shown: area to two figures, the middle of the public cell, no shape, no distance.
    fn patches(
        &self,
        table: &Table,
        places: &BTreeMap<Key, Point>,
        anew: &BTreeMap<Key, i64>,
    ) -> Result<Table, EngineError> {
        let cell_m = self.cell_m.unwrap_or_default();
        let (scenarios, patches) = (words(table, "scenario"), whole(table, "patch"));
        let key = |row: usize| Some((scenarios[row].clone()?, patches[row]?));
        let order =
            |row: &usize| key(*row).and_then(|key| Some((*anew.get(&key)?, places.get(&key).copied()?)));
        // cases in their order, patches of each by their new number
        let mut cases: Vec<Option<String>> = scenarios.clone();
        cases.dedup();
        let mut rows: Vec<(usize, (i64, Point))> =
            (0..table.rows()).filter_map(|row| Some((row, order(&row)?))).collect();
        rows.sort_by_key(|(row, (number, _))| {
            (cases.iter().position(|case| *case == scenarios[*row]), *number)
        });
        let picked = with_rows(table, &rows.iter().map(|(row, _)| *row).collect::<Vec<_>>());
        let places: Vec<Point> = rows.iter().map(|(_, (_, place))| *place).collect();
        let mut degrees = places.clone();
        self.grid.crs.all_to_geographic(&mut degrees)?;
        let exact = decimals(cell_m);
        let told =
            |values: &[Point], value: &dyn Fn(&Point) -> f64| values.iter().map(|p| Some(value(p))).collect();
        let mut columns = vec![
            Column::text("scenario", "Scenario; baseline is today", words(&picked, "scenario")),
            Column::integer(
                "patch",
                "",
                "Number of the patch in its scenario: by public cell from the north-west, in it by area",
                rows.iter().map(|(_, (number, _))| Some(*number)).collect(),
            ),
            Column::real("area_ha", "ha", "Area, to two figures", numbers(&picked, "area_ha")),
            Column::real(
                "cell_x",
                "m",
                "Middle of the public cell, eastwards in the reference system",
                told(&places, &|p| p.x),
            ),
            Column::real("cell_y", "m", "Middle of the public cell, northwards", told(&places, &|p| p.y)),
            Column::real(
                "coordinate_uncertainty_m",
                "m",
                "Radius about that middle that holds the whole cell; the centroid of the patch lies in it",
                vec![Some(radius(cell_m, cell_m).ceil()); rows.len()],
            ),
            Column::real(
                "cell_longitude",
                "degrees",
                "Longitude of that middle, rounded as the cell is wide",
                told(&degrees, &|p| degrees_to(p.x, exact)),
            ),
            Column::real(
                "cell_latitude",
                "degrees",
                "Latitude of that middle, rounded likewise",
                told(&degrees, &|p| degrees_to(p.y, exact)),
            ),
        ];
        for column in OF_PATCHES.iter().filter_map(|name| column(&picked, name)) {
            let values = match &column.values {
                Values::Text(cells) => {
                    let known =
                        |cell: &Option<String>| cell.clone().filter(|zone| !self.zones.contains(zone));
                    Values::Text(cells.iter().map(known).collect())
                }
                other => other.clone(),
            };
            columns.push(Column { values, ..column.clone() });
        }
        let mut public = Table { columns, ..picked };
        for column in &mut public.columns {
            if let (Values::Real(cells), false) = (&mut column.values, is_place(&column.name)) {
                cells.iter_mut().flatten().for_each(|cell| *cell = two_figures(*cell));
            }
        }
        public.note =
            "Places are told by public cells; see \"How places were generalised\" on the page.".into();
        Ok(public)
    }
}

fn is_place(name: &str) -> bool {
    name.starts_with("cell_") || name.starts_with("coordinate_")
}

/// Refuges by rank, without number, place or shape.
fn refuges(table: &Table) -> Table {
    let kept = [
        "rank",
        "area_ha",
        "mean_lowest_suitability",
        "mean_hydroperiod_months",
        "precipitation_loss_percent",
        "drawdown_m",
        "margin",
        "share_by_removal_percent",
    ];
    let mut told = table.clone();
    told.columns.retain(|column| kept.contains(&column.name.as_str()));
    rounded(told, two_figures)
}

/// Rows of patches shown, with their new numbers; rows of no single patch stay. Areas to two figures.
fn by_patches(table: &Table, anew: &BTreeMap<Key, i64>, case_of: impl Fn(&str) -> String) -> Table {
    let (scenarios, patches) = (words(table, "scenario"), whole(table, "patch"));
    let number = |row: usize| {
        let case = case_of(scenarios[row].as_deref().unwrap_or("baseline"));
        patches[row].map(|patch| anew.get(&(case, patch)).copied())
    };
    let mut rows: Vec<usize> = (0..table.rows()).filter(|row| number(*row) != Some(None)).collect();
    let place = |row: &usize| scenarios.iter().position(|scenario| *scenario == scenarios[*row]);
    rows.sort_by_key(|row| (place(row), number(*row)));
    let mut told = with_rows(table, &rows);
    if let Some(column) = told.columns.iter_mut().find(|column| column.name == "patch") {
        column.values = Values::Integer(rows.iter().map(|row| number(*row).flatten()).collect());
    }
    rounded(told, two_figures)
}

/// Numbers that follow public cells from the north-west and in them areas, so that they tell no order within a cell.
fn numbers_anew(places: &BTreeMap<Key, Point>, patches: Option<&Table>) -> BTreeMap<Key, i64> {
    let Some(table) = patches else { return BTreeMap::new() };
    let areas =
        words(table, "scenario").into_iter().zip(whole(table, "patch")).zip(numbers(table, "area_ha"));
    let areas: BTreeMap<Key, f64> = areas
        .filter_map(|((scenario, patch), area)| Some(((scenario?, patch?), two_figures(area?))))
        .collect();
    let mut order: Vec<(&Key, &Point, f64)> =
        places.iter().map(|(key, place)| (key, place, areas.get(key).copied().unwrap_or_default())).collect();
    order.sort_by(|a, b| {
        let case = a.0.0.cmp(&b.0.0);
        case.then(b.1.y.total_cmp(&a.1.y))
            .then(a.1.x.total_cmp(&b.1.x))
            .then(b.2.total_cmp(&a.2))
            .then(a.0.1.cmp(&b.0.1))
    });
    let mut anew = BTreeMap::new();
    let mut last: Option<&str> = None;
    let mut number = 0;
    for (key, ..) in order {
        number = if last == Some(key.0.as_str()) { number + 1 } else { 1 };
        last = Some(&key.0);
        anew.insert(key.clone(), number);
    }
    anew
}
