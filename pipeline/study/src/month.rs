//! Calendar months, the clock of the whole pipeline.

use std::fmt;
use std::str::FromStr;

/// A calendar month, ordered, counted from year 0.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Month(i32);

/// Text that is not a month.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("\"{0}\" is not a month: write year and month as \"1991-01\"")]
pub struct NotAMonth(pub String);

impl Month {
    /// The month of a year (0 to 9999, the years that ISO 8601 writes with four digits) and a calendar month (1 to 12); `None` outside
    /// that. So no slip of a digit makes a series of a billion months.
    pub fn new(year: i32, month: u32) -> Option<Self> {
        let fits = (0..=9999).contains(&year) && (1..=12).contains(&month);
        fits.then(|| Month(12 * year + month as i32 - 1))
    }

    /// The year, for example 1991.
    pub fn year(self) -> i32 {
        self.0.div_euclid(12)
    }

    /// The calendar month, 1 (January) to 12.
    pub fn calendar(self) -> u32 {
        self.0.rem_euclid(12) as u32 + 1
    }

    /// The month `months` later (earlier when negative).
    pub fn plus(self, months: i32) -> Self {
        Month(self.0.saturating_add(months))
    }

    /// How many months `self` lies after `earlier`.
    pub fn since(self, earlier: Month) -> i32 {
        self.0.saturating_sub(earlier.0)
    }

    /// Every month from `self` to `last`, both included.
    pub fn through(self, last: Month) -> impl Iterator<Item = Month> {
        (self.0..=last.0).map(Month)
    }

    /// Days in the month (Gregorian calendar).
    pub fn days(self) -> u32 {
        let year = self.year();
        match self.calendar() {
            2 if year % 4 == 0 && (year % 100 != 0 || year % 400 == 0) => 29,
            2 => 28,
            4 | 6 | 9 | 11 => 30,
            _ => 31,
        }
    }
}

impl fmt::Display for Month {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:04}-{:02}", self.year(), self.calendar())
    }
}

impl FromStr for Month {
    type Err = NotAMonth;

    fn from_str(text: &str) -> Result<Self, NotAMonth> {
        let bad = || NotAMonth(text.to_string());
        let (year, month) = text.trim().split_once('-').ok_or_else(bad)?;
        let digits = |text: &str| text.bytes().all(|b| b.is_ascii_digit());
        if year.len() != 4 || month.len() != 2 || !digits(year) || !digits(month) {
            return Err(bad());
        }
        let year = year.parse().map_err(|_| bad())?;
        let month = month.parse().map_err(|_| bad())?;
        Month::new(year, month).ok_or_else(bad)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_month_reads_back_as_written() {
        let month: Month = "1991-01".parse().unwrap();
        assert_eq!((month.year(), month.calendar()), (1991, 1));
        assert_eq!(month.plus(-1).to_string(), "1990-12");
        assert_eq!(month.plus(13).since(month), 13);
        assert_eq!("2000-02".parse::<Month>().unwrap().days(), 29);
        assert_eq!("1900-02".parse::<Month>().unwrap().days(), 28);
    }

    #[test]
    fn text_that_is_no_month_is_refused() {
        for text in ["1991", "1991-13", "1991-0", "91-01", "1991-1", "1991-+1", "+199-01", "month", ""] {
            assert!(text.parse::<Month>().is_err(), "{text}");
        }
        for year in [-1, 10_000, i32::MAX] {
            assert_eq!(Month::new(year, 1), None, "{year}");
        }
    }
}
