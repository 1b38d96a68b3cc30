//! Run folders and stores that were damaged: every command that reads them tells it or gives what it always gave, and never panics.

use lentic_numerics::seed::hash64;
use lentic_tests::faults::{checksum, ended_clearly, tree};
use lentic_tests::{Basin, Outcome, lentic};
use serde_json::Value;
use std::fs;
use std::path::Path;

fn command(words: &[&str], run: &Path) -> Outcome {
    let (first, more) = words.split_first().unwrap();
    Outcome::of(lentic().arg(first).arg(run).args(more))
}

/// One bit altered, or cut short at any place; the same each time.
fn damaged(bytes: &[u8], at: u64, cut: bool) -> Vec<u8> {
    let mut bytes = bytes.to_vec();
    if cut {
        bytes.truncate((hash64(21, at, 0) % bytes.len() as u64) as usize);
    } else {
        let bit = hash64(22, at, 0) % (8 * bytes.len() as u64);
        bytes[(bit / 8) as usize] ^= 1 << (bit % 8);
    }
    bytes
}

#[test]
fn every_file_of_a_run_damaged_in_turn() {
    let basin = Basin::small();
    let run = basin.run("run", &["--quiet"]);
    let sound = basin.run("sound", &["--quiet"]);
    let explained = command(&["explain", "15", "-15"], &run).done();
    let files: Vec<String> =
        tree(&run).into_iter().filter(|(_, digest)| digest.is_some()).map(|(name, _)| name).collect();
    let (mut tried, mut refusals) = (0, 0);
    for (at, file) in files.iter().enumerate() {
        let path = run.join(file);
        let whole = fs::read(&path).unwrap();
        if whole.is_empty() {
            continue;
        }
        let record = file == "run.json";
        // the record and what pages are made from more often than the rest
        let often = record || file.starts_with("cells/");
        for round in 0..if record {
            6
        } else if often {
            2
        } else {
            1
        } {
            let cut = (at + round) % 2 == 0;
            fs::write(&path, damaged(&whole, (at * 10 + round) as u64, cut)).unwrap();
            let what = format!("{file}, {}", if cut { "cut" } else { "a bit" });
            let verified = command(&["verify"], &run);
            assert_eq!(verified.code, Some(1), "{what}: {verified:#?}");
            assert!(verified.stderr.contains(file.as_str()), "{what}: {verified:#?}");
            tried += 1;
            // what an explanation reads
            if often || file.starts_with("rasters/suitability") || file == "rasters/not_assessed.tif" {
                let outcome = command(&["explain", "15", "-15"], &run);
                ended_clearly(&outcome, &[0, 1, 3]);
                assert!(outcome.code != Some(0) || outcome.stdout == explained, "{what}: {outcome:#?}");
                refusals += usize::from(outcome.code != Some(0));
                tried += 1;
            }
            if often || at % 12 == 0 {
                // a page is made from what was proved whole only; damage of what it makes anew does not matter
                if !record && !file.starts_with("figures/") && file != "report.html" {
                    let outcome = command(&["report"], &run);
                    ended_clearly(&outcome, &[1]);
                    assert!(outcome.stderr.contains(file.as_str()), "{what}: {outcome:#?}");
                    let public = command(
                        &["report", "--public", "--out", basin.folder().join("public").to_str().unwrap()],
                        &run,
                    );
                    ended_clearly(&public, &[1]);
                }
                let out = basin.folder().join("compared");
                for more in [&[][..], &["--unverified"][..]] {
                    let mut compare = lentic();
                    compare.arg("compare").arg(&sound).arg(&run).arg("--out").arg(&out).args(more);
                    let outcome = Outcome::of(&mut compare);
                    ended_clearly(&outcome, if more.is_empty() { &[1, 3] } else { &[0, 1, 3] });
                    let _ = fs::remove_dir_all(&out);
                }
                tried += 4;
            }
        }
        fs::write(&path, &whole).unwrap();
    }
    println!("{tried} commands on {} files damaged, {refusals} explanations refused", files.len());
    assert!(files.len() > 250 && tried > 400 && refusals > 5, "{tried} {refusals}");
    command(&["verify"], &run).done();
    // a record that is no file at all
    fs::rename(run.join("run.json"), run.join("was.json")).unwrap();
    fs::create_dir(run.join("run.json")).unwrap();
    for words in [&["verify"][..], &["explain", "15", "-15"], &["report"]] {
        ended_clearly(&command(words, &run), &[1, 3]);
    }
}

/// A part that does not read back counts as kept only until a merge meets it.
#[test]
fn a_damaged_part_of_a_shared_store_is_told_as_missing() {
    let basin = Basin::small();
    let shard = |what: &str, more: &[&str]| {
        let mut command = lentic();
        command.args(["shard", what]).arg(basin.study()).arg("--out").arg(basin.folder().join("run"));
        command.args(["--tile", "32", "--shards", "3"]).args(more);
        Outcome::of(&mut command)
    };
    let missing = || -> Vec<(u64, Vec<u64>)> {
        let plan: Value = serde_json::from_str(&shard("plan", &["--json"]).done()).unwrap();
        let numbers =
            |step: &Value| step["missing"].as_array().unwrap().iter().map(|n| n.as_u64().unwrap()).collect();
        let steps = plan["steps"].as_array().unwrap();
        let all = steps.iter().map(|step| (step["step"].as_u64().unwrap(), numbers(step)));
        all.filter(|(_, missing): &(u64, Vec<u64>)| !missing.is_empty()).collect()
    };
    // everything is kept by a run, as if shares had done it
    Outcome::of(basin.command("run").args(["--quiet", "--tile", "32"])).done();
    let reference = checksum(&basin.folder().join("run"));
    assert_eq!(missing(), []);
    let store = basin.folder().join("run.kept");
    for (step, cut) in [("response", true), ("habitat", false)] {
        let key = fs::read_dir(store.join(step)).unwrap().next().unwrap().unwrap().path();
        for number in [0, 4] {
            let part = key.join(format!("{number}.part"));
            let bytes = fs::read(&part).unwrap();
            // a bit of the digest that the part proves itself by, so that it cannot be one that packing does not use
            let mut spoilt = bytes.clone();
            spoilt[60] ^= 1;
            fs::write(&part, if cut { &bytes[..bytes.len() / 2] } else { &spoilt }).unwrap();
        }
        let merged = shard("merge", &[]);
        assert_eq!(merged.code, Some(3), "{step}: {merged:#?}");
        assert!(merged.stderr.contains("lacks 1 of its"), "{step}: {merged:#?}");
        let found = missing();
        assert!(!found.is_empty(), "{step}: a plan counts what does not read back as kept");
        for (number, shares) in found {
            for share in shares {
                shard("run", &["--step", &number.to_string(), "--shard", &share.to_string()]).done();
            }
        }
        assert_eq!(missing(), [], "{step}");
        shard("merge", &["--quiet"]).done();
        assert_eq!(checksum(&basin.folder().join("run")), reference, "{step}");
    }
}
