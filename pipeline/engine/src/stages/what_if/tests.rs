//! Variants on the small demo against the stages of a run, bit by bit.

use super::*;
use crate::check::check;
use crate::demo::{DEMO_SEED, DemoSize, write_demo};
use crate::progress::Silent;
use crate::reuse::{Leaves, Step};
use crate::run::{cases, spreads};
use crate::stages;
use lentic_habitat::response::Groups;

fn bits(values: &[f32]) -> Vec<u32> {
    values.iter().map(|value| value.to_bits()).collect()
}

/// Every scenario of the demo as a variant gives the suitability that its stages leave; so does one whose coefficients move by
/// nothing and whose curves are a copy of the study's. Coefficients or curves that do move change it.
#[test]
fn a_variant_is_its_scenario_to_the_bit() {
    crate::prepare(None).unwrap();
    let folder = tempfile::tempdir().unwrap();
    let basin = folder.path().join("basin");
    write_demo(&basin, DemoSize::Small, DEMO_SEED, &|_| {}).unwrap();
    let checked = check(&basin.join("study.toml")).unwrap();
    let work = folder.path().join("work");
    std::fs::create_dir(&work).unwrap();
    // tiles that cut pools and what lies around them
    let context = Context::new(&checked.study, &checked.grid, &checked.climates, 32, &work, &Silent).unwrap();
    let water = stages::water::run(&context, &checked.stack).unwrap();
    let cases = cases(&context).unwrap();
    let groups = Groups::fit(&cases[0].designs, &context.axis, &water.sample, spreads(&checked)).unwrap();
    let response = stages::response::run(&context, &water, &cases[0].designs, &groups).unwrap();
    let lines = response.lines.lines(checked.study.inundation.logits_per_metre);
    let curves = stages::curves::run(&context, &water, &cases[0].designs, &groups).unwrap();
    let case_water = stages::scenarios::run(&context, &water, &groups, (&lines, &curves), &cases).unwrap();
    let products = stages::suitability::run(&context, &water, &cases, &case_water).unwrap();

    let by = AnswersBy { groups: &groups, lines: &lines, curves: &curves, off: &[], baseline: &cases[0] };
    let what_if = WhatIf { context: &context, water: &water, by };
    let mut blunter = checked.study.clone();
    blunter.requisites[0].variables[0].curve =
        lentic_study::settings::Curve::Points(vec![[0.0, 0.0], [12.0, 1.0]]);
    let member = |study: &Study, response: Vec<[f64; 4]>| {
        Some(Member { study: study.clone(), response, depths: DepthError::default() })
    };
    let vectors = |u: f64| vec![[u; 4]; groups.count()];
    let changes = [
        None,
        member(&checked.study, vectors(0.0)),
        member(&checked.study, vectors(1.0)),
        member(&blunter, Vec::new()),
    ];
    for (kind, changed) in changes.iter().enumerate() {
        let variants =
            what_if.of_members(cases.iter().map(|case| (case, changed.as_ref())).collect()).unwrap();
        let working = context.step(Step::Members, None, context.tiles.len());
        let find = |_: usize, place: &Place| {
            let seen = changed.as_ref().map(|member| place.of_member(member)).transpose()?;
            let place = seen.as_ref().unwrap_or(place);
            let inside = water.inside.read(&place.window)?;
            let mut moved = vec![0usize; cases.len()];
            for (at, variant) in variants.iter().enumerate() {
                let mut found = place.find(variant)?.suitability;
                found
                    .iter_mut()
                    .zip(&inside)
                    .filter(|(_, i)| **i == 0)
                    .for_each(|(value, _)| *value = f32::NAN);
                let left = products.suitability[at].read(&place.window)?;
                moved[at] = bits(&found).iter().zip(bits(&left)).filter(|(a, b)| **a != *b).count();
            }
            Ok(moved)
        };
        let nothing = Leaves::default();
        let parts: Vec<_> = context.tiles.iter().copied().enumerate().collect();
        let tiles =
            what_if.over_windows(&working, &parts, true, &nothing, find, |_, _, moved: Vec<usize>| Ok(moved));
        let moved: Vec<usize> = tiles.unwrap().iter().fold(vec![0; cases.len()], |sum, tile| {
            sum.iter().zip(tile).map(|(sum, tile)| sum + tile).collect()
        });
        match kind {
            0 | 1 => assert_eq!(moved, vec![0; cases.len()], "kind {kind}"),
            _ => assert!(moved.iter().all(|cells| *cells > 100), "kind {kind}: {moved:?}"),
        }
    }
}
