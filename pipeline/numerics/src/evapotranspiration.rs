//! Sun, day length and potential evapotranspiration from temperature.
//!
//! Sun and day length: Allen, Pereira, Raes and Smith 1998, Crop evapotranspiration, FAO Irrigation and
//! Drainage Paper 56, equations 21 to 25 and 34. Latitudes in degrees, north positive.

use std::f64::consts::PI;

/// Day of the year (1 = 1 January, no leap day) of the 15th of each month, January first: the day that stands
/// for its month.
pub const MID_MONTH_DAY: [u32; 12] = [15, 46, 74, 105, 135, 166, 196, 227, 258, 288, 319, 349];

/// Solar constant, MJ m-2 min-1 (FAO-56 eq. 21).
const SOLAR_CONSTANT: f64 = 0.0820;

/// Millimetres of water evaporated by 1 MJ m-2 (FAO-56 eq. 20).
pub const MM_PER_MEGAJOULE: f64 = 0.408;

/// Temperature from which Thornthwaite's power law gives way to Willmott's parabola, degrees Celsius.
const HOT: f64 = 26.5;

/// Solar declination, radians, on a day of the year (FAO-56 eq. 24).
fn declination(day: u32) -> f64 {
    0.409 * (2.0 * PI / 365.0 * f64::from(day) - 1.39).sin()
}

/// Sunset hour angle, radians (FAO-56 eq. 25): 0 in polar night, pi under the midnight sun.
fn sunset_angle(latitude_deg: f64, day: u32) -> f64 {
    let cosine = -latitude_deg.to_radians().tan() * declination(day).tan();
    cosine.clamp(-1.0, 1.0).acos()
}

/// Hours between sunrise and sunset on a day of the year (FAO-56 eq. 34).
///
/// ```
/// use lentic_numerics::evapotranspiration::day_length;
/// // FAO-56, example 9: 20 degrees south, 3 September: 11.7 hours
/// assert!((day_length(-20.0, 246) - 11.7).abs() < 0.05);
/// ```
pub fn day_length(latitude_deg: f64, day: u32) -> f64 {
    24.0 / PI * sunset_angle(latitude_deg, day)
}

/// Radiation at the top of the atmosphere on a day of the year, MJ m-2 per day (FAO-56 eq. 21).
pub fn extraterrestrial_radiation(latitude_deg: f64, day: u32) -> f64 {
    let latitude = latitude_deg.to_radians();
    let nearness = 1.0 + 0.033 * (2.0 * PI / 365.0 * f64::from(day)).cos();
    let tilt = declination(day);
    let sunset = sunset_angle(latitude_deg, day);
    24.0 * 60.0 / PI
        * SOLAR_CONSTANT
        * nearness
        * (sunset * latitude.sin() * tilt.sin() + latitude.cos() * tilt.cos() * sunset.sin())
}

/// Reference evapotranspiration, mm per day, from daily extremes of temperature in degrees Celsius and
/// radiation at the top of the atmosphere in MJ m-2 per day: Hargreaves and Samani 1985, as FAO-56 eq. 52 with
/// the mean of both extremes. Never below 0; NaN if `t_min` is above `t_max`.
pub fn hargreaves_samani(t_min: f64, t_max: f64, radiation: f64) -> f64 {
    let mean = (t_min + t_max) / 2.0;
    let daily = 0.0023 * (mean + 17.8) * (t_max - t_min).sqrt() * MM_PER_MEGAJOULE * radiation;
    // Below -17.8 degrees the formula turns negative. `max` would turn NaN into 0.
    if daily < 0.0 { 0.0 } else { daily }
}

/// [`hargreaves_samani`] by month for one place: the mean daily extremes of a month with the radiation of its 15th.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HargreavesSamani {
    /// Radiation at the top of the atmosphere on the 15th, MJ m-2 per day, January first.
    radiation: [f64; 12],
}

impl HargreavesSamani {
    /// For a latitude in degrees, north positive.
    pub fn new(latitude_deg: f64) -> Self {
        HargreavesSamani { radiation: MID_MONTH_DAY.map(|day| extraterrestrial_radiation(latitude_deg, day)) }
    }

    /// Evapotranspiration in mm of one month: `t_min` and `t_max` the means of its daily extremes in degrees Celsius,
    /// `calendar` 1 to 12, `days` its length. NaN for another calendar month, a missing temperature, or `t_min` above
    /// `t_max`.
    pub fn month(&self, t_min: f64, t_max: f64, calendar: u32, days: u32) -> f64 {
        let radiation = (calendar as usize).checked_sub(1).and_then(|m| self.radiation.get(m));
        radiation.map_or(f64::NAN, |radiation| hargreaves_samani(t_min, t_max, *radiation) * f64::from(days))
    }
}

/// Potential evapotranspiration of Thornthwaite 1948, Geographical Review 38:55-94, for one place and one set of
/// monthly mean temperatures; from 26.5 degrees Celsius on the form of Willmott, Rowe and Mintz 1985,
/// J. Climatol. 5:589-606.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Thornthwaite {
    /// Heat index I: the sum over months of (T/5)^1.514 where T > 0.
    pub heat_index: f64,
    /// Exponent a.
    pub exponent: f64,
    /// Hours of daylight on the 15th divided by 12, January first.
    day_share: [f64; 12],
}

impl Thornthwaite {
    /// From the twelve mean monthly temperatures (degrees Celsius, January first) of the reference period and the
    /// latitude. A missing (NaN) mean makes every result NaN.
    pub fn new(normals: [f64; 12], latitude_deg: f64) -> Self {
        let heat_index = normals.iter().map(|t| if *t <= 0.0 { 0.0 } else { (t / 5.0).powf(1.514) }).sum();
        Thornthwaite {
            heat_index,
            exponent: exponent(heat_index),
            day_share: MID_MONTH_DAY.map(|day| day_length(latitude_deg, day) / 12.0),
        }
    }

