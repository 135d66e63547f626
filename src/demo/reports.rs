//! What people of the invented state see at their trees: the staff of every other region look every few days, and in each
//! region an owner writes what is there. Nobody sees more than a look at a tree shows.

use chrono::{DateTime, Days, NaiveDate, NaiveTime, Utc};
use chrono_tz::Tz;

use super::dice::{self, Dice};
use super::truth::RegionTruth;
use crate::season::Profile;
use crate::season::learning::Detection;
use crate::store::field_reports::{Judgement, NewFieldReport, ReportSource, Seen};
use crate::store::{Store, StoreError};
use crate::timetable::place;

/// A report, when it was written, and when staff stood behind it.
#[derive(Clone, Debug, PartialEq)]
pub struct DemoReport {
    pub report: NewFieldReport,
    pub written_at: DateTime<Utc>,
    /// `None`: nobody did.
    pub confirmed_at: Option<DateTime<Utc>>,
}

/// Staff look so often, from so many days before the first egg.
const LOOK_EVERY_DAYS: usize = 6;
const LOOK_BEFORE_DAYS: u64 = 16;
/// They go on until they have seen the crawlers, at most so long.
const LOOK_FOR_DAYS: usize = 90;

/// °C·day before the first egg at which females walk, and before the first hatch at which eyespots show (invented).
const FEMALES_BEFORE: f64 = 20.0;
const EYESPOTS_BEFORE: f64 = 70.0;

/// All reports of the season, in the order of their writing.
pub fn make(truths: &[RegionTruth], profile: &Profile, zone: Tz, season: i32, seed: u64) -> Vec<DemoReport> {
    let mut dice = Dice::new(seed, dice::SIGHTINGS + u64::from(season.unsigned_abs()));
    let chance = Detection::default();
    let mut made = Vec::new();
    for (at, truth) in truths.iter().enumerate() {
        let Some(laid) = truth.day_of(truth.laying) else { continue };
        let from = laid.checked_sub_days(Days::new(LOOK_BEFORE_DAYS)).unwrap_or(laid).max(truth.first);
        if at % 2 == 0 {
            let mut nothing_on = None;
            for day in from.iter_days().step_by(LOOK_EVERY_DAYS).take(LOOK_FOR_DAYS / LOOK_EVERY_DAYS) {
                let sight = sight(truth, day, dice.happens(chance.staff));
                let report = report(truth, profile, day, sight, ReportSource::Staff, "tree by the office", nothing_on);
                if matches!(sight, "nothing" | "females") {
                    nothing_on = Some(day);
                }
                let Some(report) = report else { continue };
                made.push(written(report, zone, Some(1)));
                if sight == "crawlers" {
                    break;
                }
            }
        }
        // Days after the first egg: one that staff come to confirm, and one that nobody gets to.
        for (later, confirmed_after) in [(dice.below(12), Some(2)), (dice.below(20), None)] {
            let day = laid.checked_add_days(Days::new(u64::from(later))).unwrap_or(laid);
            let sight = sight(truth, day, dice.happens(chance.owner));
            let tree = if confirmed_after.is_some() { "pinyon at the gate" } else { "pinyon behind the house" };
            let Some(report) = report(truth, profile, day, sight, ReportSource::Subscriber, tree, None) else {
                continue;
            };
            made.push(written(report, zone, confirmed_after));
        }
    }
    made.sort_by(|a, b| (a.written_at, &a.report.region).cmp(&(b.written_at, &b.report.region)));
    made
}

/// What a look on a day shows, if it misses nothing that is there.
pub(super) fn sight(truth: &RegionTruth, day: NaiveDate, finds: bool) -> &'static str {
    let heat = truth.heat(day);
    match () {
        () if heat >= truth.hatch && finds => "crawlers",
        () if heat >= truth.laying && finds && heat >= truth.hatch - EYESPOTS_BEFORE => "eyespots",
        () if heat >= truth.laying && finds => "eggs",
        () if heat >= truth.laying - FEMALES_BEFORE && finds => "females",
        () => "nothing",
    }
}

fn report(
    truth: &RegionTruth,
    profile: &Profile,
    day: NaiveDate,
    sight: &str,
    source: ReportSource,
    tree: &str,
    nothing_on: Option<NaiveDate>,
) -> Option<NewFieldReport> {
    Some(NewFieldReport {
        region: truth.region.clone(),
        zip: None,
        observed_on: day,
        tree: Some(tree.to_owned()),
        // The trees of the demo have the insect.
        seen: Seen::at(profile.sight(sight)?, Some(true)),
        nothing_on: nothing_on.filter(|_| sight == "eggs"),
        confirmed: false,
        source,
        person: None,
        note: Some("invented for the demo".to_owned()),
    })
}

/// Written in the evening of the day, confirmed so many mornings after.
fn written(report: NewFieldReport, zone: Tz, confirmed_after: Option<u64>) -> DemoReport {
    let at =
        |day: NaiveDate, hour: u32| place(day.and_time(NaiveTime::from_hms_opt(hour, 0, 0).unwrap_or_default()), zone);
    let day = report.observed_on;
    let confirmed = confirmed_after.and_then(|days| day.checked_add_days(Days::new(days)));
    DemoReport { written_at: at(day, 18), confirmed_at: confirmed.map(|day| at(day, 5)), report }
}

/// Puts the reports into a store, each with the time at which it came and the time at which staff stood behind it.
///
/// # Errors
/// When the store fails.
pub async fn put(store: &Store, reports: &[DemoReport]) -> Result<(), StoreError> {
    for DemoReport { report, written_at, confirmed_at } in reports {
        let id = store.add_field_report(report, *written_at).await?;
        if let Some(at) = confirmed_at {
            store.judge_field_reports(&[id], Judgement::Confirmed, None, Some("invented for the demo"), *at).await?;
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::demo::state::State;
    use crate::demo::{truth, weather};

    #[test]
    fn people_see_no_eggs_before_they_are_laid_and_staff_see_them_soon_after() {
        let state = State::built_in().unwrap();
        let profile = Profile::pinyon_needle_scale();
        let truths = truth::draw(&state, &weather::make(&state, 3), &profile, 2025, 3);
        let reports = make(&truths, &profile, state.time_zone, 2025, 3);
        assert_eq!(reports, make(&truths, &profile, state.time_zone, 2025, 3));
        let mut seen = 0;
        for of in &truths {
            let eggs = reports.iter().filter(|one| one.report.region == of.region && one.report.seen.stage.is_some());
            for one in eggs {
                assert!(of.heat(one.report.observed_on) >= of.laying, "{one:?}");
                assert!(one.confirmed_at.is_none_or(|at| at > one.written_at));
                seen += 1;
            }
        }
        assert!(seen > truths.len(), "{seen} sightings");
        assert!(reports.iter().any(|one| one.confirmed_at.is_none()));
    }
}
