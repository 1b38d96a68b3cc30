//! Climate that differs from place to place, ready-made anomalies, daily extremes and the choice of the index: whole studies held
//! against the independent program of `tests/reference`, and against each other where they must be the same.

use lentic_raster::{
    Bounds, Crs, Grid, NO_CLASS, RasterSource, Window, inspect, read_aligned_class, write_bytes,
};
use lentic_tests::Basin;
use lentic_tests::outside::{agrees, looked_at};
use lentic_tests::raster::Raster;
use lentic_tests::table::Table;
use lentic_tests::weather::{Coarse, Weather};
use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

const RAIN: &str = "precipitation = { file = \"climate.csv\", column = \"precipitation_mm\" }";
const WARMTH: &str = "temperature = { file = \"climate.csv\", column = \"temperature_c\" }";
const LATITUDE: &str = "latitude = -31.0\n";

/// Layers of rain and warmth, put before `[climate]`.
const LAYERS: &str = "\
[layers.rain]
files = \"weather/rain_{year}-{month}.tif\"
kind = \"continuous\"
source = \"invented\"

[layers.warmth]
files = \"weather/warmth_{year}.tif\"
kind = \"continuous\"
source = \"invented\"
scale = 0.1

[climate]
";

/// The study with its climate by zone.
fn by_zone(basin: &Basin) {
    for (column, written) in [("precipitation", RAIN), ("temperature", WARMTH)] {
        assert!(written.starts_with(column));
        basin.edit("study.toml", written, &written.replace(" }", ", zone_column = \"zone\" }"));
    }
}

/// The study with its climate as rasters: rain a file a month, warmth in tenths of a degree and twelve bands a year.
fn by_raster(basin: &Basin, coarse: Coarse, weather: impl Fn(usize) -> Weather) {
    basin.edit("study.toml", "[climate]\n", LAYERS);
    basin.edit("study.toml", RAIN, "precipitation = { layer = \"rain\" }");
    basin.edit("study.toml", WARMTH, "temperature = { layer = \"warmth\" }");
    let each: Vec<Weather> = (0..coarse.rows * coarse.cols).map(weather).collect();
    let months = each[0].months.clone();
    for (t, (year, month)) in months.iter().enumerate() {
        let rain = coarse.cells(|cell| each[cell].rain[t]);
        coarse.write(&basin.file(&format!("weather/rain_{year}-{month:02}.tif")), &[rain], Some(-1.0));
    }
    for start in (0..months.len()).step_by(12) {
        let bands: Vec<Vec<f32>> =
            (start..start + 12).map(|t| coarse.cells(|cell| 10.0 * each[cell].warmth[t])).collect();
        coarse.write(&basin.file(&format!("weather/warmth_{}.tif", months[start].0)), &bands, None);
    }
}

/// Climates named in a table of droughts.
fn climates(run: &Path) -> BTreeSet<String> {
    Table::of_run(run, "drought_index").0.into_iter().map(|row| row["climate"].clone()).collect()
}

fn record(run: &Path) -> serde_json::Value {
    serde_json::from_slice(&fs::read(run.join("run.json")).unwrap()).unwrap()
}

/// Cells whose products of water differ.
fn differing(one: &Path, other: &Path, raster: &str) -> usize {
    let read = |run: &Path| Raster::read(&run.join("rasters").join(raster), 1).cells;
    let pairs = read(one).into_iter().zip(read(other));
    pairs.filter(|(a, b)| a.to_bits() != b.to_bits() && !(a.is_nan() && b.is_nan())).count()
}

/// Files of a run that are not the same bytes in another, of these sections. What describes the whole run, the catalogue item by
/// its name and the dictionary by its tables, is left out.
fn other_bytes(one: &Path, other: &Path, sections: &[&str]) -> Vec<String> {
    let mut found = Vec::new();
    for section in sections {
        for entry in fs::read_dir(one.join(section)).unwrap() {
            let name = entry.unwrap().file_name();
            let read = |run: &Path| fs::read(run.join(section).join(&name)).ok();
            let of_the_whole =
                name == "stac-item.json" || name.to_string_lossy().starts_with("data_dictionary.");
            if !of_the_whole && read(one) != read(other) {
                found.push(format!("{section}/{}", name.display()));
            }
        }
    }
    found.sort();
    found
}

