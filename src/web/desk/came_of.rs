//! The notices that came up since the word on a report, as its pages list them.

use std::collections::BTreeSet;
use std::time::Duration;

use minijinja::context;
use minijinja::value::Value;

use super::caller::Desk;
use super::notice::{fault_of, path_of};
use crate::delivery::quiet_hours::QuietHours;
use crate::region::Region;
use crate::season::phrases::capitalised;
use crate::season::{NoticeId, NoticeStatus};
use crate::service::desk::came_of::{came_up, rests_elsewhere};
use crate::service::desk::nobody::{HAD_NOBODY, left_to_nobody};
use crate::service::desk::notice::{May, fate_beside, leaves_by_itself, leaves_from};
use crate::service::desk::rests_on::is_of;
use crate::service::desk::{DeskError, kind_words};
use crate::store::field_reports::StoredReport;
use crate::store::notices::{Notice, NoticeState};
use crate::web::Fault;

/// So many notices that came up are listed.
const MOST_NOTICES: usize = 12;

/// So long somebody waits for what rests on a report elsewhere.
const PATIENCE: Duration = Duration::from_secs(3);

const RESTS_ON_IT: &str = "Notices of other regions that rest on it";

/// Which of the notices that came up are shown.
#[derive(Clone, Copy, PartialEq)]
pub(super) enum Since {
    All,
    /// Those that can still be stopped.
    StillToLeave,
}

/// What came up since the word on a report, because of it and beside it, each part with its title.
pub(super) async fn notices_since(
    desk: &Desk,
    report: &StoredReport,
    region: &Region,
    which: Since,
) -> Result<Vec<Value>, Fault> {
    let app = desk.site().app();
    let (mut of_it, mut beside) = (Vec::new(), Vec::new());
    let mut found = came_up(app, report, region).await.map_err(fault_of)?;
    if which == Since::StillToLeave {
        found.retain(|notice| notice.state == NoticeState::Waiting && leaves_by_itself(notice).is_some());
    }
    let to_nobody = if found.is_empty() { BTreeSet::new() } else { left_to_nobody(app).await? };
    for notice in found.iter().take(MOST_NOTICES) {
        let line = line(desk, report, notice, &to_nobody).await?;
        if is_of(notice, report) { of_it.push(line) } else { beside.push(line) }
    }
    // What has its own reasons is not put down to the report.
    let parts = [("Came up since", of_it), ("Also came up here since", beside)];
    let shown = parts.into_iter().filter(|(_, lines)| !lines.is_empty());
    Ok(shown.map(|(title, lines)| context! { title, says => (), lines, more => 0 }).collect())
}

/// The part of the notices of other regions that rest on a report, as [`rests_elsewhere`] finds them; `None`: there are none.
pub(super) async fn resting_elsewhere(
    desk: &Desk,
    report: &StoredReport,
    region: &Region,
    teaches: Option<bool>,
) -> Result<Option<Value>, Fault> {
    let app = desk.site().app();
    let (work, of, place, runtime) = (app.clone(), report.clone(), region.clone(), tokio::runtime::Handle::current());
    // Whole seasons may be worked out: nobody's answer should stand behind that on one of the server's threads.
    let found = tokio::task::spawn_blocking(move || runtime.block_on(rests_elsewhere(&work, &of, &place, teaches)));
    let Ok(found) = tokio::time::timeout(PATIENCE, found).await else {
        let says = "They could not be worked out in time: “What it changes” lists them.";
        return Ok(Some(context! { title => RESTS_ON_IT, says, lines => Vec::<Value>::new(), more => 0 }));
    };
    let found = match found.map_err(|why| Fault::Inside(format!("what rests on a report was cut off: {why}")))? {
        Err(DeskError::NoDates { .. }) => Vec::new(),
        found => found.map_err(fault_of)?,
    };
    if found.is_empty() {
        return Ok(None);
    }
    let to_nobody = left_to_nobody(app).await?;
    let mut lines = Vec::new();
    for notice in found.iter().take(MOST_NOTICES) {
        lines.push(line(desk, report, notice, &to_nobody).await?);
    }
    let says =
        "Decided since it was confirmed. The days that they tell were moved by field reports, this one among them.";
    let more = found.len().saturating_sub(MOST_NOTICES);
    Ok(Some(context! { title => RESTS_ON_IT, says, lines, more }))
}

async fn line(
    desk: &Desk,
    report: &StoredReport,
    notice: &Notice,
    to_nobody: &BTreeSet<NoticeId>,
) -> Result<Value, Fault> {
    let app = desk.site().app();
    let of = app.store.region(&notice.season.region).await?;
    let (quiet, now) = (QuietHours::from(&app.config.delivery), app.clock.now());
    let leaves = leaves_from(notice, quiet, of.time_zone, now);
    let may = May::of(notice, now);
    let mine = desk.may_act_on(&of);
    let went_to: u64 = match notice.status() {
        NoticeStatus::Released if notice.recall.is_none() => app.store.delivery_words(&notice.id).await?.values().sum(),
        NoticeStatus::Waiting if leaves.is_some() => app.store.count_recipients(&of.id).await?.values().sum(),
        _ => 0,
    };
    let had_nobody = if to_nobody.contains(&notice.id) { HAD_NOBODY } else { "" };
    Ok(context! {
        path => path_of(&notice.id),
        kind => kind_words(notice.kind),
        region => &of.name,
        stands => capitalised(&fate_beside(notice, quiet, of.time_zone, now, report)) + had_nobody,
        went_to,
        may_stop => mine && may.hold && leaves.is_some(),
        // Who joins may still get one that had nobody to go to: its own page says so.
        may_recall => mine && may.recall && had_nobody.is_empty(),
    })
}
