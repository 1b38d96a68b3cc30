//! What is predicted, in words: ranges, costs of drying, scenarios.

use super::note;
use lentic_habitat::climate::replay;
use lentic_report::{MethodNote, ProtocolPart as Part};
use lentic_study::Study;
use lentic_study::settings::{Drawdown, Scenario, Supply, Uncertainty};

/// The notes on what is predicted, in the order shown.
pub(super) fn notes(study: &Study) -> Vec<MethodNote> {
    let mut notes = Vec::new();
    notes.extend(study.uncertainty.as_ref().map(|uncertainty| uncertainty_note(uncertainty, study)));
    notes.extend(costs_note(study));
    let scenarios: Vec<String> = study.scenarios.iter().map(scenario_text).collect();
    notes.push(note(Part::Prediction, "Scenarios", scenarios.join("\n\n")));
    notes
}

/// What members draw anew.
fn uncertainty_note(uncertainty: &Uncertainty, study: &Study) -> MethodNote {
    let mut drawn = Vec::new();
    if uncertainty.curves > 0.0 {
        drawn.push(format!(
            "break points of curves and scores of classes, evenly up to {} % of their span off",
            100.0 * uncertainty.curves
        ));
    }
    if uncertainty.weights > 0.0 {
        drawn.push(format!(
            "weights, Dirichlet with a standard deviation of {} for a weight of one half",
            uncertainty.weights
        ));
    }
    if uncertainty.threshold > 0.0 {
        drawn.push(format!("the threshold, evenly up to {} off", uncertainty.threshold));
    }
    if uncertainty.response {
        drawn.push(
            "coefficients of the response of water, from the covariance of each cell's fit with one draw for each response group, as errors are shared"
                .into(),
        );
    }
    if study.scenarios.iter().any(|scenario| scenario.spread != Default::default()) {
        drawn.push("numbers of the scenarios, triangular about what is stated".into());
    }
    if uncertainty.vertical_m > 0.0 {
        drawn.push(format!(
            "depths, standard deviation {} m, mostly shared within a pool",
            uncertainty.vertical_m
        ));
    }
    let text = format!(
        "{} members by Latin hypercube (McKay et al. 1979), each computed as a study of its own. Drawn anew: {}. Ranges are the middle 90 % of the members. The form of the model, the layers and the choice of what the animal needs are in no range.",
        uncertainty.members,
        if drawn.is_empty() { "nothing".to_string() } else { drawn.join("; ") }
    );
    let text = match &uncertainty.sensitivity {
        None => text,
        Some(_) => format!(
            "{text} Shares of the variance are Sobol indices: first order after Saltelli et al. 2010, total after Jansen 1999, with errors from rows resampled."
        ),
    };
    note(Part::Prediction, "Uncertainty", text)
}

/// What the study asks of the costs of drying, and how it is found.
fn costs_note(study: &Study) -> Option<MethodNote> {
    let mut parts = Vec::new();
    if let Some(ladder) = &study.drying_ladder {
        parts.push(format!(
            "Drying ladder: {} by steps up to {} {}, each a scenario of its own that changes nothing else. The margin of a cell is the first step at which it is no habitat, that of a patch the first at \
             which less than half of its footprint is; what is habitat at every step has a margin of more than the last, which is no number.",
            ladder.in_words(),
            ladder.steps().last().copied().unwrap_or_default(),
            ladder.unit()
        ));
    }
    if study.response_surface.is_some() {
        parts.push(
            "Response surface: precipitation and temperature changed alike in all months, whatever scenario brings them (after Prudhomme et al. 2010, Brown et al. 2012)."
                .to_string(),
        );
    }
    if let Some(every) = study.over_time_years {
        parts.push(format!(
            "Habitat by year: the past by the water seen in each single year, depth held as usual; scenarios in the share of their change that has come about, growing evenly from the end of the baseline to their horizon, \
             looked at every {every} years. The time of loss is the span between two of these times; no uncertainty is in it."
        ));
    }
    if let Some(wanted) = &study.water_requirement {
        let what = match &wanted.supply {
            Supply::Rise(_) => "a rise of the water table",
            Supply::Rain(_) => "more rain, in percent of today's,",
        };
        parts.push(format!(
            "Water requirement: {what} by steps on top of {}, everywhere at once; a lost cell needs the least step at which it is habitat again. Volumes are water standing more at a time when there is water, not water to be let in.",
            wanted.scenarios.join(", ")
        ));
    }
    (!parts.is_empty()).then(|| note(Part::Prediction, "What drying costs", parts.join("\n\n")))
}

