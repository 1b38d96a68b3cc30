//! Patches of habitat, found row by row so that no whole raster is held.

use lentic_numerics::exact_sum::ExactSum;
use lentic_numerics::labels::{RunLabeller, TooManyPieces};
use rstar::primitives::GeomWithData;
use std::collections::BTreeMap;

/// State of a cell for patches.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u8)]
pub enum Standing {
    /// Outside the study area or not compared: neither habitat nor its edge.
    NotCompared = 0,
    /// Compared, not habitat.
    Other = 1,
    /// Habitat.
    Habitat = 2,
}

/// One row of cells as a scan needs it; all slices have one entry per column.
#[derive(Clone, Copy, Debug)]
pub struct Row<'a> {
    /// `Standing` codes of the row above; `None` at the top of the grid.
    pub above: Option<&'a [u8]>,
    /// `Standing` codes.
    pub standing: &'a [u8],
    /// `Standing` codes of the row below; `None` at the bottom.
    pub below: Option<&'a [u8]>,
    /// Suitability.
    pub suitability: &'a [f32],
    /// Hydroperiod, months per year.
    pub hydroperiod: &'a [f32],
    /// Zone codes, `NO_CLASS` where none; empty without zones.
    pub zones: &'a [i32],
    /// Area of each cell of the row, square metres.
    pub cell_area: f64,
}

#[derive(Clone, Debug, Default)]
struct Sums {
    cells: u64,
    area: ExactSum,
    sides: u64,
    rows: u64,
    cols: u64,
    suitability: ExactSum,
    hydroperiod: ExactSum,
    zones: BTreeMap<i32, u64>,
    cut: bool,
}

impl Sums {
    fn merge(&mut self, other: &Sums) {
        self.cells += other.cells;
        self.area.merge(&other.area);
        self.sides += other.sides;
        self.rows += other.rows;
        self.cols += other.cols;
        self.suitability.merge(&other.suitability);
        self.hydroperiod.merge(&other.hydroperiod);
        for (zone, cells) in &other.zones {
            *self.zones.entry(*zone).or_default() += cells;
        }
        self.cut |= other.cut;
    }
}

/// A patch.
#[derive(Clone, Debug, PartialEq)]
pub struct Patch {
    /// From 1, by first cell in reading order among patches that are large enough.
    pub number: u32,
    /// Cells.
    pub cells: u64,
    /// Area, square metres.
    pub area_m2: f64,
    /// Cell sides towards compared non-habitat.
    pub sides: u64,
    /// Mean row of its cell centres (0.5 is the middle of the first row).
    pub centre_row: f64,
    /// Mean column of its cell centres.
    pub centre_col: f64,
    /// Mean suitability of its cells.
    pub suitability: f64,
    /// Mean hydroperiod of its cells, months per year.
    pub hydroperiod: f64,
    /// Zone with most of its cells (ties: lowest code), and that zone's share of them.
    pub zone: Option<(i32, f64)>,
    /// Whether it touches cells not compared or the edge of the grid.
    pub cut: bool,
}

/// A scan over the rows of a grid.
pub struct Scan {
    labeller: RunLabeller,
    sums: Vec<Sums>,
    row: u64,
}

impl Scan {
    /// A scan; corners join cells if `corners_join`.
    pub fn new(corners_join: bool) -> Self {
        Scan { labeller: RunLabeller::new(corners_join), sums: Vec::new(), row: 0 }
    }

