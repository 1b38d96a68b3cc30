//! The patches of the cases as layers of polygons with their attributes.

use super::Stages;
use crate::connection_layers::connection_attributes;
use crate::tables::class_name;
use lentic_raster::{Attribute, AttributeValues, PatchLayer};
use lentic_study::settings::Role;

impl Stages<'_> {
    /// The patches of every case.
    pub(super) fn patch_layers(&self) -> Vec<PatchLayer<'_>> {
        let zones = self.context.study.layer_with(Role::Zones);
        self.cases
            .iter()
            .zip(self.patches)
            .enumerate()
            .map(|(at, (case, found))| {
                let patches = &found.patches;
                let real = |name: &str, values: Vec<Option<f64>>| Attribute {
                    name: name.into(),
                    values: AttributeValues::Real(values),
                };
                let text = |name: &str, values: Vec<Option<String>>| Attribute {
                    name: name.into(),
                    values: AttributeValues::Text(values),
                };
                let core = match &found.core {
                    Some(core) => core.iter().map(|m2| Some(m2 / 10_000.0)).collect(),
                    None => vec![None; patches.len()],
                };
                let mut layer = PatchLayer {
                    name: case.name.clone(),
                    labels: &found.labels,
                    attributes: vec![
                        real("area_ha", patches.iter().map(|p| Some(p.area_m2 / 10_000.0)).collect()),
                        real("core_ha", core),
                        real("mean_suitability", patches.iter().map(|p| Some(p.suitability)).collect()),
                        real(
                            "mean_hydroperiod_months",
                            patches.iter().map(|p| Some(p.hydroperiod)).collect(),
                        ),
                        text(
                            "zone",
                            patches.iter().map(|p| p.zone.map(|z| class_name(zones, Some(z.0)))).collect(),
                        ),
                        real("nearest_neighbour_m", found.nearest.clone()),
                        text(
                            "cut",
                            patches
                                .iter()
                                .map(|p| Some(if p.cut { "yes" } else { "no" }.to_string()))
                                .collect(),
                        ),
                    ],
                };
                if let Some(all) = self.connections {
                    layer.attributes.extend(connection_attributes(&all[at]));
                }
                layer
            })
            .collect()
    }
}
