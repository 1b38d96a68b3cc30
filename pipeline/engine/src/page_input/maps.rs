//! The maps of the page, thinned to the size of a screen.

use super::title;
use crate::costs::Costs;
use crate::costs::refuges::Refuges;
use crate::error::EngineError;
use crate::ranges::Ranges;
use crate::stages::response::ResponseProducts;
use crate::stages::scenarios::{Case, CaseWater};
use crate::stages::suitability::SuitabilityProducts;
use crate::stages::water::WaterProducts;
use crate::tables::costs::{margin_classes, refuge_classes};
use crate::tables::limit_classes;
use crate::tables::over_time::classes as year_classes;
use crate::tables::ranges::{NO_AGREEMENT, agreement_classes};
use lentic_raster::{Grid, Scratch, ScratchCell, Window};
use lentic_report::{
    ClassStyle, KeptCells, MapLayer, MapPixels, Ramp, change_classes, not_assessed_classes,
    permanence_classes,
};
use lentic_study::Study;

/// Pixels on the longer side of a map.
const LONGEST: usize = 1000;

/// Cells of a grid along a side of a pixel of its maps.
pub fn stride(grid: &Grid) -> usize {
    grid.rows.max(grid.cols).div_ceil(LONGEST)
}

/// Every n-th cell of every n-th row, so that a map fits a screen: columns, rows and cells. `read` gives a row of the grid.
///
/// # Errors
/// What `read` meets.
pub fn thinned<T>(
    grid: &Grid,
    read: impl Fn(&Window) -> Result<Vec<T>, EngineError>,
) -> Result<(usize, usize, Vec<T>), EngineError> {
    let step = stride(grid);
    let mut values = Vec::new();
    let mut height = 0;
    for row in (step / 2..grid.rows).step_by(step) {
        let cells = read(&Window { row, col: 0, rows: 1, cols: grid.cols })?;
        values.extend(cells.into_iter().skip(step / 2).step_by(step));
        height += 1;
    }
    Ok((values.len() / height.max(1), height, values))
}

/// The raster of the run that a map is of, which bears its group's name.
fn kept(group: &str, case: Option<&Case>) -> KeptCells {
    let name = group.to_lowercase().replace(' ', "_");
    let of = case.map_or_else(String::new, |case| format!("_{}", case.name));
    KeptCells { file: format!("rasters/{name}{of}.tif"), members: None }
}

/// Maps, thinned to the size of a screen.
pub struct Maps<'a> {
    /// The study.
    pub study: &'a Study,
    /// The grid of the study.
    pub grid: &'a Grid,
    /// Cases, the baseline first.
    pub cases: &'a [Case<'a>],
}

