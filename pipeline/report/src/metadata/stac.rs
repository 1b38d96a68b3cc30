//! `rasters/stac-item.json`: the rasters of a run as a SpatioTemporal Asset Catalog Item (STAC 1.1.0, stacspec.org), with the
//! extensions projection 2.0.0, raster 2.0.0 and classification 2.0.0.

use super::{Described, DescribedBand, DescribedRaster, Place};
use crate::ReportError;
use crate::file::write_json;
use crate::licence::spdx;
use crate::record::RunRecord;
use serde_json::{Map, Value, json};
use std::path::Path;

const EXTENSIONS: [&str; 3] = [
    "https://stac-extensions.github.io/projection/v2.0.0/schema.json",
    "https://stac-extensions.github.io/raster/v2.0.0/schema.json",
    "https://stac-extensions.github.io/classification/v2.0.0/schema.json",
];

/// Writes the item. Its assets are the rasters, by name, beside it.
///
/// # Errors
/// The file cannot be written.
pub fn write_stac_item(
    path: &Path,
    record: &RunRecord,
    described: &Described<'_>,
) -> Result<(), ReportError> {
    let study = &record.study;
    let [first, last] = &record.period.baseline;
    let mut properties = json!({
        "title": format!("{}: wetland habitat and its loss under drying", study.name),
        "description": format!("Habitat of {} in the baseline and under drying scenarios, run {}", study.organism, record.run_id),
        // a period has no single time (STAC common metadata)
        "datetime": null,
        "start_datetime": format!("{first}-01T00:00:00Z"),
        "end_datetime": format!("{last}-{:02}T23:59:59Z", days(last)),
        "license": spdx(&study.licence).unwrap_or("other"),
    });
    if let (Some(place), Value::Object(map)) = (&described.place, &mut properties) {
        map.extend(projection(place));
    }
    let assets: Map<String, Value> = described
        .rasters
        .iter()
        .map(|raster| (raster.stem().to_string(), asset(raster, described.place.as_ref())))
        .collect();
    let mut item = json!({
        "type": "Feature",
        "stac_version": "1.1.0",
        "stac_extensions": EXTENSIONS,
        "id": format!("run-{}", record.run_id),
        "geometry": described.place.as_ref().map(geometry),
        "properties": properties,
        "links": [],
        "assets": assets,
    });
    if let (Some(place), Value::Object(map)) = (&described.place, &mut item) {
        map.insert("bbox".into(), json!(place.bbox()));
    }
    write_json(path, &item)
}

fn projection(place: &Place) -> Map<String, Value> {
    let [left, _, _, top] = place.bounds;
    let mut fields = Map::new();
    fields.insert("proj:code".into(), json!(place.code));
    fields.insert("proj:wkt2".into(), json!(place.wkt));
    fields.insert("proj:bbox".into(), json!(place.bounds));
    fields.insert("proj:shape".into(), json!(place.shape));
    fields.insert("proj:transform".into(), json!([place.cell_m, 0.0, left, 0.0, -place.cell_m, top]));
    fields
}

/// The outline; where it crosses the 180th meridian, the two halves of its box (RFC 7946, 3.1.9).
fn geometry(place: &Place) -> Value {
    if !place.crosses() {
        return json!({ "type": "Polygon", "coordinates": [place.outline] });
    }
    let [west, south, east, north] = place.bbox();
    let half = |west: f64, east: f64| {
        json!([[[west, south], [east, south], [east, north], [west, north], [west, south]]])
    };
    json!({ "type": "MultiPolygon", "coordinates": [half(west, 180.0), half(-180.0, east)] })
}

fn asset(raster: &DescribedRaster, place: Option<&Place>) -> Value {
    let file = raster.file.rsplit('/').next().unwrap_or(&raster.file);
    let mut asset = json!({
        "href": format!("./{file}"),
        "title": raster.title,
        "type": "image/tiff; application=geotiff; profile=cloud-optimized",
        "roles": ["data"],
        "bands": raster.bands.iter().enumerate().map(|(at, band)| band_of(at + 1, band)).collect::<Vec<_>>(),
    });
    if let (Some(place), Value::Object(map)) = (place, &mut asset) {
        map.insert("raster:spatial_resolution".into(), json!(place.cell_m));
    }
    asset
}

fn band_of(number: usize, band: &DescribedBand) -> Value {
    let mut fields = Map::new();
    fields.insert("name".into(), json!(number.to_string()));
    fields.insert("description".into(), json!(band.description));
    fields.insert("data_type".into(), json!(band.data_type));
    if let Some(no_data) = band.no_data {
        fields.insert("nodata".into(), if no_data.is_nan() { json!("nan") } else { json!(no_data) });
    }
    if !band.unit.is_empty() {
        fields.insert("unit".into(), json!(band.unit));
    }
    if let Some([minimum, maximum, mean, stddev, valid_percent]) = band.statistics {
        let statistics = json!({
            "minimum": minimum, "maximum": maximum, "mean": mean, "stddev": stddev, "valid_percent": valid_percent,
        });
        fields.insert("statistics".into(), statistics);
    }
    fields.insert("raster:sampling".into(), json!("area"));
    if !band.classes.is_empty() {
        let classes = band.classes.iter().map(|class| {
            json!({
                "value": class.code,
                "name": plain(&class.name, class.code),
                "title": class.name,
                "color_hint": class.colour.css().trim_start_matches('#').to_ascii_uppercase(),
            })
        });
        fields.insert("classification:classes".into(), classes.collect());
    }
    Value::Object(fields)
}

/// A name for machines: letters, digits and `-`, unique by its code.
fn plain(name: &str, code: u8) -> String {
    let mut out = String::new();
    for c in name.chars() {
        match c {
            c if c.is_ascii_alphanumeric() => out.push(c.to_ascii_lowercase()),
            _ if !out.is_empty() && !out.ends_with('-') => out.push('-'),
            _ => {}
        }
    }
    format!("{}-{code}", if out.is_empty() { "class" } else { out.trim_end_matches('-') })
}

/// Days of a month written as "1991-02" (31 where it is not one).
fn days(month: &str) -> u32 {
    let number = |text: Option<&str>| text.and_then(|text| text.parse::<u32>().ok());
    let mut parts = month.split('-');
    let (year, month) = (number(parts.next()).unwrap_or(1), number(parts.next()).unwrap_or(1));
    let leap = year % 4 == 0 && (year % 100 != 0 || year % 400 == 0);
    match month {
        2 if leap => 29,
        2 => 28,
        4 | 6 | 9 | 11 => 30,
        _ => 31,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_period_ends_with_its_last_day() {
        // Gregorian rules: 1900 was no leap year, 2000 was
        let ends = ["1991-12", "1990-02", "2000-02", "1900-02", "2020-02", "2001-04"].map(days);
        assert_eq!(ends, [31, 28, 29, 28, 29, 30]);
    }

    #[test]
    fn names_of_classes_fit_machines_and_differ() {
        assert_eq!(plain("Semi-permanent", 3), "semi-permanent-3");
        assert_eq!(plain("<b>\u{1f422}</b>", 1), "b-b-1");
        assert_eq!(plain("\u{627}", 2), "class-2");
    }
}
