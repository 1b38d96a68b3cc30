//! Input layers and their legends.

use super::{LayerKind, Role, WaterContent};
use crate::Month;
use std::collections::BTreeMap;
use std::path::PathBuf;

/// Where a layer's cells are: files here, or addresses of files on servers.
#[derive(Clone, Debug, PartialEq)]
pub enum Files {
    /// One file.
    One(PathBuf),
    /// A pattern with {year}, {month}, {day}; absolute, or an address.
    Pattern(String),
}

/// An input layer.
#[derive(Clone, Debug, PartialEq)]
pub struct Layer {
    /// Its name in the study file.
    pub name: String,
    /// Where it is.
    pub files: Files,
    /// What it holds.
    pub kind: LayerKind,
    /// What it is for.
    pub role: Option<Role>,
    /// Band, from 1.
    pub band: usize,
    /// Month of the first band, where each band of the file is a month of the climate.
    pub first_month: Option<Month>,
    /// Legend of a class layer, read.
    pub legend: Option<Legend>,
    /// Water histories: content.
    pub holds: WaterContent,
    /// Water histories: wet at this value (fraction: at or above; depth: above).
    pub wet_at: f64,
    /// Codes that mean "not seen".
    pub unobserved: Vec<f64>,
    /// Values that mean "no data" besides what the file declares.
    pub no_data: Vec<f64>,
    /// Factor on reading.
    pub scale: f64,
    /// Unit after scaling, "" if none.
    pub unit: String,
    /// Where it comes from.
    pub source: String,
    /// Its licence.
    pub licence: String,
    /// Its date.
    pub date: String,
}

impl Layer {
    /// Whether the layer is a raster for each month of the climate, not a single one.
    pub fn is_monthly(&self) -> bool {
        let pattern = matches!(self.files, Files::Pattern(_));
        self.kind != LayerKind::WaterHistory && (pattern || self.first_month.is_some())
    }
}

/// A legend: code to name and scores, in code order.
#[derive(Clone, Debug, PartialEq)]
pub struct Legend {
    /// The CSV.
    pub path: PathBuf,
    /// Rows by code.
    pub classes: BTreeMap<i32, LegendClass>,
}

/// One row of a legend.
#[derive(Clone, Debug, PartialEq)]
pub struct LegendClass {
    /// Name shown.
    pub name: String,
    /// Other columns that hold numbers.
    pub scores: BTreeMap<String, f64>,
}
