//! The charts of a report, for the page and for the folder of figures.

use super::PageInput;
use super::numbers::Numbers;
use crate::chart::{
    Svg, boyce_curve, drought_index, drying_ladder, habitat_area, habitat_by_year, loss_breakdown,
    population_paths, response_curves, response_surface, sensitivity,
};
use minijinja::Value;

/// Width of a chart beside a caption on a large screen, units.
const WIDE: f64 = 760.0;
/// Width on a telephone, units.
const NARROW: f64 = 318.0;

/// A chart with its words.
pub(crate) struct Chart<'a> {
    /// Name of its files.
    pub name: String,
    pub title: String,
    pub caption: String,
    /// Draws it as wide as asked.
    pub draw: Box<dyn Fn(f64) -> Svg + Send + Sync + 'a>,
}

/// All charts that have something to show, in the order of the page.
pub(crate) fn charts<'a>(input: &'a PageInput<'_>) -> Vec<Chart<'a>> {
    let mut charts = vec![chart(
        "habitat_area",
        "Habitat area by scenario",
        "Hectares over the cells assessed in the baseline and in every scenario. Degraded habitat is \
         still habitat, but of lower suitability than in the baseline.",
        move |width| habitat_area(&input.headline, width),
    )];
    for breakdown in input.losses.iter().filter(|breakdown| !breakdown.rows.is_empty()) {
        charts.push(chart(
            &format!("loss_by_{}", plain(&breakdown.name)),
            &breakdown.title,
            "Hectares of baseline habitat that are no habitat in the scenario, and their share of the \
             baseline habitat there.",
            move |width| loss_breakdown(breakdown, &input.headline, width),
        ));
    }
    if let Some(ladder) = &input.ladder {
        charts.push(chart(
            "drying_ladder",
            "Habitat under steps of drying",
            "Each step changes this one thing and leaves all else as it is today. Habitat that is none today may come, \
             where water grows shallower; the second line, where it shows, is what stays of today's.",
            move |width| drying_ladder(ladder, width),
        ));
    }
    if let Some(surface) = &input.surface {
        charts.push(chart(
            "response_surface",
            "Habitat area over rain and warmth",
            "Each cell changes precipitation and temperature alike in all months, and nothing else. A scenario with \
             the same change in all months is marked where its climate lies; what else it changes does not show here.",
            move |width| response_surface(surface, width),
        ));
    }
    if !input.sensitivity.is_empty() {
        charts.push(chart(
            "sensitivity",
            "What counts most among the uncertain",
            "Share of the variance of each number that a part of the uncertainty makes by itself, and in which it has any hand \
             (Sobol indices). A bar not longer than its interval is wide cannot be told from nothing. To know a number better, \
             mend what counts most first.",
            move |width| sensitivity(&input.sensitivity, width),
        ));
    }
    if let Some(found) = &input.over_time {
        charts.push(chart(
            "habitat_by_year",
            "Habitat by year",
            "Dots: habitat by the water seen in a single year, depth held as usual. Lines: scenarios whose change \
             grows evenly from the end of the baseline to their horizon; they are means over many years, so that \
             single years to come will scatter about them as those of the past do. Upright bars: the middle 90 % of the members, today and at the horizon.",
            move |width| habitat_by_year(found, width),
        ));
    }
    for drought in &input.droughts {
        let of = if drought.id.is_empty() { String::new() } else { format!("_{}", plain(&drought.id)) };
        let title = "Drought in the climate record";
        let title =
            if drought.place.is_empty() { title.to_string() } else { format!("{title}: {}", drought.place) };
        charts.push(chart(
            &format!("drought_index{of}"),
            &title,
            "A drought opens at an index of -1 or lower and closes at 0 or higher. The index is shown \
             within -3.5 and 3.5.",
            move |width| drought_index(drought, width),
        ));
    }
    if !input.curves.is_empty() {
        charts.push(chart(
            "response_curves",
            "Response curves",
            "How each measure becomes a score: 0 unsuitable, 1 as good as it gets. These curves are \
             settings of the study. The bars behind them show how often each measure occurs over the \
             compared cells of the baseline, their height by the square root so that what is rare \
             shows too; for classes the share of the cells stands beside the name.",
            move |width| response_curves(&input.curves, width),
        ));
    }
    if let Some(boyce) = &input.boyce {
        charts.push(chart(
            "boyce_curve",
            "Records against suitability",
            "Share of the records over share of the ground, in a window a tenth of the scores wide that moves from low \
             to high suitability. 1: records as common as ground. In a model that ranks places rightly the line rises all the \
             way; the continuous Boyce index is 1 then, and 0 where records stand anywhere. Where records stand is \
             not shown on this page.",
            move |width| boyce_curve(boyce, width),
        ));
    }
    if !input.population.is_empty() {
        charts.push(chart(
            "population",
            "Population by scenario",
            "Animals older than hatchlings: median of the courses drawn, and the range from 5 to 95 % of them, at the best density; the \
             dashed line is the room that habitat has. Every rate behind it is a placeholder until a biologist who knows the animal sets \
             it, and no animal is to be released or moved on a model's word.",
            move |width| population_paths(&input.population, width),
        ));
    }
    charts
}

/// Charts as `{number, name, title, caption, table, table_number, wide, narrow}`; the pictures are markup marked as safe, since the
/// chart writer escapes every word.
pub(super) fn view(charts: &[Chart<'_>], numbers: &Numbers) -> Value {
    let one = |chart: &Chart<'_>| {
        let table = table_of(&chart.name);
        minijinja::context! {
            number => numbers.figures.get(&chart.name),
            name => chart.name.clone(),
            title => chart.title.clone(),
            caption => chart.caption.clone(),
            table_number => numbers.tables.get(&table),
            table => table,
            wide => Value::from_safe_string((chart.draw)(WIDE).inline()),
            narrow => Value::from_safe_string((chart.draw)(NARROW).inline()),
        }
    };
    charts.iter().map(one).collect()
}

/// Name of the table that holds the numbers of a chart.
fn table_of(name: &str) -> String {
    match name {
        "drying_ladder" => "drying_margin".into(),
        "response_curves" => "weights".into(),
        "population" => "population_by_year".into(),
        name if name.starts_with("drought_index") => "drought_index".into(),
        name => {
            name.strip_prefix("loss_by_").map_or_else(|| name.into(), |of| format!("habitat_loss_by_{of}"))
        }
    }
}

fn chart<'a>(
    name: &str,
    title: &str,
    caption: &str,
    draw: impl Fn(f64) -> Svg + Send + Sync + 'a,
) -> Chart<'a> {
    Chart { name: name.into(), title: title.into(), caption: caption.into(), draw: Box::new(draw) }
}

/// A word as part of a file name: other characters than letters, digits, `_` and `-` become `_`.
fn plain(word: &str) -> String {
    word.chars().map(|c| if c.is_ascii_alphanumeric() || matches!(c, '_' | '-') { c } else { '_' }).collect()
}
