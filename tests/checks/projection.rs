//! The projection of a date: its scores against published and library values, its laws, and what it reaches on real
//! records.

mod plain;

use std::collections::{BTreeMap, BTreeSet};
use std::io::Read;
use std::path::Path;

use chrono::{Datelike, Days, NaiveDate};
use predicates::prelude::*;
use predicates::str::contains;
use proptest::prelude::*;
use treebell::assessment::rehearsal::{Rehearsal, rehearse, score};
use treebell::heat::hindcast::{self, AssumedForecast, DRESSING_LEADS, LeadScore, Verified};
use treebell::heat::projection::{self, BorrowedBy, Crossings, Dressing, Now, PastSeason, Projector, StationFit};
use treebell::heat::scores::{crps, fair_crps, skill};
use treebell::heat::{Cutoff, DayTemperatures, HeatRule, Method};
use treebell::season::outlook::heat_sum_of;
use treebell::season::{Policy, Profile};
use treebell::weather::{Element, FeedKind, SourceRef, Station, StationId, TenthsC, Version};

use crate::support;
use crate::support::open_store;

fn close(got: Option<f64>, wanted: f64, within: f64) {
    let got = got.unwrap();
    assert!((got - wanted).abs() <= within, "got {got}, wanted {wanted}");
}

/// Value of the ensemble, of its fair form; the first as PyPI `properscoring` gives it, the others by direct integration.
#[test]
fn crps_agrees_with_library_and_integrated_values() {
    let ten = [2.1, 3.5, 4.7, 1.2, 1.3, 5.2, 5.3, 4.2, 3.1, 1.7];
    close(crps(&ten, 5.4), 1.311, 1e-9);
    close(fair_crps(&ten, 5.4), 1.215556, 1e-6);
    let dates = [95.0, 98.0, 100.0, 101.0, 103.0, 104.0, 107.0, 110.0, 112.0, 118.0];
    for (observed, plain, fair) in [(104.0, 1.66, 1.244444), (90.0, 11.06, 10.644444), (125.0, 16.46, 16.044444)] {
        close(crps(&dates, observed), plain, 1e-9);
        close(fair_crps(&dates, observed), fair, 1e-6);
    }
    close(crps(&[100.0], 104.0), 4.0, 0.0);
    close(crps(&[100.0, 100.0, 100.0, 110.0], 104.0), 2.625, 1e-12);
    close(fair_crps(&[100.0, 100.0, 100.0, 110.0], 104.0), 2.0, 1e-12);
}

/// A normal forecast of mean 105 and standard deviation 4 scores 3.147937 where 110 comes (Hersbach 2000's closed form):
/// so must very many members that are spread like it.
#[test]
fn many_members_score_as_the_curve_they_are_drawn_from() {
    let (mut members, mut share, mut x) = (Vec::new(), 0.0, -8.0);
    let step = 1e-4;
    while members.len() < 5000 && x < 8.0 {
        share += step * (-0.5f64 * x * x).exp() / std::f64::consts::TAU.sqrt();
        x += step;
        if share >= (members.len() as f64 + 0.5) / 5000.0 {
            members.push(105.0 + 4.0 * x);
        }
    }
    close(crps(&members, 110.0), 3.147937, 5e-4);
}

#[test]
fn a_score_without_members_or_numbers_is_none() {
    assert_eq!(crps(&[], 1.0), None);
    assert_eq!(crps(&[1.0, f64::NAN], 1.0), None);
    assert_eq!(crps(&[1.0], f64::INFINITY), None);
    assert_eq!(fair_crps(&[1.0], 1.0), None);
    assert_eq!((skill(1.0, 4.0), skill(1.0, 0.0)), (Some(0.75), None));
}

fn rule() -> HeatRule {
    HeatRule::new(Method::SingleSine, 4.0, Some(30.0), Cutoff::Horizontal).unwrap()
}

fn day(year: i32, month: u32, day: u32) -> NaiveDate {
    NaiveDate::from_ymd_opt(year, month, day).unwrap()
}

/// An invented season: a cold start, a warm end, and weather that differs from year to year without chance.
fn invented(season: i32) -> PastSeason {
    invented_to(day(season, 7, 31))
}

pub(crate) fn invented_to(last: NaiveDate) -> PastSeason {
    let season = last.year();
    let first = day(season, 1, 1);
    let days = first
        .iter_days()
        .take_while(|date| *date <= last)
        .map(|date| {
            let t = f64::from(date.ordinal());
            let year = f64::from(season);
            let mean = -2.0
                + 0.12 * t.min(220.0)
                + 4.0 * (0.21 * t + 1.7 * year).sin()
                + 2.0 * (0.05 * t * (1.0 + 0.1 * (year * 2.3).sin())).cos();
            DayTemperatures { min_c: mean - 7.0, max_c: mean + 8.0 }
        })
        .collect();
    PastSeason { season, first, days }
}

