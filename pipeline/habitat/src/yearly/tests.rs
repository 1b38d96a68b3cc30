use super::draw::{draw, units};
use super::*;
use crate::drawdown::curve::Bound;
use crate::response::Design;
use crate::water::{MonthAxis, bit};
use lentic_numerics::seed::split_mix;
use lentic_study::settings::{Average, Measure};
use proptest::prelude::*;

fn axis(first: &str, len: usize) -> MonthAxis {
    MonthAxis { first: first.parse().unwrap(), len }
}

/// A design of `years` years from January 1990 without drought: p depends on the season only.
fn steady(years: usize) -> Design {
    let axis = axis("1990-01", 12 * years);
    Design::new(&axis, &vec![Some(0.0); axis.len])
}

fn chance(lag1: f64, cell: u64) -> Chance<'static> {
    Chance { lag1, cell, numbers: None }
}

fn logit(p: f64) -> f64 {
    (p / (1.0 - p)).ln()
}

const SPELL: Measure = Measure::LongestWetSpell { average: Average::Score };

/// Sequences of n tosses whose longest run of heads is at most 3 are counted by the tetranacci numbers, at most 2 by the
/// tribonacci numbers (Schilling 1990, "The longest run of heads", College Math. J. 21:196-207; sequences OEIS A000078 and A000073;
/// from memory): for n = 12 they are 2872 and 1705; without two heads in a row, Fibonacci: 377.
#[test]
fn longest_runs_are_counted_as_published() {
    let at_most = |k: u8| (0u16..4096).filter(|year| longest_run(*year) <= k).count();
    assert_eq!([at_most(0), at_most(1), at_most(2), at_most(3), at_most(12)], [1, 377, 1705, 2872, 4096]);
    assert_eq!(longest_run(0b0110_1110_0111), 3);
}

/// With even odds and no dependence the drawn years have those frequencies.
#[test]
fn independent_years_have_the_published_frequencies() {
    let design = steady(30);
    let drawer = Drawer::new(&design, &[&SPELL], 1, &[], 1000);
    let mut room = Room::default();
    let tally = drawer.cell(&design, &[0.0; 4], 0.0, chance(0.0, 77), &mut room)[0];
    assert_eq!(tally.years(), 30_000);
    for (k, expected) in [(1, 377.0), (2, 1705.0), (3, 2872.0)] {
        let found = f64::from(tally.0[..=k].iter().sum::<u32>()) / 30_000.0;
        let expected: f64 = expected / 4096.0;
        let error = (expected * (1.0 - expected) / 30_000.0).sqrt();
        assert!((found - expected).abs() < 4.0 * error, "{k}: {found} {expected}");
    }
}

/// The mean of the drawn years is the expected hydroperiod, whatever the dependence; wetness of neighbouring months is correlated
/// by the share of numbers kept.
#[test]
fn drawn_months_have_the_probability_and_the_dependence_asked_for() {
    let design = steady(50);
    for (p, r) in [(0.3, 0.0), (0.3, 0.6), (0.8, 0.9)] {
        let limits = vec![units(p); 600];
        let (mut wet, mut both) = (0u32, 0u32);
        let mut bits = Vec::new();
        let series = 400u32;
        for realisation in 0..u64::from(series) {
            draw(split_mix(realisation), 0, units(r), &limits, &mut bits);
            wet += bits.iter().map(|word| word.count_ones()).sum::<u32>();
            both += (1..600).map(|t| u32::from(bit(&bits, t) && bit(&bits, t - 1))).sum::<u32>();
        }
        let mean = f64::from(wet) / f64::from(600 * series);
        // a dependent series of n months is worth n (1 - r) / (1 + r) independent ones
        let worth = f64::from(600 * series) * (1.0 - r) / (1.0 + r);
        assert!((mean - p).abs() < 4.0 * (p * (1.0 - p) / worth).sqrt(), "{p} {r}: {mean}");
        let pairs = f64::from(both) / f64::from(599 * series);
        let correlation = (pairs - p * p) / (p * (1.0 - p));
        assert!((correlation - r).abs() < 0.03, "{p} {r}: {correlation}");
    }
    // months wet in a season of twelve months that are all warm: their mean is the hydroperiod
    let warm = Measure::WetAndWarmMonths { window_c: [-50.0, 50.0], average: Average::Score };
    let drawer = Drawer::new(&design, &[&warm], 1, &vec![20.0; 600], 400);
    let beta = [logit(0.4), 0.0, 1.2, -0.7];
    let mean = drawer.cell(&design, &beta, 0.0, chance(0.5, 3), &mut Room::default())[0].measure();
    assert!((mean - design.hydroperiod(&beta, 0.0)).abs() < 0.03, "{mean}");
}

