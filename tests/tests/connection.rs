//! Connection of patches against scikit-image, networkx and scipy, and what a run says of it.

use lentic_habitat::connection::connection;
use lentic_habitat::measure::NO_CLASS;
use lentic_habitat::patches::{Row, Scan};
use lentic_numerics::least_cost::{Ground, Piece, Search};
use lentic_numerics::network::Link;
use lentic_numerics::seed::{hash64, unit};
use lentic_raster::{Bounds, Crs, Grid, Scratch, Window};
use lentic_tests::outside::{ogr_query, python_json};
use lentic_tests::table::Table;
use lentic_tests::{Basin, Outcome, outside};
use serde_json::{Value, json};
use std::fs;
use std::path::Path;

/// Numbers in [0, 1) that depend on the seed only.
struct Draws(u64, u64);

impl Draws {
    fn unit(&mut self) -> f64 {
        self.1 += 1;
        unit(hash64(self.0, self.1, 0))
    }

    fn below(&mut self, n: usize) -> usize {
        (self.unit() * n as f64) as usize
    }
}

/// The answers of `tests/reference/crossing_oracle.py` to questions of one kind.
fn ask(kind: &str, questions: &[Value]) -> Vec<Value> {
    let folder = tempfile::tempdir().unwrap();
    let mut all = json!({ "grids": [], "networks": [], "labels": [] });
    all[kind] = questions.into();
    let path = folder.path().join("questions.json");
    fs::write(&path, all.to_string()).unwrap();
    let answers = python_json("crossing_oracle.py", &path)[kind].as_array().unwrap().clone();
    assert_eq!(answers.len(), questions.len());
    answers
}

/// Costs by networkx (a grid graph with its steps written out) and, on ground without barriers, by scikit-image's
/// `MCP_Geometric` and `route_through_array`; the script asserts that those two agree.
#[test]
fn least_costs_are_those_of_general_purpose_libraries() {
    let mut draws = Draws(5, 0);
    let mut grids = Vec::new();
    for round in 0..60 {
        let (rows, cols) = (1 + draws.below(14), 2 + draws.below(14));
        // every other ground has cells that cannot be entered
        let wall = if round % 2 == 0 { 0.0 } else { 0.3 };
        let resistance: Vec<f32> = (0..rows * cols)
            .map(|_| if draws.unit() < wall { f32::INFINITY } else { (1.0 + 9.0 * draws.unit()) as f32 })
            .collect();
        // single cells as patches, or patches of several
        let (patches, habitat) = if round % 4 < 2 { (5, 0.05) } else { (3, 0.3) };
        let mut numbers: Vec<u32> = (0..rows * cols)
            .map(|_| if draws.unit() < habitat { 1 + draws.below(patches) as u32 } else { 0 })
            .collect();
        (numbers[0], numbers[rows * cols - 1]) = (1, 2);
        grids.push((rows, cols, resistance, numbers));
    }
    let questions: Vec<Value> = grids
        .iter()
        .map(|(_, cols, resistance, numbers)| {
            let open = |r: &f32| r.is_finite().then(|| f64::from(*r));
            let ground: Vec<Vec<Option<f64>>> =
                resistance.chunks(*cols).map(|row| row.iter().map(open).collect()).collect();
            json!({ "ground": ground, "patches": numbers.chunks(*cols).collect::<Vec<_>>(), "cell_m": 30.0 })
        })
        .collect();
    let (mut ways, mut none) = (0, 0);
    for ((rows, cols, resistance, patches), answer) in grids.iter().zip(ask("grids", &questions)) {
        let ground = Ground { rows: *rows, cols: *cols, cell_m: 30.0, resistance, patches };
        let whole = Piece { rows: 0..*rows, cols: 0..*cols };
        for entry in answer.as_array().unwrap() {
            let [from, to] = [0, 1].map(|at| entry[at].as_u64().unwrap() as u32);
            let found = Search::default().ways(&ground, from, &whole, 1e9);
            let found = found.iter().find(|way| way.to == to).map(|way| way.cost);
            match (found, entry[2].as_f64()) {
                (Some(found), Some(cost)) => {
                    assert!((found - cost).abs() <= 1e-9 * cost, "{from} to {to}: {found}, networkx {cost}");
                    ways += 1;
                }
                (None, None) => none += 1,
                other => panic!("{from} to {to}: {other:?}"),
            }
        }
    }
    assert!(ways > 100 && none > 10, "{ways} ways, {none} pairs without");
}

