//! The ways a climate may come: one series, by zone, by monthly layers, ready-made anomalies; and the length of the index.

use crate::common::{Folder, edited, said, warned};
use lentic_study::settings::{AnomalyScale, Files, IndexMonths, Series};
use lentic_study::{Study, options};

const RAIN: &str = "precipitation = { file = \"climate.csv\", column = \"precipitation_mm\" }";
const WARMTH: &str = "temperature = { file = \"climate.csv\", column = \"temperature_c\" }";

/// Where monthly layers are added.
const AFTER: &str = "[climate]\n";
const LAYERS: &str = "\
[layers.rain]
files = \"rain/rain_{year}-{month}.tif\"
kind = \"continuous\"

[layers.warmth]
file = \"depth.tif\"
kind = \"continuous\"
first_month = \"1988-01\"

[climate]
";

fn by_zone() -> String {
    let rain = RAIN.replace(" }", ", zone_column = \"zone\" }");
    edited(&[(RAIN, &rain)])
}

fn by_layer() -> String {
    edited(&[
        (AFTER, LAYERS),
        (RAIN, "precipitation = { layer = \"rain\" }"),
        (WARMTH, "temperature_min = { layer = \"warmth\" }\ntemperature_max = { layer = \"warmth\" }"),
        ("months = 12", "months = \"choose\"\nchoose_from = [12, 3, 6]"),
    ])
}

fn given() -> String {
    edited(&[
        (
            RAIN,
            "anomaly = { file = \"climate.csv\", column = \"anomaly\" }\nscale_kind = \"percent of normal\"",
        ),
        (WARMTH, ""),
        ("index = \"spei\"", "index = \"given\""),
        ("precipitation = -15.0\ntemperature_c = 1.0", "index_shift = -0.8"),
        (
            "precipitation = [-10, -10, -10, 0, 0, 0, 0, 0, 0, 0, 0, -20]",
            "index_shift = [-1, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0]",
        ),
    ])
}

/// A sound study of every other kind of climate than that of `GOOD`.
pub fn every_kind() -> [String; 3] {
    [by_zone(), by_layer(), given()]
}

fn sound(text: &str) -> Study {
    let (study, warnings) = Folder::new(text).load().unwrap_or_else(|problems| panic!("{problems}"));
    assert_eq!(warnings, []);
    study
}

#[test]
fn a_climate_by_zone() {
    let study = sound(&by_zone());
    let climate = study.climate.unwrap();
    // the layer with the role, as none is named
    assert_eq!(climate.zones.as_deref(), Some("districts"));
    assert_eq!(climate.precipitation.unwrap().zone_column(), Some("zone"));
    assert_eq!(climate.temperature.unwrap().zone_column(), None);
    let named = by_zone().replace("months = 12", "months = 12\nzones = \"land_cover\"");
    assert_eq!(sound(&named).climate.unwrap().zones.as_deref(), Some("land_cover"));
}

#[test]
fn a_climate_of_layers() {
    let study = sound(&by_layer());
    let climate = study.climate.clone().unwrap();
    assert_eq!(climate.precipitation, Some(Series::Layer("rain".into())));
    assert_eq!(climate.months, IndexMonths::Choose(vec![3, 6, 12]));
    assert_eq!(climate.series().count(), 3);
    let [rain, warmth] = ["rain", "warmth"].map(|name| study.layer(name).unwrap());
    assert!(rain.is_monthly() && warmth.is_monthly() && !study.layer("depth").unwrap().is_monthly());
    assert!(
        matches!(&rain.files, Files::Pattern(pattern) if pattern.ends_with("rain/rain_{year}-{month}.tif"))
    );
    assert_eq!(warmth.first_month.unwrap().to_string(), "1988-01");
    let all = by_layer().replace("choose_from = [12, 3, 6]", "");
    let lengths = vec![1, 2, 3, 6, 9, 12, 18, 24, 36, 48];
    assert_eq!(sound(&all).climate.unwrap().months, IndexMonths::Choose(lengths));
}

#[test]
fn anomalies() {
    let study = sound(&given());
    let climate = study.climate.unwrap();
    assert_eq!((climate.scale, climate.index), (AnomalyScale::PercentOfNormal, options::IndexKind::Given));
    assert!(climate.precipitation.is_none() && climate.anomaly.is_some());
    assert_eq!(study.scenarios[0].index_shift, [-0.8; 12]);
    assert!(study.scenarios[0].changes_climate() && study.scenarios[2].changes_climate());
    assert!(!study.scenarios[1].changes_climate());
}