/// One line on what a scenario changes.
fn scenario_text(scenario: &Scenario) -> String {
    let mut parts = Vec::new();
    let factors = scenario.precipitation_factor;
    let even = |values: &[f64; 12]| values.iter().all(|v| *v == values[0]);
    if factors.iter().any(|f| *f != 1.0) {
        parts.push(if even(&factors) {
            format!("precipitation {:+.0} %", 100.0 * (factors[0] - 1.0))
        } else {
            let months: Vec<String> = factors.iter().map(|f| format!("{:+.0}", 100.0 * (f - 1.0))).collect();
            format!("precipitation by month (percent) {}", months.join(", "))
        });
    }
    let warmer = scenario.temperature_c;
    if warmer.iter().any(|t| *t != 0.0) {
        parts.push(if even(&warmer) {
            format!("temperature {:+} degrees C", warmer[0])
        } else {
            let months: Vec<String> = warmer.iter().map(|t| format!("{t:+}")).collect();
            format!("temperature by month (degrees C) {}", months.join(", "))
        });
    }
    let shift = scenario.index_shift;
    if shift.iter().any(|s| *s != 0.0) {
        parts.push(if even(&shift) {
            format!("drought index {:+} standard deviations", shift[0])
        } else {
            let months: Vec<String> = shift.iter().map(|s| format!("{s:+}")).collect();
            format!("drought index by month (standard deviations) {}", months.join(", "))
        });
    }
    if !scenario.replay.is_empty() {
        parts.push(format!("the water years {} of the record come again", years(&scenario.replay)));
    }
    if scenario.continue_trend {
        parts.push("the trend of the water that climate does not explain goes on".into());
    }
    match &scenario.drawdown {
        Drawdown::None => {}
        Drawdown::Everywhere(h) if *h < 0.0 => parts.push(format!("water table {} m higher", -h)),
        Drawdown::Everywhere(h) => parts.push(format!("water table {h} m lower")),
        Drawdown::ByZone(by) => {
            let zones: Vec<String> = by.iter().map(|(zone, h)| format!("zone {zone}: {h} m")).collect();
            parts.push(format!("fall of the water table by zone ({})", zones.join(", ")));
        }
        Drawdown::Layer(name) => parts.push(format!("fall of the water table by layer \"{name}\"")),
    }
    if scenario.drawdown_replaces_climate {
        parts.push("which stands in place of the response to climate".into());
    }
    if let Some(layer) = &scenario.land_cover {
        parts.push(format!("land cover of layer \"{layer}\""));
    }
    for (layer, factor) in &scenario.water_quality {
        parts.push(format!("concentrations of layer \"{layer}\" times {factor}"));
    }
    let horizon = scenario.horizon.map_or_else(String::new, |year| format!(" by {year}"));
    format!("{}{horizon}: {}.", scenario.title, parts.join(", "))
}

/// Years in words, runs of them as "2000 to 2009".
fn years(years: &[i32]) -> String {
    let run = |run: &[i32]| match run {
        [first, .., last] => format!("{first} to {last}"),
        one => one.iter().map(ToString::to_string).collect(),
    };
    replay::runs(years).map(run).collect::<Vec<_>>().join(", ")
}
