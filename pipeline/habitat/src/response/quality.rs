//! How far the response can be trusted: predictions of years left out, of the drier half from the wetter, and
//! what trend the residuals keep.

use super::{Beta, Design, Groups, Months, SampleCell, inverse_logit};
use crate::water::MonthAxis;
use lentic_numerics::trend::{mann_kendall, theil_sen};
use rayon::prelude::*;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// Cells of a group looked at.
pub const CELLS: usize = 300;
/// Observed months a year of residuals needs, and years a trend of them.
const MONTHS_FOR_A_YEAR: usize = 6;
const YEARS_FOR_A_TREND: usize = 8;
/// Probabilities are held this far from 0 and 1 in the deviance.
const EDGE: f64 = 1e-6;

/// A prediction of one month of one cell.
#[derive(Clone, Copy, Debug)]
struct Month {
    p: f64,
    climatology: f64,
    wet: bool,
}

/// A tenth of the predictions, by rank.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Tenth {
    /// Mean predicted probability.
    pub predicted: f64,
    /// Share that was wet.
    pub observed: f64,
    /// Cell-months.
    pub months: usize,
}

/// Fitted on the wetter half of the years, seen in the drier half.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct DrierHalf {
    /// Brier score of the response.
    pub brier: f64,
    /// Brier score of the calendar-month means of the wetter half.
    pub brier_climatology: f64,
    /// Predicted minus observed hydroperiod, months per year, mean over cells.
    pub bias_months: f64,
}

/// Significance at which a trend of the residuals is told, and may be carried on.
pub const SIGNIFICANT: f64 = 0.05;

/// Trend of observed minus modelled hydroperiod: what climate does not explain.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct ResidualTrend {
    /// Theil-Sen slope, months per decade.
    pub per_decade: f64,
    /// Two-sided p of the Mann-Kendall test.
    pub p: f64,
    /// Mean of the years it was found on.
    pub middle: f64,
    /// Groups looked at for trends: of many one may well show a trend by chance (Bonferroni's correction).
    pub groups: usize,
}

impl ResidualTrend {
    /// Whether it is more than chance makes.
    pub fn is_significant(&self) -> bool {
        self.p * (self.groups as f64) < SIGNIFICANT
    }

    /// Months of hydroperiod it comes to from the middle of its years, where the fitted response stands, to a year.
    pub fn months_until(&self, year: f64) -> f64 {
        self.per_decade * (year - self.middle) / 10.0
    }
}

/// Quality of one group's response.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Quality {
    /// Cells looked at.
    pub cells: usize,
    /// Brier score of years left out.
    pub brier: f64,
    /// The same for calendar-month means of the other years.
    pub brier_climatology: f64,
    /// Area under the ROC curve of years left out; none where all months are alike.
    pub auc: Option<f64>,
    /// Mean deviance per cell-month of years left out.
    pub deviance: f64,
    /// Reliability by tenths of the predictions.
    pub reliability: Vec<Tenth>,
    /// The differential split; none where the index does not tell years apart.
    pub drier_half: Option<DrierHalf>,
    /// Trend of the residuals.
    pub residual_trend: Option<ResidualTrend>,
}

/// Predictions of years left out, over several groups together.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LeftOut {
    /// Mean deviance per cell-month.
    pub deviance: f64,
    /// Brier score.
    pub brier: f64,
    /// The same for calendar-month means of the other years.
    pub brier_climatology: f64,
    /// Cell-months predicted.
    pub months: usize,
}

impl LeftOut {
    /// Share of the climatology's Brier score that is saved; negative: worse than climatology.
    pub fn skill(&self) -> Option<f64> {
        skill(self.brier, self.brier_climatology)
    }
}

fn skill(brier: f64, climatology: f64) -> Option<f64> {
    (climatology > 0.0).then(|| 1.0 - brier / climatology)
}

impl Quality {
    /// Share of the climatology's Brier score that the response saves; negative: worse than climatology.
    pub fn skill(&self) -> Option<f64> {
        skill(self.brier, self.brier_climatology)
    }
}

/// What one cell adds to the quality of its group.
struct CellQuality {
    left_out: Vec<Month>,
    /// Predictions of the drier half, and the bias of hydroperiod there.
    drier_half: Option<(Vec<Month>, f64)>,
    residuals: Vec<Option<f64>>,
}

/// One climate's design, with the years of its months.
struct Climate<'a> {
    design: &'a Design,
    /// Year of each design month.
    year: Vec<i32>,
    /// Years left out either side of the predicted one.
    either_side: i32,
    /// The drier half of the years; none where the index does not tell years apart.
    drier: Option<Vec<i32>>,
}

