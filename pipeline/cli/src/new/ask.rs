//! Questions on a terminal.

use super::refuse;
use dialoguer::theme::SimpleTheme;
use dialoguer::{Input, MultiSelect, Select};
use lentic_engine::EngineError;
use std::collections::BTreeSet;

/// What is given, else what is answered, else the default.
pub(super) fn text(
    given: &Option<String>,
    asks: bool,
    question: &str,
    default: &str,
) -> Result<String, EngineError> {
    match given {
        None if asks => checked(question, default, |_| Ok(())),
        given => Ok(given.clone().unwrap_or_else(|| default.to_string())),
    }
}

fn unanswered(e: dialoguer::Error) -> EngineError {
    refuse(format!("the question was not answered ({e}); run it again, or give options (lentic new --help)"))
}

/// Asks until the answer is sound.
pub(super) fn checked(
    question: &str,
    default: &str,
    sound: impl Fn(&str) -> Result<(), String>,
) -> Result<String, EngineError> {
    let input = Input::<String>::with_theme(&SimpleTheme).with_prompt(question).allow_empty(true);
    let input = if default.is_empty() { input } else { input.default(default.to_string()) };
    input.validate_with(|word: &String| sound(word)).interact_text().map_err(unanswered)
}

/// One of several things, each with what it is.
pub(super) fn choose<T: Copy + PartialEq>(
    question: &str,
    of: &[(T, String)],
    default: T,
) -> Result<T, EngineError> {
    let about: Vec<&str> = of.iter().map(|(_, about)| about.as_str()).collect();
    let at = of.iter().position(|(what, _)| *what == default).unwrap_or(0);
    let chosen = Select::with_theme(&SimpleTheme).with_prompt(question).items(&about).default(at).interact();
    let chosen = chosen.map_err(unanswered)?;
    Ok(of.get(chosen).map_or(default, |(what, _)| *what))
}

/// Any of several names; those marked are so at first.
pub(super) fn several(
    question: &str,
    of: &[String],
    marked: &[String],
) -> Result<BTreeSet<String>, EngineError> {
    let at: Vec<bool> = of.iter().map(|name| marked.contains(name)).collect();
    let chosen =
        MultiSelect::with_theme(&SimpleTheme).with_prompt(question).items(of).defaults(&at).interact();
    Ok(chosen.map_err(unanswered)?.into_iter().filter_map(|at| of.get(at).cloned()).collect())
}
