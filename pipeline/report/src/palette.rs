//! The colours of maps and charts: our own, told apart with any of the common kinds of colour vision.
//!
//! Class colours were chosen by maximising the least OKLab distance between any two classes under
//! normal, protan, deutan and tritan vision. Ramps run through a few anchors of our own at an even
//! pace in OKLab, so that equal steps of the value look equally large.

use crate::colour::{Lab, Rgb, distance, lab, rgb};
use serde::{Deserialize, Serialize};

/// How one class is shown.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct ClassStyle {
    /// Code in the raster.
    pub code: u8,
    /// Name in the legend.
    pub name: String,
    /// Colour.
    pub colour: Rgb,
}

fn classes(rows: &[(u8, &str, Rgb)]) -> Vec<ClassStyle> {
    rows.iter()
        .map(|(code, name, colour)| ClassStyle { code: *code, name: (*name).to_string(), colour: *colour })
        .collect()
}

/// Neither habitat nor anything to look at.
const GROUND: Rgb = Rgb::new(0xece7de);
/// Habitat kept.
pub(crate) const KEPT: Rgb = Rgb::new(0x034b45);
/// Habitat degraded.
pub(crate) const DEGRADED: Rgb = Rgb::new(0xecaf59);
/// Habitat lost.
pub(crate) const LOST: Rgb = Rgb::new(0xd36152);
/// Habitat gained.
pub(crate) const GAINED: Rgb = Rgb::new(0x579bce);
/// Drier than usual, in the chart of the drought index.
pub(crate) const DRIER: Rgb = Rgb::new(0x9a5220);
/// Wetter than usual.
pub(crate) const WETTER: Rgb = Rgb::new(0x2d7190);

/// Classes of the change between baseline and scenario, codes 0 to 4.
pub fn change_classes() -> Vec<ClassStyle> {
    classes(&[
        (0, "Outside habitat", GROUND),
        (1, "Kept", KEPT),
        (2, "Degraded", DEGRADED),
        (3, "Lost", LOST),
        (4, "Gained", GAINED),
    ])
}

/// Classes of the comparison of two runs, codes 0 to 3; `first` and `other` are their letters.
pub fn compared_classes(first: char, other: char) -> Vec<ClassStyle> {
    classes(&[
        (0, "Habitat in neither run", GROUND),
        (1, "Habitat in both", KEPT),
        (2, &format!("Habitat in run {first} only"), LOST),
        (3, &format!("Habitat in run {other} only"), GAINED),
    ])
}

/// Classes of water permanence, codes 0 (dry) to 4 (permanent).
pub fn permanence_classes() -> Vec<ClassStyle> {
    classes(&[
        (0, "Dry", Rgb::new(0xefe6d2)),
        (1, "Temporary", Rgb::new(0xddaa56)),
        (2, "Seasonal", Rgb::new(0x369896)),
        (3, "Semi-permanent", Rgb::new(0x225d93)),
        (4, "Permanent", Rgb::new(0x0c2164)),
    ])
}

/// What a small picture of a mask of water shows, codes 0 (nothing seen) to 3: a pixel may stand for many cells.
pub fn water_classes() -> Vec<ClassStyle> {
    classes(&[
        (0, "Not seen", Rgb::new(0x6f6a66)),
        (1, "Dry", Rgb::new(0xefe6d2)),
        (2, "Partly wet", Rgb::new(0x62b0d6)),
        (3, "Wet", Rgb::new(0x0c2164)),
    ])
}

/// Why a cell was not assessed, codes 0 (it was) to 3.
pub fn not_assessed_classes() -> Vec<ClassStyle> {
    classes(&[
        (0, "Assessed", GROUND),
        (1, "Water record too short", Rgb::new(0xa24414)),
        (2, "A layer has no data", Rgb::new(0x343897)),
        (3, "Surroundings too little assessed", Rgb::new(0x36a8b9)),
        (4, "No climate", Rgb::new(0xd9a520)),
    ])
}

/// What limits the suitability: the first twelve factors are told apart by any eye, then colours come again.
const FACTORS: [Rgb; 12] = [
    Rgb::new(0x223ea0),
    Rgb::new(0xf4ae14),
    Rgb::new(0x5a1414),
    Rgb::new(0x84bcf4),
    Rgb::new(0x924c14),
    Rgb::new(0x5a68ca),
    Rgb::new(0xca7614),
    Rgb::new(0x22225a),
    Rgb::new(0xbccaa0),
    Rgb::new(0x765a84),
    Rgb::new(0x6892e6),
    Rgb::new(0x5a3e5a),
];
/// A barrier.
const BARRIER: Rgb = Rgb::new(0x8c8c8c);

