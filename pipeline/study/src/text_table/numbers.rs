//! Why a cell is no number.

/// What a cell looks like that is no number, after ": "; "" where nothing can be said.
pub fn why_no_number(text: &str) -> String {
    let lower = text.to_lowercase();
    if ["na", "n/a", "nan", "null", "none", "-", "--", "#n/a", "#value!", "missing"].contains(&lower.as_str())
    {
        return ": it seems to stand for a missing value".into();
    }
    let unsigned = text.trim_start_matches(['+', '-', '\u{2212}']);
    let digits = |part: &str| !part.is_empty() && part.bytes().all(|b| b.is_ascii_digit());
    if text.starts_with('\u{2212}') {
        return ": its sign is a typographic minus; write a hyphen".into();
    }
    if let Some((whole, part)) = unsigned.split_once(',')
        && digits(whole)
        && digits(part)
    {
        let sign = &text[..text.len() - unsigned.len()];
        return match part.len() == 3 && whole.len() <= 3 && whole != "0" {
            true => format!(
                ": its comma may be a decimal comma or stand between thousands; write {sign}{whole}.{part} or {sign}{whole}{part}"
            ),
            false => format!(": it has a decimal comma; write {sign}{whole}.{part}"),
        };
    }
    let between = |c: char| matches!(c, ',' | ' ' | '\'' | '\u{2019}' | '\u{a0}' | '\u{202f}' | '_' | '.');
    let groups: Vec<&str> = unsigned.split(between).collect();
    let first = groups.first().is_some_and(|group| digits(group) && group.len() <= 3);
    let thousands =
        groups.len() >= 2 && groups[1..groups.len() - 1].iter().all(|g| digits(g) && g.len() == 3);
    if first && thousands && groups.iter().all(|group| digits(group)) {
        return ": it has signs between thousands; write 1234.5, with nothing between digits but the decimal point".into();
    }
    String::new()
}
