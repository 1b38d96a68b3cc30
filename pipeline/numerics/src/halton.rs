//! The Halton sequence in bases 2 and 3, and cells of a grid in its order: samples spread evenly over a plane.
//!
//! Halton 1960, Numerische Mathematik 2:84-90. Balanced acceptance sampling takes points of the sequence from a
//! random start and keeps those inside the area, in order: Robertson, Brown, McDonald and Jaksons 2013, Biometrics
//! 69:776-784.

/// The radical inverse: the digits of `index` in `base`, mirrored at the point, so 6 = 110 in base 2 gives 0.011 = 3/8.
/// The fraction is built in whole numbers, so it is exact but for one division. NaN for a base under 2.
///
/// ```
/// use lentic_numerics::halton::radical_inverse;
/// assert_eq!((radical_inverse(6, 2), radical_inverse(5, 3)), (3.0 / 8.0, 7.0 / 9.0));
/// ```
pub fn radical_inverse(index: u64, base: u32) -> f64 {
    if base < 2 {
        return f64::NAN;
    }
    let base = u128::from(base);
    let (mut mirrored, mut scale, mut rest) = (0u128, 1u128, u128::from(index));
    while rest > 0 {
        mirrored = mirrored * base + rest % base;
        scale *= base;
        rest /= base;
    }
    mirrored as f64 / scale as f64
}

/// A cell of a [`Frame`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct FrameCell {
    /// Row, from 0.
    pub row: u64,
    /// Column, from 0.
    pub col: u64,
}

/// A grid of 2^a columns and 3^b rows laid over the unit square, so that every cell is one box of the Halton sequence:
/// of any `boxes()` consecutive points each box holds exactly one, and the number of the point is known from the box.
/// A study grid is laid into the smallest frame that holds it.
///
/// Taking the cells of an area by rising [`Frame::rank`] gives exactly the points that acceptance sampling keeps, without
/// trying the ones outside. With its start drawn evenly from the area's own cells every cell is as likely as any other to
/// be among the first n (Robertson, McDonald, Price and Brown 2017, Statistics and Probability Letters 129:107-112; from
/// memory).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Frame {
    col_digits: u32,
    row_digits: u32,
    cols: u64,
    rows: u64,
    /// Inverse of `cols` modulo `rows`.
    inverse: u64,
}

/// Most rows or columns: twice the one times three times the other still fits in 64 bits.
const MOST: u64 = 1 << 31;

impl Frame {
    /// The smallest frame of at least these sides; `None` where a side is 0 or above 2^31.
    pub fn covering(cols: u64, rows: u64) -> Option<Self> {
        if !(1..=MOST).contains(&cols) || !(1..=MOST).contains(&rows) {
            return None;
        }
        let (col_digits, cols) = power_from(2, cols);
        let (row_digits, rows) = power_from(3, rows);
        // 2 times this is rows + 1, which is 1 modulo rows
        let half = u128::from(rows.div_ceil(2));
        let inverse = (0..col_digits).fold(1 % rows, |power, _| {
            // below rows, which fits
            (u128::from(power) * half % u128::from(rows)) as u64
        });
        Some(Frame { col_digits, row_digits, cols, rows, inverse })
    }

    /// Number of boxes, and of points after which the order of boxes repeats.
    pub fn boxes(&self) -> u64 {
        self.cols * self.rows
    }

    /// Number, from 0 and below `boxes()`, of the first point of the sequence in a cell of the frame.
    pub fn index(&self, cell: FrameCell) -> u64 {
        // the last digits of the number are the first of the place: one remainder by columns, one by rows
        let by_col = mirror(cell.col % self.cols, 2, self.col_digits);
        let by_row = mirror(cell.row % self.rows, 3, self.row_digits);
        let apart = (by_row + self.rows - by_col % self.rows) % self.rows;
        let turns = u128::from(apart) * u128::from(self.inverse) % u128::from(self.rows);
        by_col + self.cols * turns as u64
    }

    /// The cell that holds point `index` of the sequence.
    pub fn cell(&self, index: u64) -> FrameCell {
        FrameCell {
            row: mirror(index % self.rows, 3, self.row_digits),
            col: mirror(index % self.cols, 2, self.col_digits),
        }
    }

