//! `near` of a requisite: another requisite that must be met within reach.

use super::context::Context;
use super::curve::of_distance;
use crate::nearest::did_you_mean;
use crate::settings::{Near, Requisite};
use crate::source::key;

/// Score from which a cell meets the other requisite, where the study does not say.
const AT_LEAST: f64 = 0.5;

/// Gives the requisites what they must be near to; `names` are those of the file in its order, as `list` is.
pub(super) fn nearness(context: &mut Context<'_>, names: &[&str], list: &mut [Requisite]) {
    for at in 0..list.len() {
        let name = list[at].name.clone();
        let near = near(context, names, &name);
        list[at].near = near.filter(|_| list.len() == names.len());
    }
    tell_circles(context, list);
}

fn near(context: &mut Context<'_>, names: &[&str], name: &str) -> Option<Near> {
    let section = context.file.requisites.get(name)?.near.as_ref()?;
    let at = key(&key("requisites", name), "near");
    let before = context.problems.len();
    let at_other = key(&at, "requisite");
    let other = names.iter().position(|other| *other == section.requisite);
    if other.is_none() && !context.spoilt.open("requisites") {
        let message = format!("{at_other}: there is no requisite {:?}", section.requisite);
        let help = did_you_mean(&section.requisite, names.iter().copied(), "requisite");
        context.problem(&at_other, message, help);
    } else if section.requisite == name {
        let message = format!("{at_other}: the requisite is to be near itself");
        context.problem(&at_other, message, "name another requisite");
    }
    if section.within_m <= 0.0 {
        let at = key(&at, "within_m");
        let message = format!("{at} is {}; metres above 0 are expected", section.within_m);
        context.problem(&at, message, "it is how far the other requisite may be");
    }
    if section.at_least == Some(0.0) {
        let at = key(&at, "at_least");
        let message = format!("{at} is 0, which every assessed cell reaches");
        context.problem(&at, message, "give a score above 0");
    }
    let curve = section.curve.as_ref().map(|curve| of_distance(context, &key(&at, "curve"), curve));
    let sound = context.problems.len() == before && !context.spoilt.within(&at);
    let near = Near {
        requisite: other?,
        within_m: section.within_m,
        at_least: section.at_least.unwrap_or(AT_LEAST),
        curve: curve.flatten(),
    };
    Some(near).filter(|_| sound)
}

/// Tells the requisites that are to be near one another in a circle, each circle once, and takes `near` from them.
fn tell_circles(context: &mut Context<'_>, list: &mut [Requisite]) {
    for start in 0..list.len() {
        let mut way = vec![start];
        while let Some(next) = way.last().and_then(|at| list[*at].near.as_ref()).map(|near| near.requisite) {
            if next == start && way.len() > 1 {
                let names: Vec<&str> = way.iter().chain([&start]).map(|at| list[*at].name.as_str()).collect();
                let message =
                    format!("requisites are near one another in a circle: {}", names.join(" near "));
                let at = key(&key(&key("requisites", names[0]), "near"), "requisite");
                context.problem(&at, message, "take near from one of them");
                way.iter().for_each(|at| list[*at].near = None);
                break;
            }
            if way.contains(&next) {
                break; // A circle further on, told from its own start.
            }
            way.push(next);
        }
    }
}