const WATER: [&str; 4] =
    ["hydroperiod_baseline", "hydroperiod_drier", "hydroperiod_much-drier", "hydroperiod_pumping-and-drier"];
const DROUGHTS: [&str; 2] = ["drought_index", "drought_events"];

/// Four zones with weather of their own, and cells in none: those have no climate and are not assessed, but their record is
/// told all the same.
#[test]
fn climate_by_zone() {
    let basin = Basin::small();
    basin.edit("study.toml", LATITUDE, "");
    by_zone(&basin);
    let weather = Weather::of(&basin);
    let zones: Vec<(i32, Weather)> = (1..=4).map(|code| (code, weather.at(code as usize))).collect();
    Weather::write_zones(&basin, &zones);
    let path = basin.file("layers/zones.tif");
    let info = inspect(&path, 1).unwrap();
    let Bounds { left, bottom, right, top } = info.bounds();
    let crs = Crs::parse(info.crs.as_ref().unwrap().wkt()).unwrap();
    let grid = Grid::from_bounds(crs, Bounds { left, bottom, right, top }, 30.0).unwrap();
    let codes =
        read_aligned_class(&RasterSource::open(&path, 1).unwrap(), &grid, &Window::whole(&grid)).unwrap();
    let blank = |cell: usize| (40..48).contains(&(cell % grid.cols));
    let cells: Vec<u8> = (0..codes.len())
        .map(|cell| if blank(cell) || codes[cell] == NO_CLASS { 255 } else { codes[cell] as u8 })
        .collect();
    write_bytes(&path, &grid, &cells, Some(255)).unwrap();

    let run = basin.run("run", &["--quiet", "--tile", "32"]);
    let said = agrees(&basin.study(), &run);
    looked_at(&said, &WATER);
    looked_at(&said, &DROUGHTS);
    let names = ["Eastern flats", "Northern slopes", "Sink", "Spring line"].map(String::from);
    assert_eq!(climates(&run), names.into());
    for code in 1..=4 {
        let figure = fs::read_to_string(run.join(format!("figures/drought_index_zone_{code}.svg"))).unwrap();
        assert!(names_of(&figure, "year; "), "zone {code}");
    }
    let reasons = Raster::read(&run.join("rasters/not_assessed.tif"), 1).cells;
    let without: Vec<usize> = (0..reasons.len()).filter(|cell| reasons[*cell] == 4.0).collect();
    assert!(without.len() > 200, "{} cells without climate", without.len());
    let read = |name: &str| Raster::read(&run.join("rasters").join(name), 1).cells;
    let (seen, modelled) = (read("hydroperiod_observed.tif"), read("hydroperiod_baseline.tif"));
    assert!(without.iter().all(|cell| modelled[*cell].is_nan()));
    assert!(without.iter().filter(|cell| !seen[**cell].is_nan()).count() > 200, "the record is not told");
    // water of different zones answers to different weather
    let one = Basin::small();
    one.edit("study.toml", LATITUDE, "");
    let whole = one.run("run", &["--quiet"]);
    assert!(differing(&run, &whole, "hydroperiod_drier.tif") > 500);
}

fn names_of(figure: &str, before: &str) -> bool {
    ["Eastern flats", "Northern slopes", "Sink", "Spring line"]
        .iter()
        .any(|name| figure.contains(&format!("{before}{name}")))
}

