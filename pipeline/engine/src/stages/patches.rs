//! Patches of every case: a scan over rows, then cores and nearest neighbours.

use super::scenarios::{Case, CaseWater};
use super::suitability::SuitabilityProducts;
use super::{Context, bands};
use crate::error::EngineError;
use lentic_habitat::nearest_patch::nearest_neighbours;
use lentic_habitat::patches::{EdgeCell, Patch, Row, Scan, Standing, edge_cells};
use lentic_numerics::distance::{FAR, squared_distance};
use lentic_numerics::exact_sum::ExactSum;
use lentic_raster::{Grid, Scratch};
use rayon::prelude::*;

/// Patches of one case.
pub struct CasePatches {
    /// Patches in number order.
    pub patches: Vec<Patch>,
    /// Core area of each, square metres, if an edge depth is set.
    pub core: Option<Vec<f64>>,
    /// Distance to the nearest other patch, metres.
    pub nearest: Vec<Option<f64>>,
    /// Patch number of every cell, 0 none.
    pub labels: Scratch<u32>,
}

/// Finds the patches of all cases.
///
/// # Errors
/// When the disk refuses.
pub fn run(
    context: &Context,
    cases: &[Case],
    case_water: &[CaseWater],
    products: &SuitabilityProducts,
) -> Result<Vec<CasePatches>, EngineError> {
    let cells = (context.grid.len() * cases.len()) as u64;
    context.progress.start("finding patches", cells);
    let found: Vec<Result<CasePatches, EngineError>> = (0..cases.len())
        .into_par_iter()
        .map(|at| {
            let result = one_case(context, &cases[at].name, &case_water[at], products, at);
            context.progress.advance(context.grid.len() as u64);
            result
        })
        .collect();
    context.progress.finish();
    found.into_iter().collect()
}

fn one_case(
    context: &Context,
    name: &str,
    water: &CaseWater,
    products: &SuitabilityProducts,
    at: usize,
) -> Result<CasePatches, EngineError> {
    let cells = (&products.standing[at], &products.suitability[at], &water.hydroperiod);
    find(context, name, cells, products.zones.as_ref())
}

/// The patches of cells with these `Standing` codes, suitability and hydroperiod.
///
/// # Errors
/// When the disk refuses.
pub fn find(
    context: &Context,
    name: &str,
    (standing, suitability_of, months_of): (&Scratch<u8>, &Scratch<f32>, &Scratch<f32>),
    zones_of: Option<&Scratch<u32>>,
) -> Result<CasePatches, EngineError> {
    let grid = context.grid;
    let settings = &context.study.patches;
    let labels = context.words(&format!("patches_{name}"))?;
    let mut scan = Scan::new(settings.corners_join);
    for band in bands(grid) {
        let outer = band.with_margin(1, grid);
        let states = standing.read(&outer)?;
        let suitability = suitability_of.read(&band)?;
        let months = months_of.read(&band)?;
        let zones = match zones_of {
            Some(zones) => zones.read(&band)?.into_iter().map(|z| z as i32).collect(),
            None => Vec::new(),
        };
        let mut provisional = vec![0u32; band.len()];
        let row_of = |row: usize| &states[(row - outer.row) * grid.cols..(row - outer.row + 1) * grid.cols];
        for row in band.row..band.row + band.rows {
            let own = (row - band.row) * grid.cols..(row - band.row + 1) * grid.cols;
            let input = Row {
                above: (row > 0).then(|| row_of(row - 1)),
                standing: row_of(row),
                below: (row + 1 < grid.rows).then(|| row_of(row + 1)),
                suitability: &suitability[own.clone()],
                hydroperiod: &months[own.clone()],
                zones: if zones.is_empty() { &[] } else { &zones[own.clone()] },
                cell_area: context.areas.area_m2(row),
            };
            scan.push(&input, &mut provisional[own]);
        }
        labels.write(&band, &provisional)?;
    }
    let (patches, by_label) = scan.finish(settings.minimum_ha * 10_000.0)?;
    for band in bands(grid) {
        let mut numbers = labels.read(&band)?;
        numbers.iter_mut().for_each(|l| *l = by_label[*l as usize]);
        labels.write(&band, &numbers)?;
    }
    let core = (settings.edge_m > 0.0)
        .then(|| cores(context, standing, &labels, patches.len(), settings.edge_m))
        .transpose()?;
    let nearest = neighbours(grid, &labels, patches.len())?;
    Ok(CasePatches { patches, core, nearest, labels })
}

/// Area of each patch farther than `edge_m` from compared non-habitat, square metres.
fn cores(
    context: &Context,
    standing: &Scratch<u8>,
    labels: &Scratch<u32>,
    patches: usize,
    edge_m: f64,
) -> Result<Vec<f64>, EngineError> {
    let grid = context.grid;
    let mut sums = vec![ExactSum::default(); patches];
    let reach = (edge_m / grid.cell_m).ceil() as usize;
    for band in bands(grid) {
        let outer = band.with_margin(reach, grid);
        let other: Vec<bool> = standing.read(&outer)?.iter().map(|s| *s == Standing::Other as u8).collect();
        let squared = squared_distance(&other, outer.rows, outer.cols, reach as u32);
        let numbers = labels.read(&band)?;
        for (cell, label) in numbers.iter().enumerate().filter(|(_, label)| **label > 0) {
            let row = band.row + cell / grid.cols;
            let at = squared[(row - outer.row) * outer.cols + cell % grid.cols];
            if at == FAR || f64::from(at).sqrt() * grid.cell_m > edge_m {
                sums[*label as usize - 1].add(context.areas.area_m2(row));
            }
        }
    }
    Ok(sums.iter().map(|sum| sum.value().unwrap_or(f64::NAN)).collect())
}

/// Edge cells of all patches.
///
/// # Errors
/// When the disk refuses.
pub fn edges(grid: &Grid, labels: &Scratch<u32>) -> Result<Vec<EdgeCell>, EngineError> {
    let mut edges = Vec::new();
    for band in bands(grid) {
        let outer = band.with_margin(1, grid);
        let numbers = labels.read(&outer)?;
        let row_of = |row: usize| &numbers[(row - outer.row) * grid.cols..(row - outer.row + 1) * grid.cols];
        for row in band.row..band.row + band.rows {
            let above = (row > 0).then(|| row_of(row - 1));
            let below = (row + 1 < grid.rows).then(|| row_of(row + 1));
            edge_cells(row, above, row_of(row), below, &mut edges);
        }
    }
    Ok(edges)
}

fn neighbours(grid: &Grid, labels: &Scratch<u32>, patches: usize) -> Result<Vec<Option<f64>>, EngineError> {
    let cells = nearest_neighbours(patches, edges(grid, labels)?);
    Ok(cells.into_iter().map(|d| d.map(|d| d * grid.cell_m)).collect())
}
