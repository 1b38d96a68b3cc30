//! What drying costs the animal, as evidence: range measures beside published thresholds. Never a category: that is for the
//! assessors.

mod drought_years;
mod footprint;
mod groups;
pub mod population;
pub mod range;
mod records;
pub mod water_years;

use crate::check::Checked;
use crate::error::EngineError;
use crate::page_input::title;
use crate::stages::Context;
use crate::stages::connection::CaseConnection;
use crate::stages::patches::CasePatches;
use crate::stages::scenarios::{Case, CaseWater};
use crate::stages::suitability::SuitabilityProducts;
use crate::stages::water::WaterProducts;
use crate::tables;
use lentic_report::{MethodNote, PopulationPath, ProtocolPart, Table};
use lentic_study::settings::Population;
use population::PopulationFound;
use range::{RangeFound, Sources};

/// What evidence there is.
#[derive(Default)]
pub struct Evidence {
    /// Its tables.
    pub tables: Vec<Table>,
    /// What a reader must know beside them.
    pub notes: Vec<String>,
    /// How the population goes by case, for the page.
    pub paths: Vec<PopulationPath>,
    /// How it was found.
    pub methods: Vec<MethodNote>,
    /// What stands in the cautions.
    pub cautions: Vec<String>,
}

/// How range is measured, for readers.
const RANGE: &str = "Extent of occurrence is the area of the convex hull, at least the area of occupancy; area of occupancy counts squares of 2 x 2 km. Both are told from records, from patches that hold a record, and from all \
     patches, which is an upper bound. A reduction is the change from the baseline to a horizon, carried to the longer of ten years and three generations (at most 100 years), once by the same amount every year and once by the same share. \
     Places by threat are pools or zones that one drying event would hit together. Thresholds beside the numbers: IUCN Red List Categories and Criteria 3.1 (2012) and Red List of Ecosystems 2.0 (Keith et al. 2013). No category is assigned; that \
     is for the assessors.";
/// How a population is projected, for readers.
const POPULATION: &str = "A projection matrix by stages of life gives growth and elasticities (Caswell 2001). Courses are drawn animal by animal: births by Poisson's law, survival and growth by the multinomial, with factors in drought \
     years, which all groups share and which come from the index of the scenario's own climate, ever more often as the horizon nears. Animals move between patches near each other, or as [patches.crossing] says, with a probability of 0.1 or more; the room of a patch is its area times its mean suitability times the \
     density, on a straight line from today to the horizon, and those past their first year for whom there is none are taken away, every stage in proportion.";

/// Gathers the evidence that the study asks for.
///
/// # Errors
/// A layer that cannot be read, or a disk that refuses.
#[allow(clippy::too_many_arguments)]
pub fn gather(
    checked: &Checked,
    context: &Context,
    water: &WaterProducts,
    cases: &[Case],
    case_water: &[CaseWater],
    suitability: &SuitabilityProducts,
    patches: &[CasePatches],
    connections: Option<&[CaseConnection]>,
) -> Result<Evidence, EngineError> {
    let mut evidence = Evidence::default();
    let study = context.study;
    if study.range.is_none() && study.population.is_none() {
        return Ok(evidence);
    }
    let places = study.range.as_ref().and_then(|range| range.places);
    let footprints = footprint::footprints(context, case_water, suitability, patches, places)?;
    let mut found_range = None;
    if let Some(settings) = &study.range {
        let records = checked.records.as_ref().map(|vetted| &vetted.presences[..]);
        let sources = Sources {
            cases,
            patches,
            footprints: &footprints,
            habitat_ha: suitability.areas.iter().map(|a| a.whole.habitat_ha()).collect(),
            records,
            holding: records::holding(context, records.unwrap_or_default(), &patches[0].labels)?,
            years: water_years::water_years(context, suitability)?,
        };
        let found = range::measure(context, settings, sources)?;
        evidence.tables.extend(tables::range::all(context, cases, settings, &found));
        evidence.notes.extend(range_notes(context, cases, settings, &found));
        evidence.methods.push(MethodNote::new(ProtocolPart::Prediction, "Range", RANGE));
        found_range = Some(found);
    }
    let mut found_population = None;
    if let Some(settings) = &study.population {
        let ways = match (settings.dispersal_m, connections) {
            (None, Some(connections)) => connections.iter().map(groups::connected).collect(),
            // a study with neither is refused
            (within, _) => groups::ways(context, patches, within.unwrap_or_default())?,
        };
        let found = population::project(context, settings, water, cases, patches, &footprints, &ways)?;
        evidence.tables.extend(tables::population::all(context, cases, settings, &found));
        evidence.notes.extend(population_notes(context, settings, &found));
        evidence.paths = paths(context, cases, &found);
        let text = format!("{POPULATION} {}", tables::population::caution(settings));
        evidence.methods.push(MethodNote::new(ProtocolPart::Prediction, "Population", text));
        evidence.cautions.push(tables::population::caution(settings));
        found_population = Some((settings, found));
    }
    let population = found_population.as_ref().map(|(settings, found)| (*settings, found));
    evidence.tables.push(tables::evidence::evidence(cases, found_range.as_ref(), population));
    Ok(evidence)
}

fn paths(context: &Context, cases: &[Case], found: &PopulationFound) -> Vec<PopulationPath> {
    let best = found.outcomes.iter().filter(|outcome| outcome.density == population::BEST);
    best.map(|outcome| PopulationPath {
        title: title(&cases[outcome.case]),
        first_year: context.study.period.baseline.1.year(),
        years: outcome.path.clone(),
        room: [outcome.all.room_now, outcome.all.room_then],
        lost_share: outcome.all.fell,
    })
    .collect()
}

fn population_notes(context: &Context, settings: &Population, found: &PopulationFound) -> Vec<String> {
    let mut notes = vec![format!("Population: {}", tables::population::caution(settings))];
    let drier = found.outcomes.iter().any(|o| o.drought[1].unwrap_or(0.0) > 0.0);
    if settings.feels_drought() && drier {
        notes.push(
            "Population: drought years act on survival and offspring, and drier habitat on room. So the density must be that of ordinary years: a density that has the losses of drought in it counts them twice.".into(),
        );
    }
    if settings.feels_drought() && context.climates.models().is_empty() {
        notes.push("Population: without a drought index no year is a drought year.".into());
    }
    let few = found.outcomes.iter().filter(|o| o.case == 0 && o.density == population::BEST);
    for outcome in few {
        let small = outcome.groups.iter().filter(|g| g.outcome.room_now < settings.quasi_extinction).count();
        if small > 0 {
            notes.push(format!(
                "Population: {small} of {} groups have no room today for {} animals at the best density, so they count as lost from the start.",
                outcome.groups.len(),
                settings.quasi_extinction
            ));
        }
    }
    notes
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