/// Classes of the limiting factor: factors by code and name, then where a barrier lies, then where nothing limits.
pub fn limiting_classes(
    factors: Vec<(u8, String)>,
    nothing: (u8, String),
    barrier: (u8, String),
) -> Vec<ClassStyle> {
    let styled = |((code, name), colour): ((u8, String), Rgb)| ClassStyle { code, name, colour };
    let colours = FACTORS.into_iter().cycle();
    let special = [(barrier, BARRIER), (nothing, GROUND)];
    factors.into_iter().zip(colours).chain(special).map(styled).collect()
}

/// Colours for numbers.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Ramp {
    /// Suitability: sand to deep green.
    Suitability,
    /// Hydroperiod and other amounts of water: sand to deep blue.
    Hydroperiod,
    /// Drying margin and other numbers: pale to deep violet.
    Margin,
    /// Trends: brown (drying) over pale to blue (wetting); its middle stands for no change, so give
    /// it limits of the same size either side of 0.
    Trend,
}

impl Ramp {
    /// Colours at the ends and between, low to high. The anchors are our own.
    fn anchors(self) -> &'static [Rgb] {
        const SUITABILITY: [Rgb; 4] =
            [Rgb::new(0xf3ecd6), Rgb::new(0xb3c28a), Rgb::new(0x3f8a6a), Rgb::new(0x083a3a)];
        const HYDROPERIOD: [Rgb; 4] =
            [Rgb::new(0xf3ead6), Rgb::new(0x9cc6c6), Rgb::new(0x3b7fb0), Rgb::new(0x17265f)];
        const MARGIN: [Rgb; 4] =
            [Rgb::new(0xf7ecdc), Rgb::new(0xe0a183), Rgb::new(0x98466f), Rgb::new(0x33184a)];
        const TREND: [Rgb; 5] = [
            Rgb::new(0x5e2c0c),
            Rgb::new(0xd08a3c),
            Rgb::new(0xf3efe8),
            Rgb::new(0x5fa6d0),
            Rgb::new(0x103c6e),
        ];
        match self {
            Ramp::Suitability => &SUITABILITY,
            Ramp::Hydroperiod => &HYDROPERIOD,
            Ramp::Margin => &MARGIN,
            Ramp::Trend => &TREND,
        }
    }

    /// `steps` colours from low to high (at least 2), evenly spaced in OKLab. The two arms of a
    /// diverging ramp are spaced each on its own, so that the pale middle stays in the middle.
    pub fn colours(self, steps: usize) -> Vec<Rgb> {
        let anchors: Vec<Lab> = self.anchors().iter().map(|anchor| lab(*anchor)).collect();
        let last = steps.max(2) - 1;
        (0..=last)
            .map(|step| {
                let share = step as f64 / last as f64;
                rgb(match self {
                    Ramp::Trend if share < 0.5 => along(&anchors[..3], share * 2.0),
                    Ramp::Trend => along(&anchors[2..], share * 2.0 - 1.0),
                    _ => along(&anchors, share),
                })
            })
            .collect()
    }
}

