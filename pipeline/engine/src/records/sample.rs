//! What is measured at records and at a background of assessed cells, in the modelled baseline.

use super::{Record, Vetted};
use crate::error::EngineError;
use crate::stages::Context;
use crate::stages::scenarios::{Case, CaseWater};
use crate::stages::suitability::measure_window;
use crate::stages::water::WaterProducts;
use lentic_habitat::folds::Place;
use lentic_habitat::suitability::Measured;
use lentic_habitat::validation::Places;
use lentic_numerics::seed::{hash64, unit};
use lentic_raster::Window;
use lentic_study::settings::Records;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::{Mutex, PoisonError};

/// Sets the draw of background apart from other draws of the seed.
const PURPOSE: u64 = 0x6261_636b;

/// Cells with what was measured there.
#[derive(Clone, Debug, Default)]
pub struct Sample {
    /// Row and column in the grid.
    pub cells: Vec<Place>,
    /// Measures and barriers.
    pub places: Places,
    /// The study's suitability, as stored.
    pub suitability: Vec<f32>,
}

impl Sample {
    /// Suitability as scores.
    pub fn scores(&self) -> Vec<f64> {
        self.suitability.iter().map(|s| f64::from(*s)).collect()
    }
}

/// Records and background.
#[derive(Clone, Debug, Default)]
pub struct Drawn {
    /// Presences in assessed cells.
    pub presences: Sample,
    /// Their positions among the vetted presences.
    pub kept: Vec<usize>,
    /// Absences in assessed cells.
    pub absences: Sample,
    /// Their positions among the vetted absences.
    pub kept_absences: Vec<usize>,
    /// Assessed cells that stand for the ground.
    pub background: Sample,
    /// Records whose cell has no survey effort, where effort is given.
    pub without_effort: usize,
}

/// A measure at one cell.
#[derive(Clone, Copy, Debug)]
enum Value {
    Number(f32),
    Code(i32),
    Years { measure: f32, score: f32 },
}

/// An assessed cell.
#[derive(Clone, Debug)]
struct One {
    values: Vec<Value>,
    /// Factor of nearness by requisite, where it must be near another.
    nearness: Vec<Option<f64>>,
    barrier: bool,
    suitability: f32,
}

/// Order in which background is taken: the key's bits (rising with the key, which is not negative), row, column.
type Rank = (u64, usize, usize);

/// What tiles find, gathered in an order that does not depend on them.
#[derive(Default)]
struct Gathered {
    background: BTreeMap<Rank, One>,
    /// By row and column.
    records: BTreeMap<Place, One>,
    without_effort: usize,
}

