//! A profile's next version: what was learned in its numbers, the dates that it changes, and its way into use.

use std::fmt;

use chrono::{DateTime, NaiveDate, Utc};
use sha2::{Digest, Sha256};

use super::dates::RegionDates;
use super::learn::{FrozenSeason, frozen_seasons};
use super::{Chosen, regions_of};
use crate::assessment::season_model::Assessment;
use crate::region::Region;
use crate::season::adopt::{Adopted, adopted};
use crate::season::belief::SeasonBelief;
use crate::season::learning::{Learned, Untaught};
use crate::season::{FieldReport, Profile};
use crate::service::app::App;
use crate::service::assess::{At, with_beliefs};
use crate::service::caches::{RecordCache, SeasonCache};
use crate::service::cycle_cache::CycleCache;
use crate::service::learning::{Lessons, lessons};
use crate::service::past_cache::Watch;
use crate::service::region_fault::RegionFault;
use crate::store::StoreError;
use crate::store::learning::AdoptedProfile;
use crate::text::{Chain, counted};

/// A profile, and what reports teach on top of it.
#[derive(Clone, Copy)]
pub struct Believed<'a> {
    pub profile: &'a Profile,
    pub learned: &'a Learned,
}

/// What regions say at an instant and what they would say, and those that cannot be looked at, with the reason.
pub async fn dates_now(
    app: &App,
    seen: DateTime<Utc>,
    before: Believed<'_>,
    after: Believed<'_>,
    regions: &[Region],
    watch: &Watch,
) -> (Vec<RegionDates>, Vec<String>) {
    let (mut dates, mut faults) = (Vec::new(), Vec::new());
    for (done, region) in (0..).zip(regions) {
        watch(done, regions.len() as u64);
        let both = async {
            Ok::<_, RegionFault>((one(app, seen, region, before).await?, one(app, seen, region, after).await?))
        };
        match both.await {
            Ok((was, is)) => dates.push(RegionDates::of(region, (before.profile, &was), (after.profile, &is))),
            Err(why) => faults.push(format!("region `{}`: {}", region.id, Chain(&why))),
        }
    }
    (dates, faults)
}

/// With caches of its own, since a model belongs to one version of the profile.
async fn one(app: &App, seen: DateTime<Utc>, region: &Region, by: Believed<'_>) -> Result<Assessment, RegionFault> {
    let belief: SeasonBelief = by.learned.of_region(by.profile, &region.id);
    let (mut records, mut seasons) = (RecordCache::new(app.store.clone()), SeasonCache::default());
    let at = At { region, profile: by.profile, now: seen };
    let [assessment] = with_beliefs(app, &mut records, &mut seasons, &mut CycleCache::default(), at, [&belief]).await?;
    Ok(assessment)
}

/// The highest version of a profile that was ever adopted; 0 when none was.
///
/// # Errors
/// When the store fails.
pub async fn newest_version(app: &App, id: &str) -> Result<u32, StoreError> {
    let adopted = app.store.adopted_profiles().await?;
    Ok(adopted.into_iter().filter(|of| of.profile == id).map(|of| of.version).max().unwrap_or(0))
}

/// Keeps a version, which the service takes up at its next cycle.
///
/// # Errors
/// When somebody kept that version before, or the store fails.
pub async fn keep(app: &App, made: &Profile, by: &str, why: &str) -> Result<(), StoreError> {
    let kept = AdoptedProfile {
        profile: made.id.clone(),
        version: made.version,
        text: made.to_toml(),
        adopted_at: app.clock.now(),
        adopted_by: by.to_owned(),
        why: why.to_owned(),
    };
    app.store.adopt_profile(&kept).await
}

/// The belief as the profile's next version.
pub struct Proposal {
    pub made: Adopted,
    pub known: Lessons,
}

impl Proposal {
    /// Which reports are adopted and which are left out since learning from their seasons is frozen; empty where none is left
    /// out.
    pub fn parted(&self, profile: &Profile, regions: &[Region]) -> Vec<PartedReport> {
        let left_out = frozen_reports(profile, &self.known);
        if left_out.is_empty() {
            return Vec::new();
        }
        let of = |report: &FieldReport, is_adopted| PartedReport {
            id: report.id.clone(),
            region: regions
                .iter()
                .find(|region| region.id == report.region)
                .map_or_else(|| report.region.to_string(), |region| region.name.clone()),
            observed_on: report.observed_on,
            is_adopted,
        };
        let taught = self.known.taught.iter().map(|heated| of(&heated.report, true));
        taught.chain(left_out.into_iter().map(|report| of(report, false))).collect()
    }

    /// Of the whole profile as it would be kept: what somebody looked at is what is adopted.
    pub fn fingerprint(&self) -> String {
        hex::encode(&Sha256::digest(self.made.profile.to_toml())[..8])
    }
}

/// A report beside an adoption from which some are left out.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PartedReport {
    pub id: String,
    /// The name of its region.
    pub region: String,
    pub observed_on: NaiveDate,
    pub is_adopted: bool,
}

