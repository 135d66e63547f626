//! What a cycle came to: its result, its words, and whether somebody outside is told that all is well.

use chrono::NaiveDateTime;
use tracing::error;

use crate::service::app::App;
use crate::service::cycle::CycleReport;
use crate::service::pull::PullReport;
use crate::store::StoreError;
use crate::store::runs::{FAILED_WORK, RunResult, Served};
use crate::text::{Chain, counted};

/// Whether a cycle did what it is for. One in which no station gave anything, or no region could be served, did not.
pub(super) fn result_of(report: &CycleReport, pulled: &PullReport) -> RunResult {
    let served = served_of(report);
    if pulled.all_silent() || served.is_none() {
        RunResult::Failed
    } else if served.faults > 0 || !report.failed_work.is_empty() || !pulled.silent_stations().is_empty() {
        RunResult::Partly
    } else {
        RunResult::Good
    }
}

pub(super) fn served_of(report: &CycleReport) -> Served {
    Served { regions: report.regions, faults: u32::try_from(report.faults.len()).unwrap_or(u32::MAX) }
}

/// Whether somebody outside is told that all is well: after a cycle that did what it is for but for few stations and regions,
/// since one closed station must not sound the alarm for a whole state.
pub(super) fn is_well(result: RunResult, report: &CycleReport, pulled: &PullReport) -> bool {
    /// One in so many may fail, and always one, but never all. A rule of ours, no source.
    const FEW: usize = 4;
    let few = |failed: usize, all: usize| failed == 0 || (failed <= (all / FEW).max(1) && failed < all);
    result != RunResult::Failed
        && report.failed_work.is_empty()
        && few(pulled.silent_stations().len(), pulled.stations.len())
        && few(report.faults.len(), report.regions as usize)
}

/// Why a cycle ended before its end, for whoever is told of it.
pub(super) async fn note_failed(app: &App, job: &str, civil: NaiveDateTime, why: &StoreError) {
    let text = Chain(why).to_string();
    if let Err(why) = app.store.note_failed_try(job, civil, &text).await {
        error!("why the cycle failed could not be kept: {why}");
    }
}

pub(super) fn outcome_of(result: RunResult, report: &CycleReport, pulled: &PullReport) -> String {
    let outcome = format!(
        "{}: {} of {} silent, {}, {}, {}, {} decided, {}, {}",
        result.name(),
        pulled.silent_stations().len(),
        counted(pulled.stations.len(), "station", "stations"),
        counted(report.regions, "region", "regions"),
        counted(report.days_assessed, "day", "days"),
        counted(pulled.new_values(), "new value", "new values"),
        report.decided.len(),
        counted(report.deliveries, "delivery", "deliveries"),
        counted(report.faults.len(), "fault", "faults")
    );
    match report.failed_work.as_slice() {
        [] => outcome,
        failed => format!("{outcome}{FAILED_WORK}{}", failed.join("; ")),
    }
}
