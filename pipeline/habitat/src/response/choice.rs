//! Which length of the index suits the water: the one that best predicts years left out.

use super::quality::LeftOut;
use super::{Design, Groups, SampleCell, Spreads};
use crate::water::MonthAxis;
use std::collections::BTreeMap;

/// Cells of a group looked at.
pub const CELLS: usize = 100;
/// Deviances nearer than this share are the same.
const TIE: f64 = 1e-9;

/// A length of the index as it was tried.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Candidate {
    /// Months summed.
    pub months: usize,
    /// How it predicts years left out; none where it could not be tried.
    pub left_out: Option<LeftOut>,
}

/// Cells to try lengths on: at most [`CELLS`] of each group's sample, evenly spread over it.
pub fn cells(sample: &[SampleCell]) -> Vec<SampleCell> {
    let mut members: BTreeMap<Option<i32>, Vec<&SampleCell>> = BTreeMap::new();
    for cell in sample {
        members.entry(cell.group).or_default().push(cell);
    }
    let spread = |cells: Vec<&SampleCell>| {
        let step = cells.len().div_ceil(CELLS).max(1);
        cells.into_iter().step_by(step).cloned().collect::<Vec<_>>()
    };
    members.into_values().flat_map(spread).collect()
}

/// Tries lengths on the same cells and months. `z` gives for each length its months summed and its z by climate and month of
/// the axis; a climate's months are those every length has. Priors come from these cells too.
pub fn tried(
    lengths: &[(usize, Vec<Vec<Option<f64>>>)],
    axis: &MonthAxis,
    cells: &[SampleCell],
    spreads: Spreads,
) -> Vec<Candidate> {
    let climates = lengths.iter().map(|(_, z)| z.len()).min().unwrap_or(0);
    let common: Vec<Vec<bool>> = (0..climates)
        .map(|climate| {
            let has = |at| lengths.iter().all(|(_, z)| z[climate].get(at).copied().flatten().is_some());
            (0..axis.len).map(has).collect()
        })
        .collect();
    // a cell none of whose months every length has cannot tell them apart
    let cells: Vec<SampleCell> =
        cells.iter().filter(|cell| common[cell.climate].contains(&true)).cloned().collect();
    let try_one = |(months, z): &(usize, Vec<Vec<Option<f64>>>)| {
        let designs: Vec<Design> = z
            .iter()
            .zip(&common)
            .map(|(z, common)| {
                let kept: Vec<Option<f64>> =
                    z.iter().zip(common).map(|(z, has)| z.filter(|_| *has)).collect();
                Design::new(axis, &kept)
            })
            .collect();
        let groups = Groups::fit(&designs, axis, &cells, spreads).ok();
        let left_out = groups.and_then(|groups| groups.left_out(&designs, axis, &cells, *months));
        Candidate { months: *months, left_out }
    };
    lengths.iter().map(try_one).collect()
}

/// Position of the best: the lowest deviance, of equals the shortest; none where none could be tried.
pub fn best(candidates: &[Candidate]) -> Option<usize> {
    let deviance = |at: usize| candidates[at].left_out.map(|left| left.deviance).filter(|d| d.is_finite());
    let lowest = (0..candidates.len()).filter_map(deviance).fold(f64::INFINITY, f64::min);
    let equal = (0..candidates.len()).filter(|at| deviance(*at).is_some_and(|d| d <= lowest * (1.0 + TIE)));
    equal.min_by_key(|at| candidates[*at].months)
}

#[cfg(test)]
mod tests {
    use super::super::tests::{SPREADS, axis, drawn, waves};
    use super::*;

    /// Means of k months of an index that jumps about: what water remembers.
    fn remembered(k: usize) -> Vec<Option<f64>> {
        let z: Vec<f64> = (0..360).map(|t| ((t * 7919 + 13) % 101) as f64 / 25.0 - 2.0).collect();
        (0..360)
            .map(|t| {
                let from = (t + 1_usize).checked_sub(k)?;
                Some(z[from..=t].iter().sum::<f64>() / (k as f64).sqrt())
            })
            .collect()
    }

    /// Water drawn from the sum over six months is best told by six months, whatever stands beside.
    #[test]
    fn the_true_length_is_found() {
        let truth = Design::new(&axis(), &remembered(6));
        let sample: Vec<SampleCell> = (0..60)
            .map(|c| {
                let cell = drawn(&truth, &[0.0, 1.5, 0.4, 0.2], c);
                // the design begins with the sixth month: move its bits there
                let mut rows = crate::water::BitRows::new(&axis(), 1);
                for t in 0..truth.len() {
                    rows.set(0, t + 5, crate::water::bit(&cell.wet, t));
                }
                SampleCell { observed: rows.observed(0).to_vec(), wet: rows.wet(0).to_vec(), ..cell }
            })
            .collect();
        let lengths: Vec<(usize, Vec<Vec<Option<f64>>>)> =
            [1, 3, 6, 12, 24].map(|k| (k, vec![remembered(k)])).into();
        let tried = tried(&lengths, &axis(), &sample, SPREADS);
        assert_eq!(tried[best(&tried).unwrap()].months, 6, "{tried:?}");
        // the same months for all: those from the 24th on
        let months: Vec<usize> = tried.iter().map(|c| c.left_out.unwrap().months).collect();
        assert_eq!(months, [60 * (360 - 23); 5]);
        assert!(tried[2].left_out.unwrap().skill() > tried[0].left_out.unwrap().skill());
    }

    #[test]
    fn of_equals_the_shorter_is_taken_and_nothing_of_nothing() {
        let left = |deviance| Some(LeftOut { deviance, brier: 0.1, brier_climatology: 0.2, months: 9 });
        let candidate = |months, left_out| Candidate { months, left_out };
        let all =
            [candidate(24, left(0.5)), candidate(6, left(0.5)), candidate(1, left(0.9)), candidate(3, None)];
        assert_eq!(best(&all), Some(1));
        assert_eq!(best(&[candidate(3, None), candidate(1, left(f64::NAN))]), None);
        assert_eq!(best(&[]), None);
    }

    /// Every group is heard, a large one through evenly spread cells.
    #[test]
    fn cells_are_spread_over_each_group() {
        let design = Design::new(&axis(), &waves());
        let one = drawn(&design, &[0.0; 4], 0);
        let mut sample: Vec<SampleCell> = (0..250).map(|_| one.clone()).collect();
        sample.extend((0..7).map(|_| SampleCell { group: None, ..one.clone() }));
        let chosen = cells(&sample);
        let of = |group| chosen.iter().filter(|cell| cell.group == group).count();
        assert_eq!((of(Some(1)), of(None)), (84, 7));
    }
}
