//! `[layers.NAME]`: files, kinds, roles, legends.

use super::context::{Context, kind_word, quoted, role_word};
use super::legend;
use super::network::address_of_layer;
use crate::address::{is_address, shown};
use crate::month::{Month, NotAMonth};
use crate::options::{LayerKind, LayerSection, Role, WaterContent};
use crate::settings::{Files, Layer};
use crate::source::key;
use std::path::PathBuf;

/// Every role there is, with the kind its layer must be of.
const ROLES: [(Role, LayerKind); 7] = [
    (Role::Water, LayerKind::WaterHistory),
    (Role::Ground, LayerKind::Continuous),
    (Role::Depth, LayerKind::Continuous),
    (Role::Zones, LayerKind::Class),
    (Role::WetlandClass, LayerKind::Class),
    (Role::LandCover, LayerKind::Class),
    (Role::Pools, LayerKind::Class),
];

/// File name endings taken as vector files.
const VECTOR_ENDINGS: [&str; 6] = ["gpkg", "shp", "geojson", "json", "fgb", "gml"];

/// Keys without which a layer's cells would be read wrongly.
const READING: [&str; 10] =
    ["file", "files", "first_month", "kind", "band", "holds", "wet_at", "unobserved", "no_data", "scale"];

/// The layers whose cells can be read; the others are known by name and role only, and their problems told.
pub(super) fn layers(context: &mut Context<'_>) -> Vec<Layer> {
    let names = context.source.keys(&["layers"]);
    let mut layers = Vec::new();
    for name in names {
        if let Some(section) = context.file.layers.get(name) {
            let at = key("layers", name);
            let before = context.problems.len();
            let role = role(context, &at, name, section);
            let mut layer = layer(context, &at, name, section, role);
            let unsound = READING.iter().any(|name| context.spoilt.within(&key(&at, name)));
            let nowhere = layer.files == Files::One(PathBuf::new());
            let stray = layer.kind == LayerKind::WaterHistory && role != Some(Role::Water);
            let readable = context.problems.len() == before && !unsound && !stray && !nowhere;
            // A layer can be looked at without its legend.
            layer.legend = legend_of(context, &at, name, section);
            layers.extend(Some(layer).filter(|_| readable));
        }
    }
    let may_be_water = |(name, section): (&String, &LayerSection)| {
        section.kind == LayerKind::WaterHistory || context.spoilt.value(&key(&key("layers", name), "kind"))
    };
    if !context.file.layers.iter().any(may_be_water) && !context.spoilt.open("layers") {
        context.problem_at_key(
            "layers",
            "the study has no water history".into(),
            "add [layers.water] with files and kind = \"water-history\"",
        );
    }
    layers
}

/// The layer's role, written or by its name, once its kind and its rivals are checked.
fn role(context: &mut Context<'_>, at: &str, name: &str, section: &LayerSection) -> Option<Role> {
    if context.spoilt.exactly(&key(at, "role")) {
        return None; // Whatever it was meant to be.
    }
    let kind_known = !context.spoilt.value(&key(at, "kind"));
    let by_name = ROLES.iter().find(|(role, _)| role_word(*role) == name);
    let Some(role) = section.role.or(by_name.map(|(role, _)| *role)) else {
        if section.kind == LayerKind::WaterHistory && !context.spoilt.open(at) {
            let message = format!("layer {name:?} is a water history without a role");
            let help = "add role = \"water\" or name the layer \"water\"";
            context.problem(&key(at, "kind"), message, help);
        }
        return None;
    };
    let word = role_word(role);
    let place = if section.role.is_some() { key(at, "role") } else { at.to_string() };
    let needed = ROLES.iter().find(|(r, _)| *r == role).map(|(_, kind)| *kind);
    if let Some(needed) = needed.filter(|kind| kind_known && *kind != section.kind) {
        let message = format!(
            "layer {name:?} has the role \"{word}\" but is of kind \"{}\"; \"{}\" is expected",
            kind_word(section.kind),
            kind_word(needed)
        );
        let help = if section.role.is_some() {
            "change the kind or take the role out"
        } else {
            "change the kind, or rename the layer: its name gives it the role"
        };
        context.problem(&place, message, help);
    } else if let Some(other) = context.roles.get(&role) {
        let message = format!("layers {other:?} and {name:?} both have the role \"{word}\"");
        context.problem(&place, message, "keep the role for one; a layer named like a role takes it");
    }
    // The first to claim a role keeps it, so that one mistake is not told again by all that need the role.
    context.roles.entry(role).or_insert_with(|| name.to_string());
    Some(role)
}

