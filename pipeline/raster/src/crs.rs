//! Coordinate reference systems: what a study grid needs to know of them.

use std::cell::RefCell;
use std::collections::HashMap;

use gdal::spatial_ref::{AxisMappingStrategy, CoordTransform, SpatialRef};

use crate::error::{RasterError, said};
use crate::ffi;
use crate::grid::Point;

/// Comparisons a thread remembers.
const MOST_COMPARED: usize = 256;

thread_local! {
    /// Comparing two systems takes PROJ a while, and a stack of months asks the same question for every file.
    static COMPARED: RefCell<HashMap<(String, String), bool>> = RefCell::new(HashMap::new());
}

/// A coordinate reference system, kept as text so that it can be shared between threads. Coordinates
/// are always x east, y north, whatever order the system's authority gives its axes.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub struct Crs {
    wkt: String,
    name: String,
    authority: Option<String>,
    projected: bool,
    /// Linear unit: name and metres in one.
    unit: (String, u64),
    method: Option<String>,
}

/// Projection methods that keep area on the ellipsoid, by their name in the EPSG data set (IOGP
/// Publication 373-7-2) or, for the last two, in PROJ. Forms for the sphere only are left out on
/// purpose: on an ellipsoid their areas are off by up to half a percent, so the true area is taken.
const EQUAL_AREA: [&str; 5] = [
    "lambert azimuthal equal area",
    "albers equal area",
    "lambert cylindrical equal area",
    "equal earth",
    "sinusoidal",
];

impl Crs {
    /// Reads "EPSG:6933" (or another authority PROJ knows), a PROJ string that starts with `+proj`,
    /// WKT or PROJJSON. Names of files and addresses are not followed.
    ///
    /// # Errors
    /// [`RasterError::CrsText`].
    ///
    /// ```
    /// use lentic_raster::Crs;
    /// assert!(Crs::parse("EPSG:6933")?.is_equal_area());
    /// assert!(!Crs::parse("EPSG:32618")?.is_equal_area());
    /// # Ok::<(), lentic_raster::RasterError>(())
    /// ```
    pub fn parse(text: &str) -> Result<Self, RasterError> {
        let refuse = |said: String| RasterError::CrsText { text: shorten(text), said };
        let text = text.trim();
        if !looks_like_crs(text) {
            return Err(refuse("it is no code, PROJ string or WKT".into()));
        }
        crate::quiet();
        let reference = SpatialRef::from_definition(text).map_err(|error| refuse(reason(&error)))?;
        Self::from_reference(&reference).map_err(refuse)
    }

    /// From an opened file's reference system.
    pub(crate) fn from_reference(reference: &SpatialRef) -> Result<Self, String> {
        let wkt = ffi::wkt2(reference).ok_or("it has no WKT form")?;
        let projected = reference.is_projected();
        let unit = if projected {
            (reference.linear_units_name().unwrap_or_default(), reference.linear_units().to_bits())
        } else {
            (String::new(), 1f64.to_bits())
        };
        Ok(Self {
            wkt,
            name: reference.name().unwrap_or_else(|| "unnamed".into()),
            authority: reference.authority().ok(),
            projected,
            unit,
            method: reference.to_projjson().ok().and_then(|json| method_name(&json)),
        })
    }

    /// GDAL's form, with x east and y north. Made anew for each use: it must not cross threads.
    pub(crate) fn reference(&self) -> Result<SpatialRef, RasterError> {
        let mut reference = SpatialRef::from_wkt(&self.wkt)
            .map_err(|error| RasterError::CrsText { text: self.name.clone(), said: reason(&error) })?;
        reference.set_axis_mapping_strategy(AxisMappingStrategy::TraditionalGisOrder);
        Ok(reference)
    }

    /// Well-known text (WKT2:2019), on one line.
    #[must_use]
    pub fn wkt(&self) -> &str {
        &self.wkt
    }

    /// Name, as in "WGS 84 / NSIDC EASE-Grid 2.0 Global".
    #[must_use]
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Authority and code, as in "EPSG:6933", if it has one.
    #[must_use]
    pub fn authority(&self) -> Option<&str> {
        self.authority.as_deref()
    }

    /// True for a map projection, false for degrees of longitude and latitude and for local systems.
    #[must_use]
    pub fn is_projected(&self) -> bool {
        self.projected
    }

