//! Least-cost ways between patches over ground that resists.

use std::cmp::Reverse;
use std::collections::{BTreeSet, BinaryHeap};
use std::f64::consts::SQRT_2;
use std::ops::Range;

/// Sums of steps within this share of a limit count as within it, so that rounding does not decide.
pub const LIMIT_SLACK: f64 = 1e-9;

/// A rectangle of ground: slices are row-major with `rows * cols` cells.
#[derive(Clone, Copy, Debug)]
pub struct Ground<'a> {
    /// Rows.
    pub rows: usize,
    /// Columns.
    pub cols: usize,
    /// Cell side, metres.
    pub cell_m: f64,
    /// Cost of a metre, 1 or more; a cell that holds no finite number cannot be entered or left.
    pub resistance: &'a [f32],
    /// Number of the patch a cell belongs to, 0 none.
    pub patches: &'a [u32],
}

/// A part of a [`Ground`].
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Piece {
    /// Its rows.
    pub rows: Range<usize>,
    /// Its columns.
    pub cols: Range<usize>,
}

/// A cell of a [`Ground`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Spot {
    /// Row, from 0.
    pub row: u32,
    /// Column, from 0.
    pub col: u32,
}

/// The least-cost way to another patch.
#[derive(Clone, Debug, PartialEq)]
pub struct Way {
    /// The patch reached.
    pub to: u32,
    /// Cost, metres of ground of resistance 1.
    pub cost: f64,
    /// Where the way begins, turns and ends; `None` for a way that leads through a third patch.
    pub course: Option<Vec<Spot>>,
}

/// Length of a course, in cell sides.
pub fn length_of(course: &[Spot]) -> f64 {
    let leg = |pair: &[Spot]| {
        let across = f64::from(pair[1].col) - f64::from(pair[0].col);
        let down = f64::from(pair[1].row) - f64::from(pair[0].row);
        // Legs run straight or at 45 degrees.
        if across == 0.0 || down == 0.0 { across.abs() + down.abs() } else { across.abs() * SQRT_2 }
    };
    course.windows(2).map(leg).sum()
}

/// Working space of searches, kept from one to the next.
///
/// All grids in it have a rim of cells that cannot be entered, so that neighbours need no check.
#[derive(Debug, Default)]
pub struct Search {
    resistance: Vec<f32>,
    cost: Vec<f64>,
    /// Cell each cell was reached from.
    before: Vec<u32>,
    heap: BinaryHeap<Reverse<(u64, u32)>>,
}

impl Search {
    /// Ways from patch `from` to every patch of a higher number that lies within `limit`, by rising number.
    ///
    /// A step to one of eight neighbours costs the cell side (diagonally times the square root of 2) times
    /// the mean resistance of the two cells. A diagonal step is barred where one of the two cells beside it
    /// cannot be entered. The cost between two patches is the least over all ways from any cell of one to any
    /// cell of the other, whatever lies between, other patches included. The ways start in `start`; of a
    /// patch cut into pieces the least over the pieces is its own. Whether a way is the only one of its cost is
    /// not asked: of equals the one met first (by cost, then row by row) is given, always the same.
    ///
    /// A way within the limit does not leave the ground if `start` lies at least `limit / cell_m` cells from
    /// its edges, or the ground ends there.
    ///
    /// Slices of another length than `rows * cols`, or an empty ground, have no ways.
    ///
    /// ```
    /// use lentic_numerics::least_cost::{Ground, Piece, Search};
    /// let ground = Ground { rows: 1, cols: 4, cell_m: 10.0, resistance: &[1.0, 1.0, 3.0, 1.0], patches: &[1, 0, 0, 2] };
    /// let ways = Search::default().ways(&ground, 1, &Piece { rows: 0..1, cols: 0..4 }, 100.0);
    /// assert_eq!((ways[0].to, ways[0].cost), (2, 10.0 + 20.0 + 20.0));
    /// ```
    pub fn ways(&mut self, ground: &Ground, from: u32, start: &Piece, limit: f64) -> Vec<Way> {
        let cells = ground.rows.checked_mul(ground.cols);
        if cells == Some(0) || cells != Some(ground.patches.len()) || cells != Some(ground.resistance.len()) {
            return Vec::new();
        }
        let mut wanted: BTreeSet<u32> = BTreeSet::new();
        let mut last = 0;
        for patch in ground.patches {
            if *patch != last && *patch > from {
                wanted.insert(*patch);
            }
            last = *patch;
        }
        if wanted.is_empty() || !self.begin(ground, from, start) {
            return Vec::new();
        }
        let limit = limit * (1.0 + LIMIT_SLACK);
        let mut found = Vec::with_capacity(wanted.len());
        while let Some(Reverse((bits, at))) = self.heap.pop() {
            let (cost, cell) = (f64::from_bits(bits), at as usize);
            if cost > self.cost[cell] {
                continue; // reached more cheaply since
            }
            let patch = ground.patches[inner(ground, cell)];
            if wanted.remove(&patch) {
                found.push(Way { to: patch, cost, course: self.course(ground, from, patch, at) });
                if wanted.is_empty() {
                    break;
                }
            }
            self.step(ground, cell, cost, limit);
        }
        found.sort_by_key(|way| way.to);
        found
    }

