//! Lower threshold and heat sum fitted to dated observations, by exhaustion.
//!
//! For a threshold, the predicted day of every site-year is a staircase in the required sum, so the error changes only at
//! sums that some site-year really had on some evening. Those are sorted and walked through once: the best sum is found
//! exactly, as a range of sums that all predict alike. Done for each threshold of a grid, this gives the whole valley of
//! errors and its bottom; there is no optimiser that could stop beside it. Error in days as the thing to be least:
//! Snyder, Spano, Cesaraccio & Duce 1999, Int. J. Biometeorol. 42:177-182.
//!
//! Days are counted from the biofix, which is day 0. A sum that is never reached counts as predicted for
//! [`NEVER_DAY`]: it is an error, and a large one, never a gap.

use std::collections::BTreeSet;

use super::{Cutoff, DayTemperatures, HeatRule, HeatRuleError, Method};

/// The day, two years after the biofix, that a prediction "never within the series" is scored as.
pub const NEVER_DAY: i32 = 730;

/// Fewer records than this that bound the event from one side determine nothing.
pub const LEAST_RECORDS: usize = 3;

/// Sums nearer than this (°C·day) are the same sum, differing by rounding only.
const SAME_SUM: f64 = 1e-9;

/// One season at one site: its weather and what was seen there.
#[derive(Clone, Debug, PartialEq)]
pub struct SiteYear {
    pub site: String,
    pub year: i32,
    pub elevation_m: Option<f64>,
    /// From the biofix on, no day left out.
    pub days: Vec<DayTemperatures>,
    /// One entry a record; several trees seen on one day are several entries.
    pub seen: Vec<Seen>,
}

/// When an event was: after one day and not after another, days from the biofix.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Seen {
    after: Option<i32>,
    by: Option<i32>,
}

impl Seen {
    /// On this very day.
    pub fn on(day: i32) -> Self {
        Self { after: Some(day.saturating_sub(1)), by: Some(day) }
    }

    /// Not yet on the day `not_seen`, there on the day `seen`. Either may be unknown, not both.
    pub fn between(not_seen: Option<i32>, seen: Option<i32>) -> Option<Self> {
        let sound = match (not_seen, seen) {
            (Some(after), Some(by)) => after < by,
            (after, by) => after.is_some() || by.is_some(),
        };
        sound.then_some(Self { after: not_seen, by: seen })
    }

    /// The last day on which it had not come.
    pub fn after(self) -> Option<i32> {
        self.after
    }

    /// The first day on which it was there.
    pub fn by(self) -> Option<i32> {
        self.by
    }

    /// Days by which a prediction is too late (above 0) or too early; 0 inside the interval.
    pub fn error(self, predicted: i32) -> i64 {
        let predicted = i64::from(predicted);
        match (self.after.map(i64::from), self.by.map(i64::from)) {
            (Some(after), _) if predicted <= after => predicted - after - 1,
            (_, Some(by)) if predicted > by => predicted - by,
            _ => 0,
        }
    }

    /// The same for a day that need not be whole.
    fn distance(self, predicted: f64) -> f64 {
        match (self.after, self.by) {
            (Some(after), _) if predicted < f64::from(after) + 1.0 => predicted - f64::from(after) - 1.0,
            (_, Some(by)) if predicted > f64::from(by) => predicted - f64::from(by),
            _ => 0.0,
        }
    }
}

/// What is searched.
#[derive(Clone, Debug, PartialEq)]
pub struct Search {
    pub method: Method,
    pub cutoff: Cutoff,
    pub upper_c: Option<f64>,
    /// Lower thresholds to try, ascending: see [`grid`].
    pub lowers_c: Vec<f64>,
    /// Of thresholds that err alike, the one nearest to this is taken, of two equally near the lower.
    pub prefer_c: f64,
}

impl Search {
    fn rule(&self, lower_c: f64) -> Result<HeatRule, HeatRuleError> {
        HeatRule::new(self.method, lower_c, self.upper_c, self.cutoff)
    }
}

/// Thresholds from one to another, both included, at the decimal numbers that a person would write.
///
/// # Errors
/// When the ends are not finite or in the wrong order, the step is not above 0, or there would be more than 100,000.
pub fn grid(from_c: f64, to_c: f64, step_c: f64) -> Result<Vec<f64>, FitError> {
    let count = ((to_c - from_c) / step_c + 1e-6).floor();
    if !(from_c.is_finite() && to_c.is_finite() && step_c > 0.0 && from_c <= to_c && count < 100_000.0) {
        return Err(FitError::Grid { from_c, to_c, step_c });
    }
    // Rounded, so that 3.3 is 3.3 and not 3.3000000000000007.
    Ok((0..=count as u32).map(|nth| ((from_c + f64::from(nth) * step_c) * 1e6).round() / 1e6).collect())
}

/// Required sums that all predict the same days: above one, up to and with the other, °C·day.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SumRange {
    pub above: f64,
    /// Infinite where never reaching it is as good.
    pub up_to: f64,
}

impl SumRange {
    /// The number of the range that is shortest to write, near its middle.
    pub fn plain(self) -> f64 {
        if !self.up_to.is_finite() {
            return self.above + 1.0;
        }
        let middle = (self.above + self.up_to) / 2.0;
        (0..=6)
            .map(|decimals| {
                let scale = 10f64.powi(decimals);
                (middle * scale).round() / scale
            })
            .find(|value| *value > self.above + 2.0 * SAME_SUM && *value < self.up_to - 2.0 * SAME_SUM)
            .unwrap_or(middle)
    }
}

/// How far off predictions are.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Scores {
    pub rmse_days: f64,
    pub mae_days: f64,
    /// Mean error, above 0: too late.
    pub bias_days: f64,
    pub records: usize,
    /// Records whose sum was never reached: each counts as predicted for [`NEVER_DAY`].
    pub never_reached: usize,
}

/// One threshold with its best sum.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ValleyPoint {
    pub lower_c: f64,
    pub sum: SumRange,
    /// At [`SumRange::plain`]; the RMSE is that of the whole range.
    pub scores: Scores,
}

/// What was left out in one turn of a cross-validation.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum LeftOut {
    Year(i32),
    Site(String),
}

/// One turn: fitted without, tried on what was left out.
#[derive(Clone, Debug, PartialEq)]
pub struct Fold {
    pub left_out: LeftOut,
    pub lower_c: f64,
    pub sum: SumRange,
    pub scores: Scores,
}

