//! Drawing.

use super::*;

#[test]
fn points_over_a_whole_frame_fill_every_box_once() {
    // one class over 2^6 columns and 3^4 rows, which is a frame itself: 72 points in order fill 2^3 x 3^2 boxes once each,
    // and 2^2 x 3^1 boxes once in every 12 (Robertson et al. 2013)
    let made = Made::new(81, 64, |_, _| 2);
    let folder = made.draw(&made.options()).unwrap();
    let places: Vec<(usize, usize)> = rows(&folder).iter().map(place).collect();
    assert_eq!(places.len(), 72);
    let boxes = |places: &[(usize, usize)], width, height| {
        let mut boxes: Vec<_> = places.iter().map(|(col, row)| (col / width, row / height)).collect();
        boxes.sort();
        boxes.dedup();
        boxes.len()
    };
    assert_eq!(boxes(&places, 8, 9), 72);
    for twelve in places.chunks(12) {
        assert_eq!(boxes(twelve, 16, 27), 12);
    }
}

#[test]
fn points_lie_in_their_strata_and_are_the_seed_s() {
    let code = |row: usize, col: usize| match (row, col) {
        (_, 0..3) => 255,
        (0..10, _) => 4,
        _ if (row + col).is_multiple_of(3) => 1,
        _ => 0,
    };
    let made = Made::new(60, 50, code);
    let mut options = made.options();
    options.wanted.reserve = 0.25;
    let folder = made.draw(&options).unwrap();
    assert_eq!(folder, made.folder.path().join("survey-permanence"));
    let drawn = rows(&folder);
    let mut seen = BTreeMap::new();
    for row in &drawn {
        let (x, y) = place(row);
        assert_eq!(row["stratum"], code(y, x).to_string());
        assert_eq!(seen.insert((x, y), ()), None, "a cell twice");
        assert_eq!(row["id"].starts_with('R'), row["reserve"] == "yes");
    }
    // 470, 783 and 1567 cells: quotas 12.0, 20.0, 39.98 of 72, reserve a quarter rounded up
    let count = |code: &str, reserve: &str| {
        drawn.iter().filter(|row| row["stratum"] == code && row["reserve"] == reserve).count()
    };
    assert_eq!(["0", "1", "4"].map(|code| count(code, "no")), [40, 20, 12]);
    assert_eq!(["0", "1", "4"].map(|code| count(code, "yes")), [10, 5, 3]);
    // names from north to south
    let mut by_name: Vec<_> = drawn.iter().filter(|row| row["reserve"] == "no").collect();
    by_name.sort_by_key(|row| row["id"].clone());
    assert!(by_name.iter().map(|row| place(row).1).is_sorted());
    assert_eq!(by_name[0]["id"], "P0001");

    // the same seed, the same bytes; another seed, other points
    let read = |folder: &Path| {
        ["csv", "gpkg", "gpx", "json"].map(|end| fs::read(folder.join(format!("survey.{end}"))).unwrap())
    };
    let first = read(&folder);
    options.seed = Some(7);
    options.out = Some(made.folder.path().join("again"));
    assert!(read(&made.draw(&options).unwrap()) == first);
    options.seed = Some(8);
    options.out = Some(made.folder.path().join("other"));
    assert!(read(&made.draw(&options).unwrap())[0] != first[0]);
}

#[test]
fn a_stratum_can_be_taken_whole() {
    let made = Made::new(40, 40, |row, col| u8::from(row == 20 && col < 12));
    let mut options = made.options();
    options.wanted.points.of = [(1, 12)].into();
    options.wanted.reserve = 0.5;
    let drawn = rows(&made.draw(&options).unwrap());
    let mut cols: Vec<usize> =
        drawn.iter().filter(|row| row["stratum"] == "1").map(|row| place(row).0).collect();
    cols.sort();
    assert_eq!(cols, (0..12).collect::<Vec<_>>());
    // what the minimum adds to a number given is told
    options.out = Some(made.folder.path().join("few"));
    options.wanted.points.all = Some(15);
    let few = draw(&made.run(), &options, &Silent).unwrap();
    assert!(
        few.notes[0].starts_with("Of 15 points asked for") && few.notes[0].ends_with("make 22."),
        "{:?}",
        few.notes
    );
    options.wanted.points.of = [(1, 13)].into();
    let refused = made.draw(&options).unwrap_err();
    assert!(refused.contains("has 12 cells, fewer than its 13 points"), "{refused}");
}

#[test]
fn areas_are_true_where_the_system_does_not_keep_them() {
    // EPSG:3857 at the equator: a cell of 30 m covers about 0.9933 of 900 m2, the ellipsoid being flatter than the sphere
    let made = Made::on("EPSG:3857", 130, 20, |row, _| u8::from(row >= 70));
    let drawn = draw(&made.run(), &made.options(), &Silent).unwrap();
    let areas = CellAreas::new(&made.grid()).unwrap();
    for (stratum, rows) in drawn.strata.iter().zip([0..70, 70..130]) {
        let whole = rows.map(|row| 20.0 * areas.area_m2(row)).sum::<f64>() / 10_000.0;
        assert!((stratum.area_ha - whole).abs() < 1e-9, "{stratum:?}");
        assert!((stratum.area_ha / (stratum.cells as f64 * 0.09) - 0.9933).abs() < 1e-4);
    }
    // longitude of a place of the system: x / 6378137, in degrees
    for row in rows(&drawn.folder) {
        let number = |name: &str| row[name].parse::<f64>().unwrap();
        assert!((number("longitude") - (number("x") / 6_378_137.0).to_degrees()).abs() < 6e-8);
    }
}

