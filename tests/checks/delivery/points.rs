//! A real process is killed at named points of a send: told by the receiver when the conversation has come so far, or by its
//! own hook between steps. One message is in flight at a time, so each kill has one message that it meets.

use std::time::Duration;

use chrono::TimeDelta;
use treebell::clock::{Clock, SystemClock};
use treebell::delivery::attempt::{LostLeases, UncertainRest};
use treebell::delivery::state::DeliveryState;
use treebell::people::Channel;
use treebell::store::{Engine, Store};

use super::Ledger;
use super::gateway::{Act as ClaimRequest, FakeGateway};
use super::kills::{Service, kills, seed, waiting};
use super::smtp::{Act, Point, SmtpServer};
use crate::engines::at_each_address;
use crate::support::open_store;

/// Where the process dies.
#[derive(Clone, Debug)]
enum Death {
    /// By its own hook.
    Between(&'static str),
    Smtp(Act),
    Http(ClaimRequest),
}

/// What a kill may lead to, at most.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Toll {
    /// The receiver cannot have it, and the mark is there all the same.
    Mark,
    /// The receiver has it: one repeat, marked.
    Repeat,
    /// Booked, or repeated and marked: the answer is on its way when the kill comes.
    RepeatAtMost,
    /// The receiver has it and its answer is noted: the next start books it, with no mark.
    Noted,
    Nothing,
}

