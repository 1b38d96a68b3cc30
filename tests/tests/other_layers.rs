//! Layers of every type of number and grids in every part of the world: cells and areas as worked out beside (by hand, or by the
//! geodesics of pyproj, which goes the way of Karney 2013 in PROJ's own code).

use gdal::raster::GdalType;
use lentic_tests::Outcome;
use lentic_tests::outside::python;
use lentic_tests::raster::Raster;
use lentic_tests::table::Table;
use lentic_tests::tiny::{Tiny, sound};
use std::fs;
use std::path::{Path, PathBuf};

/// A study of 4 by 5 cells whose second requisite scores a layer `value` from 0 (0) to 1 (100).
fn with_value(more: &str) -> Tiny {
    let mut tiny = Tiny::new().months_of_water(&[9, 2]);
    tiny.layer("value", "continuous", more);
    tiny.more += "[requisites.ground]\ncombine = \"arithmetic mean\"\n\n[[requisites.ground.variables]]\nname = \"value\"\nmeasure = \"layer\"\n\
        layer = \"value\"\ncurve.points = [[0.0, 0.0], [100.0, 1.0]]\n\n";
    tiny.write();
    tiny
}

/// Scores of the layer in a run: suitability is the mean of hydroperiod / 12 and the score; NaN where it is not assessed.
fn scores(run: &Path) -> Vec<f64> {
    let read = |name: &str| Raster::read(&run.join("rasters").join(name), 1).cells;
    let (months, whole) = (read("hydroperiod_baseline.tif"), read("suitability_baseline.tif"));
    whole.iter().zip(months).map(|(whole, months)| 2.0 * whole - months / 12.0).collect()
}

#[track_caller]
fn scored(what: &str, run: &Path, expected: &[Option<f64>]) {
    for (cell, (found, expected)) in scores(run).iter().zip(expected.iter().cycle()).enumerate() {
        match expected {
            Some(expected) => {
                assert!((found - expected).abs() < 1e-6, "{what}, cell {cell}: {found} for {expected}")
            }
            None => assert!(found.is_nan(), "{what}, cell {cell}: {found}, but it has no data"),
        }
    }
    let missing = 20 * expected.iter().filter(|e| e.is_none()).count() / expected.len();
    let table = Table::of_run(run, "habitat_area");
    let found = table.number("scenario", "baseline", "not_assessed_ha");
    assert!((found - missing as f64 * 0.09).abs() < 1e-9, "{what}: {found} ha not assessed");
}

fn repeated<T: Copy>(values: &[T]) -> Vec<Vec<T>> {
    vec![values.iter().copied().cycle().take(20).collect()]
}

/// Four values in turn, the last of which stands for no data.
#[track_caller]
fn typed<T: GdalType + Copy>(what: &str, values: [T; 4], no_data: f64, expected: [f64; 3]) {
    let tiny = with_value("");
    tiny.raster("value.tif", &repeated(&values), Some(no_data));
    let expected: Vec<_> = expected.into_iter().map(Some).chain([None]).collect();
    scored(what, &tiny.run_written(), &expected);
}

