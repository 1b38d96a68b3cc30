//! How wide an animal is spread, how fast that shrinks, and how long a generation is: evidence for assessors.
//!
//! Places are (x, y) in metres on a plane. Nothing here names a category of threat.

/// Area within the shortest boundary about `points` that turns inwards nowhere (extent of occurrence: IUCN 2012, Red List
/// Categories and Criteria 3.1, 2nd ed.): its corners, counter-clockwise from the leftmost (of several the lowest). Corners on
/// a straight side are left out; fewer than three points, or points on one line, give one or two corners, and no area. Points
/// that are not finite are passed over.
///
/// Monotone chain: Andrew 1979, Information Processing Letters 9:216-219 (from memory).
///
/// ```
/// use lentic_numerics::range_measures::{hull, plane_area};
/// let square = [[0.0, 0.0], [1.0, 0.0], [2.0, 0.0], [2.0, 2.0], [0.0, 2.0], [1.0, 1.0]];
/// assert_eq!(hull(&square).len(), 4);
/// assert_eq!(plane_area(&hull(&square)), 4.0);
/// ```
pub fn hull(points: &[[f64; 2]]) -> Vec<[f64; 2]> {
    let mut sorted: Vec<[f64; 2]> =
        points.iter().copied().filter(|p| p.iter().all(|c| c.is_finite())).collect();
    sorted.sort_unstable_by(|a, b| a[0].total_cmp(&b[0]).then(a[1].total_cmp(&b[1])));
    sorted.dedup();
    if sorted.len() < 3 {
        return sorted;
    }
    let mut corners = half(sorted.iter());
    let mut upper = half(sorted.iter().rev());
    // each half ends where the other begins
    corners.pop();
    upper.pop();
    corners.extend(upper);
    corners
}

/// The corners of one half of a hull, from the first to the last of sorted points.
fn half<'a>(points: impl Iterator<Item = &'a [f64; 2]>) -> Vec<[f64; 2]> {
    let mut corners: Vec<[f64; 2]> = Vec::new();
    for point in points {
        while let [.., a, b] = corners[..] {
            if turn(a, b, *point) > 0.0 {
                break;
            }
            corners.pop();
        }
        corners.push(*point);
    }
    corners
}

/// Above 0 where the way from a over b to c turns left.
fn turn(a: [f64; 2], b: [f64; 2], c: [f64; 2]) -> f64 {
    (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])
}

/// Area of a polygon by its corners in order (Gauss's formula), in the square of their unit; 0 for fewer than three.
pub fn plane_area(corners: &[[f64; 2]]) -> f64 {
    let Some(origin) = corners.first() else { return 0.0 };
    // about the first corner, so that large coordinates cost no digits
    let fan = corners.windows(2).map(|pair| turn(*origin, pair[0], pair[1])).sum::<f64>();
    (fan / 2.0).abs()
}

/// A square of `step` metres, by the whole numbers of steps from the origin to its lower left corner.
pub type Square = (i64, i64);

/// The square of side `step` that a place lies in; an edge belongs to the right or upper one.
pub fn square_of(point: [f64; 2], step: f64) -> Square {
    ((point[0] / step).floor() as i64, (point[1] / step).floor() as i64)
}

/// How many squares of `across` x `across` steps are occupied, where the lattice begins `shift` steps right of and above the
/// origin.
pub fn occupied(squares: &[Square], across: i64, shift: (i64, i64)) -> usize {
    let across = across.max(1);
    let mut coarse: Vec<Square> = squares
        .iter()
        .map(|(x, y)| ((x - shift.0).div_euclid(across), (y - shift.1).div_euclid(across)))
        .collect();
    coarse.sort_unstable();
    coarse.dedup();
    coarse.len()
}

