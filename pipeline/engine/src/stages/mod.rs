//! The stages of a run. Each works tile by tile and leaves its cells in flat files over the grid.

pub mod connection;
pub mod curves;
pub mod levels;
pub mod patches;
pub mod response;
pub mod scenarios;
pub mod suitability;
pub mod volume;
pub mod water;
pub mod what_if;
pub mod yearly;

use crate::blob::TileFiles;
use crate::climates::Climates;
use crate::error::EngineError;
use crate::layers::Layers;
use crate::progress::Progress;
use crate::reuse::{Leaves, Step, Store, Working};
use crate::stop;
use lentic_habitat::water::{Masks, MonthAxis};
use lentic_raster::{CellAreas, Grid, Scratch, Window};
use lentic_study::Study;
use lentic_study::settings::Scenario;
use rayon::prelude::*;
use serde::Serialize;
use serde::de::DeserializeOwned;
use std::path::{Path, PathBuf};
use std::sync::LazyLock;

/// What every stage needs.
pub struct Context<'a> {
    /// The study.
    pub study: &'a Study,
    /// The grid.
    pub grid: &'a Grid,
    /// Areas of its cells.
    pub areas: CellAreas,
    /// Its layers.
    pub layers: Layers<'a>,
    /// Its climates.
    pub climates: &'a Climates,
    /// Baseline months.
    pub axis: MonthAxis,
    /// Masks over them.
    pub masks: Masks,
    /// Tiles, in reading order.
    pub tiles: Vec<Window>,
    /// Folder of intermediate files.
    pub work: PathBuf,
    /// Per-tile files.
    pub files: TileFiles,
    /// Listener.
    pub progress: &'a dyn Progress,
    /// What is kept of the steps.
    pub store: &'a Store,
}

impl<'a> Context<'a> {
    /// The context of a run whose intermediate files go to `work`.
    ///
    /// # Errors
    /// When the areas of cells cannot be found.
    pub fn new(
        study: &'a Study,
        grid: &'a Grid,
        climates: &'a Climates,
        tile: usize,
        work: &Path,
        progress: &'a dyn Progress,
    ) -> Result<Self, EngineError> {
        let (first, last) = study.period.baseline;
        let axis = MonthAxis::new(first, last);
        Ok(Context {
            study,
            grid,
            areas: CellAreas::new(grid)?,
            layers: Layers { study, grid },
            climates,
            axis,
            masks: Masks::new(&axis),
            tiles: lentic_raster::tiles(grid, tile),
            work: work.to_path_buf(),
            files: TileFiles::new(work),
            progress,
            store: nothing_kept(),
        })
    }

