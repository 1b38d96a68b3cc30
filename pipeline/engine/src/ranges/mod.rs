//! Ranges: the study computed anew for every member of what is not known for sure, in one pass over the tiles.
//!
//! Nothing of a member is kept but its areas, those on the ground of patches, and, for every cell and case, how many members call it habitat.

mod agreement;
mod areas;
mod batches;
pub mod patches;
pub mod sensitivity;

pub use agreement::{AGREEMENT, NOT_COMPARED, agreement};
pub use areas::{ByMember, MemberAreas, Spread};

use crate::error::EngineError;
use crate::layers::known;
use crate::reuse::{Leaves, Step};
use crate::stages::patches::CasePatches;
use crate::stages::scenarios::Case;
use crate::stages::suitability::{SuitabilityProducts, TABLE_ROLES};
use crate::stages::what_if::{Place, Variant, WhatIf, windows};
use crate::stages::{Context, bands};
use batches::{Parts, in_batches};
use lentic_habitat::members::{Layout, Member};
use lentic_numerics::exact_sum::ExactSum;
use lentic_numerics::latin_hypercube::latin_hypercube;
use lentic_raster::{Scratch, Window};
use patches::PatchMembers;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::ops::Range;
use std::sync::{Mutex, PoisonError};

/// Told apart from other uses of the study's seed.
const SEED: u64 = 0x6d65_6d62_6572;

/// What the members say.
pub struct Ranges {
    /// Number of members.
    pub members: usize,
    /// Over the whole study area.
    pub whole: ByMember,
    /// By `TABLE_ROLES`, by class.
    pub by: [BTreeMap<Option<i32>, ByMember>; 3],
    /// On the ground of the patches of the baseline; none where there are too many patches.
    pub patches: Option<PatchMembers>,
    /// By case, share of the members that call a cell habitat; NaN where it is not compared.
    pub share: Vec<Scratch<f32>>,
    /// By case, class of that share, from 0 (hardly any member) to 4 (nearly all).
    pub agreement: Vec<Scratch<u8>>,
    /// By case, area by class of agreement, square metres.
    pub agreement_areas: Vec<[ExactSum; AGREEMENT.len() + 1]>,
}

impl Ranges {
    /// Range of the habitat of a case, hectares.
    pub fn habitat_ha(&self, case: usize) -> Option<Spread> {
        Spread::of(self.whole.of(case).iter().map(|areas| areas.habitat.value().map(|m2| m2 / 10_000.0)))
    }
}

/// What is added up over tasks.
#[derive(Serialize, Deserialize)]
struct Totals {
    whole: ByMember,
    by: [BTreeMap<Option<i32>, ByMember>; 3],
    patches: PatchMembers,
}

impl Totals {
    fn new(cases: usize, members: usize) -> Self {
        let whole = ByMember::new(cases, members);
        Totals { whole, by: Default::default(), patches: PatchMembers::new(cases, members) }
    }
}

/// Finds the ranges; `None` where the study has no `[uncertainty]`.
///
/// # Errors
/// A layer that cannot be read, or a disk that refuses.
pub fn run<'a>(
    what_if: WhatIf<'a>,
    cases: &[Case<'a>],
    products: &SuitabilityProducts,
    patches: &CasePatches,
) -> Result<Option<Ranges>, EngineError> {
    let context = what_if.context;
    let study = context.study;
    let Some(layout) = Layout::of(study, what_if.by.groups.count()) else { return Ok(None) };
    let count = study.uncertainty.as_ref().map_or(0, |uncertainty| uncertainty.members);
    let members: Vec<Member> = latin_hypercube(count, layout.columns(), study.seed ^ SEED)
        .iter()
        .map(|point| layout.member(study, point))
        .collect();
    let calls = cases
        .iter()
        .map(|case| context.words(&format!("calls_{}", case.name)))
        .collect::<Result<Vec<_>, _>>()?;
    let room = PatchMembers::has_room(patches.patches.len(), cases.len(), count);
    let labels = room.then_some(&patches.labels);
    let totals = Mutex::new(Totals::new(cases.len(), count));
    let windows = windows(context);
    let parts = Parts::new(windows.len(), count);
    let working = context.step(Step::Members, None, parts.len());
    in_batches(what_if, cases, &members, |first, members, variants| {
        let batch = parts.of_batch(&windows, first, members.len());
        let find = |part: usize, place: &Place| {
            let chunk = parts.members(part, first, members.len());
            Part::of(place, (products, labels), members, variants, chunk, (first, count))
        };
        what_if.over_windows(&working, &batch, true, &Leaves::default(), find, |_, window, part: Part| {
            let mut totals = totals.lock().unwrap_or_else(PoisonError::into_inner);
            part.add(&mut totals, &calls, &window)
        })?;
        Ok(())
    })?;
    working.finish()?;
    let totals = totals.into_inner().unwrap_or_else(PoisonError::into_inner);
    let mut ranges = finish(context, cases, products, &calls, count, totals)?;
    ranges.patches = ranges.patches.filter(|_| room);
    Ok(Some(ranges))
}