/// Errors on records that the fit had not seen, with those of plain calendar dates beside them.
#[derive(Clone, Debug, PartialEq)]
pub struct CrossValidation {
    pub scores: Scores,
    pub calendar: Scores,
    /// The calendar date with a slope in elevation, where the records that are left have three elevations or more.
    pub calendar_with_slope: Option<Scores>,
    pub folds: Vec<Fold>,
}

impl CrossValidation {
    /// 1 - RMSE / RMSE of the calendar date (with its slope, where that is the better one); above 0: the heat sum is of
    /// use. `None` where the calendar makes no error.
    pub fn skill(&self) -> Option<f64> {
        let null = self
            .calendar_with_slope
            .map_or(self.calendar.rmse_days, |slope| slope.rmse_days.min(self.calendar.rmse_days));
        (null > 0.0).then(|| 1.0 - self.scores.rmse_days / null)
    }
}

/// The calendar date that fits the records best.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Calendar {
    /// Days from the biofix; with a slope: at sea level.
    pub day: f64,
    /// Days later per 1000 m; 0 without a slope.
    pub days_per_km: f64,
    pub scores: Scores,
}

/// All that came of a search.
#[derive(Clone, Debug, PartialEq)]
pub struct Fit {
    pub best: ValleyPoint,
    /// The predicted day of each site-year, `None` where the sum is not reached.
    pub predicted: Vec<Option<i32>>,
    /// One point a threshold, ascending.
    pub valley: Vec<ValleyPoint>,
    /// With two years or more.
    pub without_year: Option<CrossValidation>,
    /// With two sites or more.
    pub without_site: Option<CrossValidation>,
    pub calendar: Calendar,
    /// With three elevations or more.
    pub calendar_with_slope: Option<Calendar>,
    /// The least RMSE that any model can reach which gives one whole day to a site-year: the spread of the records there.
    pub floor_rmse_days: f64,
}

/// Thresholds that the records cannot tell apart.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Flat {
    pub from_c: f64,
    pub to_c: f64,
    /// How much worse than the best still counts as alike, days of RMSE.
    pub tolerance_days: f64,
    /// The lowest or highest threshold tried is among them: the range may be wider still.
    pub open: bool,
}

impl Fit {
    /// The lowest and the highest threshold whose RMSE is within a share of the least, or within 0.1 day if that is
    /// more.
    pub fn flat(&self, share: f64) -> Flat {
        let least = self.best.scores.rmse_days;
        let tolerance_days = (least * share).max(0.1);
        let within = |point: &&ValleyPoint| point.scores.rmse_days <= least + tolerance_days;
        let first = self.valley.iter().find(within).unwrap_or(&self.best);
        let last = self.valley.iter().rev().find(within).unwrap_or(&self.best);
        let at_edge = |edge: Option<&ValleyPoint>, point: &ValleyPoint| {
            self.valley.len() > 1 && edge.is_some_and(|edge| edge.lower_c == point.lower_c)
        };
        let open = at_edge(self.valley.first(), first) || at_edge(self.valley.last(), last);
        Flat { from_c: first.lower_c, to_c: last.lower_c, tolerance_days, open }
    }

    /// The lowest and the highest threshold with exactly the least error.
    pub fn ties(&self) -> (f64, f64) {
        let mut tied = self.valley.iter().filter(|point| point.scores.rmse_days == self.best.scores.rmse_days);
        let first = tied.next().map_or(self.best.lower_c, |point| point.lower_c);
        (first, tied.next_back().map_or(first, |point| point.lower_c))
    }
}

#[derive(Debug, thiserror::Error, PartialEq)]
pub enum FitError {
    #[error(
        "thresholds from {from_c} to {to_c} °C in steps of {step_c} are not a grid: from the lower to the higher, a step above 0, at most 100,000"
    )]
    Grid { from_c: f64, to_c: f64, step_c: f64 },
    #[error("no lower threshold to try")]
    NoThreshold,
    #[error("{records} record{} cannot be fitted: at least {LEAST_RECORDS} are wanted", if *.records == 1 { "" } else { "s" })]
    TooFew { records: usize },
    /// All records, but for fewer than three, say only that the event had come by a day: any small sum fits.
    #[error(
        "{bounding} of {records} records say when the event had not come yet, at least {LEAST_RECORDS} are wanted: the sum is not bounded from below"
    )]
    NotBoundedBelow { bounding: usize, records: usize },
    /// All records, but for fewer than three, say only that the event had not come yet: any large sum fits.
    #[error(
        "{bounding} of {records} records say when the event had come, at least {LEAST_RECORDS} are wanted: the sum is not bounded from above"
    )]
    NotBoundedAbove { bounding: usize, records: usize },
    #[error("day {day} of {site} {year} lies outside its weather, days 0 to {last}")]
    OutsideWeather { site: String, year: i32, day: i32, last: i32 },
    #[error("{site} {year} has {days} days, at most {NEVER_DAY} are a season")]
    TooLong { site: String, year: i32, days: usize },
    #[error(transparent)]
    Rule(#[from] HeatRuleError),
}

/// Finds the threshold and the sums with the least RMSE in days, and how they hold on records left out.
///
/// `progress` hears after each threshold how many are done.
///
/// # Errors
/// See [`FitError`]; nothing is fitted to records that bound the sum on one side only.
pub fn fit(site_years: &[SiteYear], search: &Search, progress: &mut dyn FnMut(usize)) -> Result<Fit, FitError> {
    check(site_years)?;
    let folds = Folds::of(site_years);
    let seasons: Vec<Season> = site_years.iter().map(Season::of).collect();
    let mut sweep = Sweep::default();
    let mut best: Vec<Option<Candidate>> = vec![None; folds.count()];
    let mut valley = Vec::with_capacity(search.lowers_c.len());
    for (done, lower_c) in search.lowers_c.iter().enumerate() {
        let rule = search.rule(*lower_c)?;
        sweep.run(&seasons, &rule, &folds);
        for (best, track) in best.iter_mut().zip(&sweep.tracks) {
            let candidate = Candidate {
                cost: track.cost,
                off: (lower_c - search.prefer_c).abs(),
                lower_c: *lower_c,
                sum: track.best,
            };
            if best.is_none_or(|best| candidate.beats(&best)) {
                *best = Some(candidate);
            }
        }
        if let Some(track) = sweep.tracks.first() {
            let predicted = predictions(&sweep.sums, track.best.plain());
            let scores = score_predictions(site_years.iter().zip(predicted));
            valley.push(ValleyPoint { lower_c: *lower_c, sum: track.best, scores });
        }
        progress(done + 1);
    }

    let chosen = best.first().copied().flatten().ok_or(FitError::NoThreshold)?;
    let best_point =
        valley.iter().find(|point| point.lower_c == chosen.lower_c).copied().ok_or(FitError::NoThreshold)?;
    let predicted = predicted_by(site_years, &search.rule(chosen.lower_c)?, chosen.sum.plain());
    let without = |kind: FoldKind| folds.of_kind(kind).map(|list| cross_validate(site_years, search, &list, &best));
    let floor: i64 = seasons.iter().filter_map(|season| season.cost.get(season.early)).sum();
    let records: usize = site_years.iter().map(|site_year| site_year.seen.len()).sum();
    let everything: Vec<&SiteYear> = site_years.iter().collect();
    let calendar = |with_slope| {
        let line = CalendarLine::through(&everything, with_slope)?;
        let scores = line.score(&everything);
        Some(Calendar { day: line.day, days_per_km: line.days_per_km, scores })
    };
    Ok(Fit {
        best: best_point,
        predicted,
        valley,
        without_year: without(FoldKind::Year).transpose()?,
        without_site: without(FoldKind::Site).transpose()?,
        calendar: calendar(false).ok_or(FitError::TooFew { records })?,
        calendar_with_slope: calendar(true),
        floor_rmse_days: (floor as f64 / records as f64).sqrt(),
    })
}