fn layer(
    context: &mut Context<'_>,
    at: &str,
    name: &str,
    section: &LayerSection,
    role: Option<Role>,
) -> Layer {
    let files = files(context, at, name, section);
    let first_month = first_month(context, at, name, section);
    if let Some(role) = role.filter(|_| section.kind != LayerKind::WaterHistory)
        && section.files.is_some()
        && context.is_of_climate(name)
    {
        let message = format!(
            "layer {name:?} is a raster for each month and cannot have the role \"{}\"",
            role_word(role)
        );
        context.problem(&key(at, "files"), message, "only [climate] takes monthly layers; rename the layer");
    }
    let holds = section.holds.unwrap_or(WaterContent::Mask);
    water_keys(context, at, section, holds);
    if let Some(scale) = section.scale {
        let (at_layer, at) = (at, key(at, "scale"));
        let unknown =
            context.spoilt.value(&key(at_layer, "kind")) || context.spoilt.value(&key(at_layer, "holds"));
        let holds_numbers = match section.kind {
            _ if unknown => true,
            LayerKind::Continuous | LayerKind::Fraction => true,
            LayerKind::WaterHistory => holds != WaterContent::Mask,
            LayerKind::Class | LayerKind::Mask => false,
        };
        if scale == 0.0 {
            context.problem(&at, format!("{at} is 0, which makes every value 0"), "leave it out");
        } else if !holds_numbers {
            let message = format!("{at}: codes and masks are not scaled");
            context.problem_at_key(&at, message, "leave it out, or make the layer \"continuous\"");
        }
    }
    let wet_by_default = if holds == WaterContent::Depth { 0.0 } else { 0.5 };
    Layer {
        name: name.to_string(),
        files,
        kind: section.kind,
        role,
        band: section.band.unwrap_or(1),
        first_month,
        legend: None, // Read by itself.
        holds,
        wet_at: section.wet_at.unwrap_or(wet_by_default),
        unobserved: section.unobserved.clone(),
        no_data: section.no_data.clone(),
        scale: section.scale.unwrap_or(1.0),
        unit: section.unit.clone().unwrap_or_default(),
        source: section.source.clone().unwrap_or_default(),
        licence: section.licence.clone().unwrap_or_default(),
        date: section.date.clone().unwrap_or_default(),
    }
}

/// The month of the first band of a file of months.
fn first_month(context: &mut Context<'_>, at: &str, name: &str, section: &LayerSection) -> Option<Month> {
    let written = section.first_month.as_ref()?;
    let at_month = key(at, "first_month");
    if context.spoilt.value(&at_month) {
        return None;
    }
    if !may_be_monthly(context, name) {
        let message = format!("{at} has first_month, which only a layer of [climate] has");
        context.problem_at_key(&at_month, message, "leave it out, or name the layer in [climate]");
    } else if section.files.is_some() {
        let message = format!("{at} has both files and first_month");
        let help = "files have their months in their names; first_month is for one file of many bands";
        context.problem_at_key(&at_month, message, help);
    } else if section.band.is_some() {
        let message = format!("{at} has both band and first_month");
        context.problem_at_key(&key(at, "band"), message, "every band is read, each a month; leave band out");
    }
    match written.parse() {
        Ok(month) => Some(month),
        Err(error) => {
            let error: NotAMonth = error;
            context.problem(&at_month, format!("{at_month}: {error}"), "months run from 01 to 12");
            None
        }
    }
}

/// Whether `[climate]` names the layer, or may do so for all that can be known.
fn may_be_monthly(context: &Context<'_>, name: &str) -> bool {
    let unknown = context.spoilt.meant("", "climate")
        || context.spoilt.within("climate")
        || ["precipitation", "temperature", "temperature_min", "temperature_max", "anomaly"].iter().any(
            |series| context.spoilt.meant("climate", series) || context.spoilt.open(&key("climate", series)),
        );
    unknown || context.is_of_climate(name)
}