/// Patches strewn over a square with links by distance, and graphs of any shape: every number by networkx, where each
/// removal is a graph without the node.
#[test]
fn connection_is_that_of_networkx() {
    let mut draws = Draws(6, 0);
    let mut graphs = Vec::new();
    for round in 0..30 {
        let nodes = 1 + draws.below(45);
        let weights: Vec<f64> = (0..nodes).map(|_| 0.5 + 40.0 * draws.unit().powi(3)).collect();
        let places: Vec<[f64; 2]> = (0..nodes).map(|_| [draws.unit(), draws.unit()]).collect();
        let reach = 0.15 + 0.25 * draws.unit();
        let mut links = Vec::new();
        for a in 0..nodes {
            for b in a + 1..nodes {
                let [x, y] = [0, 1].map(|at| places[a][at] - places[b][at]);
                let near = x.hypot(y);
                // a third of the graphs know no geometry, and few probabilities, so that many ways are equal
                let p = match round % 3 {
                    2 if draws.unit() < 0.2 => [0.25, 0.5, 0.5, 0.9, 1.0][draws.below(5)],
                    2 => continue,
                    _ if near < reach => (-near * 8.0 * (1.0 + draws.unit())).exp(),
                    _ => continue,
                };
                links.push(Link { a: a as u32, b: b as u32, p });
            }
        }
        graphs.push((weights, links));
    }
    let questions: Vec<Value> = graphs
        .iter()
        .map(|(weights, links)| {
            json!({ "weights": weights, "links": links.iter().map(|l| json!([l.a, l.b, l.p])).collect::<Vec<_>>() })
        })
        .collect();
    let mut stones = 0;
    for ((weights, links), answer) in graphs.iter().zip(ask("networks", &questions)) {
        let found = connection(weights, weights, 1e4, links);
        let close = |found: f64, expected: &Value, what: &str| {
            let expected = expected.as_f64().unwrap();
            assert!((found - expected).abs() < 1e-7, "{what}: {found}, networkx {expected}");
        };
        close(found.equivalent, &answer["equivalent"], "equivalent connected area");
        for (node, share) in found.shares.iter().enumerate() {
            let expected = &answer["shares"][node];
            close(share.by_removal(), &expected[0], "share by removal");
            close(share.within, &expected[1], "within");
            close(share.flow, &expected[2], "flow");
            close(share.stepping_stone, &expected[3], "stepping stone");
            stones += usize::from(share.stepping_stone > 0.1);
        }
        let groups = found.group_areas.len();
        let members = |group: usize| -> Vec<usize> {
            (0..weights.len()).filter(|node| found.group[*node] as usize == group).collect()
        };
        let own: Vec<Vec<usize>> = (0..groups).map(members).collect();
        assert_eq!(json!(own), answer["groups"]);
    }
    assert!(stones > 50, "{stones} stepping stones");
}

/// Masks written to a flat file by tiles of any size and scanned in bands of any height give the labels of scipy.
#[test]
fn labels_are_those_of_scipy_whatever_the_tiles() {
    let folder = tempfile::tempdir().unwrap();
    let mut draws = Draws(7, 0);
    let mut questions = Vec::new();
    let mut found = Vec::new();
    for round in 0..40 {
        let (rows, cols) = (1 + draws.below(40), 1 + draws.below(40));
        let bounds = Bounds { left: 0.0, bottom: 0.0, right: 10.0 * cols as f64, top: 10.0 * rows as f64 };
        let grid = Grid::from_bounds(Crs::parse("EPSG:6933").unwrap(), bounds, 10.0).unwrap();
        let share = 0.3 + 0.5 * draws.unit();
        let mask: Vec<u8> = (0..grid.len()).map(|_| u8::from(draws.unit() < share)).collect();
        let corners = round % 2 == 0;
        questions.push(json!({ "mask": mask.chunks(cols).collect::<Vec<_>>(), "corners": corners }));
        let scratch = Scratch::<u8>::create(&folder.path().join("mask"), &grid).unwrap();
        for tile in lentic_raster::tiles(&grid, 1 + draws.below(20)) {
            let cells = Window::whole(&grid).crop(&tile, &mask).unwrap();
            scratch.write(&tile, &cells).unwrap();
        }
        let high = 1 + draws.below(20);
        let mut scan = Scan::new(corners);
        let mut provisional = Vec::new();
        for row in (0..rows).step_by(high) {
            let band = Window { row, col: 0, rows: high.min(rows - row), cols };
            for states in scratch.read(&band).unwrap().chunks(cols) {
                // 1 other, 2 habitat
                let standing: Vec<u8> = states.iter().map(|habitat| habitat + 1).collect();
                let mut labels = vec![0; cols];
                let line = Row {
                    above: None,
                    standing: &standing,
                    below: None,
                    suitability: &vec![1.0; cols],
                    hydroperiod: &vec![1.0; cols],
                    zones: &vec![NO_CLASS; cols],
                    cell_area: 100.0,
                };
                scan.push(&line, &mut labels);
                provisional.push(labels);
            }
        }
        let (_, numbers) = scan.finish(0.0).unwrap();
        let labels: Vec<Vec<u32>> =
            provisional.iter().map(|row| row.iter().map(|l| numbers[*l as usize]).collect()).collect();
        found.push(json!(labels));
    }
    for (at, expected) in ask("labels", &questions).iter().enumerate() {
        assert_eq!(&found[at], expected, "{}", questions[at]);
    }
}