/// The best sum for one rule, with its scores; also for a single record. `None` without any.
pub fn best_sum(site_years: &[SiteYear], rule: &HeatRule) -> Option<(SumRange, Scores)> {
    if site_years.iter().all(|site_year| site_year.seen.is_empty())
        || site_years.iter().any(|of| check_days(of).is_err())
    {
        return None;
    }
    let seasons: Vec<Season> = site_years.iter().map(Season::of).collect();
    let mut sweep = Sweep::default();
    sweep.run(&seasons, rule, &Folds::none(site_years.len()));
    let sum = sweep.tracks.first()?.best;
    let predicted = predictions(&sweep.sums, sum.plain());
    Some((sum, score_predictions(site_years.iter().zip(predicted))))
}

/// The sums that no record contradicts at one rule: above the first, up to the second. What records that bound the event
/// on one side only have to say. Each is `None` where no record bounds that side; they may contradict each other.
pub fn bounds(site_years: &[SiteYear], rule: &HeatRule) -> (Option<f64>, Option<f64>) {
    let (mut above, mut up_to): (Option<f64>, Option<f64>) = (None, None);
    for site_year in site_years {
        let sums = running_sums(rule, &site_year.days);
        let on = |day: Option<i32>| usize::try_from(day?).ok().and_then(|day| sums.get(day)).copied();
        for seen in &site_year.seen {
            if let Some(sum) = on(seen.after) {
                above = Some(above.map_or(sum, |above| above.max(sum)));
            }
            if let Some(sum) = on(seen.by) {
                up_to = Some(up_to.map_or(sum, |up_to| up_to.min(sum)));
            }
        }
    }
    (above, up_to)
}

fn check(site_years: &[SiteYear]) -> Result<(), FitError> {
    site_years.iter().try_for_each(check_days)?;
    let seen = || site_years.iter().flat_map(|site_year| &site_year.seen);
    let records = seen().count();
    if records < LEAST_RECORDS {
        return Err(FitError::TooFew { records });
    }
    let below = seen().filter(|seen| seen.after.is_some()).count();
    let above = seen().filter(|seen| seen.by.is_some()).count();
    if below < LEAST_RECORDS {
        return Err(FitError::NotBoundedBelow { bounding: below, records });
    }
    if above < LEAST_RECORDS {
        return Err(FitError::NotBoundedAbove { bounding: above, records });
    }
    Ok(())
}

/// Every day that was seen lies within the weather: what comes after its end cannot be told from what never comes.
fn check_days(site_year: &SiteYear) -> Result<(), FitError> {
    let SiteYear { site, year, days, seen, .. } = site_year;
    if days.len() > NEVER_DAY as usize {
        return Err(FitError::TooLong { site: site.clone(), year: *year, days: days.len() });
    }
    let last = days.len() as i32 - 1;
    for seen in seen {
        // An exact day 0 is "not yet on the day before the biofix".
        for (day, first) in [(seen.after, -1), (seen.by, 0)] {
            if let Some(day) = day.filter(|day| !(first..=last).contains(day)) {
                return Err(FitError::OutsideWeather { site: site.clone(), year: *year, day, last });
            }
        }
    }
    Ok(())
}

/// A site-year as the sweep sees it.
struct Season<'a> {
    days: &'a [DayTemperatures],
    /// Summed squared errors of a prediction for each day; the last entry is "never".
    cost: Vec<i64>,
    /// The first and the last entry of least cost. Costs only fall before the first and only rise after the last, since
    /// each record's does.
    early: usize,
    late: usize,
}

impl<'a> Season<'a> {
    fn of(site_year: &'a SiteYear) -> Self {
        let on = |day: i32| site_year.seen.iter().map(|seen| seen.error(day).pow(2)).sum::<i64>();
        let cost: Vec<i64> = (0..site_year.days.len() as i32).chain([NEVER_DAY]).map(on).collect();
        let least = cost.iter().min().copied().unwrap_or(0);
        let early = cost.iter().position(|cost| *cost == least).unwrap_or(0);
        let late = cost.iter().rposition(|cost| *cost == least).unwrap_or(0);
        Self { days: &site_year.days, cost, early, late }
    }

    fn cost_at(&self, at: usize) -> i64 {
        self.cost.get(at).or(self.cost.last()).copied().unwrap_or(0)
    }
}

#[derive(Clone, Copy, PartialEq)]
enum FoldKind {
    Year,
    Site,
}

/// Which site-years each fold leaves out. Fold 0 leaves out nothing.
struct Folds {
    left_out: Vec<(FoldKind, LeftOut)>,
    /// By site-year: the folds that leave it out.
    of: Vec<Vec<usize>>,
}

impl Folds {
    fn none(site_years: usize) -> Self {
        Self { left_out: Vec::new(), of: vec![Vec::new(); site_years] }
    }

