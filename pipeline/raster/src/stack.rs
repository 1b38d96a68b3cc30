//! Files with dates in their names: a pattern becomes a dated, sorted list.

use std::collections::BTreeMap;
use std::ffi::OsString;
use std::path::{Component, Path, PathBuf};

/// A file and the date its name gives.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct DatedFile {
    /// Year, four digits.
    pub year: i32,
    /// Month, 1 to 12, if the pattern has one.
    pub month: Option<u32>,
    /// Day of the month, from 1, if the pattern has one.
    pub day: Option<u32>,
    /// The file.
    pub path: PathBuf,
}

/// Why a pattern gives no list.
#[derive(Debug, thiserror::Error)]
pub enum StackError {
    /// The pattern itself cannot be used.
    #[error(
        "the pattern '{pattern}' {found}; write {{year}} (four digits), {{month}} (two digits), \
         {{day}} (two digits) and * (anything) in file or folder names, as in water/water_{{year}}-{{month}}.tif"
    )]
    Pattern {
        /// The pattern as given.
        pattern: String,
        /// What is wrong with it.
        found: String,
    },
    /// Nothing there.
    #[error("no file matches '{pattern}'; {there}; correct the pattern or add the files")]
    Nothing {
        /// The pattern as given.
        pattern: String,
        /// What the folder holds instead.
        there: String,
    },
    /// A name that matches but gives no date.
    #[error("{}: matches '{pattern}' but gives {found}, which is no date; rename the file or correct the pattern", .path.display())]
    Date {
        /// The pattern as given.
        pattern: String,
        /// The file.
        path: PathBuf,
        /// The date read.
        found: String,
    },
    /// Two files for one date.
    #[error("the date {date} matches '{pattern}' twice: {} and {}; keep one file per date, or make the pattern narrower", .first.display(), .second.display())]
    Twice {
        /// The pattern as given.
        pattern: String,
        /// The date.
        date: String,
        /// One file.
        first: PathBuf,
        /// The other.
        second: PathBuf,
    },
    /// A folder cannot be listed.
    #[error("{}: the folder cannot be read: {source}; correct the pattern or the permission", .folder.display())]
    Folder {
        /// The folder.
        folder: PathBuf,
        /// The operating system's refusal.
        source: std::io::Error,
    },
}

