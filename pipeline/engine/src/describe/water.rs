//! Water in words: its record, its drought index, how it answers and how well that is known.

use super::note;
use crate::climates::Climates;
use lentic_habitat::climate::Evapotranspiration;
use lentic_report::{MethodNote, ProtocolPart as Part};
use lentic_study::Study;
use lentic_study::settings::{AnomalyScale, Climate, Drawdown, Driver, IndexKind, Role, ZeroRule};

/// The notes on water, in the order shown.
pub(super) fn notes(study: &Study, climates: &Climates) -> Vec<MethodNote> {
    let mut notes = vec![history(study)];
    if let Some(climate) = &study.climate {
        notes.push(note(Part::Data, "Drought index", index_text(study, climate, climates)));
    }
    notes.push(response(study));
    notes.extend(levels_of_pools(climates));
    notes.extend((study.inundation.driver == Driver::Index).then(how_well_predicted));
    notes
}

/// How the record is read.
fn history(study: &Study) -> MethodNote {
    let water = &study.inundation;
    let (first, last) = study.period.baseline;
    note(
        Part::Data, "Water history",
        format!(
            "Monthly surface water from {first} to {last}. Hydroperiod is the sum over calendar months of the share of observed months that are wet, so that months hidden by cloud do \
             not shorten it. A cell needs {} observed months in at least {} calendar months; others are not assessed. Trends of the yearly hydroperiod: Theil-Sen slope (Sen 1968), \
             Mann-Kendall test with correction for ties (Mann 1945; Kendall 1975).",
            water.minimum_months, water.minimum_calendar_months
        ),
    )
    .formula("hydroperiod = Σₘ rₘ,  rₘ = wet months / observed months of calendar month m")
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

/// How water answers to climate and to its table.
fn response(study: &Study) -> MethodNote {
    let water = &study.inundation;
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
    response
}

/// How levels of pools are found, where a pool answers to its own.
fn levels_of_pools(climates: &Climates) -> Option<MethodNote> {
    if climates.levels().is_empty() {
        return None;
    }
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
    Some(levels)
}

/// How the response is tested.
fn how_well_predicted() -> MethodNote {
    note(
        Part::Assessment, "How well water is predicted",
        "Each year is predicted from the others, leaving out as many years either side as the index is long, and compared with calendar-month means of the same years (Brier score, area under \
         the ROC curve, reliability by tenths). The drier half of the years is predicted from the wetter half. A trend of observed minus modelled hydroperiod is what climate does not explain."
            .into(),
    )
}
