//! Tables of what drying costs.

use super::{numbers, table, words};
use crate::costs::Costs;
use crate::costs::fates::{CaseFates, PatchFate, PatchOrigin};
use crate::costs::ladder::{Ladder, NEVER, NONE_TODAY, PatchMargin, StepAreas};
use crate::costs::surface::{PointAreas, Surface};
use crate::ranges::patches::PatchMembers;
use crate::ranges::{Ranges, Spread};
use crate::stages::patches::CasePatches;
use crate::stages::scenarios::Case;
use lentic_habitat::change::{Areas, ha};
use lentic_habitat::patches::Patch;
use lentic_report::{ClassStyle, Column, Ramp, Rgb, Table};
use lentic_study::Study;
use lentic_study::settings::DryingLadder;

/// Neither habitat today nor anything to look at.
const GROUND: Rgb = Rgb::new(0xece7de);
/// Habitat that stays.
const KEPT: Rgb = Rgb::new(0x034b45);

/// Name of the column of steps.
pub fn step_name(drying: &DryingLadder) -> &'static str {
    match drying {
        DryingLadder::PrecipitationLoss(_) => "precipitation_loss_percent",
        DryingLadder::Drawdown(_) => "drawdown_m",
    }
}

/// A margin in words; `None` is more than the last step.
pub fn margin_words(drying: &DryingLadder, step: Option<usize>) -> String {
    let unit = drying.unit();
    match (step.and_then(|step| drying.steps().get(step)), drying.steps().last()) {
        (Some(step), _) => format!("{step} {unit}"),
        (None, Some(last)) => format!("more than {last} {unit}"),
        (None, None) => String::new(),
    }
}

/// Areas by step, and margins of patches.
pub fn ladder(drying: &DryingLadder, ladder: &Ladder) -> [Table; 2] {
    let rows: Vec<(usize, f64, &StepAreas)> = drying
        .steps()
        .iter()
        .zip(&ladder.steps)
        .enumerate()
        .map(|(at, (step, areas))| (at, *step, areas))
        .collect();
    let today = ladder.steps.first().map_or(0.0, |step| ha(&step.habitat));
    let real = |name: &str, description: &str, value: &dyn Fn(&StepAreas) -> f64| {
        Column::real(name, "ha", description, numbers(&rows, |row| Some(value(row.2))))
    };
    let step = format!("{}; the first is today", capital(drying.in_words()));
    let areas = table(
        "drying_margin",
        "Habitat under steps of drying",
        "Each step is a scenario of its own: everything but this one change stays as it is today. Over cells assessed in the baseline and in every scenario. What has not failed by the last step fails \
         later or never: its margin is more than the last step, which is no number. Habitat may come back at a drier step, where water was too deep or lasted too long.",
        vec![
            Column::integer(
                "step",
                "",
                "Position of the step, 0 today; the code in drying_margin.tif",
                rows.iter().map(|row| Some(row.0 as i64)).collect(),
            ),
            Column::real(step_name(drying), drying.unit(), &step, numbers(&rows, |row| Some(row.1))),
            real("habitat_ha", "Habitat at this step", &|a| ha(&a.habitat)),
            real("kept_ha", "Today's habitat that is habitat at this step", &|a| ha(&a.kept)),
            Column::real(
                "kept_percent",
                "percent",
                "Its share of today's habitat",
                numbers(&rows, |row| (today > 0.0).then(|| 100.0 * ha(&row.2.kept) / today)),
            ),
            real("gained_ha", "Habitat at this step that is none today", &|a| ha(&a.habitat) - ha(&a.kept)),
            real(
                "first_failing_ha",
                "Today's habitat that is none at this step for the first time: the area of this margin",
                &|a| ha(&a.first_failing),
            ),
            real(
                "returned_ha",
                "Today's habitat that failed at an earlier step and is habitat again",
                &|a| ha(&a.returned),
            ),
            real("never_failed_ha", "Today's habitat that has not failed up to this step", &|a| {
                ha(&a.never_failed)
            }),
        ],
    );
    let rows = &ladder.patches;
    let margin = |patch: &PatchMargin| patch.first_failing();
    let of_step = |patch: &PatchMargin| margin(patch).and_then(|step| drying.steps().get(step)).copied();
    let patches = table(
        "patch_margins",
        "Drying margin of patches",
        "A patch fails at the first step at which less than half the area of its footprint of today is habitat. Patches as in table patches, baseline.",
        vec![
            Column::integer(
                "patch",
                "",
                "Number in the baseline",
                rows.iter().map(|p| Some(i64::from(p.patch))).collect(),
            ),
            Column::real("area_ha", "ha", "Area today", numbers(rows, |p| Some(p.area_m2 / 10_000.0))),
            Column::real(
                step_name(drying),
                drying.unit(),
                "First step at which it keeps under half; empty where it keeps more at every step",
                numbers(rows, of_step),
            ),
            Column::text("margin", "The same in words", words(rows, |p| margin_words(drying, margin(p)))),
            Column::real(
                "kept_at_last",
                "",
                "Share of its area kept at the last step",
                numbers(rows, |p| p.kept.last().copied()),
            ),
        ],
    );
    [areas, patches]
}

