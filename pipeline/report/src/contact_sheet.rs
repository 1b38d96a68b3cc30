//! The contact sheet: small pictures of many masks of water on one page, so that a person sees every one of them.

use crate::ReportError;
use crate::colour::Rgb;
use crate::file::write_bytes;
use crate::letters::{HEIGHT, draw, width};
use crate::palette::{ClassStyle, water_classes};
use std::path::Path;

/// A small picture of one mask.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Thumbnail {
    /// What stands above it: digits, small letters, hyphens.
    pub label: String,
    /// Row on the sheet, from 0.
    pub row: usize,
    /// Column on the sheet, from 0.
    pub column: usize,
    /// Whether the label is set off, because something is to be looked at.
    pub marked: bool,
    /// Codes of [`water_classes`], row-major, `width x height`.
    pub codes: Vec<u8>,
}

/// Empty paper, in the palette after the classes.
const PAPER: Rgb = Rgb::new(0xffffff);
/// Labels.
const INK: Rgb = Rgb::new(0x2b2b2b);
/// Labels set off.
const MARK: Rgb = Rgb::new(0xb3261e);
/// Pixels between pictures, and between a label and its picture.
const GAP: usize = 6;
/// Times the letters are enlarged.
const LETTERS: usize = 2;

struct Sheet {
    width: usize,
    pixels: Vec<u8>,
}

impl Sheet {
    /// Colours a rectangle.
    fn fill(&mut self, left: usize, top: usize, width: usize, height: usize, index: u8) {
        for row in top..top + height {
            self.pixels[row * self.width + left..][..width].fill(index);
        }
    }

    fn text(&mut self, left: usize, top: usize, text: &str, index: u8) {
        for (x, y) in draw(text) {
            self.fill(left + x * LETTERS, top + y * LETTERS, LETTERS, LETTERS, index);
        }
    }
}

/// Writes pictures of `width x height` pixels each as one PNG with a legend on top. Labels set off say
/// that something is to be looked at.
///
/// # Errors
/// Pictures of another size, no picture, a code that is no class, or a file that cannot be written.
pub fn write_contact_sheet(
    path: &Path,
    width: usize,
    height: usize,
    pictures: &[Thumbnail],
) -> Result<(), ReportError> {
    let refuse = |message: String| ReportError::Page { path: path.to_path_buf(), message };
    let classes = water_classes();
    for picture in pictures {
        let unknown = picture.codes.iter().find(|code| usize::from(**code) >= classes.len());
        if picture.codes.len() != width * height || unknown.is_some() {
            return Err(refuse(format!(
                "the picture {:?} has {} pixels for {width} x {height}, or a code that is no class ({unknown:?})",
                picture.label,
                picture.codes.len()
            )));
        }
    }
    let (Some(rows), Some(columns)) =
        (pictures.iter().map(|p| p.row + 1).max(), pictures.iter().map(|p| p.column + 1).max())
    else {
        return Err(refuse("there is no picture to show".into()));
    };
    let sheet = compose(width, height, rows, columns, pictures, &classes);
    let png = encode(&sheet, &classes).map_err(|error| refuse(error.to_string()))?;
    write_bytes(path, &png)
}

fn compose(
    width: usize,
    height: usize,
    rows: usize,
    columns: usize,
    pictures: &[Thumbnail],
    classes: &[ClassStyle],
) -> Sheet {
    let (paper, ink) = (classes.len() as u8, classes.len() as u8 + 1);
    let line = HEIGHT * LETTERS + GAP;
    let longest = pictures.iter().map(|p| self::width(&p.label)).max().unwrap_or(0);
    // a cell is as wide as its picture or label
    let across = width.max(longest * LETTERS) + GAP;
    let down = line + height + GAP;
    let entry = |class: &ClassStyle| line + self::width(&class.name.to_lowercase()) * LETTERS + 2 * GAP;
    let legend: usize = classes.iter().map(entry).sum();
    let full_width = GAP + (columns * across).max(legend);
    let full_height = GAP + line + GAP + rows * down;
    let mut sheet = Sheet { width: full_width, pixels: vec![paper; full_width * full_height] };
    let mut left = GAP;
    for (index, class) in classes.iter().enumerate() {
        sheet.fill(left, GAP, HEIGHT * LETTERS, HEIGHT * LETTERS, ink);
        sheet.fill(left + 1, GAP + 1, HEIGHT * LETTERS - 2, HEIGHT * LETTERS - 2, index as u8);
        sheet.text(left + line, GAP, &class.name.to_lowercase(), ink);
        left += entry(class);
    }
    for picture in pictures {
        let (left, top) = (GAP + picture.column * across, 2 * GAP + line + picture.row * down);
        sheet.text(left, top, &picture.label, ink + u8::from(picture.marked));
        for (row, codes) in picture.codes.chunks_exact(width.max(1)).enumerate() {
            sheet.pixels[(top + line + row) * full_width + left..][..width].copy_from_slice(codes);
        }
    }
    sheet
}

