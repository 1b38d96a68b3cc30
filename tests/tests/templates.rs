//! Every template of `configs/` with small made-up layers under its own paths: checked, run, and held against what must
//! be so whatever the numbers.

use lentic_raster::{Bounds, Crs, Grid, write_bytes, write_floats};
use lentic_study::options::{SeriesSection, StudyFile};
use lentic_tests::raster::Raster;
use lentic_tests::table::Table;
use lentic_tests::{Outcome, lentic};
use std::f64::consts::TAU;
use std::fs;
use std::path::{Path, PathBuf};
use tempfile::TempDir;

/// No data in the layers written here.
const NONE: f32 = -9999.0;

fn configs() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../configs")
}

/// A template copied to a folder of its own, to be filled with layers.
struct Trial {
    folder: TempDir,
    file: StudyFile,
    grid: Grid,
}

impl Trial {
    fn of(template: &str) -> Trial {
        let folder = TempDir::new().unwrap();
        let study = folder.path().join("study.toml");
        fs::copy(configs().join(template), &study).unwrap();
        let (file, _) = lentic_study::read(&study).unwrap_or_else(|e| panic!("{template}: {e:?}"));
        let [left, bottom, right, top] = file.grid.bounds.expect("templates give bounds");
        let crs = Crs::parse(&file.grid.crs).unwrap();
        let grid = Grid::from_bounds(crs, Bounds { left, bottom, right, top }, file.grid.cell_m).unwrap();
        Trial { folder, file, grid }
    }

    /// Where the template looks for something, with the folder made.
    fn place(&self, relative: &str) -> PathBuf {
        let path = self.folder.path().join(relative);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        path
    }

    fn file(&self, layer: &str) -> PathBuf {
        self.place(self.file.layers[layer].file.as_ref().unwrap())
    }

    /// A file of the water history.
    fn water(&self, year: usize, month: usize, day: usize) -> PathBuf {
        let pattern = self.file.layers["water"].files.as_ref().unwrap();
        let name = pattern.replace("{year}", &format!("{year:04}"));
        self.place(&name.replace("{month}", &format!("{month:02}")).replace("{day}", &format!("{day:02}")))
    }

    /// A value for every cell from its row and column, row-major.
    fn cells<T>(&self, of: impl Fn(usize, usize) -> T) -> Vec<T> {
        let (rows, cols) = (self.grid.rows, self.grid.cols);
        (0..rows * cols).map(|at| of(at / cols, at % cols)).collect()
    }

    fn floats(&self, path: &Path, of: impl Fn(usize, usize) -> f64) {
        write_floats(path, &self.grid, &self.cells(|r, c| of(r, c) as f32), Some(NONE)).unwrap();
    }

    /// A class layer, no data 250, with a legend of these lines.
    fn classes(&self, layer: &str, legend: &str, of: impl Fn(usize, usize) -> u8) {
        write_bytes(&self.file(layer), &self.grid, &self.cells(of), Some(250)).unwrap();
        let path = self.file.layers[layer].legend.as_ref().unwrap();
        fs::write(self.place(path), legend).unwrap();
    }

    /// The climate file under the names of the template: rain and temperature by year and month from 0.
    fn climate(&self, years: std::ops::RangeInclusive<usize>, of: impl Fn(usize, usize) -> (f64, f64)) {
        let climate = self.file.climate.as_ref().unwrap();
        let [rain, temperature] =
            [&climate.precipitation, &climate.temperature].map(|series| series.as_ref().unwrap());
        assert_eq!(rain.file, temperature.file);
        let column = |series: &SeriesSection| series.column.clone().unwrap();
        let mut text = format!("year,month,{},{}\n", column(rain), column(temperature));
        for (year, month) in years.flat_map(|year| (0..12).map(move |month| (year, month))) {
            let (mm, warmth) = of(year, month);
            text.push_str(&format!("{year},{},{mm:.2},{warmth:.2}\n", month + 1));
        }
        fs::write(self.place(rain.file.as_ref().unwrap()), text).unwrap();
    }

