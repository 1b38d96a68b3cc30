//! Parts of the ground that are tested apart: records are judged by others that stand elsewhere.

use lentic_numerics::seed::{hash64, unit};
use std::collections::BTreeMap;

/// Folds where there are blocks enough.
pub const FOLDS: usize = 5;
/// Sets the draw of blocks without records apart from other draws of the seed.
const PURPOSE: u64 = 0x666f_6c64;

/// A cell by row and column.
pub type Place = (usize, usize);

/// How the ground was parted.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Parting {
    /// Squares dealt to folds; so many hold records.
    Blocks(usize),
    /// Groups of records farther apart than a block's side, each a fold.
    Clusters(usize),
    /// All records stand together: nothing is left to test on.
    Whole,
}

/// The fold of every record and every background cell.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Folds {
    /// How they were made.
    pub parting: Parting,
    /// Number of folds; 0 where the ground is whole.
    pub count: usize,
    /// Fold of each presence, from 0.
    pub presences: Vec<usize>,
    /// Fold of each background cell.
    pub background: Vec<usize>,
    /// Presences that stand in one block (one cluster), by position.
    pub groups: Vec<Vec<usize>>,
}

impl Folds {
    /// Positions inside and outside a fold.
    pub fn split(of: &[usize], fold: usize) -> (Vec<usize>, Vec<usize>) {
        (0..of.len()).partition(|at| of[*at] == fold)
    }
}

/// Parts the ground: squares of `block` cells from the grid's corner. Where at least five squares hold presences they are
/// dealt to five folds, the fullest first, each to the fold with the fewest presences (the first of several); squares without
/// presences by a hash of their place and the seed. Otherwise presences that can be linked by steps of at most `block` cells are
/// one cluster, each cluster is a fold, and background goes with the nearest presence (the first of several).
pub fn folds(presences: &[Place], background: &[Place], block: usize, seed: u64) -> Folds {
    let block = block.max(1);
    let square = |place: &Place| (place.0 / block, place.1 / block);
    let mut held: BTreeMap<Place, Vec<usize>> = BTreeMap::new();
    for (at, place) in presences.iter().enumerate() {
        held.entry(square(place)).or_default().push(at);
    }
    if held.len() < FOLDS {
        return clusters(presences, background, block);
    }
    let mut order: Vec<(&Place, &Vec<usize>)> = held.iter().collect();
    order.sort_by_key(|(place, members)| (usize::MAX - members.len(), **place));
    let mut filled = [0; FOLDS];
    let mut fold_of: BTreeMap<Place, usize> = BTreeMap::new();
    for (place, members) in order {
        let least = (0..FOLDS).min_by_key(|fold| filled[*fold]).unwrap_or(0);
        filled[least] += members.len();
        fold_of.insert(*place, least);
    }
    let drawn = |(row, col): Place| {
        let share = unit(hash64(seed ^ PURPOSE, row as u64, col as u64));
        (share * FOLDS as f64) as usize
    };
    let fold = |place: &Place| {
        let square = square(place);
        fold_of.get(&square).copied().unwrap_or_else(|| drawn(square))
    };
    Folds {
        parting: Parting::Blocks(held.len()),
        count: FOLDS,
        presences: presences.iter().map(fold).collect(),
        background: background.iter().map(fold).collect(),
        groups: held.into_values().collect(),
    }
}

fn clusters(presences: &[Place], background: &[Place], block: usize) -> Folds {
    let reach = block * block;
    let mut cluster = vec![usize::MAX; presences.len()];
    let mut groups: Vec<Vec<usize>> = Vec::new();
    for first in 0..presences.len() {
        if cluster[first] != usize::MAX {
            continue;
        }
        let number = groups.len();
        cluster[first] = number;
        let mut members = vec![first];
        let mut next = 0;
        while let Some(at) = members.get(next).copied() {
            next += 1;
            for other in 0..presences.len() {
                if cluster[other] == usize::MAX && apart(presences[at], presences[other]) <= reach {
                    cluster[other] = number;
                    members.push(other);
                }
            }
        }
        members.sort_unstable();
        groups.push(members);
    }
    let count = groups.len();
    let nearest = |place: &Place| {
        let nearest = (0..presences.len()).min_by_key(|at| apart(*place, presences[*at]));
        nearest.map_or(0, |at| cluster[at])
    };
    if count < 2 {
        return Folds {
            parting: Parting::Whole,
            count: 0,
            presences: vec![0; presences.len()],
            background: vec![0; background.len()],
            // drawn one by one: there are no groups to draw
            groups: (0..presences.len()).map(|at| vec![at]).collect(),
        };
    }
    Folds {
        parting: Parting::Clusters(count),
        count,
        background: background.iter().map(nearest).collect(),
        presences: cluster,
        groups,
    }
}

