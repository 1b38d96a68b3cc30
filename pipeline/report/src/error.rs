//! What can go wrong while writing or reading the files of a run.

use std::path::PathBuf;

/// Why a table, page, figure or record could not be written or read.
#[derive(Debug, thiserror::Error)]
pub enum ReportError {
    /// The file system refused.
    #[error(
        "{}: could not be {doing}: {source} (check that the folder exists, is writable and has space)",
        path.display()
    )]
    File {
        /// The file.
        path: PathBuf,
        /// What was tried, as "written" or "read".
        doing: &'static str,
        /// What the system said.
        source: std::io::Error,
    },
    /// A table does not hold together.
    #[error("table \"{table}\": {message}")]
    Table {
        /// Name of the table.
        table: String,
        /// What was found and what is expected.
        message: String,
    },
    /// The table library refused.
    #[error("{}: the table could not be {doing}: {message}", path.display())]
    Frame {
        /// The file.
        path: PathBuf,
        /// What was tried.
        doing: &'static str,
        /// What the library said.
        message: String,
    },
    /// A run record that is no run record.
    #[error(
        "{}: line {line}: not a run record of this program: {message} (give the run.json of a finished run)",
        path.display()
    )]
    Record {
        /// The file.
        path: PathBuf,
        /// Line, from 1.
        line: usize,
        /// What was found.
        message: String,
    },
    /// What was kept of a page cannot be read.
    #[error(
        "{}: what the run kept of its page cannot be read: {message} (run the study again with this program)",
        path.display()
    )]
    Kept {
        /// The file.
        path: PathBuf,
        /// What was found.
        message: String,
    },
    /// A map layer whose pixels do not fit its size.
    #[error("map layer \"{layer}\": {message}")]
    MapLayer {
        /// Id of the layer.
        layer: String,
        /// What was found and what is expected.
        message: String,
    },
    /// The page or a figure could not be put together.
    #[error("{}: the page could not be put together: {message} (a fault of the program: report it)", path.display())]
    Page {
        /// The file.
        path: PathBuf,
        /// What the template engine or the encoder said.
        message: String,
    },
}
