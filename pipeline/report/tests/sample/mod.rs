//! A page of invented results: Talverra Sink and its turtle exist nowhere.

use lentic_report::{
    AreaRow, BoyceCurve, ClimateMark, ClimateSurface, Column, CurvePanel, CurveShape, Distribution, Drought,
    DroughtMonth, GridRecord, HabitatByYear, Headline, HeadlineRow, Input, LadderCurve, LossBreakdown,
    LossRow, MapLayer, MapPixels, MethodNote, PageInput, PatchMap, PeriodRecord, PlaceMesh, PopulationPath,
    Product, Program, ProtocolPart, Ramp, Reference, RunRecord, SensitivityPanel, SensitivityPart, Stage,
    StudyRecord, Table, YearLine, change_classes, not_assessed_classes, permanence_classes,
};

const WIDTH: usize = 420;
const HEIGHT: usize = 300;

/// The record and the tables a page borrows.
pub struct Sample {
    pub record: RunRecord,
    pub tables: Vec<Table>,
}

pub const SCENARIOS: [(&str, &str); 4] = [
    ("dry_15", "Rain down 15 %, 1.5 °C warmer, by 2050"),
    ("dry_30", "Rain down 30 %, 3 °C warmer, by 2080"),
    ("pumping", "Water table 0.5 m lower"),
    ("both", "Rain down 30 % and water table 0.5 m lower, by 2080"),
];

/// Depth of a made-up hollow at a pixel, about -1 to 1: three pools and a channel.
fn hollow(row: usize, col: usize) -> f32 {
    let (x, y) = (col as f32 / WIDTH as f32, row as f32 / HEIGHT as f32);
    let pool = |cx: f32, cy: f32, r: f32| {
        let d = ((x - cx).powi(2) * 1.9 + (y - cy).powi(2)).sqrt();
        1.0 - (d / r).powi(2)
    };
    let ripple = 0.13 * (x * 37.0 + (y * 23.0).sin() * 2.0).sin() * (y * 31.0 + (x * 19.0).cos()).cos();
    let channel = 0.55 - 14.0 * (y - 0.5 - 0.22 * (x * 7.0).sin()).abs();
    pool(0.3, 0.42, 0.24).max(pool(0.68, 0.6, 0.3)).max(pool(0.52, 0.2, 0.13)).max(channel).max(-1.0) + ripple
}

/// Outside the study area.
fn outside(row: usize, col: usize) -> bool {
    let (x, y) = (col as f32 / WIDTH as f32 - 0.5, row as f32 / HEIGHT as f32 - 0.5);
    x * x * 4.2 + y * y * 4.2 > 1.0 + 0.12 * (x * 12.0).sin()
}

fn cells<T>(value: impl Fn(f32) -> T, out: T) -> Vec<T>
where
    T: Copy,
{
    (0..WIDTH * HEIGHT)
        .map(|i| {
            let (row, col) = (i / WIDTH, i % WIDTH);
            if outside(row, col) { out } else { value(hollow(row, col)) }
        })
        .collect()
}

fn layer(id: &str, group: &str, scenario: Option<&str>, unit: &str, pixels: MapPixels) -> MapLayer {
    MapLayer {
        id: id.into(),
        title: scenario.map_or(group.to_string(), |scenario| format!("{group}: {scenario}")),
        group: group.into(),
        scenario: scenario.map(str::to_string),
        unit: unit.into(),
        caption: match group {
            "Change" => "Habitat in the baseline against habitat in the scenario.".into(),
            "Suitability" => "0 unsuitable, 1 best; habitat begins at 0.5.".into(),
            _ => "Invented pixels.".into(),
        },
        width: WIDTH,
        height: HEIGHT,
        step: 1,
        kept: Default::default(),
        pixels,
    }
}

