//! The scenes file: how multispectral scenes become monthly masks of water. As for the study file there is a written
//! form ([`options`]), a JSON Schema made from it, and resolved [`settings`]; [`load`] goes all the way.

// its texts are those of the schema, where brackets hold names of sections
#[allow(rustdoc::broken_intra_doc_links)]
pub mod options;
pub mod settings;

mod grid;
mod index;
mod quality;
mod resolve;

pub use resolve::resolve;
pub use settings::Scenes;

use crate::problem::{Problem, Problems};
use crate::read::text_of;
use crate::schema::schema_of;
use crate::shape::{Shape, check_against};
use crate::source::Source;
use options::ScenesFile;
use serde_json::Value;
use std::path::Path;

/// What messages call the file.
const NAME: &str = "scenes file";

/// JSON Schema (draft 2020-12) of [`ScenesFile`], made from its structs.
pub fn schema() -> Value {
    schema_of::<ScenesFile>("Scenes file of lentic")
}

/// The schema as indented text with a newline at the end, as committed in `configs/`.
pub fn schema_text() -> String {
    format!("{:#}\n", schema())
}

/// Reads and resolves a scenes file. Scenes are not looked for.
///
/// # Errors
/// All problems of form together; if there are none, all problems of sense together.
pub fn load(path: &Path) -> Result<Scenes, Problems> {
    let (file, source) = parse(path, text_of(path, NAME)?)?;
    resolve(&file, source)
}

