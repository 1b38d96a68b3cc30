//! What every section needs while it is resolved: the file, places, names, and the problems so far.

use super::legend::LegendTable;
use super::series::written;
use crate::address;
use crate::examine::Unlisted;
use crate::nearest::did_you_mean;
use crate::options::{LayerKind, LayerSection, Role, StudyFile};
use crate::problem::Problem;
use crate::settings::Network;
use crate::source::{Source, key};
use crate::spoilt::Spoilt;
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

/// The state of resolving one study.
pub(super) struct Context<'a> {
    pub file: &'a StudyFile,
    pub source: &'a Source,
    /// What the problems of form leave unknown.
    pub spoilt: &'a Spoilt,
    pub problems: Vec<Problem>,
    pub warnings: Vec<Problem>,
    /// Those of the problems that a line added to a legend would mend.
    pub unlisted: Vec<Unlisted>,
    /// Layer by role; the first one where a role is taken twice.
    pub roles: BTreeMap<Role, String>,
    /// Legends read so far, by layer.
    pub legends: BTreeMap<String, LegendTable>,
    /// What may be fetched.
    pub network: Option<Network>,
    folder: PathBuf,
    used: BTreeSet<String>,
}

impl<'a> Context<'a> {
    pub fn new(file: &'a StudyFile, source: &'a Source, spoilt: &'a Spoilt) -> Self {
        let folder = source.path.parent().unwrap_or(Path::new(""));
        Context {
            file,
            source,
            spoilt,
            problems: Vec::new(),
            warnings: Vec::new(),
            unlisted: Vec::new(),
            roles: BTreeMap::new(),
            legends: BTreeMap::new(),
            network: None,
            folder: folder.to_path_buf(),
            used: BTreeSet::new(),
        }
    }

    /// A problem with the value at `at`, unless that is a stand-in, whose problem is told already.
    pub fn problem(&mut self, at: &str, message: String, help: impl Into<String>) {
        if !self.spoilt.value(at) {
            let problem = self.source.problem(at, message, help.into());
            self.problems.push(problem);
        }
    }

    /// As [`Self::problem`], pointing at the key instead of its value.
    pub fn problem_at_key(&mut self, at: &str, message: String, help: impl Into<String>) {
        if !self.spoilt.value(at) {
            let mut problem = self.source.problem(at, message, help.into());
            problem.place = self.source.place_of_key(at);
            self.problems.push(problem);
        }
    }

    pub fn warn(&mut self, at: &str, message: String, help: impl Into<String>) {
        let mut problem = self.source.problem(at, message, help.into());
        problem.warning = true;
        self.warnings.push(problem);
    }

    /// `text` as a path from `folder`, absolute. Addresses stay as they are.
    pub fn absolute(&self, text: &str, folder: &Path) -> PathBuf {
        if address::is_address(text) {
            return PathBuf::from(text.trim());
        }
        let path = folder.join(text);
        std::path::absolute(&path).unwrap_or(path)
    }

    /// `text` as a path from the study file's folder, absolute.
    pub fn beside_study(&self, text: &str) -> PathBuf {
        self.absolute(text, &self.folder)
    }

    /// As [`Self::beside_study`]; a problem if there is no such file on this machine.
    pub fn existing(&mut self, at: &str, text: &str) -> PathBuf {
        let path = self.beside_study(text);
        if text.trim().is_empty() {
            self.problem(at, format!("{at} is empty"), "give the path of a file");
        } else if address::scheme(text).is_some() {
            let message = format!("{at}: {} lies on a server", address::shown(text));
            let help = "only rasters of layers may, by addresses that begin with https:// or http://; copy it here and give its path";
            self.problem(at, message, help);
        } else if text.starts_with("/vsi") {
            let help = "give the address itself, https://..., and allow it in [network]; unpack archives";
            self.problem(at, format!("{at}: paths of GDAL's virtual file systems are not taken"), help);
        } else if !path.is_file() {
            let what = if path.is_dir() { "is a folder" } else { "does not exist" };
            let message = format!("{at}: {text:?} {what}; looked for {}", path.display());
            self.problem(at, message, "paths start from the study file's folder");
        }
        path
    }

