//! What every step follows from. Whatever could change a step's cells has to stand here; what need not is left out, so that the
//! step is found again after a change of it. A new section of the study does not compile until it is named in [`sections`].

use super::ingredients::Ingredients;
use super::steps::Step;
use super::store::{Common, Store};
use crate::check::Checked;
use crate::climates::Climates;
use crate::inputs::digest;
use crate::stages::water::keeps_dry;
use lentic_habitat::climate::replay;
use lentic_report::Input;
use lentic_study::settings::{Climate, Drawdown, Layer, Role, Scenario, Series};
use lentic_study::{Month, Study};
use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Debug;
use std::path::Path;
use std::sync::OnceLock;

/// Digest of the program itself: another build may find other numbers under the same version. `None` where it cannot be read.
fn program() -> Option<String> {
    static DIGEST: OnceLock<Option<String>> = OnceLock::new();
    let read = || {
        // what runs, even if another has been put in its place since
        let own = digest(Path::new("/proc/self/exe")).ok();
        own.or_else(|| digest(&std::env::current_exe().ok()?).ok()).map(|(_, digest)| digest)
    };
    DIGEST.get_or_init(read).clone()
}

/// What all steps of a run follow from; `None` where the program cannot tell itself from others.
pub fn common(checked: &Checked, inputs: &[Input], tile: usize) -> Option<Common> {
    let study = &checked.study;
    let of = |label: &str| {
        let own = inputs.iter().filter(|input| input.layer == label);
        own.map(|input| format!("{} {}\n", input.bytes, input.content())).collect::<String>()
    };
    let libraries = format!("GDAL {}, PROJ {}", lentic_raster::gdal_version(), lentic_raster::proj_version());
    let program = program()?;
    let all = Ingredients::default()
        .text("the program", &program)
        .text("its libraries", &libraries)
        .text("the grid", &format!("{:?}{}", checked.grid, of("study area")))
        .text("the size of tiles", &tile.to_string())
        .text("seed", &study.seed.to_string())
        .text("[period]", &told(study, &study.period));
    let layers = study.layers.iter().map(|layer| {
        let files = format!("{}{}", of(&layer.name), of(&format!("{} (legend)", layer.name)));
        (layer.name.clone(), format!("{}\n{files}", settings_of(study, layer)))
    });
    let mut sections = sections(study);
    // of tables the months that are looked at, so that a newer month leaves what is kept
    let climate = checked.climates.until(needed_until(study));
    sections.entry("[climate]").or_default().push_str(&climate);
    sections.entry("[records]").or_default().push_str(&of("records"));
    Some(Common { program: format!("{program} {libraries}"), all, layers: layers.collect(), sections })
}

/// A setting in words that tell it from any other; paths as seen from the study, so that a study may move.
fn told(study: &Study, setting: &impl Debug) -> String {
    let folder = study.path.parent().unwrap_or(Path::new("")).to_string_lossy().into_owned();
    let text = format!("{setting:?}");
    if folder.is_empty() { text } else { text.replace(&folder, "") }
}

/// A layer without what is only told of it.
fn settings_of(study: &Study, layer: &Layer) -> String {
    let plain = Layer { source: String::new(), licence: String::new(), date: String::new(), ..layer.clone() };
    told(study, &plain)
}

/// The sections of a study by name.
fn sections(study: &Study) -> BTreeMap<&'static str, String> {
    let Study {
        path: _,
        text: _,
        name: _,
        organism: _,
        purpose: _,
        contact: _,
        licence: _,
        // in what all steps follow from
        seed: _,
        grid: _,
        period: _,
        layers: _,
        climate,
        inundation,
        requisites,
        suitability,
        patches,
        records,
        uncertainty,
        // worked anew in every run
        range: _,
        population: _,
        scenarios: _,
        drying_ladder,
        response_surface,
        over_time_years,
        water_requirement,
        publication: _,
        // what may be fetched changes nothing that is
        network: _,
    } = study;
    let text = |name, text| (name, text);
    BTreeMap::from([
        text("[climate]", told(study, climate)),
        text("[inundation]", told(study, inundation)),
        text("[requisites]", told(study, requisites)),
        text("[suitability]", told(study, suitability)),
        text("[patches]", told(study, patches)),
        text("[records]", told(study, records)),
        text("[uncertainty]", told(study, uncertainty)),
        text("[drying_ladder]", told(study, drying_ladder)),
        text("[response_surface]", told(study, response_surface)),
        text("[over_time]", told(study, over_time_years)),
        text("[water_requirement]", told(study, water_requirement)),
    ])
}

