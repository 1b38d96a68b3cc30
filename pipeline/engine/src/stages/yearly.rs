//! Yearly measures of every cell: drawn from the fitted response in the baseline and in every scenario, counted in the record.

use super::Context;
use super::scenarios::Case;
use super::water::{Water, WaterProducts};
use crate::error::EngineError;
use crate::reuse::{Leaves, Step};
use lentic_habitat::response::{Beta, Design};
use lentic_habitat::suitability::{Measured, score};
use lentic_habitat::yearly::{Chance, Drawer, Room, Span, Tally, YEAR, YearPlan, cell_hash, filled};
use lentic_numerics::season::Block;
use lentic_raster::{RawCells, Scratch, Window};
use lentic_study::Study;
use lentic_study::settings::{Measure, Variable};

/// One yearly variable in one case.
pub struct YearlyCells {
    /// Mean of the measure over the years.
    pub measure: Scratch<f32>,
    /// Mean of the scores of the years, where scores are averaged.
    pub score: Option<Scratch<f32>>,
}

impl YearlyCells {
    /// Files for every yearly variable of the study, in its order.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn create(context: &Context, case: &str) -> Result<Vec<Self>, EngineError> {
        let files = context.study.yearly_variables().enumerate().map(|(at, variable)| {
            let score = variable.measure.averages_scores();
            Ok(YearlyCells {
                measure: context.floats(&format!("years_{at}_{case}"))?,
                score: score.then(|| context.floats(&format!("years_{at}_score_{case}"))).transpose()?,
            })
        });
        files.collect()
    }

    /// What the variable measures in a window.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn read(&self, window: &Window) -> Result<Measured, EngineError> {
        let measure = self.measure.read(window)?;
        Ok(match &self.score {
            Some(score) => Measured::Years { measure, score: score.read(window)? },
            None => Measured::Numbers(measure),
        })
    }

    /// Its files.
    pub fn raw(&self) -> impl Iterator<Item = &dyn RawCells> {
        let score = self.score.iter().map(|score| score as &dyn RawCells);
        std::iter::once(&self.measure as &dyn RawCells).chain(score)
    }
}

/// Draws the years of one case.
pub struct CaseYears<'a> {
    seed: u64,
    designs: &'a [Design],
    drawers: Vec<Drawer>,
    scores: Vec<[f64; YEAR + 1]>,
}

fn measures(study: &Study) -> Vec<&Measure> {
    study.yearly_variables().map(|variable| &variable.measure).collect()
}

/// Score of every number of months.
fn score_table(variable: &Variable) -> [f64; YEAR + 1] {
    std::array::from_fn(|months| score(&variable.curve, months as f64).unwrap_or(f64::NAN))
}

impl<'a> CaseYears<'a> {
    /// Years of a case; `None` where the study has no yearly variable.
    pub fn new(study: &Study, case: &'a Case) -> Option<Self> {
        let measures = measures(study);
        let drawer = |(climate, design): (usize, &Design)| {
            let temperature = case.temperature.get(climate).map_or(&[][..], |t| &t[..]);
            let starts = study.period.water_year_starts;
            Drawer::new(design, &measures, starts, temperature, study.inundation.realisations)
        };
        (!measures.is_empty()).then(|| CaseYears {
            seed: study.seed,
            designs: &case.designs,
            drawers: case.designs.iter().enumerate().map(drawer).collect(),
            scores: study.yearly_variables().map(score_table).collect(),
        })
    }
}

/// What the years of a cell are drawn by, whatever the case.
#[derive(Clone, Copy)]
pub struct DrawnBy<'n> {
    /// Share of months that keep the number of the month before.
    pub lag1: f64,
    /// The cell's numbers in the baseline, where they are at hand, and the drawer they are for.
    pub numbers: Option<(&'n Drawer, &'n [u32])>,
}

/// Numbers of the wet cells of a window, for cases that are drawn again and again.
pub struct Numbers {
    /// By climate.
    drawers: Vec<Drawer>,
    /// Where each cell's begin, and the end.
    starts: Vec<usize>,
    numbers: Vec<u32>,
}