/// Zones, or climate cells, of one weather give what one series gives, to the byte.
#[test]
fn one_weather_everywhere_is_one_series() {
    let basin = Basin::small();
    let weather = Weather::of(&basin).in_quarters();
    weather.write(&basin);
    let one = basin.run("one", &["--quiet"]);

    let zoned = Basin::small();
    by_zone(&zoned);
    Weather::write_zones(&zoned, &[1, 2, 3, 4].map(|code| (code, Weather::of(&basin))));
    let zoned = zoned.run("run", &["--quiet"]);
    let rastered = Basin::small();
    by_raster(&rastered, Coarse::FEW, |_| Weather::of(&basin));
    // quarters of a degree are whole quarters of tenths; a scale of 1 keeps them exact
    rastered.edit("study.toml", "scale = 0.1\n", "");
    for start in (0..weather.months.len()).step_by(12) {
        let bands: Vec<Vec<f32>> =
            (start..start + 12).map(|t| Coarse::FEW.cells(|_| weather.warmth[t])).collect();
        let path = rastered.file(&format!("weather/warmth_{}.tif", weather.months[start].0));
        Coarse::FEW.write(&path, &bands, None);
    }
    let rastered = rastered.run("run", &["--quiet"]);
    for run in [&zoned, &rastered] {
        assert_eq!(other_bytes(&one, run, &["rasters", "vectors"]), Vec::<String>::new());
        let tables = other_bytes(&one, run, &["tables"]);
        assert!(tables.iter().all(|name| name.starts_with("tables/drought_")), "{tables:?}");
    }
    assert_eq!(climates(&zoned).len(), 4);
    assert!(climates(&rastered).len() > 8, "{:?}", climates(&rastered));
}

/// Rasters in degrees, coarser than the grid, one of whose cells lacks a month: it is left out and counted.
#[test]
fn climate_of_few_rasters() {
    let basin = Basin::small();
    basin.edit("study.toml", LATITUDE, "");
    let weather = Weather::of(&basin);
    by_raster(&basin, Coarse::FEW, |cell| weather.at(cell));
    // under the middle of the basin
    let middle = 2 * Coarse::FEW.cols + 2;
    let gap = Coarse::FEW.cells(|cell| if cell == middle { -1.0 } else { weather.at(cell).rain[100] });
    let (year, month) = weather.months[100];
    Coarse::FEW.write(&basin.file(&format!("weather/rain_{year}-{month:02}.tif")), &[gap], Some(-1.0));

    let run = basin.run("run", &["--quiet"]);
    let said = agrees(&basin.study(), &run);
    looked_at(&said, &WATER);
    looked_at(&said, &DROUGHTS);
    let warnings = record(&run)["warnings"].to_string();
    let expected = format!(
        "cells under the grid lack a month and are left out: the study is not assessed there; the first is row 3 column 3, which has no value in {year}-{month:02}"
    );
    assert!(warnings.contains(&expected), "{warnings}");
    let reasons = Raster::read(&run.join("rasters/not_assessed.tif"), 1).cells;
    assert!(reasons.iter().filter(|reason| **reason == 4.0).count() > 300);
    let names = climates(&run);
    assert!(names.contains("row 1 column 2") && !names.contains("row 3 column 3"), "{names:?}");
    assert!(run.join("figures/drought_index_row_1_column_2.svg").is_file());
    let page = fs::read_to_string(run.join("report.html")).unwrap();
    assert!(page.contains("without smoothing between them") && page.contains("No climate"));
    // a change of land cover changes no water, to the bit
    assert_eq!(differing_within(&run, "hydroperiod_baseline.tif", "hydroperiod_cropland-2050.tif"), 0);
    assert!(differing_within(&run, "hydroperiod_baseline.tif", "hydroperiod_drier.tif") > 500);
}

/// Cells in which two rasters of a run differ.
fn differing_within(run: &Path, one: &str, other: &str) -> usize {
    let read = |name: &str| Raster::read(&run.join("rasters").join(name), 1).cells;
    let pairs = read(one).into_iter().zip(read(other));
    pairs.filter(|(a, b)| a.to_bits() != b.to_bits() && !(a.is_nan() && b.is_nan())).count()
}

