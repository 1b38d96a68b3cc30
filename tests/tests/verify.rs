//! `lentic verify`: every kind of alteration of a finished run is found, and nothing else is called one.

use lentic_tests::{Outcome, Ready, lentic};
use serde_json::Value;
use std::fs;
use std::os::unix::fs::symlink;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::LazyLock;
use tempfile::TempDir;

static DEMO: LazyLock<Ready> = LazyLock::new(|| Ready::make("verify", true));

/// A copy of the run, to be spoilt.
struct Copy(TempDir);

impl Copy {
    fn new() -> Copy {
        let folder = TempDir::new().unwrap();
        let copied = Command::new("cp").arg("-a").arg(&DEMO.run).arg(folder.path().join("run")).status();
        assert!(copied.unwrap().success());
        Copy(folder)
    }

    fn run(&self) -> PathBuf {
        self.0.path().join("run")
    }

    fn file(&self, name: &str) -> PathBuf {
        self.run().join(name)
    }

    fn change(&self, name: &str, change: impl Fn(&mut Vec<u8>)) {
        let mut bytes = fs::read(self.file(name)).unwrap();
        change(&mut bytes);
        fs::write(self.file(name), bytes).unwrap();
    }

    fn verify(&self, more: &[&str]) -> (Option<i32>, Value) {
        verify(&self.run(), more)
    }

    /// Verifies, and gives what is altered as "what file".
    #[track_caller]
    fn altered(&self) -> Vec<String> {
        let (code, said) = self.verify(&[]);
        assert_eq!(code, Some(1), "{said}");
        assert_eq!(said["whole"], false);
        let words = |one: &Value| {
            assert!(one["words"].as_str().unwrap().len() > 10, "{one}");
            format!("{} {}", one["what"].as_str().unwrap(), one["file"].as_str().unwrap())
        };
        said["alterations"].as_array().unwrap().iter().map(words).collect()
    }
}

fn verify(run: &Path, more: &[&str]) -> (Option<i32>, Value) {
    let outcome = Outcome::of(lentic().args(["verify", "--json"]).args(more).arg(run));
    let said = serde_json::from_str(&outcome.stdout).unwrap_or_else(|e| panic!("{e}: {outcome:#?}"));
    (outcome.code, said)
}

fn record() -> Value {
    serde_json::from_slice(&fs::read(DEMO.run.join("run.json")).unwrap()).unwrap()
}

#[test]
fn a_run_left_alone_is_whole() {
    let (code, said) = verify(&DEMO.run, &["--inputs"]);
    assert_eq!(code, Some(0), "{said}");
    let record = record();
    assert_eq!(said["whole"], true);
    assert_eq!(said["files"].as_u64().unwrap() as usize, record["products"].as_array().unwrap().len());
    assert_eq!(said["checksum"], record["checksum"]);
    // the study and everything it reads
    let inputs = record["inputs"].as_array().unwrap().len();
    assert!(inputs > 300);
    assert_eq!(said["inputs"]["files"].as_u64().unwrap() as usize, inputs + 1);
    let told = Outcome::of(lentic().arg("verify").arg(&DEMO.run));
    assert_eq!(told.code, Some(0));
    assert!(told.stdout.contains("is as it was left") && told.stderr.is_empty(), "{told:#?}");
    // moved and copied it is the same run
    assert_eq!(Copy::new().verify(&[]).0, Some(0));
}

#[test]
fn one_bit_of_a_raster_is_found() {
    let copy = Copy::new();
    copy.change("rasters/suitability_baseline.tif", |bytes| {
        let middle = bytes.len() / 2;
        bytes[middle] ^= 1;
    });
    assert_eq!(copy.altered(), ["content rasters/suitability_baseline.tif"]);
}

#[test]
fn a_table_cut_short_is_found() {
    let copy = Copy::new();
    copy.change("tables/habitat_area.csv", |bytes| {
        bytes.pop();
    });
    assert_eq!(copy.altered(), ["content tables/habitat_area.csv"]);
}

