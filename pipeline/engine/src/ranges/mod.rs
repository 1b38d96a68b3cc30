//! Ranges: the study computed anew for every member of what is not known for sure, in one pass over the tiles.
//!
//! Nothing of a member is kept but its areas, those on the ground of patches, and, for every cell and case, how many members call it habitat.

pub mod patches;
pub mod sensitivity;

use crate::error::EngineError;
use crate::layers::known;
use crate::reuse::{Leaves, Step};
use crate::run::case_of;
use crate::stages::patches::CasePatches;
use crate::stages::scenarios::Case;
use crate::stages::suitability::{SuitabilityProducts, TABLE_ROLES};
use crate::stages::what_if::{Place, Variant, WhatIf, windows};
use crate::stages::{Context, bands};
use lentic_habitat::members::{Layout, Member};
use lentic_numerics::exact_sum::ExactSum;
use lentic_numerics::latin_hypercube::latin_hypercube;
use lentic_numerics::stats::quantile;
use lentic_raster::{Scratch, Window};
use patches::PatchMembers;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::ops::Range;
use std::sync::{Mutex, PoisonError};

/// Members that one task takes through a tile.
const TOGETHER: usize = 8;
/// Chunks of them at hand at once, at most.
const AT_ONCE: usize = 16;
/// Bytes that the climates of members may take at once.
const CLIMATE_BYTES: usize = 256 << 20;
/// Told apart from other uses of the study's seed.
const SEED: u64 = 0x6d65_6d62_6572;
/// Bounds of the classes of agreement, shares of members (ours).
pub const AGREEMENT: [f64; 4] = [0.05, 1.0 / 3.0, 2.0 / 3.0, 0.95];
/// Code of cells that are not compared.
pub const NOT_COMPARED: u8 = 255;

/// Areas of one case in one member, square metres.
#[derive(Clone, Copy, Debug, Default, Serialize, Deserialize)]
pub struct MemberAreas {
    /// Habitat of the member's own baseline.
    pub before: ExactSum,
    /// Habitat of the case.
    pub habitat: ExactSum,
    /// Habitat of the baseline only.
    pub lost: ExactSum,
}

impl MemberAreas {
    fn add(&mut self, before: bool, after: bool, area: f64) {
        if before {
            self.before.add(area);
        }
        if after {
            self.habitat.add(area);
        }
        if before && !after {
            self.lost.add(area);
        }
    }

    fn merge(&mut self, other: &MemberAreas) {
        self.before.merge(&other.before);
        self.habitat.merge(&other.habitat);
        self.lost.merge(&other.lost);
    }

    /// Lost share of the member's baseline, percent; `None` where that has no habitat.
    pub fn lost_percent(&self) -> Option<f64> {
        let before = self.before.value().filter(|before| *before > 0.0)?;
        Some(100.0 * self.lost.value()? / before)
    }
}

/// Areas by case and member.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct ByMember {
    members: usize,
    areas: Vec<MemberAreas>,
}

impl ByMember {
    fn new(cases: usize, members: usize) -> Self {
        ByMember { members, areas: vec![MemberAreas::default(); cases * members] }
    }

    fn at(&mut self, case: usize, member: usize) -> &mut MemberAreas {
        &mut self.areas[case * self.members + member]
    }

    /// The members of a case.
    pub fn of(&self, case: usize) -> &[MemberAreas] {
        &self.areas[case * self.members..(case + 1) * self.members]
    }

    fn merge(&mut self, other: &ByMember) {
        self.areas.iter_mut().zip(&other.areas).for_each(|(total, part)| total.merge(part));
    }
}

/// 5 %, half and 95 % of the members lie below.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Spread {
    /// 5 %.
    pub low: f64,
    /// Half.
    pub median: f64,
    /// 95 %.
    pub high: f64,
}

impl Spread {
    /// Of the members that have the number; `None` where none has.
    pub fn of(values: impl Iterator<Item = Option<f64>>) -> Option<Self> {
        let values: Vec<f64> = values.flatten().collect();
        let at = |share: f64| quantile(&values, share);
        Some(Spread { low: at(0.05)?, median: at(0.5)?, high: at(0.95)? })
    }
}

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

/// Cases of one member: those whose own numbers lie off, `None` for those that are as in the study.
fn cases_of<'m>(
    context: &Context,
    cases: &[Case],
    member: &'m Member,
) -> Result<Vec<Option<Case<'m>>>, EngineError> {
    let given = &context.study.scenarios;
    let mut own = vec![None];
    for ((scenario, given), case) in member.study.scenarios.iter().zip(given).zip(&cases[1..]) {
        own.push(match scenario == given {
            true => None,
            false => Some(Case { trend: case.trend.clone(), ..case_of(context, scenario)? }),
        });
    }
    Ok(own)
}

