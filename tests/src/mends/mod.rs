//! What the sources say to whoever meets an error: every error type, and every way one is made, with the words that go into it.

mod given;

pub use given::{Given, given};

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use syn::punctuated::Punctuated;
use syn::visit::Visit;
use syn::{Expr, Token};

/// A verb in the imperative begins what is to be done.
const VERBS: &str = "add ask break bring build change check choose close compare compress convert copy correct count cut declare delete describe draw end enter fetch \
    fill fix follow free get give go hand have hold install keep leave lengthen list look lower make map mark measure merge move name narrow open order pass \
    permit pick point put raise reach read rebuild reduce remove rename repair replace report reproject rerun resample restore run save say see set shift \
    shorten spell split start state stop take tell try turn understand unpack update use verify visit wait warp widen write";

/// Words that may stand before it.
const BEFORE: [&str; 12] = [
    "or",
    "and",
    "then",
    "else",
    "either",
    "first",
    "please",
    "so",
    "instead",
    "but",
    "for example",
    "to mend it",
];

/// Whether words say what to do: some clause begins with an imperative, or they say what is expected.
#[must_use]
pub fn says_what_to_do(words: &str) -> bool {
    if ["expected", "at least", "at most", "must be", "as in", "for example"]
        .iter()
        .any(|w| words.contains(w))
    {
        return true;
    }
    let mut clauses: Vec<String> = vec![String::new()];
    let mut inside = false;
    for (at, c) in words.char_indices() {
        // code in backquotes and what is filled in are no clauses of their own
        inside ^= c == '`';
        let ends = matches!(c, ';' | '.' | ':' | ',' | '(' | '\n' | '{' | '}' | '?') && !inside;
        if ends || [" and ", " or "].iter().any(|word| words[at..].starts_with(word)) {
            clauses.push(String::new());
        } else if let Some(clause) = clauses.last_mut() {
            clause.push(c.to_ascii_lowercase());
        }
    }
    clauses.iter().any(|clause| {
        let mut rest = clause.trim();
        while let Some(after) = BEFORE.iter().find_map(|word| rest.strip_prefix(word)?.strip_prefix(' ')) {
            rest = after.trim();
        }
        let first = rest.split(|c: char| !c.is_ascii_alphabetic()).next().unwrap_or_default();
        VERBS.split_whitespace().any(|verb| verb == first)
    })
}

/// A source file of a crate, parsed.
pub struct Source {
    /// Its path from the root of the project.
    pub name: String,
    file: syn::File,
}

/// Sources of the crates, without those of tests.
#[must_use]
pub fn sources(root: &Path) -> Vec<Source> {
    let mut folders: Vec<PathBuf> =
        fs::read_dir(root.join("pipeline")).unwrap().map(|e| e.unwrap().path().join("src")).collect();
    let mut found = Vec::new();
    while let Some(folder) = folders.pop() {
        for path in fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()) {
            let name = path.strip_prefix(root).unwrap().display().to_string();
            if path.is_dir() && !path.ends_with("tests") {
                folders.push(path);
            } else if name.ends_with(".rs") && !name.ends_with("tests.rs") {
                let file = syn::parse_file(&fs::read_to_string(&path).unwrap())
                    .unwrap_or_else(|e| panic!("{name}: {e}"));
                found.push(Source { name, file });
            }
        }
    }
    found.sort_by(|a, b| a.name.cmp(&b.name));
    found
}

/// A variant of an error type.
#[derive(Clone, Debug, Default)]
pub struct Variant {
    /// Where it is declared.
    pub file: String,
    /// Its message; empty for one that only passes on another error.
    pub message: String,
    /// Fields by name, or by place.
    pub fields: Vec<String>,
}

/// Variants of all error types, as `Type::Variant`; an error that is a structure stands under its own name.
#[must_use]
pub fn variants(sources: &[Source]) -> BTreeMap<String, Variant> {
    struct Errors(String, BTreeMap<String, Variant>);
    fn message(attributes: &[syn::Attribute]) -> Option<String> {
        let own = attributes.iter().find(|attribute| attribute.path().is_ident("error"))?;
        let parts = own.parse_args_with(Punctuated::<Expr, Token![,]>::parse_terminated);
        let mut words = Words::default();
        words.visit_expr(parts.ok()?.first()?);
        Some(words.0)
    }
    fn fields(fields: &syn::Fields) -> Vec<String> {
        // one that another error becomes by itself has its own words
        let own = |field: &&syn::Field| !field.attrs.iter().any(|of| of.path().is_ident("from"));
        let name = |(at, field): (usize, &syn::Field)| {
            field.ident.as_ref().map_or(at.to_string(), ToString::to_string)
        };
        fields.iter().filter(own).enumerate().map(name).collect()
    }
    impl Visit<'_> for Errors {
        fn visit_item_enum(&mut self, item: &syn::ItemEnum) {
            for variant in &item.variants {
                if let Some(message) = message(&variant.attrs) {
                    let found = Variant { file: self.0.clone(), message, fields: fields(&variant.fields) };
                    self.1.insert(format!("{}::{}", item.ident, variant.ident), found);
                }
            }
        }
        fn visit_item_struct(&mut self, item: &syn::ItemStruct) {
            if let Some(message) = message(&item.attrs) {
                let found = Variant { file: self.0.clone(), message, fields: fields(&item.fields) };
                self.1.insert(item.ident.to_string(), found);
            }
        }
    }
    let mut errors = Errors(String::new(), BTreeMap::new());
    for source in sources {
        errors.0.clone_from(&source.name);
        errors.visit_file(&source.file);
    }
    errors.1
}

/// All literals of text in an expression, macros seen through.
#[derive(Default)]
struct Words(String);

impl Visit<'_> for Words {
    fn visit_lit_str(&mut self, text: &syn::LitStr) {
        self.0 += &text.value();
        self.0.push('\n');
    }
    fn visit_macro(&mut self, made: &syn::Macro) {
        for part in arguments(made) {
            self.visit_expr(&part);
        }
    }
}

fn arguments(made: &syn::Macro) -> Vec<Expr> {
    let parts = made.parse_body_with(Punctuated::<Expr, Token![,]>::parse_terminated);
    parts.map(|parts| parts.into_iter().collect()).unwrap_or_default()
}
