//! Best ways from one node, and what is kept of them when a node is lost.

use super::{End, Ends};
use std::collections::BinaryHeap;

/// No node, no place.
pub(super) const NOWHERE: u32 = u32::MAX;

/// Where a node stands in a search.
#[derive(Clone, Copy, Debug)]
pub(super) struct Reached {
    /// Place in the order of the tree of best ways: parents before children, a subtree in one piece.
    pub place: u32,
    /// p* from the source; 0 where not reached.
    pub p: f64,
}

const UNREACHED: Reached = Reached { place: NOWHERE, p: 0.0 };

/// A way into a place, over a neighbour.
#[derive(Clone, Copy, Debug)]
pub(super) struct Entry {
    /// Place of the neighbour.
    pub from: u32,
    /// p* of the way that ends with this link, as a share of the place's own p*; 1 from its parent.
    pub share: f64,
    /// The same the other way: of the way on to the neighbour, as a share of the neighbour's p*.
    pub on: f64,
}

/// Working space of searches, kept from one to the next.
#[derive(Debug, Default)]
pub struct Space {
    pub(super) reached: Vec<Reached>,
    pub(super) parent: Vec<u32>,
    /// Nodes in the order they were settled, the source first.
    pub(super) order: Vec<u32>,
    settled: Vec<bool>,
    heap: BinaryHeap<(u64, u32)>,
    /// By node: nodes in its subtree, itself included, and the next free place in it.
    size: Vec<u32>,
    next: Vec<u32>,
    /// By place: the node there, the first place past its subtree, p*, and the start of its entries, which fall by share.
    pub(super) at: Vec<u32>,
    pub(super) past: Vec<u32>,
    pub(super) p: Vec<f64>,
    starts: Vec<u32>,
    entries: Vec<Entry>,
    /// By place: p* without the lost node as a share of p*. 1 where nothing is lost, NaN at the lost node and where it is not
    /// asked for: what is compared with it or comes from it is left out.
    pub(super) kept: Vec<f64>,
    /// A bit for each place: whether something is to be done there still; and how many are set.
    open: Vec<u64>,
    pub(super) open_count: usize,
    /// Places asked for.
    pub(super) asked: Vec<u32>,
    /// Entries that the loss at hand calls back, with the place they lead to.
    pub(super) recalled: Vec<(u32, Entry)>,
}

impl Space {
    /// p* from a source to all nodes it reaches with `least` or more, with the tree of best ways. Of equal ways the first
    /// met is kept, always the same.
    pub(super) fn best(&mut self, ends: &Ends, nodes: usize, source: u32, least: f64) {
        if self.reached.len() == nodes {
            for node in self.order.drain(..) {
                self.reached[node as usize] = UNREACHED;
                self.settled[node as usize] = false;
            }
        } else {
            self.reached = vec![UNREACHED; nodes];
            self.settled = vec![false; nodes];
            self.parent = vec![NOWHERE; nodes];
            self.size = vec![0; nodes];
            self.next = vec![0; nodes];
            self.order.clear();
        }
        self.heap.clear();
        self.reached[source as usize].p = 1.0;
        self.parent[source as usize] = NOWHERE;
        self.heap.push((1f64.to_bits(), source));
        while let Some((_, node)) = self.heap.pop() {
            if std::mem::replace(&mut self.settled[node as usize], true) {
                continue;
            }
            self.order.push(node);
            let p = self.reached[node as usize].p;
            for end in ends.of(node) {
                let through = p * end.p;
                if through > self.reached[end.node as usize].p && through >= least {
                    self.reached[end.node as usize].p = through;
                    self.parent[end.node as usize] = node;
                    self.heap.push((through.to_bits(), end.node));
                }
            }
        }
    }

    /// Gives every settled node its place in the tree, and lays out by place what losses are reckoned from.
    pub(super) fn lay_out(&mut self, ends: &Ends) {
        for node in &self.order {
            self.size[*node as usize] = 1;
        }
        for node in self.order.iter().skip(1).rev() {
            let parent = self.parent[*node as usize];
            self.size[parent as usize] += self.size[*node as usize];
        }
        let count = self.order.len();
        self.at.resize(count, 0);
        self.past.resize(count, 0);
        self.p.resize(count, 0.0);
        self.kept.resize(count, 1.0);
        self.open.resize(count.div_ceil(64), 0);
        for node in &self.order {
            let parent = self.parent[*node as usize];
            let mut place = 0;
            if parent != NOWHERE {
                place = self.next[parent as usize];
                self.next[parent as usize] += self.size[*node as usize];
            }
            self.next[*node as usize] = place + 1;
            self.reached[*node as usize].place = place;
            self.at[place as usize] = *node;
            self.past[place as usize] = place + self.size[*node as usize];
            self.p[place as usize] = self.reached[*node as usize].p;
        }
        self.entries.clear();
        self.starts.clear();
        self.starts.push(0);
        for place in 0..count {
            let node = self.at[place];
            let start = self.entries.len();
            let parent = self.parent[node as usize];
            // What hangs on the source itself is never beyond a lost node.
            if parent != NOWHERE && self.parent[parent as usize] != NOWHERE {
                for end in ends.of(node) {
                    let entry = self.entry(node, end);
                    self.entries.extend(entry);
                }
            }
            self.entries[start..]
                .sort_unstable_by(|a, b| b.share.total_cmp(&a.share).then(a.from.cmp(&b.from)));
            self.starts.push(self.entries.len() as u32);
        }
    }

