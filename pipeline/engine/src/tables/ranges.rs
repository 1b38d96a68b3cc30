//! Tables of ranges over members, and of what counts most.

use super::{class_name, numbers, role_word, table, words};
use crate::ranges::sensitivity::Sensitivity;
use crate::ranges::{AGREEMENT, ByMember, MemberAreas, NOT_COMPARED, Ranges, Spread};
use crate::stages::scenarios::Case;
use crate::stages::suitability::TABLE_ROLES;
use lentic_habitat::change::ha;
use lentic_numerics::sensitivity::Estimate;
use lentic_report::{ClassStyle, Column, Ramp, Table};
use lentic_study::Study;

const HA: f64 = 10_000.0;

/// A row of the table of ranges.
struct Row {
    case: usize,
    split: &'static str,
    code: String,
    name: String,
    habitat: Option<Spread>,
    lost: Option<Spread>,
    percent: Option<Spread>,
}

fn row(case: usize, (split, code, name): (&'static str, String, String), members: &[MemberAreas]) -> Row {
    let hectares = |sum: &lentic_numerics::exact_sum::ExactSum| sum.value().map(|m2| m2 / HA);
    let changed = |spread: Option<Spread>| spread.filter(|_| case > 0);
    Row {
        case,
        split,
        code,
        name,
        habitat: Spread::of(members.iter().map(|areas| hectares(&areas.habitat))),
        lost: changed(Spread::of(members.iter().map(|areas| hectares(&areas.lost)))),
        percent: changed(Spread::of(members.iter().map(MemberAreas::lost_percent))),
    }
}

/// Ranges of every area: over the whole and by class.
pub fn habitat_ranges(study: &Study, cases: &[Case], ranges: &Ranges) -> Table {
    let mut rows = Vec::new();
    for case in 0..cases.len() {
        let whole = ("whole", String::new(), "whole study area".to_string());
        rows.push(row(case, whole, ranges.whole.of(case)));
        for (role, by) in TABLE_ROLES.into_iter().zip(&ranges.by) {
            let Some(layer) = study.layer_with(role) else { continue };
            let class = |(code, members): (&Option<i32>, &ByMember)| {
                let written = code.map_or_else(String::new, |code| code.to_string());
                let label = (role_word(role), written, class_name(Some(layer), *code));
                row(case, label, members.of(case))
            };
            rows.extend(by.iter().map(class));
        }
    }
    let text = |name: &str, description: &str, value: &dyn Fn(&Row) -> String| {
        Column::text(name, description, words(&rows, value))
    };
    let mut columns = vec![
        text("scenario", "Scenario; baseline is today", &|row| cases[row.case].name.clone()),
        text("split", "What the area is split by: the whole study area, or a layer's classes", &|row| {
            row.split.to_string()
        }),
        text("code", "Code of the class", &|row| row.code.clone()),
        text("name", "Its name", &|row| row.name.clone()),
    ];
    type Of = fn(&Row) -> Option<Spread>;
    type At = fn(Spread) -> f64;
    let kinds: [(&str, &str, &str, Of); 3] = [
        ("habitat", "ha", "Habitat", |row| row.habitat),
        ("lost", "ha", "Habitat of the member's own baseline that is none in the scenario", |row| row.lost),
        (
            "lost",
            "percent",
            "Its share of the member's baseline habitat, over members that have any",
            |row| row.percent,
        ),
    ];
    for (kind, unit, description, of) in kinds {
        let parts: [(&str, &str, At); 3] = [
            ("low", "5 % of members lie below", |spread| spread.low),
            ("median", "half of the members lie below", |spread| spread.median),
            ("high", "95 % of members lie below", |spread| spread.high),
        ];
        for (name, said, value) in parts {
            columns.push(Column::real(
                &format!("{kind}_{name}_{unit}"),
                unit,
                &format!("{description}: {said}"),
                numbers(&rows, |row| of(row).map(value)),
            ));
        }
    }
    table(
        "habitat_ranges",
        "Ranges of habitat over members of uncertainty",
        &format!(
            "{} members, each with curves, weights, threshold, response of water and numbers of scenarios drawn anew as [uncertainty] says. Errors of the response are taken as shared within a response group. \
             What is not drawn is not in these ranges: the form of the model, the layers, the choice of what an animal needs.",
            ranges.members
        ),
        columns,
    )
}

/// Areas of every member.
pub fn habitat_members(cases: &[Case], ranges: &Ranges) -> Table {
    let rows: Vec<(usize, usize, &MemberAreas)> = (0..cases.len())
        .flat_map(|case| {
            ranges.whole.of(case).iter().enumerate().map(move |(member, areas)| (case, member, areas))
        })
        .collect();
    table(
        "habitat_members",
        "Habitat area by member of uncertainty",
        "Over cells assessed in the baseline and in every scenario. What a member draws follows from the seed of the study.",
        vec![
            Column::text(
                "scenario",
                "Scenario; baseline is today",
                words(&rows, |row| cases[row.0].name.clone()),
            ),
            Column::integer(
                "member",
                "",
                "Number of the member",
                rows.iter().map(|row| Some(row.1 as i64 + 1)).collect(),
            ),
            Column::real("habitat_ha", "ha", "Habitat", numbers(&rows, |row| Some(ha(&row.2.habitat)))),
            Column::real(
                "lost_ha",
                "ha",
                "Habitat of the member's own baseline that is none here",
                numbers(&rows, |row| Some(ha(&row.2.lost))),
            ),
        ],
    )
}

/// Area by share of members that call it habitat.
pub fn habitat_agreement(cases: &[Case], ranges: &Ranges) -> Table {
    let rows: Vec<(usize, usize)> =
        (0..cases.len()).flat_map(|case| (0..=AGREEMENT.len()).map(move |class| (case, class))).collect();
    let bound = |at: usize| if at == 0 { 0.0 } else { AGREEMENT[at - 1] };
    table(
        "habitat_agreement",
        "Area by how many members call it habitat",
        "Over cells assessed in the baseline and in every scenario. Raster habitat_share_SCENARIO.tif holds the share of every cell.",
        vec![
            Column::text(
                "scenario",
                "Scenario; baseline is today",
                words(&rows, |row| cases[row.0].name.clone()),
            ),
            Column::integer(
                "class",
                "",
                "Class of agreement",
                rows.iter().map(|row| Some(row.1 as i64)).collect(),
            ),
            Column::text("name", "In words", words(&rows, |row| WORDS[row.1].to_string())),
            Column::real(
                "from_share",
                "",
                "Share of members from which",
                numbers(&rows, |row| Some(bound(row.1))),
            ),
            Column::real(
                "to_share",
                "",
                "Share of members up to which",
                numbers(&rows, |row| Some(AGREEMENT.get(row.1).copied().unwrap_or(1.0))),
            ),
            Column::real(
                "area_ha",
                "ha",
                "Area",
                numbers(&rows, |row| Some(ha(&ranges.agreement_areas[row.0][row.1]))),
            ),
        ],
    )
}

const WORDS: [&str; AGREEMENT.len() + 1] = [
    "habitat in hardly any member (5 % or fewer)",
    "habitat in fewer than a third",
    "undecided (a third to two thirds)",
    "habitat in more than two thirds",
    "habitat in nearly every member (95 % or more)",
];

/// Codes of the classes of agreement with names and colours.
pub fn agreement_classes() -> Vec<ClassStyle> {
    let colours = Ramp::Suitability.colours(WORDS.len());
    WORDS
        .iter()
        .zip(colours)
        .enumerate()
        .map(|(code, (name, colour))| ClassStyle { code: code as u8, name: (*name).to_string(), colour })
        .collect()
}

/// Code of cells without a class of agreement.
pub const NO_AGREEMENT: u8 = NOT_COMPARED;

/// Shares of variance by part of the uncertainty.
pub fn sensitivity(cases: &[Case], found: &Sensitivity) -> Table {
    let rows: Vec<_> = found
        .shares
        .iter()
        .flat_map(|shares| shares.parts.iter().flatten().map(move |(part, index)| (shares, part, index)))
        .collect();
    let mut columns = vec![
        Column::text(
            "scenario",
            "Scenario; baseline is today",
            words(&rows, |row| cases[row.0.case].name.clone()),
        ),
        Column::text(
            "number",
            "What varies: habitat area, or the lost share of the baseline's",
            words(&rows, |row| if row.0.of_loss { "lost share" } else { "habitat area" }.to_string()),
        ),
        Column::text("part", "Part of the uncertainty", words(&rows, |row| row.1.words().to_string())),
    ];
    let kinds = [
        ("first", "Share of the variance that the part makes by itself"),
        ("total", "Share of the variance in which the part has any hand"),
    ];
    for (kind, description) in kinds {
        let of = |row: &(
            &crate::ranges::sensitivity::Shares,
            &lentic_habitat::members::Part,
            &lentic_numerics::sensitivity::SobolIndex,
        )|
         -> Estimate { if kind == "first" { row.2.first } else { row.2.total } };
        let real = |name: &str, description: &str, value: &dyn Fn(Estimate) -> f64| {
            Column::real(name, "", description, numbers(&rows, |row| Some(value(of(row)))))
        };
        columns.push(real(&format!("{kind}_share"), description, &|e| e.value));
        columns.push(real(&format!("{kind}_standard_error"), "Its standard error", &|e| e.error));
        columns.push(real(&format!("{kind}_low"), "Its 5th percentile over rows resampled", &|e| e.low));
        columns.push(real(&format!("{kind}_high"), "Its 95th percentile over rows resampled", &|e| e.high));
        columns.push(Column::text(
            &format!("{kind}_told_from_0"),
            "Whether it is above the width of its interval; else it is not distinguished from 0",
            words(&rows, |row| if of(row).is_told_from_nothing() { "yes" } else { "no" }.to_string()),
        ));
    }
    table(
        "sensitivity",
        "Which part of the uncertainty counts most",
        &format!(
            "Sobol indices (Saltelli et al. 2010; Jansen 1999) of numbers over {} cells in whole blocks, from {} evaluations. Totals may add to more than 1 where parts act together.",
            found.cells, found.evaluations
        ),
        columns,
    )
}
