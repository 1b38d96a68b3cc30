//! What a run keeps of its page, so that the page can be written again without computing anything.

use super::PageInput;
use crate::ReportError;
use crate::file::{refused, write_bytes};
use crate::table::Table;
use serde::{Deserialize, Serialize};
use std::path::Path;

/// Grows when what is kept changes so that older files can no longer be read.
const FORM: u32 = 1;

/// A page read back: without record, cells of tables and pixels of maps, which the caller fills in.
#[derive(Clone, Debug)]
pub struct KeptPage<'a> {
    /// The tables in the order shown, without cells.
    pub tables: Vec<Table>,
    /// Everything else.
    pub page: PageInput<'a>,
}

#[derive(Serialize)]
struct Written<'a> {
    form: u32,
    tables: &'a [Table],
    page: &'a PageInput<'a>,
}

#[derive(Deserialize)]
struct Form {
    form: u32,
}

#[derive(Deserialize)]
struct Read<'a> {
    tables: Vec<Table>,
    page: PageInput<'a>,
}

/// Keeps what a page shows as JSON: all but the record, the cells of tables and the pixels of maps.
///
/// # Errors
/// The file cannot be written.
pub fn write_kept(path: &Path, input: &PageInput<'_>) -> Result<(), ReportError> {
    let kept = Written { form: FORM, tables: input.tables, page: input };
    let mut text = serde_json::to_string(&kept)
        .map_err(|error| ReportError::Page { path: path.to_path_buf(), message: error.to_string() })?;
    text.push('\n');
    write_bytes(path, text.as_bytes())
}

/// Reads back what [`write_kept`] kept.
///
/// # Errors
/// The file cannot be read, is of another form than this program writes, or no such file.
pub fn read_kept<'a>(path: &Path) -> Result<KeptPage<'a>, ReportError> {
    let text = std::fs::read_to_string(path).map_err(refused(path, "read"))?;
    let kept = |message: String| ReportError::Kept { path: path.to_path_buf(), message };
    let Form { form } = serde_json::from_str(&text).map_err(|error| kept(error.to_string()))?;
    if form != FORM {
        return Err(kept(format!("it is of form {form}, this program reads form {FORM}")));
    }
    let Read { tables, page } = serde_json::from_str(&text).map_err(|error| kept(error.to_string()))?;
    Ok(KeptPage { tables, page })
}
