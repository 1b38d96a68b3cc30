//! The templates of `configs/`.

use super::{ClimateFrom, Sheet};
use crate::options::WaterContent;

/// A kind of wetland, with a study file to begin from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Template {
    /// Pools and marshes of a closed basin.
    ClosedBasin,
    /// Channels, backwaters and oxbows.
    Floodplain,
    /// A marsh behind the shore.
    CoastalMarsh,
    /// Pools, hollows and wet margins on peat.
    Peatland,
    /// Pools, runs and marshes fed by ground water.
    SpringFed,
    /// A large shallow marsh, known as depth grids on a few dates.
    DepthMarsh,
}

impl Template {
    /// All of them.
    pub const ALL: [Template; 6] = [
        Template::ClosedBasin,
        Template::Floodplain,
        Template::CoastalMarsh,
        Template::Peatland,
        Template::SpringFed,
        Template::DepthMarsh,
    ];

    /// Its name, and that of its file in `configs/` without ending.
    pub fn name(self) -> &'static str {
        match self {
            Template::ClosedBasin => "closed-basin",
            Template::Floodplain => "floodplain",
            Template::CoastalMarsh => "coastal-marsh",
            Template::Peatland => "peatland",
            Template::SpringFed => "spring-fed",
            Template::DepthMarsh => "depth-marsh",
        }
    }

    /// What it is for: its first line.
    pub fn about(self) -> &'static str {
        self.text().lines().next().map_or("", |line| line.trim_start_matches("# "))
    }

    /// Its text.
    pub fn text(self) -> &'static str {
        match self {
            Template::ClosedBasin => include_str!("../../../../configs/closed-basin.toml"),
            Template::Floodplain => include_str!("../../../../configs/floodplain.toml"),
            Template::CoastalMarsh => include_str!("../../../../configs/coastal-marsh.toml"),
            Template::Peatland => include_str!("../../../../configs/peatland.toml"),
            Template::SpringFed => include_str!("../../../../configs/spring-fed.toml"),
            Template::DepthMarsh => include_str!("../../../../configs/depth-marsh.toml"),
        }
    }

    /// Its layers besides the water, in their order.
    pub fn layers(self) -> Vec<String> {
        let mut names = Sheet::of(self.text()).names_under("layers");
        names.retain(|name| name != "water");
        names
    }

    /// Where its climate comes from.
    pub fn climate(self) -> ClimateFrom {
        super::native_climate(&Sheet::of(self.text()))
    }

    /// What its water files hold.
    pub fn holds(self) -> WaterContent {
        match Sheet::of(self.text()).string("[layers.water]", "holds").as_deref() {
            Some("depth") => WaterContent::Depth,
            Some("fraction") => WaterContent::Fraction,
            _ => WaterContent::Mask,
        }
    }

    /// First and last year of its baseline, whole years.
    pub fn baseline(self) -> (i32, i32) {
        let table = Sheet::of(self.text()).table("[period]");
        let year = |at: usize| {
            let month = table.as_ref()?.get("baseline")?.get(at)?.as_str()?;
            month.get(..4)?.parse().ok()
        };
        (year(0).unwrap_or(1991), year(1).unwrap_or(2020))
    }

    /// First month of its water year.
    pub fn water_year_starts(self) -> u32 {
        let table = Sheet::of(self.text()).table("[period]");
        let month = table.and_then(|table| table.get("water_year_starts")?.as_integer());
        month.and_then(|month| u32::try_from(month).ok()).unwrap_or(1)
    }

    /// Side of its cells, metres.
    pub fn cell_m(self) -> f64 {
        let table = Sheet::of(self.text()).table("[grid]");
        table.and_then(|table| table.get("cell_m")?.as_float()).unwrap_or(30.0)
    }
}
