//! Response curves over what is measured, and measures in words.

use crate::distribution::{Counts, line, span};
use crate::tables::class_name;
use lentic_report::{CurvePanel, CurveShape, Distribution};
use lentic_study::Study;
use lentic_study::settings::{Curve, Measure, Requisite, Variable};

/// Steps along a smooth curve.
const CURVE_STEPS: usize = 80;

/// Response curves of all variables over what they measure in the study area.
pub fn curves(study: &Study, distributions: &[Counts]) -> Vec<CurvePanel> {
    let panel = |((requisite, variable), counts): ((&Requisite, &Variable), &Counts)| {
        let layer = variable.measure.layer().and_then(|name| study.layer(name));
        let (measure, unit) = measure_words(study, variable);
        let (shape, distribution) = match &variable.curve {
            Curve::Classes(scores) => {
                let shape = scores.iter().map(|(code, score)| (class_name(layer, Some(*code)), Some(*score)));
                let cells = scores.keys().map(|code| counts.classes.get(code).copied().unwrap_or(0));
                (CurveShape::Classes(shape.collect()), Distribution::Classes(cells.collect()))
            }
            _ => {
                let bins = Distribution::Bins {
                    span: span(variable).unwrap_or_default(),
                    cells: counts.bins.clone(),
                    below: counts.beyond[0],
                    above: counts.beyond[1],
                };
                (CurveShape::Line(line(variable, CURVE_STEPS)), bins)
            }
        };
        CurvePanel {
            requisite: requisite.name.clone(),
            variable: variable.name.clone(),
            measure,
            unit,
            shape,
            distribution,
        }
    };
    study.variables().zip(distributions).map(panel).collect()
}

/// What a variable measures, in words, and its unit.
pub fn measure_words(study: &Study, variable: &Variable) -> (String, String) {
    let layer = variable.measure.layer().and_then(|name| study.layer(name));
    let unit = match &variable.measure {
        Measure::Layer(_) | Measure::WaterQuality(_) => layer.map_or("", |l| l.unit.as_str()),
        measure => measure.unit(),
    };
    (measure_word(study, &variable.measure), unit.to_string())
}

fn measure_word(study: &Study, measure: &Measure) -> String {
    let named = |layer: &str, classes: &[i32]| {
        let names = classes.iter().map(|code| class_name(study.layer(layer), Some(*code)));
        names.collect::<Vec<_>>().join(", ")
    };
    match measure {
        Measure::Layer(name) | Measure::Class(name) => name.replace('_', " "),
        Measure::Hydroperiod => "hydroperiod".into(),
        Measure::Depth => "water depth".into(),
        Measure::Slope => "slope".into(),
        Measure::DistanceToClass { layer, classes, .. } => format!("distance to {}", named(layer, classes)),
        Measure::DistanceToWater { .. } => "distance to water".into(),
        Measure::ShareOfClass { layer, classes, radius_m } => {
            format!("share of {} within {radius_m} m", named(layer, classes))
        }
        Measure::ShareOfWater { radius_m } => format!("share of water within {radius_m} m"),
        Measure::LongestWetSpell { .. } => "longest wet spell, mean of years".into(),
        Measure::WetAndWarmMonths { window_c: [low, high], .. } => {
            format!("months wet and {low} to {high} degrees C, mean of years")
        }
        Measure::YearsWithSpell { months, season: [first, last] } => {
            format!("years wet {months} months on end within months {first} to {last}")
        }
        Measure::WaterQuality(name) => format!("{} in the water", name.replace('_', " ")),
    }
}
