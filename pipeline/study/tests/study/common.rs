//! A sound study of an invented basin in a temporary folder, to be spoilt one edit at a time.

use lentic_study::{Examined, Problem, Problems, Study, examine, load};
use std::fs;
use tempfile::TempDir;

/// A sound study file that uses every section.
pub const GOOD: &str = include_str!("good.toml");

const LEGEND: &str = "\
code,name,cover,note
0,upland,0,dry ground
1,open pool,0.2,
2,seasonal marsh,1,
3,\"spring-fed marsh, shrubs\",0.9,rare
";

/// Files that have only to exist: layers are not opened here.
const FILES: [&str; 9] = [
    "ground.tif",
    "depth.tif",
    "land_cover.tif",
    "land_cover_2050.tif",
    "zones.tif",
    "roads.gpkg",
    "fall.tif",
    "climate.csv",
    "records.csv",
];

/// A study folder that goes with the value.
pub struct Folder(TempDir);

impl Folder {
    /// The folder of a study with this text.
    pub fn new(text: &str) -> Folder {
        let folder = TempDir::new().unwrap();
        let write = |name: &str, text: &str| fs::write(folder.path().join(name), text).unwrap();
        write("study.toml", text);
        write("wetland_class.tif", "");
        write("wetland_class.csv", LEGEND);
        write("zones.csv", "code,name\n1,north\n2,south\n");
        FILES.iter().for_each(|name| write(name, ""));
        Folder(folder)
    }

    /// Writes or replaces a file.
    pub fn with(self, name: &str, text: impl AsRef<[u8]>) -> Folder {
        fs::write(self.0.path().join(name), text).unwrap();
        self
    }

    /// Reads and resolves the study.
    pub fn load(&self) -> Result<(Study, Vec<Problem>), Problems> {
        load(&self.0.path().join("study.toml"))
    }

    /// Looks at the study without refusing it.
    pub fn examine(&self) -> Examined {
        examine(&self.0.path().join("study.toml"))
    }

    /// The problems, one a line, paths relative; panics if there are none.
    pub fn problems(&self) -> String {
        let problems = self.load().expect_err("problems are expected").0;
        assert!(problems.iter().all(|problem| !problem.warning));
        self.lines(&problems)
    }

    /// The warnings, one a line, paths relative; panics if there are problems.
    pub fn warnings(&self) -> String {
        let (_, warnings) = self.load().unwrap_or_else(|problems| panic!("{problems}"));
        assert!(!warnings.is_empty() && warnings.iter().all(|problem| problem.warning));
        self.lines(&warnings)
    }

    fn lines(&self, problems: &[Problem]) -> String {
        let lines: Vec<String> = problems.iter().map(Problem::to_string).collect();
        let folder = self.0.path().display().to_string();
        lines.join("\n").replace(&format!("{folder}/"), "").replace(&folder, "FOLDER")
    }
}

/// `GOOD` with each `before` replaced by `after`; panics where `before` does not stand exactly once.
pub fn edited(edits: &[(&str, &str)]) -> String {
    edits.iter().fold(GOOD.to_string(), |text, (before, after)| {
        assert_eq!(text.matches(before).count(), 1, "{before:?} in the study");
        text.replace(before, after)
    })
}

/// For each edit by itself: the edit, then what is said about it.
pub fn said(edits: &[(&str, &str)]) -> String {
    let blocks: Vec<String> = edits
        .iter()
        .map(|edit| {
            let problems = Folder::new(&edited(&[*edit])).problems();
            format!("{} ==> {}\n{problems}\n", edit.0, edit.1)
        })
        .collect();
    blocks.join("\n")
}

/// As [`said`], for warnings.
pub fn warned(edits: &[(&str, &str)]) -> String {
    let blocks: Vec<String> = edits
        .iter()
        .map(|edit| {
            let warnings = Folder::new(&edited(&[*edit])).warnings();
            format!("{} ==> {}\n{warnings}\n", edit.0, edit.1)
        })
        .collect();
    blocks.join("\n")
}
