//! What a scenario of management saves that the drying it answers would take: a rise in one zone, say, against the drying of all.

use crate::error::EngineError;
use crate::stages::Context;
use crate::stages::scenarios::{Case, prescribed};
use crate::stages::suitability::SuitabilityProducts;
use lentic_habitat::patches::Standing;
use lentic_numerics::exact_sum::ExactSum;
use lentic_raster::Window;

/// A scenario of management beside the one it stands instead of.
#[derive(Clone, Debug, Default)]
pub struct Saving {
    /// Position of its case.
    pub case: usize,
    /// Position of the case it stands instead of.
    pub instead_of: usize,
    /// Habitat here that is none there, square metres.
    pub saved: ExactSum,
    /// Habitat there that is none here.
    pub given_up: ExactSum,
    /// Compared ground on which the water table stands elsewhere than there, square metres.
    pub moved: ExactSum,
    /// Rise of the water table over that ground, metres times square metres.
    pub rise: ExactSum,
}

impl Saving {
    /// Mean rise of the water table over the ground where it differs, metres; `None` where it differs nowhere.
    pub fn rise_m(&self) -> Option<f64> {
        let moved = self.moved.value().filter(|moved| *moved > 0.0)?;
        Some(self.rise.value()? / moved)
    }

    fn merge(&mut self, other: &Saving) {
        self.saved.merge(&other.saved);
        self.given_up.merge(&other.given_up);
        self.moved.merge(&other.moved);
        self.rise.merge(&other.rise);
    }
}

/// Finds what every scenario with `instead_of` saves, in the order of the study.
///
/// # Errors
/// A layer that cannot be read, or a disk that refuses.
pub fn run(
    context: &Context,
    cases: &[Case],
    products: &SuitabilityProducts,
) -> Result<Vec<Saving>, EngineError> {
    let pair = |(case, of): (usize, &Case)| {
        let other = of.scenario?.instead_of.as_ref()?;
        let instead_of = cases.iter().position(|case| case.name == *other)?;
        Some(Saving { case, instead_of, ..Saving::default() })
    };
    let mut savings: Vec<Saving> = cases.iter().enumerate().filter_map(pair).collect();
    if savings.is_empty() {
        return Ok(savings);
    }
    let tiles = context.over_tiles("comparing management", |_, window| {
        savings.iter().map(|saving| of_window(context, cases, products, saving, window)).collect()
    })?;
    let tiles: Vec<Vec<Saving>> = tiles;
    for tile in &tiles {
        savings.iter_mut().zip(tile).for_each(|(total, part)| total.merge(part));
    }
    Ok(savings)
}

fn of_window(
    context: &Context,
    cases: &[Case],
    products: &SuitabilityProducts,
    saving: &Saving,
    window: Window,
) -> Result<Saving, EngineError> {
    let mut found = Saving { case: saving.case, instead_of: saving.instead_of, ..Saving::default() };
    let compared = products.compared(&window)?;
    let here = products.standing[saving.case].read(&window)?;
    let there = products.standing[saving.instead_of].read(&window)?;
    let fall = |case: usize| prescribed(context, cases[case].scenario, window);
    let (fall_here, fall_there) = (fall(saving.case)?, fall(saving.instead_of)?);
    let of = |falls: &Option<Vec<f64>>, cell: usize| falls.as_ref().map_or(0.0, |falls| falls[cell]);
    for cell in (0..window.len()).filter(|cell| compared[*cell]) {
        let area = context.areas.area_m2(window.row + cell / window.cols);
        let is = |standing: &[u8]| standing[cell] == Standing::Habitat as u8;
        match (is(&here), is(&there)) {
            (true, false) => found.saved.add(area),
            (false, true) => found.given_up.add(area),
            _ => {}
        }
        let rise = of(&fall_there, cell) - of(&fall_here, cell);
        if rise != 0.0 && rise.is_finite() {
            found.moved.add(area);
            found.rise.add(rise * area);
        }
    }
    Ok(found)
}