    /// How many points after point `start` (below `boxes()`) the sequence first reaches point `index`, if it goes round.
    pub fn rank(&self, start: u64, index: u64) -> u64 {
        if index >= start { index - start } else { index + (self.boxes() - start) }
    }

    /// The numbers of all cells of the first `cols` columns and `rows` rows, ready for looking up one by one.
    pub fn indices(&self, cols: u64, rows: u64) -> Indices {
        let turned = |part: u64| (u128::from(part) * u128::from(self.inverse) % u128::from(self.rows)) as u64;
        let by_col = |col| {
            let part = mirror(col, 2, self.col_digits);
            let turns = turned(part % self.rows);
            (part, if turns == 0 { 0 } else { self.rows - turns })
        };
        Indices {
            frame: *self,
            by_col: (0..cols.min(self.cols)).map(by_col).collect(),
            by_row: (0..rows.min(self.rows)).map(|row| turned(mirror(row, 3, self.row_digits))).collect(),
        }
    }
}

/// What [`Frame::index`] says of many cells, with the digits of each row and column worked out once.
#[derive(Clone, Debug)]
pub struct Indices {
    frame: Frame,
    /// Remainder by columns, and what it takes off the turns.
    by_col: Vec<(u64, u64)>,
    /// Turns.
    by_row: Vec<u64>,
}

impl Indices {
    /// Number of the first point in a cell; `None` outside the rows and columns asked for.
    pub fn get(&self, row: usize, col: usize) -> Option<u64> {
        let (part, less) = *self.by_col.get(col)?;
        let turns = *self.by_row.get(row)? + less;
        let rows = self.frame.rows;
        Some(part + self.frame.cols * if turns >= rows { turns - rows } else { turns })
    }
}

/// The least power of `base` that is at least `size`, with its exponent.
fn power_from(base: u64, size: u64) -> (u32, u64) {
    let (mut digits, mut power) = (0, 1);
    while power < size {
        power *= base;
        digits += 1;
    }
    (digits, power)
}

