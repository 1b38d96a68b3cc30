//! What habitat and drought mean for the number of animals: courses drawn for every case and density.

use super::drought_years::drought_years;
use super::footprint::Footprint;
use super::groups::{Members, Ways, groups};
use super::range::years_to_horizon;
use crate::error::EngineError;
use crate::stages::Context;
use crate::stages::patches::CasePatches;
use crate::stages::scenarios::Case;
use crate::stages::water::WaterProducts;
use lentic_numerics::population::{Group, Life, Room, course, years};
use lentic_numerics::stats::quantile_of_sorted;
use lentic_study::settings::Population;
use rayon::prelude::*;

/// Densities in order.
pub const DENSITIES: [&str; 3] = ["low", "best", "high"];
/// Position of the best.
pub const BEST: usize = 1;
/// Ranges are told from and to these shares of the courses.
const RANGE: [f64; 3] = [0.05, 0.5, 0.95];
/// Sets the draws of this stage apart from those of others under the study's seed.
const PURPOSE: u64 = 0x706f_7075;

/// What became of a group, or of all, over the courses.
#[derive(Clone, Debug, PartialEq)]
pub struct Outcome {
    /// Room at the start, animals older than hatchlings.
    pub room_now: f64,
    /// Room at the end.
    pub room_then: f64,
    /// Animals at the start.
    pub start: f64,
    /// Animals at the end: 5th percentile, median, 95th percentile.
    pub end: [f64; 3],
    /// Share of courses that fell under the level by the end (of all groups: every group at once).
    pub fell: f64,
    /// Its standard error by the number of courses.
    pub fell_error: f64,
    /// Years until they fell: 5th percentile, median, 95th percentile over all courses; `None` where so few fell.
    pub years: [Option<usize>; 3],
    /// Mean number of years under the level, the start not among them.
    pub years_under: f64,
    /// Share of courses without any animal at the end.
    pub gone: f64,
}

/// One group at the best density.
#[derive(Clone, Debug, PartialEq)]
pub struct GroupOutcome {
    /// Today's patches.
    pub now: Vec<u32>,
    /// Patches at the horizon.
    pub then: Vec<u32>,
    /// What became of it.
    pub outcome: Outcome,
}

/// One case at one density.
#[derive(Clone, Debug, PartialEq)]
pub struct CaseOutcome {
    /// Position of the case.
    pub case: usize,
    /// Position of the density.
    pub density: usize,
    /// Years drawn.
    pub years: usize,
    /// Share of drought years at the start and at the end; `None` without an index.
    pub drought: [Option<f64>; 2],
    /// All groups together.
    pub all: Outcome,
    /// Group by group; at the best density only.
    pub groups: Vec<GroupOutcome>,
    /// Largest room of one group, at the start and at the end.
    pub largest: [f64; 2],
    /// Animals of all groups at the start and after each year: 5th percentile, median, 95th percentile.
    pub path: Vec<[f64; 3]>,
}

/// Everything found.
pub struct PopulationFound {
    /// By case, then density.
    pub outcomes: Vec<CaseOutcome>,
}

/// One course of all groups.
struct Replicate {
    /// By year.
    total: Vec<u64>,
    /// Year each group fell.
    fell: Vec<Option<usize>>,
    /// Years each group was under the level.
    under: Vec<usize>,
    /// Animals of each group at the end.
    end: Vec<u64>,
    /// Whether any of a group lives.
    alive: Vec<bool>,
    /// Year all groups were under the level at once.
    all_fell: Option<usize>,
    /// Years all groups were.
    all_under: usize,
}

