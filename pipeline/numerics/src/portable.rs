//! The exponential and the inverse logit in plain arithmetic, the same to the last bit on every machine.
//!
//! The exponential of the system's mathematics library differs in its last digit between versions and between processors
//! (with or without fused multiply-add), and a call for each number keeps a loop from working on several numbers at once.
//! Here are only additions, multiplications, one division and whole-number shifts, which IEEE 754 fixes to the last bit, without branches.

/// High part of ln 2: its product with a whole number below 2^11 is exact (as in fdlibm).
const LN_2_HIGH: f64 = 6.931_471_803_691_238e-1;
/// ln 2 minus its high part.
const LN_2_LOW: f64 = 1.908_214_929_270_587_7e-10;
/// 1.5 x 2^52: adding it rounds to a whole number and leaves that number in the lowest bits.
const ROUNDER: f64 = 6_755_399_441_055_744.0;
/// Beyond these the exponential is held: about 1e-308 and 1e308.
const LEAST: f64 = -708.0;
const MOST: f64 = 709.0;

/// e^x, to about one unit in the last place, for x from -708 to 709; held at the values there beyond. NaN gives NaN.
///
/// With x = k ln 2 + r, |r| <= ln 2 / 2: 2^k times the Taylor polynomial of degree 13 in r, which is right to 1e-17.
///
/// ```
/// use lentic_numerics::portable::exp;
/// assert_eq!(exp(0.0), 1.0);
/// assert!((exp(1.0) - std::f64::consts::E).abs() < 1e-15);
/// ```
#[inline(always)]
pub fn exp(x: f64) -> f64 {
    // written so that NaN stays
    let x = if x < LEAST { LEAST } else { x };
    let x = if x > MOST { MOST } else { x };
    let shifted = x * std::f64::consts::LOG2_E + ROUNDER;
    let k = shifted - ROUNDER;
    let r = (x - k * LN_2_HIGH) - k * LN_2_LOW;
    let r2 = r * r;
    let r4 = r2 * r2;
    let low = (1.0 / 2.0 + r * (1.0 / 6.0)) + r2 * (1.0 / 24.0 + r * (1.0 / 120.0));
    let middle = (1.0 / 720.0 + r * (1.0 / 5_040.0)) + r2 * (1.0 / 40_320.0 + r * (1.0 / 362_880.0));
    let high = (1.0 / 3_628_800.0 + r * (1.0 / 39_916_800.0))
        + r2 * (1.0 / 479_001_600.0 + r * (1.0 / 6_227_020_800.0));
    let beyond = low + r4 * (middle + r4 * high);
    let scale = f64::from_bits((shifted.to_bits() << 52).wrapping_add(1023 << 52));
    (1.0 + (r + r2 * beyond)) * scale
}

/// 1 / (1 + e^-x).
///
/// ```
/// use lentic_numerics::portable::inverse_logit;
/// assert_eq!(inverse_logit(0.0), 0.5);
/// ```
#[inline(always)]
pub fn inverse_logit(x: f64) -> f64 {
    1.0 / (1.0 + exp(-x))
}

/// Works on the widest vectors the processor has, where `work` is inlined. Results do not depend on them: no sum is reordered, and
/// without the feature of fused multiply-add nothing can be fused.
#[inline(always)]
pub fn wide<R>(work: impl FnOnce() -> R) -> R {
    #[cfg(target_arch = "x86_64")]
    {
        #[target_feature(enable = "avx2,popcnt")]
        fn with_avx2<R>(work: impl FnOnce() -> R) -> R {
            work()
        }
        if std::arch::is_x86_feature_detected!("avx2") && std::arch::is_x86_feature_detected!("popcnt") {
            // SAFETY: the processor has what the function is compiled for.
            #[allow(unsafe_code)]
            return unsafe { with_avx2(work) };
        }
    }
    work()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn values_of_a_table() {
        // Abramowitz and Stegun 1964, table 4.4 (from memory); numpy 2.4 gives the same digits
        for (x, value) in [
            (1.0, std::f64::consts::E),
            (-1.0, 0.367_879_441_171_442_33),
            (10.0, 22_026.465_794_806_718),
            (-20.0, 2.061_153_622_438_558e-9),
        ] {
            assert!((exp(x) / value - 1.0).abs() < 3e-16, "{x}: {}", exp(x));
        }
        assert!(exp(f64::NAN).is_nan() && inverse_logit(f64::NAN).is_nan());
        assert!(exp(f64::INFINITY) > 8e307 && exp(f64::INFINITY).is_finite());
        assert!(exp(f64::NEG_INFINITY) > 0.0 && exp(f64::NEG_INFINITY) < 4e-308);
        assert_eq!(inverse_logit(40.0), 1.0);
    }

    proptest! {
        /// Within a unit or so of the last place of the system's own.
        #[test]
        fn near_the_systems_exponential(x in -700.0f64..700.0) {
            prop_assert!((exp(x) / x.exp() - 1.0).abs() < 4.5e-16, "{} {}", exp(x), x.exp());
        }

        /// Many at once give the bits that each gives alone.
        #[test]
        fn vectors_change_nothing(x in prop::collection::vec(-50.0f64..50.0, 0..40)) {
            let mut all = x.clone();
            wide(|| all.iter_mut().for_each(|x| *x = inverse_logit(*x)));
            for (all, x) in all.iter().zip(&x) {
                prop_assert_eq!(all.to_bits(), inverse_logit(std::hint::black_box(*x)).to_bits());
            }
        }
    }
}