/// Measures the baseline in every tile and keeps the cells of records and the background.
///
/// A cell's key is -ln(1 - u) / effort, u uniform in [0, 1) from a hash of seed, row and column; the cells with the smallest keys
/// are taken. That draws without replacement in proportion to effort (Efraimidis and Spirakis 2006, Information Processing
/// Letters 97:181-185), or evenly without a layer of effort, whatever the tiles.
///
/// # Errors
/// A layer that cannot be read, or a disk that refuses.
pub fn draw(
    context: &Context,
    water: &WaterProducts,
    case: &Case,
    case_water: &CaseWater,
    vetted: &Vetted,
    records: &Records,
) -> Result<Drawn, EngineError> {
    let place = |r: &Record| (r.cell.row, r.cell.col);
    let wanted: BTreeSet<Place> = vetted.presences.iter().chain(&vetted.absences).map(place).collect();
    let gathered: Mutex<Gathered> = Mutex::default();
    context.over_tiles("measuring at records", |_, window| {
        let inside = water.inside.read(&window)?;
        if inside.iter().all(|inside| *inside == 0) {
            return Ok(());
        }
        let here = measure_window(context, case, case_water, window)?;
        let scores = &here.suitability;
        let effort = effort(context, records, window)?;
        let one = |cell: usize| One {
            values: here.measured.iter().map(|m| value(m, cell)).collect(),
            nearness: here.nearness.iter().map(|factors| factors.get(cell).copied()).collect(),
            barrier: here.barrier[cell],
            suitability: scores[cell],
        };
        let assessed = |cell: usize| inside[cell] == 1 && !scores[cell].is_nan();
        let place = |cell: usize| (window.row + cell / window.cols, window.col + cell % window.cols);
        let mut ranks: Vec<(Rank, usize)> = (0..window.len())
            .filter(|cell| assessed(*cell) && effort[*cell] > 0.0)
            .map(|cell| {
                let (row, col) = place(cell);
                let u = unit(hash64(context.study.seed ^ PURPOSE, row as u64, col as u64));
                let key = -(-u).ln_1p() / f64::from(effort[cell]);
                ((key.to_bits(), row, col), cell)
            })
            .collect();
        ranks.sort_unstable();
        ranks.truncate(records.background);
        let of_records: Vec<(Place, usize)> = records_in(&wanted, window)
            .map(|(row, col)| ((row, col), (row - window.row) * window.cols + col - window.col))
            .filter(|(_, cell)| assessed(*cell))
            .collect();
        let last = {
            let all = gathered.lock().unwrap_or_else(PoisonError::into_inner);
            all.background
                .last_key_value()
                .map(|(rank, _)| *rank)
                .filter(|_| all.background.len() >= records.background)
        };
        ranks.retain(|(rank, _)| last.is_none_or(|last| *rank < last));
        let taken: Vec<(Rank, One)> = ranks.into_iter().map(|(rank, cell)| (rank, one(cell))).collect();
        let mut all = gathered.lock().unwrap_or_else(PoisonError::into_inner);
        for (place, cell) in of_records {
            all.without_effort += usize::from(effort[cell].is_nan() || effort[cell] <= 0.0);
            all.records.insert(place, one(cell));
        }
        for (rank, one) in taken {
            all.background.insert(rank, one);
            if all.background.len() > records.background {
                all.background.pop_last();
            }
        }
        Ok(())
    })?;
    let Gathered { background, records: found, without_effort } =
        gathered.into_inner().unwrap_or_else(PoisonError::into_inner);
    let at = |records: &[Record]| -> (Vec<usize>, Sample) {
        let kept: Vec<usize> =
            (0..records.len()).filter(|at| found.contains_key(&place(&records[*at]))).collect();
        let ones = kept.iter().filter_map(|at| {
            let place = place(&records[*at]);
            found.get(&place).map(|one| (place, one))
        });
        let sample = sample(ones);
        (kept, sample)
    };
    let (kept, presences) = at(&vetted.presences);
    let (kept_absences, absences) = at(&vetted.absences);
    // in reading order, which is nobody's
    let ground: BTreeMap<Place, One> =
        background.into_iter().map(|((_, row, col), one)| ((row, col), one)).collect();
    let background = sample(ground.iter().map(|(place, one)| (*place, one)));
    Ok(Drawn { presences, kept, absences, kept_absences, background, without_effort })
}

/// Survey effort of a window; 1 everywhere without a layer of it.
fn effort(context: &Context, records: &Records, window: Window) -> Result<Vec<f32>, EngineError> {
    match records.effort.as_ref().and_then(|name| context.study.layer(name)) {
        Some(layer) => context.layers.numbers(layer, window),
        None => Ok(vec![1.0; window.len()]),
    }
}

/// Cells of records in a window.
fn records_in(wanted: &BTreeSet<Place>, window: Window) -> impl Iterator<Item = Place> + '_ {
    let rows = wanted.range((window.row, 0)..(window.end_row(), 0)).copied();
    rows.filter(move |(_, col)| (window.col..window.end_col()).contains(col))
}

fn value(measured: &Measured, cell: usize) -> Value {
    match measured {
        Measured::Numbers(values) => Value::Number(values[cell]),
        Measured::Codes(codes) => Value::Code(codes[cell]),
        Measured::Years { measure, score } => Value::Years { measure: measure[cell], score: score[cell] },
    }
}

fn sample<'a>(ones: impl Iterator<Item = (Place, &'a One)>) -> Sample {
    let mut sample = Sample::default();
    for (place, one) in ones {
        if sample.places.measured.is_empty() {
            let empty = |value: &Value| match value {
                Value::Number(_) => Measured::Numbers(Vec::new()),
                Value::Code(_) => Measured::Codes(Vec::new()),
                Value::Years { .. } => Measured::Years { measure: Vec::new(), score: Vec::new() },
            };
            sample.places.measured = one.values.iter().map(empty).collect();
            sample.places.nearness = vec![Vec::new(); one.nearness.len()];
        }
        for (column, value) in sample.places.measured.iter_mut().zip(&one.values) {
            match (column, value) {
                (Measured::Numbers(column), Value::Number(number)) => column.push(*number),
                (Measured::Codes(column), Value::Code(code)) => column.push(*code),
                (Measured::Years { measure, score }, Value::Years { measure: mean, score: own }) => {
                    measure.push(*mean);
                    score.push(*own);
                }
                // one variable is measured in one way everywhere
                _ => {}
            }
        }
        for (column, factor) in sample.places.nearness.iter_mut().zip(&one.nearness) {
            column.extend(factor);
        }
        sample.places.barrier.push(one.barrier);
        sample.suitability.push(one.suitability);
        sample.cells.push(place);
    }
    sample
}