/// Draws the courses of all cases, given the ways between the patches of each.
///
/// # Errors
/// A layer that cannot be read, or a disk that refuses.
pub fn project(
    context: &Context,
    population: &Population,
    water: &WaterProducts,
    cases: &[Case],
    patches: &[CasePatches],
    footprints: &[Footprint],
    ways: &[Ways],
) -> Result<PopulationFound, EngineError> {
    let drought = drought_years(context, water, cases, population.drought_at)?;
    let to_horizon = |case: &Case| years_to_horizon(context, case).map(|years| years as usize);
    let longest = cases.iter().filter_map(to_horizon).max();
    let steps = (cases.len() * DENSITIES.len() * population.replicates) as u64;
    context.progress.start("projecting the population", steps);
    let mut outcomes = Vec::new();
    for (at, case) in cases.iter().enumerate() {
        let given = if case.scenario.is_none() { population.years.or(longest) } else { None };
        let Some(count) = given.or_else(|| to_horizon(case)).or(population.years) else { continue };
        let members = groups((&patches[0], &ways[0]), (&patches[at], &ways[at]), &footprints[at], at == 0);
        for density in 0..DENSITIES.len() {
            let own = CaseRun {
                context,
                population,
                members: &members,
                density,
                count,
                drought: [&drought[0], &drought[at]],
            };
            outcomes.push(own.outcome(at));
        }
    }
    context.progress.finish();
    Ok(PopulationFound { outcomes })
}

/// What the courses of one case at one density need.
struct CaseRun<'a> {
    context: &'a Context<'a>,
    population: &'a Population,
    members: &'a [Members],
    density: usize,
    count: usize,
    drought: [&'a [bool]; 2],
}

impl CaseRun<'_> {
    fn outcome(&self, case: usize) -> CaseOutcome {
        let density = self.population.density_per_ha[self.density];
        let scaled = |room: &Room| Room { now: room.now * density, then: room.then * density };
        let groups: Vec<Group> = self
            .members
            .iter()
            .map(|m| Group {
                rooms: m.group.rooms.iter().map(scaled).collect(),
                links: m.group.links.clone(),
            })
            .collect();
        let replicates: Vec<Replicate> = (0..self.population.replicates as u64)
            .into_par_iter()
            .map(|number| {
                let one = self.replicate(&groups, number);
                self.context.progress.advance(1);
                one
            })
            .collect();
        let rooms = |group: &Group| {
            let sum = |of: fn(&Room) -> f64| group.rooms.iter().map(of).sum::<f64>();
            [sum(|r| r.now), sum(|r| r.then)]
        };
        let each: Vec<[f64; 2]> = groups.iter().map(rooms).collect();
        let whole = |end: usize| each.iter().map(|rooms| rooms[end]).sum::<f64>();
        let largest = |end: usize| each.iter().map(|rooms| rooms[end]).fold(0.0, f64::max);
        let start_of = |group: &Group| {
            let share = self.population.start_share;
            group.rooms.iter().map(|room| (room.now * share).floor()).sum::<f64>()
        };
        let all = told(
            [whole(0), whole(1)],
            replicates.first().and_then(|r| r.total.first()).map_or(0.0, |n| *n as f64),
            replicates.iter().map(|r| r.total.last().copied().unwrap_or(0)).collect(),
            replicates.iter().map(|r| r.all_fell).collect(),
            replicates.iter().map(|r| r.all_under).sum(),
            replicates.iter().filter(|r| !r.alive.iter().any(|alive| *alive)).count(),
        );
        let one = |at: usize, members: &Members| GroupOutcome {
            now: members.now.clone(),
            then: members.then.clone(),
            outcome: told(
                each[at],
                start_of(&groups[at]),
                replicates.iter().map(|r| r.end[at]).collect(),
                replicates.iter().map(|r| r.fell[at]).collect(),
                replicates.iter().map(|r| r.under[at]).sum(),
                replicates.iter().filter(|r| !r.alive[at]).count(),
            ),
        };
        let best = self.density == BEST;
        let told_of: &[Members] = if best { self.members } else { &[] };
        let path = (0..=self.count).map(|year| range(replicates.iter().map(|r| r.total[year]).collect()));
        CaseOutcome {
            case,
            density: self.density,
            years: self.count,
            drought: self.drought.map(share),
            all,
            groups: told_of.iter().enumerate().map(|(at, members)| one(at, members)).collect(),
            largest: [largest(0), largest(1)],
            path: path.collect(),
        }
    }

    fn replicate(&self, groups: &[Group], number: u64) -> Replicate {
        let population = self.population;
        let seed = self.context.study.seed ^ PURPOSE;
        let life = Life {
            stages: &population.stages,
            structure: &population.growth.stable,
            filled: population.start_share,
        };
        let years = years(seed, number, self.count, self.drought[0], self.drought[1]);
        let mut one = Replicate {
            total: vec![0; self.count + 1],
            fell: Vec::with_capacity(groups.len()),
            under: Vec::with_capacity(groups.len()),
            end: Vec::with_capacity(groups.len()),
            alive: Vec::with_capacity(groups.len()),
            all_fell: None,
            all_under: 0,
        };
        let mut above = vec![0usize; self.count + 1];
        let under = |animals: u64| (animals as f64) < population.quasi_extinction;
        for (position, group) in groups.iter().enumerate() {
            let (course, alive) = course(&life, group, &years, seed, number, position as u64);
            one.fell.push(course.iter().position(|animals| under(*animals)));
            one.under.push(course[1..].iter().filter(|animals| under(**animals)).count());
            one.end.push(course.last().copied().unwrap_or(0));
            one.alive.push(alive);
            for ((total, above), animals) in one.total.iter_mut().zip(&mut above).zip(&course) {
                *total += animals;
                *above += usize::from(!under(*animals));
            }
        }
        one.all_fell = above.iter().position(|above| *above == 0);
        one.all_under = above[1..].iter().filter(|above| **above == 0).count();
        one
    }
}