/// With a capital first letter.
pub fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

/// The tables of what the study asks for.
pub fn of_study(study: &Study, costs: &Costs) -> Vec<Table> {
    let ladders =
        study.drying_ladder.iter().zip(&costs.ladder).flat_map(|(drying, found)| ladder(drying, found));
    ladders.chain(costs.surface.as_ref().map(surface)).collect()
}

/// Codes of the drying margin with names and colours: cells that fail sooner lighter.
pub fn margin_classes(drying: &DryingLadder) -> Vec<ClassStyle> {
    let steps = drying.steps();
    let colours = Ramp::Margin.colours(steps.len().max(2));
    let name = |step: f64| format!("fails at {step} {}", drying.unit());
    let failing = steps.iter().enumerate().skip(1).zip(&colours);
    let failing =
        failing.map(|((at, step), colour)| ClassStyle { code: at as u8, name: name(*step), colour: *colour });
    let none = ClassStyle { code: NONE_TODAY, name: "no habitat today".into(), colour: GROUND };
    let never = ClassStyle { code: NEVER, name: margin_words(drying, None), colour: KEPT };
    std::iter::once(none).chain(failing).chain(std::iter::once(never)).collect()
}

/// Codes of the map of refuges.
pub fn refuge_classes() -> Vec<ClassStyle> {
    let style = |code: u8, name: &str, colour: Rgb| ClassStyle { code, name: name.into(), colour };
    vec![style(0, "no refuge", GROUND), style(1, "habitat today and in every scenario", KEPT)]
}

/// Says how much habitat comes back at drier steps, if any.
pub fn returned_note(study: &Study, costs: &Costs) -> Option<String> {
    let (drying, ladder) = study.drying_ladder.as_ref().zip(costs.ladder.as_ref())?;
    let rows = drying.steps().iter().zip(&ladder.steps).map(|(step, areas)| (*step, ha(&areas.returned)));
    let (step, most) = rows.filter(|(_, area)| *area > 0.0).max_by(|a, b| a.1.total_cmp(&b.1))?;
    Some(format!(
        "Drying ladder: habitat that fails may come back at a drier step, where deep or lasting water becomes shallow or seasonal enough; at {step} {} {most:.1} ha have (returned_ha in table drying_margin). The margin is the first failure.",
        drying.unit()
    ))
}

