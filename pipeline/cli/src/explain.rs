//! A cell explained, for a reader and for another program.

use lentic_engine::explain::{CaseExplained, Explained, RequisiteExplained, VariableExplained};
use serde_json::{Value, json};

/// The explanation as JSON; a finished one says so.
pub fn explained_json(explained: &Explained) -> Value {
    let mut value = json!(explained);
    if let Some(map) = value.as_object_mut() {
        map.insert("done".into(), json!(true));
    }
    value
}

/// The explanation as text: a block for each case.
pub fn explained_text(explained: &Explained) -> String {
    let mut lines = vec![format!(
        "{}, run {}: cell of row {} and column {}, centre x {}, y {}",
        explained.study, explained.run_id, explained.row, explained.col, explained.x, explained.y
    )];
    if let Some(reason) = &explained.not_assessed {
        lines.push(format!("not compared: {}", reason.to_lowercase()));
    }
    lines.extend(explained.notes.iter().cloned());
    for case in &explained.cases {
        lines.push(String::new());
        lines.extend(case_lines(case, explained.threshold));
    }
    lines.join("\n")
}

fn number(value: Option<f64>) -> String {
    value.map_or_else(|| "none".into(), |value| format!("{value:.3}"))
}

fn case_lines(case: &CaseExplained, threshold: f64) -> Vec<String> {
    let title = if case.title == case.scenario || case.scenario == "baseline" {
        String::new()
    } else {
        format!(" ({})", case.title)
    };
    let verdict = match case.suitability {
        None => "not assessed".to_string(),
        Some(suitability) => {
            format!("suitability {suitability:.3}, {}", if case.habitat { "habitat" } else { "no habitat" })
        }
    };
    let mut lines = vec![format!("{}{title}: {verdict} (habitat from {threshold})", case.scenario)];
    if case.barrier {
        lines.push("  a barrier lies on the cell: suitability is 0 whatever the scores".into());
    }
    if let (Some(limiting), Some(raised)) = (&case.limiting, case.raised_to) {
        lines.push(format!(
            "  limited by {limiting}: with a score of 1 there the suitability would be {raised:.3}"
        ));
    }
    case.requisites.iter().for_each(|requisite| lines.extend(requisite_lines(requisite)));
    lines
}

fn requisite_lines(requisite: &RequisiteExplained) -> Vec<String> {
    let mut lines = vec![format!(
        "  {:<38} score {:>6}  weight {:.3}",
        requisite.name,
        number(requisite.score),
        requisite.weight
    )];
    lines.extend(requisite.variables.iter().map(variable_line));
    if let Some(near) = &requisite.near {
        lines.push(format!(
            "    {:<36} factor {:>5}",
            format!("{} within {} m", near.requisite, near.within_m),
            number(near.factor)
        ));
    }
    lines
}

fn variable_line(variable: &VariableExplained) -> String {
    let measured = match (&variable.class, variable.measure) {
        (Some(class), _) => class.clone(),
        (None, Some(measure)) => format!("{measure:.3} {}", variable.unit).trim_end().to_string(),
        (None, None) => "no data".into(),
    };
    let missing = variable.missing.as_ref().map_or_else(String::new, |what| format!("  ({what})"));
    format!(
        "    {:<36} score {:>6}  weight {:.3}  {}: {measured}{missing}",
        variable.name,
        number(variable.score),
        variable.weight,
        variable.measures
    )
}
