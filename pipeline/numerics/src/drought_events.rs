//! Droughts as runs of a standardised index, and classes of the index.

/// An index at or below this opens a drought.
pub const OPENS_AT: f64 = -1.0;

/// An index at or above this closes a drought; below it a drought reaches back.
pub const CLOSES_AT: f64 = 0.0;

/// A drought. Months are positions in the series.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Event {
    /// First month below 0.
    pub start: usize,
    /// One past the last month below 0.
    pub end: usize,
    /// Months from start to end, missing ones included.
    pub duration: usize,
    /// Minus the sum of the index over the observed months: index units times months.
    pub severity: f64,
    /// Severity by the number of observed months, so that a missing month counts as unknown and not as 0.
    pub intensity: f64,
    /// The lowest index.
    pub peak: f64,
    /// No month after it closes it: it may still go on.
    pub open_ended: bool,
}

/// The droughts of a monthly index in order of time, by run theory (Yevjevich 1967, Hydrology Paper 23, Colorado State
/// University) with the rule of McKee et al. 1993: an index of -1 or less opens a drought, 0 or more closes it, and it
/// reaches back to where the index fell below 0. A missing month (`None`, or NaN) neither opens nor closes one; a drought
/// starts and ends on an observed month below 0, with missing months between bridged.
///
/// ```
/// use lentic_numerics::drought_events::events;
/// let index = [0.5, -0.2, -1.3, 0.4, -0.6, 0.3].map(Some);
/// let found = events(&index);
/// assert_eq!((found.len(), found[0].start, found[0].duration), (1, 1, 2));
/// ```
pub fn events(index: &[Option<f64>]) -> Vec<Event> {
    let mut events = Vec::new();
    let mut run = None;
    for (month, z) in index.iter().enumerate() {
        match z {
            Some(z) if *z >= CLOSES_AT => events.extend(run.take().and_then(|r: Dry| r.event(false))),
            Some(z) if *z < CLOSES_AT => run.get_or_insert(Dry::starting(month)).add(month, *z),
            _ => {}
        }
    }
    events.extend(run.and_then(|r| r.event(true)));
    events
}

/// A run of observed months below 0.
struct Dry {
    start: usize,
    end: usize,
    observed: usize,
    severity: f64,
    peak: f64,
}

impl Dry {
    fn starting(month: usize) -> Self {
        Dry { start: month, end: month, observed: 0, severity: 0.0, peak: CLOSES_AT }
    }

    fn add(&mut self, month: usize, z: f64) {
        self.end = month + 1;
        self.observed += 1;
        self.severity -= z;
        self.peak = self.peak.min(z);
    }

    fn event(self, open_ended: bool) -> Option<Event> {
        (self.peak <= OPENS_AT).then(|| Event {
            start: self.start,
            end: self.end,
            duration: self.end - self.start,
            severity: self.severity,
            intensity: self.severity / self.observed as f64,
            peak: self.peak,
            open_ended,
        })
    }
}

/// Months from the start of each drought to the start of the next: one fewer than there are droughts.
pub fn interarrival(events: &[Event]) -> Vec<usize> {
    events.windows(2).map(|pair| pair[1].start.saturating_sub(pair[0].start)).collect()
}

/// A stretch of values below a truncation level.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Run {
    /// First position.
    pub start: usize,
    /// How many values.
    pub length: usize,
    /// Sum of the shortfalls (level minus value).
    pub severity: f64,
    /// The greatest shortfall.
    pub deepest: f64,
}

impl Run {
    /// Mean shortfall.
    pub fn intensity(&self) -> f64 {
        self.severity / self.length as f64
    }
}

/// The longest stretches of values below `level` (Yevjevich 1967). NaN ends a stretch.
pub fn runs_below(values: &[f64], level: f64) -> Vec<Run> {
    let mut runs: Vec<Run> = Vec::new();
    let mut inside = false;
    for (at, value) in values.iter().enumerate() {
        let below = *value < level;
        if below {
            let shortfall = level - value;
            match runs.last_mut().filter(|_| inside) {
                Some(run) => {
                    run.length += 1;
                    run.severity += shortfall;
                    run.deepest = run.deepest.max(shortfall);
                }
                None => runs.push(Run { start: at, length: 1, severity: shortfall, deepest: shortfall }),
            }
        }
        inside = below;
    }
    runs
}

/// Class of a standardised index: table 1 of the WMO's Standardized Precipitation Index User Guide (WMO-No. 1090, 2012).
/// The table is printed to two decimals; here each class reaches up to the next limit, towards 0.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum WetnessClass {
    /// No index.
    NoIndex,
    /// -2.0 or less.
    ExtremelyDry,
    /// Down from -1.5, above -2.0.
    SeverelyDry,
    /// Down from -1.0, above -1.5.
    ModeratelyDry,
    /// Above -1.0 and below 1.0.
    NearNormal,
    /// From 1.0, below 1.5.
    ModeratelyWet,
    /// From 1.5, below 2.0.
    VeryWet,
    /// 2.0 or more.
    ExtremelyWet,
}

