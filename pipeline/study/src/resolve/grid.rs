//! `[grid]`, `[period]` and `[patches]`.

use super::context::Context;
use super::crossing::crossing;
use crate::Month;
use crate::settings::{GridSettings, Patches, Period};

/// First and last month.
pub(super) type Months = (Month, Month);

pub(super) fn grid(context: &mut Context<'_>) -> GridSettings {
    let grid = &context.file.grid;
    if grid.crs.trim().is_empty() {
        let help = "name a projected one, for example \"EPSG:6933\"";
        context.problem("grid.crs", "grid.crs is empty".into(), help);
    }
    let before = context.problems.len();
    match (&grid.bounds, &grid.area) {
        (Some(_), Some(_)) => context.problem(
            "grid.area",
            "[grid] has both bounds and area".into(),
            "keep one; with an area the grid covers its extent",
        ),
        (None, None) if context.spoilt.meant("grid", "bounds") || context.spoilt.meant("grid", "area") => {}
        (None, None) => context.problem_at_key(
            "grid",
            "[grid] has neither bounds nor area".into(),
            "add bounds = [left, bottom, right, top] in metres, or area = \"a vector file\"",
        ),
        _ => {}
    }
    let mut bounds = grid.bounds.filter(|_| !context.spoilt.within("grid.bounds"));
    if let Some([left, bottom, right, top]) = bounds {
        for (low, high, names) in
            [(left, right, "left is {low}, right {high}"), (bottom, top, "bottom is {low}, top {high}")]
        {
            if low >= high {
                let found = names.replace("{low}", &low.to_string()).replace("{high}", &high.to_string());
                let message = format!("grid.bounds: {found}; the second must be larger");
                context.problem("grid.bounds", message, "the order is left, bottom, right, top");
            }
        }
    }
    let mut area = grid.area.as_ref().map(|area| context.existing("grid.area", area));
    if context.problems.len() > before || context.spoilt.value("grid.cell_m") {
        (bounds, area) = (None, None);
    }
    GridSettings { crs: grid.crs.clone(), cell_m: grid.cell_m, bounds, area }
}

/// The months of the baseline; `None` where they cannot be understood, which is then told.
pub(super) fn baseline(context: &mut Context<'_>) -> Option<Months> {
    months(context, "period.baseline", &context.file.period.baseline)
}

/// The months of the reference, those of the baseline `otherwise`; `None` as for [`baseline`].
pub(super) fn reference(context: &mut Context<'_>, otherwise: Option<Months>) -> Option<Months> {
    match &context.file.period.reference {
        Some(reference) => months(context, "period.reference", reference),
        None if context.spoilt.meant("period", "reference") => None,
        None => otherwise,
    }
}

/// The period; where months are not known any stand in, and what hangs on them is left out of the study.
pub(super) fn period(context: &Context<'_>, baseline: Option<Months>, reference: Option<Months>) -> Period {
    let any = || (Month::default(), Month::default());
    let baseline = baseline.unwrap_or_else(any);
    Period {
        baseline,
        reference: reference.unwrap_or(baseline),
        water_year_starts: context.file.period.water_year_starts.unwrap_or(1),
    }
}

fn months(context: &mut Context<'_>, at: &str, written: &[String; 2]) -> Option<Months> {
    let mut read = |i: usize| match written[i].parse::<Month>() {
        Ok(month) => Some(month),
        Err(error) => {
            let at = format!("{at}[{i}]");
            context.problem(&at, format!("{at}: {error}"), "months run from 01 to 12");
            None
        }
    };
    let (first, last) = (read(0), read(1));
    let (first, last) = (first?, last?);
    if first > last {
        let message = format!("{at} runs from {first} back to {last}");
        context.problem(at, message, "put the first month first, the last second");
        return None;
    }
    Some((first, last))
}

pub(super) fn patches(context: &mut Context<'_>) -> Patches {
    let section = &context.file.patches;
    let neighbours = section.neighbours.unwrap_or(8);
    if neighbours != 4 && neighbours != 8 {
        context.problem(
            "patches.neighbours",
            format!("patches.neighbours is {neighbours}; 4 or 8 is expected"),
            "8 joins cells at corners too, 4 only at sides",
        );
    }
    Patches {
        corners_join: neighbours == 8,
        minimum_ha: section.minimum_ha.unwrap_or(0.0),
        edge_m: section.edge_m.unwrap_or(0.0),
        crossing: section.crossing.as_ref().and_then(|section| crossing(context, section)),
    }
}
