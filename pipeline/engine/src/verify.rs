//! Proof that a finished folder (a run, a calibration, a comparison) is as it was left: every file by size and digest, none
//! missing, none added, and the record itself by its seal.

use crate::error::{EngineError, io};
use crate::folder::Kind;
use crate::inputs;
use crate::run_record::at_the_end_of;
use lentic_raster::remote;
use lentic_report::{CITED_DIGITS, Input, Product, RunRecord, checksum, record_text, seal_holds};
use rayon::prelude::*;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// What is verified.
#[derive(Clone, Debug, Default)]
pub struct VerifyOptions {
    /// The folder.
    pub run: PathBuf,
    /// Whether the inputs beside the study are looked at too.
    pub inputs: bool,
    /// The study file, where it no longer lies where the run found it.
    pub study: Option<PathBuf>,
    /// The checksum that a citation gives: its first digits, or all.
    pub cited: Option<String>,
}

/// What was found.
#[derive(Clone, Debug, Serialize)]
pub struct Verified {
    /// "run", "calibration" or "comparison".
    pub kind: &'static str,
    /// Identifier of the run; empty where the record cannot be read, and for a comparison.
    pub run_id: String,
    /// When it began.
    pub started: String,
    /// Checksum that stands in the record.
    pub checksum: String,
    /// Files that are as they were left.
    pub files: usize,
    /// What is not as it was left.
    pub alterations: Vec<Alteration>,
    /// What became of the inputs, where that was asked.
    pub inputs: Option<InputsVerified>,
}

impl Verified {
    /// Whether nothing was altered.
    pub fn whole(&self) -> bool {
        self.alterations.is_empty()
    }
}

/// Inputs looked at.
#[derive(Clone, Debug, Serialize)]
pub struct InputsVerified {
    /// Files that are as the run read them.
    pub files: usize,
    /// Files that are not where the study names them, of which nothing can be said.
    pub not_reached: Vec<String>,
}

/// One thing that is not as it was left.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Alteration {
    /// File within the folder; an input as the study names it.
    pub file: String,
    /// What is wrong.
    pub what: Altered,
    /// In words, with what was found and what is expected.
    pub words: String,
}

/// Ways a file can be altered.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Altered {
    /// A file of the record is not there.
    Missing,
    /// A file is there that the record does not name.
    Added,
    /// The content differs.
    Content,
    /// A file cannot be read, so that nothing can be said of it.
    Unreadable,
    /// The record contradicts itself or its seal.
    Record,
    /// It is not what was cited.
    Cited,
    /// An input differs from what the run read.
    Input,
}

/// What of a record every kind of folder has.
#[derive(Deserialize)]
struct Products {
    #[serde(default)]
    products: Vec<Product>,
    #[serde(default)]
    started: String,
}

/// Verifies a folder.
///
/// # Errors
/// A folder that holds no run, calibration or comparison, a checksum that is none, or inputs asked for of a study that is not
/// found. What was altered is no error but the answer.
pub fn verify(options: &VerifyOptions) -> Result<Verified, EngineError> {
    let folder = &options.run;
    let kind = kind_of(folder)?;
    let cited = options.cited.as_deref().map(digits).transpose()?;
    let path = folder.join(kind.record());
    let text = record_text(&path)?;
    let mut found = Verified {
        kind: kind.word(),
        run_id: String::new(),
        started: String::new(),
        checksum: String::new(),
        files: 0,
        alterations: Vec::new(),
        inputs: None,
    };
    let mut altered = Vec::new();
    let of_record = |words: String| Alteration { file: kind.record().into(), what: Altered::Record, words };
    match seal_holds(&text) {
        Some(true) => {}
        Some(false) => altered.push(of_record("it was edited: its text does not agree with its seal".into())),
        None => altered.push(of_record("it carries no seal, so nothing says whether it was edited".into())),
    }
    let listed: Products = match serde_json::from_str(&text) {
        Ok(listed) => listed,
        Err(error) => {
            altered.push(of_record(format!("line {}: it is no record any more: {error}", error.line())));
            found.alterations = altered;
            return Ok(found);
        }
    };
    found.started = listed.started;
    let record: Option<RunRecord> = serde_json::from_str(&text).ok().filter(|_| kind != Kind::Comparison);
    if let Some(record) = &record {
        found.run_id = record.run_id.clone();
        found.checksum = record.checksum.clone();
        altered.extend(contradictions(record).into_iter().map(of_record));
    } else if kind != Kind::Comparison {
        altered.push(of_record("it is no record of a run any more".into()));
    }
    if let Some(cited) = cited
        && !found.checksum.starts_with(&cited)
    {
        let words = match found.checksum.as_str() {
            "" => "it has no checksum to compare with the one cited".to_string(),
            own => format!("its checksum is {own}, the one cited begins with {cited}: this is another run"),
        };
        altered.push(Alteration { file: kind.record().into(), what: Altered::Cited, words });
    }
    let (whole, mut files) = compare_files(folder, kind.record(), &listed.products)?;
    altered.append(&mut files);
    found.files = whole;
    if options.inputs {
        let Some(record) = &record else {
            return Err(refused(folder, "it records no inputs; verify the runs that it compares"));
        };
        let (inputs, mut wrong) = verify_inputs(options, record)?;
        altered.append(&mut wrong);
        found.inputs = Some(inputs);
    }
    found.alterations = altered;
    Ok(found)
}

