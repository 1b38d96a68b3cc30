//! How it was computed, in words and formulas, with the works cited.

use serde::{Deserialize, Serialize};

/// Part of the reporting protocol ODMAP: D. Zurell et al. (2020), Ecography 43:1261-1277, doi:10.1111/ecog.04960.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum ProtocolPart {
    /// Aim, place, time, concept, assumptions.
    Overview,
    /// What was read, and how it was brought together.
    Data,
    /// How suitability comes about.
    Model,
    /// How well it agrees with what is known.
    Assessment,
    /// What scenarios make of it.
    Prediction,
}

/// How something was computed.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct MethodNote {
    /// The part it belongs to.
    pub part: ProtocolPart,
    /// Title.
    pub title: String,
    /// Plain text; an empty line begins a new paragraph.
    pub text: String,
    /// Formulas used, one a line, in plain characters.
    pub formulas: Vec<String>,
}

impl MethodNote {
    /// A note without formulas.
    pub fn new(part: ProtocolPart, title: impl Into<String>, text: impl Into<String>) -> Self {
        MethodNote { part, title: title.into(), text: text.into(), formulas: Vec::new() }
    }

    /// With one formula more.
    pub fn formula(mut self, formula: impl Into<String>) -> Self {
        self.formulas.push(formula.into());
        self
    }
}

/// A work cited.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Reference {
    /// The entry of the list, without the identifier.
    pub text: String,
    /// Digital object identifier, "" where it has none.
    pub doi: String,
}
