//! `lentic new`: what it writes runs as it stands on made-up layers, from options and from answers on a terminal; checks say what is missing in
//! order; nothing is overwritten and nothing waits where nobody can answer.

use lentic_study::fresh::Template;
use lentic_tests::layers::Made;
use lentic_tests::outside::{python, reference};
use lentic_tests::table::Table;
use lentic_tests::{Outcome, lentic};
use std::fs;
use std::path::Path;
use std::process::Stdio;
use tempfile::TempDir;

const PLACE: [&str; 4] = ["--crs", "-18,-31", "--bounds", "-900,-600,900,600"];

/// `lentic new` without a terminal.
fn new(folder: &Path, more: &[&str]) -> Outcome {
    let mut command = lentic();
    command.arg("new").arg(folder).args(more).stdin(Stdio::null());
    Outcome::of(&mut command)
}

/// Checks and runs a study whose files are made up; gives habitat of its baseline and the lines of its table of areas.
#[track_caller]
fn runs(study: &Path) -> Table {
    Made::of(study);
    let said = Outcome::of(lentic().arg("check").arg(study)).done();
    assert!(said.contains("can be run"), "{said}");
    let run = study.with_file_name("run");
    Outcome::of(lentic().args(["run", "--quiet", "--keep-nothing"]).arg(study).arg("--out").arg(&run)).done();
    Table::of_run(&run, "habitat_area")
}

/// Baseline habitat is there, and every drying leaves less.
#[track_caller]
fn dries(table: &Table, drying: &[&str]) {
    let ha = |scenario: &str| table.number("scenario", scenario, "habitat_ha");
    let baseline = ha("baseline");
    assert!(baseline > 1.0, "{baseline} ha");
    for scenario in drying {
        assert!(ha(scenario) < baseline, "{scenario}: {} of {baseline} ha", ha(scenario));
    }
}

#[track_caller]
fn tried(template: &str, drying: &[&str]) {
    let folder = TempDir::new().unwrap();
    let basin = folder.path().join("basin");
    let said =
        new(&basin, &[&["--template", template, "--baseline", "2001-2020"][..], &PLACE[..]].concat()).done();
    assert!(said.contains("next: lentic check"), "{said}");
    dries(&runs(&basin.join("study.toml")), drying);
}

#[test]
fn floodplain() {
    tried("floodplain", &["lower-river", "no-spring-flood", "channel-cut-down"]);
}

#[test]
fn coastal_marsh() {
    tried("coastal-marsh", &["drier", "saltier"]);
}

#[test]
fn peatland() {
    tried("peatland", &["drier", "drained-and-drier"]);
}

#[test]
fn spring_fed() {
    tried("spring-fed", &["wells-in-the-hills", "pumping-and-drier"]);
}

/// Few layers, shares of water, climate by raster, one scenario.
#[test]
fn few_layers_and_another_climate() {
    let folder = TempDir::new().unwrap();
    let basin = folder.path().join("basin");
    let more =
        ["--template", "closed-basin", "--baseline", "2009-2020", "--layers", "zones", "--water", "fraction"];
    let wish = ["--climate", "rasters", "--scenarios", "drier,pumping", "--cell", "60"];
    new(&basin, &[&more[..], &wish[..], &PLACE[..]].concat()).done();
    dries(&runs(&basin.join("study.toml")), &["drier", "pumping"]);
}

#[test]
fn on_a_terminal_it_asks() {
    let folder = TempDir::new().unwrap();
    let program = lentic();
    let mut command = python();
    command.arg(reference().join("answers.py")).arg(program.get_program()).arg(folder.path().join("basin"));
    Outcome::of(&mut command).done();
    let study = fs::read_to_string(folder.path().join("basin/study.toml")).unwrap();
    let (file, _) = lentic_study::parse(Path::new("study.toml"), study.clone()).unwrap();
    assert_eq!(file.study.name, "Reed Hollow");
    assert_eq!(file.study.organism, "a semi-aquatic turtle");
    assert!(file.grid.crs.contains("+lat_0=-31") && file.grid.cell_m == 50.0, "{}", file.grid.crs);
    assert_eq!(file.grid.bounds, Some([-900.0, -600.0, 900.0, 600.0]));
    assert_eq!(file.period.baseline, ["2001-01", "2010-12"]);
    assert!(!file.layers.contains_key("wetland_class") && file.layers.contains_key("ground"));
    assert!(file.climate.is_some() && file.scenarios.len() > 1);
    // the same by options: what the head of the study says
    assert!(study.contains("lentic new DIR --template floodplain --name 'Reed Hollow'"), "{study}");
}