impl WetnessClass {
    /// The name as printed in the guide, in small letters.
    pub fn name(self) -> &'static str {
        match self {
            WetnessClass::NoIndex => "no index",
            WetnessClass::ExtremelyDry => "extremely dry",
            WetnessClass::SeverelyDry => "severely dry",
            WetnessClass::ModeratelyDry => "moderately dry",
            WetnessClass::NearNormal => "near normal",
            WetnessClass::ModeratelyWet => "moderately wet",
            WetnessClass::VeryWet => "very wet",
            WetnessClass::ExtremelyWet => "extremely wet",
        }
    }
}

/// The class of an index; NaN has [`WetnessClass::NoIndex`].
pub fn wetness_class(index: f64) -> WetnessClass {
    match index {
        z if z.is_nan() => WetnessClass::NoIndex,
        z if z <= -2.0 => WetnessClass::ExtremelyDry,
        z if z <= -1.5 => WetnessClass::SeverelyDry,
        z if z <= -1.0 => WetnessClass::ModeratelyDry,
        z if z < 1.0 => WetnessClass::NearNormal,
        z if z < 1.5 => WetnessClass::ModeratelyWet,
        z if z < 2.0 => WetnessClass::VeryWet,
        _ => WetnessClass::ExtremelyWet,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SERIES: [f64; 16] =
        [0.5, -0.2, -1.3, -0.8, -0.1, 0.4, -0.6, -0.9, 0.3, -1.0, -1.0, 1.2, -0.4, -2.1, -1.7, -0.3];

    #[test]
    fn runs_below_zero_and_below_minus_one() {
        // Worked by hand from Yevjevich's definitions, and by a few lines of Python
        let check = |level, expected: &[(usize, usize, f64, f64)]| {
            let runs = runs_below(&SERIES, level);
            assert_eq!(runs.len(), expected.len());
            for (run, (start, length, severity, deepest)) in runs.iter().zip(expected) {
                assert_eq!((run.start, run.length), (*start, *length));
                assert!((run.severity - severity).abs() < 1e-12);
                assert!((run.deepest - deepest).abs() < 1e-12);
                assert!((run.intensity() - severity / *length as f64).abs() < 1e-12);
            }
        };
        check(0.0, &[(1, 4, 2.4, 1.3), (6, 2, 1.5, 0.9), (9, 2, 2.0, 1.0), (12, 4, 4.5, 2.1)]);
        check(-1.0, &[(2, 1, 0.3, 0.3), (13, 2, 1.8, 1.1)]);
        assert_eq!(runs_below(&[-1.0, f64::NAN, -1.0], 0.0).len(), 2);
    }

    #[test]
    fn droughts_of_the_same_series() {
        let found = events(&SERIES.map(Some));
        let told: Vec<_> = found.iter().map(|e| (e.start, e.end, e.duration, e.peak, e.open_ended)).collect();
        assert_eq!(told, [(1, 5, 4, -1.3, false), (9, 11, 2, -1.0, false), (12, 16, 4, -2.1, true)]);
        for (event, severity) in found.iter().zip([2.4, 2.0, 4.5]) {
            assert!((event.severity - severity).abs() < 1e-12);
            assert!((event.intensity - severity / event.duration as f64).abs() < 1e-12);
        }
        assert_eq!(interarrival(&found), [8, 3]);
        assert_eq!(interarrival(&[]), []);
    }

    #[test]
    fn missing_months_neither_open_nor_close() {
        let gap = events(&[None, Some(-0.5), None, Some(-1.5), None, Some(0.2), None, Some(-1.2), None]);
        let told: Vec<_> = gap.iter().map(|e| (e.start, e.end, e.duration, e.open_ended)).collect();
        assert_eq!(told, [(1, 4, 3, false), (7, 8, 1, true)]);
        assert!((gap[0].severity - 2.0).abs() < 1e-12 && (gap[0].intensity - 1.0).abs() < 1e-12);
        assert_eq!(events(&[None; 5]), []);
        assert_eq!(events(&[Some(f64::NAN), Some(-1.0)]).len(), 1);
    }

    #[test]
    fn zero_closes_and_minus_one_opens() {
        assert_eq!(events(&[-1.0, 0.0, -0.99, 0.0].map(Some)).len(), 1);
        assert_eq!(events(&[-0.99, -0.5].map(Some)), []);
    }

    #[test]
    fn classes_of_the_guide() {
        let cases = [
            (-3.5, "extremely dry"),
            (-2.0, "extremely dry"),
            (-1.99, "severely dry"),
            (-1.5, "severely dry"),
            (-1.49, "moderately dry"),
            (-1.0, "moderately dry"),
            (-0.99, "near normal"),
            (0.99, "near normal"),
            (1.0, "moderately wet"),
            (1.49, "moderately wet"),
            (1.5, "very wet"),
            (1.99, "very wet"),
            (2.0, "extremely wet"),
            (f64::NAN, "no index"),
        ];
        for (index, name) in cases {
            assert_eq!(wetness_class(index).name(), name, "{index}");
        }
    }
}
