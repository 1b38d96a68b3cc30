//! The monthly water files of a study, and how one tile of them becomes bits.

use crate::dated;
use crate::error::EngineError;
use crate::layers::{Layers, source_of};
use lentic_habitat::water::{BitRows, MonthAxis};
use lentic_raster::{RasterError, RasterSource, Resample, Window, read_aligned_bytes, read_aligned_f32};
use lentic_study::settings::{Layer, WaterContent};
use lentic_study::{Month, Study};
use rayon::prelude::*;
use std::collections::BTreeMap;
use std::path::PathBuf;

/// Stands for no data in masks as they are read; no mask is likely to use it for something else.
const NOT_SEEN: u8 = 201;

/// One image of water: a band of a file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Image {
    /// File.
    pub path: PathBuf,
    /// Band, from 1.
    pub band: usize,
}

/// The images of every month of the axis that has any.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Stack {
    /// Images by position on the axis.
    pub images: BTreeMap<usize, Vec<Image>>,
    /// Files found outside the axis, left alone.
    pub outside: usize,
}

impl Stack {
    /// Finds the files of a water history.
    ///
    /// # Errors
    /// A pattern that matches nothing, or the same date twice.
    pub fn find(study: &Study, layer: &Layer, axis: &MonthAxis) -> Result<Self, EngineError> {
        let mut stack = Stack { images: BTreeMap::new(), outside: 0 };
        for file in dated::files(study, layer)? {
            let mut inside = false;
            let bands = match file.month {
                Some(month) => vec![(month, layer.band)],
                None => (1..=12).map(|month| (month, month as usize)).collect(),
            };
            for (month, band) in bands {
                let at = Month::new(file.year, month).and_then(|month| axis.position(month));
                if let Some(at) = at {
                    inside = true;
                    let images = stack.images.entry(at).or_default();
                    images.push(Image { path: file.path.clone(), band });
                }
            }
            stack.outside += usize::from(!inside);
        }
        Ok(stack)
    }

    /// Months of the axis without any image.
    pub fn months_without(&self, axis: &MonthAxis) -> Vec<Month> {
        let missing = axis.months().enumerate().filter(|(at, _)| !self.images.contains_key(at));
        missing.map(|(_, month)| month).collect()
    }

    /// Every file once, in order.
    pub fn files(&self) -> Vec<PathBuf> {
        let mut files: Vec<PathBuf> =
            self.images.values().flatten().map(|image| image.path.clone()).collect();
        files.sort();
        files.dedup();
        files
    }

    /// Opens every image once; the sources hold no file open and serve all tiles.
    ///
    /// # Errors
    /// A file that cannot be opened.
    pub fn open(&self, layer: &Layer) -> Result<OpenStack, EngineError> {
        let months: Vec<(&usize, &Vec<Image>)> = self.images.iter().collect();
        let opened = months.into_par_iter().map(|(at, images)| {
            let sources = images.iter().map(|image| source_of(layer, &image.path, image.band));
            Ok((*at, sources.collect::<Result<Vec<_>, RasterError>>()?))
        });
        Ok(OpenStack { months: opened.collect::<Result<Vec<_>, RasterError>>()? })
    }
}

/// The images of a stack, opened, by position on the axis.
pub struct OpenStack {
    months: Vec<(usize, Vec<RasterSource>)>,
}

impl OpenStack {
    /// Reads one tile: every month of every cell.
    ///
    /// # Errors
    /// A file that cannot be read, or a value that is not a state of water.
    pub fn read(
        &self,
        layers: &Layers,
        layer: &Layer,
        axis: &MonthAxis,
        window: Window,
    ) -> Result<BitRows, EngineError> {
        let mut rows = BitRows::new(axis, window.len());
        // votes of a month with several images: how many saw the cell, how many saw water
        let mut votes: Vec<(u16, u16)> = Vec::new();
        // a byte of eight months for each cell, eight times: what is written month by month into rows of cells finds no cache
        let mut seen: [Vec<u8>; 8] = std::array::from_fn(|_| vec![0; window.len()]);
        let mut wet = seen.clone();
        let mut months = self.months.iter().peekable();
        while let Some((at, images)) = months.next() {
            let (seen_eight, wet_eight) = (&mut seen[at % 64 / 8], &mut wet[at % 64 / 8]);
            if let [image] = &images[..] {
                let month = Month8 { bit: at % 8, seen: seen_eight, wet: wet_eight };
                states(layers, layer, image, window, month)?;
            } else {
                votes.clear();
                votes.resize(window.len(), (0, 0));
                for image in images {
                    states(layers, layer, image, window, Votes(&mut votes))?;
                }
                for (cell, (voters, with_water)) in votes.iter().enumerate().filter(|(_, v)| v.0 > 0) {
                    seen_eight[cell] |= 1 << (at % 8);
                    wet_eight[cell] |= u8::from(2 * with_water >= *voters) << (at % 8);
                }
            }
            if months.peek().is_none_or(|(next, _)| next / 64 != at / 64) {
                let word_of = |bytes: &[Vec<u8>; 8], cell: usize| {
                    u64::from_le_bytes(std::array::from_fn(|eight| bytes[eight][cell]))
                };
                for cell in 0..window.len() {
                    rows.set_word(cell, at / 64, word_of(&seen, cell), word_of(&wet, cell));
                }
                seen.iter_mut().chain(&mut wet).for_each(|bytes| bytes.fill(0));
            }
        }
        Ok(rows)
    }
}

