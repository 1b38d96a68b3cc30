//! Range measures of every case, their reduction by the horizon, and the decline that goes on.

use super::footprint::{Footprint, OCCUPANCY_STEPS, STEP_M};
use super::water_years::{Decline, WaterYear, decline};
use crate::error::EngineError;
use crate::records::Record;
use crate::stages::Context;
use crate::stages::patches::CasePatches;
use crate::stages::scenarios::Case;
use lentic_numerics::exact_sum::ExactSum;
use lentic_numerics::range_measures::{
    Course, Square, hull, least_occupied, occupied, reduction, square_of, yearly_share,
};
use lentic_raster::{Point, polygon_m2};
use lentic_study::settings::Range;
use std::collections::BTreeSet;

/// Square kilometres of an occupied square of 2 x 2 km.
const OCCUPANCY_KM2: f64 = 4.0;
/// Years over which ecosystems are told to shrink (Keith et al. 2013, criterion A2a).
pub const ECOSYSTEM_YEARS: f64 = 50.0;

/// What a range is told from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Basis {
    /// Records of the animal.
    Records,
    /// Patches that hold a record.
    Holding,
    /// Every patch.
    Patches,
    /// Records and every patch.
    Both,
}

impl Basis {
    /// For readers.
    pub fn words(self) -> &'static str {
        match self {
            Basis::Records => "records",
            Basis::Holding => "patches with records",
            Basis::Patches => "all patches (habitat-based upper bound)",
            Basis::Both => "records and all patches",
        }
    }
}

/// The range of one case told from one basis.
#[derive(Clone, Debug, PartialEq)]
pub struct RangeRow {
    /// Position of the case, 0 the baseline.
    pub case: usize,
    /// What it is told from.
    pub basis: Basis,
    /// Records.
    pub records: Option<usize>,
    /// Patches.
    pub patches: Option<usize>,
    /// Their area, hectares.
    pub area_ha: Option<f64>,
    /// Area of the convex hull, square kilometres.
    pub hull_km2: f64,
    /// Extent of occurrence: the hull, at least the occupancy, square kilometres.
    pub extent_km2: f64,
    /// Area of occupancy on squares of 2 x 2 km from the origin of the reference system, square kilometres.
    pub occupancy_km2: f64,
    /// The least over shifts of the squares.
    pub least_occupancy_km2: f64,
    /// Places that one drying event would hit each.
    pub places: Option<usize>,
    /// Share of the area in patches too small and too far from others, percent.
    pub fragmented_percent: Option<f64>,
}

/// A reduction from the baseline to the horizon of a case.
#[derive(Clone, Debug, PartialEq)]
pub struct ReductionRow {
    /// Position of the case.
    pub case: usize,
    /// What shrinks.
    pub quantity: &'static str,
    /// From what it is told.
    pub basis: &'static str,
    /// Unit of both levels.
    pub unit: &'static str,
    /// Level in the baseline.
    pub now: f64,
    /// Level at the horizon.
    pub then: f64,
    /// Years in between.
    pub between: f64,
    /// Years the reduction is told over.
    pub window: f64,
    /// The same amount every year, percent.
    pub linear: Option<f64>,
    /// The same share every year, percent.
    pub exponential: Option<f64>,
    /// Yearly rate of the latter, percent.
    pub yearly: Option<f64>,
}

/// Everything told of the range.
pub struct RangeFound {
    /// Measures.
    pub rows: Vec<RangeRow>,
    /// Reductions, of cases with a horizon.
    pub reductions: Vec<ReductionRow>,
    /// Water of today's habitat by year.
    pub years: Vec<WaterYear>,
    /// Its decline over the years of a reduction, as far as the record reaches.
    pub decline: Option<Decline>,
    /// Water as an ecosystem, by case: hectares, extent and squares of 10 x 10 km.
    pub water: Vec<WaterRange>,
}

/// The extent of water in one case.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct WaterRange {
    /// Hectares.
    pub area_ha: f64,
    /// Area of the convex hull, square kilometres.
    pub hull_km2: f64,
    /// Squares of 10 x 10 km that hold some.
    pub squares: usize,
}

