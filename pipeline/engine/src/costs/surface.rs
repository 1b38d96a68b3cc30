//! Habitat area over changes of precipitation and temperature, whatever scenario brings them (scenario-neutral: Prudhomme
//! et al. 2010; Brown et al. 2012; from memory).

use super::Facts;
use lentic_numerics::exact_sum::ExactSum;
use lentic_study::settings::ResponseSurface;
use serde::{Deserialize, Serialize};

/// The points of a surface: changes of precipitation (percent) and temperature (degrees Celsius), row by row of temperature.
pub fn points(surface: &ResponseSurface) -> impl Iterator<Item = (f64, f64)> + '_ {
    surface.temperature_c.iter().flat_map(|warmth| surface.precipitation.iter().map(|rain| (*rain, *warmth)))
}

/// Areas of one point, square metres.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
pub struct PointAreas {
    /// Habitat today.
    pub before: ExactSum,
    /// Habitat in both.
    pub kept: ExactSum,
    /// Habitat at the point only.
    pub gained: ExactSum,
}

/// What a tile adds to the surface.
#[derive(Serialize, Deserialize)]
pub struct SurfaceTile(Vec<PointAreas>);

impl SurfaceTile {
    /// A tile of a surface of so many points.
    pub fn new(points: usize) -> Self {
        SurfaceTile(vec![PointAreas::default(); points])
    }

    /// Takes the habitat at a point. A cell that is not assessed there is left out.
    pub fn see(&mut self, point: usize, facts: &Facts, habitat: &dyn Fn(usize) -> Option<bool>) {
        let areas = &mut self.0[point];
        for cell in (0..facts.compared.len()).filter(|cell| facts.compared[*cell]) {
            let Some(after) = habitat(cell) else { continue };
            let area = facts.area(cell);
            if facts.before[cell] {
                areas.before.add(area);
            }
            match (facts.before[cell], after) {
                (true, true) => areas.kept.add(area),
                (false, true) => areas.gained.add(area),
                _ => {}
            }
        }
    }
}

/// A surface, answered.
pub struct Surface {
    /// Precipitation (percent), temperature (degrees Celsius) and areas by point.
    pub points: Vec<(f64, f64, PointAreas)>,
}

impl Surface {
    /// From the parts of all tiles.
    pub fn of<'p>(wanted: &ResponseSurface, parts: impl Iterator<Item = &'p SurfaceTile>) -> Self {
        let mut surface: Vec<(f64, f64, PointAreas)> =
            points(wanted).map(|(rain, warmth)| (rain, warmth, PointAreas::default())).collect();
        for part in parts {
            for ((.., total), areas) in surface.iter_mut().zip(&part.0) {
                total.before.merge(&areas.before);
                total.kept.merge(&areas.kept);
                total.gained.merge(&areas.gained);
            }
        }
        Surface { points: surface }
    }
}
