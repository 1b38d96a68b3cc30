//! The report page in a real browser: `tests/reference/page.py` does what readers do (layers, swipe, patches, tables, charts, keys, print)
//! and holds what it reads against the tables and rasters of the run. Names of a study that are markup, run from right to left, are emoji
//! or 200 characters long do no harm.

use lentic_tests::outside::python;
use lentic_tests::{Basin, Outcome};
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::LazyLock;

/// A basin with its run, with members of uncertainty.
static RUN: LazyLock<(Basin, PathBuf)> = LazyLock::new(|| {
    let basin = Basin::with_members();
    let run = basin.run("run", &["--quiet"]);
    (basin, run)
});

/// Checks that the script makes on a wide screen, and those it repeats on a telephone.
const WIDE: [&str; 12] = [
    "layers", "zoom", "swipe", "readout", "patches", "tables", "charts", "words", "keyboard", "print", "axe",
    "overflow",
];
const NARROW: [&str; 3] = ["axe", "overflow", "quiet"];

#[test]
fn a_reader_finds_what_the_page_promises() {
    let outcome = Outcome::of(python().arg("page.py").arg(&RUN.1));
    let said = &outcome.stdout;
    assert_eq!(outcome.code, Some(0), "{said}{}", outcome.stderr);
    let names = WIDE.iter().map(|name| format!("{name} at 1400"));
    for name in names.chain(NARROW.iter().map(|name| format!("{name} at 390"))) {
        assert!(
            said.lines().any(|line| line == format!("ok     {name}")),
            "{name} was not looked at:\n{said}"
        );
    }
}

/// Every check must be able to fail: a fault is planted for each, and that check finds it.
#[test]
fn planted_faults_are_found() {
    let text = fs::read_to_string(RUN.1.join("report.html")).unwrap();
    // (check, words that stand once, what stands there instead)
    let faults = [
        ("layers", "overlaid.setUrl(layer.picture);", "overlaid.setUrl(data.layers[0].picture);"),
        ("zoom", "const per_pixel = 1 /", "const per_pixel = 2 /"),
        ("swipe", "const across = size.x *", "const across = 0.9 * size.x *"),
        ("readout", "Math.floor(place.lng / picture.pixel_m)", "3 + Math.floor(place.lng / picture.pixel_m)"),
        (
            "patches",
            "if (found) pick(report.patch_at(place), false);",
            "if (found) pick(report.patch_at(place) + 1, false);",
        ),
        ("tables", "Number(a.key) - Number(b.key)", "a.key.localeCompare(b.key)"),
        ("charts", "tip.textContent = text;", "tip.textContent = text + '0';"),
        ("words", "Caswell, H. (2001)", "Caswell, H. (2002)"),
        (
            "keyboard",
            "\n:focus-visible { outline: 3px solid #1f6fb2; outline-offset: 2px; }",
            "\n:focus-visible { outline: none; }",
        ),
        ("print", "table.open = true", "table.open = false"),
        ("axe", "<label for=\"map-opacity\">", "<label>"),
        ("overflow", "<section id=\"cite\"", "<div style=\"width:1500px\">wide</div><section id=\"cite\""),
        ("quiet", "<section id=\"cite\"", "<img src=\"none.png\" alt=\"\"><section id=\"cite\""),
    ];
    let page = RUN.0.folder().join("faulty.html");
    for (check, old, new) in faults {
        assert_eq!(text.matches(old).count(), 1, "{old:?} must stand once");
        fs::write(&page, text.replacen(old, new, 1)).unwrap();
        let mut command = python();
        command.arg("page.py").arg(&RUN.1).arg("--page").arg(&page).args(["--only", check]);
        let outcome = Outcome::of(&mut command);
        let found = outcome.stdout.lines().any(|line| line.starts_with(&format!("FAILED {check} at ")));
        assert!(outcome.code == Some(1) && found, "{check} does not see {new:?}: {outcome:#?}");
    }
}

