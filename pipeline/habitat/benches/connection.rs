//! The network of 5,000 patches: how well it holds together, and what the loss of each patch would take. Patches lie on a square of 60 km a side,
//! linked within 2 km, half of the animals overcoming 500 m.

#![allow(missing_docs, reason = "the macro of the harness makes an undocumented function")]

use std::hint::black_box;
use std::time::Duration;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use lentic_habitat::connection::{Dispersal, connection};
use lentic_numerics::network::Link;
use lentic_numerics::seed::{hash64, unit};

const PATCHES: usize = 5_000;
const SIDE_M: f64 = 60_000.0;

fn random(patch: usize, of: u64) -> f64 {
    unit(hash64(7, patch as u64, of))
}

fn bench(criterion: &mut Criterion) {
    let dispersal = Dispersal { effective_m: 500.0, limit_m: 2_000.0 };
    let areas: Vec<f64> = (0..PATCHES).map(|patch| 1.0 + 30.0 * random(patch, 2).powi(3)).collect();
    let mut links = Vec::new();
    for a in 0..PATCHES {
        for b in a + 1..PATCHES {
            let [x, y] = [0, 1].map(|of| SIDE_M * (random(a, of) - random(b, of)));
            let p = dispersal.probability(x.hypot(y));
            if p > 0.0 {
                links.push(Link { a: a as u32, b: b as u32, p });
            }
        }
    }
    let mut group = criterion.benchmark_group("connection");
    group.sample_size(10).measurement_time(Duration::from_secs(20));
    group.throughput(Throughput::Elements(PATCHES as u64));
    group.bench_function(format!("{PATCHES} patches, {} links", links.len()), |bencher| {
        bencher.iter(|| connection(black_box(&areas), &areas, 1e6, &links));
    });
    group.finish();
}

criterion_group!(benches, bench);
criterion_main!(benches);
