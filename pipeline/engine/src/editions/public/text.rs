//! The words of a public edition: its mark, how places were generalised, and which words of the run must not be passed on.

use super::cells::words;
use super::choice::Choice;
use crate::editions::kept::KeptRun;
use lentic_numerics::generalise::radius;
use lentic_report::{MethodNote, ProtocolPart, PublicationRecord};
use std::collections::BTreeSet;

/// Where the steps come from.
const SOURCE: &str = "Chapman 2020, Current Best Practices for Generalizing Sensitive Species Occurrence Data, doi 10.15468/doc-5jp4-5g10";
/// Things with numbers by which a place could be known.
const NUMBERED: [&str; 4] = ["patch", "patches", "pool", "pools"];

/// What stands on every page of a public edition.
pub fn mark(cell_m: Option<f64>) -> String {
    match cell_m {
        Some(cell_m) => format!("Public edition: places generalised to {}", length(cell_m)),
        None => "Public edition: no place is told".into(),
    }
}

fn length(metres: f64) -> String {
    if metres >= 1000.0 { format!("{} km", metres / 1000.0) } else { format!("{metres} m") }
}

/// The note on the page.
pub fn method(told: &[String]) -> MethodNote {
    MethodNote::new(ProtocolPart::Data, "How places were generalised", told.join("\n\n"))
}

/// What was done to places.
pub struct Told<'a> {
    /// The steps taken.
    pub steps: PublicationRecord,
    /// Patches shown.
    pub choice: &'a Choice,
    /// Zones withheld.
    pub zones: usize,
    /// Tables left out.
    pub left_out: &'a [String],
    /// Whether no public cell lies far enough inside the study area to be shown.
    pub too_small: bool,
}

impl Told<'_> {
    /// In sentences.
    pub fn sentences(&self) -> Vec<String> {
        let least = self.steps.withhold_under_ha;
        let mut all = match self.steps.cell_m {
            Some(cell_m) => vec![
                format!(
                    "Places are told by squares of {} from the origin of the reference system, so that their edges tell nothing finer; nothing is moved at random ({SOURCE}). \
                     The middle of a square is known to within {:.0} m.",
                    length(cell_m),
                    radius(cell_m, cell_m).ceil()
                ),
                "Rasters and maps: the share of each class, or the mean, over the cells of the run that lie in a square, rounded to hundredths. A square is left empty \
                 where less than half of it lies inside the study area, or less than half of that is assessed."
                    .to_string(),
                "Patches: the square their centroid lies in, areas and measures to two figures. Outlines, edges, distances, ways and groups are left out.".to_string(),
            ],
            None => vec![format!(
                "No place is told: rasters, maps, patches and zones are left out, numbers of the whole study area are kept ({SOURCE}, category 1)."
            )],
        };
        if self.too_small {
            all.push(
                "No square lies far enough inside the study area, so there are neither rasters nor maps."
                    .into(),
            );
        }
        if self.steps.cell_m.is_some() && least > 0.0 {
            let baseline = self.choice.withheld.get("baseline").copied().unwrap_or_default();
            let today = match baseline.patches {
                0 => "Of today's patches none is withheld.".to_string(),
                1 | 2 => "Of today's patches fewer than three are withheld, which are all.".to_string(),
                n => format!("Of today's patches {n} are withheld, with {:.1} ha in all.", baseline.area_ha),
            };
            all.push(format!(
                "Patches under {least} ha are withheld, and never fewer than three together, so that none follows from the sums; so is habitat too small to be a patch. Its cells are left out of \
                 the rasters of habitat, so that a square with no other habitat shows none. {today} Sums over the whole study area have them."
            ));
        }
        if self.zones > 0 && self.steps.cell_m.is_some() {
            all.push(format!(
                "{} zone(s) smaller than a square, or needed to hide one that is, are left out of tables and charts.",
                self.zones
            ));
        }
        if !self.left_out.is_empty() {
            all.push(format!("Tables left out: {}.", self.left_out.join(", ")));
        }
        all.push(
            "Records of the animal, their places and identifiers, the study file, names and checksums of the input files are in no file of this edition. What may be published is for local rules \
             and the owners of the data to decide; this edition only follows the settings of the study."
                .into(),
        );
        all
    }
}

/// Words of the run that lead to a place or to a file.
pub struct Telltale(Vec<String>);

impl Telltale {
    /// Those of a run: files it read, zones that are withheld, names of pools.
    pub fn of(kept: &KeptRun, zones: &BTreeSet<String>) -> Self {
        let record = &kept.record;
        let mut all: BTreeSet<String> = zones.clone();
        all.insert(record.study.path.clone());
        for input in &record.inputs {
            all.insert(input.file.clone());
            all.insert(input.file.rsplit('/').next().unwrap_or_default().to_string());
            // an address may stand without its scheme, or as its server alone
            if let Some((_, rest)) = input.file.split_once("://") {
                all.extend(rest.split('/').next().map(str::to_string));
            }
        }
        for table in kept
            .tables
            .iter()
            .filter(|table| ["volume", "drawdown_curves", "pool_levels"].contains(&table.name.as_str()))
        {
            all.extend(words(table, "name").into_iter().flatten());
        }
        // a word of a letter or two is in every sentence
        Telltale(all.into_iter().filter(|word| word.chars().count() > 2).collect())
    }

    /// Whether a text holds one of them, or a patch or pool by its number.
    pub fn is_in(&self, text: &str) -> bool {
        let numbered = || {
            let mut before = "";
            text.split(|c: char| !c.is_alphanumeric()).filter(|word| !word.is_empty()).any(|word| {
                let found = NUMBERED.contains(&before.to_lowercase().as_str())
                    && word.chars().all(|c| c.is_ascii_digit());
                before = word;
                found
            })
        };
        self.0.iter().any(|word| text.contains(word.as_str())) || numbered()
    }

    /// The texts without those that hold one.
    pub fn without(&self, texts: &[String]) -> Vec<String> {
        texts.iter().filter(|text| !self.is_in(text)).cloned().collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_that_lead_to_a_place_are_known() {
        let telltale = Telltale(vec!["layers/ground.tif".into(), "Spring line".into()]);
        for told in [
            "study.toml, layers/ground.tif: odd",
            "Most is lost in Spring line.",
            "the drying of patch 3 would cost most",
            "Pools 7 and 9 dry first",
        ] {
            assert!(telltale.is_in(told), "{told}");
        }
        for plain in
            ["53 % of the usual wet area", "The patch is small", "patches: 3 of them", "in pool and marsh"]
        {
            let expected = plain == "patches: 3 of them";
            assert_eq!(telltale.is_in(plain), expected, "{plain}");
        }
    }

    #[test]
    fn marks_say_how_far() {
        assert_eq!(mark(Some(10_000.0)), "Public edition: places generalised to 10 km");
        assert_eq!(mark(Some(250.0)), "Public edition: places generalised to 250 m");
        assert_eq!(mark(None), "Public edition: no place is told");
    }
}
