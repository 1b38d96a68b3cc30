//! What the report page shows of a run: headline, maps, losses, curves.

use crate::climates::{Climates, Droughts};
use crate::costs::Costs;
use crate::costs::ladder::Ladder;
use crate::costs::past::YearAreas;
use crate::costs::refuges::Refuges;
use crate::distribution::{Counts, line, span};
use crate::error::EngineError;
use crate::ranges::Ranges;
use crate::ranges::sensitivity::{Sensitivity, Shares};
use crate::stages::connection::CaseConnection;
use crate::stages::response::ResponseProducts;
use crate::stages::scenarios::{Case, CaseWater};
use crate::stages::suitability::{ScenarioAreas, SuitabilityProducts, TABLE_ROLES};
use crate::stages::water::WaterProducts;
use crate::tables::costs::{capital, margin_classes, margin_words, refuge_classes};
use crate::tables::over_time::classes as year_classes;
use crate::tables::ranges::{NO_AGREEMENT, agreement_classes};
use crate::tables::{class_name, equivalent_ha, events_of, limit_classes, role_word};
use lentic_habitat::change::ha;
use lentic_numerics::exact_sum::ExactSum;
use lentic_numerics::sensitivity::{Estimate, SobolIndex};
use lentic_raster::{Grid, Scratch, ScratchCell, Window};
use lentic_report::{
    AreaRow, ClassStyle, ClimateMark, ClimateSurface, CurvePanel, CurveShape, Distribution, Drought,
    DroughtMonth, HabitatByYear, Headline, HeadlineRow, KeptCells, LadderCurve, LossBreakdown, LossRow,
    MapLayer, MapPixels, Ramp, SensitivityPanel, SensitivityPart, YearLine, change_classes,
    not_assessed_classes, permanence_classes,
};
use lentic_study::Study;
use lentic_study::settings::{Curve, IndexKind, Measure, Requisite, Role, Scenario, Variable};
use std::collections::BTreeMap;

/// Pixels on the longer side of a map.
const LONGEST: usize = 1000;
/// Steps along a smooth curve.
const CURVE_STEPS: usize = 80;

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

/// Response curves of all variables over what they measure in the study area.
pub fn curves(study: &Study, distributions: &[Counts]) -> Vec<CurvePanel> {
    let panel = |((requisite, variable), counts): ((&Requisite, &Variable), &Counts)| {
        let layer = variable.measure.layer().and_then(|name| study.layer(name));
        let (measure, unit) = measure_words(study, variable);
        let (shape, distribution) = match &variable.curve {
            Curve::Classes(scores) => {
                let shape = scores.iter().map(|(code, score)| (class_name(layer, Some(*code)), Some(*score)));
                let cells = scores.keys().map(|code| counts.classes.get(code).copied().unwrap_or(0));
                (CurveShape::Classes(shape.collect()), Distribution::Classes(cells.collect()))
            }
            _ => {
                let bins = Distribution::Bins {
                    span: span(variable).unwrap_or_default(),
                    cells: counts.bins.clone(),
                    below: counts.beyond[0],
                    above: counts.beyond[1],
                };
                (CurveShape::Line(line(variable, CURVE_STEPS)), bins)
            }
        };
        CurvePanel {
            requisite: requisite.name.clone(),
            variable: variable.name.clone(),
            measure,
            unit,
            shape,
            distribution,
        }
    };
    study.variables().zip(distributions).map(panel).collect()
}

/// What a variable measures, in words, and its unit.
pub fn measure_words(study: &Study, variable: &Variable) -> (String, String) {
    let layer = variable.measure.layer().and_then(|name| study.layer(name));
    let unit = match &variable.measure {
        Measure::Layer(_) | Measure::WaterQuality(_) => layer.map_or("", |l| l.unit.as_str()),
        measure => measure.unit(),
    };
    (measure_word(study, &variable.measure), unit.to_string())
}

fn measure_word(study: &Study, measure: &Measure) -> String {
    let named = |layer: &str, classes: &[i32]| {
        let names = classes.iter().map(|code| class_name(study.layer(layer), Some(*code)));
        names.collect::<Vec<_>>().join(", ")
    };
    match measure {
        Measure::Layer(name) | Measure::Class(name) => name.replace('_', " "),
        Measure::Hydroperiod => "hydroperiod".into(),
        Measure::Depth => "water depth".into(),
        Measure::Slope => "slope".into(),
        Measure::DistanceToClass { layer, classes, .. } => format!("distance to {}", named(layer, classes)),
        Measure::DistanceToWater { .. } => "distance to water".into(),
        Measure::ShareOfClass { layer, classes, radius_m } => {
            format!("share of {} within {radius_m} m", named(layer, classes))
        }
        Measure::ShareOfWater { radius_m } => format!("share of water within {radius_m} m"),
        Measure::LongestWetSpell { .. } => "longest wet spell, mean of years".into(),
        Measure::WetAndWarmMonths { window_c: [low, high], .. } => {
            format!("months wet and {low} to {high} degrees C, mean of years")
        }
        Measure::YearsWithSpell { months, season: [first, last] } => {
            format!("years wet {months} months on end within months {first} to {last}")
        }
        Measure::WaterQuality(name) => format!("{} in the water", name.replace('_', " ")),
    }
}

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