    /// Checks and runs; gives what the run left.
    #[track_caller]
    fn run(&self) -> PathBuf {
        let study = self.folder.path().join("study.toml");
        let said = Outcome::of(lentic().arg("check").arg(&study)).done();
        assert!(said.contains("can be run"), "{said}");
        let run = self.folder.path().join("run");
        Outcome::of(lentic().args(["run", "--quiet"]).arg(&study).arg("--out").arg(&run)).done();
        let names = ["baseline", "observed"].into_iter();
        for name in names.chain(self.file.scenarios.iter().map(|s| s.name.as_str())) {
            let months = hydroperiod(&run, name);
            assert!(months.iter().any(|m| *m > 0.0), "{name} is dry everywhere");
            assert!(months.iter().all(|m| m.is_nan() || (0.0..=12.0).contains(m)), "{name}");
        }
        run
    }
}

fn hydroperiod(run: &Path, name: &str) -> Vec<f64> {
    Raster::read(&run.join("rasters").join(format!("hydroperiod_{name}.tif")), 1).cells
}

/// Habitat in hectares by scenario.
fn habitat(run: &Path) -> impl Fn(&str) -> f64 {
    let table = Table::of_run(run, "habitat_area");
    move |scenario| table.number("scenario", scenario, "habitat_ha")
}

/// Smooth bumps from -1 to 1.
fn bumps(row: usize, col: usize, cells: f64) -> f64 {
    let (y, x) = (TAU * row as f64 / cells, TAU * col as f64 / cells);
    0.6 * (y.sin() * x.cos()) + 0.4 * (0.37 * y + 1.3 * x).sin()
}

#[test]
fn no_template_is_left_untried() {
    let mut names: Vec<String> = fs::read_dir(configs())
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .filter(|name| name.ends_with(".toml"))
        .collect();
    names.sort();
    // a scenes file is tried in scenes.rs; the templates that have no test here, in new_study.rs
    assert_eq!(
        names,
        [
            "closed-basin.toml",
            "coastal-marsh.toml",
            "depth-marsh.toml",
            "floodplain.toml",
            "peatland.toml",
            "scenes.toml",
            "spring-fed.toml"
        ],
        "give a new template a test here"
    );
}

/// A marsh on a slope with water parallel to it: depth = level of the date - bumps of the ground. It is seen in October, January and
/// April of two years.
#[test]
fn depth_marsh() {
    let trial = Trial::of("depth-marsh.toml");
    let last = trial.grid.cols - 1;
    // the outermost columns have no depth; in metres elsewhere
    let ground = |r: usize, c: usize| 0.45 * bumps(r, c, 31.0);
    let depth_cm = |level: f64, r: usize, c: usize| {
        if c == 0 || c == last { f64::from(NONE) } else { 100.0 * (level - ground(r, c)) }
    };
    // year, month, day, level in m; October below ground negative, later dates cut at 0
    let dates = [
        (2018, 10, 18, 0.35),
        (2025, 1, 1, 0.15),
        (2025, 1, 2, 0.13),
        (2025, 1, 3, 0.11),
        (2025, 4, 1, -0.02),
        (2025, 4, 2, -0.06),
    ];
    for (year, month, day, level) in dates {
        trial.floats(&trial.water(year, month, day), |r, c| match depth_cm(level, r, c) {
            below if below < 0.0 && below != f64::from(NONE) && year == 2025 => 0.0,
            depth => depth,
        });
    }
    trial.floats(&trial.file("ground"), |r, c| depth_cm(0.35, r, c));
    trial.floats(&trial.file("depth"), |r, c| match depth_cm(0.2, r, c) {
        below if below < 0.0 && below != f64::from(NONE) => 0.0,
        depth => depth,
    });
    let legend =
        "code,name\n1,slough\n2,impounded marsh\n3,open marsh\n4,wooded marsh\n5,farmland\n6,canal\n7,lake\n";
    trial.classes("zones", legend, |r, c| match (r, c) {
        (_, 3) => 6,
        (0..2, _) => 5,
        (_, c) if c < 20 => 1,
        (r, c) if r < 50 && c < 60 => 2,
        (r, _) if r < 50 => 4,
        _ => 3,
    });
    trial.climate(1988..=2021, |year, month| {
        let season = (TAU * (month as f64 - 6.5) / 12.0).cos();
        (90.0 + 70.0 * season + ((year * 37 + month * 11) % 41) as f64, 23.0 + 5.0 * season)
    });

    let run = trial.run();

    // By hand from the filling rule: October and April each stand for themselves, for November and December or for
    // February and March with January by halves, and for May to September by halves between them: 4.5, 3 and 4.5 months.
    let wet = |level: f64, r, c| f64::from(u8::from(level > ground(r, c)));
    let expected = trial.cells(|r, c| {
        // of two dates in April a tie is wet: the higher decides; of three in January the middle one
        4.5 * wet(0.35, r, c) + 3.0 * wet(0.13, r, c) + 4.5 * wet(-0.02, r, c)
    });
    let observed = hydroperiod(&run, "observed");
    for (at, (found, expected)) in observed.iter().zip(&expected).enumerate() {
        let unseen = at % trial.grid.cols == 0 || at % trial.grid.cols == last;
        assert!(
            if unseen { found.is_nan() } else { found == expected },
            "cell {at}: {found}, by hand {expected}"
        );
    }
    assert!([0.0, 4.5, 7.5, 12.0].iter().all(|months| observed.contains(months)));

    let ha = habitat(&run);
    assert!(ha("baseline") > 10_000.0, "{}", ha("baseline"));
    assert!(ha("fall-10-cm") < ha("baseline"));
    assert!(ha("fall-30-cm") < 0.7 * ha("fall-10-cm"));
    assert!(ha("restored-10-cm") > ha("baseline"));
    assert!(ha("impounded-fall-30-cm") < ha("baseline") && ha("impounded-fall-30-cm") > ha("fall-30-cm"));
    // a fall in one zone leaves the hydroperiod of the others as it was
    let zones = Raster::read(&trial.file("zones"), 1).cells;
    let (before, after) = (hydroperiod(&run, "baseline"), hydroperiod(&run, "impounded-fall-30-cm"));
    for (at, zone) in zones.iter().enumerate().filter(|(at, _)| before[*at] > 0.0) {
        assert_eq!(after[at] < before[at], *zone == 2.0, "cell {at} of zone {zone}");
    }
    // the honest words about a short record reach the reader
    let record = fs::read_to_string(run.join("run.json")).unwrap();
    assert!(record.contains("3 month(s) of the baseline, in 3 calendar month(s)"), "{record}");
    // habitat does not depend on the climate, but droughts are told
    assert!(!Table::of_run(&run, "drought_events").0.is_empty());
}

