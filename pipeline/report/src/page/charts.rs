//! The charts of the page, each drawn for a wide and for a narrow screen.

use super::PageInput;
use crate::chart::{
    Svg, boyce_curve, drought_index, habitat_area, loss_breakdown, population_paths, response_curves,
};
use minijinja::Value;

/// Width of a chart beside a caption on a large screen, units.
const WIDE: f64 = 760.0;
/// Width on a telephone, units.
const NARROW: f64 = 318.0;

/// Charts as `{title, caption, wide, narrow}`; the pictures are markup marked as safe, since the
/// chart writer escapes every word.
pub(super) fn charts(input: &PageInput<'_>) -> Value {
    let mut charts = vec![chart(
        "Habitat area by scenario",
        "Hectares over the cells assessed in the baseline and in every scenario. Degraded habitat is \
         still habitat, but of lower suitability than in the baseline.",
        |width| habitat_area(&input.headline, width),
    )];
    for breakdown in input.losses.iter().filter(|breakdown| !breakdown.rows.is_empty()) {
        charts.push(chart(
            &breakdown.title,
            "Hectares of baseline habitat that are no habitat in the scenario, and their share of the \
             baseline habitat there.",
            |width| loss_breakdown(breakdown, &input.headline, width),
        ));
    }
    for drought in &input.droughts {
        let title = "Drought in the climate record";
        let title =
            if drought.place.is_empty() { title.to_string() } else { format!("{title}: {}", drought.place) };
        charts.push(chart(
            &title,
            "A drought opens at an index of -1 or lower and closes at 0 or higher. The index is shown \
             within -3.5 and 3.5.",
            |width| drought_index(drought, width),
        ));
    }
    if !input.curves.is_empty() {
        charts.push(chart(
            "Response curves",
            "How each measure becomes a score: 0 unsuitable, 1 as good as it gets. These curves are \
             settings of the study. The bars behind them show how often each measure occurs over the \
             compared cells of the baseline, their height by the square root so that what is rare \
             shows too; for classes the share of the cells stands beside the name.",
            |width| response_curves(&input.curves, width),
        ));
    }
    if let Some(boyce) = &input.boyce {
        charts.push(chart(
            "Records against suitability",
            "Share of the records over share of the ground, in a window a tenth of the scores wide that moves from low \
             to high suitability. 1: records as common as ground. In a model that ranks places rightly the line rises all the \
             way; the continuous Boyce index is 1 then, and 0 where records stand anywhere. Where records stand is \
             not shown on this page.",
            |width| boyce_curve(boyce, width),
        ));
    }
    if !input.population.is_empty() {
        charts.push(chart(
            "Population by scenario",
            "Animals older than hatchlings: median of the courses drawn, and the range from 5 to 95 % of them, at the best density; the \
             dashed line is the room that habitat has. Every rate behind it is a placeholder until a biologist who knows the animal sets \
             it, and no animal is to be released or moved on a model's word.",
            |width| population_paths(&input.population, width),
        ));
    }
    Value::from(charts)
}

fn chart(title: &str, caption: &str, draw: impl Fn(f64) -> Svg) -> Value {
    minijinja::context! {
        title => title,
        caption => caption,
        wide => Value::from_safe_string(draw(WIDE).inline()),
        narrow => Value::from_safe_string(draw(NARROW).inline()),
    }
}