fn world(years: std::ops::RangeInclusive<i32>) -> Vec<PastSeason> {
    years.map(invented).collect()
}

fn sums(season: &PastSeason) -> Vec<f64> {
    let heat = season.days.iter().map(|day| rule().degree_days(*day, None));
    heat.scan(0.0, |sum, of_day| {
        *sum += of_day;
        Some(*sum)
    })
    .collect()
}

/// Stands in `season` after `known` of its days.
fn after<'a>(season: &'a PastSeason, known: usize) -> Now<'a> {
    Now {
        last_day: season.first + Days::new(known as u64) - Days::new(1),
        sum: known.checked_sub(1).map_or(0.0, |last| sums(season)[last]),
        recent: &season.days[..known],
        forecast: &[],
        forecast_errors_c: &[],
    }
}

/// °C·day: the sum that the shipped profile has for the begin of egg laying.
const TARGET: f64 = 214.0;

fn project(past: &[PastSeason], season: &PastSeason, known: usize) -> Crossings {
    let projector = Projector::new(rule(), 213, past);
    projector.for_season(season.season).crossings(&after(season, known), TARGET, day(season.season, 7, 31))
}

#[test]
fn a_season_is_left_out_whole() {
    let mut past = world(1990..=2009);
    let this = past[7].clone();
    let with = project(&past, &this, 40);
    // As if it were not there at all …
    past.remove(7);
    let without = project(&past, &this, 40);
    assert_eq!(with, without);
    // … and whatever came later in it.
    let mut other = this.clone();
    other.days.iter_mut().skip(40).for_each(|day| *day = DayTemperatures { min_c: 25.0, max_c: 40.0 });
    past.push(other);
    assert_eq!(project(&past, &this, 40), with);
    assert_eq!(with.days_ahead.len(), 19 * 5);
}

#[test]
fn a_perfect_forecast_of_the_event_leaves_no_doubt() {
    let past = world(1990..=2009);
    let this = &past[3];
    let event = sums(this).iter().position(|sum| *sum >= TARGET).unwrap() + 1;
    for ahead in 1..=7 {
        let known = event - ahead;
        let projector = Projector::new(rule(), 213, &past);
        let now = Now { forecast: &this.days[known..known + 7], ..after(this, known) };
        let got = projector.for_season(this.season).crossings(&now, TARGET, day(this.season, 7, 31));
        assert!(got.days_ahead.iter().all(|days| *days == ahead as u32), "{ahead} ahead: {got:?}");
        assert_eq!(got.chance_within(ahead as u32), 1.0);
        assert_eq!(got.chance_within(ahead as u32 - 1), 0.0);
    }
}

#[test]
fn an_honest_forecast_leaves_a_spread_that_its_error_sets() {
    let past = world(1990..=2009);
    let this = &past[3];
    let projector = Projector::new(rule(), 213, &past);
    let projected = projector.for_season(this.season);
    let spread = |errors_c: &[f64], forecast: &[DayTemperatures]| {
        let now = Now { forecast, forecast_errors_c: errors_c, ..after(this, 160) };
        let days: Vec<f64> = projected
            .futures(&now, f64::INFINITY, day(this.season, 7, 31))
            .iter()
            .map(|future| future.degree_days.iter().take(5).sum())
            .collect();
        let mean = days.iter().sum::<f64>() / days.len() as f64;
        (days.iter().map(|value| (value - mean).powi(2)).sum::<f64>() / days.len() as f64).sqrt()
    };
    let forecast = &this.days[160..167];
    let (perfect, good, poor) = (spread(&[], forecast), spread(&[0.3], forecast), spread(&[0.6], forecast));
    assert!(perfect < 1e-9 && good > 0.1, "{perfect} {good}");
    // These days are nearly all above the lower threshold, so twice the error is twice the spread.
    assert!((poor / good - 2.0).abs() < 0.15, "{good} {poor}");
    // A forecast that says what is expected anyway, with an error as large as the weather's own spread, changes nothing.
    let expected: Vec<DayTemperatures> =
        projected.expected(&after(this, 160), 7).iter().map(|expected| expected.mean).collect();
    assert!((spread(&[99.0], &expected) - spread(&[], &[])).abs() < 1e-9);
}