fn compare(basin: &Basin, run: &Path) {
    let outcome = Outcome::of(outside::python().arg("compare.py").arg(basin.study()).arg(run));
    assert_eq!(outcome.code, Some(0), "{}{}", outcome.stdout, outcome.stderr);
    for table in ["connection", "patches"] {
        assert!(outcome.stdout.contains(&format!("ok    {table}: ")), "{}", outcome.stdout);
    }
}

/// Without `[patches.crossing]` there is no table, column, layer or stage of it, and all else is as before.
#[test]
fn nothing_is_connected_unless_asked_for() {
    let basin = Basin::small();
    let with = basin.run("with", &["--quiet"]);
    basin.cut("study.toml", "[patches.crossing]", "# ---- records");
    // a population asks for one of the two
    basin.edit("study.toml", "# dispersal_m = 600.0 ", "dispersal_m = 600.0 ");
    let without = basin.run("without", &["--quiet"]);
    assert!(with.join("tables/connection.csv").is_file() && !without.join("tables/connection.csv").exists());
    let columns =
        |run: &Path| -> Vec<String> { Table::of_run(run, "patches").0[0].keys().cloned().collect() };
    assert!(columns(&with).contains(&"share_by_removal_percent".to_string()));
    assert!(columns(&without).iter().all(|c| !c.contains("removal") && !c.contains("group")));
    let connected = |run: &Path| -> Vec<String> {
        let areas = Table::of_run(run, "habitat_area");
        areas.0.iter().map(|row| row["equivalent_connected_area_ha"].clone()).collect()
    };
    assert!(connected(&without).iter().all(String::is_empty));
    assert!(connected(&with).iter().all(|value| value.parse::<f64>().is_ok_and(|v| v > 0.0)));
    let record = fs::read_to_string(without.join("run.json")).unwrap();
    assert!(!record.contains("connecting patches") && !record.contains("Connection, "));
    let report = |run: &Path| fs::read_to_string(run.join("report.html")).unwrap();
    assert!(
        report(&with).contains("One patch of that size")
            && !report(&without).contains("One patch of that size")
    );
    for same in ["tables/habitat_loss_by_zone.csv", "rasters/suitability_drier.tif"] {
        assert!(fs::read(with.join(same)).unwrap() == fs::read(without.join(same)).unwrap(), "{same}");
    }
    let layers = |run: &Path| -> f64 {
        let sql = "SELECT COUNT(*) n FROM gpkg_contents WHERE table_name LIKE 'paths%'";
        ogr_query(&run.join("vectors/patches.gpkg"), sql)[0].1
    };
    assert_eq!((layers(&with), layers(&without)), (7.0, 0.0));
}

/// Patches of 30 ha or more: one in the baseline (33.03 ha), none in the scenarios.
#[test]
fn one_patch_and_no_patch() {
    let basin = Basin::small();
    basin.edit("study.toml", "minimum_ha = 0.5", "minimum_ha = 30.0");
    let run = basin.run("run", &["--quiet"]);
    let table = Table::of_run(&run, "connection");
    let of = |scenario: &str, column: &str| table.number("scenario", scenario, column);
    let area = of("baseline", "largest_group_ha");
    assert_eq!((of("baseline", "patches"), of("baseline", "links")), (1.0, 0.0));
    assert!((of("baseline", "equivalent_connected_area_ha") - area).abs() < 1e-9 * area && area > 30.0);
    assert_eq!((of("baseline", "connected_groups"), of("baseline", "costliest_patch")), (1.0, 1.0));
    let patch = &Table::of_run(&run, "patches").0[0];
    assert_eq!((patch["share_by_removal_percent"].as_str(), patch["removal_rank"].as_str()), ("100.0", "1"));
    for column in [
        "patches",
        "links",
        "equivalent_connected_area_ha",
        "probability_of_connectivity",
        "effective_mesh_size_ha",
        "connected_groups",
        "largest_group_ha",
    ] {
        assert_eq!(of("pumping", column), 0.0, "{column}");
    }
    let none = table.0.iter().find(|row| row["scenario"] == "pumping").unwrap();
    assert!(none["costliest_patch"].is_empty() && none["costliest_share_percent"].is_empty());
}

