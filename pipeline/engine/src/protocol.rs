//! What the reporting protocol ODMAP (Zurell et al. 2020, Ecography 43:1261-1277) asks for beyond the methods: aim, scale, assumptions,
//! how layers are brought together, extrapolation.

use crate::check::Checked;
use lentic_report::{GridRecord, MethodNote, ProtocolPart as Part, RunRecord};
use lentic_study::settings::{Driver, LayerKind};

/// All notes of a run in the order of the protocol.
pub fn notes(checked: &Checked, record: &RunRecord, methods: Vec<MethodNote>) -> Vec<MethodNote> {
    let study = &checked.study;
    let mut all =
        vec![aim(checked), scale(checked, record), assumptions(checked), workflow(record), layers(checked)];
    all.extend(study.records.as_ref().map(|records| {
        MethodNote::new(
            Part::Data,
            "Records of the animal",
            format!(
                "Source: {}. Licence: {}. Which were used, and why others were not, stands in table records_set_aside. Where records lie is not shown on this page.",
                or_not(records.source.trim_end_matches('.')),
                or_not(&records.licence)
            ),
        )
    }));
    all.extend(methods);
    all.push(MethodNote::new(
        Part::Assessment,
        "What the baseline is held against",
        "The scenarios are compared with the modelled baseline, not with the observed one. Where habitat by observed and by modelled hydroperiod differ, a change of the model is not a change of the wetland (table baseline_check).",
    ));
    if study.records.is_none() {
        all.push(MethodNote::new(
            Part::Assessment,
            "Records",
            "The study has no records of the animal: suitability is untested against where it lives.",
        ));
    }
    all.push(extrapolation(checked));
    all
}

fn or_not(text: &str) -> &str {
    if text.is_empty() { "not stated" } else { text }
}

fn aim(checked: &Checked) -> MethodNote {
    let study = &checked.study;
    MethodNote::new(
        Part::Overview,
        "Aim",
        format!(
            "Target: {}. Purpose: {}. The maps tell where conditions fit what the animal needs, as the study states its needs, today and in {} scenario(s); they tell neither numbers nor presence.",
            or_not(&study.organism),
            or_not(study.purpose.trim_end_matches('.')),
            study.scenarios.len()
        ),
    )
}

fn scale(checked: &Checked, record: &RunRecord) -> MethodNote {
    let (study, grid) = (&checked.study, &record.grid);
    let area = match &study.grid.area {
        Some(_) => "Cells count whose centre lies in the study area given.",
        None => "Every cell of the grid counts.",
    };
    let horizons: Vec<String> =
        study.scenarios.iter().filter_map(|s| s.horizon).map(|y| y.to_string()).collect();
    let until = if horizons.is_empty() {
        String::new()
    } else {
        format!(" Horizons: {}.", unique(horizons).join(", "))
    };
    let index = match study.inundation.driver {
        Driver::Index => format!(
            " The drought index is fitted on {} to {}.",
            record.period.reference[0], record.period.reference[1]
        ),
        Driver::Season => String::new(),
    };
    MethodNote::new(
        Part::Overview,
        "Place, time and scale",
        format!(
            "Grid: {}, cells of {} m, {} rows x {} columns{}. {area} {}\n\nBaseline: {} to {}, by months.{index}{until}",
            grid.crs,
            grid.cell_m,
            grid.rows,
            grid.cols,
            exact_bounds(grid),
            grid.area_note,
            record.period.baseline[0],
            record.period.baseline[1]
        ),
    )
}

/// How exactly the grid lies, as its note says; left out of public editions.
pub fn exact_bounds(grid: &GridRecord) -> String {
    let [left, bottom, right, top] = grid.bounds;
    format!("; left {left}, bottom {bottom}, right {right}, top {top}")
}

fn unique(mut words: Vec<String>) -> Vec<String> {
    words.sort();
    words.dedup();
    words
}

fn assumptions(checked: &Checked) -> MethodNote {
    let study = &checked.study;
    let names: Vec<&str> = study.requisites.iter().map(|requisite| requisite.name.as_str()).collect();
    let climate = match study.inundation.driver {
        Driver::Index => {
            "Water answers to a drier climate as it answered to dry spells of the record; wells, drains and plants stay what they were, but for what a scenario names."
        }
        Driver::Season => "The water of the record is taken to come again; climate changes nothing in it.",
    };
    MethodNote::new(
        Part::Overview,
        "Concept and assumptions",
        format!(
            "Habitat is ground that meets every need at once: {}. Curves, weights and thresholds are judgement until records test them. {climate} The animal is taken to use what is suitable within reach; how it gets there is asked only where connection, range or population are computed.",
            names.join(", ")
        ),
    )
}

fn workflow(record: &RunRecord) -> MethodNote {
    let program = &record.program;
    let others: Vec<String> =
        program.others.iter().map(|(name, version)| format!("{name} {version}")).collect();
    MethodNote::new(
        Part::Overview,
        "Workflow and software",
        format!(
            "Water record, response of water, scenarios of water, suitability, patches, what drying costs, ranges. {} {}, GDAL {}{}{}; seed {}. The same files, settings and program give the same bytes. The study file, checksums of all inputs and of all products stand in run.json.",
            program.name,
            program.version,
            program.gdal,
            if others.is_empty() { "" } else { ", " },
            others.join(", "),
            record.seed
        ),
    )
}

fn layers(checked: &Checked) -> MethodNote {
    let study = &checked.study;
    let of = |wanted: &dyn Fn(&LayerKind) -> bool| -> Vec<&str> {
        study.layers.iter().filter(|layer| wanted(&layer.kind)).map(|layer| layer.name.as_str()).collect()
    };
    let classes = of(&|kind| matches!(kind, LayerKind::Class | LayerKind::Mask));
    let numbers = of(&|kind| matches!(kind, LayerKind::Continuous | LayerKind::Fraction));
    let mut text = String::from("Layers come onto the grid while they are read.");
    if !classes.is_empty() {
        text.push_str(&format!(
            " Classes and masks ({}): the nearest cell where the source is not finer than the grid, else the class with the largest area in the cell.",
            classes.join(", ")
        ));
    }
    if !numbers.is_empty() {
        text.push_str(&format!(
            " Numbers ({}): bilinear where the source is not finer than the grid, else the mean by area.",
            numbers.join(", ")
        ));
    }
    text.push_str(
        " What is missing stays missing: a cell without a value that is needed is not assessed, never 0.",
    );
    MethodNote::new(Part::Data, "Layers", text)
}

fn extrapolation(checked: &Checked) -> MethodNote {
    let study = &checked.study;
    let mut parts = Vec::new();
    if study.inundation.driver == Driver::Index {
        parts.push(
            "The response is fitted within the drought index of the record. Months of a scenario beyond it are counted (extrapolated_months in table habitat_area); there the response goes on in a straight line of logits."
                .to_string(),
        );
    }
    if study.records.is_some() {
        parts.push(
            "Novelty of a place is how far a variable lies beyond its range at the records, as a share of that range, the largest over the variables (after Elith et al. 2010); where it is above 0, suitability rests on no record (table novelty)."
                .to_string(),
        );
    }
    parts.push("Beyond the points of a curve its score stays that of its end.".to_string());
    MethodNote::new(Part::Prediction, "Extrapolation", parts.join("\n\n"))
}