/// Two round pools, a spring and a rain-fed one, whose level follows the rain of a year; one month in seven is hidden by cloud
/// over the western half.
#[test]
fn closed_basin() {
    let trial = Trial::of("closed-basin.toml");
    let (rows, cols) = (trial.grid.rows as f64, trial.grid.cols as f64);
    // metres of ground above the deepest point of the nearer pool
    let pool = |_: usize, c: usize| if (c as f64) < cols / 2.0 { 1 } else { 2 };
    let ground = |r: usize, c: usize| {
        let centre = if pool(r, c) == 1 { 0.25 } else { 0.75 } * cols;
        let away = (r as f64 - rows / 2.0).hypot(c as f64 - centre) / (0.22 * cols);
        2.0 * away * away + 0.05 * bumps(r, c, 9.0)
    };
    let (first, last) = (1989, 2020);
    let months = (last - first + 1) * 12;
    let season = |month: usize| (TAU * (month as f64 - 5.5) / 12.0).cos();
    // rain of dry and wet years in turn, by a rule without period
    let rain: Vec<f64> = (0..months)
        .map(|t| {
            let year = 0.35 * (1.7 * (t / 12) as f64).sin() + 0.2 * (0.61 * (t / 12) as f64 + 1.0).cos();
            (45.0 + 30.0 * season(t % 12)) * (1.0 + year) + ((t * 29) % 17) as f64 * 0.4
        })
        .collect();
    let mean = rain.iter().sum::<f64>() / months as f64 * 12.0;
    let level = |t: usize, pool: usize| {
        let sum: f64 = rain[t - 11..=t].iter().sum();
        let wetness = sum / mean - 1.0;
        let jitter = ((t * 53) % 23) as f64 / 23.0 - 0.5;
        let reach = if pool == 1 { 0.5 } else { 1.2 };
        0.9 + reach * wetness + 0.25 * season((t + 10) % 12) + 0.3 * jitter
    };
    for t in 24..months {
        let (year, month) = (first + t / 12, t % 12 + 1);
        let mask = trial.cells(|r, c| {
            if t % 7 == 0 && (c as f64) < cols / 2.0 {
                255
            } else {
                u8::from(level(t, pool(r, c)) > ground(r, c))
            }
        });
        write_bytes(&trial.water(year, month, 1), &trial.grid, &mask, None).unwrap();
    }
    trial
        .climate(first..=last, |year, month| (rain[(year - first) * 12 + month], 14.0 + 8.0 * season(month)));
    trial.floats(&trial.file("ground"), |r, c| 100.0 + ground(r, c));
    trial.floats(&trial.file("depth"), |r, c| {
        let depths = (24..months).map(|t| level(t, pool(r, c)) - ground(r, c)).filter(|depth| *depth > 0.0);
        let (sum, count) = depths.fold((0.0, 0), |(sum, n), depth| (sum + depth, n + 1));
        if count > 0 { sum / f64::from(count) } else { 0.0 }
    });
    let floor = |r: usize, c: usize| ground(r, c) < 1.6;
    let kinds = "code,name,cover_score\n0,upland,0.1\n1,open pool,0.6\n2,seasonal marsh,0.9\n3,spring-fed marsh,1.0\n";
    trial.classes("wetland_class", kinds, |r, c| match (floor(r, c), ground(r, c) < 0.4, pool(r, c)) {
        (false, ..) => 0,
        (_, true, _) => 1,
        (_, _, 1) => 3,
        _ => 2,
    });
    let covers = "code,name\n1,water\n2,reeds\n3,shrub\n4,grassland\n5,cropland\n6,built-up\n";
    let cover = |r: usize, c: usize| match ground(r, c) {
        h if h < 0.4 => 1,
        h if h < 1.2 => 2,
        h if h < 2.0 => 3,
        _ => 4,
    };
    trial.classes("land_cover", covers, cover);
    // fields take the reeds and the shore of the northern half
    trial.classes("land_cover_future", covers, |r, c| {
        if (r as f64) < rows / 2.0 && ground(r, c) > 0.6 { 5 } else { cover(r, c) }
    });
    trial.classes("pools", "code,name\n1,spring pool\n2,rain pool\n", |r, c| {
        if floor(r, c) { pool(r, c) as u8 } else { 250 }
    });
    trial.classes("zones", "code,name\n1,uplands\n2,springs\n3,basin floor\n", |r, c| {
        match (floor(r, c), pool(r, c)) {
            (false, _) => 1,
            (_, 1) => 2,
            _ => 3,
        }
    });
    let road = trial.cells(|r, _| u8::from(r == 2));
    write_bytes(&trial.file("roads"), &trial.grid, &road, None).unwrap();

    let run = trial.run();

    let ha = habitat(&run);
    let baseline = ha("baseline");
    assert!(baseline > 20.0, "{baseline} ha");
    for drying in ["drier", "drier-wet-season", "pumping", "pumping-and-drier"] {
        assert!(ha(drying) < 0.98 * baseline, "{drying}: {} of {baseline} ha", ha(drying));
    }
    assert!(ha("pumping-and-drier") < ha("drier").min(ha("pumping")));
    assert!(ha("restored") > baseline, "{} of {baseline} ha", ha("restored"));
    assert!(ha("land-use") < 0.98 * baseline);
    // pumping is under the basin floor: the springs keep their hydroperiod
    let zones = Raster::read(&trial.file("zones"), 1).cells;
    let (before, after) = (hydroperiod(&run, "baseline"), hydroperiod(&run, "pumping"));
    for (at, zone) in zones.iter().enumerate().filter(|(at, _)| !before[*at].is_nan()) {
        assert!(if *zone == 3.0 { after[at] <= before[at] } else { after[at] == before[at] }, "cell {at}");
    }
    // the road is no habitat, whatever lies about it
    let suitability = Raster::read(&run.join("rasters/suitability_baseline.tif"), 1);
    assert!(
        suitability.cells[2 * suitability.cols..3 * suitability.cols].iter().all(|s| s.is_nan() || *s == 0.0)
    );
    // the model stands near what was counted: mean over cells of the pools
    let observed = hydroperiod(&run, "observed");
    let gaps: Vec<f64> =
        observed.iter().zip(&before).filter(|(o, _)| **o > 0.0).map(|(o, m)| (o - m).abs()).collect();
    let gap = gaps.iter().sum::<f64>() / gaps.len() as f64;
    assert!(gap < 0.5, "{gap} months apart on the mean");
}
