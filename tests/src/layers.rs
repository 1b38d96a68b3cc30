//! Made-up layers for any study file: every layer, legend and table it names, so that it can be run as it stands.

use lentic_raster::{Bounds, Crs, Grid, write_bytes, write_floats};
use lentic_study::options::{LayerKind, LayerSection, StudyFile, WaterContent};
use std::collections::BTreeMap;
use std::f64::consts::TAU;
use std::fs;
use std::path::{Path, PathBuf};

/// No data in the layers written here.
const NONE: f32 = -9999.0;

/// A study file and the grid its layers are made on.
pub struct Made {
    folder: PathBuf,
    /// As written.
    pub file: StudyFile,
    /// Of the study.
    pub grid: Grid,
}

/// A column of a table: its name, which series it is, the column of its zones.
type SeriesColumn<'a> = (&'a String, usize, Option<&'a String>);

impl Made {
    /// Writes every file that the study names and that is not there; scores left empty in legends become 0.6.
    ///
    /// Two round hollows lie side by side; the water of both follows the rain of a year, that of the right one more.
    #[track_caller]
    pub fn of(study: &Path) -> Made {
        let text = fs::read_to_string(study).unwrap();
        let (file, _) = lentic_study::parse(study, text).unwrap_or_else(|e| panic!("{e}"));
        let [left, bottom, right, top] = file.grid.bounds.expect("bounds are given");
        let crs = Crs::parse(&file.grid.crs).unwrap();
        let grid = Grid::from_bounds(crs, Bounds { left, bottom, right, top }, file.grid.cell_m).unwrap();
        let made = Made { folder: study.parent().unwrap().to_path_buf(), file, grid };
        for (name, layer) in &made.file.layers {
            match layer.kind {
                LayerKind::WaterHistory => made.water(layer),
                _ if layer.files.is_some() => made.weather(name, layer),
                _ => made.layer(name, layer),
            }
        }
        made.tables();
        made
    }

    fn place(&self, relative: &str) -> PathBuf {
        let path = self.folder.join(relative);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        path
    }

    fn cells<T>(&self, of: impl Fn(usize, usize) -> T) -> Vec<T> {
        let (rows, cols) = (self.grid.rows, self.grid.cols);
        (0..rows * cols).map(|at| of(at / cols, at % cols)).collect()
    }

    fn right(&self, col: usize) -> bool {
        2 * col >= self.grid.cols
    }

    /// Metres above the deepest point of the nearer hollow.
    fn ground(&self, row: usize, col: usize) -> f64 {
        let (rows, cols) = (self.grid.rows as f64, self.grid.cols as f64);
        let middle = if self.right(col) { 0.75 } else { 0.25 } * cols;
        let away = (row as f64 - rows / 2.0).hypot(col as f64 - middle) / (0.25 * cols);
        2.0 * away * away + 0.04 * (0.9 * row as f64).sin() * (0.7 * col as f64).cos()
    }

    /// Standardised wetness of a month, by a rule without period.
    fn wetness(month: i32) -> f64 {
        let year = f64::from(month) / 12.0;
        (1.7 * year).sin() + 0.6 * (0.61 * year + 1.0).cos()
    }

    /// First and last month needed, counted from year 0: the baseline, the reference and five years before.
    fn months(&self) -> (i32, i32) {
        let period = &self.file.period;
        let year = |month: &String| month[..4].parse::<i32>().unwrap();
        let all = period.reference.iter().flatten().chain(&period.baseline).map(year);
        let (first, last) = all.fold((i32::MAX, i32::MIN), |(a, b), year| (a.min(year), b.max(year)));
        (12 * (first - 5), 12 * last + 11)
    }

    fn water(&self, layer: &LayerSection) {
        let pattern = layer.files.as_ref().expect("water by a pattern");
        let year = |at: usize| self.file.period.baseline[at][..4].parse::<i32>().unwrap();
        for month in 12 * year(0)..12 * year(1) + 12 {
            let season = (TAU * f64::from(month % 12) / 12.0).cos();
            let jitter = f64::from((month * 53) % 23) / 23.0 - 0.5;
            let depth = |r: usize, c: usize| {
                let reach = if self.right(c) { 0.45 } else { 0.2 };
                0.9 + reach * Self::wetness(month) + 0.2 * season + 0.25 * jitter - self.ground(r, c)
            };
            let name = pattern.replace("{year}", &format!("{:04}", month / 12));
            let name = name.replace("{month}", &format!("{:02}", month % 12 + 1)).replace("{day}", "15");
            let path = self.place(&name);
            match layer.holds.unwrap_or(WaterContent::Mask) {
                WaterContent::Mask => {
                    write_bytes(&path, &self.grid, &self.cells(|r, c| u8::from(depth(r, c) > 0.0)), None)
                        .unwrap();
                }
                WaterContent::Fraction => {
                    let share = |r, c| (0.5 + 2.0 * depth(r, c)).clamp(0.0, 1.0) as f32;
                    write_floats(&path, &self.grid, &self.cells(share), Some(NONE)).unwrap();
                }
                WaterContent::Depth => {
                    let cells = self.cells(|r, c| depth(r, c).max(0.0) as f32);
                    write_floats(&path, &self.grid, &cells, Some(NONE)).unwrap();
                }
            }
        }
    }

