//! The point process behind `lentic calibrate`, fitted to a point pattern with published coefficients: 3604 trees on a plot of 1000 x
//! 500 m, with elevation and slope every 5 m (bei of the Debian package r-cran-spatstat.data). Baddeley, Rubak and Turner 2015,
//! Spatial Point Patterns, chapter 9, fit log density = intercept + elevation + gradient; their program's numbers are given beside each
//! test. Its integral runs over other places than the even 5 m squares here, so digits beyond about a hundredth differ. statsmodels
//! fits the very same sum (tests/reference/point_process.py).

use lentic_numerics::point_process::{PointProcess, Terms, fit};
use lentic_tests::Outcome;
use lentic_tests::outside::python;
use std::process::Command;
use std::sync::LazyLock;
use tempfile::TempDir;

/// The pattern and the two maps, as R prints them.
const SCRIPT: &str = r#"
data(bei, package = "spatstat.data")
elev <- bei.extra$elev; grad <- bei.extra$grad
write.csv(data.frame(x = bei$x, y = bei$y), file.path(folder, "trees.csv"), row.names = FALSE)
grid <- expand.grid(y = elev$yrow, x = elev$xcol)
grid$elev <- as.vector(elev$v); grid$grad <- as.vector(grad$v)
write.csv(grid, file.path(folder, "ground.csv"), row.names = FALSE)
"#;

const STEP: f64 = 5.0;
const WIDE: f64 = 1000.0;
const HIGH: f64 = 500.0;

struct Plot {
    folder: TempDir,
    /// x, y of each tree.
    trees: Vec<[f64; 2]>,
    /// x, y, elevation, gradient of each square.
    ground: Vec<[f64; 4]>,
    /// Area of each square that lies in the plot.
    areas: Vec<f64>,
}

static PLOT: LazyLock<Plot> = LazyLock::new(|| {
    let folder = TempDir::new().unwrap();
    let script = format!("folder <- \"{}\"\n{SCRIPT}", folder.path().display());
    let outcome = Outcome::of(Command::new("Rscript").args(["--vanilla", "-e"]).arg(&script));
    assert_eq!(
        outcome.code,
        Some(0),
        "R cannot read bei; `make test` installs r-cran-spatstat.data (elsewhere: install.packages(\"spatstat.data\")): {outcome:#?}"
    );
    let read = |name: &str, columns: &[&str]| -> Vec<Vec<f64>> {
        let mut reader = csv::Reader::from_path(folder.path().join(name)).unwrap();
        let headers = reader.headers().unwrap().clone();
        let places: Vec<usize> =
            columns.iter().map(|c| headers.iter().position(|h| h == *c).unwrap()).collect();
        let number = |row: csv::StringRecord| places.iter().map(|p| row[*p].parse().unwrap()).collect();
        reader.records().map(|row| number(row.unwrap())).collect()
    };
    let trees: Vec<[f64; 2]> =
        read("trees.csv", &["x", "y"]).into_iter().map(|r| r.try_into().unwrap()).collect();
    let ground: Vec<[f64; 4]> =
        read("ground.csv", &["x", "y", "elev", "grad"]).into_iter().map(|r| r.try_into().unwrap()).collect();
    // squares about points every 5 m from 0 on: those at the edge lie half outside
    let side = |at: f64, end: f64| (at + STEP / 2.0).min(end) - (at - STEP / 2.0).max(0.0);
    let areas = ground.iter().map(|[x, y, ..]| side(*x, WIDE) * side(*y, HIGH)).collect();
    Plot { folder, trees, ground, areas }
});

impl Plot {
    /// The square a tree stands in: elevation and gradient are those of the nearest point.
    fn at(&self, tree: &[f64; 2]) -> &[f64; 4] {
        let (col, row) = ((tree[0] / STEP).round() as usize, (tree[1] / STEP).round() as usize);
        // R's grid runs up the columns
        let square = &self.ground[col * 101 + row];
        assert!((square[0] - tree[0]).abs() <= 2.5 && (square[1] - tree[1]).abs() <= 2.5);
        square
    }

    /// A fit with these terms of a square, without penalty.
    fn fit<const N: usize>(&self, terms: impl Fn(&[f64; 4]) -> [f64; N]) -> PointProcess {
        let presences: Vec<f64> = self.trees.iter().flat_map(|tree| terms(self.at(tree))).collect();
        let ground: Vec<f64> = self.ground.iter().flat_map(&terms).collect();
        let found = fit(
            Terms::new(&presences, N),
            self.trees.len(),
            Terms::new(&ground, N),
            &self.areas,
            &[0.0; N],
            None,
        );
        found.unwrap()
    }
}

