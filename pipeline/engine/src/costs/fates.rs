//! What becomes of the patches of the baseline in a scenario, and where those of the scenario come from.

use crate::error::EngineError;
use crate::stages::patches::CasePatches;
use crate::stages::suitability::SuitabilityProducts;
use crate::stages::water::{Water, WaterProducts};
use crate::stages::{Context, bands};
use lentic_habitat::change::{Areas, Change};
use lentic_raster::Scratch;
use rayon::prelude::*;
use std::collections::BTreeMap;

/// A patch that keeps less than this share of its cells is lost.
const LOST: f64 = 0.05;
/// A part that holds at least this share of a patch's cells counts.
const PART: f64 = 0.1;
/// A patch that keeps less than this share of its cells has shrunk.
const SHRUNK: f64 = 0.9;

/// What a cell of a patch of the baseline may become.
const CHANGES: [Change; 3] = [Change::Kept, Change::Degraded, Change::Lost];

/// Fate of a patch of the baseline.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fate {
    /// Under 5 % of its cells are still in patches.
    Lost,
    /// Two patches or more hold at least 10 % of its cells each.
    Split,
    /// Under 90 % of its cells are still in patches.
    Shrunk,
    /// What is none of these.
    Kept,
}

impl Fate {
    /// The word in tables.
    pub fn word(self) -> &'static str {
        match self {
            Fate::Lost => "lost",
            Fate::Split => "split",
            Fate::Shrunk => "shrunk",
            Fate::Kept => "kept",
        }
    }
}

/// A patch of the baseline in a scenario.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PatchFate {
    /// Share of its cells that are still in patches.
    pub kept: f64,
    /// Patches of the scenario that hold at least 10 % of its cells.
    pub parts: usize,
    /// The patch that holds most of its cells (ties: the lowest number); none where all are lost.
    pub largest: Option<u32>,
    /// What became of it.
    pub fate: Fate,
}

/// Where a patch of a scenario comes from.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PatchOrigin {
    /// Share of its cells that lie in patches of the baseline.
    pub from_patches: f64,
    /// Patches of the baseline of whose cells it holds at least 10 %.
    pub joined: usize,
    /// "new" (no cell lies in a patch of the baseline), "merged" (joins two or more) or "from one".
    pub word: &'static str,
}

/// All patches of one scenario.
pub struct CaseFates {
    /// Of the baseline's patches, in number order.
    pub fates: Vec<PatchFate>,
    /// Of the scenario's patches, in number order.
    pub origins: Vec<PatchOrigin>,
    /// What becomes of the ground of the baseline's patches, in number order.
    pub areas: Vec<Areas>,
}

/// Fates of all scenarios; `patches` are those of all cases, the baseline first.
///
/// # Errors
/// When the disk refuses.
pub fn run(
    context: &Context,
    water: &WaterProducts,
    products: &SuitabilityProducts,
    patches: &[CasePatches],
) -> Result<Vec<CaseFates>, EngineError> {
    let Some((baseline, scenarios)) = patches.split_first() else { return Ok(Vec::new()) };
    let changes = products.change.par_iter().skip(1);
    let all = scenarios.par_iter().zip(changes);
    all.map(|(scenario, change)| one(context, water, baseline, scenario, change)).collect()
}

fn one(
    context: &Context,
    water: &WaterProducts,
    baseline: &CasePatches,
    scenario: &CasePatches,
    change: &Scratch<u8>,
) -> Result<CaseFates, EngineError> {
    let mut shared: BTreeMap<(u32, u32), u64> = BTreeMap::new();
    let mut areas = vec![Areas::default(); baseline.patches.len()];
    for band in bands(context.grid) {
        let before = baseline.labels.read(&band)?;
        let after = scenario.labels.read(&band)?;
        let changes = change.read(&band)?;
        let states = water.state.read(&band)?;
        for cell in (0..band.len()).filter(|cell| before[*cell] > 0) {
            if after[cell] > 0 {
                *shared.entry((before[cell], after[cell])).or_default() += 1;
            }
            let what = CHANGES.into_iter().find(|change| *change as u8 == changes[cell]);
            let never_dry = states[cell] == Water::NeverDry as u8;
            let area = context.areas.area_m2(band.row + cell / band.cols);
            areas[before[cell] as usize - 1].add(what.unwrap_or(Change::NotAssessed), never_dry, area);
        }
    }
    let cells = |of: &CasePatches| of.patches.iter().map(|patch| patch.cells).collect::<Vec<u64>>();
    Ok(CaseFates { areas, ..fates(&cells(baseline), &cells(scenario), &shared) })
}