/// Takes what an image shows of the cells of a window.
trait See {
    /// A cell is wet or dry.
    fn see(&mut self, cell: usize, wet: bool);

    /// All cells of a mask of 0, 1 and what was not seen.
    fn see_all(&mut self, codes: &[u8]) {
        for (cell, code) in codes.iter().enumerate().filter(|(_, code)| **code <= 1) {
            self.see(cell, *code == 1);
        }
    }
}

/// One of eight months: a bit of the bytes of the cells.
struct Month8<'a> {
    bit: usize,
    seen: &'a mut [u8],
    wet: &'a mut [u8],
}

impl See for Month8<'_> {
    fn see(&mut self, cell: usize, wet: bool) {
        self.seen[cell] |= 1 << self.bit;
        self.wet[cell] |= u8::from(wet) << self.bit;
    }

    fn see_all(&mut self, codes: &[u8]) {
        let one = 1u8 << self.bit;
        for ((seen, wet), code) in self.seen.iter_mut().zip(&mut *self.wet).zip(codes) {
            *seen |= if *code <= 1 { one } else { 0 };
            *wet |= if *code == 1 { one } else { 0 };
        }
    }
}

/// Votes of several images: how many saw a cell, how many saw water.
struct Votes<'a>(&'a mut [(u16, u16)]);

impl See for Votes<'_> {
    fn see(&mut self, cell: usize, wet: bool) {
        self.0[cell].0 += 1;
        self.0[cell].1 += u16::from(wet);
    }
}

/// Takes nothing.
struct Nothing;

impl See for Nothing {
    fn see(&mut self, _: usize, _: bool) {}
}

impl Stack {
    /// Reads a window of one image only to see whether it can be read.
    ///
    /// # Errors
    /// A file that cannot be read, or a value that is not a state of water.
    pub fn probe(
        layers: &Layers,
        layer: &Layer,
        source: &RasterSource,
        window: Window,
    ) -> Result<(), EngineError> {
        states(layers, layer, source, window, Nothing)
    }
}

/// Gives every cell of the window that an image shows wet or dry.
fn states(
    layers: &Layers,
    layer: &Layer,
    source: &RasterSource,
    window: Window,
    mut to: impl See,
) -> Result<(), EngineError> {
    let hidden = |value: f64| layer.unobserved.contains(&value);
    if layer.holds == WaterContent::Mask {
        let codes = read_aligned_bytes(source, layers.grid, &window, NOT_SEEN)?;
        // nothing but the plain codes, as nearly always: without a look at each
        if !hidden(0.0)
            && !hidden(1.0)
            && !codes.iter().fold(false, |odd, code| odd | (*code > 1 && *code != NOT_SEEN))
        {
            to.see_all(&codes);
            return Ok(());
        }
        for (cell, code) in codes.into_iter().enumerate() {
            match code {
                0 | 1 if !hidden(f64::from(code)) => to.see(cell, code == 1),
                NOT_SEEN => {}
                other if hidden(f64::from(other)) => {}
                other => {
                    return Err(EngineError::Value {
                        layer: layer.name.clone(),
                        file: source.path().to_path_buf(),
                        found: format!("the value {other} occurs"),
                        expected: format!(
                            "a water mask holds 1 (wet), 0 (dry) and no data (not seen); declare other codes as `unobserved = [{other}]`, or say what the \
                             files hold with `holds`"
                        ),
                    });
                }
            }
        }
        return Ok(());
    }
    let values = read_aligned_f32(source, layers.grid, &window, Resample::Continuous)?;
    for (cell, value) in values.into_iter().map(f64::from).enumerate() {
        if value.is_nan() || hidden(value) {
            continue;
        }
        match layer.holds {
            WaterContent::Fraction if !(-1e-6..=1.0 + 1e-6).contains(&value) => {
                return Err(EngineError::Value {
                    layer: layer.name.clone(),
                    file: source.path().to_path_buf(),
                    found: format!("the value {value} occurs"),
                    expected: "a water fraction lies between 0 and 1; use `scale` if the file holds percent"
                        .into(),
                });
            }
            WaterContent::Fraction => to.see(cell, value >= layer.wet_at),
            _ => to.see(cell, value > layer.wet_at),
        }
    }
    Ok(())
}