/// What the measures are taken from.
pub struct Sources<'a> {
    /// Cases, the baseline first.
    pub cases: &'a [Case<'a>],
    /// Their patches.
    pub patches: &'a [CasePatches],
    /// Where these lie.
    pub footprints: &'a [Footprint],
    /// Habitat by case, hectares.
    pub habitat_ha: Vec<f64>,
    /// Records, where the study has them.
    pub records: Option<&'a [Record]>,
    /// Today's patches that hold one.
    pub holding: BTreeSet<u32>,
    /// Water of today's habitat by year.
    pub years: Vec<WaterYear>,
}

/// Measures the range of every case.
///
/// # Errors
/// Places that cannot be carried to longitude and latitude.
pub fn measure(context: &Context, range: &Range, sources: Sources) -> Result<RangeFound, EngineError> {
    let mut rows = Vec::new();
    for (case, footprint) in sources.footprints.iter().enumerate() {
        let patches = &sources.patches[case];
        let all: BTreeSet<u32> = patches.patches.iter().map(|p| p.number).collect();
        let held: BTreeSet<u32> = match case {
            0 => sources.holding.clone(),
            _ => {
                let shared = footprint.shared.keys().filter(|(today, _)| sources.holding.contains(today));
                shared.map(|(_, own)| *own).collect()
            }
        };
        let one = |basis, records: Option<&[Record]>, chosen: Option<&BTreeSet<u32>>| {
            row(context, range, case, basis, records, chosen, patches, footprint)
        };
        if let Some(records) = sources.records {
            if case == 0 {
                rows.push(one(Basis::Records, Some(records), None)?);
            }
            rows.push(one(Basis::Holding, None, Some(&held))?);
        }
        rows.push(one(Basis::Patches, None, Some(&all))?);
        if let Some(records) = sources.records.filter(|_| case == 0) {
            rows.push(one(Basis::Both, Some(records), Some(&all))?);
        }
    }
    let mut water = Vec::new();
    for footprint in sources.footprints {
        water.push(WaterRange {
            area_ha: footprint.water.area.value().map_or(f64::NAN, |area| area / 10_000.0),
            hull_km2: hull_km2(context, &footprint.water.ends)?,
            squares: footprint.water.squares.len(),
        });
    }
    let reductions = reductions(context, range, &sources, &rows, &water);
    let decline = decline(&sources.years, range.years());
    Ok(RangeFound { rows, reductions, years: sources.years, decline, water })
}

fn hull_km2(context: &Context, points: &[[f64; 2]]) -> Result<f64, EngineError> {
    let corners: Vec<Point> = hull(points).into_iter().map(|[x, y]| Point { x, y }).collect();
    Ok(polygon_m2(context.grid, &corners)? / 1e6)
}

