//! The words of the report that follow from the settings used: methods, cautions, how to cite.

use crate::check::Checked;
use crate::climates::Climates;
use lentic_habitat::calibration::Calibration;
use lentic_habitat::climate::{Evapotranspiration, replay};
use lentic_report::{CITED_DIGITS, MethodNote, ProtocolPart as Part, RunRecord};
use lentic_study::Study;
use lentic_study::settings::{
    AnomalyScale, Climate, Combine, Crossing, Drawdown, Driver, IndexKind, Measure, PatchWeight, Records,
    Role, Scenario, Supply, Uncertainty, ZeroRule,
};

fn note(part: Part, title: &str, text: String) -> MethodNote {
    MethodNote::new(part, title, text)
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
pub fn methods(checked: &Checked, climates: &Climates) -> Vec<MethodNote> {
    let study = &checked.study;
    let water = &study.inundation;
    let (first, last) = study.period.baseline;
    let mut notes = vec![note(
        Part::Data, "Water history",
        format!(
            "Monthly surface water from {first} to {last}. Hydroperiod is the sum over calendar months of the share of observed months that are wet, so that months hidden by cloud do \
             not shorten it. A cell needs {} observed months in at least {} calendar months; others are not assessed. Trends of the yearly hydroperiod: Theil-Sen slope (Sen 1968), \
             Mann-Kendall test with correction for ties (Mann 1945; Kendall 1975).",
            water.minimum_months, water.minimum_calendar_months
        ),
    )
    .formula("hydroperiod = Σₘ rₘ,  rₘ = wet months / observed months of calendar month m")];
    if let Some(climate) = &study.climate {
        notes.push(note(Part::Data, "Drought index", index_text(study, climate, climates)));
    }
    let driver = match water.driver {
        Driver::Index => "by season and drought index z",
        Driver::Season => "by season; the record is not linked to climate in this study",
    };
    let g = match water.logits_per_metre {
        Some(g) => format!("g being set by the study to {g} logits per metre"),
        None => "g being read off how fitted intercepts fall with ground elevation".into(),
    };
    // a stated g holds in every cell
    let curve = match water.logits_per_metre {
        None if study.layer_with(Role::Pools).is_some() => {
            "; in a pool with 30 cells seen wet or more, a cell answers instead as ground h higher in its pool does now"
        }
        _ => "",
    };
    let mut response = note(
        Part::Model,
        "Response of water",
        format!(
            "The probability p that a cell is wet in month m of the calendar is modelled {driver}. Fitted per cell by penalised maximum likelihood; the priors of a response group are \
             medians of fits of its single cells; months are down-weighted for their serial dependence; b is not allowed below 0. The modelled baseline and every scenario use the same formula, and \
             loss is scenario minus modelled baseline. A water table that falls by h metres lowers logit p by g h, {g}{curve}."
        ),
    );
    response.formulas = match water.driver {
        Driver::Index => vec!["logit p = a + b z + c sin(2πm/12) + d cos(2πm/12)".into()],
        Driver::Season => vec!["logit p = a + c sin(2πm/12) + d cos(2πm/12)".into()],
    };
    if study.scenarios.iter().any(|scenario| scenario.drawdown != Drawdown::None) {
        response.formulas.push("logit p′ = logit p − g h".into());
    }
    response
        .formulas
        .push("expected hydroperiod = Σₘ mean of p over the design months of calendar month m".into());
    notes.push(response);
    if !climates.levels().is_empty() {
        let mut levels = note(
            Part::Model,
            "Levels of pools",
            format!(
                "In {} pools z is the level of the pool, from a balance of its water: rain and evaporation over the area under water, seepage, runoff of the soil around (Thornthwaite and Mather 1955) and a steady \
                 inflow, spilling at the brim. Its five rates are fitted by non-negative least squares to the levels that the water record shows. A pool answers to its level only where the deviance of years left out \
                 is at most two thirds of the drought index's (table pool_levels). A steady inflow is held steady in every climate.",
                climates.levels().len()
            ),
        );
        levels.formulas = vec!["dV = A(V) (r P − e PET − s) + q Q + i".into()];
        notes.push(levels);
    }
    if water.driver == Driver::Index {
        notes.push(note(
            Part::Assessment, "How well water is predicted",
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
    if let Some(rule) = study.suitability.threshold_rule {
        text.push_str(&format!(" The records set that: {} (table thresholds).", rule.words()));
    }
    if !study.suitability.barriers.is_empty() {
        text.push_str(&format!(" Barriers set it to 0: {}.", study.suitability.barriers.join(", ")));
    }
    notes.push(crate::formulas::of_suitability(study, note(Part::Model, "Suitability and habitat", text)));
    notes.extend(years_note(study));
    if study.variables().any(|(_, v)| matches!(v.measure, Measure::WaterQuality(_))) {
        notes.push(note(
            Part::Model, "Water quality",
            "What is dissolved in a pool is taken to grow denser as the pool shrinks: concentration = today's x min(V0 / V, 10), V the pool's volume in the scenario and V0 in the baseline. Nothing is \
             flushed out, taken up or blown away, so that this is how dense it may become, not what will be measured."
                .into(),
        )
        .formula("concentration = today's × min(V₀ / V, 10)"));
    }
    let joined = if study.patches.corners_join { "sides and corners" } else { "sides" };
    notes.push(note(
        Part::Model,
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
    notes.extend(study.patches.crossing.as_ref().map(crossing_note));
    notes.extend(study.records.as_ref().map(records_note));
    notes.extend(study.uncertainty.as_ref().map(|uncertainty| uncertainty_note(uncertainty, study)));
    notes.extend(costs_note(study));
    let scenarios: Vec<String> = study.scenarios.iter().map(scenario_text).collect();
    notes.push(note(Part::Prediction, "Scenarios", scenarios.join("\n\n")));
    notes
}

/// How connection was computed.
fn crossing_note(crossing: &Crossing) -> MethodNote {
    let named = |factor: &f64| if factor.is_finite() { factor.to_string() } else { "impassable".into() };
    let classes: Vec<String> =
        crossing.resistance.iter().map(|(code, factor)| format!("{code}: {}", named(factor))).collect();
    let barriers: Vec<String> =
        crossing.barriers.iter().map(|(name, factor)| format!("{name}: {}", named(factor))).collect();
    let over = if barriers.is_empty() { String::new() } else { format!("; {}", barriers.join(", ")) };
    let weight = match crossing.weight {
        PatchWeight::Area => "its area",
        PatchWeight::AreaTimesSuitability => "its area times its mean suitability",
    };
    note(
        Part::Model, "Connection",
        format!(
            "Least-cost ways between patches over the resistance of layer \"{}\" ({}{over}); a step costs its length times the mean resistance of its two cells. A way of cost d is taken with \
             probability p(d), 0.5 at {} m, 0 beyond {} m; between two patches counts the largest product over ways by other patches. A patch counts for {weight}. Probability of connectivity, \
             equivalent connected area and shares by removal: Saura and Pascual-Hortal 2007, Saura and Rubio 2010, Saura et al. 2011; effective mesh size: Jaeger 2000. Resistance and distances \
             are expert judgement: no way was seen to be used.",
            crossing.layer,
            classes.join(", "),
            crossing.effective_m,
            crossing.limit_m
        ),
    )
    .formula("p(d) = exp(−k d)")
    .formula("probability of connectivity = Σᵢ Σⱼ aᵢ aⱼ p*ᵢⱼ / A²;  equivalent connected area = √(Σᵢ Σⱼ aᵢ aⱼ p*ᵢⱼ)")
}

/// What the study asks of the costs of drying, and how it is found.
fn costs_note(study: &Study) -> Option<MethodNote> {
    let mut parts = Vec::new();
    if let Some(ladder) = &study.drying_ladder {
        parts.push(format!(
            "Drying ladder: {} by steps up to {} {}, each a scenario of its own that changes nothing else. The margin of a cell is the first step at which it is no habitat, that of a patch the first at \
             which less than half of its footprint is; what is habitat at every step has a margin of more than the last, which is no number.",
            ladder.in_words(),
            ladder.steps().last().copied().unwrap_or_default(),
            ladder.unit()
        ));
    }
    if study.response_surface.is_some() {
        parts.push(
            "Response surface: precipitation and temperature changed alike in all months, whatever scenario brings them (after Prudhomme et al. 2010, Brown et al. 2012)."
                .to_string(),
        );
    }
    if let Some(every) = study.over_time_years {
        parts.push(format!(
            "Habitat by year: the past by the water seen in each single year, depth held as usual; scenarios in the share of their change that has come about, growing evenly from the end of the baseline to their horizon, \
             looked at every {every} years. The time of loss is the span between two of these times; no uncertainty is in it."
        ));
    }
    if let Some(wanted) = &study.water_requirement {
        let what = match &wanted.supply {
            Supply::Rise(_) => "a rise of the water table",
            Supply::Rain(_) => "more rain, in percent of today's,",
        };
        parts.push(format!(
            "Water requirement: {what} by steps on top of {}, everywhere at once; a lost cell needs the least step at which it is habitat again. Volumes are water standing more at a time when there is water, not water to be let in.",
            wanted.scenarios.join(", ")
        ));
    }
    (!parts.is_empty()).then(|| note(Part::Prediction, "What drying costs", parts.join("\n\n")))
}

/// Where the climate comes from and how its index is made.
fn index_text(study: &Study, climate: &Climate, climates: &Climates) -> String {
    let (from, to) = study.period.reference;
    let zero = match climate.zero {
        ZeroRule::Centre => "half the share of dry sums",
        ZeroRule::Mass => "the whole share of dry sums",
    };
    let demand = match climates.evapotranspiration() {
        Some(Evapotranspiration::HargreavesSamani) => {
            "Hargreaves and Samani 1985, as FAO-56 equation 52, from the monthly means of the daily extremes, both moved alike by a change of temperature"
        }
        _ => "Thornthwaite 1948, from mean temperature",
    };
    let months = climates.months();
    let (name, how) = match (climate.index, climate.scale) {
        (IndexKind::Spi, _) => (
            format!("SPI over {months} months"),
            format!(
                "precipitation sums, gamma distribution by maximum likelihood (McKee et al. 1993), a sum of zero reading as {zero}"
            ),
        ),
        (IndexKind::Spei, _) => (
            format!("SPEI over {months} months"),
            format!(
                "sums of precipitation minus potential evapotranspiration ({demand}), three-parameter log-logistic distribution by unbiased probability-weighted moments \
                 (Vicente-Serrano et al. 2010; Begueria et al. 2014). Evapotranspiration from temperature alone can overstate drying under strong warming"
            ),
        ),
        (IndexKind::Given, AnomalyScale::PercentOfNormal) => (
            format!("An index given ready-made, summed over {months} months"),
            format!(
                "percent of normal, read as rain in another unit: gamma distribution by maximum likelihood for each calendar month, a value of zero reading as {zero}"
            ),
        ),
        (IndexKind::Given, AnomalyScale::Standardised) => (
            format!("An index given ready-made, summed over {months} months"),
            "standardised values, taken as they are".to_string(),
        ),
    };
    let places = match climates.models().len() {
        _ if climates.are_zones() => {
            " Each zone has a climate of its own, day length at the latitude of its centroid.".to_string()
        }
        n if climates.are_grid() => format!(
            " The climate comes as rasters: each cell takes the climate cell its centre lies in, without smoothing between them ({n} climate cells), so that their edges may show \
             in the maps."
        ),
        _ => String::new(),
    };
    let fitted = match (climate.index, climate.scale) {
        (IndexKind::Given, AnomalyScale::Standardised) => {
            "A scenario adds its shift to the index".to_string()
        }
        (IndexKind::Given, AnomalyScale::PercentOfNormal) => {
            format!("Fitted per calendar month on {from} to {to}; a scenario adds its shift to the index")
        }
        _ => {
            format!("Fitted per calendar month on {from} to {to}; scenarios are read by the same parameters")
        }
    };
    format!(
        "{name}: {how}. {fitted}. Shown values are limited to -3.5 to 3.5; the response uses \
         values continued linearly beyond -2.5 and 2.5. Droughts by run theory (Yevjevich 1967).{places}"
    )
}

/// How a calibration was made.
pub fn calibration(found: &Calibration) -> Vec<String> {
    let gain = found.gains.iter().find(|g| g.0 == found.penalty).map_or(0.0, |g| g.1);
    vec![format!(
        "Fit: Poisson point process of presences against background (Warton and Shepherd 2010; Renner et al. 2015) with linear, quadratic and hinge terms of every measure and one term per class, each scaled to standard deviation 1, and a ridge \
         penalty of {} chosen on folds left out, where it gains {gain:.2} per record over an even density. The study's own curves stay in force until somebody decides otherwise.",
        found.penalty
    )]
}

/// How records were used.
fn records_note(records: &Records) -> MethodNote {
    let months = match (records.from, records.to) {
        (None, None) => "of any date".to_string(),
        (Some(from), None) => format!("from {from} on"),
        (None, Some(to)) => format!("up to {to}"),
        (Some(from), Some(to)) => format!("from {from} to {to}"),
    };
    let drawn = match &records.effort {
        Some(layer) => format!("drawn in proportion to survey effort (layer \"{layer}\")"),
        None => "drawn evenly".into(),
    };
    note(
        Part::Assessment,
        "Records and validation",
        format!(
            "Presences: records {months}, placed to within {} m, one per cell, against at most {} assessed cells {drawn}. Validation by squares of ground: area under the ROC curve with its standard error (Hanley and McNeil 1982), \
             true skill statistic (Allouche et al. 2006), kappa (Cohen 1960), continuous Boyce index (Hirzel et al. 2006). Thresholds for a fold come from the other folds. Importance: fall of the area under the ROC curve when a variable is \
             shuffled (Breiman 2001).",
            records.maximum_uncertainty_m, records.background
        ),
    )
}

/// What members draw anew.
fn uncertainty_note(uncertainty: &Uncertainty, study: &Study) -> MethodNote {
    let mut drawn = Vec::new();
    if uncertainty.curves > 0.0 {
        drawn.push(format!(
            "break points of curves and scores of classes, evenly up to {} % of their span off",
            100.0 * uncertainty.curves
        ));
    }
    if uncertainty.weights > 0.0 {
        drawn.push(format!(
            "weights, Dirichlet with a standard deviation of {} for a weight of one half",
            uncertainty.weights
        ));
    }
    if uncertainty.threshold > 0.0 {
        drawn.push(format!("the threshold, evenly up to {} off", uncertainty.threshold));
    }
    if uncertainty.response {
        drawn.push(
            "coefficients of the response of water, from the covariance of each cell's fit with one draw for each response group, as errors are shared"
                .into(),
        );
    }
    if study.scenarios.iter().any(|scenario| scenario.spread != Default::default()) {
        drawn.push("numbers of the scenarios, triangular about what is stated".into());
    }
    if uncertainty.vertical_m > 0.0 {
        drawn.push(format!(
            "depths, standard deviation {} m, mostly shared within a pool",
            uncertainty.vertical_m
        ));
    }
    let text = format!(
        "{} members by Latin hypercube (McKay et al. 1979), each computed as a study of its own. Drawn anew: {}. Ranges are the middle 90 % of the members. The form of the model, the layers and the choice of what the animal needs are in no range.",
        uncertainty.members,
        if drawn.is_empty() { "nothing".to_string() } else { drawn.join("; ") }
    );
    let text = match &uncertainty.sensitivity {
        None => text,
        Some(_) => format!(
            "{text} Shares of the variance are Sobol indices: first order after Saltelli et al. 2010, total after Jansen 1999, with errors from rows resampled."
        ),
    };
    note(Part::Prediction, "Uncertainty", text)
}

/// How years are looked at one by one, where some variable does.
fn years_note(study: &Study) -> Option<MethodNote> {
    study.yearly_variables().next()?;
    Some(note(
        Part::Model,
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
    let shift = scenario.index_shift;
    if shift.iter().any(|s| *s != 0.0) {
        parts.push(if even(&shift) {
            format!("drought index {:+} standard deviations", shift[0])
        } else {
            let months: Vec<String> = shift.iter().map(|s| format!("{s:+}")).collect();
            format!("drought index by month (standard deviations) {}", months.join(", "))
        });
    }
    if !scenario.replay.is_empty() {
        parts.push(format!("the water years {} of the record come again", years(&scenario.replay)));
    }
    if scenario.continue_trend {
        parts.push("the trend of the water that climate does not explain goes on".into());
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

/// Years in words, runs of them as "2000 to 2009".
fn years(years: &[i32]) -> String {
    let run = |run: &[i32]| match run {
        [first, .., last] => format!("{first} to {last}"),
        one => one.iter().map(ToString::to_string).collect(),
    };
    replay::runs(years).map(run).collect::<Vec<_>>().join(", ")
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
///
/// The checksum is given by its first digits, which `lentic verify --cited` takes.
pub fn citation(record: &RunRecord) -> String {
    let study = &record.study;
    let (run_id, version) = (&record.run_id, &record.program.version);
    let date = record.started.get(..10).unwrap_or("");
    let checksum = record.checksum.get(..CITED_DIGITS).unwrap_or(&record.checksum);
    let year = date.get(..4).unwrap_or("");
    let contact =
        if study.contact.is_empty() { String::new() } else { format!(" Contact: {}.", study.contact) };
    format!(
        "{} ({year}): wetland habitat and its loss under drying. Run {run_id} of {date}, checksum {checksum} (BLAKE3), computed with lentic {version}.{contact}",
        study.name
    )
}
