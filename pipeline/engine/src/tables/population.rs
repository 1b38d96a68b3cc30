//! Tables of the population: outcomes, paths, stages, growth, elasticities.

use super::{numbers, table, words};
use crate::evidence::population::{BEST, CaseOutcome, DENSITIES, Outcome, PopulationFound};
use crate::stages::Context;
use crate::stages::scenarios::Case;
use lentic_numerics::population::matrix;
use lentic_numerics::stage_matrix::{Growth, growth};
use lentic_report::{Column, Table};
use lentic_study::settings::Population;

/// What every table of the population repeats.
pub fn caution(population: &Population) -> String {
    let rates = if population.rates_from.is_empty() {
        "EVERY RATE IS A PLACEHOLDER until a biologist who knows the animal sets it (the study names nobody in rates_from).".to_string()
    } else {
        format!(
            "Rates set by: {}. They decide the outcome; question them before any number here.",
            population.rates_from
        )
    };
    format!("{rates} No animal is to be released or moved on a model's word.")
}

/// All tables of the population.
pub fn all(
    context: &Context,
    cases: &[Case],
    population: &Population,
    found: &PopulationFound,
) -> Vec<Table> {
    let drought = growth(&matrix(&population.stages, true)).ok().filter(|_| population.feels_drought());
    let kinds: Vec<(&str, &Growth, bool)> = std::iter::once(("ordinary", &population.growth, false))
        .chain(drought.as_ref().map(|growth| ("drought", growth, true)))
        .collect();
    vec![
        outcomes(cases, population, found),
        paths(context, cases, population, found),
        growths(population, &kinds),
        stages(population),
        elasticities(population, &kinds),
    ]
}

struct Row<'a> {
    case: &'a CaseOutcome,
    group: String,
    first: Option<u32>,
    now: Option<usize>,
    then: Option<usize>,
    outcome: &'a Outcome,
}

fn outcomes(cases: &[Case], population: &Population, found: &PopulationFound) -> Table {
    let mut rows = Vec::new();
    for case in &found.outcomes {
        rows.push(Row { case, group: "all".into(), first: None, now: None, then: None, outcome: &case.all });
        for (at, group) in case.groups.iter().enumerate() {
            rows.push(Row {
                case,
                group: (at + 1).to_string(),
                first: group.now.first().copied(),
                now: Some(group.now.len()),
                then: Some(group.then.len()),
                outcome: &group.outcome,
            });
        }
    }
    let count =
        |value: &dyn Fn(&Row) -> Option<usize>| rows.iter().map(|r| value(r).map(|n| n as i64)).collect();
    let note = format!(
        "{} Room: hectares x mean suitability x density, straight from today to the horizon; animals are those older than hatchlings. Lost: under {} animals; all: every group under it at once. Years until then are over all \
         courses, empty where fewer fell. Groups are told at the best density. {} courses; the error is that of their number only, not of the rates.",
        caution(population),
        population.quasi_extinction,
        population.replicates
    );
    table(
        "population",
        "Population by scenario",
        &note,
        vec![
            Column::text(
                "scenario",
                "Scenario; baseline is today's habitat kept",
                words(&rows, |r| cases[r.case.case].name.clone()),
            ),
            Column::text(
                "density",
                "Animals a hectare: low, best or high",
                words(&rows, |r| DENSITIES[r.case.density].into()),
            ),
            Column::text("group", "Group of joined patches, or all", words(&rows, |r| r.group.clone())),
            Column::integer(
                "first_patch",
                "",
                "Lowest number of its patches today",
                rows.iter().map(|r| r.first.map(i64::from)).collect(),
            ),
            Column::integer("patches_now", "", "Its patches today", count(&|r| r.now)),
            Column::integer("patches_then", "", "Its patches at the horizon", count(&|r| r.then)),
            Column::integer("years", "years", "Years drawn", count(&|r| Some(r.case.years))),
            Column::real(
                "drought_share_now",
                "",
                "Share of drought years at the start",
                numbers(&rows, |r| r.case.drought[0]),
            ),
            Column::real(
                "drought_share_then",
                "",
                "Share of drought years at the end",
                numbers(&rows, |r| r.case.drought[1]),
            ),
            Column::real("room_now", "animals", "Room today", numbers(&rows, |r| Some(r.outcome.room_now))),
            Column::real(
                "room_then",
                "animals",
                "Room at the horizon",
                numbers(&rows, |r| Some(r.outcome.room_then)),
            ),
            Column::real(
                "animals_now",
                "animals",
                "Animals at the start",
                numbers(&rows, |r| Some(r.outcome.start)),
            ),
            Column::real(
                "animals_then",
                "animals",
                "Median at the end",
                numbers(&rows, |r| Some(r.outcome.end[1])),
            ),
            Column::real(
                "animals_then_low",
                "animals",
                "5th percentile",
                numbers(&rows, |r| Some(r.outcome.end[0])),
            ),
            Column::real(
                "animals_then_high",
                "animals",
                "95th percentile",
                numbers(&rows, |r| Some(r.outcome.end[2])),
            ),
            Column::real(
                "lost_share",
                "",
                "Share of courses that fell under the level",
                numbers(&rows, |r| Some(r.outcome.fell)),
            ),
            Column::real(
                "lost_share_error",
                "",
                "Its standard error by the number of courses",
                numbers(&rows, |r| Some(r.outcome.fell_error)),
            ),
            Column::integer(
                "lost_years",
                "years",
                "Years until half of the courses fell",
                count(&|r| r.outcome.years[1]),
            ),
            Column::integer(
                "lost_years_low",
                "years",
                "Years until 5 % fell",
                count(&|r| r.outcome.years[0]),
            ),
            Column::integer(
                "lost_years_high",
                "years",
                "Years until 95 % fell",
                count(&|r| r.outcome.years[2]),
            ),
            Column::real(
                "years_under",
                "years",
                "Mean number of years under the level",
                numbers(&rows, |r| Some(r.outcome.years_under)),
            ),
            Column::real(
                "gone_share",
                "",
                "Share of courses without any animal at the end",
                numbers(&rows, |r| Some(r.outcome.gone)),
            ),
        ],
    )
}