/// The point at a share of the length of the line through `points` (at least one).
fn along(points: &[Lab], share: f64) -> Lab {
    let lengths: Vec<f64> = points.windows(2).map(|pair| distance(pair[0], pair[1])).collect();
    let mut left = share.clamp(0.0, 1.0) * lengths.iter().sum::<f64>();
    for (pair, length) in points.windows(2).zip(&lengths) {
        if left <= *length {
            let t = left / length;
            return std::array::from_fn(|i| pair[0][i] + t * (pair[1][i] - pair[0][i]));
        }
        left -= length;
    }
    points[points.len() - 1]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::colour::{lab_of_light, linear, times};

    /// Full loss of one cone kind, on linear sRGB: G. M. Machado, M. M. Oliveira, L. A. F. Fernandes
    /// (2009), "A physiologically-based model for simulation of color vision deficiency", severity
    /// 1.0; numbers as printed by the Python package colorspacious,
    /// `cvd.machado_et_al_2009_matrix(kind, 100)`.
    const VISIONS: [(&str, [[f64; 3]; 3]); 4] = [
        ("normal", [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]]),
        (
            "protan",
            [
                [0.152286, 1.052583, -0.204868],
                [0.114503, 0.786281, 0.099216],
                [-0.003882, -0.048116, 1.051998],
            ],
        ),
        (
            "deutan",
            [
                [0.367322, 0.860646, -0.227968],
                [0.280085, 0.672501, 0.047413],
                [-0.011820, 0.042940, 0.968881],
            ],
        ),
        (
            "tritan",
            [
                [1.255528, -0.076749, -0.178779],
                [-0.078411, 0.930809, 0.147602],
                [0.004733, 0.691367, 0.303900],
            ],
        ),
    ];

    /// Seven times what is just seen (0.02): clear on single pixels and thin lines (ours).
    const APART: f64 = 0.14;

    fn seen(vision: &[[f64; 3]; 3], colour: Rgb) -> Lab {
        lab_of_light(times(vision, linear(colour)).map(|c| c.clamp(0.0, 1.0)))
    }

    fn check_apart(what: &str, colours: &[Rgb]) {
        apart_by(what, colours, APART);
    }

    fn apart_by(what: &str, colours: &[Rgb], apart: f64) {
        for (name, vision) in &VISIONS {
            for (i, a) in colours.iter().enumerate() {
                for b in &colours[i + 1..] {
                    let d = distance(seen(vision, *a), seen(vision, *b));
                    assert!(d >= apart, "{what}, {name}: {} and {} are {d:.3} apart", a.css(), b.css());
                }
            }
        }
    }

    #[test]
    fn classes_are_told_apart_by_every_eye() {
        for (what, classes) in [
            ("change", change_classes()),
            ("permanence", permanence_classes()),
            ("not assessed", not_assessed_classes()),
            ("water", water_classes()),
        ] {
            let colours: Vec<_> = classes.iter().map(|class| class.colour).collect();
            check_apart(what, &colours);
            assert!(classes.iter().enumerate().all(|(i, class)| usize::from(class.code) == i));
        }
        check_apart("drought", &[DRIER, WETTER]);
    }

    /// Twelve factors, a barrier and bare ground cannot lie as far apart as four classes: here the distance is half as large again as
    /// what is seen on small areas (ours).
    #[test]
    fn limiting_factors_are_told_apart_by_every_eye() {
        let named = |code: u8| (code, format!("factor {code}"));
        let classes = limiting_classes((1..=14).map(named).collect(), named(0), named(254));
        let mut colours: Vec<_> = classes[..12].iter().map(|class| class.colour).collect();
        colours.extend([classes[14].colour, classes[15].colour]);
        apart_by("limiting factors", &colours, 0.1);
        assert_eq!(classes[12].colour, classes[0].colour);
        assert_eq!((classes[14].code, classes[15].code), (254, 0));
    }

    #[test]
    fn a_poor_choice_would_be_found() {
        // Red against green of equal lightness, the classic pair to avoid.
        let found = std::panic::catch_unwind(|| {
            check_apart("red and green", &[Rgb::new(0xc0504d), Rgb::new(0x6f8f3f)]);
        });
        assert!(found.is_err());
    }

    #[test]
    fn sequential_ramps_darken_all_the_way_for_every_eye() {
        for ramp in [Ramp::Suitability, Ramp::Hydroperiod, Ramp::Margin] {
            for (name, vision) in &VISIONS {
                let light: Vec<f64> =
                    ramp.colours(64).iter().map(|colour| seen(vision, *colour)[0]).collect();
                assert!(light.windows(2).all(|pair| pair[1] < pair[0]), "{ramp:?}, {name}");
                assert!(light[0] - light[63] > 0.5, "{ramp:?}, {name}");
            }
        }
    }

    #[test]
    fn permanence_darkens_with_water() {
        let light: Vec<f64> = permanence_classes().iter().map(|class| lab(class.colour)[0]).collect();
        assert!(light.windows(2).all(|pair| pair[1] < pair[0]), "{light:?}");
    }

    #[test]
    fn the_trend_is_palest_in_the_middle_and_its_ends_differ() {
        let colours = Ramp::Trend.colours(65);
        let light: Vec<f64> = colours.iter().map(|colour| lab(*colour)[0]).collect();
        assert!(light[..33].windows(2).all(|pair| pair[1] > pair[0]));
        assert!(light[32..].windows(2).all(|pair| pair[1] < pair[0]));
        check_apart("trend quarter points", &[colours[12], colours[32], colours[52]]);
    }

    #[test]
    fn ramps_go_at_an_even_pace() {
        for ramp in [Ramp::Suitability, Ramp::Hydroperiod, Ramp::Margin] {
            let colours = ramp.colours(16);
            let steps: Vec<f64> =
                colours.windows(2).map(|pair| distance(lab(pair[0]), lab(pair[1]))).collect();
            let mean = steps.iter().sum::<f64>() / steps.len() as f64;
            // Steps over an anchor cut its corner, and bytes round: hence not exactly even.
            assert!(steps.iter().all(|step| (step / mean - 1.0).abs() < 0.15), "{ramp:?} {steps:?}");
        }
    }

    #[test]
    fn a_ramp_has_as_many_colours_as_asked_and_ends_on_its_anchors() {
        for ramp in [Ramp::Suitability, Ramp::Hydroperiod, Ramp::Margin, Ramp::Trend] {
            let colours = ramp.colours(255);
            assert_eq!(colours.len(), 255);
            assert_eq!(colours[0], ramp.anchors()[0]);
            assert_eq!(colours[254], ramp.anchors()[ramp.anchors().len() - 1]);
        }
        assert_eq!(Ramp::Trend.colours(255)[127], Rgb::new(0xf3efe8));
        assert_eq!(Ramp::Trend.colours(0).len(), 2);
    }
}