    /// A flat file of f32 cells.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn floats(&self, name: &str) -> Result<Scratch<f32>, EngineError> {
        Ok(Scratch::create(&self.work.join(format!("{name}.f32")), self.grid)?)
    }

    /// A flat file of bytes.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn bytes(&self, name: &str) -> Result<Scratch<u8>, EngineError> {
        Ok(Scratch::create(&self.work.join(format!("{name}.u8")), self.grid)?)
    }

    /// A flat file of u32 cells.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn words(&self, name: &str) -> Result<Scratch<u32>, EngineError> {
        Ok(Scratch::create(&self.work.join(format!("{name}.u32")), self.grid)?)
    }

    /// Begins a step that is kept, over so many windows; `scenario` is that of [`Step::Scenario`].
    pub fn step(&self, step: Step, scenario: Option<&Scenario>, windows: usize) -> Working<'a> {
        self.store.step(
            step,
            scenario,
            windows,
            self.store.ingredients(self.study, self.climates, step, scenario),
        )
    }

    /// A step on every tile: what it gives, in tile order, and what it `leaves` are taken from the store where they are there, and
    /// kept where they are not.
    ///
    /// # Errors
    /// The first error in tile order, or that of [`Working::finish`].
    pub fn over_kept<'l, T: Serialize + DeserializeOwned + Send>(
        &self,
        step: Step,
        leaves: &(dyn Fn(usize) -> Leaves<'l> + Sync),
        work: impl Fn(usize, Window) -> Result<T, EngineError> + Sync,
    ) -> Result<Vec<T>, EngineError> {
        let working = self.step(step, None, self.tiles.len());
        let found = self.over_own(&working, &self.tiles, |at, window| {
            working.window(at, &window, &leaves(at), || work(at, window))
        })?;
        working.finish()?;
        Ok(found)
    }

    /// A step that is small: what it gives is taken from the store where it is there, and kept where it is not.
    ///
    /// # Errors
    /// Those of `work`, or that of [`Working::finish`].
    pub fn small_kept<T: Serialize + DeserializeOwned>(
        &self,
        step: Step,
        work: impl FnOnce() -> Result<T, EngineError>,
    ) -> Result<T, EngineError> {
        let working = self.step(step, None, 1);
        let found = working.window(0, &Window::whole(self.grid), &Leaves::default(), work)?;
        working.finish()?;
        Ok(found)
    }

    /// Runs `work` on the windows that are this machine's to work on: all of them, or those of its share.
    ///
    /// # Errors
    /// The first error in the order of the windows.
    pub fn over_own<T: Send>(
        &self,
        working: &Working,
        windows: &[Window],
        work: impl Fn(usize, Window) -> Result<T, EngineError> + Sync,
    ) -> Result<Vec<T>, EngineError> {
        let parts: Vec<(usize, Window)> = windows.iter().copied().enumerate().collect();
        self.over_parts(working, &parts, work)
    }

    /// As [`Self::over_own`], on some of a step's parts: each by its number, with its window.
    ///
    /// # Errors
    /// The first error in the order of the parts.
    pub fn over_parts<T: Send>(
        &self,
        working: &Working,
        parts: &[(usize, Window)],
        work: impl Fn(usize, Window) -> Result<T, EngineError> + Sync,
    ) -> Result<Vec<T>, EngineError> {
        let own = working.own();
        let (numbers, windows): (Vec<usize>, Vec<Window>) =
            parts.iter().filter(|(part, _)| own.contains(part)).copied().unzip();
        self.over_windows(working.title(), &windows, |at, window| work(numbers[at], window))
    }

    /// Runs `work` on every tile, in parallel, and returns the results in tile order. The stage is
    /// announced and its cells counted.
    ///
    /// # Errors
    /// The first error in tile order.
    pub fn over_tiles<T: Send>(
        &self,
        stage: &str,
        work: impl Fn(usize, Window) -> Result<T, EngineError> + Sync,
    ) -> Result<Vec<T>, EngineError> {
        self.over_windows(stage, &self.tiles, work)
    }

    /// As [`Self::over_tiles`], on windows of one's own.
    ///
    /// # Errors
    /// The first error in the order of the windows.
    pub fn over_windows<T: Send>(
        &self,
        stage: &str,
        windows: &[Window],
        work: impl Fn(usize, Window) -> Result<T, EngineError> + Sync,
    ) -> Result<Vec<T>, EngineError> {
        self.progress.start(stage, windows.iter().map(|window| window.len() as u64).sum());
        let done: Vec<Result<T, EngineError>> = windows
            .par_iter()
            .enumerate()
            .map(|(at, window)| {
                let result = stop::unless_asked().and_then(|()| work(at, *window));
                self.progress.advance(window.len() as u64);
                result
            })
            .collect();
        self.progress.finish();
        done.into_iter().collect()
    }
}

/// For what keeps nothing of its steps.
fn nothing_kept() -> &'static Store {
    static NOTHING: LazyLock<Store> = LazyLock::new(Store::nothing);
    &NOTHING
}

/// Rows of a band.
const BAND_ROWS: usize = 256;

/// Bands of whole rows, top to bottom, for what is worked row by row.
pub fn bands(grid: &Grid) -> impl Iterator<Item = Window> + use<> {
    let (rows, cols) = (grid.rows, grid.cols);
    (0..rows).step_by(BAND_ROWS).map(move |row| Window { row, col: 0, rows: BAND_ROWS.min(rows - row), cols })
}

/// Where each inner cell of a window lies in the whole grid, row by row.
pub fn grid_cells(window: Window) -> impl Iterator<Item = (usize, usize)> {
    (0..window.rows).flat_map(move |r| (0..window.cols).map(move |c| (window.row + r, window.col + c)))
}