#[test]
fn the_29th_of_february_is_there_in_leap_years_only() {
    // Every past season is the same but for its length, so each future follows the calendar and not the count of days.
    let like = |season: i32| {
        let first = day(season, 1, 1);
        let of_day = |date: NaiveDate| {
            let warm = if date.month() >= 3 { 20.0 } else { 4.0 };
            DayTemperatures { min_c: warm, max_c: warm }
        };
        let days = first.iter_days().take_while(|date| *date <= day(season, 7, 31)).map(of_day).collect();
        PastSeason { season, first, days }
    };
    let past: Vec<PastSeason> = (2001..=2020).map(like).collect();
    for season in [2021, 2024] {
        let projector = Projector::new(rule(), 213, &past);
        let now = Now { last_day: day(season, 2, 20), sum: 0.0, recent: &[], forecast: &[], forecast_errors_c: &[] };
        let futures = projector.for_season(season).futures(&now, f64::INFINITY, day(season, 7, 31));
        for future in futures.iter().step_by(5) {
            // Smoothing of the level blurs the jump, but the anomalies put it back to the day.
            let march = (day(season, 3, 1) - day(season, 2, 21)).num_days() as usize;
            let warm: Vec<bool> = future.degree_days.iter().map(|heat| *heat > 8.0).collect();
            let first_warm = warm.iter().position(|warm| *warm).unwrap();
            assert!(first_warm == march || (season == 2024 && first_warm == march - 1), "{season}: {first_warm}");
            assert_eq!(future.degree_days.len() as i64, (day(season, 7, 31) - day(season, 2, 20)).num_days());
        }
    }
}

#[test]
fn a_biofix_in_autumn_crosses_the_year() {
    let past: Vec<PastSeason> = (1990..2010)
        .map(|season| {
            let first = day(season - 1, 10, 1);
            let days = (0..366).map(|at| {
                let mean = 2.0 + 0.1 * f64::from((at - 110i32).abs()) + 0.2 * f64::from(season % 5);
                DayTemperatures { min_c: mean - 5.0, max_c: mean + 5.0 }
            });
            PastSeason { season, first, days: days.collect() }
        })
        .collect();
    let projector = Projector::new(rule(), 366, &past);
    assert_eq!(projector.seasons().len(), 20);
    let this = &past[4];
    let got = projector.for_season(this.season).crossings(&after(this, 150), 1200.0, day(this.season, 9, 30));
    let came = sums(this).iter().position(|sum| *sum >= 1200.0).unwrap() as i64 - 149;
    let median = i64::from(got.days_ahead[got.days_ahead.len() / 2]);
    assert!((median - came).abs() <= 5 && got.not_reached == 0, "{came} came, {median} projected");
}

#[test]
fn warming_is_taken_out_of_old_years() {
    let warming = |season: i32, rate: f64| {
        let mut year = invented(season);
        for of_day in &mut year.days {
            of_day.min_c += rate * f64::from(season - 1990);
            of_day.max_c += rate * f64::from(season - 1990);
        }
        year
    };
    // A tenth of a degree a year: by 2020 the mean of the past is 1.5 °C too cold.
    let median = |rate: f64| {
        let past: Vec<PastSeason> = (1960..2020).map(|season| warming(season, rate)).collect();
        let this = warming(2020, rate);
        let projector = Projector::new(rule(), 213, &past);
        let expected = projector.for_season(2020).expected(&Now { recent: &[], ..after(&this, 60) }, 60);
        let came = this.days[60..120].iter().map(|day| day.max_c).sum::<f64>();
        (came - expected.iter().map(|day| day.mean.max_c).sum::<f64>()) / 60.0
    };
    let (steady, warming) = (median(0.0), median(0.1));
    assert!((warming - steady).abs() < 0.8, "off by {steady} without and by {warming} with warming");
}

#[test]
fn todays_warmth_goes_on_for_a_while() {
    let past = world(1990..=2009);
    let projector = Projector::new(rule(), 213, &past);
    let projected = projector.for_season(2010);
    let mut this = invented(2010);
    let cold = projected.expected(&after(&this, 60), 20);
    for of_day in &mut this.days[57..60] {
        of_day.min_c += 6.0;
        of_day.max_c += 6.0;
    }
    let warm = projected.expected(&after(&this, 60), 20);
    let gain: Vec<f64> = warm.iter().zip(&cold).map(|(warm, cold)| warm.mean.max_c - cold.mean.max_c).collect();
    assert!(gain[0] > 3.0 && gain[0] < 6.0 && gain[4] < gain[0] && gain[19] < 0.5, "{gain:?}");
}

#[test]
fn futures_that_never_get_there_are_counted() {
    let past = world(1990..=2009);
    let this = invented(2010);
    let projector = Projector::new(rule(), 213, &past);
    let got = projector.for_season(2010).crossings(&after(&this, 40), 1e9, day(2010, 7, 31));
    assert_eq!((got.days_ahead.len(), got.not_reached), (0, 100));
    assert_eq!(got.chance_within(1000), 0.0);
    // Reached before: nothing to wait for.
    let got = projector.for_season(2010).crossings(&after(&this, 40), 0.0, day(2010, 7, 31));
    assert_eq!((got.days_ahead.len(), got.days_ahead[0], got.not_reached), (100, 0, 0));
    // A horizon cuts some off and keeps the count.
    let all = project(&past, &this, 40);
    let middle = all.days_ahead[50];
    let cut = day(2010, 1, 1) + Days::new(39) + Days::new(u64::from(middle));
    let got = projector.for_season(2010).crossings(&after(&this, 40), TARGET, cut);
    assert_eq!(got.days_ahead, all.days_ahead.iter().copied().filter(|days| *days <= middle).collect::<Vec<_>>());
    assert_eq!(got.days_ahead.len() + got.not_reached as usize, 100);
}