const BETWEEN: [(Death, Toll); 4] = [
    // Lease and attempt row are committed in one transaction: one point for both.
    (Death::Between("AfterClaim"), Toll::Mark),
    (Death::Between("AfterAnswer"), Toll::Repeat),
    // Seen failing (a repeat, and a mark too many) when the answer is not noted.
    (Death::Between("AfterSend"), Toll::Noted),
    (Death::Between("AfterBooking"), Toll::Nothing),
];

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_kill_at_each_point_of_smtp_repeats_only_what_the_relay_has() {
    let smtp = [
        (Act::Hold(Point::Greeting), Toll::Mark),
        (Act::Hold(Point::Ehlo), Toll::Mark),
        (Act::Hold(Point::Mail), Toll::Mark),
        (Act::Hold(Point::Rcpt), Toll::Mark),
        (Act::Hold(Point::Data), Toll::Mark),
        (Act::Hold(Point::InText), Toll::Mark),
        (Act::Hold(Point::Dot), Toll::Mark),
        (Act::KeepAndHang, Toll::Repeat),
        (Act::AnswerAndTell, Toll::RepeatAtMost),
    ];
    let points = smtp.into_iter().map(|(act, toll)| (Death::Smtp(act), toll)).chain(BETWEEN).collect();
    each_point(Channel::Email, points).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_kill_at_each_point_of_http_repeats_only_what_the_gateway_has() {
    let http = [
        (ClaimRequest::HoldBeforeBody, Toll::Mark),
        (ClaimRequest::HoldBeforeTaking, Toll::Mark),
        (ClaimRequest::TakeAndHang, Toll::Repeat),
        (ClaimRequest::AnswerAndTell, Toll::RepeatAtMost),
    ];
    let points = http.into_iter().map(|(act, toll)| (Death::Http(act), toll)).chain(BETWEEN).collect();
    each_point(Channel::Sms, points).await;
}

async fn in_doubt(store: &Store, channel: Channel) -> bool {
    let counts = store.queue_counts().await.unwrap();
    [DeliveryState::Leased, DeliveryState::Uncertain].iter().any(|state| counts.contains_key(&(channel, *state)))
}

/// On PostgreSQL, where the next worker may take something else before it looks for leases that ran out.
async fn let_leases_end(store: &Store) {
    let rest = UncertainRest { email: TimeDelta::zero(), sms: TimeDelta::zero() };
    while store.engine() == Engine::Postgres
        && store.queue_counts().await.unwrap().keys().any(|(_, state)| *state == DeliveryState::Leased)
    {
        store.recover_leases(LostLeases::Expired, rest, SystemClock.now()).await.unwrap();
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
}

/// Two kills at each point on each engine, more with `TREEBELL_KILLS`.
async fn each_point(channel: Channel, points: Vec<(Death, Toll)>) {
    let rounds = (kills() / 25).max(2);
    let (points, only) = (&points, ("TREEBELL_KILLED_CHANNEL", channel.name()));
    at_each_address("kills at named points", |address| async move {
        let relay = SmtpServer::start([]).await;
        let gateway = FakeGateway::start([]).await;
        let store = open_store(&address).await.unwrap();
        seed(&store, 0, points.len() * rounds * 2 + 2).await;
        let mut wanted = Ledger::default();
        let mut unsure = 0;
        for (death, toll) in points {
            for _ in 0..rounds {
                // What the kill before left in doubt goes first, and is let through.
                let_leases_end(&store).await;
                let mut before = usize::from(in_doubt(&store, channel).await);
                if before > 0 && matches!(death, Death::Smtp(Act::Hold(Point::Greeting | Point::Ehlo))) {
                    // A session has no other message before it.
                    let clearing = [("TREEBELL_KILLED_AT", "AfterBooking 0"), only, ("TREEBELL_KILLED_IN_FLIGHT", "1")];
                    let service = Service::worker_with(&address, &relay, &gateway, &clearing);
                    tokio::task::spawn_blocking(|| service.kills_itself()).await.unwrap();
                    before = 0;
                }
                let mut settings = vec![only, ("TREEBELL_KILLED_IN_FLIGHT", "1")];
                let dies = format!("{} {before}", if let Death::Between(point) = death { point } else { "" });
                match death {
                    Death::Between(_) => settings.push(("TREEBELL_KILLED_AT", &dies)),
                    Death::Smtp(act) => relay.act(vec![Act::Take; before].into_iter().chain([act.clone()])),
                    Death::Http(act) => gateway.act(vec![ClaimRequest::Take; before].into_iter().chain([act.clone()])),
                }
                let service = Service::worker_with(&address, &relay, &gateway, &settings);
                match death {
                    Death::Between(_) => tokio::task::spawn_blocking(|| service.kills_itself()).await.unwrap(),
                    Death::Smtp(_) => {
                        relay.has_reached().await;
                        service.kill();
                    }
                    Death::Http(_) => {
                        gateway.has_reached().await;
                        service.kill();
                    }
                }
                match toll {
                    Toll::Nothing => assert!(!in_doubt(&store, channel).await, "{death:?}"),
                    Toll::Noted => assert!(in_doubt(&store, channel).await, "{death:?}: booked too soon"),
                    Toll::Mark | Toll::Repeat => {
                        assert!(in_doubt(&store, channel).await, "{death:?}: nothing on record");
                        wanted.marked += 1;
                        wanted.repeated += usize::from(*toll == Toll::Repeat);
                    }
                    Toll::RepeatAtMost => unsure += 1,
                }
            }
        }
        let last = Service::worker_with(&address, &relay, &gateway, &[]);
        while waiting(&store).await > 0 {
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
        last.kill();
        let arrived = if channel == Channel::Email { relay.kept_keys() } else { gateway.taken_keys() };
        let ledger = Ledger::on(&[channel], &store, arrived).await;
        eprintln!(
            "{:?} {}: {} kills at {} points, {ledger:?}",
            store.engine(),
            channel.name(),
            rounds * points.len(),
            points.len()
        );
        assert_eq!((ledger.lost, ledger.silent, ledger.open), (0, 0, 0), "{ledger:?}");
        assert!((wanted.repeated..=wanted.repeated + unsure).contains(&ledger.repeated), "{wanted:?}, {ledger:?}");
        assert_eq!(
            ledger.repeated - wanted.repeated,
            usize::try_from(ledger.marked - wanted.marked).unwrap(),
            "{ledger:?}"
        );
        store.close().await;
    })
    .await;
}
