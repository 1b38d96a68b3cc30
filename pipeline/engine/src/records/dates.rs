//! Dates of records, as far as months go (Darwin Core eventDate: ISO 8601, single dates or intervals).

use lentic_study::Month;

/// First and last month that a date may mean: "1995", "1995-03", "1995-03-07", with or without a time, or two of them with a
/// slash between, the second perhaps cut to what differs. `None` for anything else.
pub fn months(text: &str) -> Option<(Month, Month)> {
    let text = text.trim();
    let Some((start, end)) = text.split_once('/') else { return single(text) };
    let (first, _) = single(start)?;
    let end = end.trim();
    // "1995-03-07/21" and "1995-03/05": the second repeats only what differs
    let day = start.split('T').next().unwrap_or(start).trim();
    let whole = match day.len().checked_sub(end.len()) {
        Some(kept) if end.len() < day.len() && !end.contains('T') => format!("{}{end}", day.get(..kept)?),
        _ => end.to_string(),
    };
    let (_, last) = single(&whole)?;
    (first <= last).then_some((first, last))
}

fn single(text: &str) -> Option<(Month, Month)> {
    let day = text.trim().split(['T', ' ']).next()?;
    let mut parts = day.split('-');
    let number = |part: Option<&str>, digits: usize| {
        let part = part?;
        (part.len() == digits && part.bytes().all(|b| b.is_ascii_digit()))
            .then(|| part.parse::<u32>().ok())?
    };
    let year = number(parts.next(), 4)? as i32;
    let rest: Vec<&str> = parts.collect();
    match rest.as_slice() {
        [] => Some((Month::new(year, 1)?, Month::new(year, 12)?)),
        [month] => Month::new(year, number(Some(month), 2)?).map(|m| (m, m)),
        [month, day] => {
            let month = Month::new(year, number(Some(month), 2)?)?;
            (1..=month.days()).contains(&number(Some(day), 2)?).then_some((month, month))
        }
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn dates_and_intervals() {
        let found = |text: &str| months(text).map(|(a, b)| format!("{a} {b}"));
        // the examples of the Darwin Core quick reference guide for eventDate, and what fits them
        for (text, expected) in [
            ("1963-03-08T14:07-0600", "1963-03 1963-03"),
            ("2009-02-20T08:40Z", "2009-02 2009-02"),
            ("2018-08-29T15:19", "2018-08 2018-08"),
            ("1809-02-12", "1809-02 1809-02"),
            ("1906-06", "1906-06 1906-06"),
            ("1971", "1971-01 1971-12"),
            ("2007-03-01T13:00:00Z/2008-05-11T15:30:00Z", "2007-03 2008-05"),
            ("1900/1909", "1900-01 1909-12"),
            ("2007-11-13/15", "2007-11 2007-11"),
            ("2007-03/05", "2007-03 2007-05"),
            ("2007-11-30/12-02", "2007-11 2007-12"),
            (" 1995-03-07 10:30 ", "1995-03 1995-03"),
        ] {
            assert_eq!(found(text).as_deref(), Some(expected), "{text}");
        }
        for text in [
            "",
            "07/03/1995",
            "1995-13",
            "1995-02-30",
            "March 1995",
            "95",
            "1995-3",
            "2001/1999",
            "1995-03-07-1",
        ] {
            assert_eq!(found(text), None, "{text}");
        }
    }
}
