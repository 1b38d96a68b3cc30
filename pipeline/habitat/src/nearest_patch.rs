//! How far the nearest other patch is.

use crate::patches::EdgeCell;
use rayon::prelude::*;
use rstar::primitives::{GeomWithData, Rectangle};
use rstar::{AABB, PointDistance, RTree};

/// A patch with its edge cells.
struct Outline {
    /// Which patch: index among the outlines.
    at: usize,
    tree: RTree<EdgeCell>,
    /// The rectangle about their centres.
    bounds: AABB<[f64; 2]>,
}

/// Distance in cells from each patch (index: number - 1) to the nearest cell of another; `None` for a
/// patch alone.
pub fn nearest_neighbours(patches: usize, edges: Vec<EdgeCell>) -> Vec<Option<f64>> {
    let mut nearest: Vec<Option<f64>> = vec![None; patches];
    if patches < 2 {
        return nearest;
    }
    let mut by_patch: Vec<Vec<EdgeCell>> = vec![Vec::new(); patches];
    for edge in edges {
        by_patch[edge.data as usize - 1].push(edge);
    }
    let outlines: Vec<Outline> = by_patch.into_par_iter().enumerate().map(Outline::new).collect();
    let boxes = outlines.iter().filter(|outline| outline.tree.size() > 0);
    let boxes = boxes.map(|outline| {
        GeomWithData::new(Rectangle::from_corners(outline.bounds.lower(), outline.bounds.upper()), outline.at)
    });
    let boxes = RTree::bulk_load(boxes.collect());
    nearest
        .par_iter_mut()
        .zip(&outlines)
        .for_each(|(nearest, own)| *nearest = own.nearest_of(&outlines, &boxes).map(f64::sqrt));
    nearest
}

impl Outline {
    fn new((at, edges): (usize, Vec<EdgeCell>)) -> Self {
        let tree = RTree::bulk_load(edges);
        Outline { at, bounds: tree.root().envelope(), tree }
    }

    /// Squared distance to the nearest cell of another patch; `boxes` are the rectangles of all that have cells.
    fn nearest_of(
        &self,
        outlines: &[Outline],
        boxes: &RTree<GeomWithData<Rectangle<[f64; 2]>, usize>>,
    ) -> Option<f64> {
        let first = self.tree.iter().next()?;
        // the patch whose rectangle is nearest to some cell gives a bound, within which all others are looked at
        let near = boxes.nearest_neighbor_iter(*first.geom()).find(|other| other.data != self.at)?;
        let mut best = self.squared_to(&outlines[near.data], f64::INFINITY);
        let reach = best.sqrt();
        let [lower, upper] = [self.bounds.lower(), self.bounds.upper()];
        let within =
            AABB::from_corners([lower[0] - reach, lower[1] - reach], [upper[0] + reach, upper[1] + reach]);
        for other in boxes.locate_in_envelope_intersecting(within) {
            if other.data != self.at && other.data != near.data {
                best = self.squared_to(&outlines[other.data], best);
            }
        }
        Some(best)
    }

    /// Squared distance between the nearest cells of two patches, where it is less than `best`; `best` where it is not.
    fn squared_to(&self, other: &Outline, mut best: f64) -> f64 {
        for edge in &self.tree {
            // no cell of the other is nearer than its rectangle
            if other.bounds.distance_2(edge.geom()) >= best {
                continue;
            }
            if let Some(cell) = other.tree.nearest_neighbor(*edge.geom()) {
                best = best.min(cell.distance_2(edge.geom()));
            }
        }
        best
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn one_patch_or_none_has_no_neighbour() {
        assert_eq!(nearest_neighbours(0, Vec::new()), vec![]);
        assert_eq!(nearest_neighbours(1, vec![EdgeCell::new([2.0, 2.0], 1)]), vec![None]);
    }

    proptest! {
        #[test]
        fn as_every_pair_of_cells_says(cells in prop::collection::vec((0u8..40, 0u8..40, 1u32..8), 0..80)) {
            let edges: Vec<EdgeCell> =
                cells.iter().map(|(c, r, l)| EdgeCell::new([f64::from(*c), f64::from(*r)], *l)).collect();
            let slow: Vec<Option<f64>> = (1..8)
                .map(|patch| {
                    let own = edges.iter().filter(|edge| edge.data == patch);
                    own.flat_map(|edge| {
                        let others = edges.iter().filter(|other| other.data != patch);
                        others.map(|other| other.distance_2(edge.geom()))
                    })
                    .min_by(f64::total_cmp)
                    .map(f64::sqrt)
                })
                .collect();
            prop_assert_eq!(nearest_neighbours(7, edges), slow);
        }
    }
}