impl Common {
    fn section(&self, list: Ingredients, name: &'static str) -> Ingredients {
        list.text(name, self.sections.get(name).map_or("", String::as_str))
    }

    fn layers<'a>(&self, list: Ingredients, names: impl IntoIterator<Item = &'a str>) -> Ingredients {
        let names: BTreeSet<&str> = names.into_iter().collect();
        names
            .into_iter()
            .filter_map(|name| Some((name, self.layers.get(name)?)))
            .fold(list, |list, (name, text)| list.text(format!("layer {name}"), text))
    }
}

/// The last month that baseline and reference look at.
fn needed_until(study: &Study) -> Month {
    study.period.baseline.1.max(study.period.reference.1)
}

/// The last month a scenario replays.
fn replayed_until(study: &Study, scenario: &Scenario) -> Option<Month> {
    let starts = study.period.water_year_starts;
    let ends = scenario.replay.iter().filter_map(|year| replay::ends(*year, starts));
    ends.max()
}

/// Layers that say which climate a cell has.
fn of_climate(climate: &Climate) -> impl Iterator<Item = &str> {
    let series = climate.series().filter_map(|(_, series)| match series {
        Series::Layer(name) => Some(name.as_str()),
        Series::Column { .. } => None,
    });
    climate.zones.as_deref().into_iter().chain(series)
}

/// Layers of the record of water and of what it answers to.
fn of_water(study: &Study) -> Vec<&str> {
    let roles =
        [Role::Water, Role::Pools, Role::Ground].into_iter().filter_map(|role| study.layer_with(role));
    let mut names: Vec<&str> = roles.map(|layer| layer.name.as_str()).collect();
    names.extend(study.inundation.groups.as_deref());
    names.extend(study.climate.iter().flat_map(of_climate));
    names
}

/// What a case is called.
pub fn name_of(scenario: Option<&Scenario>) -> &str {
    scenario.map_or("baseline", |scenario| &scenario.name)
}

/// What tells apart what one step does several times, "" where it does so once.
pub fn of(step: Step, scenario: Option<&Scenario>) -> &str {
    if step == Step::Scenario { name_of(scenario) } else { "" }
}

fn scenario_named(scenario: Option<&Scenario>) -> String {
    format!("scenario {}", name_of(scenario))
}

/// Adds the climate of years replayed after the months that all looks at.
fn replayed(
    list: Ingredients,
    study: &Study,
    climates: &Climates,
    scenario: Option<&Scenario>,
) -> Ingredients {
    match scenario.and_then(|scenario| replayed_until(study, scenario)) {
        Some(until) if until > needed_until(study) => {
            list.text(format!("[climate] until {until}"), &climates.until(until))
        }
        _ => list,
    }
}

impl Store {
    fn after(&self, list: Ingredients, step: Step, of: &str) -> Ingredients {
        list.and(
            format!("what \"{}\" gave{}{of}", step.title(), if of.is_empty() { "" } else { " for " }),
            self.digest(step, of),
        )
    }

