//! `[climate]` and `[inundation]`.

use super::context::Context;
use super::grid::Months;
use crate::options::{Driver, IndexKind, LayerKind, Role, SeriesColumn, ZeroRule};
use crate::settings::{Climate, Inundation, Series};

/// Fewest reference months an index can be fitted on: ten of each calendar month.
const FEWEST_REFERENCE_MONTHS: i32 = 120;

/// The climate; `None` where the study has none, or none whose rain could be read.
pub(super) fn climate(context: &mut Context<'_>, reference: Option<Months>) -> Option<Climate> {
    let section = context.file.climate.as_ref()?;
    let precipitation = series(context, "climate.precipitation", &section.precipitation);
    let temperature =
        section.temperature.as_ref().and_then(|column| series(context, "climate.temperature", column));
    let cold = section.temperature.is_none() && !context.spoilt.meant("climate", "temperature");
    if section.index == IndexKind::Spei && cold {
        context.problem(
            "climate.index",
            "climate.index is \"spei\", which needs temperature".into(),
            "add temperature = { file = \"...\", column = \"...\" }, or use index = \"spi\"",
        );
    }
    if section.index == IndexKind::Spei && section.zero.is_some() {
        context.warn(
            "climate.zero",
            "climate.zero has no effect with index = \"spei\"".into(),
            "it is for months without rain under \"spi\"",
        );
    }
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
    Some(Climate {
        precipitation: precipitation?,
        temperature,
        index: section.index,
        months: section.months as usize,
        latitude: section.latitude,
        zero: section.zero.unwrap_or(ZeroRule::Centre),
    })
}

/// A series whose file is there; `None` once a problem is told.
fn series(context: &mut Context<'_>, at: &str, column: &SeriesColumn) -> Option<Series> {
    let before = context.problems.len();
    let file = context.existing(&format!("{at}.file"), &column.file);
    let sound = context.problems.len() == before && !context.spoilt.within(at);
    sound.then(|| Series { file, column: column.column.clone() })
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
