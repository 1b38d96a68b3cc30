//! Connected components of a grid, row by row, so that a raster of any size can be labelled with two rows in memory.

/// A stretch of true cells in one row: columns `start` to `end` (exclusive).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Run {
    /// First column.
    pub start: usize,
    /// One past the last column.
    pub end: usize,
    /// Provisional label: an index into what [`RunLabeller::finish`] returns.
    pub label: u32,
}

/// More provisional labels than a `u32` can tell apart.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("the grid has more than 4,294,967,295 separate pieces: use coarser cells or a smaller study area")]
pub struct TooManyPieces;

/// Labels components while rows are pushed from the first to the last.
///
/// Runs that touch runs of the row before take their label; where they join two labels, the higher is
/// noted as another name of the lower (union-find with path halving). Labels are given in row-major order of their
/// first cell, so the lowest label of a component is the one of its first cell.
///
/// ```
/// use lentic_numerics::labels::RunLabeller;
/// let mut labeller = RunLabeller::new(false);
/// let first = labeller.push_row(&[true, false, true]).to_vec();
/// labeller.push_row(&[true, true, true]);
/// let finals = labeller.finish().unwrap();
/// assert!(first.iter().all(|run| finals[run.label as usize] == 1));
/// ```
#[derive(Clone, Debug)]
pub struct RunLabeller {
    corners_join: bool,
    /// For each provisional label an equal or lower one of the same component.
    parents: Vec<u32>,
    previous: Vec<Run>,
    current: Vec<Run>,
    overflow: bool,
}

impl RunLabeller {
    /// A labeller for 8 neighbours (`corners_join`) or 4.
    pub fn new(corners_join: bool) -> Self {
        RunLabeller {
            corners_join,
            parents: Vec::new(),
            previous: Vec::new(),
            current: Vec::new(),
            overflow: false,
        }
    }

    /// Takes the next row and returns its runs, left to right, with provisional labels.
    pub fn push_row(&mut self, row: &[bool]) -> &[Run] {
        std::mem::swap(&mut self.previous, &mut self.current);
        self.current.clear();
        let mut above = 0;
        let mut column = 0;
        while let Some(start) = row[column..].iter().position(|c| *c).map(|p| p + column) {
            let end = row[start..].iter().position(|c| !*c).map_or(row.len(), |p| p + start);
            let label = self.label_of(start, end, &mut above);
            self.current.push(Run { start, end, label });
            column = end;
        }
        &self.current
    }

    /// The final label of every provisional one: components are numbered from 1 by their first cell in row-major
    /// order.
    ///
    /// # Errors
    /// [`TooManyPieces`] if provisional labels ran out; labels handed out are then worthless.
    pub fn finish(self) -> Result<Vec<u32>, TooManyPieces> {
        if self.overflow {
            return Err(TooManyPieces);
        }
        let mut finals = self.parents;
        let mut count = 0;
        for label in 0..finals.len() {
            let parent = finals[label] as usize;
            // A parent is never higher, so it has its final label already.
            finals[label] = if parent == label {
                count += 1;
                count
            } else {
                finals[parent]
            };
        }
        Ok(finals)
    }

    /// The label of a new run, joining every run of the row before that it touches. `above` is the first run
    /// of that row that may still touch.
    fn label_of(&mut self, start: usize, end: usize, above: &mut usize) -> u32 {
        let reach = usize::from(self.corners_join);
        while self.previous.get(*above).is_some_and(|run| run.end + reach <= start) {
            *above += 1;
        }
        let mut label = None;
        let mut index = *above;
        while let Some(run) = self.previous.get(index).filter(|run| run.start < end + reach) {
            let root = self.root(run.label);
            label = Some(label.map_or(root, |known| self.join(known, root)));
            index += 1;
        }
        label.unwrap_or_else(|| self.new_label())
    }

    fn new_label(&mut self) -> u32 {
        match u32::try_from(self.parents.len()) {
            Ok(label) if label < u32::MAX => {
                self.parents.push(label);
                label
            }
            _ => {
                self.overflow = true;
                0
            }
        }
    }

    fn root(&mut self, mut label: u32) -> u32 {
        loop {
            let parent = self.parents[label as usize];
            if parent == label {
                return label;
            }
            let grandparent = self.parents[parent as usize];
            self.parents[label as usize] = grandparent;
            label = grandparent;
        }
    }

    /// Joins two roots and returns the lower.
    fn join(&mut self, a: u32, b: u32) -> u32 {
        let (low, high) = (a.min(b), a.max(b));
        self.parents[high as usize] = low;
        low
    }
}

