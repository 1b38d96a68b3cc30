//! What a cell sees about it, on 2000 x 2000 cells and one thread: the share of a class within 100 cells (a disc of 31,417),
//! the distance to the nearest cell of a class, the slope; and the years of 2,000 cells drawn one by one.

#![allow(missing_docs, reason = "the macro of the harness makes an undocumented function")]
#![allow(clippy::unwrap_used, reason = "a bench may stop at the first thing that is wrong")]

use std::hint::black_box;
use std::time::Duration;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use lentic_habitat::measure::{Block, distance_to, share_within, slope};
use lentic_habitat::response::Design;
use lentic_habitat::water::MonthAxis;
use lentic_habitat::yearly::{Chance, Drawer, Room, cell_hash};
use lentic_numerics::seed::{hash64, unit};
use lentic_study::settings::{Average, Measure};

const SIDE: usize = 2_000;
const CELL_M: f64 = 30.0;
/// Cells whose years are drawn.
const DRAWN: usize = 2_000;

fn random(cell: usize) -> f64 {
    unit(hash64(3, cell as u64, 0))
}

fn bench(criterion: &mut Criterion) {
    let block = Block::whole(SIDE, SIDE);
    let targets: Vec<bool> = (0..block.len()).map(|cell| random(cell) < 0.01).collect();
    let known: Vec<bool> = (0..block.len()).map(|cell| random(cell) < 0.95).collect();
    let ground: Vec<f32> = (0..block.len()).map(|cell| random(cell) as f32).collect();
    let mut group = criterion.benchmark_group("surroundings");
    group.sample_size(10).measurement_time(Duration::from_secs(10));
    group.throughput(Throughput::Elements(block.len() as u64));
    for cells in [10.0, 100.0] {
        group.bench_function(format!("share within {cells} cells"), |bencher| {
            bencher.iter(|| share_within(black_box(&block), &targets, &known, CELL_M, cells * CELL_M));
        });
        group.bench_function(format!("distance up to {cells} cells"), |bencher| {
            bencher.iter(|| distance_to(black_box(&block), &targets, CELL_M, cells * CELL_M));
        });
    }
    group.bench_function("slope", |bencher| bencher.iter(|| slope(black_box(&block), &ground, CELL_M)));
    let axis = MonthAxis { first: "1991-01".parse().unwrap(), len: 360 };
    let design = Design::new(&axis, &vec![Some(0.0); axis.len]);
    let measures = [
        &Measure::LongestWetSpell { average: Average::Score },
        &Measure::WetAndWarmMonths { window_c: [16.0, 33.0], average: Average::Score },
    ];
    let drawer = Drawer::new(&design, &measures, 1, &vec![20.0; axis.len], 10);
    group.throughput(Throughput::Elements(DRAWN as u64));
    group.bench_function("thirty years drawn ten times", |bencher| {
        let mut room = Room::default();
        bencher.iter(|| {
            (0..DRAWN)
                .map(|cell| {
                    let beta = [2.0 * random(cell) - 1.0, 0.0, 1.0, 0.5];
                    drawer.cell(
                        &design,
                        &beta,
                        0.0,
                        Chance { lag1: 0.5, cell: cell_hash(1, 0, cell), numbers: None },
                        &mut room,
                    )[0]
                    .measure()
                })
                .sum::<f64>()
        });
    });
    group.finish();
}

criterion_group!(surroundings, bench);
criterion_main!(surroundings);
