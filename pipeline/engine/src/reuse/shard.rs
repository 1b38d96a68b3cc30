//! A share of a step, for one machine among several.

use super::steps::Step;
use std::ops::Range;

/// Who computes what of a run.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Machines {
    /// This machine everything that is not kept.
    #[default]
    One,
    /// This machine a share of one step; the steps before are kept.
    Share(Shard),
    /// Other machines have computed all steps; this one puts them together.
    Merge,
}

/// One share of one step.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Shard {
    /// The step.
    pub step: Step,
    /// Which share, from 0.
    pub index: usize,
    /// Of how many.
    pub of: usize,
}

impl Shard {
    /// Which of so many windows are this share's: neighbours, so that they look at the same surroundings.
    pub fn own(&self, windows: usize) -> Range<usize> {
        let at = |k: usize| k * windows / self.of.max(1);
        at(self.index)..at(self.index + 1)
    }
}

/// The share that a window falls to.
pub fn share_of(window: usize, windows: usize, of: usize) -> usize {
    // the inverse of the bounds above
    (0..of).find(|k| (k + 1) * windows / of > window).unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_window_falls_to_one_share() {
        for windows in [1, 2, 5, 64, 1000] {
            for of in [1, 2, 3, 7, 64] {
                let mut seen = vec![0; windows];
                for index in 0..of {
                    for window in (Shard { step: Step::Water, index, of }).own(windows) {
                        seen[window] += 1;
                        assert_eq!(share_of(window, windows, of), index);
                    }
                }
                assert!(seen.iter().all(|n| *n == 1), "{windows} windows, {of} shares");
            }
        }
    }
}
