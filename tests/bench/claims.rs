//! Workers on PostgreSQL: claims beside pgbench's bare ones, each row claimed once; and whole drains.

use std::collections::HashSet;
use std::process::Command;
use std::sync::Arc;
use std::time::Instant;

use chrono::TimeDelta;
use treebell::clock::{Clock, SystemClock};
use treebell::delivery::quiet_hours::QuietHours;
use treebell::dispatch::Channels;
use treebell::dispatch::channels::scripted::ScriptedTransport;
use treebell::people::Channel;
use treebell::randomness::Randomness;
use treebell::store::queue::ClaimRequest;
use treebell::store::{ServerTrust, Store};

use crate::beside;
use crate::drains::{some_drained, unlimited};
use crate::filled::fill;
use crate::table::Table;
use crate::{Place, runtime};

const DATABASE: &str = "treebell_speed";

/// Deliveries of one claim.
const BATCH: u32 = 50;

fn psql(server: &str, command: &str) {
    let done = Command::new("psql").args(["-q", "-v", "ON_ERROR_STOP=1", server, "-c", command]).output().unwrap();
    assert!(done.status.success(), "{command}: {}", String::from_utf8_lossy(&done.stderr));
}

async fn emptied(server: &str) -> (String, Store) {
    psql(server, &format!("DROP DATABASE IF EXISTS {DATABASE} WITH (FORCE)"));
    psql(server, &format!("CREATE DATABASE {DATABASE}"));
    let mut url = url::Url::parse(server).unwrap();
    url.set_path(DATABASE);
    let trust = ServerTrust::default();
    let store = Store::make(url.as_str(), &trust, None, &Randomness::of_system()).await.unwrap();
    (url.to_string(), store)
}

pub fn claims(place: &Place, table: &mut Table) {
    let Ok(server) = std::env::var("TREEBELL_TEST_POSTGRES") else {
        return table.missing("claims on PostgreSQL", "TREEBELL_TEST_POSTGRES names no server");
    };
    let no_pgbench = beside::missing(&["/usr/bin/pgbench"]);
    for workers in [1, 2, 4] {
        let rows = place.sizes.claims;
        let rate = runtime().block_on(async {
            let (_, store) = emptied(&server).await;
            fill(&store, Channel::Email, rows, SystemClock.now()).await;
            psql_analyze(&server);
            let rate = claimed_once(&store, workers, rows).await;
            store.close().await;
            rate
        });
        let other = no_pgbench.is_none().then(|| {
            let url = runtime().block_on(async {
                let (url, store) = emptied(&server).await;
                fill(&store, Channel::Email, rows, SystemClock.now()).await;
                psql_analyze(&server);
                store.close().await;
                url
            });
            ("pgbench", vec![pgbench(place, &url, workers, rows)])
        });
        let what = format!("{rows} rows claimed on PostgreSQL by {workers} workers, {BATCH} at a time, each once");
        table.row(what, "rows/s", vec![rate], other, "0.8 of the bare claim");
    }
    if let Some(why) = no_pgbench {
        table.missing("pgbench beside the claims", &why);
    }
    for workers in [1, 2, 4] {
        let messages = place.sizes.messages.min(20_000);
        let rate = runtime().block_on(async {
            let (_, store) = emptied(&server).await;
            fill(&store, Channel::Email, messages, SystemClock.now()).await;
            psql_analyze(&server);
            let rate = drained_by(&store, workers, messages).await;
            store.close().await;
            rate
        });
        let what = format!(
            "{messages} e-mails drained on PostgreSQL by {workers} workers into a channel that takes all at once"
        );
        table.row(what, "/s", vec![rate], None, "-");
    }
    psql(&server, &format!("DROP DATABASE IF EXISTS {DATABASE} WITH (FORCE)"));
}

/// What autovacuum would have done to a table that filled up within a season.
fn psql_analyze(server: &str) {
    let mut url = url::Url::parse(server).unwrap();
    url.set_path(DATABASE);
    psql(url.as_str(), "VACUUM ANALYZE");
}

async fn claimed_once(store: &Store, workers: usize, rows: usize) -> f64 {
    let from = Instant::now();
    let mut work = tokio::task::JoinSet::new();
    for worker in 0..workers {
        let store = store.clone();
        work.spawn(async move {
            let config = unlimited(usize::MAX);
            let name = format!("worker-{worker}");
            let mut taken = Vec::new();
            loop {
                let ask = ClaimRequest {
                    channel: Channel::Email,
                    now: SystemClock.now(),
                    lease: TimeDelta::hours(2),
                    worker: &name,
                    most: BATCH,
                    in_flight: None,
                    windows: &[],
                    quiet: QuietHours::from(&config),
                };
                let claimed = store.claim(&ask).await.unwrap();
                if claimed.taken.is_empty() {
                    return taken;
                }
                taken.extend(claimed.taken.into_iter().map(|one| one.lease.delivery));
            }
        });
    }
    let (mut all, mut seen) = (0, HashSet::new());
    while let Some(taken) = work.join_next().await {
        for delivery in taken.unwrap() {
            all += 1;
            assert!(seen.insert(delivery), "a row was claimed twice");
        }
    }
    assert_eq!(all, rows, "every row");
    rows as f64 / from.elapsed().as_secs_f64()
}

async fn drained_by(store: &Store, workers: usize, messages: usize) -> f64 {
    let from = Instant::now();
    let transport = Arc::new(ScriptedTransport::new([]));
    let mut work = tokio::task::JoinSet::new();
    for _ in 0..workers {
        let (store, transport) = (store.clone(), transport.clone());
        work.spawn(async move { some_drained(&store, Channels { email: Some(transport), sms: None }).await });
    }
    let mut sent = 0;
    while let Some(done) = work.join_next().await {
        sent += done.unwrap();
    }
    assert_eq!(sent, messages as u64, "each once");
    messages as f64 / from.elapsed().as_secs_f64()
}

/// Rows a second that the bare claim takes.
fn pgbench(place: &Place, url: &str, workers: usize, rows: usize) -> f64 {
    let file = place.folder.join("claim.sql");
    let claim = format!(
        "WITH picked AS MATERIALIZED (SELECT id FROM deliveries WHERE channel = 'email' AND state = 'queued'
             ORDER BY priority, not_before, id LIMIT {BATCH} FOR UPDATE SKIP LOCKED)
         UPDATE deliveries SET state = 'leased', fence = fence + 1, attempts = attempts + 1 WHERE id IN (SELECT id FROM picked)
         RETURNING id;\n"
    );
    std::fs::write(&file, claim).unwrap();
    let each = (rows / BATCH as usize / workers).max(1);
    let out = Command::new("pgbench")
        .args([
            "-n",
            "-M",
            "prepared",
            "-c",
            &workers.to_string(),
            "-j",
            &workers.to_string(),
            "-t",
            &each.to_string(),
            "-f",
        ])
        .arg(&file)
        .arg(url)
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&out.stdout).into_owned();
    let tps = said.lines().find_map(|line| line.strip_prefix("tps = "));
    let tps = tps.unwrap_or_else(|| panic!("{said} {}", String::from_utf8_lossy(&out.stderr)));
    tps.split(' ').next().unwrap().parse::<f64>().unwrap() * f64::from(BATCH)
}
