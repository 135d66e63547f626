//! What one run of the cycle does, with and without the pull.

use tracing::{debug, error, info, warn};

use super::outcome::{outcome_of, result_of, served_of};
use crate::service::app::App;
use crate::service::cycle::{self, CycleReport};
use crate::service::follow_up;
use crate::service::pull::{self, PullReport};
use crate::service::region_views;
use crate::service::retention;
use crate::service::subscribe::{heights, messages};
use crate::store::StoreError;
use crate::store::runs::{CYCLE, Start};
use crate::text::Chain;
use crate::timetable::Tick;
use crate::weather::fetch::Fetcher;

/// Pull, assess, decide, queue.
pub(super) async fn one_cycle(app: &App, fetcher: &Fetcher) -> Result<(CycleReport, PullReport), StoreError> {
    let stations = app.store.stations().await?;
    let pulled = pull::pull_all_watched(&app.store, fetcher, &app.config, &app.clock, &stations, &app.progress).await;
    for (station, said) in pulled.silent_words() {
        warn!(station.id = %station, "{said}");
    }
    Ok((without_pull(app).await?, pulled))
}

/// A cycle over the temperatures that are there: assess, decide, queue, and what else a cycle does.
async fn without_pull(app: &App) -> Result<CycleReport, StoreError> {
    let mut failed_work = Vec::new();
    let mut failed = |what: String| {
        error!("{what}; the cycle goes on");
        failed_work.push(what);
    };
    if let Err(why) = retention::keep_times(app).await {
        failed(format!("what has had its time of keeping could not be taken away: {}", Chain(&why)));
    }
    match messages::tell_newly_covered(app).await {
        Ok(0) => {}
        Ok(told) => info!(told, "told those whose ZIP code has a region now"),
        Err(why) => failed(format!("those whose ZIP code has a region now could not be told: {}", Chain(&why))),
    }
    match heights::ask_due(app).await {
        Ok(0) => {}
        Ok(people) => info!(people, "asked people how high up their trees stand"),
        Err(why) => failed(format!("those whose ZIP code has several heights could not be asked: {}", Chain(&why))),
    }
    match follow_up::ask_due(app).await {
        Ok(0) => {}
        Ok(people) => info!(people, "asked people what they saw"),
        Err(why) => failed(format!("those who were told to inspect could not be asked what they saw: {}", Chain(&why))),
    }
    // Records are read afresh each time: what was pulled may have changed any day.
    let mut report = cycle::run_afresh(app, &mut |_| {}).await?;
    match region_views::renew_kept(app).await {
        Ok(0) => {}
        Ok(regions) => debug!(regions, "what the pages show was worked out"),
        Err(why) => failed(format!("what the pages show could not be kept: {}", Chain(&why))),
    }
    report.failed_work.append(&mut failed_work);
    Ok(report)
}

/// A scheduled run of a practice, whose temperatures are all in its store: as a run of the service without the pull. `None`: it
/// was made before.
///
/// # Errors
/// When the store fails.
pub async fn run_of_practice(app: &App, tick: &Tick) -> Result<Option<CycleReport>, StoreError> {
    if app.store.start_run(CYCLE, tick.civil, app.clock.now()).await? == Start::Done {
        return Ok(None);
    }
    let (report, pulled) = (without_pull(app).await?, PullReport::default());
    let result = result_of(&report, &pulled);
    let outcome = outcome_of(result, &report, &pulled);
    app.store.finish_cycle(CYCLE, tick.civil, result, &outcome, served_of(&report), app.clock.now()).await?;
    Ok(Some(report))
}
