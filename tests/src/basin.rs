//! The program, and demo basins it works on.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;
use tempfile::TempDir;

/// What a program left.
#[derive(Debug)]
pub struct Outcome {
    /// Exit code; `None` if a signal ended it.
    pub code: Option<i32>,
    /// Standard output.
    pub stdout: String,
    /// Standard error.
    pub stderr: String,
}

impl Outcome {
    /// Runs a command to its end.
    #[track_caller]
    pub fn of(command: &mut Command) -> Outcome {
        let output = command
            .output()
            .unwrap_or_else(|e| panic!("{}: cannot be started ({e})", command.get_program().display()));
        let text = |bytes: Vec<u8>| String::from_utf8(bytes).expect("output is UTF-8");
        Outcome { code: output.status.code(), stdout: text(output.stdout), stderr: text(output.stderr) }
    }

    /// Asserts success and gives back the standard output.
    #[track_caller]
    pub fn done(self) -> String {
        assert_eq!(self.code, Some(0), "{self:#?}");
        self.stdout
    }
}

/// Folder of the built programs: tests lie in its `deps`.
fn built() -> PathBuf {
    let test = std::env::current_exe().expect("path of this test");
    test.ancestors().nth(2).expect("tests lie two folders deep").to_path_buf()
}

/// The program, ready for arguments.
#[track_caller]
pub fn lentic() -> Command {
    let program = built().join("lentic");
    assert!(program.is_file(), "{} is not built; run `make test`", program.display());
    Command::new(program)
}

/// Takes the members of uncertainty out of the study of a demo.
fn without_members(study: &Path) {
    let text = fs::read_to_string(study).unwrap();
    let (before, rest) = text.split_once("# ---- uncertainty").expect("the demo has members");
    let (_, after) = rest.split_once("# ---- range and population").expect("range and population follow");
    let whole = format!("{before}# ---- range and population{after}");
    let kept: Vec<&str> = whole.lines().filter(|line| !line.starts_with("spread = ")).collect();
    fs::write(study, kept.join("\n") + "\n").unwrap();
}

/// A demo basin in a temporary folder, to be changed at will; removed at the end.
pub struct Basin(TempDir);

impl Basin {
    /// The small demo, fresh, without its members of uncertainty, which take more time than all else.
    #[track_caller]
    pub fn small() -> Basin {
        let basin = Basin::with_members();
        without_members(&basin.study());
        basin
    }

    /// The small demo as it is, fresh.
    #[track_caller]
    pub fn with_members() -> Basin {
        let folder = TempDir::new().unwrap();
        Outcome::of(lentic().args(["demo", "--small", "--quiet"]).arg(folder.path().join("basin"))).done();
        Basin(folder)
    }

    /// The temporary folder: the basin lies in `basin`, and runs go beside it.
    pub fn folder(&self) -> &Path {
        self.0.path()
    }

    /// A file of the basin.
    pub fn file(&self, name: &str) -> PathBuf {
        self.0.path().join("basin").join(name)
    }

    /// The study file.
    pub fn study(&self) -> PathBuf {
        self.file("study.toml")
    }

    /// Replaces `old`, which must stand exactly once in a text file of the basin.
    #[track_caller]
    pub fn edit(&self, name: &str, old: &str, new: &str) {
        let path = self.file(name);
        let text = fs::read_to_string(&path).unwrap();
        assert_eq!(text.matches(old).count(), 1, "{old:?} must stand once in {name}");
        fs::write(path, text.replacen(old, new, 1)).unwrap();
    }

    /// Cuts a text file from `from` on up to (not including) `to`, each found first after the other.
    #[track_caller]
    pub fn cut(&self, name: &str, from: &str, to: &str) {
        let path = self.file(name);
        let text = fs::read_to_string(&path).unwrap();
        let start = text.find(from).unwrap_or_else(|| panic!("{from:?} must stand in {name}"));
        let end = text[start..].find(to).unwrap_or_else(|| panic!("{to:?} must follow in {name}"));
        fs::write(path, format!("{}{}", &text[..start], &text[start + end..])).unwrap();
    }

    /// Takes out of the study what it asks of the costs of drying, which a study of another climate may not be asked.
    #[track_caller]
    pub fn without_costs(&self) {
        self.cut("study.toml", "# ---- what drying costs", "# ---- range and population");
    }

    /// Runs the study with more arguments into the folder `out` beside the basin; everything is computed.
    pub fn try_run(&self, out: &str, more: &[&str]) -> Outcome {
        Outcome::of(self.command(out).arg("--keep-nothing").args(more))
    }

    /// As [`Basin::try_run`], what an earlier run into that folder kept taken from there.
    pub fn run_again(&self, out: &str, more: &[&str]) -> Outcome {
        Outcome::of(self.command(out).args(more))
    }

    /// A run of the study into the folder `out` beside the basin, ready for more arguments.
    pub fn command(&self, out: &str) -> Command {
        let mut command = lentic();
        command.arg("run").arg(self.study()).arg("--out").arg(self.folder().join(out));
        command
    }

    /// As [`Basin::try_run`], which must succeed; gives the run folder.
    #[track_caller]
    pub fn run(&self, out: &str, more: &[&str]) -> PathBuf {
        self.try_run(out, more).done();
        self.folder().join(out)
    }
}

/// A demo and its run, made once and read by every test of a binary. It lies in the build folder and is replaced each
/// time, because a static is never dropped.
pub struct Ready {
    /// Folder of the demo.
    pub basin: PathBuf,
    /// Its run folder.
    pub run: PathBuf,
}

impl Ready {
    /// Writes and runs the demo, small or full, without its members of uncertainty, into a folder of this name.
    #[track_caller]
    pub fn make(name: &str, small: bool) -> Ready {
        let folder = built().join("lentic-tests").join(name);
        if folder.exists() {
            fs::remove_dir_all(&folder).unwrap();
        }
        let ready = Ready { basin: folder.join("basin"), run: folder.join("run") };
        let size: &[&str] = if small { &["--small"] } else { &[] };
        Outcome::of(lentic().args(["demo", "--quiet"]).args(size).arg(&ready.basin)).done();
        without_members(&ready.study());
        Outcome::of(
            lentic()
                .args(["run", "--quiet", "--keep-nothing"])
                .arg(ready.study())
                .arg("--out")
                .arg(&ready.run),
        )
        .done();
        ready
    }

    /// The study file.
    pub fn study(&self) -> PathBuf {
        self.basin.join("study.toml")
    }
}

/// Parts that a store of kept steps holds.
pub fn kept_parts(store: &Path) -> Vec<PathBuf> {
    let folders = |path: &Path| -> Vec<PathBuf> {
        fs::read_dir(path).into_iter().flatten().map(|e| e.unwrap().path()).collect()
    };
    let mut found: Vec<PathBuf> =
        folders(store).iter().flat_map(|step| folders(step)).flat_map(|key| folders(&key)).collect();
    found.retain(|path| path.extension().is_some_and(|e| e == "part"));
    found.sort();
    found
}
