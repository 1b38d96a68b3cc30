//! What grows and stands where: wetland classes, land cover now and later, zones, roads.

use super::DemoSize;
use super::draws::{Draws, Noise, Purpose};
use super::terrain::{Terrain, units};

/// The class layers and the road mask, one value per cell.
pub(super) struct Cover {
    pub wetland_class: Vec<u8>,
    pub land_cover: Vec<u8>,
    pub land_cover_2050: Vec<u8>,
    pub zones: Vec<u8>,
    pub roads: Vec<u8>,
}

const ROAD: u8 = 6;
const CROPLAND: u8 = 5;
/// The zone whose cropland grows until 2050.
const GROWING_ZONE: u8 = 2;

impl Cover {
    /// From the ground and the true hydroperiod (months per year).
    pub(super) fn new(size: DemoSize, seed: u64, terrain: &Terrain, hydroperiod: &[f32]) -> Self {
        let (rows, cols) = (terrain.rows, terrain.cols);
        let mut draws = Draws::new(seed, Purpose::LandCover, 0);
        let bush = Noise::new(&mut draws, rows, cols, 40.0 * size.scale(), 3);
        let border = Noise::new(&mut draws, rows, cols, cols as f64 / 6.0, 3);
        let farms = Noise::new(&mut draws, rows, cols, cols as f64 / 8.0, 2);
        let zones = zones(terrain, &border);
        let roads = roads(terrain, &border);
        let wetland_class = (0..rows * cols).map(|cell| wetland_class(terrain, hydroperiod, cell)).collect();

        // Fields are blocks of cells; one draw per field decides from when on it is ploughed.
        let (high, wide) = (size.field(), size.field() + 2);
        let across = cols.div_ceil(wide);
        let wish: Vec<f64> = (0..rows.div_ceil(high) * across).map(|_| draws.unit()).collect();
        let ploughed = |cell: usize, later: bool| {
            let (row, col) = (cell / cols, cell % cols);
            let (field_row, field_col) = (row / high, col / wide);
            let corner = farms.at(field_row * high, field_col * wide);
            let zone = zones[(field_row * high) * cols + (field_col * wide)];
            let share = match (zone, later) {
                (GROWING_ZONE, false) => 0.22,
                (GROWING_ZONE, true) => 0.60,
                (1, _) => 0.06,
                (3, _) => 0.10,
                _ => 0.03,
            };
            wish[field_row * across + field_col] < share * (1.0 + 0.9 * corner)
        };
        let near_water =
            |cell: usize, reach: i64| around(rows, cols, cell, reach).any(|c| hydroperiod[c] > 0.5);
        let cover = |later: bool| -> Vec<u8> {
            (0..rows * cols)
                .map(|cell| {
                    // Today's fields keep a strip off the water; later ones go to its very edge.
                    let strip = if later { 0 } else { 3 };
                    if roads[cell] == 1 || homestead(terrain, cell) {
                        ROAD
                    } else if hydroperiod[cell] >= 9.0 {
                        1
                    } else if hydroperiod[cell] >= 0.8 {
                        if later && hydroperiod[cell] < 4.0 && ploughed(cell, true) { CROPLAND } else { 2 }
                    } else if ploughed(cell, later) && !near_water(cell, strip) {
                        CROPLAND
                    } else if bush.at(cell / cols, cell % cols) > 0.08 {
                        3
                    } else {
                        4
                    }
                })
                .collect()
        };
        let (land_cover, land_cover_2050) = (cover(false), cover(true));
        Cover { wetland_class, land_cover, land_cover_2050, zones, roads }
    }
}

/// Cells within `reach` rows and columns of a cell.
pub(super) fn around(rows: usize, cols: usize, cell: usize, reach: i64) -> impl Iterator<Item = usize> {
    let (row, col) = ((cell / cols) as i64, (cell % cols) as i64);
    let lines = (row - reach).max(0)..=(row + reach).min(rows as i64 - 1);
    lines.flat_map(move |r| {
        ((col - reach).max(0)..=(col + reach).min(cols as i64 - 1))
            .map(move |c| (r as usize) * cols + c as usize)
    })
}

/// 0 upland, 1 open pool, 2 seasonal marsh, 3 spring-fed marsh, 4 shrub swamp.
fn wetland_class(terrain: &Terrain, hydroperiod: &[f32], cell: usize) -> u8 {
    let months = hydroperiod[cell];
    let spring = match terrain.pool[cell] {
        0 => return 0,
        id => terrain.pools[id as usize - 1].spring_fed(),
    };
    match (months, spring) {
        (m, _) if m <= 0.0 => 0,
        (_, true) => 3,
        (m, _) if m >= 7.5 => 1,
        (m, _) if m >= 3.0 => 2,
        _ => 4,
    }
}

/// 1 northern slopes, 2 eastern flats, 3 spring line, 4 sink.
fn zones(terrain: &Terrain, border: &Noise) -> Vec<u8> {
    let (rows, cols) = (terrain.rows, terrain.cols);
    (0..rows * cols)
        .map(|cell| {
            let (x, y) = units(rows, cols, (cell / cols) as f64, (cell % cols) as f64);
            let bend = 0.14 * border.at(cell / cols, cell % cols);
            if (x - 0.10).hypot(y - 0.16) + bend < 0.40 {
                4
            } else if x + bend < -0.30 {
                3
            } else if y + bend < -0.30 {
                1
            } else {
                2
            }
        })
        .collect()
}

/// 1 on a road: one across the basin and one branch. They cross pools on causeways narrower than a cell, so that a
/// road cell may well be wet.
fn roads(terrain: &Terrain, border: &Noise) -> Vec<u8> {
    let (rows, cols) = (terrain.rows, terrain.cols);
    let mut roads = vec![0u8; rows * cols];
    let limit = |value: f64, count: usize| (value.max(0.0) as usize).min(count - 1);
    let mut last = None;
    for col in 0..cols {
        let (x, _) = units(rows, cols, 0.0, col as f64);
        let y = -0.34 + 0.16 * (2.6 * x).sin() + 0.10 * border.at(rows / 3, col);
        let row = limit((y + 1.0) / 2.0 * rows as f64, rows);
        let from = last.unwrap_or(row);
        for r in row.min(from)..=row.max(from) {
            roads[r * cols + col] = 1;
        }
        last = Some(row);
    }
    let mut last = None;
    for row in 0..rows {
        let (_, y) = units(rows, cols, row as f64, 0.0);
        if y < -0.34 {
            continue;
        }
        let x = 0.58 + 0.08 * (3.0 * y).sin() + 0.08 * border.at(row, cols / 2);
        let col = limit((x + 1.0) / 2.0 * cols as f64, cols);
        let from = last.unwrap_or(col);
        for c in col.min(from)..=col.max(from) {
            roads[row * cols + c] = 1;
        }
        last = Some(col);
    }
    roads
}

/// Houses where the roads meet.
fn homestead(terrain: &Terrain, cell: usize) -> bool {
    let (rows, cols) = (terrain.rows, terrain.cols);
    let (x, y) = units(rows, cols, (cell / cols) as f64, (cell % cols) as f64);
    (x - 0.66).abs() < 0.03 && (y + 0.24).abs() < 0.04 && terrain.pool[cell] == 0
}
