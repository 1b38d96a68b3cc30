//! Habitat by steps of drying, over changes of climate and along the years.

use super::title;
use crate::costs::Costs;
use crate::costs::ladder::Ladder;
use crate::costs::past::YearAreas;
use crate::ranges::Ranges;
use crate::stages::scenarios::Case;
use crate::tables::costs::{capital, margin_words};
use lentic_habitat::change::ha;
use lentic_report::{ClimateMark, ClimateSurface, HabitatByYear, LadderCurve, YearLine};
use lentic_study::Study;
use lentic_study::settings::Scenario;
use std::collections::BTreeMap;

/// Habitat area by steps of drying.
pub fn ladder(study: &Study, costs: &Costs) -> Option<LadderCurve> {
    let (drying, ladder) = study.drying_ladder.as_ref().zip(costs.ladder.as_ref())?;
    let steps = || drying.steps().iter().zip(&ladder.steps);
    let today = ladder.steps.first().map_or(0.0, |step| ha(&step.habitat));
    let half = steps().position(|(_, areas)| 2.0 * ha(&areas.kept) <= today).filter(|_| today > 0.0);
    Some(LadderCurve {
        drying: capital(drying.in_words()),
        unit: drying.unit().into(),
        points: steps().map(|(step, areas)| [*step, ha(&areas.habitat), ha(&areas.kept)]).collect(),
        half_lost: half.map(|step| margin_words(drying, Some(step))),
    })
}

/// Habitat area over changes of climate, with the scenarios that change it alike in all months.
pub fn surface(study: &Study, costs: &Costs) -> Option<ClimateSurface> {
    let (wanted, surface) = study.response_surface.as_ref().zip(costs.surface.as_ref())?;
    let mark = |scenario: &Scenario| {
        let ([rain, ..], [warmth, ..]) = (scenario.precipitation_factor, scenario.temperature_c);
        let even = scenario.precipitation_factor == [rain; 12] && scenario.temperature_c == [warmth; 12];
        let of_climate = scenario.changes_climate() && scenario.replay.is_empty() && even;
        of_climate.then(|| ClimateMark {
            title: scenario.title.clone(),
            precipitation: 100.0 * (rain - 1.0),
            temperature_c: warmth,
        })
    };
    Some(ClimateSurface {
        precipitation: wanted.precipitation.clone(),
        temperature_c: wanted.temperature_c.clone(),
        habitat_ha: surface.points.iter().map(|(.., areas)| ha(&areas.kept) + ha(&areas.gained)).collect(),
        marks: study.scenarios.iter().filter_map(mark).collect(),
    })
}

/// Habitat by year of the past and along the scenarios.
pub fn over_time(
    cases: &[Case],
    costs: &Costs,
    past: &BTreeMap<i32, YearAreas>,
    ranges: Option<&Ranges>,
) -> HabitatByYear {
    let range = |case: usize| ranges?.habitat_ha(case).map(|spread| [spread.low, spread.high]);
    let way = |(case, (years, way)): (&usize, &(Vec<i32>, Ladder))| YearLine {
        title: title(&cases[*case]),
        points: years.iter().zip(&way.steps).map(|(year, areas)| (*year, ha(&areas.habitat))).collect(),
        range: range(*case),
    };
    HabitatByYear {
        past: past.iter().filter_map(|(year, areas)| Some((*year, areas.habitat_ha()?))).collect(),
        range: range(0),
        ways: costs.ways.iter().map(way).collect(),
    }
}
