//! Which patches lie within reach of each other.

use crate::patches::EdgeCell;
use rstar::{PointDistance, RTree};
use std::collections::BTreeMap;

/// Every two patches with cells within `limit` of each other, by their numbers, the lower first, with the distance between the
/// centres of their nearest cells. All in cells.
pub fn near_pairs(edges: Vec<EdgeCell>, limit: f64) -> BTreeMap<(u32, u32), f64> {
    let mut pairs: BTreeMap<(u32, u32), f64> = BTreeMap::new();
    let tree = RTree::bulk_load(edges);
    for edge in tree.iter() {
        for other in tree.locate_within_distance(*edge.geom(), limit * limit) {
            // each pair once, from its lower number
            if other.data > edge.data {
                let squared = other.distance_2(edge.geom());
                let nearest = pairs.entry((edge.data, other.data)).or_insert(squared);
                *nearest = nearest.min(squared);
            }
        }
    }
    pairs.into_iter().map(|(pair, squared)| (pair, squared.sqrt())).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn three_patches_in_a_row() {
        let cell = |col: f64, row: f64, label| EdgeCell::new([col, row], label);
        let edges = vec![cell(0.0, 0.0, 1), cell(1.0, 0.0, 1), cell(4.0, 4.0, 2), cell(10.0, 4.0, 3)];
        // 3 across and 4 down from the nearest cell; 6 across
        let pairs = near_pairs(edges.clone(), 6.0);
        assert_eq!(pairs, BTreeMap::from([((1, 2), 5.0), ((2, 3), 6.0)]));
        assert_eq!(near_pairs(edges.clone(), 4.9), BTreeMap::new());
        assert_eq!(near_pairs(Vec::new(), 4.9), BTreeMap::new());
    }

    proptest! {
        #[test]
        fn as_every_pair_of_cells_says(cells in prop::collection::vec((0u8..40, 0u8..40, 1u32..6), 0..60), limit in 0.0..30.0f64) {
            let edges: Vec<EdgeCell> = cells.iter().map(|(c, r, l)| EdgeCell::new([f64::from(*c), f64::from(*r)], *l)).collect();
            let mut slow: BTreeMap<(u32, u32), f64> = BTreeMap::new();
            for a in &cells {
                for b in cells.iter().filter(|b| b.2 > a.2) {
                    let (dx, dy) = (f64::from(a.0) - f64::from(b.0), f64::from(a.1) - f64::from(b.1));
                    let squared = dx * dx + dy * dy;
                    if squared <= limit * limit {
                        let nearest = slow.entry((a.2, b.2)).or_insert(squared);
                        *nearest = nearest.min(squared);
                    }
                }
            }
            let slow: BTreeMap<(u32, u32), f64> = slow.into_iter().map(|(k, d)| (k, d.sqrt())).collect();
            prop_assert_eq!(near_pairs(edges, limit), slow);
        }
    }
}
