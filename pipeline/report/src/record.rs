//! The run record, `run.json`: what was run, on what, and what came out.
//!
//! The order of keys is the order of the fields here, so two records compare line by line.

use crate::ReportError;
use crate::file::refused;
use crate::seal::write_sealed;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::path::Path;

/// A whole run.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct RunRecord {
    /// The program that ran.
    pub program: Program,
    /// Identifies the run: same inputs, settings and program, same id.
    pub run_id: String,
    /// What the run is held to when it is cited ([`crate::checksum`]), BLAKE3, hexadecimal.
    #[serde(default)]
    pub checksum: String,
    /// Digest of this record's text with an empty seal, filled in when it is written.
    #[serde(default)]
    pub seal: String,
    /// When the run began, ISO 8601 in UTC; may be empty.
    pub started: String,
    /// Which edition of the run this is, and for whom.
    #[serde(default)]
    pub edition: Edition,
    /// How a public edition tells places; `None` in runs of programs that knew none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub publication: Option<PublicationRecord>,
    /// The study.
    pub study: StudyRecord,
    /// The grid.
    pub grid: GridRecord,
    /// The months compared.
    pub period: PeriodRecord,
    /// Seed of everything drawn at random.
    pub seed: u64,
    /// By what concentrations in water are multiplied, by scenario and pool, where the study measures water quality.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub concentrations: BTreeMap<String, BTreeMap<i32, f32>>,
    /// Area of each zone inside the study area, hectares, by name; empty without zones.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub zones_ha: BTreeMap<String, f64>,
    /// Every file read.
    pub inputs: Vec<Input>,
    /// Stages in the order they ran.
    pub stages: Vec<Stage>,
    /// What the user should look into.
    pub warnings: Vec<String>,
    /// What the user should know.
    pub notes: Vec<String>,
    /// Every file written, this record not among them.
    pub products: Vec<Product>,
}

/// The program and the libraries that bear on the numbers.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Program {
    /// Its name.
    pub name: String,
    /// Its version.
    pub version: String,
    /// Version of GDAL.
    pub gdal: String,
    /// Versions of other parts, by name.
    #[serde(default)]
    pub others: BTreeMap<String, String>,
}

/// An edition of a run.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Edition {
    /// Who may see it.
    pub kind: EditionKind,
    /// What stands on every page and in the metadata of every file; "" for an open one.
    pub mark: String,
}

/// Who may see an edition.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum EditionKind {
    /// Anybody, as the study says that nothing in it is sensitive.
    #[default]
    Open,
    /// Its owner: it holds exact places.
    Sensitive,
    /// Anybody: places are generalised.
    Public,
}

/// How a public edition tells places.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct PublicationRecord {
    /// Side of the cells that places are told by, metres; `None` where no place is told.
    pub cell_m: Option<f64>,
    /// Smaller patches are withheld, hectares.
    pub withhold_under_ha: f64,
}

/// The study as it was run.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct StudyRecord {
    /// Its name.
    pub name: String,
    /// The animal.
    pub organism: String,
    /// What the answer is for.
    pub purpose: String,
    /// Who to ask.
    pub contact: String,
    /// Licence of the products.
    pub licence: String,
    /// The study file, as the user named it.
    pub path: String,
    /// The way to it from the run folder, with `/`; "" where they lie far apart.
    #[serde(default)]
    pub beside: String,
    /// BLAKE3 of the study file, hexadecimal.
    pub blake3: String,
    /// The study file itself.
    pub text: String,
    /// Habitat begins at this suitability, as set or as the records gave it.
    pub threshold: f64,
}

/// The grid of the run.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct GridRecord {
    /// Coordinate reference system, for example "EPSG:32633".
    pub crs: String,
    /// Cell side, metres.
    pub cell_m: f64,
    /// Rows of cells.
    pub rows: u64,
    /// Columns of cells.
    pub cols: u64,
    /// Left, bottom, right, top, metres in the CRS.
    pub bounds: [f64; 4],
    /// How areas were measured, one sentence.
    pub area_note: String,
}

/// First and last months, both included, as "1991-01".
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct PeriodRecord {
    /// Months of the baseline.
    pub baseline: [String; 2],
    /// Months the drought index is fitted on.
    pub reference: [String; 2],
}

