//! Counts of cells within a distance of every cell.

/// Room for rounding when a radius in metres is divided by the cell side: 0.3 / 0.1 must hold the third cell.
const SLACK: f64 = 1.0 + 1e-12;

/// Widest radius, in cells: more than any grid needs.
const WIDEST: f64 = 1e6;

/// Half the width, in cells, of a disc's chord at each row offset 0, 1, ...: the largest whole w with
/// w^2 + offset^2 <= radius^2. Empty for a negative or NaN radius; at most [`WIDEST`].
fn chords(radius_cells: f64) -> Vec<usize> {
    if radius_cells.is_nan() || radius_cells < 0.0 {
        return Vec::new();
    }
    let radius = radius_cells.min(WIDEST) * SLACK;
    let squared = radius * radius;
    (0..=radius as usize)
        .map(|offset| {
            let left = squared - (offset * offset) as f64;
            let mut width = left.max(0.0).sqrt() as usize;
            // The root may be off by one unit in the last place, on either side of a whole number.
            while ((width + 1) * (width + 1)) as f64 <= left {
                width += 1;
            }
            while width > 0 && (width * width) as f64 > left {
                width -= 1;
            }
            width
        })
        .collect()
}

/// The number of cells in a whole disc: offsets (dx, dy) with dx^2 + dy^2 <= radius^2, in cells; the centre counts.
/// 0 for a negative or NaN radius; a radius above a million cells counts as a million.
pub fn disc_size(radius_cells: f64) -> u64 {
    chords(radius_cells)
        .iter()
        .enumerate()
        .map(|(offset, half)| (2 * *half as u64 + 1) * if offset == 0 { 1 } else { 2 })
        .sum()
}

/// For every cell, how many cells of `mask` are true within `radius_cells` (any real number of cells, centre to
/// centre, the cell itself included). Row-major, `rows * cols` cells in and out; what lies beyond the edge does not
/// count. A negative or NaN radius, or a slice of another length, gives 0 for all its cells.
///
/// A disc is a stack of chords, and a chord's count is a difference of two running sums of its row, so the
/// cost per cell is one subtraction per row of the disc.
pub fn disc_counts(mask: &[bool], rows: usize, cols: usize, radius_cells: f64) -> Vec<u32> {
    let mut counts = vec![0u32; mask.len()];
    if cols == 0 || rows.checked_mul(cols) != Some(mask.len()) {
        return counts;
    }
    // A chord wider than the grid, or a row offset beyond it, changes nothing. Only then may a radius be huge.
    let reach = (rows.max(cols) as f64) * 2.0;
    let radius = if radius_cells > reach { reach } else { radius_cells };
    let chords: Vec<usize> = chords(radius).into_iter().take(rows).map(|half| half.min(cols)).collect();
    let Some(widest) = chords.first().copied() else {
        return counts;
    };
    let mut sums = vec![0u32; cols + 1 + 2 * widest];
    for (source, row) in mask.chunks_exact(cols).enumerate() {
        running_sums(row, widest, &mut sums);
        if sums.last() == Some(&0) {
            continue;
        }
        for (offset, half) in chords.iter().enumerate() {
            let left = &sums[widest - half..][..cols];
            let right = &sums[widest + half + 1..][..cols];
            let above = source.checked_sub(offset);
            let below = (offset > 0 && source + offset < rows).then_some(source + offset);
            for target in above.into_iter().chain(below) {
                let out = &mut counts[target * cols..][..cols];
                for ((cell, right), left) in out.iter_mut().zip(right).zip(left) {
                    *cell += right - left;
                }
            }
        }
    }
    counts
}

/// Running sums of a row with room at both ends, so that chords reaching past the edge need no test:
/// `sums[pad + c]` counts the true cells before column c.
fn running_sums(row: &[bool], pad: usize, sums: &mut [u32]) {
    sums[..pad].fill(0);
    let mut total = 0;
    for (sum, cell) in sums[pad..].iter_mut().zip(row) {
        *sum = total;
        total += u32::from(*cell);
    }
    sums[pad + row.len()..].fill(total);
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn disc_sizes_are_gauss_circle_numbers() {
        // Lattice points in a circle of radius 0, 1, 2, ... (the Gauss circle problem; OEIS A000328, from memory)
        for (radius, points) in [1, 5, 13, 29, 49, 81, 113, 149, 197, 253, 317].into_iter().enumerate() {
            assert_eq!(disc_size(radius as f64), points, "{radius}");
        }
        assert_eq!(disc_size(2.0f64.sqrt()), 9);
        assert_eq!(disc_size(1.4), 5);
        assert_eq!(disc_size(0.3 / 0.1), 29); // 2.9999999999999996 in f64
        assert_eq!(disc_size(-1.0), 0);
        assert_eq!(disc_size(f64::NAN), 0);
        assert_eq!(disc_size(f64::INFINITY), disc_size(1e6));
    }

    #[test]
    fn a_full_grid_counts_the_disc_where_it_fits() {
        let counts = disc_counts(&[true; 81], 9, 9, 3.0);
        assert_eq!(counts[4 * 9 + 4], 29);
        assert_eq!(counts[0], 11); // a quarter of the disc: 4 + 3 + 3 + 1 cells
        assert_eq!(disc_counts(&[true; 81], 9, 9, 1e12), [81; 81]);
        assert_eq!(disc_counts(&[true; 81], 9, 9, f64::INFINITY), [81; 81]);
    }

    #[test]
    fn what_cannot_be_counted_is_zero() {
        assert_eq!(disc_counts(&[true; 4], 2, 2, -0.5), [0; 4]);
        assert_eq!(disc_counts(&[true; 4], 2, 2, f64::NAN), [0; 4]);
        assert_eq!(disc_counts(&[true; 4], 3, 2, 1.0), [0; 4]);
        assert_eq!(disc_counts(&[], 0, 0, 1.0), []);
    }

    proptest! {
        #[test]
        fn same_as_looking_at_every_pair(
            (cols, mask) in (1usize..12).prop_flat_map(|cols| {
                (Just(cols), (0usize..12).prop_flat_map(move |rows| {
                    prop::collection::vec(any::<bool>(), rows * cols)
                }))
            }),
            radius in 0.0f64..16.0,
        ) {
            let rows = mask.len() / cols;
            let cell = |i: usize| ((i / cols) as f64, (i % cols) as f64);
            let slow: Vec<u32> = (0..mask.len()).map(|i| {
                let (r, c) = cell(i);
                (0..mask.len()).filter(|j| {
                    let (y, x) = cell(*j);
                    mask[*j] && (y - r).powi(2) + (x - c).powi(2) <= radius * radius
                }).count() as u32
            }).collect();
            prop_assert_eq!(disc_counts(&mask, rows, cols, radius), slow);
        }
    }
}