#[test]
fn sure_water_and_no_water() {
    let design = steady(5);
    let reached = Measure::YearsWithSpell { months: 6, season: [10, 3] };
    let drawer = Drawer::new(&design, &[&SPELL, &reached], 1, &[], 3);
    let mut room = Room::default();
    let always = drawer.cell(&design, &[60.0, 0.0, 0.0, 0.0], 0.0, chance(0.5, 1), &mut room).to_vec();
    // five water years; four winters from October to March lie whole within them
    assert_eq!((always[0].years(), always[0].measure()), (15, 12.0));
    assert_eq!((always[1].years(), always[1].measure()), (12, 1.0));
    let never = drawer.cell(&design, &[-60.0, 0.0, 0.0, 0.0], 0.0, chance(0.5, 1), &mut room);
    assert_eq!((never[0].measure(), never[1].measure()), (0.0, 0.0));
}

/// The same cell under the same conditions is drawn alike to the bit, and drier conditions can only take months away: the numbers
/// are common to all cases.
#[test]
fn numbers_are_common_to_all_cases() {
    let design = steady(30);
    let drawer = Drawer::new(&design, &[&SPELL], 4, &[], 10);
    let beta = [0.3, 0.0, 1.0, 0.5];
    let mut room = Room::default();
    for cell in 0..50 {
        let before = drawer.cell(&design, &beta, 0.0, chance(0.6, cell), &mut room)[0];
        assert_eq!(drawer.cell(&design, &beta, 0.0, chance(0.6, cell), &mut room)[0], before);
        let after = drawer.cell(&design, &beta, -0.8, chance(0.6, cell), &mut room)[0];
        assert!(after.measure() < before.measure());
    }
    let one = drawer.cell(&design, &beta, 0.0, chance(0.6, 1), &mut room)[0];
    let mut logits = Vec::new();
    design.bounded_logits(&[beta], Bound::Lowest, 0.0, &mut logits);
    assert_eq!(drawer.cell_of_logits(&design, &logits, chance(0.6, 1), &mut room)[0], one);
    assert_ne!(drawer.cell(&design, &beta, 0.0, chance(0.6, 2), &mut room)[0], one);
}

/// Months without an index lie between their neighbours, and years not whole are left out.
#[test]
fn months_without_z_and_years_not_whole() {
    let axis = axis("1990-03", 40);
    let mut z = vec![Some(0.0); 40];
    z[0] = None;
    z[7] = None;
    z[39] = None;
    let design = Design::new(&axis, &z);
    let span = Span::of_design(&design).unwrap();
    assert_eq!(span, Span { first: 1, calendar: 3, len: 38 });
    // water years from July: July 1990 to June 1991, ..., June 1993; April 1990 is the first month
    assert_eq!(span.years(6, 12).collect::<Vec<_>>(), [3, 15]);
    let drawer = Drawer::new(&design, &[&SPELL], 7, &[], 1);
    let mut p = Vec::new();
    let beta = [0.2, 0.0, 1.0, 0.4];
    let mut blocks = Vec::new();
    design.probabilities(&beta, 0.1, &mut blocks);
    drawer.probabilities(&design, &blocks, &mut p);
    let third = design.months().nth(2).unwrap();
    assert_eq!((third.at, p[2]), (3, design.probability(&third, &beta, 0.1)));
    assert_eq!(p.len(), 38);
    assert!((p[6] - f64::midpoint(p[5], p[7])).abs() < 1e-15 && p[5] != p[7]);
    assert!(p.iter().all(|p| (0.0..=1.0).contains(p)));
}

