//! Cells per second of the response stage's fit: 2,000 wet cells over 360 months, on one thread.
//!
//! `tests/reference/bench_response.py` does the same fits of the same cells in numpy; `make bench-response` runs both and
//! prints the ratio. A line of standard output gives the mean of all coefficients, by which the two are seen to agree.

#![allow(missing_docs, reason = "the macro of the harness makes an undocumented function")]
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    reason = "a bench may stop at the first thing that is wrong"
)]

use std::f64::consts::TAU;
use std::hint::black_box;
use std::time::Duration;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use lentic_habitat::response::{Design, Groups, Months, SampleCell, Spreads, inverse_logit};
use lentic_habitat::water::{BitRows, MonthAxis};
use lentic_numerics::seed::{hash64, unit};

const SEED: u64 = 7;
const CELLS: usize = 2_000;
const MONTHS: usize = 360;
/// Share of months not seen.
const GAPS: f64 = 0.15;

fn index(t: usize) -> f64 {
    let t = t as f64;
    (t / 9.0).sin() + 0.8 * (t / 23.0 + 1.0).cos()
}

/// Draw `k` of a cell, in [0, 1).
fn draw(cell: usize, k: usize) -> f64 {
    unit(hash64(SEED, cell as u64, k as u64))
}

fn cells(axis: &MonthAxis) -> BitRows {
    let mut rows = BitRows::new(axis, CELLS);
    for cell in 0..CELLS {
        let beta = [0, 1, 2, 3].map(|k| draw(cell, k));
        let beta = [4.0 * beta[0] - 2.0, 0.5 + beta[1], beta[2] - 0.5, beta[3] - 1.5];
        for t in 0..MONTHS {
            let angle = TAU * (t % 12 + 1) as f64 / 12.0;
            let eta = beta[0] + beta[1] * index(t) + beta[2] * angle.sin() + beta[3] * angle.cos();
            if draw(cell, 4 + 2 * t) >= GAPS {
                rows.set(cell, t, draw(cell, 5 + 2 * t) < inverse_logit(eta));
            }
        }
    }
    rows
}

fn response(criterion: &mut Criterion) {
    let axis = MonthAxis { first: "1991-01".parse().expect("a month"), len: MONTHS };
    let z: Vec<Option<f64>> = (0..MONTHS).map(|t| Some(index(t))).collect();
    let design = Design::new(&axis, &z);
    let rows = cells(&axis);
    let sample: Vec<SampleCell> = (0..CELLS)
        .map(|cell| SampleCell {
            group: None,
            climate: 0,
            pool: None,
            ground: f64::NAN,
            observed: rows.observed(cell).to_vec(),
            wet: rows.wet(cell).to_vec(),
        })
        .collect();
    let spreads = Spreads { intercept: 10.0, index: 0.5, season: 1.0 };
    let groups = Groups::fit(std::slice::from_ref(&design), &axis, &sample, spreads).expect("cells to fit");
    let mut months = Months::default();
    let mut all = || -> f64 {
        (0..CELLS)
            .map(|cell| {
                let (observed, wet) = (rows.observed(cell), rows.wet(cell));
                groups.fit_cell(&design, observed, wet, (None, f64::NAN), &mut months).0.iter().sum::<f64>()
            })
            .sum()
    };
    println!("mean coefficient {:.9}, weight {:.9}", all() / (4 * CELLS) as f64, groups.all().weight);
    let mut group = criterion.benchmark_group("response");
    group.throughput(Throughput::Elements(CELLS as u64)).sample_size(20);
    group.measurement_time(Duration::from_secs(10));
    group.bench_function("fit_cell", |bencher| bencher.iter(|| black_box(all())));
    group.finish();
}

criterion_group!(benches, response);
criterion_main!(benches);