#[test]
fn field_work_is_never_overwritten() {
    let made = Made::new(40, 40, |row, _| u8::from(row < 20));
    let folder = made.draw(&made.options()).unwrap();
    let mode = |path: &Path| fs::metadata(path).unwrap().permissions().mode() & 0o777;
    assert_eq!(mode(&folder), 0o700);
    for name in ["survey.csv", "survey.gpkg", "survey.gpx", "survey.json"] {
        assert_eq!(mode(&folder.join(name)), 0o600, "{name}");
    }
    // an untouched survey is drawn again
    made.draw(&made.options()).unwrap();
    let table = folder.join("survey.csv");
    let empty = fs::read_to_string(&table).unwrap();
    fs::write(&table, empty.replacen(",,,,", ",1,ab,,", 1)).unwrap();
    let filled = fs::read_to_string(&table).unwrap();
    assert_ne!(filled, empty);
    let refused = made.draw(&made.options()).unwrap_err();
    assert!(refused.contains("survey.csv is not as it was drawn"), "{refused}");
    assert_eq!(fs::read_to_string(&table).unwrap(), filled);
    // other files stay too
    fs::write(&table, &empty).unwrap();
    made.draw(&made.options()).unwrap();
    fs::write(folder.join("photo.jpg"), "x").unwrap();
    let refused = made.draw(&made.options()).unwrap_err();
    assert!(refused.contains("holds \"photo.jpg\""), "{refused}");
    fs::remove_file(folder.join("photo.jpg")).unwrap();
    // without the record nobody knows whether it was touched
    fs::remove_file(folder.join("survey.json")).unwrap();
    assert!(made.draw(&made.options()).unwrap_err().contains("not as it was drawn"));
    // a survey in the run folder would go with the next run
    let inside = DrawOptions { out: Some(made.run().join("field/survey")), ..made.options() };
    assert!(made.draw(&inside).unwrap_err().contains("lies in the run folder"));
    assert!(!made.run().join("field").exists());
    // nothing else is left beside
    let mut left: Vec<_> =
        fs::read_dir(made.folder.path()).unwrap().map(|e| e.unwrap().file_name()).collect();
    left.sort();
    assert_eq!(left, ["cells", "run", "survey-permanence"]);
}

#[test]
fn runs_and_maps_that_are_not_there() {
    let made = Made::new(10, 10, |_, _| 1);
    let refused = |change: &dyn Fn(&mut DrawOptions)| {
        let mut options = made.options();
        change(&mut options);
        made.draw(&options).unwrap_err()
    };
    let said = refused(&|o| o.map = "wetness".into());
    assert!(said.contains("no map of classes \"wetness\"; it has habitat_baseline, permanence"), "{said}");
    assert!(refused(&|o| o.map = "../permanence".into()).contains("no map of classes"));
    assert!(refused(&|o| o.map = "habitat_drier".into()).contains("no map of classes"));
    let none = draw(made.folder.path(), &made.options(), &Silent).unwrap_err().to_string();
    assert!(none.contains("no finished run: it holds no run.json"), "{none}");
    let none = draw(&made.folder.path().join("nowhere"), &made.options(), &Silent).unwrap_err();
    assert!(none.is_refusal() && none.to_string().contains("no such folder"));
    fs::remove_file(made.run().join("rasters/permanence.tif")).unwrap();
    let gone = made.draw(&made.options()).unwrap_err();
    assert!(gone.contains("permanence.tif"), "{gone}");
    let empty = Made::new(10, 10, |_, _| 255);
    assert!(empty.draw(&empty.options()).unwrap_err().contains("no cell with a class"));
    assert_eq!(fs::read_dir(empty.folder.path()).unwrap().count(), 2, "something is left");
}

#[test]
fn habitat_comes_from_change_or_from_suitability() {
    let made = Made::new(20, 20, |_, _| 1);
    made.write("change_drier", |row, col| if row == 0 { 255 } else { [0, 1, 2, 3, 4][col / 4] });
    made.record(&["change_drier", "permanence", "suitability_baseline"]);
    let cells = |map: &str| {
        let options = DrawOptions { map: map.into(), ..made.options() };
        let drawn = draw(&made.run(), &options, &Silent).unwrap();
        drawn.strata.iter().map(|s| (s.code, s.cells, s.area_ha)).collect::<Vec<_>>()
    };
    // 19 rows of 4 columns each: outside and gained are not habitat today, outside and lost are not later
    assert_eq!(cells("habitat_baseline"), [(0, 152, 13.68), (1, 228, 20.52)]);
    assert_eq!(cells("habitat_drier"), [(0, 152, 13.68), (1, 228, 20.52)]);
    assert_eq!(cells("change_drier").len(), 5);
    // no scenario: by the threshold of the run, which is itself habitat
    let suitability: Vec<f32> = (0..400).map(|at| [f32::NAN, 0.499_999, 0.5, 0.9][at % 4]).collect();
    let path = made.run().join("rasters/suitability_baseline.tif");
    write_floats(&path, &made.grid(), &suitability, Some(f32::NAN)).unwrap();
    made.record(&["permanence", "suitability_baseline"]);
    assert_eq!(cells("habitat_baseline"), [(0, 100, 9.0), (1, 200, 18.0)]);
}
