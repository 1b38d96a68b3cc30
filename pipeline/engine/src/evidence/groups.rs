//! Places that hold animals on the way from today's patches to those of a scenario, and the groups they make.

use super::footprint::Footprint;
use crate::error::EngineError;
use crate::stages::Context;
use crate::stages::connection::CaseConnection;
use crate::stages::patches::{CasePatches, edges};
use lentic_habitat::near_pairs::near_pairs;
use lentic_numerics::population::{Group, Room};
use rayon::prelude::*;
use std::collections::BTreeMap;

/// Patches are of one group where animals make the way between them with at least this probability (method; ours).
pub const JOINED: f64 = 0.1;

/// Probability that animals make the way between two patches of a case, by their numbers, the lower first.
pub type Ways = BTreeMap<(u32, u32), f64>;

/// A group with what it is made of.
#[derive(Clone, Debug, PartialEq)]
pub struct Members {
    /// Places with their room, in hectares at suitability 1, and the ways between them.
    pub group: Group,
    /// Numbers of today's patches.
    pub now: Vec<u32>,
    /// Numbers of the scenario's patches.
    pub then: Vec<u32>,
}

/// The ways of every case by distance: 1 between patches whose nearest cells lie within it, centre to centre, else none.
///
/// # Errors
/// When the disk refuses.
pub fn ways(context: &Context, patches: &[CasePatches], within_m: f64) -> Result<Vec<Ways>, EngineError> {
    // what rounding takes from whole cells
    let limit = within_m / context.grid.cell_m * (1.0 + 1e-12);
    let of = |patches: &CasePatches| {
        let edges = edges(context.grid, &patches.labels)?;
        Ok(near_pairs(edges, limit).into_keys().map(|pair| (pair, 1.0)).collect())
    };
    patches.par_iter().map(of).collect()
}

/// The ways of a case as its connection has them: the probability of the least-cost way of each pair within the limit.
pub fn connected(found: &CaseConnection) -> Ways {
    found.links.iter().map(|link| ((link.a.min(link.b) + 1, link.a.max(link.b) + 1), link.p)).collect()
}

/// Sets of numbers that are joined, each under its lowest.
struct Joined(Vec<usize>);

impl Joined {
    fn new(count: usize) -> Self {
        Joined((0..count).collect())
    }

    fn lowest(&mut self, mut at: usize) -> usize {
        while self.0[at] != at {
            self.0[at] = self.0[self.0[at]];
            at = self.0[at];
        }
        at
    }

    fn join(&mut self, a: usize, b: usize) {
        let (a, b) = (self.lowest(a), self.lowest(b));
        self.0[a.max(b)] = a.min(b);
    }
}

/// Hectares at suitability 1: area times mean suitability.
fn room(patches: &CasePatches, number: u32) -> f64 {
    patches.patches.get(number as usize - 1).map_or(0.0, |p| p.area_m2 / 10_000.0 * p.suitability)
}

