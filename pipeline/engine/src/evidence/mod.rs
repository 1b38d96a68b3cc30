//! What drying costs the animal, as evidence: range measures beside published thresholds. Never a category: that is for the
//! assessors.

mod footprint;
pub mod range;
mod records;
pub mod water_years;

use crate::check::Checked;
use crate::error::EngineError;
use crate::stages::Context;
use crate::stages::patches::CasePatches;
use crate::stages::scenarios::{Case, CaseWater};
use crate::stages::suitability::SuitabilityProducts;
use crate::tables;
use lentic_report::Table;
use range::{RangeFound, Sources};

/// What evidence there is.
#[derive(Default)]
pub struct Evidence {
    /// Its tables.
    pub tables: Vec<Table>,
    /// What a reader must know beside them.
    pub notes: Vec<String>,
}

/// Gathers the evidence that the study asks for.
///
/// # Errors
/// A layer that cannot be read, or a disk that refuses.
pub fn gather(
    checked: &Checked,
    context: &Context,
    cases: &[Case],
    case_water: &[CaseWater],
    suitability: &SuitabilityProducts,
    patches: &[CasePatches],
) -> Result<Evidence, EngineError> {
    let mut evidence = Evidence::default();
    let study = context.study;
    let range = match &study.range {
        Some(settings) => {
            let footprints =
                footprint::footprints(context, case_water, suitability, patches, settings.places)?;
            let records = checked.records.as_ref().map(|vetted| &vetted.presences[..]);
            let found = range::measure(
                context,
                settings,
                Sources {
                    cases,
                    patches,
                    footprints: &footprints,
                    habitat_ha: suitability.areas.iter().map(|a| a.whole.habitat_ha()).collect(),
                    records,
                    holding: records::holding(context, records.unwrap_or_default(), &patches[0].labels)?,
                    years: water_years::water_years(context, suitability)?,
                },
            )?;
            evidence.tables.extend(tables::range::all(context, cases, settings, &found));
            evidence.notes.extend(range_notes(context, cases, settings, &found));
            Some(found)
        }
        None => None,
    };
    if range.is_some() {
        evidence.tables.push(tables::evidence::evidence(context, cases, range.as_ref()));
    }
    Ok(evidence)
}

fn range_notes(
    context: &Context,
    cases: &[Case],
    settings: &lentic_study::settings::Range,
    found: &RangeFound,
) -> Vec<String> {
    let mut notes = vec![format!(
        "Range: reductions are told over {} years, {}. Patches say where the animal may live, not where it lives: a range from all patches is an upper bound. Assigning a category is for the assessors.",
        tables::range::plain(settings.years()),
        match &settings.generation {
            Some(g) => format!(
                "the longer of ten years and three generations of {} years ({}), at most 100",
                tables::range::plain(g.years),
                g.how
            ),
            None => "for the study gives no length of a generation".into(),
        }
    )];
    let without =
        cases.iter().filter_map(|case| case.scenario).filter(|s| s.horizon.is_none() && s.replay.is_empty());
    let without: Vec<String> = without.map(|scenario| format!("\"{}\"", scenario.name)).collect();
    if !without.is_empty() {
        notes.push(format!(
            "Range: no reduction is told of {}: without a horizon it is not known how fast it comes.",
            without.join(", ")
        ));
    }
    if let Some(decline) = &found.decline {
        let span = decline.last - decline.first + 1;
        if f64::from(span) < settings.years() - 0.5 {
            notes.push(format!(
                "Range: the decline of water in today's habitat is told over the {span} years of the record, fewer than the {} of a reduction.",
                tables::range::plain(settings.years())
            ));
        }
    }
    let by_class = context.areas.largest_area_difference();
    if by_class > 0.001 {
        notes.push(format!(
            "Range: the projection of the study does not keep areas (up to {:.1} % off), so squares of an area of occupancy are not exactly 4 km2; hulls are measured on the ellipsoid.",
            100.0 * by_class
        ));
    }
    notes
}
