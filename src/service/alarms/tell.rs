//! How alarms reach people: through the queue, ahead of all else in it; and past it when the store cannot be written.

use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

use chrono::{DateTime, TimeDelta, Utc};
use tracing::{info, warn};

use crate::alarms::settings::Recipient;
use crate::alarms::words::{Words, words};
use crate::alarms::{Alarm, AlarmKind, Change, Pauses, What, pause_after};
use crate::dispatch::channels::{Channels, Outgoing};
use crate::language::Language;
use crate::message::sms::gsm_safe;
use crate::message::{Message, TransactionalKind};
use crate::people::{Address, Channel};
use crate::progress::Part;
use crate::service::app::App;
use crate::store::transactional::{self, NewTransactional, Put};
use crate::store::{StoreError, Tx};

/// After this an alarm that could not be sent says nothing that is true any more.
const TELLS: TimeDelta = TimeDelta::hours(24);

/// An alarm that is repeated is of use until its next telling is queued, so that after an outage one arrives and not all: the
/// next look comes within this time.
const NEXT_LOOK: TimeDelta = TimeDelta::minutes(10);

/// A channel that is asked directly must answer within this time.
const DIRECT: Duration = Duration::from_secs(60);

/// One message that was queued or could not be.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Sent {
    pub recipient: String,
    pub channel: Channel,
    /// `None`: the address has said stop, so nothing may go there.
    pub delivery: Option<String>,
}

/// Queues what recipients are told of these changes: one message an address. Gives how many there are.
///
/// # Errors
/// When the store fails.
pub(super) async fn queue(
    tx: &mut Tx,
    app: &App,
    recipients: &[Recipient],
    changes: &[Change],
    pauses: &Pauses,
    broken: &BTreeSet<Channel>,
    now: DateTime<Utc>,
) -> Result<Vec<Sent>, StoreError> {
    let mut sent = Vec::new();
    let letters = letters(app, recipients, changes, broken, now);
    let told: BTreeSet<&str> =
        letters.iter().flat_map(|letter| &letter.changes).map(|change| change.alarm.id.as_str()).collect();
    for Change { alarm, .. } in changes.iter().filter(|change| change.tell && !recipients.is_empty()) {
        if !told.contains(alarm.id.as_str()) {
            warn!(alarm = %alarm.kind, "no recipient of alarms.recipients takes this alarm: nobody is told of it but this log");
        }
    }
    for letter in letters {
        // The instant is part of it: each telling is a message of its own.
        let ids: Vec<&str> = letter.changes.iter().map(|change| change.alarm.id.as_str()).collect();
        let new = NewTransactional {
            kind: TransactionalKind::Alarm,
            to: letter.to.clone(),
            language: Language::En,
            message: message(letter.to.channel(), &letter.words),
            fact: format!("{}\n{}", now.timestamp_millis(), ids.join("\n")),
            expires_at: now + letter.changes.iter().map(|change| tells_for(change, pauses)).max().unwrap_or(TELLS),
        };
        let delivery = match transactional::put_in(tx, &new, app.config.schedule.time_zone, now).await? {
            Put::Queued { delivery } => Some(delivery),
            Put::AlreadyThere => continue,
            Put::NotAllowed => {
                warn!(
                    recipient = letter.recipient,
                    channel = letter.to.channel().name(),
                    "an alarm may not go to a recipient of alarms.recipients: this address has said stop"
                );
                None
            }
        };
        sent.push(Sent { recipient: letter.recipient.to_owned(), channel: letter.to.channel(), delivery });
    }
    Ok(sent)
}

/// How long a message that tells a change is of use.
fn tells_for(change: &Change, pauses: &Pauses) -> TimeDelta {
    match change.what {
        What::Raised | What::Again | What::Repeated => {
            pause_after(&change.alarm, pauses).map_or(TELLS, |pause| (pause + NEXT_LOOK).min(TELLS))
        }
        What::Noted | What::Resolved => TELLS,
    }
}