    fn layer(&self, name: &str, layer: &LayerSection) {
        let path = self.place(layer.file.as_ref().unwrap());
        match layer.kind {
            LayerKind::Class => {
                let codes = self.legend(layer.legend.as_ref().unwrap());
                // rings of classes about the hollows; of pools and zones the left and the right
                let code = |r: usize, c: usize| {
                    let halves = matches!(name, "pools" | "zones");
                    let at = if halves {
                        1 + usize::from(self.right(c))
                    } else {
                        (2.0 * self.ground(r, c)) as usize
                    };
                    codes[at.min(codes.len() - 1)]
                };
                let cell = |r: usize, c: usize| match name {
                    "pools" if self.ground(r, c) > 1.8 => 250,
                    _ => code(r, c) as u8,
                };
                write_bytes(&path, &self.grid, &self.cells(cell), Some(250)).unwrap();
            }
            LayerKind::Mask => {
                write_bytes(&path, &self.grid, &self.cells(|r, _| u8::from(r == 1)), None).unwrap();
            }
            _ => {
                let unscaled = 1.0 / layer.scale.unwrap_or(1.0);
                let value = |r: usize, c: usize| match name {
                    "ground" => self.ground(r, c),
                    "depth" => (0.9 - self.ground(r, c)).max(0.0),
                    _ => 2.0 + self.ground(r, c),
                };
                let cells = self.cells(|r, c| (unscaled * value(r, c)) as f32);
                write_floats(&path, &self.grid, &cells, Some(NONE)).unwrap();
            }
        }
    }

    /// Completes a legend and gives its codes.
    fn legend(&self, relative: &str) -> Vec<i32> {
        let path = self.place(relative);
        let text = fs::read_to_string(&path).unwrap_or_else(|_| "code,name\n".into());
        let mut lines: Vec<String> = text.lines().map(str::to_string).collect();
        let columns = lines[0].split(',').count();
        if lines.len() == 1 {
            lines.extend((0..4).map(|code| format!("{code},class {code}{}", ",".repeat(columns - 2))));
        }
        for line in &mut lines[1..] {
            let mut cells: Vec<&str> = line.split(',').collect();
            cells.iter_mut().skip(2).filter(|cell| cell.is_empty()).for_each(|cell| *cell = "0.6");
            *line = cells.join(",");
        }
        fs::write(&path, lines.join("\n") + "\n").unwrap();
        lines[1..].iter().map(|line| line.split(',').next().unwrap().parse().unwrap()).collect()
    }

    /// Rain and mean temperature of a month.
    fn of_month(month: i32) -> (f64, f64) {
        let season = (TAU * (f64::from(month % 12) - 6.5) / 12.0).cos();
        let rain =
            (45.0 + 25.0 * season) * (1.0 + 0.3 * Self::wetness(month)) + f64::from((month * 29) % 17) * 0.4;
        (rain, 15.0 + 8.0 * season + f64::from((month * 31) % 7) * 0.2)
    }

    fn weather(&self, name: &str, layer: &LayerSection) {
        let (first, last) = self.months();
        for month in first..=last {
            let (rain, warmth) = Self::of_month(month);
            let value = if name == "rain" { rain } else { warmth };
            let pattern = layer.files.as_ref().unwrap();
            let path = pattern.replace("{year}", &format!("{:04}", month / 12));
            let path = self.place(&path.replace("{month}", &format!("{:02}", month % 12 + 1)));
            write_floats(&path, &self.grid, &self.cells(|_, _| value as f32), Some(NONE)).unwrap();
        }
    }

    fn tables(&self) {
        let Some(climate) = &self.file.climate else { return };
        let series = [(&climate.precipitation, 0), (&climate.temperature, 1), (&climate.anomaly, 2)];
        let mut tables: BTreeMap<&String, Vec<SeriesColumn>> = BTreeMap::new();
        for (series, what) in series.iter().filter_map(|(series, what)| Some((series.as_ref()?, *what))) {
            if let (Some(file), Some(column)) = (&series.file, &series.column) {
                tables.entry(file).or_default().push((column, what, series.zone_column.as_ref()));
            }
        }
        let (first, last) = self.months();
        for (file, columns) in tables {
            let zone = columns[0].2;
            let names: Vec<&str> = columns.iter().map(|(column, ..)| column.as_str()).collect();
            let zoned = zone.map_or_else(String::new, |zone| format!("{zone},"));
            let mut text = format!("{zoned}year,month,{}\n", names.join(","));
            let codes = match zone {
                Some(_) => self
                    .legend(self.file.layers["zones"].legend.as_ref().unwrap())
                    .iter()
                    .map(|code| format!("{code},"))
                    .collect(),
                None => vec![String::new()],
            };
            for (code, month) in codes.iter().flat_map(|code| (first..=last).map(move |month| (code, month)))
            {
                let (rain, warmth) = Self::of_month(month);
                let all = [rain, warmth, Self::wetness(month) + f64::from((month * 53) % 23) / 40.0];
                let values: Vec<String> =
                    columns.iter().map(|(_, what, _)| format!("{:.3}", all[*what])).collect();
                text.push_str(&format!("{code}{},{},{}\n", month / 12, month % 12 + 1, values.join(",")));
            }
            fs::write(self.place(file), text).unwrap();
        }
    }
}