    /// The layer that `at` names, if it is there, is a single raster (or a water history) and holds one of
    /// `kinds`; else a problem.
    pub fn layer(&mut self, at: &str, name: &str, kinds: &[LayerKind]) -> Option<&'a LayerSection> {
        let layer = self.layer_of_any_shape(at, name, kinds)?;
        let monthly = layer.kind != LayerKind::WaterHistory && self.is_of_climate(name);
        if monthly && (layer.files.is_some() || layer.first_month.is_some()) {
            let message =
                format!("{at}: layer {name:?} is a raster for each month; a single one is expected");
            self.problem(at, message, "only [climate] takes monthly layers");
            return None;
        }
        Some(layer)
    }

    /// Whether a series of `[climate]` is this layer.
    pub fn is_of_climate(&self, name: &str) -> bool {
        written(self.file).into_iter().any(|(_, series)| series.layer.as_deref() == Some(name))
    }

    /// As [`Self::layer`], of a raster for each month too.
    pub fn layer_of_any_shape(
        &mut self,
        at: &str,
        name: &str,
        kinds: &[LayerKind],
    ) -> Option<&'a LayerSection> {
        self.used.insert(name.to_string());
        let file = self.file;
        let Some(layer) = file.layers.get(name) else {
            if self.spoilt.open("layers") {
                return None;
            }
            let known = self.source.keys(&["layers"]);
            let help = did_you_mean(name, known.iter().copied(), "layer");
            self.problem(at, format!("{at}: there is no layer {name:?}"), help);
            return None;
        };
        if self.spoilt.value(&key(&key("layers", name), "kind")) {
            return None;
        }
        if kinds.contains(&layer.kind) {
            return Some(layer);
        }
        let fitting: Vec<&str> = self
            .source
            .keys(&["layers"])
            .into_iter()
            .filter(|n| file.layers.get(*n).is_some_and(|l| kinds.contains(&l.kind)))
            .collect();
        let help = if fitting.is_empty() {
            "the study has no such layer".to_string()
        } else {
            format!("such layers are {}", quoted(&fitting))
        };
        let kinds: Vec<&str> = kinds.iter().map(|kind| kind_word(*kind)).collect();
        let message = format!(
            "{at}: layer {name:?} is of kind \"{}\"; {} is expected",
            kind_word(layer.kind),
            quoted(&kinds).replace(", ", " or ")
        );
        self.problem(at, message, help);
        None
    }

    /// A problem unless some layer has this role; `why` says what needs it.
    pub fn need_role(&mut self, at: &str, role: Role, why: &str) {
        if !self.may_have(role) {
            let word = role_word(role);
            let message = format!("{at}: {why} needs a layer with the role \"{word}\"");
            let help = format!("add [layers.{word}] or give a layer role = \"{word}\"");
            self.problem(at, message, help);
        }
    }

    /// Whether some layer has this role, or may have it for all that can be known.
    pub fn may_have(&self, role: Role) -> bool {
        let mut names = self.file.layers.keys();
        let unknown = |name: &String| self.spoilt.meant(&key("layers", name), "role");
        self.roles.contains_key(&role) || self.spoilt.open("layers") || names.any(unknown)
    }

    /// Checks that `code` stands in the layer's legend, if it has one that could be read.
    pub fn known_code(&mut self, at: &str, layer: &str, code: i32) {
        let Some(legend) = self.legends.get(layer) else {
            return;
        };
        if legend.rows.contains_key(&code) {
            return;
        }
        let known: Vec<String> =
            legend.rows.iter().map(|(code, row)| format!("{code} ({})", row.name)).collect();
        let message = format!("{at}: code {code} is not in the legend of layer {layer:?}");
        let path = legend.path.clone();
        let before = self.problems.len();
        self.problem(at, message, format!("it has {}", known.join(", ")));
        let told = self.problems.get(before).cloned();
        self.unlisted.extend(told.map(|problem| Unlisted { legend: path, code, problem }));
    }

    /// Warns of every layer that has no role and that nothing names.
    pub fn warn_unused(&mut self) {
        if !self.spoilt.is_empty() {
            return; // What is not understood may name any of them.
        }
        for name in self.source.keys(&["layers"]) {
            let has_role = self.roles.values().any(|layer| layer == name);
            if !has_role && !self.used.contains(name) {
                let at = key("layers", name);
                let message = format!("layer {name:?} is not used");
                let help = "name it in a variable, barrier or scenario, give it a role, or take it out";
                self.warn(&at, message, help);
            }
        }
    }
}

/// The word of a layer kind in the study file.
pub(super) fn kind_word(kind: LayerKind) -> &'static str {
    match kind {
        LayerKind::Class => "class",
        LayerKind::Continuous => "continuous",
        LayerKind::Mask => "mask",
        LayerKind::Fraction => "fraction",
        LayerKind::WaterHistory => "water-history",
    }
}

/// The word of a role in the study file.
pub(super) fn role_word(role: Role) -> &'static str {
    match role {
        Role::Water => "water",
        Role::Ground => "ground",
        Role::Depth => "depth",
        Role::Zones => "zones",
        Role::WetlandClass => "wetland_class",
        Role::LandCover => "land_cover",
        Role::Pools => "pools",
    }
}

/// Names in quotes, with commas.
pub(super) fn quoted(names: &[&str]) -> String {
    let names: Vec<String> = names.iter().map(|name| format!("\"{name}\"")).collect();
    names.join(", ")
}
