//! Fragments: what is written reads back as a study.

use crate::common::{Folder, GOOD};
use lentic_study::fragment::FragmentError;
use lentic_study::options::{CurveSection, Threshold, ThresholdRule};
use lentic_study::settings::{Curve, Measure};
use lentic_study::{fragment, parse};
use std::path::Path;

fn points(points: &[[f64; 2]]) -> CurveSection {
    CurveSection { points: Some(points.to_vec()), ..CurveSection::default() }
}

#[test]
fn a_fragment_takes_the_place_of_requisites_and_suitability() {
    let (file, _) = parse(Path::new("study.toml"), GOOD.to_string()).unwrap();
    let classes = [("1".to_string(), 0.25), ("4".to_string(), 1.0)].into();
    let curves = [
        ("way to water".to_string(), points(&[[0.0, 1.0], [250.0, 0.5], [500.0, 0.03125]])),
        ("nest ground".to_string(), CurveSection { classes: Some(classes), ..CurveSection::default() }),
    ];
    let text = fragment(&file, &curves, Threshold::Rule(ThresholdRule::Best)).unwrap();
    insta::assert_snapshot!(text);
    // the study with the fragment in place of its own sections
    let head = GOOD.split("[requisites.").next().unwrap();
    let tail = &GOOD[GOOD.find("[patches]").unwrap()..];
    let (study, _) = Folder::new(&format!("{head}{text}\n{tail}")).load().unwrap();
    let variables: Vec<_> = study.variables().map(|(_, v)| v).collect();
    assert_eq!(variables.len(), 2);
    assert_eq!(variables[0].measure, Measure::DistanceToWater { limit_m: 500.0 });
    assert_eq!(variables[0].curve, Curve::Points(vec![[0.0, 1.0], [250.0, 0.5], [500.0, 0.03125]]));
    assert!(variables.iter().all(|v| v.weight == 0.5));
    assert_eq!(study.suitability.threshold_rule, Some(ThresholdRule::Best));
    assert!(study.suitability.threshold.is_nan());
    assert_eq!(study.suitability.barriers, ["roads"]);
}

#[test]
fn a_name_that_is_no_variable() {
    let (file, _) = parse(Path::new("study.toml"), GOOD.to_string()).unwrap();
    let refused = fragment(&file, &[("moon".to_string(), points(&[]))], Threshold::Number(0.5));
    assert_eq!(refused, Err(FragmentError::Variable("moon".into())));
}
