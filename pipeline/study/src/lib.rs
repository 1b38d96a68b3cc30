//! The study file: written form (`options`), problems with file and line, resolved settings.
//!
//! `read` turns a TOML file into `options::StudyFile` and finds every problem of form; `resolve` turns
//! that into `settings::Study` and finds every problem of sense; `load` does both. Nothing is computed
//! and no layer is opened here: only the study file and its legends are read.

pub mod month;
pub mod options;
pub mod problem;
pub mod read;
pub mod resolve;
pub mod schema;
pub mod settings;
pub mod source;

mod nearest;
mod shape;

pub use month::Month;
pub use problem::{Place, Problem, Problems};
pub use read::{parse, read};
pub use resolve::{load, resolve};
pub use schema::{schema, schema_text};
pub use settings::Study;
pub use source::Source;