#[allow(clippy::too_many_arguments)]
fn row(
    context: &Context,
    range: &Range,
    case: usize,
    basis: Basis,
    records: Option<&[Record]>,
    chosen: Option<&BTreeSet<u32>>,
    patches: &CasePatches,
    footprint: &Footprint,
) -> Result<RangeRow, EngineError> {
    let mut points: Vec<[f64; 2]> = records.unwrap_or_default().iter().map(|r| [r.x, r.y]).collect();
    let mut squares: Vec<Square> = points.iter().map(|point| square_of(*point, STEP_M)).collect();
    if let Some(chosen) = chosen {
        let within = |label: &u32| chosen.contains(label);
        points.extend(footprint.ends.iter().filter(|(label, _)| within(label)).map(|(_, point)| *point));
        squares
            .extend(footprint.squares.iter().filter(|(label, _)| within(label)).map(|(_, square)| *square));
    }
    squares.sort_unstable();
    squares.dedup();
    let hull_km2 = hull_km2(context, &points)?;
    let occupancy_km2 = OCCUPANCY_KM2 * occupied(&squares, OCCUPANCY_STEPS, (0, 0)) as f64;
    let least = OCCUPANCY_KM2 * least_occupied(&squares, OCCUPANCY_STEPS) as f64;
    let chosen = chosen.filter(|_| basis != Basis::Both);
    let area = |numbers: &dyn Fn(usize) -> bool| {
        let mut sum = ExactSum::default();
        let areas = patches.patches.iter().enumerate().filter(|(at, _)| numbers(*at));
        areas.for_each(|(_, patch)| sum.add(patch.area_m2));
        sum.value().unwrap_or(f64::NAN) / 10_000.0
    };
    let is_chosen = |at: usize| chosen.is_some_and(|c| c.contains(&patches.patches[at].number));
    let area_ha = chosen.map(|_| area(&is_chosen));
    let fragmented_percent = match (range.viable_patch_ha, range.dispersal_m, area_ha) {
        (Some(viable), Some(limit), Some(whole)) if whole > 0.0 => {
            let apart = |at: usize| {
                is_chosen(at)
                    && patches.patches[at].area_m2 / 10_000.0 < viable
                    && patches.nearest[at].is_none_or(|distance| distance > limit)
            };
            Some(100.0 * area(&apart) / whole)
        }
        _ => None,
    };
    let places = chosen.zip(range.places).map(|(chosen, _)| {
        let of = footprint.place_of_patches(patches.patches.len());
        let codes = of.iter().enumerate().filter(|(at, _)| chosen.contains(&(*at as u32 + 1)));
        let (named, unnamed): (Vec<_>, Vec<_>) = codes.partition(|(_, code)| code.is_some());
        named.iter().map(|(_, code)| **code).collect::<BTreeSet<_>>().len() + unnamed.len()
    });
    Ok(RangeRow {
        case,
        basis,
        records: records.map(<[Record]>::len),
        patches: chosen.map(BTreeSet::len),
        area_ha,
        hull_km2,
        extent_km2: hull_km2.max(occupancy_km2),
        occupancy_km2,
        least_occupancy_km2: least,
        places,
        fragmented_percent,
    })
}

/// Years from the end of the baseline to a case's horizon.
pub fn years_to_horizon(context: &Context, case: &Case) -> Option<f64> {
    let horizon = case.scenario?.horizon?;
    let years = f64::from(horizon) - f64::from(context.study.period.baseline.1.year());
    (years > 0.0).then_some(years)
}

fn reductions(
    context: &Context,
    range: &Range,
    sources: &Sources,
    rows: &[RangeRow],
    water: &[WaterRange],
) -> Vec<ReductionRow> {
    let mut all = Vec::new();
    for (case, of) in sources.cases.iter().enumerate().skip(1) {
        // years that come again are no course that could be carried on
        let replays = of.scenario.is_some_and(|s| !s.replay.is_empty());
        let Some(between) = years_to_horizon(context, of).filter(|_| !replays) else { continue };
        let mut push = |quantity, basis, unit, window: f64, now: f64, then: f64| {
            let read = |course| {
                reduction(course, now, then, between, 0.0, window - between).map(|share| 100.0 * share)
            };
            all.push(ReductionRow {
                case,
                quantity,
                basis,
                unit,
                now,
                then,
                between,
                window,
                linear: read(Course::Linear),
                exponential: read(Course::Exponential),
                yearly: yearly_share(now, then, between).map(|share| 100.0 * share),
            });
        };
        let window = range.years();
        push("habitat area", "compared cells", "ha", window, sources.habitat_ha[0], sources.habitat_ha[case]);
        for basis in [Basis::Holding, Basis::Patches] {
            let of = |at: usize| rows.iter().find(|row| row.case == at && row.basis == basis);
            let (Some(now), Some(then)) = (of(0), of(case)) else { continue };
            let words = basis.words();
            push("area of occupancy", words, "km2", window, now.occupancy_km2, then.occupancy_km2);
            push("extent of occurrence", words, "km2", window, now.extent_km2, then.extent_km2);
        }
        push("area of water", "compared cells", "ha", ECOSYSTEM_YEARS, water[0].area_ha, water[case].area_ha);
    }
    all
}