    /// A fold for each year and each site, where there are two or more.
    fn of(site_years: &[SiteYear]) -> Self {
        let years: BTreeSet<i32> = site_years.iter().map(|of| of.year).collect();
        let sites: BTreeSet<&str> = site_years.iter().map(|of| of.site.as_str()).collect();
        let years = years.iter().filter(|_| years.len() > 1).map(|year| (FoldKind::Year, LeftOut::Year(*year)));
        let sites =
            sites.iter().filter(|_| sites.len() > 1).map(|site| (FoldKind::Site, LeftOut::Site((*site).to_owned())));
        let left_out: Vec<(FoldKind, LeftOut)> = years.chain(sites).collect();
        let of = site_years
            .iter()
            .map(|site_year| {
                let is_out = |(_, (_, out)): &(usize, &(FoldKind, LeftOut))| out.holds(site_year);
                left_out.iter().enumerate().filter(is_out).map(|(nth, _)| nth + 1).collect()
            })
            .collect();
        Self { left_out, of }
    }

    fn count(&self) -> usize {
        self.left_out.len() + 1
    }

    /// Folds of one kind with their numbers, `None` where there are none.
    fn of_kind(&self, kind: FoldKind) -> Option<Vec<(usize, &LeftOut)>> {
        let of_kind = self.left_out.iter().enumerate().filter(|(_, (of, _))| *of == kind);
        let list: Vec<_> = of_kind.map(|(nth, (_, out))| (nth + 1, out)).collect();
        (!list.is_empty()).then_some(list)
    }
}

impl LeftOut {
    fn holds(&self, site_year: &SiteYear) -> bool {
        match self {
            LeftOut::Year(year) => site_year.year == *year,
            LeftOut::Site(site) => site_year.site == *site,
        }
    }
}

/// The best of one fold so far, over thresholds.
#[derive(Clone, Copy)]
struct Candidate {
    cost: i64,
    off: f64,
    lower_c: f64,
    sum: SumRange,
}

impl Candidate {
    fn beats(&self, other: &Candidate) -> bool {
        // Thresholds come ascending, so that of two equally far off the lower stays.
        self.cost < other.cost || (self.cost == other.cost && self.off < other.off - 1e-9)
    }
}

/// The best range of sums of one fold at one threshold.
#[derive(Clone, Copy)]
struct Track {
    cost: i64,
    best: SumRange,
    /// The range under way if it costs the least seen so far.
    run: Option<SumRange>,
}

impl Track {
    const START: Track = Track { cost: i64::MAX, best: SumRange { above: 0.0, up_to: 0.0 }, run: None };

    /// Ranges come in order and without gaps; equal neighbours become one, and of several apart the widest is kept.
    fn see(&mut self, cost: i64, range: SumRange) {
        if cost > self.cost {
            self.run = None;
            return;
        }
        let run = match self.run {
            Some(run) if cost == self.cost => SumRange { up_to: range.up_to, ..run },
            _ => range,
        };
        self.run = Some(run);
        if cost < self.cost || run.up_to - run.above > self.best.up_to - self.best.above {
            self.best = run;
        }
        self.cost = cost;
    }
}

/// Walks through all sums at one threshold. Kept between thresholds for its memory only.
#[derive(Default)]
struct Sweep {
    /// Running sums by site-year.
    sums: Vec<Vec<f64>>,
    steps: Vec<Step>,
    /// By fold: the cost of the site-years it leaves out.
    left_out: Vec<i64>,
    tracks: Vec<Track>,
}

/// Above this sum a site-year's prediction moves on to a later entry of its costs.
#[derive(Clone, Copy)]
struct Step {
    sum: f64,
    season: usize,
    change: i64,
}

impl Sweep {
    fn run(&mut self, seasons: &[Season], rule: &HeatRule, folds: &Folds) {
        self.sums.clear();
        self.sums.extend(seasons.iter().map(|season| running_sums(rule, season.days)));
        let Span { start, end } = self.span(seasons);

        self.steps.clear();
        self.left_out.clear();
        self.left_out.resize(folds.count(), 0);
        self.tracks.clear();
        self.tracks.resize(folds.count(), Track::START);
        let mut total = 0;
        for (nth, (season, sums)) in seasons.iter().zip(&self.sums).enumerate() {
            let mut at = sums.partition_point(|sum| *sum <= start + SAME_SUM);
            let mut cost = season.cost_at(at);
            total += cost;
            for fold in folds.of.get(nth).into_iter().flatten() {
                if let Some(left_out) = self.left_out.get_mut(*fold) {
                    *left_out += cost;
                }
            }
            while let Some(sum) = sums.get(at).copied() {
                at += sums.iter().skip(at).take_while(|later| **later <= sum + SAME_SUM).count();
                let next = season.cost_at(at);
                self.steps.push(Step { sum, season: nth, change: next - cost });
                cost = next;
                // The first step beyond the span bounds the range in which the last best day is just passed, as happens
                // when no heat comes on it.
                if sum > end + SAME_SUM {
                    break;
                }
            }
        }
        self.steps.sort_unstable_by(|a, b| a.sum.total_cmp(&b.sum));

        let mut above = start;
        let mut steps = self.steps.iter().peekable();
        while let Some(first) = steps.peek().map(|step| step.sum) {
            see(&mut self.tracks, &self.left_out, total, SumRange { above, up_to: first });
            while let Some(step) = steps.next_if(|step| step.sum <= first + SAME_SUM) {
                total += step.change;
                for fold in folds.of.get(step.season).into_iter().flatten() {
                    if let Some(left_out) = self.left_out.get_mut(*fold) {
                        *left_out += step.change;
                    }
                }
                above = step.sum;
            }
        }
        // Among the best only where no heat comes any more.
        see(&mut self.tracks, &self.left_out, total, SumRange { above, up_to: f64::INFINITY });
    }

    /// The sums that matter to the best, for all records as for any part of them.
    ///
    /// Up to the least sum at which some site-year comes to its best day, no prediction is too late and each step
    /// forward betters it. Beyond the greatest sum that one has on its last best day, every prediction is late, and each
    /// step makes it worse.
    fn span(&self, seasons: &[Season]) -> Span {
        let sum_at = |sums: &[f64], at: usize| sums.get(at).copied().unwrap_or(f64::INFINITY);
        let both = || seasons.iter().zip(&self.sums);
        let first = both().map(|(season, sums)| sum_at(sums, season.early)).fold(f64::INFINITY, f64::min);
        let end = both().map(|(season, sums)| sum_at(sums, season.late)).fold(0.0, f64::max);
        // Where the range that ends at `first` begins, in each site-year by itself: folds have fewer of them.
        let begin = |sums: &Vec<f64>| {
            let at = sums.partition_point(|sum| *sum < first - SAME_SUM);
            at.checked_sub(1).and_then(|at| sums.get(at)).copied().unwrap_or(0.0)
        };
        let start = self.sums.iter().map(begin).fold(first, f64::min);
        Span { start: if start.is_finite() { start.max(0.0) } else { 0.0 }, end }
    }
}

