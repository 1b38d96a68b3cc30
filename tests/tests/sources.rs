//! What the sources may hold: `unsafe` in two modules, which say why; printing that panics where nobody reads nowhere in the program.

use std::fs;
use std::path::{Path, PathBuf};

fn sources(folder: &Path, found: &mut Vec<PathBuf>) {
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            sources(&path, found);
        } else if path.extension().is_some_and(|end| end == "rs") {
            found.push(path);
        }
    }
}

/// Code without comments and text.
fn code(line: &str) -> String {
    let line = line.split("//").next().unwrap_or("");
    line.split('"').step_by(2).collect::<Vec<_>>().join("\"\"")
}

fn holds(line: &str, word: &str) -> bool {
    code(line).split(|c: char| !c.is_alphanumeric() && c != '_').any(|part| part == word)
}

/// Modules with `unsafe` code.
const UNSAFE: [&str; 2] = ["numerics/src/portable.rs", "raster/src/ffi.rs"];
/// Crates that forbid it: the others hold those modules, or (habitat) code that a library's macro makes.
const FORBID: [&str; 5] =
    ["cli/src/main.rs", "engine/src/lib.rs", "report/src/lib.rs", "study/src/lib.rs", "../tests/src/lib.rs"];

#[test]
fn unsafe_code_stands_in_two_modules_and_says_why() {
    let pipeline = Path::new(env!("CARGO_MANIFEST_DIR")).join("../pipeline");
    let mut files = Vec::new();
    sources(&pipeline, &mut files);
    assert!(files.len() > 150, "{}", files.len());
    let (mut with, mut blocks) = (Vec::new(), 0);
    for path in &files {
        let text = fs::read_to_string(path).unwrap();
        let lines: Vec<&str> = text.lines().collect();
        let found: Vec<usize> = (0..lines.len()).filter(|at| holds(lines[*at], "unsafe")).collect();
        if found.is_empty() {
            assert!(!text.contains("allow(unsafe_code)"), "{} allows what it does not need", path.display());
            continue;
        }
        with.push(path.strip_prefix(&pipeline).unwrap().display().to_string());
        for at in found.into_iter().filter(|at| !lines[*at].contains("extern")) {
            blocks += 1;
            let why = lines[at.saturating_sub(4)..at].iter().any(|line| line.contains("SAFETY:"));
            assert!(why, "{}:{}: no SAFETY comment above", path.display(), at + 1);
        }
    }
    with.sort();
    assert_eq!(with, UNSAFE);
    println!("{blocks} uses of unsafe in {} modules of {} files", UNSAFE.len(), files.len());
    for file in FORBID {
        let text = fs::read_to_string(pipeline.join(file)).unwrap();
        assert!(
            text.lines().any(|line| line == "#![forbid(unsafe_code)]"),
            "{file} does not forbid unsafe code"
        );
    }
    let workspace = fs::read_to_string(pipeline.join("../Cargo.toml")).unwrap();
    assert!(workspace.contains("unsafe_code = \"deny\""));
}

#[test]
fn the_scan_sees_what_it_is_for() {
    assert!(holds("    unsafe { call() };", "unsafe") && holds("unsafe extern \"C\" {", "unsafe"));
    assert!(!holds("// unsafe { }", "unsafe") && !holds("#![forbid(unsafe_code)]", "unsafe"));
    assert!(!holds("let text = \"unsafe { }\";", "unsafe"));
}

#[test]
fn the_program_prints_by_what_does_not_panic() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../pipeline");
    for part in ["cli", "engine", "report", "raster", "study", "habitat", "numerics"] {
        let mut files = Vec::new();
        sources(&folder.join(part).join("src"), &mut files);
        for path in files {
            let text = fs::read_to_string(&path).unwrap();
            for (at, line) in text.lines().enumerate() {
                for word in ["println", "print", "eprintln", "eprint", "dbg"] {
                    let found = code(line).contains(&format!("{word}!("));
                    assert!(!found, "{}:{}: {word}! panics where nobody reads", path.display(), at + 1);
                }
            }
        }
    }
}
