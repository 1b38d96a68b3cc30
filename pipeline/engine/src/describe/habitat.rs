//! Habitat in words: suitability and its requisites, years one by one, water quality, patches and ways between them.

use super::note;
use crate::formulas;
use lentic_report::{MethodNote, ProtocolPart as Part};
use lentic_study::Study;
use lentic_study::settings::{Combine, Crossing, Measure, PatchWeight};

/// The notes on habitat, in the order shown.
pub(super) fn notes(study: &Study) -> Vec<MethodNote> {
    let mut notes = vec![suitability(study)];
    notes.extend(years_note(study));
    notes.extend(water_quality(study));
    notes.push(patches(study));
    notes.extend(study.patches.crossing.as_ref().map(crossing_note));
    notes
}

fn rule(combine: Combine) -> &'static str {
    match combine {
        Combine::ArithmeticMean => "weighted arithmetic mean",
        Combine::GeometricMean => "weighted geometric mean",
        Combine::Minimum => "lowest score",
        Combine::Product => "product",
    }
}

/// How requisites make suitability, and where habitat begins.
fn suitability(study: &Study) -> MethodNote {
    let mut text = format!("Suitability is the {} of these requisites.", rule(study.suitability.combine));
    for requisite in &study.requisites {
        let variables: Vec<String> =
            requisite.variables.iter().map(|v| format!("{} ({:.3})", v.name, v.weight)).collect();
        text.push_str(&format!(
            "\n\n{} (weight {:.3}): {} of {}.",
            requisite.name,
            requisite.weight,
            rule(requisite.combine),
            variables.join(", ")
        ));
        let other =
            requisite.near.as_ref().and_then(|near| Some((near, study.requisites.get(near.requisite)?)));
        if let Some((near, other)) = other {
            let beyond =
                if near.curve.is_some() { "by a curve of the distance to" } else { "only within reach of" };
            text.push_str(&format!(
                " It counts {beyond} a cell that scores {} or more for {}, at most {} m away.",
                near.at_least, other.name, near.within_m
            ));
        }
        if let Some(ratio) = requisite.consistency_ratio {
            text.push_str(&format!(
                " Weights from pairwise comparison, consistency ratio {ratio:.3} (Saaty 1980)."
            ));
        }
    }
    text.push_str(&format!("\n\nHabitat is suitability of {} or more.", study.suitability.threshold));
    if let Some(rule) = study.suitability.threshold_rule {
        text.push_str(&format!(" The records set that: {} (table thresholds).", rule.words()));
    }
    if !study.suitability.barriers.is_empty() {
        text.push_str(&format!(" Barriers set it to 0: {}.", study.suitability.barriers.join(", ")));
    }
    formulas::of_suitability(study, note(Part::Model, "Suitability and habitat", text))
}

/// How years are looked at one by one, where some variable does.
fn years_note(study: &Study) -> Option<MethodNote> {
    study.yearly_variables().next()?;
    Some(note(
        Part::Model,
        "Years one by one",
        format!(
            "The longest wet spell, the wet and warm months and the share of years with a spell are counted in single years, drawn {} times from the modelled probability of water with the dependence between a \
             month and the next that the residuals of the response group show. Scores are those of the single years, averaged. All scenarios use the same draws, so that they differ only by what they change.",
            study.inundation.realisations
        ),
    ))
}

/// How concentrations change, where some variable measures them.
fn water_quality(study: &Study) -> Option<MethodNote> {
    let measured = study.variables().any(|(_, v)| matches!(v.measure, Measure::WaterQuality(_)));
    measured.then(|| {
        note(
            Part::Model, "Water quality",
            "What is dissolved in a pool is taken to grow denser as the pool shrinks: concentration = today's x min(V0 / V, 10), V the pool's volume in the scenario and V0 in the baseline. Nothing is \
             flushed out, taken up or blown away, so that this is how dense it may become, not what will be measured."
                .into(),
        )
        .formula("concentration = today's × min(V₀ / V, 10)")
    })
}

/// What counts as a patch.
fn patches(study: &Study) -> MethodNote {
    let joined = if study.patches.corners_join { "sides and corners" } else { "sides" };
    note(
        Part::Model,
        "Patches",
        format!(
            "Habitat cells joined by their {joined}, of at least {} ha. {}",
            study.patches.minimum_ha,
            if study.patches.edge_m > 0.0 {
                format!("Core lies farther than {} m from non-habitat.", study.patches.edge_m)
            } else {
                "No edge depth is set, so no core is reported.".to_string()
            }
        ),
    )
}

/// How connection was computed.
fn crossing_note(crossing: &Crossing) -> MethodNote {
    let named = |factor: &f64| if factor.is_finite() { factor.to_string() } else { "impassable".into() };
    let classes: Vec<String> =
        crossing.resistance.iter().map(|(code, factor)| format!("{code}: {}", named(factor))).collect();
    let barriers: Vec<String> =
        crossing.barriers.iter().map(|(name, factor)| format!("{name}: {}", named(factor))).collect();
    let over = if barriers.is_empty() { String::new() } else { format!("; {}", barriers.join(", ")) };
    let weight = match crossing.weight {
        PatchWeight::Area => "its area",
        PatchWeight::AreaTimesSuitability => "its area times its mean suitability",
    };
    note(
        Part::Model, "Connection",
        format!(
            "Least-cost ways between patches over the resistance of layer \"{}\" ({}{over}); a step costs its length times the mean resistance of its two cells. A way of cost d is taken with \
             probability p(d), 0.5 at {} m, 0 beyond {} m; between two patches counts the largest product over ways by other patches. A patch counts for {weight}. Probability of connectivity, \
             equivalent connected area and shares by removal: Saura and Pascual-Hortal 2007, Saura and Rubio 2010, Saura et al. 2011; effective mesh size: Jaeger 2000. Resistance and distances \
             are expert judgement: no way was seen to be used.",
            crossing.layer,
            classes.join(", "),
            crossing.effective_m,
            crossing.limit_m
        ),
    )
    .formula("p(d) = exp(−k d)")
    .formula("probability of connectivity = Σᵢ Σⱼ aᵢ aⱼ p*ᵢⱼ / A²;  equivalent connected area = √(Σᵢ Σⱼ aᵢ aⱼ p*ᵢⱼ)")
}
