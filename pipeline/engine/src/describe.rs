//! The words of the report that follow from the settings used: methods, cautions, how to cite.

use crate::check::Checked;
use lentic_report::MethodNote;
use lentic_study::Study;
use lentic_study::settings::{Combine, Drawdown, Driver, IndexKind, Measure, Scenario, ZeroRule};

fn note(title: &str, text: String) -> MethodNote {
    MethodNote { title: title.into(), text }
}

fn rule(combine: Combine) -> &'static str {
    match combine {
        Combine::ArithmeticMean => "weighted arithmetic mean",
        Combine::GeometricMean => "weighted geometric mean",
        Combine::Minimum => "lowest score",
        Combine::Product => "product",
    }
}

/// What was done, from the settings.
pub fn methods(checked: &Checked) -> Vec<MethodNote> {
    let study = &checked.study;
    let water = &study.inundation;
    let (first, last) = study.period.baseline;
    let (from, to) = study.period.reference;
    let mut notes = vec![note(
        "Water history",
        format!(
            "Monthly surface water from {first} to {last}. Hydroperiod is the sum over calendar months of the share of observed months that are wet, so that months hidden by cloud do \
             not shorten it. A cell needs {} observed months in at least {} calendar months; others are not assessed. Trends of the yearly hydroperiod: Theil-Sen slope, \
             Mann-Kendall test with correction for ties.",
            water.minimum_months, water.minimum_calendar_months
        ),
    )];
    if let Some(climate) = &study.climate {
        let zero = match climate.zero {
            ZeroRule::Centre => "half the share of dry sums",
            ZeroRule::Mass => "the whole share of dry sums",
        };
        let (name, how) = match climate.index {
            IndexKind::Spi => (
                "SPI",
                format!("precipitation sums, gamma distribution by maximum likelihood (McKee et al. 1993), a sum of zero reading as {zero}"),
            ),
            IndexKind::Spei => (
                "SPEI",
                "sums of precipitation minus potential evapotranspiration (Thornthwaite 1948), three-parameter log-logistic distribution by unbiased probability-weighted moments \
                 (Vicente-Serrano et al. 2010; Begueria et al. 2014). Evapotranspiration from temperature alone can overstate drying under strong warming"
                    .to_string(),
            ),
        };
        notes.push(note(
            "Drought index",
            format!(
                "{name} over {} months: {how}. Fitted per calendar month on {from} to {to}; scenarios are read by the same parameters. Shown values are limited to -3.5 to 3.5; the response uses \
                 values continued linearly beyond -2.5 and 2.5. Droughts by run theory (Yevjevich 1967).",
                climate.months
            ),
        ));
    }
    let driver = match water.driver {
        Driver::Index => "logit p = a + b z + c sin(2 pi m/12) + d cos(2 pi m/12), z the drought index",
        Driver::Season => {
            "logit p = a + c sin(2 pi m/12) + d cos(2 pi m/12); the record is not linked to climate in this study"
        }
    };
    let g = match water.logits_per_metre {
        Some(g) => format!("g being set by the study to {g} logits per metre"),
        None => "g being read off how fitted intercepts fall with ground elevation".into(),
    };
    notes.push(note(
        "Response of water",
        format!(
            "The probability p that a cell is wet in a month: {driver}, m the calendar month. Fitted per cell by penalised maximum likelihood; the priors of a response group are \
             medians of fits of its single cells; months are down-weighted for their serial dependence; b is not allowed below 0. The modelled baseline and every scenario use the same formula, and \
             loss is scenario minus modelled baseline. A falling water table by h metres lowers logit p by g h, {g}."
        ),
    ));
    if water.driver == Driver::Index {
        notes.push(note(
            "How well water is predicted",
            "Each year is predicted from the others, leaving out as many years either side as the index is long, and compared with calendar-month means of the same years (Brier score, area under \
             the ROC curve, reliability by tenths). The drier half of the years is predicted from the wetter half. A trend of observed minus modelled hydroperiod is what climate does not explain."
                .into(),
        ));
    }
    let mut text = format!("Suitability is the {} of these requisites.", rule(study.suitability.combine));
    for requisite in &study.requisites {
        let variables: Vec<String> =
            requisite.variables.iter().map(|v| format!("{} ({:.3})", v.name, v.weight)).collect();
        text.push_str(&format!(
            "\n\n{} (weight {:.3}): {} of {}.",
            requisite.name,
            requisite.weight,
            rule(requisite.combine),
            variables.join(", ")
        ));
        let other =
            requisite.near.as_ref().and_then(|near| Some((near, study.requisites.get(near.requisite)?)));
        if let Some((near, other)) = other {
            let beyond =
                if near.curve.is_some() { "by a curve of the distance to" } else { "only within reach of" };
            text.push_str(&format!(
                " It counts {beyond} a cell that scores {} or more for {}, at most {} m away.",
                near.at_least, other.name, near.within_m
            ));
        }
        if let Some(ratio) = requisite.consistency_ratio {
            text.push_str(&format!(
                " Weights from pairwise comparison, consistency ratio {ratio:.3} (Saaty 1980)."
            ));
        }
    }
    text.push_str(&format!("\n\nHabitat is suitability of {} or more.", study.suitability.threshold));
    if !study.suitability.barriers.is_empty() {
        text.push_str(&format!(" Barriers set it to 0: {}.", study.suitability.barriers.join(", ")));
    }
    notes.push(note("Suitability and habitat", text));
    notes.extend(years_note(study));
    if study.variables().any(|(_, v)| matches!(v.measure, Measure::WaterQuality(_))) {
        notes.push(note(
            "Water quality",
            "What is dissolved in a pool is taken to grow denser as the pool shrinks: concentration = today's x min(V0 / V, 10), V the pool's volume in the scenario and V0 in the baseline. Nothing is \
             flushed out, taken up or blown away, so that this is how dense it may become, not what will be measured."
                .into(),
        ));
    }
    let joined = if study.patches.corners_join { "sides and corners" } else { "sides" };
    notes.push(note(
        "Patches",
        format!(
            "Habitat cells joined by their {joined}, of at least {} ha. {}",
            study.patches.minimum_ha,
            if study.patches.edge_m > 0.0 {
                format!("Core lies farther than {} m from non-habitat.", study.patches.edge_m)
            } else {
                "No edge depth is set, so no core is reported.".to_string()
            }
        ),
    ));
    let scenarios: Vec<String> = study.scenarios.iter().map(scenario_text).collect();
    notes.push(note("Scenarios", scenarios.join("\n\n")));
    notes
}

