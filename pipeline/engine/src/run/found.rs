//! What the stages of a run found, together: what its tables, notes, warnings, rasters and page are made of.

use crate::check::Checked;
use crate::climates::{Choice, Climates, Droughts};
use crate::costs::Costs;
use crate::costs::ensembles::Ensemble;
use crate::costs::fates::CaseFates;
use crate::costs::management::Saving;
use crate::costs::past::YearAreas;
use crate::costs::refuges::Refuges;
use crate::evidence::Evidence;
use crate::products;
use crate::ranges::Ranges;
use crate::ranges::sensitivity::Sensitivity;
use crate::records::Judged;
use crate::run_record::area_note;
use crate::stages::Context;
use crate::stages::connection::CaseConnection;
use crate::stages::curves::Curves;
use crate::stages::levels::Answering;
use crate::stages::patches::CasePatches;
use crate::stages::response::ResponseProducts;
use crate::stages::scenarios::{Case, CaseWater};
use crate::stages::suitability::SuitabilityProducts;
use crate::stages::volume::CaseVolumes;
use crate::stages::water::WaterProducts;
use crate::tables;
use crate::trend;
use lentic_habitat::drawdown::Lines;
use lentic_habitat::response::quality::Quality;
use lentic_report::Table;
use lentic_study::settings::{Driver, Study};
use std::collections::BTreeMap;

/// Disagreement of observed and modelled baseline above which a run warns, percent.
const DISAGREEMENT: f64 = 10.0;

/// Records none of which could be used: the table of what was set aside, the warning, the line that sums it up.
pub type NoneUsed = (Table, String, String);

/// What the stages found. An option is `None` where the study does not ask for it.
pub struct Found<'a> {
    /// The study, its climates as given, its records.
    pub checked: &'a Checked,
    /// Study, grid and climates as the stages used them.
    pub context: &'a Context<'a>,
    /// The baseline and every scenario; all lists by case follow them.
    pub cases: &'a [Case<'a>],
    /// The record of water.
    pub water: &'a WaterProducts,
    /// The length of the index, where the record chose it.
    pub choice: Option<&'a Choice>,
    /// Climates, groups and pools that water answers by.
    pub answering: &'a Answering,
    /// The fits.
    pub response: &'a ResponseProducts,
    /// How the fits do on years left out, by group.
    pub quality: Option<&'a BTreeMap<Option<i32>, Quality>>,
    /// Trends carried on.
    pub trends: &'a trend::Told,
    /// What a metre of fall does, by pool.
    pub lines: &'a Lines,
    /// What a metre of fall does, along the ground of pools.
    pub curves: &'a Curves,
    /// Water by case.
    pub case_water: &'a [CaseWater],
    /// Volumes by case, where depths are known.
    pub volumes: Option<&'a CaseVolumes<'a>>,
    /// Suitability, change and areas by case.
    pub suitability: &'a SuitabilityProducts,
    /// Patches by case.
    pub patches: &'a [CasePatches],
    /// Connection by case.
    pub connections: Option<&'a [CaseConnection]>,
    /// Ladders, margins, causes, times of loss.
    pub costs: &'a Costs,
    /// Areas year by year of the record.
    pub past: Option<&'a BTreeMap<i32, YearAreas>>,
    /// Habitat that stands in every scenario.
    pub refuges: Option<&'a Refuges>,
    /// The rung at which each refuge fails.
    pub refuge_margins: Option<&'a [Option<usize>]>,
    /// Connection of refuges alone.
    pub refuge_ways: Option<&'a CaseConnection>,
    /// Ensembles of scenarios.
    pub ensembles: &'a [Ensemble],
    /// What managed scenarios save.
    pub savings: &'a [Saving],
    /// What becomes of patches, by scenario.
    pub fates: &'a [CaseFates],
    /// Ranges over members.
    pub ranges: Option<&'a Ranges>,
    /// What counts most for them.
    pub sensitivity: Option<&'a Sensitivity>,
    /// Suitability against records.
    pub judged: Option<&'a Judged>,
    /// Records none of which could be used.
    pub none_used: Option<&'a NoneUsed>,
    /// Range and population.
    pub evidence: &'a Evidence,
    /// Droughts of every climate shown.
    pub droughts: &'a [Droughts],
}

