//! The mask of one scene: index, threshold, mask, each in a pass over windows, so that memory does not grow with the
//! grid.

use super::find::Scene;
use super::record::SceneRecord;
use super::{Context, DRY, NOT_SEEN, WET};
use crate::error::EngineError;
use crate::stop;
use lentic_numerics::otsu::{Histogram, normalised_difference};
use lentic_raster::{
    ClassBand, CogData, CogSpec, NO_CLASS, RasterSource, Resample, Scratch, Window, read_aligned_class,
    read_aligned_f32, write_cog,
};
use lentic_study::scenes::settings::{Band, Formula};
use rayon::prelude::*;
use std::path::Path;

/// Cells of a scene, by what is known of them.
#[derive(Clone, Copy, Debug, Default)]
struct Counts {
    /// In the study area.
    inside: u64,
    /// Of those: with an index.
    covered: u64,
    /// Of those: not taken out by quality.
    clear: u64,
    /// Of those: wet.
    wet: u64,
    /// Clear and dry, but under plants that hide water.
    hidden: u64,
}

impl std::ops::Add for Counts {
    type Output = Counts;

    fn add(self, other: Counts) -> Counts {
        Counts {
            inside: self.inside + other.inside,
            covered: self.covered + other.covered,
            clear: self.clear + other.clear,
            wet: self.wet + other.wet,
            hidden: self.hidden + other.hidden,
        }
    }
}

/// Makes the mask of a scene, the `at`th, and tells how it came out.
pub(super) fn make(
    context: &Context<'_>,
    scene: &Scene,
    at: usize,
    path: &Path,
) -> Result<SceneRecord, EngineError> {
    let bands = scene.files.iter().zip(&context.settings.bands);
    let sources: Vec<RasterSource> = bands
        .map(|(file, band)| Ok(RasterSource::open(file, band.number)?.with_no_data(&band.no_data)))
        .collect::<Result<_, EngineError>>()?;
    let values = Scratch::<f32>::create(&context.work.join(format!("index-{at}")), &context.grid)?;
    let (counts, range) = index_pass(context, &sources, &values)?;
    let (threshold, how) = threshold(context, &values, range)?;
    let mask = Scratch::<u8>::create(&context.work.join(format!("mask-{at}")), &context.grid)?;
    let counts = counts + mask_pass(context, &values, &mask, threshold)?;
    write(context, path, &mask, format!("Surface water, {}", scene.date()))?;
    // a scene is read once
    lentic_raster::close_opened();
    for file in [values.path(), mask.path()] {
        // the whole work folder goes at the end
        let _ = std::fs::remove_file(file);
    }
    let share = |part: u64, whole: u64| if whole == 0 { None } else { Some(part as f64 / whole as f64) };
    let mut flags = Vec::new();
    if counts.covered == 0 {
        flags.push("no data within the grid".to_string());
    } else if counts.clear == 0 {
        flags.push("nothing clear".to_string());
    } else if how == How::Guard {
        flags.push("not two-humped, fixed threshold used".to_string());
    }
    Ok(SceneRecord {
        threshold: (counts.clear > 0).then_some(threshold),
        how: how.word().to_string(),
        share_covered: share(counts.covered, counts.inside),
        share_clear: share(counts.clear, counts.inside),
        share_wet: share(counts.wet, counts.clear),
        share_hidden: share(counts.hidden, counts.clear),
        flags,
        ..SceneRecord::default()
    })
}

/// Where a threshold comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum How {
    Fixed,
    Otsu,
    Guard,
}

impl How {
    fn word(self) -> &'static str {
        match self {
            How::Fixed => "fixed",
            How::Otsu => "otsu",
            How::Guard => "fixed, not two-humped",
        }
    }
}

/// First pass: the index where it is seen, NaN elsewhere; counts, and the least and greatest value.
fn index_pass(
    context: &Context<'_>,
    sources: &[RasterSource],
    values: &Scratch<f32>,
) -> Result<(Counts, (f64, f64)), EngineError> {
    let none = (Counts::default(), (f64::INFINITY, f64::NEG_INFINITY));
    let join =
        |a: (Counts, (f64, f64)), b: (Counts, (f64, f64))| (a.0 + b.0, (a.1.0.min(b.1.0), a.1.1.max(b.1.1)));
    // counts and extremes: the order of tiles does not matter
    context
        .tiles
        .par_iter()
        .map(|window| {
            stop::unless_asked()?;
            let mut counts = Counts::default();
            let mut range = none.1;
            let mut cells = index(context, sources, window)?;
            let inside = context.inside(window)?;
            let unseen = unseen(context, sources, window)?;
            for (at, cell) in cells.iter_mut().enumerate() {
                counts.inside += u64::from(inside[at]);
                if !inside[at] || cell.is_nan() {
                    *cell = f32::NAN;
                    continue;
                }
                counts.covered += 1;
                if unseen.as_ref().is_some_and(|unseen| unseen[at]) {
                    *cell = f32::NAN;
                    continue;
                }
                counts.clear += 1;
                let value = f64::from(*cell);
                range = (range.0.min(value), range.1.max(value));
            }
            values.write(window, &cells)?;
            Ok::<_, EngineError>((counts, range))
        })
        .try_reduce(|| none, |a, b| Ok(join(a, b)))
}

