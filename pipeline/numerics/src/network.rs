//! How well a network of nodes holds together: best ways of linked probabilities, and what the loss of each
//! node would cost.
//!
//! Every node has a weight, every link a probability of being crossed. The best way between two nodes is
//! the one whose product of probabilities is largest; that product is p*, 1 from a node to itself, 0 where there
//! is no way. Saura and Pascual-Hortal 2007, Landscape and Urban Planning 83:91-103, sum a_i a_j p*_ij over all
//! ordered pairs. Saura and Rubio 2010, Ecography 33:523-537, split what that sum loses with a node into the
//! node's own weight, its ends of ways, and its place in the middle of ways of others.
//!
//! **Work.** Removing each of n nodes and searching anew would take n squared searches. Instead, from each source
//! only the nodes whose best way leads through the lost one are searched again; the others keep theirs. And of
//! the links, one that is bettered by a way round (whose product is larger) matters only where a node of that way
//! is lost: every other loss leaves the better way. So each node keeps a short list of the links that its
//! loss calls back, and searches go over the remaining, few, links.

mod losses;
mod search;
#[cfg(test)]
mod tests;

pub use losses::Losses;
pub use search::Space;

use losses::{LEAST, Recalled};
use search::NOWHERE;

/// A way betters a link only by more than this share, so that rounding does not decide.
const BETTER: f64 = 1e-12;

/// A link between two nodes, crossed either way.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Link {
    /// One node.
    pub a: u32,
    /// The other.
    pub b: u32,
    /// Probability that it is crossed, above 0 and at most 1; others are no links.
    pub p: f64,
}

#[derive(Clone, Copy, Debug)]
struct End {
    node: u32,
    /// Index of the link.
    link: u32,
    p: f64,
}

/// Ends of links by node.
#[derive(Clone, Debug)]
struct Ends {
    starts: Vec<usize>,
    ends: Vec<End>,
}

impl Ends {
    fn new(nodes: usize, links: impl Iterator<Item = (u32, Link)> + Clone) -> Self {
        let mut starts = vec![0usize; nodes + 1];
        for (_, link) in links.clone() {
            starts[link.a as usize + 1] += 1;
            starts[link.b as usize + 1] += 1;
        }
        for node in 0..nodes {
            starts[node + 1] += starts[node];
        }
        let mut next = starts.clone();
        let mut ends = vec![End { node: 0, link: 0, p: 0.0 }; starts[nodes]];
        for (at, link) in links {
            for (here, there) in [(link.a, link.b), (link.b, link.a)] {
                ends[next[here as usize]] = End { node: there, link: at, p: link.p };
                next[here as usize] += 1;
            }
        }
        Ends { starts, ends }
    }

    fn of(&self, node: u32) -> &[End] {
        &self.ends[self.starts[node as usize]..self.starts[node as usize + 1]]
    }
}

/// Nodes and their links.
#[derive(Clone, Debug)]
pub struct Network {
    nodes: usize,
    links: Vec<Link>,
    ends: Ends,
}

/// A link that a way over other nodes betters.
#[derive(Clone, Debug, PartialEq)]
pub struct Bettered {
    /// Index of the link.
    pub link: u32,
    /// The nodes between its ends on the better way.
    pub over: Vec<u32>,
}

impl Network {
    /// A network of `nodes` nodes. Links that name other nodes, join a node to itself, or whose p is not above 0 and at
    /// most 1 are left out; they keep their index.
    pub fn new(nodes: usize, links: &[Link]) -> Self {
        let sound = |link: &Link| {
            let inside = (link.a as usize) < nodes && (link.b as usize) < nodes;
            inside && link.a != link.b && link.p > 0.0 && link.p <= 1.0
        };
        let kept = links.iter().enumerate().filter(|(_, link)| sound(link));
        let ends = Ends::new(nodes, kept.map(|(at, link)| (at as u32, *link)));
        Network { nodes, links: links.to_vec(), ends }
    }

    /// Number of nodes.
    pub fn nodes(&self) -> usize {
        self.nodes
    }

    /// The group of every node: nodes with a way between them share one. Groups count from 0 by their first node.
    pub fn groups(&self) -> Vec<u32> {
        let mut group = vec![NOWHERE; self.nodes];
        let mut count = 0;
        let mut stack = Vec::new();
        for first in 0..self.nodes {
            if group[first] != NOWHERE {
                continue;
            }
            group[first] = count;
            stack.push(first as u32);
            while let Some(node) = stack.pop() {
                for end in self.ends.of(node) {
                    if group[end.node as usize] == NOWHERE {
                        group[end.node as usize] = count;
                        stack.push(end.node);
                    }
                }
            }
            count += 1;
        }
        group
    }

    /// Which links of `source` to nodes of a higher number are bettered by a way over other nodes.
    pub fn bettered(&self, source: u32, space: &mut Space) -> Vec<Bettered> {
        let own = self.ends.of(source);
        let weakest = own.iter().map(|end| end.p).fold(1.0, f64::min);
        // A way as good as the weakest link is all that is asked for.
        space.best(&self.ends, self.nodes, source, weakest.max(LEAST));
        let mut found = Vec::new();
        for end in own.iter().filter(|end| end.node > source) {
            let best = space.reached[end.node as usize].p;
            if end.p < best * (1.0 - BETTER) {
                let mut over = Vec::new();
                let mut at = space.parent[end.node as usize];
                while at != source && at != NOWHERE {
                    over.push(at);
                    at = space.parent[at as usize];
                }
                found.push(Bettered { link: end.link, over });
            }
        }
        found
    }

    /// The network made ready for losses: `bettered` holds what [`Self::bettered`] gives for every node, together.
    pub fn with_losses(&self, bettered: &[Bettered]) -> Losses {
        let mut direct = vec![true; self.links.len()];
        let mut recalled: Vec<Vec<(u32, End)>> = vec![Vec::new(); self.nodes];
        for Bettered { link, over } in bettered {
            direct[*link as usize] = false;
            let Link { a, b, p } = self.links[*link as usize];
            for node in over {
                let list = &mut recalled[*node as usize];
                list.push((a, End { node: b, link: *link, p }));
                list.push((b, End { node: a, link: *link, p }));
            }
        }
        let recalled = recalled.into_iter().map(Recalled::new).collect();
        let ends = &self.ends;
        let sound = (0..self.nodes as u32).flat_map(|node| {
            ends.of(node).iter().filter(move |end| end.node > node).map(move |end| (node, end))
        });
        let kept = sound.filter(|(_, end)| direct[end.link as usize]);
        let ends = Ends::new(
            self.nodes,
            kept.map(|(node, end)| (end.link, Link { a: node, b: end.node, p: end.p })),
        );
        Losses { nodes: self.nodes, ends, recalled }
    }
}
