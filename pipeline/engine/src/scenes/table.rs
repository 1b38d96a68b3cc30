//! The table of scenes.

use super::Context;
use super::find::Scene;
use super::record::{SceneRecord, month_file};
use lentic_report::{Column, Table};

/// How a scene came out, or why it is left out.
type Fate<'a> = Result<&'a SceneRecord, &'a String>;

/// One row per scene found, used ones first, each by date.
pub(super) fn table(
    context: &Context<'_>,
    scenes: &[Scene],
    records: &[SceneRecord],
    left_out: &[(Scene, String)],
) -> Table {
    let mut rows: Vec<(&Scene, Fate<'_>)> =
        scenes.iter().zip(records).map(|(scene, record)| (scene, Ok(record))).collect();
    rows.extend(left_out.iter().map(|(scene, why)| (scene, Err(why))));
    let text = |of: &dyn Fn(&Scene, Fate<'_>) -> Option<String>| {
        rows.iter().map(|(scene, record)| of(scene, *record)).collect::<Vec<_>>()
    };
    let real = |of: &dyn Fn(&SceneRecord) -> Option<f64>| {
        rows.iter().map(|(_, record)| of(record.ok()?)).collect::<Vec<_>>()
    };
    let files = |scene: &Scene, record: Fate<'_>| {
        let names: Vec<String> = match record {
            Ok(record) => record.inputs.iter().map(|input| input.file.clone()).collect(),
            Err(_) => {
                let name =
                    |path: &std::path::PathBuf| path.file_name().map(|n| n.to_string_lossy().into_owned());
                scene.files.iter().filter_map(name).collect()
            }
        };
        Some(names.join("; "))
    };
    let flags = |_: &Scene, record: Fate<'_>| match record {
        Ok(record) => (!record.flags.is_empty()).then(|| record.flags.join("; ")),
        Err(why) => Some(why.clone()),
    };
    let index = context.settings.index.name.clone();
    Table {
        name: "scenes".into(),
        title: "Scenes and their masks of water".into(),
        note: format!(
            "Water is where {index} lies above the threshold. Look at every scene that has a flag."
        ),
        columns: vec![
            Column::text("scene", "Name of the scene.", text(&|scene, _| Some(scene.name.clone()))),
            Column::text("date", "Date of the scene.", text(&|scene, _| Some(scene.date()))),
            Column::text("files", "Files read.", text(&files)),
            Column::text("index", "What tells water.", text(&|_, record| record.ok().map(|_| index.clone()))),
            Column::real("threshold", "", "Water lies above this.", real(&|r| r.threshold)),
            Column::text(
                "how",
                "Where the threshold comes from: fixed, otsu, or fixed because the values are not two-humped.",
                text(&|_, record| record.ok().map(|r| r.how.clone())),
            ),
            Column::real(
                "share_covered",
                "1",
                "Cells of the study area with data.",
                real(&|r| r.share_covered),
            ),
            Column::real(
                "share_clear",
                "1",
                "Cells of the study area with data and good quality.",
                real(&|r| r.share_clear),
            ),
            Column::real("share_wet", "1", "Clear cells with water.", real(&|r| r.share_wet)),
            Column::real(
                "share_hidden",
                "1",
                "Clear cells that look dry but whose plants may hide water; not seen in the mask.",
                real(&|r| r.share_hidden),
            ),
            Column::text("flags", "What to look at, or why the scene is left out.", text(&flags)),
            Column::text(
                "mask",
                "Mask of the month the scene is in.",
                text(&|scene, record| record.ok().map(|_| month_file(scene.month))),
            ),
        ],
    }
}
