//! Studies and command lines that mean harm, or go wrong: no name leads out of the run folder, nothing that is not a run is replaced, and no
//! word of a study becomes part of a program, a page or a formula.

use lentic_tests::faults::{ended_clearly, names, tree};
use lentic_tests::outside::python;
use lentic_tests::refusal::refused;
use lentic_tests::{Basin, Outcome, lentic};
use serde_json::Value;
use std::fs;
use std::os::unix::fs::symlink;
use std::path::Path;

/// Text as TOML writes it: JSON's strings are strings of TOML too, but for the line that ends them.
fn toml(text: &str) -> String {
    Value::from(text).to_string().replace('\u{7f}', "\\u007f")
}

const NAMES: [&str; 17] = [
    "../out",
    "../../../../tmp/lentic-escape",
    "/tmp/lentic-escape",
    "a/b",
    "a\\b",
    "..",
    ".",
    "",
    "nul\u{0}byte",
    "line\nbreak",
    "CON",
    "con.txt",
    "-rf",
    "dri\u{435}r",
    "drier\u{202e}fit",
    "dr ier",
    "$(id)",
];

/// Names of scenarios and of ensembles stand in names of files, and are held to plain ones.
#[test]
fn names_of_scenarios_cannot_lead_elsewhere() {
    let basin = Basin::small();
    let study = fs::read_to_string(basin.study()).unwrap();
    let long = "a".repeat(300);
    let mut tried = 0;
    for name in NAMES.into_iter().chain([long.as_str()]) {
        fs::write(basin.study(), study.replacen("name = \"drier\"", &format!("name = {}", toml(name)), 1))
            .unwrap();
        let said = refused(&basin, &["scenarios"]);
        assert!(said.contains("scenarios[0].name"), "{name:?}: {said}");
        tried += 1;
    }
    println!("{tried} names refused");
    // Windows has no file of the name `con`, but every file here says more than the name
    fs::write(basin.study(), study.replace("name = \"drier\"", "name = \"con\"")).unwrap();
    let run = basin.run("run", &["--quiet"]);
    assert!(run.join("rasters/suitability_con.tif").is_file());
    for file in tree(&run).into_keys() {
        let name = Path::new(&file).file_name().unwrap().to_str().unwrap();
        let stem = name.split('.').next().unwrap().to_ascii_uppercase();
        assert!(!["CON", "PRN", "AUX", "NUL", "COM1", "LPT1"].contains(&stem.as_str()), "{file}");
        assert!(name.len() < 200 && name.bytes().all(|b| b.is_ascii_graphic()), "{file}");
    }
}

/// Names of layers, requisites, variables and stages may be any text: none is part of a file's name.
#[test]
fn names_of_layers_and_requisites_stay_within() {
    let basin = Basin::small();
    let before = names(basin.folder());
    for name in ["../../../lentic-escape", "/tmp/lentic-escape", "nul\u{0}byte", &"w".repeat(300)] {
        let study = fs::read_to_string(basin.study()).unwrap();
        let quoted = toml(name);
        let text = study
            .replace("[layers.land_cover]", &format!("[layers.{quoted}]\nrole = \"land_cover\""))
            .replace("layer = \"land_cover\"", &format!("layer = {quoted}"))
            .replace("[requisites.cover]", &format!("[requisites.{quoted}]"))
            .replace("[[requisites.cover.variables]]", &format!("[[requisites.{quoted}.variables]]"))
            .replace("name = \"juvenile\"", &format!("name = {quoted}"))
            .replace("name = \"wetland-plants\"", &format!("name = {quoted}"));
        assert!(text.matches(&quoted).count() >= 6, "{text}");
        fs::write(basin.study(), &text).unwrap();
        let outcome = basin.try_run("run", &["--quiet"]);
        fs::write(basin.study(), study).unwrap();
        ended_clearly(&outcome, &[0, 1]);
        let made: Vec<String> = names(basin.folder());
        assert!(made.iter().all(|made| before.contains(made) || made == "run"), "{name:?}: {made:?}");
        assert!(!Path::new("/tmp/lentic-escape").exists() && !basin.folder().join("lentic-escape").exists());
        let inside = names(&basin.folder().join("basin"));
        assert!(!inside.iter().any(|name| name.contains("escape")), "{inside:?}");
    }
}

