use super::*;

/// 35 years of rain with a season and a repeatable wobble; no real place.
fn series() -> Series {
    let first: Month = "1986-01".parse().unwrap();
    let axis = MonthAxis { first, len: 35 * 12 };
    let wobble = |at: usize| ((at * 7919 + 13) % 101) as f64 / 101.0;
    Series {
        first,
        precipitation: (0..axis.len)
            .map(|at| (20.0 + 15.0 * ((at % 12) as f64 - 5.5).abs()) * (0.4 + wobble(at)))
            .collect(),
        temperature: Some(
            (0..axis.len).map(|at| 22.0 - 1.5 * ((at % 12) as f64 - 5.5).abs() + wobble(at / 3)).collect(),
        ),
        ..Series::default()
    }
}

fn settings(index: IndexKind, months: usize) -> IndexSettings {
    IndexSettings {
        index,
        months,
        zero: ZeroRule::Centre,
        scale: AnomalyScale::Standardised,
        latitude: -31.0,
        reference: ("1991-01".parse().unwrap(), "2020-12".parse().unwrap()),
    }
}

#[test]
fn no_change_gives_the_same_z_to_the_bit() {
    for index in [IndexKind::Spi, IndexKind::Spei] {
        let model = ClimateModel::fit(series(), settings(index, 12)).unwrap();
        let same = Shift { precipitation: [1.0; 12], temperature: [0.0; 12], index: [0.0; 12] };
        assert_eq!(model.months(&Shift::NONE), model.months(&same));
    }
}

/// Less rain or more warmth lowers z in every month; a deep loss goes on falling beyond -2.5.
#[test]
fn drying_lowers_z_everywhere() {
    let model = ClimateModel::fit(series(), settings(IndexKind::Spei, 12)).unwrap();
    let axis = MonthAxis::new("1991-01".parse().unwrap(), "2020-12".parse().unwrap());
    let z = |rain: f64, warm: f64| {
        let shift = Shift { precipitation: [rain; 12], temperature: [warm; 12], ..Shift::NONE };
        model.z_on(&axis, &shift, 1)
    };
    let base = z(1.0, 0.0);
    assert!(base.iter().all(Option::is_some));
    for (less, more) in [(z(0.6, 0.0), &base), (z(1.0, 2.0), &base), (z(0.4, 0.0), &z(0.6, 0.0))] {
        assert!(less.iter().zip(more).all(|(a, b)| a.unwrap() < b.unwrap()));
    }
    let deep = z(0.4, 0.0);
    assert!(deep.iter().flatten().any(|z| *z < -2.5));
    assert!(model.extrapolated(deep.iter().flatten().copied()) > 100);
    assert_eq!(model.extrapolated(base.iter().flatten().copied()), 0);
}

#[test]
fn temperatures_follow_the_change_of_their_month() {
    let model = ClimateModel::fit(series(), settings(IndexKind::Spei, 12)).unwrap();
    let axis = MonthAxis::new("1990-06".parse().unwrap(), "2021-02".parse().unwrap());
    let mut shift = Shift::NONE;
    shift.temperature[6] = 1.5;
    let (before, after) = (model.temperature_on(&axis, &Shift::NONE), model.temperature_on(&axis, &shift));
    // June 1990 is month 53 of the series: 22 - 1.5 x 0.5 + the wobble of 17
    assert!((before[0] - (21.25 + f64::from((17 * 7919 + 13) % 101) / 101.0)).abs() < 1e-12);
    assert_eq!(after[0], before[0]);
    assert_eq!(after[1], before[1] + 1.5);
    // the series ends in December 2020
    assert!(before[axis.len - 3].is_finite() && before[axis.len - 2].is_nan());
}

#[test]
fn the_first_incomplete_water_year_is_left_out() {
    let model = ClimateModel::fit(series(), settings(IndexKind::Spi, 12)).unwrap();
    let axis = MonthAxis::new("1986-01".parse().unwrap(), "1990-12".parse().unwrap());
    let from = |starts| model.z_on(&axis, &Shift::NONE, starts).iter().position(Option::is_some);
    // the first 12-month sum ends in December 1986
    assert_eq!(from(1), Some(12));
    assert_eq!(from(12), Some(11));
    assert_eq!(from(10), Some(21));
}

#[test]
fn short_or_missing_reference_is_refused() {
    let mut short = settings(IndexKind::Spi, 3);
    short.reference = ("1991-01".parse().unwrap(), "1999-12".parse().unwrap());
    assert_eq!(ClimateModel::fit(series(), short).unwrap_err(), ClimateError::Years { years: 9 });
    short.reference = ("1980-01".parse().unwrap(), "2009-12".parse().unwrap());
    let message = ClimateModel::fit(series(), short).unwrap_err().to_string();
    assert!(message.contains("1986-01 to 2020-12"), "{message}");
    let mut dry = series();
    dry.temperature = None;
    let refused = ClimateModel::fit(dry, settings(IndexKind::Spei, 12));
    assert_eq!(refused.unwrap_err(), ClimateError::NoTemperature);
}

