//! Checksums of what goes into a run and comes out of it.

use crate::check::Checked;
use crate::dated;
use crate::error::{EngineError, io};
use crate::layers::file_of;
use crate::progress::Progress;
use crate::stop;
use lentic_raster::RasterError;
use lentic_raster::remote::{self, Identity};
use lentic_report::{Input, Product, ServerIdentity};
use lentic_study::address::shown;
use lentic_study::settings::{Files, LayerKind, Series};
use lentic_study::{Problem, Study};
use rayon::prelude::*;
use std::fs::File;
use std::path::{Path, PathBuf};

/// Size and BLAKE3 of a file, read in pieces.
///
/// # Errors
/// A file that cannot be read.
pub fn digest(path: &Path) -> Result<(u64, String), EngineError> {
    let mut file = File::open(path).map_err(io(path))?;
    let mut hasher = blake3::Hasher::new();
    let bytes = std::io::copy(&mut file, &mut hasher).map_err(io(path))?;
    Ok((bytes, hasher.finalize().to_hex().to_string()))
}

/// What identifies the content of an input: the digest of a file here, of one on a server what the server tells.
pub struct Content {
    /// Size, bytes.
    pub bytes: u64,
    /// BLAKE3, hexadecimal; "" on a server.
    pub blake3: String,
    /// What the server tells.
    pub server: Option<ServerIdentity>,
}

impl Content {
    /// Of what a server tells.
    pub fn on_server(identity: Identity) -> Self {
        let Identity { bytes, etag, last_modified } = identity;
        Content { bytes, blake3: String::new(), server: Some(ServerIdentity { etag, last_modified }) }
    }

    fn as_input(&self) -> Input {
        Input {
            bytes: self.bytes,
            blake3: self.blake3.clone(),
            server: self.server.clone(),
            ..Input::default()
        }
    }

    /// In words.
    pub fn told(&self) -> String {
        self.as_input().content()
    }

    /// Whether an input had this content, as far as can be told.
    pub fn is_of(&self, input: &Input) -> bool {
        self.as_input().same_content(input)
    }
}

/// The content of an input as it was when the run first met it.
///
/// # Errors
/// A file that cannot be read, or a server that gives no useful answer.
pub fn content(path: &Path) -> Result<Content, EngineError> {
    if !remote::is_remote(path) {
        let (bytes, blake3) = digest(path)?;
        return Ok(Content { bytes, blake3, server: None });
    }
    match remote::identity(path)? {
        Some(identity) => Ok(Content::on_server(identity)),
        None => Err(gone(path)),
    }
}

fn gone(path: &Path) -> EngineError {
    RasterError::Remote {
        address: shown(&path.to_string_lossy()),
        what: "reading it".into(),
        said: "the server has no such file (404 Not Found)".into(),
        mend: "correct the address, or copy the file here and give its path".into(),
    }
    .into()
}

/// Asks servers again for every file of a run that lies on one: none may have changed while the run read it.
///
/// # Errors
/// A file that is gone or another one now, or a server that gives no useful answer.
pub fn unchanged_on_servers(inputs: &[Input]) -> Result<(), EngineError> {
    inputs.par_iter().filter(|input| input.server.is_some()).try_for_each(|input| {
        let path = Path::new(&input.file);
        let before = remote::identity(path)?.unwrap_or_default();
        match remote::identity_now(path)? {
            Some(now) if now == before => Ok(()),
            Some(now) => Err(remote::changed(path, &before, &format!("now {now}")).into()),
            None => Err(remote::changed(path, &before, "it is gone").into()),
        }
    })
}

/// What a user should know of inputs on servers that do not tell versions of a file apart.
pub fn server_warning(inputs: &[Input]) -> Option<String> {
    let silent = |input: &&Input| {
        input.server.as_ref().is_some_and(|s| s.etag.is_empty() && s.last_modified.is_empty())
    };
    let all: Vec<&Input> = inputs.iter().filter(silent).collect();
    let first = all.first()?;
    Some(format!(
        "{} file(s) on servers are identified by their length alone, as the server gives neither entity tag nor date: a change may go unnoticed (the first is {})",
        all.len(),
        first.file
    ))
}

/// A path as it is told to others: relative to the study's folder where it lies within it, else its file name only,
/// so that nothing of the user's machine gets into a report. Addresses
/// stay whole but for what may be secret.
pub fn named(path: &Path, study: &Study) -> String {
    if remote::is_remote(path) {
        return shown(&path.to_string_lossy());
    }
    let folder = study.path.parent().unwrap_or(Path::new(""));
    let told = path.strip_prefix(folder).ok().or_else(|| path.file_name().map(Path::new)).unwrap_or(path);
    told.to_string_lossy().into_owned()
}

/// Warnings of a check as they are told to others: with files as the study knows them, see [`named`].
pub fn warnings(checked: &Checked) -> impl Iterator<Item = String> + '_ {
    checked.warnings.iter().map(|problem| {
        let file = PathBuf::from(named(&problem.file, &checked.study));
        Problem { file, ..problem.clone() }.to_string()
    })
}