impl<'a> Found<'a> {
    /// The study.
    pub fn study(&self) -> &'a Study {
        &self.checked.study
    }

    /// The climates water answered to.
    pub fn climates(&self) -> &'a Climates {
        &self.answering.climates
    }

    /// All tables but those that keep exact places, in the order of the report.
    pub fn tables(&self) -> Vec<Table> {
        let mut tables = self.habitat_tables();
        tables.extend(self.cost_tables());
        tables.extend(self.water_tables());
        tables.extend(self.none_used.map(|(table, ..)| table.clone()));
        tables.extend(self.judged.iter().flat_map(|judged| judged.tables.iter().cloned()));
        tables.extend(self.evidence.tables.iter().cloned());
        tables
    }

    fn habitat_tables(&self) -> Vec<Table> {
        let (study, cases, areas) = (self.study(), self.cases, &self.suitability.areas);
        let extrapolated = |case: &Case| self.climates().extrapolated(&case.designs).0;
        let extrapolated: Vec<usize> = cases.iter().map(extrapolated).collect();
        let (patches, connections, ranges) = (self.patches, self.connections, self.ranges);
        let mut tables =
            vec![tables::habitat_area(cases, areas, patches, connections, &extrapolated, ranges)];
        tables.extend(ranges.map(|ranges| tables::ranges::habitat_ranges(study, cases, ranges)));
        tables.extend(ranges.map(|ranges| tables::ranges::habitat_agreement(cases, ranges)));
        tables.extend(ranges.map(|ranges| tables::ranges::habitat_members(cases, ranges)));
        tables.extend(self.sensitivity.map(|found| tables::ranges::sensitivity(cases, found)));
        tables.extend(tables::loss_by_class(study, cases, areas));
        tables.push(tables::patches(study, &self.checked.grid, cases, patches, connections));
        tables.extend(connections.map(|found| tables::connection(cases, patches, found)));
        tables
    }

    fn cost_tables(&self) -> Vec<Table> {
        let (study, cases, costs) = (self.study(), self.cases, self.costs);
        let mut tables = vec![tables::costs::loss_by_patch(cases, self.patches, self.fates, self.ranges)];
        tables.extend(tables::costs::fates(cases, self.patches, self.fates));
        tables.extend(tables::costs::of_study(study, costs));
        tables.extend(tables::causes::causes(cases, costs));
        tables.extend(self.refuges.map(|found| {
            let grid = &self.checked.grid;
            tables::causes::refuges(study, grid, found, self.refuge_margins, self.refuge_ways)
        }));
        tables.extend(tables::ensembles::ensembles(cases, &self.suitability.areas, self.ensembles));
        tables.extend(tables::management::management(cases, self.savings, self.volumes));
        tables.extend(self.past.map(|past| tables::over_time::by_year(cases, costs, past, self.ranges)));
        tables.extend(tables::over_time::patches(cases, costs));
        tables.extend(tables::supply::supplies(study, cases, costs).into_iter().flatten());
        tables.push(tables::limiting_factor(study, cases, self.suitability));
        tables.push(tables::weights(study));
        tables
    }

    fn water_tables(&self) -> Vec<Table> {
        let study = self.study();
        let mut tables = Vec::new();
        if !self.droughts.is_empty() {
            let mean = tables::is_mean(self.climates(), self.droughts);
            tables.push(tables::drought_index(self.droughts, mean));
            tables.push(tables::drought_events(self.droughts, mean));
        }
        tables.extend(self.choice.map(tables::index_choice));
        tables.push(tables::inundation_fit(study, &self.answering.groups, self.response, self.lines));
        tables.extend(tables::levels::pool_levels(study, &self.answering.pools));
        tables.extend(tables::drawdown_curves(study, self.curves));
        tables.push(tables::baseline_check(self.suitability));
        tables.extend(self.quality.map(|quality| tables::inundation_quality(study, quality)));
        tables.extend(self.quality.map(|quality| tables::inundation_reliability(study, quality)));
        tables.extend(self.volumes.map(|volumes| tables::volume(self.cases, volumes)));
        tables
    }

    /// What a reader must know beside the numbers.
    pub fn notes(&self) -> Vec<String> {
        let (study, cases) = (self.study(), self.cases);
        let mut notes = self.trends.notes.clone();
        notes.extend(tables::held_notes(cases, self.case_water));
        notes.extend(self.judged.iter().flat_map(|judged| judged.notes.iter().cloned()));
        notes.extend(self.evidence.notes.iter().cloned());
        notes.extend(tables::prior_only_note(self.suitability));
        notes.extend(self.connections.into_iter().flat_map(|found| tables::connection_notes(cases, found)));
        notes.extend(tables::costs::returned_note(study, self.costs));
        notes.extend(area_note(self.context));
        notes.extend(index_note(study, self.response));
        notes.extend(tables::levels::pool_level_notes(study, &self.answering.pools));
        notes.extend(self.choice.map(Choice::note));
        notes.extend(tables::extrapolated_notes(self.climates(), cases));
        notes.extend(tables::warming_warning(self.climates(), cases));
        notes
    }

    /// What makes the numbers doubtful.
    pub fn warnings(&self) -> Vec<String> {
        let study = self.study();
        let mut warnings = Vec::new();
        warnings.extend(self.quality.iter().flat_map(|quality| tables::quality_warnings(study, quality)));
        warnings.extend(self.none_used.map(|(_, warning, _)| warning.clone()));
        warnings.extend(self.judged.iter().flat_map(|judged| judged.warnings.iter().cloned()));
        warnings.extend(self.trends.warnings.iter().cloned());
        let disagreement = tables::disagreement_percent(self.suitability).filter(|p| *p > DISAGREEMENT);
        warnings.extend(disagreement.map(|percent| {
            format!(
                "baseline habitat by observed and by modelled hydroperiod differ on {percent:.0} % of its area: read losses with care (table baseline_check)"
            )
        }));
        warnings.extend(tables::unanswering(study, self.response));
        warnings.extend(tables::surface_warning(study, self.curves));
        warnings.extend(tables::without_data(study, self.suitability));
        warnings.extend(tables::no_habitat(study, self.suitability));
        warnings.extend(tables::unfitted_warnings(self.climates()));
        warnings
    }

    /// How suitability does against records, in one line, where the study has them.
    pub fn of_records(&self) -> Option<String> {
        let none_used = self.none_used.map(|(.., summary)| summary.clone());
        none_used.or_else(|| self.judged.map(|judged| judged.summary.clone()))
    }

    /// What the rasters and vectors are made of.
    pub fn products(&self) -> products::Stages<'a> {
        products::Stages {
            context: self.context,
            cases: self.cases,
            water: self.water,
            response: self.response,
            case_water: self.case_water,
            suitability: self.suitability,
            patches: self.patches,
            connections: self.connections,
            novelty: self.judged.map_or(&[], |judged| &judged.novelty),
            costs: self.costs,
            ranges: self.ranges,
            refuges: self.refuges,
            ensembles: self.ensembles,
        }
    }
}

/// Which share of the usual wet area follows the index.
fn index_note(study: &Study, response: &ResponseProducts) -> Option<String> {
    let share = response.index_led_share().filter(|_| study.inundation.driver == Driver::Index)?;
    Some(format!(
        "{:.0} % of the usual wet area follows the drought index (one unit brings at least half a month of water); the rest hardly does, and in a climate scenario little changes there.",
        100.0 * share
    ))
}
