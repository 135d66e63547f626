//! What staff decide about learning. A command and a page call the same function.

use chrono::NaiveDate;

use super::{DeskError, Word};
use crate::people::csv::kept_reason;
use crate::season::Profile;
use crate::service::app::App;
use crate::service::belief::Chosen;
use crate::service::belief::again::FitAgain;
use crate::service::belief::version::{ProposalFault, keep, proposal};
use crate::service::region_fault::RegionFault;
use crate::store::learning::{Freeze, FreezeWord};
use crate::store::{Conflict, StoreError};

/// Lets a season's reports teach no more, or again. Gives whether that changed anything.
///
/// # Errors
/// [`DeskError::NoReports`] of a season before all reports; [`DeskError::Reason`]; when the store fails.
pub async fn freeze(app: &App, chosen: &Chosen, is_frozen: bool, word: Word<'_>) -> Result<bool, DeskError> {
    let freeze = Freeze { at: chosen.now, by: word.by.to_owned(), why: reason(word)? };
    if is_frozen {
        can_have_reports(app, chosen).await?;
    }
    let word = FreezeWord { profile: chosen.profile.id.clone(), season: chosen.season, is_frozen, freeze };
    Ok(app.store.freeze_learning(&word).await?)
}

/// The season under way, and those since the first field report: another year is a slip of the hand.
async fn can_have_reports(app: &App, chosen: &Chosen) -> Result<(), DeskError> {
    let Chosen { profile, season, now, is_over, .. } = chosen;
    if !*is_over {
        return Ok(());
    }
    let reports = app.store.field_reports_as_of(NaiveDate::MIN, profile.last_day(*season), *now).await?;
    if !reports.is_empty() {
        return Ok(());
    }
    Err(DeskError::NoReports { season: *season, under_way: profile.season_of(now.date_naive()) })
}

/// What the end of a freeze does; nothing where the numbers have what was learned from that season by now.
pub fn thawed_words(chosen: &Chosen) -> String {
    let season = chosen.season;
    match chosen.profile.learned_through.filter(|_| chosen.profile.is_learned_from(season)) {
        None => format!("Learning from season {season} goes on: its confirmed reports teach again"),
        Some(through) => format!(
            "Learning from season {season} is not frozen any more, but its reports still teach nothing: what was learned up to \
             season {through} was adopted, and a report that was not adopted then stays left out"
        ),
    }
}

/// Makes what was learned the profile's next version, if it is still what somebody looked at. Gives that version.
///
/// # Errors
/// [`DeskError::OtherBelief`]; [`DeskError::NoBelief`]; [`DeskError::Reason`]; when the store fails.
pub async fn adopt(app: &App, chosen: &Chosen, seen: &str, word: Word<'_>) -> Result<u32, DeskError> {
    let why = reason(word)?;
    let found = proposal(app, chosen).await.map_err(no_belief)?;
    if found.fingerprint() != seen {
        return Err(DeskError::OtherBelief);
    }
    keep_new(app, &found.made.profile, word.by, &why).await
}

/// Puts the number that was fitted again in use as the profile's next version, if it is what somebody looked at. Gives that
/// version.
///
/// # Errors
/// As [`adopt`].
pub async fn adopt_fit(app: &App, found: &FitAgain, seen: &str, word: Word<'_>) -> Result<u32, DeskError> {
    let why = reason(word)?;
    let in_use = app.profiles.get(&found.profile.id).map_or(0, |in_use| in_use.version);
    if found.fingerprint != seen || found.profile.version <= in_use {
        return Err(DeskError::OtherBelief);
    }
    keep_new(app, &found.profile, word.by, &why).await
}

async fn keep_new(app: &App, made: &Profile, by: &str, why: &str) -> Result<u32, DeskError> {
    keep(app, made, by, why).await.map_err(|why| match why {
        StoreError::Conflict(Conflict::Exists { .. }) => DeskError::OtherBelief,
        why => DeskError::Store(why),
    })?;
    Ok(made.version)
}

/// Why there is nothing to adopt, in words.
pub fn no_belief(why: ProposalFault) -> DeskError {
    match why {
        ProposalFault::Store(why) | ProposalFault::Region(RegionFault::Store(why)) => DeskError::Store(why),
        why => DeskError::NoBelief(why.to_string()),
    }
}

fn reason(word: Word<'_>) -> Result<String, DeskError> {
    kept_reason(word.why.unwrap_or_default()).map_err(DeskError::Reason)
}
