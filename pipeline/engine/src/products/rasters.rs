//! Which rasters a run has: their files, titles, bands and classes.

use super::{NO_DATA, Stages};
use crate::page_input::title;
use crate::tables::costs::{margin_classes, refuge_classes};
use crate::tables::limit_classes;
use crate::tables::over_time;
use lentic_raster::{ClassBand, CogData, FloatBand, Scratch};
use lentic_report::{ClassStyle, change_classes, not_assessed_classes, permanence_classes};

/// A raster to write.
pub(super) struct Raster<'a> {
    /// Its file in the folder of rasters.
    pub file: String,
    /// What it shows.
    pub title: String,
    /// Its bands.
    pub data: CogData<'a>,
}

impl Stages<'_> {
    /// All rasters, in the order listed.
    pub(super) fn rasters(&self) -> Vec<Raster<'_>> {
        let mut all = self.of_record();
        all.extend(self.of_cases());
        all.extend(self.of_novelty());
        all.extend(self.of_members());
        all.extend(self.of_costs());
        all.extend(self.of_scenarios_together());
        all.push(floats(
            "suitability_observed",
            "Wetland suitability by observed hydroperiod",
            &self.suitability.observed,
            "suitability",
            "0 to 1",
        ));
        all
    }

    /// Water as it was observed, how it answers to drought, and what is not assessed.
    fn of_record(&self) -> Vec<Raster<'_>> {
        let water = self.water;
        vec![
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
        ]
    }

    /// Water, suitability, limiting factor and change, case by case.
    fn of_cases(&self) -> Vec<Raster<'_>> {
        let mut all = Vec::new();
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
        all
    }

    /// How far conditions lie outside those at the records.
    fn of_novelty(&self) -> Vec<Raster<'_>> {
        let mut all = Vec::new();
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
        all
    }

    /// What members of uncertainty call habitat.
    fn of_members(&self) -> Vec<Raster<'_>> {
        let mut all = Vec::new();
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
        all
    }

    /// Drying margin and time of loss.
    fn of_costs(&self) -> Vec<Raster<'_>> {
        let mut all = Vec::new();
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
        all
    }

    /// What ensembles and all scenarios have in common.
    fn of_scenarios_together(&self) -> Vec<Raster<'_>> {
        let mut all = Vec::new();
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
        all
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