/// Which kind of folder this is.
///
/// # Errors
/// One that holds no record.
fn kind_of(folder: &Path) -> Result<Kind, EngineError> {
    let kinds = [Kind::Run, Kind::Calibration, Kind::Comparison];
    kinds.into_iter().find(|kind| folder.join(kind.record()).is_file()).ok_or_else(|| {
        let reason = if folder.is_dir() {
            "it holds neither run.json nor calibration.json nor comparison.json; give the folder that `lentic run` left"
        } else {
            "there is no such folder; give the folder that `lentic run` left"
        };
        refused(folder, reason)
    })
}

fn refused(folder: &Path, reason: impl Into<String>) -> EngineError {
    EngineError::Finished { folder: folder.to_path_buf(), reason: reason.into() }
}

/// The digits of a cited checksum.
fn digits(cited: &str) -> Result<String, EngineError> {
    let plain = cited.trim().trim_start_matches("blake3:").to_ascii_lowercase();
    let fits = (CITED_DIGITS..=64).contains(&plain.len()) && plain.chars().all(|c| c.is_ascii_hexdigit());
    fits.then_some(plain).ok_or_else(|| EngineError::Cited { given: cited.to_string() })
}

/// Where a record does not follow from itself.
fn contradictions(record: &RunRecord) -> Vec<String> {
    let mut found = Vec::new();
    let own = checksum(record);
    if record.checksum != own {
        found.push(format!(
            "its checksum is {}, but what it lists gives {own}",
            if record.checksum.is_empty() { "missing" } else { &record.checksum }
        ));
    }
    let study = &record.study;
    // a record that leaves out the study's text or the inputs has nothing to follow from
    if !study.text.is_empty() && blake3::hash(study.text.as_bytes()).to_hex().as_str() != study.blake3 {
        found.push("the text of the study does not agree with its digest".into());
    }
    if !study.text.is_empty() && !record.inputs.is_empty() {
        let id = inputs::run_id_of(&record.program.version, &study.text, &record.inputs);
        if id != record.run_id {
            found.push(format!(
                "its identifier is {}, but program, study and inputs give {id}",
                record.run_id
            ));
        }
    }
    found
}

/// Holds the files of a folder against a list: how many are whole, and what is not.
fn compare_files(
    folder: &Path,
    record: &str,
    products: &[Product],
) -> Result<(usize, Vec<Alteration>), EngineError> {
    let mut there = BTreeMap::new();
    walk(folder, "", &mut there)?;
    there.remove(record);
    let one = |product: &Product| match there.get(&product.file) {
        None => Some(missing(&product.file)),
        Some(false) => {
            let words = "a link stands in its place".to_string();
            Some(Alteration { file: product.file.clone(), what: Altered::Content, words })
        }
        Some(true) => differs(&folder.join(&product.file), &product.file, product.bytes, &product.blake3),
    };
    let mut found: Vec<Alteration> =
        products.par_iter().map(one).collect::<Vec<_>>().into_iter().flatten().collect();
    let whole = products.len() - found.len();
    let added = there.keys().filter(|file| !products.iter().any(|product| product.file == **file));
    found.extend(added.map(|file| Alteration {
        file: file.clone(),
        what: Altered::Added,
        words: "the run did not write it".into(),
    }));
    Ok((whole, found))
}

