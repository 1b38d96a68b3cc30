//! `[climate]` and `[inundation]`.

use super::context::Context;
use super::grid::Months;
use super::series::{self, series};
use crate::options::{
    AnomalyScale, ClimateSection, Driver, IndexKind, IndexMonths as WrittenMonths, LayerKind, Role, ZeroRule,
};
use crate::settings::{Climate, IndexMonths, Inundation, Series};

/// Fewest reference months an index can be fitted on: ten of each calendar month.
const FEWEST_REFERENCE_MONTHS: i32 = 120;
/// Lengths tried where the study names none: common practice, from a month to four years.
const LENGTHS: [usize; 10] = [1, 2, 3, 6, 9, 12, 18, 24, 36, 48];
/// Longest sum.
const LONGEST: u32 = 60;

/// The climate; `None` where the study has none, or none whose main series could be read.
pub(super) fn climate(context: &mut Context<'_>, reference: Option<Months>) -> Option<Climate> {
    let file = context.file;
    let section = file.climate.as_ref()?;
    let mut read = |name, section: &Option<_>| section.as_ref().and_then(|s| series(context, name, s));
    let precipitation = read("precipitation", &section.precipitation);
    let temperature = read("temperature", &section.temperature);
    let temperature_min = read("temperature_min", &section.temperature_min);
    let temperature_max = read("temperature_max", &section.temperature_max);
    let anomaly = read("anomaly", &section.anomaly);
    let zones = series::zones(context);
    if !context.spoilt.value("climate.index") {
        needs(context, section);
        no_effect(context, section);
    }
    let months = months(context, section);
    if let Some((first, last)) = reference {
        let months = last.since(first) + 1;
        if months < FEWEST_REFERENCE_MONTHS {
            let at =
                if context.source.has("period.reference") { "period.reference" } else { "period.baseline" };
            let message = format!(
                "the drought index would be fitted on {months} months; at least \
                 {FEWEST_REFERENCE_MONTHS} are needed"
            );
            context.problem(at, message, "set period.reference to ten years or more, better thirty");
        }
    }
    // A series by zone can only be read with its zones.
    let placed = |series: &Series| zones.is_some() || series.zone_column().is_none();
    let known = |series: Option<Series>| series.filter(placed);
    let (precipitation, anomaly) = (known(precipitation), known(anomaly));
    let main = if section.index == IndexKind::Given { &anomaly } else { &precipitation };
    main.as_ref()?;
    // One extreme without the other says nothing.
    let extremes = known(temperature_min).zip(known(temperature_max));
    let (temperature_min, temperature_max) = extremes.unzip();
    Some(Climate {
        precipitation,
        temperature: known(temperature),
        temperature_min,
        temperature_max,
        anomaly,
        scale: section.scale_kind.unwrap_or(AnomalyScale::Standardised),
        zones,
        index: section.index,
        months,
        latitude: section.latitude,
        zero: section.zero.unwrap_or(ZeroRule::Centre),
    })
}

