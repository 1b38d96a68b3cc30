//! Colours: sRGB bytes, and OKLab, in which equal distances look about equally far apart.

use serde::{Deserialize, Serialize};

/// A colour as sRGB bytes: red, green, blue.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Rgb(pub [u8; 3]);

impl Rgb {
    /// From 0xRRGGBB.
    pub const fn new(code: u32) -> Self {
        Rgb([(code >> 16) as u8, (code >> 8) as u8, code as u8])
    }

    /// As CSS writes it: "#rrggbb".
    pub fn css(self) -> String {
        let [red, green, blue] = self.0;
        format!("#{red:02x}{green:02x}{blue:02x}")
    }
}

/// A colour in OKLab: lightness (0 black to 1 white), green to red, blue to yellow.
///
/// Matrices: B. Ottosson (2020), "A perceptual color space for image processing".
pub(crate) type Lab = [f64; 3];

/// OKLab's cone responses from linear sRGB.
const CONES: [[f64; 3]; 3] = [
    [0.4122214708, 0.5363325363, 0.0514459929],
    [0.2119034982, 0.6806995451, 0.1073969566],
    [0.0883024619, 0.2817188376, 0.6299787005],
];
/// Linear sRGB from OKLab's cone responses.
const FROM_CONES: [[f64; 3]; 3] = [
    [4.0767416621, -3.3077115913, 0.2309699292],
    [-1.2684380046, 2.6097574011, -0.3413193965],
    [-0.0041960863, -0.7034186147, 1.7076147010],
];
/// OKLab from the cube roots of the cone responses.
const LAB: [[f64; 3]; 3] = [
    [0.2104542553, 0.7936177850, -0.0040720468],
    [1.9779984951, -2.4285922050, 0.4505937099],
    [0.0259040371, 0.7827717662, -0.8086757660],
];
/// Cube roots of the cone responses from OKLab.
const FROM_LAB: [[f64; 3]; 3] = [
    [1.0, 0.3963377774, 0.2158037573],
    [1.0, -0.1055613458, -0.0638541728],
    [1.0, -0.0894841775, -1.2914855480],
];

/// A 3 x 3 matrix times a column.
pub(crate) fn times(matrix: &[[f64; 3]; 3], v: [f64; 3]) -> [f64; 3] {
    matrix.map(|row| row[0] * v[0] + row[1] * v[1] + row[2] * v[2])
}

/// Linear light in [0, 1] of sRGB bytes (IEC 61966-2-1).
pub(crate) fn linear(colour: Rgb) -> [f64; 3] {
    colour.0.map(|byte| {
        let c = f64::from(byte) / 255.0;
        if c <= 0.04045 { c / 12.92 } else { ((c + 0.055) / 1.055).powf(2.4) }
    })
}

/// sRGB bytes of linear light; light outside [0, 1] is clipped.
fn bytes(light: [f64; 3]) -> Rgb {
    Rgb(light.map(|c| {
        let c = c.clamp(0.0, 1.0);
        let c = if c <= 0.0031308 { 12.92 * c } else { 1.055 * c.powf(1.0 / 2.4) - 0.055 };
        (c * 255.0).round() as u8
    }))
}

/// OKLab of linear light.
pub(crate) fn lab_of_light(light: [f64; 3]) -> Lab {
    times(&LAB, times(&CONES, light).map(f64::cbrt))
}

/// OKLab of a colour.
pub(crate) fn lab(colour: Rgb) -> Lab {
    lab_of_light(linear(colour))
}

/// The colour of an OKLab value, clipped to what sRGB can show.
pub(crate) fn rgb(lab: Lab) -> Rgb {
    bytes(times(&FROM_CONES, times(&FROM_LAB, lab).map(|c| c * c * c)))
}

/// Distance in OKLab; about 0.02 is just seen on large patches.
pub(crate) fn distance(a: Lab, b: Lab) -> f64 {
    (0..3).map(|i| (a[i] - b[i]).powi(2)).sum::<f64>().sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn oklab_gives_the_published_pairs() {
        // Ottosson (2020): white is (1, 0, 0) (from memory).
        let white = lab(Rgb::new(0xffffff));
        assert!((white[0] - 1.0).abs() < 1e-3 && white[1].abs() < 1e-3 && white[2].abs() < 1e-3);
        // CSS Color Module Level 4: sRGB red is oklab(62.796% 0.22486 0.12585) (from memory).
        let red = lab(Rgb::new(0xff0000));
        for (got, expected) in red.into_iter().zip([0.62796, 0.22486, 0.12585]) {
            assert!((got - expected).abs() < 1e-4, "{red:?}");
        }
    }

    #[test]
    fn every_colour_survives_the_way_there_and_back() {
        for code in (0..0x1000000).step_by(7919) {
            let colour = Rgb::new(code);
            assert_eq!(rgb(lab(colour)), colour);
        }
    }

    #[test]
    fn css_is_six_digits() {
        assert_eq!(Rgb::new(0x0a0b0c).css(), "#0a0b0c");
    }
}