/// The last `digits` digits of a number in reverse.
fn mirror(mut number: u64, base: u64, digits: u32) -> u64 {
    let mut out = 0;
    for _ in 0..digits {
        out = out * base + number % base;
        number /= base;
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn cell(col: u64, row: u64) -> FrameCell {
        FrameCell { row, col }
    }

    #[test]
    fn the_first_numbers_of_both_bases() {
        // Halton 1960; by exact fractions in Python, agreeing with scipy 1.17.1 qmc.Halton(scramble=False)
        let two = [0, 8, 4, 12, 2, 10, 6, 14, 1, 9, 5, 13, 3, 11, 7, 15].map(|n| f64::from(n) / 16.0);
        let three =
            [0, 9, 18, 3, 12, 21, 6, 15, 24, 1, 10, 19, 4, 13, 22, 7, 16].map(|n| f64::from(n) / 27.0);
        for (k, value) in two.into_iter().enumerate() {
            assert_eq!(radical_inverse(k as u64, 2), value, "{k}");
        }
        assert_eq!(radical_inverse(16, 2), 1.0 / 32.0);
        for (k, value) in three.into_iter().enumerate() {
            assert_eq!(radical_inverse(k as u64, 3), value, "{k}");
        }
        // the largest number: 64 ones in base 2
        assert_eq!(radical_inverse(u64::MAX, 2), 1.0);
        assert!(radical_inverse(3, 1).is_nan());
    }

    #[test]
    fn a_start_at_5_and_7() {
        // The pairs of a random start (5, 7), by exact fractions in Python
        let expected = [
            (5.0 / 8.0, 5.0 / 9.0),
            (3.0 / 8.0, 8.0 / 9.0),
            (7.0 / 8.0, 1.0 / 27.0),
            (1.0 / 16.0, 10.0 / 27.0),
            (9.0 / 16.0, 19.0 / 27.0),
            (5.0 / 16.0, 4.0 / 27.0),
        ];
        for (k, pair) in expected.into_iter().enumerate() {
            let k = k as u64;
            assert_eq!((radical_inverse(5 + k, 2), radical_inverse(7 + k, 3)), pair, "{k}");
        }
    }

    #[test]
    fn twelve_boxes_in_their_order() {
        // 2^2 columns, 3^1 rows, by exact fractions in Python: (col, row) of points 0 to 11
        let expected =
            [(0, 0), (2, 1), (1, 2), (3, 0), (0, 1), (2, 2), (1, 0), (3, 1), (0, 2), (2, 0), (1, 1), (3, 2)];
        let frame = Frame::covering(4, 3).unwrap();
        assert_eq!(frame.boxes(), 12);
        for (k, (col, row)) in expected.into_iter().enumerate() {
            assert_eq!(frame.cell(k as u64), cell(col, row), "{k}");
            assert_eq!(frame.index(cell(col, row)), k as u64, "{k}");
        }
    }

    #[test]
    fn sides_grow_to_powers() {
        let frame = Frame::covering(92, 69).unwrap();
        assert_eq!((frame.cols, frame.rows), (128, 81));
        assert_eq!(Frame::covering(1, 1).unwrap().boxes(), 1);
        assert_eq!(Frame::covering(1, 1).unwrap().index(cell(0, 0)), 0);
        assert_eq!(Frame::covering(0, 5), None);
        assert_eq!(Frame::covering(5, (1 << 31) + 1), None);
        // the largest frame there is: 2^31 x 3^20 boxes
        let frame = Frame::covering(1 << 31, 1 << 31).unwrap();
        let last = cell((1 << 31) - 1, 3u64.pow(20) - 1);
        assert_eq!(frame.cell(frame.index(last)), last);
        assert_eq!(frame.rank(frame.index(last), 0), frame.boxes() - frame.index(last));
    }

    proptest! {
        /// The place of a point is where its radical inverses lie.
        #[test]
        fn boxes_hold_their_points(index in 0u64..1_000_000, cols in 1u64..300, rows in 1u64..300) {
            let frame = Frame::covering(cols, rows).unwrap();
            let place = |base, side: u64| (radical_inverse(index, base) * side as f64).floor() as u64;
            // thirds are not exact in binary: a point on an edge may come out one below
            let found = frame.cell(index);
            prop_assert_eq!(found.col, place(2, frame.cols));
            let near = place(3, frame.rows);
            prop_assert!(found.row == near || found.row == near + 1);
            prop_assert_eq!(frame.index(found), index % frame.boxes());
        }

        /// Of 2^a 3^b consecutive points each box of that size holds exactly one, wherever they start.
        #[test]
        fn every_box_once(start in 0u64..u64::MAX / 2, a in 0u32..6, b in 0u32..4) {
            let frame = Frame::covering(2u64.pow(a), 3u64.pow(b)).unwrap();
            let mut seen: Vec<FrameCell> = (0..frame.boxes()).map(|k| frame.cell(start + k)).collect();
            seen.sort();
            seen.dedup();
            prop_assert_eq!(seen.len() as u64, frame.boxes());
        }

        /// The table of numbers says what is worked out cell by cell.
        #[test]
        fn looked_up_or_worked_out(cols in 1u64..200, rows in 1u64..200) {
            let frame = Frame::covering(cols, rows).unwrap();
            let indices = frame.indices(cols, rows);
            for (row, col) in (0..rows).flat_map(|row| (0..cols).map(move |col| (row, col))) {
                prop_assert_eq!(indices.get(row as usize, col as usize), Some(frame.index(cell(col, row))));
            }
            prop_assert_eq!(indices.get(rows as usize, 0), None);
        }

        /// Over all starts in an area every cell of it is among the first n equally often, whatever its shape.
        #[test]
        fn every_cell_is_as_likely(area in prop::collection::vec(any::<bool>(), 72), n in 1usize..8) {
            let frame = Frame::covering(8, 9).unwrap();
            let cells: Vec<FrameCell> = (0..72u64)
                .filter(|at| area[*at as usize])
                .map(|at| cell(at % 8, at / 8))
                .collect();
            prop_assume!(cells.len() >= n);
            let mut taken = vec![0; 72];
            for start in &cells {
                let mut order: Vec<_> = cells.iter().map(|c| (frame.rank(frame.index(*start), frame.index(*c)), *c)).collect();
                order.sort();
                prop_assert_eq!(order[0], (0, *start));
                for (_, cell) in &order[..n] {
                    taken[(cell.row * 8 + cell.col) as usize] += 1;
                }
            }
            prop_assert!(cells.iter().all(|c| taken[(c.row * 8 + c.col) as usize] == n));
        }
    }
}