#[test]
fn a_record_without_whole_seasons_has_no_futures() {
    let mut past = world(2000..=2002);
    past[0].days.truncate(100);
    past[1].days[5].max_c = f64::NAN;
    let projector = Projector::new(rule(), 213, &past);
    assert_eq!(projector.seasons().collect::<Vec<_>>(), [2002]);
    let this = invented(2002);
    let got = projector.for_season(2002).crossings(&after(&this, 60), TARGET, day(2002, 7, 31));
    assert_eq!((got.days_ahead.len(), got.chance_within(99)), (0, 0.0));
    // One season is a witness of another year, five times by its neighbouring days.
    assert_eq!(projector.for_season(2003).crossings(&after(&this, 60), TARGET, day(2002, 7, 31)).days_ahead.len(), 5);
    assert_eq!(Projector::new(rule(), 213, &[]).seasons().len(), 0);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(40))]

    #[test]
    fn more_heat_never_makes_it_later(known in 20usize..100, more in 0.0..60.0f64, target in 50.0..500.0f64) {
        let past = world(1990..=2001);
        let this = invented(2002);
        let projector = Projector::new(rule(), 213, &past);
        let projected = projector.for_season(2002);
        let last_day = day(2002, 7, 31);
        let before = projected.crossings(&after(&this, known), target, last_day);
        let now = after(&this, known);
        let after_more = projected.crossings(&Now { sum: now.sum + more, ..now }, target, last_day);
        prop_assert!(after_more.not_reached <= before.not_reached);
        prop_assert!(before.days_ahead.iter().zip(&after_more.days_ahead).all(|(before, after)| after <= before));
        prop_assert!(before.days_ahead.is_sorted());
        let nearer = projected.crossings(&after(&this, known), target - 20.0, last_day);
        prop_assert!(before.days_ahead.iter().zip(&nearer.days_ahead).all(|(before, after)| after <= before));
    }

    #[test]
    fn a_warmer_forecast_never_makes_it_later(known in 40usize..100, warmer in 0.0..8.0f64) {
        let past = world(1990..=2001);
        let this = invented(2002);
        let projector = Projector::new(rule(), 213, &past);
        let projected = projector.for_season(2002);
        let forecast = &this.days[known..known + 5];
        let warm: Vec<DayTemperatures> = forecast
            .iter()
            .map(|day| DayTemperatures { min_c: day.min_c, max_c: day.max_c + warmer })
            .collect();
        // The sum of the forecast days alone: what comes after also hears of the last day's minimum against its maximum.
        let first_days = |forecast: &[DayTemperatures]| -> Vec<f64> {
            let now = Now { forecast, ..after(&this, known) };
            let futures = projected.futures(&now, f64::INFINITY, day(2002, 7, 31));
            futures.iter().map(|future| future.degree_days.iter().take(5).sum()).collect()
        };
        prop_assert!(first_days(forecast).iter().zip(first_days(&warm)).all(|(cool, warm)| warm >= cool - 1e-9));
    }

    #[test]
    fn strange_temperatures_make_no_panic(min_c in proptest::num::f64::ANY, max_c in proptest::num::f64::ANY, sum in proptest::num::f64::ANY) {
        let past = world(1998..=2001);
        let projector = Projector::new(rule(), 213, &past);
        let strange = [DayTemperatures { min_c, max_c }; 3];
        let now = Now { last_day: day(2002, 3, 1), sum, recent: &strange, forecast: &strange, forecast_errors_c: &[2.0] };
        let got = projector.for_season(2002).crossings(&now, TARGET, day(2002, 7, 31));
        prop_assert_eq!(got.days_ahead.len() + got.not_reached as usize, 20);
    }
}

#[test]
fn a_dressing_widens_every_date_and_keeps_the_future_ahead() {
    let dressing = Dressing(BTreeMap::from([(3, vec![-2.0, 0.0, 2.0]), (20, vec![-9.0, 9.0])]));
    let dressed = Crossings { days_ahead: vec![1, 18], not_reached: 1 }.dressed(&dressing);
    assert_eq!(dressed.not_reached, 9);
    assert_eq!(dressed.days_ahead.len(), 18);
    assert_eq!((dressed.days_ahead[0], dressed.days_ahead[8]), (1, 3));
    assert_eq!((dressed.days_ahead[9], dressed.days_ahead[17]), (9, 27));
    let plain = Crossings { days_ahead: vec![1, 18], not_reached: 1 };
    assert_eq!(plain.clone().dressed(&Dressing::default()), plain);
}

