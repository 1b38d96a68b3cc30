//! What a sound study resolves to.

use crate::common::{Folder, GOOD, edited};
use lentic_study::settings::{
    Curve, Drawdown, Driver, Files, IndexMonths, LayerKind, Measure, Missing, PatchWeight, Role,
    WaterContent, ZeroRule,
};
use lentic_study::{Study, settings};

fn good() -> Study {
    let (study, warnings) = Folder::new(GOOD).load().unwrap();
    assert_eq!(warnings, []);
    study
}

#[test]
fn order_is_the_file_s() {
    let study = good();
    let layers: Vec<&str> = study.layers.iter().map(|l| l.name.as_str()).collect();
    assert_eq!(
        layers,
        [
            "water",
            "wetland_class",
            "ground",
            "depth",
            "land_cover",
            "land_cover_2050",
            "districts",
            "roads",
            "fall"
        ]
    );
    let variables: Vec<(&str, &str)> =
        study.variables().map(|(r, v)| (r.name.as_str(), v.name.as_str())).collect();
    assert_eq!(
        variables,
        [
            ("water", "hydroperiod"),
            ("water", "depth"),
            ("cover", "plants"),
            ("cover", "reeds near"),
            ("nesting", "way to water"),
            ("nesting", "nest ground"),
        ]
    );
}

#[test]
fn defaults_are_filled_in() {
    let study = good();
    assert_eq!((study.seed, study.period.water_year_starts), (1, 1));
    assert_eq!(study.period.reference, study.period.baseline);
    let water = study.layer_with(Role::Water).unwrap();
    assert_eq!((water.holds, water.wet_at, water.band), (WaterContent::Mask, 0.5, 1));
    assert_eq!(study.layer_with(Role::Zones).unwrap().name, "districts");
    assert_eq!(study.layer("roads").unwrap().kind, LayerKind::Mask);
    let climate = study.climate.as_ref().unwrap();
    assert_eq!((climate.zero, climate.latitude), (ZeroRule::Centre, None));
    assert_eq!((&climate.months, &climate.zones), (&IndexMonths::Fixed(12), &None));
    let expected = settings::Inundation {
        driver: Driver::Index,
        groups: Some("wetland_class".into()),
        water_limit_months: 3.0,
        minimum_months: 24,
        minimum_calendar_months: 6,
        logits_per_metre: None,
        pool_levels: true,
        realisations: 10,
        intercept_sd: 10.0,
        index_sd: 0.4,
        season_sd: 1.0,
    };
    assert_eq!(study.inundation, expected);
    assert!(study.patches.corners_join);
    assert_eq!((study.patches.minimum_ha, study.patches.edge_m), (0.5, 0.0));
    let crossing = study.patches.crossing.unwrap();
    let resistance = [(1, 1.0), (2, 2.5), (4, f64::INFINITY)];
    assert_eq!((crossing.layer.as_str(), crossing.resistance), ("land_cover", resistance.into()));
    assert_eq!(crossing.barriers, [("roads".to_string(), 20.0)].into());
    assert_eq!((crossing.effective_m, crossing.limit_m, crossing.weight), (500.0, 2000.0, PatchWeight::Area));
    assert_eq!(study.scenarios[1].title, "pumping");
}

#[test]
fn paths_are_absolute() {
    let study = good();
    assert!(study.path.is_absolute());
    for layer in &study.layers {
        match &layer.files {
            Files::One(path) => assert!(path.is_absolute(), "{path:?}"),
            Files::Pattern(pattern) => {
                assert!(pattern.starts_with('/') && pattern.ends_with("water_{year}-{month}.tif"));
            }
        }
    }
}

#[test]
fn weights_sum_to_one() {
    let study = good();
    let weights: Vec<f64> = study.requisites.iter().map(|r| r.weight).collect();
    assert_eq!(weights, [0.2, 0.6, 0.2]);
    // Two things compared as 3 to 1 weigh 3/4 and 1/4, and cannot contradict each other (Saaty 1980).
    let water = &study.requisites[0];
    assert!((water.variables[0].weight - 0.75).abs() < 1e-12);
    assert!((water.variables[1].weight - 0.25).abs() < 1e-12);
    assert!(water.consistency_ratio.unwrap().abs() < 1e-12);
    let cover: Vec<f64> = study.requisites[1].variables.iter().map(|v| v.weight).collect();
    assert_eq!(cover, [1.0 / 3.0, 2.0 / 3.0]);
}

/// Saaty 2008, Int. J. Services Sciences 1(1):83-98, Table 4: [1 1/3 1/6; 3 1 1/4; 6 4 1] weighs .091 .218 .691
/// (printed). The fractions are typed to two decimals here, as in a study file.
#[test]
fn requisites_are_weighed_by_pairs_in_their_own_order() {
    let text = edited(&[
        ("weight = 3.0\n", ""),
        (
            "barriers =",
            "order = [\"nesting\", \"water\", \"cover\"]\n\
             pairwise = [[1, 0.33, 0.17], [3, 1, 0.25], [6, 4, 1]]\nbarriers =",
        ),
    ]);
    let (study, _) = Folder::new(&text).load().unwrap_or_else(|p| panic!("{p}"));
    for (name, printed) in [("nesting", 0.091), ("water", 0.218), ("cover", 0.691)] {
        let weight = study.requisites.iter().find(|r| r.name == name).unwrap().weight;
        assert!((weight - printed).abs() <= 0.0005, "{name}: {weight}");
    }
    // Recomputed with numpy.linalg.eig: lambda_max 3.053621576, consistency ratio 0.046225496.
    let ratio = study.suitability.consistency_ratio.unwrap();
    assert!((ratio - 0.046225496).abs() < 1e-8, "{ratio}");
}

