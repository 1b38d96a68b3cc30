//! Which members are at hand together, and which tasks take them through which window.

use crate::error::EngineError;
use crate::run::case_of;
use crate::stages::Context;
use crate::stages::scenarios::Case;
use crate::stages::what_if::{Variant, WhatIf};
use lentic_habitat::members::Member;
use lentic_raster::Window;
use std::ops::Range;

/// Members that one task takes through a tile.
const TOGETHER: usize = 8;
/// Chunks of them at hand at once, at most.
const AT_ONCE: usize = 16;
/// Bytes that the climates of members may take at once.
const CLIMATE_BYTES: usize = 256 << 20;

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
pub(super) fn in_batches<'a>(
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
pub(super) struct Parts {
    windows: usize,
    chunks: usize,
}

impl Parts {
    /// Of so many windows and members.
    pub fn new(windows: usize, members: usize) -> Self {
        Parts { windows, chunks: members.div_ceil(TOGETHER) }
    }

    pub fn len(self) -> usize {
        self.windows * self.chunks
    }

    /// Those of a batch of members, which begins with a whole chunk.
    pub fn of_batch(self, windows: &[Window], first: usize, members: usize) -> Vec<(usize, Window)> {
        debug_assert!(first.is_multiple_of(TOGETHER));
        let chunks = || first / TOGETHER..(first + members).div_ceil(TOGETHER);
        let at = |(window, place): (usize, &Window)| {
            let place = *place;
            chunks().map(move |chunk| (window * self.chunks + chunk, place))
        };
        windows.iter().enumerate().flat_map(at).collect()
    }

    /// Members of a part, counted from the first of the batch.
    pub fn members(self, part: usize, first: usize, members: usize) -> Range<usize> {
        let begin = part % self.chunks * TOGETHER - first;
        begin..members.min(begin + TOGETHER)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

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
