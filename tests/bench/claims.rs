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

/// A filled one, of which each measurement gets a copy: to fill one takes many times as long.
const FILLED: &str = "treebell_speed_filled";

/// Deliveries of one claim.
const BATCH: u32 = 50;

fn psql(server: &str, command: &str) {
    let done = Command::new("psql").args(["-q", "-v", "ON_ERROR_STOP=1", server, "-c", command]).output().unwrap();
    assert!(done.status.success(), "{command}: {}", String::from_utf8_lossy(&done.stderr));
}

/// Whether the server clears away what updates leave behind, as it does unless told not to. Without that each claim goes through
/// the places in the index of all that were claimed before.
fn clears_up(server: &str) -> bool {
    let said = Command::new("psql").args(["-qtA", server, "-c", "SHOW autovacuum"]).output().unwrap();
    String::from_utf8_lossy(&said.stdout).trim() == "on"
}

fn dropped(server: &str, database: &str) {
    psql(server, &format!("DROP DATABASE IF EXISTS {database} WITH (FORCE)"));
}

fn url_of(server: &str, database: &str) -> String {
    let mut url = url::Url::parse(server).unwrap();
    url.set_path(database);
    url.into()
}

async fn store_at(url: &str) -> Store {
    Store::make(url, &ServerTrust::default(), None, &Randomness::of_system()).await.unwrap()
}

/// A database with a queue, to be copied.
fn filled(server: &str, rows: usize) {
    dropped(server, FILLED);
    psql(server, &format!("CREATE DATABASE {FILLED}"));
    let url = url_of(server, FILLED);
    runtime().block_on(async {
        let store = store_at(&url).await;
        fill(&store, Channel::Email, rows, SystemClock.now()).await;
        store.close().await;
    });
    // What autovacuum would have done to a table that filled up within a season.
    psql(&url, "VACUUM ANALYZE");
}

/// The address of a fresh copy.
fn copy(server: &str) -> String {
    dropped(server, DATABASE);
    psql(server, &format!("CREATE DATABASE {DATABASE} TEMPLATE {FILLED}"));
    let url = url_of(server, DATABASE);
    // What has been written waits for no checkpoint of the copy.
    psql(server, "CHECKPOINT");
    url
}

pub fn claims(place: &Place, table: &mut Table) {
    let Ok(server) = std::env::var("TREEBELL_TEST_POSTGRES") else {
        return table.missing("claims on PostgreSQL", "TREEBELL_TEST_POSTGRES names no server");
    };
    if !clears_up(&server) {
        return table.missing("claims on PostgreSQL", "the server's `autovacuum` is off, which no service is run with");
    }
    let no_pgbench = beside::missing(&["/usr/bin/pgbench"]);
    let rows = place.sizes.claims;
    filled(&server, rows);
    for workers in [1, 2, 4] {
        let url = copy(&server);
        let rate = runtime().block_on(async {
            let store = store_at(&url).await;
            let rate = claimed_once(&store, workers, rows).await;
            store.close().await;
            rate
        });
        let other = no_pgbench.is_none().then(|| ("pgbench", vec![pgbench(place, &copy(&server), workers, rows)]));
        let what = format!("{rows} rows claimed on PostgreSQL by {workers} workers, {BATCH} at a time, each once");
        table.row(what, "rows/s", vec![rate], other, "0.8 of the bare claim");
    }
    if let Some(why) = no_pgbench {
        table.missing("pgbench beside the claims", &why);
    }
    let messages = place.sizes.messages.min(20_000);
    filled(&server, messages);
    for workers in [1, 2, 4] {
        let url = copy(&server);
        let rate = runtime().block_on(async {
            let store = store_at(&url).await;
            let rate = drained_by(&store, workers, messages).await;
            store.close().await;
            rate
        });
        let what = format!(
            "{messages} e-mails drained on PostgreSQL by {workers} workers into a channel that takes all at once"
        );
        table.row(what, "/s", vec![rate], None, "-");
    }
    for database in [DATABASE, FILLED] {
        dropped(&server, database);
    }
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
