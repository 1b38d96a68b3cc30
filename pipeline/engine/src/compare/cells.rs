//! Cell by cell: habitat in the first run only, in the other only, in both; the difference of suitability.

use super::load::Loaded;
use crate::error::EngineError;
use crate::progress::Progress;
use crate::run::VERSION;
use crate::stages::bands;
use crate::stop;
use lentic_habitat::change::{ha, is_habitat};
use lentic_numerics::exact_sum::ExactSum;
use lentic_raster::{
    CellAreas, ClassBand, CogData, CogSpec, FloatBand, Grid, RasterSource, Resample, Scratch, ScratchCell,
    Window, read_aligned_class, read_aligned_f32, write_cog,
};
use lentic_report::{ClassStyle, compared_classes};
use std::path::Path;

/// Habitat in neither run.
pub const NEITHER: u8 = 0;
/// Habitat in both.
pub const BOTH: u8 = 1;
/// Habitat in the first run only.
pub const FIRST: u8 = 2;
/// Habitat in the other run only.
pub const OTHER: u8 = 3;
/// Not assessed in one of them, or off the study area.
pub const NOT_COMPARED: u8 = 255;
/// The code of `not_assessed.tif` for a cell that was assessed.
const ASSESSED: i32 = 0;
/// Pixels on the longer side of a map of the page.
const LONGEST: usize = 800;

/// A scenario in both runs.
pub struct ScenarioCells {
    /// Its name.
    pub scenario: String,
    /// Square metres by code 0 to 3.
    areas: [ExactSum; 4],
    /// Area off the comparison that one of the runs assessed, square metres: by the first only, by the other only.
    alone: [ExactSum; 2],
    /// Sum of difference times area.
    difference: ExactSum,
    /// Columns of the thinned maps.
    pub width: usize,
    /// Rows of the thinned maps.
    pub height: usize,
    /// Codes, thinned.
    pub codes: Vec<u8>,
    /// Differences of suitability, thinned.
    pub differences: Vec<f32>,
}

impl ScenarioCells {
    /// Hectares by code 0 to 3.
    pub fn ha(&self, code: u8) -> f64 {
        self.areas.get(usize::from(code)).map_or(f64::NAN, ha)
    }

    /// Hectares that only the first run, and only the other, assessed.
    pub fn assessed_alone_ha(&self) -> [f64; 2] {
        [ha(&self.alone[0]), ha(&self.alone[1])]
    }

    /// Habitat of the first run and of the other over the cells that both assessed, hectares.
    pub fn habitat_ha(&self) -> [f64; 2] {
        [self.ha(BOTH) + self.ha(FIRST), self.ha(BOTH) + self.ha(OTHER)]
    }

    /// Mean difference of suitability by area, over the cells that both assessed.
    pub fn mean_difference(&self) -> Option<f64> {
        let area: f64 = self.areas.iter().filter_map(ExactSum::value).sum();
        self.difference.value().filter(|_| area > 0.0).map(|sum| sum / area)
    }
}

/// The layers of a run that are read for a scenario.
struct Layers {
    suitability: RasterSource,
    assessed: RasterSource,
    threshold: f64,
}

impl Layers {
    fn open(run: &Loaded, scenario: &str) -> Result<Layers, EngineError> {
        let rasters = run.folder.join("rasters");
        Ok(Layers {
            suitability: RasterSource::open(&rasters.join(format!("suitability_{scenario}.tif")), 1)?,
            assessed: RasterSource::open(&rasters.join("not_assessed.tif"), 1)?,
            threshold: run.record.study.threshold,
        })
    }

    /// Suitability over a window; NaN where the run did not assess a cell.
    fn read(&self, grid: &Grid, window: &Window) -> Result<Vec<f32>, EngineError> {
        let mut cells = read_aligned_f32(&self.suitability, grid, window, Resample::Continuous)?;
        let assessed = read_aligned_class(&self.assessed, grid, window)?;
        for (cell, code) in cells.iter_mut().zip(assessed) {
            if code != ASSESSED {
                *cell = f32::NAN;
            }
        }
        Ok(cells)
    }
}

