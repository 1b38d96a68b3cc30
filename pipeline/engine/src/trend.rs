//! The residual trend of response groups, carried on to the horizon of the scenarios that ask for it.

use crate::stages::scenarios::Case;
use crate::tables::group_name;
use lentic_habitat::response::quality::{Quality, ResidualTrend};
use lentic_habitat::response::{Groups, SampleCell};
use lentic_study::Study;
use std::collections::BTreeMap;

/// What is said of trends carried on.
#[derive(Debug, Default)]
pub struct Told {
    /// Numbers, scenario by scenario.
    pub notes: Vec<String>,
    /// Scenarios with nothing to carry on.
    pub warnings: Vec<String>,
}

/// Puts the logits of each group's trend into the cases that continue it; says with which numbers.
pub fn carry_on(
    study: &Study,
    cases: &mut [Case],
    quality: &BTreeMap<Option<i32>, Quality>,
    groups: &Groups,
    sample: &[SampleCell],
) -> Told {
    let mut told = Told::default();
    let Some((baseline, scenarios)) = cases.split_first_mut() else { return told };
    for case in scenarios {
        let continues = case.scenario.filter(|scenario| scenario.continue_trend);
        let Some(horizon) = continues.and_then(|scenario| scenario.horizon) else { continue };
        let mut parts = Vec::new();
        let mut without = Vec::new();
        for (code, quality) in quality {
            let name = group_name(study, *code);
            let significant = quality.residual_trend.filter(ResidualTrend::is_significant);
            let carried = significant.and_then(|trend| {
                let months = trend.months_until(f64::from(horizon));
                Some((trend, months, groups.carry(&baseline.designs, sample, *code, months)?))
            });
            let Some((trend, months, carried)) = carried else {
                without.push(format!("\"{name}\""));
                continue;
            };
            case.trend.insert(*code, carried.logits);
            let p = if trend.p < 0.001 { "p < 0.001".into() } else { format!("p = {:.3}", trend.p) };
            // the whole way would lead below 0 or above 12 months
            let held = if (carried.after - carried.before - months).abs() > 1e-6 {
                ", where it is held"
            } else {
                ""
            };
            parts.push(format!(
                "response group \"{name}\", {:+.2} months per decade ({p}) from {:.1}, the middle of the record, to {horizon}: {:+.2} logits, by which the mean \
                 hydroperiod of its sometimes wet cells goes from {:.2} to {:.2} months{held}",
                trend.per_decade, trend.middle, carried.logits, carried.before, carried.after
            ));
        }
        if parts.is_empty() {
            told.warnings.push(format!(
                "scenario \"{}\" continues the trend that climate does not explain, but no response group has one (significant at 0.05): that part of it changes nothing",
                case.name
            ));
            continue;
        }
        let mut note =
            format!("Scenario {}: what climate does not explain goes on: {}.", case.name, parts.join("; "));
        if !without.is_empty() {
            note.push_str(&format!(" No significant trend, nothing carried on: {}.", without.join(", ")));
        }
        told.notes.push(note);
    }
    told
}
