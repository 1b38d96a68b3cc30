//! The words of the report that follow from the settings used: methods, cautions, how to cite.

mod habitat;
mod prediction;
mod records;
mod water;

pub use records::calibration;

use crate::check::Checked;
use crate::climates::Climates;
use lentic_report::{CITED_DIGITS, MethodNote, ProtocolPart as Part, RunRecord};

fn note(part: Part, title: &str, text: String) -> MethodNote {
    MethodNote::new(part, title, text)
}

/// What was done, from the settings.
pub fn methods(checked: &Checked, climates: &Climates) -> Vec<MethodNote> {
    let study = &checked.study;
    let mut notes = water::notes(study, climates);
    notes.extend(habitat::notes(study));
    notes.extend(study.records.as_ref().map(records::records_note));
    notes.extend(prediction::notes(study));
    notes
}

/// Cautions that go with every report (common practice in conservation work).
pub fn cautions() -> Vec<String> {
    [
        "Locations of a rare turtle are sensitive: maps, patch tables and coordinates can guide collectors. Generalise or withhold them before sharing, and follow local rules on sensitive records.",
        "Handling, trapping or marking animals needs the permits of the country and the site; ground-truthing visits too where access is regulated.",
        "Do not disturb overwintering or nesting animals to check a map; leave sediment, banks and vegetation as they are.",
        "Boots, nets and boats carry disease and invasive species between pools: clean, disinfect and dry between sites.",
        "A cell that a model calls suitable is no ground to release or move animals; translocation follows published guidelines and local law.",
        "Whether and how threatened a species or ecosystem is, is for the assessors to judge; this report gives evidence, not a category.",
        "Decisions on water (abstraction, drainage, releases) are for licensed hydrologists and the authorities; the response of water here is statistical, not a groundwater model.",
        "Suitability describes where conditions fit, not where animals are. Curves, weights and thresholds are expert judgement until records test them.",
    ]
    .map(String::from)
    .to_vec()
}

/// How to cite a run.
///
/// The checksum is given by its first digits, which `lentic verify --cited` takes.
pub fn citation(record: &RunRecord) -> String {
    let study = &record.study;
    let (run_id, version) = (&record.run_id, &record.program.version);
    let date = record.started.get(..10).unwrap_or("");
    let checksum = record.checksum.get(..CITED_DIGITS).unwrap_or(&record.checksum);
    let year = date.get(..4).unwrap_or("");
    let contact =
        if study.contact.is_empty() { String::new() } else { format!(" Contact: {}.", study.contact) };
    format!(
        "{} ({year}): wetland habitat and its loss under drying. Run {run_id} of {date}, checksum {checksum} (BLAKE3), computed with lentic {version}.{contact}",
        study.name
    )
}
