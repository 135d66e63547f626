//! What the rules of the decision leave of a tree's eggs, if what is believed of the insect is true.
//!
//! ```text
//! past season, left out of its own projection ─> outlook a day ─> notices of every candidate   (live)
//! belief ─> the truth of a season ─> what owners do on those notices ─> share of the eggs removed   (owners)
//! ```
//!
//! Nothing here measures the insect: the truth is drawn from the belief that the outlook has, or from one of another width.
//! Every candidate meets the same seasons, truths and owners. Owners do what they are told and a wash takes every egg that
//! is there, so that rules are compared and not owners. Nobody reports, and no weather forecast helps.

// The rules that are compared.
mod candidates;
// One season, day by day: which notices go out when.
mod live;
// What owners do on them, and what that takes.
mod owners;
// What is counted, and what many seasons come to.
mod tally;

#[cfg(test)]
mod tests;

use std::collections::BTreeMap;

use chrono::NaiveDate;
use serde::Serialize;

use crate::assessment::past::StationHistory;
use crate::assessment::verify::{self, VerifyError};
use crate::heat::hindcast::AssumedForecast;
use crate::heat::projection::{Dressing, Projector};
use crate::id::StationId;
use crate::season::belief::SeasonBelief;
use crate::season::learning::Learned;
use crate::season::outlook::{heat_sum_with, season_heat};
use crate::season::profile::{Eggs, Need};
use crate::season::{Policy, Profile, days_between};
use crate::weather::settings::WeatherConfig;
pub use candidates::{Candidate, Rules, candidates};
use live::{Course, Group};
use owners::Tree;
pub use owners::{Chances, Owner};
pub use tally::{Days, RuleLoss, Share, Tally};

/// How wide the belief is that the rules work with, and how wide the one that truths are drawn from, as a part of the
/// profile's own spreads.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Setting {
    pub name: &'static str,
    pub believed: f64,
    pub true_spread: f64,
    /// Whether every candidate is played, or the first two alone.
    pub variants: bool,
}

/// What reports of some seasons leave of the shipped spreads: 56 and 35 °C·day come to about 20 and 12.
const NARROWED: f64 = 0.35;

/// By how much the truth is spread wider where the belief is too sure of itself: 80 and 50 °C·day of the shipped 56 and 35.
const WIDER: f64 = 1.43;

/// The settings that are played.
pub const SETTINGS: [Setting; 4] = [
    Setting { name: "the belief as it is, and true", believed: 1.0, true_spread: 1.0, variants: true },
    Setting {
        name: "the belief narrowed to 0.35 of its spread, as after learning, and true",
        believed: NARROWED,
        true_spread: NARROWED,
        variants: true,
    },
    Setting {
        name: "the belief as it is, truths spread 1.43 times as wide",
        believed: 1.0,
        true_spread: WIDER,
        variants: false,
    },
    Setting {
        name: "the belief narrowed to 0.35 of its spread, truths spread as before",
        believed: NARROWED,
        true_spread: 1.0,
        variants: false,
    },
];

#[derive(Debug, thiserror::Error, PartialEq)]
pub enum PolicyLossError {
    #[error(
        "profile `{0}` does not say how the eggs of a tree spread over heat; give it an [eggs] section to reckon what a \
         wash takes"
    )]
    NoEggs(String),
    #[error(
        "profile `{0}` does not say how sure its sums are: there is no truth to draw; give its stages a [stages.spread]"
    )]
    NoSpread(String),
    #[error(
        "profile `{0}` has a wait in days on the way to egg laying or hatch: there is no heat sum at which they come"
    )]
    NoHeatSum(String),
}

/// What is the same for every station and season.
pub struct Game {
    profile: Profile,
    policy: Policy,
    /// The profile as it was before beliefs: no spreads, no eggs.
    before: Profile,
    certain: SeasonBelief,
    eggs: Eggs,
    candidates: Vec<Candidate>,
    /// By width: what is believed at any region before its reports.
    beliefs: Vec<(f64, SeasonBelief)>,
    settings: Vec<Setting>,
    /// By width: the sums from the biofix at which the first egg is laid and hatches, equally likely.
    truths: Vec<(f64, Vec<Truth>)>,
}

