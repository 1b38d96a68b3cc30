//! Weather that differs from place to place, made from the demo's one series, as tables by zone and as rasters on a coarse grid
//! of degrees.

use crate::Basin;
use gdal::DriverManager;
use gdal::raster::{Buffer, RasterCreationOptions};
use gdal::spatial_ref::SpatialRef;
use std::fs;
use std::path::Path;

/// Months of weather.
pub struct Weather {
    /// Year and calendar month of each month.
    pub months: Vec<(i32, u32)>,
    /// mm
    pub rain: Vec<f64>,
    /// degrees Celsius
    pub warmth: Vec<f64>,
}

impl Weather {
    /// The climate of a demo basin.
    #[track_caller]
    pub fn of(basin: &Basin) -> Weather {
        let mut weather = Weather { months: Vec::new(), rain: Vec::new(), warmth: Vec::new() };
        let mut reader = csv::Reader::from_path(basin.file("climate.csv")).unwrap();
        for row in reader.deserialize() {
            let (year, month, rain, warmth): (i32, u32, f64, f64) = row.unwrap();
            weather.months.push((year, month));
            weather.rain.push(rain);
            weather.warmth.push(warmth);
        }
        assert!(weather.months.len() > 360);
        weather
    }

    /// The same rounded to quarters, which 32-bit floats hold exactly.
    #[must_use]
    pub fn in_quarters(self) -> Weather {
        let round = |values: Vec<f64>| values.into_iter().map(|v| (4.0 * v).round() / 4.0).collect();
        Weather { rain: round(self.rain), warmth: round(self.warmth), ..self }
    }

    /// The weather of another place: the farther, the wetter and cooler, with showers of its own.
    #[must_use]
    pub fn at(&self, place: usize) -> Weather {
        let far = place as f64;
        let shower = |t: usize| ((t * 53 + place * 29) % 23) as f64 / 4.0;
        Weather {
            months: self.months.clone(),
            rain: self.rain.iter().enumerate().map(|(t, p)| p * (0.8 + 0.05 * far) + shower(t)).collect(),
            warmth: self.warmth.iter().enumerate().map(|(t, w)| w - 0.2 * far + 0.1 * shower(t)).collect(),
        }
    }

    /// Mean daily lowest and highest temperature of a month, some degrees about the mean.
    pub fn extremes(&self, t: usize) -> (f64, f64) {
        let half = 5.0 + ((t * 31) % 7) as f64 / 2.0;
        (self.warmth[t] - half, self.warmth[t] + half)
    }

    /// Writes the basin's climate table.
    pub fn write(&self, basin: &Basin) {
        let mut text = String::from("year,month,precipitation_mm,temperature_c,low_c,high_c\n");
        for (t, (year, month)) in self.months.iter().enumerate() {
            let (low, high) = self.extremes(t);
            text += &format!("{year},{month},{},{},{low},{high}\n", self.rain[t], self.warmth[t]);
        }
        fs::write(basin.file("climate.csv"), text).unwrap();
    }

    /// Writes a climate table by zone: code and weather of each.
    pub fn write_zones(basin: &Basin, zones: &[(i32, Weather)]) {
        let mut text = String::from("zone,year,month,precipitation_mm,temperature_c\n");
        for (code, weather) in zones {
            for (t, (year, month)) in weather.months.iter().enumerate() {
                text += &format!("{code},{year},{month},{},{}\n", weather.rain[t], weather.warmth[t]);
            }
        }
        fs::write(basin.file("climate.csv"), text).unwrap();
    }
}

/// A grid of degrees over the small demo.
#[derive(Clone, Copy)]
pub struct Coarse {
    /// Side of a cell, degrees.
    pub side: f64,
    /// Rows.
    pub rows: usize,
    /// Columns.
    pub cols: usize,
    /// Degrees east of the basin.
    pub east: f64,
}

impl Coarse {
    /// Cells over the whole basin: its middle lies at 18 degrees west, 31 degrees south.
    pub const FEW: Coarse = Coarse { side: 0.009, rows: 4, cols: 5, east: 0.0 };
    /// More of them than tables show one by one.
    pub const MANY: Coarse = Coarse { side: 0.005, rows: 7, cols: 9, east: 0.0 };

    /// Writes a raster of 32-bit floats, a band for each list of cells.
    #[track_caller]
    pub fn write(&self, path: &Path, bands: &[Vec<f32>], no_data: Option<f64>) {
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        let driver = DriverManager::get_driver_by_name("GTiff").unwrap();
        let options = RasterCreationOptions::new();
        let mut dataset = driver
            .create_with_band_type_with_options::<f32, _>(path, self.cols, self.rows, bands.len(), &options)
            .unwrap();
        let left = -18.0 + self.east - 0.5 * self.cols as f64 * self.side;
        let top = -31.0 + 0.5 * self.rows as f64 * self.side;
        dataset.set_geo_transform(&[left, self.side, 0.0, top, 0.0, -self.side]).unwrap();
        dataset.set_spatial_ref(&SpatialRef::from_epsg(4326).unwrap()).unwrap();
        for (at, cells) in bands.iter().enumerate() {
            let mut band = dataset.rasterband(at + 1).unwrap();
            if no_data.is_some() {
                band.set_no_data_value(no_data).unwrap();
            }
            let mut buffer = Buffer::new((self.cols, self.rows), cells.clone());
            band.write((0, 0), (self.cols, self.rows), &mut buffer).unwrap();
        }
    }

    /// A value for each cell.
    pub fn cells(&self, of: impl Fn(usize) -> f64) -> Vec<f32> {
        (0..self.rows * self.cols).map(|cell| of(cell) as f32).collect()
    }
}