/// How years are looked at one by one, where some variable does.
fn years_note(study: &Study) -> Option<MethodNote> {
    study.yearly_variables().next()?;
    Some(note(
        "Years one by one",
        format!(
            "The longest wet spell, the wet and warm months and the share of years with a spell are counted in single years, drawn {} times from the modelled probability of water with the dependence between a \
             month and the next that the residuals of the response group show. Scores are those of the single years, averaged. All scenarios use the same draws, so that they differ only by what they change.",
            study.inundation.realisations
        ),
    ))
}

/// One line on what a scenario changes.
pub fn scenario_text(scenario: &Scenario) -> String {
    let mut parts = Vec::new();
    let factors = scenario.precipitation_factor;
    let even = |values: &[f64; 12]| values.iter().all(|v| *v == values[0]);
    if factors.iter().any(|f| *f != 1.0) {
        parts.push(if even(&factors) {
            format!("precipitation {:+.0} %", 100.0 * (factors[0] - 1.0))
        } else {
            let months: Vec<String> = factors.iter().map(|f| format!("{:+.0}", 100.0 * (f - 1.0))).collect();
            format!("precipitation by month (percent) {}", months.join(", "))
        });
    }
    let warmer = scenario.temperature_c;
    if warmer.iter().any(|t| *t != 0.0) {
        parts.push(if even(&warmer) {
            format!("temperature {:+} degrees C", warmer[0])
        } else {
            let months: Vec<String> = warmer.iter().map(|t| format!("{t:+}")).collect();
            format!("temperature by month (degrees C) {}", months.join(", "))
        });
    }
    match &scenario.drawdown {
        Drawdown::None => {}
        Drawdown::Everywhere(h) if *h < 0.0 => parts.push(format!("water table {} m higher", -h)),
        Drawdown::Everywhere(h) => parts.push(format!("water table {h} m lower")),
        Drawdown::ByZone(by) => {
            let zones: Vec<String> = by.iter().map(|(zone, h)| format!("zone {zone}: {h} m")).collect();
            parts.push(format!("fall of the water table by zone ({})", zones.join(", ")));
        }
        Drawdown::Layer(name) => parts.push(format!("fall of the water table by layer \"{name}\"")),
    }
    if scenario.drawdown_replaces_climate {
        parts.push("which stands in place of the response to climate".into());
    }
    if let Some(layer) = &scenario.land_cover {
        parts.push(format!("land cover of layer \"{layer}\""));
    }
    for (layer, factor) in &scenario.water_quality {
        parts.push(format!("concentrations of layer \"{layer}\" times {factor}"));
    }
    let horizon = scenario.horizon.map_or_else(String::new, |year| format!(" by {year}"));
    format!("{}{horizon}: {}.", scenario.title, parts.join(", "))
}

/// Cautions that go with every report (common practice in conservation work).
pub fn cautions() -> Vec<String> {
    [
        "Locations of a rare turtle are sensitive: maps, patch tables and coordinates can guide collectors. Generalise or withhold them before sharing, and follow local rules on sensitive records.",
        "Handling, trapping or marking animals needs the permits of the country and the site; ground-truthing visits too where access is regulated.",
        "Do not disturb overwintering or nesting animals to check a map; leave sediment, banks and vegetation as they are.",
        "Boots, nets and boats carry disease and invasive species between pools: clean, disinfect and dry between sites.",
        "A cell that a model calls suitable is no ground to release or move animals; translocation follows published guidelines and local law.",
        "Whether and how threatened a species or ecosystem is, is for the assessors to judge; this report gives evidence, not a category.",
        "Decisions on water (abstraction, drainage, releases) are for licensed hydrologists and the authorities; the response of water here is statistical, not a groundwater model.",
        "Suitability describes where conditions fit, not where animals are. Curves, weights and thresholds are expert judgement until records test them.",
    ]
    .map(String::from)
    .to_vec()
}

/// How to cite a run.
pub fn citation(study: &Study, run_id: &str, date: &str, version: &str) -> String {
    let year = date.get(..4).unwrap_or("");
    let contact =
        if study.contact.is_empty() { String::new() } else { format!(" Contact: {}.", study.contact) };
    format!(
        "{} ({year}): wetland habitat and its loss under drying. Run {run_id} of {date}, computed with lentic {version}.{contact}",
        study.name
    )
}
