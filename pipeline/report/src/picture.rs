//! Maps as pictures inside a page.

use crate::ReportError;
use crate::colour::Rgb;
use base64::Engine;

/// An indexed PNG (W3C Portable Network Graphics) as a data URI. Index 0 is transparent, `palette` follows it; pixels row by row from the
/// top left.
///
/// # Errors
/// Pixels that do not fit the size, or the encoder refuses.
pub(crate) fn picture(
    name: &str,
    (width, height): (usize, usize),
    indices: &[u8],
    palette: &[Rgb],
) -> Result<String, ReportError> {
    let refused = |message: String| ReportError::MapLayer { layer: name.to_string(), message };
    if indices.is_empty() || width.checked_mul(height) != Some(indices.len()) {
        return Err(refused(format!(
            "{} pixels for {width} x {height}; give width x height of them, at least one",
            indices.len()
        )));
    }
    let png = indexed_png((width, height), indices, palette).map_err(|error| refused(error.to_string()))?;
    Ok(data_uri(&png))
}

/// A PNG as a data URI.
pub(crate) fn data_uri(png: &[u8]) -> String {
    format!("data:image/png;base64,{}", base64::engine::general_purpose::STANDARD.encode(png))
}

/// An indexed PNG; index 0 is transparent, `palette` follows it.
pub(crate) fn indexed_png(
    (width, height): (usize, usize),
    indices: &[u8],
    palette: &[Rgb],
) -> Result<Vec<u8>, png::EncodingError> {
    let side = |length: usize| u32::try_from(length).unwrap_or(u32::MAX);
    let mut out = Vec::new();
    let mut encoder = png::Encoder::new(&mut out, side(width), side(height));
    encoder.set_color(png::ColorType::Indexed);
    encoder.set_depth(png::BitDepth::Eight);
    // a palette picture compresses best unfiltered (PNG specification, filter selection)
    encoder.set_filter(png::Filter::NoFilter);
    encoder.set_compression(png::Compression::Balanced);
    let colours = std::iter::once(&Rgb([0, 0, 0])).chain(palette).flat_map(|colour| colour.0);
    encoder.set_palette(colours.collect::<Vec<u8>>());
    encoder.set_trns(vec![0u8]);
    let mut writer = encoder.write_header()?;
    writer.write_image_data(indices)?;
    writer.finish()?;
    Ok(out)
}
