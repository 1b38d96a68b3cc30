//! The study file: written form (`options`), problems with file and line, resolved settings.
//!
//! `read` turns a TOML file into `options::StudyFile` and finds every problem of form; `resolve` turns
//! that into `settings::Study` and finds every problem of sense; `examine` does both, finds the problems
//! of both together, and gives what is sound of a study that has problems; `load` refuses such a study.
//! Nothing is computed and no layer is opened here: only the study file and its legends are read.

#![forbid(unsafe_code)]

pub mod address;
pub mod cluster;
pub mod examine;
pub mod fragment;
pub mod fresh;
mod keys;
pub mod month;
// its texts are those of the schema, where brackets hold names of sections
#[allow(rustdoc::broken_intra_doc_links)]
pub mod options;
pub mod problem;
pub mod read;
pub mod resolve;
pub mod scenes;
pub mod schema;
pub mod settings;
pub mod source;
pub mod text_table;

mod mend;
mod nearest;
mod shape;
mod spoilt;

pub use examine::{Examined, Unlisted, examine, examine_bytes, load};
pub use fragment::fragment;
pub use keys::keys;
pub use month::Month;
pub use problem::{Place, Problem, Problems};
pub use read::{parse, read};
pub use resolve::{legend, resolve};
pub use schema::{schema, schema_text};
pub use settings::Study;
pub use source::Source;
pub use text_table::{Letters, TextTable, why_no_number};