#[test]
fn seasons_round_the_end_of_the_year() {
    let span = Span::of_axis(&axis("1990-01", 36));
    let winter =
        YearPlan::new(&Measure::YearsWithSpell { months: 2, season: [11, 2] }, span, 1, &[]).unwrap();
    assert_eq!(winter.years.iter().map(|year| year.at).collect::<Vec<_>>(), [10, 22]);
    assert_eq!(winter.years[0].months, 0b1111);
    let one = YearPlan::new(&Measure::YearsWithSpell { months: 1, season: [5, 5] }, span, 1, &[]).unwrap();
    assert_eq!((one.years.len(), one.years[0].months), (3, 1));
    // wet in December and January of the first winter: two months in a row round New Year
    let wet = [1 << 11 | 1 << 12];
    assert_eq!(winter.of_record(&[u64::MAX], &wet).0[..2], [1, 1]);
    assert!(YearPlan::new(&Measure::Hydroperiod, span, 1, &[]).is_none());
}

#[test]
fn warm_months_by_hand() {
    let span = Span::of_axis(&axis("1990-01", 12));
    let warm = Measure::WetAndWarmMonths { window_c: [16.0, 33.0], average: Average::Score };
    let mut temperature = vec![10.0; 12];
    temperature[..4].copy_from_slice(&[16.0, 33.0, 33.1, f64::NAN]);
    let plan = YearPlan::new(&warm, span, 1, &temperature).unwrap();
    assert_eq!(plan.of_record(&[0xFFF], &[0xFFF]).measure(), 2.0);
    assert_eq!(plan.of_record(&[0xFFF], &[0b1110]).measure(), 1.0);
    // five months seen of twelve: no year
    assert!(plan.of_record(&[0b1_1111], &[0b1_1111]).measure().is_nan());
}

fn bits(record: &str) -> (Vec<u64>, Vec<u64>) {
    let mut rows = (vec![0u64; record.len().div_ceil(64)], vec![0u64; record.len().div_ceil(64)]);
    for (at, state) in record.bytes().enumerate() {
        rows.0[at / 64] |= u64::from(state != b'?') << (at % 64);
        rows.1[at / 64] |= u64::from(state == b'#') << (at % 64);
    }
    rows
}

#[test]
fn gaps_between_wet_months_are_closed() {
    let closed = |record: &str| {
        let (observed, wet) = bits(record);
        let filled = filled(&observed, &wet);
        (0..record.len()).map(|at| if bit(&filled, at) { '#' } else { '.' }).collect::<String>()
    };
    assert_eq!(closed("#?#??#???#?.?#"), "######...#...#");
    assert_eq!(closed("??##??"), "..##..");
}

/// `#` wet, `.` dry, `?` not seen; water years from January.
#[test]
fn wet_spells_by_hand() {
    let found = |record: &str| {
        let (observed, wet) = bits(record);
        wet_spells(&observed, &wet, &axis("1990-01", record.len()), 1)
    };
    // wet from March to July in one year, April to September in the next; dries in August and October
    let two = found("..#####........######...").unwrap();
    assert_eq!((two.mean, two.drying, two.dried), (5.5, Some(8), 1.0));
    // wet to the end of the year and dry in January: it dries in January
    let over = found("......######............").unwrap();
    assert_eq!((over.mean, over.drying, over.dried), (3.0, Some(1), 0.5));
    // always wet: never dries; unseen next month: not known to dry
    assert_eq!(found("############").map(|s| (s.mean, s.drying)), Some((12.0, None)));
    assert_eq!(found("..####?.....").map(|s| (s.mean, s.drying)), Some((4.0, None)));
    assert_eq!(found("#####???????"), None);
}

