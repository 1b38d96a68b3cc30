//! Bad climate, of every source: refused with a message that names file, line, layer or zone, what was found and what is expected.
//! Snapshots hold the messages whole.

use lentic_tests::refusal::{line_of, refused};
use lentic_tests::table::Table;
use lentic_tests::weather::{Coarse, Weather};
use lentic_tests::{Basin, Outcome, lentic};
use std::fs;

const RAIN: &str = "precipitation = { file = \"climate.csv\", column = \"precipitation_mm\" }";
const WARMTH: &str = "temperature = { file = \"climate.csv\", column = \"temperature_c\" }";

/// Replaces every value of a column of the basin's climate table, by year, month and old value.
fn column(basin: &Basin, at: usize, of: impl Fn(i32, u32, &str) -> String) {
    let path = basin.file("climate.csv");
    let text = fs::read_to_string(&path).unwrap();
    let mut lines = text.lines();
    let mut out = format!("{}\n", lines.next().unwrap());
    for line in lines {
        let mut fields: Vec<String> = line.split(',').map(String::from).collect();
        let (year, month) = (fields[0].parse().unwrap(), fields[1].parse().unwrap());
        fields[at] = of(year, month, &fields[at]);
        out += &(fields.join(",") + "\n");
    }
    fs::write(path, out).unwrap();
}

fn spi(basin: &Basin) {
    basin.without_costs();
    basin.edit("study.toml", "index = \"spei\"", "index = \"spi\"");
    let study = fs::read_to_string(basin.study()).unwrap();
    fs::write(basin.study(), study.replace("temperature_c = 1.0\n", "").replace("temperature_c = 2.0\n", ""))
        .unwrap();
}

/// Rain as rasters of degrees over the basin, one file a month.
fn rasters(basin: &Basin) {
    basin.edit(
        "study.toml",
        "[climate]\n",
        "[layers.rain]\nfiles = \"weather/rain_{year}-{month}.tif\"\nkind = \"continuous\"\n\n[climate]\n",
    );
    basin.edit("study.toml", RAIN, "precipitation = { layer = \"rain\" }");
    let weather = Weather::of(basin);
    for t in 0..weather.months.len() {
        write_month(basin, &weather, t, |_, rain| rain, Coarse::FEW);
    }
}

fn write_month(basin: &Basin, weather: &Weather, t: usize, of: impl Fn(usize, f64) -> f64, coarse: Coarse) {
    let (year, month) = weather.months[t];
    let cells = coarse.cells(|cell| of(cell, weather.rain[t]));
    coarse.write(&basin.file(&format!("weather/rain_{year}-{month:02}.tif")), &[cells], None);
}

#[test]
fn no_rain_at_all() {
    let basin = Basin::small();
    spi(&basin);
    column(&basin, 2, |_, _, _| "0".into());
    insta::assert_snapshot!(refused(&basin, &["climate.csv", "precipitation is 0 in every month"]));
}

#[test]
fn the_same_rain_every_month() {
    let basin = Basin::small();
    spi(&basin);
    column(&basin, 2, |_, _, _| "31.5".into());
    insta::assert_snapshot!(refused(&basin, &["climate.csv", "precipitation is 31.5 in every month"]));
}

/// Balances of one rain and one temperature would differ by the length of February only.
#[test]
fn the_same_weather_every_month() {
    let basin = Basin::small();
    column(&basin, 3, |_, _, _| "14.0".into());
    insta::assert_snapshot!(refused(&basin, &["climate.csv", "temperature is 14 in every month"]));
}

/// Rain in four of the thirty years: no calendar month has ten sums to fit.
#[test]
fn rain_in_few_years() {
    let basin = Basin::small();
    spi(&basin);
    column(&basin, 2, |year, _, old| if year % 9 == 0 { old.into() } else { "0".into() });
    insta::assert_snapshot!(refused(&basin, &["climate.csv", "no calendar month has a drought index"]));
}

/// Dry summers: those calendar months are told and left out, the others stay.
#[test]
fn calendar_months_without_rain() {
    let basin = Basin::small();
    spi(&basin);
    column(&basin, 2, |_, month, old| if month <= 2 { "0".into() } else { old.into() });
    basin.edit("study.toml", "months = 12 ", "months = 1 ");
    let run = basin.run("run", &["--quiet"]);
    let record: serde_json::Value = serde_json::from_slice(&fs::read(run.join("run.json")).unwrap()).unwrap();
    let warnings = record["warnings"].to_string();
    assert!(warnings.contains("calendar months [1, 2] have no drought index"), "{warnings}");
    let table = Table::of_run(&run, "drought_index");
    let empty = table.0.iter().filter(|row| row["index"].is_empty()).count();
    assert!(table.0.iter().all(|row| !row["month"].ends_with("-01") || row["index"].is_empty()));
    assert_eq!(empty, table.0.len() / 6);
}

