//! Problems of form: what `read` says about them.

use crate::common::{Folder, GOOD, edited, said};
use lentic_study::{load, parse};
use std::path::Path;

#[test]
fn text_that_is_not_toml() {
    let texts = [
        ("cell_m = 30.0", "cell_m = thirty"),
        ("cell_m = 30.0", "cell_m = 30.0\ncell_m = 60.0"),
        ("[grid]", "[grid"),
        ("\"1991-01\"", "1991-01"),
        ("name = \"drier\"", "name = \"drier"),
    ];
    insta::assert_snapshot!(said(&texts));
}

#[test]
fn keys() {
    insta::assert_snapshot!(said(&[
        ("cell_m = 30.0", "cellm = 30.0"),
        ("cell_m = 30.0", ""),
        ("minimum_ha = 0.5", "smallest = 0.5"),
        ("[patches]", "[patch]"),
        ("threshold = 0.5", "treshold = 0.5"),
        ("unit = \"m\"", "units = \"m\""),
        ("spread = 80.0", "sd = 80.0"),
        ("column = \"temperature_c\"", "colum = \"temperature_c\""),
        ("horizon = 2050", "horizont = 2050"),
    ]));
}

#[test]
fn types() {
    insta::assert_snapshot!(said(&[
        ("cell_m = 30.0", "cell_m = \"thirty\""),
        ("cell_m = 30.0", "cell_m = \"30\""),
        ("name = \"Talverra Sink\"", "name = 7"),
        ("bounds = [0, 0, 3000, 1500]", "bounds = [0, 0, 3000]"),
        ("bounds = [0, 0, 3000, 1500]", "bounds = [0, 0, 3000, \"x\"]"),
        ("months = 12", "months = 12.5"),
        ("horizon = 2050", "horizon = true"),
        ("precipitation = -15.0", "precipitation = [-15, -10]"),
        ("precipitation = -15.0", "precipitation = true"),
        ("drawdown_m = \"fall\"", "drawdown_m = [1]"),
        ("if_missing = 0", "if_missing = true"),
        ("if_missing = 0", "if_missing = \"omitt\""),
        ("[2, 0.0], [6, 1.0]", "[2], [6, 1.0]"),
        ("threshold = 0.5", "threshold = nan"),
        ("horizon = 2050", "horizon = 99999999999999999999"),
    ]));
}

#[test]
fn words_and_ranges() {
    insta::assert_snapshot!(said(&[
        ("kind = \"water-history\"", "kind = \"water_history\""),
        ("index = \"spei\"", "index = \"wetness\""),
        ("combine = \"minimum\"", "combine = \"min\""),
        ("role = \"zones\"", "role = 3"),
        ("months = 12", "months = 0"),
        ("months = 12", "months = 61"),
        ("cell_m = 30.0", "cell_m = 0"),
        ("threshold = 0.5", "threshold = 1.5"),
        ("threshold = 0.5", "threshold = \"max sensitivity\""),
        ("threshold = 0.5", "threshold = [0.5]"),
        ("weight = 2.0", "weight = -2.0"),
        ("horizon = 2050", "horizon = 2050000000000"),
    ]));
}

#[test]
fn problems_of_form_come_together_from_the_top_down() {
    let text = edited(&[
        ("cell_m = 30.0", "cell_m = \"thirty\""),
        ("unit = \"m\"", "units = \"m\""),
        ("index = \"spei\"", "index = \"spie\""),
        ("threshold = 0.5", "threshold = 5"),
        ("name = \"crops-2050\"", ""),
    ]);
    insta::assert_snapshot!(Folder::new(&text).problems());
}

#[test]
fn a_problem_points_at_the_very_text() {
    let text = edited(&[("cell_m = 30.0", "cell_m = \"thirty\""), ("unit = ", "units = ")]);
    let problems = parse(Path::new("study.toml"), text.clone()).err().unwrap().0;
    let shown: Vec<&str> =
        problems.iter().map(|p| p.place.unwrap()).map(|place| &text[place.start..place.end]).collect();
    assert_eq!(shown, ["\"thirty\"", "units"]);
}

#[test]
fn places_are_found_by_address() {
    let (_, source) = parse(Path::new("study.toml"), GOOD.to_string()).unwrap();
    let text = |at: &str| {
        let place = source.place_of(at).unwrap();
        &GOOD[place.start..place.end]
    };
    assert_eq!(text("scenarios[2].drawdown_m"), "\"fall\"");
    assert_eq!(text("requisites.water.variables[0].curve.points[1][0]"), "6");
    assert_eq!(text("layers.water.unobserved[0]"), "9");
    // Not written: the place is that of the table that should hold it.
    assert_eq!(source.place_of("layers.water.band"), source.place_of("layers.water"));
    let line = GOOD.lines().position(|l| l == "[layers.water]").unwrap() + 1;
    assert_eq!(source.place_of("layers.water").unwrap().line, line);
    assert_eq!(source.keys(&["layers"])[..2], ["water", "wetland_class"]);
}

#[test]
fn files_that_cannot_be_read() {
    let said = load(Path::new("no-such-folder/study.toml")).err().unwrap();
    assert!(said.to_string().contains("no-such-folder/study.toml: the study file cannot be read"));
    let latin = GOOD.replace("Talverra Sink", "Talverra S\u{ef}nk");
    let bytes: Vec<u8> = latin.chars().map(|c| c as u8).collect();
    insta::assert_snapshot!(Folder::new("").with("study.toml", bytes).problems());
    insta::assert_snapshot!(Folder::new("").problems());
}
