//! Files with dates in their names: a pattern becomes a dated, sorted list.

use std::path::{Path, PathBuf};

use crate::pattern::{Field, Part, Piece, Reading, components, matches};

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
    /// What each `*` and each run of `?` of the pattern stood for, from left to right.
    pub anything: Vec<String>,
}

/// Why a pattern gives no list.
#[derive(Debug, thiserror::Error)]
pub enum StackError {
    /// The pattern itself cannot be used.
    #[error(
        "the pattern '{pattern}' {found}; write {{year}} (four digits), {{month}} (two digits), \
         {{day}} (two digits) or {{day_of_year}} (three digits), ? (one character) and * (anything) in file or folder names, as in water/water_{{year}}-{{month}}.tif"
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
/// `{day}` for two, `{day_of_year}` for three, `?` for any one character, `*` for any characters (as few
/// as do), in the file name or in folder names; a date part given twice must agree.
///
/// # Errors
/// See [`StackError`].
pub fn find_dated(pattern: &str) -> Result<Vec<DatedFile>, StackError> {
    let found = find_all_dated(pattern)?;
    for pair in found.windows(2) {
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
    Ok(found)
}

/// As [`find_dated`], but a date may have several files.
///
/// # Errors
/// See [`StackError`].
pub fn find_all_dated(pattern: &str) -> Result<Vec<DatedFile>, StackError> {
    let parts = parts_of(pattern)?;
    let mut search = Search { pattern, nearest: PathBuf::from("."), seen: Vec::new(), found: Vec::new() };
    search.walk(PathBuf::new(), &parts, Reading::default())?;
    if search.found.is_empty() {
        return Err(search.nothing());
    }
    search.found.sort();
    Ok(search.found)
}

/// Parts of a date, and what stood for stars.
pub type ToldByName = (Vec<u32>, Vec<String>);

/// What the single file or folder name of a pattern tells of a name: the parts of its date (year, month, day, day of the year) and what
/// each `*` and each run of `?` stood for; `None` where it does not match. Nothing is looked up.
///
/// # Errors
/// A pattern that cannot be used, or one of several folders.
pub fn told_by_name(pattern: &str, name: &str) -> Result<Option<ToldByName>, StackError> {
    let parts = parts_of(pattern)?;
    let [Part::Matched(pieces)] = parts.as_slice() else {
        let found = "is not of one name".to_string();
        return Err(StackError::Pattern { pattern: pattern.into(), found });
    };
    let reading = matches(name, pieces, &Reading::default());
    Ok(reading.map(|reading| (reading.date.into_values().collect(), reading.anything)))
}

/// A pattern cut into names; one whose parts of a date make sense.
fn parts_of(pattern: &str) -> Result<Vec<Part>, StackError> {
    let refuse = |found: &str| StackError::Pattern { pattern: pattern.into(), found: found.into() };
    let parts = components(Path::new(pattern), &refuse)?;
    let has = |field| {
        let wanted = Piece::Date(field);
        parts.iter().any(|part| matches!(part, Part::Matched(pieces) if pieces.contains(&wanted)))
    };
    if !has(Field::Year) {
        return Err(refuse("has no {year}"));
    }
    if has(Field::Day) && !has(Field::Month) {
        return Err(refuse("has {day} without {month}"));
    }
    if has(Field::DayOfYear) && (has(Field::Month) || has(Field::Day)) {
        return Err(refuse("has {day_of_year} beside {month} or {day}"));
    }
    Ok(parts)
}

struct Search<'a> {
    pattern: &'a str,
    /// The deepest folder looked into without a match, and what was there.
    nearest: PathBuf,
    seen: Vec<String>,
    found: Vec<DatedFile>,
}

impl Search<'_> {
    fn walk(&mut self, at: PathBuf, parts: &[Part], reading: Reading) -> Result<(), StackError> {
        let Some((part, later)) = parts.split_first() else {
            return self.take(at, reading);
        };
        match part {
            Part::Plain(name) => self.walk(at.join(name), later, reading),
            Part::Matched(pieces) => {
                let mut names = self.list(&at)?;
                names.sort();
                let before = self.found.len();
                for name in &names {
                    if let Some(reading) = matches(name, pieces, &reading) {
                        self.walk(at.join(name), later, reading)?;
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

    fn take(&mut self, path: PathBuf, reading: Reading) -> Result<(), StackError> {
        if !path.is_file() {
            return Ok(());
        }
        let part = |field| reading.date.get(&field).copied();
        let year = part(Field::Year).and_then(|year| i32::try_from(year).ok()).unwrap_or_default();
        let (mut month, mut day) = (part(Field::Month), part(Field::Day));
        if let Some(number) = part(Field::DayOfYear) {
            let Some(found) = day_of_year(year, number) else {
                let found = format!("day {number:03} of {year:04}");
                return Err(StackError::Date { pattern: self.pattern.into(), found, path });
            };
            (month, day) = (Some(found.0), Some(found.1));
        }
        let file = DatedFile { year, month, day, path, anything: reading.anything };
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

/// Days of a month (1 to 12) in the Gregorian calendar; 0 for no month.
fn days_in(year: i32, month: u32) -> u32 {
    let leap = year % 4 == 0 && (year % 100 != 0 || year % 400 == 0);
    match month {
        2 if leap => 29,
        2 => 28,
        4 | 6 | 9 | 11 => 30,
        1..=12 => 31,
        _ => 0,
    }
}

/// Month and day of a day of the year, from 1.
fn day_of_year(year: i32, number: u32) -> Option<(u32, u32)> {
    let mut left = number;
    for month in 1..=12 {
        let days = days_in(year, month);
        if (1..=days).contains(&left) {
            return Some((month, left));
        }
        left = left.checked_sub(days)?;
    }
    None
}

fn is_date(file: &DatedFile) -> bool {
    let Some(month) = file.month else { return true };
    let days = days_in(file.year, month);
    days > 0 && file.day.is_none_or(|day| (1..=days).contains(&day))
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
    fn days_of_the_year_and_what_stars_stood_for() {
        // 227 in 1988 (a leap year) is 14 August, 366 is 31 December: `date -d "1988-01-01 +226 days"`.
        let folder = folder(&["T1988227aB2.tif", "T1988227bB2.tif", "T1988366cB2.tif"]);
        let found =
            find_all_dated(folder.path().join("T{year}{day_of_year}*B2.tif").to_str().unwrap()).unwrap();
        let seen: Vec<_> = found.iter().map(|file| (file.month, file.day, file.anything.join("+"))).collect();
        let one = |month, day, star: &str| (Some(month), Some(day), star.to_owned());
        assert_eq!(seen, [one(8, 14, "a"), one(8, 14, "b"), one(12, 31, "c")]);
        // Where digits stand before the date, a star may stop too early.
        let path = |pattern: &str| folder.path().join(pattern).to_str().unwrap().to_owned();
        std::fs::write(path("L52240631988227x"), "").unwrap();
        assert!(find_all_dated(&path("L5*{year}{day_of_year}*")).is_err());
        let found = find_all_dated(&path("L5??????{year}{day_of_year}*")).unwrap();
        assert_eq!((found[0].day, found[0].anything.join("+")), (Some(14), "224063+x".to_owned()));
        for (number, year) in [(0, 1988), (367, 1988), (366, 1989)] {
            assert_eq!(day_of_year(year, number), None, "{number} {year}");
        }
    }

    #[test]
    fn patterns_that_cannot_be_used() {
        let empty = folder(&[]);
        for pattern in
            ["w.tif", "w_{yaer}.tif", "w_{year.tif", "w_{year}_{day}.tif", "w_{year}{month}{day_of_year}.tif"]
        {
            let error = find(&empty, pattern).unwrap_err();
            assert!(matches!(error, StackError::Pattern { .. }), "{pattern}: {error}");
        }
    }
}
