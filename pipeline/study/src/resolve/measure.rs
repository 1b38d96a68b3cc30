//! What a variable measures: the keys each measure needs, and no others.

use super::context::Context;
use crate::options::{LayerKind, MeasureKind, Role, VariableSection};
use crate::settings::Measure;
use crate::source::{item, key};

const ANY_KIND: [LayerKind; 5] =
    [LayerKind::Class, LayerKind::Continuous, LayerKind::Mask, LayerKind::Fraction, LayerKind::WaterHistory];

/// The keys of a variable that only some measures use.
const KEYS: [&str; 4] = ["layer", "classes", "limit_m", "radius_m"];

fn word(kind: MeasureKind) -> &'static str {
    match kind {
        MeasureKind::Layer => "layer",
        MeasureKind::Class => "class",
        MeasureKind::Hydroperiod => "hydroperiod",
        MeasureKind::Depth => "depth",
        MeasureKind::Slope => "slope",
        MeasureKind::DistanceToClass => "distance to class",
        MeasureKind::DistanceToWater => "distance to water",
        MeasureKind::ShareOfClass => "share of class",
        MeasureKind::ShareOfWater => "share of water",
    }
}

fn needed(kind: MeasureKind) -> &'static [&'static str] {
    match kind {
        MeasureKind::Layer | MeasureKind::Class => &["layer"],
        MeasureKind::Hydroperiod | MeasureKind::Depth | MeasureKind::Slope => &[],
        MeasureKind::DistanceToClass => &["layer", "classes", "limit_m"],
        MeasureKind::DistanceToWater => &["limit_m"],
        MeasureKind::ShareOfClass => &["layer", "classes", "radius_m"],
        MeasureKind::ShareOfWater => &["radius_m"],
    }
}

/// The measure of the variable at `at`; `None` once its problem is told.
pub(super) fn measure(context: &mut Context<'_>, at: &str, variable: &VariableSection) -> Option<Measure> {
    if context.spoilt.value(&key(at, "measure")) {
        if let Some(layer) = &variable.layer {
            context.layer(&key(at, "layer"), layer, &ANY_KIND);
        }
        return None;
    }
    let before = context.problems.len();
    let kind = variable.measure;
    check_keys(context, at, variable);
    for (name, value) in [("limit_m", variable.limit_m), ("radius_m", variable.radius_m)] {
        if let Some(value) = value.filter(|value| *value <= 0.0) {
            let at = key(at, name);
            let message = format!("{at} is {value}; metres above 0 are expected");
            context.problem(&at, message, "it is how far a cell looks");
        }
    }
    let layer = || variable.layer.clone().unwrap_or_default();
    let classes = || variable.classes.clone();
    let (limit_m, radius_m) = (variable.limit_m.unwrap_or_default(), variable.radius_m.unwrap_or_default());
    if needed(kind).contains(&"layer") {
        check_layer(context, at, variable);
    }
    let at_measure = key(at, "measure");
    let measure = match kind {
        MeasureKind::Layer => Measure::Layer(layer()),
        MeasureKind::Class => Measure::Class(layer()),
        MeasureKind::Hydroperiod => Measure::Hydroperiod,
        MeasureKind::Depth => {
            context.need_role(&at_measure, Role::Depth, "\"depth\"");
            Measure::Depth
        }
        MeasureKind::Slope => {
            context.need_role(&at_measure, Role::Ground, "\"slope\"");
            Measure::Slope
        }
        MeasureKind::DistanceToClass => {
            Measure::DistanceToClass { layer: layer(), classes: classes(), limit_m }
        }
        MeasureKind::DistanceToWater => Measure::DistanceToWater { limit_m },
        MeasureKind::ShareOfClass => Measure::ShareOfClass { layer: layer(), classes: classes(), radius_m },
        MeasureKind::ShareOfWater => Measure::ShareOfWater { radius_m },
    };
    let whole = needed(kind).iter().all(|name| context.source.has(&key(at, name)));
    (whole && context.problems.len() == before).then_some(measure)
}

fn check_keys(context: &mut Context<'_>, at: &str, variable: &VariableSection) {
    let kind = variable.measure;
    for name in KEYS {
        let at_key = key(at, name);
        let written = context.source.has(&at_key);
        let is_needed = needed(kind).contains(&name);
        if is_needed && !written {
            if context.spoilt.meant(at, name) {
                continue;
            }
            let message = format!("{at}: measure \"{}\" needs {name}", word(kind));
            let help = match name {
                "layer" => "name a layer of the study",
                "classes" => "list the class codes looked for, for example classes = [1, 3]",
                "limit_m" => "say how far distances are read, in metres",
                _ => "give the radius of the share, in metres",
            };
            context.problem(&key(at, "measure"), message, help);
        } else if written && !is_needed {
            let message = format!("{at}: measure \"{}\" has no use for {name}", word(kind));
            context.problem_at_key(&at_key, message, "take it out, or use another measure");
        }
    }
}

fn check_layer(context: &mut Context<'_>, at: &str, variable: &VariableSection) {
    let Some(layer) = &variable.layer else { return };
    let kinds: &[LayerKind] = match variable.measure {
        MeasureKind::Layer => &[LayerKind::Continuous, LayerKind::Fraction, LayerKind::Mask],
        _ => &[LayerKind::Class],
    };
    let found = context.layer(&key(at, "layer"), layer, kinds).is_some();
    if !needed(variable.measure).contains(&"classes") {
        return;
    }
    let at_classes = key(at, "classes");
    if variable.classes.is_empty() && context.source.has(&at_classes) {
        let message = format!("{at_classes} is empty");
        context.problem(&at_classes, message, "list the class codes looked for");
    }
    for (i, code) in variable.classes.iter().enumerate() {
        let at_code = item(&at_classes, i);
        if variable.classes[..i].contains(code) {
            let message = format!("{at_classes} names code {code} twice");
            context.problem(&at_code, message, "keep one of the two");
        } else if found {
            context.known_code(&at_code, layer, *code);
        }
    }
}