impl<'a> Climate<'a> {
    fn new(design: &'a Design, axis: &MonthAxis, index_months: usize) -> Self {
        let year: Vec<i32> = design.months.at.iter().map(|at| axis.first.plus(*at as i32).year()).collect();
        let mut sums: BTreeMap<i32, (f64, u32)> = BTreeMap::new();
        for (year, z) in year.iter().zip(design.of_months(&design.z)) {
            let slot = sums.entry(*year).or_default();
            slot.0 += z;
            slot.1 += 1;
        }
        let mut ranked: Vec<(i32, f64)> =
            sums.into_iter().map(|(year, (sum, n))| (year, sum / f64::from(n))).collect();
        ranked.sort_by(|a, b| a.1.total_cmp(&b.1));
        let tells_apart = ranked.first().zip(ranked.last()).is_some_and(|(low, high)| low.1 < high.1);
        let drier = ranked.iter().take(ranked.len() / 2).map(|(year, _)| *year).collect();
        Climate {
            design,
            year,
            either_side: index_months.div_ceil(12) as i32,
            drier: tells_apart.then_some(drier),
        }
    }
}

/// First and last year with design months in any climate.
#[derive(Clone, Copy)]
struct Years {
    first: i32,
    last: i32,
}

impl Years {
    fn of(climates: &[Climate]) -> Self {
        let all = || climates.iter().flat_map(|climate| climate.year.iter().copied());
        Years { first: all().min().unwrap_or(0), last: all().max().unwrap_or(-1) }
    }

    fn len(self) -> usize {
        usize::try_from(self.last - self.first + 1).unwrap_or(0)
    }
}

impl Groups {
    /// Quality by group, from at most `CELLS` cells of each group's sample, evenly spread over it. `index_months` is the
    /// length of the index's sums: so many years either side are left out with the year predicted. The group's priors are
    /// those of the whole record; `designs` has one design for each climate.
    pub fn quality(
        &self,
        designs: &[Design],
        axis: &MonthAxis,
        sample: &[SampleCell],
        index_months: usize,
    ) -> BTreeMap<Option<i32>, Quality> {
        let climates: Vec<Climate> =
            designs.iter().map(|design| Climate::new(design, axis, index_months)).collect();
        let years = Years::of(&climates);
        let members = looked_at(sample).into_iter();
        let mut all: BTreeMap<_, _> =
            members.map(|(code, cells)| (code, self.quality_of(&climates, years, &cells))).collect();
        let groups = all.values().filter(|quality| quality.residual_trend.is_some()).count();
        all.values_mut()
            .filter_map(|quality| quality.residual_trend.as_mut())
            .for_each(|t| t.groups = groups);
        all
    }

    /// What is left of deviance and Brier score when each year of these cells is predicted from the others, over all of
    /// them together; none without predictions.
    pub fn left_out(
        &self,
        designs: &[Design],
        axis: &MonthAxis,
        cells: &[SampleCell],
        index_months: usize,
    ) -> Option<LeftOut> {
        let climates: Vec<Climate> =
            designs.iter().map(|design| Climate::new(design, axis, index_months)).collect();
        let each: Vec<Vec<Month>> = cells
            .par_iter()
            .map_init(Months::default, |months, cell| {
                let climate = &climates[cell.climate];
                months.read(climate.design, &cell.observed, &cell.wet);
                self.years_left_out(climate, cell, months)
            })
            .collect();
        let months: Vec<Month> = each.into_iter().flatten().collect();
        (!months.is_empty()).then(|| LeftOut {
            deviance: deviance(&months),
            brier: brier(&months, |m| m.p),
            brier_climatology: brier(&months, |m| m.climatology),
            months: months.len(),
        })
    }