/// Lists the files that match a pattern, by date. `{year}` stands for four digits, `{month}` and
/// `{day}` for two, `*` for any characters, in the file name or in folder names; a date part given
/// twice must agree.
///
/// # Errors
/// See [`StackError`].
pub fn find_dated(pattern: &str) -> Result<Vec<DatedFile>, StackError> {
    let refuse = |found: &str| StackError::Pattern { pattern: pattern.into(), found: found.into() };
    let parts = components(Path::new(pattern), &refuse)?;
    let has = |wanted: &Piece| {
        parts.iter().any(|part| matches!(part, Part::Matched(pieces) if pieces.contains(wanted)))
    };
    if !has(&Piece::Date(Field::Year)) {
        return Err(refuse("has no {year}"));
    }
    if has(&Piece::Date(Field::Day)) && !has(&Piece::Date(Field::Month)) {
        return Err(refuse("has {day} without {month}"));
    }
    let mut search = Search { pattern, nearest: PathBuf::from("."), seen: Vec::new(), found: Vec::new() };
    search.walk(PathBuf::new(), &parts, Date::default())?;
    if search.found.is_empty() {
        return Err(search.nothing());
    }
    search.found.sort();
    for pair in search.found.windows(2) {
        let key = |file: &DatedFile| (file.year, file.month, file.day);
        if key(&pair[0]) == key(&pair[1]) {
            return Err(StackError::Twice {
                pattern: pattern.into(),
                date: date_text(&pair[0]),
                first: pair[0].path.clone(),
                second: pair[1].path.clone(),
            });
        }
    }
    Ok(search.found)
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Field {
    Year,
    Month,
    Day,
}

#[derive(Clone, Debug, PartialEq, Eq)]
enum Piece {
    Text(String),
    Date(Field),
    Anything,
}

/// One folder or file name of a pattern.
enum Part {
    Plain(OsString),
    Matched(Vec<Piece>),
}

type Date = BTreeMap<Field, u32>;

fn components(pattern: &Path, refuse: &dyn Fn(&str) -> StackError) -> Result<Vec<Part>, StackError> {
    let mut parts = Vec::new();
    for component in pattern.components() {
        let text = component.as_os_str().to_string_lossy();
        let matched = matches!(component, Component::Normal(_)) && text.contains(['{', '*']);
        parts.push(if matched {
            Part::Matched(pieces(&text, refuse)?)
        } else {
            Part::Plain(component.as_os_str().to_owned())
        });
    }
    Ok(parts)
}

fn pieces(name: &str, refuse: &dyn Fn(&str) -> StackError) -> Result<Vec<Piece>, StackError> {
    let mut pieces = Vec::new();
    let mut rest = name;
    while let Some(start) = rest.find(['{', '*']) {
        if start > 0 {
            pieces.push(Piece::Text(rest[..start].to_owned()));
        }
        rest = &rest[start..];
        if let Some(after) = rest.strip_prefix('*') {
            pieces.push(Piece::Anything);
            rest = after;
            continue;
        }
        let end = rest.find('}').ok_or_else(|| refuse("has a { without }"))?;
        pieces.push(Piece::Date(match &rest[1..end] {
            "year" => Field::Year,
            "month" => Field::Month,
            "day" => Field::Day,
            other => return Err(refuse(&format!("has the unknown part {{{other}}}"))),
        }));
        rest = &rest[end + 1..];
    }
    if !rest.is_empty() {
        pieces.push(Piece::Text(rest.to_owned()));
    }
    Ok(pieces)
}

/// Matches a name; on success `date` holds the parts read. A part already known must agree.
fn matches(name: &str, pieces: &[Piece], date: &Date) -> Option<Date> {
    let Some((piece, later)) = pieces.split_first() else {
        return name.is_empty().then(|| date.clone());
    };
    match piece {
        Piece::Text(text) => matches(name.strip_prefix(text.as_str())?, later, date),
        Piece::Date(field) => {
            let digits = name.get(..if *field == Field::Year { 4 } else { 2 })?;
            if !digits.bytes().all(|byte| byte.is_ascii_digit()) {
                return None;
            }
            let value: u32 = digits.parse().ok()?;
            let mut date = date.clone();
            if *date.entry(*field).or_insert(value) != value {
                return None;
            }
            matches(&name[digits.len()..], later, &date)
        }
        Piece::Anything => name
            .char_indices()
            .map(|(at, _)| at)
            .chain([name.len()])
            .find_map(|at| matches(&name[at..], later, date)),
    }
}

struct Search<'a> {
    pattern: &'a str,
    /// The deepest folder looked into without a match, and what was there.
    nearest: PathBuf,
    seen: Vec<String>,
    found: Vec<DatedFile>,
}

impl Search<'_> {
    fn walk(&mut self, at: PathBuf, parts: &[Part], date: Date) -> Result<(), StackError> {
        let Some((part, later)) = parts.split_first() else {
            return self.take(at, &date);
        };
        match part {
            Part::Plain(name) => self.walk(at.join(name), later, date),
            Part::Matched(pieces) => {
                let mut names = self.list(&at)?;
                names.sort();
                let before = self.found.len();
                for name in &names {
                    if let Some(date) = matches(name, pieces, &date) {
                        self.walk(at.join(name), later, date)?;
                    }
                }
                if self.found.len() == before && (self.seen.is_empty() || !names.is_empty()) {
                    self.nearest = at;
                    self.seen = names;
                }
                Ok(())
            }
        }
    }

    fn list(&self, folder: &Path) -> Result<Vec<String>, StackError> {
        let shown = if folder.as_os_str().is_empty() { Path::new(".") } else { folder };
        let refuse = |source| StackError::Folder { folder: shown.to_path_buf(), source };
        let mut names = Vec::new();
        // A matched name may be a file where the pattern asks for a folder; it then holds nothing.
        if shown.is_file() {
            return Ok(names);
        }
        for entry in std::fs::read_dir(shown).map_err(refuse)? {
            if let Ok(name) = entry.map_err(refuse)?.file_name().into_string() {
                names.push(name);
            }
        }
        Ok(names)
    }

    fn take(&mut self, path: PathBuf, date: &Date) -> Result<(), StackError> {
        if !path.is_file() {
            return Ok(());
        }
        let part = |field| date.get(&field).copied();
        let file = DatedFile {
            year: part(Field::Year).and_then(|year| i32::try_from(year).ok()).unwrap_or_default(),
            month: part(Field::Month),
            day: part(Field::Day),
            path,
        };
        if is_date(&file) {
            self.found.push(file);
            return Ok(());
        }
        Err(StackError::Date { pattern: self.pattern.into(), found: date_text(&file), path: file.path })
    }

    fn nothing(&self) -> StackError {
        let folder = if self.nearest.as_os_str().is_empty() { Path::new(".") } else { &self.nearest };
        let folder = folder.display();
        let there = match self.seen.as_slice() {
            [] => format!("the folder {folder} is empty"),
            names => {
                let shown = names.iter().take(3).map(String::as_str).collect::<Vec<_>>().join(", ");
                let more = if names.len() > 3 { ", ..." } else { "" };
                format!("the folder {folder} holds {shown}{more}")
            }
        };
        StackError::Nothing { pattern: self.pattern.into(), there }
    }
}

