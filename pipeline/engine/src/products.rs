//! The rasters and vectors of a run, written from the flat files of the stages.

mod patches;
mod rasters;

use crate::connection_layers::path_layer;
use crate::costs::Costs;
use crate::costs::ensembles::Ensemble;
use crate::costs::refuges::Refuges;
use crate::editions;
use crate::error::EngineError;
use crate::explain;
use crate::folder::Building;
use crate::ranges::Ranges;
use crate::records::novelty::CaseNovelty;
use crate::run::VERSION;
use crate::stages::connection::CaseConnection;
use crate::stages::patches::CasePatches;
use crate::stages::response::ResponseProducts;
use crate::stages::scenarios::{Case, CaseWater};
use crate::stages::suitability::SuitabilityProducts;
use crate::stages::water::WaterProducts;
use crate::stages::{Context, bands};
use crate::stop;
use lentic_raster::{CogData, CogSpec, FloatBand, PathLayer, Scratch, ScratchCell, write_patches_and_paths};
use rayon::prelude::*;

/// No data in rasters of classes.
const NO_DATA: u8 = 255;

/// What the stages left.
pub struct Stages<'a> {
    /// The run.
    pub context: &'a Context<'a>,
    /// Cases, the baseline first.
    pub cases: &'a [Case<'a>],
    /// Water record.
    pub water: &'a WaterProducts,
    /// Response.
    pub response: &'a ResponseProducts,
    /// Water of the cases.
    pub case_water: &'a [CaseWater],
    /// Suitability and change.
    pub suitability: &'a SuitabilityProducts,
    /// Patches.
    pub patches: &'a [CasePatches],
    /// Connection, where the study asks for it.
    pub connections: Option<&'a [CaseConnection]>,
    /// Novelty of the cases, where there are records.
    pub novelty: &'a [CaseNovelty],
    /// What drying costs.
    pub costs: &'a Costs,
    /// Ranges over members, where the study asks for them.
    pub ranges: Option<&'a Ranges>,
    /// Refuges, where there are scenarios.
    pub refuges: Option<&'a Refuges>,
    /// Ensembles of scenarios.
    pub ensembles: &'a [Ensemble],
}

impl Stages<'_> {
    /// Clears cells outside the study area from the flat files that reach beyond it.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn mask_outside(&self) -> Result<(), EngineError> {
        if self.context.study.grid.area.is_none() {
            return Ok(());
        }
        let water = self.water;
        let floats = [
            &water.hydroperiod,
            &water.frequency,
            &water.recurrence,
            &water.slope,
            &water.p,
            &water.dry_run,
            &water.dry_run_censored,
            &water.half_change,
            &water.wet_spell,
            &water.drying,
            &water.dried,
            &self.response.slope,
            &self.response.slope_sd,
            &self.response.months_per_unit,
            &self.response.brier_saved,
        ];
        let of_cases = self.case_water.iter().flat_map(|w| [&w.hydroperiod, &w.hydroperiod_sd]);
        for scratch in floats.into_iter().chain(of_cases) {
            self.clear(scratch, f32::NAN)?;
        }
        self.clear(&water.permanence, NO_DATA)
    }

    fn clear<T: ScratchCell>(&self, scratch: &Scratch<T>, empty: T) -> Result<(), EngineError> {
        for band in bands(self.context.grid) {
            let inside = self.water.inside.read(&band)?;
            let mut cells = scratch.read(&band)?;
            for (cell, inside) in cells.iter_mut().zip(inside) {
                if inside == 0 {
                    *cell = empty;
                }
            }
            scratch.write(&band, &cells)?;
        }
        Ok(())
    }

    /// Writes all rasters, in parallel, and the patches.
    ///
    /// # Errors
    /// When a file cannot be written.
    pub fn write(&self, building: &Building) -> Result<(), EngineError> {
        building.section("rasters")?;
        let folder = building.run();
        let context = self.context;
        let rasters = self.rasters();
        let metadata = self.metadata();
        context.progress.start("writing rasters", (rasters.len() * context.grid.len()) as u64);
        let written: Vec<Result<(), EngineError>> = rasters
            .par_iter()
            .map(|raster| {
                stop::unless_asked()?;
                let spec = CogSpec { title: raster.title.clone(), metadata: metadata.clone(), threads: 1 };
                let place = (&*folder, &*format!("rasters/{}", raster.file));
                context.store.raster(place, context.grid, &spec, &raster.data)?;
                context.progress.advance(context.grid.len() as u64);
                Ok(())
            })
            .collect();
        context.progress.finish();
        written.into_iter().collect::<Result<(), _>>()?;
        let vectors = building.section("vectors")?;
        let cases = self.cases.iter().zip(self.connections.into_iter().flatten());
        let paths: Vec<PathLayer> =
            cases.map(|(case, found)| path_layer(context.grid, &case.name, found)).collect();
        let file = vectors.join("patches.gpkg");
        write_patches_and_paths(&file, context.grid, &self.patch_layers(), &paths)?;
        Ok(())
    }

    /// Writes what the explanation of a cell reads besides the layers: the water of every case, beyond the study area too, where
    /// distances and shares look. To be called before [`Stages::mask_outside`].
    ///
    /// # Errors
    /// When a file cannot be written.
    pub fn write_cells(&self, building: &Building) -> Result<(), EngineError> {
        building.section(explain::CELLS)?;
        let folder = building.run();
        let written: Vec<Result<(), EngineError>> = self
            .cases
            .par_iter()
            .zip(self.case_water)
            .map(|(case, water)| {
                let band = |cells, description: &str, unit: &str| FloatBand {
                    cells,
                    description: description.into(),
                    unit: unit.into(),
                };
                let mut bands = vec![band(&water.hydroperiod, "hydroperiod", "months per year")];
                bands.extend(water.fall.as_ref().map(|fall| band(fall, "fall of depth", "m")));
                for (variable, cells) in self.context.study.yearly_variables().zip(&water.yearly) {
                    bands.push(band(&cells.measure, &variable.name, variable.measure.unit()));
                    let score = cells.score.as_ref();
                    bands.extend(score.map(|score| band(score, &format!("score of {}", variable.name), "")));
                }
                let spec = CogSpec {
                    title: format!("Water of the cells: {}", case.name),
                    metadata: self.metadata(),
                    threads: 1,
                };
                let within = format!("{}/{}", explain::CELLS, explain::file_of_case(&case.name));
                self.context.store.raster(
                    (&folder, &within),
                    self.context.grid,
                    &spec,
                    &CogData::Floats(bands),
                )
            })
            .collect();
        written.into_iter().collect()
    }

    fn metadata(&self) -> Vec<(String, String)> {
        let study = self.context.study;
        let mut pairs = vec![
            ("study".to_string(), study.name.clone()),
            ("organism".to_string(), study.organism.clone()),
            ("program".to_string(), format!("lentic {VERSION}")),
        ];
        let mark = editions::of_run(&study.publication).mark;
        if !mark.is_empty() {
            pairs.push(("edition".into(), mark));
        }
        if !study.licence.is_empty() {
            pairs.push(("licence".into(), study.licence.clone()));
        }
        pairs
    }
}
