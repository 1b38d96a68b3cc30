//! Which variants a study asks for, each once, and what they are for.

use super::causes;
use super::surface;
use crate::error::EngineError;
use crate::run::case_of;
use crate::stages::Context;
use crate::stages::scenarios::Case;
use lentic_study::Study;
use lentic_study::settings::Scenario;
use std::collections::BTreeMap;

/// What a variant is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Use {
    /// A step of the ladder, by its position.
    Step(usize),
    /// A point of the surface, by its position.
    Point(usize),
    /// A cause of a scenario, by the scenario's case and the step of the cause.
    Cause(usize, usize),
    /// A time on the way of a scenario, by the scenario's case and the position of the time.
    Time(usize, usize),
    /// A step of supply on top of a scenario, by the scenario's case and the position of the step.
    Supply(usize, usize),
}

/// Logits of a trend by response group.
type Trend = BTreeMap<Option<i32>, f64>;

/// The variants wanted.
#[derive(Default)]
pub struct Plan {
    /// Uses of the cases of the study, which are known already.
    pub known: Vec<(usize, Use)>,
    /// Scenarios of the variants, with the trends that go on in them.
    scenarios: Vec<(Scenario, Trend)>,
    /// Uses of the variants.
    pub uses: Vec<Vec<Use>>,
    /// By case, the years looked at on its way, the end of the baseline first; empty without a way.
    pub times: Vec<Vec<i32>>,
}

impl Plan {
    /// What a study asks for; `cases` are its own, the baseline first.
    pub fn of(study: &Study, cases: &[Case]) -> Self {
        let mut plan = Plan { times: vec![Vec::new(); cases.len()], ..Plan::default() };
        if let Some(ladder) = &study.drying_ladder {
            for (at, step) in ladder.steps().iter().enumerate() {
                plan.add(ladder.scenario(*step), Trend::new(), Use::Step(at));
            }
        }
        if let Some(surface) = &study.response_surface {
            for (at, (rain, warmth)) in surface::points(surface).enumerate() {
                plan.add(surface.scenario(rain, warmth), Trend::new(), Use::Point(at));
            }
        }
        for (at, case) in cases.iter().enumerate() {
            let Some(scenario) = case.scenario else { continue };
            if causes::has_both(scenario) {
                plan.causes(cases, at, scenario);
            }
            if let Some(every) = study.over_time_years.filter(|_| scenario.has_path()) {
                plan.way(at, case, scenario, (study.period.baseline.1.year(), every));
            }
            let wanted = study.water_requirement.as_ref().filter(|w| w.scenarios.contains(&scenario.name));
            if let Some(wanted) = wanted {
                // the scenario itself is found anew, for the water that its pools hold
                plan.add(scenario.clone(), case.trend.clone(), Use::Supply(at, 0));
                for (step, supplied) in wanted.supply.steps().iter().enumerate() {
                    let scenario = wanted.supply.on_top_of(scenario, *supplied);
                    plan.add(scenario, case.trend.clone(), Use::Supply(at, step + 1));
                }
            }
        }
        plan
    }

    /// The causes of a scenario; a case of the study that changes the same as one of them is not computed again.
    fn causes(&mut self, cases: &[Case], at: usize, scenario: &Scenario) {
        for (step, part) in causes::parts(scenario).into_iter().enumerate() {
            let what = Use::Cause(at, step);
            let same = |case: &Case| case.trend.is_empty() && case.scenario.is_some_and(|s| alike(s, &part));
            match cases.iter().position(same) {
                Some(case) => self.known.push((case, what)),
                None => self.add(part, Trend::new(), what),
            }
        }
        self.known.push((at, Use::Cause(at, causes::WHOLE)));
    }

    /// The way of a scenario from the end of the baseline to its horizon.
    fn way(&mut self, at: usize, case: &Case, scenario: &Scenario, (end, every): (i32, i32)) {
        let Some(horizon) = scenario.horizon.filter(|horizon| *horizon > end) else { return };
        let mut years: Vec<i32> = (end..horizon).step_by(every.max(1) as usize).collect();
        years.push(horizon);
        for (time, year) in years.iter().enumerate() {
            let what = Use::Time(at, time);
            let share = f64::from(year - end) / f64::from(horizon - end);
            match *year {
                year if year == end => self.known.push((0, what)),
                year if year == horizon => self.known.push((at, what)),
                _ => {
                    let trend = case.trend.iter().map(|(group, logits)| (*group, share * logits)).collect();
                    self.add(scenario.on_the_way(share), trend, what);
                }
            }
        }
        self.times[at] = years;
    }

