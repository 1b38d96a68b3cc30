//! Tables that people fill in, and items of STAC.

use super::{lines, sample, sound, with_file};
use lentic_engine::{EngineError, untrusted};
use lentic_study::scenes::settings::Band;
use lentic_study::settings::{Climate, Series};
use lentic_study::{Month, Problems};
use std::sync::OnceLock;

/// The legend of a class layer.
pub(super) fn legend(bytes: &[u8]) {
    with_file("legend.csv", bytes, |path| match lentic_study::legend(path) {
        Err(problems) => {
            assert!(!problems.is_empty());
            sound(&problems, path, bytes);
        }
        Ok(legend) => {
            assert!(!legend.classes.is_empty());
            for (code, class) in &legend.classes {
                assert!(!class.name.is_empty(), "{code}");
                assert!(class.scores.values().all(|score| score.is_finite()));
            }
        }
    });
}

/// Records of the animal.
pub(super) fn records(bytes: &[u8]) {
    with_file("records.csv", bytes, |path| match untrusted::records(path) {
        Err(problem) => sound(&[problem], path, bytes),
        Ok(rows) => {
            assert!(!rows.is_empty());
            let rising = rows.windows(2).all(|pair| pair[0] < pair[1]);
            assert!(rising && rows.iter().all(|line| (2..=lines(bytes)).contains(line)), "{rows:?}");
        }
    });
}

/// The monthly climate, by the columns of the small demo and by zone.
pub(super) fn climate(bytes: &[u8]) {
    static OF_SAMPLE: OnceLock<Climate> = OnceLock::new();
    let sample = OF_SAMPLE.get_or_init(|| {
        let (study, _) = lentic_study::load(&sample().join("study.toml")).expect("the sample is sound");
        study.climate.expect("the sample has a climate")
    });
    with_file("climate.csv", bytes, |path| {
        for by_zone in [false, true] {
            let mut climate = sample.clone();
            let series = |column: &str| Series::Column {
                file: path.to_path_buf(),
                column: column.into(),
                zone_column: by_zone.then(|| "zone".into()),
            };
            climate.precipitation = Some(series("precipitation_mm"));
            climate.temperature = Some(series("temperature_c"));
            let month = |year| Month::new(year, 1).expect("January");
            let (counts, problems) = untrusted::climate(&climate, month(1991), month(1993));
            sound(&problems, path, bytes);
            let most = lines(bytes);
            assert!(counts.iter().all(|count| *count < most), "{counts:?} values of {most} lines");
        }
    });
}

/// A filled-in table of survey points.
pub(super) fn survey_table(bytes: &[u8]) {
    with_file("filled.csv", bytes, |path| match untrusted::survey_table(path) {
        Err(error) => assert!(error.to_string().contains("filled.csv"), "{error}"),
        Ok(rows) => {
            assert!(!rows.is_empty());
            let within = |line: &u64| (2..=lines(bytes) as u64).contains(line);
            assert!(rows.iter().all(within), "{rows:?} of {} lines", lines(bytes));
        }
    });
}

/// An item or an item collection of STAC.
pub(super) fn items(bytes: &[u8]) {
    let band = |name: &str| Band {
        name: name.into(),
        token: Some(name.into()),
        number: 1,
        scale: 1.0,
        offset: 0.0,
        no_data: Vec::new(),
    };
    with_file("item.json", bytes, |path| match untrusted::items(path, &[band("green"), band("swir")]) {
        Err(EngineError::Study(Problems(problems))) => {
            assert!(!problems.is_empty());
            sound(&problems, path, bytes);
        }
        Err(error) => assert!(error.to_string().contains("item.json"), "{error}"),
        Ok(count) => assert!(count > 0),
    });
}