/// Why a belief cannot be adopted.
#[derive(Debug, thiserror::Error)]
pub enum ProposalFault {
    #[error("season {season}: no report teaches anything that is not in the numbers")]
    Nothing { season: i32 },
    #[error("season {season}: no report teaches anything that is not in the numbers: {unheard}")]
    Frozen { season: i32, unheard: Unheard },
    #[error("this makes no profile: {}", .0.join("; "))]
    NoProfile(Vec<String>),
    #[error(transparent)]
    Region(#[from] RegionFault),
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// Reports that would teach something new if learning from their seasons were not frozen.
#[derive(Debug)]
pub struct Unheard {
    pub reports: usize,
    /// The frozen seasons that they are of, the earliest first.
    pub seasons: Vec<i32>,
}

impl Unheard {
    fn of(profile: &Profile, known: &Lessons) -> Option<Self> {
        let frozen = frozen_reports(profile, known);
        let mut seasons: Vec<i32> = frozen.iter().map(|report| profile.season_of(report.observed_on)).collect();
        let reports = seasons.len();
        seasons.sort_unstable();
        seasons.dedup();
        (reports > 0).then_some(Self { reports, seasons })
    }
}

/// Those that would teach after a thaw: of seasons that are in the numbers none would.
fn frozen_reports<'a>(profile: &Profile, known: &'a Lessons) -> Vec<&'a FieldReport> {
    let frozen = known.untaught.iter().filter(|(_, why)| *why == Untaught::Frozen).map(|(report, _)| report);
    frozen.filter(|report| !profile.is_learned_from(profile.season_of(report.observed_on))).collect()
}

impl fmt::Display for Unheard {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { reports, seasons } = self;
        let of = seasons.iter().map(i32::to_string).collect::<Vec<_>>().join(", ");
        let (seasons, were) =
            (if seasons.len() == 1 { "season" } else { "seasons" }, if *reports == 1 { "was" } else { "were" });
        let reports = counted(*reports, "report", "reports");
        write!(f, "learning from {seasons} {of} is frozen, and {reports} {were} confirmed after that")
    }
}

/// What was learned, as the profile's next version would have it.
///
/// # Errors
/// See [`ProposalFault`].
pub async fn proposal(app: &App, chosen: &Chosen) -> Result<Proposal, ProposalFault> {
    let profile = &*chosen.profile;
    let (mut records, mut seasons) = (RecordCache::new(app.store.clone()), SeasonCache::default());
    let known = lessons(app, &mut records, &mut seasons, profile, chosen.season, chosen.now).await?;
    let version = newest_version(app, &profile.id).await?.max(profile.version).saturating_add(1);
    let Some(made) = adopted(profile, &known.learned, version) else {
        let season = chosen.season;
        return Err(match Unheard::of(profile, &known) {
            Some(unheard) => ProposalFault::Frozen { season, unheard },
            None => ProposalFault::Nothing { season },
        });
    };
    // What we write we must be able to read.
    Profile::parse(&made.profile.to_toml())
        .map_err(|faults| ProposalFault::NoProfile(faults.iter().map(ToString::to_string).collect()))?;
    Ok(Proposal { made, known })
}

/// The dates of regions as they are and as the proposal would make them, and regions that cannot be looked at.
pub async fn proposed_dates(
    app: &App,
    chosen: &Chosen,
    proposal: &Proposal,
    regions: &[Region],
    watch: &Watch,
) -> (Vec<RegionDates>, Vec<String>) {
    let made = &proposal.made.profile;
    let before = Believed { profile: &chosen.profile, learned: &proposal.known.learned };
    let after = Believed { profile: made, learned: &Learned::prior(made, chosen.season) };
    dates_now(app, chosen.seen, before, after, regions, watch).await
}

/// A proposal with all that it would change, for who decides on it.
pub struct Offer {
    pub made: Adopted,
    /// See [`Proposal::fingerprint`].
    pub fingerprint: String,
    /// The seasons that stood still.
    pub frozen: Vec<FrozenSeason>,
    /// See [`Proposal::parted`].
    pub parted: Vec<PartedReport>,
    pub dates: Vec<RegionDates>,
    /// Regions that could not be looked at, and why.
    pub faults: Vec<String>,
}

/// What was learned, as the profile's next version, with the dates of all its regions.
///
/// # Errors
/// See [`ProposalFault`].
pub async fn offer(app: &App, chosen: &Chosen, watch: &Watch) -> Result<Offer, ProposalFault> {
    let found = proposal(app, chosen).await?;
    let regions = regions_of(app, &chosen.profile).await?;
    let (dates, faults) = proposed_dates(app, chosen, &found, &regions, watch).await;
    let frozen = frozen_seasons(&found.known.frozen, chosen.season);
    let parted = found.parted(&chosen.profile, &regions);
    Ok(Offer { fingerprint: found.fingerprint(), made: found.made, frozen, parted, dates, faults })
}
