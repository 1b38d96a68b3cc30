//! Scenes from local STAC items: SpatioTemporal Asset Catalog specification 1.0.0, item and item collection (a GeoJSON
//! FeatureCollection of items).

use super::find::Draft;
use super::refuse_file;
use crate::error::{EngineError, io};
use lentic_study::scenes::settings::Band;
use lentic_study::{Month, Place, Problem, Problems};
use serde_json::Value;
use std::path::{Path, PathBuf};

/// Reads a collection, an item, or a folder of items (folders in it too).
///
/// # Errors
/// A file that is no STAC, an item without date or with assets that are not local files.
pub(super) fn read(path: &Path, bands: &[Band]) -> Result<Vec<Draft>, EngineError> {
    let mut files = Vec::new();
    if path.is_dir() {
        gather(path, &mut files)?;
        files.sort();
    } else {
        files.push(path.to_path_buf());
    }
    let mut drafts = Vec::new();
    let mut problems = Vec::new();
    for file in &files {
        let value = parse(file)?;
        match value.get("type").and_then(Value::as_str) {
            Some("FeatureCollection") => {
                let items = value.get("features").and_then(Value::as_array);
                for item in items.into_iter().flatten() {
                    take(draft(file, item, bands), &mut drafts, &mut problems);
                }
            }
            Some("Feature") => take(draft(file, &value, bands), &mut drafts, &mut problems),
            // catalogues and collections may lie among the items of a folder
            Some("Catalog" | "Collection") if path.is_dir() => {}
            found => {
                let message = format!(
                    "this is no STAC item and no item collection: its type is {found:?}, expected \"Feature\" or \"FeatureCollection\""
                );
                problems.push(refuse_file(file, message, "give items of STAC 1.0, which are GeoJSON"));
            }
        }
    }
    if drafts.is_empty() && problems.is_empty() {
        problems.push(refuse_file(path, "there is no STAC item in it".into(), "give items of STAC 1.0"));
    }
    if problems.is_empty() { Ok(drafts) } else { Err(Problems(problems).into()) }
}

fn take(draft: Result<Draft, Problem>, drafts: &mut Vec<Draft>, problems: &mut Vec<Problem>) {
    match draft {
        Ok(draft) => drafts.push(draft),
        Err(problem) => problems.push(problem),
    }
}

fn gather(folder: &Path, files: &mut Vec<PathBuf>) -> Result<(), EngineError> {
    for entry in std::fs::read_dir(folder).map_err(io(folder))? {
        let path = entry.map_err(io(folder))?.path();
        if path.is_dir() {
            gather(&path, files)?;
        } else if path.extension().is_some_and(|ending| ending == "json" || ending == "geojson") {
            files.push(path);
        }
    }
    Ok(())
}

fn parse(file: &Path) -> Result<Value, EngineError> {
    let text = std::fs::read(file).map_err(io(file))?;
    serde_json::from_slice(&text).map_err(|error| {
        let place = Place::of_line(error.line());
        let problem = refuse_file(file, format!("this is not JSON: {error}"), "give items of STAC 1.0");
        Problems(vec![Problem { place: Some(place), ..problem }]).into()
    })
}

fn draft(file: &Path, item: &Value, bands: &[Band]) -> Result<Draft, Problem> {
    let id = item.get("id").and_then(Value::as_str).unwrap_or_default().to_string();
    let refuse = |message: String, help: &str| refuse_file(file, format!("item {id:?}: {message}"), help);
    let assets = item.get("assets").and_then(Value::as_object).ok_or_else(|| {
        refuse(
            "it has no assets".into(),
            "give items of STAC 1.0, each with id, properties.datetime and assets",
        )
    })?;
    let time = ["datetime", "start_datetime"]
        .iter()
        .find_map(|name| item.get("properties")?.get(name)?.as_str())
        .ok_or_else(|| {
            refuse("it has no properties.datetime".into(), "write it as \"1988-08-14T12:00:00Z\"")
        })?;
    let (month, day) = date(time).ok_or_else(|| {
        refuse(format!("{time:?} is no date"), "write properties.datetime as \"1988-08-14T12:00:00Z\"")
    })?;
    let folder = file.parent().unwrap_or(Path::new(""));
    let mut files = Vec::new();
    for band in bands {
        let asset = band.token.as_ref().and_then(|token| assets.get(token));
        let href = asset.and_then(|asset| asset.get("href")).and_then(Value::as_str);
        files.push(match href {
            None => None,
            Some(href) => Some(local(folder, href).map_err(|found| {
                let help =
                    "copy the assets beside the items and write their paths relative to the item's file";
                refuse(format!("asset of band {:?}: {found}", band.name), help)
            })?),
        });
    }
    Ok(Draft { month, day: Some(day), id, told: file.to_path_buf(), files })
}

/// The date of an RFC 3339 time; STAC times are in UTC.
fn date(text: &str) -> Option<(Month, u32)> {
    let month: Month = text.get(..7)?.parse().ok()?;
    let rest = text.get(7..10)?.strip_prefix('-')?;
    let day: u32 = rest.bytes().all(|b| b.is_ascii_digit()).then(|| rest.parse().ok())??;
    let ends = matches!(text.as_bytes().get(10), None | Some(b'T' | b't' | b' '));
    ((1..=month.days()).contains(&day) && ends).then_some((month, day))
}

/// The file of an href; what is wrong with it otherwise.
fn local(folder: &Path, href: &str) -> Result<PathBuf, String> {
    let href = href.strip_prefix("file://").unwrap_or(href);
    if href.contains("://") || href.starts_with("/vsi") {
        return Err(format!("{href} is not a local file"));
    }
    let path = folder.join(href);
    if path.is_file() { Ok(path) } else { Err(format!("there is no file {}", path.display())) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn dates_of_times() {
        let found = date("1988-08-14T13:00:05.4Z").map(|(month, day)| (month.to_string(), day));
        assert_eq!(found, Some(("1988-08".into(), 14)));
        for text in
            ["1988-08-32T00:00:00Z", "1988-02-30", "1988-08", "14/08/1988", "1988-08-1x", "1988-08-145"]
        {
            assert_eq!(date(text), None, "{text}");
        }
    }
}
