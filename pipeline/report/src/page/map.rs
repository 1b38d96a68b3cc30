//! Map layers as indexed PNG pictures with legends.

use super::{MapLayer, MapPixels, PageInput};
use crate::ReportError;
use crate::colour::Rgb;
use crate::number::axis;
use base64::Engine;
use serde::Serialize;
use std::collections::BTreeMap;

/// Steps of a ramp; index 0 of the picture is "no data".
const STEPS: usize = 255;
/// Colours in the gradient of a legend.
const STOPS: usize = 17;

/// All maps of the page, as its script reads them.
#[derive(Serialize)]
pub(super) struct Maps {
    /// Ground covered from left to right, metres.
    ground_width_m: f64,
    /// Colours of the ramps used, low to high, "#rrggbb".
    ramps: BTreeMap<String, Vec<String>>,
    layers: Vec<LayerView>,
}

#[derive(Serialize)]
struct LayerView {
    id: String,
    title: String,
    group: String,
    scenario: Option<String>,
    unit: String,
    caption: String,
    width: usize,
    height: usize,
    /// The picture as a data URI.
    picture: String,
    /// Classes of the legend; empty for a ramp.
    classes: Vec<ClassView>,
    ramp: Option<RampView>,
    /// Whether some pixels have no data.
    gaps: bool,
}

#[derive(Serialize)]
struct ClassView {
    name: String,
    colour: String,
}

#[derive(Serialize)]
struct RampView {
    name: String,
    min: f32,
    max: f32,
    /// Labels at the low end, the middle and the high end.
    labels: [String; 3],
    stops: Vec<String>,
}

/// Draws every layer.
pub(super) fn maps(input: &PageInput<'_>) -> Result<Maps, ReportError> {
    let [left, _, right, _] = input.record.grid.bounds;
    let mut maps = Maps { ground_width_m: right - left, ramps: BTreeMap::new(), layers: Vec::new() };
    for layer in &input.maps {
        if input.maps.iter().filter(|other| other.id == layer.id).count() > 1 {
            return Err(refusal(layer, "another layer has the same id; ids must differ".into()));
        }
        let view = view(layer)?;
        if let MapPixels::Ramp { ramp, .. } = &layer.pixels {
            let colours = ramp.colours(STEPS).into_iter().map(Rgb::css).collect();
            maps.ramps.insert(format!("{ramp:?}"), colours);
        }
        maps.layers.push(view);
    }
    Ok(maps)
}

fn refusal(layer: &MapLayer, message: String) -> ReportError {
    ReportError::MapLayer { layer: layer.id.clone(), message }
}

fn view(layer: &MapLayer) -> Result<LayerView, ReportError> {
    let pixels = match &layer.pixels {
        MapPixels::Classes { codes, .. } => codes.len(),
        MapPixels::Ramp { values, .. } => values.len(),
    };
    if pixels == 0 || layer.width.checked_mul(layer.height) != Some(pixels) {
        return Err(refusal(
            layer,
            format!(
                "{pixels} pixels for {} x {}; give width x height of them, at least one",
                layer.width, layer.height
            ),
        ));
    }
    let (indices, palette, classes, ramp) = match &layer.pixels {
        MapPixels::Classes { codes, styles, no_data } => {
            let mut index_of: [Option<u8>; 256] = [None; 256];
            for (i, style) in styles.iter().enumerate() {
                let index = u8::try_from(i + 1)
                    .map_err(|_| refusal(layer, "more than 255 classes; join some".into()))?;
                index_of[usize::from(style.code)] = Some(index);
            }
            if let Some(code) = no_data {
                index_of[usize::from(*code)] = Some(0);
            }
            let indices = codes
                .iter()
                .map(|code| {
                    index_of[usize::from(*code)].ok_or_else(|| {
                        refusal(layer, format!("code {code} has no class; give it a name and a colour"))
                    })
                })
                .collect::<Result<Vec<u8>, _>>()?;
            let classes = styles
                .iter()
                .filter(|style| Some(style.code) != *no_data)
                .map(|style| ClassView { name: style.name.clone(), colour: style.colour.css() })
                .collect();
            (indices, styles.iter().map(|style| style.colour).collect(), classes, None)
        }
        MapPixels::Ramp { values, min, max, ramp } => {
            if !(min.is_finite() && max.is_finite() && min < max) {
                return Err(refusal(
                    layer,
                    format!("limits {min} to {max}; give two numbers, the lower first"),
                ));
            }
            let indices = values.iter().map(|value| ramp_index(*value, *min, *max)).collect();
            let under = values.iter().any(|value| value < min);
            let over = values.iter().any(|value| value > max);
            let (low, high) = (f64::from(*min), f64::from(*max));
            let view = RampView {
                name: format!("{ramp:?}"),
                min: *min,
                max: *max,
                labels: [
                    format!("{}{}", axis(low), if under { " or less" } else { "" }),
                    axis((low + high) / 2.0),
                    format!("{}{}", axis(high), if over { " or more" } else { "" }),
                ],
                stops: ramp.colours(STOPS).into_iter().map(Rgb::css).collect(),
            };
            (indices, ramp.colours(STEPS), Vec::new(), Some(view))
        }
    };
    let png = picture(layer, &indices, &palette).map_err(|error| refusal(layer, error.to_string()))?;
    let code = base64::engine::general_purpose::STANDARD.encode(png);
    Ok(LayerView {
        id: layer.id.clone(),
        title: layer.title.clone(),
        group: layer.group.clone(),
        scenario: layer.scenario.clone(),
        unit: layer.unit.clone(),
        caption: layer.caption.clone(),
        width: layer.width,
        height: layer.height,
        picture: format!("data:image/png;base64,{code}"),
        classes,
        ramp,
        gaps: indices.contains(&0),
    })
}

