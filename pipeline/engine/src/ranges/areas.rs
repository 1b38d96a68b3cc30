//! Areas by member, and how far members spread.

use lentic_numerics::exact_sum::ExactSum;
use lentic_numerics::stats::quantile;
use serde::{Deserialize, Serialize};

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
    pub(super) fn add(&mut self, before: bool, after: bool, area: f64) {
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

    pub(super) fn merge(&mut self, other: &MemberAreas) {
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
    pub(super) fn new(cases: usize, members: usize) -> Self {
        ByMember { members, areas: vec![MemberAreas::default(); cases * members] }
    }

    pub(super) fn at(&mut self, case: usize, member: usize) -> &mut MemberAreas {
        &mut self.areas[case * self.members + member]
    }

    /// The members of a case.
    pub fn of(&self, case: usize) -> &[MemberAreas] {
        &self.areas[case * self.members..(case + 1) * self.members]
    }

    pub(super) fn merge(&mut self, other: &ByMember) {
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_spread_is_told_of_members_that_have_the_number() {
        let values = (0..=20).map(|v| (v > 0).then(|| f64::from(v)));
        // type 7 of 1 ... 20: 1 + 0.05 x 19
        let spread = Spread::of(values).unwrap();
        assert!((spread.low - 1.95).abs() < 1e-12 && (spread.high - 19.05).abs() < 1e-12);
        assert_eq!(spread.median, 10.5);
        assert_eq!(Spread::of([None, None].into_iter()), None);
    }
}