/// The fewest squares of `across` x `across` steps that are occupied over every shift of the lattice by whole steps (area of
/// occupancy, least over shifts: IUCN guidelines, section 4.10, from memory); 0 for no squares.
pub fn least_occupied(squares: &[Square], across: i64) -> usize {
    let across = across.max(1);
    let low = |of: fn(&Square) -> i64| squares.iter().map(of).min();
    let high = |of: fn(&Square) -> i64| squares.iter().map(of).max();
    let (Some(left), Some(right)) = (low(|s| s.0), high(|s| s.0)) else { return 0 };
    let (Some(bottom), Some(top)) = (low(|s| s.1), high(|s| s.1)) else { return 0 };
    // one mark per square of the lattice, which covers the squares however it is shifted
    let cols = ((right - left) / across + 2) as usize;
    let rows = ((top - bottom) / across + 2) as usize;
    let mut marks = vec![0u32; rows * cols];
    let mut least = usize::MAX;
    let mut stamp = 0;
    for down in 0..across {
        for aside in 0..across {
            stamp += 1;
            let mut count = 0;
            for (x, y) in squares {
                let col = ((x - left + aside) / across) as usize;
                let row = ((y - bottom + down) / across) as usize;
                let mark = &mut marks[row * cols + col];
                count += usize::from(*mark != stamp);
                *mark = stamp;
            }
            least = least.min(count);
        }
    }
    least
}

/// Years over which a reduction is told: the longer of ten years and three generations, at most 100 (criterion A3, IUCN 2012).
pub fn reduction_years(generation: Option<f64>) -> f64 {
    generation.map_or(10.0, |generation| (3.0 * generation).max(10.0)).min(100.0)
}

/// How a level goes on before, between and after two years in which it is known.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Course {
    /// The same amount every year.
    Linear,
    /// The same share every year.
    Exponential,
}

/// Reduction, as a share of the level at its start (negative: a rise), of a level that is `first` in one year and `second`
/// `between` years later: from `before` years before the first to `after` years after the second (negative: before it). By
/// the guidelines of IUCN on criterion A ("exponential decline", "linear decline"). A level does not fall below 0.
///
/// `None` where a level is below 0 or not finite, the first is 0, years do not pass, or a linear rise gives no start above 0.
///
/// ```
/// use lentic_numerics::range_measures::{Course, reduction};
/// // IUCN guidelines, several subpopulations: 10,000 to 4,000 in 20 years, read over 60
/// let share = reduction(Course::Exponential, 10_000.0, 4_000.0, 20.0, 0.0, 40.0).unwrap();
/// assert!((share - 0.936).abs() < 5e-4);
/// ```
pub fn reduction(
    course: Course,
    first: f64,
    second: f64,
    between: f64,
    before: f64,
    after: f64,
) -> Option<f64> {
    let known = [first, second, between, before, after].iter().all(|v| v.is_finite());
    if !known || first <= 0.0 || second < 0.0 || between <= 0.0 || between + before + after < 0.0 {
        return None;
    }
    match course {
        Course::Exponential if second == 0.0 && between + before + after == 0.0 => Some(0.0),
        Course::Exponential => Some(1.0 - (second / first).powf((between + before + after) / between)),
        Course::Linear => {
            let yearly = (second - first) / between;
            let start = first - yearly * before;
            let end = (second + yearly * after).max(0.0);
            (start > 0.0).then(|| 1.0 - end / start)
        }
    }
}

/// Yearly share by which a level that is `first` and `years` later `second` falls, the same share every year; `None` as
/// [`reduction`].
pub fn yearly_share(first: f64, second: f64, years: f64) -> Option<f64> {
    reduction(Course::Exponential, first, second, years, 0.0, 1.0 - years)
}

/// Mean age of the parents of the newborn, from a life table: sum of x l m over sum of l m, with `survival[x]` the share of
/// those of age x that live to x + 1 and `offspring[x]` those born to one of age x; l is the product of survival below x, 1 at
/// age 0 (IUCN guidelines 15.1, 2022, section 4.4, method 1). The last survival does not matter.
///
/// `None` where lengths differ, a survival lies outside 0 to 1, an offspring is negative, or none is ever born.
pub fn generation_of_life_table(survival: &[f64], offspring: &[f64]) -> Option<f64> {
    let shares = survival.iter().all(|s| (0.0..=1.0).contains(s));
    if survival.len() != offspring.len() || !shares || !offspring.iter().all(|m| *m >= 0.0) {
        return None;
    }
    let (mut living, mut born, mut weighted) = (1.0, 0.0, 0.0);
    for (age, (s, m)) in survival.iter().zip(offspring).enumerate() {
        born += living * m;
        weighted += age as f64 * living * m;
        living *= s;
    }
    (born > 0.0 && weighted.is_finite()).then(|| weighted / born)
}