/// What a task found.
#[derive(Serialize, Deserialize)]
struct Part {
    totals: Totals,
    /// By case, how many of its members call a cell habitat.
    calls: Vec<Vec<u32>>,
}

impl Part {
    fn of(
        place: &Place,
        (products, labels): (&SuitabilityProducts, Option<&Scratch<u32>>),
        members: &[Member],
        variants: &[Variant],
        chunk: Range<usize>,
        (first, count): (usize, usize),
    ) -> Result<Self, EngineError> {
        let (context, window) = (place.context(), place.window);
        let cells = window.len();
        let cases = variants.len() / members.len();
        let mut by_role = Vec::new();
        for role in TABLE_ROLES {
            by_role.push(context.layers.codes_with(role, window)?);
        }
        let mut part = Part { totals: Totals::new(cases, count), calls: vec![vec![0; cells]; cases] };
        let labels = labels.map(|labels| labels.read(&window)).transpose()?.unwrap_or_default();
        habitat_of_members(place, products, (members, variants), chunk, |at, case, cell, [was, is]| {
            let area = context.areas.area_m2(window.row + cell / window.cols);
            if let Some(patch) = labels.get(cell).filter(|patch| is && **patch > 0) {
                part.totals.patches.add(*patch, case, first + at, area);
            }
            part.calls[case][cell] += u32::from(is);
            part.totals.whole.at(case, first + at).add(was, is, area);
            for (by, codes) in part.totals.by.iter_mut().zip(&by_role) {
                let Some(codes) = codes else { continue };
                let class = by.entry(known(codes[cell])).or_insert_with(|| ByMember::new(cases, count));
                class.at(case, first + at).add(was, is, area);
            }
        })?;
        Ok(part)
    }

    fn add(self, totals: &mut Totals, calls: &[Scratch<u32>], window: &Window) -> Result<(), EngineError> {
        totals.whole.merge(&self.totals.whole);
        totals.patches.merge(self.totals.patches);
        for (total, by) in totals.by.iter_mut().zip(self.totals.by) {
            for (code, part) in by {
                total.entry(code).and_modify(|total| total.merge(&part)).or_insert(part);
            }
        }
        for (file, own) in calls.iter().zip(&self.calls) {
            let mut sums = file.read(window)?;
            sums.iter_mut().zip(own).for_each(|(sum, own)| *sum += own);
            file.write(window, &sums)?;
        }
        Ok(())
    }
}

/// Calls `see` with member, case and cell wherever a compared cell of a window is habitat in the member's baseline or in the case, and
/// whether it is in each of the two.
fn habitat_of_members(
    place: &Place,
    products: &SuitabilityProducts,
    (members, variants): (&[Member], &[Variant]),
    chunk: Range<usize>,
    mut see: impl FnMut(usize, usize, usize, [bool; 2]),
) -> Result<(), EngineError> {
    let compared = products.compared(&place.window)?;
    let cases = variants.len() / members.len();
    for at in chunk {
        let seen = place.of_member(&members[at])?;
        let mut before = vec![false; compared.len()];
        for (case, variant) in variants[at * cases..(at + 1) * cases].iter().enumerate() {
            let found = seen.find(variant)?;
            for cell in (0..compared.len()).filter(|cell| compared[*cell]) {
                let is = found.habitat(cell) == Some(true);
                if case == 0 {
                    before[cell] = is;
                }
                if before[cell] || is {
                    see(at, case, cell, [before[cell], is]);
                }
            }
        }
    }
    Ok(())
}

fn finish(
    context: &Context,
    cases: &[Case],
    products: &SuitabilityProducts,
    calls: &[Scratch<u32>],
    members: usize,
    totals: Totals,
) -> Result<Ranges, EngineError> {
    let mut ranges = Ranges {
        members,
        whole: totals.whole,
        by: totals.by,
        patches: Some(totals.patches),
        share: Vec::new(),
        agreement: Vec::new(),
        agreement_areas: Vec::new(),
    };
    for (case, calls) in cases.iter().zip(calls) {
        let shares = context.floats(&format!("habitat_share_{}", case.name))?;
        let classes = context.bytes(&format!("agreement_{}", case.name))?;
        let mut areas = [ExactSum::default(); AGREEMENT.len() + 1];
        for band in bands(context.grid) {
            let compared = products.compared(&band)?;
            let share: Vec<f64> =
                calls.read(&band)?.iter().map(|calls| f64::from(*calls) / members as f64).collect();
            let class: Vec<u8> = share
                .iter()
                .zip(&compared)
                .map(|(share, compared)| if *compared { agreement(*share) } else { NOT_COMPARED })
                .collect();
            for (cell, class) in class.iter().enumerate().filter(|(_, class)| **class != NOT_COMPARED) {
                areas[usize::from(*class)].add(context.areas.area_m2(band.row + cell / band.cols));
            }
            let known = share
                .iter()
                .zip(&compared)
                .map(|(share, compared)| if *compared { *share as f32 } else { f32::NAN });
            shares.write(&band, &known.collect::<Vec<_>>())?;
            classes.write(&band, &class)?;
        }
        ranges.share.push(shares);
        ranges.agreement.push(classes);
        ranges.agreement_areas.push(areas);
    }
    Ok(ranges)
}