fn files(context: &mut Context<'_>, at: &str, name: &str, section: &LayerSection) -> Files {
    let is_water = section.kind == LayerKind::WaterHistory;
    if ["file", "files"].iter().any(|name| context.spoilt.value(&key(at, name))) {
        return Files::One(PathBuf::new());
    }
    if context.spoilt.value(&key(at, "kind")) {
        // Which of the two keys is right hangs on the kind; a file must be there either way.
        return match &section.file {
            Some(file) if is_address(file) => Files::One(PathBuf::new()),
            Some(file) if !file.contains(['{', '}']) => Files::One(context.existing(&key(at, "file"), file)),
            _ => Files::One(PathBuf::new()),
        };
    }
    if let Some(address) = section.file.as_ref().or(section.files.as_ref()).filter(|text| is_address(text)) {
        let name = if section.file.is_some() { "file" } else { "files" };
        let before = context.problems.len();
        address_of_layer(context, &key(at, name), address);
        if context.problems.len() > before {
            return Files::One(PathBuf::new()); // nothing more is said of it, as it may hold a secret
        }
    }
    match (&section.file, &section.files) {
        (Some(file), None) if is_water => {
            let message = format!("{at} is a water history with one file");
            let help = "give files, a pattern such as \"water/water_{year}-{month}.tif\"";
            context.problem_at_key(&key(at, "file"), message, help);
            Files::One(context.beside_study(file))
        }
        (Some(file), None) => {
            let at_file = key(at, "file");
            if file.contains(['{', '}']) {
                let message = format!("{at_file}: {file:?} is a pattern");
                context.problem(&at_file, message, "a pattern stands under files");
                return Files::One(context.beside_study(file));
            }
            vector_rules(context, at, file, section);
            if is_address(file) {
                return Files::One(context.beside_study(file));
            }
            Files::One(context.existing(&at_file, file))
        }
        (None, Some(pattern)) => {
            let at_files = key(at, "files");
            if is_water || may_be_monthly(context, name) {
                check_pattern(context, at, &at_files, pattern, section);
            } else {
                let message =
                    format!("{at} has files, which only a water history or a layer of [climate] has");
                let help = "give file; a layer of another kind is one file";
                context.problem_at_key(&at_files, message, help);
            }
            Files::Pattern(context.beside_study(pattern).to_string_lossy().into_owned())
        }
        (Some(_), Some(_)) => {
            let help = "keep file for one file, files for a water history";
            context.problem_at_key(&key(at, "files"), format!("{at} has both file and files"), help);
            Files::One(PathBuf::new())
        }
        (None, None) if context.spoilt.open(at) => Files::One(PathBuf::new()),
        (None, None) => {
            let (missing, help) = if is_water {
                ("files", "add files = \"a pattern with {year} and {month}\"")
            } else {
                ("file", "add file = \"a path from the study file's folder\"")
            };
            context.problem_at_key(at, format!("{at} has no key \"{missing}\""), help);
            Files::One(PathBuf::new())
        }
    }
}

fn vector_rules(context: &mut Context<'_>, at: &str, file: &str, section: &LayerSection) {
    let ending = file.rsplit_once('.').map(|(_, e)| e.to_ascii_lowercase());
    let is_vector = ending.is_some_and(|e| VECTOR_ENDINGS.contains(&e.as_str()));
    if is_vector && is_address(file) {
        let message = format!("{at}: {} is a vector file on a server", shown(file));
        context.problem(
            &key(at, "file"),
            message,
            "only rasters may lie on servers; copy it here and give its path",
        );
    } else if is_vector && section.kind != LayerKind::Mask {
        let kind = kind_word(section.kind);
        let message = format!("{at}: a vector file cannot be a layer of kind \"{kind}\"");
        context.problem(&key(at, "file"), message, "use kind = \"mask\", or a raster file");
    }
    if is_vector && section.band.is_some() {
        let at = key(at, "band");
        context.problem_at_key(&at, format!("{at}: a vector file has no bands"), "leave it out");
    }
}