    /// Lays out the ground and puts the edge cells of the patch that lie in `start` on the heap; false
    /// if there are none.
    fn begin(&mut self, ground: &Ground, from: u32, start: &Piece) -> bool {
        let (rows, cols) = (ground.rows, ground.cols);
        let wide = cols + 2;
        let padded = (rows + 2) * wide;
        self.heap.clear();
        self.resistance.clear();
        self.resistance.resize(padded, f32::INFINITY);
        self.cost.clear();
        self.cost.resize(padded, f64::INFINITY);
        self.before.resize(padded, 0);
        for row in 0..rows {
            let at = (row + 1) * wide + 1;
            let line = row * cols..(row + 1) * cols;
            self.resistance[at..at + cols].copy_from_slice(&ground.resistance[line.clone()]);
            for (cost, patch) in self.cost[at..at + cols].iter_mut().zip(&ground.patches[line]) {
                if *patch == from {
                    // No way back into the patch: what starts there starts cheaper.
                    *cost = 0.0;
                }
            }
        }
        for row in start.rows.start..start.rows.end.min(rows) {
            for col in start.cols.start..start.cols.end.min(cols) {
                let cell = (row + 1) * wide + col + 1;
                let own = ground.patches[row * cols + col] == from;
                let around = [cell - wide - 1, cell - wide, cell - wide + 1, cell - 1, cell + 1]
                    .into_iter()
                    .chain([cell + wide - 1, cell + wide, cell + wide + 1]);
                if own && around.into_iter().any(|next| self.cost[next] > 0.0) {
                    self.before[cell] = cell as u32;
                    self.heap.push(Reverse((0f64.to_bits(), cell as u32)));
                }
            }
        }
        !self.heap.is_empty()
    }

    fn step(&mut self, ground: &Ground, cell: usize, cost: f64, limit: f64) {
        let own = self.resistance[cell];
        if !own.is_finite() {
            return;
        }
        let wide = ground.cols + 2;
        let half = 0.5 * ground.cell_m;
        let relax = |search: &mut Self, next: usize, factor: f64| {
            let other = search.resistance[next];
            let reached = cost + factor * half * (f64::from(own) + f64::from(other));
            if reached < search.cost[next] && reached <= limit {
                search.cost[next] = reached;
                search.before[next] = cell as u32;
                search.heap.push(Reverse((reached.to_bits(), next as u32)));
            }
        };
        let (up, left, right, down) = (cell - wide, cell - 1, cell + 1, cell + wide);
        let open = [up, left, right, down].map(|next| self.resistance[next].is_finite());
        for (next, open) in [up, left, right, down].into_iter().zip(open) {
            if open {
                relax(self, next, 1.0);
            }
        }
        let [above, before, after, below] = open;
        let corners = [
            (up - 1, above && before),
            (up + 1, above && after),
            (down - 1, below && before),
            (down + 1, below && after),
        ];
        for (next, open) in corners {
            if open && self.resistance[next].is_finite() {
                relax(self, next, SQRT_2);
            }
        }
    }