fn maps() -> Vec<MapLayer> {
    let mut maps = Vec::new();
    let drop = |i: usize| [0.12, 0.3, 0.22, 0.5][i];
    for (i, (name, title)) in SCENARIOS.iter().enumerate() {
        let codes = cells(
            |h| match (h > 0.25, h - drop(i) > 0.25, h > 0.7 + drop(i) / 2.0) {
                (false, _, _) if i == 2 && h > 0.21 => 4,
                (false, _, _) => 0,
                (true, false, _) => 3,
                (true, true, false) => 2,
                (true, true, true) => 1,
            },
            255,
        );
        maps.push(layer(
            &format!("change_{name}"),
            "Change",
            Some(title),
            "",
            MapPixels::Classes { codes, styles: change_classes(), no_data: Some(255) },
        ));
    }
    let mut states = vec![("baseline", "Baseline", 0.0)];
    states.extend(SCENARIOS.iter().enumerate().map(|(i, (name, title))| (*name, *title, drop(i))));
    for (name, title, drop) in &states {
        let values = cells(|h| (0.45 + 0.55 * (h - drop)).clamp(0.0, 1.0), f32::NAN);
        let ramp = MapPixels::Ramp { values, min: 0.0, max: 1.0, ramp: Ramp::Suitability };
        maps.push(layer(&format!("suitability_{name}"), "Suitability", Some(title), "score 0 to 1", ramp));
    }
    for (name, title, drop) in &states {
        let values = cells(|h| (7.0 + 8.0 * (h - drop)).clamp(0.0, 12.0), f32::NAN);
        let ramp = MapPixels::Ramp { values, min: 0.0, max: 12.0, ramp: Ramp::Hydroperiod };
        maps.push(layer(&format!("hydroperiod_{name}"), "Hydroperiod", Some(title), "months per year", ramp));
    }
    let permanence = cells(|h| [0u8, 1, 2, 3, 4][((h + 0.6) * 3.0).clamp(0.0, 4.0) as usize], 255);
    maps.push(layer(
        "permanence",
        "Water permanence",
        None,
        "",
        MapPixels::Classes { codes: permanence, styles: permanence_classes(), no_data: Some(255) },
    ));
    let trend = cells(|h| (h * 1.1 - 0.9).clamp(-2.0, 2.0), f32::NAN);
    maps.push(layer(
        "water_trend",
        "Water trend",
        None,
        "months per year, per decade",
        MapPixels::Ramp { values: trend, min: -1.5, max: 1.5, ramp: Ramp::Trend },
    ));
    let reasons = cells(|h| u8::from(h < -0.85) + 2 * u8::from(h > 1.02), 255);
    maps.push(layer(
        "not_assessed",
        "Not assessed",
        None,
        "",
        MapPixels::Classes { codes: reasons, styles: not_assessed_classes(), no_data: Some(255) },
    ));
    maps
}

/// Two patches: left and right half of the best ground.
fn patch_map() -> PatchMap {
    let numbers = (0..WIDTH * HEIGHT).map(|at| {
        let (row, col) = (at / WIDTH, at % WIDTH);
        let habitat = !outside(row, col) && hollow(row, col) > 0.25;
        if habitat { 1 + u32::from(col > WIDTH / 2) } else { 0 }
    });
    PatchMap {
        width: WIDTH,
        height: HEIGHT,
        step: 1,
        numbers: numbers.collect(),
        table: "patches".into(),
        scenario: "baseline".into(),
        also_in: Vec::new(),
    }
}

fn headline() -> Headline {
    let row = |i: usize, kept: f64, degraded: f64, lost: f64, gained: f64| HeadlineRow {
        scenario: SCENARIOS[i].0.into(),
        title: SCENARIOS[i].1.into(),
        habitat_ha: kept + degraded + gained,
        range_ha: Some([0.86 * (kept + degraded), 1.11 * (kept + degraded)]),
        connected_ha: Some(0.71 * (kept + degraded + gained)),
        kept_ha: kept,
        degraded_ha: degraded,
        lost_ha: lost,
        gained_ha: gained,
        lost_percent: Some(100.0 * lost / 1284.6),
    };
    Headline {
        habitat_ha: 1284.6,
        range_ha: Some([1190.0, 1373.2]),
        connected_ha: Some(981.4),
        assessed_ha: 10_420.0,
        not_assessed_ha: 312.4,
        rows: vec![
            row(0, 861.3, 212.0, 211.3, 3.6),
            row(1, 402.2, 318.9, 563.5, 0.0),
            row(2, 640.0, 201.6, 443.0, 41.2),
            row(3, 96.1, 204.0, 984.5, 0.0),
        ],
    }
}

