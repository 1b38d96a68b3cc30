//! How far a cell lies outside the range of conditions at the records: there suitability is not borne out by any record.

use crate::measure::NO_CLASS;
use crate::suitability::Measured;
use std::collections::BTreeSet;

/// The conditions at records of one variable.
#[derive(Clone, Debug, PartialEq)]
pub enum Known {
    /// Lowest and highest measure.
    Between(f64, f64),
    /// Classes met.
    Classes(BTreeSet<i32>),
    /// Missing at every record, so nothing can be said.
    Nothing,
}

impl Known {
    /// What is known from the measures at records; missing ones say nothing.
    pub fn of(measured: &Measured) -> Known {
        match measured {
            Measured::Numbers(values) | Measured::Years { measure: values, .. } => {
                let known = || values.iter().filter(|v| !v.is_nan()).map(|v| f64::from(*v));
                let low = known().fold(f64::INFINITY, f64::min);
                let high = known().fold(f64::NEG_INFINITY, f64::max);
                if low <= high { Known::Between(low, high) } else { Known::Nothing }
            }
            Measured::Codes(codes) => {
                let known: BTreeSet<i32> = codes.iter().copied().filter(|c| *c != NO_CLASS).collect();
                if known.is_empty() { Known::Nothing } else { Known::Classes(known) }
            }
        }
    }

    /// How far the measure at a place lies outside: 0 inside; outside the distance to the nearer end as a share of the range
    /// at the records; 1 for a class not met there, and for any other value where all records have one (ours). `None` where
    /// it is missing.
    pub fn outside(&self, measured: &Measured, at: usize) -> Option<f64> {
        match (self, measured) {
            (
                Known::Between(low, high),
                Measured::Numbers(values) | Measured::Years { measure: values, .. },
            ) => {
                let value = f64::from(values[at]);
                let beyond = (low - value).max(value - high);
                if value.is_nan() {
                    None
                } else if beyond <= 0.0 {
                    Some(0.0)
                } else if high > low {
                    Some(beyond / (high - low))
                } else {
                    Some(1.0)
                }
            }
            (Known::Classes(known), Measured::Codes(codes)) => {
                (codes[at] != NO_CLASS).then(|| f64::from(u8::from(!known.contains(&codes[at]))))
            }
            _ => None,
        }
    }
}

/// Conditions at records, variable by variable.
#[derive(Clone, Debug, PartialEq)]
pub struct Envelope(pub Vec<Known>);

/// Novelty of a place.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Novelty {
    /// The largest [`Known::outside`] over the variables.
    pub value: f64,
    /// Position of the variable that is farthest outside (the first of several); `None` where none is.
    pub variable: Option<usize>,
}

impl Envelope {
    /// From what was measured at records, one entry per variable.
    pub fn of(measured: &[Measured]) -> Envelope {
        Envelope(measured.iter().map(Known::of).collect())
    }

    /// Novelty of a place, `None` where every variable is missing. The idea, comparing each variable with its range at the
    /// reference places and letting the most dissimilar one decide, is that of Elith, Kearney and Phillips 2010 (Methods in Ecology
    /// and Evolution 1:330-342); here the records are the reference, and only what lies outside counts.
    pub fn novelty(&self, measured: &[Measured], at: usize) -> Option<Novelty> {
        let mut found: Option<Novelty> = None;
        for (variable, (known, measured)) in self.0.iter().zip(measured).enumerate() {
            let Some(value) = known.outside(measured, at) else { continue };
            if found.is_none_or(|most| value > most.value) {
                found = Some(Novelty { value, variable: (value > 0.0).then_some(variable) });
            }
        }
        found
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_variable_farthest_outside_decides() {
        let records = [
            Measured::Numbers(vec![2.0, 6.0, f32::NAN]),
            Measured::Codes(vec![1, 3, NO_CLASS]),
            Measured::Numbers(vec![0.5, 0.5, 0.5]),
            Measured::Numbers(vec![f32::NAN; 3]),
        ];
        let envelope = Envelope::of(&records);
        let cell = |a: f32, class: i32, c: f32| {
            let measured = [
                Measured::Numbers(vec![a]),
                Measured::Codes(vec![class]),
                Measured::Numbers(vec![c]),
                Measured::Numbers(vec![9.0]),
            ];
            envelope.novelty(&measured, 0)
        };
        let novelty = |value, variable| Some(Novelty { value, variable });
        assert_eq!(cell(4.0, 1, 0.5), novelty(0.0, None));
        // one metre beyond a range of four
        assert_eq!(cell(7.0, 1, 0.5), novelty(0.25, Some(0)));
        assert_eq!(cell(1.0, 3, 0.5), novelty(0.25, Some(0)));
        assert_eq!(cell(12.0, 2, 0.5), novelty(1.5, Some(0)));
        assert_eq!(cell(4.0, 2, 0.5), novelty(1.0, Some(1)));
        // all records have 0.5: any other value is new
        assert_eq!(cell(4.0, 1, 0.625), novelty(1.0, Some(2)));
        assert_eq!(cell(f32::NAN, NO_CLASS, 0.5), novelty(0.0, None));
        assert_eq!(cell(f32::NAN, NO_CLASS, f32::NAN), None);
    }
}
