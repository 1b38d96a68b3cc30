//! Tables of a corrected map.

use super::correct::{ClassResult, Corrected};
use lentic_numerics::olofsson::Estimate;
use lentic_report::{Column, Table};

/// Where the formulas come from, and what the intervals are.
const SOURCE: &str = "Stratified estimators of Olofsson et al. 2014, Remote Sensing of Environment 148:42-57; intervals are 95 % (1.96 standard errors), held inside what is possible.";

/// All tables.
pub(super) fn all(corrected: &Corrected) -> [Table; 3] {
    [corrected_area(corrected), error_matrix(corrected), overall(corrected)]
}

fn note(corrected: &Corrected) -> String {
    let mut parts = vec![format!("Map {} of run {}. {SOURCE}", corrected.map, corrected.run_id)];
    parts.extend(corrected.notes.iter().cloned());
    parts.join(" ")
}

fn table(corrected: &Corrected, name: &str, title: &str, columns: Vec<Column>) -> Table {
    Table { name: name.into(), title: title.into(), note: note(corrected), columns }
}

/// What is asked of each class.
type Of<'a> = &'a dyn Fn(&ClassResult) -> Option<f64>;

fn corrected_area(corrected: &Corrected) -> Table {
    let classes = &corrected.classes;
    let real = |name: &str, unit: &str, description: &str, of: Of<'_>| {
        Column::real(name, unit, description, classes.iter().map(of).collect())
    };
    let mut columns = class_columns(classes);
    columns.push(real("mapped_ha", "ha", "Area mapped as the class", &|c| Some(c.mapped_ha)));
    columns.push(Column::integer(
        "points",
        "",
        "Points with a reference class in the area mapped as the class",
        classes.iter().map(|c| i64::try_from(c.points).ok()).collect(),
    ));
    let mut estimates =
        |name: &str, unit: &str, what: &str, of: &dyn Fn(&ClassResult) -> Estimate, most: f64| {
            let (one, ending) = match unit {
                "ha" => (format!("{name}_ha"), "_ha"),
                _ => (name.to_string(), ""),
            };
            columns.push(real(&one, unit, what, &|c| of(c).value));
            let part = |part: &str| format!("{name}_{part}{ending}");
            columns.push(real(&part("se"), unit, "Its standard error", &|c| of(c).standard_error));
            columns.push(real(&part("low"), unit, "Lower end of its interval", &|c| {
                Some(of(c).interval(0.0, most)?.0)
            }));
            columns.push(real(&part("high"), unit, "Upper end of its interval", &|c| {
                Some(of(c).interval(0.0, most)?.1)
            }));
        };
    let whole = corrected.whole_ha;
    estimates("area", "ha", "Estimated area of the class, whatever the map says", &|c| c.area_ha, whole);
    estimates(
        "users_accuracy",
        "1",
        "Of the area mapped as the class, the share that is it",
        &|c| c.users,
        1.0,
    );
    estimates(
        "producers_accuracy",
        "1",
        "Of the area that is the class, the share mapped as it",
        &|c| c.producers,
        1.0,
    );
    table(corrected, "corrected_area", "Areas corrected by ground truth", columns)
}

fn class_columns(classes: &[ClassResult]) -> Vec<Column> {
    vec![
        Column::integer(
            "code",
            "",
            "Class code on the map",
            classes.iter().map(|c| Some(i64::from(c.code))).collect(),
        ),
        Column::text("class", "Class", classes.iter().map(|c| Some(c.name.clone())).collect()),
    ]
}

fn error_matrix(corrected: &Corrected) -> Table {
    let classes = &corrected.classes;
    let mut columns = class_columns(classes);
    for (at, class) in classes.iter().enumerate() {
        columns.push(Column::integer(
            &format!("points_{}", class.code),
            "",
            &format!("Points mapped as the class of the row and found to be {}", class.name),
            corrected.counts.iter().map(|row| i64::try_from(row[at]).ok()).collect(),
        ));
    }
    for (at, class) in classes.iter().enumerate() {
        columns.push(Column::real(
            &format!("share_{}", class.code),
            "1",
            &format!(
                "Estimated share of the whole area mapped as the class of the row and in truth {}",
                class.name
            ),
            corrected.shares.iter().map(|row| Some(row[at])).collect(),
        ));
    }
    table(corrected, "error_matrix", "Map class against reference class", columns)
}

fn overall(corrected: &Corrected) -> Table {
    let whole = |n: u64| vec![i64::try_from(n).ok()];
    let interval = corrected.overall.interval(0.0, 1.0);
    let columns = vec![
        Column::text("map", "Map", vec![Some(corrected.map.clone())]),
        Column::text("run_id", "Run", vec![Some(corrected.run_id.clone())]),
        Column::real("area_ha", "ha", "Area the estimates are of", vec![Some(corrected.whole_ha)]),
        Column::integer("points", "", "Points with a reference class", whole(corrected.points)),
        Column::integer("reserve_points", "", "Reserve points among them", whole(corrected.reserve)),
        Column::integer("left_out", "", "Points without a reference class", whole(corrected.left_out)),
        Column::real(
            "overall_accuracy",
            "1",
            "Share of the area mapped right",
            vec![corrected.overall.value],
        ),
        Column::real(
            "overall_accuracy_se",
            "1",
            "Its standard error",
            vec![corrected.overall.standard_error],
        ),
        Column::real("overall_accuracy_low", "1", "Lower end of its interval", vec![interval.map(|i| i.0)]),
        Column::real("overall_accuracy_high", "1", "Upper end of its interval", vec![interval.map(|i| i.1)]),
    ];
    table(corrected, "overall_accuracy", "Accuracy of the whole map", columns)
}
