//! `[drying_ladder]` and `[response_surface]`.

use super::climate::{driver, may_have_climate};
use super::context::Context;
use crate::options::{Driver, IndexKind, Role};
use crate::settings::{DryingLadder, ResponseSurface};
use crate::source::item;

/// Most steps of a ladder.
const MOST_STEPS: usize = 40;
/// Most points of a surface.
const MOST_POINTS: usize = 200;
/// Common practice: the changes of rain and warmth that climate models span for dry basins within the century, and drier.
const PRECIPITATION: [f64; 6] = [-40.0, -30.0, -20.0, -10.0, 0.0, 10.0];
const TEMPERATURE: [f64; 5] = [0.0, 1.0, 2.0, 3.0, 4.0];

/// The steps of drying; `None` where there are none, or a problem of them is told.
pub(super) fn drying_ladder(context: &mut Context<'_>) -> Option<DryingLadder> {
    let section = context.file.drying_ladder.as_ref()?;
    let before = context.problems.len();
    let ladder = match (&section.precipitation_loss, &section.drawdown_m) {
        (Some(_), Some(_)) => {
            let message = "[drying_ladder] has precipitation_loss beside drawdown_m".to_string();
            let help = "give the steps of one of the two; scenarios may change both";
            context.problem_at_key("drying_ladder.drawdown_m", message, help);
            return None;
        }
        (loss, None) => {
            let at = if loss.is_some() { "drying_ladder.precipitation_loss" } else { "drying_ladder" };
            let steps = loss.clone().unwrap_or_else(|| (0..=12).map(|step| 5.0 * f64::from(step)).collect());
            climate(context, at, "precipitation");
            steps_rise(context, at, &steps, 100.0, "percent");
            DryingLadder::PrecipitationLoss(steps)
        }
        (None, Some(steps)) => {
            let at = "drying_ladder.drawdown_m";
            let logits = context.file.inundation.logits_per_metre.is_some()
                || context.spoilt.meant("inundation", "logits_per_metre");
            if !context.may_have(Role::Ground) && !logits {
                let message = format!("{at}: nothing says how water follows the water table");
                let help = "add [layers.ground], or inundation.logits_per_metre";
                context.problem_at_key(at, message, help);
            }
            steps_rise(context, at, steps, f64::INFINITY, "metres");
            DryingLadder::Drawdown(steps.clone())
        }
    };
    whole(context, "drying_ladder", before).then_some(ladder)
}

/// The changes of climate looked at together; `None` where there are none, or a problem of them is told.
pub(super) fn response_surface(context: &mut Context<'_>) -> Option<ResponseSurface> {
    let section = context.file.response_surface.as_ref()?;
    let before = context.problems.len();
    climate(context, "response_surface", "precipitation");
    let index = context.file.climate.as_ref().map(|climate| climate.index);
    if index == Some(IndexKind::Spi) && !context.spoilt.value("climate.index") {
        let message = "[response_surface]: index \"spi\" does not know temperature, so that the surface would be a line";
        let help = "use climate.index = \"spei\", or [drying_ladder] for precipitation alone";
        context.problem_at_key("response_surface", message.into(), help);
    }
    let precipitation = section.precipitation.clone().unwrap_or_else(|| PRECIPITATION.to_vec());
    let temperature_c = section.temperature_c.clone().unwrap_or_else(|| TEMPERATURE.to_vec());
    two_or_more(context, "response_surface.precipitation", &precipitation);
    two_or_more(context, "response_surface.temperature_c", &temperature_c);
    rises(context, "response_surface.precipitation", &precipitation);
    rises(context, "response_surface.temperature_c", &temperature_c);
    if let Some(place) = precipitation.iter().position(|percent| *percent < -100.0) {
        let at = item("response_surface.precipitation", place);
        let message = format!("{at} is {} percent; no less than -100 is expected", precipitation[place]);
        context.problem(&at, message, "-15 means 15 percent less rain");
    }
    let points = precipitation.len() * temperature_c.len();
    if points > MOST_POINTS {
        let message = format!("[response_surface] has {points} points; at most {MOST_POINTS} are expected");
        context.problem_at_key(
            "response_surface",
            message,
            "each is computed as a scenario is; take fewer changes",
        );
    }
    whole(context, "response_surface", before).then_some(ResponseSurface { precipitation, temperature_c })
}

/// Whether a section has no problem of sense or form.
pub(super) fn whole(context: &Context<'_>, at: &str, before: usize) -> bool {
    context.problems.len() == before && !context.spoilt.within(at) && !context.spoilt.open(at)
}

/// Refuses a change of climate that could not reach the water.
pub(super) fn climate(context: &mut Context<'_>, at: &str, what: &str) {
    let index = context.file.climate.as_ref().map(|climate| climate.index);
    let (reason, help) = match index {
        None if may_have_climate(context) => return,
        None => (
            "the study has no [climate] that could change",
            "add [climate], or use a [drying_ladder] of drawdown_m",
        ),
        Some(_) if driver(context) == Some(Driver::Season) => (
            "water answers to the season only (inundation.driver is \"season\"), so no change of climate would reach it",
            "use driver = \"index\", or a [drying_ladder] of drawdown_m",
        ),
        Some(_) if context.spoilt.value("climate.index") => return,
        Some(IndexKind::Given) => (
            "the study's index is given ready-made (climate.index is \"given\"), and what it would be with other weather cannot be known from it",
            "give the series and index = \"spi\" or \"spei\", or use a [drying_ladder] of drawdown_m",
        ),
        Some(_) => return,
    };
    context.problem_at_key(at, format!("{at} changes {what}, but {reason}"), help);
}

/// Steps of a ladder: from 0 on, rising, not too many, none above `most`.
fn steps_rise(context: &mut Context<'_>, at: &str, steps: &[f64], most: f64, unit: &str) {
    if context.spoilt.within(at) {
        return;
    }
    if steps.first() != Some(&0.0) {
        let found = steps.first().map_or("has no step".to_string(), |step| format!("begins with {step}"));
        let message = format!("{at} {found}; 0 is expected first, which is today");
        context.problem(at, message, "for example [0, 5, 10, 20]: steps grow drier from today on");
        return;
    }
    two_or_more(context, at, steps);
    rises(context, at, steps);
    if steps.len() > MOST_STEPS {
        let message = format!("{at} has {} steps; at most {MOST_STEPS} are expected", steps.len());
        context.problem(at, message, "each is computed as a scenario is; take wider steps");
    }
    if let Some(place) = steps.iter().position(|step| *step > most) {
        let at = item(at, place);
        let message = format!("{at} is {}; no more than {most} {unit} are expected", steps[place]);
        context.problem(&at, message, "15 means 15 percent less rain");
    }
}

/// Numbers, each larger than the one before.
pub(super) fn rises(context: &mut Context<'_>, at: &str, values: &[f64]) {
    if context.spoilt.within(at) {
        return;
    }
    let falls = values.windows(2).position(|pair| pair[0] >= pair[1]);
    if let Some(place) = falls {
        let at = item(at, place + 1);
        let message =
            format!("{at} is {}, after {}; rising numbers are expected", values[place + 1], values[place]);
        context.problem(&at, message, "put them in order, each once");
    }
}

fn two_or_more(context: &mut Context<'_>, at: &str, values: &[f64]) {
    if values.len() < 2 && !context.spoilt.within(at) {
        let message = format!("{at} has {} number(s); at least 2 are expected", values.len());
        context.problem(at, message, "from them it is seen how habitat changes");
    }
}