/// From cells by patch (position: number - 1) and cells shared by a patch of the baseline and one of the scenario.
fn fates(before: &[u64], after: &[u64], shared: &BTreeMap<(u32, u32), u64>) -> CaseFates {
    let mut held: Vec<Vec<(u32, u64)>> = vec![Vec::new(); before.len()];
    let mut holds: Vec<Vec<(u32, u64)>> = vec![Vec::new(); after.len()];
    for ((old, new), cells) in shared {
        held[*old as usize - 1].push((*new, *cells));
        holds[*new as usize - 1].push((*old, *cells));
    }
    let share = |cells: u64, of: u64| cells as f64 / of as f64;
    let fate = |(parts, whole): (&Vec<(u32, u64)>, &u64)| {
        let kept = share(parts.iter().map(|(_, cells)| cells).sum(), *whole);
        let large = parts.iter().filter(|(_, cells)| share(*cells, *whole) >= PART).count();
        let fate = match kept {
            kept if kept < LOST => Fate::Lost,
            _ if large >= 2 => Fate::Split,
            kept if kept < SHRUNK => Fate::Shrunk,
            _ => Fate::Kept,
        };
        // the last of equals is kept; reversed, that is the lowest number
        let largest = parts.iter().rev().max_by_key(|(_, cells)| *cells).map(|(patch, _)| *patch);
        PatchFate { kept, parts: large, largest, fate }
    };
    let origin = |(olds, whole): (&Vec<(u32, u64)>, &u64)| {
        let from_patches = share(olds.iter().map(|(_, cells)| cells).sum(), *whole);
        let large = |(old, cells): &&(u32, u64)| share(*cells, before[*old as usize - 1]) >= PART;
        let joined = olds.iter().filter(large).count();
        let word = match joined {
            _ if olds.is_empty() => "new",
            0 | 1 => "from one",
            _ => "merged",
        };
        PatchOrigin { from_patches, joined, word }
    };
    CaseFates {
        fates: held.iter().zip(before).map(fate).collect(),
        origins: holds.iter().zip(after).map(origin).collect(),
        areas: Vec::new(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: patches of 100 cells each, and who holds how many of them.
    #[test]
    fn fates_by_the_rule() {
        let shared =
            [((1, 1), 4), ((2, 1), 60), ((2, 2), 10), ((3, 3), 89), ((3, 4), 1), ((4, 3), 90)].into();
        let found = fates(&[100; 5], &[64, 10, 200, 1, 7], &shared);
        let words: Vec<&str> = found.fates.iter().map(|fate| fate.fate.word()).collect();
        // 4 % is lost; 60 and 10 are two parts; 90 and 90 % are kept; nothing left is lost
        assert_eq!(words, ["lost", "split", "kept", "kept", "lost"]);
        assert_eq!((found.fates[1].kept, found.fates[1].parts, found.fates[1].largest), (0.7, 2, Some(1)));
        assert_eq!(found.fates[4].largest, None);
        let words: Vec<&str> = found.origins.iter().map(|origin| origin.word).collect();
        // the first holds 4 % of one and 60 % of another: from one; the third joins two; the last is new
        assert_eq!(words, ["from one", "from one", "merged", "from one", "new"]);
        assert_eq!(found.origins[2].from_patches, 179.0 / 200.0);
        let shrunk = fates(&[100], &[89], &[((1, 1), 89)].into());
        assert_eq!(shrunk.fates[0].fate, Fate::Shrunk);
    }
}
