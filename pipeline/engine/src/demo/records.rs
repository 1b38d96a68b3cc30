//! Records of the invented turtle, with the flaws real tables have: vague, doubled, swapped, undated.

use super::DemoSize;
use super::climate::LATITUDE;
use super::draws::{Draws, Purpose};
use super::terrain::{CELL_M, Terrain};
use std::fmt::Write;

/// Degrees east of the projection's centre.
pub(super) const LONGITUDE: f64 = -18.0;

/// The table as text: Darwin Core terms as column names (Darwin Core standard, TDWG).
pub(super) fn table(size: DemoSize, seed: u64, terrain: &Terrain, hydroperiod: &[f32]) -> String {
    let mut draws = Draws::new(seed, Purpose::Records, 0);
    let home: Vec<usize> =
        (0..hydroperiod.len()).filter(|c| hydroperiod[*c] >= 5.0 && terrain.inside[*c]).collect();
    let mut text = String::from(
        "occurrenceID,decimalLatitude,decimalLongitude,coordinateUncertaintyInMeters,eventDate,\
         occurrenceStatus,individualCount\n",
    );
    if home.is_empty() {
        return text;
    }
    let mut last = String::new();
    for number in 0..size.records() {
        let flaw = draws.unit();
        if flaw < 0.06 && !last.is_empty() {
            // The same finding entered twice, under a new number.
            let _ = writeln!(text, "TMT-{number:04},{last}");
            continue;
        }
        let absent = draws.unit() < 0.10;
        let cell = if absent { draws.below(hydroperiod.len()) } else { home[draws.below(home.len())] };
        let (row, col) = (cell / terrain.cols, cell % terrain.cols);
        let x = (col as f64 + draws.unit() - terrain.cols as f64 / 2.0) * CELL_M;
        let y = (terrain.rows as f64 / 2.0 - row as f64 - draws.unit()) * CELL_M;
        let (latitude, longitude) = degrees(x, y);
        let year = 1994 + draws.below(27);
        let (month, day) = (1 + draws.below(12), 1 + draws.below(28));
        let mut place = format!("{latitude:.5},{longitude:.5}");
        let mut within = ["5", "10", "15", "30", "50", "100"][draws.below(6)].to_string();
        let mut date = format!("{year}-{month:02}-{day:02}");
        match flaw {
            f if f < 0.10 => {
                // Only a map square was noted.
                place = format!("{latitude:.2},{longitude:.2}");
                within = "1500".to_string();
            }
            f if f < 0.14 => within = String::new(),
            f if f < 0.16 => place = format!("{longitude:.5},{latitude:.5}"),
            f if f < 0.22 => date = format!("{year}-{month:02}"),
            f if f < 0.26 => date = format!("{year}"),
            f if f < 0.28 => date = String::new(),
            _ => {}
        }
        let (status, count) = if absent {
            ("absent", "0".to_string())
        } else if draws.unit() < 0.3 {
            ("present", String::new())
        } else {
            ("present", format!("{}", 1 + draws.below(6)))
        };
        last = format!("{place},{within},{date},{status},{count}");
        let _ = writeln!(text, "TMT-{number:04},{last}");
    }
    text
}

/// Latitude and longitude (WGS 84, degrees) of a point `x` metres east and `y` metres north of the projection's centre:
/// the first terms of the series about the centre, good to well under a metre in a basin of this size.
pub(super) fn degrees(x: f64, y: f64) -> (f64, f64) {
    // WGS 84: semi-major axis and square of the eccentricity.
    let (a, e2) = (6_378_137.0, 0.006_694_379_990_14);
    let centre = LATITUDE.to_radians();
    let root = (1.0 - e2 * centre.sin().powi(2)).sqrt();
    let across = a / root;
    let along = a * (1.0 - e2) / root.powi(3);
    let latitude = centre + y / along - x * x * centre.tan() / (2.0 * across * along);
    let longitude = x / (across * latitude.cos());
    (latitude.to_degrees(), LONGITUDE + longitude.to_degrees())
}
