//! Guesses at what a misspelt name was meant to be.

/// The known name nearest to `found`, if one is near enough: at most a third of its letters differ
/// (letter case aside, a swap of neighbours counts once), one at least.
pub(crate) fn nearest<'a>(found: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let found = found.to_lowercase();
    let allowed = (found.chars().count() / 3).max(1);
    known
        .into_iter()
        .map(|name| {
            let distance = strsim::damerau_levenshtein(&found, &name.to_lowercase());
            (distance, name)
        })
        .filter(|(distance, _)| *distance <= allowed)
        .min()
        .map(|(_, name)| name)
}

/// A help line: the nearest known name, or else all of them.
pub(crate) fn did_you_mean<'a>(
    found: &str,
    known: impl IntoIterator<Item = &'a str> + Clone,
    what: &str,
) -> String {
    if let Some(name) = nearest(found, known.clone()) {
        return format!("did you mean \"{name}\"?");
    }
    let all: Vec<String> = known.into_iter().map(|n| format!("\"{n}\"")).collect();
    if all.is_empty() { format!("there is no {what} yet") } else { format!("known: {}", all.join(", ")) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_slip_is_recognised_and_a_stranger_is_not() {
        let known = ["file", "files", "kind"];
        assert_eq!(nearest("fiel", known), Some("file"));
        assert_eq!(nearest("Files", known), Some("files"));
        assert_eq!(nearest("elephant", known), None);
        assert_eq!(did_you_mean("knd", known, "key"), "did you mean \"kind\"?");
        assert_eq!(did_you_mean("elephant", known, "key"), "known: \"file\", \"files\", \"kind\"");
        assert_eq!(did_you_mean("a", [], "layer"), "there is no layer yet");
    }
}