#[test]
fn numbers_that_are_none() {
    let basin = Basin::small();
    column(&basin, 2, |year, month, old| match (year, month) {
        (1993, 4) => "NaN".into(),
        (1993, 5) => "inf".into(),
        (1994, 1) => "-3.5".into(),
        _ => old.into(),
    });
    column(
        &basin,
        3,
        |year, month, old| if (year, month) == (1995, 7) { "284.6".into() } else { old.into() },
    );
    insta::assert_snapshot!(refused(&basin, &["climate.csv:65: ", "\"NaN\"", "\"inf\"", "below 0", "284.6"]));
}

/// WMO-No. 1090 advises thirty years: twenty are a warning.
#[test]
fn twenty_years_are_little() {
    let basin = Basin::small();
    basin.edit(
        "study.toml",
        "baseline = [\"1991-01\", \"2020-12\"]",
        "baseline = [\"1991-01\", \"2020-12\"]\nreference = [\"2001-01\", \"2020-12\"]",
    );
    let said = Outcome::of(lentic().arg("check").arg(basin.study()));
    assert_eq!(said.code, Some(0), "{said:?}");
    let line = line_of(&basin, "reference = ");
    let told = said.stderr.replace(&format!("{}/basin/", basin.folder().display()), "");
    assert!(told.contains(&format!("{line}the reference period 2001-01 to 2020-12 holds 20 whole years; the World Meteorological Organization advises 30")), "{told}");
}

#[test]
fn nine_years_are_too_few() {
    let basin = Basin::small();
    basin.edit(
        "study.toml",
        "baseline = [\"1991-01\", \"2020-12\"]",
        "baseline = [\"1991-01\", \"2020-12\"]\nreference = [\"2001-01\", \"2009-12\"]",
    );
    insta::assert_snapshot!(refused(&basin, &["108 months"]));
}

fn zoned(edit: impl Fn(&mut String)) -> Basin {
    let basin = Basin::small();
    for written in [RAIN, WARMTH] {
        basin.edit("study.toml", written, &written.replace(" }", ", zone_column = \"zone\" }"));
    }
    let weather = Weather::of(&basin);
    let zones: Vec<(i32, Weather)> = (1..=4).map(|code| (code, weather.at(code as usize))).collect();
    Weather::write_zones(&basin, &zones);
    let path = basin.file("climate.csv");
    let mut text = fs::read_to_string(&path).unwrap();
    edit(&mut text);
    fs::write(path, text).unwrap();
    basin
}

#[test]
fn a_zone_without_series() {
    let basin = zoned(|text| {
        *text = text.lines().filter(|l| !l.starts_with("3,")).map(|l| format!("{l}\n")).collect()
    });
    insta::assert_snapshot!(refused(&basin, &["climate.csv", "zone 3 (Spring line)"]));
}

#[test]
fn gaps_and_doubles_in_a_zone() {
    let gap = |text: &mut String| {
        let line = text.lines().find(|line| line.starts_with("2,1999,6,")).unwrap().to_string();
        *text = text.replace(&format!("{line}\n"), "");
    };
    let basin = zoned(gap);
    let said = refused(&basin, &["zone 2 (Eastern flats)", "1999-06"]);
    let double = |text: &mut String| {
        let line = text.lines().find(|line| line.starts_with("4,2003,2,")).unwrap().to_string();
        *text = text.replace(&line, &format!("{line}\n{line}"));
    };
    let basin = zoned(double);
    insta::assert_snapshot!(format!("{said}\n{}", refused(&basin, &["2003-02 stands twice for zone 4"])));
}

#[test]
fn a_zone_without_index() {
    let basin = zoned(|text| {
        let dry = |line: &str| {
            let fields: Vec<&str> = line.split(',').collect();
            if fields[0] == "1" {
                format!("1,{},{},0,10\n", fields[1], fields[2])
            } else {
                format!("{line}\n")
            }
        };
        *text = text.lines().map(dry).collect();
    });
    spi(&basin);
    insta::assert_snapshot!(refused(
        &basin,
        &["climate.csv", "zone \"Northern slopes\": precipitation is 0"]
    ));
}

/// Series of zones that are not there are only told.
#[test]
fn zones_that_are_nowhere() {
    let basin = zoned(|text| {
        let more: String =
            text.lines().filter(|line| line.starts_with("4,")).map(|l| format!("9{}\n", &l[1..])).collect();
        text.push_str(&more);
    });
    let said = Outcome::of(lentic().arg("check").arg(basin.study()));
    assert_eq!(said.code, Some(0), "{said:?}");
    assert!(
        said.stderr.contains("zones that lie nowhere on the grid and are not used: 9"),
        "{}",
        said.stderr
    );
}

