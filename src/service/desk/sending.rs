//! What is being sent on the word of staff: while it goes out, whoever looks at today sees it and can recall it.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};

use super::left::left_from;
use super::rests_on::{RestsOn, rests_on};
use super::stands::{gone, messages};
use super::{DeskError, local};
use crate::delivery::quiet_hours::QuietHours;
use crate::delivery::state::DeliveryState;
use crate::region::{Region, RegionId};
use crate::season::{NoticeId, NoticeKind};
use crate::service::app::App;
use crate::store::notices::Notice;

/// One notice that staff sent and of which messages still wait.
#[derive(Clone, Debug, PartialEq)]
pub struct Sending {
    pub id: NoticeId,
    pub kind: NoticeKind,
    pub region: Region,
    /// Who sent it, and how many of its messages are sent, in sentences.
    pub words: String,
    /// What has become of a report that it rests on.
    pub rests_on: Option<RestsOn>,
}

/// Those of these regions, the last to leave first.
pub(super) async fn sending(
    app: &App,
    regions: &BTreeMap<&RegionId, &Region>,
    now: DateTime<Utc>,
) -> Result<Vec<Sending>, DeskError> {
    let under_way = app.store.being_sent_on_a_word(now).await?;
    if under_way.is_empty() {
        return Ok(Vec::new());
    }
    let half_queued = app.store.half_queued().await?;
    let mut found = Vec::new();
    for notice in &under_way {
        let Some(region) = regions.get(&notice.season.region) else { continue };
        let (progress, has_ended) = app.store.notice_progress(&notice.id, now).await?;
        let is_half_queued = half_queued.iter().any(|of| of.id == notice.id);
        // Of a message whose answer was lost too often nothing more comes.
        if has_ended && !is_half_queued {
            continue;
        }
        found.push(Sending {
            id: notice.id.clone(),
            kind: notice.kind,
            region: (*region).clone(),
            words: words(app, notice, region, (&progress, is_half_queued), now),
            rests_on: rests_on(app, notice, region.time_zone).await?,
        });
    }
    Ok(found)
}

/// `M. Reyes sent it, and it left on Mon, Mar 16, 10:02 AM MDT: 12 of 34 messages are sent.`
fn words(
    app: &App,
    notice: &Notice,
    region: &Region,
    (progress, is_half_queued): (&BTreeMap<DeliveryState, u64>, bool),
    now: DateTime<Utc>,
) -> String {
    let by = notice.released_by().unwrap_or("Staff");
    let from = left_from(notice, QuietHours::from(&app.config.delivery), region.time_zone);
    let hour = from.map_or_else(String::new, |from| local(from, region.time_zone));
    if from.is_some_and(|from| from > now) {
        return format!("{by} sent it, and its messages leave from {hour} on.");
    }
    let queued: u64 = progress.values().sum();
    let are = if queued == 1 { "is" } else { "are" };
    let of_all = format!("{} of {} {are} sent", gone(progress), messages(queued));
    let more = if is_half_queued { ", and more are being queued" } else { "" };
    format!("{by} sent it, and it left on {hour}: {of_all}{more}.")
}
