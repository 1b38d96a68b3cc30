//! The maps of a public page, from the rasters of the public edition.

use super::rasters::PublicRaster;
use crate::error::EngineError;
use crate::page_input::{stride, thinned};
use lentic_raster::{Grid, RasterSource, Resample, Window, read_aligned_f32};
use lentic_report::{HeadlineRow, KeptCells, MapLayer, MapPixels, Ramp};
use std::path::Path;

/// Codes of the map of change, by what a public map shows the share of.
const OF_CHANGE: [(&str, &[u8]); 3] =
    [("Habitat kept", &[1, 2]), ("Habitat lost", &[3]), ("Habitat gained", &[4])];
/// Groups of maps whose cells are mostly "no habitat", so that a public cell's most common class would say nothing; their rasters
/// hold the shares.
const ONLY_RASTERS: [&str; 2] = ["Drying margin", "Time of loss"];

/// A public edition's folder, grid and rasters.
pub struct PublicMaps<'a> {
    /// The folder being built.
    pub folder: &'a Path,
    /// Its grid.
    pub grid: &'a Grid,
    /// Its rasters.
    pub rasters: &'a [PublicRaster],
}

impl PublicMaps<'_> {
    /// The maps of habitat, and what becomes of the maps of the run in their order.
    ///
    /// # Errors
    /// A raster that cannot be read.
    pub fn all(&self, of_run: &[MapLayer], scenarios: &[HeadlineRow]) -> Result<Vec<MapLayer>, EngineError> {
        let mut maps = Vec::new();
        let baseline = ("baseline".to_string(), "Baseline".to_string());
        let rows = scenarios.iter().map(|row| (row.scenario.clone(), row.title.clone()));
        for (case, title) in std::iter::once(baseline).chain(rows) {
            let Some(raster) = self.raster(&format!("rasters/habitat_{case}.tif")) else { continue };
            let blank = MapLayer {
                id: format!("habitat-{case}"),
                title: format!("Habitat: {title}"),
                group: "Habitat".into(),
                scenario: Some(title.clone()),
                unit: "share of the cell".into(),
                caption: format!("Share of each public cell that is habitat, {title}"),
                width: 0,
                height: 0,
                step: stride(self.grid),
                kept: KeptCells { file: raster.file.clone(), members: None },
                pixels: share_ramp(),
            };
            maps.push(self.filled(blank, raster, &[None])?);
        }
        for map in of_run {
            maps.extend(self.of_map(map)?);
        }
        maps.retain(|map| match &map.pixels {
            MapPixels::Ramp { values, .. } => values.iter().any(|value| !value.is_nan()),
            MapPixels::Classes { codes, no_data, .. } => codes.iter().any(|code| Some(*code) != *no_data),
        });
        Ok(maps)
    }

    fn raster(&self, file: &str) -> Option<&PublicRaster> {
        self.rasters.iter().find(|raster| raster.file == file && !raster.codes.is_empty())
    }

    fn of_map(&self, map: &MapLayer) -> Result<Vec<MapLayer>, EngineError> {
        let Some(raster) = self.raster(&map.kept.file) else { return Ok(Vec::new()) };
        let scenario = map.scenario.clone().unwrap_or_default();
        let of_shares = |group: &str, codes: &[Option<u8>]| {
            let blank = MapLayer {
                id: format!("{}-{}", group.to_lowercase().replace(' ', "-"), map.id),
                title: match &map.scenario {
                    Some(scenario) => format!("{group}: {scenario}"),
                    None => group.to_string(),
                },
                group: group.into(),
                unit: "share of the cell".into(),
                caption: format!("Share of each public cell: {}, {scenario}", group.to_lowercase())
                    .trim_end_matches(", ")
                    .to_string(),
                pixels: share_ramp(),
                ..map.clone()
            };
            self.filled(blank, raster, codes)
        };
        match (&map.pixels, map.group.as_str()) {
            (MapPixels::Ramp { .. }, _) => {
                let caption = format!("{}; means of public cells", map.caption);
                Ok(vec![self.filled(MapLayer { caption, ..map.clone() }, raster, &[None])?])
            }
            (_, "Change") => OF_CHANGE
                .iter()
                .map(|(group, codes)| of_shares(group, &codes.iter().copied().map(Some).collect::<Vec<_>>()))
                .collect(),
            (_, "Refuges") => Ok(vec![of_shares("Refuges", &[Some(1)])?]),
            (_, group) if ONLY_RASTERS.contains(&group) => Ok(Vec::new()),
            (MapPixels::Classes { .. }, _) if map.kept.members.is_some() => {
                let unit = "share of members".to_string();
                let caption = format!("{}; mean share of public cells", map.caption);
                let blank = MapLayer { unit, caption, pixels: share_ramp(), ..map.clone() };
                Ok(vec![self.filled(blank, raster, &[None])?])
            }
            (MapPixels::Classes { styles, no_data, .. }, _) => {
                let empty = no_data.unwrap_or(u8::MAX);
                let (width, height, codes) = self.most_common(raster, empty)?;
                let caption = format!("{}; most common class of each public cell", map.caption);
                let pixels = MapPixels::Classes { codes, styles: styles.clone(), no_data: Some(empty) };
                Ok(vec![MapLayer { width, height, step: stride(self.grid), caption, pixels, ..map.clone() }])
            }
        }
    }

    /// A map of numbers: the sum of the bands of these classes.
    fn filled(
        &self,
        mut map: MapLayer,
        raster: &PublicRaster,
        codes: &[Option<u8>],
    ) -> Result<MapLayer, EngineError> {
        let wanted = (1..).zip(&raster.codes).filter(|(_, code)| codes.contains(code)).map(|(band, _)| band);
        // of means only the first band is shown
        let wanted: Vec<usize> = if codes == [None] { vec![1] } else { wanted.collect() };
        let mut sum: Option<Vec<f32>> = None;
        for band in wanted {
            let (width, height, values) = self.band(raster, band)?;
            (map.width, map.height, map.step) = (width, height, stride(self.grid));
            sum = Some(match sum {
                None => values,
                Some(sum) => sum.into_iter().zip(values).map(|(a, b)| a + b).collect(),
            });
        }
        if let MapPixels::Ramp { values, .. } = &mut map.pixels {
            // a class that occurs nowhere has no band: its map is left out
            *values = sum.unwrap_or_default();
        }
        Ok(map)
    }

    /// The class with the largest share, the lowest code of equals.
    fn most_common(&self, raster: &PublicRaster, empty: u8) -> Result<(usize, usize, Vec<u8>), EngineError> {
        let mut best: Vec<(f32, u8)> = Vec::new();
        let mut size = (0, 0);
        for (band, code) in (1..).zip(&raster.codes) {
            let Some(code) = code else { continue };
            let (width, height, values) = self.band(raster, band)?;
            size = (width, height);
            best.resize(values.len(), (0.0, empty));
            for (best, share) in best.iter_mut().zip(values) {
                if share > best.0 {
                    *best = (share, *code);
                }
            }
        }
        Ok((size.0, size.1, best.into_iter().map(|(_, code)| code).collect()))
    }

    fn band(&self, raster: &PublicRaster, band: usize) -> Result<(usize, usize, Vec<f32>), EngineError> {
        let source = RasterSource::open(&self.folder.join(&raster.file), band)?;
        let read = |window: &Window| Ok(read_aligned_f32(&source, self.grid, window, Resample::Continuous)?);
        thinned(self.grid, read)
    }
}

fn share_ramp() -> MapPixels {
    MapPixels::Ramp { values: Vec::new(), min: 0.0, max: 1.0, ramp: Ramp::Suitability }
}