proptest! {
    /// Windows of a series by bits against the months one by one.
    #[test]
    fn tallies_equal_a_plain_count(
        states in prop::collection::vec(any::<bool>(), 24..200),
        first in 0i32..12, starts in 1u32..13, season in (1u32..13, 1u32..13), months in 1usize..7,
    ) {
        let first = "1990-01".parse::<lentic_study::Month>().unwrap().plus(first);
        let axis = MonthAxis { first, len: states.len() };
        let span = Span::of_axis(&axis);
        let mut wet = vec![0u64; axis.words()];
        states.iter().enumerate().filter(|(_, s)| **s).for_each(|(at, _)| wet[at / 64] |= 1 << (at % 64));
        let longest = |part: &[bool]| part.split(|wet| !wet).map(<[bool]>::len).max().unwrap_or(0);
        let calendar = |at: usize| first.plus(at as i32).calendar();
        let stretches = |start: u32, len: usize| -> Vec<&[bool]> {
            (0..states.len()).filter(|at| calendar(*at) == start && at + len <= states.len())
                .map(|at| &states[at..at + len]).collect()
        };
        let seen = vec![u64::MAX; axis.words()];
        let spell = YearPlan::new(&SPELL, span, starts, &[]).unwrap().of_record(&seen, &wet);
        let mut slow = Tally::default();
        stretches(starts, 12).iter().for_each(|year| slow.0[longest(year)] += 1);
        prop_assert_eq!(spell, slow);
        let measure = Measure::YearsWithSpell { months, season: [season.0, season.1] };
        let reached = YearPlan::new(&measure, span, starts, &[]).unwrap().of_record(&seen, &wet);
        let len = (season.1 + 12 - season.0) as usize % 12 + 1;
        let mut slow = Tally::default();
        stretches(season.0, len).iter().for_each(|part| slow.0[usize::from(longest(part) >= months)] += 1);
        prop_assert_eq!(reached, slow);
    }
}

proptest! {
    /// Numbers kept for many draws give the very years that are drawn without.
    #[test]
    fn kept_numbers_change_nothing(
        a in -6.0..6.0f64, b in 0.0..2.0f64, lag1 in 0.0..1.0f64, cell: u64, years in 1usize..40, shift in -3.0..3.0f64,
    ) {
        let axis = axis("1990-04", 12 * years + 5);
        let z: Vec<Option<f64>> = (0..axis.len).map(|at| (at > 2).then(|| (at as f64 * 0.7).sin() * 2.0)).collect();
        let design = Design::new(&axis, &z);
        let reached = Measure::WetAndWarmMonths { window_c: [16.0, 33.0], average: Average::Score };
        let drawer = Drawer::new(&design, &[&SPELL, &reached], 10, &vec![20.0; axis.len], 7);
        let beta = [a, b, 1.0, -0.5];
        let mut numbers = Vec::new();
        drawer.numbers(lag1, cell, &mut numbers);
        prop_assert_eq!(numbers.len(), drawer.numbers_of_a_cell());
        let drawn = drawer.cell(&design, &beta, shift, chance(lag1, cell), &mut Room::default()).to_vec();
        let kept = Chance { numbers: Some(&numbers), ..chance(lag1, cell) };
        prop_assert_eq!(drawer.cell(&design, &beta, shift, kept, &mut Room::default()).to_vec(), drawn);
        // p of 0 and of 1 in every month
        for beta in [[-60.0, 0.0, 0.0, 0.0], [800.0, 0.0, 0.0, 0.0], [-900.0, 0.0, 0.0, 0.0]] {
            let drawn = drawer.cell(&design, &beta, 0.0, chance(lag1, cell), &mut Room::default()).to_vec();
            prop_assert_eq!(drawer.cell(&design, &beta, 0.0, kept, &mut Room::default()).to_vec(), drawn);
        }
    }
}
