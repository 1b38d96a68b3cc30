//! The tables of a run, from what the stages left.

pub mod calibration;
pub mod causes;
mod connection;
pub mod costs;
mod drawdown;
mod drought;
pub mod ensembles;
pub mod evidence;
mod habitat;
pub mod levels;
mod limits;
pub mod management;
pub mod over_time;
pub mod population;
mod quality;
pub mod range;
pub mod ranges;
pub mod records;
pub mod supply;
mod volume;
mod water;

pub use connection::{connection, connection_notes, equivalent_ha};
pub use drawdown::{drawdown_curves, surface_warning};
pub use drought::{
    drought_events, drought_index, events_of, extrapolated_notes, index_choice, is_mean, unfitted_warnings,
    warming_warning,
};
pub use habitat::{
    baseline_check, disagreement_percent, habitat_area, loss_by_class, patches, prior_only_note,
};
pub use limits::{limit_classes, limit_name, limiting_factor, no_habitat, weights, without_data};
pub use quality::{inundation_quality, inundation_reliability, quality_warnings};
pub use volume::volume;
pub use water::{held_notes, inundation_fit, unanswering};

use lentic_habitat::response::pool::pool_of_group;
use lentic_report::{Column, Table};
use lentic_study::Study;
use lentic_study::settings::{Layer, Role};

fn table(name: &str, title: &str, note: &str, columns: Vec<Column>) -> Table {
    Table { name: name.into(), title: title.into(), note: note.into(), columns }
}

/// Response groups in the order of tables: classes, then pools with a level.
fn classes_first(groups: &mut [Option<i32>]) {
    groups.sort_by_key(|group| (pool_of_group(*group).is_some(), *group));
}

fn words<T>(rows: &[T], value: impl Fn(&T) -> String) -> Vec<Option<String>> {
    rows.iter().map(|row| Some(value(row))).collect()
}

fn numbers<T>(rows: &[T], value: impl Fn(&T) -> Option<f64>) -> Vec<Option<f64>> {
    rows.iter().map(value).collect()
}

/// What each word for a file of tables by role is.
pub fn role_word(role: Role) -> &'static str {
    match role {
        Role::Zones => "zone",
        Role::WetlandClass => "wetland_class",
        _ => "land_cover",
    }
}

/// How the names of response groups that are pools with a level begin.
pub const LEVEL_OF: &str = "level of ";

/// Name of a response group.
pub fn group_name(study: &Study, code: Option<i32>) -> String {
    if let Some(pool) = pool_of_group(code) {
        return format!("{LEVEL_OF}{}", class_name(study.layer_with(Role::Pools), Some(pool)));
    }
    let layer = study.inundation.groups.as_ref().and_then(|name| study.layer(name));
    if layer.is_none() { "all cells".into() } else { class_name(layer, code) }
}

/// The two columns that name response groups, a row each.
fn group_columns(study: &Study, codes: impl Iterator<Item = Option<i32>> + Clone) -> [Column; 2] {
    let names = codes.clone().map(|code| Some(group_name(study, code))).collect();
    [
        Column::integer(
            "code",
            "",
            "Class code, or code of the pool whose level it answers to; empty for cells without a class",
            codes.map(|code| pool_of_group(code).or(code).map(i64::from)).collect(),
        ),
        Column::text("name", "Response group", names),
    ]
}

/// Name of a class code: the legend's, else the code.
pub fn class_name(layer: Option<&Layer>, code: Option<i32>) -> String {
    let Some(code) = code else { return "none".into() };
    let legend = layer.and_then(|layer| layer.legend.as_ref());
    legend.and_then(|l| l.classes.get(&code)).map_or_else(|| code.to_string(), |c| c.name.clone())
}