#[test]
fn nothing_but_a_run_is_replaced() {
    let basin = Basin::small();
    let run = |out: &Path, more: &[&str]| {
        Outcome::of(
            lentic()
                .arg("run")
                .arg(basin.study())
                .arg("--out")
                .arg(out)
                .args(["--quiet", "--keep-nothing"])
                .args(more),
        )
    };
    let at = |name: &str| basin.folder().join(name);
    fs::create_dir(at("thesis")).unwrap();
    fs::write(at("thesis/chapter.txt"), "mine").unwrap();
    fs::write(at("file"), "mine").unwrap();
    symlink(at("thesis"), at("link")).unwrap();
    symlink(at("nowhere"), at("dangling")).unwrap();
    symlink(at("file"), at("link-to-file")).unwrap();
    let before = tree(basin.folder());
    let mut tried = 0;
    for out in ["thesis", "file", "link", "link-to-file", "file/below", "basin", ".", "thesis/.."] {
        let outcome = run(&at(out), &[]);
        ended_clearly(&outcome, &[1, 3]);
        assert!(tree(basin.folder()) == before, "{out}: {outcome:#?}");
        tried += 1;
    }
    for out in ["/", "", "..", "/proc/run", "/dev/null"] {
        let outcome = run(Path::new(out), &[]);
        ended_clearly(&outcome, &[1, 3]);
        assert!(tree(basin.folder()) == before, "{out}: {outcome:#?}");
        tried += 1;
    }
    println!("{tried} folders refused");
    // a link to a run: the link gives way, what it led to stays
    run(&at("real"), &[]).done();
    symlink(at("real"), at("to-run")).unwrap();
    let real = tree(&at("real"));
    run(&at("to-run"), &[]).done();
    assert!(tree(&at("real")) == real && at("to-run/run.json").is_file());
    let outcome = run(&at("dangling"), &[]);
    assert!(outcome.code == Some(1) && outcome.stderr.contains("a link that leads nowhere"), "{outcome:#?}");
    assert!(!at("nowhere").exists());

    // a study, its layers or its store within an earlier run would go with it
    let inner = at("real/inner");
    Outcome::of(std::process::Command::new("cp").arg("-a").arg(at("basin")).arg(&inner)).done();
    let with_study = tree(&at("real"));
    let outcome = Outcome::of(
        lentic().arg("run").arg(inner.join("study.toml")).arg("--out").arg(at("real")).arg("--quiet"),
    );
    assert_eq!(outcome.code, Some(1), "{outcome:#?}");
    assert!(outcome.stderr.contains("which the run reads, and would be replaced"), "{outcome:#?}");
    assert!(tree(&at("real")) == with_study);
    fs::remove_dir_all(&inner).unwrap();
    let store = at("real/store");
    let kept = |out: &str| {
        Outcome::of(
            lentic()
                .arg("run")
                .arg(basin.study())
                .arg("--out")
                .arg(at(out))
                .arg("--quiet")
                .arg("--kept")
                .arg(&store),
        )
    };
    kept("other").done();
    let outcome = kept("real");
    assert!(outcome.code == Some(1) && outcome.stderr.contains("where steps are kept"), "{outcome:#?}");
    assert!(store.join("last.json").is_file());
}

