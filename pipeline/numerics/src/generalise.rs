//! How exactly a place may be told: steps of generalisation for sensitive species, cells of them, and what uncertainty is left.
//!
//! Steps: Chapman 2020, *Current Best Practices for Generalizing Sensitive Species Occurrence Data*, GBIF, doi 10.15468/doc-5jp4-5g10,
//! table 7. Places are laid on a grid, never moved at random, as that text recommends.

/// How sensitive an animal's places are, by Chapman 2020, table 7.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sensitivity {
    /// Category 1: coordinates are not released.
    Extreme,
    /// Category 2: 0.1 degree, about 10 km.
    High,
    /// Category 3: 0.01 degree, about 1 km.
    Medium,
    /// Category 4: 0.001 degree, about 100 m.
    Low,
}

impl Sensitivity {
    /// Side of the cells of a metric grid, metres; `None` where no place is told.
    ///
    /// ```
    /// use lentic_numerics::generalise::Sensitivity;
    /// assert_eq!(Sensitivity::High.cell_m(), Some(10_000.0));
    /// assert_eq!(Sensitivity::Extreme.cell_m(), None);
    /// ```
    pub fn cell_m(self) -> Option<f64> {
        self.decimals().map(|decimals| 100_000.0 / 10f64.powi(decimals))
    }

    /// Decimals of degrees that are told; `None` where none is.
    pub fn decimals(self) -> Option<i32> {
        match self {
            Sensitivity::Extreme => None,
            Sensitivity::High => Some(1),
            Sensitivity::Medium => Some(2),
            Sensitivity::Low => Some(3),
        }
    }
}

/// Decimals of degrees that tell no more than a cell of this side: those of the next coarser step; 0 (a degree) above 10 km.
///
/// ```
/// use lentic_numerics::generalise::decimals;
/// assert_eq!([100.0, 500.0, 1000.0, 2500.0, 10_000.0, 20_000.0].map(decimals), [3, 2, 2, 1, 1, 0]);
/// ```
pub fn decimals(cell_m: f64) -> i32 {
    let steps = [Sensitivity::Low, Sensitivity::Medium, Sensitivity::High];
    let fits = |step: &Sensitivity| step.cell_m().is_some_and(|side| side >= cell_m);
    steps.into_iter().find(fits).and_then(Sensitivity::decimals).unwrap_or(0)
}

/// Degrees rounded to so many decimals.
///
/// ```
/// use lentic_numerics::generalise::rounded;
/// assert_eq!(rounded(-31.7654, 1), -31.8);
/// ```
pub fn rounded(degrees: f64, decimals: i32) -> f64 {
    let scale = 10f64.powi(decimals);
    // -0 would be told as such; adding 0 makes it 0
    (degrees * scale).round() / scale + 0.0
}

/// Middle of the cell, counted from 0, in which a coordinate lies, metres.
pub fn middle(coordinate_m: f64, cell_m: f64) -> f64 {
    ((coordinate_m / cell_m).floor() + 0.5) * cell_m
}

/// Radius about the middle of a cell that holds the whole cell, in its plane (Chapman 2020, figure 1: half that from a corner).
pub fn radius(width_m: f64, height_m: f64) -> f64 {
    0.5 * width_m.hypot(height_m)
}

/// Two significant figures, so that an area cannot be looked up on another map of the same water (ours).
pub fn two_figures(value: f64) -> f64 {
    if value == 0.0 || !value.is_finite() {
        return value;
    }
    format!("{value:.1e}").parse().unwrap_or(value)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The arithmetic of Chapman 2020's table 7 on the place (-31.7654, 116.0321).
    #[test]
    fn a_place_by_category() {
        for (step, place) in [
            (Sensitivity::High, (-31.8, 116.0)),
            (Sensitivity::Medium, (-31.77, 116.03)),
            (Sensitivity::Low, (-31.765, 116.032)),
        ] {
            let decimals = step.decimals().unwrap();
            assert_eq!((rounded(-31.7654, decimals), rounded(116.0321, decimals)), place, "{step:?}");
        }
        assert_eq!(rounded(-0.04, 1).to_bits(), 0f64.to_bits());
    }

    /// Radii at 31.65 S on WGS 84 from geographiclib (Python), `Geodesic.WGS84.Inverse` from the middle of the cell to its
    /// farthest corner. Sides of the cells at that latitude, by the same: 0.1 degree is 9485.03 m of longitude at the middle and
    /// 11088.07 m of latitude. The plane is half a promille off.
    #[test]
    fn uncertainty_that_is_left() {
        let (width, height) = (9_485.03, 11_088.07);
        for (part, expected) in [(1.0, 7_296.55), (0.1, 729.44), (0.01, 72.94)] {
            let found = radius(part * width, part * height);
            assert!((found / expected - 1.0).abs() < 1e-3, "{found} against {expected}");
        }
        // told from a corner the radius is twice as wide (figure 1): 14591.47 m
        assert!((2.0 * radius(width, height) / 14_591.47 - 1.0).abs() < 1e-3);
    }

    #[test]
    fn cells_count_from_the_origin() {
        assert_eq!([-0.1, 0.0, 999.9, 1000.0].map(|x| middle(x, 1000.0)), [-500.0, 500.0, 500.0, 1500.0]);
        assert_eq!([7.829999, 0.0, 123.0, 0.0456].map(two_figures), [7.8, 0.0, 120.0, 0.046]);
    }
}
