//! Measures variables on windows of the grid, in the baseline or under a scenario.

use crate::error::EngineError;
use crate::layers::{Layers, NO_CLASS};
use lentic_habitat::measure::{Block, distance_to, share_within, slope};
use lentic_habitat::suitability::Measured;
use lentic_raster::Window;
use lentic_study::settings::{Layer, Measure, Role, Scenario};

/// Water of one case, wherever it is kept.
pub trait CaseCells {
    /// Months of water per year.
    ///
    /// # Errors
    /// When it cannot be read.
    fn hydroperiod(&self, window: &Window) -> Result<Vec<f32>, EngineError>;

    /// Fall of depth, metres; `None` where depth does not change.
    ///
    /// # Errors
    /// When it cannot be read.
    fn fall(&self, window: &Window) -> Result<Option<Vec<f32>>, EngineError>;

    /// The yearly variable at position `at` among the yearly variables of the study.
    ///
    /// # Errors
    /// When it cannot be read.
    fn yearly(&self, at: usize, window: &Window) -> Result<Measured, EngineError>;

    /// By what concentrations in a pool are multiplied.
    fn concentration(&self, pool: i32) -> f64;

    /// How far depths lie off, metres; `None` where they are as they are.
    ///
    /// # Errors
    /// When it cannot be told.
    fn depth_error(&self, _: &Window) -> Result<Option<Vec<f32>>, EngineError> {
        Ok(None)
    }
}

/// A window about which variables look around: the part asked for, and how far it looks.
#[derive(Clone, Copy)]
struct Around {
    outer: Window,
    block: Block,
}

/// The block of a window within another one about it.
pub fn block(outer: &Window, inner: &Window) -> Block {
    Block {
        rows: outer.rows,
        cols: outer.cols,
        inner_row: inner.row - outer.row,
        inner_col: inner.col - outer.col,
        inner_rows: inner.rows,
        inner_cols: inner.cols,
    }
}

/// Measures the variables of a study.
#[derive(Clone, Copy)]
pub struct Reader<'a> {
    /// The layers.
    pub layers: Layers<'a>,
}

