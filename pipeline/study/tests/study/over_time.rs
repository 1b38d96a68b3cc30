//! `[habitat_over_time]` and `[water_requirement]`: what they resolve to, and what is refused.

use crate::common::{Folder, GOOD, edited};
use lentic_study::settings::{Drawdown, Scenario, Study, Supply};

fn sound(more: &str) -> Study {
    Folder::new(&format!("{GOOD}\n{more}")).load().unwrap_or_else(|problems| panic!("{problems}")).0
}

fn said(more: &str) -> String {
    format!("{more}\n{}\n", Folder::new(&format!("{GOOD}\n{more}")).problems())
}

#[test]
fn defaults_and_what_is_given() {
    let study = sound("[habitat_over_time]\n[water_requirement]");
    assert_eq!(study.over_time_years, Some(5));
    let wanted = study.water_requirement.unwrap();
    assert_eq!(wanted.supply, Supply::Rise(vec![0.1, 0.2, 0.3, 0.5, 0.8]));
    let names: Vec<String> = study.scenarios.iter().map(|scenario| scenario.name.clone()).collect();
    assert_eq!(wanted.scenarios, names);
    let study = sound(
        "[habitat_over_time]\nevery_years = 10\n[water_requirement]\nprecipitation = [5, 20.0]\nscenarios = [\"drier\"]",
    );
    assert_eq!(study.over_time_years, Some(10));
    let wanted = study.water_requirement.unwrap();
    assert_eq!((wanted.supply, wanted.scenarios), (Supply::Rain(vec![5.0, 20.0]), vec!["drier".to_string()]));
    let study = sound("");
    assert_eq!((study.over_time_years, study.water_requirement), (None, None));
}

#[test]
fn what_is_refused() {
    let found = [
        said("[habitat_over_time]\nevery_years = 0"),
        said("[habitat_over_time]\nyears = 5"),
        said("[habitat_over_time]\n[[scenarios]]\nname = \"too-soon\"\nhorizon = 2020\nprecipitation = -5"),
        said(
            "[habitat_over_time]\nevery_years = 1\n[[scenarios]]\nname = \"far\"\nhorizon = 2100\nprecipitation = -5",
        ),
        said("[water_requirement]\nrise_m = [0.1]\nprecipitation = [5]"),
        said("[water_requirement]\nrise_m = [0, 0.1]"),
        said("[water_requirement]\nrise_m = [0.2, 0.1]"),
        said("[water_requirement]\nrise_m = []"),
        said("[water_requirement]\nscenarios = [\"dryer\"]"),
    ];
    insta::assert_snapshot!(found.join("\n"));
    let ground = "[layers.ground]\nfile = \"ground.tif\"\nkind = \"continuous\"\nunit = \"m\"\n";
    let text = format!("{}\n[water_requirement]", edited(&[(ground, "")]));
    let without = Folder::new(&text).problems();
    assert!(
        without.contains("water_requirement: nothing says how water follows the water table"),
        "{without}"
    );
}

#[test]
fn a_scenario_on_its_way() {
    let whole = Scenario {
        horizon: Some(2050),
        precipitation_factor: [0.8; 12],
        temperature_c: [2.0; 12],
        drawdown: Drawdown::Everywhere(0.5),
        ..Scenario::unchanged("whole")
    };
    assert!(whole.has_path());
    let half = whole.on_the_way(0.5);
    assert_eq!((half.precipitation_factor, half.temperature_c), ([0.9; 12], [1.0; 12]));
    assert_eq!((half.drawdown, half.drawdown_share), (Drawdown::Everywhere(0.5), 0.5));
    assert!(!Scenario { land_cover: Some("later".into()), ..whole.clone() }.has_path());
    assert!(!Scenario { replay: vec![2001], ..whole.clone() }.has_path());
    assert!(!Scenario { horizon: None, ..whole.clone() }.has_path());
    // supply comes on top: metres against the fall, or percent of today's rain
    assert_eq!(Supply::Rise(vec![0.2]).on_top_of(&whole, 0.2).rise_m, 0.2);
    let rain = Supply::Rain(vec![10.0]).on_top_of(&whole, 10.0);
    assert!(rain.precipitation_factor.iter().all(|factor| (factor - 0.9).abs() < 1e-15));
}
