//! From the written scenes file to settings, every problem of sense found together.

use super::options::{BandSection, BandTable, ScenesFile};
use super::settings::{Band, Find, Hidden, Scenes};
use super::{grid, index, quality};
use crate::nearest::did_you_mean;
use crate::problem::{Problem, Problems};
use crate::source::{Source, key};
use std::path::{Path, PathBuf};

/// Problems so far, and the folder paths start from.
pub(super) struct Findings<'a> {
    source: &'a Source,
    folder: PathBuf,
    problems: Vec<Problem>,
}

impl Findings<'_> {
    pub(super) fn problem(&mut self, at: &str, message: String, help: &str) {
        self.problems.push(self.source.problem(at, message, help.into()));
    }

    /// `text` as a path from the file's folder, absolute.
    fn absolute(&self, text: &str) -> PathBuf {
        let path = self.folder.join(text);
        std::path::absolute(&path).unwrap_or(path)
    }

    /// As [`Self::absolute`]; a problem if no such file is there.
    pub(super) fn existing(&mut self, at: &str, text: &str) -> PathBuf {
        let path = self.absolute(text);
        if text.trim().is_empty() || !path.is_file() {
            let message = format!("{at}: {text:?} is no file; looked for {}", path.display());
            self.problem(
                at,
                message,
                "give the path of a local file, starting from the scenes file's folder",
            );
        }
        path
    }
}

/// Turns a written scenes file into settings.
///
/// # Errors
/// All problems of sense together, each with its place, from the top of the file down.
pub fn resolve(file: &ScenesFile, source: Source) -> Result<Scenes, Problems> {
    let folder = source.path.parent().unwrap_or(Path::new("")).to_path_buf();
    let mut findings = Findings { source: &source, folder, problems: Vec::new() };
    let grid = grid::grid(&mut findings, &file.grid);
    let find = find(&mut findings, file);
    let index = index::index(&mut findings, &file.index);
    let mut bands: Vec<Option<Band>> = Vec::new();
    if let Some((_, names)) = &index {
        bands.extend(names.iter().map(|(at, name)| band(&mut findings, file, &find, at, name)));
    }
    let mut rules = Vec::new();
    if let Some(section) = &file.quality {
        bands.push(band(&mut findings, file, &find, "quality.band", &section.band));
        rules = quality::rules(&mut findings, &section.rules);
    }
    let hidden = file.hidden.as_ref().map(|hidden| {
        if hidden.codes.is_empty() {
            let help = "name the classes whose plants hide water, or take [hidden] out";
            findings.problem("hidden.codes", "hidden.codes is empty".into(), help);
        }
        let path = findings.existing("hidden.file", &hidden.file);
        Hidden { file: path, band: hidden.band.unwrap_or(1) as usize, codes: hidden.codes.clone() }
    });
    let period = file.period.clone().unwrap_or_default();
    let first = grid::month(&mut findings, "period.first", period.first.as_ref());
    let last = grid::month(&mut findings, "period.last", period.last.as_ref());
    if let (Some(first), Some(last)) = (first, last)
        && first > last
    {
        let message = format!("[period] runs from {first} back to {last}");
        findings.problem("period.last", message, "the last month must not lie before the first");
    }
    let folder = std::path::absolute(&source.path).unwrap_or_else(|_| source.path.clone());
    let folder = folder.parent().unwrap_or(Path::new("/")).to_path_buf();
    let Findings { problems, .. } = findings;
    let bands: Option<Vec<Band>> = bands.into_iter().collect();
    match (find, index, bands) {
        (Some(find), Some((index, _)), Some(bands)) if problems.is_empty() => {
            Ok(Scenes { source, folder, grid, find, bands, rules, index, hidden, first, last })
        }
        _ => Err(Problems::sorted(&source.path, problems)),
    }
}

fn find(findings: &mut Findings<'_>, file: &ScenesFile) -> Option<Find> {
    match (&file.scenes.files, &file.scenes.items) {
        (Some(pattern), None) => {
            Some(Find::Pattern(findings.absolute(pattern).to_string_lossy().into_owned()))
        }
        (None, Some(items)) => {
            let path = findings.absolute(items);
            if !path.exists() {
                let message =
                    format!("scenes.items: {items:?} does not exist; looked for {}", path.display());
                let help = "give a STAC item collection, an item or a folder of items, from the scenes file's folder";
                findings.problem("scenes.items", message, help);
            }
            Some(Find::Items(path))
        }
        _ => {
            let help = "add files = \"a pattern with {year}, {month}, {day} and {band}\", or items = \"a STAC item collection\"";
            findings.problem("scenes", "[scenes] needs exactly one of files and items".into(), help);
            None
        }
    }
}

/// The band of a name used at `at`; `None` if there is none or it does not fit how scenes are found.
fn band(
    findings: &mut Findings<'_>,
    file: &ScenesFile,
    find: &Option<Find>,
    at: &str,
    name: &str,
) -> Option<Band> {
    let Some(section) = file.bands.get(name) else {
        let help = did_you_mean(name, findings.source.keys(&["bands"]).iter().copied(), "band");
        let message = format!("{at} needs a band {name:?}, which [bands] does not name");
        findings.problem(at, message, &help);
        return None;
    };
    let table = match section {
        BandSection::Token(token) => BandTable { token: Some(token.clone()), ..BandTable::default() },
        BandSection::Number(number) => BandTable { band: Some(*number), ..BandTable::default() },
        BandSection::Table(table) => table.clone(),
    };
    let at = key("bands", name);
    let scenes = &file.scenes;
    // how the bands of a scene are told apart
    let (wanted, unwanted) = match find {
        Some(Find::Items(_)) => (table.token.is_none(), false),
        Some(Find::Pattern(pattern)) if pattern.contains("{band}") => (table.token.is_none(), false),
        Some(Find::Pattern(_)) => (table.band.is_none(), table.token.is_some()),
        None => (false, false),
    };
    if wanted || unwanted {
        let (message, help) = match find {
            Some(Find::Items(_)) => {
                (format!("{at} names no asset"), "give the key of the asset, as \"green\"")
            }
            _ if unwanted => (
                format!("{at} gives a text, but scenes.files has no {{band}} for it"),
                "put {band} into the pattern, or give the number of the band in the file",
            ),
            _ if table.band.is_none() => {
                (format!("{at} gives no number"), "give the number of the band in the file, from 1")
            }
            _ => (
                format!("{at} gives only a number, but scenes.files has {{band}}"),
                "give what stands for {band} in the file name, as \"B2\"; a number is text in quotes",
            ),
        };
        findings.problem(&at, message, help);
        return None;
    }
    if let Some(token) = &table.token
        && (token.is_empty() || token.contains(['{', '}', '*', '/']))
    {
        let message = format!("{at} is {token:?}, which no file name or asset can be told by");
        findings.problem(&at, message, "write it without { } * /");
        return None;
    }
    let number = table.band.unwrap_or(1);
    if number == 0 {
        findings.problem(&at, format!("{at} is 0"), "bands count from 1");
        return None;
    }
    Some(Band {
        name: name.to_string(),
        token: table.token,
        number: number as usize,
        scale: table.scale.or(scenes.scale).unwrap_or(1.0),
        offset: table.offset.or(scenes.offset).unwrap_or(0.0),
        no_data: table.no_data.unwrap_or_else(|| scenes.no_data.clone()),
    })
}
