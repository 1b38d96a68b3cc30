//! How well patches are connected, and what the drying of each would cost.

use lentic_numerics::exact_sum::ExactSum;
use lentic_numerics::least_cost::LIMIT_SLACK;
use lentic_numerics::network::{Bettered, Link, Losses, Network, Space};
use rayon::prelude::*;

/// Fewest sources one task takes, so that its working space is worth making.
const SOURCES: usize = 32;

/// How probability falls with the cost of a way.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Dispersal {
    /// Cost, metres, at which a way is taken with probability 0.5.
    pub effective_m: f64,
    /// Cost, metres, beyond which no way is taken.
    pub limit_m: f64,
}

impl Dispersal {
    /// Probability that a way of this cost (metres) is taken: exp(-k cost) with k = ln 2 / `effective_m`, 0
    /// beyond the limit (Saura and Pascual-Hortal 2007). A cost beyond the limit by rounding only lies within.
    ///
    /// ```
    /// use lentic_habitat::connection::Dispersal;
    /// let dispersal = Dispersal { effective_m: 1000.0, limit_m: 3000.0 };
    /// assert!((dispersal.probability(500.0) - 0.5f64.sqrt()).abs() < 1e-15);
    /// assert_eq!(dispersal.probability(3001.0), 0.0);
    /// ```
    pub fn probability(&self, cost_m: f64) -> f64 {
        let within = cost_m <= self.limit_m * (1.0 + LIMIT_SLACK);
        if within { (-std::f64::consts::LN_2 * cost_m / self.effective_m).exp() } else { 0.0 }
    }
}

/// What one patch is to the whole, as shares of the sum a_i a_j p*_ij, percent (Saura and Rubio 2010).
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Share {
    /// What lies within the patch itself: its own pair.
    pub within: f64,
    /// What begins or ends in it: its pairs with others.
    pub flow: f64,
    /// What it lends to others as a stepping stone: pairs of others whose best way leads over it, less what they keep
    /// by the next best.
    pub stepping_stone: f64,
}

impl Share {
    /// What the whole loses if the patch goes, percent (Saura and Pascual-Hortal 2007).
    pub fn by_removal(&self) -> f64 {
        self.within + self.flow + self.stepping_stone
    }
}

/// How a set of patches holds together.
#[derive(Clone, Debug, PartialEq)]
pub struct Connection {
    /// Equivalent connected area, in the unit of the weights: the area of one patch that would hold together as
    /// well (Saura et al. 2011). 0 without patches, the weight of a single one.
    pub equivalent: f64,
    /// Probability of connectivity: that two points put anywhere in the landscape lie in patches with a way between them.
    /// `None` where the landscape has no area.
    pub probability: Option<f64>,
    /// Effective mesh size, in the unit of the areas: sum of squared areas over the area of the landscape (Jaeger 2000). `None`
    /// where that has no area.
    pub mesh: Option<f64>,
    /// Group of each patch, from 0: patches with a way between them share one.
    pub group: Vec<u32>,
    /// Area of each group.
    pub group_areas: Vec<f64>,
    /// Share of each patch.
    pub shares: Vec<Share>,
    /// For each link, whether no way over other patches betters it.
    pub direct: Vec<bool>,
}

impl Connection {
    /// Patches by rank, from 1: the one whose loss costs most first, of equals the lower number.
    pub fn ranks(&self) -> Vec<usize> {
        let mut order: Vec<usize> = (0..self.shares.len()).collect();
        order.sort_by(|a, b| self.shares[*b].by_removal().total_cmp(&self.shares[*a].by_removal()));
        let mut ranks = vec![0; order.len()];
        for (rank, patch) in order.into_iter().enumerate() {
            ranks[patch] = rank + 1;
        }
        ranks
    }

    /// Area of the largest group; 0 without patches.
    pub fn largest_group(&self) -> f64 {
        self.group_areas.iter().copied().fold(0.0, f64::max)
    }
}

