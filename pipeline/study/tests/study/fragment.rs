//! Fragments: what is written reads back as a study.

use crate::common::{Folder, GOOD};
use lentic_study::fragment::{FittedVariable, FragmentError};
use lentic_study::options::{CurveSection, Threshold, ThresholdRule};
use lentic_study::settings::{Curve, Measure, Missing};
use lentic_study::{fragment, parse};
use std::path::Path;

fn variable(name: &str, points: &[[f64; 2]]) -> FittedVariable {
    let curve = CurveSection { points: Some(points.to_vec()), ..CurveSection::default() };
    FittedVariable { name: name.into(), curve, missing: 0.5 }
}

#[test]
fn a_fragment_takes_the_place_of_requisites_and_suitability() {
    let (file, _) = parse(Path::new("study.toml"), GOOD.to_string()).unwrap();
    let classes = [("1".to_string(), 0.25), ("4".to_string(), 1.0)].into();
    let curve = CurveSection { classes: Some(classes), ..CurveSection::default() };
    let curves = [
        variable("way to water", &[[0.0, 1.0], [250.0, 0.5], [500.0, 0.03125]]),
        FittedVariable { name: "nest ground".into(), curve, missing: 0.5 },
        // its missing values score 0 in the study
        variable("reeds near", &[[0.0, 0.25], [1.0, 1.0]]),
    ];
    let text = fragment(&file, &curves, Threshold::Rule(ThresholdRule::Best)).unwrap();
    insta::assert_snapshot!(text);
    // the study with the fragment in place of its own sections
    let head = GOOD.split("[requisites.").next().unwrap();
    let tail = &GOOD[GOOD.find("[patches]").unwrap()..];
    let (study, _) = Folder::new(&format!("{head}{text}\n{tail}")).load().unwrap();
    let variables: Vec<_> = study.variables().map(|(_, v)| v).collect();
    assert_eq!(variables.len(), 3);
    assert_eq!(variables[0].measure, Measure::DistanceToWater { limit_m: 500.0 });
    assert_eq!(variables[0].curve, Curve::Points(vec![[0.0, 1.0], [250.0, 0.5], [500.0, 0.03125]]));
    assert!(variables.iter().all(|v| v.weight == 1.0 / 3.0));
    let missing: Vec<Missing> = variables.iter().map(|v| v.if_missing).collect();
    assert_eq!(missing, [Missing::NotAssessed, Missing::NotAssessed, Missing::Score(0.5)]);
    assert_eq!(study.suitability.threshold_rule, Some(ThresholdRule::Best));
    assert!(study.suitability.threshold.is_nan());
    assert_eq!(study.suitability.barriers, ["roads"]);
}

#[test]
fn a_name_that_is_no_variable() {
    let (file, _) = parse(Path::new("study.toml"), GOOD.to_string()).unwrap();
    let refused = fragment(&file, &[variable("moon", &[])], Threshold::Number(0.5));
    assert_eq!(refused, Err(FragmentError::Variable("moon".into())));
}