/// What no name may do, in every place that a study fills with words.
#[test]
fn names_of_a_study_do_no_harm() {
    let basin = Basin::small();
    let script = "<img src=x onerror=window.harm=1></script><script>window.harm=2</script>";
    let right_to_left = "\u{5d1}\u{5d9}\u{5e6}\u{5d4} \u{202e}\u{644}\u{627}\u{648} \"4\" & <b>";
    let emoji = "\u{1f422}\u{1f4a7} 'turtle' {{ 7*7 }} ${harm}";
    let long = "wetland".repeat(29);
    let long = &long[..200];
    let toml = |text: &str| format!("\"{}\"", text.replace('"', "\\\""));
    for (old, new) in [
        ("name = \"Talverra Sink\"", format!("name = {}", toml(script))),
        ("organism = \"Talverra mud turtle (invented)\"", format!("organism = {}", toml(right_to_left))),
        (
            "purpose = \"Shows how loss of habitat under drought is computed; the data are made up\"",
            format!("purpose = {}", toml(long)),
        ),
        ("contact = \"nobody: demonstration data\"", format!("contact = {}", toml(script))),
        ("title = \"15 % less rain, 1 degree warmer\"", format!("title = {}", toml(script))),
        ("title = \"30 % less rain, 2 degrees warmer\"", format!("title = {}", toml(right_to_left))),
        ("title = \"Wells lower the water table by 0.4 m\"", format!("title = {}", toml(emoji))),
        ("title = \"Wells, 15 % less rain, 1 degree warmer\"", format!("title = {}", toml(long))),
    ] {
        basin.edit("study.toml", old, &new);
    }
    basin.edit("study.toml", "name = \"water-depth\"", &format!("name = {}", toml(script)));
    let study = fs::read_to_string(basin.study()).unwrap();
    assert!(study.contains("requisites.cover]"));
    fs::write(
        basin.study(),
        study.replace("requisites.cover", &format!("requisites.{}", toml(right_to_left))),
    )
    .unwrap();
    let cell = |text: &str| format!("\"{}\"", text.replace('"', "\"\""));
    for (zone, name) in [
        ("Northern slopes", script),
        ("Eastern flats", right_to_left),
        ("Spring line", emoji),
        ("Sink", long),
    ] {
        basin.edit("legends/zones.csv", &format!(",{zone}\n"), &format!(",{}\n", cell(name)));
    }
    basin.edit("legends/wetland_class.csv", ",open pool,", &format!(",{},", cell(script)));
    basin.edit("legends/land_cover.csv", ",grassland,", &format!(",{},", cell(right_to_left)));
    let run = basin.run("run", &["--quiet"]);
    let names = basin.folder().join("names.json");
    let expected = serde_json::json!({
        "study": script, "organism": right_to_left, "titles": [script, right_to_left, emoji, long], "zones": [script, right_to_left, emoji, long],
    });
    fs::write(&names, expected.to_string()).unwrap();
    harmless(&run, &names);
}

#[track_caller]
fn harmless(run: &Path, names: &Path) {
    let mut command = python();
    command.arg("page.py").arg(run).arg("--names").arg(names);
    command.args(["--only", "names,layers,patches,tables,charts,print,axe,overflow,quiet"]);
    let outcome = Outcome::of(&mut command);
    assert_eq!(outcome.code, Some(0), "{}{}", outcome.stdout, outcome.stderr);
    for name in ["names at 1400", "overflow at 390", "quiet at 390"] {
        assert!(
            outcome.stdout.lines().any(|line| line == format!("ok     {name}")),
            "{name}:\n{}",
            outcome.stdout
        );
    }
    // figures are pictures: no name becomes an element of theirs
    for entry in fs::read_dir(run.join("figures")).unwrap() {
        let path = entry.unwrap().path();
        if path.extension().is_some_and(|end| end == "svg") {
            let text = fs::read_to_string(&path).unwrap();
            assert!(!text.contains("<img") && !text.contains("<script"), "{}", path.display());
        }
    }
}
