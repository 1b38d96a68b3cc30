//! What a scenario takes from the record: years that come again, and a trend that goes on.

use super::climate::driver;
use super::context::Context;
use super::grid::Months;
use crate::options::{Driver, ReplaySection, ScenarioSection};
use crate::source::key;

/// Most years of one replay; the index needs the months of each.
const MOST_YEARS: i64 = 1000;

/// The water years replayed, in order; none without `replay`, or once its problem is told.
pub(super) fn replay(context: &mut Context<'_>, at: &str, section: Option<&ReplaySection>) -> Vec<i32> {
    let Some(section) = section else { return Vec::new() };
    let at = key(at, "replay");
    if context.spoilt.within(&at) || context.spoilt.open(&at) {
        return Vec::new();
    }
    let example =
        "for example replay = { years = [2006, 2007, 2009] } or replay = { from = 2000, to = 2009 }";
    let (message, help) = match (&section.years, section.from, section.to) {
        (Some(years), None, None) if years.is_empty() => (format!("{at} names no year"), example),
        (Some(years), None, None) => return years.clone(),
        (None, Some(from), Some(to)) if from > to => {
            (format!("{at} goes from {from} to {to}"), "the first year comes first")
        }
        (None, Some(from), Some(to)) if i64::from(to) - i64::from(from) >= MOST_YEARS => (
            format!("{at} goes from {from} to {to}; at most {MOST_YEARS} years are expected"),
            "give fewer years",
        ),
        (None, Some(from), Some(to)) => return (from..=to).collect(),
        (Some(_), ..) => (format!("{at} has years beside from or to"), "give years, or from and to"),
        (None, None, None) => (format!("{at} names no year"), example),
        (None, ..) => (format!("{at} has only one of from and to"), "give the first and the last year"),
    };
    context.problem_at_key(&at, message, help);
    Vec::new()
}

/// Whether the residual trend goes on; refused where it cannot be told how far, or what it is.
pub(super) fn continue_trend(
    context: &mut Context<'_>,
    at: &str,
    section: &ScenarioSection,
    baseline: Option<Months>,
) -> bool {
    if !section.continue_trend {
        return false;
    }
    let at_trend = key(at, "continue_trend");
    match section.horizon {
        None if context.spoilt.meant(at, "horizon") => {}
        None => {
            let message = format!("{at_trend} needs a horizon: the year the trend goes on to");
            context.problem_at_key(&at_trend, message, "add for example horizon = 2050");
        }
        Some(year) => {
            if let Some((_, last)) = baseline.filter(|(_, last)| year < last.year()) {
                let at_horizon = key(at, "horizon");
                let message = format!(
                    "{at_horizon} is {year}, but the record the trend comes from ends with {last}; a trend goes on to that year or a later one"
                );
                context.problem(&at_horizon, message, "correct horizon, or take continue_trend out");
            }
        }
    }
    if driver(context) == Some(Driver::Season) {
        let message = format!(
            "{at_trend}: water answers to the season only, so nothing tells a trend of its own from that of climate"
        );
        let help = "use driver = \"index\" with a [climate], or describe the change as drawdown_m";
        context.problem_at_key(&at_trend, message, help);
    }
    if section.drawdown_m.is_some() {
        let message = format!(
            "{at} continues the trend of the residuals and moves the water table too: what already falls, by wells for example, is in the trend"
        );
        let help = "make sure that drawdown_m is what comes on top of it";
        context.warn(&key(at, "drawdown_m"), message, help);
    }
    true
}