fn share(years: &[bool]) -> Option<f64> {
    let drought = years.iter().filter(|drought| **drought).count();
    (!years.is_empty()).then(|| drought as f64 / years.len() as f64)
}

fn range(mut animals: Vec<u64>) -> [f64; 3] {
    animals.sort_unstable();
    let sorted: Vec<f64> = animals.into_iter().map(|n| n as f64).collect();
    RANGE.map(|share| quantile_of_sorted(&sorted, share).unwrap_or(f64::NAN))
}

/// Years that so large a share of the courses took to fall at most; those that never fell count as later than all.
fn waited(mut fell: Vec<Option<usize>>) -> [Option<usize>; 3] {
    fell.sort_unstable_by_key(|year| year.unwrap_or(usize::MAX));
    RANGE.map(|share| {
        let at = (share * fell.len() as f64).ceil() as usize;
        fell.get(at.max(1) - 1).copied().flatten()
    })
}

fn told(
    rooms: [f64; 2],
    start: f64,
    end: Vec<u64>,
    fell: Vec<Option<usize>>,
    under: usize,
    gone: usize,
) -> Outcome {
    let count = end.len() as f64;
    let share = fell.iter().filter(|year| year.is_some()).count() as f64 / count;
    Outcome {
        room_now: rooms[0],
        room_then: rooms[1],
        start,
        end: range(end),
        fell: share,
        fell_error: (share * (1.0 - share) / count).sqrt(),
        years: waited(fell),
        years_under: under as f64 / count,
        gone: gone as f64 / count,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn waiting_counts_those_that_never_fell() {
        // of twenty courses twelve fell, in years 1 to 12: 5 % by year 1, half by year 10, 95 % never
        let fell: Vec<Option<usize>> = (1..=20).map(|year| (year <= 12).then_some(year)).collect();
        assert_eq!(waited(fell), [Some(1), Some(10), None]);
        assert_eq!(waited(vec![None; 4]), [None; 3]);
        let outcome =
            told([10.0, 5.0], 10.0, vec![0; 20], (1..=20).map(|y| (y <= 12).then_some(y)).collect(), 50, 3);
        assert_eq!((outcome.fell, outcome.years_under, outcome.gone), (0.6, 2.5, 0.15));
        assert!((outcome.fell_error - (0.24f64 / 20.0).sqrt()).abs() < 1e-12);
    }
}
