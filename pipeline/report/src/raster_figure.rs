//! Charts as PNG, drawn with the fonts that come with the program, so that they are the same on every machine.

use crate::ReportError;
use resvg::tiny_skia::{Color, Pixmap, Transform};
use resvg::usvg::{Options, Tree, fontdb::Database};
use std::path::Path;
use std::sync::{Arc, LazyLock};

/// Resolution, dots per inch: what journals ask for of drawings with words (common practice: 600 to 1200).
const DPI: f64 = 600.0;
/// Millimetres of an inch.
const INCH_MM: f64 = 25.4;

/// The fonts, read once.
static FONTS: LazyLock<Arc<Database>> = LazyLock::new(|| {
    let mut fonts = Database::new();
    fonts.load_font_data(include_bytes!("../vendor/dejavu/DejaVuSansCondensed.ttf").to_vec());
    fonts.load_font_data(include_bytes!("../vendor/dejavu/DejaVuSansCondensed-Bold.ttf").to_vec());
    let family = fonts.faces().next().and_then(|face| face.families.first()).map(|(name, _)| name.clone());
    if let Some(family) = family {
        fonts.set_sans_serif_family(family);
    }
    Arc::new(fonts)
});

/// The SVG of a figure as an RGB PNG on white, `width_mm` wide at 600 dots per inch, which the file says of itself.
///
/// # Errors
/// An SVG that is none, or that has no size.
pub(crate) fn png(path: &Path, svg: &str, width_mm: f64) -> Result<Vec<u8>, ReportError> {
    let broken = |message: String| ReportError::Page { path: path.to_path_buf(), message };
    let options = Options { fontdb: Arc::clone(&FONTS), ..Options::default() };
    let tree = Tree::from_str(svg, &options).map_err(|error| broken(error.to_string()))?;
    let width = (width_mm / INCH_MM * DPI).round();
    let scale = width as f32 / tree.size().width();
    let height = (tree.size().height() * scale).ceil();
    let mut pixels =
        Pixmap::new(width as u32, height as u32).ok_or_else(|| broken("the figure has no size".into()))?;
    pixels.fill(Color::WHITE);
    resvg::render(&tree, Transform::from_scale(scale, scale), &mut pixels.as_mut());
    encoded(&pixels).map_err(|error| broken(error.to_string()))
}

fn encoded(pixels: &Pixmap) -> Result<Vec<u8>, png::EncodingError> {
    let mut out = Vec::new();
    let mut encoder = png::Encoder::new(&mut out, pixels.width(), pixels.height());
    encoder.set_color(png::ColorType::Rgb);
    encoder.set_depth(png::BitDepth::Eight);
    encoder.set_compression(png::Compression::Balanced);
    let per_metre = (DPI / INCH_MM * 1000.0).round() as u32;
    encoder.set_pixel_dims(Some(png::PixelDimensions {
        xppu: per_metre,
        yppu: per_metre,
        unit: png::Unit::Meter,
    }));
    // on white every pixel is opaque, so that its colours are not premultiplied by anything
    let bytes: Vec<u8> = pixels.pixels().iter().flat_map(|p| [p.red(), p.green(), p.blue()]).collect();
    let mut writer = encoder.write_header()?;
    writer.write_image_data(&bytes)?;
    writer.finish()?;
    Ok(out)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn dark(body: &str) -> usize {
        let svg = format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"85mm\" height=\"20mm\" viewBox=\"0 0 340 80\" \
             font-family=\"system-ui, 'Segoe UI', Helvetica, Arial, sans-serif\">{body}</svg>"
        );
        let bytes = png(Path::new("figure.png"), &svg, 85.0).unwrap();
        let mut reader = png::Decoder::new(std::io::Cursor::new(bytes)).read_info().unwrap();
        // 85 mm at 600 dpi: 85 / 25.4 x 600 = 2007.9 pixels; 600 / 0.0254 = 23622 pixels a metre
        assert_eq!((reader.info().width, reader.info().pixel_dims.unwrap().xppu), (2008, 23_622));
        let mut pixels = vec![0; reader.output_buffer_size().unwrap()];
        reader.next_frame(&mut pixels).unwrap();
        pixels.chunks(3).filter(|p| p[0] < 100).count()
    }

    #[test]
    fn words_are_drawn_bold_ones_bolder_and_other_scripts_too() {
        let word = |text: &str, weight: &str| {
            dark(&format!("<text x=\"10\" y=\"50\" font-size=\"24\"{weight}>{text}</text>"))
        };
        assert_eq!(dark(""), 0);
        let (plain, bold) = (word("Habitat", ""), word("Habitat", " font-weight=\"600\""));
        assert!(plain > 2000 && bold as f64 > 1.2 * plain as f64, "{plain} {bold}");
        for text in ["مستنقع", "Ζώνη", "Зона"] {
            assert!(word(text, "") > 1000, "{text}");
        }
    }

    #[test]
    fn no_figure_is_no_picture() {
        assert!(png(Path::new("figure.png"), "<p>", 85.0).is_err());
    }
}
