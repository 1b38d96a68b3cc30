//! Standardised indices and drought events against published and independently computed values.
//! The tables are described in `data/README.md`.

mod common;

use common::{near, near_share, table};
use lentic_numerics::drought_events::{events, runs_below};
use lentic_numerics::gamma_fit::{fit_gamma, fit_gamma_thom};
use lentic_numerics::log_logistic::{fit_log_logistic, weighted_moments};
use lentic_numerics::standard_index::{Balance, IndexModel, MonthFit, ZeroMass, rolling_sums};

/// Printed to six decimals.
const SIX: f64 = 6e-7;

#[test]
fn gamma_fit_of_ithaca_january() {
    // Wilks 2006, Statistical Methods in the Atmospheric Sciences, 2nd ed., section 4.4.3, from memory: mean 1.96 in,
    // D 0.139, alpha 3.76, beta 0.52. More digits: scipy 1.17.1 (brentq on digamma).
    let rain = &table("ithaca_january_1933_1982.csv")["precip_in"];
    assert_eq!(rain.len(), 50);
    near(rain.iter().sum::<f64>() / 50.0, 1.96, 5e-3);
    let thom = fit_gamma_thom(rain).unwrap();
    near(thom.shape, 3.76, 5.1e-3);
    near(thom.scale, 0.52, 5e-3);
    near_share(thom.shape, 3.764_973_249_5, 1e-9);
    near_share(thom.scale, 0.520_747_391_8, 1e-9);
    let best = fit_gamma(rain).unwrap();
    near_share(best.shape, 3.763_926_148_9, 1e-9);
    near_share(best.scale, 0.520_892_260_5, 1e-9);
}

#[test]
fn seattle_months_pooled() {
    // scipy 1.17.1: gamma.fit(floc=0) and norm.ppf on all 48 months, H(0) = q
    let data = table("spi_seattle_2012_2015.csv");
    let rain = &data["precip_mm"];
    let thom = fit_gamma_thom(rain).unwrap();
    near_share(thom.zero_share, 2.0 / 48.0, 1e-12);
    near_share(thom.shape, 1.376_513_339_3, 1e-9);
    near_share(thom.scale, 69.899_352_630_4, 1e-9);
    let month = MonthFit::new(rain, Balance::Precipitation, ZeroMass::Mass).unwrap();
    let best = fit_gamma(rain).unwrap();
    near_share(best.shape, 1.370_591_156_8, 1e-9);
    near_share(best.scale, 70.201_380_496_4, 1e-9);
    for (i, sum) in rain.iter().enumerate() {
        near(thom.tails(*sum, ZeroMass::Mass).lower, data["H_thom"][i], SIX);
        near(thom.index(*sum, ZeroMass::Mass), data["spi_thom_exact"][i], SIX);
        near(best.tails(*sum, ZeroMass::Mass).lower, data["H_mle"][i], SIX);
        near(month.index(*sum), data["spi_mle_exact"][i], SIX);
        // Abramowitz and Stegun 26.2.23 is within 4.5e-4 of the true quantile (stated bound)
        near(month.index(*sum), data["spi_mle_as26223"][i], 4.5e-4 + SIX);
    }
    // Half the mass at zero: scipy 1.17.1 norm.ppf(1/48)
    let centre = MonthFit::new(rain, Balance::Precipitation, ZeroMass::Centre).unwrap();
    near(centre.index(0.0), -2.036_834_131_7, 1e-9);
    near(centre.index(173.3), month.index(173.3), 1e-12);
}

#[test]
fn seattle_three_month_sums() {
    let data = table("spi_seattle_2012_2015.csv");
    let sums: Vec<f64> = rolling_sums(&data["precip_mm"], 3).into_iter().flatten().collect();
    assert_eq!(sums.len(), 46);
    let thom = fit_gamma_thom(&sums).unwrap();
    near_share(thom.shape, 2.611_101_817, 1e-9);
    near_share(thom.scale, 100.386_573_785_9, 1e-9);
    let best = fit_gamma(&sums).unwrap();
    near_share(best.shape, 2.609_062_134_3, 1e-9);
    near_share(best.scale, 100.465_052_852_8, 1e-9);
}

#[test]
fn forty_eight_years_by_calendar_month() {
    // scipy 1.17.1, H(0) = q
    let data = table("spi_coles_monthly.csv");
    let parameters = table("spi_coles_params.csv");
    let rain = &data["precip_mm"];
    let calendar: Vec<u32> = data["month"].iter().map(|m| *m as u32).collect();
    for (scale, likely, closed) in [(1, "spi1_mle", "spi1_thom"), (3, "spi3_mle", "spi3_thom")] {
        let sums = rolling_sums(rain, scale);
        let model =
            IndexModel::fit(&sums, &calendar, 0..sums.len(), Balance::Precipitation, ZeroMass::Mass).unwrap();
        assert_eq!(model.reference_years(), 48);
        for (i, sum) in sums.iter().enumerate() {
            let expected = data[likely][i];
            assert_eq!(sum.is_none(), expected.is_nan(), "the first k - 1 months have no index");
            let Some(sum) = *sum else { continue };
            near(model.month(calendar[i]).unwrap().index(sum), expected, SIX);
            assert_eq!(model.shown(calendar[i], Some(sum)).unwrap().limited, expected.abs() > 3.5);
            if expected.abs() < 2.5 {
                near(model.response(calendar[i], Some(sum)).unwrap(), expected, SIX);
            }
        }
        for month in 1..=12 {
            let own: Vec<f64> =
                sums.iter().zip(&calendar).filter(|(_, m)| **m == month).filter_map(|(s, _)| *s).collect();
            let row = (0..24)
                .find(|r| {
                    parameters["scale"][*r] == scale as f64
                        && parameters["calendar_month"][*r] == f64::from(month)
                })
                .unwrap();
            let (thom, best) = (fit_gamma_thom(&own).unwrap(), fit_gamma(&own).unwrap());
            assert_eq!(own.len() as f64, parameters["n"][row]);
            near(thom.zero_share, parameters["q"][row], 6e-9);
            near_share(thom.shape, parameters["alpha_thom"][row], 1e-7);
            near_share(thom.scale, parameters["beta_thom"][row], 1e-7);
            near_share(best.shape, parameters["alpha_mle"][row], 1e-7);
            near_share(best.scale, parameters["beta_mle"][row], 1e-7);
            for (i, sum) in sums.iter().enumerate().filter(|(i, _)| calendar[*i] == month) {
                if let Some(sum) = sum {
                    near(thom.index(*sum, ZeroMass::Mass), data[closed][i], SIX);
                }
            }
        }
    }
}

