//! How water follows drought and season, cell by cell:
//! logit p(t) = a + b z(t) + c sin(2 pi m/12) + d cos(2 pi m/12), by penalised maximum likelihood with
//! priors shared by a response group.

pub mod choice;
mod design;
mod groups;
mod months;
pub mod moved;
pub mod pool;
pub mod pooled;
pub mod quality;
#[cfg(test)]
pub(crate) mod tests;
pub mod trend;
pub mod trust;

pub use design::{Design, DesignMonth};
pub use groups::{CELLS_FOR_A_GROUP, GroupFit, Groups, ResponseError, SampleCell, Spreads};
pub use months::Months;

use lentic_numerics::portable;

/// Coefficients a, b, c, d.
pub type Beta = [f64; 4];

/// 1 / (1 + exp(-eta))
pub fn inverse_logit(eta: f64) -> f64 {
    portable::inverse_logit(eta)
}
