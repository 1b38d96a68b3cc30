//! What can go wrong in a run.

use crate::demo::DemoError;
use lentic_habitat::response::ResponseError;
use lentic_habitat::suitability::UnscoredClass;
use lentic_raster::RasterError;
use lentic_report::ReportError;
use lentic_study::{Problem, Problems};
use std::path::{Path, PathBuf};

/// Why a run, a check or a demo stopped.
#[derive(Debug, thiserror::Error)]
pub enum EngineError {
    /// The study or its inputs are wrong; nothing was computed.
    #[error(transparent)]
    Study(#[from] Problems),
    /// A layer could not be read or a product not be written.
    #[error(transparent)]
    Raster(#[from] RasterError),
    /// A file of a layer on a server cannot be read.
    #[error("layer \"{layer}\": {source}")]
    Remote {
        /// Layer name.
        layer: String,
        /// What happened.
        source: Box<EngineError>,
    },
    /// A run cannot be handed to a cluster.
    #[error("the run cannot be submitted: {reason}")]
    Cluster {
        /// Why not, and what to do.
        reason: String,
    },
    /// Dated files that cannot be told apart or are not there.
    #[error(transparent)]
    Files(#[from] lentic_raster::StackError),
    /// A table or the page could not be written.
    #[error(transparent)]
    Report(#[from] ReportError),
    /// No length of the index can be tried.
    #[error(
        "no length of the drought index can be chosen among {tried}: in the months that all of them have an index no water was seen in the cells looked at. Take the longest out \
         of climate.choose_from, give a climate that begins earlier, or set climate.months to a number"
    )]
    NoLength {
        /// The lengths.
        tried: String,
    },
    /// Water gives no response.
    #[error(transparent)]
    Response(#[from] ResponseError),
    /// A class without score.
    #[error(transparent)]
    Unscored(#[from] UnscoredClass),
    /// A value that the layer's kind does not allow.
    #[error("layer \"{layer}\", {}: {found}; {expected}", file.display())]
    Value {
        /// Layer name.
        layer: String,
        /// File read.
        file: PathBuf,
        /// What was found.
        found: String,
        /// What is expected, and how to mend it.
        expected: String,
    },
    /// The drawdown cannot be answered.
    #[error(
        "scenario \"{scenario}\" lowers or raises the water table, but the data do not say how water follows it: {reason}. Add a layer with role \
         \"ground\" whose elevations differ by at least 0.3 m within pools or wetland classes, or set `logits_per_metre` under [inundation]"
    )]
    Drawdown {
        /// Scenario name.
        scenario: String,
        /// Why not.
        reason: String,
    },
    /// Records that give no answer.
    #[error("records {}: {reason}", file.display())]
    Records {
        /// The table.
        file: PathBuf,
        /// What was found, what is expected, and how to mend it.
        reason: String,
    },
    /// Records give no fit.
    #[error("records {}: {reason}", file.display())]
    Calibration {
        /// The table.
        file: PathBuf,
        /// Why not.
        reason: lentic_habitat::calibration::CalibrationError,
    },
    /// The fitted curves cannot be written as part of a study.
    #[error(transparent)]
    Fragment(#[from] lentic_study::fragment::FragmentError),
    /// Water years that cannot be replayed.
    #[error("scenarios, replay: water years {0}; take other years, or lengthen the climate series")]
    Replay(String),
    /// The run folder cannot be used.
    #[error("run folder {}: {reason}", folder.display())]
    Folder {
        /// The folder.
        folder: PathBuf,
        /// Why not, and what to do.
        reason: String,
    },
    /// A cell of a run cannot be explained.
    #[error("the run {} cannot explain this cell: {reason}", run.display())]
    Explain {
        /// The run folder.
        run: PathBuf,
        /// Why not, and what to do.
        reason: String,
    },
    /// A finished folder that cannot be verified or compared.
    #[error("{}: {reason}", folder.display())]
    Finished {
        /// The folder.
        folder: PathBuf,
        /// Why not, and what to do.
        reason: String,
    },
    /// A cited checksum that is none.
    #[error(
        "\"{given}\" is no checksum: expected {} to 64 hexadecimal digits, as a citation of a run gives them",
        lentic_report::CITED_DIGITS
    )]
    Cited {
        /// As given.
        given: String,
    },
    /// The report of a run cannot be written again.
    #[error("the report of {} cannot be written: {reason}", run.display())]
    Again {
        /// The run folder.
        run: PathBuf,
        /// Why not, and what to do.
        reason: String,
    },
    /// The store of kept steps cannot be used.
    #[error("kept steps in {}: {reason}", folder.display())]
    Store {
        /// The folder.
        folder: PathBuf,
        /// Why not, and what to do.
        reason: String,
    },
    /// Steps that other machines were to compute are not all there.
    #[error("the step \"{step}\" lacks {} of its {of} tiles, the first number {}: run the shares of that step that are missing first (lentic shard plan names them)",
        windows.len(), windows.first().copied().unwrap_or_default())]
    Lacking {
        /// The step.
        step: &'static str,
        /// Windows that are missing.
        windows: Vec<usize>,
        /// Windows there are.
        of: usize,
    },
    /// A share that cannot be done.
    #[error("{reason}")]
    Share {
        /// Why not, and what to do.
        reason: String,
    },
    /// Shares that other machines were to compute.
    #[error(
        "the run cannot be put together: of {of} shares, these are missing: {missing}. Run them (lentic shard run), then merge again"
    )]
    SharesMissing {
        /// Shares of a step.
        of: usize,
        /// Step by step, what is missing.
        missing: String,
    },
    /// A file that did not stay as it was.
    #[error("{} changed while the run read it: {found}. Run again when nothing writes it any more", file.display())]
    Changed {
        /// The file.
        file: PathBuf,
        /// What was found.
        found: String,
    },
    /// Not an error: a share of a step was all there was to do.
    #[error("the share is done")]
    ShareDone,
    /// A limit of the system that is too low.
    #[error("{0}")]
    Limit(String),
    /// Somebody asked the program to stop.
    #[error("stopped by {}: nothing half-made is left{}", crate::stop::name(*signal),
        if *kept { "; the steps done so far are kept, and the same command goes on from there" } else { "" })]
    Stopped {
        /// The signal.
        signal: i32,
        /// Whether steps are kept for the next run.
        kept: bool,
    },
    /// A disk is full.
    #[error("{said}: the disk is full ({free} left where {} lies). {needed}Free room there, or choose a folder on another disk{with}", folder.display())]
    NoRoom {
        /// What was tried, and what the system said.
        said: String,
        /// Where room is short.
        folder: PathBuf,
        /// How much is left.
        free: String,
        /// How much is needed, a sentence; empty where it is not known.
        needed: String,
        /// How another folder is chosen; may be empty.
        with: &'static str,
    },
    /// A budget of memory that is too small.
    #[error(
        "{mib} MiB of memory are too little for this study: with one thread and tiles of {tile} cells a side it needs about {least_mib} MiB. Give more with --memory, or smaller tiles with --tile"
    )]
    Memory {
        /// The budget.
        mib: u64,
        /// The least that would do.
        least_mib: u64,
        /// Cells a side of a tile.
        tile: usize,
    },
    /// Threads could not be made.
    #[error("{threads} threads cannot be made: {reason}; give a smaller number with --threads")]
    Threads {
        /// Threads asked for.
        threads: usize,
        /// What the system said.
        reason: String,
    },
    /// A survey that cannot be drawn, or a filled-in table that cannot be used.
    #[error(transparent)]
    Survey(#[from] crate::survey::SurveyError),
    /// A new study cannot be written.
    #[error("the new study cannot be written: {reason}")]
    New {
        /// Why not, and what to do.
        reason: String,
    },
    /// The demo could not be written.
    #[error(transparent)]
    Demo(#[from] DemoError),
    /// More patches than can be numbered.
    #[error(transparent)]
    Pieces(#[from] lentic_numerics::labels::TooManyPieces),
    /// A file system call failed.
    #[error("{}: {source}; check that it is there, its permissions, and free space", path.display())]
    Io {
        /// The file or folder.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
}

impl EngineError {
    /// Whether the input is at fault (else the machine is, or a server).
    pub fn is_refusal(&self) -> bool {
        !matches!(
            self,
            EngineError::Io { .. }
                | EngineError::Report(_)
                | EngineError::SharesMissing { .. }
                | EngineError::Lacking { .. }
                | EngineError::Changed { .. }
                | EngineError::Remote { .. }
                | EngineError::Raster(
                    RasterError::Remote { .. } | RasterError::Write { .. } | RasterError::Io { .. }
                )
                | EngineError::Stopped { .. }
                | EngineError::NoRoom { .. }
                | EngineError::Threads { .. }
                | EngineError::Demo(
                    DemoError::Write { .. }
                        | DemoError::Raster(RasterError::Write { .. } | RasterError::Io { .. })
                )
        )
    }

    /// The problems of the study, if that is what this is.
    pub fn problems(&self) -> Option<&[Problem]> {
        match self {
            EngineError::Study(Problems(problems)) => Some(problems),
            _ => None,
        }
    }
}

/// Adds the path to a failed file system call.
pub(crate) fn io(path: &Path) -> impl Fn(std::io::Error) -> EngineError + '_ {
    move |source| EngineError::Io { path: path.to_path_buf(), source }
}
