//! The rasters and vectors of a run, written from the flat files of the stages.

use crate::connection_layers::{connection_attributes, path_layer};
use crate::costs::Costs;
use crate::costs::ensembles::Ensemble;
use crate::costs::refuges::Refuges;
use crate::editions;
use crate::error::EngineError;
use crate::explain;
use crate::folder::Building;
use crate::page_input::title;
use crate::ranges::Ranges;
use crate::records::novelty::CaseNovelty;
use crate::run::VERSION;
use crate::stages::connection::CaseConnection;
use crate::stages::patches::CasePatches;
use crate::stages::response::ResponseProducts;
use crate::stages::scenarios::{Case, CaseWater};
use crate::stages::suitability::SuitabilityProducts;
use crate::stages::water::WaterProducts;
use crate::stages::{Context, bands};
use crate::stop;
use crate::tables::costs::{margin_classes, refuge_classes};
use crate::tables::over_time;
use crate::tables::{class_name, limit_classes};
use lentic_raster::{
    Attribute, AttributeValues, ClassBand, CogData, CogSpec, FloatBand, PatchLayer, PathLayer, Scratch,
    ScratchCell, write_patches_and_paths,
};
use lentic_report::{ClassStyle, change_classes, not_assessed_classes, permanence_classes};
use lentic_study::settings::Role;
use rayon::prelude::*;

/// No data in rasters of classes.
const NO_DATA: u8 = 255;

/// What the stages left.
pub struct Stages<'a> {
    /// The run.
    pub context: &'a Context<'a>,
    /// Cases, the baseline first.
    pub cases: &'a [Case<'a>],
    /// Water record.
    pub water: &'a WaterProducts,
    /// Response.
    pub response: &'a ResponseProducts,
    /// Water of the cases.
    pub case_water: &'a [CaseWater],
    /// Suitability and change.
    pub suitability: &'a SuitabilityProducts,
    /// Patches.
    pub patches: &'a [CasePatches],
    /// Connection, where the study asks for it.
    pub connections: Option<&'a [CaseConnection]>,
    /// Novelty of the cases, where there are records.
    pub novelty: &'a [CaseNovelty],
    /// What drying costs.
    pub costs: &'a Costs,
    /// Ranges over members, where the study asks for them.
    pub ranges: Option<&'a Ranges>,
    /// Refuges, where there are scenarios.
    pub refuges: Option<&'a Refuges>,
    /// Ensembles of scenarios.
    pub ensembles: &'a [Ensemble],
}

/// A raster to write.
struct Raster<'a> {
    file: String,
    title: String,
    data: CogData<'a>,
}