#[test]
fn a_forecast_is_moved_by_what_it_was_off_before() {
    let at = |min_c: f64, max_c: f64| DayTemperatures { min_c, max_c };
    assert_eq!(projection::forecast_bias(&[]), [0.0, 0.0]);
    let pairs = [(at(0.0, 10.0), at(2.0, 9.0)); 5];
    assert_eq!(projection::forecast_bias(&pairs), [1.0, -0.5]);
    let many = vec![pairs[0]; 95];
    assert_eq!(projection::forecast_bias(&many), [1.9, -0.95]);
}

#[test]
fn another_station_is_made_to_fit_a_young_one_and_says_by_what() {
    let other = world(1980..=2009);
    let colder = |season: &PastSeason, days: usize| {
        let mut own = season.clone();
        own.days.truncate(days);
        own.days.iter_mut().for_each(|day| *day = DayTemperatures { min_c: day.min_c - 3.0, max_c: day.max_c - 1.0 });
        own
    };
    // Two seasons of its own, the second still running.
    let own = [colder(&other[20], 212), colder(&other[21], 60)];
    let fit = StationFit::between(&own, &other, -2.0);
    assert_eq!(fit.by, BorrowedBy::CommonDays(272));
    let (lent, was) = (fit.fitted(&other[0]), &other[0]);
    assert_eq!((lent.season, lent.first, lent.days.len()), (was.season, was.first, was.days.len()));
    let (lent, was) = (lent.days[100], was.days[100]);
    assert!((lent.min_c - (was.min_c - 3.0)).abs() < 1e-9 && (lent.max_c - (was.max_c - 1.0)).abs() < 1e-9);
    // Nothing of its own: the elevation speaks.
    let fit = StationFit::between(&[], &other, -2.0);
    assert_eq!(fit.by, BorrowedBy::Elevation);
    assert!((fit.fitted(&other[0]).days[100].max_c - (was.max_c - 2.0)).abs() < 1e-9);
}

/// Stations of 20 and more seasons in the shared records, each with its projections at the leads that have a target.
const TARGET_LEADS: [u32; 6] = [28, 21, 14, 10, 7, 3];

#[test]
fn real_records_meet_the_targets() {
    let stations = real_stations("the projection's targets", &[]);
    let mut scores = Vec::new();
    let mut held_out = Vec::new();
    for (nth, (name, projector)) in stations.iter().enumerate() {
        let seasons: Vec<i32> = projector.seasons().collect();
        let verified =
            hindcast::hindcast(projector, &seasons, TARGET, &TARGET_LEADS, AssumedForecast::None, &Dressing::default());
        let of_station = hindcast::by_lead(&verified, &TARGET_LEADS);
        for score in &of_station {
            // A floor of our own for a single station.
            assert!(score.skill.unwrap() > 0.25, "{name}: {score:?}");
        }
        scores.push(of_station);
        // The constants were chosen on the odd years of stations 0, 2, 4 … in order of their ids.
        if nth % 2 == 1 {
            let even: Vec<Verified> = verified.into_iter().filter(|one| one.season % 2 == 0).collect();
            held_out.push(hindcast::by_lead(&even, &TARGET_LEADS));
        }
    }
    if stations.is_empty() {
        return;
    }
    assert_eq!(stations.len(), 14);
    let table = hindcast::mean_over_stations(&scores, &TARGET_LEADS);
    // Skill by days before: the aims that were set before the projection was built, of our own.
    let wanted = [(28, 0.44), (21, 0.53), (14, 0.62), (7, 0.77), (3, 0.89)];
    let of = |table: &[LeadScore], lead: u32| table.iter().find(|score| score.lead == lead).unwrap().clone();
    for (lead, wanted) in wanted {
        let score = of(&table, lead);
        assert!(score.skill.unwrap() >= wanted, "{score:?}");
    }
    // The 80 % interval is to hold the truth in 80 %, give or take 5: a margin of our own.
    for score in &table {
        assert!((0.75..=0.85).contains(&score.held), "{score:?}");
        assert!((0.75..=0.85).contains(&score.share_inside), "{score:?}");
    }
    // What it was not chosen on: no collapse, and still honest. (These stations are also the harder half.)
    let held_out = hindcast::mean_over_stations(&held_out, &TARGET_LEADS);
    for (lead, wanted) in wanted {
        let score = of(&held_out, lead);
        assert!(score.skill.unwrap() >= wanted - 0.05 && (0.75..=0.88).contains(&score.held), "{score:?}");
    }
}