    /// Takes the next row and fills `labels` with provisional labels from 1 (0: no habitat).
    pub fn push(&mut self, row: &Row, labels: &mut [u32]) {
        labels.fill(0);
        let habitat: Vec<bool> = row.standing.iter().map(|s| *s == Standing::Habitat as u8).collect();
        let last = row.standing.len() - 1;
        for run in self.labeller.push_row(&habitat) {
            let label = run.label as usize;
            if self.sums.len() <= label {
                self.sums.resize_with(label + 1, Sums::default);
            }
            let sums = &mut self.sums[label];
            labels[run.start..run.end].fill(run.label + 1);
            for col in run.start..run.end {
                sums.cells += 1;
                sums.area.add(row.cell_area);
                sums.rows += self.row;
                sums.cols += col as u64;
                sums.suitability.add(f64::from(row.suitability[col]));
                sums.hydroperiod.add(f64::from(row.hydroperiod[col]));
                if let Some(zone) = row.zones.get(col).filter(|z| **z != crate::measure::NO_CLASS) {
                    *sums.zones.entry(*zone).or_default() += 1;
                }
                let sides = [
                    row.above.map(|above| above[col]),
                    row.below.map(|below| below[col]),
                    (col > 0).then(|| row.standing[col.saturating_sub(1)]),
                    (col < last).then(|| row.standing[(col + 1).min(last)]),
                ];
                for side in sides {
                    match side {
                        Some(s) if s == Standing::Other as u8 => sums.sides += 1,
                        Some(s) if s == Standing::Habitat as u8 => {}
                        _ => sums.cut = true,
                    }
                }
            }
        }
        self.row += 1;
    }

    /// Ends the scan: patches of at least `minimum_m2`, and by provisional label the number of its
    /// patch (0: too small, or no habitat).
    ///
    /// # Errors
    /// More pieces than can be numbered.
    pub fn finish(self, minimum_m2: f64) -> Result<(Vec<Patch>, Vec<u32>), TooManyPieces> {
        let finals = self.labeller.finish()?;
        let components = finals.iter().copied().max().unwrap_or(0) as usize;
        let mut merged = vec![Sums::default(); components + 1];
        for (sums, component) in self.sums.iter().zip(&finals) {
            if sums.cells > 0 {
                merged[*component as usize].merge(sums);
            }
        }
        let mut numbers = vec![0u32; components + 1];
        let mut patches = Vec::new();
        for (component, sums) in merged.iter().enumerate().skip(1) {
            let area = sums.area.value().unwrap_or(f64::NAN);
            if sums.cells > 0 && area >= minimum_m2 {
                let number = patches.len() as u32 + 1;
                numbers[component] = number;
                patches.push(patch(number, sums, area));
            }
        }
        let by_label = finals.iter().map(|component| numbers[*component as usize]);
        Ok((patches, std::iter::once(0).chain(by_label).collect()))
    }
}

fn patch(number: u32, sums: &Sums, area_m2: f64) -> Patch {
    let n = sums.cells as f64;
    let mean = |sum: &ExactSum| sum.value().map_or(f64::NAN, |total| total / n);
    // max_by_key keeps the last of equals; reversed, that is the lowest code
    let zone = sums.zones.iter().rev().max_by_key(|(_, cells)| **cells);
    Patch {
        number,
        cells: sums.cells,
        area_m2,
        sides: sums.sides,
        centre_row: sums.rows as f64 / n + 0.5,
        centre_col: sums.cols as f64 / n + 0.5,
        suitability: mean(&sums.suitability),
        hydroperiod: mean(&sums.hydroperiod),
        zone: zone.map(|(code, cells)| (*code, *cells as f64 / n)),
        cut: sums.cut,
    }
}

/// An edge cell of a patch: column and row, with the patch number.
pub type EdgeCell = GeomWithData<[f64; 2], u32>;

