//! Where the patches and the water of a case lie: squares, outermost cells, places, and what they share with today's patches.

use crate::error::EngineError;
use crate::layers::known;
use crate::stages::patches::CasePatches;
use crate::stages::scenarios::CaseWater;
use crate::stages::suitability::SuitabilityProducts;
use crate::stages::{Context, bands};
use lentic_habitat::patches::Standing;
use lentic_numerics::exact_sum::ExactSum;
use lentic_numerics::range_measures::{Square, square_of};
use lentic_raster::{Cell, Window};
use lentic_study::settings::{PlacesBy, Role};
use rayon::prelude::*;
use std::collections::BTreeMap;

/// Side of the finest squares, metres: occupied squares of 2 km are shifted by this (ours).
pub const STEP_M: f64 = 100.0;
/// Squares of an area of occupancy are 2 x 2 km (IUCN guidelines, section 4.10, from memory).
pub const OCCUPANCY_STEPS: i64 = 20;
/// Side of the squares that ecosystems are counted on, metres (Keith et al. 2013).
pub const ECOSYSTEM_M: f64 = 10_000.0;

/// The patches and the water of one case on the ground.
#[derive(Clone, Debug, Default)]
pub struct Footprint {
    /// Squares of `STEP_M` by patch number, each once.
    pub squares: Vec<(u32, Square)>,
    /// Centres of the outermost cells of each row of each patch.
    pub ends: Vec<(u32, [f64; 2])>,
    /// Cells by patch number and place (pool or zone).
    pub places: BTreeMap<(u32, i32), u64>,
    /// Cells shared by a patch of today and one of this case: numbers of both.
    pub shared: BTreeMap<(u32, u32), u64>,
    /// Water: compared cells whose hydroperiod makes them water.
    pub water: WaterExtent,
}

/// Where water is.
#[derive(Clone, Debug, Default)]
pub struct WaterExtent {
    /// Square metres.
    pub area: ExactSum,
    /// Squares of `ECOSYSTEM_M`, each once.
    pub squares: Vec<Square>,
    /// Centres of the outermost cells of each row.
    pub ends: Vec<[f64; 2]>,
}

/// Looks over all cases, the baseline first.
///
/// # Errors
/// A layer that cannot be read, or a disk that refuses.
pub fn footprints(
    context: &Context,
    case_water: &[CaseWater],
    suitability: &SuitabilityProducts,
    patches: &[CasePatches],
    places: Option<PlacesBy>,
) -> Result<Vec<Footprint>, EngineError> {
    context.progress.start("measuring range", (context.grid.len() * patches.len()) as u64);
    let found: Vec<Result<Footprint, EngineError>> = (0..patches.len())
        .into_par_iter()
        .map(|at| {
            let mut footprint = Footprint::default();
            for band in bands(context.grid) {
                footprint.add(context, band, &case_water[at], suitability, patches, at, places)?;
                context.progress.advance(band.len() as u64);
            }
            footprint.water.squares.sort_unstable();
            footprint.water.squares.dedup();
            Ok(footprint)
        })
        .collect();
    context.progress.finish();
    found.into_iter().collect()
}

impl Footprint {
    #[allow(clippy::too_many_arguments)]
    fn add(
        &mut self,
        context: &Context,
        band: Window,
        water: &CaseWater,
        suitability: &SuitabilityProducts,
        patches: &[CasePatches],
        at: usize,
        places: Option<PlacesBy>,
    ) -> Result<(), EngineError> {
        let grid = context.grid;
        let labels = patches[at].labels.read(&band)?;
        let today = if at == 0 { labels.clone() } else { patches[0].labels.read(&band)? };
        let standing = suitability.standing[at].read(&band)?;
        let months = water.hydroperiod.read(&band)?;
        let places = match places {
            Some(PlacesBy::Pools) => context.layers.codes_with(Role::Pools, band)?,
            Some(PlacesBy::Zones) => context.layers.codes_with(Role::Zones, band)?,
            None => None,
        };
        let limit = context.study.inundation.water_limit_months;
        for row in band.row..band.row + band.rows {
            let own = (row - band.row) * grid.cols..(row - band.row + 1) * grid.cols;
            let centre = |col: usize| {
                let point = grid.centre(Cell { row, col });
                [point.x, point.y]
            };
            let mut ends: BTreeMap<u32, (usize, usize)> = BTreeMap::new();
            let mut wet: Option<(usize, usize)> = None;
            for (col, cell) in own.enumerate() {
                let label = labels[cell];
                if label > 0 {
                    ends.entry(label).and_modify(|(_, last)| *last = col).or_insert((col, col));
                    self.note(label, square_of(centre(col), STEP_M));
                    if let Some(code) = places.as_ref().and_then(|codes| known(codes[cell])) {
                        *self.places.entry((label, code)).or_default() += 1;
                    }
                    if today[cell] > 0 {
                        *self.shared.entry((today[cell], label)).or_default() += 1;
                    }
                }
                if standing[cell] != Standing::NotCompared as u8 && f64::from(months[cell]) >= limit {
                    wet = Some((wet.map_or(col, |(first, _)| first), col));
                    self.water.area.add(context.areas.area_m2(row));
                    let square = square_of(centre(col), ECOSYSTEM_M);
                    if self.water.squares.last() != Some(&square) {
                        self.water.squares.push(square);
                    }
                }
            }
            for (label, (first, last)) in ends {
                self.ends.push((label, centre(first)));
                if last > first {
                    self.ends.push((label, centre(last)));
                }
            }
            if let Some((first, last)) = wet {
                self.water.ends.extend([centre(first), centre(last)]);
            }
        }
        self.squares.sort_unstable();
        self.squares.dedup();
        self.water.squares.sort_unstable();
        self.water.squares.dedup();
        Ok(())
    }

    /// Notes a square, unless it was the last one noted.
    fn note(&mut self, label: u32, square: Square) {
        if self.squares.last() != Some(&(label, square)) {
            self.squares.push((label, square));
        }
    }

    /// Each patch's place: the one with most of its cells (ties: lowest code); `None` where it lies in none. By number - 1.
    pub fn place_of_patches(&self, patches: usize) -> Vec<Option<i32>> {
        let mut best: Vec<Option<(u64, i32)>> = vec![None; patches];
        for ((label, code), cells) in &self.places {
            if let Some(best) = best.get_mut(*label as usize - 1)
                && best.is_none_or(|(most, _)| *cells > most)
            {
                *best = Some((*cells, *code));
            }
        }
        best.into_iter().map(|best| best.map(|(_, code)| code)).collect()
    }
}
