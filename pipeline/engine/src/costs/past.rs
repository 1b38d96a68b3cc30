//! Habitat area by year of the past, from the water seen in each year.

use super::Facts;
use crate::error::EngineError;
use crate::measures::CaseCells;
use crate::reuse::{Leaves, Step};
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
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// Share of today's habitat that must be assessed in a year (ours).
pub const WELL_SEEN: f64 = 0.5;

/// Areas of one year of the past, square metres.
#[derive(Clone, Copy, Debug, Default, Serialize, Deserialize)]
pub struct YearAreas {
    /// Habitat of the modelled baseline.
    pub today: ExactSum,
    /// The part of it that is assessed in that year.
    pub today_assessed: ExactSum,
    /// Habitat by the water of that year, within that part.
    pub habitat_of_today: ExactSum,
    /// Habitat by the water of that year elsewhere.
    pub habitat_elsewhere: ExactSum,
}

impl YearAreas {
    /// Share of today's habitat that is assessed in the year; none without habitat.
    pub fn seen_share(&self) -> Option<f64> {
        let today = self.today.value().filter(|today| *today > 0.0)?;
        Some(self.today_assessed.value()? / today)
    }

    /// Habitat, hectares: what was not assessed of today's habitat is taken to have fared as what was, since what was not seen
    /// would look like habitat lost. None in a year in which less than half of it is assessed.
    pub fn habitat_ha(&self) -> Option<f64> {
        let share = self.seen_share().filter(|share| *share >= WELL_SEEN)?;
        Some(ha(&self.habitat_of_today) / share + ha(&self.habitat_elsewhere))
    }

    /// Habitat seen, hectares.
    pub fn seen_ha(&self) -> f64 {
        ha(&self.habitat_of_today) + ha(&self.habitat_elsewhere)
    }

    fn add(&mut self, before: bool, habitat: Option<bool>, area: f64) {
        if before {
            self.today.add(area);
            if habitat.is_some() {
                self.today_assessed.add(area);
            }
        }
        if habitat == Some(true) {
            if before { &mut self.habitat_of_today } else { &mut self.habitat_elsewhere }.add(area);
        }
    }

    fn merge(&mut self, other: &YearAreas) {
        self.today.merge(&other.today);
        self.today_assessed.merge(&other.today_assessed);
        self.habitat_of_today.merge(&other.habitat_of_today);
        self.habitat_elsewhere.merge(&other.habitat_elsewhere);
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
    let tiles = what_if.over_tiles(Step::Past, &Leaves::default(), |place| {
        let facts = Facts::read(context, products, place.window)?;
        let seen = seen(context, place.site(), baseline, &years);
        let mut areas = vec![YearAreas::default(); years.len()];
        for ((areas, months), yearly) in areas.iter_mut().zip(&seen.months).zip(&seen.yearly) {
            let cells = YearCells { from: place.site().window, months, yearly, scored: &scored };
            let suitability = place.score(&cells)?;
            for cell in (0..suitability.len()).filter(|cell| facts.compared[*cell]) {
                let value = suitability[cell];
                let habitat = (!value.is_nan()).then(|| is_habitat(value, study.suitability.threshold));
                areas.add(facts.before[cell], habitat, facts.area(cell));
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
        let filled = filled(observed, wet);
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

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: of 4 ha of today's habitat 3 are assessed, 2 of them habitat that year, and 1 ha elsewhere: 2 / 0.75 + 1.
    #[test]
    fn what_was_not_seen_fares_as_what_was() {
        let mut areas = YearAreas::default();
        for (before, habitat) in [
            (true, Some(true)),
            (true, Some(true)),
            (true, Some(false)),
            (true, None),
            (false, Some(true)),
            (false, Some(false)),
            (false, None),
        ] {
            areas.add(before, habitat, 10_000.0);
        }
        assert_eq!(areas.seen_share(), Some(0.75));
        assert_eq!((areas.seen_ha(), areas.habitat_ha()), (3.0, Some(2.0 / 0.75 + 1.0)));
        let mut hidden = areas;
        (0..3).for_each(|_| hidden.add(true, None, 10_000.0));
        assert_eq!((hidden.seen_share(), hidden.habitat_ha()), (Some(3.0 / 7.0), None));
        assert_eq!(YearAreas::default().habitat_ha(), None);
    }
}
