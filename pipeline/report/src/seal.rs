//! What a run is held to later: the checksum that a citation quotes, and the seal of the record itself.
//!
//! The **checksum** covers what decides the numbers and the numbers: program, settings, inputs and products. It leaves out the
//! files that quote it ([`QUOTING`]), the figures and the times of the run, so that a second run of the same study on the same libraries has
//! the same checksum. The **seal** is a digest of the text of the record with an empty seal; it covers every byte of it, and by the
//! digests of the products in it every file of the folder.

use crate::ReportError;
use crate::file::{refused, write_bytes};
use crate::record::RunRecord;
use serde::Serialize;
use std::path::Path;

/// Files of a run folder that quote its checksum, so that it cannot cover them. The seal does.
pub const QUOTING: [&str; 3] = ["CITATION.cff", "report.html", "ro-crate-metadata.json"];

/// Hexadecimal digits of a checksum that a citation gives: 64 bits.
pub const CITED_DIGITS: usize = 16;

/// How the line of the seal begins: a key of the outermost object, as the records are indented. Text in JSON holds no line
/// break, so nothing else begins like it.
const SEAL: &str = "\n  \"seal\": \"";

/// Whether the checksum covers a file: not those that quote it, and not figures, which only show the numbers and may be drawn again.
fn is_covered(file: &str) -> bool {
    !QUOTING.contains(&file) && !file.starts_with("figures/")
}

/// The text that the checksum is the BLAKE3 of: a line for each thing, names as JSON text, products by name.
pub fn checksum_text(record: &RunRecord) -> String {
    let program = &record.program;
    let quoted = |word: &str| serde_json::Value::from(word).to_string();
    let mut lines = vec![
        "lentic run, form 1".to_string(),
        format!("program {} {}", quoted(&program.name), quoted(&program.version)),
        format!("with {} {}", quoted("GDAL"), quoted(&program.gdal)),
    ];
    lines.extend(
        program.others.iter().map(|(name, version)| format!("with {} {}", quoted(name), quoted(version))),
    );
    lines.push(format!("run {}", quoted(&record.run_id)));
    lines.push(format!("study {}", record.study.blake3));
    lines.push(format!("seed {}", record.seed));
    lines.extend(record.inputs.iter().map(|input| {
        // of a file on a server what it told, so quoted
        let content = if input.server.is_some() { quoted(&input.content()) } else { input.blake3.clone() };
        format!("input {content} {} {}", quoted(&input.layer), quoted(&input.file))
    }));
    let mut products: Vec<_> = record.products.iter().filter(|product| is_covered(&product.file)).collect();
    products.sort_by(|a, b| a.file.cmp(&b.file));
    lines.extend(
        products.iter().map(|product| format!("product {} {}", product.blake3, quoted(&product.file))),
    );
    lines.iter().map(|line| format!("{line}\n")).collect()
}

/// The checksum of a run, hexadecimal: BLAKE3 of [`checksum_text`].
pub fn checksum(record: &RunRecord) -> String {
    blake3::hash(checksum_text(record).as_bytes()).to_hex().to_string()
}

/// The text of a record without its seal, and the seal that stands in it; `None` where there is none.
fn without_seal(text: &str) -> Option<(String, &str)> {
    let start = text.find(SEAL)? + SEAL.len();
    let length = text[start..].find('"')?;
    let bare = format!("{}{}", &text[..start], &text[start + length..]);
    Some((bare, &text[start..start + length]))
}

/// Whether the seal of a record's text is the digest of the rest; `None` where it has no seal.
pub fn seal_holds(text: &str) -> Option<bool> {
    let (bare, seal) = without_seal(text)?;
    (!seal.is_empty()).then(|| blake3::hash(bare.as_bytes()).to_hex().as_str() == seal)
}

/// Writes a record as indented JSON with a final newline, its key `seal`, which must be there, filled in.
///
/// # Errors
/// A record without that key, or a file that cannot be written.
pub fn write_sealed(path: &Path, record: &impl Serialize) -> Result<(), ReportError> {
    let broken = |message: String| ReportError::Page { path: path.to_path_buf(), message };
    let mut text = serde_json::to_string_pretty(record).map_err(|error| broken(error.to_string()))?;
    text.push('\n');
    let (bare, _) = without_seal(&text).ok_or_else(|| broken("the record has no place for a seal".into()))?;
    let seal = blake3::hash(bare.as_bytes()).to_hex();
    let place = bare.find(SEAL).map_or(0, |at| at + SEAL.len());
    write_bytes(path, format!("{}{seal}{}", &bare[..place], &bare[place..]).as_bytes())
}

