//! `[publication]` resolved.

pub use crate::options::{Generalise, SensitivityWord};
use lentic_numerics::generalise::Sensitivity;

/// How sensitive the places of a study are, and how its public edition tells them.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Publication {
    /// Whether exact places may harm the animal.
    pub sensitive: bool,
    /// How exactly places are told in public.
    pub generalise: Generalise,
    /// Smaller patches are withheld in public, hectares.
    pub withhold_under_ha: f64,
}

impl Default for Publication {
    fn default() -> Self {
        // careful, until somebody who knows the animal decides
        let generalise = Generalise::Category(SensitivityWord::High);
        Publication { sensitive: true, generalise, withhold_under_ha: 1.0 }
    }
}

impl Generalise {
    /// Side of the cells that places are told by, metres; `None` where no place is told.
    pub fn cell_m(self) -> Option<f64> {
        match self {
            Generalise::Metres(side) => Some(side),
            Generalise::Category(word) => match word {
                SensitivityWord::Extreme => Sensitivity::Extreme,
                SensitivityWord::High => Sensitivity::High,
                SensitivityWord::Medium => Sensitivity::Medium,
                SensitivityWord::Low => Sensitivity::Low,
            }
            .cell_m(),
        }
    }

    /// From a word of the command line: a category or a number of metres.
    pub fn parse(word: &str) -> Option<Self> {
        let category = match word {
            "extreme" => SensitivityWord::Extreme,
            "high" => SensitivityWord::High,
            "medium" => SensitivityWord::Medium,
            "low" => SensitivityWord::Low,
            number => {
                let side = number.parse::<f64>().ok().filter(|side| side.is_finite() && *side >= 1.0)?;
                return Some(Generalise::Metres(side));
            }
        };
        Some(Generalise::Category(category))
    }
}
