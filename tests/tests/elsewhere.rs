//! The same study elsewhere: another temporary folder, language, time zone, working folder, mask of modes, and a folder moved, give the same
//! bytes; what was cited is met.

use lentic_tests::faults::{checksum, not_run, tree};
use lentic_tests::{Basin, Outcome, lentic};
use std::collections::BTreeMap;
use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use std::process::Command;

/// Products but for the record and the pages, which tell times.
fn products(run: &Path) -> BTreeMap<String, Option<blake3::Hash>> {
    let mut found = tree(run);
    found.retain(|name, _| {
        ["rasters", "tables", "vectors", "figures", "cells"].iter().any(|part| name.starts_with(part))
    });
    assert!(found.len() > 200, "{}", found.len());
    // what quotes when the run was made
    found.remove("rasters/stac-item.json");
    found
}

#[test]
fn surroundings_change_no_byte() {
    let basin = Basin::small();
    let run = basin.run("run", &["--quiet"]);
    let (expected, cited) = (products(&run), checksum(&run));
    let other = tempfile::tempdir().unwrap();
    let at = |name: &str| other.path().join(name);
    // a language of its own, as far as the machine can make one
    let made = Command::new("localedef").args(["-i", "de_DE", "-f", "UTF-8"]).arg(at("de_DE.UTF-8")).output();
    let german = made.is_ok_and(|output| output.status.success());
    if !german {
        not_run("the German locale cannot be made: install the package locales (`make setup-test`)");
    }
    fs::create_dir(at("temporary")).unwrap();
    let check = |what: &str, command: &mut Command| {
        Outcome::of(command.args(["--out"]).arg(at("run")).args(["--quiet", "--keep-nothing"])).done();
        assert_eq!(checksum(&at("run")), cited, "{what}");
        let found = products(&at("run"));
        let differing: Vec<_> =
            expected.iter().filter(|(name, digest)| found.get(*name) != Some(*digest)).collect();
        assert!(differing.is_empty() && found.len() == expected.len(), "{what}: {differing:?}");
    };
    let plain = || {
        let mut command = lentic();
        command.arg("run").arg(basin.study());
        command
    };
    check("TMPDIR", plain().env("TMPDIR", at("temporary")));
    assert_eq!(fs::read_dir(at("temporary")).unwrap().count(), 0, "something is left in TMPDIR");
    check("a TMPDIR that is not there", plain().env("TMPDIR", at("nowhere")));
    check(
        "language and time zone",
        plain()
            .env("LOCPATH", other.path())
            .env("LC_ALL", "de_DE.UTF-8")
            .env("LANG", "de_DE.UTF-8")
            .env("TZ", "Pacific/Kiritimati"),
    );
    check("no surroundings", plain().env_clear());
    let mut from_there = lentic();
    check(
        "another working folder",
        from_there.arg("run").arg("study.toml").current_dir(basin.folder().join("basin")),
    );
    let mut masked = Command::new("sh");
    masked
        .args(["-c", "umask 0077; exec \"$0\" \"$@\""])
        .arg(lentic().get_program())
        .arg("run")
        .arg(basin.study());
    check("mask 0077", &mut masked);
    let mut open = Command::new("sh");
    open.args(["-c", "umask 0000; exec \"$0\" \"$@\""])
        .arg(lentic().get_program())
        .arg("run")
        .arg(basin.study());
    check("mask 0000", &mut open);
    // exact places stay for their owner whatever the mask
    let mode = |path: &Path| fs::metadata(path).unwrap().permissions().mode() & 0o777;
    assert_eq!(
        [mode(&at("run")), mode(&at("run/run.json")), mode(&at("run/rasters"))],
        [0o700, 0o600, 0o700]
    );

    // the study with all its files, and the run, moved
    fs::rename(basin.folder().join("basin"), at("moved basin \u{e4}\u{1f422}")).unwrap();
    let mut moved = lentic();
    check("a folder moved", moved.arg("run").arg(at("moved basin \u{e4}\u{1f422}").join("study.toml")));
    fs::rename(&run, at("moved run")).unwrap();
    let verified =
        Outcome::of(lentic().arg("verify").arg(at("moved run")).args(["--cited", &cited[..16]])).done();
    assert!(verified.contains("is as it was left"), "{verified}");
}
