//! Pools with a level as response groups: their cells share what follows from the level, and lie on a bed that is known.

use super::groups::{free_fits, group_fit};
use super::{Design, GroupFit, Groups, SampleCell};
use crate::water::MonthAxis;
use lentic_numerics::stats::median;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// Half the range of class codes is more than any legend needs; the groups of pools stand in the other half.
const POOLS: std::ops::Range<i32> = 0..1 << 30;
/// The group of pool 0; `i32::MIN` stands for no class.
const FIRST: i32 = i32::MIN + 1;
/// What spreads about a median as normal numbers do: standard deviation over median absolute deviation.
const NORMAL: f64 = 1.4826;
/// Ground is known no better than this, metres (ours).
const LEAST_SPREAD_M: f64 = 0.01;
/// Standard deviation of an intercept, at least, logits.
const LEAST_SD: f64 = 1e-3;

/// The code of a pool's response group; `None` for pools whose own code is negative or beyond 2^30, which can have none.
pub fn group_of_pool(pool: i32) -> Option<i32> {
    POOLS.contains(&pool).then(|| FIRST + pool)
}

/// The pool whose group this is; `None` for groups that are classes.
pub fn pool_of_group(group: Option<i32>) -> Option<i32> {
    group.and_then(|code| code.checked_sub(FIRST)).filter(|pool| POOLS.contains(pool))
}

/// Where the intercept of a cell is expected: water stands `1 / per_m` metres higher for a logit less.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct GroundPrior {
    /// Logits that an intercept falls by with a metre of ground.
    pub per_m: f64,
    /// Ground that is wet half the time at the mean level, metres.
    pub zero_m: f64,
    /// How far the ground of a cell lies off the ground layer, metres: median absolute deviation, scaled to a standard deviation.
    pub spread_m: f64,
    /// Standard deviation about the expected intercept, logits.
    pub sd: f64,
    /// The highest z of the record: the level at its brim, or near it.
    pub highest_z: f64,
}

impl GroundPrior {
    /// Expected intercept at a ground, metres.
    pub fn intercept(&self, ground: f64) -> f64 {
        self.per_m * (self.zero_m - ground)
    }
}

impl GroupFit {
    /// Priors of a pool's cells whose z is the level, `mean` and `sd` of it in metres; `None` where water does not rise with it.
    ///
    /// b, c, d and the weight as in any group. Water at a cell stands half the time at the level where its logit is 0; how far that is above
    /// the ground layer, at the middle of the cells, places the bed, and how far cells lie about that is how well the layer is known.
    pub fn of_pool(
        design: &Design,
        axis: &MonthAxis,
        cells: &[SampleCell],
        (mean, sd): (f64, f64),
    ) -> Option<GroupFit> {
        let fits = free_fits(|_| design, axis, cells);
        let every: Vec<usize> = (0..cells.len()).collect();
        let mut group = group_fit(&fits, &every, true);
        if group.mean[1].is_nan() || group.mean[1] <= 0.0 {
            return None;
        }
        let above = fits.iter().zip(cells).filter(|((beta, _), _)| beta[1] > 0.0);
        let above: Vec<f64> = above
            .map(|((beta, _), cell)| mean - sd * beta[0] / beta[1] - cell.ground)
            .filter(|above| above.is_finite())
            .collect();
        if let Some(middle) = median(&above) {
            let off: Vec<f64> = above.iter().map(|above| (above - middle).abs()).collect();
            let spread_m = (NORMAL * median(&off).unwrap_or(0.0)).max(LEAST_SPREAD_M);
            let per_m = group.mean[1] / sd;
            let highest_z = design.z().map(|(_, z)| z).fold(0.0, f64::max);
            let sd = (per_m * spread_m).max(LEAST_SD);
            group.ground = Some(GroundPrior { per_m, zero_m: mean - middle, spread_m, sd, highest_z });
        }
        Some(group)
    }
}

impl Groups {
    /// These groups and those of pools with a level, by the codes of [`group_of_pool`].
    #[must_use]
    pub fn with_pools(mut self, pools: BTreeMap<i32, GroupFit>) -> Self {
        self.pools = pools;
        self
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn groups_of_pools_and_classes_are_told_apart() {
        for pool in [0, 1, 77, (1 << 30) - 1] {
            let group = group_of_pool(pool);
            assert_eq!(pool_of_group(group), Some(pool));
            assert!(group.unwrap() <= -(1 << 30));
        }
        assert_eq!([group_of_pool(-1), group_of_pool(1 << 30)], [None, None]);
        for class in
            [None, Some(0), Some(7), Some(-9999), Some(i32::MAX), Some(i32::MIN), Some(1 - (1 << 30))]
        {
            assert_eq!(pool_of_group(class), None, "{class:?}");
        }
    }

    #[test]
    fn an_intercept_by_hand() {
        let prior = GroundPrior { per_m: 20.0, zero_m: 100.5, spread_m: 0.03, sd: 0.6, highest_z: 1.5 };
        assert_eq!(prior.intercept(100.5), 0.0);
        assert!((prior.intercept(100.0) - 10.0).abs() < 1e-12);
    }
}
