//! A study that is broken in every way at once is told of all of it at once.

use super::*;
use crate::demo::{DEMO_SEED, DemoSize, write_demo};
use tempfile::TempDir;

/// The small demo with edits by file: each `before` stands there exactly once.
fn broken(edits: &[(&str, &str, &str)]) -> TempDir {
    crate::prepare(None).unwrap();
    let folder = tempfile::tempdir().unwrap();
    write_demo(folder.path(), DemoSize::Small, DEMO_SEED, &|_| {}).unwrap();
    for (name, before, after) in edits {
        let path = folder.path().join(name);
        let text = std::fs::read_to_string(&path).unwrap();
        assert_eq!(text.matches(before).count(), 1, "{before:?} in {name}");
        std::fs::write(&path, text.replace(before, after)).unwrap();
    }
    folder
}

/// File, line and message of every problem, in the order told.
fn told(folder: &TempDir) -> Vec<String> {
    let error = check(&folder.path().join("study.toml")).expect_err("problems");
    let place = format!("{}/", folder.path().display());
    error
        .problems()
        .unwrap()
        .iter()
        .map(|p| Problem { help: String::new(), ..p.clone() }.to_string().replace(&place, ""))
        .collect()
}

/// The line of the study file on which `part` stands.
fn line(folder: &TempDir, part: &str) -> usize {
    let text = std::fs::read_to_string(folder.path().join("study.toml")).unwrap();
    text.lines().position(|line| line.contains(part)).unwrap() + 1
}

#[test]
fn the_demo_has_no_problems() {
    let folder = broken(&[]);
    check(&folder.path().join("study.toml")).unwrap();
}

#[test]
fn form_sense_and_files_are_told_together() {
    let sound = broken(&[]);
    let climate = std::fs::read_to_string(sound.path().join("climate.csv")).unwrap();
    let month = climate.lines().find(|line| line.starts_with("1995,3,")).unwrap();
    let warmth = month.rsplit_once(',').unwrap().1;
    let folder = broken(&[
        ("study.toml", "[patches]\n", "[patches]\nshape = \"round\"\n"),
        ("study.toml", "[3.0, 0.0], [6.0, 0.6]", "[3.0, 0.0], [2.0, 0.6]"),
        ("study.toml", "threshold = 0.5 ", "threshold = \"half\" "),
        ("climate.csv", month, &format!("1995,3,,{warmth}")),
        ("legends/wetland_class.csv", "3,spring-fed marsh,1.0\n", ""),
    ]);
    // A variable looks for class 3, which the legend lacks now: that follows, and is not told.
    let expected = [
        format!("study.toml:{}: requisites.foraging-water.variables[0].curve.points[2]: measure 2 does not lie above 3 before it", line(&folder, "[2.0, 0.6]")),
        format!("study.toml:{}: suitability.threshold is \"half\"; a number or one of \"max sensitivity and specificity\", \"tenth percentile of records\" is expected", line(&folder, "\"half\"")),
        format!("study.toml:{}: \"shape\" is not a key of patches", line(&folder, "shape =")),
        "climate.csv: column \"precipitation_mm\" has no value for 1 of the months".to_string(),
        "legends/wetland_class.csv: the legend of layer \"wetland_class\" has no line for code 3, found in layers/wetland_class.tif".to_string(),
    ];
    let told = told(&folder);
    assert_eq!(told.len(), expected.len(), "{told:#?}");
    for (told, expected) in told.iter().zip(&expected) {
        assert!(told.starts_with(expected.as_str()), "{told}\nis not\n{expected}");
    }
}

/// A line missing from a legend that two layers share is one mistake, and scores by class are another.
#[test]
fn a_code_is_told_once_for_each_thing_to_mend() {
    let folder = broken(&[("legends/land_cover.csv", "1,water,0.0\n", "")]);
    let told_of_legend = told(&folder);
    assert_eq!(told_of_legend.len(), 1, "{told_of_legend:#?}");
    assert!(told_of_legend[0].contains("has no line for code 1"), "{told_of_legend:#?}");

    let scores = "curve.classes = { 0 = 0.1, 1 = 0.5, 2 = 0.9, 4 = 0.8 } #";
    let folder = broken(&[("study.toml", "curve.legend = \"cover_score\"", scores)]);
    let line = line(&folder, "curve.classes");
    let expected = format!(
        "study.toml:{line}: variable \"wetland-plants\" gives no score to code 3, which occurs in layer \"wetland_class\""
    );
    assert_eq!(told(&folder), [expected]);
}

