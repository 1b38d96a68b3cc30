use super::*;
use crate::stage_matrix::growth;

/// An invented turtle: hatchlings, juveniles, adults.
fn turtle() -> Vec<Stage> {
    let stage = |stay, grow, offspring, moves| Stage {
        stay,
        grow,
        offspring,
        moves,
        drought_survival: 0.8,
        drought_offspring: 0.2,
    };
    vec![stage(0.0, 0.35, 0.0, 0.0), stage(0.62, 0.12, 0.0, 0.05), stage(0.93, 0.0, 1.1, 0.02)]
}

fn life<'a>(stages: &'a [Stage], structure: &'a [f64]) -> Life<'a> {
    Life { stages, structure, filled: 1.0 }
}

fn roomy(now: f64) -> Group {
    Group { rooms: vec![Room { now, then: now }], links: vec![vec![]] }
}

fn calm(count: usize) -> Years {
    Years { drought: vec![false; count] }
}

/// Without drought and with room, the mean course over replicates grows by lambda a year; stable structure from the start.
#[test]
fn growth_without_drought_is_lambda() {
    let stages = turtle();
    let expected = growth(&matrix(&stages, false)).unwrap();
    let mut group = roomy(2000.0);
    group.rooms[0].then = 1e9;
    // room opens at once, so that only the first year could meet the ceiling
    let years = calm(20);
    let replicates = 400;
    let end: f64 = (0..replicates)
        .map(|r| course(&life(&stages, &expected.stable), &group, &years, 5, r, 0).0[20] as f64)
        .sum::<f64>()
        / replicates as f64;
    let mean = (end / 2000.0).powf(1.0 / 20.0);
    // standard error of the mean growth is near 2e-4 with 2,000 animals and 400 replicates
    assert!((mean - expected.lambda).abs() < 1e-3, "{mean} {}", expected.lambda);
}

/// One step of many animals has the mean of the matrix and the variance of its laws (binomial n p (1 - p), Poisson n f).
#[test]
fn one_year_by_its_laws() {
    let stages = turtle();
    let rates: Vec<[f64; 3]> = stages.iter().map(|s| s.rates(false)).collect();
    let mut random = stream(1, 0, 1);
    let (n, draws) = (400u64, 20_000);
    let steps: Vec<Vec<u64>> = (0..draws).map(|_| step(&rates, &[0, 0, n], &mut random)).collect();
    let moments = |stage: usize| {
        let mean = steps.iter().map(|s| s[stage] as f64).sum::<f64>() / draws as f64;
        let variance = steps.iter().map(|s| (s[stage] as f64 - mean).powi(2)).sum::<f64>() / draws as f64;
        (mean, variance)
    };
    let (births, spread) = moments(0);
    assert!((births - 440.0).abs() < 5.0 * (440.0f64 / draws as f64).sqrt(), "{births}");
    assert!((spread / 440.0 - 1.0).abs() < 0.06, "{spread}");
    let (adults, spread) = moments(2);
    assert!((adults - 372.0).abs() < 5.0 * (26.04f64 / draws as f64).sqrt(), "{adults}");
    assert!((spread / 26.04 - 1.0).abs() < 0.06, "{spread}");
}

/// Chance of dying out of one animal that never breeds, with yearly survival 0.93: 1 - 0.93^10 after ten years.
#[test]
fn one_animal_lives_by_its_survival() {
    let mut stages = turtle();
    stages[2].offspring = 0.0;
    let structure = [0.0, 0.0, 1.0];
    let replicates = 20_000;
    let gone = (0..replicates)
        .filter(|r| !course(&life(&stages, &structure), &roomy(1.0), &calm(10), 3, *r, 0).1)
        .count() as f64
        / replicates as f64;
    let expected = 1.0 - 0.93f64.powi(10);
    assert!(
        (gone - expected).abs() < 4.0 * (expected * (1.0 - expected) / replicates as f64).sqrt(),
        "{gone}"
    );
}

#[test]
fn the_ceiling_takes_from_every_stage_but_the_first() {
    let mut older = vec![60, 30, 10];
    limit(&mut older, 50.9);
    assert_eq!(older, [30, 15, 5]);
    limit(&mut older, 50.0);
    assert_eq!(older, [30, 15, 5]);
    limit(&mut older, 0.4);
    assert_eq!(older, [0, 0, 0]);
    // 7 of 10 by 3:3:4 are 2.1, 2.1 and 2.8: the rest goes to the largest remainder
    assert_eq!(shared_out(7, &[0.3, 0.3, 0.4]), [2, 2, 3]);
    // no year ends above its room
    let stages = turtle();
    let structure = growth(&matrix(&stages, false)).unwrap().stable;
    let group = Group { rooms: vec![Room { now: 200.0, then: 40.0 }], links: vec![vec![]] };
    let (course, _) = course(&life(&stages, &structure), &group, &calm(16), 1, 0, 0);
    for (year, animals) in course.iter().enumerate() {
        assert!(*animals as f64 <= 200.0 - 10.0 * year as f64, "{course:?}");
    }
    assert_eq!(course[0], 200);
}