#[test]
fn the_spread_needs_widening_only_where_it_lacks_and_then_it_verifies() {
    // A valley airport with a growing town about it is the only one of the fourteen whose spread falls short.
    for (id, lacks) in [("USW00023185", true), ("USC00292608", false)] {
        let Some((_, projector)) = real_stations("the dressing", &[id]).pop() else { return };
        let half = |odd: i32| projector.seasons().filter(|season| season % 2 == odd).collect::<Vec<i32>>();
        let hindcast = |seasons: &[i32], leads: &[u32], dressing: &Dressing| {
            hindcast::hindcast(&projector, seasons, TARGET, leads, AssumedForecast::None, dressing)
        };
        let dressing = hindcast::dressing(&hindcast(&half(1), &DRESSING_LEADS, &Dressing::default()));
        assert_eq!(!dressing.0.is_empty(), lacks, "{id}: {dressing:?}");
        if lacks {
            let mean = |dressing: &Dressing| {
                let verified = hindcast(&half(0), &[28, 21, 14], dressing);
                let n = verified.len() as f64;
                let held = verified.iter().map(|one| one.share_inside).sum::<f64>() / n;
                (held, verified.iter().map(|one| one.crps_days).sum::<f64>() / n)
            };
            let (plain, dressed) = (mean(&Dressing::default()), mean(&dressing));
            assert!((dressed.0 - 0.8).abs() < (plain.0 - 0.8).abs(), "{plain:?} {dressed:?}");
            assert!(dressed.1 < plain.1 * 1.01, "{plain:?} {dressed:?}");
        }
    }
}

#[test]
fn a_forecast_helps_and_a_perfect_one_helps_more() {
    // Several stations together: at a single one a noisy forecast can do harm by chance.
    let stations = real_stations("what a forecast adds", &["USC00290692", "USC00291664", "USC00295960", "USW00023170"]);
    if stations.is_empty() {
        return;
    }
    let score = |forecast| {
        let scores: Vec<_> = stations
            .iter()
            .map(|(_, projector)| {
                let seasons: Vec<i32> = projector.seasons().filter(|season| *season >= 1985).collect();
                let verified =
                    hindcast::hindcast(projector, &seasons, TARGET, &[14, 7], forecast, &Dressing::default());
                hindcast::by_lead(&verified, &[14, 7])
            })
            .collect();
        let mean = |at: usize, value: fn(&hindcast::LeadScore) -> f64| {
            scores.iter().map(|leads| value(&leads[at])).sum::<f64>() / scores.len() as f64
        };
        [0, 1].map(|at| (mean(at, |score| score.crps_days), mean(at, |score| score.share_inside)))
    };
    let (none, noisy, perfect) =
        (score(AssumedForecast::None), score(AssumedForecast::Noisy), score(AssumedForecast::Perfect));
    assert_eq!(noisy, score(AssumedForecast::Noisy));
    assert_eq!(perfect[1].0, 0.0);
    for at in [0, 1] {
        assert!(perfect[at].0 < noisy[at].0 && noisy[at].0 < none[at].0, "{perfect:?} {noisy:?} {none:?}");
    }
    assert!((0.7..=0.9).contains(&noisy[1].1), "{noisy:?}");
}

#[test]
fn notices_of_real_seasons_go_out_in_time() {
    // Against the day of our number, so without its doubt: with it "inspect now" goes out on the chance of laying.
    let (mut profile, policy) = (Profile::pinyon_needle_scale(), Policy::default());
    profile.stages.iter_mut().for_each(|stage| stage.spread = None);
    let target = heat_sum_of(&profile, &profile.window.opens).unwrap();
    assert_eq!(target, TARGET);
    let mut seasons = Vec::new();
    for (_, projector) in real_stations("the notices of real seasons", &["USC00291664", "USC00295150", "USW00023009"]) {
        for season in projector.seasons().filter(|season| season % 6 == 0) {
            let Some((_, opened)) = hindcast::event(&projector, season, target) else { continue };
            let (forecast, dressing) = (AssumedForecast::None, Dressing::default());
            seasons.extend(rehearse(&profile, &policy, &projector, season, opened, forecast, &dressing));
        }
    }
    if seasons.is_empty() {
        return;
    }
    let scores = score(&seasons);
    assert!(scores.seasons > 30 && scores.get_ready_in_time >= 0.85, "{scores:?}");
    assert_eq!((scores.get_ready_missed, scores.inspect_now_missed), (0.0, 0.0), "{scores:?}");
    // It goes out on a chance of 40 %, so now and then two days before the full record has it.
    assert!(scores.inspect_now_in_time >= 0.9 && scores.inspect_now_late == 0.0, "{scores:?}");
    assert_eq!(scores.wash_now_missed, 0.0, "{scores:?}");
    assert!(scores.wash_now_in_time >= 0.9, "{scores:?}");
}

