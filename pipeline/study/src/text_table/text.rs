//! Bytes of a file as text, and where its lines are.

use super::Letters;
use crate::problem::Place;

/// What is wrong with bytes that are no text: the line, where one can be told, and what was found.
type NoText = (Option<usize>, String);

/// The text of a file, with lines that end in a line feed (bytes stay where they are), and how many bytes were skipped before
/// it.
pub(super) fn decoded(mut bytes: Vec<u8>, letters: Letters) -> Result<(String, usize), NoText> {
    if let Some(what) = no_text(&bytes) {
        return Err((None, what.to_string()));
    }
    let skipped = if bytes.starts_with(b"\xef\xbb\xbf") { 3 } else { 0 };
    bytes.drain(..skipped);
    // one kind of line end, so that lines are counted right; as long as before, so that places stay
    for at in 0..bytes.len() {
        if bytes[at] == b'\r' && bytes.get(at + 1) != Some(&b'\n') {
            bytes[at] = b'\n';
        }
    }
    match String::from_utf8(bytes) {
        Ok(text) => Ok((text, skipped)),
        Err(e) if letters == Letters::Any => {
            Ok((String::from_utf8_lossy(e.as_bytes()).into_owned(), skipped))
        }
        Err(e) => {
            let sound = &e.as_bytes()[..e.utf8_error().valid_up_to()];
            let line = sound.iter().filter(|b| **b == b'\n').count() + 1;
            let message = "the line is not UTF-8; it looks like Latin-1 or Windows-1252".to_string();
            Err((Some(line), message))
        }
    }
}

/// What the bytes are, where that is no text of one byte a letter.
fn no_text(bytes: &[u8]) -> Option<&'static str> {
    if bytes.starts_with(&[0xff, 0xfe]) || bytes.starts_with(&[0xfe, 0xff]) {
        return Some("the text is UTF-16, not UTF-8");
    }
    if bytes.starts_with(b"PK\x03\x04") || bytes.starts_with(&[0xd0, 0xcf, 0x11, 0xe0]) {
        return Some("is the workbook of a spreadsheet, or another packed file, not a table of text");
    }
    match bytes.iter().filter(|b| **b == 0).count() {
        0 => None,
        // every other byte of plain letters in UTF-16
        zeros if 3 * zeros >= bytes.len() => Some("the text is UTF-16, not UTF-8"),
        _ => Some("holds bytes of 0, so it is not a table of text"),
    }
}

/// Where a quotation mark is opened that is never closed: everything after it would be one cell.
pub(super) fn unclosed_quote(text: &str, delimiter: u8) -> Option<usize> {
    let bytes = text.as_bytes();
    let (mut opened, mut cell_starts, mut at) = (None, true, 0);
    while at < bytes.len() {
        match (opened, bytes[at]) {
            (Some(_), b'"') if bytes.get(at + 1) == Some(&b'"') => at += 1,
            (Some(_), b'"') => opened = None,
            (Some(_), _) => {}
            (None, b'"') if cell_starts => opened = Some(at),
            (None, byte) => cell_starts = byte == delimiter || byte == b'\n',
        }
        at += 1;
    }
    opened
}

/// Counts lines of a text up to places that are asked for from its beginning to its end.
pub(super) struct Lines<'a> {
    bytes: &'a [u8],
    skipped: usize,
    at: usize,
    line: usize,
}

impl<'a> Lines<'a> {
    /// The lines of a text before which so many bytes of its file were skipped.
    pub fn new(text: &'a str, skipped: usize) -> Self {
        Lines { bytes: text.as_bytes(), skipped, at: 0, line: 1 }
    }

    /// The line that holds a byte; line breaks there are passed over.
    pub fn place(&mut self, at: usize) -> Place {
        let mut start = at.clamp(self.at, self.bytes.len());
        while self.bytes.get(start).is_some_and(|b| matches!(b, b'\n' | b'\r')) {
            start += 1;
        }
        self.line += self.bytes[self.at..start].iter().filter(|b| **b == b'\n').count();
        self.at = start;
        let rest = &self.bytes[start..];
        let length = rest.iter().position(|b| matches!(b, b'\n' | b'\r')).unwrap_or(rest.len());
        Place { start: start + self.skipped, end: start + length + self.skipped, line: self.line }
    }
}
