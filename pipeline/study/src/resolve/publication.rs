//! `[publication]`.

use super::context::Context;
use crate::settings::Publication;

/// How places are told; what the study does not say is as careful as it can be.
pub(super) fn publication(context: &mut Context<'_>) -> Publication {
    let careful = Publication::default();
    let Some(section) = &context.file.publication else { return careful };
    let publication = Publication {
        sensitive: section.sensitive.unwrap_or(careful.sensitive),
        generalise: section.generalise.unwrap_or(careful.generalise),
        withhold_under_ha: section.withhold_under_ha.unwrap_or(careful.withhold_under_ha),
    };
    let cell_m = context.file.grid.cell_m;
    let at = "publication.generalise";
    let finer = publication.generalise.cell_m().filter(|side| *side < cell_m);
    if let Some(side) = finer.filter(|_| !context.spoilt.value(at) && !context.spoilt.value("grid.cell_m")) {
        let message =
            format!("{at} is {side} m, but the cells of the study are {cell_m} m: that generalises nothing");
        context.problem(
            at,
            message,
            "give several cells at least, or a category: \"low\", \"medium\", \"high\", \"extreme\"",
        );
    }
    if !publication.sensitive && context.file.records.is_some() {
        let message =
            "publication.sensitive is false, but the study has [records]: table records keeps their places"
                .to_string();
        context.warn("publication.sensitive", message, "make sure that these places may be known to anybody");
    }
    publication
}
