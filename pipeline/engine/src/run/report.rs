//! The report of a run: tables, figures, page, and the record that goes with them.

use super::PAGE;
use super::found::Found;
use crate::describe;
use crate::editions;
use crate::error::EngineError;
use crate::explain::CELLS;
use crate::folder::Building;
use crate::page_input::{self, Maps};
use crate::page_places;
use crate::protocol;
use crate::records;
use crate::references;
use crate::summary;
use crate::tables;
use lentic_report::{Headline, MapLayer, PageInput, RunRecord, Table, write_kept};

/// Writes tables, figures and page of what was found; the record, complete but for the times of its stages.
///
/// # Errors
/// The disk refuses.
pub fn write_report(
    building: &Building,
    found: &Found,
    record: &RunRecord,
    headline: &Headline,
    tables: &[Table],
) -> Result<RunRecord, EngineError> {
    editions::write_tables(building, tables)?;
    let folder = building.section("tables")?;
    // these never reach the page
    let sensitive: Vec<&Table> = found.judged.iter().flat_map(|judged| &judged.sensitive).collect();
    for table in &sensitive {
        records::write_sensitive(&folder, table)?;
    }
    let input = page(found, record, headline, tables)?;
    write_kept(&building.section(CELLS)?.join(PAGE), &input)?;
    let all = tables.iter().chain(sensitive).collect();
    editions::complete(building, record, all, &input, editions::OF_SENSITIVE)
}

/// What the page shows.
fn page<'a>(
    found: &Found,
    record: &'a RunRecord,
    headline: &Headline,
    tables: &'a [Table],
) -> Result<PageInput<'a>, EngineError> {
    let (context, cases, evidence) = (found.context, found.cases, found.evidence);
    let page_maps = Maps { study: context.study, grid: context.grid, cases };
    let methods = describe::methods(found.checked, context.climates);
    let methods = methods.into_iter().chain(evidence.methods.iter().cloned()).collect();
    let methods = protocol::notes(found.checked, record, methods);
    let sensitivity = page_input::sensitivity(cases, found.sensitivity);
    let mut uncertain = uncertain(found);
    uncertain.extend(summary::uncertain(headline, tables, &sensitivity));
    if !record.notes.is_empty() {
        uncertain
            .push("What else bears on the numbers, scenario by scenario, stands under Notes.".to_string());
    }
    Ok(PageInput {
        record,
        headline: headline.clone(),
        holds: summary::holds(headline, tables),
        goes_first: summary::goes_first(headline, tables),
        uncertain,
        maps: maps(found, &page_maps)?,
        patches: Some(page_places::patch_map(context.grid, &found.patches[0], page_maps.stride())?),
        places: page_places::places(context.grid),
        losses: page_input::losses(context.study, &found.suitability.areas),
        droughts: page_input::droughts(context.study, found.climates(), found.droughts),
        curves: page_input::curves(context.study, &found.suitability.distributions),
        boyce: found.judged.and_then(|judged| judged.boyce.clone()),
        ladder: page_input::ladder(context.study, found.costs),
        surface: page_input::surface(context.study, found.costs),
        sensitivity,
        over_time: found.past.map(|past| page_input::over_time(cases, found.costs, past, found.ranges)),
        population: evidence.paths.clone(),
        tables,
        references: references::of(&methods),
        methods,
        not_assessed: page_input::not_assessed(&found.suitability.reasons),
        cautions: describe::cautions().into_iter().chain(evidence.cautions.iter().cloned()).collect(),
        cite: String::new(),
    })
}

fn maps(found: &Found, page_maps: &Maps) -> Result<Vec<MapLayer>, EngineError> {
    let mut maps = page_maps.all(found.water, found.response, found.case_water, found.suitability)?;
    maps.extend(page_maps.costs(found.costs, found.refuges)?);
    maps.extend(found.ranges.map(|ranges| page_maps.agreement(ranges)).transpose()?.unwrap_or_default());
    maps.extend(found.judged.map(|judged| judged.maps(page_maps)).transpose()?.unwrap_or_default());
    Ok(maps)
}

/// What makes the headline uncertain, as far as the stages say it.
fn uncertain(found: &Found) -> Vec<String> {
    let mut told = vec![match found.ranges {
        None => "This run has no members of uncertainty: areas are single best values, without a range."
            .to_string(),
        Some(ranges) => format!(
            "Ranges are the middle 90 % of {} members, with what [uncertainty] names drawn anew in each; what it does not name, such as the form of the model, is not in them.",
            ranges.members
        ),
    }];
    told.extend(tables::disagreement_percent(found.suitability).map(|percent| {
        format!(
            "Baseline habitat by observed and by modelled hydroperiod differ on {percent:.1} % of its area."
        )
    }));
    told.extend(tables::warming_warning(found.climates(), found.cases));
    told
}
