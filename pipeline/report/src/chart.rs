//! Charts as SVG, drawn once for the page and once for the figures folder.
//!
//! A chart is drawn for a width in its own units (one unit is one CSS pixel on the page), never
//! scaled down, so that its words stay readable on a narrow screen.

mod area;
mod boyce;
mod curves;
mod drought;
mod ladder;
mod loss;
mod over_time;
mod population;
mod sensitivity;
mod surface;
mod svg;

pub(crate) use area::habitat_area;
pub(crate) use boyce::boyce_curve;
pub(crate) use curves::response_curves;
pub(crate) use drought::drought_index;
pub(crate) use ladder::drying_ladder;
pub(crate) use loss::loss_breakdown;
pub(crate) use over_time::habitat_by_year;
pub(crate) use population::population_paths;
pub(crate) use sensitivity::sensitivity;
pub(crate) use surface::response_surface;
pub(crate) use svg::{Svg, escape};

/// Dark text.
pub(crate) const INK: &str = "#1f2b2a";
/// Words of less weight; 4.5:1 or more on white (WCAG 2.2, 1.4.3).
pub(crate) const MUTED: &str = "#54615f";
/// Axes and guides.
pub(crate) const LINE: &str = "#c9cfcc";
/// How much wider bold words run.
pub(crate) const BOLD: f64 = 1.13;
/// Charts narrower than this are for a telephone.
pub(crate) const SMALL: f64 = 500.0;
