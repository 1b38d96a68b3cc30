//! What the report page shows of a run: headline, losses, droughts; maps, curves and what drying costs in files of their own.

mod curves;
mod drying;
mod maps;

pub use curves::{curves, measure_words};
pub use drying::{ladder, over_time, surface};
pub use maps::{Maps, stride, thinned};

use crate::climates::{Climates, Droughts};
use crate::ranges::Ranges;
use crate::ranges::sensitivity::{Sensitivity, Shares};
use crate::stages::connection::CaseConnection;
use crate::stages::scenarios::Case;
use crate::stages::suitability::{ScenarioAreas, TABLE_ROLES};
use crate::tables::{class_name, equivalent_ha, events_of, role_word};
use lentic_habitat::change::ha;
use lentic_numerics::exact_sum::ExactSum;
use lentic_numerics::sensitivity::{Estimate, SobolIndex};
use lentic_report::{
    AreaRow, Drought, DroughtMonth, Headline, HeadlineRow, LossBreakdown, LossRow, SensitivityPanel,
    SensitivityPart, not_assessed_classes,
};
use lentic_study::Study;
use lentic_study::settings::{IndexKind, Role};
use std::collections::BTreeMap;

/// The answer in a few numbers.
pub fn headline(
    cases: &[Case],
    areas: &[ScenarioAreas],
    inside_ha: f64,
    connections: Option<&[CaseConnection]>,
    ranges: Option<&Ranges>,
) -> Headline {
    let range_ha = |at: usize| ranges?.habitat_ha(at).map(|spread| [spread.low, spread.high]);
    let connected_ha = |at: usize| connections.and_then(|all| all.get(at)).map(equivalent_ha);
    let baseline = &areas[0].whole;
    let not_assessed_ha = ha(&baseline.not_assessed);
    let rows = cases.iter().zip(areas).enumerate().skip(1).map(|(at, (case, areas))| {
        let whole = &areas.whole;
        HeadlineRow {
            scenario: case.name.clone(),
            title: title(case),
            habitat_ha: whole.habitat_ha(),
            range_ha: range_ha(at),
            connected_ha: connected_ha(at),
            kept_ha: ha(&whole.kept),
            degraded_ha: ha(&whole.degraded),
            lost_ha: ha(&whole.lost),
            gained_ha: ha(&whole.gained),
            lost_percent: whole.lost_percent(),
        }
    });
    Headline {
        habitat_ha: baseline.habitat_ha(),
        range_ha: range_ha(0),
        connected_ha: connected_ha(0),
        assessed_ha: inside_ha - not_assessed_ha,
        not_assessed_ha,
        rows: rows.collect(),
    }
}

/// What counts most, number by number.
pub fn sensitivity(cases: &[Case], found: Option<&Sensitivity>) -> Vec<SensitivityPanel> {
    let Some(found) = found else { return Vec::new() };
    let triple = |e: &Estimate| [e.value, e.low, e.high];
    let panel = |shares: &Shares| {
        let number = if shares.of_loss { "Lost share of the habitat" } else { "Habitat area" };
        let part = |(part, index): &(lentic_habitat::members::Part, SobolIndex)| SensitivityPart {
            name: part.words().to_string(),
            first: triple(&index.first),
            total: triple(&index.total),
            told: index.total.is_told_from_nothing(),
        };
        let parts = shares.parts.as_ref()?.iter().map(part).collect();
        Some(SensitivityPanel { title: format!("{number}, {}", title(&cases[shares.case])), parts })
    };
    // of a scenario what is lost; its area stands in the table
    found.shares.iter().filter(|shares| shares.of_loss || shares.case == 0).filter_map(panel).collect()
}

/// The title of a case.
pub fn title(case: &Case) -> String {
    case.scenario.map_or_else(|| "Baseline".to_string(), |s| s.title.clone())
}

/// Loss by zone, wetland class and land cover.
pub fn losses(study: &Study, areas: &[ScenarioAreas]) -> Vec<LossBreakdown> {
    let mut all = Vec::new();
    for (at, role) in TABLE_ROLES.into_iter().enumerate() {
        let Some(layer) = study.layer_with(role) else { continue };
        let rows =
            areas[0].by[at].0.iter().filter(|(_, a)| a.baseline_ha() > 0.0).map(|(code, baseline)| LossRow {
                name: class_name(Some(layer), *code),
                habitat_ha: baseline.baseline_ha(),
                lost_ha: areas[1..]
                    .iter()
                    .map(|a| a.by[at].0.get(code).map_or(0.0, |a| ha(&a.lost)))
                    .collect(),
            });
        let word = role_word(role);
        all.push(LossBreakdown {
            name: word.into(),
            title: format!("Habitat lost by {}", word.replace('_', " ")),
            rows: rows.collect(),
        });
    }
    all
}

/// Area of each zone, hectares, by name.
pub fn zones_ha(study: &Study, areas: &[ScenarioAreas]) -> BTreeMap<String, f64> {
    let mut zones = BTreeMap::new();
    let at = TABLE_ROLES.iter().position(|role| *role == Role::Zones);
    let (Some(at), Some(layer)) = (at, study.layer_with(Role::Zones)) else { return zones };
    for (code, found) in &areas[0].by[at].0 {
        let parts =
            [&found.kept, &found.degraded, &found.lost, &found.gained, &found.outside, &found.not_assessed];
        // zones of one name count as one
        *zones.entry(class_name(Some(layer), *code)).or_default() += parts.into_iter().map(ha).sum::<f64>();
    }
    zones
}

/// The index of the record and its droughts, climate by climate.
pub fn droughts(study: &Study, climates: &Climates, shown: &[Droughts]) -> Vec<Drought> {
    let Some(climate) = &study.climate else { return Vec::new() };
    let name = match climate.index {
        IndexKind::Spi => "SPI",
        IndexKind::Spei => "SPEI",
        IndexKind::Given => "Given index",
    };
    let one = |droughts: &Droughts| {
        let (_, months) = droughts.by_case.first()?;
        let event = |e: lentic_numerics::drought_events::Event| {
            [months[e.start].month.to_string(), months[e.end - 1].month.to_string()]
        };
        Some(Drought {
            index: format!("{name}, {} months", climates.months()),
            id: droughts.label.id.clone(),
            place: if climates.models().len() > 1 { droughts.label.name.clone() } else { String::new() },
            months: months
                .iter()
                .map(|m| DroughtMonth { month: m.month.to_string(), index: m.shown })
                .collect(),
            events: events_of(months).into_iter().map(event).collect(),
        })
    };
    shown.iter().filter_map(one).collect()
}

/// Area not assessed by reason.
pub fn not_assessed(reasons: &[ExactSum]) -> Vec<AreaRow> {
    let rows = not_assessed_classes().into_iter().zip(reasons).skip(1);
    rows.map(|(class, area)| AreaRow { label: class.name, area_ha: ha(area) }).collect()
}
