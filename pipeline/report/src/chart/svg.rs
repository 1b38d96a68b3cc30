//! A small writer of SVG: shapes and words, everything escaped.

use std::fmt::Write;

/// A picture under construction.
pub(crate) struct Svg {
    width: f64,
    height: f64,
    title: String,
    body: String,
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

/// About how wide a line of text is, in units; a mean for the common sans-serif faces.
pub(crate) fn text_width(text: &str, size: f64) -> f64 {
    text.chars()
        .map(|c| match c {
            'i' | 'l' | 'j' | 't' | 'f' | 'r' | 'I' | '.' | ',' | ':' | ' ' | '(' | ')' | '-' => 0.33,
            'm' | 'w' | 'M' | 'W' | '%' => 0.87,
            c if c.is_uppercase() => 0.68,
            c if c as u32 > 0x2e80 => 1.0,
            _ => 0.56,
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

/// A coordinate with at most two decimals.
fn n(x: f64) -> String {
    let text = format!("{x:.2}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" { "0".to_string() } else { text.to_string() }
}

impl Svg {
    /// An empty picture of `width` units; its height is set by [`Svg::finish`]. `title` is what a
    /// screen reader says in its place.
    pub(crate) fn new(width: f64, title: &str) -> Self {
        Svg { width, height: 0.0, title: title.to_string(), body: String::new() }
    }

    /// A filled rectangle; nothing where it has no size.
    pub(crate) fn rect(&mut self, x: f64, y: f64, width: f64, height: f64, fill: &str) {
        if width > 0.0 && height > 0.0 {
            let _ = writeln!(
                self.body,
                "<rect x=\"{}\" y=\"{}\" width=\"{}\" height=\"{}\" fill=\"{fill}\"/>",
                n(x), n(y), n(width), n(height)
            );
        }
    }

    /// A straight line.
    pub(crate) fn line(&mut self, from: [f64; 2], to: [f64; 2], stroke: &str, width: f64) {
        let _ = writeln!(
            self.body,
            "<line x1=\"{}\" y1=\"{}\" x2=\"{}\" y2=\"{}\" stroke=\"{stroke}\" stroke-width=\"{}\"/>",
            n(from[0]), n(from[1]), n(to[0]), n(to[1]), n(width)
        );
    }

    /// A dashed straight line.
    pub(crate) fn dashes(&mut self, from: [f64; 2], to: [f64; 2], stroke: &str) {
        let _ = writeln!(
            self.body,
            "<line x1=\"{}\" y1=\"{}\" x2=\"{}\" y2=\"{}\" stroke=\"{stroke}\" stroke-width=\"1.2\" stroke-dasharray=\"4 3\"/>",
            n(from[0]), n(from[1]), n(to[0]), n(to[1])
        );
    }

    /// Lines through points.
    pub(crate) fn polyline(&mut self, points: &[[f64; 2]], stroke: &str, width: f64) {
        let path: Vec<_> = points.iter().map(|p| format!("{},{}", n(p[0]), n(p[1]))).collect();
        let _ = writeln!(
            self.body,
            "<polyline points=\"{}\" fill=\"none\" stroke=\"{stroke}\" stroke-width=\"{}\" stroke-linejoin=\"round\"/>",
            path.join(" "), n(width)
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
            n(x), n(y), n(radius)
        );
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
            n(x), n(y), n(word.size), word.colour, escape(text)
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

    fn markup(&self, attributes: &str) -> String {
        format!(
            "<svg {attributes} viewBox=\"0 0 {} {}\" role=\"img\" aria-label=\"{}\" \
             font-family=\"system-ui, 'Segoe UI', Helvetica, Arial, sans-serif\">\n\
             <title>{}</title>\n{}</svg>",
            n(self.width), n(self.height), escape(&self.title), escape(&self.title), self.body
        )
    }

    /// For a web page, at its own size.
    pub(crate) fn inline(&self) -> String {
        self.markup(&format!("width=\"{}\" height=\"{}\"", n(self.width), n(self.height)))
    }

    /// For a file: `width_mm` wide on a white ground.
    pub(crate) fn file(&self, width_mm: f64) -> String {
        let height_mm = width_mm * self.height / self.width;
        let attributes = format!(
            "xmlns=\"http://www.w3.org/2000/svg\" width=\"{}mm\" height=\"{}mm\" style=\"background:#ffffff\"",
            n(width_mm), n(height_mm)
        );
        format!("<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n{}\n", self.markup(&attributes))
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
    fn nothing_is_drawn_for_nothing() {
        let mut svg = Svg::new(10.0, "");
        svg.rect(0.0, 0.0, 0.0, 5.0, "#000");
        svg.rect(0.0, 0.0, f64::NAN, 5.0, "#000");
        assert_eq!(svg.body, "");
    }
}
