//! The ground of the basin: a closed bowl, its pools, its outline.

use super::DemoSize;
use super::draws::{Draws, Noise, Purpose};

/// Side of a cell, metres.
pub(super) const CELL_M: f64 = 30.0;
/// Area of a cell, square metres.
pub(super) const CELL_M2: f64 = CELL_M * CELL_M;
/// Standard deviation of what the ground layer does not show of a pool's bed, metres.
const BED_NOISE_M: f64 = 0.03;
/// Width of the strip that joins a pool's rim to the land, in radii.
const SHORE: f64 = 0.4;
/// Where the sink lies, in units of the half width and half height from the middle.
const SINK: (f64, f64) = (0.10, 0.16);

/// Where a pool's water comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum PoolKind {
    /// Rain and its own catchment.
    Rain,
    /// A spring, and rain.
    Spring,
    /// A spring that only wets the ground about it.
    Seep,
    /// The lowest pool, where spilt water ends.
    Sink,
}

/// A depression that can hold water.
#[derive(Clone, Debug)]
pub(super) struct Pool {
    pub kind: PoolKind,
    /// Centre, in cells.
    pub row: f64,
    pub col: f64,
    /// Radius in cells.
    pub radius: f64,
    /// Longer by this factor along `turn`, shorter across it.
    pub stretch: f64,
    /// Direction of the long axis, radians.
    pub turn: f64,
    /// Deepest point below the sill, metres.
    pub depth_m: f64,
    /// Elevation at which water spills, metres.
    pub sill_m: f64,
    /// Catchment as a multiple of the pool's own area.
    pub catchment: f64,
    /// Loss through the bed, millimetres a day.
    pub seepage_mm_day: f64,
    /// Spring flow as a multiple of the usual net loss from the full pool.
    pub spring: f64,
    /// The pool its spill goes to; `None` leaves the basin.
    pub downstream: Option<usize>,
    /// Its cells, in row-major order.
    pub cells: Vec<usize>,
}

/// The basin.
pub(super) struct Terrain {
    pub rows: usize,
    pub cols: usize,
    /// Elevation in metres as the ground layer holds it, rounded to 1 cm.
    pub ground: Vec<f32>,
    /// True elevation of the bed, metres.
    pub bed: Vec<f64>,
    /// Pool number from 1, 0 outside pools.
    pub pool: Vec<u8>,
    /// Inside the study area.
    pub inside: Vec<bool>,
    pub pools: Vec<Pool>,
}

impl Terrain {
    /// Makes the basin of a seed.
    pub(super) fn new(size: DemoSize, seed: u64) -> Self {
        let (rows, cols) = size.rows_cols();
        let mut relief = Draws::new(seed, Purpose::Relief, 0);
        let hills = Noise::new(&mut relief, rows, cols, cols as f64 / 4.0, 5);
        let shores = Noise::new(&mut relief, rows, cols, size.scale() * 22.0, 3);
        let rough = Noise::new(&mut relief, rows, cols, 6.0, 2);
        let edge = Noise::new(&mut relief, rows, cols, cols as f64 / 5.0, 2);

        let at = |row: usize, col: usize| units(rows, cols, row as f64, col as f64);
        let mut land = vec![0.0; rows * cols];
        let mut inside = vec![false; rows * cols];
        for row in 0..rows {
            for col in 0..cols {
                let (x, y) = at(row, col);
                land[row * cols + col] = bowl(x, y) + 2.4 * hills.at(row, col);
                let outline = x.abs().powf(2.6) + y.abs().powf(2.6);
                inside[row * cols + col] = outline <= 0.90 + 0.10 * edge.at(row, col);
            }
        }
        let mut pools = place_pools(size, seed, &land);
        let (bed, pool) = dig(&land, &mut pools, rows, cols, &shores, &rough);
        let mut beds = Draws::new(seed, Purpose::Beds, 0);
        let ground = bed.iter().map(|z| ((z * 100.0).round() / 100.0) as f32).collect();
        let bed = bed
            .iter()
            .zip(&pool)
            .map(|(z, id)| match id {
                0 => *z,
                _ => z + BED_NOISE_M * beds.normal().clamp(-3.0, 3.0),
            })
            .collect();
        Terrain { rows, cols, ground, bed, pool, inside, pools }
    }
}

/// Position in units of the half width (x, east) and half height (y, south) from the middle.
pub(super) fn units(rows: usize, cols: usize, row: f64, col: f64) -> (f64, f64) {
    ((col + 0.5) / (cols as f64 / 2.0) - 1.0, (row + 0.5) / (rows as f64 / 2.0) - 1.0)
}

/// The bowl without hills, metres.
fn bowl(x: f64, y: f64) -> f64 {
    let square = (x - SINK.0).powi(2) + (y - SINK.1).powi(2);
    112.0 + 9.0 * square + 2.0 * square * square
}