/// Age of first reproduction plus 1 / yearly mortality of adults (method 2 of the same section); `None` unless mortality is
/// above 0 and at most 1 and the age not negative.
pub fn generation_of_mortality(first_reproduction: f64, adult_mortality: f64) -> Option<f64> {
    let sound = adult_mortality > 0.0 && adult_mortality <= 1.0 && first_reproduction >= 0.0;
    (sound && first_reproduction.is_finite()).then(|| first_reproduction + 1.0 / adult_mortality)
}

/// Age of first reproduction plus `z` times the years of reproduction (method 3 of the same section; z depends on survival
/// and fecundity with age); `None` unless all are finite and not negative.
pub fn generation_of_span(first_reproduction: f64, z: f64, reproductive_years: f64) -> Option<f64> {
    let all = [first_reproduction, z, reproductive_years];
    all.iter().all(|v| v.is_finite() && *v >= 0.0).then_some(first_reproduction + z * reproductive_years)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Seven places, km; hull area and occupied squares by scipy 1.17.1 (`ConvexHull`) and numpy.
    const PLACES: [[f64; 2]; 7] =
        [[0.5, 0.5], [3.2, 0.9], [9.7, 1.1], [10.4, 6.3], [5.5, 5.1], [1.1, 7.9], [4.4, 3.3]];

    /// In steps of 0.1 km; the places lie on whole steps, so they are moved into the middle of theirs.
    fn squares(places: &[[f64; 2]]) -> Vec<Square> {
        places.iter().map(|p| square_of([p[0] + 1e-6, p[1] + 1e-6], 0.1)).collect()
    }

    #[test]
    fn seven_places() {
        let corners = hull(&PLACES);
        assert_eq!(corners, [PLACES[0], PLACES[2], PLACES[3], PLACES[5]]);
        assert!((plane_area(&corners) - 58.6).abs() < 1e-9);
        assert_eq!(occupied(&squares(&PLACES), 20, (0, 0)), 7);
        // 24 km2 of squares of 4 km2
        assert_eq!(least_occupied(&squares(&PLACES), 20), 6);
    }

    #[test]
    fn places_on_a_line_have_no_extent() {
        let line = [[0.0, 0.0], [3.0, 0.0], [9.0, 0.0]];
        assert_eq!(plane_area(&hull(&line)), 0.0);
        assert_eq!(occupied(&squares(&line), 20, (0, 0)) * 4, 12);
        assert!(hull(&[]).is_empty() && plane_area(&[]) == 0.0);
        assert_eq!(hull(&[[1.0, 2.0], [1.0, 2.0], [f64::NAN, 0.0]]), [[1.0, 2.0]]);
        assert_eq!(least_occupied(&[], 20), 0);
    }

    #[test]
    fn published_reductions() {
        // IUCN guidelines on criterion A, several subpopulations: 1.77 % and 4.48 % a year; 6,290 left six years on,
        // reductions of 37 % and 93.6 %; 25,000 twenty years before 10,000, and 1,600 twenty years after 4,000
        assert!((yearly_share(10_000.0, 7_000.0, 20.0).unwrap() - 0.0177).abs() < 5e-5);
        assert!((yearly_share(10_000.0, 4_000.0, 20.0).unwrap() - 0.0448).abs() < 5e-5);
        let pacific = reduction(Course::Exponential, 10_000.0, 7_000.0, 20.0, 0.0, 6.0).unwrap();
        assert!((pacific - 0.37).abs() < 5e-3 && (10_000.0 * (1.0 - pacific) - 6_290.0).abs() < 1.0);
        let before = 1.0 - reduction(Course::Exponential, 10_000.0, 4_000.0, 20.0, 20.0, -20.0).unwrap();
        assert!((10_000.0 / before - 25_000.0).abs() < 1e-6);
        // 20,000 to 14,000 in 20 years read over 60, 20 before and 20 after (figures of the guidelines, from memory;
        // recomputed with numpy)
        let read = |course| reduction(course, 20_000.0, 14_000.0, 20.0, 20.0, 20.0).unwrap();
        assert!((read(Course::Exponential) - 0.657).abs() < 1e-12);
        assert!((read(Course::Linear) - 0.692_307_692_3).abs() < 1e-9);
    }

    #[test]
    fn reductions_that_cannot_be_told() {
        for course in [Course::Linear, Course::Exponential] {
            assert_eq!(reduction(course, 0.0, 1.0, 10.0, 0.0, 0.0), None);
            assert_eq!(reduction(course, 1.0, -1.0, 10.0, 0.0, 0.0), None);
            assert_eq!(reduction(course, 1.0, 0.5, 0.0, 0.0, 0.0), None);
            assert_eq!(reduction(course, 1.0, f64::NAN, 10.0, 0.0, 0.0), None);
            assert_eq!(reduction(course, 5.0, 0.0, 10.0, 0.0, 5.0), Some(1.0));
            assert_eq!(reduction(course, 5.0, 5.0, 10.0, 3.0, 5.0), Some(0.0));
        }
        // a linear rise from nothing has no start
        assert_eq!(reduction(Course::Linear, 1.0, 2.0, 10.0, 20.0, 0.0), None);
        assert!(reduction(Course::Linear, 1.0, 2.0, 10.0, 0.0, 0.0).unwrap() < 0.0);
        assert_eq!([None, Some(2.0), Some(12.0), Some(37.0)].map(reduction_years), [10.0, 10.0, 36.0, 100.0]);
    }

    #[test]
    fn three_ways_to_a_generation() {
        // IUCN guidelines 15.1, section 4.4: 1/(1 - 0.96) + 18, and 18 + 0.29 x 40
        assert!((generation_of_mortality(18.0, 0.04).unwrap() - 43.0).abs() < 1e-12);
        assert!((generation_of_span(18.0, 0.29, 40.0).unwrap() - 29.6).abs() < 1e-12);
        // with survival s from the first reproduction on and the same offspring at every age the mean is
        // age + s/(1 - s), one less than method 2 (geometric series)
        let survival = vec![0.9; 2000];
        let offspring: Vec<f64> = (0..2000).map(|age| f64::from(u8::from(age >= 10))).collect();
        assert!((generation_of_life_table(&survival, &offspring).unwrap() - 19.0).abs() < 1e-9);
        assert_eq!(generation_of_life_table(&[0.5, 0.5], &[0.0, 0.0]), None);
        assert_eq!(generation_of_life_table(&[1.5, 0.5], &[0.0, 1.0]), None);
        assert_eq!(generation_of_life_table(&[0.5], &[0.0, 1.0]), None);
        assert_eq!(generation_of_mortality(3.0, 0.0), None);
        assert_eq!(generation_of_span(3.0, -0.1, 5.0), None);
    }

    proptest! {
        /// Every point lies within the hull, and adding points never makes it smaller.
        #[test]
        fn a_hull_holds_its_points(points in prop::collection::vec([-1e4..1e4f64, -1e4..1e4f64], 3..40)) {
            let corners = hull(&points);
            let n = corners.len();
            for point in &points {
                for at in 0..n {
                    prop_assert!(turn(corners[at], corners[(at + 1) % n], *point) >= -1e-3);
                }
            }
            prop_assert!(plane_area(&corners) >= plane_area(&hull(&points[..points.len() - 1])) - 1e-6);
        }

        /// The least over shifts is the least of all shifts looked at one by one.
        #[test]
        fn the_least_is_the_least_of_all(points in prop::collection::vec((-60i64..60, -60i64..60), 1..30), across in 1i64..7) {
            let slow = (0..across).flat_map(|a| (0..across).map(move |b| (a, b)))
                .map(|shift| occupied(&points, across, shift)).min().unwrap();
            prop_assert_eq!(least_occupied(&points, across), slow);
            prop_assert!(slow <= occupied(&points, across, (0, 0)));
        }
    }
}
