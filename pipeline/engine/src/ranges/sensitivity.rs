//! Which part of what is not known counts most: Sobol indices of habitat area over a sample of the ground.

use super::{MemberAreas, Parts, habitat_of_members, in_batches};
use crate::error::EngineError;
use crate::reuse::{Leaves, Step};
use crate::stages::Context;
use crate::stages::scenarios::Case;
use crate::stages::suitability::SuitabilityProducts;
use crate::stages::what_if::{Place, Variant, WhatIf};
use lentic_habitat::members::{Layout, Member, Part};
use lentic_numerics::seed::hash64;
use lentic_numerics::sensitivity::{SensitivityDesign, SobolIndex};
use lentic_raster::Window;
use std::ops::Range;
use std::sync::{Mutex, PoisonError};

/// Cells a side of the blocks of the sample.
const BLOCK: usize = 64;
const SEED: u64 = 0x7365_6e73;

/// What the parts do to one number of one case.
pub struct Shares {
    /// Position of the case.
    pub case: usize,
    /// Whether the number is the lost share of the baseline instead of the habitat area.
    pub of_loss: bool,
    /// By part of the uncertainty; `None` where the number does not vary.
    pub parts: Option<Vec<(Part, SobolIndex)>>,
}

/// Sobol indices.
pub struct Sensitivity {
    /// Cells of the sample.
    pub cells: usize,
    /// Times that the study was computed over it.
    pub evaluations: usize,
    /// What was looked at.
    pub shares: Vec<Shares>,
}

/// Finds the indices; `None` where the study does not ask for them, or nothing in it lies off.
///
/// # Errors
/// A layer that cannot be read, or a disk that refuses.
pub fn run<'a>(
    what_if: WhatIf<'a>,
    cases: &[Case<'a>],
    products: &SuitabilityProducts,
) -> Result<Option<Sensitivity>, EngineError> {
    let context = what_if.context;
    let study = context.study;
    let Some(wanted) = study.uncertainty.as_ref().and_then(|uncertainty| uncertainty.sensitivity) else {
        return Ok(None);
    };
    let Some(layout) = Layout::of(study, what_if.by.groups.count()).filter(|layout| layout.columns() > 0)
    else {
        return Ok(None);
    };
    let columns: Vec<usize> = layout.parts().iter().map(|(_, columns)| *columns).collect();
    let design = SensitivityDesign::new(wanted.samples, &columns, study.seed ^ SEED);
    let (windows, cells) = sample(context, products, wanted.cells)?;
    let mut areas = vec![MemberAreas::default(); design.len() * cases.len()];
    let parts = Parts::new(windows.len(), design.len());
    let working = context.step(Step::Sensitivity, None, parts.len());
    let evaluations: Vec<usize> = (0..design.len()).collect();
    // members of a part of the design at a time: a study each
    for evaluations in evaluations.chunks(1024) {
        let members: Vec<Member> =
            evaluations.iter().map(|at| layout.member(study, &design.point(*at))).collect();
        let begun = evaluations.first().copied().unwrap_or(0);
        let totals = Mutex::new(&mut areas);
        in_batches(what_if, cases, &members, |first, members, variants| {
            let first = begun + first;
            let batch = parts.of_batch(&windows, first, members.len());
            let find = |part: usize, place: &Place| {
                let chunk = parts.members(part, first, members.len());
                over_block(place, products, members, variants, chunk)
            };
            let nothing = Leaves::default();
            what_if.over_windows(
                &working,
                &batch,
                true,
                &nothing,
                find,
                |part, _, found: Vec<MemberAreas>| {
                    let mut totals = totals.lock().unwrap_or_else(PoisonError::into_inner);
                    let from = (first + parts.members(part, first, members.len()).start) * cases.len();
                    totals[from..from + found.len()]
                        .iter_mut()
                        .zip(&found)
                        .for_each(|(total, part)| total.merge(part));
                    Ok(())
                },
            )?;
            Ok(())
        })?;
    }
    working.finish()?;
    let mut shares = Vec::new();
    for case in 0..cases.len() {
        let own = || areas.iter().skip(case).step_by(cases.len());
        let habitat: Option<Vec<f64>> = own().map(|areas| areas.habitat.value()).collect();
        shares.push(of_values(&design, &layout, case, false, habitat, study.seed));
        if case > 0 {
            // a member without habitat has nothing to lose
            let lost = own().map(|areas| areas.lost_percent().unwrap_or(0.0)).collect();
            shares.push(of_values(&design, &layout, case, true, Some(lost), study.seed));
        }
    }
    Ok(Some(Sensitivity { cells, evaluations: design.len(), shares }))
}

fn of_values(
    design: &SensitivityDesign,
    layout: &Layout,
    case: usize,
    of_loss: bool,
    values: Option<Vec<f64>>,
    seed: u64,
) -> Shares {
    let indices = values.and_then(|values| design.indices(&values, seed ^ SEED));
    let parts =
        indices.map(|indices| layout.parts().iter().map(|(part, _)| *part).zip(indices).collect::<Vec<_>>());
    Shares { case, of_loss, parts }
}

/// Whole blocks of the grid, in an order that hangs on nothing but the seed, until they hold so many compared cells: those
/// in which some cell may be habitat in some case.
fn sample(
    context: &Context,
    products: &SuitabilityProducts,
    wanted: usize,
) -> Result<(Vec<Window>, usize), EngineError> {
    let mut blocks = lentic_raster::tiles(context.grid, BLOCK);
    blocks.sort_by_key(|block| {
        let order = hash64(context.study.seed ^ SEED, block.row as u64, block.col as u64);
        (order, block.row, block.col)
    });
    let (mut chosen, mut cells) = (Vec::new(), 0);
    for block in blocks {
        if cells >= wanted {
            break;
        }
        let compared = products.compared(&block)?;
        let mut some = false;
        for suitability in &products.suitability {
            some |= suitability
                .read(&block)?
                .iter()
                .zip(&compared)
                .any(|(value, compared)| *compared && *value > 0.0);
        }
        if some {
            cells += compared.iter().filter(|compared| **compared).count();
            chosen.push(block);
        }
    }
    Ok((chosen, cells))
}

/// Areas of a block, by member of the chunk and by case.
fn over_block(
    place: &Place,
    products: &SuitabilityProducts,
    members: &[Member],
    variants: &[Variant],
    chunk: Range<usize>,
) -> Result<Vec<MemberAreas>, EngineError> {
    let (window, cases) = (place.window, variants.len() / members.len());
    let mut found = vec![MemberAreas::default(); chunk.len() * cases];
    let first = chunk.start;
    habitat_of_members(place, products, (members, variants), chunk, |at, case, cell, [was, is]| {
        let area = place.context().areas.area_m2(window.row + cell / window.cols);
        found[(at - first) * cases + case].add(was, is, area);
    })?;
    Ok(found)
}
