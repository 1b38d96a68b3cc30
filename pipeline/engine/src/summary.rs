//! What the summary of the report says beyond areas: what holds, what goes first, what is uncertain. All of it is read from the tables of the
//! run, so that the page says nothing that they do not.

use lentic_report::{Headline, HeadlineRow, SensitivityPanel, Table, Values, hectares, percent};

/// A table read by the names of its columns.
struct Rows<'a>(&'a Table);

impl<'a> Rows<'a> {
    fn of(tables: &'a [Table], name: &str) -> Option<Self> {
        tables.iter().find(|table| table.name == name).map(Rows)
    }

    fn all(&self) -> std::ops::Range<usize> {
        0..self.0.rows()
    }

    fn values(&self, column: &str) -> Option<&'a Values> {
        self.0.columns.iter().find(|of| of.name == column).map(|of| &of.values)
    }

    fn number(&self, column: &str, row: usize) -> Option<f64> {
        match self.values(column)? {
            Values::Real(cells) => cells.get(row).copied().flatten(),
            Values::Integer(cells) => cells.get(row).copied().flatten().map(|number| number as f64),
            Values::Text(_) => None,
        }
    }

    fn word(&self, column: &str, row: usize) -> Option<&'a str> {
        match self.values(column)? {
            Values::Text(cells) => cells.get(row)?.as_deref(),
            _ => None,
        }
    }
}

/// What lasts.
pub fn holds(headline: &Headline, tables: &[Table]) -> Vec<String> {
    [refuges(headline, tables), lasting_patches(tables), steadiest_zone(headline, tables)]
        .into_iter()
        .flatten()
        .collect()
}

/// What is lost first.
pub fn goes_first(headline: &Headline, tables: &[Table]) -> Vec<String> {
    [
        first_lost_patch(headline, tables),
        weakest_patches(tables),
        hardest_hit_zone(headline, tables),
        lost_patches(headline, tables),
    ]
    .into_iter()
    .flatten()
    .collect()
}

/// What is uncertain, of what the tables know.
pub fn uncertain(headline: &Headline, tables: &[Table], sensitivity: &[SensitivityPanel]) -> Vec<String> {
    let counts = sensitivity.first().and_then(|panel| {
        let told = panel.parts.iter().filter(|part| part.told);
        let most = told.max_by(|a, b| a.total[0].total_cmp(&b.total[0]))?;
        Some(format!(
            "Of what was varied, {} counts most for the {} (table sensitivity).",
            most.name,
            first_small(&panel.title)
        ))
    });
    [counts, novel(headline, tables)].into_iter().flatten().collect()
}

fn first_small(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_lowercase().chain(letters).collect())
}

/// The scenario that loses most, if any loses.
fn worst(headline: &Headline) -> Option<&HeadlineRow> {
    headline.rows.iter().filter(|row| row.lost_ha > 0.0).max_by(|a, b| a.lost_ha.total_cmp(&b.lost_ha))
}

fn title<'a>(headline: &'a Headline, scenario: &'a str) -> &'a str {
    headline.rows.iter().find(|row| row.scenario == scenario).map_or(scenario, |row| &row.title)
}

fn refuges(headline: &Headline, tables: &[Table]) -> Option<String> {
    let rows = Rows::of(tables, "refuges")?;
    let areas: Vec<f64> = rows.all().filter_map(|row| rows.number("area_ha", row)).collect();
    if headline.habitat_ha <= 0.0 {
        return None;
    }
    if areas.is_empty() {
        return Some(
            "No ground large enough for a patch stays habitat in every scenario (table refuges).".into(),
        );
    }
    let all: f64 = areas.iter().sum();
    let zone = rows.word("zone", 0).map_or_else(String::new, |zone| format!(" (zone {zone})"));
    Some(format!(
        "Habitat today and in every scenario: {} ha in {}, {} % of today's habitat; the largest is {} ha{zone} (table refuges).",
        hectares(all),
        counted(areas.len(), "refuge"),
        percent(100.0 * all / headline.habitat_ha),
        hectares(areas[0])
    ))
}

fn counted(count: usize, what: &str) -> String {
    let many = if what.ends_with('h') { "es" } else { "s" };
    format!("{count} {what}{}", if count == 1 { "" } else { many })
}

fn lasting_patches(tables: &[Table]) -> Option<String> {
    let rows = Rows::of(tables, "patch_margins")?;
    let lasting: Vec<usize> = rows
        .all()
        .filter(|row| rows.word("margin", *row).is_some_and(|word| word.starts_with("more than")))
        .collect();
    let count = rows.all().len();
    let first = lasting.first()?;
    Some(format!(
        "{} of today's {count} patches keep half their habitat at every step of drying looked at, {} (table patch_margins).",
        lasting.len(),
        rows.word("margin", *first)?.replacen("more than", "up to", 1)
    ))
}

/// The row of the zones in a scenario with the largest or smallest lost share.
fn zone(tables: &[Table], scenario: &str, least: bool) -> Option<(String, f64, f64)> {
    let rows = Rows::of(tables, "habitat_loss_by_zone")?;
    let mut found: Vec<(String, f64, f64)> = rows
        .all()
        .filter(|row| rows.word("scenario", *row) == Some(scenario))
        .filter_map(|row| {
            let name = rows.word("name", row)?.to_string();
            Some((name, rows.number("lost_percent", row)?, rows.number("baseline_ha", row)?))
        })
        .collect();
    if found.len() < 2 {
        return None;
    }
    found.sort_by(|a, b| a.1.total_cmp(&b.1));
    if least { found.first().cloned() } else { found.last().cloned() }
}