/// Files of the layers that are no water history, with their legends, in the order of the study.
pub fn layer_files(study: &Study) -> Vec<(String, PathBuf)> {
    let mut files = Vec::new();
    for layer in &study.layers {
        if layer.kind != LayerKind::WaterHistory {
            files.push((layer.name.clone(), file_of(layer)));
        }
        let legend = layer.legend.as_ref();
        files.extend(legend.map(|legend| (legend_of(&layer.name), legend.path.clone())));
    }
    files.extend(study.grid.area.iter().map(|area| ("study area".to_string(), area.clone())));
    files
}

/// What the legend of a layer is called among the inputs.
fn legend_of(layer: &str) -> String {
    format!("{layer} (legend)")
}

/// A file that a run reads: what it is called, where it is, and its source, licence and date.
pub type InputFile = (String, PathBuf, [String; 3]);

/// Every file a run reads, in the order of the study.
///
/// # Errors
/// A folder that cannot be read, or a server that gives no useful answer.
pub fn files(checked: &Checked) -> Result<Vec<InputFile>, EngineError> {
    let study = &checked.study;
    let mut files: Vec<InputFile> = Vec::new();
    for layer in &study.layers {
        let facts = [layer.source.clone(), layer.licence.clone(), layer.date.clone()];
        if layer.kind == LayerKind::WaterHistory {
            let images = checked.stack.files();
            files.extend(images.into_iter().map(|path| (layer.name.clone(), path, facts.clone())));
        } else if let Files::Pattern(_) = &layer.files {
            let months = dated::files(study, layer)?;
            files.extend(months.into_iter().map(|month| (layer.name.clone(), month.path, facts.clone())));
        } else {
            files.push((layer.name.clone(), file_of(layer), facts));
        }
        if let Some(legend) = &layer.legend {
            files.push((legend_of(&layer.name), legend.path.clone(), Default::default()));
        }
    }
    if let Some(climate) = &study.climate {
        let mut named: Vec<&Path> = Vec::new();
        for (name, series) in climate.series() {
            let Series::Column { file, .. } = series else { continue };
            if named.contains(&file.as_path()) {
                continue;
            }
            // the first needs no word beside it
            let label = if named.is_empty() {
                "climate".into()
            } else {
                format!("climate ({})", name.replace('_', " "))
            };
            files.push((label, file.clone(), Default::default()));
            named.push(file);
        }
    }
    if let Some(area) = &study.grid.area {
        files.push(("study area".into(), area.clone(), Default::default()));
    }
    if let Some(records) = &study.records {
        let facts = [records.source.clone(), records.licence.clone(), String::new()];
        files.push(("records".into(), records.file.clone(), facts));
    }
    Ok(files)
}

/// Every file a run reads, with its checksum, in the order of the study.
///
/// # Errors
/// A file that cannot be read.
pub fn checksums(checked: &Checked, progress: &dyn Progress) -> Result<Vec<Input>, EngineError> {
    let study = &checked.study;
    let files = files(checked)?;
    progress.start("taking checksums", 0);
    let inputs = files
        .par_iter()
        .map(|(layer, path, [source, licence, date])| {
            stop::unless_asked()?;
            let Content { bytes, blake3, server } = content(path)?;
            Ok(Input {
                layer: layer.clone(),
                file: named(path, study),
                bytes,
                blake3,
                server,
                source: source.clone(),
                licence: licence.clone(),
                date: date.clone(),
            })
        })
        .collect::<Result<Vec<Input>, EngineError>>();
    progress.finish();
    inputs
}

/// Identifies a run by its inputs, study text and program: the same three give the same identifier.
pub fn run_id(checked: &Checked, inputs: &[Input]) -> String {
    run_id_of(crate::run::VERSION, &checked.study.text, inputs)
}

/// As [`run_id`], from what a run record holds.
pub fn run_id_of(version: &str, study: &str, inputs: &[Input]) -> String {
    let mut hasher = blake3::Hasher::new();
    hasher.update(version.as_bytes());
    hasher.update(study.as_bytes());
    for input in inputs {
        hasher.update(input.layer.as_bytes());
        hasher.update(input.content().as_bytes());
    }
    hasher.finalize().to_hex()[..12].to_string()
}

/// Every file of a finished run folder with its checksum, by name.
///
/// # Errors
/// A file that cannot be read.
pub fn products(folder: &Path) -> Result<Vec<Product>, EngineError> {
    products_beside(folder, &[])
}

/// As [`products`], those known already not read again.
///
/// # Errors
/// As there.
pub fn products_beside(folder: &Path, known: &[Product]) -> Result<Vec<Product>, EngineError> {
    let mut files = Vec::new();
    let mut folders = vec![folder.to_path_buf()];
    while let Some(next) = folders.pop() {
        for entry in std::fs::read_dir(&next).map_err(io(&next))? {
            let path = entry.map_err(io(&next))?.path();
            if path.is_dir() {
                folders.push(path);
            } else {
                files.push(path);
            }
        }
    }
    files.sort();
    files
        .par_iter()
        .map(|path| {
            let file = path.strip_prefix(folder).unwrap_or(path).to_string_lossy().into_owned();
            if let Some(known) = known.iter().find(|known| known.file == file) {
                return Ok(known.clone());
            }
            let (bytes, blake3) = digest(path)?;
            let title = title_of(&file);
            Ok(Product { file, bytes, blake3, title })
        })
        .collect()
}

fn title_of(file: &str) -> String {
    let stem = Path::new(file).file_stem().map(|s| s.to_string_lossy().into_owned()).unwrap_or_default();
    stem.replace(['_', '.'], " ")
}