/// The index of a window, NaN where a band has no data or the formula no answer.
fn index(context: &Context<'_>, sources: &[RasterSource], window: &Window) -> Result<Vec<f32>, EngineError> {
    let read = |at: usize| read_aligned_f32(&sources[at], &context.grid, window, Resample::Continuous);
    let (first, second) = (read(0)?, read(1)?);
    let [a, b, ..] = &context.settings.bands[..] else { return Ok(vec![f32::NAN; window.len()]) };
    let formula = context.settings.index.formula;
    let value = |(x, y): (f32, f32)| formula_of(formula, scaled(a, x), scaled(b, y)) as f32;
    Ok(first.into_iter().zip(second).map(value).collect())
}

fn scaled(band: &Band, value: f32) -> f64 {
    f64::from(value) * band.scale + band.offset
}

/// Reflectance may come out a little below 0 over dark water; where that makes a sum or a divisor that is not above
/// 0 there is no answer, and a difference is held between -1 and 1 (ours).
fn formula_of(formula: Formula, a: f64, b: f64) -> f64 {
    match formula {
        Formula::Difference if a + b > 0.0 => normalised_difference(a, b).clamp(-1.0, 1.0),
        Formula::Ratio if b > 0.0 => a / b,
        _ => f64::NAN,
    }
}

/// Where quality says that a cell is not seen; `None` without a quality band.
fn unseen(
    context: &Context<'_>,
    sources: &[RasterSource],
    window: &Window,
) -> Result<Option<Vec<bool>>, EngineError> {
    let Some(source) = sources.get(2) else { return Ok(None) };
    let rules = &context.settings.rules;
    let codes = read_aligned_class(source, &context.grid, window)?;
    let meets = |code: i32| code == NO_CLASS || rules.iter().any(|rule| rule.meets(code));
    Ok(Some(codes.into_iter().map(meets).collect()))
}

/// Second pass: Otsu's threshold where it is asked for and the values have two humps, else the fixed one.
fn threshold(
    context: &Context<'_>,
    values: &Scratch<f32>,
    (least, greatest): (f64, f64),
) -> Result<(f64, How), EngineError> {
    let index = &context.settings.index;
    if !index.otsu {
        return Ok((index.fixed, How::Fixed));
    }
    let Some(empty) = Histogram::between(least, greatest) else { return Ok((index.fixed, How::Guard)) };
    let histogram = context
        .tiles
        .par_iter()
        .map(|window| {
            stop::unless_asked()?;
            let mut histogram = empty.clone();
            for value in values.read(window)? {
                histogram.add(f64::from(value));
            }
            Ok::<_, EngineError>(histogram)
        })
        .try_reduce(
            || empty.clone(),
            |mut a, b| {
                a.merge(&b);
                Ok(a)
            },
        )?;
    Ok(match histogram.threshold() {
        Some(found) if found.two_humps => (found.clear, How::Otsu),
        _ => (index.fixed, How::Guard),
    })
}

/// Third pass: wet above the threshold.
fn mask_pass(
    context: &Context<'_>,
    values: &Scratch<f32>,
    mask: &Scratch<u8>,
    threshold: f64,
) -> Result<Counts, EngineError> {
    let hidden = context.settings.hidden.as_ref();
    let classes = hidden.map(|hidden| RasterSource::open(&hidden.file, hidden.band)).transpose()?;
    context
        .tiles
        .par_iter()
        .map(|window| {
            stop::unless_asked()?;
            let mut counts = Counts::default();
            let classes = match &classes {
                Some(source) => Some(read_aligned_class(source, &context.grid, window)?),
                None => None,
            };
            let hides = |at: usize| match (&classes, hidden) {
                (Some(classes), Some(hidden)) => hidden.codes.contains(&classes[at]),
                _ => false,
            };
            let mut cells = vec![NOT_SEEN; window.len()];
            for (at, value) in values.read(window)?.into_iter().enumerate().filter(|(_, v)| !v.is_nan()) {
                if f64::from(value) > threshold {
                    counts.wet += 1;
                    cells[at] = WET;
                } else if hides(at) {
                    counts.hidden += 1;
                } else {
                    cells[at] = DRY;
                }
            }
            mask.write(window, &cells)?;
            context.progress.advance(window.len() as u64);
            Ok::<_, EngineError>(counts)
        })
        .try_reduce(Counts::default, |a, b| Ok(a + b))
}

/// Writes a mask as a cloud-optimised GeoTIFF.
pub(super) fn write(
    context: &Context<'_>,
    path: &Path,
    mask: &Scratch<u8>,
    title: String,
) -> Result<(), EngineError> {
    let classes = lentic_report::water_classes();
    let colour = |name: &str| {
        let found = classes.iter().find(|class| class.name == name).map_or([0; 3], |class| class.colour.0);
        [found[0], found[1], found[2], 255]
    };
    let band = ClassBand {
        cells: mask,
        description: "surface water".into(),
        no_data: Some(NOT_SEEN),
        colours: vec![(DRY, colour("Dry")), (WET, colour("Wet"))],
        names: vec![(DRY, "dry".into()), (WET, "wet".into())],
    };
    let spec = CogSpec { title, metadata: Vec::new(), threads: 1 };
    write_cog(path, &context.grid, &spec, &CogData::Classes(band))?;
    Ok(())
}
