//! The figures that are read when they are asked for: from the store, from its pools, from the parts of this process.

use std::time::Duration;

use chrono::{DateTime, Utc};
use tracing::warn;

use crate::alarms::AlarmKind;
use crate::delivery::quiet_hours::QuietHours;
use crate::delivery::state::DeliveryState;
use crate::metrics::{Reading, Sample};
use crate::season::NoticeStatus;
use crate::service::app::App;
use crate::store::runs::{CYCLE, ONCE};
use crate::store::{StoreError, store_errors};
use crate::text::Chain;

/// Prometheus gives up after ten seconds unless told otherwise; what the process knows by itself must come before that.
const PATIENCE: Duration = Duration::from_secs(5);

type Made = Result<(), prometheus::Error>;

/// All figures of this moment. When the store does not answer its figures are missing and `treebell_store_up` is 0.
///
/// # Errors
/// When a name stands twice: a fault of the program.
pub(super) async fn of(app: &App) -> Result<Reading, prometheus::Error> {
    let mut reading = Reading::default();
    reading.gauge(
        "treebell_build_info",
        "The program's version.",
        &[(vec![("version", env!("CARGO_PKG_VERSION"))], 1.0)],
    )?;
    parts(app, &mut reading)?;
    pools(app, &mut reading)?;
    let figures = match tokio::time::timeout(PATIENCE, Figures::of(app)).await {
        Ok(Ok(figures)) => Some(figures),
        Ok(Err(why)) => {
            warn!("the store's figures are missing among the metrics: {}", Chain(&why));
            None
        }
        Err(_) => {
            warn!("the store's figures are missing among the metrics: no answer within {} s", PATIENCE.as_secs());
            None
        }
    };
    let up = if figures.is_some() { 1.0 } else { 0.0 };
    reading.gauge("treebell_store_up", "Whether the store answered (1) or not (0).", &[(vec![], up)])?;
    // That the store takes no write cannot be read in it.
    let store_alarm = u64::from(app.metrics.store_alarm());
    match figures {
        Some(mut figures) => {
            let written = figures.alarms.entry(AlarmKind::Store).or_default();
            *written = (*written).max(store_alarm);
            figures.put(&mut reading)?;
        }
        None => alarms(&mut reading, &[(vec![("kind", AlarmKind::Store.name())], store_alarm as f64)])?,
    }
    Ok(reading)
}

fn parts(app: &App, reading: &mut Reading) -> Made {
    let now = app.clock.now();
    let patience = Duration::from_secs(app.config.watch.stalled_after_s);
    let since = app.progress.since();
    let last: Vec<Sample<'_>> =
        since.iter().map(|(part, since)| (vec![("part", part.name())], seconds(now) - since.as_secs_f64())).collect();
    reading.gauge(
        "treebell_part_last_step_timestamp_seconds",
        "When a part of this process last did something or looked for work.",
        &last,
    )?;
    let stalled: Vec<Sample<'_>> = since
        .iter()
        .map(|(part, since)| (vec![("part", part.name())], if *since > patience { 1.0 } else { 0.0 }))
        .collect();
    reading.gauge(
        "treebell_part_stalled",
        "Whether a part of this process has done nothing for longer than watch.stalled_after_s (1) or not (0).",
        &stalled,
    )
}

fn pools(app: &App, reading: &mut Reading) -> Made {
    let pools = app.store.pool_use();
    let mut open = Vec::new();
    for pool in &pools {
        let used = pool.open.saturating_sub(pool.idle);
        open.push((vec![("pool", pool.pool), ("state", "idle")], f64::from(pool.idle)));
        open.push((vec![("pool", pool.pool), ("state", "used")], f64::from(used)));
    }
    reading.gauge("treebell_store_pool_connections", "Connections to the database, by pool and state.", &open)?;
    let most: Vec<Sample<'_>> = pools.iter().map(|pool| (vec![("pool", pool.pool)], f64::from(pool.most))).collect();
    reading.gauge("treebell_store_pool_connections_max", "Connections that a pool may have.", &most)?;
    let (transactions, reads) = app.store.lent();
    reading.counter(
        "treebell_store_transactions_total",
        "Write transactions that this process began.",
        &[(vec![], transactions as f64)],
    )?;
    reading.counter(
        "treebell_store_reads_total",
        "Connections that this process took for reading.",
        &[(vec![], reads as f64)],
    )?;
    let errors: Vec<Sample<'_>> = store_errors().map(|(kind, met)| (vec![("kind", kind)], met as f64)).collect();
    reading.counter("treebell_store_errors_total", "Faults of the database that this process met, by kind.", &errors)
}

/// What the store says.
struct Figures {
    /// On the schedule or by hand.
    cycle: crate::store::figures::JobTimes,
    good_cycle_at: Option<DateTime<Utc>>,
    stations: Vec<crate::store::figures::StationFreshness>,
    notices: std::collections::BTreeMap<String, u64>,
    missed: Vec<(crate::region::RegionId, DateTime<Utc>)>,
    queue: std::collections::BTreeMap<crate::people::Channel, crate::store::figures::QueueDepth>,
    alarms: std::collections::BTreeMap<AlarmKind, u64>,
}

