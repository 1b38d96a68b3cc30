//! Licences as machines name them.

/// Licences common for data and their words, by their short identifiers of the SPDX licence list (spdx.org/licenses).
const KNOWN: [&str; 17] = [
    "CC0-1.0",
    "CC-BY-3.0",
    "CC-BY-4.0",
    "CC-BY-SA-3.0",
    "CC-BY-SA-4.0",
    "CC-BY-NC-4.0",
    "CC-BY-NC-SA-4.0",
    "CC-BY-ND-4.0",
    "CC-BY-NC-ND-4.0",
    "ODbL-1.0",
    "ODC-By-1.0",
    "PDDL-1.0",
    "OGL-UK-3.0",
    "etalab-2.0",
    "MIT",
    "Apache-2.0",
    "BSD-3-Clause",
];

/// The identifier of a licence, where the words of a study are one that is known, spaces for hyphens and any case: "CC BY 4.0".
pub fn spdx(words: &str) -> Option<&'static str> {
    let plain = |text: &str| text.trim().replace([' ', '_'], "-").to_ascii_lowercase();
    KNOWN.into_iter().find(|known| plain(known) == plain(words))
}

/// Where the text of a known licence stands.
pub fn address(id: &str) -> String {
    format!("https://spdx.org/licenses/{id}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn licences_are_known_however_they_are_spelt() {
        assert_eq!(spdx("CC BY 4.0"), Some("CC-BY-4.0"));
        assert_eq!(spdx(" cc-by-4.0 "), Some("CC-BY-4.0"));
        assert_eq!(spdx("ask the ministry"), None);
        assert_eq!(spdx(""), None);
    }
}