#[test]
fn measures_and_curves_are_resolved() {
    let study = good();
    let variable = |name: &str| study.variables().find(|(_, v)| v.name == name).unwrap().1;
    let plants = variable("plants");
    assert_eq!(plants.measure, Measure::Class("wetland_class".into()));
    let scores = [(0, 0.0), (1, 0.2), (2, 1.0), (3, 0.9)];
    assert_eq!(plants.curve, Curve::Classes(scores.into()));
    assert_eq!(plants.if_missing, Missing::NotAssessed);
    let reeds = variable("reeds near");
    let share = Measure::ShareOfClass { layer: "land_cover".into(), classes: vec![2, 3], radius_m: 150.0 };
    assert_eq!((&reeds.measure, reeds.if_missing), (&share, Missing::Score(0.0)));
    let best = Curve::Gaussian { best: 60.0, spread: 80.0 };
    assert_eq!(variable("way to water").curve, best);
    assert_eq!(variable("depth").if_missing, Missing::Omit);
}

#[test]
fn a_legend_gives_names_and_the_columns_that_hold_numbers() {
    let study = good();
    let legend = study.layer("wetland_class").unwrap().legend.clone().unwrap();
    assert_eq!(legend.classes[&3].name, "spring-fed marsh, shrubs");
    assert_eq!(legend.classes[&3].scores, [("cover".to_string(), 0.9)].into());
}

#[test]
fn a_legend_may_come_from_a_spreadsheet() {
    let text = "\u{feff}code , name,cover\r\n0, upland, 0\r\n1,pool,0.2\r\n\r\n2,marsh,1\r\n";
    let folder = Folder::new(GOOD).with("wetland_class.csv", text);
    let (study, _) = folder.load().unwrap_or_else(|problems| panic!("{problems}"));
    let legend = study.layer("wetland_class").unwrap().legend.clone().unwrap();
    let names: Vec<&str> = legend.classes.values().map(|c| c.name.as_str()).collect();
    assert_eq!(names, ["upland", "pool", "marsh"]);
}

#[test]
fn scenarios_are_resolved() {
    let study = good();
    let [drier, pumping, both, crops] = study.scenarios.as_slice() else { panic!("four scenarios") };
    assert_eq!(drier.precipitation_factor, [0.85; 12]);
    assert_eq!(drier.temperature_c, [1.0; 12]);
    assert!(drier.changes_climate() && !pumping.changes_climate());
    assert_eq!(pumping.drawdown, Drawdown::ByZone([(1, 0.4)].into()));
    assert_eq!(both.drawdown, Drawdown::Layer("fall".into()));
    assert!(both.drawdown_replaces_climate && !pumping.drawdown_replaces_climate);
    assert_eq!((both.precipitation_factor[0], both.precipitation_factor[5]), (0.9, 1.0));
    assert_eq!(crops.land_cover.as_deref(), Some("land_cover_2050"));
    assert!(crops.replay.is_empty() && !crops.continue_trend);
}

#[test]
fn years_and_trends_are_resolved() {
    let fall = "drawdown_m = { 1 = 0.4 }";
    let with = |new: &str| Folder::new(&edited(&[(fall, new)])).load().unwrap().0.scenarios[1].clone();
    let years = with("replay = { years = [2009, 2006, 2006] }");
    assert_eq!(years.replay, [2009, 2006, 2006]);
    assert!(years.changes_climate());
    assert_eq!(with("replay = { from = 2008, to = 2010 }").replay, [2008, 2009, 2010]);
    let trend = with("continue_trend = true\nhorizon = 2020");
    assert!(trend.continue_trend && !trend.changes_climate() && trend.horizon == Some(2020));
}

#[test]
fn records_and_the_threshold_they_set() {
    let records = good().records.unwrap();
    assert!(records.file.is_absolute() && records.file.ends_with("records.csv"));
    assert_eq!((records.maximum_uncertainty_m, records.background), (150.0, 10_000));
    assert_eq!((records.from, records.to), (Some("1995-01".parse().unwrap()), None));
    assert_eq!((records.effort.as_deref(), records.block_m), (Some("fall"), None));

    // Finer cells than a hundred metres: a hundred metres; coarser ones: the cell.
    let maximum = |cell: &str| {
        let edits = [("maximum_uncertainty_m = 150.0\n", ""), ("cell_m = 30.0", cell)];
        let (study, _) = Folder::new(&edited(&edits)).load().unwrap();
        study.records.unwrap().maximum_uncertainty_m
    };
    assert_eq!((maximum("cell_m = 30.0"), maximum("cell_m = 250.0")), (100.0, 250.0));

    let (study, _) =
        Folder::new(&edited(&[("threshold = 0.5", "threshold = \"tenth percentile of records\"")]))
            .load()
            .unwrap();
    assert_eq!(study.suitability.threshold_rule, Some(settings::ThresholdRule::TenthPercentile));
    assert!(study.suitability.threshold.is_nan());
    assert_eq!((good().suitability.threshold, good().suitability.threshold_rule), (0.5, None));
}
