//! What outlooks had said of egg laying, against the days on which people saw eggs.
//!
//! [`verify`](super::verify) scores our heat number on past temperatures. Here only confirmed sightings count, and only what
//! was kept of what was said before them.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use serde::Serialize;

use crate::region::RegionId;
use crate::season::{DateSpread, FieldReport, Outlook, Profile, days_between};

/// Fewer sightings say nothing of how often a range held them.
pub const SIGHTINGS_NEEDED: usize = 5;

/// Days before a sighting whose outlooks are looked at.
pub const SAID_BEFORE_DAYS: [u32; 3] = [7, 14, 28];

/// The first confirmed sighting of the stage that opens the window, in one region and season.
#[derive(Clone, Debug, PartialEq)]
pub struct Sighting {
    pub region: RegionId,
    pub season: i32,
    pub seen_on: NaiveDate,
}

/// What an outlook said so many days before a sighting.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SaidBefore {
    pub lead_days: u32,
    pub spread: DateSpread,
}

/// How what was said so many days before fits with what was seen.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct SightingScore {
    pub lead_days: u32,
    /// Sightings of which something was said so long before.
    pub sightings: u32,
    /// Share (0-1) of them inside the 80 % range that was said.
    pub held: f64,
    /// Mean of the likely date minus the day of the sighting, days: above 0 later than eggs were seen. `None` where no likely
    /// date was said.
    pub bias_days: Option<f64>,
}

/// All sightings together.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct SightingScores {
    /// Sightings of which anything was said before.
    pub sightings: u32,
    pub needed: u32,
    /// By lead; empty with fewer sightings than needed.
    pub leads: Vec<SightingScore>,
}

/// The first confirmed sighting of each region and season, in their order.
pub fn first_sightings(profile: &Profile, reports: &[FieldReport]) -> Vec<Sighting> {
    let mut first: BTreeMap<(&RegionId, i32), NaiveDate> = BTreeMap::new();
    for report in reports {
        if report.confirmed && report.stage.as_ref() == Some(&profile.window.opens) {
            let day = first.entry((&report.region, profile.season_of(report.observed_on))).or_insert(NaiveDate::MAX);
            *day = report.observed_on.min(*day);
        }
    }
    let sighting = |((region, season), seen_on): ((&RegionId, i32), NaiveDate)| Sighting {
        region: region.clone(),
        season,
        seen_on,
    };
    first.into_iter().map(sighting).collect()
}

/// What an outlook made so many days before a sighting said of it; `None` when it spoke of another season, of no date, or of
/// something that had been seen already.
pub fn said_before(profile: &Profile, sighting: &Sighting, outlook: &Outlook) -> Option<SaidBefore> {
    let stage = outlook.stage(&profile.window.opens)?;
    let of_it = outlook.season.year == sighting.season && outlook.season.region == sighting.region && !stage.seen();
    let lead_days = u32::try_from(days_between(outlook.today, sighting.seen_on)).ok()?;
    let spread = stage.spread;
    (of_it && (spread.early.is_some() || spread.median.is_some())).then_some(SaidBefore { lead_days, spread })
}

/// Sightings with what was said before each.
pub fn score(sightings: &[(Sighting, Vec<SaidBefore>)]) -> SightingScores {
    let told = sightings.iter().filter(|(_, said)| !said.is_empty()).count();
    let leads = if told < SIGHTINGS_NEEDED {
        Vec::new()
    } else {
        SAID_BEFORE_DAYS.iter().map(|lead_days| score_lead(sightings, *lead_days)).collect()
    };
    SightingScores { sightings: told as u32, needed: SIGHTINGS_NEEDED as u32, leads }
}

