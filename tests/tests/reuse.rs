//! Steps that are kept: a run after any change is as if it were the first, computes no more than hangs on the change, goes on after
//! it was killed, and trusts no damaged file.

use lentic_numerics::seed::hash64;
use lentic_tests::{Basin, Outcome, kept_parts, lentic};
use serde_json::Value;
use std::fs;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};
use std::process::Stdio;
use std::time::{Duration, Instant};

fn json(outcome: Outcome) -> Value {
    serde_json::from_str(&outcome.done()).unwrap()
}

/// The checksum of a run: of everything in it but pages, figures and times.
fn checksum(run: &Path) -> String {
    let record: Value = serde_json::from_slice(&fs::read(run.join("run.json")).unwrap()).unwrap();
    record["checksum"].as_str().unwrap().to_string()
}

const TILES: [&str; 2] = ["--tile", "64"];

/// Tiles found and tiles computed by a run that keeps.
fn again(basin: &Basin) -> (u64, u64) {
    let told = json(basin.run_again("run", &["--json", TILES[0], TILES[1]]));
    (told["tiles_kept"].as_u64().unwrap(), told["tiles_computed"].as_u64().unwrap())
}

/// Steps that a plan would compute or may have to, by name, scenarios with theirs.
fn planned(basin: &Basin) -> Vec<String> {
    let plan = json(basin.run_again("run", &["--json", "--plan", TILES[0], TILES[1]]));
    let name = |step: &Value| match step["scenario"].as_str() {
        Some(scenario) => format!("{} {scenario}", step["step"].as_str().unwrap()),
        None => step["step"].as_str().unwrap().to_string(),
    };
    let steps = plan["steps"].as_array().unwrap();
    assert!(steps.len() > 8, "{plan:#}");
    steps.iter().filter(|step| step["state"] != "kept").map(name).collect()
}

