//! `[publication]`: what it resolves to, and what is refused.

use crate::common::{Folder, GOOD};
use lentic_study::settings::{Generalise, Publication, SensitivityWord};

fn sound(text: &str) -> (Publication, Vec<String>) {
    let (study, warnings) = Folder::new(text).load().unwrap_or_else(|problems| panic!("{problems}"));
    (study.publication, warnings.iter().map(|warning| warning.message.clone()).collect())
}

fn with(section: &str) -> String {
    format!("{GOOD}\n[publication]\n{section}\n")
}

#[test]
fn careful_unless_told_otherwise() {
    let (found, _) = sound(GOOD);
    assert_eq!(found, Publication::default());
    assert!(found.sensitive && found.generalise.cell_m() == Some(10_000.0));
    let (found, _) = sound(&with("generalise = \"medium\"\nwithhold_under_ha = 2.0"));
    let medium = Generalise::Category(SensitivityWord::Medium);
    assert_eq!(found, Publication { sensitive: true, generalise: medium, withhold_under_ha: 2.0 });
    let (found, warnings) = sound(&with("sensitive = false\ngeneralise = 250"));
    assert_eq!((found.sensitive, found.generalise.cell_m()), (false, Some(250.0)));
    assert!(warnings.iter().any(|warning| warning.contains("[records]")), "{warnings:?}");
}

/// Sides as Chapman 2020, table 7, gives them.
#[test]
fn words_are_metres() {
    let side = |word: &str| Generalise::parse(word).map(Generalise::cell_m);
    assert_eq!(side("extreme"), Some(None));
    assert_eq!([side("high"), side("medium"), side("low")], [1e4, 1e3, 1e2].map(|side| Some(Some(side))));
    assert_eq!(side("2500"), Some(Some(2500.0)));
    for none in ["", "vague", "0", "-100", "nan", "inf"] {
        assert_eq!(Generalise::parse(none), None, "{none}");
    }
}

#[test]
fn what_is_refused() {
    let said = |section: &str| Folder::new(&with(section)).problems().to_string();
    let finer = said("generalise = 20");
    assert!(finer.contains("publication.generalise is 20 m, but the cells of the study are 30 m"), "{finer}");
    for (section, key) in [
        ("generalise = \"vague\"", "publication.generalise"),
        ("generalise = 0.5", "publication.generalise"),
        ("withhold_under_ha = -1", "publication.withhold_under_ha"),
        ("withold_under_ha = 1", "\"withhold_under_ha\""),
    ] {
        let found = said(section);
        assert!(found.contains(key), "{section}: {found}");
    }
}