fn losses() -> Vec<LossBreakdown> {
    let row = |name: &str, habitat_ha: f64, shares: [f64; 4]| LossRow {
        name: name.into(),
        habitat_ha,
        lost_ha: shares.map(|share| share * habitat_ha).to_vec(),
    };
    vec![
        LossBreakdown {
            name: "zone".into(),
            title: "Habitat lost by zone".into(),
            rows: vec![
                row("Ostrel Flats", 702.1, [0.1, 0.36, 0.3, 0.72]),
                row("Middle Sink", 431.0, [0.22, 0.5, 0.41, 0.81]),
                row("Quenby Arm and the shallow pools below it", 151.5, [0.3, 0.62, 0.37, 0.9]),
            ],
        },
        LossBreakdown {
            name: "wetland_class".into(),
            title: "Habitat lost by wetland class".into(),
            rows: vec![
                row("Reed marsh", 610.0, [0.12, 0.4, 0.3, 0.7]),
                row("Open pool", 520.6, [0.18, 0.47, 0.39, 0.83]),
                row("Wet meadow", 154.0, [0.31, 0.56, 0.36, 0.87]),
            ],
        },
    ]
}

fn drought() -> Drought {
    // A slow and a fast wave make a series with long droughts.
    let months: Vec<DroughtMonth> = (0..360)
        .map(|i| {
            let t = f64::from(i);
            let index = 1.3 * (t / 21.0).sin() + 0.8 * (t / 6.5 + 1.0).sin() + 0.5 * (t * 1.7).sin();
            DroughtMonth {
                month: format!("{}-{:02}", 1991 + i / 12, i % 12 + 1),
                index: (i >= 11).then_some(index.clamp(-3.5, 3.5)),
            }
        })
        .collect();
    let mut events: Vec<[String; 2]> = Vec::new();
    let mut first: Option<usize> = None;
    for (i, month) in months.iter().enumerate() {
        match (month.index.is_some_and(|index| index < 0.0), first) {
            (true, None) => first = Some(i),
            (false, Some(start)) => {
                if months[start..i].iter().any(|m| m.index.is_some_and(|x| x <= -1.0)) {
                    events.push([months[start].month.clone(), months[i - 1].month.clone()]);
                }
                first = None;
            }
            _ => {}
        }
    }
    Drought { index: "SPEI, 12 months".into(), id: String::new(), place: String::new(), months, events }
}

fn curves() -> Vec<CurvePanel> {
    let panel = |requisite: &str, variable: &str, measure: &str, unit: &str, shape| CurvePanel {
        requisite: requisite.into(),
        variable: variable.into(),
        measure: measure.into(),
        unit: unit.into(),
        distribution: match &shape {
            CurveShape::Line(points) => Distribution::Bins {
                span: [points[0][0], points[points.len() - 1][0]],
                cells: (0..40).map(|bin| if bin == 0 { 9000 } else { 30 * bin * (40 - bin) / 4 }).collect(),
                below: 0,
                above: 700,
            },
            CurveShape::Classes(scores) => {
                Distribution::Classes((0..scores.len() as u64).map(|class| class * 4000).collect())
            }
        },
        shape,
    };
    let smooth = (0..=60)
        .map(|i| {
            let x = f64::from(i) * 0.5;
            [x, (-(x - 8.0).powi(2) / 50.0).exp()]
        })
        .collect();
    vec![
        panel(
            "foraging water",
            "months with water",
            "hydroperiod",
            "months per year",
            CurveShape::Line(vec![[0.0, 0.0], [2.0, 0.1], [5.0, 0.7], [9.0, 1.0], [12.0, 0.85]]),
        ),
        panel(
            "foraging water",
            "water depth",
            "depth",
            "m",
            CurveShape::Line(vec![[0.0, 0.0], [0.2, 0.4], [0.6, 1.0], [1.5, 1.0], [3.0, 0.3]]),
        ),
        panel(
            "nesting ground",
            "distance to water",
            "distance to water",
            "m",
            CurveShape::Line(vec![[0.0, 0.2], [20.0, 1.0], [200.0, 1.0], [600.0, 0.0]]),
        ),
        panel("nesting ground", "slope of the bank", "slope", "degrees", CurveShape::Line(smooth)),
        panel(
            "cover",
            "plants of the margin",
            "land cover",
            "",
            CurveShape::Classes(vec![
                ("Reed marsh".into(), Some(1.0)),
                ("Wet meadow".into(), Some(0.7)),
                ("Open water".into(), Some(0.35)),
                ("Grazed steppe and fallow".into(), Some(0.1)),
                ("Bare salt".into(), Some(0.0)),
                ("Cloud".into(), None),
            ]),
        ),
    ]
}