    fn quality_of(&self, climates: &[Climate], years: Years, cells: &[&SampleCell]) -> Quality {
        let each: Vec<CellQuality> = cells
            .par_iter()
            .map_init(Months::default, |months, cell| {
                let climate = &climates[cell.climate];
                months.read(climate.design, &cell.observed, &cell.wet);
                let beta = self.fit_months((cell.group, cell.ground), months).0;
                CellQuality {
                    left_out: self.years_left_out(climate, cell, months),
                    drier_half: self.drier_half(climate, cell, months),
                    residuals: residuals(climate, years, months, &beta),
                }
            })
            .collect();
        let months: Vec<Month> = each.iter().flat_map(|cell| cell.left_out.iter().copied()).collect();
        let halves: Vec<&(Vec<Month>, f64)> =
            each.iter().filter_map(|cell| cell.drier_half.as_ref()).collect();
        let drier_half = (!halves.is_empty()).then(|| {
            let months: Vec<Month> = halves.iter().flat_map(|(months, _)| months.iter().copied()).collect();
            DrierHalf {
                brier: brier(&months, |m| m.p),
                brier_climatology: brier(&months, |m| m.climatology),
                bias_months: halves.iter().map(|(_, bias)| bias).sum::<f64>() / halves.len() as f64,
            }
        });
        let by_cell: Vec<&Vec<Option<f64>>> = each.iter().map(|cell| &cell.residuals).collect();
        Quality {
            cells: cells.len(),
            brier: brier(&months, |m| m.p),
            brier_climatology: brier(&months, |m| m.climatology),
            auc: auc(&months),
            deviance: deviance(&months),
            reliability: reliability(&months),
            drier_half,
            residual_trend: residual_trend(years, &by_cell),
        }
    }

    /// Predicts each year from the others.
    fn years_left_out(&self, climate: &Climate, cell: &SampleCell, months: &Months) -> Vec<Month> {
        let mut predicted = Vec::new();
        let mut training = Months::default();
        let Years { first, last } = Years::of(std::slice::from_ref(climate));
        for year in first..=last {
            let near = |at: usize| (climate.year[at] - year).abs() <= climate.either_side;
            months.without(climate.design, near, &mut training);
            let beta = self.fit_months((cell.group, cell.ground), &training).0;
            let climatology = calendar_means(climate.design, &training);
            let of_year = |at: usize| climate.year[at] == year;
            predicted.extend(predict(climate.design, months, &beta, &climatology, of_year));
        }
        predicted
    }

    /// Predicts the drier years from the wetter, with the bias of hydroperiod; none if the index does not tell years apart,
    /// or nothing was seen in the drier ones.
    fn drier_half(&self, climate: &Climate, cell: &SampleCell, months: &Months) -> Option<(Vec<Month>, f64)> {
        let drier = climate.drier.as_ref()?;
        let design = climate.design;
        let dry = |at: usize| drier.contains(&climate.year[at]);
        let mut training = Months::default();
        months.without(design, dry, &mut training);
        let beta = self.fit_months((cell.group, cell.ground), &training).0;
        let predicted = predict(design, months, &beta, &calendar_means(design, &training), dry);
        let mut by_calendar = [(0.0, 0u32); 12];
        let seen = (0..design.len()).filter(|at| dry(*at) && months.is_seen(design, *at));
        for (month, at) in predicted.iter().zip(seen) {
            let slot = &mut by_calendar[design.months.calendar[at]];
            slot.0 += month.p - f64::from(u8::from(month.wet));
            slot.1 += 1;
        }
        let means: Vec<f64> =
            by_calendar.iter().filter(|(_, n)| *n > 0).map(|(sum, n)| sum / f64::from(*n)).collect();
        (!means.is_empty()).then(|| (predicted, 12.0 * mean(means.iter().copied())))
    }
}

/// The cells looked at, by group: at most `CELLS` of each group's sample, evenly spread over it.
pub(super) fn looked_at(sample: &[SampleCell]) -> BTreeMap<Option<i32>, Vec<&SampleCell>> {
    let mut members: BTreeMap<Option<i32>, Vec<&SampleCell>> = BTreeMap::new();
    for cell in sample {
        members.entry(cell.group).or_default().push(cell);
    }
    for cells in members.values_mut() {
        let step = cells.len().div_ceil(CELLS).max(1);
        *cells = cells.iter().step_by(step).copied().collect();
    }
    members
}

/// Share of wet months by calendar month; where one was not seen, that of all months.
fn calendar_means(design: &Design, months: &Months) -> [f64; 12] {
    let mut sums = [(0.0, 0.0); 12];
    for (at, m) in design.months.calendar.iter().enumerate() {
        sums[*m].0 += months.wet(design, at);
        sums[*m].1 += design.of_month(&months.trials, at);
    }
    let (wet, seen) = sums.iter().fold((0.0, 0.0), |(w, s), (wet, seen)| (w + wet, s + seen));
    let overall = if seen > 0.0 { wet / seen } else { 0.5 };
    sums.map(|(wet, seen)| if seen > 0.0 { wet / seen } else { overall })
}