impl Numbers {
    /// Of cells given by their place in the grid (row, column), climate and share of months that keep their number; `None` where they
    /// would take more than so many bytes.
    pub fn of(
        baseline: &CaseYears,
        cells: impl Iterator<Item = ((usize, usize), Option<usize>, f64)> + Clone,
        most: usize,
    ) -> Option<Self> {
        let of_cell =
            |climate: Option<usize>| climate.map_or(0, |at| baseline.drawers[at].numbers_of_a_cell());
        let count: usize = cells.clone().map(|(_, climate, _)| of_cell(climate)).sum();
        if count.saturating_mul(size_of::<u32>()) > most {
            return None;
        }
        let (mut starts, mut numbers) = (vec![0], Vec::with_capacity(count));
        for ((row, col), climate, lag1) in cells {
            if let Some(climate) = climate {
                baseline.drawers[climate].numbers(lag1, cell_hash(baseline.seed, row, col), &mut numbers);
            }
            starts.push(numbers.len());
        }
        Some(Numbers { drawers: baseline.drawers.clone(), starts, numbers })
    }

    /// Those of the cell at a position, of this climate.
    pub fn at(&self, cell: usize, climate: usize) -> (&Drawer, &[u32]) {
        (&self.drawers[climate], &self.numbers[self.starts[cell]..self.starts[cell + 1]])
    }
}

/// Years of the cells of one tile in one case.
pub struct TileYears<'a> {
    case: &'a CaseYears<'a>,
    window: Window,
    cells: Vec<Means>,
    room: Room,
}

/// Mean measure and mean score of one variable over the cells of a tile.
struct Means {
    measure: Vec<f32>,
    score: Vec<f32>,
}

impl Means {
    /// Cells without water have no wet month in any year.
    fn dry(states: &[u8], scores: &[f64]) -> Self {
        let dry = scores.first().map_or(f32::NAN, |score| *score as f32);
        let of = |value: f32| {
            let known = |state: &u8| *state != Water::NotAssessed as u8;
            states.iter().map(|state| if known(state) { value } else { f32::NAN }).collect()
        };
        Means { measure: of(0.0), score: of(dry) }
    }

    fn set(&mut self, cell: usize, tally: &Tally, scores: &[f64]) {
        self.measure[cell] = tally.measure() as f32;
        self.score[cell] = tally.mean(|months| scores[months]) as f32;
    }

    fn write(&self, to: &YearlyCells, window: &Window) -> Result<(), EngineError> {
        to.measure.write(window, &self.measure)?;
        if let Some(score) = &to.score {
            score.write(window, &self.score)?;
        }
        Ok(())
    }
}

impl<'a> TileYears<'a> {
    /// A tile whose cells have these `Water` codes.
    pub fn new(case: &'a CaseYears<'a>, window: Window, states: &[u8]) -> Self {
        let cells = case.scores.iter().map(|scores| Means::dry(states, scores)).collect();
        TileYears { case, window, cells, room: Room::default() }
    }

    /// Draws the years of a cell of coefficients `beta` with `shift` logits added.
    pub fn draw(&mut self, cell: usize, climate: usize, (beta, shift): (&Beta, f64), by: DrawnBy) {
        self.tally(cell, climate, by, |drawer, design, chance, room| {
            drawer.cell(design, beta, shift, chance, room)
        });
    }

    /// Draws the years of a cell of these logits of the design months.
    pub fn draw_logits(&mut self, cell: usize, climate: usize, logits: &[Block], by: DrawnBy) {
        self.tally(cell, climate, by, |drawer, design, chance, room| {
            drawer.cell_of_logits(design, logits, chance, room)
        });
    }