    /// True if the projection keeps area on the ellipsoid, judged by the name of its method.
    #[must_use]
    pub fn is_equal_area(&self) -> bool {
        self.method.as_deref().is_some_and(|method| {
            let method = method.to_lowercase();
            !method.contains("spherical") && EQUAL_AREA.iter().any(|known| method.starts_with(known))
        })
    }

    /// True if both are one system, whatever they are called.
    #[must_use]
    pub fn same_as(&self, other: &Self) -> bool {
        if self.wkt == other.wkt {
            return true;
        }
        let key = (self.wkt.clone(), other.wkt.clone());
        if let Some(same) = COMPARED.with_borrow(|compared| compared.get(&key).copied()) {
            return same;
        }
        let same = match (self.reference(), other.reference()) {
            (Ok(one), Ok(two)) => one == two,
            _ => false,
        };
        COMPARED.with_borrow_mut(|compared| {
            if compared.len() >= MOST_COMPARED {
                compared.clear();
            }
            compared.insert(key, same);
        });
        same
    }

    /// Refuses what a study grid cannot use. `centre` is the centre of the bounds in this system: if it
    /// reads as degrees, the proposed equal-area system is centred there.
    pub(crate) fn require_metres(&self, centre: Point) -> Result<(), RasterError> {
        if self.projected {
            let metres = f64::from_bits(self.unit.1);
            if (metres - 1.0).abs() < 1e-9 {
                return Ok(());
            }
            return Err(RasterError::Unit { name: self.name.clone(), unit: self.unit.0.clone() });
        }
        let geographic = self.reference()?.is_geographic();
        if !geographic {
            return Err(RasterError::Unit { name: self.name.clone(), unit: "no map projection".into() });
        }
        let degrees = centre.x.abs() <= 180.0 && centre.y.abs() <= 90.0;
        let proposal = if degrees {
            format!("+proj=laea +lat_0={} +lon_0={} +datum=WGS84 +units=m", round(centre.y), round(centre.x))
        } else {
            "EPSG:6933".into()
        };
        Err(RasterError::Geographic { name: self.name.clone(), proposal })
    }

    /// Carries points to another system, in place; x east, y north. A point that cannot be carried
    /// becomes NaN in both coordinates.
    ///
    /// # Errors
    /// No operation between the two systems is known.
    pub fn transform(&self, other: &Self, points: &mut [Point]) -> Result<(), RasterError> {
        let transform = self.transform_to(other)?;
        let mut xs: Vec<f64> = points.iter().map(|point| point.x).collect();
        let mut ys: Vec<f64> = points.iter().map(|point| point.y).collect();
        carry(&transform, &mut xs, &mut ys);
        for (point, (x, y)) in points.iter_mut().zip(xs.into_iter().zip(ys)) {
            *point = Point { x, y };
        }
        Ok(())
    }

    /// Longitude (x) and latitude (y) in degrees of a point, on this system's own datum.
    ///
    /// # Errors
    /// The point lies outside the domain of the projection.
    pub fn to_geographic(&self, point: Point) -> Result<Point, RasterError> {
        let mut points = [point];
        self.all_to_geographic(&mut points)?;
        Ok(points[0])
    }

    /// As [`Self::to_geographic`], of many points in place.
    ///
    /// # Errors
    /// A point lies outside the domain of the projection.
    pub fn all_to_geographic(&self, points: &mut [Point]) -> Result<(), RasterError> {
        let before = points.to_vec();
        self.transform(&self.geographic()?, points)?;
        let lost = points.iter().position(|point| !(point.x.is_finite() && point.y.is_finite()));
        match lost {
            None => Ok(()),
            Some(at) => Err(RasterError::Transform {
                point: before[at],
                from: self.name.clone(),
                to: "longitude and latitude".into(),
            }),
        }
    }

    /// The geographic system this one is built on.
    pub(crate) fn geographic(&self) -> Result<Self, RasterError> {
        let library = |said| RasterError::Library { doing: "taking the geographic system", said };
        let base = self.reference()?.geog_cs().map_err(|error| library(said(&error)))?;
        Self::from_reference(&base).map_err(library)
    }

    /// Transformation to another system, for one thread.
    pub(crate) fn transform_to(&self, other: &Self) -> Result<CoordTransform, RasterError> {
        CoordTransform::new(&self.reference()?, &other.reference()?).map_err(|error| RasterError::Library {
            doing: "preparing a coordinate transformation",
            said: format!("from '{}' to '{}': {}", self.name, other.name, said(&error)),
        })
    }
}

