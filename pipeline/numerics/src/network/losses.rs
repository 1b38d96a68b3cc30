//! What the loss of each node takes from the ways between others.

use super::search::Space;
use super::{End, Ends};
use crate::exact_sum::ExactSum;

/// A p* below this counts as 0 (ours): with n nodes that changes a total by less than its n * 1e-12th part,
/// since the sum over pairs is at least the sum of squared weights.
pub(super) const LEAST: f64 = 1e-12;

/// Ways to this share of the p* asked for are looked at first; they give what is kept wherever that is as much.
const MARGIN: f64 = 0.25;

/// Two ends of a way whose p* from the lost node differ by less than this share are equally far from it.
const EQUAL: f64 = 1e-9;

/// Links that the loss of one node calls back.
#[derive(Clone, Debug)]
pub(super) struct Recalled {
    /// Nodes that have such links, rising, each with the start of its ends.
    nodes: Vec<(u32, u32)>,
    ends: Vec<End>,
}

impl Recalled {
    /// From ends with the node they belong to, in any order.
    pub(super) fn new(mut list: Vec<(u32, End)>) -> Self {
        list.sort_by_key(|(node, end)| (*node, end.link));
        let mut nodes: Vec<(u32, u32)> = Vec::new();
        for (at, (node, _)) in list.iter().enumerate() {
            if nodes.last().is_none_or(|(last, _)| last != node) {
                nodes.push((*node, at as u32));
            }
        }
        Recalled { nodes, ends: list.into_iter().map(|(_, end)| end).collect() }
    }

    fn of(&self, node: u32) -> &[End] {
        let found = self.nodes.binary_search_by_key(&node, |(node, _)| *node);
        found.map_or(&[], |at| self.at(at))
    }

    /// Ends at the node of this index.
    fn at(&self, index: usize) -> &[End] {
        let end = self.nodes.get(index + 1).map_or(self.ends.len(), |(_, start)| *start as usize);
        &self.ends[self.nodes[index].1 as usize..end]
    }
}

/// A network of the links that no way betters, with what each loss calls back.
#[derive(Clone, Debug)]
pub struct Losses {
    pub(super) nodes: usize,
    pub(super) ends: Ends,
    pub(super) recalled: Vec<Recalled>,
}

impl Losses {
    /// The part of one source: gives the sum of a_j p* over all other nodes j, and adds to `lost[k]`, for every other
    /// node k, what the ways from the source over k lose without it. `weights` holds a by node. Over all sources `lost[k]`
    /// comes to the sum of a_i a_j (p* - p* without k) over all ordered pairs of other nodes: a pair is reckoned from one end only, the
    /// one farther from k, and counts twice.
    pub fn add(&self, source: u32, weights: &[f64], space: &mut Space, lost: &mut [ExactSum]) -> f64 {
        space.best(&self.ends, self.nodes, source, LEAST);
        space.lay_out(&self.ends);
        for place in 1..space.order.len() as u32 {
            let gone = space.at[place as usize];
            if place + 1 < space.past[place as usize] {
                let loss = self.without(place, source, weights, space);
                lost[gone as usize].add(2.0 * weights[source as usize] * loss);
            }
        }
        let flows = space.order.iter().skip(1).map(|j| weights[*j as usize] * space.reached[*j as usize].p);
        // the sum of nothing is 0, not -0
        flows.fold(0.0, |sum, flow| sum + flow)
    }

    /// The sum of a_j (p* - p* anew) over the nodes j beyond `lost` that are nearer to it than the source is.
    ///
    /// Only their surroundings are searched: a way anew over a node of less than `MARGIN` of their p* keeps less than `MARGIN`. If a
    /// node keeps no more than that, all that lies beyond is searched.
    fn without(&self, lost: u32, source: u32, weights: &[f64], space: &mut Space) -> f64 {
        let p = space.p[lost as usize];
        let past = space.past[lost as usize];
        let is_ours = |space: &Space, place: u32| {
            let nearer = space.p[place as usize] / (p * p);
            if (nearer - 1.0).abs() <= EQUAL { source < space.at[place as usize] } else { nearer > 1.0 }
        };
        for least in [MARGIN * p * p, 0.0] {
            space.kept[lost as usize..past as usize].fill(f64::NAN);
            space.asked.clear();
            let mut place = lost + 1;
            let mut ours = false;
            while place < past {
                // p* falls along the ways: nothing beyond a place has more.
                if space.p[place as usize] < least {
                    place = space.past[place as usize];
                    continue;
                }
                space.kept[place as usize] = 0.0;
                space.asked.push(place);
                ours |= is_ours(space, place);
                place += 1;
            }
            let mut loss = 0.0;
            let mut enough = true;
            if ours {
                self.search_anew(lost, space);
                for place in &space.asked {
                    if is_ours(space, *place) {
                        let kept = space.kept[*place as usize];
                        enough &= kept >= MARGIN;
                        loss += weights[space.at[*place as usize] as usize]
                            * space.p[*place as usize]
                            * (1.0 - kept);
                    }
                }
            }
            let whole = space.asked.len() as u32 == past - lost - 1;
            space.kept[lost as usize..past as usize].fill(1.0);
            if enough || whole {
                return loss;
            }
        }
        0.0
    }

    /// What every place asked for keeps without the lost one.
    ///
    /// It is the largest share that comes in by an entry: that of the entry times what is kept where it comes from. Shares start at 0
    /// and only grow: a look at every place, a second where later places may bring more, and what grew by that is passed on
    /// until nothing changes. Entries are sorted by share, so that those which cannot bring more than is kept already are not
    /// looked at.
    fn search_anew(&self, lost: u32, space: &mut Space) {
        let (first, past) = (lost + 1, space.past[lost as usize]);
        for at in 0..space.asked.len() {
            space.first_look(space.asked[at] as usize);
        }
        if space.open_count > 0 {
            space.sweep(first, past, true, Space::second_look);
        }
        self.recall(lost, space);
        let mut up = false;
        while space.let_in() || space.open_count > 0 {
            space.sweep(first, past, up, Space::pass_on);
            up = !up;
        }
    }

    /// Lays ready the entries that the loss calls back, those that may bring more than is kept already.
    fn recall(&self, lost: u32, space: &mut Space) {
        let links = &self.recalled[space.at[lost as usize] as usize];
        let mut ready = std::mem::take(&mut space.recalled);
        ready.clear();
        let mut take = |place: u32, node: u32, ends: &[End]| {
            let entries = ends.iter().filter_map(|end| space.entry(node, end));
            let kept = space.kept[place as usize];
            ready.extend(entries.filter(|entry| entry.share > kept).map(|entry| (place, entry)));
        };
        // Whichever of the two is shorter is gone through.
        if links.nodes.len() / 4 > space.asked.len() {
            for place in &space.asked {
                let node = space.at[*place as usize];
                take(*place, node, links.of(node));
            }
        } else {
            for (at, (node, _)) in links.nodes.iter().enumerate() {
                let place = space.reached[*node as usize].place;
                // Only what was asked for can keep less than all.
                if space.kept.get(place as usize).is_some_and(|kept| *kept < 1.0) {
                    take(place, *node, links.at(at));
                }
            }
        }
        space.recalled = ready;
    }
}