/// Connection of patches: `areas` and `weights` by patch in one unit (the weight is the area, or the area times what it
/// is worth), `landscape` the area of everything assessed in that unit, `links` between patches by index from 0.
///
/// Sources are worked in parallel; the result does not depend on how.
pub fn connection(areas: &[f64], weights: &[f64], landscape: f64, links: &[Link]) -> Connection {
    let nodes = areas.len();
    // With the root of the sum of squares as unit the sum over pairs lies between 1 and the number of patches,
    // which suits the fixed point of exact sums.
    let unit = weights.iter().map(|w| w * w).sum::<f64>().sqrt();
    let scaled: Vec<f64> = weights.iter().map(|w| if unit > 0.0 { w / unit } else { 0.0 }).collect();
    let network = Network::new(nodes, links);
    let bettered: Vec<Bettered> = (0..nodes as u32)
        .into_par_iter()
        .with_min_len(SOURCES)
        .map_init(Space::default, |space, node| network.bettered(node, space))
        .flatten_iter()
        .collect();
    let (flows, lost) = sums(&network.with_losses(&bettered), &scaled);
    let pairs: f64 = scaled.iter().zip(&flows).map(|(w, flow)| w * (w + flow)).sum();
    let percent = |part: f64| if pairs > 0.0 { 100.0 * part / pairs } else { 0.0 };
    let shares = (0..nodes)
        .map(|k| Share {
            within: percent(scaled[k] * scaled[k]),
            flow: percent(2.0 * scaled[k] * flows[k]),
            stepping_stone: percent(lost[k].value().unwrap_or(f64::NAN)),
        })
        .collect();
    let mut direct = vec![true; links.len()];
    bettered.iter().for_each(|b| direct[b.link as usize] = false);
    let group = network.groups();
    let mut group_areas = vec![0.0; group.iter().max().map_or(0, |last| *last as usize + 1)];
    for (area, group) in areas.iter().zip(&group) {
        group_areas[*group as usize] += area;
    }
    let over = |value: f64| (landscape > 0.0).then(|| value / landscape);
    let equivalent = unit * pairs.sqrt();
    Connection {
        equivalent,
        probability: over(equivalent).map(|share| share * share),
        mesh: over(areas.iter().map(|a| a * a).sum()),
        group,
        group_areas,
        shares,
        direct,
    }
}