/// Every text of a study holds what would run if anybody let it.
#[test]
fn no_word_of_a_study_runs_anywhere() {
    let basin = Basin::small();
    let hurt = "=1+1</script><script>window.harm=1</script>]]><!-- {{ 7*7 }} {% raw %} ${7*7} \\ \\u0041 '\" & <img src=x onerror=window.harm=2>";
    let words = [
        ("name", format!("{hurt} n")),
        ("organism", format!("@{hurt} \u{202e}\u{644}\u{1f422}")),
        ("contact", format!("- !!python/object:os.system {hurt}: #c\nsecond line\r\n\u{1}\u{7f}")),
        ("title", format!("{hurt} t")),
        ("zone", format!("{hurt} z")),
        ("pool", format!("-{hurt} p")),
        ("apostrophe", "'=cmd|' /C calc'!A1".to_string()),
        ("stage", format!("+{hurt} s")),
        ("factor", format!("=cmd|' /C calc'!A1 {hurt} \u{1b}[31m\u{7} \u{202e}\u{200f} f")),
        ("layer", format!("@SUM(1) {hurt} l")),
    ];
    let word = |name: &str| words.iter().find(|(of, _)| *of == name).unwrap().1.as_str();
    let cell = |text: &str| format!("\"{}\"", text.replace('"', "\"\""));
    for (old, name) in [
        ("name = \"Talverra Sink\"", "name"),
        ("organism = \"Talverra mud turtle (invented)\"", "organism"),
        ("contact = \"nobody: demonstration data\"", "contact"),
        ("title = \"15 % less rain, 1 degree warmer\"", "title"),
        ("name = \"juvenile\"", "stage"),
        ("name = \"months-of-water\"", "factor"),
    ] {
        let key = old.split(" = ").next().unwrap();
        basin.edit("study.toml", old, &format!("{key} = {}", toml(word(name))));
    }
    let study = fs::read_to_string(basin.study()).unwrap();
    fs::write(
        basin.study(),
        study
            .replace("source = \"invented\"", &format!("source = {}", toml(word("contact"))))
            .replace(
                "[layers.land_cover]",
                &format!("[layers.{}]\nrole = \"land_cover\"", toml(word("layer"))),
            )
            .replace("layer = \"land_cover\"", &format!("layer = {}", toml(word("layer")))),
    )
    .unwrap();
    basin.edit("legends/zones.csv", ",Northern slopes\n", &format!(",{}\n", cell(word("zone"))));
    basin.edit("legends/zones.csv", ",Sink\n", &format!(",{}\n", cell(word("apostrophe"))));
    basin.edit("legends/land_cover.csv", ",grassland,", &format!(",{},", cell(word("pool"))));
    let run = basin.run("run", &["--quiet"]);

    let list = basin.folder().join("words.json");
    // words that are shown as they were given: from line to line, and without what surrounds them
    let shown: serde_json::Map<String, Value> = words
        .iter()
        .filter(|(name, _)| *name != "contact")
        .map(|(name, word)| (name.to_string(), Value::from(word.trim())))
        .collect();
    fs::write(&list, Value::from(shown).to_string()).unwrap();
    let said = Outcome::of(python().arg("hostile.py").arg(&run).arg(&list)).done();
    let said: Value = serde_json::from_str(&said).unwrap();
    println!(
        "{} files read by others, {} cells guarded, {} negative numbers",
        said["files"], said["guarded"], said["negative"]
    );
    assert!(said["files"].as_u64().unwrap() > 150 && said["guarded"].as_u64().unwrap() > 20, "{said}");
    assert!(said["negative"].as_u64().unwrap() > 20, "{said}");
    let holds = |name: &str, end: &str| {
        let files = said["found"][name].as_array().unwrap();
        assert!(
            files.iter().any(|file| file.as_str().unwrap().ends_with(end)),
            "{name} is not in {end}: {files:?}"
        );
    };
    for (name, end) in [
        ("name", "run.json"),
        ("name", "CITATION.cff"),
        ("name", "ro-crate-metadata.json"),
        ("name", "datapackage.json"),
        ("organism", "CITATION.cff"),
        ("zone", "habitat_loss_by_zone.csv"),
        ("apostrophe", "habitat_loss_by_zone.csv"),
        ("pool", "habitat_loss_by_land_cover.csv"),
        ("stage", ".csv"),
        ("zone", "patches.gpkg"),
        ("apostrophe", "patches.gpkg"),
        ("factor", "limiting_factor.csv"),
        ("layer", ".json"),
    ] {
        holds(name, end);
    }
    let citation = fs::read_to_string(run.join("CITATION.cff")).unwrap();
    assert!(!citation.contains("\n- !!python") && !citation.contains("\nsecond line"), "{citation}");

    // the page in a browser: nothing asked for, nothing said, nothing run
    let expected = basin.folder().join("names.json");
    fs::write(&expected, serde_json::json!({ "study": word("name"), "organism": word("organism"), "titles": [word("title")], "zones": [word("zone"), "Eastern flats", "Spring line", word("apostrophe")] }).to_string())
        .unwrap();
    let mut command = python();
    command.arg("page.py").arg(&run).arg("--names").arg(&expected).args(["--only", "names,quiet"]);
    let outcome = Outcome::of(&mut command);
    assert_eq!(outcome.code, Some(0), "{}{}", outcome.stdout, outcome.stderr);
    assert!(
        outcome.stdout.contains("ok     names at 1400") && outcome.stdout.contains("ok     quiet at 390"),
        "{}",
        outcome.stdout
    );
    Outcome::of(lentic().arg("verify").arg(&run)).done();

    // what is made of the run: ground truth over a map whose classes are named by the study, and the edition for everybody
    let survey = basin.folder().join("survey");
    let mut command = lentic();
    command.args([
        "survey",
        "draw",
        "--quiet",
        "--map",
        "limiting_factor_baseline",
        "--points",
        "80",
        "--minimum",
        "2",
    ]);
    Outcome::of(command.arg(&run).arg("--out").arg(&survey)).done();
    // an observer fills in the class by its name, as the table gives it
    let mut rows = csv::Reader::from_path(survey.join("survey.csv")).unwrap();
    let header = rows.headers().unwrap().clone();
    let at = |name: &str| header.iter().position(|other| other == name).unwrap();
    let mut filled = csv::Writer::from_path(basin.folder().join("filled.csv")).unwrap();
    filled.write_record(&header).unwrap();
    for row in rows.records() {
        let mut row: Vec<String> = row.unwrap().iter().map(str::to_string).collect();
        row[at("reference_class")] = row[at("stratum_name")].clone();
        filled.write_record(&row).unwrap();
    }
    filled.flush().unwrap();
    let corrected = survey.join("corrected");
    let mut command = lentic();
    command.args(["survey", "correct", "--quiet"]).arg(&run).arg(basin.folder().join("filled.csv"));
    Outcome::of(command.arg("--out").arg(&corrected)).done();
    let public = basin.folder().join("public");
    Outcome::of(lentic().args(["report", "--public", "--quiet"]).arg(&run).arg("--out").arg(&public)).done();
    let read = |folder: &Path| -> Value {
        let said = Outcome::of(python().arg("hostile.py").arg(folder).arg(&list)).done();
        serde_json::from_str(&said).unwrap()
    };
    // a class of a raster keeps its name without what XML forbids
    let plain: String = word("factor").chars().filter(|c| !c.is_control()).collect();
    let mut shown: serde_json::Map<String, Value> =
        serde_json::from_slice(&fs::read(&list).unwrap()).unwrap();
    shown.insert("factor".into(), plain.into());
    fs::write(&list, Value::from(shown).to_string()).unwrap();
    let found = read(&survey);
    for end in ["survey.csv", "survey.gpkg", "survey.json", "corrected_area.csv"] {
        assert!(
            found["found"]["factor"].as_array().unwrap().iter().any(|f| f.as_str().unwrap().ends_with(end)),
            "{end}: {found}"
        );
    }
    assert!(found["guarded"].as_u64().unwrap() > 2, "{found}");
    let found = read(&public);
    assert!(found["files"].as_u64().unwrap() > 50 && found["guarded"].as_u64().unwrap() > 5, "{found}");
}

