//! Paths as lines in a GeoPackage.

use std::path::Path;

use gdal::Dataset;
use gdal::spatial_ref::SpatialRef;
use gdal::vector::{Feature, FieldDefn, LayerAccess, LayerOptions, OGRwkbGeometryType};

use crate::error::RasterError;
use crate::grid::Point;
use crate::patches::Attribute;
use crate::vector::{ShapeKind, geometry};

/// A layer of lines.
#[derive(Debug)]
pub struct PathLayer {
    /// Name of the layer.
    pub name: String,
    /// Lines, each through at least two points.
    pub lines: Vec<Vec<Point>>,
    /// Columns, a value for each line.
    pub attributes: Vec<Attribute>,
}

impl PathLayer {
    /// Whether every line has two points and every column a value for each line.
    pub(crate) fn check(&self, path: &Path) -> Result<(), RasterError> {
        let fail = |what: String| {
            Err(RasterError::Size(format!("{}: layer '{}': {what}", path.display(), self.name)))
        };
        if let Some(at) = self.lines.iter().position(|line| line.len() < 2) {
            return fail(format!(
                "line {} has {} points, at least 2 are needed",
                at + 1,
                self.lines[at].len()
            ));
        }
        match self.attributes.iter().find(|column| column.values.len() != self.lines.len()) {
            Some(column) => fail(format!(
                "column '{}' has {} values for {} lines",
                column.name,
                column.values.len(),
                self.lines.len()
            )),
            None => Ok(()),
        }
    }

    pub(crate) fn write(&self, dataset: &mut Dataset, reference: &SpatialRef) -> gdal::errors::Result<()> {
        let target = dataset.create_layer(LayerOptions {
            name: &self.name,
            srs: Some(reference),
            ty: OGRwkbGeometryType::wkbLineString,
            options: None,
        })?;
        for column in &self.attributes {
            FieldDefn::new(&column.name, column.values.field_type())?.add_to_layer(&target)?;
        }
        for (at, points) in self.lines.iter().enumerate() {
            let mut feature = Feature::new(target.defn())?;
            for (field, column) in self.attributes.iter().enumerate() {
                column.values.set(&mut feature, field, at)?;
            }
            feature.set_geometry(geometry(ShapeKind::Line, points)?)?;
            feature.create(&target)?;
        }
        Ok(())
    }
}
