//! The text of a template by paragraphs: blank lines part them, and each holds no more than one table.
//!
//! Text, not a tree: comments belong to the lines they stand on and go with their paragraph. What the text means is asked of the TOML
//! library, paragraph by paragraph.

use toml::Value;

/// A text by paragraphs.
pub(super) struct Sheet {
    paragraphs: Vec<String>,
}

impl Sheet {
    pub fn of(text: &str) -> Self {
        let mut paragraphs: Vec<String> = vec![String::new()];
        for line in text.lines() {
            match paragraphs.last_mut() {
                _ if line.trim().is_empty() => paragraphs.push(String::new()),
                Some(last) => {
                    last.push_str(line);
                    last.push('\n');
                }
                None => {}
            }
        }
        paragraphs.retain(|paragraph| !paragraph.is_empty());
        Sheet { paragraphs }
    }

    pub fn text(&self) -> String {
        self.paragraphs.join("\n")
    }

    /// Header of a paragraph's table, as `[study]`; `None` for comments.
    fn header(paragraph: &str) -> Option<&str> {
        let line = paragraph.lines().find(|line| line.starts_with('['))?;
        Some(line.split_once('#').map_or(line, |(header, _)| header).trim())
    }

    fn at(&self, header: &str) -> Option<usize> {
        self.paragraphs.iter().position(|paragraph| Self::header(paragraph) == Some(header))
    }

    /// The table of one paragraph.
    fn read(paragraph: &str) -> Option<Value> {
        let whole: Value = toml::from_str(paragraph).ok()?;
        let header = Self::header(paragraph)?.trim_matches(['[', ']']);
        let mut table = &whole;
        for key in header.split('.') {
            table = table.get(key)?;
            if let Value::Array(items) = table {
                table = items.first()?;
            }
        }
        Some(table.clone())
    }

    /// The first table under a header.
    pub fn table(&self, header: &str) -> Option<Value> {
        Self::read(self.paragraphs.get(self.at(header)?)?)
    }

    /// All tables under a header.
    pub fn tables(&self, header: &str) -> Vec<Value> {
        let under = self.paragraphs.iter().filter(|paragraph| Self::header(paragraph) == Some(header));
        under.filter_map(|paragraph| Self::read(paragraph)).collect()
    }

    pub fn string(&self, header: &str, key: &str) -> Option<String> {
        Some(self.table(header)?.get(key)?.as_str()?.to_string())
    }

    /// Names of the tables `[part.NAME]`, in their order.
    pub fn names_under(&self, part: &str) -> Vec<String> {
        let headers = self.paragraphs.iter().filter_map(|paragraph| Self::header(paragraph));
        let name = |header: &str| {
            let inner = header.strip_prefix('[')?.strip_suffix(']')?;
            let name = inner.strip_prefix(part)?.strip_prefix('.')?;
            (!name.contains('.')).then(|| name.to_string())
        };
        headers.filter_map(name).collect()
    }

    /// The lines of the first table under a header, changed one by one; `None` drops a line.
    fn change(&mut self, header: &str, mut of: impl FnMut(&str) -> Option<String>) {
        if let Some(at) = self.at(header) {
            let lines: Vec<String> = self.paragraphs[at].lines().filter_map(&mut of).collect();
            self.paragraphs[at] = lines.join("\n") + "\n";
        }
    }

    /// Writes a value in the place of the one there; what stands behind it stays.
    pub fn set(&mut self, header: &str, key: &str, value: &str) {
        self.change(header, |line| Some(with_value(line, key, value)));
    }

    /// As `set`, in the tables under a header that hold the key `having`.
    pub fn set_where(&mut self, header: &str, having: &str, key: &str, value: &str) {
        for paragraph in &mut self.paragraphs {
            let meant = Self::header(paragraph) == Some(header)
                && Self::read(paragraph).is_some_and(|table| table.get(having).is_some());
            if meant {
                let lines: Vec<String> = paragraph.lines().map(|line| with_value(line, key, value)).collect();
                *paragraph = lines.join("\n") + "\n";
            }
        }
    }

    pub fn drop_line(&mut self, header: &str, key: &str) {
        self.change(header, |line| (!sets(line, key)).then(|| line.to_string()));
    }

    pub fn comment_out(&mut self, header: &str, key: &str) {
        self.change(header, |line| {
            Some(if sets(line, key) { format!("# {line}") } else { line.to_string() })
        });
    }

    /// Takes the mark off the first line that would set the key, unless one sets it already.
    pub fn put_in_force(&mut self, header: &str, key: &str) {
        let mut done = self.table(header).is_some_and(|table| table.get(key).is_some());
        self.change(header, |line| match line.strip_prefix("# ") {
            Some(bare) if !done && sets(bare, key) => {
                done = true;
                Some(bare.to_string())
            }
            _ => Some(line.to_string()),
        });
    }

    /// Adds a line at the end of a table.
    pub fn add(&mut self, header: &str, line: &str) {
        if let Some(at) = self.at(header) {
            self.paragraphs[at].push_str(&format!("{line}\n"));
        }
    }

    /// Adds lines at the beginning of a table, behind the comments under its header.
    pub fn add_first(&mut self, header: &str, lines: &str) {
        let (mut begun, mut done) = (false, false);
        self.change(header, |line| {
            let first = begun && !done && !line.starts_with('#');
            begun |= line.starts_with('[');
            done |= first;
            Some(if first { format!("{lines}\n{line}") } else { line.to_string() })
        });
    }

    pub fn remove(&mut self, header: &str) {
        self.paragraphs.retain(|paragraph| Self::header(paragraph) != Some(header));
    }

    /// Keeps of the tables under a header those that please.
    pub fn keep(&mut self, header: &str, pleases: impl Fn(&Value) -> bool) {
        self.paragraphs.retain(|paragraph| {
            Self::header(paragraph) != Some(header)
                || Self::read(paragraph).is_some_and(|table| pleases(&table))
        });
    }

    /// Adds a paragraph before the one that begins so.
    pub fn insert_before(&mut self, begin: &str, text: &str) {
        let at = self.paragraphs.iter().position(|paragraph| paragraph.starts_with(begin));
        self.paragraphs.insert(at.unwrap_or(self.paragraphs.len()), format!("{text}\n"));
    }

    /// Writes lines before all others.
    pub fn begin_with(&mut self, lines: &str) {
        if let Some(first) = self.paragraphs.first_mut() {
            first.insert_str(0, lines);
        }
    }
}

fn sets(line: &str, key: &str) -> bool {
    line.strip_prefix(key).is_some_and(|rest| rest.trim_start().starts_with('='))
}

/// The line with another value, if it sets the key; its comment stays in its column where there is room.
fn with_value(line: &str, key: &str, value: &str) -> String {
    if !sets(line, key) {
        return line.to_string();
    }
    let set = format!("{key} = {value}");
    match line.find("  #") {
        Some(at) => {
            let comment = line[at..].trim_start();
            let column = line.len() - comment.len();
            format!("{set:width$}{comment}", width = column.max(set.len() + 2))
        }
        None => set,
    }
}
