//! Talverra Sink, whose water is computed from weather: hydroperiod under a scenario against the truth, beside two simple
//! ways to answer the same question: nothing changes, and the future is like those observed years whose index
//! is nearest the scenario's.
//!
//! Measured over the 18,988 cells truly ever wet in the study area, root mean square error in months per year (bias in
//! brackets):
//!
//! | scenario          | response     | no change   | best of the analogue years |
//! |-------------------|--------------|-------------|----------------------------|
//! | drier             | 0.36 (0.10)  | 1.60 (1.33) | 0.58 (0.35), 12 years      |
//! | much-drier        | 0.91 (0.39)  | 3.58 (3.08) | 1.54 (0.98), 3 years       |
//! | pumping           | 1.00 (0.18)  | 4.52 (3.86) | no year had wells          |
//! | pumping-and-drier | 0.82 (-0.05) | 5.25 (4.69) | 3.61 (1.97), 1 year        |

#![allow(clippy::unwrap_used, clippy::panic, reason = "helpers of tests: a failure must stop the test")]

use std::collections::BTreeMap;
use std::path::Path;

use gdal::Dataset;
use lentic_engine::demo::{DEMO_SEED, DemoSize, write_demo};
use lentic_engine::run::{Keep, RunOptions, run};
use lentic_engine::{Machines, Silent, prepare};
use lentic_habitat::record::{Enough, read_record, yearly_hydroperiod};
use lentic_habitat::water::{BitRows, Masks, MonthAxis};

/// How many analogue years are tried; the best of them is what the response must beat.
const ANALOGUES: [usize; 6] = [1, 3, 5, 8, 12, 16];
/// Record a cell needs (docs/methods.md).
const ENOUGH: Enough = Enough { months: 24, calendar_months: 6 };

/// A raster's first band with the place of its upper left corner.
struct Cells {
    left: f64,
    top: f64,
    side: f64,
    rows: usize,
    cols: usize,
    values: Vec<f64>,
}