/// Groups on the way from today to a case. Patches of today and of the case that share a cell are one place, so that a patch which
/// shrinks, splits or merges stays the home of its animals; its room goes from that of today's patches to that of the case's. Places
/// with a way of `JOINED` or more between them, today or then, are one group. Groups come by their first patch of today, then of
/// the case; within a group places do.
pub fn groups(
    now: (&CasePatches, &Ways),
    then: (&CasePatches, &Ways),
    footprint: &Footprint,
    is_baseline: bool,
) -> Vec<Members> {
    let (today, later) = (now.0.patches.len(), if is_baseline { 0 } else { then.0.patches.len() });
    let mut places = Joined::new(today + later);
    if !is_baseline {
        for (a, b) in footprint.shared.keys() {
            places.join(*a as usize - 1, today + *b as usize - 1);
        }
    }
    let home: Vec<usize> = (0..today + later).map(|at| places.lowest(at)).collect();
    // ways between places: the likeliest of those between their patches, today and then
    let mut between: BTreeMap<(usize, usize), [f64; 2]> = BTreeMap::new();
    let mut note = |a: usize, b: usize, end: usize, p: f64| {
        if home[a] != home[b] && p >= JOINED {
            let pair = (home[a].min(home[b]), home[a].max(home[b]));
            let known = &mut between.entry(pair).or_default()[end];
            *known = known.max(p);
        }
    };
    for ((a, b), p) in now.1 {
        let (a, b) = (*a as usize - 1, *b as usize - 1);
        note(a, b, 0, *p);
        if is_baseline {
            note(a, b, 1, *p);
        }
    }
    if !is_baseline {
        for ((a, b), p) in then.1 {
            note(today + *a as usize - 1, today + *b as usize - 1, 1, *p);
        }
    }
    let mut together = Joined::new(today + later);
    for (a, b) in between.keys() {
        together.join(*a, *b);
    }
    let mut found: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
    for place in (0..today + later).filter(|at| home[*at] == *at) {
        found.entry(together.lowest(place)).or_default().push(place);
    }
    let members = |places: &Vec<usize>| {
        let position: BTreeMap<usize, usize> =
            places.iter().enumerate().map(|(at, place)| (*place, at)).collect();
        let mut rooms = vec![Room { now: 0.0, then: 0.0 }; places.len()];
        let (mut numbers_now, mut numbers_then) = (Vec::new(), Vec::new());
        for (at, place) in home.iter().enumerate() {
            let Some(own) = position.get(place) else { continue };
            if at < today {
                let number = at as u32 + 1;
                rooms[*own].now += room(now.0, number);
                if is_baseline {
                    rooms[*own].then += room(now.0, number);
                    numbers_then.push(number);
                }
                numbers_now.push(number);
            } else {
                let number = (at - today) as u32 + 1;
                rooms[*own].then += room(then.0, number);
                numbers_then.push(number);
            }
        }
        let mut links = vec![Vec::new(); places.len()];
        for ((a, b), p) in &between {
            if let (Some(a), Some(b)) = (position.get(a), position.get(b)) {
                links[*a].push((*b, *p));
                links[*b].push((*a, *p));
            }
        }
        Members { group: Group { rooms, links }, now: numbers_now, then: numbers_then }
    };
    found.values().map(members).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use lentic_habitat::patches::Patch;
    use lentic_raster::{Bounds, Crs, Grid, Scratch};

    /// Patches of these areas, hectares, at suitability 0.5.
    fn patches(folder: &std::path::Path, name: &str, areas: &[f64]) -> CasePatches {
        let bounds = Bounds { left: 0.0, bottom: 0.0, right: 30.0, top: 30.0 };
        let grid = Grid::from_bounds(Crs::parse("EPSG:6933").unwrap(), bounds, 30.0).unwrap();
        let patch = |(at, area): (usize, &f64)| Patch {
            number: at as u32 + 1,
            cells: 1,
            area_m2: area * 10_000.0,
            sides: 4,
            centre_row: 0.5,
            centre_col: 0.5,
            suitability: 0.5,
            hydroperiod: 6.0,
            zone: None,
            cut: false,
        };
        CasePatches {
            patches: areas.iter().enumerate().map(patch).collect(),
            core: None,
            nearest: vec![None; areas.len()],
            labels: Scratch::create(&folder.join(name), &grid).unwrap(),
        }
    }

    /// By hand: patch 1 splits in two, 2 is lost, 3 stays, 4 is new beside 3's remains.
    #[test]
    fn homes_follow_their_patches() {
        let folder = tempfile::tempdir().unwrap();
        let today = patches(folder.path(), "now", &[20.0, 10.0, 6.0]);
        let later = patches(folder.path(), "then", &[8.0, 4.0, 6.0, 2.0]);
        let footprint = Footprint {
            shared: BTreeMap::from([((1, 1), 80), ((1, 2), 40), ((3, 3), 60)]),
            ..Footprint::default()
        };
        let near_now = Ways::from([((1, 2), 0.5), ((2, 3), 0.05)]);
        let near_then = Ways::from([((1, 2), 1.0), ((3, 4), 0.2)]);
        let found = groups((&today, &near_now), (&later, &near_then), &footprint, false);
        assert_eq!(found.len(), 2);
        // homes 1 (with its two halves) and 2, a way of today only; the way between the halves stays at home
        assert_eq!((&found[0].now[..], &found[0].then[..]), (&[1, 2][..], &[1, 2][..]));
        assert_eq!(found[0].group.rooms, [Room { now: 10.0, then: 6.0 }, Room { now: 5.0, then: 0.0 }]);
        assert_eq!(found[0].group.links, [vec![(1, [0.5, 0.0])], vec![(0, [0.5, 0.0])]]);
        // home 3 and the new patch, a way of then only; 0.05 joins nothing
        assert_eq!((&found[1].now[..], &found[1].then[..]), (&[3][..], &[3, 4][..]));
        assert_eq!(found[1].group.rooms, [Room { now: 3.0, then: 3.0 }, Room { now: 0.0, then: 1.0 }]);
        assert_eq!(found[1].group.links, [vec![(1, [0.0, 0.2])], vec![(0, [0.0, 0.2])]]);
        // today's habitat kept
        let kept = groups((&today, &near_now), (&today, &near_now), &footprint, true);
        assert_eq!(
            kept.iter().map(|m| (m.now.clone(), m.then.clone())).collect::<Vec<_>>(),
            [(vec![1, 2], vec![1, 2]), (vec![3], vec![3])]
        );
        assert_eq!(kept[0].group.rooms[1], Room { now: 5.0, then: 5.0 });
        let nothing = patches(folder.path(), "none", &[]);
        assert!(
            groups((&nothing, &Ways::new()), (&nothing, &Ways::new()), &Footprint::default(), false)
                .is_empty()
        );
    }
}
