//! Where a monthly series of `[climate]` comes from: a column of a CSV, by zone or not, or a monthly layer.

use super::context::Context;
use crate::options::{LayerKind, Role, SeriesSection, StudyFile};
use crate::settings::Series;
use crate::source::key;

/// Every series written in `[climate]`, with its key.
pub(super) fn written(file: &StudyFile) -> Vec<(&'static str, &SeriesSection)> {
    let Some(climate) = &file.climate else { return Vec::new() };
    let all = [
        ("precipitation", &climate.precipitation),
        ("temperature", &climate.temperature),
        ("temperature_min", &climate.temperature_min),
        ("temperature_max", &climate.temperature_max),
        ("anomaly", &climate.anomaly),
    ];
    all.into_iter().filter_map(|(name, series)| Some((name, series.as_ref()?))).collect()
}

/// A series whose file or layer is there; `None` once a problem is told.
pub(super) fn series(context: &mut Context<'_>, name: &str, section: &SeriesSection) -> Option<Series> {
    let at = key("climate", name);
    let before = context.problems.len();
    let unsound = context.spoilt.within(&at) || context.spoilt.open(&at);
    let column =
        [("file", &section.file), ("column", &section.column), ("zone_column", &section.zone_column)];
    let found = match &section.layer {
        Some(layer) => {
            for (other, _) in column.iter().filter(|(_, written)| written.is_some()) {
                let at_other = key(&at, other);
                let message = format!("{at} has both layer and {other}");
                context.problem_at_key(&at_other, message, "keep layer, or file and column");
            }
            monthly_layer(context, &key(&at, "layer"), layer);
            Some(Series::Layer(layer.clone()))
        }
        None => {
            for (other, _) in column[..2].iter().filter(|(_, written)| written.is_none()) {
                if !context.spoilt.meant(&at, other) && !context.spoilt.meant(&at, "layer") {
                    let help =
                        "give file = \"a CSV\" and column = \"its column\", or layer = \"a monthly layer\"";
                    context.problem_at_key(&at, format!("{at} has no key \"{other}\""), help);
                }
            }
            section.file.as_ref().zip(section.column.as_ref()).map(|(file, column)| Series::Column {
                file: context.existing(&key(&at, "file"), file),
                column: column.clone(),
                zone_column: section.zone_column.clone(),
            })
        }
    };
    found.filter(|_| context.problems.len() == before && !unsound)
}

/// A continuous layer that holds a raster for each month.
fn monthly_layer(context: &mut Context<'_>, at: &str, name: &str) {
    let Some(section) = context.layer_of_any_shape(at, name, &[LayerKind::Continuous]) else { return };
    let at_layer = key("layers", name);
    let meant = ["files", "first_month"].iter().any(|key| context.spoilt.meant(&at_layer, key));
    if section.files.is_none() && section.first_month.is_none() && !meant {
        let message = format!("{at}: layer {name:?} is one raster; one for each month is expected");
        let help = "give the layer files = \"a pattern with {year} and {month}\", or first_month = \"1988-01\" \
                    where each band of its file is a month";
        context.problem(at, message, help);
    }
}

/// The class layer of the zones of zone columns; `None` where there are no such columns, or it is not known.
pub(super) fn zones(context: &mut Context<'_>) -> Option<String> {
    let file = context.file;
    let section = file.climate.as_ref()?;
    let by_zone: Vec<&str> = written(file)
        .into_iter()
        .filter(|(_, series)| series.zone_column.is_some())
        .map(|(name, _)| name)
        .collect();
    let by_layer = written(file).into_iter().find(|(_, series)| series.layer.is_some());
    let spoilt = context.spoilt.within("climate") || context.spoilt.open("climate");
    let Some(first) = by_zone.first() else {
        if let Some(layer) = &section.zones {
            context.layer("climate.zones", layer, &[LayerKind::Class]);
            if !spoilt {
                let message = "climate.zones is given, but no series has a zone_column".to_string();
                let help =
                    "give zone_column = \"the column of zone codes\" to the series that differ by zone";
                context.problem_at_key("climate.zones", message, help);
            }
        }
        return None;
    };
    let at = key(&key("climate", first), "zone_column");
    if let Some((name, _)) = by_layer.filter(|_| !spoilt) {
        let message = format!("{at}: climate.{name} is a layer, and a climate is either by zone or by layer");
        context.problem_at_key(&at, message, "use one kind; a series for the whole study goes with either");
    }
    match &section.zones {
        Some(layer) => context.layer("climate.zones", layer, &[LayerKind::Class]).map(|_| layer.clone()),
        None => {
            if !context.spoilt.meant("climate", "zones") && !context.may_have(Role::Zones) {
                let message = format!("{at}: nothing says where the zones are");
                let help = "add zones = \"a class layer\" to [climate], or a layer with the role \"zones\"";
                context.problem_at_key(&at, message, help);
            }
            context.roles.get(&Role::Zones).cloned()
        }
    }
}
