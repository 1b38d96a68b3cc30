//! What a variable measures: the keys each measure needs, and no others.

use super::climate::may_have_climate;
use super::context::Context;
use crate::options::{Average, IndexKind, LayerKind, MeasureKind, Role, VariableSection};
use crate::settings::Measure;
use crate::source::{item, key};

const ANY_KIND: [LayerKind; 5] =
    [LayerKind::Class, LayerKind::Continuous, LayerKind::Mask, LayerKind::Fraction, LayerKind::WaterHistory];

/// The keys of a variable that only some measures use.
const KEYS: [&str; 8] =
    ["layer", "classes", "limit_m", "radius_m", "window_c", "spell_months", "season", "average"];

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
        MeasureKind::LongestWetSpell => "longest wet spell",
        MeasureKind::WetAndWarmMonths => "wet and warm months",
        MeasureKind::YearsWithSpell => "share of years with a spell",
        MeasureKind::WaterQuality => "water quality",
    }
}

fn needed(kind: MeasureKind) -> &'static [&'static str] {
    match kind {
        MeasureKind::Layer | MeasureKind::Class | MeasureKind::WaterQuality => &["layer"],
        MeasureKind::Hydroperiod | MeasureKind::Depth | MeasureKind::Slope | MeasureKind::LongestWetSpell => {
            &[]
        }
        MeasureKind::WetAndWarmMonths => &["window_c"],
        MeasureKind::YearsWithSpell => &["spell_months", "season"],
        MeasureKind::DistanceToClass => &["layer", "classes", "limit_m"],
        MeasureKind::DistanceToWater => &["limit_m"],
        MeasureKind::ShareOfClass => &["layer", "classes", "radius_m"],
        MeasureKind::ShareOfWater => &["radius_m"],
    }
}

/// Keys that a measure may have besides those it needs.
fn optional(kind: MeasureKind) -> &'static [&'static str] {
    match kind {
        MeasureKind::LongestWetSpell | MeasureKind::WetAndWarmMonths => &["average"],
        _ => &[],
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
    let average = variable.average.unwrap_or(Average::Score);
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
        MeasureKind::LongestWetSpell => Measure::LongestWetSpell { average },
        MeasureKind::WetAndWarmMonths => {
            Measure::WetAndWarmMonths { window_c: window_c(context, at, variable), average }
        }
        MeasureKind::YearsWithSpell => years_with_spell(context, at, variable),
        MeasureKind::WaterQuality => {
            for role in [Role::Depth, Role::Pools] {
                context.need_role(&at_measure, role, "\"water quality\"");
            }
            Measure::WaterQuality(layer())
        }
    };
    let whole = needed(kind).iter().all(|name| context.source.has(&key(at, name)));
    (whole && context.problems.len() == before).then_some(measure)
}

/// The window of activity, which needs a temperature to be held against.
fn window_c(context: &mut Context<'_>, at: &str, variable: &VariableSection) -> [f64; 2] {
    let window = variable.window_c.unwrap_or_default();
    let [low, high] = window;
    if variable.window_c.is_some() && low >= high {
        let at = key(at, "window_c");
        let message = format!("{at} is [{low}, {high}]; the second must be larger");
        context.problem(&at, message, "lowest and highest temperature, degrees Celsius");
    }
    let climate = context.file.climate.as_ref();
    let known = match climate {
        // an index given ready-made brings no weather
        Some(climate) if climate.index == IndexKind::Given => false,
        Some(climate) => {
            let meant = |name| context.spoilt.meant("climate", name);
            let mean = climate.temperature.is_some() || meant("temperature");
            let low = climate.temperature_min.is_some() || meant("temperature_min");
            mean || low && (climate.temperature_max.is_some() || meant("temperature_max"))
        }
        None => may_have_climate(context),
    };
    if !known {
        let at_measure = key(at, "measure");
        let message = format!("{at_measure}: \"wet and warm months\" needs monthly temperature");
        let help = match climate {
            Some(climate) if climate.index == IndexKind::Given => {
                "an index that is given ready-made brings no weather: measure \"longest wet spell\" instead, or use index = \"spi\" or \"spei\""
            }
            _ => "add temperature = { file = \"...\", column = \"...\" } under [climate]",
        };
        context.problem(&at_measure, message, help);
    }
    window
}

fn years_with_spell(context: &mut Context<'_>, at: &str, variable: &VariableSection) -> Measure {
    let months = variable.spell_months.unwrap_or(1);
    let season = variable.season.unwrap_or([1, 12]);
    let at_season = key(at, "season");
    let [first, last] = season;
    let mut sound = true;
    for (i, month) in season.into_iter().enumerate() {
        if !(1..=12).contains(&month) {
            sound = false;
            let at = item(&at_season, i);
            let message = format!("{at} is {month}; a calendar month from 1 to 12 is expected");
            context.problem(&at, message, "first and last month; [10, 3] runs over New Year");
        }
    }
    let length = if sound { (last + 12 - first) % 12 + 1 } else { 12 };
    if months > length && !context.spoilt.value(&at_season) {
        let at = key(at, "spell_months");
        let message = format!("{at} is {months}, but the season [{first}, {last}] has {length} months");
        context.problem(&at, message, "no year could reach it; shorten the spell or widen the season");
    }
    Measure::YearsWithSpell { months: months as usize, season }
}

fn check_keys(context: &mut Context<'_>, at: &str, variable: &VariableSection) {
    let kind = variable.measure;
    for name in KEYS {
        let at_key = key(at, name);
        let written = context.source.has(&at_key);
        let is_needed = needed(kind).contains(&name);
        let may_be = is_needed || optional(kind).contains(&name);
        if is_needed && !written {
            if context.spoilt.meant(at, name) {
                continue;
            }
            let message = format!("{at}: measure \"{}\" needs {name}", word(kind));
            let help = match name {
                "layer" => "name a layer of the study",
                "classes" => "list the class codes looked for, for example classes = [1, 3]",
                "limit_m" => "say how far distances are read, in metres",
                "window_c" => {
                    "give the lowest and highest monthly mean temperature of activity, for example \
                     window_c = [16.0, 33.0]"
                }
                "spell_months" => "say how many months without a break the spell must last",
                "season" => "give its first and last calendar month, for example season = [10, 3]",
                _ => "give the radius of the share, in metres",
            };
            context.problem(&key(at, "measure"), message, help);
        } else if written && !may_be {
            let message = format!("{at}: measure \"{}\" has no use for {name}", word(kind));
            context.problem_at_key(&at_key, message, "take it out, or use another measure");
        }
    }
}

fn check_layer(context: &mut Context<'_>, at: &str, variable: &VariableSection) {
    let Some(layer) = &variable.layer else { return };
    let kinds: &[LayerKind] = match variable.measure {
        MeasureKind::Layer => &[LayerKind::Continuous, LayerKind::Fraction, LayerKind::Mask],
        MeasureKind::WaterQuality => &[LayerKind::Continuous],
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