/// Area not assessed by reason.
pub fn not_assessed(reasons: &[ExactSum]) -> Vec<AreaRow> {
    let rows = not_assessed_classes().into_iter().zip(reasons).skip(1);
    rows.map(|(class, area)| AreaRow { label: class.name, area_ha: ha(area) }).collect()
}

/// Cells of a grid along a side of a pixel of its maps.
pub fn stride(grid: &Grid) -> usize {
    grid.rows.max(grid.cols).div_ceil(LONGEST)
}

/// Every n-th cell of every n-th row, so that a map fits a screen: columns, rows and cells. `read` gives a row of the grid.
///
/// # Errors
/// What `read` meets.
pub fn thinned<T>(
    grid: &Grid,
    read: impl Fn(&Window) -> Result<Vec<T>, EngineError>,
) -> Result<(usize, usize, Vec<T>), EngineError> {
    let step = stride(grid);
    let mut values = Vec::new();
    let mut height = 0;
    for row in (step / 2..grid.rows).step_by(step) {
        let cells = read(&Window { row, col: 0, rows: 1, cols: grid.cols })?;
        values.extend(cells.into_iter().skip(step / 2).step_by(step));
        height += 1;
    }
    Ok((values.len() / height.max(1), height, values))
}

/// The raster of the run that a map is of, which bears its group's name.
fn kept(group: &str, case: Option<&Case>) -> KeptCells {
    let name = group.to_lowercase().replace(' ', "_");
    let of = case.map_or_else(String::new, |case| format!("_{}", case.name));
    KeptCells { file: format!("rasters/{name}{of}.tif"), members: None }
}

/// Maps, thinned to the size of a screen.
pub struct Maps<'a> {
    /// The study.
    pub study: &'a Study,
    /// The grid of the study.
    pub grid: &'a Grid,
    /// Cases, the baseline first.
    pub cases: &'a [Case<'a>],
}