#[test]
fn drought_years_come_on_as_the_horizon_nears() {
    let (now, then) = (vec![false; 30], vec![true; 30]);
    let replicates = 4000;
    let mut counts = [0.0; 10];
    for r in 0..replicates {
        for (count, drought) in counts.iter_mut().zip(years(9, r, 10, &now, &then).drought) {
            *count += f64::from(u8::from(drought));
        }
    }
    for (year, count) in counts.iter().enumerate() {
        let expected = (year + 1) as f64 / 10.0;
        let error = (expected * (1.0 - expected) / replicates as f64).sqrt();
        assert!((count / replicates as f64 - expected).abs() <= 4.0 * error, "{counts:?}");
    }
    // the same years of start and end: their share is that of the record
    let record: Vec<bool> = (0..30).map(|y| y % 5 == 0).collect();
    let drought: usize =
        (0..2000).map(|r| years(9, r, 20, &record, &record).drought.iter().filter(|d| **d).count()).sum();
    assert!((drought as f64 / 40_000.0 - 0.2).abs() < 4.0 * (0.16f64 / 40_000.0).sqrt());
    assert_eq!(years(9, 0, 3, &[], &[]).drought, [false; 3]);
}

/// In every drought year a large population shrinks by the drought's own growth.
#[test]
fn growth_in_drought_is_that_of_the_drought_matrix() {
    let stages = turtle();
    let expected = growth(&matrix(&stages, true)).unwrap();
    let years = Years { drought: vec![true; 10] };
    let (course, _) = course(&life(&stages, &expected.stable), &roomy(2e6), &years, 5, 0, 0);
    let mean = (course[10] as f64 / 2e6).powf(0.1);
    assert!((mean - expected.lambda).abs() < 1e-3, "{mean} {}", expected.lambda);
}

/// Animals leave for places with room, none is lost or made on the way, and an empty place is settled.
#[test]
fn movement_keeps_the_number() {
    let mut stages = turtle();
    stages.iter_mut().for_each(|s| s.moves = 0.5);
    let group = Group {
        rooms: [100.0, 300.0, 0.0, 50.0].map(|now| Room { now, then: now }).to_vec(),
        links: vec![
            vec![(1, [1.0; 2]), (2, [1.0; 2])],
            vec![(0, [1.0; 2]), (2, [0.5; 2])],
            vec![(0, [1.0; 2])],
            vec![],
        ],
    };
    let mut places = vec![vec![0, 40, 60], vec![0, 0, 0], vec![0, 0, 0], vec![5, 20, 30]];
    let mut random = stream(2, 0, 1);
    Links::new(&group).mingle(&stages, 0.5, &mut places, &mut random);
    let total: u64 = places.iter().flatten().sum();
    assert_eq!(total, 155);
    // to the place with room only, about half of 100; the place without a way keeps its own
    assert_eq!(places[2], [0, 0, 0]);
    assert_eq!(places[3], [5, 20, 30]);
    let moved: u64 = places[1].iter().sum();
    assert!((30..=70).contains(&moved), "{moved}");
}

/// Destinations are drawn in proportion to probability times room.
#[test]
fn ways_are_taken_by_their_weight() {
    let mut stages = turtle();
    stages.iter_mut().for_each(|s| s.moves = 1.0);
    let group = Group {
        rooms: vec![
            Room { now: 1.0, then: 1.0 },
            Room { now: 10.0, then: 30.0 },
            Room { now: 40.0, then: 0.0 },
        ],
        links: vec![vec![(1, [0.5, 0.1]), (2, [0.25, 0.9])], vec![], vec![]],
    };
    // weights 5 and 10 at the start, 3 and 0 at the end: half way 4 and 5
    let mut places = vec![vec![0, 0, 30_000], vec![0, 0, 0], vec![0, 0, 0]];
    Links::new(&group).mingle(&stages, 0.5, &mut places, &mut stream(4, 0, 1));
    let share = places[1][2] as f64 / 30_000.0;
    assert!((share - 4.0 / 9.0).abs() < 4.0 * (20.0f64 / 81.0 / 30_000.0).sqrt(), "{share}");
    assert_eq!(places[0][2], 0);
}

#[test]
fn the_same_seed_is_the_same_course() {
    let stages = turtle();
    let structure = growth(&matrix(&stages, false)).unwrap().stable;
    let of = |seed, replicate, group| {
        let years = years(seed, replicate, 30, &[false, true], &[true]);
        course(&life(&stages, &structure), &roomy(80.0), &years, seed, replicate, group)
    };
    assert_eq!(of(1, 7, 2), of(1, 7, 2));
    assert_ne!(of(1, 7, 2).0, of(1, 8, 2).0);
    assert_ne!(of(1, 7, 2).0, of(1, 7, 3).0);
    assert_ne!(of(1, 7, 2).0, of(2, 7, 2).0);
}
