//! What would have been projected in past seasons, and how good it was.
//!
//! Each season is left out whole: its own temperatures, and what they add to the mean and the trend, have no part in its
//! projection. Issue days are counted back from the day that came, so a projection 14 days ahead was made 14 days before
//! the event. That choice of days has a side effect that is not an error of the projection: an event mostly comes in warm
//! days, so the days just before it were warmer than could be known, and the median comes out late by about half a day.
//! Taken by the distance that was *projected*, the same projections have no such bias.

use std::borrow::Cow;
use std::collections::BTreeMap;

use chrono::{Datelike, Days, NaiveDate};

use super::DayTemperatures;
use super::projection::{Crossings, Dressing, FORECAST_ERRORS_C, Now, Projector, SeasonProjector, error_share};
use super::scores::{self, points};

/// Days before the event on which projections are looked at, the farthest first (own choice: when a notice can still
/// change what is done).
pub const LEADS: [u32; 7] = [42, 28, 21, 14, 10, 7, 3];

/// Days of the assumed forecast.
pub const FORECAST_DAYS: usize = 7;

/// The weather forecast that the hindcast is given.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum AssumedForecast {
    None,
    /// The temperatures that came: the most that any forecast can add.
    Perfect,
    /// The same with an error that grows with the days ahead as [`FORECAST_ERRORS_C`] has it. Made by a fixed sequence
    /// of chance numbers; a forecast of that kind leans to the mean where it knows little, as real ones do.
    Noisy,
}

/// One projection of one past season, with the day that came.
#[derive(Clone, Debug, PartialEq)]
pub struct Verified {
    pub season: i32,
    /// Days from the issue day to the event.
    pub lead: u32,
    /// Days from the issue day to the 10, 50 and 90 % points; `None` = not reached within the season.
    pub early: Option<u32>,
    pub median: Option<u32>,
    pub late: Option<u32>,
    /// Median minus event, days: above 0 the projection was late.
    pub error_days: f64,
    pub crps_days: f64,
    /// Of the other seasons' calendar dates as the projection.
    pub null_crps_days: f64,
    /// The event came within `early..=late`.
    pub held: bool,
    /// See [`scores::share_inside`].
    pub share_inside: f64,
    pub mean: f64,
    /// Of the members, days².
    pub variance: f64,
    pub members: u32,
    pub not_reached: u32,
}

/// The day on which a past season reached `target`: its index in the season's days and the date.
pub fn event(projector: &Projector, season: i32, target: f64) -> Option<(usize, NaiveDate)> {
    let (first, _) = projector.season(season)?;
    let sums = projector.sums(season)?;
    // As in the season itself, a hair below the target is at it.
    let at = sums.partition_point(|sum| *sum < target - 1e-9);
    (at < sums.len()).then(|| (at, first + Days::new(at as u64)))
}

/// Projects the day of `target` (°C·day) in each of `seasons` at each lead. Leads that reach back before the season are
/// left out, as are seasons that the projector does not know or that never get there. `dressing` should come from other
/// seasons than those projected here.
pub fn hindcast(
    projector: &Projector,
    seasons: &[i32],
    target: f64,
    leads: &[u32],
    forecast: AssumedForecast,
    dressing: &Dressing,
) -> Vec<Verified> {
    hindcast_dressed(projector, seasons, target, leads, forecast, |_| dressing.clone())
}

/// As [`hindcast`], with a dressing for each season.
pub fn hindcast_dressed(
    projector: &Projector,
    seasons: &[i32],
    target: f64,
    leads: &[u32],
    forecast: AssumedForecast,
    dressing_for: impl Fn(i32) -> Dressing,
) -> Vec<Verified> {
    let asked = Asked { target, leads };
    let projections = Projections::of(projector, seasons, &[asked], forecast);
    projections.verified(0, |season| Cow::Owned(dressing_for(season)))
}

/// A sum (°C·day) whose day is projected, and how many days before it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Asked<'a> {
    pub target: f64,
    pub leads: &'a [u32],
}

