//! Loss taken apart: by the change of climate alone, by the fall of the water table alone, by both together.

use super::Facts;
use super::steps::Steps;
use lentic_numerics::exact_sum::ExactSum;
use lentic_study::settings::{Drawdown, Scenario};
use serde::{Deserialize, Serialize};

/// Steps of the causes.
pub const CLIMATE: usize = 0;
/// The fall of the water table alone.
pub const ABSTRACTION: usize = 1;
/// Both, on the land as it is today.
pub const BOTH: usize = 2;
/// The scenario with all else it changes.
pub const WHOLE: usize = 3;
/// How many there are.
pub const COUNT: usize = 4;

/// Whether a scenario has both causes, the one on top of the other.
pub fn has_both(scenario: &Scenario) -> bool {
    let falls = scenario.drawdown != Drawdown::None;
    falls && scenario.changes_climate() && !scenario.drawdown_replaces_climate
}

/// The scenarios of a scenario's causes: climate alone, abstraction alone, both; without a trend, other land and other water.
pub fn parts(scenario: &Scenario) -> [Scenario; 3] {
    let unchanged = Scenario::unchanged(&scenario.name);
    let climate = Scenario {
        precipitation_factor: scenario.precipitation_factor,
        temperature_c: scenario.temperature_c,
        index_shift: scenario.index_shift,
        replay: scenario.replay.clone(),
        ..unchanged.clone()
    };
    let abstraction = Scenario { drawdown: scenario.drawdown.clone(), ..unchanged };
    let both = Scenario { drawdown: scenario.drawdown.clone(), ..climate.clone() };
    [climate, abstraction, both]
}

/// Habitat lost, square metres.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
pub struct Losses {
    /// By each of the steps.
    pub lost: [ExactSum; COUNT],
    /// Lost by both together: where climate alone is enough, abstraction alone is not.
    pub climate_only: ExactSum,
    /// Where abstraction alone is enough, climate alone is not.
    pub abstraction_only: ExactSum,
    /// Where either alone is enough.
    pub either: ExactSum,
    /// Where neither alone is enough.
    pub together: ExactSum,
}

impl Losses {
    /// Of the cells of a tile.
    pub fn of(steps: &Steps, facts: &Facts) -> Self {
        let mut losses = Losses::default();
        for cell in steps.cells(facts).filter(|cell| facts.before[*cell]) {
            let area = facts.area(cell);
            for (step, lost) in losses.lost.iter_mut().enumerate() {
                if !steps.is(cell, step) {
                    lost.add(area);
                }
            }
            if steps.is(cell, BOTH) {
                continue;
            }
            let share = match (!steps.is(cell, CLIMATE), !steps.is(cell, ABSTRACTION)) {
                (true, false) => &mut losses.climate_only,
                (false, true) => &mut losses.abstraction_only,
                (true, true) => &mut losses.either,
                (false, false) => &mut losses.together,
            };
            share.add(area);
        }
        losses
    }

    /// Adds those of another tile.
    pub fn merge(&mut self, other: &Losses) {
        self.lost.iter_mut().zip(&other.lost).for_each(|(total, part)| total.merge(part));
        self.climate_only.merge(&other.climate_only);
        self.abstraction_only.merge(&other.abstraction_only);
        self.either.merge(&other.either);
        self.together.merge(&other.together);
    }
}
