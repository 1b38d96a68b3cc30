//! Which parts of a study file do not count as written, so that one mistake is told once.

use crate::source::key;
use std::collections::BTreeSet;

/// What problems of form left behind; empty for a file without any.
///
/// A value that could not be used is replaced by a stand-in, and nothing may be said about the stand-in.
#[derive(Clone, Debug, Default)]
pub(crate) struct Spoilt {
    /// Addresses whose value could not be used, or whose key was misspelt or missing.
    values: BTreeSet<String>,
    /// Tables with a key that is not known and may stand for anything they lack.
    open: BTreeSet<String>,
}

impl Spoilt {
    /// Notes that the value at `at` is not to be used.
    pub fn add(&mut self, at: &str) {
        self.values.insert(at.to_string());
    }

    /// Takes a note of [`Self::add`] back: what is meant is plain.
    pub fn forgive(&mut self, at: &str) {
        self.values.remove(at);
    }

    /// Notes that the table at `at` may be lacking something that was meant to be in it.
    pub fn add_open(&mut self, at: &str) {
        self.open.insert(at.to_string());
    }

    /// Whether nothing is spoilt.
    pub fn is_empty(&self) -> bool {
        self.values.is_empty() && self.open.is_empty()
    }

    /// Whether this very address is spoilt.
    pub fn exactly(&self, at: &str) -> bool {
        self.values.contains(at)
    }

    /// Whether the value at `at` is a stand-in: it is spoilt itself, or stands within something that is.
    pub fn value(&self, at: &str) -> bool {
        let mut at = at;
        loop {
            if self.values.contains(at) {
                return true;
            }
            match at.rfind(['.', '[']) {
                Some(cut) => at = &at[..cut],
                None => return false,
            }
        }
    }

    /// Whether any part of the value at `at` is a stand-in.
    pub fn within(&self, at: &str) -> bool {
        let beneath =
            |address: &String| address.strip_prefix(at).is_some_and(|rest| rest.starts_with(['.', '[']));
        self.value(at) || self.values.range(at.to_string()..).take_while(|a| a.starts_with(at)).any(beneath)
    }

    /// Whether the table at `at` may hold more than could be read.
    pub fn open(&self, at: &str) -> bool {
        self.value(at) || self.open.contains(at)
    }

    /// Whether the key `name`, where the table at `at` lacks it, may have been meant all the same.
    pub fn meant(&self, at: &str, name: &str) -> bool {
        self.open(at) || self.value(&key(at, name))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_spoilt_value_covers_what_stands_within_it() {
        let mut spoilt = Spoilt::default();
        assert!(spoilt.is_empty());
        spoilt.add("grid.bounds[1]");
        spoilt.add("layers.depth");
        spoilt.add_open("layers");
        assert!(spoilt.value("layers.depth.kind") && !spoilt.value("layers") && !spoilt.value("layers.dep"));
        assert!(spoilt.value("grid.bounds[1]") && !spoilt.value("grid.bounds[10]"));
        assert!(spoilt.within("grid.bounds") && spoilt.within("grid") && !spoilt.within("grid.bound"));
        assert!(spoilt.within("layers.depth.kind") && !spoilt.within("layers.depth2"));
        assert!(spoilt.meant("layers", "water") && !spoilt.meant("grid", "area"));
    }
}