#[test]
fn rasters_with_gaps() {
    let basin = Basin::small();
    rasters(&basin);
    for name in ["rain_1999-06.tif", "rain_2002-11.tif"] {
        fs::remove_file(basin.file(&format!("weather/{name}"))).unwrap();
    }
    let line = line_of(&basin, "weather/rain_");
    insta::assert_snapshot!(refused(&basin, &[&line, "no raster for 2 of the months", "1999-06"]));
}

#[test]
fn two_rasters_of_one_month() {
    let basin = Basin::small();
    rasters(&basin);
    fs::copy(basin.file("weather/rain_1999-06.tif"), basin.file("weather/rain_v2_1999-06.tif")).unwrap();
    basin.edit("study.toml", "weather/rain_{year}", "weather/rain_*{year}");
    let line = line_of(&basin, "weather/rain_");
    insta::assert_snapshot!(refused(&basin, &[&line, "1999-06", "rain_v2_1999-06.tif"]));
}

/// Of a file of twelve bands a year, one that holds six.
#[test]
fn rasters_with_too_few_bands() {
    let basin = Basin::small();
    rasters(&basin);
    basin.edit("study.toml", "weather/rain_{year}-{month}.tif", "weather/year_{year}.tif");
    for year in 1988..=2020 {
        let bands = if year == 2003 { 6 } else { 12 };
        let months: Vec<Vec<f32>> = (0..bands)
            .map(|month| Coarse::FEW.cells(|cell| ((year * 5 + month * 7 + cell) % 31) as f64))
            .collect();
        Coarse::FEW.write(&basin.file(&format!("weather/year_{year}.tif")), &months, None);
    }
    let line = line_of(&basin, "weather/year_");
    insta::assert_snapshot!(refused(
        &basin,
        &[&line, "year_2003.tif", "band 7 is asked for, but the file has 6 band(s)"]
    ));
}

#[test]
fn rasters_that_end_too_early() {
    let basin = Basin::small();
    rasters(&basin);
    for month in 1..=12 {
        fs::remove_file(basin.file(&format!("weather/rain_2020-{month:02}.tif"))).unwrap();
    }
    let line = line_of(&basin, "weather/rain_");
    insta::assert_snapshot!(refused(&basin, &[&line, "covers 1988-01 to 2019-12", "2020-12"]));
}

#[test]
fn rasters_of_another_grid() {
    let basin = Basin::small();
    rasters(&basin);
    let weather = Weather::of(&basin);
    write_month(&basin, &weather, 77, |_, rain| rain, Coarse { rows: 5, ..Coarse::FEW });
    let line = line_of(&basin, "weather/rain_");
    insta::assert_snapshot!(refused(&basin, &[&line, "rain_1994-06.tif", "another grid"]));
}

#[test]
fn temperature_of_another_grid() {
    let basin = Basin::small();
    rasters(&basin);
    basin.edit(
        "study.toml",
        "[climate]\n",
        "[layers.warmth]\nfile = \"weather/warmth.tif\"\nkind = \"continuous\"\nfirst_month = \"1988-01\"\n\n[climate]\n",
    );
    basin.edit("study.toml", WARMTH, "temperature = { layer = \"warmth\" }");
    let weather = Weather::of(&basin);
    let coarse = Coarse { side: 0.01, ..Coarse::FEW };
    let bands: Vec<Vec<f32>> = weather.warmth.iter().map(|t| coarse.cells(|_| *t)).collect();
    coarse.write(&basin.file("weather/warmth.tif"), &bands, None);
    let line = line_of(&basin, "weather/warmth.tif");
    insta::assert_snapshot!(refused(&basin, &[&line, "\"warmth\"", "another grid", "\"rain\""]));
}

/// A filler that the files do not declare, in two of the months.
#[test]
fn rasters_with_undeclared_fillers() {
    let basin = Basin::small();
    rasters(&basin);
    let weather = Weather::of(&basin);
    for t in [40, 41] {
        write_month(&basin, &weather, t, |cell, rain| if cell == 7 { -9999.0 } else { rain }, Coarse::FEW);
    }
    let line = line_of(&basin, "weather/rain_");
    insta::assert_snapshot!(refused(&basin, &[&line, "rain_1991-05.tif", "-9999", "no_data"]));
    // declared, the climate cell is left out
    basin.edit("study.toml", "[layers.rain]\n", "[layers.rain]\nno_data = [-9999.0]\n");
    let said = Outcome::of(lentic().arg("check").arg(basin.study()));
    assert_eq!(said.code, Some(0), "{said:?}");
    assert!(said.stderr.contains("1 of its 20 cells under the grid lack a month"), "{}", said.stderr);
}