#[test]
fn every_type_of_number() {
    typed::<u8>("unsigned 8", [0, 40, 200, 255], 255.0, [0.0, 0.4, 1.0]);
    typed::<i16>("signed 16", [-40, 40, 32767, -32768], -32768.0, [0.0, 0.4, 1.0]);
    typed::<u16>("unsigned 16", [0, 40, 60_000, 65_535], 65_535.0, [0.0, 0.4, 1.0]);
    typed::<i32>("signed 32", [-7, 99, i32::MAX, i32::MIN], f64::from(i32::MIN), [0.0, 0.99, 1.0]);
    typed::<u32>("unsigned 32", [0, 99, u32::MAX - 1, u32::MAX], f64::from(u32::MAX), [0.0, 0.99, 1.0]);
    typed::<f32>("32-bit float", [0.0, 12.5, 100.0, -9999.0], -9999.0, [0.0, 0.125, 1.0]);
    typed::<f64>("64-bit float", [0.0, 12.5, 100.0, f64::NAN], f64::NAN, [0.0, 0.125, 1.0]);
    typed::<f32>("largest float", [1.0, 12.5, 1e38, f32::MAX], f64::from(f32::MAX), [0.01, 0.125, 1.0]);
    typed::<f32>("0 as no data", [1.0, 12.5, 100.0, 0.0], 0.0, [0.01, 0.125, 1.0]);
    // 32-bit floats go no farther: what is larger is infinite, and that is no data
    typed::<f32>("infinite", [1.0, 12.5, 100.0, f32::INFINITY], -1.0, [0.01, 0.125, 1.0]);
    typed::<f32>("minus infinite", [1.0, 12.5, 100.0, f32::NEG_INFINITY], -1.0, [0.01, 0.125, 1.0]);
    typed::<f64>("beyond 32-bit floats", [1.0, 12.5, 100.0, 1e300], -1.0, [0.01, 0.125, 1.0]);
    typed::<f64>("denormal", [1e-310, 12.5, 100.0, f64::NAN], -1.0, [0.0, 0.125, 1.0]);
    typed::<f32>("denormal 32", [f32::MIN_POSITIVE / 8.0, 12.5, 100.0, f32::NAN], -1.0, [0.0, 0.125, 1.0]);
}

#[test]
fn numbers_of_64_bits() {
    for (of, values) in [("Int64", "[-5, 40, 2**40, -9]"), ("UInt64", "[0, 40, 2**63, 9]")] {
        let tiny = with_value("");
        let path = tiny.raster("value.tif", &tiny.all(0u8), None);
        let script = format!(
            "import numpy, rasterio, sys\nwith rasterio.open(sys.argv[1]) as f:\n    p = f.profile\np.update(dtype='{}', nodata={})\n\
             v = numpy.resize(numpy.array({values}, dtype='{}'), (1, 4, 5))\nwith rasterio.open(sys.argv[1], 'w', **p) as f:\n    f.write(v)\n",
            of.to_lowercase(),
            if of == "Int64" { "-9" } else { "9" },
            of.to_lowercase()
        );
        Outcome::of(python().arg("-c").arg(script).arg(&path)).done();
        scored(of, &tiny.run_written(), &[Some(0.0), Some(0.4), Some(1.0), None]);
    }
}

/// Signed bytes as GDAL writes them (before 3.7 by a tag), and the file's own scale and offset beside the study's.
#[test]
fn signed_bytes_scales_and_offsets() {
    let translate = |from: &Path, to: &Path, arguments: &[&str]| {
        Outcome::of(std::process::Command::new("gdal_translate").arg("-q").args(arguments).arg(from).arg(to))
            .done();
    };
    let moved = |tiny: &Tiny| -> PathBuf {
        let path = tiny.folder().join("value.tif");
        let from = tiny.folder().join("from.tif");
        fs::rename(&path, &from).unwrap();
        from
    };
    // GDAL before 3.7 has no type of its own for signed bytes and would read them as 128 to 255
    let version: u32 = gdal::version::VersionInfo::version_num().parse().unwrap();
    let tiny = with_value("");
    tiny.raster::<i16>("value.tif", &repeated(&[-128, -5, 40, 100]), Some(-128.0));
    let from = moved(&tiny);
    if version < 3_070_000 {
        translate(&from, &tiny.folder().join("value.tif"), &["-ot", "Byte", "-co", "PIXELTYPE=SIGNEDBYTE"]);
        tiny.refused_written(&["layer \"value\"", "signed bytes", "gdal_translate -ot Float32"]);
        // as the message says
        translate(&from, &tiny.folder().join("value.tif"), &["-ot", "Float32"]);
    } else {
        translate(&from, &tiny.folder().join("value.tif"), &["-ot", "Int8"]);
    }
    scored("signed 8", &tiny.run_written(), &[None, Some(0.0), Some(0.4), Some(1.0)]);
    // stored 0, 100, 250, 255 (no data); scale 0.2, offset 10: 10, 30, 60
    let tiny = with_value("");
    tiny.raster::<u8>("value.tif", &repeated(&[0, 100, 250, 255]), Some(255.0));
    let from = moved(&tiny);
    translate(&from, &tiny.folder().join("value.tif"), &["-a_scale", "0.2", "-a_offset", "10"]);
    scored("scale and offset", &tiny.run_written(), &[Some(0.1), Some(0.3), Some(0.6), None]);
    // the study's own factor comes after: half of it
    let tiny = with_value("scale = 0.5\n");
    tiny.raster::<u8>("value.tif", &repeated(&[0, 100, 250, 255]), Some(255.0));
    let from = moved(&tiny);
    translate(&from, &tiny.folder().join("value.tif"), &["-a_scale", "0.2", "-a_offset", "10"]);
    scored("and a factor", &tiny.run_written(), &[Some(0.05), Some(0.15), Some(0.3), None]);
}