/// One truth of a season at a place, °C·day from the biofix.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Truth {
    pub laying: f64,
    pub hatch: f64,
}

impl Game {
    /// # Errors
    /// A profile that leaves nothing to draw or to take.
    pub fn new(
        profile: &Profile,
        policy: &Policy,
        candidates: Vec<Candidate>,
        settings: &[Setting],
    ) -> Result<Self, PolicyLossError> {
        let eggs = profile.eggs.clone().ok_or_else(|| PolicyLossError::NoEggs(profile.id.clone()))?;
        let mut beliefs: Vec<(f64, SeasonBelief)> = Vec::new();
        let mut truths: Vec<(f64, Vec<Truth>)> = Vec::new();
        for setting in settings {
            if beliefs.iter().all(|(width, _)| *width != setting.believed) {
                beliefs.push((setting.believed, belief(profile, setting.believed)));
            }
            if truths.iter().all(|(width, _)| *width != setting.true_spread) {
                truths.push((setting.true_spread, drawn(profile, &belief(profile, setting.true_spread))?));
            }
        }
        if beliefs.iter().any(|(_, belief)| belief.is_certain()) {
            return Err(PolicyLossError::NoSpread(profile.id.clone()));
        }
        let mut before = profile.clone();
        before.eggs = None;
        before.stages.iter_mut().for_each(|stage| stage.spread = None);
        let certain = SeasonBelief::certain(&before);
        Ok(Self {
            profile: profile.clone(),
            policy: policy.clone(),
            before,
            certain,
            eggs,
            candidates,
            beliefs,
            settings: settings.to_vec(),
            truths,
        })
    }

    pub fn candidates(&self) -> &[Candidate] {
        &self.candidates
    }

    /// Setting and candidate of every row, by their places in the lists.
    pub fn rows(&self) -> Vec<(usize, usize)> {
        let of_setting = |(at, setting): (usize, &Setting)| {
            let played = if setting.variants { self.candidates.len() } else { self.candidates.len().min(2) };
            (0..played).map(move |candidate| (at, candidate)).collect::<Vec<_>>()
        };
        self.settings.iter().enumerate().flat_map(of_setting).collect()
    }

    /// Lives through one season of a station, once a belief, and lets owners act on what each candidate tells them: one tally
    /// a row. `chances`: one entry a truth, the same for every candidate. Of a season that the station does not have, nothing.
    pub fn season(&self, station: &PastSeasons, at: usize, chances: &[Chances]) -> Vec<Tally> {
        let Some((season, opened)) = station.lived.get(at).copied() else { return Vec::new() };
        let mut groups = self.groups();
        let Some(days) = live::live(&self.policy, station, season, opened, &mut groups) else { return Vec::new() };
        let heat = season_heat(&self.profile, season, &days);
        let Some(first) = heat.first().map(|day| day.day) else { return Vec::new() };
        let sums: Vec<f64> = heat.iter().map(|day| day.sum).collect();
        let course = |setting: &Setting, candidate: usize| -> Option<&Course> {
            let mut courses = groups.iter().filter(|group| group.width.is_none_or(|width| width == setting.believed));
            courses
                .find_map(|group| group.runners.iter().find(|runner| runner.place == candidate))
                .map(|run| &run.course)
        };
        let tally = |(setting, candidate): (usize, usize)| {
            let mut tally = Tally::default();
            let setting = self.settings.get(setting)?;
            let course = course(setting, candidate)?;
            let (_, truths) = self.truths.iter().find(|(width, _)| *width == setting.true_spread)?;
            tally.add_season(course);
            for chances in chances {
                let tree = Tree { eggs: &self.eggs, truth: chances.pick(truths)?, first, sums: &sums };
                tally.add_case(course, &tree, chances);
            }
            Some(tally)
        };
        self.rows().into_iter().map(|row| tally(row).unwrap_or_default()).collect()
    }