fn tables() -> Vec<Table> {
    let headline = headline();
    let column = |value: fn(&HeadlineRow) -> f64| -> Vec<Option<f64>> {
        headline.rows.iter().map(|row| Some(value(row))).collect()
    };
    let habitat = Table {
        name: "habitat_area".into(),
        title: "Habitat area by scenario".into(),
        note: "Over the cells assessed in the baseline and in every scenario.".into(),
        columns: vec![
            Column::text(
                "scenario",
                "Name of the scenario.",
                SCENARIOS.iter().map(|s| Some(s.0.into())).collect(),
            ),
            Column::real("habitat_ha", "ha", "Habitat in the scenario.", column(|row| row.habitat_ha)),
            Column::real("kept_ha", "ha", "Habitat in both, not degraded.", column(|row| row.kept_ha)),
            Column::real(
                "degraded_ha",
                "ha",
                "Habitat in both, lower by 0.1 or more.",
                column(|row| row.degraded_ha),
            ),
            Column::real("lost_ha", "ha", "Habitat in the baseline only.", column(|row| row.lost_ha)),
            Column::real("gained_ha", "ha", "Habitat in the scenario only.", column(|row| row.gained_ha)),
            Column::real(
                "lost_percent",
                "%",
                "Lost, as a share of the baseline.",
                column(|row| row.lost_ha / 12.846),
            ),
            Column::integer(
                "patches",
                "",
                "Patches of habitat.",
                vec![Some(19), Some(27), Some(22), Some(11)],
            ),
            Column::real(
                "mean_patch_ha",
                "ha",
                "Mean area of a patch.",
                vec![Some(56.6), Some(26.7), Some(40.1), None],
            ),
        ],
    };
    let count = 340i64;
    let patches = Table {
        name: "patches".into(),
        title: "Patches of habitat, baseline".into(),
        note: String::new(),
        columns: vec![
            Column::text(
                "scenario",
                "Scenario.",
                (1..=count).map(|i| Some(if i <= 2 { "baseline" } else { "drier" }.into())).collect(),
            ),
            Column::integer("patch", "", "Number of the patch.", (1..=count).map(Some).collect()),
            Column::real("area_ha", "ha", "Area.", (1..=count).map(|i| Some(702.0 / i as f64)).collect()),
            Column::real(
                "nearest_m",
                "m",
                "Distance to the nearest other patch.",
                (1..=count).map(|i| (i % 9 != 0).then_some(30.0 * (i % 37) as f64)).collect(),
            ),
            Column::text(
                "fate",
                "What becomes of it in the driest scenario.",
                (1..=count)
                    .map(|i| Some(["kept", "shrunk", "split", "lost"][(i % 4) as usize].into()))
                    .collect(),
            ),
        ],
    };
    vec![habitat, patches]
}