fn missing(file: &str) -> Alteration {
    Alteration { file: file.into(), what: Altered::Missing, words: "the run wrote it, and it is gone".into() }
}

/// How a file differs from what a record says of it.
fn differs(path: &Path, name: &str, bytes: u64, blake3: &str) -> Option<Alteration> {
    let altered = |what, words| Some(Alteration { file: name.into(), what, words });
    match inputs::digest(path) {
        Err(error) => altered(Altered::Unreadable, format!("it cannot be read ({error})")),
        Ok((size, _)) if size != bytes => {
            altered(Altered::Content, format!("it has {size} bytes, and had {bytes}"))
        }
        Ok((_, own)) if own != blake3 => altered(
            Altered::Content,
            format!(
                "its content was changed: BLAKE3 is {own}, and was {}",
                if blake3.is_empty() { "not kept" } else { blake3 }
            ),
        ),
        Ok(_) => None,
    }
}

/// How a file on a server differs from what the server told at the time of the run; its name where the server cannot be asked.
fn differs_on_server(input: &Input) -> Result<Option<Alteration>, String> {
    let altered = |words| Ok(Some(Alteration { file: input.file.clone(), what: Altered::Input, words }));
    match remote::identity_now(Path::new(&input.file)) {
        Err(error) => Err(format!("{error}")),
        Ok(None) => altered("the server has no such file any more".into()),
        Ok(Some(now)) => match inputs::Content::on_server(now) {
            now if now.is_of(input) => Ok(None),
            now => altered(format!("the server tells of {}, and told of {}", now.told(), input.content())),
        },
    }
}

/// Every file below a folder by its name with `/`: whether it is a plain file (else a link or the like, which is not followed).
fn walk(folder: &Path, before: &str, found: &mut BTreeMap<String, bool>) -> Result<(), EngineError> {
    for entry in std::fs::read_dir(folder).map_err(io(folder))? {
        let entry = entry.map_err(io(folder))?;
        let name = format!("{before}{}", entry.file_name().to_string_lossy());
        let kind = entry.file_type().map_err(io(&entry.path()))?;
        if kind.is_dir() {
            walk(&entry.path(), &format!("{name}/"), found)?;
        } else {
            found.insert(name, kind.is_file());
        }
    }
    Ok(())
}

/// Holds the study file and what it names against the record.
fn verify_inputs(
    options: &VerifyOptions,
    record: &RunRecord,
) -> Result<(InputsVerified, Vec<Alteration>), EngineError> {
    let study = match &options.study {
        Some(study) => study.clone(),
        None if record.study.beside.is_empty() => {
            return Err(refused(
                &options.run,
                "the study lay too far from it for the run to keep the way; give the study file with --study",
            ));
        }
        None => at_the_end_of(&options.run, &record.study.beside),
    };
    if !study.is_file() {
        return Err(refused(
            &options.run,
            format!("its study is not at {}; give the study file with --study", study.display()),
        ));
    }
    let base = study.parent().unwrap_or(Path::new("")).to_path_buf();
    let of_study = Input {
        file: record.study.path.clone(),
        bytes: record.study.text.len() as u64,
        blake3: record.study.blake3.clone(),
        ..Input::default()
    };
    let files: Vec<(PathBuf, &Input)> = std::iter::once((study, &of_study))
        .chain(record.inputs.iter().map(|input| (base.join(&input.file), input)))
        .collect();
    if record.inputs.iter().any(|input| input.server.is_some()) {
        // a study that can no longer be read allows nothing: its files on servers are not reached
        let network = lentic_study::load(&files[0].0).ok().and_then(|(study, _)| study.network);
        remote::permit(network.as_ref())?;
    }
    let looked = |(path, input): &(PathBuf, &Input)| match &input.server {
        Some(_) => differs_on_server(input),
        None if !path.is_file() => Err(input.file.clone()),
        None => Ok(differs(path, &input.file, input.bytes, &input.blake3)),
    };
    let looked: Vec<Result<Option<Alteration>, String>> = files.par_iter().map(looked).collect();
    let mut seen = InputsVerified { files: 0, not_reached: Vec::new() };
    let mut wrong = Vec::new();
    for one in looked {
        match one {
            Err(file) => seen.not_reached.push(file),
            Ok(None) => seen.files += 1,
            Ok(Some(alteration)) => wrong.push(Alteration { what: Altered::Input, ..alteration }),
        }
    }
    Ok((seen, wrong))
}