/// Layers whose files are checked stay checked when others cannot be, and these bring nothing more.
#[test]
fn what_cannot_be_read_is_told_once() {
    let folder = broken(&[
        ("study.toml", "holds = \"mask\"", "holds = \"masks\""),
        ("study.toml", "file = \"layers/ground.tif\"", "file = \"layers/grund.tif\""),
        ("study.toml", "file = \"layers/roads.tif\"", "file = \"climate.csv\""),
        ("study.toml", "column = \"temperature_c\"", "column = \"warmth\""),
    ]);
    let told = told(&folder);
    let starts = [
        format!("study.toml:{}: layers.water.holds is \"masks\"", line(&folder, "\"masks\"")),
        format!("study.toml:{}: layers.ground.file: ", line(&folder, "grund")),
        format!("study.toml:{}: layer \"roads\": ", line(&folder, "file = \"climate.csv\"")),
        "climate.csv:1: has no column \"warmth\"".to_string(),
    ];
    assert_eq!(told.len(), starts.len(), "{told:#?}");
    for (told, start) in told.iter().zip(&starts) {
        assert!(told.starts_with(start.as_str()), "{told}\nis not\n{start}");
    }
}

/// Without a grid layers are only opened; a number in quotes is understood, and the grid with it.
#[test]
fn a_grid_that_is_not_known_leaves_files_to_be_opened() {
    let roads = ("study.toml", "file = \"layers/roads.tif\"", "file = \"climate.csv\"");
    let legend = ("legends/zones.csv", "4,Sink\n", "");
    let unknown = broken(&[("study.toml", "cell_m = 30.0", "cell_m = \"thirty\""), roads, legend]);
    let said = told(&unknown);
    assert_eq!(said.len(), 2, "{said:#?}");
    assert!(
        said[0].contains("grid.cell_m is the text \"thirty\"") && said[1].contains("layer \"roads\""),
        "{said:#?}"
    );
    let quoted = broken(&[("study.toml", "cell_m = 30.0", "cell_m = \"30\""), roads, legend]);
    let said = told(&quoted);
    assert_eq!(said.len(), 3, "{said:#?}");
    assert!(said[2].contains("zones.csv: the legend of layer \"zones\" has no line for code 4"), "{said:#?}");
}

/// Every line of the sound demo spoilt in turn: its files are sound, so whatever is said beside the problems
/// of the study file is noise.
#[test]
fn files_bring_nothing_more_to_one_mistake_in_the_study() {
    // Two years of water are enough to open.
    let years = "baseline = [\"2019-01\", \"2020-12\"]\nreference = [\"1991-01\", \"2020-12\"]\n#";
    let folder = broken(&[("study.toml", "baseline = ", years)]);
    let path = folder.path().join("study.toml");
    let sound = std::fs::read_to_string(&path).unwrap();
    check(&path).unwrap();
    let (mut spoilt, mut noise) = (0, Vec::new());
    for line in sound.lines().filter(|line| !line.is_empty() && !line.starts_with('#')) {
        let changed: Vec<String> = match line.split_once(" = ") {
            Some((name, value)) => {
                let values = ["true", "\"no such word\"", "-1e12"].map(|v| format!("{name} = {v}"));
                let names = [format!("{name}x = {value}"), format!("quite-another = {value}"), String::new()];
                values.into_iter().chain(names).collect()
            }
            None => vec![line.replace(']', "x]"), line.replacen('[', "[x", 1), String::new()],
        };
        for changed in changed {
            std::fs::write(&path, sound.replacen(line, &changed, 1)).unwrap();
            let Err(Problems(of_study)) = lentic_study::load(&path) else { continue };
            spoilt += 1;
            let found = check(&path).expect_err("problems");
            let more: Vec<_> = found.problems().unwrap().iter().filter(|p| !of_study.contains(p)).collect();
            if !more.is_empty() {
                noise.push(format!("{changed}: {of_study:?}\n  brings {more:?}"));
            }
        }
    }
    assert!(spoilt > 300, "{spoilt}");
    assert!(noise.is_empty(), "{}", noise.join("\n"));
}
