//! `[grid]` and `[period]` of a scenes file.

use super::resolve::Findings;
use crate::Month;
use crate::options::GridSection;
use crate::settings::GridSettings;

pub(super) fn grid(findings: &mut Findings<'_>, grid: &GridSection) -> GridSettings {
    if grid.crs.trim().is_empty() {
        let help = "name a projected one, for example \"EPSG:6933\"";
        findings.problem("grid.crs", "grid.crs is empty".into(), help);
    }
    match (&grid.bounds, &grid.area) {
        (Some(_), Some(_)) => {
            let help = "keep one; with an area the grid covers its extent";
            findings.problem("grid.area", "[grid] has both bounds and area".into(), help);
        }
        (None, None) => {
            let help = "add bounds = [left, bottom, right, top] in metres, or area = \"a vector file\"";
            findings.problem("grid", "[grid] has neither bounds nor area".into(), help);
        }
        _ => {}
    }
    if let Some([left, bottom, right, top]) = grid.bounds {
        for (low, high, names) in [(left, right, ["left", "right"]), (bottom, top, ["bottom", "top"])] {
            if low >= high {
                let [one, two] = names;
                let message = format!("grid.bounds: {one} is {low}, {two} {high}; the second must be larger");
                findings.problem("grid.bounds", message, "the order is left, bottom, right, top");
            }
        }
    }
    let area = grid.area.as_ref().map(|area| findings.existing("grid.area", area));
    GridSettings { crs: grid.crs.clone(), cell_m: grid.cell_m, bounds: grid.bounds, area }
}

/// A month that may be left out.
pub(super) fn month(findings: &mut Findings<'_>, at: &str, text: Option<&String>) -> Option<Month> {
    match text?.parse() {
        Ok(month) => Some(month),
        Err(error) => {
            findings.problem(at, format!("{at}: {error}"), "months run from 01 to 12");
            None
        }
    }
}
