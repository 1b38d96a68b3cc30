//! Ways to combine scores in [0, 1] into one (rules as in USFWS 1981, Standards for the development of
//! habitat suitability index models, 103 ESM).
//!
//! Weights are divided by their sum, so a caller that leaves a variable out need only leave out its score and
//! its weight. A NaN score gives NaN (the place is not assessed), and so does no score at all.

/// Weighted arithmetic mean. `scores` and `weights` have one length; weights are not negative and not all 0.
pub fn arithmetic(scores: &[f64], weights: &[f64]) -> f64 {
    let total: f64 = weights.iter().sum();
    let sum: f64 = scores.iter().zip(weights).map(|(s, w)| s * w).sum();
    sum / total
}

/// Weighted geometric mean; any 0 whose weight is above 0 gives 0. Arguments as [`arithmetic`].
pub fn geometric(scores: &[f64], weights: &[f64]) -> f64 {
    // a 0 settles it, and most scores of a basin are 0 or 1: the logarithm is what costs
    let (mut total, mut nothing, mut unknown) = (0.0, false, false);
    for (score, weight) in scores.iter().zip(weights) {
        total += weight;
        nothing |= *score == 0.0 && *weight > 0.0;
        unknown |= score.is_nan();
    }
    if unknown || total.is_nan() || total <= 0.0 {
        return f64::NAN;
    }
    if nothing {
        return 0.0;
    }
    let mut sum = 0.0;
    for (score, weight) in scores.iter().zip(weights) {
        // A weight of 0 takes the score out; 0 * ln 0 would be NaN. The logarithm of 1 is 0.
        if *weight > 0.0 && *score != 1.0 {
            sum += weight * score.ln();
        }
    }
    (sum / total).exp()
}

/// The smallest score: the limiting factor.
pub fn minimum(scores: &[f64]) -> f64 {
    let mut least = f64::NAN;
    for (i, score) in scores.iter().enumerate() {
        if score.is_nan() {
            return f64::NAN;
        }
        // f64::min would pass over NaN, which must not become a value.
        if i == 0 || *score < least {
            least = *score;
        }
    }
    least
}

/// The product of the scores.
pub fn product(scores: &[f64]) -> f64 {
    if scores.is_empty() {
        return f64::NAN;
    }
    scores.iter().product()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn near(a: f64, b: f64) {
        assert!((a - b).abs() < 1e-9, "{a} {b}");
    }

    #[test]
    fn means_worked_with_numpy() {
        // numpy 2.4: math.sqrt(.25), (.4**2*.9)**(1/3), .4**.6*.9**.4, np.mean([1,.8,0,.9])
        near(geometric(&[0.25, 1.0], &[1.0, 1.0]), 0.5);
        near(arithmetic(&[0.25, 1.0], &[1.0, 1.0]), 0.625);
        near(geometric(&[0.4, 0.9], &[2.0, 1.0]), 0.524_148_278_8);
        near(geometric(&[0.4, 0.9], &[0.6, 0.4]), 0.553_264_746_9);
        near(geometric(&[1.0, 0.8, 0.0, 0.9], &[0.25; 4]), 0.0);
        near(arithmetic(&[1.0, 0.8, 0.0, 0.9], &[0.25; 4]), 0.675);
        near(minimum(&[1.0, 0.8, 0.0, 0.9]), 0.0);
        near(product(&[0.5, 0.8]), 0.4);
    }

    #[test]
    fn ten_scores_in_a_published_form() {
        // Geometric mean of ten indices, the form of Oldham et al. 2000, Herpetol. J. 10:143-155; value by
        // numpy: np.prod(si) ** .1
        let scores = [1.0, 0.9, 1.0, 0.67, 1.0, 0.67, 0.67, 1.0, 0.67, 0.8];
        near(geometric(&scores, &[0.1; 10]), 0.824_447_814);
    }

    #[test]
    fn missing_is_never_a_score() {
        let scores = [0.5, f64::NAN, 0.2];
        assert!(arithmetic(&scores, &[1.0; 3]).is_nan());
        assert!(geometric(&scores, &[1.0, 0.0, 1.0]).is_nan());
        assert!(minimum(&scores).is_nan() && product(&scores).is_nan());
        assert!(arithmetic(&[], &[]).is_nan() && geometric(&[], &[]).is_nan());
        assert!(minimum(&[]).is_nan() && product(&[]).is_nan());
    }

    #[test]
    fn a_weight_of_zero_takes_a_score_out() {
        assert_eq!(geometric(&[0.0, 0.5], &[0.0, 1.0]), 0.5);
        near(arithmetic(&[0.4, 0.9], &[3.0, 1.0]), 0.525);
    }
}