/// More climate cells than tables can show: the mean by area stands for them. Rain in one file of many bands, warmth one series for
/// the whole study. The same bytes whatever the threads and tiles.
#[test]
fn climate_of_many_rasters() {
    let basin = Basin::small();
    basin.edit("study.toml", LATITUDE, "");
    let weather = Weather::of(&basin);
    let coarse = Coarse::MANY;
    let rain = "[layers.rain]\nfile = \"weather/rain.tif\"\nkind = \"continuous\"\nfirst_month = \"1988-01\"\n\n[climate]\n";
    basin.edit("study.toml", "[climate]\n", rain);
    basin.edit("study.toml", RAIN, "precipitation = { layer = \"rain\" }");
    let each: Vec<Weather> = (0..17).map(|place| weather.at(place)).collect();
    let bands: Vec<Vec<f32>> =
        (0..weather.months.len()).map(|t| coarse.cells(|cell| each[cell % 17].rain[t])).collect();
    coarse.write(&basin.file("weather/rain.tif"), &bands, None);

    let run = basin.run("run", &["--quiet", "--threads", "1", "--tile", "256"]);
    let said = agrees(&basin.study(), &run);
    looked_at(&said, &WATER);
    looked_at(&said, &DROUGHTS);
    let names = climates(&run);
    let [name] = &names.into_iter().collect::<Vec<_>>()[..] else { panic!("one mean is shown") };
    assert!(name.starts_with("mean of ") && name.ends_with(" climate cells"), "{name}");
    assert!(run.join("figures/drought_index.svg").is_file());
    for (threads, tile) in [("2", "16"), ("2", "64")] {
        let again = basin.run("again", &["--quiet", "--threads", threads, "--tile", tile]);
        let sections = ["rasters", "tables", "vectors", "figures"];
        assert_eq!(other_bytes(&run, &again, &sections), Vec::<String>::new(), "tiles of {tile}");
    }
}

/// Anomalies instead of weather, standardised and as percent of normal; a scenario shifts them.
#[test]
fn given_anomalies() {
    let basin = Basin::small();
    basin.without_costs();
    let weather = Weather::of(&basin);
    let mut text = String::from("year,month,percent,deviations\n");
    for (t, (year, month)) in weather.months.iter().enumerate() {
        let sum: f64 = weather.rain[t.saturating_sub(11)..=t].iter().sum();
        let percent = 100.0 * sum / 470.0;
        text += &format!("{year},{month},{percent:.2},{:.3}\n", (percent - 100.0) / 22.0);
    }
    fs::write(basin.file("climate.csv"), text).unwrap();
    basin.edit(
        "study.toml",
        &format!("{RAIN}\n{WARMTH}\nindex = \"spei\""),
        "anomaly = { file = \"climate.csv\", column = \"percent\" }\nscale_kind = \"percent of normal\"\nindex = \"given\"",
    );
    // no weather comes with anomalies
    basin.edit("study.toml", "measure = \"wet and warm months\"", "measure = \"longest wet spell\"");
    basin.edit("study.toml", "window_c = [16.0, 33.0]", "");
    let study = fs::read_to_string(basin.study()).unwrap();
    let shifted = study.replace("precipitation = -15.0\ntemperature_c = 1.0", "index_shift = -0.8").replace(
        "precipitation = -30.0\ntemperature_c = 2.0",
        "index_shift = [-2.0, -2.0, -2.0, -1.0, -1.0, 0.0, 0.0, 0.0, -1.0, -1.5, -1.5, -2.0]",
    );
    assert_ne!(study, shifted);
    fs::write(basin.study(), shifted).unwrap();

    let compared = |name: &str, words: &str| {
        let run = basin.run(name, &["--quiet"]);
        let said = agrees(&basin.study(), &run);
        looked_at(&said, &WATER);
        looked_at(&said, &DROUGHTS);
        let changed = differing_within(&run, "hydroperiod_baseline.tif", "hydroperiod_drier.tif");
        assert!(changed > 500, "{changed} cells change with {name}");
        let page = fs::read_to_string(run.join("report.html")).unwrap();
        assert!(page.contains("An index given ready-made, summed over 12 months") && page.contains(words));
        assert!(page.contains("drought index -0.8 standard deviations"));
    };
    compared("percent", "percent of normal, read as rain in another unit");

    // as rasters, standardised, each climate cell a little off the others; rain beside them is not looked at
    basin.edit(
        "study.toml",
        "anomaly = { file = \"climate.csv\", column = \"percent\" }",
        "anomaly = { layer = \"anomaly\" }\nprecipitation = { layer = \"anomaly\" }",
    );
    basin.edit("study.toml", "scale_kind = \"percent of normal\"", "scale_kind = \"standardised\"");
    basin.edit(
        "study.toml",
        "[climate]\n",
        "[layers.anomaly]\nfiles = \"weather/z_{year}.tif\"\nkind = \"continuous\"\n\n[climate]\n",
    );
    let table = fs::read_to_string(basin.file("climate.csv")).unwrap();
    let z: Vec<f64> =
        table.lines().skip(1).map(|line| line.rsplit_once(',').unwrap().1.parse().unwrap()).collect();
    for start in (0..z.len()).step_by(12) {
        let bands: Vec<Vec<f32>> = (start..start + 12)
            .map(|t| Coarse::FEW.cells(|cell| z[t] + ((t * 7 + cell * 3) % 13) as f64 / 12.0 - 0.5))
            .collect();
        Coarse::FEW.write(&basin.file(&format!("weather/z_{}.tif", weather.months[start].0)), &bands, None);
    }
    compared("deviations", "standardised values, taken as they are");
}

