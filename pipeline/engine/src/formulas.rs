//! The formulas of suitability that a study uses, in plain characters for the report.

use lentic_report::MethodNote;
use lentic_study::Study;
use lentic_study::settings::{Combine, Curve};

/// The note with the formulas of the curves and of the rules that join scores.
pub fn of_suitability(study: &Study, note: MethodNote) -> MethodNote {
    let mut used: Vec<String> = Vec::new();
    let mut add = |formula: String| {
        if !used.contains(&formula) {
            used.push(formula);
        }
    };
    for (_, variable) in study.variables() {
        add(of_curve(&variable.curve).to_string());
    }
    for requisite in study.requisites.iter().filter(|requisite| requisite.variables.len() > 1) {
        add(joined(requisite.combine, "score of a requisite", "s", "w"));
    }
    add(joined(study.suitability.combine, "suitability", "S", "W"));
    used.into_iter().fold(note, MethodNote::formula)
}

fn of_curve(curve: &Curve) -> &'static str {
    match curve {
        Curve::Points(_) => "s(x): straight lines between the points of the study, flat beyond them",
        Curve::Trapezoid(_) => "s(x) = 0 up to a, rising to 1 at b, 1 up to c, falling to 0 at d",
        Curve::Gaussian { .. } => "s(x) = exp(−(x − best)² / (2 spread²))",
        Curve::Logistic { .. } => "s(x) = 1 / (1 + exp(−steepness (x − middle)))",
        Curve::Classes(_) => "s(class): the score of the class",
    }
}

fn joined(rule: Combine, what: &str, score: &str, weight: &str) -> String {
    match rule {
        Combine::ArithmeticMean => format!("{what} = Σᵢ {weight}ᵢ {score}ᵢ,  Σᵢ {weight}ᵢ = 1"),
        Combine::GeometricMean => format!("{what} = Πᵢ {score}ᵢ^{weight}ᵢ,  Σᵢ {weight}ᵢ = 1"),
        Combine::Minimum => format!("{what} = minᵢ {score}ᵢ"),
        Combine::Product => format!("{what} = Πᵢ {score}ᵢ"),
    }
}
