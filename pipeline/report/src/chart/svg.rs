//! A small writer of SVG: shapes and words, everything escaped.

use std::fmt::Write;

/// White around a picture in a file, units.
const MARGIN: f64 = 12.0;

/// A picture under construction.
pub(crate) struct Svg {
    width: f64,
    height: f64,
    title: String,
    body: String,
    /// What can be read off at which place, for the page's script: `[x, y, width, height, words]` as JSON.
    marks: Vec<String>,
}

/// Where a word sits on its point.
#[derive(Clone, Copy)]
pub(crate) enum Anchor {
    Start,
    Middle,
    End,
}

/// How a word looks.
#[derive(Clone, Copy)]
pub(crate) struct Word {
    pub size: f64,
    pub colour: &'static str,
    pub bold: bool,
    pub anchor: Anchor,
}

impl Word {
    pub(crate) fn new(size: f64, colour: &'static str) -> Self {
        Word { size, colour, bold: false, anchor: Anchor::Start }
    }

    pub(crate) fn bold(self) -> Self {
        Word { bold: true, ..self }
    }

    pub(crate) fn at(self, anchor: Anchor) -> Self {
        Word { anchor, ..self }
    }
}

/// Text made safe for markup, in elements and in quoted attributes; control characters that XML
/// forbids become spaces.
pub(crate) fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            c if c.is_control() || matches!(c, '\u{fffe}' | '\u{ffff}') => out.push(' '),
            c => out.push(c),
        }
    }
    out
}

/// About how wide a line of text is, in units; on the wide side of the common sans-serif faces.
/// Bold is about an eighth wider: give a size so much larger.
pub(crate) fn text_width(text: &str, size: f64) -> f64 {
    text.chars()
        .map(|c| match c {
            'i' | 'l' | 'j' | 't' | 'f' | 'r' | 'I' | '.' | ',' | ':' | ' ' | '(' | ')' | '-' => 0.38,
            'm' | 'w' | 'M' | 'W' | '%' => 0.95,
            c if c.is_uppercase() => 0.7,
            c if c as u32 > 0x2e80 => 1.0,
            _ => 0.61,
        })
        .sum::<f64>()
        * size
}

/// `text` cut to fit `width` units, an ellipsis telling that it was.
pub(crate) fn fitted(text: &str, size: f64, width: f64) -> String {
    if text_width(text, size) <= width {
        return text.to_string();
    }
    let mut out = String::new();
    for c in text.chars() {
        if text_width(&out, size) + text_width(&format!("{c}…"), size) > width {
            break;
        }
        out.push(c);
    }
    format!("{}…", out.trim_end())
}

/// `text` broken at spaces into lines of at most `width` units; a single word too long is cut.
pub(crate) fn wrapped(text: &str, size: f64, width: f64) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        match lines.last_mut() {
            Some(line) if text_width(line, size) + text_width(word, size) + 0.4 * size <= width => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(fitted(word, size, width)),
        }
    }
    lines
}