/// The series with extremes some degrees about its temperature, wider apart in summer.
fn with_extremes() -> Series {
    let series = series();
    let mean = series.temperature.clone().unwrap();
    let half = |at: usize| 5.0 + 0.5 * ((at % 12) as f64 - 5.5).abs();
    let low = mean.iter().enumerate().map(|(at, t)| t - half(at)).collect();
    let high = mean.iter().enumerate().map(|(at, t)| t + half(at)).collect();
    Series { temperature: None, extremes: Some([low, high]), ..series }
}

/// With both extremes the balance is rain less Hargreaves and Samani's evapotranspiration, by FAO-56 eq. 52 and the
/// radiation of the 15th; temperature alone is not looked at then.
#[test]
fn extremes_take_the_place_of_the_mean() {
    use lentic_numerics::evapotranspiration::{MID_MONTH_DAY, extraterrestrial_radiation, hargreaves_samani};
    let series = with_extremes();
    let model = ClimateModel::fit(series.clone(), settings(IndexKind::Spei, 1)).unwrap();
    assert_eq!(model.evapotranspiration(), Some(Evapotranspiration::HargreavesSamani));
    let [low, high] = series.extremes.clone().unwrap();
    for (at, month) in model.months(&Shift::NONE).iter().enumerate() {
        let m = month.month.calendar() as usize - 1;
        let radiation = extraterrestrial_radiation(-31.0, MID_MONTH_DAY[m]);
        let loss = f64::from(month.month.days()) * hargreaves_samani(low[at], high[at], radiation);
        assert!((month.sum.unwrap() - (series.precipitation[at] - loss)).abs() < 1e-9);
    }
    let other = (0..low.len()).map(|at| 3.0 + (at % 5) as f64).collect();
    let both = Series { temperature: Some(other), ..series };
    let same = ClimateModel::fit(both, settings(IndexKind::Spei, 1)).unwrap();
    assert_eq!(model.months(&Shift::NONE), same.months(&Shift::NONE));
    assert_eq!(same.series().mean_temperature(0), Some(3.0));
    assert_eq!(model.series().mean_temperature(0), Some(0.5 * (low[0] + high[0])));
}

/// Both extremes move together: by FAO-56 eq. 52 the loss grows by (mean + 17.8 + warming) / (mean + 17.8).
#[test]
fn warming_moves_both_extremes() {
    let series = with_extremes();
    let model = ClimateModel::fit(series.clone(), settings(IndexKind::Spei, 1)).unwrap();
    let warmer = Shift { temperature: [2.0; 12], ..Shift::NONE };
    let [low, high] = series.extremes.unwrap();
    let pairs = model.months(&Shift::NONE).into_iter().zip(model.months(&warmer));
    for (at, (before, after)) in pairs.enumerate() {
        let rain = series.precipitation[at];
        let mean = 0.5 * (low[at] + high[at]);
        let loss = (rain - before.sum.unwrap()) * (mean + 2.0 + 17.8) / (mean + 17.8);
        assert!((rain - loss - after.sum.unwrap()).abs() < 1e-9);
        assert!(after.z.unwrap() < before.z.unwrap());
    }
}

/// The percentages of a calendar month are its rain in another unit, so they give the SPI of the rain (McKee et al. 1993),
/// of single months and of sums.
#[test]
fn percent_of_normal_gives_the_index_of_the_rain() {
    for k in [1, 3, 12] {
        let rain = ClimateModel::fit(series(), settings(IndexKind::Spi, k)).unwrap();
        let months: Vec<MonthIndex> =
            rain.months(&Shift::NONE).into_iter().filter(|month| month.sum.is_some()).collect();
        let (first, last) = settings(IndexKind::Spi, k).reference;
        let normal = |calendar: u32| {
            let sums: Vec<f64> = months
                .iter()
                .filter(|m| m.month >= first && m.month <= last && m.month.calendar() == calendar)
                .filter_map(|m| m.sum)
                .collect();
            sums.iter().sum::<f64>() / sums.len() as f64
        };
        let anomaly = months.iter().map(|m| 100.0 * m.sum.unwrap() / normal(m.month.calendar())).collect();
        let given = Series { first: months[0].month, anomaly, ..Series::default() };
        let settings =
            IndexSettings { scale: AnomalyScale::PercentOfNormal, ..settings(IndexKind::Given, k) };
        let model = ClimateModel::fit(given, settings).unwrap();
        assert_eq!(model.evapotranspiration(), None);
        for (rain, given) in months.iter().zip(model.months(&Shift::NONE)) {
            assert!((rain.z.unwrap() - given.z.unwrap()).abs() < 1e-7, "{rain:?} {given:?}");
            assert!((rain.shown.unwrap() - given.shown.unwrap()).abs() < 1e-7);
            assert_eq!(given.sum, None);
        }
        // no month is lost at the start for want of months before it
        let axis = MonthAxis { first: months[0].month, len: 24 };
        assert!(model.z_on(&axis, &Shift::NONE, 7).iter().all(Option::is_some));
    }
}