/// Flow of every patch, and what pairs of others lose with it.
fn sums(losses: &Losses, weights: &[f64]) -> (Vec<f64>, Vec<ExactSum>) {
    let nodes = weights.len();
    let merge = |mut one: Vec<ExactSum>, other: Vec<ExactSum>| {
        one.iter_mut().zip(&other).for_each(|(a, b)| a.merge(b));
        one
    };
    let parts: Vec<(Vec<f64>, Vec<ExactSum>)> = (0..nodes as u32)
        .into_par_iter()
        .with_min_len(SOURCES)
        .fold(
            || (Space::default(), Vec::new(), vec![ExactSum::default(); nodes]),
            |(mut space, mut flows, mut lost), source| {
                flows.push(losses.add(source, weights, &mut space, &mut lost));
                (space, flows, lost)
            },
        )
        .map(|(_, flows, lost)| (flows, lost))
        .collect();
    let none = (Vec::with_capacity(nodes), vec![ExactSum::default(); nodes]);
    parts.into_iter().fold(none, |(mut flows, lost), (more, other)| {
        flows.extend(more);
        (flows, merge(lost, other))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn link(dispersal: &Dispersal, a: u32, b: u32, cost: f64) -> Link {
        Link { a, b, p: dispersal.probability(cost) }
    }

    fn close(found: f64, expected: f64) {
        assert!((found - expected).abs() <= 5e-10 * expected.abs().max(1.0), "{found}, expected {expected}");
    }

    /// Three patches of 10, 5, 20 at costs 500, 800 and 2000, half at 1000, in a landscape of 1000. Formulas of Saura and
    /// Pascual-Hortal (2007), Saura et al. (2011), Saura and Rubio (2010); numbers computed with networkx 3.6.1 and numpy
    /// 2.4.6 from those formulas (no published worked example was found).
    #[test]
    fn three_patches() {
        let dispersal = Dispersal { effective_m: 1000.0, limit_m: 1e9 };
        let links =
            [link(&dispersal, 0, 1, 500.0), link(&dispersal, 1, 2, 800.0), link(&dispersal, 0, 2, 2000.0)];
        close(links[0].p, 0.5f64.sqrt());
        close(links[1].p, 0.5743491775);
        close(links[2].p, 0.25);
        let areas = [10.0, 5.0, 20.0];
        let found = connection(&areas, &areas, 1000.0, &links);
        close(found.equivalent * found.equivalent / 873.0309928896, 1.0);
        close(found.equivalent, 29.5470978759);
        close(found.probability.unwrap(), 8.730309929e-4);
        let shares: Vec<f64> = found.shares.iter().map(Share::by_removal).collect();
        close(shares[0], 38.1614352873);
        close(shares[1], 31.2739175486);
        close(shares[2], 77.5826196650);
        close(found.shares[1].within, 2.8635867688);
        close(found.shares[1].flow, 21.2570361339);
        close(found.shares[1].stepping_stone, 7.1532946459);
        assert_eq!((found.shares[0].stepping_stone, found.shares[2].stepping_stone), (0.0, 0.0));
        assert_eq!(found.ranks(), [2, 3, 1]);
        // over patch 1 the way from 0 to 2 is likelier (0.4061261982) than straight on (0.25)
        assert_eq!(found.direct, [true, true, false]);
        assert_eq!((found.group.clone(), found.group_areas.clone()), (vec![0, 0, 0], vec![35.0]));
    }

    /// All ways certain: one patch of 35; none: the root of the sum of squares. Two patches of 6 and 8 at p 0.5: the root
    /// of 36 + 64 + 2 x 48 x 0.5 = 148 (by hand).
    #[test]
    fn limits_of_connection() {
        let areas = [10.0, 5.0, 20.0];
        let certain = [Link { a: 0, b: 1, p: 1.0 }, Link { a: 1, b: 2, p: 1.0 }];
        close(connection(&areas, &areas, 100.0, &certain).equivalent, 35.0);
        let apart = connection(&areas, &areas, 100.0, &[]);
        close(apart.equivalent, 22.9128784748);
        assert_eq!(apart.group, [0, 1, 2]);
        assert_eq!(apart.largest_group(), 20.0);
        let two = connection(&[6.0, 8.0], &[6.0, 8.0], 100.0, &[Link { a: 0, b: 1, p: 0.5 }]);
        close(two.equivalent, 12.1655250606);
    }

    #[test]
    fn no_patch_and_one_patch() {
        let none = connection(&[], &[], 50.0, &[]);
        assert_eq!((none.equivalent, none.probability, none.mesh), (0.0, Some(0.0), Some(0.0)));
        assert_eq!((none.largest_group(), none.ranks()), (0.0, vec![]));
        let one = connection(&[7.0], &[7.0], 50.0, &[]);
        close(one.equivalent, 7.0);
        assert_eq!(one.shares, [Share { within: 100.0, flow: 0.0, stepping_stone: 0.0 }]);
        assert_eq!((one.ranks(), one.group_areas), (vec![1], vec![7.0]));
        // worthless patches, and a landscape of nothing
        let nothing = connection(&[7.0], &[0.0], 0.0, &[]);
        assert_eq!((nothing.equivalent, nothing.probability, nothing.mesh), (0.0, None, None));
    }

    /// Effective mesh size by the formula of Jaeger (2000), sum of squares over the whole, by hand: (2500 + 900 + 400)/100
    /// = 38; halves of 4 give 2, quarters 1; 30, 20, 10 of 100 give 14.
    #[test]
    fn mesh_size() {
        let mesh = |areas: &[f64], whole| connection(areas, areas, whole, &[]).mesh.unwrap();
        assert_eq!(mesh(&[50.0, 30.0, 20.0], 100.0), 38.0);
        assert_eq!(
            (mesh(&[4.0], 4.0), mesh(&[2.0, 2.0], 4.0), mesh(&[1.0, 1.0, 1.0, 1.0], 4.0)),
            (4.0, 2.0, 1.0)
        );
        assert_eq!(mesh(&[30.0, 20.0, 10.0], 100.0), 14.0);
    }

    #[test]
    fn probability_at_its_limit() {
        let dispersal = Dispersal { effective_m: 300.0, limit_m: 900.0 };
        assert_eq!(dispersal.probability(0.0), 1.0);
        close(dispersal.probability(900.0 + 1e-8), 0.125);
        assert_eq!(dispersal.probability(900.1), 0.0);
    }
}