fn steadiest_zone(headline: &Headline, tables: &[Table]) -> Option<String> {
    let worst = worst(headline)?;
    let (name, lost, area) = zone(tables, &worst.scenario, true)?;
    (lost < 100.0).then(|| {
        format!(
            "Where most is lost (\"{}\"), the zone {name} keeps the largest share: {} % of {} ha (table habitat_loss_by_zone).",
            worst.title,
            percent(100.0 - lost),
            hectares(area)
        )
    })
}

/// The zone that loses the largest share of its habitat in the most scenarios.
fn hardest_hit_zone(headline: &Headline, tables: &[Table]) -> Option<String> {
    let losing = headline.rows.iter().filter(|row| row.lost_ha > 0.0);
    let hit: Vec<(String, f64, f64)> = losing
        .filter_map(|row| zone(tables, &row.scenario, false))
        .filter(|(_, lost, _)| *lost > 0.0)
        .collect();
    let times = |name: &str| hit.iter().filter(|(other, ..)| other == name).count();
    // of equals the first met; reversed, that is the last of the largest
    let (name, _, area) = hit.iter().rev().max_by_key(|(name, ..)| times(name))?;
    let most = hit.iter().filter(|(other, ..)| other == name).map(|(_, lost, _)| *lost).fold(0.0, f64::max);
    Some(format!(
        "The zone {name} loses the largest share of its habitat in {} of {}, up to {} % of its {} ha (table habitat_loss_by_zone).",
        times(name),
        counted(headline.rows.len(), "scenario"),
        percent(most),
        hectares(*area)
    ))
}

fn first_lost_patch(headline: &Headline, tables: &[Table]) -> Option<String> {
    let rows = Rows::of(tables, "patch_time_of_loss")?;
    let by = |row: &usize| rows.number("by", *row);
    let lost: Vec<usize> = rows.all().filter(|row| by(row).is_some()).collect();
    let Some(first) =
        lost.iter().copied().min_by(|a, b| by(a).unwrap_or(0.0).total_cmp(&by(b).unwrap_or(0.0)))
    else {
        return Some("On the way of no scenario does a patch lose half its habitat before the horizon (table patch_time_of_loss).".into());
    };
    Some(format!(
        "The first patch to lose half its habitat is patch {} ({} ha), between {} and {} under \"{}\" (table patch_time_of_loss).",
        rows.number("patch", first)?,
        hectares(rows.number("area_ha", first)?),
        rows.number("after", first)?,
        rows.number("by", first)?,
        title(headline, rows.word("scenario", first)?)
    ))
}

fn weakest_patches(tables: &[Table]) -> Option<String> {
    let rows = Rows::of(tables, "patch_margins")?;
    let step = rows
        .0
        .columns
        .iter()
        .find(|column| column.name.ends_with("_percent") || column.name.ends_with("_m"))?;
    let at = |row: usize| rows.number(&step.name, row);
    let least = rows.all().filter_map(at).min_by(f64::total_cmp)?;
    let first: Vec<usize> = rows.all().filter(|row| at(*row) == Some(least)).collect();
    let named: Vec<String> = first
        .iter()
        .take(5)
        .filter_map(|row| rows.number("patch", *row))
        .map(|patch| patch.to_string())
        .collect();
    let more = first.len().saturating_sub(5);
    let more = if more > 0 { format!(" and {more} more") } else { String::new() };
    let (patches, give) = if first.len() == 1 { ("Patch", "gives") } else { ("Patches", "give") };
    Some(format!(
        "{patches} {}{more} {give} way first as it dries: at {} less than half is left (table patch_margins).",
        named.join(", "),
        rows.word("margin", first[0])?
    ))
}

fn lost_patches(headline: &Headline, tables: &[Table]) -> Option<String> {
    let worst = worst(headline)?;
    let rows = Rows::of(tables, "patch_fates")?;
    let of: Vec<usize> =
        rows.all().filter(|row| rows.word("scenario", *row) == Some(&worst.scenario)).collect();
    let lost = of.iter().filter(|row| rows.word("fate", **row) == Some("lost")).count();
    (!of.is_empty()).then(|| {
        format!(
            "Where most is lost (\"{}\"), {lost} of {} are gone altogether (table patch_fates).",
            worst.title,
            counted(of.len(), "patch")
        )
    })
}

fn novel(headline: &Headline, tables: &[Table]) -> Option<String> {
    let rows = Rows::of(tables, "novelty")?;
    let any = rows.all().filter(|row| rows.word("variable", *row) == Some("any"));
    let (row, share) = any
        .filter_map(|row| Some((row, rows.number("habitat_outside_percent", row)?)))
        .max_by(|a, b| a.1.total_cmp(&b.1))?;
    let scenario = rows.word("scenario", row)?;
    let scenario = if scenario == "baseline" {
        "the baseline".into()
    } else {
        format!("\"{}\"", title(headline, scenario))
    };
    Some(format!(
        "Up to {} % of the habitat (in {scenario}) lies beyond the conditions at the records, where no record tests it (table novelty).",
        percent(share)
    ))
}

#[cfg(test)]
mod tests;