/// An indexed PNG (W3C Portable Network Graphics).
fn encode(sheet: &Sheet, classes: &[ClassStyle]) -> Result<Vec<u8>, png::EncodingError> {
    let side = |length: usize| u32::try_from(length).unwrap_or(u32::MAX);
    let mut out = Vec::new();
    let rows = sheet.pixels.len() / sheet.width.max(1);
    let mut encoder = png::Encoder::new(&mut out, side(sheet.width), side(rows));
    encoder.set_color(png::ColorType::Indexed);
    encoder.set_depth(png::BitDepth::Eight);
    // A palette picture compresses best unfiltered (PNG specification, filter selection).
    encoder.set_filter(png::Filter::NoFilter);
    encoder.set_compression(png::Compression::High);
    let colours = classes.iter().map(|class| class.colour).chain([PAPER, INK, MARK]);
    encoder.set_palette(colours.flat_map(|colour| colour.0).collect::<Vec<u8>>());
    let mut writer = encoder.write_header()?;
    writer.write_image_data(&sheet.pixels)?;
    writer.finish()?;
    Ok(out)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn picture(column: usize, codes: Vec<u8>) -> Thumbnail {
        Thumbnail { label: "1988-08".into(), row: 0, column, marked: column == 1, codes }
    }

    /// Pixels as red, green, blue, with the width.
    fn decoded(path: &Path) -> (Vec<[u8; 3]>, usize) {
        let file = std::io::BufReader::new(std::fs::File::open(path).unwrap());
        let mut decoder = png::Decoder::new(file);
        decoder.set_transformations(png::Transformations::EXPAND);
        let mut reader = decoder.read_info().unwrap();
        let mut pixels = vec![0; reader.output_buffer_size().unwrap()];
        let info = reader.next_frame(&mut pixels).unwrap();
        (pixels.chunks_exact(3).map(|p| [p[0], p[1], p[2]]).collect(), info.width as usize)
    }

    #[test]
    fn every_picture_stands_in_its_place_in_its_colours() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("sheet.png");
        let codes = vec![0, 1, 2, 3, 0, 1];
        write_contact_sheet(&path, 3, 2, &[picture(0, codes.clone()), picture(1, codes.clone())]).unwrap();
        let (pixels, width) = decoded(&path);
        let colours: Vec<[u8; 3]> = water_classes().iter().map(|class| class.colour.0).collect();
        // the six pixels of a picture occur, one row under the other, once per picture
        let expected: Vec<[u8; 3]> = codes.iter().map(|code| colours[usize::from(*code)]).collect();
        let found = (0..pixels.len() - width - 3)
            .filter(|at| pixels[*at..at + 3] == expected[..3] && pixels[at + width..][..3] == expected[3..])
            .count();
        assert_eq!(found, 2);
        // labels: as many pixels of ink for one as of the mark for the other, apart from the legend
        let count = |colour: Rgb| pixels.iter().filter(|pixel| **pixel == colour.0).count();
        assert!(count(MARK) > 100 && count(INK) > count(MARK));
    }

    #[test]
    fn pictures_that_do_not_fit_are_refused() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("sheet.png");
        for codes in [vec![0; 5], vec![0, 0, 0, 0, 0, 9]] {
            assert!(write_contact_sheet(&path, 3, 2, &[picture(0, codes)]).is_err());
        }
        assert!(write_contact_sheet(&path, 3, 2, &[]).is_err());
        assert!(!path.exists());
    }
}