/// Carries coordinates in place; those that cannot be carried become NaN.
pub(crate) fn carry(transform: &CoordTransform, xs: &mut [f64], ys: &mut [f64]) {
    if xs.is_empty() {
        return;
    }
    // An error only says that some point failed; GDAL marks those points as infinite.
    let _ = transform.transform_coords(xs, ys, &mut []);
    for (x, y) in xs.iter_mut().zip(ys) {
        if !(x.is_finite() && y.is_finite()) {
            *x = f64::NAN;
            *y = f64::NAN;
        }
    }
}

/// A code, PROJ string, WKT or PROJJSON by its look, so that GDAL is never led to a file or address.
fn looks_like_crs(text: &str) -> bool {
    let code = text.split_once(':').is_some_and(|(authority, code)| {
        let plain = |text: &str| {
            !text.is_empty() && text.chars().all(|c| c.is_ascii_alphanumeric() || c == '_' || c == '+')
        };
        plain(authority) && plain(code)
    });
    let wkt = text.split_once(['[', '(']).is_some_and(|(word, _)| {
        let word = word.trim();
        !word.is_empty() && word.chars().all(|c| c.is_ascii_alphabetic() || c == '_')
    });
    code || wkt || text.starts_with("+proj") || text.starts_with("+init") || text.starts_with('{')
}

/// Name of the projection method in PROJJSON: the first name after the first "method".
fn method_name(json: &str) -> Option<String> {
    let method = &json[json.find("\"method\"")?..];
    let name = &method[method.find("\"name\"")? + 6..];
    let start = name.find('"')? + 1;
    let end = start + name[start..].find('"')?;
    Some(name[start..end].to_owned())
}

fn reason(error: &gdal::errors::GdalError) -> String {
    ffi::last_failure().filter(|text| !text.is_empty()).unwrap_or_else(|| said(error))
}

/// To a hundredth of a degree, without a trailing ".0" or "-0".
fn round(degrees: f64) -> f64 {
    (degrees * 100.0).round() / 100.0 + 0.0
}

fn shorten(text: &str) -> String {
    if text.chars().count() > 80 {
        text.chars().take(77).chain("...".chars()).collect()
    } else {
        text.to_owned()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn equal_area_by_method() {
        for (text, expected) in [
            ("EPSG:6933", true), // cylindrical equal area
            ("EPSG:3035", true), // Lambert azimuthal equal area
            ("EPSG:3577", true), // Albers
            ("EPSG:8857", true), // Equal Earth
            ("+proj=laea +lat_0=-31 +lon_0=-18 +datum=WGS84 +units=m", true),
            ("+proj=sinu +datum=WGS84", true),
            ("EPSG:2163", false), // spherical form
            ("EPSG:32618", false),
            ("EPSG:3857", false),
            ("EPSG:4326", false),
        ] {
            assert_eq!(Crs::parse(text).unwrap().is_equal_area(), expected, "{text}");
        }
    }

    #[test]
    fn names_of_files_and_nonsense_are_refused() {
        for text in ["", "grid.prj", "/etc/passwd", "https://example.invalid/crs", "EPSG:999999"] {
            let error = Crs::parse(text).unwrap_err().to_string();
            assert!(error.contains("EPSG:6933"), "{error}");
        }
    }

    #[test]
    fn one_system_in_two_writings() {
        let code = Crs::parse("EPSG:32618").unwrap();
        let text = Crs::parse("+proj=utm +zone=18 +datum=WGS84 +units=m").unwrap();
        assert!(code.same_as(&text));
        assert!(code.same_as(&Crs::parse(code.wkt()).unwrap()));
        assert!(!code.same_as(&Crs::parse("EPSG:32619").unwrap()));
    }

    #[test]
    fn points_are_x_east_y_north_both_ways() {
        // pyproj 3.7.2: Transformer.from_crs(4326, 3035, always_xy=True).transform(10, 52)
        // gives (4321000, 3210000), the origin of the projection.
        let degrees = Crs::parse("EPSG:4326").unwrap();
        let metres = Crs::parse("EPSG:3035").unwrap();
        let mut points = [Point { x: 10.0, y: 52.0 }];
        degrees.transform(&metres, &mut points).unwrap();
        assert!((points[0].x - 4_321_000.0).abs() < 1e-3 && (points[0].y - 3_210_000.0).abs() < 1e-3);
        metres.transform(&degrees, &mut points).unwrap();
        assert!((points[0].x - 10.0).abs() < 1e-9 && (points[0].y - 52.0).abs() < 1e-9);
    }
}