impl Maps<'_> {
    /// All maps in the order offered.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn all(
        &self,
        water: &WaterProducts,
        response: &ResponseProducts,
        case_water: &[CaseWater],
        products: &SuitabilityProducts,
    ) -> Result<Vec<MapLayer>, EngineError> {
        let mut maps = Vec::new();
        for (at, case) in self.cases.iter().enumerate() {
            let caption = format!("Suitability from 0 to 1, {}", title(case));
            maps.push(self.ramp(
                "Suitability",
                case,
                &products.suitability[at],
                "",
                (0.0, 1.0),
                Ramp::Suitability,
                caption,
            )?);
        }
        for (at, case) in self.cases.iter().enumerate().skip(1) {
            let caption = format!("What becomes of today's habitat, {}", title(case));
            maps.push(self.classes("Change", Some(case), &products.change[at], change_classes(), caption)?);
        }
        for (at, case) in self.cases.iter().enumerate() {
            let caption = format!("What limits the suitability, {}", title(case));
            let styles = limit_classes(self.study);
            maps.push(self.classes(
                "Limiting factor",
                Some(case),
                &products.limiting[at],
                styles,
                caption,
            )?);
        }
        for (at, case) in self.cases.iter().enumerate() {
            let caption = format!("Expected hydroperiod, {}", title(case));
            maps.push(self.ramp(
                "Hydroperiod",
                case,
                &case_water[at].hydroperiod,
                "months per year",
                (0.0, 12.0),
                Ramp::Hydroperiod,
                caption,
            )?);
        }
        maps.push(self.record(
            "Observed hydroperiod",
            "hydroperiod_observed",
            &water.hydroperiod,
            "months per year",
            (0.0, 12.0),
            Ramp::Hydroperiod,
        )?);
        maps.push(self.record(
            "Water trend",
            "water_trend",
            &water.slope,
            "months per decade",
            (-3.0, 3.0),
            Ramp::Trend,
        )?);
        maps.push(self.record(
            "Fit of the response",
            "response_quality",
            &response.brier_saved,
            "share of the calendar's error saved",
            (0.0, 1.0),
            Ramp::Suitability,
        )?);
        maps.push(self.classes(
            "Permanence",
            None,
            &water.permanence,
            permanence_classes(),
            "Permanence of water by observed hydroperiod".into(),
        )?);
        maps.push(self.classes(
            "Not assessed",
            None,
            &products.reason,
            not_assessed_classes(),
            "Cells not assessed, and why".into(),
        )?);
        Ok(maps)
    }

    /// Drying margin, time of loss and refuges, where they were found.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn costs(&self, costs: &Costs, refuges: Option<&Refuges>) -> Result<Vec<MapLayer>, EngineError> {
        let mut maps = Vec::new();
        if let (Some(drying), Some(ladder)) = (&self.study.drying_ladder, &costs.ladder) {
            let caption = format!("First step of {} at which today's habitat is none", drying.in_words());
            maps.push(self.classes(
                "Drying margin",
                None,
                &ladder.margin,
                margin_classes(drying),
                caption,
            )?);
        }
        for (case, (years, way)) in &costs.ways {
            let case = &self.cases[*case];
            let caption = format!("When today's habitat is lost, {}", title(case));
            maps.push(self.classes("Time of loss", Some(case), &way.margin, year_classes(years), caption)?);
        }
        if let Some(refuges) = refuges {
            let caption = "Habitat today and in every scenario".to_string();
            maps.push(self.classes("Refuges", None, &refuges.cells, refuge_classes(), caption)?);
        }
        Ok(maps)
    }

    /// How many members call a cell habitat, case by case.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn agreement(&self, ranges: &Ranges) -> Result<Vec<MapLayer>, EngineError> {
        let caption = |case: &Case| {
            format!("How many of {} members call a place habitat: {}", ranges.members, title(case))
        };
        let map = |(case, cells): (&Case, &Scratch<u8>)| {
            let mut map = self.classes("Agreement", Some(case), cells, agreement_classes(), caption(case))?;
            if let MapPixels::Classes { no_data, .. } = &mut map.pixels {
                *no_data = Some(NO_AGREEMENT);
            }
            map.kept = KeptCells {
                file: format!("rasters/habitat_share_{}.tif", case.name),
                members: Some(ranges.members),
            };
            Ok(map)
        };
        self.cases.iter().zip(&ranges.agreement).map(map).collect()
    }

    /// Cells of the grid along a side of a pixel.
    pub fn stride(&self) -> usize {
        stride(self.grid)
    }

    fn thinned<T: ScratchCell>(&self, scratch: &Scratch<T>) -> Result<(usize, usize, Vec<T>), EngineError> {
        thinned(self.grid, |row| Ok(scratch.read(row)?))
    }

    /// A map of numbers of one case.
    ///
    /// # Errors
    /// When the disk refuses.
    #[allow(clippy::too_many_arguments)]
    pub fn ramp(
        &self,
        group: &str,
        case: &Case,
        scratch: &Scratch<f32>,
        unit: &str,
        (min, max): (f32, f32),
        ramp: Ramp,
        caption: String,
    ) -> Result<MapLayer, EngineError> {
        let (width, height, values) = self.thinned(scratch)?;
        Ok(MapLayer {
            id: format!("{}-{}", group.to_lowercase(), case.name),
            title: format!("{group}: {}", title(case)),
            group: group.into(),
            scenario: Some(title(case)),
            unit: unit.into(),
            caption,
            width,
            height,
            step: self.stride(),
            kept: kept(group, Some(case)),
            pixels: MapPixels::Ramp { values, min, max, ramp },
        })
    }

    #[allow(clippy::too_many_arguments)]
    fn record(
        &self,
        name: &str,
        file: &str,
        scratch: &Scratch<f32>,
        unit: &str,
        (min, max): (f32, f32),
        ramp: Ramp,
    ) -> Result<MapLayer, EngineError> {
        let (width, height, values) = self.thinned(scratch)?;
        Ok(MapLayer {
            id: name.to_lowercase().replace(' ', "-"),
            title: name.into(),
            group: name.into(),
            scenario: None,
            unit: unit.into(),
            caption: format!("{name}, {unit}, over the baseline months"),
            width,
            height,
            step: self.stride(),
            kept: kept(file, None),
            pixels: MapPixels::Ramp { values, min, max, ramp },
        })
    }

    fn classes(
        &self,
        group: &str,
        case: Option<&Case>,
        scratch: &Scratch<u8>,
        styles: Vec<ClassStyle>,
        caption: String,
    ) -> Result<MapLayer, EngineError> {
        let (width, height, codes) = self.thinned(scratch)?;
        let suffix = case.map_or_else(String::new, |c| format!("-{}", c.name));
        Ok(MapLayer {
            id: format!("{}{suffix}", group.to_lowercase().replace(' ', "-")),
            title: case.map_or_else(|| group.to_string(), |c| format!("{group}: {}", title(c))),
            group: group.into(),
            scenario: case.map(title),
            unit: String::new(),
            caption,
            width,
            height,
            step: self.stride(),
            kept: kept(group, case),
            pixels: MapPixels::Classes { codes, styles, no_data: Some(255) },
        })
    }
}
