//! Patches on the maps: a picture of their numbers and a row for each.

use super::PageInput;
use super::map::thinned;
use super::view::shown;
use crate::ReportError;
use crate::picture::data_uri;
use crate::table::{Table, Values};
use serde::Serialize;
use std::collections::BTreeMap;

/// Rows of more patches than this stay in the table's file.
const MOST_PATCHES: usize = 10_000;

/// Patches as the page's script reads them.
#[derive(Serialize)]
pub(super) struct PatchesView {
    width: usize,
    height: usize,
    /// Metres along a side of a pixel.
    pixel_m: f64,
    /// Red, green and blue of a pixel are the high, middle and low byte of the patch's number.
    picture: String,
    /// Name of the table they come from.
    table: String,
    columns: Vec<ColumnView>,
    /// Cells as shown, by number of the patch.
    rows: BTreeMap<i64, Vec<String>>,
}

#[derive(Serialize)]
struct ColumnView {
    label: String,
    description: String,
}

/// Where a table holds numbers of the patches on the map.
pub(super) struct Linked {
    /// Column of the numbers.
    patch: usize,
    /// Column and word of the rows that count; all where there is none.
    only: Option<(usize, String)>,
}

impl Linked {
    /// The number of a patch of the map in this row and column of the table.
    pub(super) fn number(&self, table: &Table, row: usize, column: usize) -> Option<i64> {
        if column != self.patch || !self.counts(table, row) {
            return None;
        }
        let Values::Integer(numbers) = &table.columns[self.patch].values else { return None };
        numbers.get(row).copied().flatten()
    }

    fn counts(&self, table: &Table, row: usize) -> bool {
        let Some((column, word)) = &self.only else { return true };
        let Values::Text(words) = &table.columns[*column].values else { return false };
        words.get(row).and_then(|cell| cell.as_ref()) == Some(word)
    }
}

/// Whether and where a table holds numbers of the patches on the map.
pub(super) fn linked(input: &PageInput<'_>, table: &Table) -> Option<Linked> {
    let patches = input.patches.as_ref()?;
    let place = |name: &str| table.columns.iter().position(|column| column.name == name);
    if table.name == patches.table {
        let only = Some((place("scenario")?, patches.scenario.clone()));
        return Some(Linked { patch: place("patch")?, only });
    }
    let listed = patches.also_in.contains(&table.name);
    listed.then(|| place("patch").map(|patch| Linked { patch, only: None }))?
}

/// The picture and the rows; `None` where the page has no patches to show.
pub(super) fn patches(input: &PageInput<'_>, thin: usize) -> Result<Option<PatchesView>, ReportError> {
    let Some(map) = &input.patches else { return Ok(None) };
    let Some(table) = input.tables.iter().find(|table| table.name == map.table) else { return Ok(None) };
    let Some(linked) = linked(input, table) else { return Ok(None) };
    let refused = |message: String| ReportError::MapLayer { layer: "patches".into(), message };
    if map.numbers.is_empty() || map.width.checked_mul(map.height) != Some(map.numbers.len()) {
        return Err(refused(format!("{} pixels for {} x {}", map.numbers.len(), map.width, map.height)));
    }
    let (width, height, numbers) = thinned(&map.numbers, map.width, map.height, thin);
    let picture = picture(width, height, &numbers).map_err(|error| refused(error.to_string()))?;
    let columns: Vec<usize> = (0..table.columns.len())
        .filter(|at| *at != linked.patch && linked.only.as_ref().is_none_or(|(column, _)| at != column))
        .collect();
    let rows = (0..table.rows())
        .filter_map(|row| {
            let number = linked.number(table, row, linked.patch)?;
            let cells = columns.iter().map(|at| shown(&table.columns[*at].values, row).0).collect();
            Some((number, cells))
        })
        .take(MOST_PATCHES)
        .collect();
    let column = |at: &usize| {
        let column = &table.columns[*at];
        let label = super::view::label(&column.name, &column.unit);
        let unit = if column.unit.is_empty() { String::new() } else { format!(" ({})", column.unit) };
        ColumnView { label: format!("{label}{unit}"), description: column.description.clone() }
    };
    Ok(Some(PatchesView {
        width,
        height,
        pixel_m: input.record.grid.cell_m * (map.step.max(1) * thin) as f64,
        picture: data_uri(&picture),
        table: map.table.clone(),
        columns: columns.iter().map(column).collect(),
        rows,
    }))
}

/// Numbers as an RGB PNG, so that a script can read them back from a canvas: no transparency, which would change the bytes.
fn picture(width: usize, height: usize, numbers: &[u32]) -> Result<Vec<u8>, png::EncodingError> {
    let side = |length: usize| u32::try_from(length).unwrap_or(u32::MAX);
    let mut out = Vec::new();
    let mut encoder = png::Encoder::new(&mut out, side(width), side(height));
    encoder.set_color(png::ColorType::Rgb);
    encoder.set_depth(png::BitDepth::Eight);
    encoder.set_filter(png::Filter::NoFilter);
    encoder.set_compression(png::Compression::High);
    let bytes: Vec<u8> = numbers.iter().flat_map(|number| number.to_be_bytes().into_iter().skip(1)).collect();
    let mut writer = encoder.write_header()?;
    writer.write_image_data(&bytes)?;
    writer.finish()?;
    Ok(out)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_come_back_from_the_picture() {
        let numbers = [0, 1, 255, 256, 65_536, 1_234_567];
        let bytes = picture(3, 2, &numbers).unwrap();
        let mut reader = png::Decoder::new(std::io::Cursor::new(bytes)).read_info().unwrap();
        let mut pixels = vec![0; reader.output_buffer_size().unwrap()];
        reader.next_frame(&mut pixels).unwrap();
        let back: Vec<u32> = pixels
            .chunks(3)
            .map(|p| u32::from(p[0]) << 16 | u32::from(p[1]) << 8 | u32::from(p[2]))
            .collect();
        assert_eq!(back, numbers);
    }
}