/// Names are anybody's: none clears the screen, renames the window or turns the order of letters of whoever reads what is said.
#[test]
fn no_name_commands_a_terminal() {
    let basin = Basin::small();
    let name = "\u{1b}]0;owned\u{7}\u{1b}[2J\u{9b}31m\u{7f}\u{202e}x\u{2066}";
    let harmless = |outcome: &Outcome| {
        for text in [&outcome.stdout, &outcome.stderr] {
            let obeyed = |c: char| (c.is_control() && c != '\n') || "\u{202e}\u{2066}".contains(c);
            assert!(!text.contains(obeyed), "{text:?}");
        }
    };
    basin.edit("study.toml", "name = \"Talverra Sink\"", &format!("name = {}", toml(name)));
    let check = |more: &[&str]| Outcome::of(lentic().arg("check").args(more).arg(basin.study()));
    let said = check(&[]);
    assert!(said.code == Some(0) && said.stdout.contains("owned"), "{said:#?}");
    harmless(&said);
    let run = basin.run("run", &["--json"]);
    let explained = Outcome::of(lentic().args(["explain", "--json"]).arg(&run).args(["15", "-15"]));
    harmless(&explained);
    // a file that is not there, and its message, on both ways of saying it
    basin.edit("study.toml", "\"layers/ground.tif\"", &toml(&format!("layers/{name}.tif")));
    for more in [&[][..], &["--json"]] {
        let said = check(more);
        assert!(said.code == Some(1) && format!("{said:?}").contains("owned"), "{said:#?}");
        harmless(&said);
        if let Ok(value) = serde_json::from_str::<Value>(&said.stdout) {
            assert!(value.to_string().contains("\u{202e}"), "JSON keeps the name: {value}");
        }
    }
}