#[test]
fn notices_are_scored_by_their_days() {
    let look_from = day(2020, 3, 20);
    let season = |get_ready: Option<i64>, inspect_now: Option<i64>, wash_now: Option<i64>| {
        let moved = |days: i64| look_from + chrono::Duration::days(days);
        Rehearsal {
            season: 2020,
            look_from,
            best_from: wash_now.map(|_| moved(20)),
            get_ready: get_ready.map(moved),
            inspect_now: inspect_now.map(moved),
            wash_now: wash_now.filter(|days| *days < 99).map(moved),
            wash_by: None,
        }
    };
    let scores = score(&[
        season(Some(-18), Some(1), Some(23)),
        season(Some(-9), Some(0), Some(16)),
        season(Some(-29), Some(-2), Some(24)),
        season(None, Some(9), Some(99)),
        season(Some(0), None, None),
    ]);
    assert_eq!((scores.wash_now_in_time, scores.wash_now_early), (0.25, 0.25), "of the seasons that have best days");
    assert_eq!((scores.wash_now_late, scores.wash_now_missed), (0.25, 0.25));
    assert_eq!(scores.wash_now_days_after.map(|days| (days.least, days.greatest)), Some((-4, 4)));
    assert_eq!((scores.get_ready_in_time, scores.get_ready_short), (0.2, 0.2));
    assert_eq!((scores.get_ready_long, scores.get_ready_missed), (0.2, 0.4));
    assert_eq!((scores.inspect_now_in_time, scores.inspect_now_early), (0.4, 0.2));
    assert_eq!((scores.inspect_now_late, scores.inspect_now_missed), (0.2, 0.2));
    let days = scores.get_ready_days_ahead.unwrap();
    assert_eq!((days.least, days.median, days.greatest), (9, 18, 29));
    assert_eq!(score(&[]).get_ready_days_ahead, None);
}

/// A store with one invented station of so many seasons, and settings that name it.
pub(crate) async fn invented_store(folder: &Path, years: std::ops::RangeInclusive<i32>) -> std::path::PathBuf {
    let file = folder.join("verify.sqlite");
    let store = open_store(&format!("sqlite:{}", file.display())).await.unwrap();
    let station = Station {
        id: StationId::from("INVENTED-1"),
        name: "Invented Valley".into(),
        place: treebell::geo::Point { latitude: 35.0, longitude: -135.0 },
        elevation_m: 1700.0,
        time_zone: chrono_tz::America::Denver,
        observation_hour: None,
        sources: vec![SourceRef { feed: FeedKind::PlainCsv, id: "invented".into() }],
    };
    store.add_station(&station).await.unwrap();
    let received_at = day(2022, 1, 1).and_hms_opt(0, 0, 0).unwrap().and_utc();
    let versions: Vec<Version> = years
        .map(|year| invented_to(day(year, 12, 31)))
        .flat_map(|season| season.first.iter_days().zip(season.days))
        .flat_map(|(day, of_day)| [(Element::Max, of_day.max_c), (Element::Min, of_day.min_c)].map(|of| (day, of)))
        .map(|(day, (element, celsius))| Version {
            day,
            element,
            value: TenthsC::from_c(celsius),
            feed: FeedKind::PlainCsv,
            day_reported: day,
            sampled: false,
            rejected: None,
            received_at,
            bulk: true,
        })
        .collect();
    store.add_versions(&station.id, &versions).await.unwrap();
    store.close().await;
    let settings = folder.join("treebell.toml");
    std::fs::write(&settings, format!("[store]\naddress = \"sqlite:{}\"\n", file.display())).unwrap();
    settings
}

fn verify(settings: &Path, options: &str) -> assert_cmd::assert::Assert {
    let mut command = assert_cmd::Command::cargo_bin("treebell").unwrap();
    command.arg("--config").arg(settings).arg("verify").args(options.split_whitespace()).assert()
}

#[tokio::test]
async fn the_command_verifies_the_record_in_the_store() {
    let folder = tempfile::tempdir().unwrap();
    let settings = invented_store(folder.path(), 2001..=2012).await;
    let output = verify(&settings, "--json --forecast perfect").success().get_output().stdout.clone();
    let document: serde_json::Value = serde_json::from_slice(&output).unwrap();
    assert_eq!((&document["heat_sum_c_days"], &document["forecast"]), (&214.0.into(), &"perfect".into()));
    let station = &document["stations"][0];
    assert_eq!((&station["station"], &station["seasons"]), (&"INVENTED-1".into(), &12.into()));
    let leads = station["leads"].as_array().unwrap();
    let at = |lead: u32| leads.iter().find(|score| score["lead"] == lead).unwrap();
    // A perfect forecast of seven days knows what comes within seven days, and more of what comes after.
    assert_eq!((&at(7)["crps_days"], &at(3)["held"]), (&0.0.into(), &1.0.into()));
    assert!(at(10)["crps_days"].as_f64() < at(42)["crps_days"].as_f64());
    assert_eq!(station["notices"]["inspect_now_missed"], 0.0);
    assert_eq!((&document["eggs_seen"]["sightings"], &document["eggs_seen"]["needed"]), (&0.into(), &5.into()));
    verify(&settings, "--station INVENTED-1").success().stdout(
        contains("INVENTED-1 Invented Valley")
            .and(contains("80 % held"))
            .and(contains("No weather forecast."))
            .and(contains("our heat number of"))
            .and(contains("not when eggs were seen"))
            .and(contains("eggs seen: 0 first sightings"))
            .and(contains("wash now, days after"))
            // Before: the two notices in one table.
            .and(predicate::function(|out: &str| out.lines().all(|line| line.chars().count() <= 100))),
    );
}