fn is_date(file: &DatedFile) -> bool {
    let Some(month) = file.month else { return true };
    let leap = file.year % 4 == 0 && (file.year % 100 != 0 || file.year % 400 == 0);
    let days = match month {
        2 if leap => 29,
        2 => 28,
        4 | 6 | 9 | 11 => 30,
        1..=12 => 31,
        _ => return false,
    };
    file.day.is_none_or(|day| (1..=days).contains(&day))
}

fn date_text(file: &DatedFile) -> String {
    let mut text = format!("{:04}", file.year);
    for part in [file.month, file.day].into_iter().flatten() {
        text.push_str(&format!("-{part:02}"));
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    fn folder(names: &[&str]) -> tempfile::TempDir {
        let folder = tempfile::tempdir().unwrap();
        for name in names {
            let path = folder.path().join(name);
            std::fs::create_dir_all(path.parent().unwrap()).unwrap();
            std::fs::write(path, b"").unwrap();
        }
        folder
    }

    fn find(folder: &tempfile::TempDir, pattern: &str) -> Result<Vec<DatedFile>, StackError> {
        find_dated(folder.path().join(pattern).to_str().unwrap())
    }

    #[test]
    fn files_come_in_order_of_date() {
        let folder = folder(&["w_2001-02.tif", "w_2000-12.tif", "w_2001-01.tif", "w_2001-01.txt", "note"]);
        let found = find(&folder, "w_{year}-{month}.tif").unwrap();
        let dates: Vec<_> = found.iter().map(|file| (file.year, file.month, file.day)).collect();
        assert_eq!(dates, [(2000, Some(12), None), (2001, Some(1), None), (2001, Some(2), None)]);
        assert!(found[0].path.ends_with("w_2000-12.tif"));
    }

    #[test]
    fn dates_in_folders_and_given_twice() {
        let folder = folder(&["2000/01/a20000131x.tif", "2000/02/a20000131x.tif", "2001/note"]);
        let found = find(&folder, "{year}/{month}/a{year}{month}{day}*.tif").unwrap();
        assert_eq!(found.len(), 1);
        assert_eq!((found[0].month, found[0].day), (Some(1), Some(31)));
    }

    #[test]
    fn nothing_says_what_is_there() {
        let folder = folder(&["a.tif", "b.tif", "c.tif", "d.tif"]);
        let text = find(&folder, "w_{year}.tif").unwrap_err().to_string();
        assert!(text.contains("holds a.tif, b.tif, c.tif, ..."), "{text}");
        let text = find(&folder, "deeper/w_{year}.tif").unwrap_err().to_string();
        assert!(text.contains("deeper") && text.contains("cannot be read"), "{text}");
    }

    #[test]
    fn one_date_twice_is_refused() {
        let folder = folder(&["w_2001_a.tif", "w_2001_b.tif"]);
        let text = find(&folder, "w_{year}_*.tif").unwrap_err().to_string();
        assert!(text.contains("2001") && text.contains("twice"), "{text}");
    }

    #[test]
    fn what_is_no_date_is_refused() {
        for (name, pattern) in
            [("w_2001-13.tif", "w_{year}-{month}.tif"), ("w_2001-02-29.tif", "w_{year}-{month}-{day}.tif")]
        {
            let text = find(&folder(&[name]), pattern).unwrap_err().to_string();
            assert!(text.contains("no date") && text.contains(name), "{text}");
        }
        let leap = folder(&["w_2000-02-29.tif"]);
        assert_eq!(find(&leap, "w_{year}-{month}-{day}.tif").unwrap().len(), 1);
    }

    #[test]
    fn patterns_that_cannot_be_used() {
        let empty = folder(&[]);
        for pattern in ["w.tif", "w_{yaer}.tif", "w_{year.tif", "w_{year}_{day}.tif"] {
            let error = find(&empty, pattern).unwrap_err();
            assert!(matches!(error, StackError::Pattern { .. }), "{pattern}: {error}");
        }
    }
}
