//! `CITATION.cff` of a run (Citation File Format 1.2.0): what reference managers and repositories read.

use crate::ReportError;
use crate::file::write_bytes;
use crate::licence::spdx;
use crate::record::RunRecord;
use std::path::Path;

/// Writes the citation file of a run, which quotes its checksum.
///
/// # Errors
/// The file cannot be written.
pub fn write_citation_file(path: &Path, record: &RunRecord) -> Result<(), ReportError> {
    write_bytes(path, citation_file(record).as_bytes())
}

/// Text in double quotes: JSON text is YAML text too (YAML 1.2, chapter 1.3), but for characters that YAML takes as escapes only
/// (chapter 5.1: delete, the second set of controls, the mark of byte order) or for the end of a line.
fn quoted(text: &str) -> String {
    let mut quoted = String::new();
    for c in serde_json::Value::from(text).to_string().chars() {
        match c {
            '\u{7f}'..='\u{9f}' | '\u{2028}' | '\u{2029}' | '\u{feff}' | '\u{fffe}' | '\u{ffff}' => {
                quoted.push_str(&format!("\\u{:04x}", u32::from(c)));
            }
            other => quoted.push(other),
        }
    }
    quoted
}

fn citation_file(record: &RunRecord) -> String {
    let (study, program) = (&record.study, &record.program);
    let date = record.started.get(..10).unwrap_or("");
    let licence = match (spdx(&study.licence), study.licence.as_str()) {
        (Some(_), _) => String::new(),
        (None, "") => " No licence was stated: ask before use.".into(),
        (None, words) => format!(" Licence: {words}."),
    };
    let about = format!(
        "Habitat of {} in the baseline and under drying scenarios: rasters, tables and a report.{licence}",
        study.organism
    );
    let mut lines = vec![
        "cff-version: 1.2.0".to_string(),
        format!(
            "message: {}",
            quoted("If you quote a number of this run, cite it with its identifier and checksum, so that the number can be found again.")
        ),
        "type: dataset".into(),
        format!("title: {}", quoted(&format!("{}: wetland habitat and its loss under drying", study.name))),
        format!("abstract: {}", quoted(&about)),
        "authors:".into(),
        format!("  - name: {}", quoted(&format!("{} (study)", study.name))),
        format!("version: {}", quoted(&record.run_id)),
        "identifiers:".into(),
        "  - type: other".into(),
        format!("    value: {}", quoted(&format!("run {}", record.run_id))),
        "    description: \"Identifier of the run: the same study, inputs and program give the same.\"".into(),
        "  - type: other".into(),
        format!("    value: {}", quoted(&format!("blake3:{}", record.checksum))),
        "    description: \"Checksum over program, settings, inputs and products; `lentic verify` holds a run folder against it.\"".into(),
    ];
    if !study.contact.is_empty() {
        lines.push("contact:".into());
        lines.push(format!("  - name: {}", quoted(&study.contact)));
    }
    // an empty date is no date
    if date.len() == 10 {
        lines.push(format!("date-released: {}", quoted(date)));
    }
    lines.extend(spdx(&study.licence).map(|id| format!("license: {id}")));
    lines.extend([
        "keywords:".into(),
        "  - wetland".into(),
        "  - habitat suitability".into(),
        "  - drought".into(),
        "references:".into(),
        "  - type: software".into(),
        format!("    title: {}", quoted(&program.name)),
        format!("    version: {}", quoted(&program.version)),
        "    authors:".into(),
        format!("      - name: {}", quoted(&format!("The {} authors", program.name))),
    ]);
    lines.iter().map(|line| format!("{line}\n")).collect()
}
