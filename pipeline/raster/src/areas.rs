//! True areas of cells.

use geographiclib_rs::{Geodesic, PolygonArea, Winding};

use crate::error::RasterError;
use crate::grid::{Cell, Grid, Point};

/// Rows that share one area: within so few rows the scale of a projection changes by far less than
/// it does across the columns.
const BLOCK_ROWS: usize = 64;

/// Area of the cells of a grid, one value per block of 64 rows.
///
/// On an equal-area projection every cell has the cell size squared. Otherwise a cell's area is that
/// of the geodesic polygon through its four corners on the ellipsoid of the system's own datum
/// (Karney 2013, Journal of Geodesy 87:43-55), taken at the centre row and centre column of the
/// block. How much that leaves out is in [`CellAreas::largest_area_difference`].
#[derive(Clone, Debug, PartialEq)]
pub struct CellAreas {
    blocks: Vec<f64>,
    rows: usize,
    largest: f64,
}

impl CellAreas {
    /// Areas of the cells of `grid`.
    ///
    /// # Errors
    /// A cell of the grid cannot be carried to longitude and latitude.
    pub fn new(grid: &Grid) -> Result<Self, RasterError> {
        let plane = grid.plane_cell_m2();
        let count = grid.rows.div_ceil(BLOCK_ROWS);
        if grid.crs.is_equal_area() {
            return Ok(Self { blocks: vec![plane; count], rows: grid.rows, largest: 0.0 });
        }
        let ellipsoid = ellipsoid(grid)?;
        let cols = [grid.cols / 2, 0, grid.cols.saturating_sub(1)];
        let mut corners = Vec::with_capacity(count * cols.len() * 4);
        for block in 0..count {
            let first = block * BLOCK_ROWS;
            let row = first + (grid.rows.min(first + BLOCK_ROWS) - first) / 2;
            for col in cols {
                corners.extend(cell_corners(grid, Cell { row, col }));
            }
        }
        let plane_corners = corners.clone();
        grid.crs.transform(&grid.crs.geographic()?, &mut corners)?;
        if let Some(at) = corners.iter().position(|point| !point.x.is_finite()) {
            return Err(RasterError::Transform {
                point: plane_corners[at],
                from: grid.crs.name().to_owned(),
                to: "longitude and latitude".into(),
            });
        }
        let areas: Vec<f64> =
            corners.chunks_exact(4).map(|corners| geodesic_area(&ellipsoid, corners)).collect();
        let largest = areas.iter().map(|area| (area / plane - 1.0).abs()).fold(0.0, f64::max);
        let blocks = areas.chunks_exact(cols.len()).map(|block| block[0]).collect();
        Ok(Self { blocks, rows: grid.rows, largest })
    }

    /// Area of a cell of a row, m2. A row beyond the last has the area of the last.
    #[must_use]
    pub fn area_m2(&self, row: usize) -> f64 {
        let row = row.min(self.rows.saturating_sub(1));
        self.blocks.get(row / BLOCK_ROWS).copied().unwrap_or(f64::NAN)
    }

    /// Largest difference between the true area and the cell size squared, as a share of the latter
    /// (0.01 = 1 %), over the left, centre and right column of every block; 0 if equal-area.
    #[must_use]
    pub fn largest_area_difference(&self) -> f64 {
        self.largest
    }
}

fn ellipsoid(grid: &Grid) -> Result<Geodesic, RasterError> {
    let library = |error: gdal::errors::GdalError| RasterError::Library {
        doing: "reading the ellipsoid",
        said: crate::error::said(&error),
    };
    let reference = grid.crs.reference()?;
    let major = reference.semi_major().map_err(library)?;
    let minor = reference.semi_minor().map_err(library)?;
    Ok(Geodesic::new(major, (major - minor) / major))
}

/// Corners counter-clockwise from the lower left.
fn cell_corners(grid: &Grid, cell: Cell) -> [Point; 4] {
    let Point { x, y } = grid.centre(cell);
    let half = 0.5 * grid.cell_m;
    [(-half, -half), (half, -half), (half, half), (-half, half)]
        .map(|(dx, dy)| Point { x: x + dx, y: y + dy })
}

/// Area of a polygon given by longitude and latitude, m2.
fn geodesic_area(ellipsoid: &Geodesic, corners: &[Point]) -> f64 {
    let mut polygon = PolygonArea::new(ellipsoid, Winding::CounterClockwise);
    for corner in corners {
        polygon.add_point(corner.y, corner.x);
    }
    polygon.compute(true).1.abs()
}