fn record() -> RunRecord {
    let input = |layer: &str, file: String, bytes: u64, source: &str| Input {
        layer: layer.into(),
        file,
        bytes,
        server: None,
        blake3: "5f2c9b0e7a1d4c83a6e2f0b1c4d7e8f95f2c9b0e7a1d4c83a6e2f0b1c4d7e8f9".into(),
        source: source.into(),
        licence: "CC0-1.0".into(),
        date: "2021-02-01".into(),
    };
    let mut inputs: Vec<Input> = (1991..=2020)
        .map(|year| {
            input(
                "water",
                format!("water/water_{year}.tif"),
                184_220,
                "Invented monthly masks of surface water",
            )
        })
        .collect();
    inputs.push(input("ground", "ground.tif".into(), 1_204_118, "Invented elevation model"));
    inputs.push(input("land_cover", "land_cover.tif".into(), 64_002, ""));
    inputs.push(input("climate", "climate.csv".into(), 9_120, "Invented station series"));
    RunRecord {
        program: Program { name: "lentic".into(), version: "0.1.0".into(), gdal: "3.6.2".into(), ..Program::default() },
        edition: Default::default(),
        publication: None,
        zones_ha: Default::default(),
        run_id: "9b41c07e".into(),
        checksum: "5f0c1d2e3a4b59687716253443526170".into(),
        seal: String::new(),
        started: String::new(),
        study: StudyRecord {
            name: "Talverra Sink".into(),
            organism: "Talverra mud turtle".into(),
            purpose: "Where the turtle can live today, and what drought and pumping would leave of it. Every number is invented.".into(),
            contact: "Nobody: the basin is invented".into(),
            licence: "CC0-1.0".into(),
            path: "talverra.toml".into(),
            beside: "../talverra.toml".into(),
            blake3: "0c77aa19e0b4".repeat(5),
            text: "[study]\nname = \"Talverra Sink\"\norganism = \"Talverra mud turtle\"\n\n[grid]\ncrs = \"EPSG:6933\"\ncell_m = 30.0\n".into(),
            threshold: 0.5,
        },
        grid: GridRecord {
            crs: "EPSG:6933".into(),
            cell_m: 30.0,
            rows: 300,
            cols: 420,
            bounds: [1_000_000.0, 4_000_000.0, 1_012_600.0, 4_009_000.0],
            area_note: "The projection keeps areas, so every cell counts 900 m².".into(),
        },
        period: PeriodRecord {
            baseline: ["1991-01".into(), "2020-12".into()],
            reference: ["1991-01".into(), "2020-12".into()],
        },
        seed: 1,
        concentrations: Default::default(),
        inputs,
        stages: vec![Stage { name: "cells".into(), seconds: 1.25, cells: 126_000 }],
        warnings: vec![
            "Layer \"land_cover\" names no source; give [layers.land_cover] source so that others can check it.".into(),
            "31 months of the scenario \"dry_30\" lie outside the range of the reference period and are extrapolated.".into(),
        ],
        notes: vec!["Depth is held in the drought scenarios: the study gives no logits per metre.".into()],
        products: vec![
            Product { file: "rasters/suitability_baseline.tif".into(), bytes: 1, blake3: String::new(), title: "Suitability, baseline".into() },
            Product { file: "tables/habitat_area.csv".into(), bytes: 1, blake3: String::new(), title: "Habitat area by scenario".into() },
        ],
    }
}

impl Sample {
    pub fn new() -> Self {
        Sample { record: record(), tables: tables() }
    }