struct Span {
    start: f64,
    /// Infinite where never coming is among the best.
    end: f64,
}

fn see(tracks: &mut [Track], left_out: &[i64], total: i64, range: SumRange) {
    for (track, left_out) in tracks.iter_mut().zip(left_out) {
        track.see(total - left_out, range);
    }
}

/// Heat sum at the end of each day, °C·day.
fn running_sums(rule: &HeatRule, days: &[DayTemperatures]) -> Vec<f64> {
    let next_minima = days.iter().skip(1).map(|day| Some(day.min_c)).chain([None]);
    let mut sum = 0.0;
    days.iter()
        .zip(next_minima)
        .map(|(day, next)| {
            // Most days of a winter are too cold for any heat, and need no more than this.
            let lower_c = rule.lower_c();
            if day.max_c > lower_c || day.min_c > lower_c || next.is_some_and(|min_c| min_c > lower_c) {
                sum += rule.degree_days(*day, next);
            }
            sum
        })
        .collect()
}

/// The first day with at least the sum.
fn predictions(sums: &[Vec<f64>], required: f64) -> impl Iterator<Item = Option<i32>> {
    sums.iter().map(move |sums| {
        let at = sums.partition_point(|sum| *sum < required - SAME_SUM);
        (at < sums.len()).then_some(at as i32)
    })
}

fn predicted_by(site_years: &[SiteYear], rule: &HeatRule, required: f64) -> Vec<Option<i32>> {
    let sums: Vec<Vec<f64>> = site_years.iter().map(|site_year| running_sums(rule, &site_year.days)).collect();
    predictions(&sums, required).collect()
}

fn score_predictions<'a>(predicted: impl Iterator<Item = (&'a SiteYear, Option<i32>)>) -> Scores {
    let mut errors = Errors::default();
    for (site_year, predicted) in predicted {
        errors.predicted(site_year, predicted);
    }
    errors.scores()
}

#[derive(Default)]
struct Errors {
    squares: f64,
    sizes: f64,
    sum: f64,
    records: usize,
    never: usize,
}

impl Errors {
    fn add(&mut self, error: f64) {
        self.squares += error * error;
        self.sizes += error.abs();
        self.sum += error;
        self.records += 1;
    }

    fn predicted(&mut self, site_year: &SiteYear, predicted: Option<i32>) {
        for seen in &site_year.seen {
            self.add(seen.error(predicted.unwrap_or(NEVER_DAY)) as f64);
            // A tree on which it had not come on the last look does not speak against "never".
            self.never += usize::from(predicted.is_none() && seen.by.is_some());
        }
    }

    fn scores(&self) -> Scores {
        let n = self.records.max(1) as f64;
        Scores {
            rmse_days: (self.squares / n).sqrt(),
            mae_days: self.sizes / n,
            bias_days: self.sum / n,
            records: self.records,
            never_reached: self.never,
        }
    }
}

fn cross_validate(
    site_years: &[SiteYear],
    search: &Search,
    folds: &[(usize, &LeftOut)],
    best: &[Option<Candidate>],
) -> Result<CrossValidation, FitError> {
    let (mut errors, mut calendar) = (Errors::default(), Errors::default());
    let mut with_slope = Some(Errors::default());
    let mut turns = Vec::with_capacity(folds.len());
    for (nth, left_out) in folds {
        let Some(chosen) = best.get(*nth).copied().flatten() else { continue };
        let (out, kept): (Vec<&SiteYear>, Vec<&SiteYear>) = site_years.iter().partition(|of| left_out.holds(of));
        let rule = search.rule(chosen.lower_c)?;
        let mut own = Errors::default();
        for site_year in &out {
            let sums = running_sums(&rule, &site_year.days);
            let predicted = predictions(&[sums], chosen.sum.plain()).next().flatten();
            own.predicted(site_year, predicted);
            errors.predicted(site_year, predicted);
        }
        if let Some(line) = CalendarLine::through(&kept, false) {
            line.add_errors(&out, &mut calendar);
        }
        // Either every fold has a slope, or the scores would not be of the same records.
        with_slope = match (with_slope, CalendarLine::through(&kept, true)) {
            (Some(mut errors), Some(line)) if out.iter().all(|of| of.elevation_m.is_some()) => {
                line.add_errors(&out, &mut errors);
                Some(errors)
            }
            _ => None,
        };
        turns.push(Fold {
            left_out: (*left_out).clone(),
            lower_c: chosen.lower_c,
            sum: chosen.sum,
            scores: own.scores(),
        });
    }
    Ok(CrossValidation {
        scores: errors.scores(),
        calendar: calendar.scores(),
        calendar_with_slope: with_slope.map(|errors| errors.scores()),
        folds: turns,
    })
}

/// A date for everyone, or one that shifts with elevation.
#[derive(Clone, Copy)]
struct CalendarLine {
    day: f64,
    days_per_km: f64,
}

impl CalendarLine {
    /// The line with the least squared distances in days to what was seen. With exact dates it is the mean, or ordinary
    /// least squares. `None` without records, or for a slope without three elevations.
    fn through(site_years: &[&SiteYear], with_slope: bool) -> Option<Self> {
        let mut points: Vec<(f64, Seen)> = Vec::new();
        for site_year in site_years {
            let km = if with_slope { site_year.elevation_m? / 1000.0 } else { 0.0 };
            points.extend(site_year.seen.iter().map(|seen| (km, *seen)));
        }
        let n = points.len() as f64;
        let elevations: BTreeSet<i64> = points.iter().map(|(km, _)| (km * 1000.0).round() as i64).collect();
        if points.is_empty() || (with_slope && elevations.len() < 3) {
            return None;
        }
        let mean_km = points.iter().map(|(km, _)| km).sum::<f64>() / n;
        let spread = points.iter().map(|(km, _)| (km - mean_km).powi(2)).sum::<f64>();
        // Each record stands for the day of its interval nearest to the line; the line then goes through those days, and
        // so on. Neither step can raise the error, and both together end at its least. An exact date needs one round.
        let middle = |seen: Seen| match (seen.after, seen.by) {
            (Some(after), Some(by)) => (f64::from(after) + 1.0 + f64::from(by)) / 2.0,
            (Some(after), None) => f64::from(after) + 1.0,
            (_, by) => by.map_or(0.0, f64::from),
        };
        let mut days: Vec<f64> = points.iter().map(|(_, seen)| middle(*seen)).collect();
        let mut line = Self { day: 0.0, days_per_km: 0.0 };
        for _ in 0..10_000 {
            let mean_day = days.iter().sum::<f64>() / n;
            let slope = if spread > 0.0 {
                points.iter().zip(&days).map(|((km, _), day)| (km - mean_km) * (day - mean_day)).sum::<f64>() / spread
            } else {
                0.0
            };
            line = Self { day: mean_day - slope * mean_km, days_per_km: slope };
            let mut moved = 0.0f64;
            for ((km, seen), day) in points.iter().zip(&mut days) {
                let at = line.at(*km);
                let nearest = at - seen.distance(at);
                moved = moved.max((nearest - *day).abs());
                *day = nearest;
            }
            if moved < 1e-9 {
                break;
            }
        }
        Some(line)
    }