#[test]
fn a_file_gone_and_a_file_added_are_found() {
    let copy = Copy::new();
    fs::remove_file(copy.file("vectors/patches.gpkg")).unwrap();
    fs::write(copy.file("tables/habitat_area_new.csv"), "scenario\n").unwrap();
    fs::create_dir(copy.file("more")).unwrap();
    fs::write(copy.file("more/note.txt"), "").unwrap();
    assert_eq!(
        copy.altered(),
        ["missing vectors/patches.gpkg", "added more/note.txt", "added tables/habitat_area_new.csv"]
    );
}

#[test]
fn a_link_in_place_of_a_file_is_found() {
    let copy = Copy::new();
    let file = copy.file("figures/habitat_area.svg");
    fs::remove_file(&file).unwrap();
    symlink(DEMO.run.join("figures/habitat_area.svg"), &file).unwrap();
    assert_eq!(copy.altered(), ["content figures/habitat_area.svg"]);
}

#[test]
fn an_edited_record_is_found() {
    let copy = Copy::new();
    copy.change("run.json", |bytes| {
        let text = String::from_utf8(bytes.clone()).unwrap();
        *bytes = text.replacen("\"purpose\": \"", "\"purpose\": \"No ", 1).into_bytes();
    });
    assert_eq!(copy.altered(), ["record run.json"]);
    // not a word, but a space
    let copy = Copy::new();
    copy.change("run.json", |bytes| bytes.push(b' '));
    assert_eq!(copy.altered(), ["record run.json"]);
    // no text any more
    let copy = Copy::new();
    copy.change("run.json", |bytes| bytes[300] = 0xff);
    assert!(copy.altered().contains(&"record run.json".to_string()));
    let copy = Copy::new();
    copy.change("run.json", |bytes| bytes.truncate(200));
    assert!(copy.altered().iter().all(|one| one == "record run.json"));
}

/// Whoever alters a product and writes its new digest, and a new seal, into the record is told by the checksum; and
/// whoever makes a new checksum too, by the one that was cited.
#[test]
fn a_forged_record_does_not_agree_with_the_citation() {
    let cited = record()["checksum"].as_str().unwrap()[..16].to_string();
    let copy = Copy::new();
    assert_eq!(copy.verify(&["--cited", &cited]).0, Some(0));
    assert_eq!(copy.verify(&["--cited", &format!("blake3:{}", cited.to_uppercase())]).0, Some(0));

    copy.change("tables/habitat_area.csv", |bytes| bytes.extend(b"wetter,99,,,,,,,,,,,,,\n"));
    let bytes = fs::read(copy.file("tables/habitat_area.csv")).unwrap();
    let mut forged = lentic_report::read_record(&copy.file("run.json")).unwrap();
    let product = forged.products.iter_mut().find(|p| p.file == "tables/habitat_area.csv").unwrap();
    product.bytes = bytes.len() as u64;
    product.blake3 = blake3::hash(&bytes).to_hex().to_string();
    lentic_report::write_record(&copy.file("run.json"), &forged).unwrap();
    assert_eq!(copy.altered(), ["record run.json"]);

    forged.checksum = lentic_report::checksum(&forged);
    lentic_report::write_record(&copy.file("run.json"), &forged).unwrap();
    assert_eq!(copy.verify(&[]).0, Some(0), "a folder rewritten throughout agrees with itself");
    let (code, said) = copy.verify(&["--cited", &cited]);
    assert_eq!(code, Some(1));
    assert_eq!(said["alterations"][0]["what"], "cited", "{said}");
}