#[test]
fn standardised_anomalies_are_taken_as_they_are() {
    let first: Month = "1991-01".parse().unwrap();
    let anomaly: Vec<f64> = (0..360).map(|t| 4.2 * (f64::from(t) / 9.0).sin()).collect();
    let series = Series { first, anomaly: anomaly.clone(), ..Series::default() };
    let model = ClimateModel::fit(series, settings(IndexKind::Given, 6)).unwrap();
    let drier = Shift { index: std::array::from_fn(|m| if m == 0 { -1.0 } else { 0.0 }), ..Shift::NONE };
    let months = model.months(&Shift::NONE).into_iter().zip(model.months(&drier));
    for (at, (month, shifted)) in months.enumerate() {
        assert_eq!(month.z, Some(anomaly[at]));
        assert_eq!(month.shown, Some(anomaly[at].clamp(-3.5, 3.5)));
        assert_eq!(month.limited, anomaly[at].abs() > 3.5);
        let expected = if at % 12 == 0 { anomaly[at] - 1.0 } else { anomaly[at] };
        assert_eq!(shifted.z, Some(expected));
    }
    assert_eq!(model.extrapolated(anomaly.iter().copied()), 0);
    assert_eq!(model.extrapolated(anomaly.iter().map(|z| z - 9.0)), 360);
    let none = Shift { index: [0.0; 12], ..Shift::NONE };
    assert_eq!(model.months(&none), model.months(&Shift::NONE));
}

/// No rain at all, the same rain in every month, and a balance that never differs: nothing to fit.
#[test]
fn weather_without_any_index_is_refused() {
    let refused = |series, index| ClimateModel::fit(series, settings(index, 3)).unwrap_err();
    for (value, what) in
        [(0.0, "precipitation is 0 in every month"), (31.5, "precipitation is 31.5 in every month")]
    {
        let constant = Series { precipitation: vec![value; 420], ..series() };
        for index in [IndexKind::Spi, IndexKind::Spei] {
            assert!(refused(constant.clone(), index).to_string().starts_with(what));
        }
    }
    let mild = Series { temperature: Some(vec![14.0; 420]), ..series() };
    assert_eq!(refused(mild, IndexKind::Spei), ClimateError::Constant { what: "temperature", value: 14.0 });
    // rain in four of the thirty years
    let seldom = (0..420).map(|t| if (t / 12) % 9 == 0 { 5.0 + (t % 7) as f64 } else { 0.0 }).collect();
    let seldom = refused(Series { precipitation: seldom, ..series() }, IndexKind::Spi);
    assert_eq!(seldom, ClimateError::NoIndex { months: 3 });
    assert!(seldom.to_string().contains("no calendar month has a drought index"), "{seldom}");
    let first: Month = "1991-01".parse().unwrap();
    let given = Series { first, anomaly: vec![100.0; 360], ..Series::default() };
    let percent = IndexSettings { scale: AnomalyScale::PercentOfNormal, ..settings(IndexKind::Given, 1) };
    let refused = ClimateModel::fit(given, percent).unwrap_err();
    assert_eq!(refused, ClimateError::Constant { what: "the anomaly", value: 100.0 });
}

/// A replay of years gives z and sums of those very months, perturbed ones those of the perturbed record.
#[test]
fn replayed_months_keep_their_index() {
    let model = ClimateModel::fit(series(), settings(IndexKind::Spei, 12)).unwrap();
    let drier = Shift { precipitation: [0.8; 12], temperature: [1.0; 12], ..Shift::NONE };
    for shift in [Shift::NONE, drier] {
        let record = model.months(&shift);
        let parts = model.replayed(&[1995, 1996, 1990, 2030], 10, &shift);
        assert_eq!(parts.len(), 3);
        // October 1995 is month 117 of a series from January 1986
        assert_eq!(parts[0], record[117..141]);
        assert_eq!(parts[1], record[57..69]);
        assert_eq!(parts[1][0].month.to_string(), "1990-10");
        assert!(parts[2].is_empty());
    }
}
