//! Water held by pools: volume, wet area and mean depth.

use lentic_numerics::exact_sum::ExactSum;
use std::collections::BTreeMap;

/// What was dissolved in water that went is taken to thicken what is left at most so many times (ours).
pub const MOST_CONCENTRATED: f64 = 10.0;

/// Water of one pool in one case; the order of cells does not matter.
#[derive(Clone, Copy, Debug, Default)]
pub struct Volume {
    volume: ExactSum,
    wet_area: ExactSum,
}

impl Volume {
    /// Adds a cell with water: depth in metres, area in square metres.
    pub fn add(&mut self, depth: f64, area: f64) {
        self.volume.add(depth * area);
        self.wet_area.add(area);
    }

    /// Adds the cells of another.
    pub fn merge(&mut self, other: &Volume) {
        self.volume.merge(&other.volume);
        self.wet_area.merge(&other.wet_area);
    }

    /// Volume, cubic metres.
    pub fn volume_m3(&self) -> f64 {
        self.volume.value().unwrap_or(f64::NAN)
    }

    /// Area of the cells with water, square metres.
    pub fn wet_area_m2(&self) -> f64 {
        self.wet_area.value().unwrap_or(f64::NAN)
    }

    /// Mean depth over the cells with water, metres; none without water.
    pub fn mean_depth_m(&self) -> Option<f64> {
        let area = self.wet_area_m2();
        (area > 0.0).then(|| self.volume_m3() / area)
    }
}

/// Water by pool (`None`: cells in no pool) in one case.
#[derive(Clone, Debug, Default)]
pub struct Volumes(pub BTreeMap<Option<i32>, Volume>);

impl Volumes {
    /// Adds a cell with water, or without (depth 0), so that its pool is known.
    pub fn add(&mut self, pool: Option<i32>, depth: f64, area: f64) {
        let volume = self.0.entry(pool).or_default();
        if depth > 0.0 {
            volume.add(depth, area);
        }
    }

    /// Adds the cells of another.
    pub fn merge(&mut self, other: &Volumes) {
        for (pool, volume) in &other.0 {
            self.0.entry(*pool).or_default().merge(volume);
        }
    }

    /// Volume of a pool as a share of what it is in `baseline`; none where it holds no water there.
    pub fn share_of(&self, baseline: &Volumes, pool: Option<i32>) -> Option<f64> {
        let before = baseline.0.get(&pool)?.volume_m3();
        let after = self.0.get(&pool).map_or(0.0, Volume::volume_m3);
        (before > 0.0).then(|| after / before)
    }

    /// How many times what is dissolved in a pool's water is thickened against `baseline`: min(V0/V, 10), no flushing assumed;
    /// none where the pool holds no water in the baseline.
    pub fn concentration(&self, baseline: &Volumes, pool: Option<i32>) -> Option<f64> {
        // a pool fallen dry: 1/0 is infinite, and held like the rest
        self.share_of(baseline, pool).map(|share| share.recip().min(MOST_CONCENTRATED))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Two cells of 900 m2 by hand.
    #[test]
    fn volume_area_and_depth_by_hand() {
        let (mut before, mut after) = (Volumes::default(), Volumes::default());
        for (depth, later) in [(0.5, 0.25), (1.5, 0.0)] {
            before.add(Some(4), depth, 900.0);
            after.add(Some(4), later, 900.0);
        }
        before.add(None, 0.2, 100.0);
        after.add(None, 0.0, 100.0);
        let of = |volumes: &Volumes, pool| volumes.0[&pool];
        assert_eq!(of(&before, Some(4)).volume_m3(), 1800.0);
        assert_eq!(of(&before, Some(4)).mean_depth_m(), Some(1.0));
        assert_eq!(of(&after, Some(4)).volume_m3(), 225.0);
        assert_eq!(of(&after, Some(4)).wet_area_m2(), 900.0);
        assert_eq!(after.share_of(&before, Some(4)), Some(0.125));
        assert_eq!(after.concentration(&before, Some(4)), Some(8.0));
        // dry ground stays in the list, and its salt is held at ten times
        assert_eq!(of(&after, None).mean_depth_m(), None);
        assert_eq!(after.concentration(&before, None), Some(MOST_CONCENTRATED));
        assert_eq!(before.concentration(&after, None), None);
        assert_eq!(after.share_of(&before, Some(9)), None);
    }

    #[test]
    fn parts_add_up() {
        let mut whole = Volumes::default();
        let mut parts = [Volumes::default(), Volumes::default()];
        for i in 0..50 {
            let (depth, area) = (0.1 + f64::from(i % 7) / 3.0, 100.0 + f64::from(i));
            whole.add(Some(i % 3), depth, area);
            parts[(i % 2) as usize].add(Some(i % 3), depth, area);
        }
        let [mut one, two] = parts;
        one.merge(&two);
        for pool in 0..3 {
            assert_eq!(one.0[&Some(pool)].volume_m3(), whole.0[&Some(pool)].volume_m3());
        }
    }
}
