//! `datapackage.json`: the tables of a run as a Frictionless Tabular Data Package (specs.frictionlessdata.io).

use super::Described;
use crate::ReportError;
use crate::file::write_json;
use crate::licence::{address, spdx};
use crate::record::RunRecord;
use serde_json::{Value, json};
use std::path::Path;

/// Writes the package, which points at the CSV files and at the schema beside each.
///
/// # Errors
/// The file cannot be written.
pub fn write_package(path: &Path, record: &RunRecord, described: &Described<'_>) -> Result<(), ReportError> {
    let study = &record.study;
    let resource = |table: &&crate::table::Table| {
        json!({
            "name": table.name.to_lowercase(),
            "profile": "tabular-data-resource",
            "title": table.title,
            "description": table.note,
            "path": format!("tables/{}.csv", table.name),
            "schema": format!("tables/{}.schema.json", table.name),
            "format": "csv",
            "mediatype": "text/csv",
            "encoding": "utf-8",
        })
    };
    let mut package = json!({
        "profile": "tabular-data-package",
        "name": format!("run-{}", record.run_id.to_lowercase()),
        "id": record.run_id,
        "title": format!("{}: wetland habitat and its loss under drying", study.name),
        "description": format!("Tables of a run of {} {}. {}", record.program.name, record.program.version, study.purpose),
        "resources": described.tables.iter().map(resource).collect::<Vec<_>>(),
    });
    let licence = spdx(&study.licence).map(|id| json!([{ "name": id, "path": address(id) }]));
    if let (Some(licence), Value::Object(map)) = (licence, &mut package) {
        map.insert("licenses".into(), licence);
    }
    write_json(path, &package)
}
