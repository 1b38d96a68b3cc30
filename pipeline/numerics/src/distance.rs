//! Exact Euclidean distance to the nearest target cell of a grid.

/// Squared distance of a cell with no target within the limit.
pub const FAR: u32 = u32::MAX;

/// Longest distance that can be told, in cells: its square still lies below [`FAR`].
pub const LONGEST: u32 = 65_535;

/// Squared distance, in cells, from every cell's centre to the nearest target's centre.
///
/// `targets` is row-major with `rows * cols` cells. The result has the same shape; a target holds 0, and a cell
/// with no target within `limit_cells` (capped at [`LONGEST`]) holds [`FAR`]. A slice of another length gives
/// [`FAR`] for all its cells.
///
/// Two sweeps, exact in integers, time linear in the number of cells: Meijster, Roerdink and Hesselink 2000, "A
/// general algorithm for computing distance transforms in linear time", Mathematical Morphology and its
/// Applications to Image and Signal Processing, 331-340.
///
/// ```
/// use lentic_numerics::distance::{FAR, squared_distance};
/// assert_eq!(squared_distance(&[true, false, false, false], 1, 4, 2), [0, 1, 4, FAR]);
/// ```
pub fn squared_distance(targets: &[bool], rows: usize, cols: usize, limit_cells: u32) -> Vec<u32> {
    if cols == 0 || rows.checked_mul(cols) != Some(targets.len()) {
        return vec![FAR; targets.len()];
    }
    let limit = limit_cells.min(LONGEST);
    let mut field = column_distances(targets, cols, limit);
    let mut sweep = RowSweep::new(cols, limit);
    for row in field.chunks_exact_mut(cols) {
        sweep.run(row);
    }
    field
}

/// Distance (not squared) to the nearest target of the same column, [`FAR`] beyond the limit.
fn column_distances(targets: &[bool], cols: usize, limit: u32) -> Vec<u32> {
    let step = |above: u32| if above >= limit { FAR } else { above + 1 };
    let mut field: Vec<u32> = targets.iter().map(|t| if *t { 0 } else { FAR }).collect();
    let rows = field.len() / cols;
    for r in 1..rows {
        let (above, here) = field.split_at_mut(r * cols);
        for (cell, above) in here[..cols].iter_mut().zip(&above[(r - 1) * cols..]) {
            *cell = (*cell).min(step(*above));
        }
    }
    for r in (1..rows).rev() {
        let (here, below) = field.split_at_mut(r * cols);
        for (cell, below) in here[(r - 1) * cols..].iter_mut().zip(&below[..cols]) {
            *cell = (*cell).min(step(*below));
        }
    }
    field
}

/// One parabola of the lower envelope along a row: from column `from` on, `column` is the nearest.
#[derive(Clone, Copy)]
struct Piece {
    column: i64,
    height: i64,
    from: i64,
}

/// Working space for the second sweep, kept between rows.
struct RowSweep {
    envelope: Vec<Piece>,
    limit: i64,
}

impl RowSweep {
    fn new(cols: usize, limit: u32) -> Self {
        RowSweep { envelope: Vec::with_capacity(cols), limit: i64::from(limit) }
    }

    /// Turns the column distances of one row into squared distances.
    fn run(&mut self, row: &mut [u32]) {
        let cols = row.len() as i64;
        self.envelope.clear();
        for (column, distance) in row.iter().enumerate() {
            if *distance != FAR {
                let height = i64::from(*distance) * i64::from(*distance);
                self.insert(column as i64, height, cols);
            }
        }
        row.fill(FAR);
        let mut end = cols;
        while let Some(piece) = self.envelope.pop() {
            // Only columns within the limit of the piece's own column can be near enough.
            let from = piece.from.max(piece.column - self.limit);
            let to = end.min(piece.column + self.limit + 1);
            for column in from..to {
                let across = column - piece.column;
                let squared = across * across + piece.height;
                if squared <= self.limit * self.limit {
                    row[column as usize] = squared as u32;
                }
            }
            end = piece.from;
        }
    }