/// Projections of past seasons before any widening, made once for all that is asked: what a season's futures are made of is
/// the same for every sum and lead.
pub struct Projections {
    /// By what was asked.
    made: Vec<Vec<OfSeason>>,
}

struct OfSeason {
    season: i32,
    /// Days from the season's start to the other seasons' days of the year, in order.
    null: Vec<f64>,
    made: Vec<Made>,
}

struct Made {
    lead: u32,
    /// Days from the season's start to the issue day; -1 where that is the day before it.
    issued: f64,
    /// Days from the issue day to the one after the season's last.
    horizon: f64,
    crossings: Crossings,
}

impl Projections {
    /// See [`hindcast`].
    pub fn of(projector: &Projector, seasons: &[i32], asked: &[Asked<'_>], forecast: AssumedForecast) -> Self {
        let mut made: Vec<Vec<OfSeason>> = asked.iter().map(|_| Vec::with_capacity(seasons.len())).collect();
        let events: Vec<Vec<(i32, NaiveDate)>> = asked
            .iter()
            .map(|asked| {
                let event = |season| event(projector, season, asked.target).map(|(_, day)| (season, day));
                projector.seasons().filter_map(event).collect()
            })
            .collect();
        for season in seasons {
            let (Some((first, days)), Some(sums)) = (projector.season(*season), projector.sums(*season)) else {
                continue;
            };
            let projected = projector.for_season(*season);
            let made_of = of_season(&projected, *season, (first, days, sums), asked, forecast);
            for ((events, of_asked), to) in events.iter().zip(made_of).zip(&mut made) {
                let others = events.iter().filter(|(other, _)| other != season);
                let from_start = |day: NaiveDate| (calendar_day_in_season(day, first) - first).num_days() as f64;
                let mut null: Vec<f64> = others.map(|(_, day)| from_start(*day)).collect();
                null.sort_by(f64::total_cmp);
                to.push(OfSeason { season: *season, null, made: of_asked });
            }
        }
        Self { made }
    }

    /// The scores of what was asked as the `nth`, each season's spread widened first.
    pub fn verified<'d>(&self, nth: usize, dressing_for: impl Fn(i32) -> Cow<'d, Dressing>) -> Vec<Verified> {
        let mut verified = Vec::new();
        for of_season in self.made.get(nth).into_iter().flatten() {
            let dressing = dressing_for(of_season.season);
            verified.extend(of_season.made.iter().filter_map(|made| score(of_season, made, &dressing)));
        }
        verified
    }
}