/// A coordinate with at most two decimals.
fn n(x: f64) -> String {
    let text = format!("{x:.2}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" { "0".to_string() } else { text.to_string() }
}

/// A coordinate with at most one decimal.
fn t(x: f64) -> String {
    n((x * 10.0).round() / 10.0)
}

impl Svg {
    /// An empty picture of `width` units; its height is set by [`Svg::finish`]. `title` is what a
    /// screen reader says in its place.
    pub(crate) fn new(width: f64, title: &str) -> Self {
        Svg { width, height: 0.0, title: title.to_string(), body: String::new(), marks: Vec::new() }
    }

    /// A filled rectangle; nothing where it has no size.
    pub(crate) fn rect(&mut self, x: f64, y: f64, width: f64, height: f64, fill: &str) {
        if width > 0.0 && height > 0.0 {
            let _ = writeln!(
                self.body,
                "<rect x=\"{}\" y=\"{}\" width=\"{}\" height=\"{}\" fill=\"{fill}\"/>",
                n(x),
                n(y),
                n(width),
                n(height)
            );
        }
    }

    /// A straight line.
    pub(crate) fn line(&mut self, from: [f64; 2], to: [f64; 2], stroke: &str, width: f64) {
        let _ = writeln!(
            self.body,
            "<line x1=\"{}\" y1=\"{}\" x2=\"{}\" y2=\"{}\" stroke=\"{stroke}\" stroke-width=\"{}\"/>",
            n(from[0]),
            n(from[1]),
            n(to[0]),
            n(to[1]),
            n(width)
        );
    }

    /// A dashed straight line.
    pub(crate) fn dashes(&mut self, from: [f64; 2], to: [f64; 2], stroke: &str) {
        let _ = writeln!(
            self.body,
            "<line x1=\"{}\" y1=\"{}\" x2=\"{}\" y2=\"{}\" stroke=\"{stroke}\" stroke-width=\"1.2\" stroke-dasharray=\"4 3\"/>",
            n(from[0]),
            n(from[1]),
            n(to[0]),
            n(to[1])
        );
    }

    /// Lines through points.
    pub(crate) fn polyline(&mut self, points: &[[f64; 2]], stroke: &str, width: f64) {
        let path: Vec<_> = points.iter().map(|p| format!("{},{}", n(p[0]), n(p[1]))).collect();
        let _ = writeln!(
            self.body,
            "<polyline points=\"{}\" fill=\"none\" stroke=\"{stroke}\" stroke-width=\"{}\" stroke-linejoin=\"round\"/>",
            path.join(" "),
            n(width)
        );
    }

    /// Many rectangles (x, y, width, height) of one colour as one path.
    pub(crate) fn rects(&mut self, rects: &[[f64; 4]], fill: &str) {
        if rects.is_empty() {
            return;
        }
        let mut path = String::new();
        for [x, y, width, height] in rects {
            let _ = write!(path, "M{} {}h{}v{}h-{}z", n(*x), n(*y), n(*width), n(*height), n(*width));
        }
        let _ = writeln!(self.body, "<path d=\"{path}\" fill=\"{fill}\"/>");
    }

    /// A dot.
    pub(crate) fn dot(&mut self, x: f64, y: f64, radius: f64, fill: &str) {
        let _ = writeln!(
            self.body,
            "<circle cx=\"{}\" cy=\"{}\" r=\"{}\" fill=\"{fill}\"/>",
            n(x),
            n(y),
            n(radius)
        );
    }

    /// Words that the page shows where somebody points at a place (x, y, width, height) or comes to it by keys; nothing where it has no
    /// number. A place too thin to hit is widened.
    pub(crate) fn mark(&mut self, [x, y, width, height]: [f64; 4], words: &str) {
        const THIN: f64 = 2.0;
        let wide = |from: f64, length: f64| {
            if length < THIN { (from + (length - THIN) / 2.0, THIN) } else { (from, length) }
        };
        let ((x, width), (y, height)) = (wide(x, width), wide(y, height));
        if [x, y, width, height].iter().all(|v| v.is_finite()) {
            let words = serde_json::Value::from(words);
            self.marks.push(format!("[{},{},{},{},{words}]", t(x), t(y), t(width), t(height)));
        }
    }

    /// As [`Self::mark`], about a point.
    pub(crate) fn mark_point(&mut self, [x, y]: [f64; 2], words: &str) {
        self.mark([x - 5.0, y - 5.0, 10.0, 10.0], words);
    }

    /// A line of text with its baseline at `y`.
    pub(crate) fn text(&mut self, x: f64, y: f64, text: &str, word: Word) {
        let anchor = match word.anchor {
            Anchor::Start => "",
            Anchor::Middle => " text-anchor=\"middle\"",
            Anchor::End => " text-anchor=\"end\"",
        };
        let weight = if word.bold { " font-weight=\"600\"" } else { "" };
        let _ = writeln!(
            self.body,
            "<text x=\"{}\" y=\"{}\" font-size=\"{}\" fill=\"{}\"{anchor}{weight}>{}</text>",
            n(x),
            n(y),
            n(word.size),
            word.colour,
            escape(text)
        );
    }

    /// Lines of text under each other, the first with its baseline at `y`; returns the height of
    /// the lines after the first.
    pub(crate) fn lines(&mut self, x: f64, y: f64, lines: &[String], word: Word) -> f64 {
        let step = (word.size * 1.3).round();
        for (i, line) in lines.iter().enumerate() {
            self.text(x, y + i as f64 * step, line, word);
        }
        lines.len().saturating_sub(1) as f64 * step
    }

    /// What the axes show, broken into lines of at most `width` units, the first with its baseline at `y`; returns the height of the lines
    /// after the first.
    pub(crate) fn axes(&mut self, x: f64, y: f64, text: &str, width: f64) -> f64 {
        self.lines(x, y, &wrapped(text, 12.0, width), Word::new(12.0, super::MUTED))
    }

    /// A bold line of text with a lighter note after it.
    pub(crate) fn text_with_note(&mut self, x: f64, y: f64, text: &str, size: f64, note: &str) {
        let _ = writeln!(
            self.body,
            "<text x=\"{}\" y=\"{}\" font-size=\"{}\" fill=\"{}\" font-weight=\"600\">{} \
             <tspan dx=\"4\" font-size=\"12\" font-weight=\"400\" fill=\"{}\">{}</tspan></text>",
            n(x),
            n(y),
            n(size),
            super::INK,
            escape(text),
            super::MUTED,
            escape(note)
        );
    }

    /// A legend of swatches, wrapped to the width, its first row's top at `y`; returns where it ends.
    pub(crate) fn legend(&mut self, y: f64, entries: &[(String, String)]) -> f64 {
        let (mut x, mut top) = (0.0, y);
        for (name, colour) in entries {
            let width = 18.0 + text_width(name, 12.0) + 18.0;
            if x > 0.0 && x + width - 18.0 > self.width {
                x = 0.0;
                top += 20.0;
            }
            self.rect(x, top + 1.0, 12.0, 12.0, colour);
            self.text(x + 18.0, top + 11.0, name, Word::new(12.0, super::INK));
            x += width;
        }
        top + 24.0
    }

    /// The picture for a page, `height` units high.
    pub(crate) fn finish(mut self, height: f64) -> Self {
        self.height = height;
        self
    }

    fn markup(&self, attributes: &str, margin: f64) -> String {
        format!(
            "<svg {attributes} viewBox=\"{} {} {} {}\" role=\"img\" aria-label=\"{}\" \
             font-family=\"system-ui, 'Segoe UI', Helvetica, Arial, sans-serif\">\n\
             <title>{}</title>\n{}</svg>",
            n(-margin),
            n(-margin),
            n(self.width + 2.0 * margin),
            n(self.height + 2.0 * margin),
            escape(&self.title),
            escape(&self.title),
            self.body
        )
    }

    /// For a web page, at its own size.
    pub(crate) fn inline(&self) -> String {
        let marks = match self.marks.len() {
            0 => String::new(),
            _ => format!(" data-marks=\"{}\"", escape(&format!("[{}]", self.marks.join(",")))),
        };
        self.markup(&format!("width=\"{}\" height=\"{}\"{marks}", n(self.width), n(self.height)), 0.0)
    }

    /// For a file: `width_mm` wide on a white ground.
    pub(crate) fn file(&self, width_mm: f64) -> String {
        let (wide, high) = (self.width + 2.0 * MARGIN, self.height + 2.0 * MARGIN);
        let height_mm = width_mm * high / wide;
        let attributes = format!(
            "xmlns=\"http://www.w3.org/2000/svg\" width=\"{}mm\" height=\"{}mm\" style=\"background:#ffffff\"",
            n(width_mm),
            n(height_mm)
        );
        format!("<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n{}\n", self.markup(&attributes, MARGIN))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_cannot_break_out_of_the_picture() {
        let mut svg = Svg::new(100.0, "a\" onload=\"alert(1)");
        svg.text(0.0, 0.0, "</text><script>\u{1}&", Word::new(12.0, "#000"));
        let text = svg.finish(10.0).inline();
        assert!(!text.contains("<script") && !text.contains("\" onload"), "{text}");
        assert!(text.contains("&lt;/text&gt;&lt;script&gt; &amp;"), "{text}");
    }

    #[test]
    fn long_words_are_cut_to_their_place() {
        let cut = fitted("A very long name of a zone", 12.0, 80.0);
        assert!(cut.ends_with('…') && text_width(&cut, 12.0) <= 80.0, "{cut}");
        assert_eq!(fitted("Short", 12.0, 80.0), "Short");
    }

    #[test]
    fn lines_break_at_spaces_and_keep_every_word() {
        let lines = wrapped("Rain down 30 % and water table 0.5 m lower", 12.0, 120.0);
        assert!(lines.len() > 1);
        assert!(lines.iter().all(|line| text_width(line, 12.0) <= 120.0), "{lines:?}");
        assert_eq!(lines.join(" "), "Rain down 30 % and water table 0.5 m lower");
    }

    #[test]
    fn marks_are_on_the_page_only_and_read_back() {
        let mut svg = Svg::new(100.0, "");
        svg.mark([1.04, 2.0, 0.5, 8.0], "\"Quenby\" <b>: 3 ha");
        svg.mark([f64::NAN, 0.0, 1.0, 1.0], "nowhere");
        let svg = svg.finish(10.0);
        assert!(!svg.file(85.0).contains("data-marks"));
        let text = svg.inline();
        let start = text.find("data-marks=\"").unwrap() + "data-marks=\"".len();
        let marks = text[start..start + text[start..].find('"').unwrap()].replace("&quot;", "\"");
        let marks = marks.replace("&lt;", "<").replace("&gt;", ">");
        let marks: serde_json::Value = serde_json::from_str(&marks).unwrap();
        assert_eq!(marks, serde_json::json!([[0.3, 2, 2, 8, "\"Quenby\" <b>: 3 ha"]]));
    }

    #[test]
    fn nothing_is_drawn_for_nothing() {
        let mut svg = Svg::new(10.0, "");
        svg.rect(0.0, 0.0, 0.0, 5.0, "#000");
        svg.rect(0.0, 0.0, f64::NAN, 5.0, "#000");
        assert_eq!(svg.body, "");
    }
}
