//! The data dictionary: every column, band, class and field of a run, as a table itself.

use super::{DescribedBand, DescribedLayer, DescribedRaster};
use crate::table::{Column, Table};

/// A line of the dictionary.
struct Line {
    file: String,
    layer: String,
    part: &'static str,
    name: String,
    kind: String,
    unit: String,
    description: String,
}

/// The table `data_dictionary`, which describes itself too.
pub fn dictionary(tables: &[&Table], rasters: &[DescribedRaster], layers: &[DescribedLayer]) -> Table {
    let own = described(&[]);
    let mut lines: Vec<Line> = Vec::new();
    for table in tables.iter().copied().chain([&own]) {
        lines.extend(table.columns.iter().map(|column| Line {
            file: format!("tables/{}.csv", table.name),
            layer: String::new(),
            part: "column",
            name: column.name.clone(),
            kind: column.values.schema_type().into(),
            unit: column.unit.clone(),
            description: column.description.clone(),
        }));
    }
    for raster in rasters {
        for (at, band) in raster.bands.iter().enumerate() {
            lines.extend(band_lines(raster, at + 1, band));
        }
    }
    for layer in layers {
        lines.extend(layer.fields.iter().map(|field| Line {
            file: layer.file.clone(),
            layer: layer.name.clone(),
            part: "field",
            name: field.name.clone(),
            kind: field.kind.into(),
            unit: field.unit.clone(),
            description: field.description.clone(),
        }));
    }
    described(&lines)
}

fn band_lines(raster: &DescribedRaster, number: usize, band: &DescribedBand) -> Vec<Line> {
    let line = |part, name: String, kind: &str, description: String| Line {
        file: raster.file.clone(),
        layer: String::new(),
        part,
        name,
        kind: kind.into(),
        unit: if part == "band" { band.unit.clone() } else { String::new() },
        description,
    };
    let title = if raster.title.is_empty() { String::new() } else { format!("{}: ", raster.title) };
    let mut lines =
        vec![line("band", number.to_string(), band.data_type, format!("{title}{}", band.description))];
    lines.extend(
        band.classes.iter().map(|class| line("class", class.code.to_string(), "code", class.name.clone())),
    );
    if let Some(no_data) = band.no_data {
        let name = if no_data.is_nan() { "nan".into() } else { no_data.to_string() };
        lines.push(line("class", name, "no data", "No data".into()));
    }
    lines
}

fn described(lines: &[Line]) -> Table {
    let words = |value: &dyn Fn(&Line) -> &str| -> Vec<Option<String>> {
        lines
            .iter()
            .map(|line| Some(value(line)).filter(|word| !word.is_empty()).map(str::to_string))
            .collect()
    };
    Table {
        name: "data_dictionary".into(),
        title: "Data dictionary: every column, band, class and field of this run".into(),
        note: "Missing values are empty cells in tables, NULL in vector layers, and the code or NaN named here in rasters; none of them is a zero.".into(),
        columns: vec![
            Column::text("file", "File within the run folder; a table is also there as Parquet", words(&|l| &l.file)),
            Column::text("layer", "Layer of a vector file", words(&|l| &l.layer)),
            Column::text("part", "column of a table, band or class of a raster, field of a layer", words(&|l| l.part)),
            Column::text("name", "Name of the column or field, number of the band, code of the class", words(&|l| &l.name)),
            Column::text("type", "Type of the values", words(&|l| &l.kind)),
            Column::text("unit", "Unit of the values; empty where they have none", words(&|l| &l.unit)),
            Column::text("description", "What it holds", words(&|l| &l.description)),
        ],
    }
}