/// The checksum is BLAKE3 of the lines that docs/citing.md describes, here put together from the JSON alone.
#[test]
fn the_checksum_is_what_the_documents_say() {
    let record = record();
    let program = &record["program"];
    let mut lines = vec![
        "lentic run, form 1".to_string(),
        format!("program {} {}", program["name"], program["version"]),
        format!("with \"GDAL\" {}", program["gdal"]),
    ];
    let others = program["others"].as_object().unwrap();
    lines.extend(others.iter().map(|(name, version)| format!("with \"{name}\" {version}")));
    lines.push(format!("run {}", record["run_id"]));
    lines.push(format!("study {}", record["study"]["blake3"].as_str().unwrap()));
    lines.push(format!("seed {}", record["seed"]));
    for input in record["inputs"].as_array().unwrap() {
        lines.push(format!(
            "input {} {} {}",
            input["blake3"].as_str().unwrap(),
            input["layer"],
            input["file"]
        ));
    }
    for product in record["products"].as_array().unwrap() {
        let quoting = ["CITATION.cff", "report.html", "ro-crate-metadata.json"];
        let file = product["file"].as_str().unwrap();
        if !quoting.contains(&file) && !file.starts_with("figures/") {
            lines.push(format!("product {} {}", product["blake3"].as_str().unwrap(), product["file"]));
        }
    }
    let text = lines.join("\n") + "\n";
    assert_eq!(record["checksum"], blake3::hash(text.as_bytes()).to_hex().as_str());
}

/// The run stands on the page and in the citation file by identifier and checksum.
#[test]
fn the_citation_names_the_run_and_its_checksum() {
    let record = record();
    let (id, checksum) = (record["run_id"].as_str().unwrap(), record["checksum"].as_str().unwrap());
    let page = fs::read_to_string(DEMO.run.join("report.html")).unwrap();
    assert!(
        page.contains(&format!("Run {id} of "))
            && page.contains(&format!("checksum {} (BLAKE3)", &checksum[..16]))
    );
    assert!(page.contains(checksum));
    let cff = fs::read_to_string(DEMO.run.join("CITATION.cff")).unwrap();
    assert!(cff.contains(id) && cff.contains(&format!("blake3:{checksum}")), "{cff}");
}

#[test]
fn inputs_that_changed_are_found_and_inputs_out_of_reach_are_said() {
    let folder = TempDir::new().unwrap();
    for part in [&DEMO.run, &DEMO.basin] {
        assert!(Command::new("cp").arg("-a").arg(part).arg(folder.path()).status().unwrap().success());
    }
    let run = folder.path().join("run");
    assert_eq!(verify(&run, &["--inputs"]).0, Some(0));
    let climate = folder.path().join("basin/climate.csv");
    let text = fs::read_to_string(&climate).unwrap();
    fs::write(&climate, text + "\n").unwrap();
    fs::remove_file(folder.path().join("basin/area.gpkg")).unwrap();
    let (code, said) = verify(&run, &["--inputs"]);
    assert_eq!(code, Some(1));
    assert_eq!(said["alterations"].as_array().unwrap().len(), 1, "{said}");
    assert_eq!(
        (&said["alterations"][0]["what"], &said["alterations"][0]["file"]),
        (&"input".into(), &"climate.csv".into())
    );
    assert_eq!(said["inputs"]["not_reached"], serde_json::json!(["area.gpkg"]));
    // the run itself is whole
    assert_eq!(verify(&run, &[]).0, Some(0));

    // no study there: refused, with what to do
    fs::rename(folder.path().join("basin"), folder.path().join("elsewhere")).unwrap();
    let (code, said) = verify(&run, &["--inputs"]);
    assert_eq!(code, Some(1));
    assert!(said["error"].as_str().unwrap().contains("--study"), "{said}");
    let study = folder.path().join("elsewhere/study.toml");
    let (_, said) = verify(&run, &["--inputs", "--study", study.to_str().unwrap()]);
    assert_eq!(said["alterations"][0]["file"], "climate.csv");
}

#[test]
fn what_is_no_run_is_refused() {
    let folder = TempDir::new().unwrap();
    let refused = Outcome::of(lentic().arg("verify").arg(folder.path()));
    assert_eq!(refused.code, Some(1));
    assert!(refused.stderr.contains("run.json") && refused.stderr.contains("lentic run"), "{refused:#?}");
    let refused = Outcome::of(lentic().args(["verify", "--cited", "12 34"]).arg(&DEMO.run));
    assert_eq!(refused.code, Some(1));
    assert!(
        refused.stderr.contains("\"12 34\" is no checksum") && refused.stderr.contains("16"),
        "{refused:#?}"
    );
}
