//! Map layers as indexed PNG pictures with legends.

use super::{MapLayer, MapPixels, PageInput};
use crate::ReportError;
use crate::colour::Rgb;
use crate::number::axis;
use crate::picture::{data_uri, indexed_png};
use rayon::prelude::*;
use serde::Serialize;
use std::collections::BTreeMap;

/// Steps of a ramp; index 0 of the picture is "no data".
const STEPS: usize = 255;
/// Colours in the gradient of a legend.
const STOPS: usize = 17;

/// All maps of the page, as its script reads them.
#[derive(Serialize)]
pub(super) struct Maps {
    /// Left, bottom, right, top of the grid, metres.
    bounds: [f64; 4],
    /// Cell side, metres.
    cell_m: f64,
    /// Name of the reference system.
    crs: String,
    places: Option<PlacesView>,
    /// Colours of the ramps used, low to high, "#rrggbb".
    ramps: BTreeMap<String, Vec<String>>,
    layers: Vec<LayerView>,
}

#[derive(Serialize)]
struct PlacesView {
    columns: usize,
    rows: usize,
    /// To 1e-6 degrees, a tenth of a metre.
    degrees: Vec<[f64; 2]>,
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
    /// Metres along a side of a pixel.
    pixel_m: f64,
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

/// Draws every layer, of its pixels only every `thin`th of every `thin`th row.
pub(super) fn maps(input: &PageInput<'_>, thin: usize) -> Result<Maps, ReportError> {
    let grid = &input.record.grid;
    let round = |degrees: f64| (degrees * 1e6).round() / 1e6;
    let places = input.places.as_ref().filter(|mesh| mesh.columns > 1 && mesh.rows > 1);
    let mut maps = Maps {
        bounds: grid.bounds,
        cell_m: grid.cell_m,
        crs: grid.crs.clone(),
        places: places.map(|mesh| PlacesView {
            columns: mesh.columns,
            rows: mesh.rows,
            degrees: mesh.degrees.iter().map(|place| place.map(round)).collect(),
        }),
        ramps: BTreeMap::new(),
        layers: Vec::new(),
    };
    let views: Vec<_> = input.maps.par_iter().map(|layer| view(layer, thin, grid.cell_m)).collect();
    for (layer, view) in input.maps.iter().zip(views) {
        if input.maps.iter().filter(|other| other.id == layer.id).count() > 1 {
            return Err(refusal(layer, "another layer has the same id; ids must differ".into()));
        }
        if let MapPixels::Ramp { ramp, .. } = &layer.pixels {
            let colours = ramp.colours(STEPS).into_iter().map(Rgb::css).collect();
            maps.ramps.insert(format!("{ramp:?}"), colours);
        }
        maps.layers.push(view?);
    }
    Ok(maps)
}

fn refusal(layer: &MapLayer, message: String) -> ReportError {
    ReportError::MapLayer { layer: layer.id.clone(), message }
}

/// Every `step`th value of every `step`th row, from the middle of the first step on; at least one each way.
pub(super) fn thinned<T: Copy>(
    values: &[T],
    width: usize,
    height: usize,
    step: usize,
) -> (usize, usize, Vec<T>) {
    let taken = |length: usize| {
        let first = (step / 2).min(length.saturating_sub(1));
        (first..length).step_by(step.max(1)).collect::<Vec<usize>>()
    };
    let (rows, cols) = (taken(height), taken(width));
    let kept = rows.iter().flat_map(|row| cols.iter().map(move |col| values[row * width + col])).collect();
    (cols.len(), rows.len(), kept)
}

fn view(layer: &MapLayer, thin: usize, cell_m: f64) -> Result<LayerView, ReportError> {
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
    let (width, height, indices) = thinned(&indices, layer.width, layer.height, thin);
    let png = indexed_png((width, height), &indices, &palette)
        .map_err(|error| refusal(layer, error.to_string()))?;
    Ok(LayerView {
        id: layer.id.clone(),
        title: layer.title.clone(),
        group: layer.group.clone(),
        scenario: layer.scenario.clone(),
        unit: layer.unit.clone(),
        caption: layer.caption.clone(),
        width,
        height,
        pixel_m: cell_m * (layer.step.max(1) * thin) as f64,
        picture: data_uri(&png),
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
    // the nearest step: cut off after adding a half, which is quick where the processor's rounding may not be used
    1 + (share * (STEPS - 1) as f32 + 0.5) as u8
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::palette::{Ramp, change_classes};
    use base64::Engine;

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
            step: 1,
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
        let pixels =
            MapPixels::Classes { codes: vec![0, 3, 255, 4], styles: change_classes(), no_data: Some(255) };
        let view = view(&layer(pixels), 1, 30.0).unwrap();
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
        let pixels = MapPixels::Ramp {
            values: vec![-5.0, 12.0, f32::NAN, 99.0],
            min: 0.0,
            max: 12.0,
            ramp: Ramp::Hydroperiod,
        };
        let view = view(&layer(pixels), 1, 30.0).unwrap();
        let (pixels, _) = decoded(&view);
        let colours = Ramp::Hydroperiod.colours(STEPS);
        assert_eq!(pixels[0..3], colours[0].0);
        assert_eq!(pixels[4..7], colours[STEPS - 1].0);
        assert_eq!(pixels[11], 0);
        assert_eq!(view.ramp.unwrap().labels, ["0 or less", "6", "12 or more"]);
    }

    #[test]
    fn layers_that_do_not_hold_together_are_refused() {
        let message = |pixels| view(&layer(pixels), 1, 30.0).err().unwrap().to_string();
        let codes = vec![0, 9, 0, 0];
        let unknown = message(MapPixels::Classes { codes, styles: change_classes(), no_data: None });
        assert!(unknown.contains("\"change\"") && unknown.contains("code 9"), "{unknown}");
        let ramp = |values: Vec<f32>, min| MapPixels::Ramp { values, min, max: 1.0, ramp: Ramp::Trend };
        assert!(message(ramp(vec![0.0; 3], 0.0)).contains("3 pixels for 2 x 2"));
        assert!(message(ramp(vec![0.0; 4], 1.0)).contains("limits 1 to 1"));
        assert!(message(ramp(vec![0.0; 4], f32::NAN)).contains("limits NaN"));
    }

    #[test]
    fn thinning_keeps_the_middle_of_every_step_and_never_nothing() {
        let values: Vec<u32> = (0..35).collect();
        // 7 columns, 5 rows, every third from the second on: columns 1 and 4, rows 1 and 4
        assert_eq!(thinned(&values, 7, 5, 3), (2, 2, vec![8, 11, 29, 32]));
        assert_eq!(thinned(&values, 7, 5, 1).2, values);
        assert_eq!(thinned(&[5, 6], 2, 1, 8), (1, 1, vec![6]));
    }
}
