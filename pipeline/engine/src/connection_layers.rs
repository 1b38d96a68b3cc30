//! Connection in the vector products: columns of the patches, and the ways between them as lines.

use crate::stages::connection::{CaseConnection, Path};
use lentic_habitat::connection::Share;
use lentic_raster::{Attribute, AttributeValues, Cell, Grid, PathLayer};

/// What the patches of a case are to its connection.
pub fn connection_attributes(found: &CaseConnection) -> [Attribute; 3] {
    let shares = &found.connection.shares;
    let real = |name: &str, value: &dyn Fn(&Share) -> f64| Attribute {
        name: name.into(),
        values: AttributeValues::Real(shares.iter().map(|share| Some(value(share))).collect()),
    };
    let ranks = found.connection.ranks().into_iter().map(|rank| Some(rank as i64));
    [
        real("share_by_removal_percent", &Share::by_removal),
        real("stepping_stone_percent", &|share| share.stepping_stone),
        Attribute { name: "removal_rank".into(), values: AttributeValues::Integer(ranks.collect()) },
    ]
}

/// Least-cost ways of a case as lines, from centre to centre of cells.
pub fn path_layer(grid: &Grid, case: &str, found: &CaseConnection) -> PathLayer {
    let paths = &found.paths;
    let line = |path: &Path| {
        let cells = path.course.iter().map(|spot| Cell { row: spot.row as usize, col: spot.col as usize });
        cells.map(|cell| grid.centre(cell)).collect()
    };
    let real = |name: &str, value: &dyn Fn(&Path) -> f64| Attribute {
        name: name.into(),
        values: AttributeValues::Real(paths.iter().map(|path| Some(value(path))).collect()),
    };
    let patch = |name: &str, value: &dyn Fn(&Path) -> u32| Attribute {
        name: name.into(),
        values: AttributeValues::Integer(paths.iter().map(|path| Some(i64::from(value(path)))).collect()),
    };
    PathLayer {
        name: format!("paths_{case}"),
        lines: paths.iter().map(line).collect(),
        attributes: vec![
            patch("from_patch", &|path| path.from),
            patch("to_patch", &|path| path.to),
            real("cost_m", &|path| path.cost_m),
            real("length_m", &|path| path.length_m),
            real("probability", &|path| path.probability),
        ],
    }
}