    /// The way into `node` that ends with a link; none from a node that is not reached.
    pub(super) fn entry(&self, node: u32, end: &End) -> Option<Entry> {
        let from = self.reached[end.node as usize];
        let own = self.reached[node as usize].p;
        (from.p > 0.0).then(|| Entry {
            from: from.place,
            share: (from.p * end.p / own).min(1.0),
            on: (own * end.p / from.p).min(1.0),
        })
    }

    fn entries_of(&self, place: usize) -> &[Entry] {
        &self.entries[self.starts[place] as usize..self.starts[place + 1] as usize]
    }

    /// What a place beyond the lost node keeps by entries from places seen before, its parent among them. It stays open
    /// if places not yet seen may bring more.
    pub(super) fn first_look(&mut self, place: usize) {
        let (mut now, mut later) = (0.0, 0.0);
        for entry in self.entries_of(place) {
            if entry.share <= now {
                break;
            }
            let kept = self.kept[entry.from as usize];
            if kept == 0.0 && entry.from as usize > place {
                later = f64::max(later, entry.share);
            } else {
                now = f64::max(now, entry.share * kept);
            }
        }
        self.kept[place] = now;
        if later > now {
            self.mark(place);
        }
    }

    /// What an open place keeps by all entries, once the others have been looked at; it stays open if that is more
    /// than before.
    pub(super) fn second_look(&mut self, place: usize) {
        let mut now = self.kept[place];
        for entry in self.entries_of(place) {
            if entry.share <= now {
                break;
            }
            now = f64::max(now, entry.share * self.kept[entry.from as usize]);
        }
        if now > std::mem::replace(&mut self.kept[place], now) {
            self.mark(place);
        }
    }

    /// Passes on what a place keeps to its neighbours; those that keep more by it are open.
    pub(super) fn pass_on(&mut self, place: usize) {
        let kept = self.kept[place];
        for at in self.starts[place] as usize..self.starts[place + 1] as usize {
            let Entry { from: other, on, .. } = self.entries[at];
            if on * kept > self.kept[other as usize] {
                self.kept[other as usize] = on * kept;
                self.mark(other as usize);
            }
        }
    }

    /// Lets in what comes by the links called back; true if a place keeps more by them.
    pub(super) fn let_in(&mut self) -> bool {
        let mut changed = false;
        for at in 0..self.recalled.len() {
            let (place, entry) = self.recalled[at];
            let now = entry.share * self.kept[entry.from as usize];
            if now > self.kept[place as usize] {
                self.kept[place as usize] = now;
                self.mark(place as usize);
                changed = true;
            }
        }
        changed
    }

    fn mark(&mut self, place: usize) {
        let (word, bit) = (place / 64, 1 << (place % 64));
        self.open_count += usize::from(self.open[word] & bit == 0);
        self.open[word] |= bit;
    }

    /// Does something at every open place from `first` to before `past`, which is closed before, from the last to the first (`up`) or
    /// the other way. Places that open ahead are met in the same sweep.
    pub(super) fn sweep(&mut self, first: u32, past: u32, up: bool, work: impl Fn(&mut Self, usize)) {
        // No place outside is open.
        let words = first as usize / 64..=(past as usize - 1) / 64;
        let mut each = |word: usize| {
            let mut ahead = u64::MAX;
            while self.open[word] & ahead != 0 {
                let open = self.open[word] & ahead;
                let bit = if up { 63 - open.leading_zeros() } else { open.trailing_zeros() };
                // What lies behind waits for the next sweep.
                ahead = if up { (1 << bit) - 1 } else { u64::MAX << bit << 1 };
                self.open[word] &= !(1 << bit);
                self.open_count -= 1;
                work(self, 64 * word + bit as usize);
            }
        };
        if up { words.rev().for_each(&mut each) } else { words.for_each(each) }
    }
}
