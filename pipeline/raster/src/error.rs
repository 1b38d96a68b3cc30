//! What can go wrong with rasters and vector layers, said so that the user can mend it.

use std::path::{Path, PathBuf};

use crate::grid::Point;

/// An error of this crate. Every message names the file or setting, what was found, what is
/// expected and how to mend it.
#[derive(Debug, thiserror::Error)]
pub enum RasterError {
    /// A coordinate reference system text that is not understood.
    #[error(
        "the coordinate reference system '{text}' is not understood: {said}; write an EPSG code \
         such as EPSG:6933, a PROJ string that starts with +proj, or WKT"
    )]
    CrsText {
        /// The text as given.
        text: String,
        /// What the parser said.
        said: String,
    },
    /// A geographic CRS where a projected one is needed.
    #[error(
        "the coordinate reference system '{name}' counts in degrees, but the study grid needs \
         metres; use an equal-area one, for example \"{proposal}\""
    )]
    Geographic {
        /// Name of the CRS found.
        name: String,
        /// An equal-area CRS that would do.
        proposal: String,
    },
    /// A projected CRS that is not in metres, or no projection at all.
    #[error(
        "the coordinate reference system '{name}' has the unit '{unit}', but the study grid needs \
         a projected system in metres; use for example EPSG:6933"
    )]
    Unit {
        /// Name of the CRS found.
        name: String,
        /// Its linear unit, or what it is instead.
        unit: String,
    },
    /// A grid that cannot be: no cells, too many, a cell size that is not positive.
    #[error("the grid is not possible: {0}")]
    Grid(String),
    /// Coordinates that cannot be carried to another CRS.
    #[error("the point x = {}, y = {} cannot be carried from '{from}' to '{to}'; check that the bounds lie where the coordinate reference system is defined", .point.x, .point.y)]
    Transform {
        /// The point.
        point: Point,
        /// CRS of the point.
        from: String,
        /// CRS asked for.
        to: String,
    },
    /// A file that cannot be opened as a raster or vector layer.
    #[error("{}: cannot be opened as a {what}: {said}; expected one of {formats}", .path.display())]
    Open {
        /// The file.
        path: PathBuf,
        /// "raster" or "vector layer".
        what: &'static str,
        /// What the reader said.
        said: String,
        /// The formats that are accepted.
        formats: &'static str,
    },
    /// A file whose content cannot be used as it is.
    #[error("{}: {found}; {mend}", .path.display())]
    Unfit {
        /// The file.
        path: PathBuf,
        /// What was found and what is expected.
        found: String,
        /// How to mend it.
        mend: String,
    },
    /// Reading failed part way, as with a file cut short.
    #[error("{}: reading {what} failed: {said}; the file may be cut short or damaged, copy or make it again", .path.display())]
    Read {
        /// The file.
        path: PathBuf,
        /// The part that was read.
        what: String,
        /// What the reader said.
        said: String,
    },
    /// A file on a server that cannot be read. The address is shown without any secret.
    #[error("{address}: {what} failed: {said}; {mend}")]
    Remote {
        /// The address.
        address: String,
        /// The part that was read.
        what: String,
        /// What came instead.
        said: String,
        /// How to mend it.
        mend: String,
    },
    /// A secret for a server that cannot be used. Its value is not shown.
    #[error(
        "the environment variable {variable}, named in network.{key}, does not hold {form}; set it for this program, or take the key out"
    )]
    Secret {
        /// Name of the environment variable.
        variable: String,
        /// Key of the study that names it.
        key: String,
        /// What it is to hold.
        form: String,
    },
    /// Writing failed.
    #[error("{}: writing failed: {said}; check free space and permission", .path.display())]
    Write {
        /// The file.
        path: PathBuf,
        /// What the writer said.
        said: String,
    },
    /// The operating system refused.
    #[error("{}: {doing} failed: {source}", .path.display())]
    Io {
        /// The file.
        path: PathBuf,
        /// What was being done.
        doing: &'static str,
        /// The refusal.
        source: std::io::Error,
    },
    /// A caller's mistake: sizes that do not agree. Not caused by a user's file.
    #[error("sizes do not agree: {0}")]
    Size(String),
    /// The library itself failed where nothing else is to blame.
    #[error("{doing} failed: {said}; check that GDAL and PROJ are installed whole")]
    Library {
        /// What was being done.
        doing: &'static str,
        /// What GDAL or PROJ said.
        said: String,
    },
}

impl RasterError {
    pub(crate) fn io(path: &Path, doing: &'static str, source: std::io::Error) -> Self {
        Self::Io { path: path.to_path_buf(), doing, source }
    }

    pub(crate) fn read(path: &Path, what: impl Into<String>, error: &gdal::errors::GdalError) -> Self {
        Self::Read { path: path.to_path_buf(), what: what.into(), said: said(error) }
    }

    pub(crate) fn write(path: &Path, error: &gdal::errors::GdalError) -> Self {
        Self::Write { path: path.to_path_buf(), said: said(error) }
    }

    pub(crate) fn unfit(path: &Path, found: impl Into<String>, mend: impl Into<String>) -> Self {
        Self::Unfit { path: path.to_path_buf(), found: found.into(), mend: mend.into() }
    }
}

/// The bare message of a GDAL error, without the wrapper's words.
pub(crate) fn said(error: &gdal::errors::GdalError) -> String {
    use gdal::errors::GdalError;
    match error {
        GdalError::CplError { msg, .. } | GdalError::NullPointer { msg, .. } if !msg.is_empty() => {
            msg.clone()
        }
        GdalError::BadArgument(text) => text.clone(),
        // GDAL knows no driver for the file and says nothing
        GdalError::NullPointer { .. } => "the file is empty or of another kind".into(),
        other => other.to_string(),
    }
}