/// The written form of a text at hand; `path` is what messages name.
///
/// # Errors
/// Every unknown key, missing key, wrong type, unknown word and number out of range, each with its place.
pub fn parse(path: &Path, text: String) -> Result<(ScenesFile, Source), Problems> {
    let (source, mut problems) = Source::parse(path, text).map_err(|problem| Problems(vec![problem]))?;
    let Shape { problems: found, .. } = check_against(&source, &schema(), "the scenes file");
    problems.extend(found);
    if !problems.is_empty() {
        return Err(Problems::sorted(path, problems));
    }
    // The schema is made from these very types, so what is left is what a schema cannot say.
    match serde_json::from_value(source.value().clone()) {
        Ok(file) => Ok((file, source)),
        Err(error) => Err(Problems(vec![Problem {
            file: source.path,
            place: None,
            message: format!("the scenes file does not fit its form: {error}"),
            help: "compare it with configs/scenes.toml".into(),
            warning: false,
        }])),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use settings::{Formula, Rule};

    const TEMPLATE: &str = include_str!("../../../../configs/scenes.toml");

    fn resolved(text: &str) -> Result<Scenes, Problems> {
        let (file, source) = parse(Path::new("scenes.toml"), text.to_string())?;
        resolve(&file, source)
    }

    /// What is said of the template with one edit.
    fn said(before: &str, after: &str) -> String {
        assert_eq!(TEMPLATE.matches(before).count(), 1, "{before:?}");
        resolved(&TEMPLATE.replace(before, after)).unwrap_err().to_string()
    }

    #[test]
    fn the_committed_schema_is_the_present_one() {
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../configs/scenes.schema.json");
        if std::env::var_os("LENTIC_REFRESH").is_some() {
            std::fs::write(&path, schema_text()).unwrap();
        }
        let refresh = "LENTIC_REFRESH=1 cargo test --release --workspace --lib scenes";
        let committed = std::fs::read_to_string(&path).unwrap_or_default();
        assert!(
            committed == schema_text(),
            "configs/scenes.schema.json is old; refresh it with\n  {refresh}"
        );
    }

    #[test]
    fn the_template_resolves_and_fits_its_schema() {
        let scenes = resolved(TEMPLATE).unwrap();
        assert_eq!(
            scenes.bands.iter().map(|b| b.name.as_str()).collect::<Vec<_>>(),
            ["green", "swir", "quality"]
        );
        assert_eq!(
            (scenes.index.formula, scenes.index.otsu, scenes.index.fixed),
            (Formula::Difference, true, 0.0)
        );
        let field = Rule::Number { first: 8, width: 2, low: 2, high: 3 };
        assert_eq!(scenes.rules, [Rule::Any { mask: 0b11000 }, field]);
        // Oracle: the crate `jsonschema`, a general-purpose validator of JSON Schema.
        let value = Source::parse(Path::new("x"), TEMPLATE.to_string()).unwrap().0.value().clone();
        assert!(jsonschema::validator_for(&schema()).unwrap().is_valid(&value));
    }

    #[test]
    fn form_is_checked_with_place_and_nearest_key() {
        let text = said("kind = \"mndwi\"", "knd = \"mndwi\"");
        assert!(
            text.contains("\"knd\" is not a key of index") && text.contains("did you mean \"kind\"?"),
            "{text}"
        );
        let line = TEMPLATE.lines().position(|line| line.starts_with("kind")).unwrap() + 1;
        assert!(text.contains(&format!("scenes.toml:{line}:")), "{text}");
        let text = said("kind = \"mndwi\"", "kind = \"mdnwi\"");
        assert!(text.contains("did you mean \"mndwi\"?"), "{text}");
        let text = said("[index]", "[indx]");
        assert!(text.contains("\"indx\" is not a key of the scenes file"), "{text}");
    }

    #[test]
    fn sense_is_checked() {
        for (before, after, expected) in [
            ("swir = \"swir\"", "swr = \"swir\"", "needs a band \"swir\""),
            ("bits = [3, 4]", "bits = [3, 32]", "there is no bit 32"),
            ("bits = [3, 4]", "bits = []", "empty list"),
            ("bits = \"8-9\"", "bits = \"9-8\"", "no range of bits"),
            ("bits = \"8-9\"", "bits = [8, 9]", "range of bits"),
            ("at_least = 2", "at_least = 4", "up to 3, never 4"),
            ("at_least = 2", "at_least = 2, equals = 3", "both equals and at_least"),
            ("{ bits = [3, 4] }", "{ equals = 3 }", "is no rule"),
            ("swir = \"swir\"", "swir = 5", "gives only a number"),
            ("_{band}.tif", ".tif", "no {band} for it"),
            ("kind = \"mndwi\"", "kind = \"mndwi\"\nratio = [\"green\", \"swir\"]", "exactly one of kind"),
            ("kind = \"mndwi\"", "difference = [\"green\", \"green\"]", "with itself"),
            ("threshold = \"otsu\"", "threshold = 0.1", "both a fixed threshold and fixed"),
            (
                "files = \"scenes/",
                "items = \"none.json\"\nfiles = \"scenes/",
                "exactly one of files and items",
            ),
            ("# [hidden]", "[hidden]\nfile = \"none.tif\"\ncodes = []\n#", "hidden.codes is empty"),
            ("# [period]", "[period]\nfirst = \"2001-02\"\nlast = \"2001-01\"\n#", "back to 2001-01"),
            ("# [period]", "[period]\nfirst = \"2001\"\n#", "is not a month"),
            ("band = \"quality\"", "band = \"qualty\"", "did you mean \"quality\"?"),
            ("bounds = [-1800.0", "bounds = [1800.0", "the second must be larger"),
        ] {
            let text = said(before, after);
            assert!(text.contains(expected), "{before} ==> {after}\n{text}");
        }
    }

    #[test]
    fn rules_read_bits_as_numbers() {
        // bits 8 and 9 of 0b10_0000_0000 make 2
        let rule = Rule::Number { first: 8, width: 2, low: 2, high: 3 };
        assert!(rule.meets(0b10_0000_0000) && rule.meets(0b11_0000_0001) && !rule.meets(0b01_1111_1111));
        let whole = Rule::Number { first: 0, width: 32, low: u32::MAX, high: u32::MAX };
        assert!(whole.meets(-1) && !whole.meets(1));
        assert!(Rule::Any { mask: 1 << 31 }.meets(-5) && !Rule::Any { mask: 1 << 31 }.meets(5));
        assert!(Rule::Values(vec![8, 9]).meets(9) && !Rule::Values(vec![8, 9]).meets(10));
    }
}