/// True area of a polygon on the plane of a grid, by its corners in order, square metres: the plane's where the projection keeps
/// areas, else that of the geodesic polygon through the corners (Karney 2013). 0 for fewer than three corners.
///
/// # Errors
/// A corner that cannot be carried to longitude and latitude.
pub fn polygon_m2(grid: &Grid, corners: &[Point]) -> Result<f64, RasterError> {
    let Some(first) = corners.first().filter(|_| corners.len() > 2) else { return Ok(0.0) };
    if grid.crs.is_equal_area() {
        let cross =
            |a: &Point, b: &Point| (a.x - first.x) * (b.y - first.y) - (a.y - first.y) * (b.x - first.x);
        return Ok((corners.windows(2).map(|pair| cross(&pair[0], &pair[1])).sum::<f64>() / 2.0).abs());
    }
    let mut carried = corners.to_vec();
    grid.crs.transform(&grid.crs.geographic()?, &mut carried)?;
    if let Some(at) = carried.iter().position(|point| !(point.x.is_finite() && point.y.is_finite())) {
        return Err(RasterError::Transform {
            point: corners[at],
            from: grid.crs.name().to_owned(),
            to: "longitude and latitude".into(),
        });
    }
    Ok(geodesic_area(&ellipsoid(grid)?, &carried))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::grid::{Bounds, Crs};

    fn grid(crs: &str, left: f64, top: f64, rows: usize, cols: usize, cell: f64) -> Grid {
        let bounds = Bounds { left, bottom: top - rows as f64 * cell, right: left + cols as f64 * cell, top };
        Grid::from_bounds(Crs::parse(crs).unwrap(), bounds, cell).unwrap()
    }

    #[test]
    fn a_square_of_the_military_grid() {
        // Square 18SWK, corners (500000, 4400000) and (600000, 4500000) of UTM zone 18 north:
        // 10007388597.2 m2 in the manual page of Planimeter, GeographicLib 2.1.2.
        let areas = CellAreas::new(&grid("EPSG:32618", 5e5, 4.5e6, 1, 1, 1e5)).unwrap();
        assert!((areas.area_m2(0) - 10_007_388_597.2).abs() < 0.1, "{}", areas.area_m2(0));
        assert!((areas.largest_area_difference() - 0.000_738_859_72).abs() < 1e-10);
    }

    #[test]
    fn a_polygon_of_the_military_grid() {
        // as above, and by the plane of an equal-area projection
        let corner = |x, y| Point { x, y };
        let square = [corner(5e5, 4.4e6), corner(6e5, 4.4e6), corner(6e5, 4.5e6), corner(5e5, 4.5e6)];
        let area = polygon_m2(&grid("EPSG:32618", 5e5, 4.5e6, 1, 1, 1e5), &square).unwrap();
        assert!((area - 10_007_388_597.2).abs() < 0.1, "{area}");
        let plane = grid("EPSG:6933", 0.0, 1e6, 2, 3, 30.0);
        let triangle = [corner(0.0, 0.0), corner(3000.0, 0.0), corner(0.0, 4000.0)];
        assert_eq!(polygon_m2(&plane, &triangle).unwrap(), 6e6);
        assert_eq!(polygon_m2(&plane, &triangle[..2]).unwrap(), 0.0);
    }

    #[test]
    fn equal_area_cells_are_plane() {
        let areas = CellAreas::new(&grid("EPSG:6933", 0.0, 1e6, 200, 3, 30.0)).unwrap();
        assert_eq!(areas.area_m2(0), 900.0);
        assert_eq!(areas.area_m2(199), 900.0);
        assert_eq!(areas.largest_area_difference(), 0.0);
    }

    #[test]
    fn geodesic_area_agrees_with_the_equal_area_plane() {
        // The same computation on an equal-area projection must give the plane area: an independent
        // check of corners, axis order and ellipsoid.
        let grid = grid("EPSG:6933", 1e6, -3e6, 1, 1, 1000.0);
        let mut corners = cell_corners(&grid, Cell { row: 0, col: 0 });
        grid.crs.transform(&grid.crs.geographic().unwrap(), &mut corners).unwrap();
        let area = geodesic_area(&ellipsoid(&grid).unwrap(), &corners);
        assert!((area / 1e6 - 1.0).abs() < 1e-6, "{area}");
    }

    #[test]
    fn mercator_cells_shrink_with_latitude() {
        // At 60 degrees the scale of EPSG:3857 is near 2, so a cell covers about a quarter.
        let areas = CellAreas::new(&grid("EPSG:3857", 0.0, 8_400_000.0, 100, 2, 100.0)).unwrap();
        assert!((areas.area_m2(0) / 1e4 - 0.25).abs() < 0.01);
        assert!(areas.area_m2(0) < areas.area_m2(99));
        assert!(areas.largest_area_difference() > 0.74);
    }
}