/// The text of a record. Bytes that are no UTF-8, as only an altered record has them, read as the replacement character, and one more
/// of it at the end keeps any seal from holding.
///
/// # Errors
/// The file cannot be read.
pub fn record_text(path: &Path) -> Result<String, ReportError> {
    let bytes = std::fs::read(path).map_err(refused(path, "read"))?;
    Ok(String::from_utf8(bytes)
        .unwrap_or_else(|error| String::from_utf8_lossy(error.as_bytes()).into_owned() + "\u{fffd}"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::{Input, Product, read_record, write_record};

    fn record() -> RunRecord {
        let product = |file: &str, blake3: &str| Product {
            file: file.into(),
            blake3: blake3.into(),
            ..Product::default()
        };
        RunRecord {
            run_id: "7f3a".into(),
            inputs: vec![Input { layer: "ground".into(), blake3: "aa".into(), ..Input::default() }],
            products: vec![
                product("tables/b.csv", "01"),
                product("report.html", "02"),
                product("rasters/a.tif", "03"),
            ],
            notes: vec!["a note with\n  \"seal\": \"in it".into()],
            ..RunRecord::default()
        }
    }

    #[test]
    fn the_checksum_follows_what_decides_the_numbers_and_nothing_else() {
        let whole = checksum(&record());
        let with = |change: &dyn Fn(&mut RunRecord)| {
            let mut changed = record();
            change(&mut changed);
            checksum(&changed)
        };
        // times, place and the pages that quote it
        assert_eq!(with(&|r| r.started = "2026-01-01T00:00:00Z".into()), whole);
        assert_eq!(with(&|r| r.study.beside = "../study.toml".into()), whole);
        assert_eq!(with(&|r| r.products[1].blake3 = "ff".into()), whole);
        assert_eq!(with(&|r| r.products.reverse()), whole);
        for changed in [
            with(&|r| r.program.version = "9".into()),
            with(&|r| r.program.gdal = "9".into()),
            with(&|r| r.study.blake3 = "9".into()),
            with(&|r| r.seed = 9),
            with(&|r| r.inputs[0].blake3 = "ab".into()),
            with(&|r| r.products[0].blake3 = "ff".into()),
            with(&|r| drop(r.products.pop())),
        ] {
            assert_ne!(changed, whole);
        }
    }

    #[test]
    fn a_name_cannot_pass_for_a_line() {
        let mut one = record();
        one.inputs[0].layer = "ground\nproduct 05 \"tables/c.csv\"".into();
        assert_eq!(checksum_text(&one).lines().count(), checksum_text(&record()).lines().count());
    }

    #[test]
    fn the_seal_holds_until_a_byte_changes() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("run.json");
        write_record(&path, &record()).unwrap();
        let text = record_text(&path).unwrap();
        assert_eq!(seal_holds(&text), Some(true));
        assert_eq!(read_record(&path).unwrap().seal.len(), 64);
        // the other way round: BLAKE3 of the text with an empty seal
        let seal = read_record(&path).unwrap().seal;
        assert_eq!(blake3::hash(text.replacen(&seal, "", 1).as_bytes()).to_hex().as_str(), seal);
        for at in (0..text.len()).step_by(7) {
            let mut bytes = text.clone().into_bytes();
            bytes[at] ^= 1;
            let Ok(changed) = String::from_utf8(bytes) else { continue };
            assert_ne!(seal_holds(&changed), Some(true), "byte {at}");
        }
        assert_eq!(seal_holds("{\n  \"seal\": \"\"\n}\n"), None);
        assert_eq!(seal_holds("{}\n"), None);
        // writing what was read changes nothing
        write_record(&path, &read_record(&path).unwrap()).unwrap();
        assert_eq!(record_text(&path).unwrap(), text);
    }
}
