//! A notice as it was played: why it was due, when it went and to how many, or why it did not.

use chrono::NaiveDate;
use serde::Serialize;

use crate::people::Channel;
use crate::region::Region;
use crate::season::decide::Terms;
use crate::season::{DateSpread, NoticeKind, NoticeStatus, Profile, StageId};
use crate::service::app::App;
use crate::service::desk::why;
use crate::service::notice_writer::reason_words;
use crate::service::region_fault::RegionFault;
use crate::store::StoreError;
use crate::store::notices::Notice;

/// One notice of a replayed season.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct PlayedNotice {
    pub kind: NoticeKind,
    pub decided_on: NaiveDate,
    pub status: NoticeStatus,
    /// The region's day on which it went out.
    pub released_on: Option<NaiveDate>,
    /// What was projected on the day it was decided.
    pub opens_then: Option<DateSpread>,
    pub closes_then: Option<DateSpread>,
    /// The last day to wash that it told, if it told one.
    pub deadline: Option<NaiveDate>,
    /// Days from the decision to the day on which our heat number of the opening was reached; negative when it was before.
    pub days_before_opening: Option<i64>,
    /// Why it was due, in words.
    pub reason: String,
    pub emails: u64,
    pub texts: u64,
    /// Why it never went out; `None` of one that did.
    pub unsent: Option<Unsent>,
}

/// Of a notice that never went out.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Unsent {
    /// In sentences.
    pub why: String,
    /// Whom it would have gone to with a word of staff; `None` of one that needed none and came to be of no use.
    pub would_reach: Option<MessageCount>,
}

/// How many messages.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct MessageCount {
    pub emails: u64,
    pub texts: u64,
}

impl PlayedNotice {
    /// Why a notice was due, when it went, and how many it reached.
    ///
    /// # Errors
    /// When the store fails.
    pub(super) async fn of(
        app: &App,
        profile: &Profile,
        region: &Region,
        opened: Option<NaiveDate>,
        notice: &Notice,
    ) -> Result<Self, RegionFault> {
        let then = app.store.outlook(&profile.id, &region.id, notice.decided_on).await?;
        let spread = |stage: &StageId| Some(then.as_ref()?.stage(stage)?.spread);
        let channels = app.store.delivery_channels(&notice.id).await?;
        let count = |channel| channels.get(&channel).copied().unwrap_or(0);
        let unsent = match why::unsent(notice) {
            None => None,
            Some(why) => Some(Unsent { why, would_reach: would_reach(app, notice).await? }),
        };
        Ok(Self {
            kind: notice.kind,
            decided_on: notice.decided_on,
            status: notice.status(),
            released_on: notice.released_at().map(|at| at.with_timezone(&region.time_zone).date_naive()),
            opens_then: spread(&profile.window.opens),
            closes_then: spread(&profile.window.closes),
            deadline: notice.deadline(),
            days_before_opening: opened.map(|opened| (opened - notice.decided_on).num_days()),
            reason: reason_words(notice),
            emails: count(Channel::Email),
            texts: count(Channel::Sms),
            unsent,
        })
    }
}

/// Whom a notice that asked for a word would have gone to at the end of the play, also if it was overtaken while it waited.
async fn would_reach(app: &App, notice: &Notice) -> Result<Option<MessageCount>, StoreError> {
    let asked = notice.approval_needed().is_some()
        || serde_json::from_value::<Terms>(notice.reason.clone()).is_ok_and(|terms| terms.approval_needed.is_some());
    if !asked {
        return Ok(None);
    }
    let whom = app.store.count_recipients_by_words(&notice.season.region).await?;
    let of = |channel| whom.iter().filter(|((of, _), _)| *of == channel).map(|(_, count)| count).sum();
    Ok(Some(MessageCount { emails: of(Channel::Email), texts: of(Channel::Sms) }))
}