fn predict(
    design: &Design,
    months: &Months,
    beta: &Beta,
    climatology: &[f64; 12],
    wanted: impl Fn(usize) -> bool,
) -> Vec<Month> {
    (0..design.len())
        .filter(|at| wanted(*at) && months.is_seen(design, *at))
        .map(|at| Month {
            p: probability(design, at, beta),
            climatology: climatology[design.months.calendar[at]],
            wet: months.wet(design, at) > 0.0,
        })
        .collect()
}

fn probability(design: &Design, at: usize, beta: &Beta) -> f64 {
    inverse_logit(design.row(at).iter().zip(beta).map(|(x, b)| x * b).sum())
}

/// Observed minus modelled hydroperiod of each year with enough observed months.
fn residuals(climate: &Climate, years: Years, months: &Months, beta: &Beta) -> Vec<Option<f64>> {
    let mut sums = vec![(0.0, 0usize); years.len()];
    for at in (0..climate.year.len()).filter(|at| months.is_seen(climate.design, *at)) {
        let slot = &mut sums[(climate.year[at] - years.first) as usize];
        slot.0 += months.wet(climate.design, at) - probability(climate.design, at, beta);
        slot.1 += 1;
    }
    sums.into_iter().map(|(sum, n)| (n >= MONTHS_FOR_A_YEAR).then(|| 12.0 * sum / n as f64)).collect()
}

fn residual_trend(years: Years, by_cell: &[&Vec<Option<f64>>]) -> Option<ResidualTrend> {
    let mut found = Vec::new();
    let mut values = Vec::new();
    for (at, year) in (years.first..=years.last).enumerate() {
        let of_year: Vec<f64> = by_cell.iter().filter_map(|cell| cell[at]).collect();
        if !of_year.is_empty() {
            found.push(f64::from(year));
            values.push(mean(of_year.iter().copied()));
        }
    }
    if found.len() < YEARS_FOR_A_TREND {
        return None;
    }
    let test = mann_kendall(&values)?;
    let middle = mean(found.iter().copied());
    Some(ResidualTrend { per_decade: 10.0 * theil_sen(&found, &values)?.slope, p: test.p, middle, groups: 1 })
}

fn mean(values: impl Iterator<Item = f64>) -> f64 {
    let (sum, n) = values.fold((0.0, 0u32), |(sum, n), value| (sum + value, n + 1));
    sum / f64::from(n)
}

/// Brier (1950, Mon. Wea. Rev. 78:1-3), the mean squared error of probabilities.
fn brier(months: &[Month], of: impl Fn(&Month) -> f64) -> f64 {
    mean(months.iter().map(|m| (of(m) - f64::from(u8::from(m.wet))).powi(2)))
}

/// Mean of -2 ln of the probability of what was seen (McCullagh and Nelder 1989, section 2.3; from memory).
fn deviance(months: &[Month]) -> f64 {
    mean(months.iter().map(|m| {
        let p = m.p.clamp(EDGE, 1.0 - EDGE);
        -2.0 * if m.wet { p.ln() } else { (1.0 - p).ln() }
    }))
}

/// Area under the ROC curve as the Mann-Whitney statistic, ties by half (Hanley and McNeil 1982).
fn auc(months: &[Month]) -> Option<f64> {
    let mut sorted: Vec<(f64, bool)> = months.iter().map(|m| (m.p, m.wet)).collect();
    sorted.sort_by(|a, b| a.0.total_cmp(&b.0));
    let (mut below, mut u, mut at) = (0.0, 0.0, 0);
    while at < sorted.len() {
        let end = at + sorted[at..].iter().take_while(|m| m.0 == sorted[at].0).count();
        let wet = sorted[at..end].iter().filter(|m| m.1).count() as f64;
        let dry = (end - at) as f64 - wet;
        u += wet * (below + 0.5 * dry);
        below += dry;
        at = end;
    }
    let wet = sorted.len() as f64 - below;
    (wet > 0.0 && below > 0.0).then(|| u / (wet * below))
}

fn reliability(months: &[Month]) -> Vec<Tenth> {
    let mut sorted: Vec<&Month> = months.iter().collect();
    sorted.sort_by(|a, b| a.p.total_cmp(&b.p));
    (0..10)
        .map(|tenth| &sorted[tenth * sorted.len() / 10..(tenth + 1) * sorted.len() / 10])
        .filter(|part| !part.is_empty())
        .map(|part| Tenth {
            predicted: mean(part.iter().map(|m| m.p)),
            observed: mean(part.iter().map(|m| f64::from(u8::from(m.wet)))),
            months: part.len(),
        })
        .collect()
}

#[cfg(test)]
mod tests;
