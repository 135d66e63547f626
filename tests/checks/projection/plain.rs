//! The fast ways of projecting and scoring against plain ones that take every day of every future on its own.

use treebell::heat::hindcast::Verified;
use treebell::heat::projection::{SeasonProjector, Traces};
use treebell::heat::scores::points;

use super::*;

/// Days until `sum` and the degree-days after it reach `target`; 0 when it is there, `None` when they end before.
fn days_to(sum: f64, target: f64, degree_days: &[f64]) -> Option<u32> {
    if sum >= target - 1e-9 {
        return Some(0);
    }
    let mut sum = sum;
    let at = degree_days.iter().position(|of_day| {
        sum += of_day;
        sum >= target - 1e-9
    })?;
    Some(at as u32 + 1)
}

/// What one projection of a left-out season comes to, by the degree-days of each future.
fn plain_hindcast(past: &[PastSeason], season: i32, target: f64, lead: usize) -> Option<(Vec<f64>, Vec<u32>, u32)> {
    let this = past.iter().find(|past| past.season == season)?;
    let others: Vec<PastSeason> = past.iter().filter(|past| past.season != season).cloned().collect();
    let event = sums(this).iter().position(|sum| *sum >= target - 1e-9)?;
    let known = (event + 1).checked_sub(lead)?;
    let (now, last) = (after(this, known), this.first + Days::new(this.days.len() as u64 - 1));
    let futures = Projector::new(rule(), 213, &others).for_season(season).futures(&now, f64::INFINITY, last);
    let days = futures.iter().map(|future| days_to(now.sum, target, &future.degree_days));
    let mut reached: Vec<u32> = days.flatten().collect();
    reached.sort_unstable();
    let not_reached = (futures.len() - reached.len()) as u32;
    let horizon = (last - now.last_day).num_days() as f64 + 1.0;
    let members = reached.iter().map(|days| f64::from(*days));
    let members = members.chain(std::iter::repeat_n(horizon, not_reached as usize)).collect();
    Some((members, reached, not_reached))
}

/// What is made for one season alone is what all are made for, to the last bit.
#[test]
fn the_futures_of_one_season_are_those_it_has_among_all() {
    for (years, season) in
        [(1990..=2009, 2010), (1940..=2009, 2025), (1990..=2009, 2000), (1990..=1991, 1992), (1990..=1990, 1990)]
    {
        let past = world(years);
        let alone = SeasonProjector::new(rule(), 213, &past, season);
        let among = Projector::new(rule(), 213, &past).for_season(season);
        assert_eq!(format!("{alone:?}"), format!("{among:?}"), "{season}");
    }
    let none = SeasonProjector::new(rule(), 213, &[], 2000);
    assert_eq!(format!("{none:?}"), format!("{:?}", Projector::new(rule(), 213, &[]).for_season(2000)));
}

#[test]
fn a_hindcast_is_what_every_future_says_day_by_day() {
    // With five, three and one future a season.
    for (years, target) in [(1990..=2009, TARGET), (1970..=2009, 700.0), (1940..=2009, 1e4)] {
        let past = world(years);
        let projector = Projector::new(rule(), 213, &past);
        let seasons: Vec<i32> = past.iter().map(|past| past.season).step_by(7).collect();
        let got =
            hindcast::hindcast(&projector, &seasons, target, &[58, 14, 3], AssumedForecast::None, &Dressing::default());
        let mut got = got.iter();
        for season in seasons {
            for lead in [58, 14, 3] {
                let Some((members, reached, not_reached)) = plain_hindcast(&past, season, target, lead) else {
                    continue;
                };
                let Verified { early, median, late, crps_days, mean, not_reached: never, .. } = got.next().unwrap();
                let wanted = points(&reached, not_reached);
                assert_eq!((*early, *median, *late), (wanted.early, wanted.median, wanted.late), "{season} {lead}");
                assert_eq!(*never, not_reached);
                assert!((crps_days - crps(&members, lead as f64).unwrap()).abs() < 1e-9);
                assert!((mean - members.iter().sum::<f64>() / members.len() as f64).abs() < 1e-9);
            }
        }
        assert!(got.next().is_none());
    }
}

#[test]
fn traces_are_the_running_sums_of_the_futures() {
    let (past, enough) = (world(1975..=2009), 900.0);
    let this = &past[30];
    let double = HeatRule::new(Method::DoubleSine, 4.0, Some(30.0), Cutoff::Vertical).unwrap();
    for rule in [rule(), double] {
        for forecast in [&this.days[..0], &this.days[90..97]] {
            let projected = Projector::new(rule, 213, &past).for_season(this.season);
            let now = Now { forecast, forecast_errors_c: &[2.0], ..after(this, 90) };
            let last = day(this.season, 7, 31);
            let (futures, traces) = (projected.futures(&now, enough, last), projected.traces(&now, enough, last));
            assert_eq!(traces.seasons().len(), futures.len());
            // Futures of a season stand side by side, traces shift by shift.
            let mut taken = vec![0; traces.seasons().len()];
            for future in &futures {
                let lane = (0..taken.len()).find(|lane| taken[*lane] == 0 && traces.seasons()[*lane] == future.season);
                let lane = lane.unwrap();
                taken[lane] = 1;
                assert_eq!(traces.lengths()[lane] as usize, future.degree_days.len());
                let mut sum = now.sum;
                for at in 0..traces.days() {
                    sum += future.degree_days.get(at).copied().unwrap_or(0.0);
                    assert!((traces.on(at)[lane] - sum).abs() < 1e-9, "{} {at}", future.season);
                }
            }
        }
    }
}

#[test]
fn traces_go_on_from_any_day_and_without_any_season() {
    let traces = Traces::of([(2000, [1.0, 2.0, 3.0].as_slice()), (2001, [10.0, f64::NAN].as_slice())]);
    assert_eq!((traces.days(), traces.on(2), traces.on(3)), (3, [6.0, 10.0].as_slice(), [].as_slice()));
    let later = traces.going_on(1, 100.0);
    assert_eq!((later.on(0), later.on(1), later.days()), ([102.0, 100.0].as_slice(), [105.0, 100.0].as_slice(), 2));
    assert_eq!(later.lengths(), [2, 1]);
    assert_eq!(traces.without(2000).on(0), [10.0]);
    for far in [9, usize::MAX] {
        assert_eq!(traces.going_on(far, 5.0).days(), 0);
    }
}

#[test]
fn a_hair_below_the_sum_is_at_it() {
    // A tenth a day, which no binary number is: three of them make three tenths.
    let rule = HeatRule::new(Method::Average, 4.0, None, Cutoff::None).unwrap();
    let past: Vec<PastSeason> = (2000..2003)
        .map(|season| {
            let mut past = invented(season);
            past.days.iter_mut().for_each(|day| *day = DayTemperatures { min_c: 3.1, max_c: 5.1 });
            past
        })
        .collect();
    let projector = Projector::new(rule, 213, &past);
    let now = Now { last_day: day(2002, 12, 31), sum: 0.0, recent: &[], forecast: &[], forecast_errors_c: &[] };
    let got = projector.for_season(2003).crossings(&now, 0.3, day(2003, 7, 31));
    assert!(!got.days_ahead.is_empty() && got.days_ahead.iter().all(|days| *days == 3), "{got:?}");
    assert_eq!(hindcast::event(&projector, 2001, 0.3).map(|(at, _)| at), Some(2));
}