    /// Adds a use of a scenario; scenarios that change the same are one variant, and one without change is the baseline.
    fn add(&mut self, scenario: Scenario, trend: Trend, what: Use) {
        let unchanged = trend.is_empty() && alike(&scenario, &Scenario::unchanged(""));
        let mut known = self.scenarios.iter();
        if unchanged {
            self.known.push((0, what));
        } else if let Some(at) = known.position(|(s, t)| *t == trend && alike(s, &scenario)) {
            self.uses[at].push(what);
        } else {
            self.scenarios.push((scenario, trend));
            self.uses.push(vec![what]);
        }
    }

    /// Whether nothing is wanted.
    pub fn is_empty(&self) -> bool {
        self.known.is_empty() && self.uses.is_empty()
    }

    /// The variants as cases.
    ///
    /// # Errors
    /// Years to replay that the climate does not hold.
    pub fn cases(&self, context: &Context) -> Result<Vec<Case<'_>>, EngineError> {
        let mut cases = Vec::with_capacity(self.scenarios.len());
        for (scenario, trend) in &self.scenarios {
            cases.push(Case { trend: trend.clone(), ..case_of(context, scenario)? });
        }
        Ok(cases)
    }
}

/// Whether two scenarios change the same.
fn alike(one: &Scenario, other: &Scenario) -> bool {
    let Scenario { name, title, ensemble, instead_of, horizon, spread, continue_trend, .. } = other.clone();
    Scenario { name, title, ensemble, instead_of, horizon, spread, continue_trend, ..one.clone() } == *other
}

#[cfg(test)]
mod tests {
    use super::*;
    use lentic_study::settings::{Drawdown, DryingLadder, ResponseSurface};

    #[test]
    fn what_changes_the_same_is_found_once() {
        let mut plan = Plan::default();
        let ladder = DryingLadder::PrecipitationLoss(vec![0.0, 10.0]);
        let surface = ResponseSurface { precipitation: vec![-10.0, 0.0], temperature_c: vec![0.0, 1.0] };
        for (at, step) in ladder.steps().iter().enumerate() {
            plan.add(ladder.scenario(*step), Trend::new(), Use::Step(at));
        }
        for (at, (rain, warmth)) in surface::points(&surface).enumerate() {
            plan.add(surface.scenario(rain, warmth), Trend::new(), Use::Point(at));
        }
        // today: step 0 and the point without change; 10 % less rain: step 1 and point 0
        assert_eq!(plan.known, [(0, Use::Step(0)), (0, Use::Point(1))]);
        assert_eq!(plan.uses, [vec![Use::Step(1), Use::Point(0)], vec![Use::Point(2)], vec![Use::Point(3)]]);
    }

    fn case(scenario: Option<&Scenario>) -> Case<'_> {
        let name = scenario.map_or("baseline".into(), |s| s.name.clone());
        Case { name, scenario, designs: Vec::new(), temperature: Vec::new(), trend: Trend::new() }
    }

    #[test]
    fn causes_that_are_scenarios_are_not_computed_again() {
        let drier = Scenario { precipitation_factor: [0.85; 12], ..Scenario::unchanged("drier") };
        let both = Scenario { drawdown: Drawdown::Everywhere(0.4), name: "both".into(), ..drier.clone() };
        let cases = [case(None), case(Some(&drier)), case(Some(&both))];
        let mut plan = Plan::default();
        plan.causes(&cases, 2, &both);
        // both causes together are the scenario itself
        let of = |step| Use::Cause(2, step);
        assert_eq!(plan.known, [(1, of(causes::CLIMATE)), (2, of(causes::BOTH)), (2, of(causes::WHOLE))]);
        assert_eq!(plan.uses, [vec![of(causes::ABSTRACTION)]]);
        assert_eq!(plan.scenarios[0].0.drawdown, Drawdown::Everywhere(0.4));
        assert!(!plan.scenarios[0].0.changes_climate());
    }

    #[test]
    fn the_way_to_a_horizon_is_even() {
        let drier = Scenario {
            precipitation_factor: [0.8; 12],
            horizon: Some(2032),
            drawdown: Drawdown::Everywhere(0.4),
            ..Scenario::unchanged("drier")
        };
        let cases = [case(None), case(Some(&drier))];
        let mut plan = Plan { times: vec![Vec::new(); 2], ..Plan::default() };
        plan.way(1, &cases[1], &drier, (2020, 5));
        assert_eq!(plan.times[1], [2020, 2025, 2030, 2032]);
        assert_eq!(plan.known, [(0, Use::Time(1, 0)), (1, Use::Time(1, 3))]);
        let shares: Vec<f64> = plan.scenarios.iter().map(|(scenario, _)| scenario.drawdown_share).collect();
        assert_eq!(shares, [5.0 / 12.0, 10.0 / 12.0]);
        let factor = plan.scenarios[1].0.precipitation_factor[6];
        assert!((factor - (1.0 - 0.2 * 10.0 / 12.0)).abs() < 1e-15);
    }
}