fn score_lead(sightings: &[(Sighting, Vec<SaidBefore>)], lead_days: u32) -> SightingScore {
    let said: Vec<(NaiveDate, DateSpread)> = sightings
        .iter()
        .flat_map(|(sighting, said)| said.iter().map(|said| (sighting.seen_on, said)))
        .filter(|(_, said)| said.lead_days == lead_days)
        .map(|(seen_on, said)| (seen_on, said.spread))
        .collect();
    let held = said.iter().filter(|(seen_on, spread)| holds(*spread, *seen_on)).count();
    let off: Vec<i64> =
        said.iter().filter_map(|(seen_on, spread)| Some(days_between(*seen_on, spread.median?))).collect();
    SightingScore {
        lead_days,
        sightings: said.len() as u32,
        held: held as f64 / said.len().max(1) as f64,
        bias_days: (!off.is_empty()).then(|| off.iter().sum::<i64>() as f64 / off.len() as f64),
    }
}

/// A bound that was not said is open.
fn holds(spread: DateSpread, day: NaiveDate) -> bool {
    spread.early.is_none_or(|early| early <= day) && spread.late.is_none_or(|late| day <= late)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::season::{Observer, StageId};

    fn day(month: u32, day: u32) -> NaiveDate {
        NaiveDate::from_ymd_opt(2026, month, day).unwrap()
    }

    fn report(region: &str, on: NaiveDate, stage: Option<&str>, confirmed: bool) -> FieldReport {
        FieldReport {
            id: format!("{region}-{on}"),
            region: region.into(),
            observed_on: on,
            stage: stage.map(StageId::from),
            not_yet: None,
            infested: Some(true),
            tree: None,
            observer: Observer::Staff,
            person: None,
            nothing_on: None,
            confirmed,
        }
    }

    #[test]
    fn only_the_first_confirmed_sighting_of_a_region_and_season_counts() {
        let profile = Profile::pinyon_needle_scale();
        let opens = profile.window.opens.0.as_str();
        let reports = [
            report("mesa", day(3, 20), Some(opens), true),
            report("mesa", day(3, 12), Some(opens), true),
            report("mesa", day(3, 2), Some(opens), false),
            report("mesa", day(3, 4), None, true),
            report("mesa", day(3, 5), Some(profile.window.closes.0.as_str()), true),
            report("flat", day(4, 2), Some(opens), true),
        ];
        let seen = |region: &str, seen_on| Sighting { region: region.into(), season: 2026, seen_on };
        assert_eq!(first_sightings(&profile, &reports), [seen("flat", day(4, 2)), seen("mesa", day(3, 12))]);
    }

    #[test]
    fn sightings_are_scored_by_what_was_said_before_once_there_are_enough() {
        let said = |lead_days, early, median, late| SaidBefore {
            lead_days,
            spread: DateSpread { early: Some(early), median: Some(median), late },
        };
        let one = |seen_on, said| (Sighting { region: "mesa".into(), season: 2026, seen_on }, said);
        let mut seen = vec![
            one(day(3, 12), vec![said(7, day(3, 10), day(3, 14), Some(day(3, 20)))]),
            one(day(3, 12), vec![said(7, day(3, 13), day(3, 16), Some(day(3, 20)))]),
            one(day(3, 12), vec![said(7, day(3, 1), day(3, 8), Some(day(3, 11)))]),
            one(day(3, 12), vec![said(7, day(3, 12), day(3, 12), None), said(28, day(2, 20), day(3, 10), None)]),
            one(day(3, 12), Vec::new()),
        ];
        assert_eq!(score(&seen), SightingScores { sightings: 4, needed: 5, leads: Vec::new() });
        seen.push(one(day(3, 12), vec![said(14, day(3, 1), day(3, 10), Some(day(3, 30)))]));
        let scores = score(&seen);
        let by_lead: Vec<_> =
            scores.leads.iter().map(|lead| (lead.lead_days, lead.sightings, lead.held, lead.bias_days)).collect();
        assert_eq!(scores.sightings, 5);
        // Likely dates 2 and 4 days late, 4 early and on the day.
        assert_eq!(by_lead, [(7, 4, 0.5, Some(0.5)), (14, 1, 1.0, Some(-2.0)), (28, 1, 1.0, Some(-2.0))]);
    }
}