#[track_caller]
fn near(found: f64, published: f64, share: f64) {
    assert!((found / published - 1.0).abs() <= share, "{found}, published {published}");
}

#[test]
fn the_plot_is_the_published_one() {
    assert_eq!(PLOT.trees.len(), 3604);
    assert_eq!(PLOT.ground.len(), 101 * 201);
    assert_eq!(PLOT.areas.iter().sum::<f64>(), 500_000.0);
    // first three trees and the maps under them, as the program prints them
    let under: Vec<[f64; 2]> = PLOT.trees[..3].iter().map(|t| [PLOT.at(t)[2], PLOT.at(t)[3]]).collect();
    for (found, expected) in
        under.iter().flatten().zip([138.32, 0.116_198_9, 129.64, 0.284_652_7, 135.69, 0.222_756_8])
    {
        assert!((found - expected).abs() < 1e-6, "{found} {expected}");
    }
}

#[test]
fn elevation_and_gradient() {
    let found = PLOT.fit(|[_, _, elev, grad]| [*elev, *grad]);
    // published: -8.56355220 (standard error .341113849), 0.02143995, 5.84646680; spatstat.model 3.2-1: standard errors of the
    // slopes .00228786593, .25578101757, log-likelihood -21144.5534995
    near(found.intercept, -8.563_552_20, 0.01);
    near(found.coefficients[0], 0.021_439_95, 0.01);
    near(found.coefficients[1], 5.846_466_80, 0.01);
    near(found.intercept_error(), 0.341_113_849, 0.01);
    near(found.error(0), 0.002_287_865_93, 0.01);
    near(found.error(1), 0.255_781_017_57, 0.01);
    near(found.log_likelihood, -21_144.553_499_5, 1e-4);
    // against an even density: deviance 472.8125735
    let even = PLOT.fit(|_| []);
    near(2.0 * (found.log_likelihood - even.log_likelihood), 472.812_573_5, 0.01);
    // trees expected are trees there
    let expected: f64 = PLOT
        .ground
        .iter()
        .zip(&PLOT.areas)
        .map(|(square, area)| area * (found.intercept + found.response(&square[2..])).exp())
        .sum();
    assert!((expected - 3604.0).abs() < 1e-6, "{expected}");
}

#[test]
fn other_published_fits() {
    // ~ 1: ln(3604 / 500000) exactly, log-likelihood -21380.9597863
    let even = PLOT.fit(|_| []);
    assert!((even.intercept - (3604.0f64 / 500_000.0).ln()).abs() < 1e-12);
    near(even.log_likelihood, -21_380.959_786_3, 1e-9);
    // ~ grad: -5.39105259504, 5.02670986690, log-likelihood -21189.4039799
    let slope = PLOT.fit(|[.., grad]| [*grad]);
    near(slope.intercept, -5.391_052_595_04, 0.01);
    near(slope.coefficients[0], 5.026_709_866_90, 0.01);
    near(slope.log_likelihood, -21_189.403_979_9, 1e-4);
    // ~ x + y: -4.724529027431, -8.03128769721e-4, 6.49609019773e-4
    let place = PLOT.fit(|[x, y, ..]| [*x, *y]);
    near(place.intercept, -4.724_529_027_431, 0.01);
    near(place.coefficients[0], -8.031_287_697_21e-4, 0.01);
    near(place.coefficients[1], 6.496_090_197_73e-4, 0.02);
}

/// statsmodels' Poisson regression on the same squares, to all digits: the sum of counts and areas is the same likelihood.
#[test]
fn statsmodels_agrees() {
    let found = PLOT.fit(|[_, _, elev, grad]| [*elev, *grad]);
    let text = Outcome::of(python().arg("point_process.py").arg(PLOT.folder.path())).done();
    let numbers: Vec<f64> = text.split_whitespace().map(|n| n.parse().unwrap()).collect();
    let own = [
        found.intercept,
        found.coefficients[0],
        found.coefficients[1],
        found.intercept_error(),
        found.error(0),
        found.error(1),
    ];
    for (own, theirs) in own.into_iter().zip(numbers) {
        near(own, theirs, 1e-7);
    }
}
