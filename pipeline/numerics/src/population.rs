//! A stage-structured population year by year, animal by animal as far as chance matters: survival and growth, births, drought
//! years, movement between places, and room.
//!
//! After Caswell 2001 (Matrix Population Models, 2nd ed., chapter 15, from memory): every animal's year is an independent trial.
//! The order within a year is: births and survival from the animals at its start, movement, then the ceiling.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};
use rand_distr::{Binomial, Distribution, Poisson};

/// One stage. The first holds the newborn ("hatchlings"), which need no room.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stage {
    /// Share that is in the same stage a year on.
    pub stay: f64,
    /// Share that is in the next stage a year on; none of the last.
    pub grow: f64,
    /// Newborn a year of one of this stage, as they are counted a year on.
    pub offspring: f64,
    /// Share of those alive that move to another place in a year.
    pub moves: f64,
    /// Factor on both shares in a drought year, 0 to 1.
    pub drought_survival: f64,
    /// Factor on offspring in a drought year, 0 or more.
    pub drought_offspring: f64,
}

impl Stage {
    /// Shares that stay and grow, and offspring, in a year with or without drought.
    fn rates(&self, drought: bool) -> [f64; 3] {
        if drought {
            let survival = self.drought_survival;
            [self.stay * survival, self.grow * survival, self.offspring * self.drought_offspring]
        } else {
            [self.stay, self.grow, self.offspring]
        }
    }
}

/// The projection matrix of stages, for years with or without drought: `matrix[i][j]` how many of stage i one of stage j
/// becomes or bears.
pub fn matrix(stages: &[Stage], drought: bool) -> Vec<Vec<f64>> {
    let n = stages.len();
    let mut matrix = vec![vec![0.0; n]; n];
    for (j, stage) in stages.iter().enumerate() {
        let [stay, grow, offspring] = stage.rates(drought);
        matrix[0][j] += offspring;
        matrix[j][j] += stay;
        if j + 1 < n {
            matrix[j + 1][j] += grow;
        }
    }
    matrix
}

/// Room of a place, in animals older than the first stage.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Room {
    /// At the start.
    pub now: f64,
    /// At the end.
    pub then: f64,
}

impl Room {
    /// On the straight way from start to end.
    pub fn at(&self, way: f64) -> f64 {
        self.now + (self.then - self.now) * way
    }
}

/// Places that animals move between.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Group {
    /// Room of each place.
    pub rooms: Vec<Room>,
    /// By place, the others that can be reached in a year, with the probability that the way is made, at the start and at the
    /// end.
    pub links: Vec<Vec<(usize, [f64; 2])>>,
}

/// The years of one replicate, shared by all groups.
#[derive(Clone, Debug, PartialEq)]
pub struct Years {
    /// Whether each is a drought year.
    pub drought: Vec<bool>,
}

/// Draws the years of a replicate: in year t of T, with probability t/T one of the years of the end, else one of those of the
/// start, each as likely. So droughts come on as room goes. `now` and `then` say which years are drought years; empty: none.
pub fn years(seed: u64, replicate: u64, count: usize, now: &[bool], then: &[bool]) -> Years {
    let mut random = stream(seed, replicate, 0);
    let drought = (1..=count).map(|year| {
        // always two draws, so that replicates stay comparable whatever the lists are
        let (which, place) = (unit(&mut random), unit(&mut random));
        let of = if which < year as f64 / count as f64 { then } else { now };
        of.get((place * of.len() as f64) as usize).copied().unwrap_or(false)
    });
    Years { drought: drought.collect() }
}

/// Random numbers of a replicate: part 0 for its years, part g + 1 for group g.
fn stream(seed: u64, replicate: u64, part: u64) -> ChaCha8Rng {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    random.set_stream((replicate << 24) | part);
    random
}

/// A number in [0, 1).
fn unit(random: &mut ChaCha8Rng) -> f64 {
    crate::seed::unit(random.next_u64())
}

/// Animals older than the first stage in a group at the start and at the end of each year.
pub type Course = Vec<u64>;

/// What a group is like.
#[derive(Clone, Copy, Debug)]
pub struct Life<'a> {
    /// Stages.
    pub stages: &'a [Stage],
    /// Share of each stage at the start; of the first as many as belong to the others.
    pub structure: &'a [f64],
    /// Share of the room taken at the start.
    pub filled: f64,
}

/// One course of a group: animals older than the first stage, at the start and after each year; and whether any animal, newborn
/// among them, is left at the end. The same seed, replicate and position of the group give the same numbers.
pub fn course(
    life: &Life,
    group: &Group,
    years: &Years,
    seed: u64,
    replicate: u64,
    position: u64,
) -> (Course, bool) {
    let mut random = stream(seed, replicate, position + 1);
    let mut places: Vec<Vec<u64>> = group.rooms.iter().map(|room| beginning(life, room.now)).collect();
    let links = Links::new(group);
    let mut course = vec![grown(&places)];
    let count = years.drought.len();
    for (year, drought) in years.drought.iter().enumerate() {
        let way = (year + 1) as f64 / count as f64;
        let rates: Vec<[f64; 3]> = life.stages.iter().map(|stage| stage.rates(*drought)).collect();
        for animals in &mut places {
            *animals = step(&rates, animals, &mut random);
        }
        links.mingle(life.stages, way, &mut places, &mut random);
        for (animals, room) in places.iter_mut().zip(&group.rooms) {
            limit(&mut animals[1..], room.at(way));
        }
        course.push(grown(&places));
    }
    let alive = places.iter().flatten().any(|n| *n > 0);
    (course, alive)
}

