//! How good projections have been at a station: what widens the intervals of the outlook, and what stands beside them.
//!
//! `verify` and the outlook share this file, so that the intervals people see are made as the ones that were scored: a
//! season's spread is widened by what the projections of *all other* judged seasons lacked. To a season that is under way
//! all past ones are other seasons.

use std::borrow::Cow;
use std::collections::{BTreeMap, BTreeSet};

use chrono::NaiveDate;
use sha2::{Digest, Sha256};

use crate::heat::hindcast::{self, Asked, AssumedForecast, DRESSING_LEADS, LEADS, Projections, Verified};
use crate::heat::projection::{Dressing, PastSeason, Projector};
use crate::season::outlook::{ForecastSkill, StageSkill, heat_sum_of};
use crate::season::profile::Need;
use crate::season::{PastScore, Profile, StageId};

/// Fewer judged seasons than this say nothing of how good a projection is.
pub const SEASONS_NEEDED: usize = 10;

/// Days before an event at which the skill that stands beside an outlook is kept: those of `verify` and two farther ones.
pub const SKILL_LEADS: [u32; 9] = {
    let [a, b, c, d, e, f, g] = LEADS;
    [70, 56, a, b, c, d, e, f, g]
};

/// The past seasons that can be judged: whole to the profile's last heat without the calendar's mean, which says nothing
/// of what a year's weather did, and in which the window opened.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Judged {
    /// Season and the day on which the window opened.
    pub openings: Vec<(i32, NaiveDate)>,
    /// Seasons as whole in which it never did.
    pub never_opened: u32,
}

impl Judged {
    /// `target`: °C·day that open the window; `made_up`: days filled with the calendar's mean.
    pub fn of(profile: &Profile, projector: &Projector, target: f64, made_up: &BTreeSet<NaiveDate>) -> Self {
        let last_heat = heat_stages(profile).map(|(_, sum)| sum).fold(target, f64::max);
        let mut judged = Self::default();
        for season in projector.seasons() {
            let (first, last) = (profile.first_day(season), profile.last_day(season));
            let judged_to = hindcast::event(projector, season, last_heat).map_or(last, |(_, day)| day);
            match hindcast::event(projector, season, target) {
                _ if made_up.range(first..=judged_to).next().is_some() => {}
                Some((_, day)) => judged.openings.push((season, day)),
                None => judged.never_opened += 1,
            }
        }
        judged
    }

    pub fn seasons(&self) -> Vec<i32> {
        self.openings.iter().map(|(season, _)| *season).collect()
    }
}

/// What projections without widening did in the judged seasons, near and far.
pub struct Residuals(Vec<Verified>);

impl Residuals {
    pub fn of(projector: &Projector, seasons: &[i32], target: f64) -> Self {
        let asked = Asked { target, leads: &DRESSING_LEADS };
        Self::among(&Projections::of(projector, seasons, &[asked], AssumedForecast::None))
    }

    /// Of what was asked first.
    fn among(projections: &Projections) -> Self {
        let none = Dressing::default();
        Self(projections.verified(0, |_| Cow::Borrowed(&none)))
    }

    /// What a season's spread is widened by: made of all other seasons.
    pub fn dressing_for(&self, season: i32) -> Dressing {
        hindcast::dressing_of(self.0.iter().filter(|one| one.season != season))
    }
}

/// All that a station's skill rests on.
#[derive(Clone, Copy)]
pub struct SkillBasis<'a> {
    pub profile: &'a Profile,
    /// Of the past seasons.
    pub projector: &'a Projector,
    pub past: &'a [PastSeason],
    /// Days filled with the calendar's mean.
    pub made_up: &'a BTreeSet<NaiveDate>,
}

/// Of the way in which skill is worked out: raise it with every change that may change a figure, so that what was kept by an
/// older program is worked out anew.
pub(super) const METHOD: u32 = 1;

/// The same for the same skill, whatever station or process asks.
pub fn digest(profile: &Profile, past: &[PastSeason], made_up: &BTreeSet<NaiveDate>) -> [u8; 32] {
    digest_by(METHOD, profile, past, made_up)
}

fn digest_by(method: u32, profile: &Profile, past: &[PastSeason], made_up: &BTreeSet<NaiveDate>) -> [u8; 32] {
    let mut digest = Sha256::new();
    digest.update(method.to_le_bytes());
    digest.update(format!("{:?} {:?} {:?} {:?}", profile.biofix, profile.heat, profile.stages, profile.window));
    for season in past {
        digest.update(format!("{} {}", season.season, season.first));
        for day in &season.days {
            digest.update(day.min_c.to_bits().to_le_bytes());
            digest.update(day.max_c.to_bits().to_le_bytes());
        }
    }
    for day in made_up {
        digest.update(day.to_string());
    }
    digest.finalize().into()
}

