//! The levels of pools, and whether their cells answer to them.

use super::{class_name, table};
use crate::stages::levels::TriedPool;
use lentic_habitat::pool_level::PoolLevel;
use lentic_habitat::pool_level::trial::AT_MOST;
use lentic_report::{Column, Table};
use lentic_study::Study;
use lentic_study::settings::Role;

/// Share of steady water in what a pool gains above which its answer to a drier climate is to be read with care.
const STEADY: f64 = 0.2;

/// The balance of every pool that was tried.
pub fn pool_levels(study: &Study, pools: &[TriedPool]) -> Option<Table> {
    if pools.is_empty() {
        return None;
    }
    let layer = study.layer_with(Role::Pools);
    let real = |value: &dyn Fn(&TriedPool) -> Option<f64>| {
        pools.iter().map(|pool| value(pool).filter(|value| value.is_finite())).collect::<Vec<_>>()
    };
    let of_level = |value: fn(&PoolLevel) -> f64| real(&|pool| pool.level.as_ref().map(value));
    let integer = |value: fn(&TriedPool) -> u64| pools.iter().map(|pool| Some(value(pool) as i64)).collect();
    let note = format!(
        "Balance of each pool a month: change of volume = area under water x (rain share x rain - evaporation share x evapotranspiration - seepage) + catchment x runoff of the soil + inflow. A pool's cells answer to its level in place of the drought \
         index where its deviance in years left out is at most {AT_MOST} of the index's. A steady inflow is held steady in every climate: where it is a large share of what a pool gains, a drier climate may take more than is told."
    );
    Some(table(
        "pool_levels",
        "Levels of the pools",
        &note,
        vec![
            Column::integer("pool", "", "Code of the pool", integer(|pool| pool.pool as u64)),
            Column::text(
                "name",
                "Pool",
                pools.iter().map(|pool| Some(class_name(layer, Some(pool.pool)))).collect(),
            ),
            Column::text(
                "answers_to",
                "What the water of its cells answers to",
                pools
                    .iter()
                    .map(|pool| Some(if pool.taken { "level" } else { "index" }.to_string()))
                    .collect(),
            ),
            Column::real(
                "deviance_level",
                "",
                "Deviance per month of a cell in years left out, by the level",
                real(&|pool| pool.trial.map(|trial| trial.level)),
            ),
            Column::real(
                "deviance_index",
                "",
                "The same by the drought index",
                real(&|pool| pool.trial.map(|trial| trial.index)),
            ),
            Column::integer(
                "cells",
                "cells",
                "Assessed cells of known ground inside the study area",
                integer(|pool| pool.cells),
            ),
            Column::integer(
                "months_seen",
                "months",
                "Months whose water shows a level",
                integer(|pool| pool.months as u64),
            ),
            Column::real(
                "misfit_m",
                "m",
                "Root mean square of modelled minus seen level",
                real(&|pool| Some(pool.misfit_m)),
            ),
            Column::real("brim_m", "m", "Highest level; above it water runs off", of_level(PoolLevel::brim)),
            Column::real("mean_level_m", "m", "Mean modelled level", of_level(|level| level.mean)),
            Column::real(
                "level_sd_m",
                "m",
                "Standard deviation of the modelled level: one unit of z",
                of_level(|level| level.sd),
            ),
            Column::real(
                "soil_store_mm",
                "mm",
                "Water that the soil around holds before it sheds any",
                of_level(|level| level.capacity_mm),
            ),
            Column::real(
                "rain_share",
                "",
                "Rain that reaches the water over rain",
                of_level(|level| level.rates.rain),
            ),
            Column::real(
                "evaporation_share",
                "",
                "Evaporation from the water over potential evapotranspiration",
                of_level(|level| level.rates.evaporation),
            ),
            Column::real(
                "seepage_m",
                "m per month",
                "Lost through the bed under water",
                of_level(|level| level.rates.seepage),
            ),
            Column::real(
                "catchment_share",
                "",
                "Ground that sheds into the pool over the area of the pool",
                of_level(|level| level.rates.runoff),
            ),
            Column::real(
                "inflow_m",
                "m per month",
                "Coming in whatever the weather, over the whole pool",
                of_level(|level| level.rates.inflow),
            ),
            Column::real(
                "steady_share",
                "",
                "Share of that inflow in all that the pool gains",
                real(&|pool| Some(pool.steady_share)),
            ),
        ],
    ))
}

/// What a reader must know of the levels, as sentences.
pub fn pool_level_notes(study: &Study, pools: &[TriedPool]) -> Vec<String> {
    let taken: Vec<&TriedPool> = pools.iter().filter(|pool| pool.taken).collect();
    if taken.is_empty() {
        return Vec::new();
    }
    let layer = study.layer_with(Role::Pools);
    let mut notes = vec![format!(
        "The water of {} of {} pools tried answers to a level from a balance of their own, which foretells years left out far better than the drought index (table pool_levels).",
        taken.len(),
        pools.len()
    )];
    let steady: Vec<String> = taken
        .iter()
        .filter(|pool| pool.steady_share > STEADY)
        .map(|pool| class_name(layer, Some(pool.pool)))
        .collect();
    if !steady.is_empty() {
        notes.push(format!(
            "More than {:.0} % of what these pools gain was steady in the record and is held steady in every scenario, though a drier climate may take from it: {}. Read their losses as the least to expect.",
            100.0 * STEADY,
            steady.join(", ")
        ));
    }
    notes
}