fn grown(places: &[Vec<u64>]) -> u64 {
    places.iter().map(|animals| animals[1..].iter().sum::<u64>()).sum()
}

/// Whole animals of each stage: `filled` of the room taken by those older than the first stage, in the given structure.
fn beginning(life: &Life, room: f64) -> Vec<u64> {
    let older: f64 = life.structure[1..].iter().sum();
    let animals = room * life.filled;
    if !(older > 0.0 && animals > 0.0) {
        return vec![0; life.stages.len()];
    }
    let mut shares: Vec<f64> = life.structure.iter().map(|share| share / older).collect();
    let newborn = (animals * shares[0]).round() as u64;
    shares.remove(0);
    let mut all = vec![newborn];
    all.extend(shared_out(animals.floor() as u64, &shares));
    all
}

/// `total` whole animals by shares that sum to 1: each the whole part of its share, the rest to the largest remainders (ties: the
/// first).
fn shared_out(total: u64, shares: &[f64]) -> Vec<u64> {
    let exact: Vec<f64> = shares.iter().map(|share| share * total as f64).collect();
    let mut out: Vec<u64> = exact.iter().map(|e| e.floor() as u64).collect();
    let mut left = total.saturating_sub(out.iter().sum());
    let mut order: Vec<usize> = (0..out.len()).collect();
    order.sort_by(|a, b| (exact[*b] - exact[*b].floor()).total_cmp(&(exact[*a] - exact[*a].floor())));
    for at in order {
        if left == 0 {
            break;
        }
        out[at] += 1;
        left -= 1;
    }
    out
}

/// A year of one place: births by Poisson's law, survival and growth by the multinomial.
fn step(rates: &[[f64; 3]], animals: &[u64], random: &mut ChaCha8Rng) -> Vec<u64> {
    let mut next = vec![0; animals.len()];
    let mut births = 0.0;
    for (j, (count, [stay, grow, offspring])) in animals.iter().zip(rates).enumerate() {
        births += *count as f64 * offspring;
        let alive = binomial(*count, stay + grow, random);
        let on = if stay + grow > 0.0 { binomial(alive, grow / (stay + grow), random) } else { 0 };
        next[j] += alive - on;
        // of the last stage none grows on
        if let Some(older) = next.get_mut(j + 1) {
            *older += on;
        }
    }
    // a sum of Poisson numbers is one of the summed mean
    next[0] += poisson(births, random);
    next
}

/// Keeps those for whom there is room, every stage in proportion.
fn limit(older: &mut [u64], room: f64) {
    let total: u64 = older.iter().sum();
    let most = if room > 0.0 { room.floor() as u64 } else { 0 };
    if total <= most {
        return;
    }
    let shares: Vec<f64> = older.iter().map(|n| *n as f64 / total as f64).collect();
    older.copy_from_slice(&shared_out(most, &shares));
}

fn binomial(n: u64, p: f64, random: &mut ChaCha8Rng) -> u64 {
    if n == 0 || p <= 0.0 {
        return 0;
    }
    // what rounding puts above 1 is 1
    Binomial::new(n, p.min(1.0)).map_or(0, |law| law.sample(random))
}

fn poisson(mean: f64, random: &mut ChaCha8Rng) -> u64 {
    if mean <= 0.0 {
        return 0;
    }
    // a mean beyond what the law can draw is drawn without noise, which is far below its last digit
    Poisson::new(mean).map_or(mean.round() as u64, |law: Poisson<f64>| law.sample(random) as u64)
}

/// Ways out of each place, weighted by probability times the room there; weights go straight from start to end.
struct Links {
    /// By place: the others, and the running sums of their weights at the start and at the end.
    ways: Vec<Vec<(usize, f64, f64)>>,
}

impl Links {
    fn new(group: &Group) -> Self {
        let of = |links: &Vec<(usize, [f64; 2])>| {
            let (mut now, mut then) = (0.0, 0.0);
            links
                .iter()
                .filter_map(|(to, p)| Some((*to, *p, group.rooms.get(*to)?)))
                .map(|(to, p, room)| {
                    now += p[0] * room.now.max(0.0);
                    then += p[1] * room.then.max(0.0);
                    (to, now, then)
                })
                .collect()
        };
        Links { ways: group.links.iter().map(of).collect() }
    }

    /// Moves animals of every place at once; a place without a way to any room keeps its own.
    fn mingle(&self, stages: &[Stage], way: f64, places: &mut [Vec<u64>], random: &mut ChaCha8Rng) {
        let mut coming: Vec<(usize, usize)> = Vec::new();
        for (from, ways) in self.ways.iter().enumerate() {
            let sum = |at: usize| ways[at].1 + (ways[at].2 - ways[at].1) * way;
            let whole = if ways.is_empty() { 0.0 } else { sum(ways.len() - 1) };
            if whole <= 0.0 {
                continue;
            }
            for (stage, kind) in stages.iter().enumerate() {
                let movers = binomial(places[from][stage], kind.moves, random);
                places[from][stage] -= movers;
                for _ in 0..movers {
                    let at = unit(random) * whole;
                    let (mut low, mut high) = (0, ways.len() - 1);
                    while low < high {
                        let middle = (low + high) / 2;
                        if sum(middle) > at { high = middle } else { low = middle + 1 }
                    }
                    coming.push((ways[low].0, stage));
                }
            }
        }
        for (to, stage) in coming {
            places[to][stage] += 1;
        }
    }
}

#[cfg(test)]
mod tests;
