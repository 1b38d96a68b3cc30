//! What other programs read of a run: catalogues, repositories, table tools and a desktop GIS.
//!
//! Everything here is text made of a description of the products ([`Described`]) and the run record; nothing is read from disk.

mod crate_file;
mod dictionary;
mod package;
mod stac;
mod style;

pub use crate_file::{CrateParts, refresh_crate, write_crate};
pub use dictionary::dictionary;
pub use package::write_package;
pub use stac::write_stac_item;
pub use style::write_style;

use crate::palette::ClassStyle;
use crate::table::Table;

/// The products of a run, as the metadata tell of them.
#[derive(Clone, Debug, Default)]
pub struct Described<'a> {
    /// Tables written.
    pub tables: Vec<&'a Table>,
    /// Rasters, by name.
    pub rasters: Vec<DescribedRaster>,
    /// Layers of vector files.
    pub layers: Vec<DescribedLayer>,
    /// Where the rasters lie; `None` where that is not to be told.
    pub place: Option<Place>,
}

impl Described<'_> {
    /// What a file of the run is, in one line, where it is a table or a raster.
    pub fn title(&self, file: &str) -> Option<&str> {
        let stem = |folder: &str| file.strip_prefix(folder)?.split('.').next();
        let table =
            |stem| self.tables.iter().find(|table| table.name == stem).map(|table| table.title.as_str());
        let raster =
            || self.rasters.iter().find(|raster| raster.file == file).map(|raster| raster.title.as_str());
        stem("tables/").and_then(table).or_else(raster).filter(|title| !title.is_empty())
    }
}

/// A raster of a run.
#[derive(Clone, Debug, PartialEq)]
pub struct DescribedRaster {
    /// Path inside the run folder, with `/`.
    pub file: String,
    /// Title.
    pub title: String,
    /// Bands, in order.
    pub bands: Vec<DescribedBand>,
}

impl DescribedRaster {
    /// The file's name without folder and ending.
    pub fn stem(&self) -> &str {
        let name = self.file.rsplit('/').next().unwrap_or(&self.file);
        name.strip_suffix(".tif").unwrap_or(name)
    }
}

/// A band of a raster.
#[derive(Clone, Debug, PartialEq)]
pub struct DescribedBand {
    /// Name of the band.
    pub description: String,
    /// Unit, "" where there is none.
    pub unit: String,
    /// Type of the numbers: "uint8", "float32".
    pub data_type: &'static str,
    /// No data; NaN is one.
    pub no_data: Option<f64>,
    /// Minimum, maximum, mean, standard deviation, percent of cells with data.
    pub statistics: Option<[f64; 5]>,
    /// Classes; none for quantities.
    pub classes: Vec<ClassStyle>,
}

/// A layer of a vector file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DescribedLayer {
    /// Path of the file inside the run folder, with `/`.
    pub file: String,
    /// Name of the layer.
    pub name: String,
    /// Kind of shape, in a word.
    pub shape: String,
    /// Fields.
    pub fields: Vec<DescribedField>,
}

/// A field of a layer.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DescribedField {
    /// Its name.
    pub name: String,
    /// "string", "integer" or "number".
    pub kind: &'static str,
    /// Unit, "" where there is none.
    pub unit: String,
    /// What it holds.
    pub description: String,
}

/// Where the rasters of a run lie.
#[derive(Clone, Debug, PartialEq)]
pub struct Place {
    /// Outline in longitude and latitude (WGS 84), counter-clockwise, first point repeated at the end.
    pub outline: Vec<[f64; 2]>,
    /// Code of the reference system, as "EPSG:6933", where it has one.
    pub code: Option<String>,
    /// The reference system as WKT2.
    pub wkt: String,
    /// Left, bottom, right, top in it, metres.
    pub bounds: [f64; 4],
    /// Rows and columns.
    pub shape: [u64; 2],
    /// Cell side, metres.
    pub cell_m: f64,
}

impl Place {
    /// West, south, east and north, degrees. West is the greater where the outline crosses the 180th meridian (RFC 7946, 5.2).
    pub fn bbox(&self) -> [f64; 4] {
        let least = |values: &mut dyn Iterator<Item = f64>| values.fold(f64::INFINITY, f64::min);
        let most = |values: &mut dyn Iterator<Item = f64>| values.fold(f64::NEG_INFINITY, f64::max);
        let x = || self.outline.iter().map(|point| point[0]);
        let y = || self.outline.iter().map(|point| point[1]);
        let (mut west, mut east) = (least(&mut x()), most(&mut x()));
        // a basin is not half the globe wide
        if east - west > 180.0 {
            (west, east) = (least(&mut x().filter(|x| *x > 0.0)), most(&mut x().filter(|x| *x < 0.0)));
        }
        [west, least(&mut y()), east, most(&mut y())]
    }

    /// Whether the outline crosses the 180th meridian.
    pub fn crosses(&self) -> bool {
        let [west, _, east, _] = self.bbox();
        west > east
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_place_across_the_antimeridian_has_its_west_in_the_east() {
        let place = |outline: &[[f64; 2]]| Place {
            outline: outline.to_vec(),
            code: None,
            wkt: String::new(),
            bounds: [0.0; 4],
            shape: [1, 1],
            cell_m: 30.0,
        };
        let here = place(&[[10.0, -2.0], [11.0, -2.5], [11.0, 3.0], [10.0, -2.0]]);
        assert_eq!((here.bbox(), here.crosses()), ([10.0, -2.5, 11.0, 3.0], false));
        // the example of RFC 7946, 5.2: the Fijian archipelago
        let fiji = place(&[[177.0, -20.0], [-178.0, -20.0], [-178.0, -16.0], [177.0, -16.0], [177.0, -20.0]]);
        assert_eq!((fiji.bbox(), fiji.crosses()), ([177.0, -20.0, -178.0, -16.0], true));
    }
}