/// Queues a test alarm for every recipient, by every way each has.
///
/// # Errors
/// When the store fails.
pub async fn put_test(app: &App, recipients: &[Recipient], now: DateTime<Utc>) -> Result<Vec<Sent>, StoreError> {
    let alarm = Alarm {
        id: format!("test/{}", app.store.randomness().hex::<8>()),
        kind: AlarmKind::Test,
        subject: String::new(),
        machine: String::new(),
        region: None,
        urgent: true,
        what: "This is a test: somebody typed `treebell alarms test` to see that alarms arrive.".into(),
        mend: "nothing; if it was announced, say that it came.".into(),
        raised_at: now,
        told_at: Some(now),
        times_told: 1,
        believed: false,
        seen_at: now,
        ended_at: Some(now),
    };
    let change = Change { what: What::Raised, alarm, tell: true };
    let mut tx = app.store.begin().await?;
    crate::store::alarms::keep(&mut tx, &change).await?;
    let pauses = app.config.alarms.pauses(true);
    let sent = queue(&mut tx, app, recipients, &[change], &pauses, &BTreeSet::new(), now).await?;
    tx.commit().await?;
    app.queued.notify_one();
    Ok(sent)
}

/// Sends past the queue, without limits and without a record: for the alarms that the queue cannot carry. To who has `stopped`
/// nothing goes. Gives how many were taken.
pub(super) async fn directly(
    app: &App,
    channels: &Channels,
    recipients: &[Recipient],
    stopped: &[Address],
    change: &Change,
    now: DateTime<Utc>,
) -> usize {
    let mut taken = 0;
    let letters = letters(app, recipients, std::slice::from_ref(change), &BTreeSet::new(), now);
    for letter in letters.into_iter().filter(|letter| !stopped.contains(letter.to)) {
        app.progress.made(Part::Alarms);
        let channel = letter.to.channel();
        let Some(transport) = channels.of(channel) else { continue };
        let outgoing = Outgoing {
            key: app.store.randomness().hex::<16>(),
            to: letter.to.expose().to_owned(),
            message: message(channel, &letter.words),
            stop_url: None,
            at: now,
            dated: now,
        };
        match tokio::time::timeout(DIRECT, transport.send(&outgoing)).await {
            Ok(Ok(_)) => {
                taken += 1;
                info!(recipient = letter.recipient, channel = channel.name(), "told past the queue");
            }
            Ok(Err(why)) => {
                let why = crate::delivery::scrub::scrubbed(&why.to_string());
                warn!(
                    recipient = letter.recipient,
                    channel = channel.name(),
                    "could not be told past the queue: {why}"
                );
            }
            Err(_) => warn!(
                recipient = letter.recipient,
                channel = channel.name(),
                "could not be told past the queue in time"
            ),
        }
    }
    taken
}

struct Letter<'a> {
    recipient: &'a str,
    to: &'a Address,
    changes: Vec<&'a Change>,
    words: Words,
}

/// One letter for each address that is told anything.
fn letters<'a>(
    app: &App,
    recipients: &'a [Recipient],
    changes: &'a [Change],
    broken: &BTreeSet<Channel>,
    now: DateTime<Utc>,
) -> Vec<Letter<'a>> {
    let told: Vec<&Change> = changes.iter().filter(|change| change.tell).collect();
    let mut letters = Vec::new();
    for recipient in recipients {
        let theirs: Vec<&Change> = told.iter().copied().filter(|change| recipient.is_told(&change.alarm)).collect();
        let mut by_address: BTreeMap<Channel, (&Address, Vec<&Change>)> = BTreeMap::new();
        for change in &theirs {
            for address in recipient.addresses(&change.alarm, broken) {
                by_address.entry(address.channel()).or_insert_with(|| (address, Vec::new())).1.push(*change);
            }
        }
        let is_told = |other: &Recipient| theirs.iter().any(|change| other.is_told(&change.alarm));
        let others = recipients.iter().filter(|other| other.name != recipient.name && is_told(other));
        let also: Vec<&str> = others.map(|other| other.name.as_str()).collect();
        for (to, changes) in by_address.into_values() {
            let sender = &app.config.messages.sender_short;
            let words = words(&changes, &also, sender, app.config.schedule.time_zone, now);
            letters.push(Letter { recipient: &recipient.name, to, changes, words });
        }
    }
    letters
}

fn message(channel: Channel, words: &Words) -> Message {
    match channel {
        Channel::Email => Message::Email {
            subject: words.subject.clone(),
            text: words.text.clone(),
            html: words.html.clone(),
            calendar: None,
            chart_png: None,
        },
        // In the small alphabet a text is one or two segments and not five.
        Channel::Sms => Message::Sms { text: gsm_safe(&words.sms) },
    }
}
