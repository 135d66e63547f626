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
use crate::service::desk::came_of::{came_up, rested_elsewhere, rests_elsewhere};
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
const CAME_OF_IT: &str = "Notices that came of it";
const MAY_REST_ON_IT: &str = "Notices of other regions that may rest on it";

/// Which of the notices that came up are shown.
#[derive(Clone, Copy, PartialEq)]
pub(super) enum Since {
    All,
    /// Those that can still be stopped, and those that left because of it.
    StillToLeave,
    /// Those that left because of it.
    Left,
}

/// What came up since the word on a report, because of it and beside it, each part with its title.
pub(super) async fn notices_since(
    desk: &Desk,
    report: &StoredReport,
    region: &Region,
    which: Since,
) -> Result<Vec<Value>, Fault> {
    let app = desk.site().app();
    let (mut of_it, mut left, mut beside) = (Vec::new(), Vec::new(), Vec::new());
    let mut found = came_up(app, report, region).await.map_err(fault_of)?;
    let has_left = |notice: &Notice| is_of(notice, report) && notice.released_at().is_some();
    found.retain(|notice| match which {
        Since::All => true,
        Since::StillToLeave => {
            has_left(notice) || (notice.state == NoticeState::Waiting && leaves_by_itself(notice).is_some())
        }
        Since::Left => has_left(notice),
    });
    let to_nobody = if found.is_empty() { BTreeSet::new() } else { left_to_nobody(app).await? };
    for notice in found.iter().take(MOST_NOTICES) {
        let line = line(desk, report, notice, &to_nobody).await?;
        match (is_of(notice, report), which) {
            // It is long ago, or may be.
            (true, Since::StillToLeave | Since::Left) if has_left(notice) => left.push(line),
            (true, _) => of_it.push(line),
            (false, _) => beside.push(line),
        }
    }
    // What has its own reasons is not put down to the report.
    let parts = [
        ("Came up since", None, of_it),
        (CAME_OF_IT, counts_no_more(report), left),
        ("Also came up here since", None, beside),
    ];
    let shown = parts.into_iter().filter(|(_, _, lines)| !lines.is_empty());
    Ok(shown.map(|(title, says, lines)| context! { title, says, lines, more => 0 }).collect())
}

/// That a report was set aside, beside what left because of it.
fn counts_no_more(report: &StoredReport) -> Option<&'static str> {
    report.refused().then_some("It has been set aside since: what was sent stays as it is, unless it is recalled.")
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
    let says =
        "Decided since it was confirmed. The days that they tell were moved by field reports, this one among them.";
    part(desk, report, &found, RESTS_ON_IT, says).await.map(Some)
}

/// The part of the notices of other regions that may rest on a report which had counted, as [`rested_elsewhere`] finds them; `None`:
/// there are none.
pub(super) async fn rested_on_it(desk: &Desk, report: &StoredReport, region: &Region) -> Result<Option<Value>, Fault> {
    let found = rested_elsewhere(desk.site().app(), report, region).await.map_err(fault_of)?;
    let Some(first) = found.first() else { return Ok(None) };
    let since = match report.refused() {
        true => "It has been set aside since.".to_owned(),
        false => format!("It counts for season {} no longer.", first.season.year),
    };
    let says = format!(
        "They left while it counted, and the days that they tell were moved by field reports. This one may be among them. {since}"
    );
    part(desk, report, &found, MAY_REST_ON_IT, &says).await.map(Some)
}

/// A part of such notices, with its title and what is said of them.
async fn part(desk: &Desk, report: &StoredReport, found: &[Notice], title: &str, says: &str) -> Result<Value, Fault> {
    let to_nobody = left_to_nobody(desk.site().app()).await?;
    let mut lines = Vec::new();
    for notice in found.iter().take(MOST_NOTICES) {
        lines.push(line(desk, report, notice, &to_nobody).await?);
    }
    let more = found.len().saturating_sub(MOST_NOTICES);
    Ok(context! { title, says, lines, more })
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
