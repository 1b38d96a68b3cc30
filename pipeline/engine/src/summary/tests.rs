use super::*;
use lentic_report::Column;

fn words(cells: &[&str]) -> Vec<Option<String>> {
    cells.iter().map(|cell| Some((*cell).to_string())).collect()
}

fn reals(cells: &[f64]) -> Vec<Option<f64>> {
    cells.iter().map(|cell| (!cell.is_nan()).then_some(*cell)).collect()
}

fn table(name: &str, columns: Vec<Column>) -> Table {
    Table { name: name.into(), title: String::new(), note: String::new(), columns }
}

fn headline() -> Headline {
    let row = |scenario: &str, lost_ha: f64| HeadlineRow {
        scenario: scenario.into(),
        title: format!("The {scenario} one"),
        lost_ha,
        ..HeadlineRow::default()
    };
    Headline {
        habitat_ha: 200.0,
        rows: vec![row("mild", 20.0), row("hard", 150.0), row("none", 0.0)],
        ..Headline::default()
    }
}

fn tables() -> Vec<Table> {
    let scenarios = words(&["mild", "mild", "hard", "hard"]);
    vec![
        table(
            "refuges",
            vec![
                Column::real("area_ha", "ha", "", reals(&[30.0, 10.0])),
                Column::text("zone", "", words(&["Sink", "Flats"])),
            ],
        ),
        table(
            "habitat_loss_by_zone",
            vec![
                Column::text("scenario", "", scenarios.clone()),
                Column::text("name", "", words(&["Sink", "Flats", "Sink", "Flats"])),
                Column::real("lost_percent", "percent", "", reals(&[5.0, 15.0, 60.0, 100.0])),
                Column::real("baseline_ha", "ha", "", reals(&[120.0, 80.0, 120.0, 80.0])),
            ],
        ),
        table(
            "patch_time_of_loss",
            vec![
                Column::text("scenario", "", scenarios.clone()),
                Column::integer("patch", "", "", [1, 2, 1, 2].map(Some).to_vec()),
                Column::real("area_ha", "ha", "", reals(&[120.0, 80.0, 120.0, 80.0])),
                Column::integer("after", "", "", vec![None, Some(2060), Some(2050), Some(2030)]),
                Column::integer("by", "", "", vec![None, Some(2070), Some(2060), Some(2040)]),
            ],
        ),
        table(
            "patch_margins",
            vec![
                Column::integer("patch", "", "", [1, 2].map(Some).to_vec()),
                Column::real("precipitation_loss_percent", "percent", "", reals(&[f64::NAN, 25.0])),
                Column::text("margin", "", words(&["more than 60 percent", "25 percent"])),
            ],
        ),
        table(
            "patch_fates",
            vec![
                Column::text("scenario", "", scenarios),
                Column::text("fate", "", words(&["kept", "shrunk", "shrunk", "lost"])),
            ],
        ),
        table(
            "novelty",
            vec![
                Column::text("scenario", "", words(&["baseline", "hard", "hard"])),
                Column::text("variable", "", words(&["any", "any", "depth"])),
                Column::real("habitat_outside_percent", "percent", "", reals(&[10.0, 42.0, 90.0])),
            ],
        ),
    ]
}

/// By hand from the tables above: 40 of 200 ha in refuges; the hard scenario keeps 40 % of the Sink.
#[test]
fn what_holds() {
    assert_eq!(
        holds(&headline(), &tables()),
        [
            "Habitat today and in every scenario: 40.0 ha in 2 refuges, 20 % of today's habitat; the largest is 30.0 ha (zone Sink) (table refuges).",
            "1 of today's 2 patches keep half their habitat at every step of drying looked at, up to 60 percent (table patch_margins).",
            "Where most is lost (\"The hard one\"), the zone Sink keeps the largest share: 40 % of 120 ha (table habitat_loss_by_zone).",
        ]
    );
}

#[test]
fn what_goes_first() {
    assert_eq!(
        goes_first(&headline(), &tables()),
        [
            "The first patch to lose half its habitat is patch 2 (80.0 ha), between 2030 and 2040 under \"The hard one\" (table patch_time_of_loss).",
            "Patch 2 gives way first as it dries: at 25 percent less than half is left (table patch_margins).",
            "The zone Flats loses the largest share of its habitat in 2 of 3 scenarios, up to 100 % of its 80.0 ha (table habitat_loss_by_zone).",
            "Where most is lost (\"The hard one\"), 1 of 2 patches are gone altogether (table patch_fates).",
        ]
    );
}

#[test]
fn what_is_beyond_the_records() {
    let told = uncertain(&headline(), &tables(), &[]);
    assert_eq!(told.len(), 1);
    assert!(told[0].starts_with("Up to 42 % of the habitat (in \"The hard one\")"), "{told:?}");
}

#[test]
fn nothing_is_said_where_nothing_is_known() {
    let nothing = Headline::default();
    assert!(holds(&nothing, &[]).is_empty() && goes_first(&nothing, &[]).is_empty());
    assert!(uncertain(&nothing, &[], &[]).is_empty());
    let empty = [table("refuges", vec![Column::real("area_ha", "ha", "", Vec::new())])];
    assert!(holds(&nothing, &empty).is_empty());
    assert!(holds(&headline(), &empty)[0].starts_with("No ground"));
}