impl ForecastSkill {
    /// Some tenths of a second for a station of a hundred years: [`digest`] tells whether it was done before.
    pub fn of(basis: &SkillBasis<'_>) -> Self {
        Self::of_stages(basis, heat_stages(basis.profile).collect())
    }

    /// Only what widens a spread, without the scores of the stages.
    pub fn to_decide(basis: &SkillBasis<'_>) -> Self {
        Self::of_stages(basis, Vec::new())
    }

    fn of_stages(basis: &SkillBasis<'_>, stages: Vec<(StageId, f64)>) -> Self {
        let SkillBasis { profile, projector, made_up, .. } = *basis;
        let Some(target) = heat_sum_of(profile, &profile.window.opens) else { return Self::default() };
        let seasons = Judged::of(profile, projector, target, made_up).seasons();
        if seasons.len() < SEASONS_NEEDED {
            return Self::default();
        }
        let mut asked = vec![Asked { target, leads: &DRESSING_LEADS }];
        asked.extend(stages.iter().map(|(_, sum)| Asked { target: *sum, leads: &SKILL_LEADS }));
        let projections = Projections::of(projector, &seasons, &asked, AssumedForecast::None);
        let residuals = Residuals::among(&projections);
        let scored = if stages.is_empty() { &[] } else { seasons.as_slice() };
        let dressings: BTreeMap<i32, Dressing> =
            scored.iter().map(|season| (*season, residuals.dressing_for(*season))).collect();
        let none = Dressing::default();
        let dressing_for = |season: i32| Cow::Borrowed(dressings.get(&season).unwrap_or(&none));
        let stages = (1..).zip(stages).map(|(nth, (stage, _))| {
            let scored = projections.verified(nth, dressing_for);
            let rows = hindcast::by_lead(&scored, &SKILL_LEADS);
            let enough = rows.into_iter().filter(|row| row.projections as usize >= SEASONS_NEEDED);
            let rows = enough.map(|row| PastScore {
                lead_days: row.lead,
                n: row.projections,
                bias_days: row.bias_days,
                mae_days: row.mae_days,
                crps_days: row.crps_days,
                skill: row.skill,
                held: row.held,
            });
            StageSkill { stage, rows: rows.collect() }
        });
        let stages = stages.collect();
        let dressing = hindcast::dressing(&residuals.0);
        Self {
            seasons: seasons.len() as u32,
            first_season: seasons.iter().min().copied(),
            last_season: seasons.iter().max().copied(),
            widened: !dressing.0.is_empty(),
            dressing,
            stages,
        }
    }
}

/// Stages that heat alone brings, with their sums from the biofix.
fn heat_stages(profile: &Profile) -> impl Iterator<Item = (StageId, f64)> {
    profile
        .stages
        .iter()
        .filter(|stage| matches!(stage.need, Need::DegreeDays(_)))
        .filter_map(|stage| Some((stage.id.clone(), heat_sum_of(profile, &stage.id)?)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::heat::DayTemperatures;

    #[test]
    fn a_digest_changes_with_each_thing_that_skill_rests_on() {
        let profile = Profile::pinyon_needle_scale();
        let day = |text: &str| text.parse::<NaiveDate>().expect("a date");
        let days = vec![DayTemperatures { min_c: 1.0, max_c: 10.0 }; 3];
        let past = vec![PastSeason { season: 2001, first: day("2001-01-01"), days }];
        let (none, some) = (BTreeSet::new(), BTreeSet::from([day("2001-01-02")]));
        let plain = digest(&profile, &past, &none);
        assert_eq!(plain, digest(&profile.clone(), &past.clone(), &none));
        let mut warmer = past.clone();
        warmer[0].days[2].max_c += 0.1;
        let mut later = past.clone();
        later[0].season += 1;
        let mut other = profile.clone();
        other.stages.pop();
        for changed in [
            digest_by(METHOD + 1, &profile, &past, &none),
            digest(&profile, &past, &some),
            digest(&profile, &warmer, &none),
            digest(&profile, &later, &none),
            digest(&profile, &[], &none),
            digest(&other, &past, &none),
        ] {
            assert_ne!(changed, plain);
        }
    }
}
