//! Tables and notes of connection.

use super::{numbers, table, words};
use crate::stages::connection::CaseConnection;
use crate::stages::patches::CasePatches;
use crate::stages::scenarios::Case;
use lentic_habitat::connection::Share;
use lentic_report::{Column, Table};

const HA: f64 = 10_000.0;

/// Equivalent connected area, hectares.
pub fn equivalent_ha(found: &CaseConnection) -> f64 {
    found.connection.equivalent / HA
}

/// Connection by scenario.
pub fn connection(cases: &[Case], patches: &[CasePatches], connections: &[CaseConnection]) -> Table {
    let rows: Vec<usize> = (0..cases.len()).collect();
    let of = |at: &usize| &connections[*at];
    let whole = |values: &dyn Fn(&usize) -> usize| rows.iter().map(|at| Some(values(at) as i64)).collect();
    let today = connections.first().map_or(0.0, equivalent_ha);
    table(
        "connection",
        "Connection of the patches by scenario",
        "A way is taken with a probability that falls with its cost over resisting ground; between two patches counts the best way, over other patches if that is likelier. \
         Shares are of the sum over pairs of patches of weight x weight x probability; how they split stands in the table of patches.",
        vec![
            Column::text(
                "scenario",
                "Scenario; baseline is today",
                words(&rows, |at| cases[*at].name.clone()),
            ),
            Column::integer(
                "patches",
                "",
                "Patches of at least the minimum area",
                whole(&|at| patches[*at].patches.len()),
            ),
            Column::real(
                "assessed_ha",
                "ha",
                "Area assessed in the baseline and in every scenario",
                numbers(&rows, |at| Some(of(at).assessed_m2 / HA)),
            ),
            Column::real(
                "equivalent_connected_area_ha",
                "ha",
                "Equivalent connected area: of the one patch that would hold together as well",
                numbers(&rows, |at| Some(equivalent_ha(of(at)))),
            ),
            Column::real(
                "change_percent",
                "percent",
                "Its change against the baseline",
                numbers(&rows, |at| {
                    (*at > 0 && today > 0.0).then(|| 100.0 * (equivalent_ha(of(at)) / today - 1.0))
                }),
            ),
            Column::real(
                "probability_of_connectivity",
                "",
                "Probability that two points anywhere in the assessed area lie in patches with a way between them",
                numbers(&rows, |at| of(at).connection.probability),
            ),
            Column::real(
                "effective_mesh_size_ha",
                "ha",
                "Effective mesh size: sum of squared patch areas over the assessed area",
                numbers(&rows, |at| of(at).connection.mesh.map(|m2| m2 / HA)),
            ),
            Column::integer(
                "links",
                "",
                "Pairs of patches with a way within the limit",
                whole(&|at| of(at).links.len()),
            ),
            Column::integer(
                "connected_groups",
                "",
                "Groups of patches with ways between them; a patch without any is one",
                whole(&|at| of(at).connection.group_areas.len()),
            ),
            Column::real(
                "largest_group_ha",
                "ha",
                "Habitat in the largest group",
                numbers(&rows, |at| Some(of(at).connection.largest_group() / HA)),
            ),
            Column::integer(
                "costliest_patch",
                "",
                "Number of the patch whose drying would cost most connection",
                rows.iter().map(|at| costliest(of(at)).map(|patch| patch as i64 + 1)).collect(),
            ),
            Column::real(
                "costliest_share_percent",
                "percent",
                "Share of the connection that would go with it",
                numbers(&rows, |at| {
                    costliest(of(at)).map(|patch| of(at).connection.shares[patch].by_removal())
                }),
            ),
        ],
    )
}

/// Index of the patch whose loss costs most.
fn costliest(found: &CaseConnection) -> Option<usize> {
    found.connection.ranks().iter().position(|rank| *rank == 1)
}

/// Columns for the table of patches, in the order of its rows.
pub fn patch_columns(connections: &[CaseConnection]) -> Vec<Column> {
    let share = |name: &str, description: &str, part: &dyn Fn(&Share) -> f64| {
        let values = connections.iter().flat_map(|found| &found.connection.shares).map(|s| Some(part(s)));
        Column::real(name, "percent", description, values.collect())
    };
    let groups = connections.iter().flat_map(|found| &found.connection.group);
    let ranks = connections.iter().flat_map(|found| found.connection.ranks());
    vec![
        Column::integer(
            "connected_group",
            "",
            "Group of patches with ways between them, by its first patch",
            groups.map(|group| Some(i64::from(*group) + 1)).collect(),
        ),
        share(
            "share_by_removal_percent",
            "Share of the connection that would go if the patch dried: the three parts together",
            &Share::by_removal,
        ),
        share("within_percent", "Part that lies within the patch", &|s| s.within),
        share("flow_percent", "Part of the ways that begin or end in it", &|s| s.flow),
        share(
            "stepping_stone_percent",
            "Part that it lends to ways between others, beyond what they keep without it",
            &|s| s.stepping_stone,
        ),
        Column::integer(
            "removal_rank",
            "",
            "1 for the patch whose drying would cost most",
            ranks.map(|rank| Some(rank as i64)).collect(),
        ),
    ]
}

/// What is to be said of the connection of each case: the patch whose drying costs most, the chief stepping stone, patches on
/// ground that cannot be crossed.
pub fn connection_notes(cases: &[Case], connections: &[CaseConnection]) -> Vec<String> {
    let mut notes = Vec::new();
    for (case, found) in cases.iter().zip(connections) {
        let name = case.scenario.map_or("baseline", |scenario| scenario.title.as_str());
        let shares = &found.connection.shares;
        if let Some(patch) = costliest(found).filter(|_| shares.len() > 1) {
            let share = shares[patch];
            notes.push(format!(
                "Connection, {name}: the drying of patch {} would cost most, {:.1} % (within it {:.1}, ways to and from it {:.1}, as a stepping stone {:.1}).{}",
                patch + 1,
                share.by_removal(),
                share.within,
                share.flow,
                share.stepping_stone,
                chief_stone(shares, patch)
            ));
        }
        if found.held_m2 > 0.0 {
            notes.push(format!(
                "Connection, {name}: {:.2} ha of the patches lie on ground that cannot be crossed (impassable, or without a class); no way begins or ends there.",
                found.held_m2 / HA
            ));
        }
    }
    notes
}

/// The chief stepping stone, if it is another patch than the one already named.
fn chief_stone(shares: &[Share], named: usize) -> String {
    // max_by keeps the last of equals; reversed, that is the lowest number
    let chief = shares
        .iter()
        .enumerate()
        .rev()
        .max_by(|(_, a), (_, b)| a.stepping_stone.total_cmp(&b.stepping_stone));
    match chief {
        Some((patch, share)) if patch != named && share.stepping_stone > 0.0 => {
            format!(" The chief stepping stone is patch {}, {:.1} %.", patch + 1, share.stepping_stone)
        }
        _ => String::new(),
    }
}