/// What was projected in one season, by what was asked. Projections of one day of issue share their futures.
fn of_season(
    projected: &SeasonProjector,
    season: i32,
    (first, days, sums): (NaiveDate, &[DayTemperatures], &[f64]),
    asked: &[Asked<'_>],
    forecast: AssumedForecast,
) -> Vec<Vec<Made>> {
    let last_day = first + Days::new(days.len().saturating_sub(1) as u64);
    // By days of the season that were known; with none the issue day is the one before it begins.
    let mut by_known: BTreeMap<usize, Vec<(usize, u32)>> = BTreeMap::new();
    for (nth, asked) in asked.iter().enumerate() {
        let event_at = sums.partition_point(|sum| *sum < asked.target - 1e-9);
        if event_at >= sums.len() {
            continue;
        }
        for lead in asked.leads {
            if let Some(known) = (event_at + 1).checked_sub(*lead as usize) {
                by_known.entry(known).or_default().push((nth, *lead));
            }
        }
    }
    let mut made: Vec<Vec<Made>> = asked.iter().map(|asked| Vec::with_capacity(asked.leads.len())).collect();
    for (known, wanted) in by_known {
        let (Some(recent), Some(issued)) = (days.get(..known), (first + Days::new(known as u64)).pred_opt()) else {
            continue;
        };
        let sum = known.checked_sub(1).and_then(|newest| sums.get(newest).copied()).unwrap_or(0.0);
        let now = Now { last_day: issued, sum, recent, forecast: &[], forecast_errors_c: &[] };
        let came = days.get(known..).unwrap_or_default();
        let ahead = assumed_forecast(projected, &now, came, forecast, season);
        let errors_c: &[f64] = if forecast == AssumedForecast::Perfect { &[] } else { &FORECAST_ERRORS_C };
        let now = Now { forecast: &ahead, forecast_errors_c: errors_c, ..now };
        let targets: Vec<f64> = wanted.iter().map(|(nth, _)| asked[*nth].target).collect();
        let crossings = projected.crossings_of(&now, &targets, last_day);
        for ((nth, lead), crossings) in wanted.into_iter().zip(crossings) {
            let horizon = (last_day - issued).num_days() as f64 + 1.0;
            made[nth].push(Made { lead, issued: known as f64 - 1.0, horizon, crossings });
        }
    }
    for (made, asked) in made.iter_mut().zip(asked) {
        made.sort_by_key(|made| asked.leads.iter().position(|lead| *lead == made.lead));
    }
    made
}

fn score(of_season: &OfSeason, made: &Made, dressing: &Dressing) -> Option<Verified> {
    let OfSeason { season, null, .. } = of_season;
    let Made { lead, horizon, .. } = *made;
    let crossings = if dressing.0.is_empty() {
        Cow::Borrowed(&made.crossings)
    } else {
        Cow::Owned(made.crossings.clone().dressed(dressing))
    };
    let Crossings { days_ahead, not_reached } = crossings.as_ref();
    let observed = f64::from(lead);
    // Members that do not get there stand just after the season's end: the least error that can be theirs.
    let members: Vec<f64> = days_ahead
        .iter()
        .map(|days| f64::from(*days))
        .chain(std::iter::repeat_n(horizon, *not_reached as usize))
        .collect();
    let shown = points(days_ahead, *not_reached);
    let count = members.len() as f64;
    let mean = members.iter().sum::<f64>() / count;
    let within = |edge: Option<u32>| edge.map_or(horizon, f64::from);
    Some(Verified {
        season: *season,
        lead,
        early: shown.early,
        median: shown.median,
        late: shown.late,
        error_days: within(shown.median) - observed,
        crps_days: scores::crps(&members, observed)?,
        null_crps_days: scores::crps(null, made.issued + observed)?,
        held: (within(shown.early)..=within(shown.late)).contains(&observed),
        share_inside: scores::share_inside(&members, observed)?,
        mean,
        variance: members.iter().map(|value| (value - mean).powi(2)).sum::<f64>() / count,
        members: members.len() as u32,
        not_reached: *not_reached,
    })
}

/// The same calendar day in the season that begins on `first`; 28 February where that has no 29th.
fn calendar_day_in_season(day: NaiveDate, first: NaiveDate) -> NaiveDate {
    let in_year = |year: i32| day.with_year(year).or_else(|| NaiveDate::from_ymd_opt(year, 2, 28)).unwrap_or(day);
    let same_year = in_year(first.year());
    if same_year < first { in_year(first.year() + 1) } else { same_year }
}

/// The forecast of up to [`FORECAST_DAYS`] that is assumed on `now.last_day`, when `came` is what came after it.
pub fn assumed_forecast(
    projected: &SeasonProjector,
    now: &Now<'_>,
    came: &[DayTemperatures],
    kind: AssumedForecast,
    season: i32,
) -> Vec<DayTemperatures> {
    match kind {
        AssumedForecast::None => Vec::new(),
        AssumedForecast::Perfect => came.iter().take(FORECAST_DAYS).copied().collect(),
        AssumedForecast::Noisy => noisy(projected, now, came, Chance::new(season, now.last_day.ordinal())),
    }
}

/// What came, seen through a forecast's error.
fn noisy(
    projected: &SeasonProjector,
    now: &Now<'_>,
    came: &[DayTemperatures],
    mut chance: Chance,
) -> Vec<DayTemperatures> {
    /// How much of one day's error goes on to the next, and how much of it minimum and maximum share (from memory: forecast
    /// errors go with the weather's own systems).
    const GOES_ON: f64 = 0.6;
    const SHARED: f64 = 0.5;
    let mut draw = || {
        let shared = SHARED.sqrt() * chance.normal();
        [0; 2].map(|_| shared + (1.0 - SHARED).sqrt() * chance.normal())
    };
    let mut errors = draw();
    let ahead = came.iter().zip(projected.expected(now, came.len().min(FORECAST_DAYS)));
    ahead
        .zip(FORECAST_ERRORS_C)
        .map(|((came, expected), error_c)| {
            let said = |came: f64, expected: f64, sd: f64, error: f64| {
                let share = error_share(error_c, sd);
                let known = 1.0 - share * share;
                expected + known * (came - expected) + share * known.sqrt() * sd * error
            };
            let a = said(came.min_c, expected.mean.min_c, expected.sd_min_c, errors[0]);
            let b = said(came.max_c, expected.mean.max_c, expected.sd_max_c, errors[1]);
            let fresh = draw();
            for (error, fresh) in errors.iter_mut().zip(fresh) {
                *error = GOES_ON * *error + (1.0 - GOES_ON * GOES_ON).sqrt() * fresh;
            }
            DayTemperatures { min_c: a.min(b), max_c: a.max(b) }
        })
        .collect()
}

/// A fixed sequence of chance numbers (splitmix64: Steele, Lea & Flood 2014, OOPSLA), so that a hindcast repeats exactly.
struct Chance(u64);

impl Chance {
    fn new(season: i32, of_day: u32) -> Self {
        Self((u64::from(season.unsigned_abs()) << 32) ^ u64::from(of_day))
    }

    fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^= z >> 31;
        // The upper 53 bits, never 0.
        ((z >> 11) as f64 + 0.5) / (1u64 << 53) as f64
    }

    fn normal(&mut self) -> f64 {
        (-2.0 * self.uniform().ln()).sqrt() * (std::f64::consts::TAU * self.uniform()).cos()
    }
}