/// Area of every cell of a grid by pyproj's geodesics, hectares.
fn geodesic_ha(tiny: &Tiny) -> f64 {
    let script = "import sys, pyproj\n\
        crs, cell, left, top, rows, cols = sys.argv[1], *map(float, sys.argv[2:])\n\
        to = pyproj.Transformer.from_crs(crs, pyproj.CRS(crs).geodetic_crs, always_xy=True)\n\
        geod = pyproj.CRS(crs).get_geod()\nwhole = 0\n\
        for r in range(int(rows)):\n    for c in range(int(cols)):\n\
        \x20       x, y = left + c * cell, top - r * cell\n\
        \x20       lon, lat = to.transform([x, x + cell, x + cell, x], [y, y, y - cell, y - cell])\n\
        \x20       whole += abs(geod.polygon_area_perimeter(lon, lat)[0])\n\
        print(whole / 10000)";
    let numbers = [tiny.cell, tiny.left, tiny.top, tiny.rows as f64, tiny.cols as f64];
    let mut command = python();
    command.arg("-c").arg(script).arg(&tiny.crs).args(numbers.map(|n| n.to_string()));
    Outcome::of(&mut command).done().trim().parse().unwrap()
}

#[test]
fn areas_all_over_the_world() {
    let laea =
        |lat: i32, lon: i32| format!("+proj=laea +lat_0={lat} +lon_0={lon} +datum=WGS84 +units=m +no_defs");
    // system, left, top, cell; what may be off: areas are told by rows of 64, at the middle column
    let grids = [
        ("EPSG:32618".to_string(), 1_200_000.0, 4_000_000.0, 30.0, 1e-6), // far beyond the edge of its zone
        ("EPSG:32718".into(), 500_000.0, 6_000_000.0, 30.0, 1e-6),        // southern hemisphere
        ("EPSG:32618".into(), 500_000.0, -60_000.0, 30.0, 1e-6),          // negative northings
        ("EPSG:3857".into(), 0.0, 8_000_000.0, 30.0, 1e-4),
        (laea(-31, 180), -75.0, 60.0, 30.0, 1e-8), // across 180 degrees
        (laea(0, 0), -75.0, 60.0, 30.0, 1e-8),     // across equator and zero meridian
        ("EPSG:6932".into(), -75.0, 60.0, 30.0, 1e-6), // about the south pole
        ("EPSG:3031".into(), 100_000.0, 200_000.0, 30.0, 1e-6), // near it, not equal-area
        ("EPSG:3413".into(), 100_000.0, 200_000.0, 30.0, 1e-6), // near the north pole
        // an edge of the middle cell runs through the pole: its polygon is the small difference of areas as large as a hemisphere,
        // which doubles tell to some hundredths of a square metre
        ("EPSG:3031".into(), -75.0, 60.0, 30.0, 1e-4),
    ];
    for (crs, left, top, cell, off) in grids {
        let tiny = Tiny::new().grid(4, 5, cell).at(&crs, left, top).months_of_water(&[9]);
        let run = tiny.run();
        let found = Table::of_run(&run, "habitat_area").number("scenario", "baseline", "habitat_ha");
        let expected = geodesic_ha(&tiny);
        assert!((found / expected - 1.0).abs() < off, "{crs}: {found} ha, by geodesics {expected}");
    }
}