impl Figures {
    async fn of(app: &App) -> Result<Self, StoreError> {
        let store = &app.store;
        let quiet = QuietHours::from(&app.config.delivery);
        Ok(Self {
            cycle: store.job_times(CYCLE).await?.newest(store.job_times(ONCE).await?),
            good_cycle_at: store.cycle_facts().await?.good_at,
            stations: store.station_freshness().await?,
            notices: store.notice_counts().await?,
            missed: store.last_missed().await?,
            queue: store.queue_depth(quiet, app.clock.now()).await?,
            alarms: store.open_alarms().await?,
        })
    }

    fn put(&self, reading: &mut Reading) -> Made {
        let at = |instant: Option<DateTime<Utc>>| instant.map(|instant| (vec![], seconds(instant)));
        reading.gauge(
            "treebell_cycle_last_start_timestamp_seconds",
            "When the newest cycle began, whichever process made it.",
            &Vec::from_iter(at(self.cycle.started_at)),
        )?;
        reading.gauge(
            "treebell_cycle_last_end_timestamp_seconds",
            "When a cycle last came to its end, whichever process made it.",
            &Vec::from_iter(at(self.cycle.ended_at)),
        )?;
        reading.gauge(
            "treebell_cycle_last_success_timestamp_seconds",
            "When the newest cycle that did not fail began, whichever process made it; nothing while there was none.",
            &Vec::from_iter(at(self.good_cycle_at)),
        )?;
        let newest: Vec<Sample<'_>> = self
            .stations
            .iter()
            .filter_map(|one| {
                let day = one.newest_day?.and_hms_opt(0, 0, 0)?.and_utc();
                Some((vec![("station", one.station.as_str())], seconds(day)))
            })
            .collect();
        reading.gauge(
            "treebell_station_newest_day_timestamp_seconds",
            "Midnight (UTC) at which the newest day of a station's record begins.",
            &newest,
        )?;
        let answered: Vec<Sample<'_>> = self
            .stations
            .iter()
            .filter(|one| one.is_asked)
            // A station that never answered is as old as can be, and not missing.
            .map(|one| (vec![("station", one.station.as_str())], one.answered_at.map_or(0.0, seconds)))
            .collect();
        reading.gauge(
            "treebell_station_last_answer_timestamp_seconds",
            "When a source of a station last gave an observation that could be used; 0 = never. Nothing of a station without one.",
            &answered,
        )?;
        let notices: Vec<Sample<'_>> = NoticeStatus::ALL
            .into_iter()
            .map(|status| {
                let name = status.name();
                (vec![("status", name)], self.notices.get(name).copied().unwrap_or(0) as f64)
            })
            .collect();
        reading.gauge("treebell_notices", "Notices of all seasons, by status.", &notices)?;
        let missed: Vec<Sample<'_>> =
            self.missed.iter().map(|(region, at)| (vec![("region", region.as_str())], seconds(*at))).collect();
        reading.gauge(
            "treebell_notice_last_skipped_timestamp_seconds",
            "When a notice of a region that people should have had was last skipped.",
            &missed,
        )?;
        let (mut depth, mut due) = (Vec::new(), Vec::new());
        for (channel, queue) in &self.queue {
            for state in [DeliveryState::Queued, DeliveryState::Leased, DeliveryState::Uncertain] {
                let count = queue.open.get(&state).copied().unwrap_or(0);
                depth.push((vec![("channel", channel.name()), ("state", state.name())], count as f64));
            }
            due.extend(queue.oldest_due.map(|at| (vec![("channel", channel.name())], seconds(at))));
        }
        reading.gauge("treebell_queue_deliveries", "Deliveries that have not ended, by channel and state.", &depth)?;
        reading.gauge(
            "treebell_queue_oldest_due_timestamp_seconds",
            "Since when the longest-waiting delivery might have gone out; nothing while none might, also in quiet hours.",
            &due,
        )?;
        let alarms: Vec<Sample<'_>> = AlarmKind::ALL
            .into_iter()
            .filter(|kind| !kind.is_event())
            .map(|kind| (vec![("kind", kind.name())], self.alarms.get(&kind).copied().unwrap_or(0) as f64))
            .collect();
        self::alarms(reading, &alarms)
    }
}

fn alarms(reading: &mut Reading, samples: &[Sample<'_>]) -> Made {
    reading.gauge(
        "treebell_alarms_open",
        "Alarms of what lasts that were raised and not resolved, by kind; of the store by this process, else as the store knows.",
        samples,
    )
}

/// A Unix timestamp as Prometheus has it.
fn seconds(at: DateTime<Utc>) -> f64 {
    at.timestamp_millis() as f64 / 1000.0
}
