//! `[drying_ladder]` and `[response_surface]`: what they resolve to, and what is refused.

use crate::common::{Folder, GOOD, edited};
use lentic_study::settings::{DryingLadder, ResponseSurface, Study};

fn sound(more: &str) -> Study {
    Folder::new(&format!("{GOOD}\n{more}")).load().unwrap_or_else(|problems| panic!("{problems}")).0
}

/// What is said about `GOOD`, edited, with more lines at its end.
fn said(edits: &[(&str, &str)], more: &str) -> String {
    let said = Folder::new(&format!("{}\n{more}", edited(edits))).problems();
    format!("{more}\n{said}\n")
}

#[test]
fn defaults_and_what_is_given() {
    let study = sound("[drying_ladder]\n[response_surface]");
    let steps = (0..=12).map(|step| 5.0 * f64::from(step)).collect();
    assert_eq!(study.drying_ladder, Some(DryingLadder::PrecipitationLoss(steps)));
    let surface = study.response_surface.unwrap();
    assert_eq!((surface.precipitation.len(), surface.temperature_c.len()), (6, 5));
    assert_eq!((surface.precipitation[0], surface.temperature_c[4]), (-40.0, 4.0));
    let study = sound(
        "[drying_ladder]\ndrawdown_m = [0, 0.1, 0.25]\n[response_surface]\nprecipitation = [-20, 5]\ntemperature_c = [0.0, 1.5]",
    );
    assert_eq!(study.drying_ladder, Some(DryingLadder::Drawdown(vec![0.0, 0.1, 0.25])));
    let surface = ResponseSurface { precipitation: vec![-20.0, 5.0], temperature_c: vec![0.0, 1.5] };
    assert_eq!(study.response_surface, Some(surface));
    let study = sound("");
    assert_eq!((study.drying_ladder, study.response_surface), (None, None));
}

/// A step is to be the same to the bit as a scenario of the study that changes as much.
#[test]
fn a_step_is_a_scenario() {
    let study = sound(
        "[drying_ladder]\nprecipitation_loss = [0, 15.1]\n[[scenarios]]\nname = \"as-the-step\"\nprecipitation = -15.1",
    );
    let ladder = study.drying_ladder.unwrap();
    let (step, named) = (ladder.scenario(15.1), study.scenarios.last().unwrap());
    assert_eq!(step.precipitation_factor, named.precipitation_factor);
    assert_eq!(ladder.scenario(0.0).precipitation_factor, [1.0; 12]);
}

#[test]
fn what_is_refused() {
    let steps = |steps: &str| said(&[], &format!("[drying_ladder]\nprecipitation_loss = {steps}"));
    let many: Vec<String> = (0..41).map(|step| step.to_string()).collect();
    let without_ground =
        [("[layers.ground]\nfile = \"ground.tif\"\nkind = \"continuous\"\nunit = \"m\"\n", "")];
    let surface = |text: &str| said(&[], &format!("[response_surface]\n{text}"));
    let points: Vec<String> = (0..41).map(|step| step.to_string()).collect();
    let found = [
        steps("[0, 10, 10]"),
        steps("[0, 20, 10]"),
        steps("[5, 10]"),
        steps("[]"),
        steps("[0]"),
        steps("[0, nan, 20]"),
        steps("[0, 50, 101]"),
        steps("[0, \"10\", 20]"),
        steps(&format!("[{}]", many.join(", "))),
        said(&[], "[drying_ladder]\nprecipitation_loss = [0, 10]\ndrawdown_m = [0, 0.5]"),
        said(&[], "[drying_ladder]\ndrawdown_m = [0, 0.5, inf]"),
        said(&[], "[drying_ladder]\nsteps = [0, 10]"),
        surface("precipitation = [0, -10]"),
        surface("precipitation = [-110, 0]"),
        surface("temperature_c = [1]"),
        surface(&format!("precipitation = [{}]", points.join(", "))),
    ];
    insta::assert_snapshot!(found.join("\n"));
    let without =
        Folder::new(&format!("{}\n[drying_ladder]\ndrawdown_m = [0, 0.5]", edited(&without_ground)))
            .problems();
    assert!(
        without.contains("drying_ladder.drawdown_m: nothing says how water follows the water table"),
        "{without}"
    );
}

/// An index that does not know the weather, or not the warmth of it.
#[test]
fn climates_that_cannot_answer() {
    let spi = [("index = \"spei\"", "index = \"spi\"")];
    let of_spi = said(&spi, "[response_surface]");
    assert!(of_spi.contains("[response_surface]: index \"spi\" does not know temperature"), "{of_spi}");
    let season = [("months = 12", "months = 12\n[inundation]\ndriver = \"season\"")];
    for section in ["[drying_ladder]", "[response_surface]"] {
        let found = said(&season, section);
        assert!(found.contains("changes precipitation, but water answers to the season only"), "{found}");
    }
}