/// Draws the pools: the sink, the springs along the western foot of the slope, the rest anywhere.
fn place_pools(size: DemoSize, seed: u64, land: &[f64]) -> Vec<Pool> {
    let (rows, cols) = size.rows_cols();
    let mut draws = Draws::new(seed, Purpose::Places, 0);
    let scale = size.scale();
    let (springs, rain) = size.pools();
    let mut kinds = vec![PoolKind::Sink];
    kinds.extend(std::iter::repeat_n(PoolKind::Spring, springs));
    kinds.push(PoolKind::Seep);
    kinds.extend(std::iter::repeat_n(PoolKind::Rain, rain));

    let mut pools: Vec<Pool> = Vec::new();
    for (index, kind) in kinds.into_iter().enumerate() {
        // Depths and catchments run over their whole range in an order that is not that of size.
        let step = (index as f64 * 0.618_034).fract();
        let other = (index as f64 * 0.754_878).fract();
        let (radius, depth_m, catchment, seepage_mm_day, spring) = match kind {
            PoolKind::Sink => (34.0, 1.5, 2.5, 0.3, 0.0),
            PoolKind::Spring => (17.0 - 3.0 * step, 1.1 + 0.7 * other, 1.5, 0.0, 1.06),
            PoolKind::Seep => (13.0, 0.4, 1.0, 0.0, 1.06),
            PoolKind::Rain => (
                13.0 + 11.0 * draws.unit(),
                0.4 * (2.5f64 / 0.4).powf(step),
                2.5 * 6.0f64.powf(other),
                0.2 + 0.8 * draws.unit(),
                0.0,
            ),
        };
        let radius = radius * scale;
        let (stretch, turn) = (draws.between(1.0, 1.25), draws.between(0.0, std::f64::consts::PI));
        let mut spacing = 1.0;
        let (row, col) = loop {
            let (x, y) = match kind {
                PoolKind::Sink => SINK,
                PoolKind::Spring | PoolKind::Seep => {
                    (draws.between(-0.74, -0.42), draws.between(-0.60, 0.65))
                }
                PoolKind::Rain => (draws.between(-0.80, 0.80), draws.between(-0.78, 0.78)),
            };
            let col = (x + 1.0) * cols as f64 / 2.0 - 0.5;
            let row = (y + 1.0) * rows as f64 / 2.0 - 0.5;
            let free =
                pools.iter().all(|p| (p.row - row).hypot(p.col - col) > spacing * 1.4 * (p.radius + radius));
            if free && (x.abs().powf(2.6) + y.abs().powf(2.6)) < 0.72 {
                break (row, col);
            }
            // A seed that leaves no room gets closer pools rather than none.
            spacing *= 0.999;
        };
        let sill_m = match kind {
            PoolKind::Sink => land.iter().copied().fold(f64::INFINITY, f64::min),
            _ => land[row as usize * cols + col as usize],
        };
        pools.push(Pool {
            kind,
            row,
            col,
            radius,
            stretch,
            turn,
            depth_m,
            sill_m,
            catchment,
            seepage_mm_day,
            spring,
            downstream: None,
            cells: Vec::new(),
        });
    }
    join_downstream(&mut pools);
    pools
}

/// Spill goes to the nearest lower pool; from the sink it leaves the basin.
fn join_downstream(pools: &mut [Pool]) {
    let places: Vec<_> = pools.iter().map(|p| (p.row, p.col, p.sill_m)).collect();
    for pool in pools.iter_mut() {
        let far = |i: &usize| (places[*i].0 - pool.row).hypot(places[*i].1 - pool.col);
        pool.downstream =
            (0..places.len()).filter(|i| places[*i].2 < pool.sill_m).min_by(|a, b| far(a).total_cmp(&far(b)));
    }
}

/// Digs the pools into the land; gives the bed and the pool of each cell.
fn dig(
    land: &[f64],
    pools: &mut [Pool],
    rows: usize,
    cols: usize,
    shores: &Noise,
    rough: &Noise,
) -> (Vec<f64>, Vec<u8>) {
    let mut bed = land.to_vec();
    let mut owner = vec![0u8; land.len()];
    // Distance of a cell from a pool's centre in radii, bent by the shore noise.
    let reach = |pool: &Pool, row: usize, col: usize| {
        let (down, across) = (row as f64 - pool.row, col as f64 - pool.col);
        let (sine, cosine) = pool.turn.sin_cos();
        let long = (across * cosine + down * sine) / pool.stretch;
        let short = (down * cosine - across * sine) * pool.stretch;
        let straight = long.hypot(short) / pool.radius;
        (straight, straight + 0.42 * shores.at(row, col) * straight.min(1.0))
    };
    for row in 0..rows {
        for col in 0..cols {
            let cell = row * cols + col;
            let nearest = pools.iter().enumerate().map(|(i, p)| (i, reach(p, row, col)));
            let Some((index, (straight, bent))) = nearest.min_by(|a, b| a.1.1.total_cmp(&b.1.1)) else {
                continue;
            };
            let pool = &mut pools[index];
            if bent < 1.0 && straight < 1.6 {
                let uneven = 0.10 * pool.depth_m.min(1.0) * rough.at(row, col);
                let form = if pool.kind == PoolKind::Sink { 2.0 } else { 1.5 };
                let z = pool.sill_m - pool.depth_m * (1.0 - bent.max(0.0).powf(form)) + uneven;
                bed[cell] = z.min(pool.sill_m);
                owner[cell] = index as u8 + 1;
                pool.cells.push(cell);
            } else if bent < 1.0 + SHORE {
                let away = ((bent - 1.0) / SHORE).clamp(0.0, 1.0);
                let rim = pool.sill_m + 0.05;
                bed[cell] = rim + (land[cell] - rim) * away;
            }
        }
    }
    (bed, owner)
}

impl PoolKind {
    /// The kind in a word or two.
    pub(super) fn word(self) -> &'static str {
        match self {
            PoolKind::Rain => "rain-fed",
            PoolKind::Spring => "spring-fed",
            PoolKind::Seep => "spring-fed seep",
            PoolKind::Sink => "sink",
        }
    }
}
