//! The study file, the scenes file, patterns of files.

use super::{sample, sound};
use lentic_study::{Problems, Source, examine_bytes};

/// The whole way of a study file but its rasters: form, sense, legends, mended values.
pub(super) fn study(bytes: &[u8]) {
    let path = sample().join("study.toml");
    let examined = examine_bytes(&path, bytes.to_vec());
    sound(&examined.problems, &path, bytes);
    sound(&examined.warnings, &path, bytes);
    assert!(examined.problems.iter().all(|problem| !problem.warning));
    assert!(examined.warnings.iter().all(|problem| problem.warning));
    for told in &examined.unlisted {
        assert!(examined.problems.contains(&told.problem), "{told:?}");
    }
    let Ok(text) = std::str::from_utf8(bytes) else {
        assert!(examined.source.is_none() && examined.problems.len() == 1);
        return;
    };
    for problem in examined.problems.iter().filter(|problem| problem.file == path) {
        let place = problem.place.map(|place| place.start..place.end);
        assert!(place.is_none_or(|place| text.get(place).is_some()), "{problem:?} cuts a letter");
    }
    // the same again, as nothing but the text decides
    let again = examine_bytes(&path, bytes.to_vec());
    assert_eq!(examined.problems, again.problems);
    // what fits the form is written out and read again as it was
    if let Ok((file, _)) = lentic_study::parse(&path, text.to_string()) {
        let written = toml::to_string(&file).expect("a study file can be written");
        match lentic_study::parse(&path, written.clone()) {
            Ok((back, _)) => assert_eq!(format!("{file:?}"), format!("{back:?}")),
            Err(Problems(problems)) => panic!("{problems:?} of what was written:\n{written}"),
        }
    }
}

/// The scenes file.
pub(super) fn scenes(bytes: &[u8]) {
    let Ok(text) = std::str::from_utf8(bytes) else { return };
    let path = sample().join("scenes.toml");
    let resolved = lentic_study::scenes::parse(&path, text.to_string())
        .and_then(|(file, source)| lentic_study::scenes::resolve(&file, source));
    match resolved {
        Err(Problems(problems)) => {
            assert!(!problems.is_empty());
            sound(&problems, &path, bytes);
        }
        Ok(scenes) => {
            assert!(!scenes.bands.is_empty());
            assert!(scenes.bands.iter().all(|band| band.scale.is_finite() && band.offset.is_finite()));
            let Source { text: kept, .. } = &scenes.source;
            assert_eq!(kept, text);
        }
    }
}

/// A pattern of file names on the first line, names on the lines after it.
pub(super) fn pattern(bytes: &[u8]) {
    let Ok(text) = std::str::from_utf8(bytes) else { return };
    let mut lines = text.lines();
    let pattern = lines.next().unwrap_or_default();
    // a file system takes no longer names
    for name in lines.filter(|name| name.len() <= 255 && !name.contains('/')).take(8) {
        match lentic_raster::told_by_name(pattern, name) {
            Err(error) => assert!(error.to_string().contains("pattern")),
            Ok(None) => {}
            Ok(Some((date, anything))) => {
                for part in date {
                    assert!(part <= 9999 && name.contains(&part.to_string()), "{part} in {name}");
                }
                // what stars stood for stands in the name, one after the other
                let mut rest = name;
                for star in anything {
                    let at = rest.find(&star).expect("it stands in the name");
                    rest = &rest[at + star.len()..];
                }
            }
        }
    }
}
