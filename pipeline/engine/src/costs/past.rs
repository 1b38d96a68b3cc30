//! Habitat area by year of the past, from the water seen in each year.

use super::Facts;
use crate::error::EngineError;
use crate::measures::CaseCells;
use crate::stages::Context;
use crate::stages::scenarios::{Case, Site};
use crate::stages::suitability::SuitabilityProducts;
use crate::stages::water::Water;
use crate::stages::what_if::{WhatIf, cut};
use lentic_habitat::change::{ha, is_habitat};
use lentic_habitat::record::{Enough, read_record, yearly_hydroperiod};
use lentic_habitat::suitability::{Measured, score};
use lentic_habitat::yearly::{Span, YearPlan, filled};
use lentic_numerics::exact_sum::ExactSum;
use lentic_raster::Window;
use std::collections::BTreeMap;

/// Share of today's habitat that must be assessed in a year (ours).
pub const WELL_SEEN: f64 = 0.9;

/// Areas of one year of the past, square metres.
#[derive(Clone, Copy, Debug, Default)]
pub struct YearAreas {
    /// Habitat by the water of that year.
    pub habitat: ExactSum,
    /// Compared ground whose water was seen well enough in that year.
    pub assessed: ExactSum,
    /// Habitat of the modelled baseline.
    pub today: ExactSum,
    /// The part of it that is assessed in that year.
    pub today_assessed: ExactSum,
}

impl YearAreas {
    /// Share of today's habitat that is assessed in the year; none without habitat.
    pub fn seen_share(&self) -> Option<f64> {
        let today = self.today.value().filter(|today| *today > 0.0)?;
        Some(self.today_assessed.value()? / today)
    }

    /// Habitat, hectares; none in a year in which too little of today's habitat is assessed, for what was not seen would look
    /// like habitat lost.
    pub fn habitat_ha(&self) -> Option<f64> {
        self.seen_share().filter(|share| *share >= WELL_SEEN).map(|_| ha(&self.habitat))
    }

    fn merge(&mut self, other: &YearAreas) {
        self.habitat.merge(&other.habitat);
        self.assessed.merge(&other.assessed);
        self.today.merge(&other.today);
        self.today_assessed.merge(&other.today_assessed);
    }
}

/// Water of the cells about a tile in one year; NaN where too little was seen.
struct YearCells<'a> {
    from: Window,
    months: &'a [f32],
    /// By yearly variable, measure and score.
    yearly: &'a [(Vec<f32>, Vec<f32>)],
    scored: &'a [bool],
}

impl CaseCells for YearCells<'_> {
    fn hydroperiod(&self, window: &Window) -> Result<Vec<f32>, EngineError> {
        Ok(cut(&self.from, window, self.months))
    }

    fn fall(&self, _: &Window) -> Result<Option<Vec<f32>>, EngineError> {
        Ok(None)
    }

    fn yearly(&self, at: usize, window: &Window) -> Result<Measured, EngineError> {
        let (measure, score) = &self.yearly[at];
        let measure = cut(&self.from, window, measure);
        Ok(match self.scored[at] {
            true => Measured::Years { measure, score: cut(&self.from, window, score) },
            false => Measured::Numbers(measure),
        })
    }

    fn concentration(&self, _: i32) -> f64 {
        1.0
    }
}

/// Water of all years about a tile, by the position of the year.
struct Years {
    months: Vec<Vec<f32>>,
    yearly: Vec<Vec<(Vec<f32>, Vec<f32>)>>,
}

