//! `[index]`: which bands, which formula, which threshold.

use super::options::{IndexName, IndexSection, ThresholdSection};
use super::resolve::Findings;
use super::settings::{Formula, Index};

/// The index and the names of its two bands with where they are written; `None` where that cannot be understood.
pub(super) fn index(
    findings: &mut Findings<'_>,
    section: &IndexSection,
) -> Option<(Index, [(&'static str, String); 2])> {
    let (name, formula, bands, at) = match (section.kind, &section.difference, &section.ratio) {
        (Some(kind), None, None) => {
            let (name, second) = match kind {
                IndexName::Ndwi => ("NDWI", "nir"),
                IndexName::Mndwi => ("MNDWI", "swir"),
            };
            let bands = ["green".to_string(), second.to_string()];
            (name.to_string(), Formula::Difference, bands, ["index.kind"; 2])
        }
        (None, Some([a, b]), None) => {
            let name = format!("({a} - {b}) / ({a} + {b})");
            let at = ["index.difference[0]", "index.difference[1]"];
            (name, Formula::Difference, [a.clone(), b.clone()], at)
        }
        (None, None, Some([a, b])) => {
            let at = ["index.ratio[0]", "index.ratio[1]"];
            (format!("{a} / {b}"), Formula::Ratio, [a.clone(), b.clone()], at)
        }
        _ => {
            let help = "write kind = \"ndwi\" or \"mndwi\", difference = [\"green\", \"swir\"], or ratio = [\"green\", \"nir\"]";
            let message = "[index] needs exactly one of kind, difference and ratio".to_string();
            findings.problem("index", message, help);
            return None;
        }
    };
    let [a, b] = bands;
    if a == b {
        let message = format!("[index] compares the band {a:?} with itself");
        findings.problem(at[1], message, "name two bands");
    }
    // a ratio above 1 is a difference above 0
    let usual = if formula == Formula::Ratio { 1.0 } else { 0.0 };
    let (otsu, fixed) = match section.threshold {
        Some(ThresholdSection::Fixed(value)) => {
            if section.fixed.is_some() {
                let help = "keep threshold; fixed goes with threshold = \"otsu\"";
                findings.problem("index.fixed", "[index] has both a fixed threshold and fixed".into(), help);
            }
            (false, value)
        }
        Some(ThresholdSection::Word(_)) => (true, section.fixed.unwrap_or(usual)),
        None => (false, section.fixed.unwrap_or(usual)),
    };
    Some((Index { name, formula, otsu, fixed }, [(at[0], a), (at[1], b)]))
}