/// Habitat area over changes of climate.
pub fn surface(surface: &Surface) -> Table {
    let rows = &surface.points;
    let real = |name: &str, description: &str, value: &dyn Fn(&PointAreas) -> f64| {
        Column::real(name, "ha", description, numbers(rows, |row| Some(value(&row.2))))
    };
    let kept = |a: &PointAreas| ha(&a.kept);
    let lost_percent =
        |a: &PointAreas| (ha(&a.before) > 0.0).then(|| 100.0 * (ha(&a.before) - kept(a)) / ha(&a.before));
    table(
        "response_surface",
        "Habitat area over changes of rain and warmth",
        "Each point changes precipitation and temperature alike in all months, and nothing else. Over cells assessed in the baseline and in every scenario.",
        vec![
            Column::real(
                "precipitation_percent",
                "percent",
                "Change of precipitation",
                numbers(rows, |row| Some(row.0)),
            ),
            Column::real(
                "temperature_c",
                "degrees Celsius",
                "Change of temperature",
                numbers(rows, |row| Some(row.1)),
            ),
            real("habitat_ha", "Habitat", &|a| kept(a) + ha(&a.gained)),
            real("kept_ha", "Habitat today and here", &kept),
            real("lost_ha", "Habitat today only", &|a| ha(&a.before) - kept(a)),
            real("gained_ha", "Habitat here only", &|a| ha(&a.gained)),
            Column::real(
                "lost_percent",
                "percent",
                "Lost share of today's habitat",
                numbers(rows, |row| lost_percent(&row.2)),
            ),
        ],
    )
}

/// Habitat and loss on the ground of today's patches.
pub fn loss_by_patch(
    cases: &[Case],
    patches: &[CasePatches],
    fates: &[CaseFates],
    ranges: Option<&Ranges>,
) -> Table {
    type Row = (String, u32, Areas, usize);
    let of = |(at, (case, found)): (usize, (&Case, &CaseFates))| -> Vec<Row> {
        let rows = patches[0].patches.iter().zip(&found.areas);
        rows.map(|(patch, areas)| (case.name.clone(), patch.number, areas.clone(), at + 1)).collect()
    };
    let rows: Vec<Row> = cases.iter().skip(1).zip(fates).enumerate().flat_map(of).collect();
    let members: Option<&PatchMembers> = ranges.and_then(|ranges| ranges.patches.as_ref());
    let of_members = |name: &str, description: &str, value: fn(Spread) -> f64| {
        let of = |row: &Row| members.and_then(|members| members.habitat_ha(row.1, row.3)).map(value);
        Column::real(name, "ha", description, numbers(&rows, of))
    };
    let real = |name: &str, description: &str, value: &dyn Fn(&Areas) -> f64| {
        Column::real(name, "ha", description, numbers(&rows, |row| Some(value(&row.2))))
    };
    let mut columns = vec![
        Column::text("scenario", "Scenario", words(&rows, |row| row.0.clone())),
        Column::integer(
            "patch",
            "",
            "Number in the baseline",
            rows.iter().map(|row| Some(i64::from(row.1))).collect(),
        ),
        real("baseline_ha", "Habitat in the baseline", &Areas::baseline_ha),
        real("kept_ha", "Habitat in both", &Areas::kept_ha),
        real("degraded_ha", "Kept, but suitability lower by 0.1 or more", &|a| ha(&a.degraded)),
        real("lost_ha", "Habitat in the baseline only", &|a| ha(&a.lost)),
        Column::real(
            "lost_percent",
            "percent",
            "Lost share of the baseline habitat",
            numbers(&rows, |row| row.2.lost_percent()),
        ),
        real("prior_only_ha", "Baseline habitat whose response rests on the prior only", &|a| {
            ha(&a.prior_only)
        }),
    ];
    if let Some(members) = members {
        columns.push(of_members("low_ha", "5 % of the members leave less habitat on this ground", |s| s.low));
        columns.push(of_members("median_ha", "Half of the members do", |s| s.median));
        columns.push(of_members("high_ha", "95 % of the members do", |s| s.high));
        let half = |row: &Row| members.share_with_half(row.1, row.3, row.2.baseline_ha());
        columns.push(Column::real(
            "members_keeping_half",
            "",
            "Share of the members in which half of the patch's area or more is habitat",
            numbers(&rows, half),
        ));
    }
    table(
        "habitat_loss_by_patch",
        "Habitat and loss by patch",
        "On the ground of today's patches, whether or not what is left of them is still large enough for a patch (table patch_fates tells that). degraded is part of kept; nothing can be gained on ground that is habitat today.",
        columns,
    )
}