type Change = (&'static str, fn(&Basin), &'static [&'static str]);

/// What is changed, and the steps that a plan then names: those that hang on it, and (after a change of water, climate or
/// fits) all that follow.
const CHANGES: [Change; 16] = [
    ("nothing", |_| {}, &[]),
    ("words only", |b| b.edit("study.toml", "threshold = 0.5 ", "threshold = 0.5 # ours "), &[]),
    ("a newer month of the climate, and a column nobody reads", newer_month, &[]),
    (
        "the threshold",
        |b| b.edit("study.toml", "threshold = 0.5 ", "threshold = 0.45 "),
        &["habitat", "drying", "past-years"],
    ),
    (
        "one scenario",
        |b| b.edit("study.toml", "precipitation = -30.0", "precipitation = -35.0"),
        &["scenario much-drier", "habitat", "drying", "past-years"],
    ),
    (
        "a scenario more",
        |b| {
            let mut text = fs::read_to_string(b.study()).unwrap();
            text.push_str("\n[[scenarios]]\nname = \"wetter\"\nprecipitation = 10.0\n");
            fs::write(b.study(), text).unwrap();
        },
        &["scenario wetter", "habitat", "drying", "past-years"],
    ),
    (
        "steps of the surface",
        |b| {
            b.edit(
                "study.toml",
                "precipitation = [-40, -30, -20, -10, 0, 10]",
                "precipitation = [-40, -20, 0, 10]",
            )
        },
        &["drying"],
    ),
    (
        "the public edition",
        |b| b.edit("study.toml", "withhold_under_ha = 1.0", "withhold_under_ha = 3.0"),
        &[],
    ),
    (
        "a layer that only habitat looks at",
        |b| touch(&b.file("layers/land_cover.tif")),
        &["habitat", "drying", "past-years"],
    ),
    (
        "the limit of water",
        |b| b.edit("study.toml", "water_limit_months = 3.0", "water_limit_months = 2.0"),
        FITS,
    ),
    ("a month of the climate", another_climate, ALL),
    ("a year of water", another_year, ALL),
    ("the seed", |b| b.edit("study.toml", "seed = 1\n", "seed = 2\n"), ALL),
    (
        "years after the baseline, replayed",
        |b| {
            let path = b.file("climate.csv");
            let mut text = fs::read_to_string(&path).unwrap();
            (2..=12).for_each(|month| {
                text.push_str(&format!("2021,{month},{}.5,{}.5,x\n", 3 * month, 10 + month))
            });
            fs::write(path, text).unwrap();
            let mut text = fs::read_to_string(b.study()).unwrap();
            text.push_str("\n[[scenarios]]\nname = \"again\"\nreplay = { years = [2019, 2021] }\n");
            fs::write(b.study(), text).unwrap();
        },
        &["scenario again", "habitat", "drying", "past-years"],
    ),
    (
        "a month of those years",
        |b| b.edit("climate.csv", "2021,7,21.5,", "2021,7,90.5,"),
        &["scenario again", "habitat", "drying", "past-years"],
    ),
    ("the study's folder", |_| {}, &[]),
];

const FITS: &[&str] = &[
    "pool-beds",
    "pool-levels",
    "response",
    "pool-ground",
    "pool-water",
    "scenario baseline",
    "scenario drier",
    "scenario much-drier",
    "scenario pumping",
    "record-years",
    "habitat",
    "drying",
    "past-years",
];
const ALL: &[&str] = &["water", "response", "scenario baseline", "habitat", "drying", "past-years"];

/// Other bytes, the same cells.
fn touch(raster: &Path) {
    let mut bytes = fs::read(raster).unwrap();
    bytes.push(0);
    fs::write(raster, bytes).unwrap();
}

fn another_climate(basin: &Basin) {
    let path = basin.file("climate.csv");
    let text = fs::read_to_string(&path).unwrap();
    let mut lines: Vec<String> = text.lines().map(String::from).collect();
    let line = lines.len() - 20;
    let mut fields: Vec<String> = lines[line].split(',').map(String::from).collect();
    fields[2] = format!("{:.1}", fields[2].parse::<f64>().unwrap() + 25.0);
    lines[line] = fields.join(",");
    fs::write(&path, lines.join("\n") + "\n").unwrap();
}

fn newer_month(basin: &Basin) {
    let path = basin.file("climate.csv");
    let text = fs::read_to_string(&path).unwrap();
    let (header, rows) = text.split_once('\n').unwrap();
    let rows: String = rows.lines().map(|row| format!("{row},x\n")).collect();
    fs::write(&path, format!("{header},note\n{rows}2021,1,71.5,24.5,x\n")).unwrap();
}

fn another_year(basin: &Basin) {
    let mut years: Vec<PathBuf> =
        fs::read_dir(basin.file("water")).unwrap().map(|e| e.unwrap().path()).collect();
    years.sort();
    fs::copy(&years[3], &years[4]).unwrap();
}

#[test]
fn after_every_change_a_run_is_as_if_it_were_the_first() {
    let mut basin = Basin::small();
    let (kept, computed) = again(&basin);
    assert_eq!(kept, 0);
    let all = computed;
    for (what, change, expected) in CHANGES {
        if what == "the study's folder" {
            let elsewhere = Basin::small();
            for (from, to) in [("basin", "basin"), ("run.kept", "run.kept")] {
                let to = elsewhere.folder().join(to);
                let _ = fs::remove_dir_all(&to);
                fs::rename(basin.folder().join(from), to).unwrap();
            }
            basin = elsewhere;
        }
        change(&basin);
        let steps = planned(&basin);
        let (kept, computed) = again(&basin);
        assert!(planned(&basin).is_empty(), "{what}: after a run everything is kept: {:?}", planned(&basin));
        let fresh = basin.run("fresh", &["--quiet", TILES[0], TILES[1]]);
        assert_eq!(checksum(&basin.folder().join("run")), checksum(&fresh), "{what}");
        if expected == ALL || expected == FITS {
            assert!(expected.iter().all(|step| steps.iter().any(|found| found == step)), "{what}: {steps:?}");
        } else {
            assert_eq!(steps, expected, "{what}");
        }
        assert_eq!(computed == 0, expected.is_empty(), "{what}: {computed} computed");
        assert_eq!(kept > 0, expected != ALL, "{what}: {kept} kept, {computed} computed");
        assert!(computed <= all + 8, "{what}");
    }
}

#[test]
fn a_plan_says_why() {
    let basin = Basin::small();
    let told = |basin: &Basin| basin.run_again("run", &["--plan"]).done();
    assert!(told(&basin).contains("not run yet"), "{}", told(&basin));
    assert!(
        !basin.folder().join("run.kept").exists() && !basin.folder().join("run").exists(),
        "a plan writes nothing"
    );
    basin.run_again("run", &["--quiet"]).done();
    assert!(!told(&basin).contains("to compute"), "{}", told(&basin));
    basin.edit("study.toml", "threshold = 0.5 ", "threshold = 0.45 ");
    basin.edit("study.toml", "precipitation = -30.0", "precipitation = -35.0");
    let plan = told(&basin);
    let line =
        |step: &str| plan.lines().find(|line| line.starts_with(step)).unwrap_or_else(|| panic!("{plan}"));
    assert!(line("reading water").ends_with("kept"), "{plan}");
    assert!(line("answering the scenarios: drier").ends_with("kept"), "{plan}");
    assert!(
        line("answering the scenarios: much-drier")
            .contains("to compute (other than in the last run: scenario much-drier)"),
        "{plan}"
    );
    assert!(
        line("scoring habitat").contains("perhaps to compute (other than in the last run: [suitability]"),
        "{plan}"
    );
}

/// A killed run leaves what it has kept; the next goes on from there to the same bytes. 50 kills, at moments spread over the time that a whole run takes.
#[test]
fn a_run_killed_at_any_moment_goes_on_to_the_same_bytes() {
    let basin = Basin::small();
    let reference = checksum(&basin.run("fresh", &["--quiet", "--tile", "32"]));
    let begun = Instant::now();
    basin.run("fresh", &["--quiet", "--tile", "32"]);
    let whole = begun.elapsed();
    let store = basin.folder().join("run.kept");
    let (mut kills, mut resumed) = (0u64, 0u64);
    for round in 0..10u64 {
        for _ in 0..5 {
            let moment = hash64(11, round, kills) % 1000;
            let mut child = basin
                .command("run")
                .args(["--quiet", "--tile", "32"])
                .stdout(Stdio::null())
                .stderr(Stdio::null())
                .spawn()
                .unwrap();
            std::thread::sleep(Duration::from_micros(whole.as_micros() as u64 * moment / 1000));
            child.kill().unwrap();
            child.wait().unwrap();
            kills += 1;
        }
        let told = json(basin.run_again("run", &["--json", "--tile", "32"]));
        resumed += u64::from(told["tiles_kept"].as_u64().unwrap() > 0);
        assert_eq!(checksum(&basin.folder().join("run")), reference, "round {round}");
        assert!(!basin.folder().join("run.part").exists());
        // every round begins anew
        fs::remove_dir_all(&store).unwrap();
        fs::remove_dir_all(basin.folder().join("run")).unwrap();
    }
    assert_eq!(kills, 50);
    assert!(resumed >= 8, "only {resumed} of 10 rounds found anything kept");
}

#[test]
fn a_part_with_one_bit_altered_is_computed_anew() {
    let basin = Basin::small();
    let (_, computed) = again(&basin);
    let reference = checksum(&basin.folder().join("run"));
    let store = basin.folder().join("run.kept");
    let all = kept_parts(&store);
    assert_eq!(all.len() as u64, computed);
    for round in 0..3u64 {
        for (at, path) in all.iter().enumerate() {
            let mut bytes = fs::read(path).unwrap();
            match round {
                0 => {
                    let bit = hash64(5, at as u64, 0) % (8 * bytes.len() as u64);
                    bytes[(bit / 8) as usize] ^= 1 << (bit % 8);
                }
                1 => bytes.truncate((hash64(6, at as u64, 0) % bytes.len() as u64) as usize),
                // sound parts, but of another tile or step
                _ => bytes = fs::read(&all[(at + 1) % all.len()]).unwrap(),
            }
            fs::write(path, bytes).unwrap();
        }
        fs::write(store.join("last.json"), "{ \"runs\": { \"").unwrap();
        let (kept, anew) = again(&basin);
        assert_eq!(checksum(&basin.folder().join("run")), reference, "round {round}");
        // a bit that packing does not use alters nothing; parts of a neighbour are sound parts of another tile
        assert!(
            anew as usize >= if round == 2 { 0 } else { all.len() * 9 / 10 },
            "round {round}: {kept} kept, {anew} anew"
        );
    }
}

/// Rasters whose cells and words stay are the very files of the run before; one that was altered, or of which nothing is known, is written anew.
#[test]
fn rasters_that_stay_are_taken_over_and_no_altered_one() {
    let basin = Basin::small();
    again(&basin);
    let run = basin.folder().join("run");
    let names = [
        "rasters/permanence.tif",
        "rasters/hydroperiod_drier.tif",
        "cells/water_drier.tif",
        "rasters/hydroperiod_much-drier.tif",
    ];
    let files = || names.map(|name| fs::metadata(run.join(name)).unwrap().ino());
    let same = |before: [u64; 4]| {
        let now = files();
        [0, 1, 2, 3].map(|at| before[at] == now[at])
    };
    let (first, reference) = (files(), checksum(&run));
    again(&basin);
    assert_eq!(same(first), [true; 4]);
    basin.edit("study.toml", "precipitation = -30.0", "precipitation = -35.0");
    again(&basin);
    assert_eq!(same(first), [true, true, true, false]);
    basin.edit("study.toml", "precipitation = -35.0", "precipitation = -30.0");
    again(&basin);
    assert_eq!(checksum(&run), reference);
    // one bit of a file, then the list of what they were written from
    let held = files();
    let altered = run.join(names[1]);
    let mut bytes = fs::read(&altered).unwrap();
    let middle = bytes.len() / 2;
    bytes[middle] ^= 1;
    fs::write(&altered, bytes).unwrap();
    again(&basin);
    assert_eq!((same(held), checksum(&run)), ([true, false, true, true], reference.clone()));
    let held = files();
    fs::write(basin.folder().join("run.kept/rasters.json"), "{ \"/").unwrap();
    again(&basin);
    assert_eq!((same(held), checksum(&run)), ([false; 4], reference));
    // other words, the same cells
    let held = files();
    basin.edit("study.toml", "name = \"Talverra Sink\"", "name = \"Talverra Sink, east\"");
    again(&basin);
    assert_eq!(same(held), [false; 4]);
}

/// A store keeps what the last two runs into each run folder used, and nothing else.
#[test]
fn a_store_does_not_grow_and_serves_several_run_folders() {
    let basin = Basin::small();
    let store = basin.folder().join("store");
    let run = |out: &str| {
        let told = json(basin.run_again(out, &["--json", "--kept", store.to_str().unwrap()]));
        told["tiles_computed"].as_u64().unwrap()
    };
    let threshold = |from: &str, to: &str| {
        basin.edit("study.toml", &format!("threshold = {from} "), &format!("threshold = {to} "));
    };
    let habitats = || fs::read_dir(store.join("habitat")).unwrap().count();
    assert!(run("a") > 0);
    threshold("0.5", "0.4");
    assert!(run("b") > 0);
    assert_eq!(habitats(), 2);
    for (from, to) in [("0.4", "0.3"), ("0.3", "0.6"), ("0.6", "0.7")] {
        threshold(from, to);
        assert!(run("b") > 0);
    }
    // the last two into b, and the one into a
    assert_eq!(habitats(), 3);
    threshold("0.7", "0.6");
    assert_eq!(run("b"), 0);
    threshold("0.6", "0.5");
    assert_eq!(run("a"), 0);
}

#[test]
fn a_folder_of_something_else_is_no_store() {
    let basin = Basin::small();
    let other = basin.folder().join("thesis");
    fs::create_dir(&other).unwrap();
    fs::write(other.join("chapter.txt"), "mine").unwrap();
    let outcome = basin.run_again("run", &["--quiet", "--kept", other.to_str().unwrap()]);
    assert_eq!(outcome.code, Some(1), "{outcome:?}");
    assert!(
        outcome.stderr.contains("no kept steps of lentic") && outcome.stderr.contains("--kept"),
        "{}",
        outcome.stderr
    );
    assert_eq!(fs::read_dir(&other).unwrap().count(), 1);
    assert!(!basin.folder().join("run").exists());
}

/// Several machines are several processes here: each computes a share of a step, in any order within the step.
#[test]
fn shares_put_together_are_the_run_of_one_machine() {
    let basin = Basin::with_members();
    basin.edit(
        "study.toml",
        "# sensitivity = { samples = 256, cells = 20000 }",
        "sensitivity = { samples = 16, cells = 500 }",
    );
    let one = basin.run("one", &["--quiet", "--tile", "32"]);
    let shard = |what: &str, more: &[&str]| {
        let mut command = lentic();
        command.args(["shard", what]).arg(basin.study()).arg("--out").arg(basin.folder().join("run"));
        Outcome::of(command.args(["--tile", "32", "--shards", "2"]).args(more))
    };
    let steps = |plan: Value| plan["steps"].as_array().unwrap().clone();
    let plan = steps(json(shard("plan", &["--json"])));
    assert!(
        plan.len() >= 12 && plan.iter().all(|step| step["missing"] == serde_json::json!([0, 1])),
        "{plan:?}"
    );
    let run = |step: usize, share: usize| {
        let (step, share) = (step.to_string(), share.to_string());
        shard("run", &["--quiet", "--step", &step, "--shard", &share])
    };
    // nothing to stand on yet
    let early = run(3, 0);
    assert_eq!(early.code, Some(3), "{early:?}");
    assert!(early.stderr.contains("\"reading water\" lacks"), "{}", early.stderr);
    for (at, step) in plan.iter().enumerate() {
        assert_eq!(step["step"], at + 1);
        let order = if at % 2 == 0 { [1, 0] } else { [0, 1] };
        for share in order {
            // one share of the fits is forgotten
            if (step["name"].as_str(), share) == (Some("response"), 1) {
                continue;
            }
            let outcome = run(at + 1, share);
            let after = plan.iter().position(|step| step["name"] == "response").unwrap();
            assert_eq!(
                outcome.code,
                Some(if at > after { 3 } else { 0 }),
                "step {step}, share {share}: {outcome:?}"
            );
        }
        if step["name"] == "response" {
            break;
        }
    }
    let merged = shard("merge", &[]);
    assert_eq!(merged.code, Some(3), "{merged:?}");
    let number = plan.iter().position(|step| step["name"] == "response").unwrap() + 1;
    assert!(
        merged.stderr.contains(&format!("step {number} (fitting the response): 1;")),
        "{}",
        merged.stderr
    );
    let missing = steps(json(shard("plan", &["--json"])));
    assert_eq!(missing[number - 1]["missing"], serde_json::json!([1]));
    assert!(missing[..number - 1].iter().all(|step| step["missing"] == serde_json::json!([])), "{missing:?}");
    run(number, 1).done();
    for at in number + 1..=plan.len() {
        run(at, 1).done();
        run(at, 0).done();
    }
    assert!(
        steps(json(shard("plan", &["--json"]))).iter().all(|step| step["missing"] == serde_json::json!([]))
    );
    shard("merge", &["--quiet"]).done();
    assert_eq!(checksum(&basin.folder().join("run")), checksum(&one));
    for (step, share, words) in [("0", "0", "1 to"), ("99", "0", "1 to"), ("1", "2", "0 to 1")] {
        let outcome = shard("run", &["--step", step, "--shard", share]);
        assert!(outcome.code == Some(1) && outcome.stderr.contains(words), "{outcome:?}");
    }
}