fn open(path: &Path) -> Cells {
    let dataset = Dataset::open(path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
    let [left, side, _, top, _, _] = dataset.geo_transform().unwrap();
    let (cols, rows) = dataset.raster_size();
    let band = dataset.rasterband(1).unwrap();
    let values = band.read_as::<f64>((0, 0), (cols, rows), (cols, rows), None).unwrap().data().to_vec();
    Cells { left, top, side, rows, cols, values }
}

impl Cells {
    /// The cells of the window that `grid` covers; both have the same cells.
    fn on(&self, grid: &Cells) -> Vec<f64> {
        assert_eq!(self.side, grid.side);
        let whole = |metres: f64| {
            let cells = metres / self.side;
            assert!((cells - cells.round()).abs() < 1e-6 && cells >= -1e-6, "off the grid by {metres} m");
            cells.round() as usize
        };
        let (col, row) = (whole(grid.left - self.left), whole(self.top - grid.top));
        assert!(row + grid.rows <= self.rows && col + grid.cols <= self.cols);
        (row..row + grid.rows)
            .flat_map(|r| self.values[r * self.cols + col..r * self.cols + col + grid.cols].iter().copied())
            .collect()
    }
}

/// Estimate minus truth over cells: mean and root mean square.
#[derive(Clone, Copy, Debug)]
struct Errors {
    bias: f64,
    rmse: f64,
}

fn errors(cells: &[usize], estimate: &[f64], truth: &[f64]) -> Errors {
    let n = cells.len() as f64;
    let off = || cells.iter().map(|cell| estimate[*cell] - truth[*cell]);
    Errors { bias: off().sum::<f64>() / n, rmse: (off().map(|e| e * e).sum::<f64>() / n).sqrt() }
}

/// The response's index by scenario and month, over the baseline months.
fn index_of_months(run: &Path) -> BTreeMap<String, Vec<(i32, f64)>> {
    let mut found: BTreeMap<String, Vec<(i32, f64)>> = BTreeMap::new();
    let mut table = csv::Reader::from_path(run.join("tables/drought_index.csv")).unwrap();
    let head = table.headers().unwrap().clone();
    let column =
        |name: &str| head.iter().position(|h| h == name).unwrap_or_else(|| panic!("no column {name}"));
    let (scenario, month, z) = (column("scenario"), column("month"), column("response_index"));
    for row in table.records() {
        let row = row.unwrap();
        let year: i32 = row[month][..4].parse().unwrap();
        if year >= 1991 {
            found.entry(row[scenario].to_string()).or_default().push((year, row[z].parse().unwrap()));
        }
    }
    found
}

fn mean(values: impl Iterator<Item = f64>) -> f64 {
    let (sum, n) = values.fold((0.0, 0u32), |(sum, n), v| (sum + v, n + 1));
    sum / f64::from(n)
}

/// Observed hydroperiod of each cell by year, from the masks as the sensor saw them.
fn observed_years(demo: &Path, grid: &Cells) -> Vec<BTreeMap<i32, f64>> {
    let axis = MonthAxis { first: "1991-01".parse().unwrap(), len: 360 };
    let mut rows = BitRows::new(&axis, grid.values.len());
    for (at, month) in axis.months().enumerate() {
        let mask = open(&demo.join(format!("water/water_{month}.tif"))).on(grid);
        for (cell, state) in mask.into_iter().enumerate().filter(|(_, state)| *state <= 1.0) {
            rows.set(cell, at, state == 1.0);
        }
    }
    let masks = Masks::new(&axis);
    (0..grid.values.len())
        .map(|cell| {
            let (observed, wet) = (rows.observed(cell), rows.wet(cell));
            let record = read_record(observed, wet, &masks, ENOUGH);
            record.map_or_else(BTreeMap::new, |record| {
                yearly_hydroperiod(observed, wet, &masks, &record).into_iter().collect()
            })
        })
        .collect()
}

#[test]
fn the_response_beats_no_change_and_analogue_years() {
    let folder = tempfile::tempdir().unwrap();
    let demo = folder.path().join("demo");
    let made = write_demo(&demo, DemoSize::Full, DEMO_SEED, &|_| {}).unwrap();
    let out = folder.path().join("run");
    prepare(None).unwrap();
    run(
        &made.study,
        &RunOptions {
            out: out.clone(),
            tile: 256,
            memory_mib: None,
            keep: Keep::Nothing,
            machines: Machines::One,
        },
        &Silent,
    )
    .unwrap();

    let grid = open(&out.join("rasters/hydroperiod_observed.tif"));
    let observed = grid.values.clone();
    let truth = |name: &str| open(&demo.join(format!("truth/true_hydroperiod_{name}.tif"))).on(&grid);
    let modelled = |name: &str| open(&out.join(format!("rasters/hydroperiod_{name}.tif"))).on(&grid);
    let before = truth("baseline");
    let wet: Vec<usize> =
        (0..before.len()).filter(|c| before[*c] > 0.0 && observed[*c].is_finite()).collect();
    let years = observed_years(&demo, &grid);
    let index = index_of_months(&out);
    // A year's index: the mean of its months, or December's, the sum of that very year.
    let of_year = |year: i32| {
        let months = || index["baseline"].iter().filter(move |m| m.0 == year).map(|m| m.1);
        [mean(months()), months().next_back().unwrap()]
    };
    println!("{} cells; baseline {:?}", wet.len(), errors(&wet, &modelled("baseline"), &before));
    for name in ["drier", "much-drier", "pumping", "pumping-and-drier"] {
        let truth = truth(name);
        let found = errors(&wet, &modelled(name), &truth);
        let same = errors(&wet, &observed, &truth);
        println!("{name}: response {found:?}, no change {same:?}");
        assert!(found.rmse < 0.3 * same.rmse, "{name}: {found:?}, no change {same:?}");
        assert!(found.bias.abs() < 0.15 * same.bias.abs(), "{name}: {found:?}, no change {same:?}");
        // wells alone leave the index as it was
        let Some(months) = index.get(name) else { continue };
        let wanted = mean(months.iter().map(|m| m.1));
        for (definition, k) in [0, 1].into_iter().flat_map(|d| ANALOGUES.map(|k| (d, k))) {
            let mut nearest: Vec<(i32, f64)> =
                (1991..=2020).map(|year| (year, (of_year(year)[definition] - wanted).abs())).collect();
            nearest.sort_by(|a, b| a.1.total_cmp(&b.1));
            let chosen: Vec<i32> = nearest.iter().take(k).map(|(year, _)| *year).collect();
            let estimate: Vec<f64> = years
                .iter()
                .zip(&observed)
                .map(|(own, usual)| {
                    let seen: Vec<f64> = chosen.iter().filter_map(|year| own.get(year).copied()).collect();
                    if seen.is_empty() { *usual } else { mean(seen.into_iter()) }
                })
                .collect();
            let analogue = errors(&wet, &estimate, &truth);
            println!("  {k} years nearest {wanted:.2} (rule {definition}): {analogue:?}");
            assert!(found.rmse < 0.75 * analogue.rmse, "{name}: {found:?}, {k} analogue years {analogue:?}");
        }
    }
}