/// Refuses an index without the series it is made of.
fn needs(context: &mut Context<'_>, section: &ClimateSection) {
    let lacks = |name: &str, written: bool| !written && !context.spoilt.meant("climate", name);
    let lacks_temperature = lacks("temperature", section.temperature.is_some());
    let lacks_min = lacks("temperature_min", section.temperature_min.is_some());
    let lacks_max = lacks("temperature_max", section.temperature_max.is_some());
    let lacks_rain = lacks("precipitation", section.precipitation.is_some());
    let lacks_anomaly = lacks("anomaly", section.anomaly.is_some());
    let lacks_scale = lacks("scale_kind", section.scale_kind.is_some());
    for (lacking, there, one, other) in [
        (lacks_max, section.temperature_min.is_some(), "temperature_min", "temperature_max"),
        (lacks_min, section.temperature_max.is_some(), "temperature_max", "temperature_min"),
    ] {
        if lacking && there {
            let at = format!("climate.{one}");
            let message = format!("{at} is given without {other}");
            context.problem_at_key(
                &at,
                message,
                "evapotranspiration needs both extremes, or temperature alone",
            );
        }
    }
    let (word, sum) = match section.index {
        IndexKind::Spi => ("spi", true),
        IndexKind::Spei => ("spei", true),
        IndexKind::Given => ("given", false),
    };
    if sum && lacks_rain {
        let message = format!("climate.index is \"{word}\", which needs precipitation");
        let help =
            "add precipitation = { file = \"...\", column = \"...\" }, or use index = \"given\" with anomaly";
        context.problem("climate.index", message, help);
    }
    if section.index == IndexKind::Spei && lacks_temperature && (lacks_min && lacks_max) {
        context.problem(
            "climate.index",
            "climate.index is \"spei\", which needs temperature".into(),
            "add temperature = { file = \"...\", column = \"...\" } (or temperature_min and temperature_max), or use \
             index = \"spi\"",
        );
    }
    if !sum && lacks_anomaly {
        let help = "add anomaly = { file = \"...\", column = \"...\" } or anomaly = { layer = \"...\" }";
        context.problem("climate.index", "climate.index is \"given\", which needs anomaly".into(), help);
    }
    if !sum && lacks_scale {
        let help = "add scale_kind = \"standardised\" or \"percent of normal\"";
        context.problem("climate.index", "climate.index is \"given\", which needs scale_kind".into(), help);
    }
    for (name, there) in
        [("anomaly", section.anomaly.is_some()), ("scale_kind", section.scale_kind.is_some())]
    {
        if sum && there {
            let at = format!("climate.{name}");
            let message = format!("{at} is given, but climate.index is \"{word}\"");
            context.problem_at_key(&at, message, "use index = \"given\", or take it out");
        }
    }
}

/// Warns of keys that the index does not look at.
fn no_effect(context: &mut Context<'_>, section: &ClimateSection) {
    let percent = section.scale_kind == Some(AnomalyScale::PercentOfNormal);
    let (word, for_zero) = match section.index {
        IndexKind::Spi => return,
        IndexKind::Spei => ("index = \"spei\"", false),
        IndexKind::Given => ("index = \"given\" and standardised values", percent),
    };
    if section.zero.is_some() && !for_zero {
        let help = "it is for months without rain under \"spi\"";
        context.warn("climate.zero", format!("climate.zero has no effect with {word}"), help);
    }
    if section.index == IndexKind::Given && section.precipitation.is_some() {
        let message = "climate.precipitation has no effect with index = \"given\"".to_string();
        context.warn("climate.precipitation", message, "the anomalies stand in for the index; take it out");
    }
}

/// How many months the index sums, or which lengths are to be tried.
fn months(context: &mut Context<'_>, section: &ClimateSection) -> IndexMonths {
    if let (Some(_), WrittenMonths::Number(_)) = (&section.choose_from, &section.months)
        && !context.spoilt.value("climate.months")
    {
        let message = "climate.choose_from is given, but climate.months is a number".to_string();
        context.problem_at_key("climate.choose_from", message, "write months = \"choose\", or take it out");
    }
    match section.months {
        // A stand-in may be 0.
        WrittenMonths::Number(months) => IndexMonths::Fixed(months.max(1) as usize),
        WrittenMonths::Word(_) => {
            let why = match section.index {
                IndexKind::Given if !context.spoilt.value("climate.index") => Some((
                    "climate.index is \"given\": the anomalies are summed already",
                    "write over how many months they were summed",
                )),
                _ if driver(context) == Some(Driver::Season) => Some((
                    "inundation.driver is \"season\", so no water can tell which length fits",
                    "write the months, 12 is common practice, or use driver = \"index\"",
                )),
                _ => None,
            };
            if let Some((why, help)) = why {
                context.problem("climate.months", format!("climate.months is \"choose\", but {why}"), help);
            }
            IndexMonths::Choose(lengths(context, section))
        }
    }
}