    /// What a step follows from; `scenario` is that of [`Step::Scenario`], `None` for the baseline.
    pub fn ingredients(
        &self,
        study: &Study,
        climates: &Climates,
        step: Step,
        scenario: Option<&Scenario>,
    ) -> Ingredients {
        match step {
            Step::Water => self.of_water(study, keeps_dry(study, climates)),
            Step::Beds
            | Step::Levels
            | Step::Priors
            | Step::Response
            | Step::Quality
            | Step::PoolGround
            | Step::PoolWater => self.of_fits(study),
            Step::Scenario => self.of_case(study, climates, scenario),
            Step::Years => self.of_years(study),
            Step::Habitat => self.of_habitat(study, climates),
            Step::Costs => self.of_variants(
                study,
                climates,
                &["[drying_ladder]", "[response_surface]", "[over_time]", "[water_requirement]"],
            ),
            Step::Past => self.of_variants(study, climates, &["[over_time]"]),
            Step::Members | Step::Sensitivity => self.of_variants(study, climates, &["[uncertainty]"]),
        }
    }

    /// The record of water; `keeps_dry`: whether cells never wet are kept too.
    fn of_water(&self, study: &Study, keeps_dry: bool) -> Ingredients {
        let common = &self.common;
        let list = common.section(common.all.clone(), "[climate]");
        let water = &study.inundation;
        let kept = format!("{:?} {} {}", water.driver, water.minimum_months, water.minimum_calendar_months);
        let ground = study.layer_with(Role::Ground).map(|layer| layer.name.as_str());
        let layers = of_water(study).into_iter().filter(|name| Some(*name) != ground);
        common.layers(list.text("minimum months", &kept).text("cells kept", &keeps_dry.to_string()), layers)
    }

    /// Pools, their levels, and the fit of cells.
    fn of_fits(&self, study: &Study) -> Ingredients {
        let common = &self.common;
        let list = common.section(common.section(common.all.clone(), "[climate]"), "[inundation]");
        self.after(common.layers(list, of_water(study)), Step::Water, "")
    }

    /// Water of a case, `None` for the baseline. What pools with curves saw, and trends carried on, follow from the same.
    fn of_case(&self, study: &Study, climates: &Climates, scenario: Option<&Scenario>) -> Ingredients {
        let common = &self.common;
        let yearly: Vec<_> = study.yearly_variables().collect();
        let with_depth = study.layer_with(Role::Depth).is_some();
        let list = self
            .of_fits(study)
            .text(scenario_named(scenario), &told(study, &scenario))
            .text("yearly measures", &format!("{yearly:?} {with_depth}"));
        let own = scenario.and_then(|scenario| match &scenario.drawdown {
            Drawdown::Layer(name) => Some(name.as_str()),
            _ => None,
        });
        let zones = study.layer_with(Role::Zones).map(|layer| layer.name.as_str());
        let list = common.layers(list, own.into_iter().chain(zones));
        let list = replayed(list, study, climates, scenario);
        self.after(list, Step::Response, "")
    }

    /// Yearly measures of the record.
    fn of_years(&self, study: &Study) -> Ingredients {
        let yearly: Vec<_> = study.yearly_variables().collect();
        self.of_fits(study).text("yearly measures", &format!("{yearly:?}"))
    }

    /// Suitability and change of all cases.
    fn of_habitat(&self, study: &Study, climates: &Climates) -> Ingredients {
        let common = &self.common;
        let mut list = common.section(common.section(self.of_fits(study), "[suitability]"), "[requisites]");
        if study.suitability.threshold_rule.is_some() {
            list = common.section(list, "[records]");
        }
        list = common.layers(list, study.layers.iter().map(|layer| layer.name.as_str()));
        for scenario in std::iter::once(None).chain(study.scenarios.iter().map(Some)) {
            list = list.text(scenario_named(scenario), &told(study, &scenario));
            list = replayed(list, study, climates, scenario);
            list = self.after(list, Step::Scenario, name_of(scenario));
        }
        self.after(list, Step::Years, "")
    }

    /// What is found of variants of the study: `asked` names the sections that ask for it.
    fn of_variants(&self, study: &Study, climates: &Climates, asked: &[&'static str]) -> Ingredients {
        let list = self.after(self.of_habitat(study, climates), Step::Habitat, "");
        let list = self.after(list, Step::Response, "");
        let list = self.common.section(list, "[patches]");
        asked.iter().fold(list, |list, name| self.common.section(list, name))
    }
}
