//! `[range]` and `[population]`.

use crate::common::{Folder, edited, said, warned};

#[test]
fn what_range_and_population_resolve_to() {
    let (study, warnings) = Folder::new(&edited(&[])).load().unwrap();
    assert!(warnings.is_empty(), "{warnings:?}");
    let range = study.range.unwrap();
    // IUCN guidelines 15.1, section 4.4, method 2: 10 + 1/0.05; three generations are 90 years
    assert_eq!(range.generation.as_ref().unwrap().years, 30.0);
    assert_eq!(range.years(), 90.0);
    let population = study.population.unwrap();
    assert_eq!(population.names, ["hatchling", "juvenile", "adult"]);
    let [hatchling, juvenile, adult] = population.stages[..] else { panic!("three stages") };
    // one year in the stage: all that live grow on
    assert_eq!((hatchling.stay, hatchling.grow), (0.0, 0.35));
    assert_eq!((juvenile.stay, juvenile.grow, juvenile.moves), (0.65, 0.12, 0.05));
    assert_eq!((adult.stay, adult.grow, adult.offspring), (0.95, 0.0, 1.25));
    assert_eq!((adult.drought_survival, adult.drought_offspring), (1.0, 0.25));
    // det(A - x I) = 0 by hand: x (x - 0.65)(x - 0.95) = 1.25 x 0.35 x 0.12 (below, checked by putting lambda in)
    let x = population.growth.lambda;
    assert!((x * (x - 0.65) * (x - 0.95) - 1.25 * 0.35 * 0.12).abs() < 1e-12, "{x}");
    assert!(population.feels_drought());
}

#[test]
fn a_study_may_do_without() {
    let text = edited(&[]);
    let (without, _) = text.split_once("\n[range]").unwrap();
    let (study, _) = Folder::new(without).load().unwrap();
    assert!(study.range.is_none() && study.population.is_none());
}

#[test]
fn ranges_without_sense() {
    insta::assert_snapshot!(said(&[
        ("viable_patch_ha = 20.0", "viable_patch_ha = -1.0"),
        ("generation = { first_reproduction = 10.0, adult_mortality = 0.05 }", "generation = {}"),
        (
            "generation = { first_reproduction = 10.0, adult_mortality",
            "generation = { years = 3.0, adult_mortality"
        ),
        ("first_reproduction = 10.0, adult_mortality = 0.05", "years = 0.0"),
        ("first_reproduction = 10.0, adult_mortality = 0.05", "adult_mortality = 0.05"),
        ("adult_mortality = 0.05", "adult_mortality = 1.5"),
        ("first_reproduction = 10.0, adult_mortality = 0.05", "survival = [0.5, 0.9]"),
        (
            "first_reproduction = 10.0, adult_mortality = 0.05",
            "survival = [0.5, 1.2], offspring = [0.0, -1.0, 2.0]"
        ),
        (
            "first_reproduction = 10.0, adult_mortality = 0.05",
            "survival = [0.5, 0.9], offspring = [0.0, 0.0]"
        ),
        ("first_reproduction = 10.0, adult_mortality = 0.05", "first_reproduction = 4.0, z = 0.3"),
        ("viable_patch_ha = 20.0", "viable_patch_ha = 20.0\nplaces = \"pools\""),
    ]));
}

#[test]
fn populations_without_sense() {
    insta::assert_snapshot!(said(&[
        ("low = 2.0", "low = -2.0"),
        ("low = 2.0", "low = 5.0"),
        ("quasi_extinction = 20", "quasi_extinction = 0"),
        ("drought_at = -1.25", "drought_at = 1.0"),
        ("replicates = 200", "replicates = 3"),
        ("start_share = 0.9", "start_share = 1.5"),
        ("years = 40", ""),
        ("horizon = 2050", "horizon = 2019"),
        ("grow = 0.12", "grow = 0.40"),
        ("grow = 0.12", "grow = 0.0"),
        ("stay = 0.65", "survival = 0.65"),
        ("survival = 0.35\nyears = 1.0", "survival = 0.35"),
        ("survival = 0.35\nyears = 1.0", "years = 1.0"),
        ("survival = 0.35\nyears = 1.0", "survival = 0.35\nyears = 0.5"),
        ("survival = 0.35\nyears = 1.0", ""),
        ("survival = 0.95", "stay = 0.9\ngrow = 0.05"),
        ("survival = 0.95", "survival = 1.95"),
        ("offspring = 1.25", "offspring = -1.25"),
        ("offspring = 1.25", "offspring = 0.0"),
        ("moves = 0.05", "moves = 1.05"),
        ("drought_survival = 0.5", "drought_survival = -0.5"),
        ("drought_offspring = 0.25", "drought_offspring = 2.5"),
        ("name = \"adult\"", "name = \"juvenile\""),
    ]));
}

#[test]
fn what_deserves_a_warning() {
    insta::assert_snapshot!(warned(&[
        ("generation = { first_reproduction = 10.0, adult_mortality = 0.05 }\n", ""),
        ("viable_patch_ha = 20.0\n", ""),
        ("offspring = 1.25", "offspring = 0.25"),
    ]));
}