#[test]
fn series() {
    insta::assert_snapshot!(said(&[
        (RAIN, ""),
        (RAIN, "precipitation = { file = \"climate.csv\" }"),
        (RAIN, "precipitation = {}"),
        (RAIN, "precipitation = { layer = \"rain\" }"),
        (RAIN, "precipitation = { layer = \"wetland_class\" }"),
        (RAIN, "precipitation = { layer = \"fall\" }"),
        (RAIN, "precipitation = { layer = \"fall\", column = \"p\" }"),
        (WARMTH, "temperature_min = { file = \"climate.csv\", column = \"t\" }"),
        (WARMTH, "temperature_max = { file = \"climate.csv\", column = \"t\" }"),
    ]));
}

#[test]
fn zones() {
    let zoned = RAIN.replace(" }", ", zone_column = \"zone\" }");
    insta::assert_snapshot!(said(&[
        ("months = 12", "months = 12\nzones = \"districts\""),
        (RAIN, &format!("{zoned}\nzones = \"district\"")),
        (RAIN, &format!("{zoned}\nzones = \"fall\"")),
    ]));
    let texts = [
        // no layer of zones at all (the drawdown by zone needs one too)
        by_zone().replace("role = \"zones\"\n", "").replace("drawdown_m = { 1 = 0.4 }", "drawdown_m = 0.4"),
        // half by zone, half by layer
        by_layer().replace(
            "\ntemperature_min",
            "\nanomaly = { file = \"climate.csv\", column = \"a\", zone_column = \"z\" }\ntemperature_min",
        ),
    ];
    let all: Vec<String> = texts.iter().map(|text| Folder::new(text).problems()).collect();
    insta::assert_snapshot!("zones_and_layers", all.join("\n\n"));
}

#[test]
fn monthly_layers() {
    let with = |edits: &[(&str, &str)]| {
        let text = edits.iter().fold(by_layer(), |text, (before, after)| {
            assert_eq!(text.matches(before).count(), 1, "{before:?} in the study");
            text.replace(before, after)
        });
        format!("{edits:?}\n==>\n{}\n", Folder::new(&text).problems())
    };
    let all = [
        with(&[("rain_{year}-{month}.tif", "rain_{year}-{month}-{day}.tif")]),
        with(&[("rain_{year}-{month}.tif", "rain_{month}.tif")]),
        with(&[("first_month = \"1988-01\"", "first_month = \"1988\"")]),
        with(&[("first_month = \"1988-01\"", "first_month = \"1988-01\"\nband = 2")]),
        with(&[(
            "rain/rain_{year}-{month}.tif\"",
            "rain/rain_{year}-{month}.tif\"\nfirst_month = \"1988-01\"",
        )]),
        with(&[("file = \"fall.tif\"", "file = \"fall.tif\"\nfirst_month = \"1988-01\"")]),
        with(&[("drawdown_m = \"fall\"", "drawdown_m = \"rain\"")]),
        with(&[("[layers.rain]", "[layers.rain]\nrole = \"depth\""), ("[layers.depth]", "[layers.deep]")]),
    ];
    insta::assert_snapshot!(all.join("\n"));
}

#[test]
fn lengths_of_the_index() {
    insta::assert_snapshot!(said(&[
        ("months = 12", "months = \"chose\""),
        ("months = 12", "months = \"12\""),
        ("months = 12", "months = 12\nchoose_from = [1, 2]"),
        ("months = 12", "months = \"choose\"\nchoose_from = [12]"),
        ("months = 12", "months = \"choose\"\nchoose_from = [12, 0, 12, 61]"),
        ("months = 12", "months = \"choose\"\n[inundation]\ndriver = \"season\""),
    ]));
}

#[test]
fn given_anomalies() {
    let anomaly = "anomaly = { file = \"climate.csv\", column = \"a\" }";
    insta::assert_snapshot!(said(&[
        ("index = \"spei\"", "index = \"given\""),
        ("months = 12", &format!("months = 12\n{anomaly}\nscale_kind = \"standardised\"")),
        ("temperature_c = 1.0", "temperature_c = 1.0\nindex_shift = -1"),
    ]));
    let texts = [
        given().replace("months = 12", "months = \"choose\""),
        given().replace("index_shift = -0.8", "precipitation = -15.0\ntemperature_c = 1.0"),
        given().replace("\"percent of normal\"", "\"percent\""),
        given().replace("scale_kind = \"percent of normal\"\n", ""),
    ];
    let all: Vec<String> = texts.iter().map(|text| Folder::new(text).problems()).collect();
    insta::assert_snapshot!("given_rules", all.join("\n\n"));
}

#[test]
fn keys_without_effect() {
    insta::assert_snapshot!(warned(&[("months = 12", "months = 12\nzero = \"mass\"")]));
    let text = given().replace("months = 12", &format!("months = 12\n{RAIN}"));
    insta::assert_snapshot!("precipitation_beside_anomalies", Folder::new(&text).warnings());
}
