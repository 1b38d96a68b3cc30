//! Ensembles: scenarios that tell the same future in other ways, such as one for each climate model.

use crate::error::EngineError;
use crate::stages::scenarios::Case;
use crate::stages::suitability::SuitabilityProducts;
use crate::stages::{Context, bands};
use lentic_habitat::patches::Standing;
use lentic_numerics::exact_sum::ExactSum;
use lentic_raster::Scratch;
use std::collections::BTreeMap;

/// Scenarios of one name of ensemble.
pub struct Ensemble {
    /// Its name.
    pub name: String,
    /// Positions of its cases.
    pub cases: Vec<usize>,
    /// Share of its scenarios in which a cell is habitat; NaN where it is not compared.
    pub share: Scratch<f32>,
    /// Habitat in all of its scenarios, square metres.
    pub in_all: ExactSum,
    /// Habitat in one of them at least, square metres.
    pub in_some: ExactSum,
}

/// Finds the ensembles, by name.
///
/// # Errors
/// When the disk refuses.
pub fn run(
    context: &Context,
    cases: &[Case],
    products: &SuitabilityProducts,
) -> Result<Vec<Ensemble>, EngineError> {
    let mut named: BTreeMap<&str, Vec<usize>> = BTreeMap::new();
    for (at, case) in cases.iter().enumerate() {
        if let Some(name) = case.scenario.and_then(|scenario| scenario.ensemble.as_deref()) {
            named.entry(name).or_default().push(at);
        }
    }
    named.into_iter().map(|(name, members)| one(context, products, name, members)).collect()
}

fn one(
    context: &Context,
    products: &SuitabilityProducts,
    name: &str,
    cases: Vec<usize>,
) -> Result<Ensemble, EngineError> {
    let share = context.floats(&format!("ensemble_{name}"))?;
    let (mut in_all, mut in_some) = (ExactSum::default(), ExactSum::default());
    for band in bands(context.grid) {
        let mut votes = vec![0usize; band.len()];
        let mut compared = vec![true; band.len()];
        for case in &cases {
            for (cell, standing) in products.standing[*case].read(&band)?.into_iter().enumerate() {
                votes[cell] += usize::from(standing == Standing::Habitat as u8);
                compared[cell] &= standing != Standing::NotCompared as u8;
            }
        }
        for cell in (0..band.len()).filter(|cell| compared[*cell]) {
            let area = context.areas.area_m2(band.row + cell / band.cols);
            if votes[cell] == cases.len() {
                in_all.add(area);
            }
            if votes[cell] > 0 {
                in_some.add(area);
            }
        }
        let of = |cell: usize| {
            if compared[cell] { (votes[cell] as f64 / cases.len() as f64) as f32 } else { f32::NAN }
        };
        share.write(&band, &(0..band.len()).map(of).collect::<Vec<_>>())?;
    }
    Ok(Ensemble { name: name.to_string(), cases, share, in_all, in_some })
}
