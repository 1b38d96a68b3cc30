//! Held against plain searches of all pairs, again for every node removed.

use super::*;
use crate::exact_sum::ExactSum;
use proptest::prelude::*;

/// p* of all pairs by trying every middle node in turn (Floyd and Warshall), without one node if asked.
fn slowly(nodes: usize, links: &[Link], without: Option<usize>) -> Vec<Vec<f64>> {
    let mut p = vec![vec![0.0; nodes]; nodes];
    for (node, row) in p.iter_mut().enumerate().filter(|(node, _)| without != Some(*node)) {
        row[node] = 1.0;
    }
    for link in links {
        let (a, b) = (link.a as usize, link.b as usize);
        if a != b && without != Some(a) && without != Some(b) {
            p[a][b] = f64::max(p[a][b], link.p);
            p[b][a] = p[a][b];
        }
    }
    for k in 0..nodes {
        for i in 0..nodes {
            for j in 0..nodes {
                p[i][j] = f64::max(p[i][j], p[i][k] * p[k][j]);
            }
        }
    }
    p
}

fn total(p: &[Vec<f64>], weights: &[f64]) -> f64 {
    let row = |i: usize| -> f64 { (0..weights.len()).map(|j| weights[j] * p[i][j]).sum() };
    (0..weights.len()).map(|i| weights[i] * row(i)).sum()
}

/// Sum over pairs, sum of flows by node, losses of others by node, and the links no way betters.
fn quickly(nodes: usize, links: &[Link], weights: &[f64]) -> (f64, Vec<f64>, Vec<f64>, Vec<Bettered>) {
    let network = Network::new(nodes, links);
    let mut space = Space::default();
    let bettered: Vec<Bettered> =
        (0..nodes as u32).flat_map(|node| network.bettered(node, &mut space)).collect();
    let losses = network.with_losses(&bettered);
    let mut lost = vec![ExactSum::default(); nodes];
    let flows: Vec<f64> = (0..nodes as u32).map(|i| losses.add(i, weights, &mut space, &mut lost)).collect();
    let whole = (0..nodes).map(|i| weights[i] * (weights[i] + flows[i])).sum();
    (whole, flows, lost.iter().map(|sum| sum.value().unwrap()).collect(), bettered)
}

fn link(a: u32, b: u32, p: f64) -> Link {
    Link { a, b, p }
}

/// A chain of three with a poor link past the middle, by hand: 0 -(0.5)- 1 -(0.5)- 2, 0 -(0.1)- 2.
#[test]
fn a_chain_of_three() {
    let links = [link(0, 1, 0.5), link(2, 1, 0.5), link(0, 2, 0.1)];
    let (whole, flows, lost, bettered) = quickly(3, &links, &[1.0, 1.0, 1.0]);
    assert_eq!(whole, 3.0 + 2.0 * (0.5 + 0.5 + 0.25));
    assert_eq!(flows, [0.75, 1.0, 0.75]);
    // without the middle one the pair 0, 2 falls from 0.25 to 0.1, counted both ways
    assert_eq!(lost[0], 0.0);
    assert!((lost[1] - 0.3).abs() < 1e-15);
    assert_eq!(bettered, [Bettered { link: 2, over: vec![1] }]);
}

#[test]
fn groups_and_unfit_links() {
    let links = [link(3, 1, 0.5), link(0, 0, 0.5), link(0, 2, 0.0), link(0, 2, 1.5), link(0, 9, 0.5)];
    let network = Network::new(4, &links);
    assert_eq!(network.groups(), [0, 1, 2, 1]);
    assert_eq!(network.nodes(), 4);
    let (whole, flows, ..) = quickly(4, &links, &[1.0, 2.0, 3.0, 4.0]);
    assert_eq!(flows, [0.0, 2.0, 0.0, 1.0]);
    assert_eq!(whole, 30.0 + 8.0);
    assert!(Network::new(0, &[]).groups().is_empty());
}

/// Certain links: all ways are equal, and no node is needed in a ring.
#[test]
fn equal_ways() {
    let ring: Vec<Link> = (0..4).map(|a| link(a, (a + 1) % 4, 1.0)).collect();
    let (whole, _, lost, bettered) = quickly(4, &ring, &[1.0; 4]);
    assert_eq!((whole, lost), (16.0, vec![0.0; 4]));
    assert!(bettered.is_empty());
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 600, ..ProptestConfig::default() })]

    /// The same as removing every node and searching all pairs anew. Few distinct probabilities make many ties.
    #[test]
    fn same_as_removing_each_node(
        (nodes, links, weights) in (1usize..25).prop_flat_map(|nodes| {
            let p = prop_oneof![
                0.001f64..1.0,
                Just(0.5), Just(0.25), Just(1.0), Just(1e-7), Just(0.125),
            ];
            let link = (0..nodes as u32, 0..nodes as u32, p).prop_map(|(a, b, p)| Link { a, b, p });
            (Just(nodes), prop::collection::vec(link, 0..80), prop::collection::vec(0.1f64..100.0, nodes))
        }),
    ) {
        let (whole, flows, lost, bettered) = quickly(nodes, &links, &weights);
        let p = slowly(nodes, &links, None);
        let expected = total(&p, &weights);
        prop_assert!((whole - expected).abs() <= 1e-9 * expected, "{whole} {expected}");
        for k in 0..nodes {
            let within = weights[k] * weights[k];
            let without = total(&slowly(nodes, &links, Some(k)), &weights);
            let parts = within + 2.0 * weights[k] * flows[k] + lost[k];
            prop_assert!((parts - (expected - without)).abs() <= 1e-9 * expected, "{parts} {k}");
        }
        for (at, link) in links.iter().enumerate().filter(|(_, link)| link.a != link.b) {
            let best = p[link.a as usize][link.b as usize];
            let told = bettered.iter().any(|b| b.link == at as u32);
            prop_assert_eq!(told, link.p < best * (1.0 - 1e-12), "{:?} {}", link, best);
        }
    }
}