/// Compares every scenario that both runs have, and writes two rasters for each, their names ending with `suffix`.
///
/// # Errors
/// A raster that cannot be read, or a disk that refuses.
pub fn compare(
    first: &Loaded,
    other: &Loaded,
    work: &Path,
    (rasters, suffix): (&Path, &str),
    progress: &dyn Progress,
) -> Result<Vec<ScenarioCells>, EngineError> {
    let areas = CellAreas::new(&first.grid)?;
    let mut all = Vec::new();
    for scenario in first.shared(other) {
        let codes: Scratch<u8> = Scratch::create(&work.join("codes.u8"), &first.grid)?;
        let differences: Scratch<f32> = Scratch::create(&work.join("differences.f32"), &first.grid)?;
        let layers = [Layers::open(first, scenario)?, Layers::open(other, scenario)?];
        let mut found = ScenarioCells {
            scenario: scenario.to_string(),
            areas: [ExactSum::default(); 4],
            alone: [ExactSum::default(); 2],
            difference: ExactSum::default(),
            width: 0,
            height: 0,
            codes: Vec::new(),
            differences: Vec::new(),
        };
        for band in bands(&first.grid) {
            stop::unless_asked()?;
            let one = layers[0].read(&first.grid, &band)?;
            let two = layers[1].read(&first.grid, &band)?;
            let mut band_codes = vec![NOT_COMPARED; band.len()];
            let mut band_differences = vec![f32::NAN; band.len()];
            for (at, (a, b)) in one.iter().zip(&two).enumerate() {
                let area = areas.area_m2(band.row + at / band.cols);
                match (a.is_nan(), b.is_nan()) {
                    (true, true) => continue,
                    (false, true) => found.alone[0].add(area),
                    (true, false) => found.alone[1].add(area),
                    (false, false) => {
                        let habitat =
                            (is_habitat(*a, layers[0].threshold), is_habitat(*b, layers[1].threshold));
                        let code = match habitat {
                            (false, false) => NEITHER,
                            (true, true) => BOTH,
                            (true, false) => FIRST,
                            (false, true) => OTHER,
                        };
                        let difference = f64::from(*b) - f64::from(*a);
                        band_codes[at] = code;
                        band_differences[at] = difference as f32;
                        found.areas[usize::from(code)].add(area);
                        found.difference.add(difference * area);
                    }
                }
            }
            codes.write(&band, &band_codes)?;
            differences.write(&band, &band_differences)?;
            progress.advance(band.len() as u64);
        }
        (found.width, found.height, found.codes) = thinned(&first.grid, &codes)?;
        (_, _, found.differences) = thinned(&first.grid, &differences)?;
        write(first, other, scenario, (rasters, suffix), (&codes, &differences))?;
        all.push(found);
    }
    Ok(all)
}

/// Every so many-th cell, for a map on a screen: columns, rows, cells.
fn thinned<T: ScratchCell>(grid: &Grid, cells: &Scratch<T>) -> Result<(usize, usize, Vec<T>), EngineError> {
    let step = grid.rows.max(grid.cols).div_ceil(LONGEST);
    let (mut values, mut height) = (Vec::new(), 0);
    for row in (step / 2..grid.rows).step_by(step) {
        let line = cells.read(&Window { row, col: 0, rows: 1, cols: grid.cols })?;
        values.extend(line.into_iter().skip(step / 2).step_by(step));
        height += 1;
    }
    Ok((values.len() / height.max(1), height, values))
}

fn write(
    first: &Loaded,
    other: &Loaded,
    scenario: &str,
    (rasters, suffix): (&Path, &str),
    (codes, differences): (&Scratch<u8>, &Scratch<f32>),
) -> Result<(), EngineError> {
    let runs = format!(
        "run {} ({}) and run {} ({})",
        first.record.run_id, first.label, other.record.run_id, other.label
    );
    let spec = |title: String| CogSpec {
        title,
        metadata: vec![
            ("study".into(), first.record.study.name.clone()),
            ("runs".into(), runs.clone()),
            ("program".into(), format!("lentic {VERSION}")),
        ],
        threads: 1,
    };
    let styles = compared_classes(first.label, other.label);
    let colour = |style: &ClassStyle| {
        let [red, green, blue] = style.colour.0;
        (style.code, [red, green, blue, 255])
    };
    let classes = CogData::Classes(ClassBand {
        cells: codes,
        description: "habitat in which run".into(),
        no_data: Some(NOT_COMPARED),
        colours: styles.iter().map(colour).collect(),
        names: styles.iter().map(|style| (style.code, style.name.clone())).collect(),
    });
    let title = format!("Habitat of {runs}: {}", first.title(scenario));
    write_cog(
        &rasters.join(format!("habitat_of_runs_{scenario}{suffix}.tif")),
        &first.grid,
        &spec(title),
        &classes,
    )?;
    let floats = CogData::Floats(vec![FloatBand {
        cells: differences,
        description: format!("difference of suitability, {} minus {}", other.label, first.label),
        unit: "-1 to 1".into(),
    }]);
    let title = format!("Suitability of {runs}, the second minus the first: {}", first.title(scenario));
    let file = format!("suitability_difference_{scenario}{suffix}.tif");
    write_cog(&rasters.join(file), &first.grid, &spec(title), &floats)?;
    Ok(())
}
