//! Rasters of how far each case lies outside the conditions at the records, and the areas that do.

use crate::error::EngineError;
use crate::scoring::Scorer;
use crate::stages::Context;
use crate::stages::scenarios::{Case, CaseWater};
use crate::stages::suitability::SuitabilityProducts;
use lentic_habitat::novelty::Envelope;
use lentic_habitat::patches::Standing;
use lentic_numerics::exact_sum::ExactSum;
use lentic_raster::Scratch;

/// Novelty of one case.
pub struct CaseNovelty {
    /// Novelty; NaN outside the study area and where no variable is known.
    pub novelty: Scratch<f32>,
    /// Number of the variable farthest outside, from 1 in the order of the study; 0 inside.
    pub variable: Scratch<f32>,
    /// Areas outside: by any variable, then by each.
    pub areas: Vec<Areas>,
    /// Areas compared.
    pub compared: Areas,
}

/// Square metres.
#[derive(Clone, Copy, Debug, Default)]
pub struct Areas {
    /// Of compared cells.
    pub all: ExactSum,
    /// Of those that are habitat.
    pub habitat: ExactSum,
}

impl Areas {
    fn add(&mut self, habitat: bool, area: f64) {
        self.all.add(area);
        if habitat {
            self.habitat.add(area);
        }
    }

    fn merge(&mut self, other: &Areas) {
        self.all.merge(&other.all);
        self.habitat.merge(&other.habitat);
    }
}

/// Measures every case once more and holds it against the envelope.
///
/// # Errors
/// A layer that cannot be read, or a disk that refuses.
pub fn run(
    context: &Context,
    cases: &[Case],
    case_water: &[CaseWater],
    suitability: &SuitabilityProducts,
    inside: &Scratch<u8>,
    envelope: &Envelope,
) -> Result<Vec<CaseNovelty>, EngineError> {
    let variables = envelope.0.len();
    let mut all: Vec<CaseNovelty> = cases
        .iter()
        .map(|case| {
            Ok(CaseNovelty {
                novelty: context.floats(&format!("novelty_{}", case.name))?,
                variable: context.floats(&format!("novel_variable_{}", case.name))?,
                areas: vec![Areas::default(); variables + 1],
                compared: Areas::default(),
            })
        })
        .collect::<Result<_, EngineError>>()?;
    let scorer = Scorer::new(context.layers);
    let tiles = context.over_tiles("looking for new conditions", |_, window| {
        let inside = inside.read(&window)?;
        let mut totals = Vec::with_capacity(cases.len());
        let tile = scorer.tile(window)?;
        for (at, (case, case_water)) in cases.iter().zip(case_water).enumerate() {
            let measured = tile.score(case.scenario, case_water)?.measured();
            let standing = suitability.standing[at].read(&window)?;
            let mut novelty = vec![f32::NAN; window.len()];
            let mut variable = vec![f32::NAN; window.len()];
            let mut areas = vec![Areas::default(); variables + 1];
            let mut compared = Areas::default();
            for cell in (0..window.len()).filter(|cell| inside[*cell] == 1) {
                let Some(found) = envelope.novelty(&measured, cell) else { continue };
                novelty[cell] = found.value as f32;
                variable[cell] = found.variable.map_or(0.0, |v| v as f32 + 1.0);
                if standing[cell] == Standing::NotCompared as u8 {
                    continue;
                }
                let habitat = standing[cell] == Standing::Habitat as u8;
                let area = context.areas.area_m2(window.row + cell / window.cols);
                compared.add(habitat, area);
                if found.value > 0.0 {
                    areas[0].add(habitat, area);
                }
                for (own, (known, measured)) in areas[1..].iter_mut().zip(envelope.0.iter().zip(&measured)) {
                    if known.outside(measured, cell).is_some_and(|value| value > 0.0) {
                        own.add(habitat, area);
                    }
                }
            }
            all[at].novelty.write(&window, &novelty)?;
            all[at].variable.write(&window, &variable)?;
            totals.push((areas, compared));
        }
        Ok(totals)
    })?;
    for tile in tiles {
        for (case, (areas, compared)) in all.iter_mut().zip(tile) {
            case.areas.iter_mut().zip(&areas).for_each(|(total, own)| total.merge(own));
            case.compared.merge(&compared);
        }
    }
    Ok(all)
}
