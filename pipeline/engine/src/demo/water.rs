//! The water balance of every pool, month by month: the truth behind the demo's images.

use super::climate::{BASELINE_START, Climate, MONTHS};
use super::terrain::{CELL_M2, Pool, PoolKind, Terrain};

/// Open water loses this much more than the potential evapotranspiration.
const OPEN_WATER: f64 = 1.1;
/// Water the soil of the catchments holds before it sheds any, mm.
const SOIL_MM: f64 = 80.0;
/// Share of the surplus that reaches the pool; the rest is lost below ground.
const SHED: f64 = 0.5;
/// Steps per month: evaporation follows the shrinking water within a month.
const STEPS: usize = 10;
/// Usual net loss of open water, metres a year, by which spring flow is measured.
const USUAL_LOSS_M: f64 = 0.62;

/// Volumes that entered and left a pool in one month, cubic metres.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Flows {
    pub rain: f64,
    pub runoff: f64,
    pub spring: f64,
    pub received: f64,
    pub evaporation: f64,
    pub seepage: f64,
    pub spilt: f64,
}

impl Flows {
    /// Adds another month's.
    pub(super) fn add(&mut self, other: &Flows) {
        self.rain += other.rain;
        self.runoff += other.runoff;
        self.spring += other.spring;
        self.received += other.received;
        self.evaporation += other.evaporation;
        self.seepage += other.seepage;
        self.spilt += other.spilt;
    }
}

/// One pool through time; index 0 is the first month of the climate series.
pub(super) struct History {
    /// Water level at the end of each month, metres; the lowest point of the bed when dry.
    pub stage: Vec<f64>,
    /// Water held at the end of each month, cubic metres.
    pub volume: Vec<f64>,
    /// What came and went.
    pub flows: Vec<Flows>,
}

/// The form of a pool: level, area and volume from its own cells.
struct Form {
    /// Bed elevations, rising.
    bed: Vec<f64>,
    /// Water held when the level reaches each of them, cubic metres.
    held: Vec<f64>,
    sill: f64,
    full: f64,
}

impl Form {
    fn new(pool: &Pool, bed: &[f64]) -> Self {
        let mut bed: Vec<f64> = pool.cells.iter().map(|c| bed[*c]).collect();
        bed.sort_by(f64::total_cmp);
        let mut held = Vec::with_capacity(bed.len());
        let mut below = 0.0;
        for (k, z) in bed.iter().enumerate() {
            held.push(CELL_M2 * (k as f64 * z - below));
            below += z;
        }
        let sill = pool.sill_m;
        let full = bed.iter().map(|z| (sill - z).max(0.0)).sum::<f64>() * CELL_M2;
        Form { bed, held, sill, full }
    }

    /// Cells under water while `volume` is held.
    fn wet_cells(&self, volume: f64) -> usize {
        self.held.partition_point(|v| *v < volume)
    }

    fn stage(&self, volume: f64) -> f64 {
        let k = self.wet_cells(volume);
        match k {
            0 => self.bed.first().copied().unwrap_or(self.sill),
            _ => self.bed[k - 1] + (volume - self.held[k - 1]) / (k as f64 * CELL_M2),
        }
    }
}

/// Runs every pool through the whole series.
pub(super) fn run(terrain: &Terrain, climate: &Climate) -> Vec<History> {
    let pools = &terrain.pools;
    let forms: Vec<Form> = pools.iter().map(|p| Form::new(p, &terrain.bed)).collect();
    let loss = climate.evapotranspiration();
    let surplus = surplus_mm(&climate.rain, &loss);
    // Uphill first, so that a spill arrives within its step.
    let mut order: Vec<usize> = (0..pools.len()).collect();
    order.sort_by(|a, b| pools[*b].sill_m.total_cmp(&pools[*a].sill_m));

    let mut volume: Vec<f64> = forms.iter().map(|f| 0.5 * f.full).collect();
    let mut histories: Vec<History> = volume
        .iter()
        .map(|_| History {
            stage: Vec::with_capacity(MONTHS),
            volume: Vec::with_capacity(MONTHS),
            flows: Vec::with_capacity(MONTHS),
        })
        .collect();
    for t in 0..climate.months.len() {
        let part = 1.0 / STEPS as f64;
        let weather = Weather {
            rain_m: climate.rain[t] / 1000.0 * part,
            loss_m: OPEN_WATER * loss[t] / 1000.0 * part,
            surplus_m: surplus[t] / 1000.0 * part,
            days: f64::from(climate.months[t].days()) * part,
        };
        let mut flows = vec![Flows::default(); pools.len()];
        for _ in 0..STEPS {
            let mut arriving = vec![0.0; pools.len()];
            for &i in &order {
                let spilt = step(&pools[i], &forms[i], &weather, arriving[i], &mut volume[i], &mut flows[i]);
                if let Some(next) = pools[i].downstream {
                    arriving[next] += spilt;
                }
            }
        }
        for (i, history) in histories.iter_mut().enumerate() {
            history.stage.push(forms[i].stage(volume[i]));
            history.volume.push(volume[i]);
            history.flows.push(flows[i]);
        }
    }
    histories
}

