//! The scenes file: how multispectral scenes become monthly masks of water. As for the study file there is a written
//! form ([`options`]), a JSON Schema made from it, and resolved [`settings`]; [`load`] goes all the way.

pub mod options;
pub mod settings;

mod grid;
mod index;
mod quality;
mod resolve;

pub use resolve::resolve;
pub use settings::Scenes;

use crate::problem::{Problem, Problems};
use crate::read::text_of;
use crate::schema::schema_of;
use crate::shape::{Shape, check_against};
use crate::source::Source;
use options::ScenesFile;
use serde_json::Value;
use std::path::Path;

/// What messages call the file.
const NAME: &str = "scenes file";

/// JSON Schema (draft 2020-12) of [`ScenesFile`], made from its structs.
pub fn schema() -> Value {
    schema_of::<ScenesFile>("Scenes file of lentic")
}

/// The schema as indented text with a newline at the end, as committed in `configs/`.
pub fn schema_text() -> String {
    format!("{:#}\n", schema())
}

/// Reads and resolves a scenes file. Scenes are not looked for.
///
/// # Errors
/// All problems of form together; if there are none, all problems of sense together.
pub fn load(path: &Path) -> Result<Scenes, Problems> {
    let (file, source) = parse(path, text_of(path, NAME)?)?;
    resolve(&file, source)
}

/// The written form of a text at hand; `path` is what messages name.
///
/// # Errors
/// Every unknown key, missing key, wrong type, unknown word and number out of range, each with its place.
pub fn parse(path: &Path, text: String) -> Result<(ScenesFile, Source), Problems> {
    let (source, mut problems) = Source::parse(path, text).map_err(|problem| Problems(vec![problem]))?;
    let Shape { problems: found, .. } = check_against(&source, &schema(), "the scenes file");
    problems.extend(found);
    if !problems.is_empty() {
        return Err(Problems::sorted(path, problems));
    }
    // The schema is made from these very types, so what is left is what a schema cannot say.
    match serde_json::from_value(source.value().clone()) {
        Ok(file) => Ok((file, source)),
        Err(error) => Err(Problems(vec![Problem {
            file: source.path,
            place: None,
            message: format!("the scenes file does not fit its form: {error}"),
            help: "compare it with configs/scenes.toml".into(),
            warning: false,
        }])),
    }
}
