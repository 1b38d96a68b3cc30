//! Whatever the text, there is an answer: no panic, and every problem says something somewhere.

use crate::common::{Folder, GOOD};
use proptest::prelude::*;

proptest! {
    #![proptest_config(ProptestConfig { cases: 600, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn no_text_makes_it_panic(cuts in prop::collection::vec((any::<prop::sample::Index>(), 0usize..30, ".{0,8}"), 1..4)) {
        let mut text = GOOD.to_string();
        for (at, length, with) in &cuts {
            // The text may hold longer letters by now: cut between letters.
            let letters: Vec<usize> = text.char_indices().map(|(at, _)| at).collect();
            let first = at.index(letters.len());
            let last = (first + length).min(letters.len() - 1);
            text.replace_range(letters[first]..letters[last], with);
        }
        let folder = Folder::new(&text);
        let examined = folder.examine();
        prop_assert_eq!(examined.source.is_some(), examined.study.is_some());
        let problems = match folder.load() {
            Ok((_, warnings)) => warnings,
            Err(problems) => {
                prop_assert!(!problems.0.is_empty());
                problems.0
            }
        };
        for problem in problems {
            prop_assert!(!problem.message.is_empty());
            if let Some(place) = problem.place.filter(|_| problem.file.ends_with("study.toml")) {
                prop_assert!(text.get(place.start..place.end).is_some(), "{problem} at {place:?}");
                prop_assert!(place.line >= 1 && place.line <= text.matches('\n').count() + 1);
            }
        }
    }
}
