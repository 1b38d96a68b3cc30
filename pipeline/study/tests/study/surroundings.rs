//! Measures of single years and of water quality, and requisites that must be near one another.

use crate::common::{Folder, edited, said, warned};
use lentic_study::Study;
use lentic_study::settings::{Average, Curve, Measure, Near};

const HYDROPERIOD: &str = "measure = \"hydroperiod\"";

fn loaded(edits: &[(&str, &str)]) -> Study {
    Folder::new(&edited(edits)).load().unwrap_or_else(|problems| panic!("{problems}")).0
}

fn measured(keys: &str) -> Measure {
    let study = loaded(&[(HYDROPERIOD, keys)]);
    study.variables().next().unwrap().1.measure.clone()
}

#[test]
fn yearly_measures_are_resolved() {
    assert_eq!(
        measured("measure = \"longest wet spell\""),
        Measure::LongestWetSpell { average: Average::Score }
    );
    assert_eq!(
        measured("measure = \"wet and warm months\"\nwindow_c = [16, 33]\naverage = \"measure\""),
        Measure::WetAndWarmMonths { window_c: [16.0, 33.0], average: Average::Measure }
    );
    assert_eq!(
        measured("measure = \"share of years with a spell\"\nspell_months = 6\nseason = [10, 3]"),
        Measure::YearsWithSpell { months: 6, season: [10, 3] }
    );
    let study = loaded(&[("[inundation.prior]", "[inundation]\nrealisations = 25\n[inundation.prior]")]);
    assert_eq!(study.inundation.realisations, 25);
}

#[test]
fn yearly_measures_that_cannot_be() {
    insta::assert_snapshot!(said(&[
        (HYDROPERIOD, "measure = \"wet and warm months\""),
        (HYDROPERIOD, "measure = \"wet and warm months\"\nwindow_c = [33, 16]"),
        (HYDROPERIOD, "measure = \"share of years with a spell\"\nspell_months = 6"),
        (HYDROPERIOD, "measure = \"share of years with a spell\"\nspell_months = 13\nseason = [1, 12]"),
        (HYDROPERIOD, "measure = \"share of years with a spell\"\nspell_months = 7\nseason = [10, 3]"),
        (HYDROPERIOD, "measure = \"share of years with a spell\"\nspell_months = 2\nseason = [0, 13]"),
        (
            HYDROPERIOD,
            "measure = \"share of years with a spell\"\nspell_months = 2\nseason = [1, 6]\naverage = \"measure\""
        ),
        (HYDROPERIOD, "measure = \"hydroperiod\"\naverage = \"score\""),
        (HYDROPERIOD, "measure = \"longest wet spell\"\naverage = \"months\""),
        ("[inundation.prior]", "[inundation]\nrealisations = 0\n[inundation.prior]"),
    ]));
    let cold = edited(&[
        (HYDROPERIOD, "measure = \"wet and warm months\"\nwindow_c = [16, 33]"),
        (
            "temperature = { file = \"climate.csv\", column = \"temperature_c\" }\nindex = \"spei\"",
            "index = \"spi\"",
        ),
        ("temperature_c = 1.0", ""),
    ]);
    insta::assert_snapshot!("warmth_without_temperature", Folder::new(&cold).problems());
}

const NESTING: &str = "[requisites.nesting]\n";
const NEAR: &str = "[requisites.nesting]\nnear = { requisite = \"water\", within_m = 300.0 }\n";

#[test]
fn nearness_is_resolved() {
    let near = |text: &str| loaded(&[(NESTING, text)]).requisites[2].near.clone();
    let plain = Near { requisite: 0, within_m: 300.0, at_least: 0.5, curve: None };
    assert_eq!(near(NEAR), Some(plain.clone()));
    let full = "[requisites.nesting]\nnear = { requisite = \"cover\", within_m = 300.0, at_least = 0.7, \
                curve = { points = [[0, 1], [300, 0.2]] } }\n";
    let curve = Some(Curve::Points(vec![[0.0, 1.0], [300.0, 0.2]]));
    assert_eq!(near(full), Some(Near { requisite: 1, at_least: 0.7, curve, ..plain }));
    assert_eq!(near(NESTING), None);
}

#[test]
fn nearness_that_cannot_be() {
    let near = |keys: &str| format!("{NESTING}near = {{ {keys} }}\n");
    let edits = [
        near("requisite = \"watr\", within_m = 300"),
        near("requisite = \"nesting\", within_m = 300"),
        near("requisite = \"water\", within_m = 0"),
        near("requisite = \"water\", within_m = 300, at_least = 0"),
        near("requisite = \"water\", within_m = 300, at_least = 1.5"),
        near("requisite = \"water\""),
        near("requisite = \"water\", within_m = 300, curve = { points = [[0, 1]] }"),
        near("requisite = \"water\", within_m = 300, curve = { classes = { 1 = 1 } }"),
        near("requisite = \"water\", within_m = 300, curve = {}"),
    ];
    let edits: Vec<(&str, &str)> = edits.iter().map(|edit| (NESTING, edit.as_str())).collect();
    insta::assert_snapshot!(said(&edits));
    let circle = edited(&[
        (NESTING, NEAR),
        ("[requisites.water]\n", "[requisites.water]\nnear = { requisite = \"cover\", within_m = 60 }\n"),
        ("[requisites.cover]\n", "[requisites.cover]\nnear = { requisite = \"nesting\", within_m = 60 }\n"),
    ]);
    insta::assert_snapshot!("a_circle", Folder::new(&circle).problems());
    // near a circle without being part of it: told once
    let two = edited(&[
        (NESTING, NEAR),
        ("[requisites.water]\n", "[requisites.water]\nnear = { requisite = \"cover\", within_m = 60 }\n"),
        ("[requisites.cover]\n", "[requisites.cover]\nnear = { requisite = \"water\", within_m = 60 }\n"),
    ]);
    assert_eq!(Folder::new(&two).problems().lines().count(), 1);
}

const POOLS: &str = "[layers.pools]\nfile = \"zones.tif\"\nkind = \"class\"\n\n[layers.roads]";
const SALT: &str = "measure = \"water quality\"\nlayer = \"fall\"";

#[test]
fn water_quality_is_resolved() {
    let study = loaded(&[
        ("[layers.roads]", POOLS),
        (HYDROPERIOD, SALT),
        ("land_cover = \"land_cover_2050\"", "water_quality = { fall = 1.5 }"),
    ]);
    assert_eq!(study.variables().next().unwrap().1.measure, Measure::WaterQuality("fall".into()));
    assert_eq!(study.scenarios[3].water_quality, [("fall".to_string(), 1.5)].into());
}

#[test]
fn water_quality_that_cannot_be() {
    insta::assert_snapshot!(said(&[
        (HYDROPERIOD, SALT),
        (HYDROPERIOD, "measure = \"water quality\"\nlayer = \"roads\""),
        ("land_cover = \"land_cover_2050\"", "water_quality = { fal = 1.5 }"),
        ("land_cover = \"land_cover_2050\"", "water_quality = { fall = -1.5 }"),
    ]));
    insta::assert_snapshot!(
        "quality_that_nothing_measures",
        warned(&[("land_cover = \"land_cover_2050\"", "water_quality = { fall = 1.5 }")])
    );
}