/// Labels a whole grid in memory: `mask` row-major with `rows * cols` cells. Returns a label per cell (0: false,
/// components from 1 by their first cell in row-major order) and the number of components. A mask of another length
/// counts as having none.
///
/// # Errors
/// [`TooManyPieces`], see there.
pub fn label(
    mask: &[bool],
    rows: usize,
    cols: usize,
    corners_join: bool,
) -> Result<(Vec<u32>, u32), TooManyPieces> {
    let mut labels = vec![0; mask.len()];
    if cols == 0 || rows.checked_mul(cols) != Some(mask.len()) {
        return Ok((labels, 0));
    }
    let mut labeller = RunLabeller::new(corners_join);
    for (row, out) in mask.chunks_exact(cols).zip(labels.chunks_exact_mut(cols)) {
        for run in labeller.push_row(row) {
            out[run.start..run.end].fill(run.label);
        }
    }
    let finals = labeller.finish()?;
    for (cell, out) in mask.iter().zip(&mut labels) {
        if *cell {
            *out = finals[*out as usize];
        }
    }
    let count = finals.iter().copied().max().unwrap_or(0);
    Ok((labels, count))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn flood_fill(mask: &[bool], cols: usize, corners_join: bool) -> (Vec<u32>, u32) {
        let rows = mask.len() / cols;
        let mut labels = vec![0; mask.len()];
        let mut count = 0;
        for first in 0..mask.len() {
            if !mask[first] || labels[first] != 0 {
                continue;
            }
            count += 1;
            labels[first] = count;
            let mut stack = vec![first];
            while let Some(cell) = stack.pop() {
                let (r, c) = ((cell / cols) as i64, (cell % cols) as i64);
                for (dr, dc) in (-1..=1).flat_map(|dr| (-1..=1).map(move |dc| (dr, dc))) {
                    let (y, x) = (r + dr, c + dc);
                    let inside = y >= 0 && x >= 0 && y < rows as i64 && x < cols as i64;
                    if !inside || (!corners_join && dr != 0 && dc != 0) {
                        continue;
                    }
                    let next = y as usize * cols + x as usize;
                    if mask[next] && labels[next] == 0 {
                        labels[next] = count;
                        stack.push(next);
                    }
                }
            }
        }
        (labels, count)
    }

    #[test]
    fn the_documentation_example_of_scipy() {
        // scipy 1.17.1, ndimage.label docstring: 4 components with 4 neighbours, 2 with 8
        #[rustfmt::skip]
        let a = [
            0, 0, 1, 1, 0, 0,
            0, 0, 0, 1, 0, 0,
            1, 1, 0, 0, 1, 0,
            0, 0, 0, 1, 0, 0,
        ];
        let mask: Vec<bool> = a.iter().map(|v| *v == 1).collect();
        let (four, n4) = label(&mask, 4, 6, false).unwrap();
        let (eight, n8) = label(&mask, 4, 6, true).unwrap();
        let sizes = |labels: &[u32], n: u32| -> Vec<usize> {
            (1..=n).map(|k| labels.iter().filter(|l| **l == k).count()).collect()
        };
        assert_eq!((n4, sizes(&four, n4)), (4, vec![3, 2, 1, 1]));
        assert_eq!((n8, sizes(&eight, n8)), (2, vec![5, 2]));
    }

    #[test]
    fn empty_full_and_misshapen_grids() {
        assert_eq!(label(&[], 0, 0, true), Ok((vec![], 0)));
        assert_eq!(label(&[false; 6], 2, 3, true), Ok((vec![0; 6], 0)));
        assert_eq!(label(&[true; 6], 2, 3, false), Ok((vec![1; 6], 1)));
        assert_eq!(label(&[true; 6], 2, 2, false), Ok((vec![0; 6], 0)));
    }

    #[test]
    fn running_out_of_labels_is_said() {
        let mut labeller = RunLabeller::new(true);
        labeller.push_row(&[true]);
        labeller.overflow = true;
        assert_eq!(labeller.finish(), Err(TooManyPieces));
    }

    proptest! {
        #[test]
        fn same_as_a_flood_fill(
            (cols, mask) in (1usize..16).prop_flat_map(|cols| {
                (Just(cols), (0usize..16).prop_flat_map(move |rows| {
                    prop::collection::vec(prop::bool::weighted(0.55), rows * cols)
                }))
            }),
            corners_join in any::<bool>(),
        ) {
            let rows = mask.len() / cols;
            prop_assert_eq!(label(&mask, rows, cols, corners_join).unwrap(), flood_fill(&mask, cols, corners_join));
        }
    }
}