/// NaN and infinity in a raster are no data.
#[test]
fn rasters_without_any_value() {
    let basin = Basin::small();
    rasters(&basin);
    let weather = Weather::of(&basin);
    let none = |cell: usize, _: f64| if cell.is_multiple_of(2) { f64::NAN } else { f64::INFINITY };
    write_month(&basin, &weather, 100, none, Coarse::FEW);
    let line = line_of(&basin, "weather/rain_");
    insta::assert_snapshot!(refused(&basin, &[&line, "so no cell has a climate", "1996-05"]));
}

#[test]
fn rasters_elsewhere() {
    let basin = Basin::small();
    rasters(&basin);
    let weather = Weather::of(&basin);
    for t in 0..weather.months.len() {
        write_month(&basin, &weather, t, |_, rain| rain, Coarse { east: 3.0, ..Coarse::FEW });
    }
    let line = line_of(&basin, "weather/rain_");
    insta::assert_snapshot!(refused(&basin, &[&line, "holds the centre of a cell of the grid"]));
}

#[test]
fn rasters_that_never_rain() {
    let basin = Basin::small();
    rasters(&basin);
    spi(&basin);
    let weather = Weather::of(&basin);
    for t in 0..weather.months.len() {
        write_month(&basin, &weather, t, |_, _| 0.0, Coarse::FEW);
    }
    let line = line_of(&basin, "weather/rain_");
    insta::assert_snapshot!(refused(
        &basin,
        &[&line, "none of its 20 climate cells", "precipitation is 0 in every month"]
    ));
    // where it rains in some cells only, the others are left out
    for t in 0..weather.months.len() {
        write_month(&basin, &weather, t, |cell, rain| if cell < 8 { 0.0 } else { rain }, Coarse::FEW);
    }
    let said = Outcome::of(lentic().arg("check").arg(basin.study()));
    assert_eq!(said.code, Some(0), "{said:?}");
    assert!(said.stderr.contains("8 of 20 climate cells have no drought index"), "{}", said.stderr);
}

#[test]
fn anomalies_of_another_kind() {
    let given = |scale: &str| {
        let basin = Basin::small();
        let edit = format!(
            "anomaly = {{ file = \"climate.csv\", column = \"temperature_c\" }}\nscale_kind = \"{scale}\""
        );
        basin.without_costs();
        basin.edit("study.toml", RAIN, &edit);
        basin.edit("study.toml", &format!("{WARMTH}\n"), "");
        basin.edit("study.toml", "index = \"spei\"", "index = \"given\"");
        // no weather comes with anomalies
        basin.edit("study.toml", "measure = \"wet and warm months\"", "measure = \"longest wet spell\"");
        basin.edit("study.toml", "window_c = [16.0, 33.0]", "");
        let study = fs::read_to_string(basin.study()).unwrap();
        let study = study
            .replace("precipitation = -15.0\ntemperature_c = 1.0", "index_shift = -1")
            .replace("precipitation = -30.0\ntemperature_c = 2.0", "index_shift = -2");
        fs::write(basin.study(), study).unwrap();
        basin
    };
    let said = refused(&given("standardised"), &["climate.csv:2: ", "23.1", "percent of normal"]);
    let basin = given("percent of normal");
    column(&basin, 3, |year, month, old| if (year, month) == (1990, 3) { "-5".into() } else { old.into() });
    insta::assert_snapshot!(format!("{said}\n{}", refused(&basin, &["-5", "below 0"])));
}

/// Every cell of a basin always wet or always dry: nothing can choose.
#[test]
fn nothing_to_choose_by() {
    let basin = Basin::small();
    basin.edit("study.toml", "months = 12 ", "months = \"choose\" ");
    let study = fs::read_to_string(basin.study()).unwrap();
    let (before, _) = study.split_once("[[scenarios]]\nname = \"driest-years\"").unwrap();
    fs::write(basin.study(), before).unwrap();
    basin.edit(
        "study.toml",
        "baseline = [\"1991-01\", \"2020-12\"]",
        "baseline = [\"1991-01\", \"1994-12\"]\nreference = [\"1991-01\", \"2020-12\"]",
    );
    // three months have a sum of every length, up to four years, when the climate begins with the baseline
    let path = basin.file("climate.csv");
    let text = fs::read_to_string(&path).unwrap();
    let kept: String = text
        .lines()
        .filter(|line| !["1988", "1989", "1990"].iter().any(|year| line.starts_with(year)))
        .map(|line| format!("{line}\n"))
        .collect();
    fs::write(path, kept).unwrap();
    let outcome = basin.try_run("run", &[]);
    insta::assert_snapshot!(lentic_tests::refusal::refused_with(
        &basin,
        outcome,
        &["no length of the drought index", "choose_from"]
    ));
}
