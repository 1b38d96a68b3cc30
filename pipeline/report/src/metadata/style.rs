//! Style files (`.qml`, beside each raster) by which a desktop GIS shows it in the colours of the report: classes by their own,
//! quantities on a ramp.

use super::{DescribedBand, DescribedRaster};
use crate::ReportError;
use crate::file::write_bytes;
use crate::number::axis;
use crate::palette::Ramp;
use std::fmt::Write as _;
use std::path::Path;

/// Colours along a ramp.
const STOPS: usize = 17;

/// Writes the style of a raster's first band.
///
/// # Errors
/// The file cannot be written.
pub fn write_style(path: &Path, raster: &DescribedRaster) -> Result<(), ReportError> {
    let Some(band) = raster.bands.first() else { return Ok(()) };
    let renderer = if band.classes.is_empty() { ramp(raster, band) } else { classes(band) };
    let text = format!(
        "<!DOCTYPE qgis PUBLIC 'http://mrcc.com/qgis.dtd' 'SYSTEM'>\n<qgis version=\"3.22\" styleCategories=\"Symbology\">\n  <pipe>\n{renderer}    \
         <brightnesscontrast brightness=\"0\" contrast=\"0\" gamma=\"1\"/>\n    <huesaturation saturation=\"0\" grayscaleMode=\"0\"/>\n    <rasterresampler maxOversampling=\"2\"/>\n  </pipe>\n  \
         <blendMode>0</blendMode>\n</qgis>\n"
    );
    write_bytes(path, text.as_bytes())
}

fn classes(band: &DescribedBand) -> String {
    let mut text = String::from(
        "    <rasterrenderer type=\"paletted\" band=\"1\" opacity=\"1\" alphaBand=\"-1\" nodataColor=\"\">\n      <rasterTransparency/>\n      <colorPalette>\n",
    );
    for class in &band.classes {
        // writing into a string cannot fail
        let _ = writeln!(
            text,
            "        <paletteEntry value=\"{}\" color=\"{}\" label=\"{}\" alpha=\"255\"/>",
            class.code,
            class.colour.css(),
            escape(&class.name)
        );
    }
    text + "      </colorPalette>\n    </rasterrenderer>\n"
}

fn ramp(raster: &DescribedRaster, band: &DescribedBand) -> String {
    let (ramp, [low, high]) = ramp_of(raster, band);
    let mut text = format!(
        "    <rasterrenderer type=\"singlebandpseudocolor\" band=\"1\" opacity=\"1\" alphaBand=\"-1\" nodataColor=\"\" classificationMin=\"{low}\" classificationMax=\"{high}\">\n      \
         <rasterTransparency/>\n      <rastershader>\n        \
         <colorrampshader colorRampType=\"INTERPOLATED\" classificationMode=\"1\" clip=\"0\" minimumValue=\"{low}\" maximumValue=\"{high}\">\n"
    );
    let unit = if band.unit.is_empty() { String::new() } else { format!(" {}", escape(&band.unit)) };
    for (at, colour) in ramp.colours(STOPS).into_iter().enumerate() {
        let value = low + (high - low) * at as f64 / (STOPS - 1) as f64;
        let _ = writeln!(
            text,
            "          <item value=\"{value}\" color=\"{}\" label=\"{}{unit}\" alpha=\"255\"/>",
            colour.css(),
            axis(value)
        );
    }
    text + "        </colorrampshader>\n      </rastershader>\n    </rasterrenderer>\n"
}

/// Which colours a quantity has, and from where to where they run: as on the page, else from its least to its greatest value.
fn ramp_of(raster: &DescribedRaster, band: &DescribedBand) -> (Ramp, [f64; 2]) {
    let [least, most] = band.statistics.map_or([0.0, 1.0], |[least, most, ..]| [least, most]);
    let span = if most > least { [least, most] } else { [least, least + 1.0] };
    let words = format!("{} {}", raster.stem(), band.description);
    let of_change = ["trend", "change", "slope", "difference"].iter().any(|word| words.contains(word));
    match band.unit.as_str() {
        _ if of_change && least < 0.0 => {
            let reach = least.abs().max(most.abs());
            (Ramp::Trend, [-reach, reach])
        }
        "0 to 1" | "share" => (Ramp::Suitability, [0.0, 1.0]),
        "months per year" => (Ramp::Hydroperiod, [0.0, 12.0]),
        "months" => (Ramp::Hydroperiod, span),
        _ => (Ramp::Margin, span),
    }
}

/// Text for XML; characters that XML forbids are left out.
fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for character in text.chars() {
        match character {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            other if other.is_control() || matches!(other, '\u{fffe}' | '\u{ffff}') => out.push(' '),
            other => out.push(other),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::colour::Rgb;
    use crate::palette::ClassStyle;

    fn band(unit: &str, description: &str, statistics: Option<[f64; 5]>) -> DescribedBand {
        DescribedBand {
            description: description.into(),
            unit: unit.into(),
            data_type: "float32",
            no_data: Some(f64::NAN),
            statistics,
            classes: Vec::new(),
        }
    }

    fn raster(file: &str, band: DescribedBand) -> DescribedRaster {
        DescribedRaster { file: format!("rasters/{file}.tif"), title: String::new(), bands: vec![band] }
    }

    #[test]
    fn names_of_classes_stay_names() {
        let mut named = band("", "", None);
        named.classes = vec![ClassStyle {
            code: 7,
            name: "<b>\"reed\" & 'rush'\u{1}</b>".into(),
            colour: Rgb::new(0x01ab02),
        }];
        let text = classes(&named);
        assert!(text.contains(
            "value=\"7\" color=\"#01ab02\" label=\"&lt;b&gt;&quot;reed&quot; &amp; 'rush' &lt;/b&gt;\""
        ));
    }

    #[test]
    fn ramps_run_over_what_a_quantity_can_be() {
        let of = |file: &str, unit: &str, statistics| {
            let raster = raster(file, band(unit, file, statistics));
            let (ramp, span) = ramp_of(&raster, &raster.bands[0]);
            (ramp, span)
        };
        let some = |least, most| Some([least, most, 0.0, 0.0, 0.0]);
        assert_eq!(of("suitability_drier", "0 to 1", some(0.2, 0.4)), (Ramp::Suitability, [0.0, 1.0]));
        assert_eq!(
            of("hydroperiod_drier", "months per year", some(0.2, 0.4)),
            (Ramp::Hydroperiod, [0.0, 12.0])
        );
        // no change lies in the middle
        assert_eq!(of("water_change", "months per year", some(-3.0, 1.0)), (Ramp::Trend, [-3.0, 3.0]));
        assert_eq!(of("longest_dry_run", "months", some(2.0, 2.0)), (Ramp::Hydroperiod, [2.0, 3.0]));
        assert_eq!(of("slope", "logits", None), (Ramp::Margin, [0.0, 1.0]));
    }
}
