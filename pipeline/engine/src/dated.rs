//! Files with dates in their names: found in a folder, or asked of a server month by month, which lists nothing.

use crate::error::EngineError;
use lentic_raster::{DatedFile, StackError, find_dated, remote};
use lentic_study::settings::Layer;
use lentic_study::{Month, Study};
use rayon::prelude::*;
use std::path::{Path, PathBuf};

use crate::layers::file_of;

/// Months before the first needed one that are asked for, so that an index of up to so many months has its beginning.
const BEFORE: i32 = 60;

/// The files of a layer of months, by date. On a server those that a study can need are asked for; a month that the server does not have
/// is a month without a file.
///
/// # Errors
/// A pattern that matches nothing, the same date twice, or a server that gives no useful answer.
pub fn files(study: &Study, layer: &Layer) -> Result<Vec<DatedFile>, EngineError> {
    let pattern = file_of(layer);
    if !remote::is_remote(&pattern) {
        return Ok(find_dated(&pattern.to_string_lossy())?);
    }
    on_server(&pattern.to_string_lossy(), span(study, layer))
}

/// The months that can be needed of a layer.
fn span(study: &Study, layer: &Layer) -> (Month, Month) {
    let (first, last) = study.period.baseline;
    if !layer.is_monthly() {
        return (first, last);
    }
    let (from, to) = study.period.reference;
    let (mut first, mut last) = (first.min(from), last.max(to));
    // a water year that is replayed begins in its own calendar year or the one before
    for year in study.scenarios.iter().flat_map(|scenario| scenario.replay.iter().copied()) {
        first = Month::new(year - 1, 1).map_or(first, |month| first.min(month));
        last = Month::new(year + 1, 12).map_or(last, |month| last.max(month));
    }
    (first.plus(-BEFORE), last)
}

fn on_server(pattern: &str, (first, last): (Month, Month)) -> Result<Vec<DatedFile>, EngineError> {
    let by_month = pattern.contains("{month}");
    let mut wanted: Vec<(i32, Option<u32>)> =
        first.through(last).map(|month| (month.year(), by_month.then(|| month.calendar()))).collect();
    wanted.dedup();
    let one = |&(year, month): &(i32, Option<u32>)| -> Result<Option<DatedFile>, EngineError> {
        let path = pattern.replace("{year}", &format!("{year:04}"));
        let path = PathBuf::from(path.replace("{month}", &format!("{:02}", month.unwrap_or_default())));
        let found = remote::identity(&path)?;
        Ok(found.map(|_| DatedFile { year, month, day: None, path, anything: Vec::new() }))
    };
    let found = wanted.par_iter().map(one).collect::<Result<Vec<_>, EngineError>>()?;
    let files: Vec<DatedFile> = found.into_iter().flatten().collect();
    if files.is_empty() {
        let there = format!("the server has none of the {} files from {first} to {last}", wanted.len());
        return Err(StackError::Nothing { pattern: pattern.into(), there }.into());
    }
    Ok(files)
}

/// Names the layer that a file on a server belongs to, where reading it failed.
pub fn with_layer(error: EngineError, study: &Study) -> EngineError {
    let EngineError::Raster(lentic_raster::RasterError::Remote { address, .. }) = &error else {
        return error;
    };
    let layer = study.layers.iter().find(|layer| covers(&file_of(layer), address));
    match layer {
        Some(layer) => EngineError::Remote { layer: layer.name.clone(), source: Box::new(error) },
        None => error,
    }
}

/// Whether an address is a layer's, or one of its pattern's.
fn covers(files: &Path, address: &str) -> bool {
    let files = files.to_string_lossy();
    let mut parts = files.split("{year}").flat_map(|part| part.split("{month}"));
    let Some(mut rest) = parts.next().and_then(|first| address.strip_prefix(first)) else { return false };
    for part in parts {
        let Some(at) = rest.find(|c: char| !c.is_ascii_digit()).or((!rest.is_empty()).then_some(rest.len()))
        else {
            return false;
        };
        // digits of the text itself may follow those of the date
        let Some(found) = rest.find(part).filter(|found| part.is_empty() || *found <= at) else {
            return false;
        };
        rest = if part.is_empty() { &rest[at..] } else { &rest[found + part.len()..] };
    }
    rest.is_empty()
}

#[cfg(test)]
mod tests {
    use super::covers;
    use std::path::Path;

    #[test]
    fn addresses_are_told_to_their_pattern() {
        let covers = |files: &str, address: &str| covers(Path::new(files), address);
        let pattern = "https://h/w/{year}/water_{year}-{month}.tif";
        assert!(covers(pattern, "https://h/w/2001/water_2001-02.tif"));
        assert!(!covers(pattern, "https://h/w/2001/rain_2001-02.tif"));
        assert!(!covers(pattern, "https://h/w/2001/water_2001-02.tif.aux"));
        assert!(
            covers("https://h/a.tif", "https://h/a.tif") && !covers("https://h/a.tif", "https://h/a.tiff")
        );
        assert!(covers("https://h/{year}{month}.tif", "https://h/200102.tif"));
    }
}