/// Edge cells of one row of final labels: cells with a side neighbour of another label.
pub fn edge_cells(
    row: usize,
    above: Option<&[u32]>,
    labels: &[u32],
    below: Option<&[u32]>,
    cells: &mut Vec<EdgeCell>,
) {
    for (col, label) in labels.iter().enumerate().filter(|(_, label)| **label > 0) {
        let sides = [
            above.map(|row| row[col]),
            below.map(|row| row[col]),
            col.checked_sub(1).map(|c| labels[c]),
            labels.get(col + 1).copied(),
        ];
        if sides.iter().any(|side| *side != Some(*label)) {
            cells.push(EdgeCell::new([col as f64, row as f64], *label));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measure::NO_CLASS;
    use crate::nearest_patch::nearest_neighbours;

    /// Scans a small map drawn with `#` habitat, `.` other, `x` not compared.
    fn scan(map: &[&str], corners: bool, minimum_cells: f64) -> (Vec<Patch>, Vec<Vec<u32>>) {
        let rows: Vec<Vec<u8>> = map
            .iter()
            .map(|line| {
                line.bytes()
                    .map(|b| match b {
                        b'#' => 2,
                        b'.' => 1,
                        _ => 0,
                    })
                    .collect()
            })
            .collect();
        let cols = rows[0].len();
        let mut scan = Scan::new(corners);
        let mut labels = vec![vec![0u32; cols]; rows.len()];
        for at in 0..rows.len() {
            let zones: Vec<i32> = (0..cols).map(|c| if c < 2 { 7 } else { NO_CLASS }).collect();
            let row = Row {
                above: at.checked_sub(1).map(|r| &rows[r][..]),
                standing: &rows[at],
                below: rows.get(at + 1).map(|r| &r[..]),
                suitability: &vec![0.75; cols],
                hydroperiod: &vec![at as f32; cols],
                zones: &zones,
                cell_area: 100.0,
            };
            scan.push(&row, &mut labels[at]);
        }
        let (patches, by_label) = scan.finish(minimum_cells * 100.0).unwrap();
        for row in &mut labels {
            for label in row.iter_mut() {
                *label = by_label[*label as usize];
            }
        }
        (patches, labels)
    }

    /// By hand: an L of three cells with eight outer sides, and a single cell joined by a corner.
    #[test]
    fn corners_join_or_not() {
        let map = [".....", ".#...", ".##..", "...#.", "....."];
        let (joined, _) = scan(&map, true, 0.0);
        assert_eq!(joined.len(), 1);
        assert_eq!((joined[0].cells, joined[0].sides, joined[0].cut), (4, 12, false));
        assert_eq!(joined[0].area_m2, 400.0);
        assert_eq!(joined[0].hydroperiod, (1.0 + 2.0 + 2.0 + 3.0) / 4.0);
        assert_eq!((joined[0].centre_row, joined[0].centre_col), (2.5, 2.25));
        assert_eq!(joined[0].zone, Some((7, 0.5)));
        let (apart, labels) = scan(&map, false, 0.0);
        assert_eq!(apart.iter().map(|p| (p.number, p.cells)).collect::<Vec<_>>(), [(1, 3), (2, 1)]);
        assert_eq!(labels[3][3], 2);
        let (large, labels) = scan(&map, false, 2.0);
        assert_eq!(large.len(), 1);
        assert_eq!(labels[3][3], 0);
    }

    /// A patch at the edge of the grid or beside cells not compared has no perimeter there, and is cut.
    #[test]
    fn unknown_ground_makes_no_edge() {
        let (patches, _) = scan(&["#..", "...", ".#x"], false, 0.0);
        assert_eq!((patches[0].sides, patches[0].cut), (2, true));
        assert_eq!((patches[1].sides, patches[1].cut), (2, true));
    }

    /// A ring closes only in its last row: its parts become one patch.
    #[test]
    fn a_late_join_is_one_patch() {
        let (patches, labels) = scan(&["#.#", "#.#", "###"], false, 0.0);
        assert_eq!((patches.len(), patches[0].cells), (1, 7));
        assert!(labels.iter().flatten().all(|l| *l <= 1));
    }

    #[test]
    fn nearest_cells_of_two_patches() {
        let (patches, labels) = scan(&["##...", ".....", "...##", "....."], true, 0.0);
        let mut edges = Vec::new();
        for row in 0..labels.len() {
            let above = row.checked_sub(1).map(|r| &labels[r][..]);
            let below = labels.get(row + 1).map(|r| &r[..]);
            edge_cells(row, above, &labels[row], below, &mut edges);
        }
        let nearest = nearest_neighbours(patches.len(), edges);
        assert_eq!(nearest, vec![Some(8f64.sqrt()), Some(8f64.sqrt())]);
        assert_eq!(nearest_neighbours(1, Vec::new()), vec![None]);
    }
}