    pub fn page(&self) -> PageInput<'_> {
        PageInput {
            record: &self.record,
            headline: headline(),
            holds: vec!["Ostrel Flats keep the most: 197 ha in the driest scenario.".into()],
            goes_first: vec!["Quenby Arm: 30 % lost in the mildest scenario.".into()],
            uncertain: vec![
                "The range of a scenario comes from the curves, the weights and the threshold; it assumes that errors are shared within a response group.".into(),
                "A tenth of the baseline area is habitat by the observed but not by the modelled hydroperiod.".into(),
                "Temperature-only evapotranspiration can overstate drying under strong warming.".into(),
            ],
            maps: maps(),
            patches: Some(patch_map()),
            places: Some(PlaceMesh {
                columns: 2,
                rows: 2,
                degrees: vec![[34.1, 10.3], [34.1, 10.5], [34.0, 10.3], [34.0, 10.5]],
            }),
            losses: losses(),
            droughts: vec![drought()],
            curves: curves(),
            population: sample_population(),
            boyce: Some(BoyceCurve {
                points: (0..=100).map(|i| f64::from(i) / 100.0).map(|s| [0.05 + 0.9 * s, 3.0 * s * s]).collect(),
                index: Some(0.93),
                range: Some([0.81, 0.98]),
                thresholds: vec![("tenth percentile".into(), 0.46), ("study".into(), 0.5)],
            }),
            ladder: Some(LadderCurve {
                drying: "Loss of precipitation".into(),
                unit: "percent".into(),
                points: (0..=12).map(f64::from).map(|k| [5.0 * k, 3482.4 * 0.8f64.powf(k) + 9.0 * k, 3482.4 * 0.8f64.powf(k)]).collect(),
                half_lost: Some("20 percent".into()),
            }),
            sensitivity: vec![SensitivityPanel {
                title: "Habitat area, baseline".into(),
                parts: vec![
                    SensitivityPart {
                        name: "response curves".into(),
                        first: [0.31, 0.24, 0.39],
                        total: [0.42, 0.35, 0.5],
                        told: true,
                    },
                    SensitivityPart {
                        name: "weights".into(),
                        first: [0.01, -0.06, 0.08],
                        total: [0.05, 0.01, 0.11],
                        told: false,
                    },
                ],
            }],
            surface: Some(ClimateSurface {
                precipitation: vec![-40.0, -30.0, -20.0, -10.0, 0.0, 10.0],
                temperature_c: vec![0.0, 1.0, 2.0, 3.0],
                habitat_ha: (0..24).map(|k| 3482.4 * 0.8f64.powi(k / 6) * 0.75f64.powi(4 - k % 6).min(1.2)).collect(),
                marks: vec![
                    ClimateMark { title: "15 % less rain, 1 degree warmer".into(), precipitation: -15.0, temperature_c: 1.0 },
                    ClimateMark { title: "Half the rain & 5 degrees".into(), precipitation: -50.0, temperature_c: 5.0 },
                ],
            }),
            over_time: Some(HabitatByYear {
                past: (1991..=2020).map(|year| (year, 3400.0 + 300.0 * f64::from(year).sin())).collect(),
                range: Some([3100.0, 3700.0]),
                ways: vec![
                    YearLine {
                        title: "Drier".into(),
                        points: vec![(2020, 3482.4), (2035, 3000.0), (2050, 2700.0)],
                        range: Some([2100.0, 3000.0]),
                    },
                    YearLine { title: "Wells & <less> rain".into(), points: vec![(2020, 3482.4), (2080, 1200.0)], range: None },
                ],
            }),
            tables: &self.tables,
            methods: vec![
                MethodNote::new(ProtocolPart::Data, "Water history", "Per cell, the hydroperiod is the sum over calendar months of wet months divided by observed months.\n\nA cell needs 24 observed months in 6 calendar months, else it is not assessed."),
                MethodNote::new(ProtocolPart::Model, "Suitability", "Requisites combine by the geometric mean, so any missing one rules a cell out. Habitat begins at 0.5 (table patches; Saaty 1980).").formula("S = Π sᵢ^wᵢ"),
            ],
            not_assessed: vec![
                AreaRow { label: "Water record too short".into(), area_ha: 201.2 },
                AreaRow { label: "A layer has no data".into(), area_ha: 98.0 },
                AreaRow { label: "Surroundings too little assessed".into(), area_ha: 13.2 },
            ],
            cautions: vec![
                "This is where the settings say the animal could live. It is not where it was found, and not how many there are.".into(),
                "Assigning a category of extinction risk is for the assessors; nothing here is one.".into(),
                "Plants can hide water from above; pools under reed are wetter than the record says.".into(),
            ],
            references: vec![
                Reference {
                    text: "Saaty, T. L. (1980): The analytic hierarchy process. McGraw-Hill, New York.".into(),
                    doi: String::new(),
                },
                Reference {
                    text: "Zurell, D. et al. (2020): A standard protocol for reporting species distribution models. Ecography 43, 1261-1277.".into(),
                    doi: "10.1111/ecog.04960".into(),
                },
            ],
            cite: "lentic 0.1.0, run 9b41c07e: Talverra Sink, habitat of the Talverra mud turtle, 1991-01 to 2020-12.".into(),
        }
    }
}

/// One scenario that holds its animals and one that loses them, of other lengths.
fn sample_population() -> Vec<PopulationPath> {
    let path = |title: &str, years: usize, fall: f64, lost_share: f64| PopulationPath {
        title: title.into(),
        first_year: 2020,
        years: (0..=years)
            .map(|t| 240.0 * (1.0 - fall * t as f64 / years as f64))
            .map(|n| [0.7 * n, n, 1.2 * n])
            .collect(),
        room: [260.0, 260.0 * (1.0 - fall)],
        lost_share,
    };
    vec![path("Baseline", 60, 0.0, 0.0), path(SCENARIOS[0].1, 30, 0.9, 0.314)]
}
