//! Maps, and what makes them answer to a pointer.

use crate::palette::{ClassStyle, Ramp};
use serde::{Deserialize, Serialize};

/// A map.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct MapLayer {
    /// Unique on the page: letters, digits, `_`, `-`.
    pub id: String,
    /// Title, for example "Suitability, baseline".
    pub title: String,
    /// Layers of one group are told apart by scenario: "Suitability", "Change", "Hydroperiod".
    pub group: String,
    /// Title of the scenario ("Baseline" for the baseline), `None` where the layer knows none.
    pub scenario: Option<String>,
    /// Unit of the values, "" for classes.
    pub unit: String,
    /// One sentence on what is shown, also read out in place of the picture.
    pub caption: String,
    /// Columns of pixels.
    pub width: usize,
    /// Rows of pixels.
    pub height: usize,
    /// Cells of the grid along a side of a pixel; pixels begin at the top left of the grid.
    pub step: usize,
    /// Where its cells are kept.
    pub kept: KeptCells,
    /// Pixels row by row from the top left, `width * height` of them.
    pub pixels: MapPixels,
}

/// The patches of one scenario as a picture of their numbers.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PatchMap {
    /// Columns of pixels.
    pub width: usize,
    /// Rows of pixels.
    pub height: usize,
    /// Cells of the grid along a side of a pixel.
    pub step: usize,
    /// Number of the patch of each pixel, 0 where there is none; row by row from the top left.
    #[serde(with = "crate::page::run_lengths")]
    pub numbers: Vec<u32>,
    /// Name of the table with a row for each patch (columns `scenario` and `patch`).
    pub table: String,
    /// What the column `scenario` of that table says of these patches.
    pub scenario: String,
    /// Names of other tables whose column `patch` holds numbers of these patches in every row.
    pub also_in: Vec<String>,
}

/// Latitude and longitude at points spread evenly over the bounds of the grid, edges included.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PlaceMesh {
    /// Points from left to right, at least two.
    pub columns: usize,
    /// Points from top to bottom, at least two.
    pub rows: usize,
    /// Latitude and longitude in degrees on the datum of the reference system, row by row from the top left.
    pub degrees: Vec<[f64; 2]>,
}

/// Where the cells of a map are kept in full, in band 1 of a raster of the run.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct KeptCells {
    /// Path inside the run folder, with `/`; "" where they are kept nowhere.
    pub file: String,
    /// Where the raster holds shares of members and the map shows classes of them: how many members.
    pub members: Option<usize>,
}

/// The pixels of a map, already thinned.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub enum MapPixels {
    /// Class codes.
    Classes {
        /// Codes.
        #[serde(skip)]
        codes: Vec<u8>,
        /// Classes in the order of the legend.
        styles: Vec<ClassStyle>,
        /// Code of pixels without data.
        no_data: Option<u8>,
    },
    /// Numbers, NaN where there are none.
    Ramp {
        /// Values.
        #[serde(skip)]
        values: Vec<f32>,
        /// Value at the low end of the ramp.
        min: f32,
        /// Value at the high end of the ramp.
        max: f32,
        /// Which colours.
        ramp: Ramp,
    },
}
