//! How source cells become the value of a grid cell.

use crate::aligned::NO_CLASS;
use crate::cells::Block;

/// Least share of a grid cell that must be covered by source cells with data (method, section 0).
const LEAST_VALID: f64 = 0.5;

/// Shares that differ by less are equal: sums of areas carry rounding.
const EQUAL: f64 = 1e-9;

/// A place in a source raster: column and row counted from its upper left corner, with fractions. The
/// centre of the first cell is (0.5, 0.5).
#[derive(Clone, Copy, Debug)]
pub(crate) struct Pixel {
    pub(crate) u: f64,
    pub(crate) v: f64,
}

/// Number of the source cell at a coordinate; an edge belongs to the right or lower cell, also where
/// rounding put the coordinate a trifle before it. `None` left of or above the raster, or not a number.
pub(crate) fn cell_index(coordinate: f64) -> Option<usize> {
    let index = (coordinate + 1e-6).floor();
    // False if not a number.
    (index >= 0.0).then_some(index as usize)
}

/// Bilinear value at a place: neighbours without data are left out and the other weights renormalised.
/// NaN if the place is outside the raster of `rows` and `cols`, or all neighbours lack data.
pub(crate) fn bilinear(block: &Block<f32>, place: Pixel, rows: usize, cols: usize) -> f32 {
    let inside = place.u >= -1e-6
        && place.v >= -1e-6
        && place.u <= cols as f64 + 1e-6
        && place.v <= rows as f64 + 1e-6;
    if !inside {
        return f32::NAN;
    }
    let (u, v) = (place.u - 0.5, place.v - 0.5);
    let (col, row) = (u.floor(), v.floor());
    let (right, lower) = (u - col, v - row);
    let mut sum = 0.0;
    let mut weights = 0.0;
    for (down, weight_v) in [(0.0, 1.0 - lower), (1.0, lower)] {
        for (across, weight_u) in [(0.0, 1.0 - right), (1.0, right)] {
            let (row, col) = (row + down, col + across);
            let weight = weight_u * weight_v;
            if row < 0.0 || col < 0.0 || weight <= 0.0 {
                continue;
            }
            if let Some(value) = block.get(row as usize, col as usize).filter(|v| !v.is_nan()) {
                sum += weight * f64::from(value);
                weights += weight;
            }
        }
    }
    // A neighbour reached by rounding alone must not stand for the cell.
    if weights > 1e-6 { (sum / weights) as f32 } else { f32::NAN }
}

/// Weighted mean of values with data.
#[derive(Default)]
pub(crate) struct Mean {
    sum: f64,
    weight: f64,
}

impl Mean {
    #[inline]
    pub(crate) fn add(&mut self, value: f32, weight: f64) {
        if !value.is_nan() {
            self.sum += f64::from(value) * weight;
            self.weight += weight;
        }
    }

    /// The mean, NaN if values with data weigh less than half of `whole`.
    pub(crate) fn value(&self, whole: f64) -> f32 {
        if self.weight >= (LEAST_VALID - EQUAL) * whole { (self.sum / self.weight) as f32 } else { f32::NAN }
    }
}

/// Area of each code.
#[derive(Default)]
pub(crate) struct Majority {
    shares: Vec<(i32, f64)>,
}

impl Majority {
    pub(crate) fn clear(&mut self) {
        self.shares.clear();
    }

    #[inline]
    pub(crate) fn add(&mut self, code: i32, weight: f64) {
        if code == NO_CLASS {
            return;
        }
        match self.shares.iter_mut().find(|(known, _)| *known == code) {
            Some((_, share)) => *share += weight,
            None => self.shares.push((code, weight)),
        }
    }

    /// The code of most area, the lowest of equals; no class if those with data weigh less than half
    /// of `whole`.
    pub(crate) fn code(&self, whole: f64) -> i32 {
        let valid: f64 = self.shares.iter().map(|(_, share)| share).sum();
        if valid < (LEAST_VALID - EQUAL) * whole {
            return NO_CLASS;
        }
        let most = self.shares.iter().map(|&(_, share)| share).fold(0.0, f64::max);
        self.shares
            .iter()
            .filter(|(_, share)| *share >= most - EQUAL * whole)
            .map(|&(code, _)| code)
            .min()
            .unwrap_or(NO_CLASS)
    }
}

/// The larger of two values, either of which may lack data.
pub(crate) fn larger(one: f32, two: f32) -> f32 {
    // `f32::max` returns the other one if one is NaN.
    one.max(two)
}

/// True if a four-cornered figure (corners in order, convex) and the source cell at a row and column
/// share some area, by the separating axis theorem: two convex figures are apart exactly if a line
/// along one of their edges parts them.
pub(crate) fn quad_touches_cell(quad: &[Pixel; 4], row: usize, col: usize) -> bool {
    /// Overlaps thinner than this, in source cells, are rounding.
    const THIN: f64 = 1e-6;
    let (left, top) = (col as f64, row as f64);
    let square = [(left, top), (left + 1.0, top), (left + 1.0, top + 1.0), (left, top + 1.0)]
        .map(|(u, v)| Pixel { u, v });
    let mut axes = vec![(1.0, 0.0), (0.0, 1.0)];
    for index in 0..4 {
        let (from, to) = (quad[index], quad[(index + 1) % 4]);
        let (along_u, along_v) = (to.u - from.u, to.v - from.v);
        let length = along_u.hypot(along_v);
        if length > 0.0 {
            axes.push((-along_v / length, along_u / length));
        }
    }
    let reach = |figure: &[Pixel; 4], (u, v): (f64, f64)| {
        figure
            .iter()
            .map(|corner| corner.u * u + corner.v * v)
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(least, most), along| {
                (least.min(along), most.max(along))
            })
    };
    axes.into_iter().all(|axis| {
        let (least, most) = reach(quad, axis);
        let (low, high) = reach(&square, axis);
        most.min(high) - least.max(low) > THIN
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn majority_takes_the_lowest_of_equals_and_needs_half() {
        let mut majority = Majority::default();
        majority.add(7, 0.3);
        majority.add(2, 0.1);
        majority.add(2, 0.2);
        assert_eq!(majority.code(1.0), 2);
        assert_eq!(majority.code(1.3), NO_CLASS);
        majority.add(NO_CLASS, 0.4);
        assert_eq!(majority.code(1.2), 2);
        majority.clear();
        assert_eq!(majority.code(1.0), NO_CLASS);
    }

    #[test]
    fn a_turned_square_misses_the_corners_of_its_box() {
        // A diamond of half-diagonal 1 about (2, 2): its box holds four cells, all touched; the one
        // further out diagonally is not, nor is one that shares but a corner.
        let quad = [(2.0, 1.0), (3.0, 2.0), (2.0, 3.0), (1.0, 2.0)].map(|(u, v)| Pixel { u, v });
        let touched: Vec<(usize, usize)> = (0..5)
            .flat_map(|row| (0..5).map(move |col| (row, col)))
            .filter(|&(row, col)| quad_touches_cell(&quad, row, col))
            .collect();
        assert_eq!(touched, vec![(1, 1), (1, 2), (2, 1), (2, 2)]);
        let small = [(1.4, 0.9), (2.1, 1.6), (1.4, 2.3), (0.7, 1.6)].map(|(u, v)| Pixel { u, v });
        assert!(!quad_touches_cell(&small, 0, 0));
        assert!(quad_touches_cell(&small, 0, 1));
    }
}
