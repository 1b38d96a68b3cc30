//! Texts as a terminal may show them: names in a study are anybody's, and no name may move the cursor, colour, clear, rename the window
//! or turn the order of letters (Unicode Technical Report 36, on bidirectional text).

use std::borrow::Cow;

/// Whether a terminal would obey a character instead of showing it.
fn obeyed(c: char) -> bool {
    (c.is_control() && !matches!(c, '\n' | '\t'))
        || matches!(c, '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
}

/// A text with another character, as many bytes long, in the place of each that a terminal would obey: so places in it stay true.
pub fn shown(text: &str) -> Cow<'_, str> {
    if !text.contains(obeyed) {
        return Cow::Borrowed(text);
    }
    let one = |c: char| match c.len_utf8() {
        _ if !obeyed(c) => c,
        1 => '?',
        2 => '\u{bf}',
        _ => '\u{fffd}',
    };
    Cow::Owned(text.chars().map(one).collect())
}

/// A text of JSON that means the same, such characters written as escapes; they stand within strings only.
pub fn json(text: &str) -> Cow<'_, str> {
    if !text.contains(obeyed) {
        return Cow::Borrowed(text);
    }
    let one = |c: char| if obeyed(c) { format!("\\u{:04x}", u32::from(c)) } else { c.to_string() };
    Cow::Owned(text.chars().map(one).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_a_terminal_obeys_is_neither_shown_nor_lost() {
        let hurt = "a\u{1b}[31m\u{7}\r\u{7f}\u{9b}2J\u{202e}b\u{2066}\tc\n";
        assert_eq!(shown(hurt), "a?[31m???\u{bf}2J\u{fffd}b\u{fffd}\tc\n");
        assert_eq!(shown(hurt).len(), hurt.len());
        let value = serde_json::json!({ "name": hurt, "\u{9b}": [hurt] });
        let text = format!("{value:#}");
        let safe = json(&text);
        assert!(safe.chars().all(|c| c == '\n' || !obeyed(c)), "{safe}");
        assert_eq!(serde_json::from_str::<serde_json::Value>(&safe).ok(), Some(value));
        // names in other scripts stay as they are
        assert_eq!(shown("\u{5e9}\u{5dc}\u{200f} \u{e9}"), "\u{5e9}\u{5dc}\u{200f} \u{e9}");
    }
}