#[test]
fn log_logistic_fit_of_the_nile() {
    // scipy 1.17.1 stats.lmoment and the formulas of Vicente-Serrano et al. 2010 written out in Python
    let data = table("spei_fit_nile.csv");
    let flow = &data["D"];
    let mut sorted = flow.clone();
    sorted.sort_by(f64::total_cmp);
    let [w0, w1, w2] = weighted_moments(&sorted).unwrap();
    near(w0, 919.35, 1e-9);
    near_share(w1, 411.757_676_767_7, 1e-12);
    near_share(w2, 260.140_748_299_3, 1e-12);
    let fit = fit_log_logistic(flow).unwrap();
    near_share(fit.k, -0.100_677_881_6, 1e-8);
    near_share(fit.alpha(), 936.101_919_199_2, 1e-10);
    near_share(fit.beta(), 9.932_668_269_5, 1e-10);
    near_share(fit.gamma(), -32.543_752_058_4, 1e-8);
    for (i, value) in flow.iter().enumerate() {
        near(fit.tails(*value).lower, data["F_ub"][i], 6e-9);
        near(fit.index(*value), data["spei_ub_exact"][i], SIX);
    }
}

#[test]
fn log_logistic_fit_of_a_water_balance() {
    let data = table("spei_seattle_2012_2015.csv");
    let balance = &data["D_mm"];
    let fit = fit_log_logistic(balance).unwrap();
    // The table's balance is rounded to six decimals, so the far-off origin keeps six digits or so
    near_share(fit.alpha(), 2_295.124_617_1, 1e-5);
    near_share(fit.beta(), 39.358_094_324_5, 1e-5);
    near_share(fit.gamma(), -2_263.754_727_4, 1e-5);
    for (value, expected) in balance.iter().zip(&data["spei_pooled_ub"]) {
        near(fit.index(*value), *expected, 2e-6);
    }
    let month = MonthFit::new(balance, Balance::WaterBalance, ZeroMass::Centre).unwrap();
    near(month.response(163.5447), 1.284_893, 2e-6);
}

#[test]
fn negative_skew_turns_the_signs_of_the_log_logistic() {
    // Three-month sums of the same balance: t3 < 0, so beta and alpha are below 0 and the support has an upper end
    let data = table("spei_seattle_2012_2015.csv");
    let sums: Vec<f64> = rolling_sums(&data["D_mm"], 3).into_iter().flatten().collect();
    let fit = fit_log_logistic(&sums).unwrap();
    near_share(fit.k, 0.024_609_185_1, 1e-6);
    near_share(fit.beta(), -40.635_234_234_2, 1e-6);
    near_share(fit.alpha(), -5_587.157_658_7, 1e-6);
    near_share(fit.gamma(), 5_673.830_221_9, 1e-6);
    assert_eq!(fit.support(), (f64::NEG_INFINITY, fit.gamma()));
    let expected = [1.360_116_91, 0.780_130_00, 0.369_846_34, -0.396_444_94, -0.837_465_55];
    for (sum, z) in sums.iter().zip(expected) {
        near(fit.index(*sum), z, 2e-7);
    }
}

#[test]
fn seattle_droughts() {
    // McKee's event rule in a few lines of Python on the same index
    let data = table("spi_seattle_2012_2015.csv");
    let index: Vec<Option<f64>> = data["spi_mle_exact"].iter().copied().map(Some).collect();
    let found = events(&index);
    let expected = [
        (2012.0, 7.0, 3, 4.256_985),
        (2013.0, 5.0, 4, 3.153_455),
        (2014.0, 6.0, 4, 2.622_713),
        (2015.0, 4.0, 4, 4.601_821),
    ];
    assert_eq!(found.len(), expected.len());
    for (event, (year, month, duration, severity)) in found.iter().zip(expected) {
        assert_eq!((data["year"][event.start], data["month"][event.start]), (year, month));
        assert_eq!(event.duration, duration);
        near(event.severity, severity, 5e-6);
    }
}

#[test]
fn years_of_the_nile_below_its_mean() {
    // Run theory in a few lines of Python on R's `Nile`
    let data = table("nile.csv");
    let runs = runs_below(&data["value"], 919.35);
    assert_eq!(runs.len(), 15);
    let expected = [
        (1899.0, 4, 495.40),
        (1911.0, 5, 1057.75),
        (1918.0, 11, 1273.85),
        (1939.0, 7, 1138.45),
        (1965.0, 6, 767.10),
    ];
    for (year, length, severity) in expected {
        let run = runs.iter().find(|r| data["year"][r.start] == year).unwrap();
        assert_eq!(run.length, length);
        near(run.severity, severity, 1e-6);
    }
}
