//! What a step's cells follow from, by name, each with a digest: the same ingredients, the same cells.

use blake3::{Hash, Hasher};
use serde::{Deserialize, Serialize};

/// Named digests, in the order they were added.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Ingredients(Vec<(String, String)>);

impl Ingredients {
    /// Adds one by its digest.
    #[must_use]
    pub fn and(mut self, name: impl Into<String>, digest: Hash) -> Self {
        self.0.push((name.into(), digest.to_hex().to_string()));
        self
    }

    /// Adds one by a text that tells it from any other.
    #[must_use]
    pub fn text(self, name: impl Into<String>, text: &str) -> Self {
        self.and(name, blake3::hash(text.as_bytes()))
    }

    /// Adds those of another.
    #[must_use]
    pub fn all(mut self, others: &Ingredients) -> Self {
        self.0.extend(others.0.iter().cloned());
        self
    }

    /// The key: the same for the same ingredients, under the same names.
    pub fn key(&self, step: &str) -> Hash {
        let mut hasher = Hasher::new();
        for (name, digest) in [(step.to_string(), String::new())].iter().chain(&self.0) {
            // with their lengths, so that no two lists run into each other
            for word in [name, digest] {
                hasher.update(&(word.len() as u64).to_le_bytes());
                hasher.update(word.as_bytes());
            }
        }
        hasher.finalize()
    }

    /// Names of what is other than in an earlier list: changed, new, or gone.
    pub fn changed_from<'a>(&'a self, earlier: &'a Ingredients) -> Vec<&'a str> {
        let of = |list: &Ingredients, name: &str| {
            list.0.iter().find(|(own, _)| own == name).map(|(_, d)| d.clone())
        };
        let mut names: Vec<&str> = Vec::new();
        for (name, _) in self.0.iter().chain(&earlier.0) {
            if !names.contains(&name.as_str()) && of(self, name) != of(earlier, name) {
                names.push(name);
            }
        }
        names
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_key_hangs_on_every_name_and_digest_and_what_changed_is_named() {
        let list = Ingredients::default().text("grid", "a").text("layer water", "b");
        let key = list.key("reading water");
        assert_eq!(key, list.clone().key("reading water"));
        let others = [
            list.key("another step"),
            Ingredients::default().text("grid", "a").key("reading water"),
            Ingredients::default().text("grid", "b").text("layer water", "b").key("reading water"),
            Ingredients::default().text("gri", "a").text("layer water", "b").key("reading water"),
            Ingredients::default().text("layer water", "b").text("grid", "a").key("reading water"),
        ];
        assert!(others.iter().all(|other| *other != key));
        let later = Ingredients::default().text("grid", "a").text("layer water", "c").text("seed", "1");
        assert_eq!(later.changed_from(&list), ["layer water", "seed"]);
        assert_eq!(list.changed_from(&later), ["layer water", "seed"]);
        assert!(list.changed_from(&list).is_empty());
    }
}