impl Stages<'_> {
    /// Clears cells outside the study area from the flat files that reach beyond it.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn mask_outside(&self) -> Result<(), EngineError> {
        if self.context.study.grid.area.is_none() {
            return Ok(());
        }
        let water = self.water;
        let floats = [
            &water.hydroperiod,
            &water.frequency,
            &water.recurrence,
            &water.slope,
            &water.p,
            &water.dry_run,
            &water.dry_run_censored,
            &water.half_change,
            &water.wet_spell,
            &water.drying,
            &water.dried,
            &self.response.slope,
            &self.response.slope_sd,
            &self.response.months_per_unit,
            &self.response.brier_saved,
        ];
        let of_cases = self.case_water.iter().flat_map(|w| [&w.hydroperiod, &w.hydroperiod_sd]);
        for scratch in floats.into_iter().chain(of_cases) {
            self.clear(scratch, f32::NAN)?;
        }
        self.clear(&water.permanence, NO_DATA)
    }

    fn clear<T: ScratchCell>(&self, scratch: &Scratch<T>, empty: T) -> Result<(), EngineError> {
        for band in bands(self.context.grid) {
            let inside = self.water.inside.read(&band)?;
            let mut cells = scratch.read(&band)?;
            for (cell, inside) in cells.iter_mut().zip(inside) {
                if inside == 0 {
                    *cell = empty;
                }
            }
            scratch.write(&band, &cells)?;
        }
        Ok(())
    }

    /// Writes all rasters, in parallel, and the patches.
    ///
    /// # Errors
    /// When a file cannot be written.
    pub fn write(&self, building: &Building) -> Result<(), EngineError> {
        building.section("rasters")?;
        let folder = building.run();
        let context = self.context;
        let rasters = self.rasters();
        let metadata = self.metadata();
        context.progress.start("writing rasters", (rasters.len() * context.grid.len()) as u64);
        let written: Vec<Result<(), EngineError>> = rasters
            .par_iter()
            .map(|raster| {
                stop::unless_asked()?;
                let spec = CogSpec { title: raster.title.clone(), metadata: metadata.clone(), threads: 1 };
                let place = (&*folder, &*format!("rasters/{}", raster.file));
                context.store.raster(place, context.grid, &spec, &raster.data)?;
                context.progress.advance(context.grid.len() as u64);
                Ok(())
            })
            .collect();
        context.progress.finish();
        written.into_iter().collect::<Result<(), _>>()?;
        let vectors = building.section("vectors")?;
        let cases = self.cases.iter().zip(self.connections.into_iter().flatten());
        let paths: Vec<PathLayer> =
            cases.map(|(case, found)| path_layer(context.grid, &case.name, found)).collect();
        let file = vectors.join("patches.gpkg");
        write_patches_and_paths(&file, context.grid, &self.patch_layers(), &paths)?;
        Ok(())
    }

    /// Writes what the explanation of a cell reads besides the layers: the water of every case, beyond the study area too, where
    /// distances and shares look. To be called before [`Stages::mask_outside`].
    ///
    /// # Errors
    /// When a file cannot be written.
    pub fn write_cells(&self, building: &Building) -> Result<(), EngineError> {
        building.section(explain::CELLS)?;
        let folder = building.run();
        let written: Vec<Result<(), EngineError>> = self
            .cases
            .par_iter()
            .zip(self.case_water)
            .map(|(case, water)| {
                let band = |cells, description: &str, unit: &str| FloatBand {
                    cells,
                    description: description.into(),
                    unit: unit.into(),
                };
                let mut bands = vec![band(&water.hydroperiod, "hydroperiod", "months per year")];
                bands.extend(water.fall.as_ref().map(|fall| band(fall, "fall of depth", "m")));
                for (variable, cells) in self.context.study.yearly_variables().zip(&water.yearly) {
                    bands.push(band(&cells.measure, &variable.name, variable.measure.unit()));
                    let score = cells.score.as_ref();
                    bands.extend(score.map(|score| band(score, &format!("score of {}", variable.name), "")));
                }
                let spec = CogSpec {
                    title: format!("Water of the cells: {}", case.name),
                    metadata: self.metadata(),
                    threads: 1,
                };
                let within = format!("{}/{}", explain::CELLS, explain::file_of_case(&case.name));
                self.context.store.raster(
                    (&folder, &within),
                    self.context.grid,
                    &spec,
                    &CogData::Floats(bands),
                )
            })
            .collect();
        written.into_iter().collect()
    }

    fn metadata(&self) -> Vec<(String, String)> {
        let study = self.context.study;
        let mut pairs = vec![
            ("study".to_string(), study.name.clone()),
            ("organism".to_string(), study.organism.clone()),
            ("program".to_string(), format!("lentic {VERSION}")),
        ];
        let mark = editions::of_run(&study.publication).mark;
        if !mark.is_empty() {
            pairs.push(("edition".into(), mark));
        }
        if !study.licence.is_empty() {
            pairs.push(("licence".into(), study.licence.clone()));
        }
        pairs
    }

    fn rasters(&self) -> Vec<Raster<'_>> {
        let water = self.water;
        let mut all = vec![
            floats(
                "hydroperiod_observed",
                "Observed hydroperiod over the baseline",
                &water.hydroperiod,
                "hydroperiod",
                "months per year",
            ),
            floats(
                "inundation_frequency",
                "Share of observed months that are wet",
                &water.frequency,
                "inundation frequency",
                "share",
            ),
            floats("recurrence", "Share of years with water", &water.recurrence, "recurrence", "share"),
            floats(
                "water_change",
                "Hydroperiod of the second half of the years minus the first",
                &water.half_change,
                "change of hydroperiod",
                "months per year",
            ),
            Raster {
                file: "longest_dry_run.tif".into(),
                title: "Longest run of months without water".into(),
                data: CogData::Floats(vec![
                    FloatBand {
                        cells: &water.dry_run,
                        description: "longest dry run".into(),
                        unit: "months".into(),
                    },
                    FloatBand {
                        cells: &water.dry_run_censored,
                        description: "1 where it may have been longer than seen".into(),
                        unit: String::new(),
                    },
                ]),
            },
            Raster {
                file: "wet_spell_observed.tif".into(),
                title: "Longest wet spell of the water years, and when water dries".into(),
                data: CogData::Floats(vec![
                    FloatBand {
                        cells: &water.wet_spell,
                        description: "longest wet spell, mean of the years".into(),
                        unit: "months".into(),
                    },
                    FloatBand {
                        cells: &water.drying,
                        description: "median month of drying, 1 January to 12 December".into(),
                        unit: String::new(),
                    },
                    FloatBand {
                        cells: &water.dried,
                        description: "share of the years that dried".into(),
                        unit: "share".into(),
                    },
                ]),
            },
            Raster {
                file: "response_to_drought.tif".into(),
                title: "Response of water to the drought index".into(),
                data: CogData::Floats(vec![
                    FloatBand {
                        cells: &self.response.months_per_unit,
                        description: "hydroperiod per unit of the index".into(),
                        unit: "months per year".into(),
                    },
                    FloatBand {
                        cells: &self.response.slope,
                        description: "slope on the index".into(),
                        unit: "logits per standard deviation".into(),
                    },
                    FloatBand {
                        cells: &self.response.slope_sd,
                        description: "standard deviation of the slope on the index".into(),
                        unit: "logits per standard deviation".into(),
                    },
                ]),
            },
            floats(
                "response_quality",
                "How well the response tells wet months, against the calendar, over the months it was fitted on",
                &self.response.brier_saved,
                "share of the Brier score of calendar-month means saved",
                "share",
            ),
            classes(
                "permanence",
                "Permanence of water by observed hydroperiod",
                &water.permanence,
                "permanence",
                permanence_classes(),
            ),
            classes(
                "not_assessed",
                "Cells not assessed, and why",
                &self.suitability.reason,
                "reason",
                not_assessed_classes(),
            ),
            Raster {
                file: "water_trend.tif".into(),
                title: "Trend of the yearly hydroperiod over the baseline".into(),
                data: CogData::Floats(vec![
                    FloatBand {
                        cells: &water.slope,
                        description: "Theil-Sen slope".into(),
                        unit: "months per decade".into(),
                    },
                    FloatBand {
                        cells: &water.p,
                        description: "p of the Mann-Kendall test, two-sided".into(),
                        unit: String::new(),
                    },
                ]),
            },
        ];
        for (at, case) in self.cases.iter().enumerate() {
            let name = &case.name;
            let of = case.scenario.map_or_else(|| "baseline".to_string(), |s| s.title.clone());
            let water = &self.case_water[at];
            all.push(Raster {
                file: format!("hydroperiod_{name}.tif"),
                title: format!("Expected hydroperiod: {of}"),
                data: CogData::Floats(vec![
                    FloatBand {
                        cells: &water.hydroperiod,
                        description: "hydroperiod".into(),
                        unit: "months per year".into(),
                    },
                    FloatBand {
                        cells: &water.hydroperiod_sd,
                        description: "standard deviation of the hydroperiod by the error of the cell's fit"
                            .into(),
                        unit: "months per year".into(),
                    },
                ]),
            });
            let values = &self.suitability.suitability[at];
            all.push(floats(
                &format!("suitability_{name}"),
                &format!("Wetland suitability: {of}"),
                values,
                "suitability",
                "0 to 1",
            ));
            all.push(classes(
                &format!("limiting_factor_{name}"),
                &format!("What limits the suitability: {of}"),
                &self.suitability.limiting[at],
                "limiting factor",
                limit_classes(self.context.study),
            ));
            if case.scenario.is_some() {
                let change = &self.suitability.change[at];
                all.push(classes(
                    &format!("change_{name}"),
                    &format!("Change of habitat: {of}"),
                    change,
                    "change",
                    change_classes(),
                ));
            }
        }
        for (case, found) in self.cases.iter().zip(self.novelty) {
            let of = case.scenario.map_or_else(|| "baseline".to_string(), |s| s.title.clone());
            all.push(Raster {
                file: format!("novelty_{}.tif", case.name),
                title: format!("How far conditions lie outside those at the records: {of}"),
                data: CogData::Floats(vec![
                    FloatBand {
                        cells: &found.novelty,
                        description: "distance beyond the range at the records".into(),
                        unit: "share of that range".into(),
                    },
                    FloatBand {
                        cells: &found.variable,
                        description: "variable farthest outside, by its number in table novelty; 0 inside"
                            .into(),
                        unit: String::new(),
                    },
                ]),
            });
        }
        for (case, shares) in self.cases.iter().zip(self.ranges.iter().flat_map(|ranges| &ranges.share)) {
            let of = case.scenario.map_or("baseline", |scenario| scenario.title.as_str());
            all.push(floats(
                &format!("habitat_share_{}", case.name),
                &format!("Share of members of uncertainty that call a cell habitat: {of}"),
                shares,
                "share of members",
                "0 to 1",
            ));
        }
        if let (Some(drying), Some(ladder)) = (&self.context.study.drying_ladder, &self.costs.ladder) {
            all.push(classes(
                "drying_margin",
                &format!("First step of {} at which today's habitat is none", drying.in_words()),
                &ladder.margin,
                "drying margin: codes are steps, see their names; 254 is more than the last step",
                margin_classes(drying),
            ));
        }
        for (case, (years, way)) in &self.costs.ways {
            let case = &self.cases[*case];
            all.push(classes(
                &format!("time_of_loss_{}", case.name),
                &format!("When today's habitat is lost: {}", title(case)),
                &way.margin,
                "time of loss: codes are spans of years, see their names; 254 is not by the horizon",
                over_time::classes(years),
            ));
        }
        for ensemble in self.ensembles {
            all.push(floats(
                &format!("ensemble_share_{}", ensemble.name),
                &format!("Share of the scenarios of ensemble {} in which a cell is habitat", ensemble.name),
                &ensemble.share,
                "share of scenarios",
                "0 to 1",
            ));
        }
        all.extend(self.refuges.map(|refuges| {
            classes(
                "refuges",
                "Habitat today and in every scenario",
                &refuges.cells,
                "refuge",
                refuge_classes(),
            )
        }));
        all.push(floats(
            "suitability_observed",
            "Wetland suitability by observed hydroperiod",
            &self.suitability.observed,
            "suitability",
            "0 to 1",
        ));
        all
    }

    fn patch_layers(&self) -> Vec<PatchLayer<'_>> {
        let zones = self.context.study.layer_with(Role::Zones);
        self.cases
            .iter()
            .zip(self.patches)
            .enumerate()
            .map(|(at, (case, found))| {
                let patches = &found.patches;
                let real = |name: &str, values: Vec<Option<f64>>| Attribute {
                    name: name.into(),
                    values: AttributeValues::Real(values),
                };
                let text = |name: &str, values: Vec<Option<String>>| Attribute {
                    name: name.into(),
                    values: AttributeValues::Text(values),
                };
                let core = match &found.core {
                    Some(core) => core.iter().map(|m2| Some(m2 / 10_000.0)).collect(),
                    None => vec![None; patches.len()],
                };
                let mut layer = PatchLayer {
                    name: case.name.clone(),
                    labels: &found.labels,
                    attributes: vec![
                        real("area_ha", patches.iter().map(|p| Some(p.area_m2 / 10_000.0)).collect()),
                        real("core_ha", core),
                        real("mean_suitability", patches.iter().map(|p| Some(p.suitability)).collect()),
                        real(
                            "mean_hydroperiod_months",
                            patches.iter().map(|p| Some(p.hydroperiod)).collect(),
                        ),
                        text(
                            "zone",
                            patches.iter().map(|p| p.zone.map(|z| class_name(zones, Some(z.0)))).collect(),
                        ),
                        real("nearest_neighbour_m", found.nearest.clone()),
                        text(
                            "cut",
                            patches
                                .iter()
                                .map(|p| Some(if p.cut { "yes" } else { "no" }.to_string()))
                                .collect(),
                        ),
                    ],
                };
                if let Some(all) = self.connections {
                    layer.attributes.extend(connection_attributes(&all[at]));
                }
                layer
            })
            .collect()
    }
}

fn floats<'a>(name: &str, title: &str, cells: &'a Scratch<f32>, description: &str, unit: &str) -> Raster<'a> {
    Raster {
        file: format!("{name}.tif"),
        title: title.into(),
        data: CogData::Floats(vec![FloatBand { cells, description: description.into(), unit: unit.into() }]),
    }
}

fn classes<'a>(
    name: &str,
    title: &str,
    cells: &'a Scratch<u8>,
    description: &str,
    styles: Vec<ClassStyle>,
) -> Raster<'a> {
    let colour = |style: &ClassStyle| {
        let [red, green, blue] = style.colour.0;
        (style.code, [red, green, blue, 255])
    };
    Raster {
        file: format!("{name}.tif"),
        title: title.into(),
        data: CogData::Classes(ClassBand {
            cells,
            description: description.into(),
            no_data: Some(NO_DATA),
            colours: styles.iter().map(colour).collect(),
            names: styles.iter().map(|style| (style.code, style.name.clone())).collect(),
        }),
    }
}
