//! The queue, the dispatcher and the channels: nothing is lost, a repeat is possible only for messages in flight at a
//! crash, and each is marked.
//!
//! In every check the receiver is the truth: what arrived is joined by key with what was booked.

mod aiosmtpd;
pub mod bounces;
mod faults;
pub mod gateway;
mod guards;
mod kannel;
mod kills;
mod parts;
mod points;
mod postfix;
mod private_postfix;
mod queue;
mod readers;
mod sending;
mod sink;
mod smpp;
pub mod smtp;

use std::collections::BTreeMap;
use std::sync::Arc;

use chrono::{DateTime, TimeDelta, Utc};
use treebell::clock::{Clock, ManualClock};
use treebell::config::{DeliveryConfig, PaceConfig};
use treebell::delivery::attempt::{LostLeases, UncertainRest};
use treebell::delivery::state::DeliveryState;
use treebell::dispatch::channels::Transport;
use treebell::dispatch::channels::scripted::{Script, ScriptedTransport};
use treebell::dispatch::personalise::AsWritten;
use treebell::dispatch::{Channels, Dispatcher};
use treebell::people::{AddressId, Channel};
use treebell::season::NoticeId;
use treebell::store::notices::delivery_id;
use treebell::store::queue::{DeliveryFilter, DeliveryRow};
use treebell::store::{Store, day_number, ms};

/// Noon in Denver on a spring day.
pub const NOON: &str = "2026-04-10T18:00:00Z";

pub fn at(text: &str) -> DateTime<Utc> {
    text.parse().unwrap()
}

/// What to put into the queue.
#[derive(Clone)]
pub struct Seed {
    pub region: &'static str,
    pub zone: &'static str,
    pub channel: Channel,
    /// Number of the first addressee and how many there are.
    pub first: usize,
    pub count: usize,
    pub priority: i64,
    pub not_before: DateTime<Utc>,
    pub expires_at: DateTime<Utc>,
}

impl Seed {
    pub fn new(channel: Channel, count: usize) -> Self {
        Self {
            region: "high-mesa",
            zone: "America/Denver",
            channel,
            first: 0,
            count,
            priority: 1,
            not_before: at(NOON),
            expires_at: at(NOON) + TimeDelta::days(21),
        }
    }

    pub fn notice(&self) -> NoticeId {
        format!("pinyon-needle-scale/{}/2026/inspect-now", self.region).into()
    }

    pub fn address(&self, index: usize) -> String {
        match self.channel {
            Channel::Email => format!("owner{}@example.org", self.first + index),
            // Area code by the hundred: only the numbers 555-0100 to 555-0199 are free for invention.
            Channel::Sms => format!("+1{}55501{:02}", 505 + (self.first + index) / 100, (self.first + index) % 100),
        }
    }

    pub fn keys(&self) -> Vec<String> {
        (0..self.count).map(|index| delivery_id(&self.notice(), &self.address_id(index))).collect()
    }

    fn address_id(&self, index: usize) -> AddressId {
        format!("{}-{}", self.channel.name(), self.first + index).into()
    }

    /// Writes region, notice, texts, addressees and deliveries as a release would. In bulk, since some checks want
    /// thousands.
    pub async fn put(&self, store: &Store) -> Vec<String> {
        let mut tx = store.begin().await.unwrap();
        let none = "ON CONFLICT DO NOTHING";
        let day = day_number(self.not_before.date_naive());
        for statement in [
            format!(
                "INSERT INTO regions (id, name, latitude, longitude, elevation_m, time_zone, profile, release_policy, hold_hours, created_at)
                 VALUES ('{0}', '{0}', 35, -135, 2000, '{1}', 'pinyon-needle-scale', 'at-once', 0, 0) {none}",
                self.region, self.zone
            ),
            format!(
                "INSERT INTO notices (id, profile, region_id, season, kind, status, reason, facts, decided_on, decided_at, released_at, released_by, expires_at, priority)
                 VALUES ('{}', 'pinyon-needle-scale', '{}', 2026, 'inspect-now', 'released', '{{}}', '{{}}', {day}, {}, {}, 'policy', {}, {}) {none}",
                self.notice(),
                self.region,
                ms(self.not_before),
                ms(self.not_before),
                ms(self.expires_at),
                self.priority
            ),
            format!(
                "INSERT INTO notice_texts (notice_id, language, channel, subject, body, html)
                 VALUES ('{0}', 'en', 'email', 'Inspect your pinyons now', 'Look at your trees.', '<p>Look at your trees.</p>'),
                        ('{0}', 'en', 'sms', NULL, 'Look at your trees. STOP to end', NULL) {none}",
                self.notice()
            ),
        ] {
            sqlx::query(sqlx::AssertSqlSafe(statement)).execute(tx.conn()).await.unwrap();
        }
        let rows: Vec<usize> = (0..self.count).collect();
        for part in rows.chunks(200) {
            let subscribers: Vec<String> =
                part.iter().map(|i| format!("('{}', 'en', 0)", self.address_id(*i))).collect();
            let addresses: Vec<String> = part
                .iter()
                .map(|i| {
                    format!(
                        "('{0}', '{0}', '{1}', '{2}', 'confirmed', 0)",
                        self.address_id(*i),
                        self.channel.name(),
                        self.address(*i)
                    )
                })
                .collect();
            let deliveries: Vec<String> = part
                .iter()
                .map(|i| {
                    format!(
                        "('{}', '{}', '{}', '{}', 'en', 'queued', {}, {}, {}, '{}', 0, 0, 0, {}, {})",
                        delivery_id(&self.notice(), &self.address_id(*i)),
                        self.notice(),
                        self.address_id(*i),
                        self.channel.name(),
                        self.priority,
                        ms(self.not_before),
                        ms(self.expires_at),
                        self.zone,
                        ms(self.not_before),
                        ms(self.not_before),
                    )
                })
                .collect();
            for (head, rows) in [
                ("subscribers (id, language, created_at)", subscribers),
                ("addresses (id, subscriber_id, channel, address, status, status_at)", addresses),
                (
                    "deliveries (id, notice_id, address_id, channel, language, state, priority, not_before, expires_at, time_zone, attempts, fence, uncertain_count, created_at, updated_at)",
                    deliveries,
                ),
            ] {
                let statement = format!("INSERT INTO {head} VALUES {} {none}", rows.join(", "));
                sqlx::query(sqlx::AssertSqlSafe(statement)).execute(tx.conn()).await.unwrap();
            }
        }
        tx.commit().await.unwrap();
        self.keys()
    }
}