#[tokio::test]
async fn the_command_says_why_nothing_can_be_verified() {
    let folder = tempfile::tempdir().unwrap();
    let settings = invented_store(folder.path(), 2001..=2003).await;
    verify(&settings, "").code(2).stderr(contains("station `INVENTED-1` has 3 whole past seasons, at least 10"));
    verify(&settings, "--station INVENTED-2").code(2).stderr(contains("`INVENTED-2` is unknown"));
    verify(&settings, "--profile beetle").code(2).stderr(contains("profile `beetle` is unknown; there is pinyon-"));
    verify(&settings, "--forecast sunny").code(2).stderr(contains("noisy"));
}

/// By id, in order, all or `only` these; empty, having said so, without the shared records.
fn real_stations(check: &str, only: &[&str]) -> Vec<(String, Projector)> {
    let Some(folder) = support::shared(check, "data/ghcn-daily") else { return Vec::new() };
    let files = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path());
    let mut files: Vec<_> = files.filter(|path| path.to_string_lossy().ends_with(".dly.gz")).collect();
    files.sort();
    files
        .iter()
        .map(|path| (path.file_name().unwrap().to_string_lossy()[..11].to_owned(), path))
        .filter(|(id, _)| only.is_empty() || only.contains(&id.as_str()))
        .map(|(id, path)| (id, Projector::new(rule(), 213, &january_to_july(path))))
        .filter(|(_, projector)| projector.seasons().len() >= 20)
        .collect()
}

/// Seasons 1 January to 31 July of a GHCN-Daily station file: values with a quality flag left out, gaps of up to 10 days
/// drawn over, seasons with longer ones left out.
pub(crate) fn january_to_july(path: &Path) -> Vec<PastSeason> {
    let mut text = String::new();
    flate2::read::GzDecoder::new(std::fs::File::open(path).unwrap()).read_to_string(&mut text).unwrap();
    let mut values: BTreeMap<NaiveDate, [Option<f64>; 2]> = Default::default();
    for line in text.lines() {
        let element = match &line[17..21] {
            "TMIN" => 0,
            "TMAX" => 1,
            _ => continue,
        };
        let (year, month) = (line[11..15].parse().unwrap(), line[15..17].parse().unwrap());
        for day in 0..31 {
            let field = &line[21 + 8 * day..29 + 8 * day];
            let value: i32 = field[..5].trim().parse().unwrap();
            if let (true, " ", Some(date)) =
                (value != -9999, &field[6..7], NaiveDate::from_ymd_opt(year, month, day as u32 + 1))
            {
                values.entry(date).or_default()[element] = Some(f64::from(value) / 10.0);
            }
        }
    }
    let years: BTreeSet<i32> = values.keys().map(|day| day.year()).collect();
    years.into_iter().filter_map(|year| season(year, &values)).collect()
}

fn season(year: i32, values: &BTreeMap<NaiveDate, [Option<f64>; 2]>) -> Option<PastSeason> {
    let first = NaiveDate::from_ymd_opt(year, 1, 1).unwrap();
    let last = NaiveDate::from_ymd_opt(year, 7, 31).unwrap();
    let known: Vec<(i64, DayTemperatures)> = first
        .iter_days()
        .take_while(|day| *day <= last)
        .filter_map(|day| match values.get(&day) {
            Some([Some(min_c), Some(max_c)]) if max_c >= min_c => {
                Some(((day - first).num_days(), DayTemperatures { min_c: *min_c, max_c: *max_c }))
            }
            _ => None,
        })
        .collect();
    let end = (last - first).num_days();
    let edges = known.first()?.0 <= 10 && end - known.last()?.0 <= 10;
    if !edges || known.windows(2).any(|pair| pair[1].0 - pair[0].0 > 11) {
        return None;
    }
    let days = (0..=end)
        .map(|at| {
            let next = known.partition_point(|(day, _)| *day < at);
            let after = known[next.min(known.len() - 1)];
            let before = known[next.saturating_sub(1)];
            if after.0 <= at || before.0 >= at {
                return if after.0 == at || before.0 > at { after.1 } else { known[known.len() - 1].1 };
            }
            let share = (at - before.0) as f64 / (after.0 - before.0) as f64;
            let between = |a: f64, b: f64| a + share * (b - a);
            DayTemperatures {
                min_c: between(before.1.min_c, after.1.min_c),
                max_c: between(before.1.max_c, after.1.max_c),
            }
        })
        .collect();
    Some(PastSeason { season: year, first, days })
}