impl Maps<'_> {
    /// All maps in the order offered.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn all(
        &self,
        water: &WaterProducts,
        response: &ResponseProducts,
        case_water: &[CaseWater],
        products: &SuitabilityProducts,
    ) -> Result<Vec<MapLayer>, EngineError> {
        let mut maps = Vec::new();
        for (at, case) in self.cases.iter().enumerate() {
            let caption = format!("Suitability from 0 to 1, {}", title(case));
            maps.push(self.ramp(
                "Suitability",
                case,
                &products.suitability[at],
                "",
                (0.0, 1.0),
                Ramp::Suitability,
                caption,
            )?);
        }
        for (at, case) in self.cases.iter().enumerate().skip(1) {
            let caption = format!("What becomes of today's habitat, {}", title(case));
            maps.push(self.classes("Change", Some(case), &products.change[at], change_classes(), caption)?);
        }
        for (at, case) in self.cases.iter().enumerate() {
            let caption = format!("What limits the suitability, {}", title(case));
            let styles = limit_classes(self.study);
            maps.push(self.classes(
                "Limiting factor",
                Some(case),
                &products.limiting[at],
                styles,
                caption,
            )?);
        }
        for (at, case) in self.cases.iter().enumerate() {
            let caption = format!("Expected hydroperiod, {}", title(case));
            maps.push(self.ramp(
                "Hydroperiod",
                case,
                &case_water[at].hydroperiod,
                "months per year",
                (0.0, 12.0),
                Ramp::Hydroperiod,
                caption,
            )?);
        }
        maps.push(self.record(
            "Observed hydroperiod",
            "hydroperiod_observed",
            &water.hydroperiod,
            "months per year",
            (0.0, 12.0),
            Ramp::Hydroperiod,
        )?);
        maps.push(self.record(
            "Water trend",
            "water_trend",
            &water.slope,
            "months per decade",
            (-3.0, 3.0),
            Ramp::Trend,
        )?);
        maps.push(self.record(
            "Fit of the response",
            "response_quality",
            &response.brier_saved,
            "share of the calendar's error saved",
            (0.0, 1.0),
            Ramp::Suitability,
        )?);
        maps.push(self.classes(
            "Permanence",
            None,
            &water.permanence,
            permanence_classes(),
            "Permanence of water by observed hydroperiod".into(),
        )?);
        maps.push(self.classes(
            "Not assessed",
            None,
            &products.reason,
            not_assessed_classes(),
            "Cells not assessed, and why".into(),
        )?);
        Ok(maps)
    }

    /// Drying margin, time of loss and refuges, where they were found.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn costs(&self, costs: &Costs, refuges: Option<&Refuges>) -> Result<Vec<MapLayer>, EngineError> {
        let mut maps = Vec::new();
        if let (Some(drying), Some(ladder)) = (&self.study.drying_ladder, &costs.ladder) {
            let caption = format!("First step of {} at which today's habitat is none", drying.in_words());
            maps.push(self.classes(
                "Drying margin",
                None,
                &ladder.margin,
                margin_classes(drying),
                caption,
            )?);
        }
        for (case, (years, way)) in &costs.ways {
            let case = &self.cases[*case];
            let caption = format!("When today's habitat is lost, {}", title(case));
            maps.push(self.classes("Time of loss", Some(case), &way.margin, year_classes(years), caption)?);
        }
        if let Some(refuges) = refuges {
            let caption = "Habitat today and in every scenario".to_string();
            maps.push(self.classes("Refuges", None, &refuges.cells, refuge_classes(), caption)?);
        }
        Ok(maps)
    }

    /// How many members call a cell habitat, case by case.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn agreement(&self, ranges: &Ranges) -> Result<Vec<MapLayer>, EngineError> {
        let caption = |case: &Case| {
            format!("How many of {} members call a place habitat: {}", ranges.members, title(case))
        };
        let map = |(case, cells): (&Case, &Scratch<u8>)| {
            let mut map = self.classes("Agreement", Some(case), cells, agreement_classes(), caption(case))?;
            if let MapPixels::Classes { no_data, .. } = &mut map.pixels {
                *no_data = Some(NO_AGREEMENT);
            }
            map.kept = KeptCells {
                file: format!("rasters/habitat_share_{}.tif", case.name),
                members: Some(ranges.members),
            };
            Ok(map)
        };
        self.cases.iter().zip(&ranges.agreement).map(map).collect()
    }

    /// Cells of the grid along a side of a pixel.
    pub fn stride(&self) -> usize {
        stride(self.grid)
    }

    fn thinned<T: ScratchCell>(&self, scratch: &Scratch<T>) -> Result<(usize, usize, Vec<T>), EngineError> {
        thinned(self.grid, |row| Ok(scratch.read(row)?))
    }

    /// A map of numbers of one case.
    ///
    /// # Errors
    /// When the disk refuses.
    #[allow(clippy::too_many_arguments)]
    pub fn ramp(
        &self,
        group: &str,
        case: &Case,
        scratch: &Scratch<f32>,
        unit: &str,
        (min, max): (f32, f32),
        ramp: Ramp,
        caption: String,
    ) -> Result<MapLayer, EngineError> {
        let (width, height, values) = self.thinned(scratch)?;
        Ok(MapLayer {
            id: format!("{}-{}", group.to_lowercase(), case.name),
            title: format!("{group}: {}", title(case)),
            group: group.into(),
            scenario: Some(title(case)),
            unit: unit.into(),
            caption,
            width,
            height,
            step: self.stride(),
            kept: kept(group, Some(case)),
            pixels: MapPixels::Ramp { values, min, max, ramp },
        })
    }

    #[allow(clippy::too_many_arguments)]
    fn record(
        &self,
        name: &str,
        file: &str,
        scratch: &Scratch<f32>,
        unit: &str,
        (min, max): (f32, f32),
        ramp: Ramp,
    ) -> Result<MapLayer, EngineError> {
        let (width, height, values) = self.thinned(scratch)?;
        Ok(MapLayer {
            id: name.to_lowercase().replace(' ', "-"),
            title: name.into(),
            group: name.into(),
            scenario: None,
            unit: unit.into(),
            caption: format!("{name}, {unit}, over the baseline months"),
            width,
            height,
            step: self.stride(),
            kept: kept(file, None),
            pixels: MapPixels::Ramp { values, min, max, ramp },
        })
    }

    fn classes(
        &self,
        group: &str,
        case: Option<&Case>,
        scratch: &Scratch<u8>,
        styles: Vec<ClassStyle>,
        caption: String,
    ) -> Result<MapLayer, EngineError> {
        let (width, height, codes) = self.thinned(scratch)?;
        let suffix = case.map_or_else(String::new, |c| format!("-{}", c.name));
        Ok(MapLayer {
            id: format!("{}{suffix}", group.to_lowercase().replace(' ', "-")),
            title: case.map_or_else(|| group.to_string(), |c| format!("{group}: {}", title(c))),
            group: group.into(),
            scenario: case.map(title),
            unit: String::new(),
            caption,
            width,
            height,
            step: self.stride(),
            kept: kept(group, case),
            pixels: MapPixels::Classes { codes, styles, no_data: Some(255) },
        })
    }
}
