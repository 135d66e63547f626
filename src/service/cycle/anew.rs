//! Between two runs of the cycle: regions whose open notices rest on ground that has changed are decided anew, and then the
//! notices whose hour has come leave.
//!
//! So are those where a hold has run out: what was held is decided before it leaves.
//!
//! A report that is confirmed, mended or set aside acts at once in its own region, and moves the dates of others. Those with a
//! notice that waits or is held are decided here, so that it does not leave on what no longer holds, and so that its page and
//! the others say the same days. Which they are follows from times in the store.
//!
//! What comes up here leaves with the next cycle at the earliest, as staff read where they say their word on a report. A region
//! that cannot be decided keeps its notices: nothing of it leaves without a word, and the next look tries again.

use chrono::{DateTime, TimeDelta, Utc};

use super::{CycleReport, LookedAt, Round, release_due, serve_all, take_up_words};
use crate::region::{Region, RegionId};
use crate::service::app::App;
use crate::service::caches::{RecordCache, SeasonCache};
use crate::service::event::Event;
use crate::service::region_views::by_station;
use crate::store::StoreError;

/// What is due between two runs.
///
/// # Errors
/// When the store fails. What fails for one region is in the report.
pub async fn minute(
    app: &App,
    report: &mut CycleReport,
    watch: &mut (dyn FnMut(Event) + Send),
) -> Result<(), StoreError> {
    decide_anew(app, report, watch).await?;
    let now = app.clock.now();
    if app.store.next_release().await?.is_some_and(|at| at <= now) {
        release_due(app, now, report, watch).await?;
    }
    Ok(())
}

async fn decide_anew(
    app: &App,
    report: &mut CycleReport,
    watch: &mut (dyn FnMut(Event) + Send),
) -> Result<(), StoreError> {
    let now = app.clock.now();
    let mut changed = app.store.regions_on_new_ground(now).await?;
    // Nothing was decided of what was held: its days may have moved meanwhile.
    changed.extend(app.store.end_holds(now).await?);
    if changed.is_empty() {
        return Ok(());
    }
    let mut regions = app.store.regions().await?;
    regions.retain(|region: &Region| changed.contains(&region.id));
    take_up_words(app).await;
    let (mut records, mut seasons) = (RecordCache::new(app.store.clone()), SeasonCache::default());
    let mut round = Round { report: std::mem::take(report), ..Round::new(now, until_next_cycle(app, now)) };
    let mut note = |_: &RegionId, event: Event| watch(event);
    serve_all(app, &mut records, &mut seasons, &mut round, by_station(&regions), &mut note).await;
    round.moves.tell_staff(app, now, LookedAt::OpenNotices).await;
    *report = round.report;
    Ok(())
}

fn until_next_cycle(app: &App, now: DateTime<Utc>) -> TimeDelta {
    let next = app.config.schedule.timetable().ok().and_then(|timetable| timetable.next_after(now));
    next.map_or_else(|| TimeDelta::minutes(i64::from(app.config.desk.undo_min)), |tick| tick.at - now)
}
