//! When a season is played to its end: once nothing can follow in any of the regions, so that none has more or fewer notices
//! for being played together with others that take longer.

use std::collections::BTreeSet;

use chrono::Days;

use super::{ReplayError, ReplayWorld};
use crate::region::RegionId;
use crate::season::{NoticeKind, Outlook};
use crate::service::app::App;
use crate::service::follow_up;

/// A region whose window is over.
pub(super) struct Over {
    region: RegionId,
    /// Whether it may have best days to wash, and so a notice of them.
    washes: bool,
}

impl ReplayWorld {
    /// The window is closed, or nobody will know any more.
    pub fn is_over(&self, outlook: &Outlook) -> bool {
        let profile = self.app.profiles.get(&outlook.season.profile);
        profile
            .and_then(|profile| outlook.stage(&profile.window.closes))
            .is_none_or(|closes| closes.reached.is_some_and(|reached| reached.on + Days::new(7) < outlook.today))
    }

    /// The regions of these outlooks, if all of them are over. Where a season begins later than that of other regions, the one
    /// before may be over, which says nothing.
    pub(super) fn all_over(&self, outlooks: &[Outlook], season: i32) -> Option<Vec<Over>> {
        let is_over = |outlook: &Outlook| outlook.season.year == season && self.is_over(outlook);
        let over = |outlook: &Outlook| Over { region: outlook.season.region.clone(), washes: outlook.wash.is_some() };
        outlooks.iter().all(is_over).then(|| outlooks.iter().map(over).collect())
    }

    /// Whether all that these regions tell is decided and gone, and nobody is to be asked any more.
    ///
    /// # Errors
    /// When the store fails.
    pub(super) async fn nothing_follows(&self, app: &App, over: &[Over], season: i32) -> Result<bool, ReplayError> {
        if !app.store.notices_waiting().await?.is_empty() || follow_up::to_come(app).await? {
            return Ok(false);
        }
        // A season that is kept ends where its pages are to stand.
        if self.kept_in.is_some() {
            return Ok(true);
        }
        let mut decided: BTreeSet<(RegionId, NoticeKind)> = BTreeSet::new();
        for profile in self.profiles().map(|profile| profile.id.clone()).collect::<BTreeSet<_>>() {
            for (region, told) in app.store.told_of_season(&profile, season).await? {
                decided.extend(told.iter().map(|notice| (region.clone(), notice.told.kind)));
            }
        }
        let is_decided = |over: &Over, kind: NoticeKind| match kind {
            // After the deadline none moves.
            NoticeKind::DeadlineMoved => true,
            NoticeKind::WashNow if !over.washes => true,
            NoticeKind::TooLateToWash if !app.config.policy.too_late_on => true,
            kind => decided.contains(&(over.region.clone(), kind)),
        };
        Ok(over.iter().all(|over| NoticeKind::ALL.into_iter().all(|kind| is_decided(over, kind))))
    }
}