/// A file read.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Input {
    /// Layer or table it serves, by its name in the study.
    pub layer: String,
    /// The file, as the study names it.
    pub file: String,
    /// Size, bytes.
    pub bytes: u64,
    /// BLAKE3 of the content, hexadecimal; "" for a file on a server, which is not read whole.
    pub blake3: String,
    /// What the server told of a file that lies on one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub server: Option<ServerIdentity>,
    /// Where it comes from.
    pub source: String,
    /// Its licence.
    pub licence: String,
    /// Its date.
    pub date: String,
}

/// What a server told of a file. It is the server's word: not proof that the bytes are the same.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct ServerIdentity {
    /// Entity tag (RFC 9110, 8.8.3), "" where there was none.
    pub etag: String,
    /// When it was last modified (RFC 9110, 8.8.2), "" where it was not said.
    pub last_modified: String,
}

impl Input {
    /// What identifies the content: its BLAKE3, or what the server told, length included.
    #[must_use]
    pub fn content(&self) -> String {
        match &self.server {
            None => self.blake3.clone(),
            Some(ServerIdentity { etag, last_modified }) => {
                let parts = [("entity tag", etag), ("last modified", last_modified)];
                let told = parts
                    .iter()
                    .filter(|(_, text)| !text.is_empty())
                    .map(|(name, text)| format!(", {name} {text}"));
                format!("{} bytes{}", self.bytes, told.collect::<String>())
            }
        }
    }

    /// Whether two files have the same content as far as their records tell. A file here and one on a server are never known to.
    #[must_use]
    pub fn same_content(&self, other: &Input) -> bool {
        self.server.is_some() == other.server.is_some() && self.content() == other.content()
    }
}

/// A stage of the run.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Stage {
    /// Its name.
    pub name: String,
    /// Wall time, seconds; 0 where the result was reused.
    pub seconds: f64,
    /// Cells it went through, 0 where it knows no cells.
    pub cells: u64,
}

/// A file written.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Product {
    /// Path inside the run folder, with `/`.
    pub file: String,
    /// Size, bytes.
    pub bytes: u64,
    /// BLAKE3 of the content, hexadecimal.
    pub blake3: String,
    /// What it holds, one line.
    pub title: String,
}

/// Writes a record as indented JSON with a final newline, sealed.
///
/// # Errors
/// The file cannot be written.
pub fn write_record(path: &Path, record: &RunRecord) -> Result<(), ReportError> {
    write_sealed(path, record)
}

/// Reads a record back.
///
/// # Errors
/// The file cannot be read, or is not a run record; the message names the line.
pub fn read_record(path: &Path) -> Result<RunRecord, ReportError> {
    let text = std::fs::read_to_string(path).map_err(refused(path, "read"))?;
    serde_json::from_str(&text).map_err(|error| ReportError::Record {
        path: path.to_path_buf(),
        line: error.line(),
        message: error.to_string(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_record_reads_back_as_written_and_twice_the_same() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("run.json");
        let record = RunRecord {
            run_id: "7f3a".into(),
            grid: GridRecord {
                cell_m: 30.0,
                // Not representable exactly: must survive the text.
                bounds: [0.1, 0.2, 0.1 + 0.2, 1.0e7],
                ..GridRecord::default()
            },
            seed: u64::MAX,
            warnings: vec!["line one\nline \"two\"".into()],
            ..RunRecord::default()
        };
        write_record(&path, &record).unwrap();
        let read = read_record(&path).unwrap();
        assert_eq!(RunRecord { seal: String::new(), ..read }, record);
        let first = std::fs::read(&path).unwrap();
        write_record(&path, &record).unwrap();
        assert_eq!(std::fs::read(&path).unwrap(), first);
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 1);
    }

    #[test]
    fn keys_keep_the_order_of_the_fields() {
        let text = serde_json::to_string_pretty(&RunRecord::default()).unwrap();
        let keys = ["\"program\"", "\"run_id\"", "\"study\"", "\"grid\"", "\"period\"", "\"products\""];
        let places: Vec<_> = keys.iter().map(|key| text.find(key).unwrap()).collect();
        assert!(places.is_sorted(), "{places:?}");
    }

    #[test]
    fn a_file_that_is_no_record_is_refused_with_its_line() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("run.json");
        std::fs::write(&path, "{\n  \"program\": 3\n}\n").unwrap();
        let message = read_record(&path).unwrap_err().to_string();
        assert!(message.contains("run.json: line 2"), "{message}");
        let missing = read_record(&folder.path().join("none.json")).unwrap_err().to_string();
        assert!(missing.contains("none.json") && missing.contains("could not be read"), "{missing}");
    }
}