/// Scores of many projections at one lead.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct LeadScore {
    pub lead: u32,
    pub projections: u32,
    /// Mean of median minus event, days: above 0 late.
    pub bias_days: f64,
    /// Mean absolute error of the median, days.
    pub mae_days: f64,
    pub crps_days: f64,
    /// CRPS of the calendar null, days.
    pub null_crps_days: f64,
    /// 1 - CRPS over that of the calendar null; `None` where the dates never vary.
    pub skill: Option<f64>,
    /// Share of events inside the whole days of the 80 % interval as people read it.
    pub held: f64,
    /// The same with the interval's end days counted by the share that belongs to it.
    pub share_inside: f64,
}

/// One entry a lead that has projections, in the order of `leads`.
pub fn by_lead(verified: &[Verified], leads: &[u32]) -> Vec<LeadScore> {
    leads
        .iter()
        .filter_map(|lead| {
            let these: Vec<&Verified> = verified.iter().filter(|one| one.lead == *lead).collect();
            let mean =
                |value: fn(&Verified) -> f64| these.iter().map(|one| value(one)).sum::<f64>() / these.len() as f64;
            let (crps_days, null_crps_days) = (mean(|one| one.crps_days), mean(|one| one.null_crps_days));
            (!these.is_empty()).then(|| LeadScore {
                lead: *lead,
                projections: these.len() as u32,
                bias_days: mean(|one| one.error_days),
                mae_days: mean(|one| one.error_days.abs()),
                crps_days,
                null_crps_days,
                skill: scores::skill(crps_days, null_crps_days),
                held: mean(|one| f64::from(u8::from(one.held))),
                share_inside: mean(|one| one.share_inside),
            })
        })
        .collect()
}

