//! The baseline or a scenario, with what its water answers to.

use lentic_habitat::response::Design;
use lentic_study::settings::Scenario;
use std::collections::BTreeMap;

/// A baseline or scenario with what its water answers to.
pub struct Case<'a> {
    /// "baseline" or the scenario's name.
    pub name: String,
    /// The scenario; none for the baseline.
    pub scenario: Option<&'a Scenario>,
    /// Its months, by climate.
    pub designs: Vec<Design>,
    /// Its temperature by climate and month of the baseline axis, degrees Celsius, NaN where not known; empty where no variable
    /// measures warmth.
    pub temperature: Vec<Vec<f64>>,
    /// Logits that a trend carried on adds to the wet cells of a response group; 0 for groups not named.
    pub trend: BTreeMap<Option<i32>, f64>,
}

impl Case<'_> {
    /// Fall of z from the baseline by climate, for each of the baseline's months with its position. Where years are
    /// replayed, months have no partner: there it is the difference of the means of the calendar month, so that a replay of the
    /// whole baseline changes nothing.
    pub(super) fn falls_of_z(&self, baseline: &[Design]) -> Vec<Vec<(usize, f64)>> {
        let replays = self.scenario.is_some_and(|s| !s.replay.is_empty() && !s.drawdown_replaces_climate);
        let of = |(before, after): (&Design, &Design)| -> Vec<(usize, f64)> {
            if replays {
                let (before_z, after_z) = (before.mean_z(), after.mean_z());
                let fall = |m: usize| before_z[m].zip(after_z[m]).map_or(0.0, |(b, a)| b - a);
                return before.calendar().map(|(at, m)| (at, fall(m))).collect();
            }
            before.z().zip(after.z()).map(|((at, b), (_, a))| (at, b - a)).collect()
        };
        baseline.iter().zip(&self.designs).map(of).collect()
    }
}