    /// The turning points of the way that ends at a cell, from its start on.
    fn course(&self, ground: &Ground, from: u32, to: u32, end: u32) -> Option<Vec<Spot>> {
        let wide = ground.cols as i64 + 2;
        let spot =
            |at: u32| Spot { row: (i64::from(at) / wide - 1) as u32, col: (i64::from(at) % wide - 1) as u32 };
        let mut course = vec![spot(end)];
        let (mut at, mut heading) = (end, 0);
        loop {
            let before = self.before[at as usize];
            if before == at {
                break;
            }
            let patch = ground.patches[inner(ground, before as usize)];
            if patch != 0 && patch != from && patch != to {
                return None;
            }
            let step = i64::from(at) - i64::from(before);
            if step != heading && heading != 0 {
                course.push(spot(at));
            }
            (at, heading) = (before, step);
        }
        course.push(spot(at));
        course.reverse();
        Some(course)
    }
}

/// Index in the ground's own slices of a cell of the padded grid; only for cells within the rim.
fn inner(ground: &Ground, cell: usize) -> usize {
    let wide = ground.cols + 2;
    (cell / wide - 1) * ground.cols + cell % wide - 1
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Ground drawn with `#` impassable, digits resistance; patches given apart with letters.
    fn drawn(ground: &[&str], patches: &[&str]) -> (usize, usize, Vec<f32>, Vec<u32>) {
        let resistance = ground
            .iter()
            .flat_map(|line| {
                line.bytes().map(|b| if b == b'#' { f32::INFINITY } else { f32::from(b - b'0') })
            })
            .collect();
        let numbers = patches
            .iter()
            .flat_map(|line| line.bytes().map(|b| if b == b'.' { 0 } else { u32::from(b - b'a') + 1 }))
            .collect();
        (ground.len(), ground[0].len(), resistance, numbers)
    }

    fn ways(ground: &[&str], patches: &[&str], from: u32, limit: f64) -> Vec<Way> {
        let (rows, cols, resistance, patches) = drawn(ground, patches);
        let ground = Ground { rows, cols, cell_m: 10.0, resistance: &resistance, patches: &patches };
        Search::default().ways(&ground, from, &Piece { rows: 0..rows, cols: 0..cols }, limit)
    }

    fn spots(course: &[(u32, u32)]) -> Option<Vec<Spot>> {
        Some(course.iter().map(|(row, col)| Spot { row: *row, col: *col }).collect())
    }

    /// By hand: two diagonal steps over ground of 1, each 10 sqrt 2.
    #[test]
    fn a_diagonal_costs_the_root_of_two() {
        let found = ways(&["111", "111", "111"], &["a..", "...", "..b"], 1, 100.0);
        assert_eq!(found.len(), 1);
        assert!((found[0].cost - 20.0 * SQRT_2).abs() < 1e-12);
        assert_eq!(found[0].course, spots(&[(0, 0), (2, 2)]));
        assert!((length_of(&spots(&[(0, 0), (2, 2)]).unwrap()) - 2.0 * SQRT_2).abs() < 1e-15);
    }

    /// By hand: beside ground that cannot be entered the corner may not be cut, so two side steps.
    #[test]
    fn a_corner_of_impassable_ground_is_not_cut() {
        let found = ways(&["1#", "11"], &["a.", ".b"], 1, 100.0);
        assert_eq!((found[0].cost, found[0].course.clone()), (20.0, spots(&[(0, 0), (1, 0), (1, 1)])));
        assert!(ways(&["1#", "#1"], &["a.", ".b"], 1, 1e9).is_empty());
        assert!(ways(&["1#1", "1#1"], &["a.b", "a.b"], 1, 1e9).is_empty());
        // ground that is not a number is not entered either, and a patch on impassable ground is not left
        let ground =
            Ground { rows: 1, cols: 3, cell_m: 1.0, resistance: &[1.0, f32::NAN, 1.0], patches: &[1, 0, 2] };
        let whole = Piece { rows: 0..1, cols: 0..3 };
        assert!(Search::default().ways(&ground, 1, &whole, 1e9).is_empty());
        assert!(ways(&["#11"], &["a.b"], 1, 1e9).is_empty());
    }

    /// By hand: round the hard cell two side and two diagonal steps, 20 + 20 sqrt 2; in a strip of one row straight over it,
    /// 10 + 50 + 50 + 10.
    #[test]
    fn the_way_round_is_taken_where_it_is_cheaper() {
        let found = ways(&["11111", "11911", "11111"], &[".....", "a...b", "....."], 1, 1000.0);
        assert!((found[0].cost - (20.0 + 20.0 * SQRT_2)).abs() < 1e-12);
        assert!((length_of(found[0].course.as_ref().unwrap()) - (2.0 + 2.0 * SQRT_2)).abs() < 1e-12);
        let strip = ways(&["11911"], &["a...b"], 1, 1000.0);
        assert_eq!(strip[0].cost, 10.0 + 50.0 + 50.0 + 10.0);
    }

    /// Limits include what lies on them; only higher numbers are told.
    #[test]
    fn the_limit_and_the_order_of_patches() {
        let found = |from, limit| -> Vec<(u32, f64)> {
            ways(&["1111111"], &["b.a..cc"], from, limit).iter().map(|w| (w.to, w.cost)).collect()
        };
        assert_eq!(found(1, 30.0), [(2, 20.0), (3, 30.0)]);
        assert_eq!(found(1, 29.99), [(2, 20.0)]);
        assert_eq!(found(2, 50.0), [(3, 50.0)]);
        assert!(found(3, 1e9).is_empty());
        assert!(found(9, 1e9).is_empty());
    }

    /// The way from b to c leads through a: its cost counts, its course is of no use.
    #[test]
    fn through_a_third_patch() {
        let found = ways(&["1111111"], &["a.c..bb"], 1, 1e3);
        assert_eq!((found[0].to, found[0].cost, &found[0].course), (2, 50.0, &None));
        assert_eq!((found[1].to, found[1].cost), (3, 20.0));
    }

    #[test]
    fn misshapen_and_empty_grounds() {
        let piece = Piece { rows: 0..1, cols: 0..2 };
        let mut search = Search::default();
        let ground = Ground { rows: 1, cols: 2, cell_m: 1.0, resistance: &[1.0], patches: &[1, 2] };
        assert!(search.ways(&ground, 1, &piece, 9.0).is_empty());
        let ground = Ground { rows: 0, cols: 2, cell_m: 1.0, resistance: &[], patches: &[] };
        assert!(search.ways(&ground, 1, &piece, 9.0).is_empty());
        assert_eq!(length_of(&[]), 0.0);
    }

    /// Costs by relaxing every step until nothing changes (Bellman and Ford), from all cells of a patch.
    fn slowly(rows: usize, cols: usize, resistance: &[f32], patches: &[u32], from: u32, to: u32) -> f64 {
        let mut cost: Vec<f64> =
            patches.iter().map(|p| if *p == from { 0.0 } else { f64::INFINITY }).collect();
        let at = |r: i64, c: i64| -> Option<usize> {
            let inside = r >= 0 && c >= 0 && r < rows as i64 && c < cols as i64;
            let cell = inside.then(|| r as usize * cols + c as usize)?;
            resistance[cell].is_finite().then_some(cell)
        };
        loop {
            let mut changed = false;
            for r in 0..rows as i64 {
                for c in 0..cols as i64 {
                    for (dr, dc) in (-1..=1).flat_map(|dr| (-1..=1).map(move |dc| (dr, dc))) {
                        let (Some(here), Some(there)) = (at(r, c), at(r + dr, c + dc)) else { continue };
                        let beside = at(r + dr, c).is_some() && at(r, c + dc).is_some();
                        if here == there || !beside {
                            continue;
                        }
                        let mean = (f64::from(resistance[here]) + f64::from(resistance[there])) / 2.0;
                        let length = ((dr * dr + dc * dc) as f64).sqrt();
                        let reached = cost[here] + 10.0 * length * mean;
                        if reached < cost[there] - 1e-9 {
                            cost[there] = reached;
                            changed = true;
                        }
                    }
                }
            }
            if !changed {
                break;
            }
        }
        let ends = (0..patches.len()).filter(|cell| patches[*cell] == to);
        ends.map(|cell| cost[cell]).fold(f64::INFINITY, f64::min)
    }

    proptest! {
        /// Costs are those of the slow search, whichever pieces the patch is cut into, and a course costs what it says.
        #[test]
        fn same_as_relaxing_until_nothing_changes(
            (cols, cells) in (1usize..9).prop_flat_map(|cols| {
                (Just(cols), (1usize..9).prop_flat_map(move |rows| {
                    prop::collection::vec((0u8..6, 0u32..12), rows * cols)
                }))
            }),
            cut in 0usize..9,
        ) {
            let rows = cells.len() / cols;
            let resistance: Vec<f32> =
                cells.iter().map(|(r, _)| if *r == 0 { f32::INFINITY } else { 0.5 + f32::from(*r) / 2.0 }).collect();
            let patches: Vec<u32> = cells.iter().map(|(_, p)| if *p > 3 { 0 } else { *p }).collect();
            let ground = Ground { rows, cols, cell_m: 10.0, resistance: &resistance, patches: &patches };
            let mut search = Search::default();
            for from in 1..3 {
                let whole = search.ways(&ground, from, &Piece { rows: 0..rows, cols: 0..cols }, 1e9);
                let cut = cut.min(rows);
                let mut parts = search.ways(&ground, from, &Piece { rows: 0..cut, cols: 0..cols }, 1e9);
                parts.extend(search.ways(&ground, from, &Piece { rows: cut..rows, cols: 0..cols }, 1e9));
                for to in from + 1..4 {
                    let expected = slowly(rows, cols, &resistance, &patches, from, to);
                    let found = whole.iter().find(|w| w.to == to).map_or(f64::INFINITY, |w| w.cost);
                    let pieced =
                        parts.iter().filter(|w| w.to == to).map(|w| w.cost).fold(f64::INFINITY, f64::min);
                    prop_assert!(found == expected || (found - expected).abs() < 1e-6, "{found} {expected}");
                    prop_assert_eq!(found, pieced);
                }
                for way in &whole {
                    let Some(course) = &way.course else { continue };
                    let mut cost = 0.0;
                    for pair in course.windows(2) {
                        let (a, b) = (pair[0], pair[1]);
                        let sign = |from: u32, to: u32| i64::from(to > from) - i64::from(to < from);
                        let (dr, dc) = (sign(a.row, b.row), sign(a.col, b.col));
                        let (mut r, mut c) = (i64::from(a.row), i64::from(a.col));
                        while (r, c) != (i64::from(b.row), i64::from(b.col)) {
                            let here = resistance[r as usize * cols + c as usize];
                            (r, c) = (r + dr, c + dc);
                            let there = resistance[r as usize * cols + c as usize];
                            let length = ((dr * dr + dc * dc) as f64).sqrt();
                            cost += 10.0 * length * (f64::from(here) + f64::from(there)) / 2.0;
                        }
                    }
                    prop_assert!((cost - way.cost).abs() < 1e-9, "{cost} {}", way.cost);
                    let ends = [course[0], course[course.len() - 1]];
                    let patch = |s: Spot| patches[s.row as usize * cols + s.col as usize];
                    prop_assert_eq!(ends.map(patch), [from, way.to]);
                }
            }
        }
    }
}