impl Reader<'_> {
    /// How many cells a measure looks beyond its own.
    pub fn reach(&self, measure: &Measure) -> usize {
        match measure {
            Measure::Slope => 1,
            measure => (measure.reach_m() / self.layers.grid.cell_m).ceil() as usize,
        }
    }

    /// Whether a measure may differ between the baseline and a scenario.
    pub fn changes(&self, measure: &Measure, scenario: &Scenario) -> bool {
        match measure {
            Measure::Hydroperiod
            | Measure::Depth
            | Measure::DistanceToWater { .. }
            | Measure::ShareOfWater { .. }
            | Measure::LongestWetSpell { .. }
            | Measure::WetAndWarmMonths { .. }
            | Measure::YearsWithSpell { .. }
            | Measure::WaterQuality(_) => true,
            Measure::Slope => false,
            Measure::Layer(name)
            | Measure::Class(name)
            | Measure::DistanceToClass { layer: name, .. }
            | Measure::ShareOfClass { layer: name, .. } => {
                let role = self.layers.study.layer(name).and_then(|layer| layer.role);
                scenario.land_cover.is_some() && role == Some(Role::LandCover)
            }
        }
    }

    /// Whether a measure asks for the water of a case at all.
    pub fn asks_for_water(measure: &Measure) -> bool {
        !matches!(
            measure,
            Measure::Slope
                | Measure::Layer(_)
                | Measure::Class(_)
                | Measure::DistanceToClass { .. }
                | Measure::ShareOfClass { .. }
        )
    }

    /// The layer a measure reads: a scenario's land cover takes the place of today's.
    fn layer(&self, name: &str, scenario: Option<&Scenario>) -> Result<&Layer, EngineError> {
        let study = self.layers.study;
        let future = scenario.and_then(|s| s.land_cover.as_deref());
        let own = study.layer(name);
        let chosen = match (own, future) {
            (Some(layer), Some(future)) if layer.role == Some(Role::LandCover) => study.layer(future),
            _ => own,
        };
        chosen.ok_or_else(|| EngineError::Value {
            layer: name.to_string(),
            file: study.path.clone(),
            found: "there is no such layer".into(),
            expected: "name a layer of the study".into(),
        })
    }

    fn with_role(&self, role: Role, what: &str) -> Result<&Layer, EngineError> {
        let study = self.layers.study;
        study.layer_with(role).ok_or_else(|| EngineError::Value {
            layer: what.to_string(),
            file: study.path.clone(),
            found: format!("no layer has the role {what}"),
            expected: "a variable measures it".into(),
        })
    }

    fn around(&self, window: Window, measure: &Measure) -> Around {
        let outer = window.with_margin(self.reach(measure), self.layers.grid);
        Around { outer, block: block(&outer, &window) }
    }

    /// Measures a variable in a window. `yearly` is its position among the yearly variables, if it is one; `cells` may be missing
    /// for a measure that does not ask for water.
    ///
    /// # Errors
    /// A layer or the water cannot be read.
    pub fn measure(
        &self,
        measure: &Measure,
        yearly: usize,
        window: Window,
        scenario: Option<&Scenario>,
        cells: &dyn CaseCells,
    ) -> Result<Measured, EngineError> {
        let cell_m = self.layers.grid.cell_m;
        let limit = self.layers.study.inundation.water_limit_months;
        let Around { outer, block } = self.around(window, measure);
        let wet = |months: &[f32]| -> Vec<bool> { months.iter().map(|m| f64::from(*m) >= limit).collect() };
        let codes = |layer: &str| self.layers.codes(self.layer(layer, scenario)?, outer);
        Ok(match measure {
            Measure::Layer(name) => {
                Measured::Numbers(self.layers.numbers(self.layer(name, scenario)?, window)?)
            }
            Measure::Class(name) => Measured::Codes(codes(name)?),
            Measure::Hydroperiod => Measured::Numbers(cells.hydroperiod(&window)?),
            Measure::Depth => {
                let mut depth = self.layers.numbers(self.with_role(Role::Depth, "depth")?, window)?;
                if let Some(off) = cells.depth_error(&window)? {
                    lower(&mut depth, &off);
                }
                if let Some(fall) = cells.fall(&window)? {
                    lower(&mut depth, &fall);
                }
                Measured::Numbers(depth)
            }
            Measure::Slope => {
                let ground = self.layers.numbers(self.with_role(Role::Ground, "ground")?, outer)?;
                Measured::Numbers(slope(&block, &ground, cell_m))
            }
            Measure::DistanceToWater { limit_m } => {
                let wet = wet(&cells.hydroperiod(&outer)?);
                Measured::Numbers(distance_to(&block, &wet, cell_m, *limit_m))
            }
            Measure::ShareOfWater { radius_m } => {
                let months = cells.hydroperiod(&outer)?;
                let known: Vec<bool> = months.iter().map(|m| !m.is_nan()).collect();
                Measured::Numbers(share_within(&block, &wet(&months), &known, cell_m, *radius_m))
            }
            Measure::DistanceToClass { layer, classes, limit_m } => {
                let targets: Vec<bool> = codes(layer)?.iter().map(|c| classes.contains(c)).collect();
                Measured::Numbers(distance_to(&block, &targets, cell_m, *limit_m))
            }
            Measure::ShareOfClass { layer, classes, radius_m } => {
                let codes = codes(layer)?;
                let targets: Vec<bool> = codes.iter().map(|c| classes.contains(c)).collect();
                let known: Vec<bool> = codes.iter().map(|c| *c != NO_CLASS).collect();
                Measured::Numbers(share_within(&block, &targets, &known, cell_m, *radius_m))
            }
            Measure::LongestWetSpell { .. }
            | Measure::WetAndWarmMonths { .. }
            | Measure::YearsWithSpell { .. } => cells.yearly(yearly, &window)?,
            Measure::WaterQuality(name) => {
                let mut values = self.layers.numbers(self.layer(name, scenario)?, window)?;
                let factor = scenario.and_then(|s| s.water_quality.get(name)).copied().unwrap_or(1.0);
                let pools = self.layers.pools(window)?;
                for (value, pool) in values.iter_mut().zip(pools) {
                    let held = pool.map_or(1.0, |pool| cells.concentration(pool));
                    *value = (f64::from(*value) * factor * held) as f32;
                }
                Measured::Numbers(values)
            }
        })
    }
}

/// Lowers depths by a fall, no deeper than the ground. NaN stays NaN: f32::max would turn it into 0.
pub fn lower(depth: &mut [f32], fall: &[f32]) {
    for (d, fall) in depth.iter_mut().zip(fall).filter(|(d, _)| !d.is_nan()) {
        *d = (*d - fall).max(0.0);
    }
}