/// The plain mean over stations, each counting the same; projections are added up.
pub fn mean_over_stations(stations: &[Vec<LeadScore>], leads: &[u32]) -> Vec<LeadScore> {
    leads
        .iter()
        .filter_map(|lead| {
            let these: Vec<&LeadScore> = stations.iter().flatten().filter(|score| score.lead == *lead).collect();
            let mean =
                |value: fn(&LeadScore) -> f64| these.iter().map(|score| value(score)).sum::<f64>() / these.len() as f64;
            let skills: Vec<f64> = these.iter().filter_map(|score| score.skill).collect();
            (!these.is_empty()).then(|| LeadScore {
                lead: *lead,
                projections: these.iter().map(|score| score.projections).sum(),
                bias_days: mean(|score| score.bias_days),
                mae_days: mean(|score| score.mae_days),
                crps_days: mean(|score| score.crps_days),
                null_crps_days: mean(|score| score.null_crps_days),
                skill: (!skills.is_empty()).then(|| skills.iter().sum::<f64>() / skills.len() as f64),
                held: mean(|score| score.held),
                share_inside: mean(|score| score.share_inside),
            })
        })
        .collect()
}

/// Days before the event at which projections are looked at for [`dressing`]: near and far alike, as they are made in a
/// season.
pub const DRESSING_LEADS: [u32; 15] = [2, 6, 10, 14, 18, 22, 26, 30, 34, 38, 42, 46, 50, 54, 58];

/// What the projections of a station lack in spread, by days projected ahead: errors to lay over every projected date,
/// evenly spaced and without bias. Empty where the spread alone accounts for the errors, as it does at most stations:
/// errors laid over an ensemble that is wide enough would count the weather twice.
///
/// `verified` is best made at [`DRESSING_LEADS`]. Projections are compared at the distance they *projected*, since that is
/// all that a projection to come knows of itself.
pub fn dressing(verified: &[Verified]) -> Dressing {
    dressing_of(verified.iter())
}

/// As [`dressing`], of projections wherever they lie.
pub fn dressing_of<'a>(verified: impl Iterator<Item = &'a Verified>) -> Dressing {
    /// Bands of projected distance, days: up to this, and the distance that stands for the band. Own choice, no source:
    /// wider where projections are less sharp.
    const BANDS: [(f64, u32); 6] = [(5.0, 3), (9.0, 7), (13.0, 11), (18.0, 15), (28.0, 23), (50.0, 38)];
    /// Fewer seasons say nothing of a spread: no station that this was verified on had fewer to go by.
    const SEASONS_NEEDED: usize = 20;
    /// Squared errors may exceed the variance by this much by chance: of eighty independent ones the mean of the squares
    /// has a standard error of sqrt(2/80) = 0.16, and several leads a season bring it down (own choice within that).
    const BY_CHANCE: f64 = 1.1;
    /// Nine normal quantiles at 1/18, 3/18 … scaled to a standard deviation of 1.
    const SHAPE: [f64; 9] = [-1.711, -1.039, -0.633, -0.303, 0.0, 0.303, 0.633, 1.039, 1.711];

    let farthest = BANDS[BANDS.len() - 1].0;
    let these: Vec<&Verified> = verified.filter(|one| one.mean < farthest).collect();
    let mut seasons: Vec<i32> = these.iter().map(|one| one.season).collect();
    seasons.dedup();
    seasons.sort_unstable();
    seasons.dedup();
    if seasons.len() < SEASONS_NEEDED {
        return Dressing::default();
    }
    // One more member tells as much as one more truth would; below a day the calendar itself is as coarse.
    let variance = |one: &Verified| (one.variance * (1.0 + 1.0 / f64::from(one.members.max(1)))).max(1.0);
    let ratio = |one: &&Verified| (one.mean - f64::from(one.lead)).powi(2) / variance(one);
    let ratio = these.iter().map(ratio).sum::<f64>() / these.len() as f64;
    if ratio < BY_CHANCE {
        return Dressing::default();
    }
    let mut from = 0.0;
    let mut dressing = Dressing::default();
    for (to, stands_for) in BANDS {
        let band: Vec<f64> =
            these.iter().filter(|one| (from..to).contains(&one.mean)).map(|one| variance(one)).collect();
        from = to;
        if !band.is_empty() {
            let lacking = ((ratio - 1.0) * band.iter().sum::<f64>() / band.len() as f64).sqrt();
            dressing.0.insert(stands_for, SHAPE.iter().map(|part| part * lacking).collect());
        }
    }
    dressing
}