struct Weather {
    rain_m: f64,
    loss_m: f64,
    surplus_m: f64,
    days: f64,
}

/// One step of one pool; gives what it spills.
fn step(
    pool: &Pool,
    form: &Form,
    weather: &Weather,
    received: f64,
    volume: &mut f64,
    flows: &mut Flows,
) -> f64 {
    let whole = pool.cells.len() as f64 * CELL_M2;
    let wet = form.wet_cells(*volume) as f64 * CELL_M2;
    // The dry part of the bed sheds what the air does not take at once.
    let dry_bed = (weather.rain_m - weather.loss_m).max(0.0) * (whole - wet);
    let rain = weather.rain_m * wet + dry_bed;
    let runoff = weather.surplus_m * pool.catchment * whole;
    let seepage_m = pool.seepage_mm_day / 1000.0 * weather.days;
    let spring = pool.spring * USUAL_LOSS_M / 365.25 * weather.days * whole;
    let held = *volume + rain + runoff + spring + received;
    let evaporation = (weather.loss_m * wet).min(held);
    let seepage = (seepage_m * wet).min(held - evaporation);
    let left = held - evaporation - seepage;
    let spilt = (left - form.full).max(0.0);
    *volume = left - spilt;
    flows.add(&Flows { rain, runoff, spring, received, evaporation, seepage, spilt });
    spilt
}

/// Runoff of the catchments, mm a month: what a soil store cannot hold, less what goes below ground.
fn surplus_mm(rain: &[f64], loss: &[f64]) -> Vec<f64> {
    let mut soil = 0.5 * SOIL_MM;
    rain.iter()
        .zip(loss)
        .map(|(rain, loss)| {
            let held = soil + rain;
            let dried = (loss * (held / SOIL_MM).min(1.0)).min(held);
            let left = held - dried;
            soil = left.min(SOIL_MM);
            SHED * (left - soil)
        })
        .collect()
}

/// Whether a cell is truly wet in month `t` of the series, with the water level `lower_m` below its own.
pub(super) fn is_wet(terrain: &Terrain, histories: &[History], cell: usize, t: usize, lower_m: f64) -> bool {
    match terrain.pool[cell] {
        0 => false,
        id => histories[id as usize - 1].stage[t] - lower_m > terrain.bed[cell],
    }
}

/// Months per year that each cell is truly wet over the baseline.
pub(super) fn hydroperiod(terrain: &Terrain, histories: &[History], lower_m: f64) -> Vec<f32> {
    let years = (MONTHS - BASELINE_START) as f64 / 12.0;
    (0..terrain.bed.len())
        .map(|cell| {
            let wet =
                (BASELINE_START..MONTHS).filter(|t| is_wet(terrain, histories, cell, *t, lower_m)).count();
            (wet as f64 / years) as f32
        })
        .collect()
}

/// Mean water depth of each cell over its truly wet months of the baseline, metres; 0 where never wet.
pub(super) fn usual_depth(terrain: &Terrain, histories: &[History]) -> Vec<f32> {
    (0..terrain.bed.len())
        .map(|cell| {
            let id = terrain.pool[cell] as usize;
            let (mut sum, mut months) = (0.0, 0u32);
            for t in BASELINE_START..MONTHS {
                if is_wet(terrain, histories, cell, t, 0.0) {
                    sum += histories[id - 1].stage[t] - terrain.bed[cell];
                    months += 1;
                }
            }
            if months == 0 { 0.0 } else { (sum / f64::from(months)) as f32 }
        })
        .collect()
}

impl Pool {
    /// Fed by a spring.
    pub(super) fn spring_fed(&self) -> bool {
        matches!(self.kind, PoolKind::Spring | PoolKind::Seep)
    }
}