/// What becomes of the patches of the baseline, and where those of the scenarios come from.
pub fn fates(cases: &[Case], patches: &[CasePatches], fates: &[CaseFates]) -> [Table; 2] {
    let scenarios = || cases.iter().zip(patches).skip(1).zip(fates);
    let old: Vec<(&str, &Patch, &PatchFate)> = scenarios()
        .flat_map(|((case, _), found)| {
            patches[0].patches.iter().zip(&found.fates).map(|(patch, fate)| (case.name.as_str(), patch, fate))
        })
        .collect();
    let new: Vec<(&str, &Patch, &PatchOrigin)> = scenarios()
        .flat_map(|((case, found), fates)| {
            found
                .patches
                .iter()
                .zip(&fates.origins)
                .map(|(patch, origin)| (case.name.as_str(), patch, origin))
        })
        .collect();
    let lost = table(
        "patch_fates",
        "What becomes of today's patches",
        "By the share of a patch's cells that still lie in patches of the scenario: lost (under 0.05), split (two patches or more hold 0.1 each), shrunk (under 0.9), else kept, in that order.",
        vec![
            Column::text("scenario", "Scenario", words(&old, |row| row.0.to_string())),
            Column::integer(
                "patch",
                "",
                "Number in the baseline",
                old.iter().map(|row| Some(i64::from(row.1.number))).collect(),
            ),
            Column::real(
                "area_ha",
                "ha",
                "Area in the baseline",
                numbers(&old, |row| Some(row.1.area_m2 / 10_000.0)),
            ),
            Column::text(
                "fate",
                "kept, shrunk, split or lost",
                words(&old, |row| row.2.fate.word().to_string()),
            ),
            Column::real(
                "kept_share",
                "",
                "Share of its cells in patches of the scenario",
                numbers(&old, |row| Some(row.2.kept)),
            ),
            Column::integer(
                "parts",
                "",
                "Patches of the scenario that hold at least 0.1 of its cells",
                old.iter().map(|row| Some(row.2.parts as i64)).collect(),
            ),
            Column::integer(
                "largest_part",
                "",
                "Number of the patch of the scenario with most of its cells; empty where there is none",
                old.iter().map(|row| row.2.largest.map(i64::from)).collect(),
            ),
        ],
    );
    let from = table(
        "patch_origins",
        "Where the patches of a scenario come from",
        "new: no cell lies in a patch of the baseline; merged: holds at least 0.1 of the cells of two or more patches of the baseline; else from one.",
        vec![
            Column::text("scenario", "Scenario", words(&new, |row| row.0.to_string())),
            Column::integer(
                "patch",
                "",
                "Number within the scenario",
                new.iter().map(|row| Some(i64::from(row.1.number))).collect(),
            ),
            Column::real("area_ha", "ha", "Area", numbers(&new, |row| Some(row.1.area_m2 / 10_000.0))),
            Column::text("origin", "from one, merged or new", words(&new, |row| row.2.word.to_string())),
            Column::real(
                "from_patches_share",
                "",
                "Share of its cells in patches of the baseline",
                numbers(&new, |row| Some(row.2.from_patches)),
            ),
            Column::integer(
                "joined",
                "",
                "Patches of the baseline of whose cells it holds at least 0.1",
                new.iter().map(|row| Some(row.2.joined as i64)).collect(),
            ),
        ],
    );
    [lost, from]
}