fn paths(context: &Context, cases: &[Case], population: &Population, found: &PopulationFound) -> Table {
    let end = i64::from(context.study.period.baseline.1.year());
    let best = found.outcomes.iter().filter(|outcome| outcome.density == BEST);
    let rows: Vec<(usize, i64, [f64; 3])> = best
        .flat_map(|o| o.path.iter().enumerate().map(|(year, range)| (o.case, end + year as i64, *range)))
        .collect();
    table(
        "population_by_year",
        "Population year by year",
        &format!("{} Animals of all groups at the best density.", caution(population)),
        vec![
            Column::text("scenario", "Scenario", words(&rows, |r| cases[r.0].name.clone())),
            Column::integer(
                "year",
                "",
                "Year; the first is the end of the baseline",
                rows.iter().map(|r| Some(r.1)).collect(),
            ),
            Column::real("animals", "animals", "Median", numbers(&rows, |r| Some(r.2[1]))),
            Column::real("animals_low", "animals", "5th percentile", numbers(&rows, |r| Some(r.2[0]))),
            Column::real("animals_high", "animals", "95th percentile", numbers(&rows, |r| Some(r.2[2]))),
        ],
    )
}

fn growths(population: &Population, kinds: &[(&str, &Growth, bool)]) -> Table {
    table(
        "population_growth",
        "Growth of the population by its rates",
        &format!("{} Where neither drought of other years nor want of room touches it.", caution(population)),
        vec![
            Column::text(
                "years",
                "Ordinary years, or drought years without end",
                words(kinds, |k| k.0.into()),
            ),
            Column::real(
                "lambda",
                "",
                "Factor a year (dominant eigenvalue)",
                numbers(kinds, |k| Some(k.1.lambda)),
            ),
            Column::real(
                "percent_per_year",
                "percent",
                "Growth a year",
                numbers(kinds, |k| Some(100.0 * (k.1.lambda - 1.0))),
            ),
            Column::real(
                "damping",
                "",
                "Dominant eigenvalue over the size of the second",
                numbers(kinds, |k| k.1.damping),
            ),
        ],
    )
}

fn stages(population: &Population) -> Table {
    let rows: Vec<usize> = (0..population.stages.len()).collect();
    let stage = |at: &usize| &population.stages[*at];
    table(
        "population_stages",
        "Stages of life",
        &caution(population),
        vec![
            Column::text("stage", "Stage", words(&rows, |at| population.names[*at].clone())),
            Column::real(
                "stay",
                "",
                "Share in the stage a year on",
                numbers(&rows, |at| Some(stage(at).stay)),
            ),
            Column::real(
                "grow",
                "",
                "Share in the next stage a year on",
                numbers(&rows, |at| Some(stage(at).grow)),
            ),
            Column::real(
                "offspring",
                "",
                "Hatchlings a year",
                numbers(&rows, |at| Some(stage(at).offspring)),
            ),
            Column::real(
                "moves",
                "",
                "Share that moves to another patch in a year",
                numbers(&rows, |at| Some(stage(at).moves)),
            ),
            Column::real(
                "drought_survival",
                "",
                "Factor on survival in a drought year",
                numbers(&rows, |at| Some(stage(at).drought_survival)),
            ),
            Column::real(
                "drought_offspring",
                "",
                "Factor on offspring in a drought year",
                numbers(&rows, |at| Some(stage(at).drought_offspring)),
            ),
            Column::real(
                "stable_share",
                "",
                "Share of all animals in the long run",
                numbers(&rows, |at| Some(population.growth.stable[*at])),
            ),
            Column::real(
                "reproductive_value",
                "",
                "Worth for later growth, that of the first stage being 1",
                numbers(&rows, |at| Some(population.growth.value[*at])),
            ),
        ],
    )
}

fn elasticities(population: &Population, kinds: &[(&str, &Growth, bool)]) -> Table {
    let mut rows: Vec<(&str, usize, &str, f64, f64)> = Vec::new();
    for (kind, growth, drought) in kinds {
        let matrix = matrix(&population.stages, *drought);
        for at in 0..population.stages.len() {
            let entries = [("offspring", 0), ("stay", at), ("grow", at + 1)];
            for (what, row) in entries {
                // of the first stage the entry of those that stay and that of offspring are one
                let doubled = what == "offspring" && at == 0;
                let Some(rate) = matrix.get(row).map(|r| r[at]).filter(|rate| *rate > 0.0 && !doubled) else {
                    continue;
                };
                rows.push((kind, at, what, rate, growth.elasticity[row][at]));
            }
        }
    }
    table(
        "population_elasticities",
        "Which rates the growth hangs on",
        &format!(
            "{} Elasticity: percent by which lambda changes when the rate changes by one percent; they sum to 1. The largest say which rate is worth protecting, and worth knowing.",
            caution(population)
        ),
        vec![
            Column::text("years", "Ordinary or drought years", words(&rows, |r| r.0.into())),
            Column::text("stage", "Stage", words(&rows, |r| population.names[r.1].clone())),
            Column::text("rate", "offspring, stay or grow", words(&rows, |r| r.2.into())),
            Column::real("value", "", "The rate", numbers(&rows, |r| Some(r.3))),
            Column::real("elasticity", "", "Elasticity of lambda", numbers(&rows, |r| Some(r.4))),
        ],
    )
}