/// The lengths to try, rising.
fn lengths(context: &mut Context<'_>, section: &ClimateSection) -> Vec<usize> {
    let Some(written) = &section.choose_from else { return LENGTHS.to_vec() };
    if context.spoilt.within("climate.choose_from") {
        return LENGTHS.to_vec();
    }
    for (i, months) in written.iter().enumerate() {
        let at = format!("climate.choose_from[{i}]");
        if !(1..=LONGEST).contains(months) {
            let message = format!("{at} is {months}; a number from 1 to {LONGEST} is expected");
            context.problem(&at, message, "months summed");
        } else if written[..i].contains(months) {
            context.problem(&at, format!("{at}: {months} stands twice"), "keep one");
        }
    }
    if written.len() < 2 {
        let message = format!("climate.choose_from is a list of {}; at least 2 are expected", written.len());
        context.problem("climate.choose_from", message, "with one length write months = that number");
    }
    let mut lengths: Vec<usize> = written.iter().map(|months| (*months).max(1) as usize).collect();
    lengths.sort_unstable();
    lengths.dedup();
    lengths
}

/// Whether the study has, or may have, a climate.
pub(super) fn may_have_climate(context: &Context<'_>) -> bool {
    context.file.climate.is_some() || context.spoilt.meant("", "climate")
}

/// What drives water, as written or by default; `None` where that is not known.
pub(super) fn driver(context: &Context<'_>) -> Option<Driver> {
    let section = &context.file.inundation;
    let default = match context.file.climate {
        _ if context.spoilt.meant("inundation", "driver") => None,
        Some(_) => Some(Driver::Index),
        None => Some(Driver::Season),
    };
    section.driver.or(default)
}

pub(super) fn inundation(context: &mut Context<'_>) -> Inundation {
    let section = &context.file.inundation;
    if section.driver == Some(Driver::Index) && !may_have_climate(context) {
        context.problem(
            "inundation.driver",
            "inundation.driver is \"index\", but the study has no [climate]".into(),
            "add [climate], or use driver = \"season\"",
        );
    }
    let groups = match &section.groups {
        Some(name) => {
            context.layer("inundation.groups", name, &[LayerKind::Class]);
            Some(name.clone())
        }
        None => context.roles.get(&Role::WetlandClass).cloned(),
    };
    let prior = section.prior.as_ref();
    let limit = positive(context, "water_limit_months", section.water_limit_months);
    let logits = positive(context, "logits_per_metre", section.logits_per_metre);
    let intercept = positive(context, "prior.intercept_sd", prior.and_then(|p| p.intercept_sd));
    let index = positive(context, "prior.index_sd", prior.and_then(|p| p.index_sd));
    let season = positive(context, "prior.season_sd", prior.and_then(|p| p.season_sd));
    // Where something is not known, what asks least of the files.
    let otherwise = |name, usual| if context.spoilt.meant("inundation", name) { 1 } else { usual };
    Inundation {
        driver: driver(context).unwrap_or(Driver::Season),
        groups,
        water_limit_months: limit.unwrap_or(3.0),
        minimum_months: section.minimum_months.unwrap_or(otherwise("minimum_months", 24)),
        minimum_calendar_months: section
            .minimum_calendar_months
            .unwrap_or(otherwise("minimum_calendar_months", 6)),
        logits_per_metre: logits,
        pool_levels: section.pool_levels.unwrap_or(true),
        realisations: section.realisations.unwrap_or(10),
        intercept_sd: intercept.unwrap_or(10.0),
        index_sd: index.unwrap_or(0.5),
        season_sd: season.unwrap_or(1.0),
    }
}

/// A number of `[inundation]` as written, told if it is not above 0.
fn positive(context: &mut Context<'_>, name: &str, written: Option<f64>) -> Option<f64> {
    if let Some(value) = written.filter(|value| *value <= 0.0) {
        let at = format!("inundation.{name}");
        let message = format!("{at} is {value}; a number above 0 is expected");
        context.problem(&at, message, "leave it out for the default");
    }
    written
}