/// Areas by calendar year of the baseline.
///
/// # Errors
/// A layer that cannot be read, or a disk that refuses.
pub fn run(
    what_if: WhatIf,
    baseline: &Case,
    products: &SuitabilityProducts,
) -> Result<BTreeMap<i32, YearAreas>, EngineError> {
    let context = what_if.context;
    let study = context.study;
    let years: Vec<i32> = context.masks.years.iter().map(|(year, _)| *year).collect();
    let scored: Vec<bool> = study.yearly_variables().map(|v| v.measure.averages_scores()).collect();
    let tiles = what_if.over_tiles("looking back", &[], |place| {
        let facts = Facts::read(context, products, place.window)?;
        let seen = seen(context, place.site(), baseline, &years);
        let mut areas = vec![YearAreas::default(); years.len()];
        for ((areas, months), yearly) in areas.iter_mut().zip(&seen.months).zip(&seen.yearly) {
            let cells = YearCells { from: place.site().window, months, yearly, scored: &scored };
            let suitability = place.score(&cells)?;
            for cell in (0..suitability.len()).filter(|cell| facts.compared[*cell]) {
                let (area, assessed) = (facts.area(cell), !suitability[cell].is_nan());
                if facts.before[cell] {
                    areas.today.add(area);
                }
                if !assessed {
                    continue;
                }
                areas.assessed.add(area);
                if facts.before[cell] {
                    areas.today_assessed.add(area);
                }
                if is_habitat(suitability[cell], study.suitability.threshold) {
                    areas.habitat.add(area);
                }
            }
        }
        Ok(areas)
    })?;
    let mut totals: BTreeMap<i32, YearAreas> =
        years.iter().map(|year| (*year, YearAreas::default())).collect();
    for tile in tiles {
        for (total, part) in totals.values_mut().zip(&tile) {
            total.merge(part);
        }
    }
    Ok(totals)
}

/// What was seen in every year. A cell never seen wet has no wet month in any of them.
fn seen(context: &Context, site: &Site, baseline: &Case, years: &[i32]) -> Years {
    let study = context.study;
    let cells = site.window.len();
    let enough = Enough {
        months: study.inundation.minimum_months,
        calendar_months: study.inundation.minimum_calendar_months,
    };
    let variables: Vec<_> = study.yearly_variables().collect();
    let score_of = |at: usize, months: f64| score(&variables[at].curve, months).unwrap_or(f64::NAN) as f32;
    let dry = |value: f32| -> Vec<f32> {
        let of = |state: &u8| if *state == Water::NeverWet as u8 { value } else { f32::NAN };
        site.states.iter().map(of).collect()
    };
    let dry_years: Vec<(Vec<f32>, Vec<f32>)> =
        (0..variables.len()).map(|at| (dry(0.0), dry(score_of(at, 0.0)))).collect();
    let mut found = Years { months: vec![dry(0.0); years.len()], yearly: vec![dry_years; years.len()] };
    debug_assert!(found.months.iter().all(|months| months.len() == cells));
    let span = Span::of_axis(&context.axis);
    let plans: Vec<Vec<YearPlan>> = (0..baseline.designs.len())
        .map(|climate| {
            let temperature = baseline.temperature.get(climate).map_or(&[][..], |t| &t[..]);
            let starts = study.period.water_year_starts;
            let plan =
                |v: &&lentic_study::settings::Variable| YearPlan::new(&v.measure, span, starts, temperature);
            variables.iter().filter_map(plan).collect()
        })
        .collect();
    let position = |year: i32| years.iter().position(|known| *known == year);
    for (at, cell) in site.wet.cells.iter().enumerate() {
        let cell = *cell as usize;
        let (observed, wet) = (site.wet.rows.observed(at), site.wet.rows.wet(at));
        if let Some(record) = read_record(observed, wet, &context.masks, enough) {
            for (year, months) in yearly_hydroperiod(observed, wet, &context.masks, &record) {
                if let Some(at) = position(year) {
                    found.months[at][cell] = months as f32;
                }
            }
        }
        let Some(climate) = site.climates[cell] else { continue };
        let filled = filled(observed, wet, context.axis.len);
        for (variable, plan) in plans[climate].iter().enumerate() {
            for (first, months) in plan.each_of_record(observed, &filled) {
                if let Some(at) = position(context.axis.first.plus(first as i32).year()) {
                    let (measure, score) = &mut found.yearly[at][variable];
                    measure[cell] = months as f32;
                    score[cell] = score_of(variable, months as f64);
                }
            }
        }
    }
    found
}