/// Index of a value in the picture: 0 without data, 1 at `min` or less, `STEPS` at `max` or more.
fn ramp_index(value: f32, min: f32, max: f32) -> u8 {
    if value.is_nan() {
        return 0;
    }
    let share = ((value - min) / (max - min)).clamp(0.0, 1.0);
    1 + (share * (STEPS - 1) as f32).round() as u8
}

/// An indexed PNG (W3C Portable Network Graphics); index 0 is transparent, `palette` follows it.
fn picture(layer: &MapLayer, indices: &[u8], palette: &[Rgb]) -> Result<Vec<u8>, png::EncodingError> {
    let side = |length: usize| u32::try_from(length).unwrap_or(u32::MAX);
    let mut out = Vec::new();
    let mut encoder = png::Encoder::new(&mut out, side(layer.width), side(layer.height));
    encoder.set_color(png::ColorType::Indexed);
    encoder.set_depth(png::BitDepth::Eight);
    // A palette picture compresses best unfiltered (PNG specification, filter selection).
    encoder.set_filter(png::Filter::NoFilter);
    encoder.set_compression(png::Compression::High);
    let colours = std::iter::once(&Rgb([0, 0, 0])).chain(palette).flat_map(|colour| colour.0);
    encoder.set_palette(colours.collect::<Vec<u8>>());
    encoder.set_trns(vec![0u8]);
    let mut writer = encoder.write_header()?;
    writer.write_image_data(indices)?;
    writer.finish()?;
    Ok(out)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::palette::{Ramp, change_classes};

    fn layer(pixels: MapPixels) -> MapLayer {
        MapLayer {
            id: "change".into(),
            title: String::new(),
            group: String::new(),
            scenario: None,
            unit: String::new(),
            caption: String::new(),
            width: 2,
            height: 2,
            kept: Default::default(),
            pixels,
        }
    }

    fn decoded(view: &LayerView) -> (Vec<u8>, png::OutputInfo) {
        let code = view.picture.strip_prefix("data:image/png;base64,").unwrap();
        let bytes = base64::engine::general_purpose::STANDARD.decode(code).unwrap();
        let mut decoder = png::Decoder::new(std::io::Cursor::new(bytes));
        decoder.set_transformations(png::Transformations::EXPAND);
        let mut reader = decoder.read_info().unwrap();
        let mut pixels = vec![0; reader.output_buffer_size().unwrap()];
        let info = reader.next_frame(&mut pixels).unwrap();
        (pixels, info)
    }

    #[test]
    fn classes_come_back_in_their_colours_and_gaps_transparent() {
        let view = view(&layer(MapPixels::Classes {
            codes: vec![0, 3, 255, 4],
            styles: change_classes(),
            no_data: Some(255),
        }))
        .unwrap();
        let (pixels, info) = decoded(&view);
        assert_eq!((info.width, info.height), (2, 2));
        let classes = change_classes();
        for (pixel, class) in [(0, 0), (1, 3), (3, 4)] {
            let [r, g, b] = classes[class].colour.0;
            assert_eq!(pixels[pixel * 4..pixel * 4 + 4], [r, g, b, 255]);
        }
        assert_eq!(pixels[2 * 4 + 3], 0);
        assert!(view.gaps);
    }

    #[test]
    fn numbers_take_the_colour_of_their_place_and_are_held_inside_the_limits() {
        let view = view(&layer(MapPixels::Ramp {
            values: vec![-5.0, 12.0, f32::NAN, 99.0],
            min: 0.0,
            max: 12.0,
            ramp: Ramp::Hydroperiod,
        }))
        .unwrap();
        let (pixels, _) = decoded(&view);
        let colours = Ramp::Hydroperiod.colours(STEPS);
        assert_eq!(pixels[0..3], colours[0].0);
        assert_eq!(pixels[4..7], colours[STEPS - 1].0);
        assert_eq!(pixels[11], 0);
        assert_eq!(view.ramp.unwrap().labels, ["0 or less", "6", "12 or more"]);
    }

    #[test]
    fn layers_that_do_not_hold_together_are_refused() {
        let message = |pixels| view(&layer(pixels)).err().unwrap().to_string();
        let codes = vec![0, 9, 0, 0];
        let unknown = message(MapPixels::Classes { codes, styles: change_classes(), no_data: None });
        assert!(unknown.contains("\"change\"") && unknown.contains("code 9"), "{unknown}");
        let ramp = |values: Vec<f32>, min| MapPixels::Ramp { values, min, max: 1.0, ramp: Ramp::Trend };
        assert!(message(ramp(vec![0.0; 3], 0.0)).contains("3 pixels for 2 x 2"));
        assert!(message(ramp(vec![0.0; 4], 1.0)).contains("limits 1 to 1"));
        assert!(message(ramp(vec![0.0; 4], f32::NAN)).contains("limits NaN"));
    }
}
