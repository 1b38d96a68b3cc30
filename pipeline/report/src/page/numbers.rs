//! Numbers of figures and tables, and words that refer to them.

use crate::chart::escape;
use serde::Serialize;
use std::collections::BTreeMap;

/// Numbers by the names that files have.
#[derive(Serialize, Default)]
pub(super) struct Numbers {
    /// Of figures: "map", and the charts by the names of their files.
    pub figures: BTreeMap<String, usize>,
    /// Of tables: by their names, and of those of the page's own.
    pub tables: BTreeMap<String, usize>,
}

/// Tables that are not among those of the run.
pub(super) const OWN_TABLES: [&str; 3] = ["page_not_assessed", "page_sources", "page_files"];

impl Numbers {
    /// In the order of the page, from 1.
    pub(super) fn new<'a>(
        has_map: bool,
        charts: impl Iterator<Item = &'a str>,
        tables: impl Iterator<Item = &'a str>,
    ) -> Self {
        let figures = has_map.then_some("map").into_iter().chain(charts);
        let numbered = |(at, name): (usize, &str)| (name.to_string(), at + 1);
        Numbers {
            figures: figures.enumerate().map(numbered).collect(),
            tables: tables.chain(OWN_TABLES).enumerate().map(numbered).collect(),
        }
    }

    /// Words as markup, in which "table NAME" becomes a link to "Table 4" for the tables of this page; all else is escaped.
    pub(super) fn linked(&self, text: &str) -> String {
        let mut out = String::new();
        let mut rest = text;
        while let Some(at) = rest.find("table ") {
            let after = &rest[at + "table ".len()..];
            let length =
                after.find(|c: char| !(c.is_ascii_alphanumeric() || c == '_')).unwrap_or(after.len());
            let name = &after[..length];
            let begins = rest[..at].chars().next_back().is_none_or(|c| !c.is_alphanumeric());
            out.push_str(&escape(&rest[..at]));
            match self.tables.get(name).filter(|_| begins) {
                // a name that is one of the page's tables, of letters, digits and `_`
                Some(number) => out.push_str(&format!("<a href=\"#table-{name}\">Table {number}</a>")),
                None => out.push_str(&escape(&rest[at..at + "table ".len() + length])),
            }
            rest = &after[length..];
        }
        out.push_str(&escape(rest));
        out
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tables_are_named_by_their_numbers() {
        let numbers = Numbers::new(true, ["habitat_area"].into_iter(), ["areas", "patch_fates"].into_iter());
        assert_eq!(numbers.figures["habitat_area"], 2);
        let told = numbers.linked(
            "read (table patch_fates tells <that>); the water table 3 m, table of none, vegetable areas",
        );
        assert_eq!(
            told,
            "read (<a href=\"#table-patch_fates\">Table 2</a> tells &lt;that&gt;); the water table 3 m, table of none, vegetable areas"
        );
        assert_eq!(numbers.tables["page_sources"], 4);
    }
}