#[test]
fn nothing_waits_where_nobody_can_answer() {
    let folder = TempDir::new().unwrap();
    let basin = folder.path().join("basin");
    let said = new(&basin, &[]);
    assert_eq!(said.code, Some(1));
    for option in
        ["--template (closed-basin, floodplain", "--crs", "--bounds L,B,R,T or --area FILE", "--like RASTER"]
    {
        assert!(said.stderr.contains(option), "{option}: {}", said.stderr);
    }
    let placed = ["--template", "peatland", "--crs", "EPSG:6933", "--bounds"];
    let peatland = |bounds, more: &[&'static str]| [&placed[..], &[bounds], more].concat();
    for (wrong, names) in [
        (vec!["--template", "swamp"], &["swamp", "peatland"][..]),
        (vec!["--template", "peatland", "--crs", "EPSG:4326", "--bounds", "0,0,1,1"], &["degrees", "laea"]),
        (peatland("9,0,1,1", &[]), &["left, bottom, right and top"]),
        (peatland("0,0,900,900", &["--layers", "lake"]), &["lake", "ground"]),
        (peatland("0,0,900,900", &["--scenarios", "flood"]), &["flood", "drained"]),
        (peatland("0,0,900,900", &["--layers", "none", "--climate", "zones"]), &["zones"]),
        (vec!["--template", "peatland", "--like", "nowhere.tif"], &["nowhere.tif"]),
    ] {
        let said = new(&basin, &wrong);
        assert_eq!(said.code, Some(1), "{wrong:?}: {said:#?}");
        assert!(names.iter().all(|name| said.stderr.contains(name)), "{wrong:?}: {}", said.stderr);
        assert!(!basin.exists(), "{wrong:?} left something");
    }
}

#[test]
fn nothing_is_overwritten() {
    let folder = TempDir::new().unwrap();
    fs::write(folder.path().join("study.toml"), "mine").unwrap();
    let said = new(folder.path(), &[&["--template", "peatland"][..], &PLACE[..]].concat());
    assert_eq!(said.code, Some(1));
    assert!(said.stderr.contains("is not empty"), "{}", said.stderr);
    assert_eq!(fs::read_to_string(folder.path().join("study.toml")).unwrap(), "mine");
    assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1);
}

/// The grid of a raster of one's own; then what is missing, step by step, until the study can be run.
#[test]
fn a_check_leads_from_step_to_step() {
    let folder = TempDir::new().unwrap();
    let (first, basin) = (folder.path().join("first"), folder.path().join("basin"));
    new(&first, &[&["--template", "closed-basin", "--baseline", "2001-2020"][..], &PLACE[..]].concat())
        .done();
    Made::of(&first.join("study.toml"));
    let raster = first.join("layers/ground.tif");
    let more = ["--template", "closed-basin", "--baseline", "2001-2020", "--like", raster.to_str().unwrap()];
    new(&basin, &more).done();
    let study = basin.join("study.toml");
    let (file, _) = lentic_study::read(&study).unwrap();
    assert_eq!((file.grid.cell_m, file.grid.bounds), (30.0, Some([-900.0, -600.0, 900.0, 600.0])));
    let check = || Outcome::of(lentic().arg("check").arg(&study));
    let next = |said: &Outcome| said.stderr.lines().last().unwrap_or_default().to_string();
    for (part, expected) in [
        ("water", "put the water files"),
        ("layers", "put the layers"),
        ("legends", "fill in the legends"),
        ("climate", "put the climate"),
    ] {
        let said = check();
        assert_eq!(said.code, Some(1));
        assert!(next(&said).starts_with(&format!("next: {expected}")), "before {part}: {}", said.stderr);
        for entry in fs::read_dir(first.join(part)).unwrap().map(Result::unwrap) {
            fs::copy(entry.path(), basin.join(part).join(entry.file_name())).unwrap();
        }
    }
    assert!(check().done().contains("can be run"));
}

/// Everything the templates name stands in the schema, and what is spoilt does not pass; judged by a validator of others.
#[test]
fn the_schema_takes_every_template_and_refuses_what_is_spoilt() {
    let folder = TempDir::new().unwrap();
    for template in Template::ALL {
        fs::write(folder.path().join(format!("{}.toml", template.name())), template.text()).unwrap();
        let basin = folder.path().join(format!("new-{}", template.name()));
        new(&basin, &[&["--template", template.name()][..], &PLACE[..]].concat()).done();
        assert!(
            fs::read_to_string(basin.join("study.toml"))
                .unwrap()
                .starts_with("#:schema ./study.schema.json\n")
        );
        fs::rename(basin.join("study.toml"), folder.path().join(format!("new-{}.toml", template.name())))
            .unwrap();
        let schema = fs::read_to_string(basin.join("study.schema.json")).unwrap();
        let published = Path::new(env!("CARGO_MANIFEST_DIR")).join("../configs/study.schema.json");
        assert_eq!(schema, fs::read_to_string(published).unwrap());
    }
    let demo = folder.path().join("demo");
    Outcome::of(lentic().args(["demo", "--small", "--quiet"]).arg(&demo)).done();
    fs::copy(demo.join("study.toml"), folder.path().join("demo.toml")).unwrap();
    let said = Outcome::of(python().arg("schema_check.py").arg(demo.parent().unwrap())).done();
    assert!(said.contains("13 valid"), "{said}");
    assert!(said.contains(" spoilt, all refused"), "{said}");
}