#[test]
fn grids_in_degrees_and_feet_are_refused() {
    let feet = "+proj=laea +lat_0=-31 +lon_0=-18 +datum=WGS84 +units=us-ft +no_defs";
    Tiny::new().at(feet, 0.0, 0.0).refused(&[
        "study.toml:7",
        "US survey foot",
        "needs a projected system in metres",
    ]);
    Tiny::new().grid(4, 5, 0.001).at("EPSG:4326", 0.0, 0.0).refused(&[
        "study.toml:7",
        "counts in degrees",
        "equal-area",
    ]);
}

/// Codes of a layer in another system lie where they are: the left two columns 1, the others 2.
#[track_caller]
fn halves(what: &str, tiny: &Tiny) {
    let run = tiny.run_written();
    sound(&run);
    let table = Table::of_run(&run, "habitat_loss_by_wetland_class");
    for (code, columns) in [("1", 2.0), ("2", 3.0)] {
        let row = table.0.iter().find(|row| row["code"] == code && row["scenario"] == "drier");
        let row = row.unwrap_or_else(|| panic!("{what}: no class {code} in {:?}", table.0));
        let found: f64 = row["baseline_ha"].parse().unwrap();
        assert!((found - columns * 4.0 * 0.09).abs() < 1e-9, "{what}: class {code} has {found} ha");
    }
}

#[test]
fn layers_in_feet_and_across_180_degrees() {
    let halved: Vec<u8> = (0..20).map(|cell| if cell % 5 < 2 { 1 } else { 2 }).collect();
    let study = |lon: i32| {
        let crs = format!("+proj=laea +lat_0=-31 +lon_0={lon} +datum=WGS84 +units=m +no_defs");
        let mut tiny = Tiny::new().at(&crs, -75.0, 60.0).months_of_water(&[9]);
        tiny.layer("wetland_class", "class", "");
        tiny.write();
        tiny
    };
    // the same cells, their edges in US survey feet (1200/3937 m)
    let tiny = study(-18);
    let in_feet = |metres: f64| metres * 3937.0 / 1200.0;
    let system = tiny.crs.replace("units=m", "units=us-ft");
    let feet = Tiny::new().grid(4, 5, in_feet(30.0)).at(&system, in_feet(-75.0), in_feet(60.0));
    let file = feet.raster("wetland_class.tif", std::slice::from_ref(&halved), None);
    fs::copy(file, tiny.folder().join("wetland_class.tif")).unwrap();
    halves("feet", &tiny);
    // degrees, fine cells: the border lies 15 m west of the middle; first at 18 degrees west, then at 180, in both ways to write it
    let side = 0.000_02;
    for (lon, left) in [(-18, -18.0 - 60.0 * side), (180, 180.0 - 60.0 * side), (180, -180.0 - 60.0 * side)] {
        let tiny = study(lon);
        let border = 15.0 * 1.047e-5 / side;
        let fine = Tiny::new().grid(120, 120, side).at("EPSG:4326", left, -31.0 + 60.0 * side);
        let cells: Vec<u8> = (0..120 * 120)
            .map(|cell| if ((cell % 120) as f64) + 0.5 < 60.0 - border { 1 } else { 2 })
            .collect();
        let file = fine.raster("wetland_class.tif", &[cells], None);
        fs::copy(file, tiny.folder().join("wetland_class.tif")).unwrap();
        halves(&format!("degrees from {left}"), &tiny);
    }
}