/// Squared distance in cells.
fn apart(a: Place, b: Place) -> usize {
    let (rows, cols) = (a.0.abs_diff(b.0), a.1.abs_diff(b.1));
    rows * rows + cols * cols
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn full_blocks_are_dealt_evenly() {
        // six blocks of ten cells with 6, 5, 4, 3, 2, 1 presences
        let mut presences = Vec::new();
        for (block, n) in [6, 5, 4, 3, 2, 1].into_iter().enumerate() {
            presences.extend((0..n).map(|i| (3, 10 * block + i)));
        }
        let background: Vec<Place> = (0..30).flat_map(|r| (0..60).map(move |c| (r, c))).collect();
        let found = folds(&presences, &background, 10, 7);
        assert_eq!((found.parting, found.count), (Parting::Blocks(6), 5));
        // 6, 5, 4, 3 and 2 take a fold each; the last goes to the emptiest, the one with 2
        assert_eq!(found.presences, [&[0; 6][..], &[1; 5], &[2; 4], &[3; 3], &[4; 2], &[4]].concat());
        assert_eq!(found.groups.iter().map(Vec::len).collect::<Vec<_>>(), [6, 5, 4, 3, 2, 1]);
        for (place, fold) in background.iter().zip(&found.background) {
            if place.0 < 10 {
                assert_eq!(*fold, [0, 1, 2, 3, 4, 4][place.1 / 10]);
            }
            // a block is never torn
            let corner = (place.0 / 10 * 10) * 60 + place.1 / 10 * 10;
            assert_eq!(*fold, found.background[corner]);
        }
    }

    #[test]
    fn few_blocks_leave_one_cluster_out() {
        let presences = [(0, 0), (0, 9), (0, 18), (40, 40), (41, 40)];
        let background = [(2, 20), (30, 30), (0, 0)];
        let found = folds(&presences, &background, 10, 7);
        assert_eq!((found.parting, found.count), (Parting::Clusters(2), 2));
        assert_eq!(found.presences, [0, 0, 0, 1, 1]);
        assert_eq!(found.background, [0, 1, 0]);
        assert_eq!(found.groups, [vec![0, 1, 2], vec![3, 4]]);
    }

    #[test]
    fn records_that_stand_together_are_not_parted() {
        let found = folds(&[(0, 0), (0, 9), (7, 15)], &[(50, 50)], 10, 7);
        assert_eq!((found.parting, found.count), (Parting::Whole, 0));
        assert_eq!(found.groups.len(), 3);
        assert_eq!(folds(&[], &[(1, 1)], 10, 7).parting, Parting::Whole);
    }

    proptest! {
        #[test]
        fn every_fold_has_presences_and_clusters_lie_apart(
            presences in prop::collection::vec((0usize..80, 0usize..80), 1..40),
            block in 1usize..60,
        ) {
            let found = folds(&presences, &presences, block, 1);
            prop_assert_eq!(&found.presences, &found.background);
            for fold in 0..found.count {
                let (inside, outside) = Folds::split(&found.presences, fold);
                prop_assert!(!inside.is_empty() && !outside.is_empty());
                if let Parting::Clusters(_) = found.parting {
                    for a in &inside {
                        for b in &outside {
                            prop_assert!(apart(presences[*a], presences[*b]) > block * block);
                        }
                    }
                }
            }
            let mut all: Vec<usize> = found.groups.concat();
            all.sort_unstable();
            prop_assert_eq!(all, (0..presences.len()).collect::<Vec<_>>());
        }
    }
}
