//! What the members leave on the ground of every patch of the baseline.

use super::Spread;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// Parts of a square metre that areas are counted in: whole numbers add up the same in any order.
const PARTS: f64 = 1e6;
/// Numbers kept at most, for patches, cases and members together; beyond them patches have no ranges.
const MOST: usize = 64 << 20;

/// Habitat by patch, case and member.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct PatchMembers {
    cases: usize,
    members: usize,
    parts: BTreeMap<u32, Vec<u64>>,
}

impl PatchMembers {
    /// Of so many cases and members.
    pub fn new(cases: usize, members: usize) -> Self {
        PatchMembers { cases, members, parts: BTreeMap::new() }
    }

    /// Whether so many patches can be kept.
    pub fn has_room(patches: usize, cases: usize, members: usize) -> bool {
        patches.saturating_mul(cases).saturating_mul(members) <= MOST
    }

    /// Adds a cell of a patch that is habitat in a case of a member, square metres.
    pub fn add(&mut self, patch: u32, case: usize, member: usize, area_m2: f64) {
        let of_patch = self.parts.entry(patch).or_insert_with(|| vec![0; self.cases * self.members]);
        of_patch[case * self.members + member] += (area_m2 * PARTS).round() as u64;
    }

    /// Adds those of another.
    pub fn merge(&mut self, other: PatchMembers) {
        for (patch, parts) in other.parts {
            match self.parts.get_mut(&patch) {
                Some(total) => total.iter_mut().zip(&parts).for_each(|(total, part)| *total += part),
                None => {
                    self.parts.insert(patch, parts);
                }
            }
        }
    }

    /// Habitat on the ground of a patch by member, hectares. A patch that no member ever leaves has 0 everywhere.
    fn of(&self, patch: u32, case: usize) -> Vec<f64> {
        match self.parts.get(&patch) {
            Some(parts) => {
                let own = &parts[case * self.members..(case + 1) * self.members];
                own.iter().map(|parts| *parts as f64 / PARTS / 10_000.0).collect()
            }
            None => vec![0.0; self.members],
        }
    }

    /// Range of the habitat on the ground of a patch, hectares.
    pub fn habitat_ha(&self, patch: u32, case: usize) -> Option<Spread> {
        Spread::of(self.of(patch, case).into_iter().map(Some))
    }

    /// Share of the members in which half of the patch's area (hectares) or more is habitat.
    pub fn share_with_half(&self, patch: u32, case: usize, area_ha: f64) -> Option<f64> {
        let of = self.of(patch, case);
        let enough = of.iter().filter(|habitat| **habitat >= 0.5 * area_ha).count();
        (!of.is_empty()).then(|| enough as f64 / of.len() as f64)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn members_of_a_patch_by_hand() {
        let mut one = PatchMembers::new(2, 3);
        one.add(7, 1, 0, 30_000.0);
        let mut other = PatchMembers::new(2, 3);
        other.add(7, 1, 0, 10_000.0);
        other.add(7, 1, 2, 20_000.0);
        other.add(9, 0, 1, 5_000.5);
        one.merge(other);
        // 4, 0 and 2 ha
        let range = one.habitat_ha(7, 1).unwrap();
        assert!((range.low - 0.2).abs() < 1e-12 && range.median == 2.0 && (range.high - 3.8).abs() < 1e-12);
        assert_eq!(one.share_with_half(7, 1, 4.0), Some(2.0 / 3.0));
        assert_eq!(one.of(9, 0), [0.0, 0.50005, 0.0]);
        assert_eq!(one.habitat_ha(1, 0).unwrap().high, 0.0);
        assert!(PatchMembers::has_room(5_000, 8, 200) && !PatchMembers::has_room(100_000, 8, 200));
    }
}
