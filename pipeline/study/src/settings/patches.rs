//! `[patches]` resolved.

use super::PatchWeight;
use std::collections::BTreeMap;

/// What counts as a patch.
#[derive(Clone, Debug, PartialEq)]
pub struct Patches {
    /// Corners join cells too.
    pub corners_join: bool,
    /// Smallest patch, hectares.
    pub minimum_ha: f64,
    /// Core lies farther than this from non-habitat, metres; 0: no core.
    pub edge_m: f64,
    /// How ground between patches is crossed; `None`: no connection is computed.
    pub crossing: Option<Crossing>,
}

/// How ground between patches is crossed. Resistances are 1 or more, the lowest of the classes is 1; infinite is impassable.
#[derive(Clone, Debug, PartialEq)]
pub struct Crossing {
    /// Name of the class layer.
    pub layer: String,
    /// Resistance by class code; a code without one is an error when met.
    pub resistance: BTreeMap<i32, f64>,
    /// Resistance of mask layers by name, wherever they touch a cell.
    pub barriers: BTreeMap<String, f64>,
    /// Cost, metres, at which a way is taken with probability 0.5.
    pub effective_m: f64,
    /// Cost, metres, beyond which no way is taken.
    pub limit_m: f64,
    /// What a patch counts for.
    pub weight: PatchWeight,
}