    /// All seasons together, setting by setting. `seasons` hold one tally a row.
    pub fn losses(&self, seasons: &[Vec<Tally>]) -> Vec<SettingLoss> {
        let mut losses: Vec<SettingLoss> =
            self.settings.iter().map(|setting| SettingLoss { setting: *setting, rules: Vec::new() }).collect();
        for (row, (setting, candidate)) in self.rows().into_iter().enumerate() {
            let mut all = Tally::default();
            seasons.iter().filter_map(|season| season.get(row)).for_each(|tally| all.add(tally));
            if let (Some(of_setting), Some(candidate)) = (losses.get_mut(setting), self.candidates.get(candidate)) {
                of_setting.rules.push(all.loss(&candidate.name));
            }
        }
        losses
    }

    /// The candidates that share an outlook: those before with a certain belief, the others once a belief.
    fn groups(&self) -> Vec<Group<'_>> {
        let of = |before: bool, played: usize| {
            let candidates = self.candidates.iter().take(played).enumerate();
            candidates.filter(move |(_, candidate)| (candidate.rules == Rules::Before) == before)
        };
        let mut groups = vec![Group::new(None, &self.before, &self.certain, of(true, self.candidates.len()))];
        for (width, belief) in &self.beliefs {
            let all = self.settings.iter().any(|setting| setting.believed == *width && setting.variants);
            let played = if all { self.candidates.len() } else { 2 };
            groups.push(Group::new(Some(*width), &self.profile, belief, of(false, played)));
        }
        groups
    }
}

/// What one setting comes to, one entry a candidate.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct SettingLoss {
    pub setting: Setting,
    pub rules: Vec<RuleLoss>,
}

/// The profile's belief with its spreads so many times as wide.
fn belief(profile: &Profile, width: f64) -> SeasonBelief {
    let mut profile = profile.clone();
    for spread in profile.stages.iter_mut().filter_map(|stage| stage.spread.as_mut()) {
        spread.belief_c *= width;
        spread.places_c *= width;
        spread.years_c *= width;
    }
    // Before any report all seasons and regions are alike.
    Learned::prior(&profile, 0).of_region(&profile, &"any".into())
}

fn drawn(profile: &Profile, belief: &SeasonBelief) -> Result<Vec<Truth>, PolicyLossError> {
    let sums = |needs: &Vec<Need>| {
        let sum = |stage| heat_sum_with(profile, needs, stage);
        Some(Truth { laying: sum(&profile.window.opens)?, hatch: sum(&profile.window.closes)? })
    };
    let truths: Option<Vec<Truth>> = belief.draws().iter().map(sums).collect();
    truths.ok_or_else(|| PolicyLossError::NoHeatSum(profile.id.clone()))
}

/// A station's past seasons, ready to be lived through.
pub struct PastSeasons {
    pub station: StationId,
    projector: Projector,
    dressings: BTreeMap<i32, Dressing>,
    /// Season and the day on which our number opened the window, the newest ones.
    lived: Vec<(i32, NaiveDate)>,
}

impl PastSeasons {
    /// At most so many seasons, the newest; all that the station has serve as futures.
    ///
    /// # Errors
    /// See [`VerifyError`].
    pub fn new(
        history: &StationHistory,
        profile: &Profile,
        policy: &Policy,
        rules: &WeatherConfig,
        at_most: usize,
    ) -> Result<Self, VerifyError> {
        let question = verify::Question { profile, policy, rules, forecast: AssumedForecast::None };
        let prepared = verify::Prepared::new(history, question)?;
        let dressings = prepared.dressings();
        let verify::Prepared { projector, openings: mut lived, .. } = prepared;
        lived.drain(..lived.len().saturating_sub(at_most));
        Ok(Self { station: history.station.id.clone(), projector, dressings, lived })
    }

    /// How many are lived through.
    pub fn seasons(&self) -> usize {
        self.lived.len()
    }

    /// The first and the last of them.
    pub fn span(&self) -> Option<(i32, i32)> {
        Some((self.lived.first()?.0, self.lived.last()?.0))
    }
}

/// Share (0-1) to a thousandth, so that sums are the same in any order.
fn thousandths(share: f64) -> u16 {
    (share.clamp(0.0, 1.0) * 1000.0).round() as u16
}

/// Index of a day in a season's line of heat.
fn place(first: NaiveDate, day: NaiveDate) -> Option<usize> {
    usize::try_from(days_between(first, day)).ok()
}