    fn tally(
        &mut self,
        cell: usize,
        climate: usize,
        by: DrawnBy,
        draw: impl for<'r> FnOnce(&Drawer, &Design, Chance, &'r mut Room) -> &'r [Tally],
    ) {
        let (row, col) =
            (self.window.row + cell / self.window.cols, self.window.col + cell % self.window.cols);
        let drawer = &self.case.drawers[climate];
        // a replay has other months, and so other numbers
        let numbers = by.numbers.filter(|(of, _)| drawer.takes_numbers_of(of)).map(|(_, numbers)| numbers);
        let chance = Chance { lag1: by.lag1, cell: cell_hash(self.case.seed, row, col), numbers };
        let tallies = draw(drawer, &self.case.designs[climate], chance, &mut self.room);
        for ((means, tally), scores) in self.cells.iter_mut().zip(tallies).zip(&self.case.scores) {
            means.set(cell, tally, scores);
        }
    }

    /// The cell cannot be told.
    pub fn unknown(&mut self, cell: usize) {
        for means in &mut self.cells {
            means.measure[cell] = f32::NAN;
            means.score[cell] = f32::NAN;
        }
    }

    /// What the yearly variable at position `at` measures in the cells; `scored` where the scores of its years are averaged.
    pub fn measured(&self, at: usize, scored: bool) -> Measured {
        let Means { measure, score } = &self.cells[at];
        match scored {
            true => Measured::Years { measure: measure.clone(), score: score.clone() },
            false => Measured::Numbers(measure.clone()),
        }
    }

    /// Writes the tile.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn write(&self, to: &[YearlyCells]) -> Result<(), EngineError> {
        self.cells.iter().zip(to).try_for_each(|(means, to)| means.write(to, &self.window))
    }
}

/// The yearly measures of the record itself, over years with at least half their months observed; a cell never seen wet has no wet
/// month. `baseline` gives temperatures.
///
/// # Errors
/// When the disk refuses.
pub fn observed(
    context: &Context,
    water: &WaterProducts,
    baseline: &Case,
) -> Result<Vec<YearlyCells>, EngineError> {
    let study = context.study;
    let products = YearlyCells::create(context, "observed")?;
    if products.is_empty() {
        return Ok(products);
    }
    let span = Span::of_axis(&context.axis);
    let plans: Vec<Vec<YearPlan>> = (0..baseline.designs.len())
        .map(|climate| {
            let temperature = baseline.temperature.get(climate).map_or(&[][..], |t| &t[..]);
            let starts = study.period.water_year_starts;
            measures(study).iter().filter_map(|m| YearPlan::new(m, span, starts, temperature)).collect()
        })
        .collect();
    let scores: Vec<_> = study.yearly_variables().map(score_table).collect();
    let leaves =
        |_: usize| Leaves { cells: products.iter().flat_map(YearlyCells::raw).collect(), files: Vec::new() };
    context.over_kept(Step::Years, &leaves, |tile, window| {
        let wet = context.files.wet(tile, &context.axis)?;
        let states = water.state.read(&window)?;
        let climates = context.climates.of_cells(&context.layers, window)?;
        let mut all: Vec<Means> = scores.iter().map(|scores| Means::dry(&states, scores)).collect();
        for (at, cell) in wet.cells.iter().enumerate() {
            let cell = *cell as usize;
            let Some(climate) = climates[cell] else { continue };
            let seen = wet.rows.observed(at);
            let filled = filled(seen, wet.rows.wet(at));
            for ((means, plan), scores) in all.iter_mut().zip(&plans[climate]).zip(&scores) {
                means.set(cell, &plan.of_record(seen, &filled), scores);
            }
        }
        all.iter().zip(&products).try_for_each(|(means, to)| means.write(to, &window))
    })?;
    Ok(products)
}

#[cfg(test)]
mod tests {
    use super::super::grid_cells;
    use super::*;

    #[test]
    fn a_tile_counts_its_cells_as_the_grid_does() {
        let window = Window { row: 3, col: 5, rows: 2, cols: 4 };
        for (cell, place) in grid_cells(window).enumerate() {
            assert_eq!((window.row + cell / window.cols, window.col + cell % window.cols), place);
        }
    }
}