    fn at(self, km: f64) -> f64 {
        self.day + self.days_per_km * km
    }

    fn score(self, site_years: &[&SiteYear]) -> Scores {
        let mut errors = Errors::default();
        self.add_errors(site_years, &mut errors);
        errors.scores()
    }

    fn add_errors(self, site_years: &[&SiteYear], errors: &mut Errors) {
        for site_year in site_years {
            let at = self.at(site_year.elevation_m.unwrap_or(0.0) / 1000.0);
            site_year.seen.iter().for_each(|seen| errors.add(seen.distance(at)));
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn steady(mean_c: f64) -> DayTemperatures {
        DayTemperatures { min_c: mean_c, max_c: mean_c }
    }

    fn season(site: &str, year: i32, means_c: &[f64], seen: &[Seen]) -> SiteYear {
        let days = means_c.iter().map(|mean| steady(*mean)).collect();
        SiteYear { site: site.into(), year, elevation_m: None, days, seen: seen.to_vec() }
    }

    fn means(lowers_c: &[f64]) -> Search {
        Search {
            method: Method::Average,
            cutoff: Cutoff::None,
            upper_c: None,
            lowers_c: lowers_c.to_vec(),
            prefer_c: -100.0,
        }
    }

    fn fitted(site_years: &[SiteYear], search: &Search) -> Result<Fit, FitError> {
        fit(site_years, search, &mut |_| ())
    }

    /// A made-up spring: a slow warming with weather on it, told by its number.
    fn spring(nth: u32, days: u32) -> Vec<DayTemperatures> {
        (0..days)
            .map(|day| {
                let wobble = f64::from((day * 37 + nth * 101) % 23) - 11.0;
                let mean_c = -8.0 + f64::from(nth % 7) * 1.3 + f64::from(day) * 0.16 + wobble * 0.4;
                let half_range_c = 4.0 + f64::from((day * 13 + nth * 29) % 11) * 0.5;
                DayTemperatures { min_c: mean_c - half_range_c, max_c: mean_c + half_range_c }
            })
            .collect()
    }

    /// Springs with the event put where a rule puts it.
    fn springs(count: u32, rule: &HeatRule, required: f64, see: fn(i32, u32) -> Seen) -> Vec<SiteYear> {
        (0..count)
            .map(|nth| {
                let days = spring(nth, 200);
                let day = running_sums(rule, &days).iter().position(|sum| *sum >= required).unwrap() as i32;
                SiteYear {
                    site: format!("S{}", nth % 4),
                    year: 2000 + (nth / 4) as i32,
                    elevation_m: Some(1500.0 + f64::from(nth % 4) * 200.0),
                    days,
                    seen: vec![see(day, nth)],
                }
            })
            .collect()
    }

    #[test]
    fn a_known_threshold_and_sum_come_back() {
        for (method, lower_c, required) in
            [(Method::SingleSine, 4.2, 150.0), (Method::DoubleTriangle, 0.0, 260.0), (Method::Average, 7.5, 60.0)]
        {
            let rule = HeatRule::new(method, lower_c, Some(28.0), Cutoff::Horizontal).unwrap();
            let data = springs(40, &rule, required, |day, _| Seen::on(day));
            let lowers_c = grid(lower_c - 2.0, lower_c + 2.0, 0.02).unwrap();
            let search = Search { method, cutoff: Cutoff::Horizontal, upper_c: Some(28.0), lowers_c, prefer_c: -100.0 };
            let fit = fitted(&data, &search).unwrap();
            assert_eq!(fit.best.scores.rmse_days, 0.0, "{method}");
            let (first, last) = fit.ties();
            assert!(first <= lower_c + 1e-9 && lower_c <= last + 1e-9, "{method}: {first} to {last}");
            assert!(last - first < 1.5, "{method}: forty springs pin the threshold down: {first} to {last}");
            let true_point = fit.valley.iter().find(|point| (point.lower_c - lower_c).abs() < 1e-9).unwrap();
            assert!(true_point.sum.above < required && required <= true_point.sum.up_to, "{:?}", true_point.sum);
            assert_eq!(fit.predicted.iter().flatten().count(), 40);
            assert_eq!(fit.floor_rmse_days, 0.0);
            let out = fit.without_year.unwrap();
            assert!(out.scores.rmse_days < 1.0 && out.skill().unwrap() > 0.8, "{:?}", out.scores);
            assert_eq!((out.folds.len(), fit.without_site.unwrap().folds.len()), (10, 4));
        }
    }

    #[test]
    fn intervals_between_visits_are_enough_to_find_the_sum() {
        let rule = HeatRule::new(Method::SingleSine, 4.0, None, Cutoff::None).unwrap();
        // A visit every 7 days, each site on another day of the week.
        let data = springs(40, &rule, 150.0, |day, nth| {
            let seen = day + (nth as i32 * 3 - day).rem_euclid(7);
            Seen::between(Some(seen - 7), Some(seen)).unwrap()
        });
        let search = Search { method: Method::SingleSine, ..means(&[4.0]) };
        let fit = fitted(&data, &search).unwrap();
        assert_eq!(fit.best.scores.rmse_days, 0.0);
        assert!(fit.best.sum.above < 150.0 && 150.0 <= fit.best.sum.up_to, "{:?}", fit.best.sum);
    }

    #[test]
    fn an_interval_costs_nothing_inside_and_its_distance_outside() {
        let seen = Seen::between(Some(10), Some(14)).unwrap();
        let errors: Vec<i64> = [8, 10, 11, 14, 15, 20].into_iter().map(|day| seen.error(day)).collect();
        assert_eq!(errors, [-3, -1, 0, 0, 1, 6]);
        assert_eq!([11, 12, 13].map(|day| Seen::on(12).error(day)), [-1, 0, 1]);
        assert_eq!(Seen::between(None, Some(5)).unwrap().error(-200), 0);
        assert_eq!(Seen::between(Some(5), None).unwrap().error(NEVER_DAY), 0);
        assert_eq!(Seen::between(Some(5), Some(5)), None);
        assert_eq!(Seen::between(None, None), None);
    }

    #[test]
    fn the_range_of_sums_is_the_gap_between_two_evenings() {
        // Sums at 0 °C: 1 3 6 10; 2 4 6 8. Seen on day 2 and day 2: any sum above 4 up to 6.
        let data = [
            season("a", 2001, &[1.0, 2.0, 3.0, 4.0], &[Seen::on(2), Seen::on(2)]),
            season("a", 2002, &[2.0, 2.0, 2.0, 2.0], &[Seen::on(2)]),
        ];
        let fit = fitted(&data, &means(&[0.0])).unwrap();
        assert_eq!(fit.best.sum, SumRange { above: 4.0, up_to: 6.0 });
        assert_eq!(fit.best.sum.plain(), 5.0);
        assert_eq!(fit.predicted, [Some(2), Some(2)]);
    }

    #[test]
    fn a_sum_never_reached_is_a_great_error_and_no_gap() {
        let data = [
            season("a", 2001, &[5.0, 5.0, 5.0, 5.0], &[Seen::on(3), Seen::on(3)]),
            season("a", 2002, &[1.0, 1.0, 1.0, 1.0], &[Seen::on(3)]),
        ];
        // With 20 two records would be hit exactly, but the third would never come.
        let fit = fitted(&data, &means(&[0.0])).unwrap();
        assert_eq!(fit.best.sum, SumRange { above: 3.0, up_to: 4.0 });
        assert_eq!(fit.best.scores.never_reached, 0);
        // At 2 °C the second year has no heat at all.
        let fit = fitted(&data, &means(&[2.0])).unwrap();
        assert_eq!(fit.best.scores.never_reached, 1);
        assert!((fit.best.scores.rmse_days - (727f64 * 727.0 / 3.0).sqrt()).abs() < 1e-9);
    }

    #[test]
    fn equal_thresholds_go_to_the_one_preferred() {
        let data = [
            season("a", 2001, &[9.0, 9.0, 9.0], &[Seen::on(1), Seen::on(1)]),
            season("a", 2002, &[9.0, 9.0, 9.0], &[Seen::on(1)]),
        ];
        let search = |prefer_c| Search { prefer_c, ..means(&[0.0, 1.0, 2.0, 3.0]) };
        assert_eq!(fitted(&data, &search(2.2)).unwrap().best.lower_c, 2.0);
        assert_eq!(fitted(&data, &search(1.5)).unwrap().best.lower_c, 1.0);
        let fit = fitted(&data, &search(-5.0)).unwrap();
        assert_eq!((fit.best.lower_c, fit.ties()), (0.0, (0.0, 3.0)));
        assert_eq!(fit.flat(0.05), Flat { from_c: 0.0, to_c: 3.0, tolerance_days: 0.1, open: true });
    }

    #[test]
    fn records_that_bound_one_side_only_are_refused_and_their_bound_is_told() {
        let by = |day| Seen::between(None, Some(day)).unwrap();
        let not_yet = |day| Seen::between(Some(day), None).unwrap();
        let data = [season("a", 2001, &[1.0; 9], &[by(3), by(5)]), season("a", 2002, &[2.0; 9], &[by(4), Seen::on(5)])];
        assert_eq!(fitted(&data, &means(&[0.0])), Err(FitError::NotBoundedBelow { bounding: 1, records: 4 }));
        let rule = HeatRule::new(Method::Average, 0.0, None, Cutoff::None).unwrap();
        assert_eq!(bounds(&data[..1], &rule), (None, Some(4.0)));
        assert_eq!(bounds(&data, &rule), (Some(10.0), Some(4.0)));
        let data = [season("a", 2001, &[1.0; 9], &[not_yet(3), not_yet(5), not_yet(2)])];
        assert_eq!(fitted(&data, &means(&[0.0])), Err(FitError::NotBoundedAbove { bounding: 0, records: 3 }));
        // One visit a year, seen or not: together they bound both sides.
        let data = [
            season("a", 2001, &[1.0; 9], &[not_yet(3), not_yet(4), not_yet(5)]),
            season("a", 2002, &[2.0; 9], &[by(4), by(5), by(6)]),
        ];
        let fit = fitted(&data, &means(&[0.0])).unwrap();
        assert_eq!((fit.best.sum, fit.best.scores.rmse_days), (SumRange { above: 6.0, up_to: 10.0 }, 0.0));
    }

    #[test]
    fn unfit_data_are_refused_with_their_place() {
        let data = |seen: &[Seen]| [season("a", 2001, &[1.0; 9], seen)];
        let on = Seen::on(3);
        assert_eq!(fitted(&data(&[on, on]), &means(&[0.0])), Err(FitError::TooFew { records: 2 }));
        let outside = FitError::OutsideWeather { site: "a".into(), year: 2001, day: 9, last: 8 };
        assert_eq!(fitted(&data(&[on, on, Seen::on(9)]), &means(&[0.0])), Err(outside));
        assert_eq!(fitted(&data(&[on, on, on]), &means(&[])), Err(FitError::NoThreshold));
        let long = [season("a", 2001, &[1.0; 731], &[on, on, on])];
        assert!(matches!(fitted(&long, &means(&[0.0])), Err(FitError::TooLong { days: 731, .. })));
        let search = Search { upper_c: Some(1.0), cutoff: Cutoff::Horizontal, ..means(&[0.0, 1.0]) };
        assert!(matches!(fitted(&data(&[on, on, on]), &search), Err(FitError::Rule(_))));
        assert!(grid(0.0, 1.0, 0.0).is_err() && grid(1.0, 0.0, 0.1).is_err() && grid(0.0, f64::NAN, 0.1).is_err());
        assert!(grid(0.0, 10.0, 1e-9).is_err());
        assert_eq!(grid(3.2, 3.41, 0.1).unwrap(), [3.2, 3.3, 3.4]);
        assert_eq!(grid(-5.0, 14.0, 0.01).unwrap().len(), 1901);
    }

    #[test]
    fn the_calendar_line_is_least_squares_on_dates_and_lies_in_all_intervals_when_it_can() {
        let at = |elevation_m, seen: &[Seen]| SiteYear {
            elevation_m: Some(elevation_m),
            ..season("a", 2001, &[1.0; 200], seen)
        };
        let data =
            [at(1000.0, &[Seen::on(60), Seen::on(64)]), at(1500.0, &[Seen::on(80)]), at(2000.0, &[Seen::on(101)])];
        let all: Vec<&SiteYear> = data.iter().collect();
        let mean = CalendarLine::through(&all, false).unwrap();
        assert!((mean.day - 76.25).abs() < 1e-9);
        // By hand: mean 1.375 km, slope = Σ(x-x̄)(y-ȳ) / Σ(x-x̄)² = 26.625 / 0.6875.
        let line = CalendarLine::through(&all, true).unwrap();
        assert!((line.days_per_km - 26.625 / 0.6875).abs() < 1e-9, "{}", line.days_per_km);
        let wide = Seen::between(Some(49), Some(90)).unwrap();
        let data =
            [at(1000.0, &[wide, Seen::between(Some(69), None).unwrap(), Seen::between(None, Some(80)).unwrap()])];
        let all: Vec<&SiteYear> = data.iter().collect();
        let line = CalendarLine::through(&all, false).unwrap();
        assert_eq!(line.score(&all).rmse_days, 0.0);
        assert!(CalendarLine::through(&all, true).is_none());
    }

    #[test]
    fn a_sum_is_written_as_short_as_its_range_allows() {
        let plain = |above, up_to| SumRange { above, up_to }.plain();
        assert_eq!(plain(252.97, 252.99), 252.98);
        assert_eq!(plain(447.56, 448.74), 448.0);
        assert_eq!(plain(60.51, 60.55), 60.53);
        assert_eq!(plain(0.0, 1.0), 0.5);
        assert_eq!(plain(10.0, f64::INFINITY), 11.0);
    }

    /// Costs found by trying: for every sum that occurs, who would be predicted when.
    fn least_cost_by_trying(site_years: &[&SiteYear], rule: &HeatRule) -> i64 {
        let sums: Vec<Vec<f64>> = site_years.iter().map(|of| running_sums(rule, &of.days)).collect();
        let tried = sums.iter().flatten().copied().filter(|sum| *sum > SAME_SUM).chain([1e9]);
        tried.map(|required| cost_of(site_years, &sums, required)).min().unwrap()
    }

    fn cost_of(site_years: &[&SiteYear], sums: &[Vec<f64>], required: f64) -> i64 {
        let cost = |(of, sums): (&&SiteYear, &Vec<f64>)| {
            // Sums of tenths carry rounding in the last places.
            let day = sums.iter().position(|sum| *sum >= required - SAME_SUM).map_or(NEVER_DAY, |day| day as i32);
            of.seen.iter().map(|seen| seen.error(day).pow(2)).sum::<i64>()
        };
        site_years.iter().zip(sums).map(cost).sum()
    }

    fn any_seen(days: i32) -> impl Strategy<Value = Seen> {
        prop_oneof![
            3 => (0..days).prop_map(Seen::on),
            2 => (0..days - 1, 1..days).prop_map(move |(after, long)| {
                Seen::between(Some(after), Some((after + long).min(days - 1))).unwrap()
            }),
            1 => (0..days).prop_map(|day| Seen::between(None, Some(day)).unwrap()),
            1 => (0..days).prop_map(|day| Seen::between(Some(day), None).unwrap()),
        ]
    }

    fn any_site_year() -> impl Strategy<Value = SiteYear> {
        (0..3u8, 2000..2004, prop::collection::vec(-30..60i32, 12), prop::collection::vec(any_seen(12), 1..4)).prop_map(
            |(site, year, tenths, seen)| {
                let means: Vec<f64> = tenths.iter().map(|tenths| f64::from(*tenths) / 10.0).collect();
                season(&format!("S{site}"), year, &means, &seen)
            },
        )
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(300))]

        #[test]
        fn no_sum_does_better_than_the_one_found(
            data in prop::collection::vec(any_site_year(), 1..6),
            lowers in prop::collection::btree_set(-20..40i32, 1..4),
        ) {
            let search = means(&lowers.iter().map(|tenths| f64::from(*tenths) / 10.0).collect::<Vec<_>>());
            let Ok(fit) = fitted(&data, &search) else { return Ok(()) };
            let records: usize = data.iter().map(|of| of.seen.len()).sum();
            let all: Vec<&SiteYear> = data.iter().collect();
            let mut least = i64::MAX;
            for point in &fit.valley {
                let rule = search.rule(point.lower_c).unwrap();
                let wanted = least_cost_by_trying(&all, &rule);
                least = least.min(wanted);
                prop_assert_eq!((point.scores.rmse_days.powi(2) * records as f64).round() as i64, wanted);
                // The whole range costs the same, and what lies just outside costs more.
                let sums: Vec<Vec<f64>> = all.iter().map(|of| running_sums(&rule, &of.days)).collect();
                let SumRange { above, up_to } = point.sum;
                let end = if up_to.is_finite() { up_to } else { 1e9 };
                prop_assert!(above < up_to);
                for share in [0.001, 0.3, 0.7, 1.0] {
                    prop_assert_eq!(cost_of(&all, &sums, above + share * (end - above)), wanted);
                }
                if above > 0.0 {
                    prop_assert!(cost_of(&all, &sums, above) > wanted);
                }
                if up_to.is_finite() {
                    prop_assert!(cost_of(&all, &sums, up_to + 0.001) > wanted);
                }
            }
            prop_assert_eq!((fit.best.scores.rmse_days.powi(2) * records as f64).round() as i64, least);

            // Each turn of a cross-validation is the fit of what is left.
            let turns = fit.without_year.iter().chain(&fit.without_site).flat_map(|out| &out.folds);
            for turn in turns {
                let kept: Vec<&SiteYear> = data.iter().filter(|of| !turn.left_out.holds(of)).collect();
                let costs: Vec<i64> = search
                    .lowers_c
                    .iter()
                    .map(|lower| least_cost_by_trying(&kept, &search.rule(*lower).unwrap()))
                    .collect();
                let least = *costs.iter().min().unwrap();
                let first = costs.iter().position(|cost| *cost == least).unwrap();
                prop_assert_eq!(turn.lower_c, search.lowers_c[first]);
                let rule = search.rule(turn.lower_c).unwrap();
                let sums: Vec<Vec<f64>> = kept.iter().map(|of| running_sums(&rule, &of.days)).collect();
                let SumRange { above, up_to } = turn.sum;
                let end = if up_to.is_finite() { up_to } else { 1e9 };
                for share in [0.001, 0.5, 1.0] {
                    prop_assert_eq!(cost_of(&kept, &sums, above + share * (end - above)), least);
                }
                if above > 0.0 {
                    prop_assert!(cost_of(&kept, &sums, above) > least);
                }
            }
        }
    }
}