/// No habitat in any case: tables stand, empty of patches.
#[test]
fn no_habitat_at_all() {
    let basin = Basin::small();
    basin.edit("study.toml", "threshold = 0.5 ", "threshold = 1.0 ");
    let run = basin.run("run", &["--quiet"]);
    let table = Table::of_run(&run, "connection");
    assert_eq!(table.number("scenario", "baseline", "patches"), 0.0);
    assert_eq!(table.number("scenario", "baseline", "equivalent_connected_area_ha"), 0.0);
    assert!(table.number("scenario", "baseline", "assessed_ha") > 100.0);
}

/// Roads that are never crossed part the basin; the reference agrees, and says which patches hold together.
#[test]
fn impassable_roads_part_the_patches() {
    let basin = Basin::small();
    let open = basin.run("open", &["--quiet"]);
    basin.edit("study.toml", "barriers = { roads = 15.0 }", "barriers = { roads = \"impassable\" }");
    let parted = basin.run("parted", &["--quiet"]);
    compare(&basin, &parted);
    let of =
        |run: &Path, column: &str| Table::of_run(run, "connection").number("scenario", "baseline", column);
    assert!(of(&parted, "connected_groups") > of(&open, "connected_groups"));
    assert!(of(&parted, "links") < of(&open, "links"));
    assert!(of(&parted, "equivalent_connected_area_ha") < of(&open, "equivalent_connected_area_ha"));
}

/// Part of the land cover without data, patches among it: not crossed, told in the notes, and the reference agrees.
#[test]
fn ground_without_a_class_is_not_crossed() {
    let basin = Basin::small();
    basin.edit(
        "study.toml",
        "legend = \"legends/land_cover.csv\"\nsource = \"invented\"\ndate = \"2020\"",
        "legend = \"legends/land_cover.csv\"\nno_data = [1, 3]",
    );
    // what else reads the land cover takes what is missing for nothing
    let study = fs::read_to_string(basin.study()).unwrap();
    let softer = study
        .replace("radius_m = 120.0 ", "if_missing = 0.2\nradius_m = 120.0 ")
        .replace("radius_m = 300.0 ", "if_missing = 1.0\nradius_m = 300.0 ");
    fs::write(basin.study(), softer).unwrap();
    let run = basin.run("run", &["--quiet"]);
    compare(&basin, &run);
    let record = fs::read_to_string(run.join("run.json")).unwrap();
    assert!(record.contains("lie on ground that cannot be crossed"), "{record}");
}

/// Lines as SpatiaLite sees them: sound, as long as they say, and no two of a pair.
#[test]
fn ways_are_sound_lines() {
    let basin = Basin::small();
    let run = basin.run("run", &["--quiet"]);
    let path = run.join("vectors/patches.gpkg");
    let table = Table::of_run(&run, "connection");
    for scenario in ["baseline", "drier", "cropland-2050"] {
        let sql = format!(
            "SELECT COUNT(*) n, COUNT(DISTINCT from_patch * 1000 + to_patch) pairs, MIN(ST_IsValid(geom)) valid, \
             MAX(ABS(ST_Length(geom) - length_m)) off, MIN(to_patch - from_patch) rising, \
             MIN(cost_m - length_m) dearer, MAX(ABS(probability - exp(-0.693147180559945 * cost_m / 500.0))) p \
             FROM \"paths_{scenario}\""
        );
        let found: std::collections::BTreeMap<String, f64> = ogr_query(&path, &sql).into_iter().collect();
        assert!(found["n"] > 0.0 && found["n"] <= table.number("scenario", scenario, "links"), "{found:?}");
        assert_eq!((found["pairs"], found["valid"]), (found["n"], 1.0), "{found:?}");
        assert!(found["off"] < 1e-6 && found["rising"] >= 1.0 && found["dearer"] >= -1e-6, "{found:?}");
        assert!(found["p"] < 1e-12, "{found:?}");
    }
}

/// A class that occurs and has no resistance is refused before anything is computed; the run leaves nothing.
#[test]
fn a_class_without_a_resistance_is_refused() {
    let basin = Basin::small();
    basin.edit("study.toml", "2 = 1.0, 3 = 2.0, 4 = 2.0, ", "2 = 1.0, 4 = 2.0, ");
    let outcome = basin.try_run("run", &["--quiet"]);
    assert_eq!(outcome.code, Some(1), "{outcome:?}");
    for words in
        ["land_cover", "patches.crossing gives no resistance to code 3", "give every class that occurs"]
    {
        assert!(outcome.stderr.contains(words), "{}", outcome.stderr);
    }
    assert!(!basin.folder().join("run").exists());
}