/// How many members have their climates at hand at once.
fn at_once(context: &Context) -> usize {
    let study = context.study;
    let off = study.scenarios.iter().filter(|s| s.spread != Default::default()).count();
    let bytes = off * context.climates.places() * context.axis.len * 64;
    // whole chunks, so that a chunk is the same whatever the batches
    TOGETHER * (CLIMATE_BYTES / bytes.max(1) / TOGETHER).clamp(1, AT_ONCE)
}

/// Calls `work` with batches of members and their variants, case by case within a member.
fn in_batches<'a>(
    what_if: WhatIf<'a>,
    cases: &[Case<'a>],
    members: &[Member],
    mut work: impl FnMut(usize, &[Member], &[Variant]) -> Result<(), EngineError>,
) -> Result<(), EngineError> {
    let size = at_once(what_if.context);
    for (batch, members) in members.chunks(size).enumerate() {
        let own =
            members.iter().map(|m| cases_of(what_if.context, cases, m)).collect::<Result<Vec<_>, _>>()?;
        let list = members.iter().zip(&own).flat_map(|(member, own)| {
            cases.iter().zip(own).map(move |(given, own)| (own.as_ref().unwrap_or(given), Some(member)))
        });
        let variants = what_if.of_members(list.collect())?;
        work(batch * size, members, &variants)?;
    }
    Ok(())
}

/// The parts of a step: every window with every chunk of members, numbered window by window.
#[derive(Clone, Copy)]
struct Parts {
    windows: usize,
    chunks: usize,
}

impl Parts {
    /// Of so many windows and members.
    fn new(windows: usize, members: usize) -> Self {
        Parts { windows, chunks: members.div_ceil(TOGETHER) }
    }

    fn len(self) -> usize {
        self.windows * self.chunks
    }

    /// Those of a batch of members, which begins with a whole chunk.
    fn of_batch(self, windows: &[Window], first: usize, members: usize) -> Vec<(usize, Window)> {
        debug_assert!(first.is_multiple_of(TOGETHER));
        let chunks = || first / TOGETHER..(first + members).div_ceil(TOGETHER);
        let at = |(window, place): (usize, &Window)| {
            let place = *place;
            chunks().map(move |chunk| (window * self.chunks + chunk, place))
        };
        windows.iter().enumerate().flat_map(at).collect()
    }

    /// Members of a part, counted from the first of the batch.
    fn members(self, part: usize, first: usize, members: usize) -> Range<usize> {
        let begin = part % self.chunks * TOGETHER - first;
        begin..members.min(begin + TOGETHER)
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

/// The class of a share of members.
pub fn agreement(share: f64) -> u8 {
    // the outer classes hold their bounds
    match share {
        share if share <= AGREEMENT[0] => 0,
        share if share < AGREEMENT[1] => 1,
        share if share <= AGREEMENT[2] => 2,
        share if share < AGREEMENT[3] => 3,
        _ => 4,
    }
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn classes_of_agreement() {
        let classes: Vec<u8> =
            [0.0, 0.05, 0.06, 0.33, 0.34, 0.5, 0.66, 0.67, 0.94, 0.95, 1.0].map(agreement).into();
        assert_eq!(classes, [0, 0, 1, 1, 2, 2, 2, 3, 3, 4, 4]);
    }

    #[test]
    fn a_spread_is_told_of_members_that_have_the_number() {
        let values = (0..=20).map(|v| (v > 0).then(|| f64::from(v)));
        // type 7 of 1 ... 20: 1 + 0.05 x 19
        let spread = Spread::of(values).unwrap();
        assert!((spread.low - 1.95).abs() < 1e-12 && (spread.high - 19.05).abs() < 1e-12);
        assert_eq!(spread.median, 10.5);
        assert_eq!(Spread::of([None, None].into_iter()), None);
    }

    #[test]
    fn every_member_meets_every_window_once() {
        let windows =
            [Window { row: 0, col: 0, rows: 2, cols: 2 }, Window { row: 2, col: 0, rows: 1, cols: 2 }];
        let parts = Parts::new(windows.len(), 19);
        assert_eq!(parts.len(), 6);
        // in batches of 16 and 3
        let batches = [(0, 16), (16, 3)];
        let all: Vec<(usize, Window, Range<usize>)> = batches
            .iter()
            .flat_map(|&(first, members)| {
                let of = parts.of_batch(&windows, first, members);
                of.into_iter().map(move |(part, window)| {
                    let chunk = parts.members(part, first, members);
                    (part, window, first + chunk.start..first + chunk.end)
                })
            })
            .collect();
        let mut numbers: Vec<usize> = all.iter().map(|(part, ..)| *part).collect();
        numbers.sort_unstable();
        assert_eq!(numbers, (0..6).collect::<Vec<_>>());
        for window in windows {
            let own = all.iter().filter(|(_, place, _)| *place == window);
            let members: Vec<usize> = own.flat_map(|(.., chunk)| chunk.clone()).collect();
            assert_eq!(members, (0..19).collect::<Vec<_>>());
        }
    }
}