/// Daily extremes instead of the mean, and the length of the index chosen by the data.
#[test]
fn extremes_and_the_choice_of_months() {
    let basin = Basin::small();
    let weather = Weather::of(&basin);
    weather.write(&basin);
    basin.edit(
        "study.toml",
        WARMTH,
        "temperature_min = { file = \"climate.csv\", column = \"low_c\" }\ntemperature_max = { file = \"climate.csv\", column = \"high_c\" }",
    );
    basin.edit("study.toml", "months = 12 ", "months = \"choose\"\nchoose_from = [24, 1, 12, 3] ");

    let run = basin.run("run", &["--quiet"]);
    let said = agrees(&basin.study(), &run);
    looked_at(&said, &WATER);
    looked_at(&said, &DROUGHTS);
    looked_at(&said, &["index_choice"]);
    let table = Table::of_run(&run, "index_choice");
    let of = |row: usize, column: &str| table.0[row][column].parse::<f64>().unwrap();
    let lengths: Vec<f64> = (0..4).map(|row| of(row, "months")).collect();
    assert_eq!(lengths, [1.0, 3.0, 12.0, 24.0]);
    let chosen: Vec<&str> = table.0.iter().map(|row| row["chosen"].as_str()).collect();
    let best = (0..4).min_by(|a, b| of(*a, "deviance").total_cmp(&of(*b, "deviance"))).unwrap();
    assert_eq!(chosen.iter().position(|word| *word == "yes"), Some(best));
    // pools that hold the rain of a year are told badly by that of a month
    assert!(lengths[best] >= 12.0, "{:?}", table.0);
    // all lengths were tried on the same months
    assert!((1..4).all(|row| of(row, "cell_months") == of(0, "cell_months")));
    let notes = record(&run)["notes"].to_string();
    assert!(
        notes.contains(&format!(
            "The drought index sums {} month(s), chosen among 1, 3, 12, 24",
            lengths[best]
        )),
        "{notes}"
    );
    assert!(
        notes.contains("Hargreaves and Samani's formula), which can overstate drying under strong warming"),
        "{notes}"
    );
    let page = fs::read_to_string(run.join("report.html")).unwrap();
    assert!(
        page.contains("FAO-56 equation 52") && page.contains(&format!("SPEI over {} months", lengths[best]))
    );

    // set by hand to the length chosen, the run is the same
    basin.edit(
        "study.toml",
        "months = \"choose\"\nchoose_from = [24, 1, 12, 3] ",
        &format!("months = {} ", lengths[best]),
    );
    let set = basin.run("set", &["--quiet", "--tile", "32"]);
    assert_eq!(other_bytes(&set, &run, &["rasters", "tables", "vectors", "figures"]), Vec::<String>::new());
}