fn check_pattern(context: &mut Context<'_>, at: &str, at_files: &str, pattern: &str, section: &LayerSection) {
    let example = "for example \"water/water_{year}-{month}.tif\"";
    let parts = match placeholders(pattern) {
        Some(parts) => parts,
        None => {
            let message = format!("{at_files}: {pattern:?} has a brace without its other half");
            return context.problem(at_files, message, example);
        }
    };
    for part in &parts {
        if !["year", "month", "day"].contains(part) {
            let message = format!("{at_files}: {{{part}}} is not known in a pattern");
            context.problem(at_files, message, "known: {year}, {month}, {day}");
            return;
        }
    }
    let has = |name: &str| parts.contains(&name);
    if has("day") && is_address(pattern) {
        let message = format!(
            "{at_files}: {} has {{day}}, but a server is not asked which days it holds",
            shown(pattern)
        );
        context.problem(at_files, message, "put the days of a month together first, and take {day} out");
        return;
    }
    if has("day") && section.kind != LayerKind::WaterHistory {
        let message = format!("{at_files}: {pattern:?} has {{day}}, but a climate has one raster a month");
        context.problem(at_files, message, "put the days of a month together first, and take {day} out");
    } else if !has("year") {
        let message = format!("{at_files}: {pattern:?} has no {{year}}");
        context.problem(at_files, message, example);
    } else if has("day") && !has("month") {
        let message = format!("{at_files}: {pattern:?} has {{day}} but no {{month}}");
        context.problem(at_files, message, example);
    } else if !has("month") && section.band.is_some() {
        let at = key(at, "band");
        let message = format!("{at}: files without {{month}} are read whole, twelve bands");
        context.problem_at_key(&at, message, "leave band out, or put {month} in the pattern");
    }
}

/// The names in braces; `None` where braces do not pair.
fn placeholders(pattern: &str) -> Option<Vec<&str>> {
    let mut names = Vec::new();
    let mut rest = pattern;
    while let Some(open) = rest.find(['{', '}']) {
        let inner = rest[open..].strip_prefix('{')?;
        let close = inner.find(['{', '}'])?;
        if !inner[close..].starts_with('}') {
            return None;
        }
        names.push(&inner[..close]);
        rest = &inner[close + 1..];
    }
    Some(names)
}

/// Keys that only a water history has, and where wet may begin.
fn water_keys(context: &mut Context<'_>, at: &str, section: &LayerSection, holds: WaterContent) {
    if context.spoilt.value(&key(at, "kind")) {
        return;
    }
    if section.kind != LayerKind::WaterHistory {
        let written = [
            ("holds", section.holds.is_some()),
            ("wet_at", section.wet_at.is_some()),
            ("unobserved", !section.unobserved.is_empty()),
        ];
        for (name, _) in written.iter().filter(|(_, written)| *written) {
            let message = format!("{at} has {name}, which only a water history has");
            let help = if *name == "unobserved" {
                "use no_data for values that mean no data"
            } else {
                "leave it out, or use kind = \"water-history\""
            };
            context.problem_at_key(&key(at, name), message, help);
        }
        return;
    }
    let Some(wet_at) = section.wet_at.filter(|_| !context.spoilt.meant(at, "holds")) else { return };
    let at = key(at, "wet_at");
    match holds {
        WaterContent::Mask => {
            let message = format!("{at} is {wet_at}, but masks are wet where they are 1");
            let help = "leave it out, or say holds = \"fraction\" or \"depth\"";
            context.problem(&at, message, help);
        }
        WaterContent::Fraction if !(wet_at > 0.0 && wet_at <= 1.0) => {
            let message = format!("{at} is {wet_at}; a share above 0 and up to 1 is expected");
            context.problem(&at, message, "shares are written 0.5, not 50");
        }
        WaterContent::Depth if wet_at < 0.0 => {
            let message = format!("{at} is {wet_at}; a depth of 0 or more is expected");
            context.problem(&at, message, "a cell is wet where it is deeper than this");
        }
        _ => {}
    }
}

fn legend_of(
    context: &mut Context<'_>,
    at: &str,
    name: &str,
    section: &LayerSection,
) -> Option<crate::settings::Legend> {
    let text = section.legend.as_ref()?;
    let at_legend = key(at, "legend");
    if section.kind != LayerKind::Class && !context.spoilt.value(&key(at, "kind")) {
        let message = format!("{at} has a legend, which only a class layer has");
        let help = format!("use kind = {}, or leave it out", quoted(&["class"]));
        context.problem_at_key(&at_legend, message, help);
        return None;
    }
    let before = context.problems.len();
    let path = context.existing(&at_legend, text);
    if context.problems.len() > before {
        return None;
    }
    match legend::read(&path) {
        Ok(table) => {
            let settings = table.settings();
            context.legends.insert(name.to_string(), table);
            Some(settings)
        }
        Err(problems) => {
            context.problems.extend(problems);
            None
        }
    }
}