    /// Evapotranspiration in mm of a 30-day month with 12 hours of daylight, at a mean of `t` degrees Celsius.
    /// 0 at or below freezing, and where no month of the normals is above freezing (ours: the formula has no
    /// value there).
    pub fn unadjusted(&self, t: f64) -> f64 {
        if t.is_nan() || self.heat_index.is_nan() {
            f64::NAN
        } else if t <= 0.0 || self.heat_index == 0.0 {
            0.0
        } else if t >= HOT {
            // The parabola has its top at 37.5 degrees: no monthly mean of this climate is far beyond it.
            -415.85 + 32.24 * t - 0.43 * t * t
        } else {
            16.0 * (10.0 * t / self.heat_index).powf(self.exponent)
        }
    }

    /// Evapotranspiration in mm of one month: `t` its mean in degrees Celsius, `calendar` 1 to 12, `days` its
    /// length. NaN for another calendar month or a missing temperature.
    pub fn month(&self, t: f64, calendar: u32, days: u32) -> f64 {
        let share = (calendar as usize).checked_sub(1).and_then(|m| self.day_share.get(m));
        match share {
            Some(share) => self.unadjusted(t) * share * f64::from(days) / 30.0,
            None => f64::NAN,
        }
    }
}

/// Thornthwaite's exponent a of the heat index I.
fn exponent(heat: f64) -> f64 {
    6.75e-7 * heat.powi(3) - 7.71e-5 * heat.powi(2) + 1.792e-2 * heat + 0.49239
}

#[cfg(test)]
mod tests {
    use super::*;

    fn near(found: f64, expected: f64, tolerance: f64) {
        assert!((found - expected).abs() <= tolerance, "{found} {expected}");
    }

    #[test]
    fn fao_56_examples() {
        // Examples 8 and 9: 3 September (day 246), 20 S
        near(declination(246), 0.120, 5e-4);
        near(sunset_angle(-20.0, 246), 1.527, 5e-4);
        near(extraterrestrial_radiation(-20.0, 246), 32.2, 0.05);
        near(MM_PER_MEGAJOULE * extraterrestrial_radiation(-20.0, 246), 13.1, 0.05);
        near(day_length(-20.0, 246), 11.665_591_9, 1e-7);
        // Example 10: Rio de Janeiro, 22 54 S, 15 May (day 135)
        near(extraterrestrial_radiation(-22.9, 135), 25.111_027_8, 1e-6);
        near(day_length(-22.9, 135), 10.9, 0.05);
        // Example 20: Lyon, 45 43 N, July, 26.6 and 14.8 degrees
        let radiation = extraterrestrial_radiation(45.0 + 43.0 / 60.0, 196);
        near(radiation, 40.55, 0.005);
        near(hargreaves_samani(14.8, 26.6, radiation), 5.033_055_3, 1e-6);
    }

    /// FAO-56, example 20 (Lyon, July, 26.6 and 14.8 degrees: 5.0 mm a day), for the whole month.
    #[test]
    fn a_month_is_its_days() {
        let place = HargreavesSamani::new(45.0 + 43.0 / 60.0);
        near(place.month(14.8, 26.6, 7, 31), 31.0 * 5.033_055_3, 1e-5);
        assert!(place.month(14.8, 26.6, 0, 31).is_nan() && place.month(14.8, 26.6, 13, 31).is_nan());
        assert!(place.month(14.8, 10.0, 7, 31).is_nan() && place.month(f64::NAN, 10.0, 7, 31).is_nan());
    }

    #[test]
    fn days_at_the_poles_are_whole_or_none() {
        assert_eq!(day_length(80.0, 172), 24.0);
        assert_eq!(day_length(-80.0, 172), 0.0);
        near(extraterrestrial_radiation(-80.0, 172), 0.0, 1e-12);
    }

    #[test]
    fn exponents_of_thornthwaite() {
        // Recomputed in Python from the printed polynomial
        for (heat, a) in [(20.0, 0.82535), (50.0, 1.280_015), (100.0, 2.18839), (160.0, 4.15063)] {
            near(exponent(heat), a, 5e-7);
        }
    }

    #[test]
    fn hot_months_follow_willmott() {
        let place = Thornthwaite::new([20.0; 12], 10.0);
        // Willmott et al. 1985: -415.85 + 32.24 T - 0.43 T^2 by hand
        near(place.unadjusted(26.5), 136.5425, 1e-9);
        near(place.unadjusted(30.0), 164.35, 1e-9);
        near(place.unadjusted(38.0), 188.35, 1e-9);
    }

    #[test]
    fn cold_and_missing_months() {
        let frozen = Thornthwaite::new([-5.0; 12], 60.0);
        assert_eq!(frozen.heat_index, 0.0);
        assert_eq!(frozen.unadjusted(3.0), 0.0);
        let place = Thornthwaite::new([12.0; 12], 40.0);
        assert_eq!(place.month(-1.0, 1, 31), 0.0);
        assert!(place.month(f64::NAN, 1, 31).is_nan());
        assert!(place.month(10.0, 0, 31).is_nan() && place.month(10.0, 13, 31).is_nan());
        let mut normals = [12.0; 12];
        normals[3] = f64::NAN;
        assert!(Thornthwaite::new(normals, 40.0).month(10.0, 1, 31).is_nan());
        assert_eq!(hargreaves_samani(-40.0, -30.0, 10.0), 0.0);
        assert!(hargreaves_samani(10.0, 5.0, 10.0).is_nan());
    }
}