    /// Adds the parabola of `column`, dropping those it hides.
    fn insert(&mut self, column: i64, height: i64, cols: i64) {
        while let Some(last) = self.envelope.last() {
            // First column at which the new parabola is strictly lower than the last one.
            let rise = column * column - last.column * last.column + height - last.height;
            let from = rise.div_euclid(2 * (column - last.column)) + 1;
            if from <= last.from {
                self.envelope.pop();
            } else {
                if from < cols {
                    self.envelope.push(Piece { column, height, from });
                }
                return;
            }
        }
        self.envelope.push(Piece { column, height, from: 0 });
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn brute_force(targets: &[bool], cols: usize, limit: u32) -> Vec<u32> {
        let cell = |i: usize| ((i / cols) as i64, (i % cols) as i64);
        (0..targets.len())
            .map(|i| {
                let (r, c) = cell(i);
                (0..targets.len())
                    .filter(|j| targets[*j])
                    .map(|j| {
                        let (y, x) = cell(j);
                        ((y - r).pow(2) + (x - c).pow(2)) as u32
                    })
                    .min()
                    .filter(|d| u64::from(*d) <= u64::from(limit).pow(2))
                    .unwrap_or(FAR)
            })
            .collect()
    }

    #[test]
    fn the_documentation_example_of_scipy() {
        // scipy 1.17.1, ndimage.distance_transform_edt docstring (distance to the nearest 0), squared
        let a = [[0, 1, 1, 1, 1], [0, 0, 1, 1, 1], [0, 1, 1, 1, 1], [0, 1, 1, 1, 0], [0, 1, 1, 0, 0]];
        let targets: Vec<bool> = a.iter().flatten().map(|v| *v == 0).collect();
        #[rustfmt::skip]
        let expected = [
            0, 1, 2, 5, 9,
            0, 0, 1, 4, 4,
            0, 1, 2, 2, 1,
            0, 1, 2, 1, 0,
            0, 1, 1, 0, 0,
        ];
        assert_eq!(squared_distance(&targets, 5, 5, 100), expected);
    }

    #[test]
    fn one_target_in_a_field() {
        // scipy 1.17.1: distance_transform_edt(b, sampling=30)**2 / 900, first row, b = ones((5, 7)), b[2,3] = 0
        let mut targets = vec![false; 35];
        targets[2 * 7 + 3] = true;
        assert_eq!(squared_distance(&targets, 5, 7, 9)[..7], [13, 8, 5, 4, 5, 8, 13]);
        assert_eq!(squared_distance(&targets, 5, 7, 2)[..7], [FAR, FAR, FAR, 4, FAR, FAR, FAR]);
    }

    #[test]
    fn no_target_is_far_everywhere() {
        assert_eq!(squared_distance(&[false; 9], 3, 3, 5), [FAR; 9]);
        assert_eq!(squared_distance(&[], 0, 0, 5), []);
        assert_eq!(squared_distance(&[true; 4], 3, 3, 5), [FAR; 4]);
    }

    #[test]
    fn a_limit_of_zero_and_the_longest_one() {
        assert_eq!(squared_distance(&[true, false], 1, 2, 0), [0, FAR]);
        let mut line = vec![false; 65_537];
        line[0] = true;
        let found = squared_distance(&line, 1, 65_537, u32::MAX);
        assert_eq!(found[65_535], 65_535 * 65_535);
        assert_eq!(found[65_536], FAR);
        assert_eq!(squared_distance(&line, 65_537, 1, u32::MAX), found);
    }

    proptest! {
        #[test]
        fn same_as_looking_at_every_pair(
            (cols, targets) in (1usize..14).prop_flat_map(|cols| {
                (Just(cols), (0usize..14).prop_flat_map(move |rows| {
                    prop::collection::vec(prop::bool::weighted(0.1), rows * cols)
                }))
            }),
            limit in prop_oneof![0u32..20, Just(1000)],
        ) {
            let rows = targets.len() / cols;
            prop_assert_eq!(squared_distance(&targets, rows, cols, limit), brute_force(&targets, cols, limit));
        }
    }
}