/// No limits but the number in flight, short waits: what a check does not speak of should not be in its way.
pub fn plain_config() -> DeliveryConfig {
    let pace = PaceConfig { in_flight: 4, per_second: None, per_minute: None, per_day: None };
    DeliveryConfig { email: pace.clone(), sms: pace, ..DeliveryConfig::default() }
}

/// A store, a clock that stands still, and one scripted channel for both kinds.
pub struct World {
    pub store: Store,
    pub clock: Arc<ManualClock>,
    pub transport: Arc<ScriptedTransport>,
    pub config: DeliveryConfig,
}

impl World {
    pub fn new(store: Store, script: impl IntoIterator<Item = Script>) -> Self {
        Self {
            store,
            clock: Arc::new(ManualClock::at(at(NOON))),
            transport: Arc::new(ScriptedTransport::new(script)),
            config: plain_config(),
        }
    }

    /// A worker as a start of the service makes it.
    pub fn dispatcher(&self) -> Dispatcher {
        self.dispatcher_over(Channels::both(self.transport.clone()))
    }

    pub fn dispatcher_over(&self, channels: Channels) -> Dispatcher {
        let clock: Arc<dyn Clock> = self.clock.clone();
        Dispatcher::new(self.store.clone(), clock, channels, &self.config, Arc::new(AsWritten))
    }

    pub fn only(&self, channel: Channel) -> Channels {
        let transport: Arc<dyn Transport> = self.transport.clone();
        match channel {
            Channel::Email => Channels { email: Some(transport), sms: None },
            Channel::Sms => Channels { email: None, sms: Some(transport) },
        }
    }

    /// Moves the clock from one due instant to the next until nothing is left to do, as replay does. Returns the steps.
    pub async fn play_out(&self, dispatcher: &Dispatcher) -> usize {
        for step in 0.. {
            assert!(step < 10_000, "the queue does not come to an end: {:?}", dispatcher.next_due().await.unwrap());
            dispatcher.drain_due().await.unwrap();
            match dispatcher.next_due().await.unwrap() {
                Some(next) => {
                    assert!(next > self.clock.now(), "still due after draining: {next}");
                    self.clock.set(next);
                }
                None => return step,
            }
        }
        unreachable!()
    }

    pub fn clock_moved(&self) -> bool {
        self.clock.now() > at(NOON)
    }

    pub async fn row(&self, key: &str) -> DeliveryRow {
        rows(&self.store).await.remove(key).unwrap()
    }

    pub async fn lose_leases(&self) -> u64 {
        lose_leases(&self.store, self.clock.now()).await
    }
}

pub async fn lose_leases(store: &Store, now: DateTime<Utc>) -> u64 {
    let rest = UncertainRest { email: TimeDelta::zero(), sms: TimeDelta::minutes(15) };
    store.recover_leases(LostLeases::Expired, rest, now).await.unwrap().in_doubt
}

pub async fn rows(store: &Store) -> BTreeMap<String, DeliveryRow> {
    store.deliveries(&DeliveryFilter::default()).await.unwrap().into_iter().map(|row| (row.id.clone(), row)).collect()
}

/// What the join of arrivals and bookings says.
#[derive(Debug, Default, PartialEq, Eq)]
pub struct Ledger {
    pub booked: usize,
    pub lost: usize,
    pub repeated: usize,
    /// Repeats of deliveries that were never marked uncertain: must be none.
    pub silent: usize,
    pub marked: i64,
    /// Deliveries that have not ended as sent.
    pub open: usize,
}

impl Ledger {
    pub async fn of(store: &Store, arrived: impl IntoIterator<Item = String>) -> Self {
        Self::on(&Channel::ALL, store, arrived).await
    }

    /// That of some channels alone.
    pub async fn on(channels: &[Channel], store: &Store, arrived: impl IntoIterator<Item = String>) -> Self {
        let mut copies: BTreeMap<String, i64> = BTreeMap::new();
        for key in arrived {
            *copies.entry(key).or_insert(0) += 1;
        }
        let mut ledger = Self::default();
        for (key, row) in rows(store).await.into_iter().filter(|(_, row)| channels.contains(&row.channel)) {
            let arrived = copies.remove(&key).unwrap_or(0);
            ledger.booked += 1;
            ledger.marked += row.standing.uncertain_count;
            ledger.lost += usize::from(arrived == 0);
            ledger.repeated += usize::try_from((arrived - 1).max(0)).unwrap();
            ledger.silent += usize::from(arrived - 1 > row.standing.uncertain_count);
            ledger.open += usize::from(row.standing.state != DeliveryState::Sent);
        }
        assert_eq!(copies, BTreeMap::new(), "arrived but never queued");
        ledger
    }
}
