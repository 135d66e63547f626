//! The queue alone: who may take what, and whose word counts.

use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use chrono::{DateTime, NaiveTime, TimeDelta, Utc};
use treebell::delivery::attempt::{AttemptOutcome, Lease, Reference};
use treebell::delivery::pace::RateWindow;
use treebell::delivery::quiet_hours::QuietHours;
use treebell::delivery::state::{DeliveryState, Report};
use treebell::dispatch::channels::scripted::Script;
use treebell::message::Message;
use treebell::people::{Channel, Language};
use treebell::season::{NoticeKind, SeasonKey};
use treebell::store::notices::{NewNotice, NoticeRelease, NoticeText, Put, put_notice};
use treebell::store::queue::{Booked, ByHand, ClaimRequest, Claimed, Reported};
use treebell::store::{Engine, Store, ms};

use super::{Ledger, NOON, Seed, World, at, lose_leases, rows};
use crate::engines::{Databases, at_each_address, on_each_engine};
use crate::support;
use crate::support::open_store;

fn open_hours() -> QuietHours {
    QuietHours::new(NaiveTime::MIN, NaiveTime::MIN)
}

async fn claim_as(store: &Store, worker: &str, most: u32, now: DateTime<Utc>) -> Claimed {
    store
        .claim(&ClaimRequest {
            channel: Channel::Email,
            now,
            lease: TimeDelta::seconds(60),
            worker,
            most,
            in_flight: None,
            windows: &[],
            quiet: open_hours(),
        })
        .await
        .unwrap()
}

pub async fn claim_one(store: &Store, worker: &str, now: DateTime<Utc>) -> Lease {
    let mut claimed = claim_as(store, worker, 1, now).await;
    assert_eq!(claimed.taken.len(), 1);
    claimed.taken.remove(0).lease
}

async fn finish_one(store: &Store, lease: &Lease, ending: AttemptOutcome, now: DateTime<Utc>) -> Booked {
    store.finish(&[(lease.clone(), ending)], now).await.unwrap()[0]
}

fn accepted() -> AttemptOutcome {
    AttemptOutcome::Accepted { provider_ref: None }
}

async fn state_of(store: &Store, key: &str) -> DeliveryState {
    rows(store).await[key].standing.state
}

// The five failures that an independent review found in other queues.

// First: a late acknowledgement overwrites the successor. Seen failing without `fence = …` in the booking:
// the zombie's answer ends the second worker's lease.
#[tokio::test]
async fn a_late_answer_does_not_touch_the_successor() {
    on_each_engine("a late answer", |store| async move {
        let key = Seed::new(Channel::Email, 1).put(&store).await.remove(0);
        let mut now = at(NOON);
        let first = claim_one(&store, "first", now).await;
        now += TimeDelta::seconds(61);
        assert_eq!(lose_leases(&store, now).await, 1);
        let second = claim_one(&store, "second", now).await;
        assert_eq!((first.fence, second.fence), (1, 2));

        for ending in [
            accepted(),
            AttemptOutcome::Refused { cause: "x".into() },
            AttemptOutcome::NotNow { not_before: now, cause: "x".into() },
            AttemptOutcome::AnswerLost { not_before: now, cause: "x".into() },
        ] {
            assert_eq!(finish_one(&store, &first, ending, now).await, Booked::Stale);
            assert_eq!(state_of(&store, &key).await, DeliveryState::Leased);
        }
        assert_eq!(finish_one(&store, &second, accepted(), now).await, Booked::Done(DeliveryState::Sent));
        assert_eq!(finish_one(&store, &first, AttemptOutcome::Refused { cause: "x".into() }, now).await, Booked::Stale);
        assert_eq!(state_of(&store, &key).await, DeliveryState::Sent);
    })
    .await;
}

// Second: a worker that comes back under its old name completes what it lost. Nothing is decided by the name here, only by
// the fence. Seen failing without it.
#[tokio::test]
async fn a_worker_that_comes_back_under_its_old_name_gains_nothing() {
    on_each_engine("worker names", |store| async move {
        let key = Seed::new(Channel::Email, 1).put(&store).await.remove(0);
        let mut now = at(NOON);
        let before = claim_one(&store, "worker-1", now).await;
        now += TimeDelta::seconds(61);
        lose_leases(&store, now).await;
        let after = claim_one(&store, "worker-1", now).await;
        assert_eq!(
            finish_one(&store, &before, AttemptOutcome::Refused { cause: "x".into() }, now).await,
            Booked::Stale
        );
        assert!(store.renew_leases(&[before], now, TimeDelta::seconds(60)).await.unwrap().is_empty());
        assert_eq!(state_of(&store, &key).await, DeliveryState::Leased);
        assert_eq!(finish_one(&store, &after, accepted(), now).await, Booked::Done(DeliveryState::Sent));
    })
    .await;
}

// Third: a lease is renewed after it ran out. Seen failing without `lease_until > …` in the renewal: the first worker
// would hold what the next look at the queue gives away.
#[tokio::test]
async fn a_lease_that_ran_out_cannot_be_renewed() {
    on_each_engine("renewal", |store| async move {
        Seed::new(Channel::Email, 1).put(&store).await;
        let now = at(NOON);
        let lease = claim_one(&store, "w", now).await;
        let minute = TimeDelta::seconds(60);
        let held =
            store.renew_leases(std::slice::from_ref(&lease), now + TimeDelta::seconds(59), minute).await.unwrap();
        assert_eq!(held, std::slice::from_ref(&lease));
        let later = now + TimeDelta::seconds(59) + minute;
        assert!(store.renew_leases(std::slice::from_ref(&lease), later, minute).await.unwrap().is_empty());
        assert_eq!(lose_leases(&store, later).await, 1);
    })
    .await;
}

// Fourth: queueing does not join the caller's transaction. If a release opened one of its own, the half after the rollback
// would find deliveries without a notice.
#[tokio::test]
async fn notice_and_deliveries_come_together_or_not_at_all() {
    on_each_engine("queueing in a transaction", |store| async move {
        // Region and two addressees are there; the notice of the seed is another region's.
        let seed = Seed::new(Channel::Email, 2);
        seed.put(&store).await;
        let mut tx = store.begin().await.unwrap();
        for statement in [
            "INSERT INTO region_zips (zip, region_id) VALUES ('00101', 'high-mesa')",
            "INSERT INTO subscriber_zips (subscriber_id, zip) VALUES ('email-0', '00101'), ('email-1', '00101')",
        ] {
            sqlx::query(statement).execute(tx.conn()).await.unwrap();
        }
        tx.commit().await.unwrap();
        let notice = NewNotice {
            season: SeasonKey { profile: "pinyon-needle-scale".into(), region: "high-mesa".into(), year: 2026 },
            kind: NoticeKind::TooLateToWash,
            fate: NoticeRelease::Release,
            reason: serde_json::Value::Null,
            facts: serde_json::Value::Null,
            decided_on: at(NOON).date_naive(),
            decided_at: at(NOON),
            expires_at: at(NOON) + TimeDelta::days(14),
            priority: 2,
        };
        let message =
            Message::Email { subject: "s".into(), text: "t".into(), html: "h".into(), calendar: None, chart_png: None };
        let texts = [NoticeText { language: Language::En, message }];

        let mut tx = store.begin().await.unwrap();
        assert_eq!(put_notice(&mut tx, &notice, &texts).await.unwrap(), Put::Written { deliveries: 2 });
        drop(tx);
        assert_eq!(rows(&store).await.len(), 2, "only the seed's");
        assert!(store.notice(&"pinyon-needle-scale/high-mesa/2026/too-late-to-wash".into()).await.is_err());

        let mut tx = store.begin().await.unwrap();
        put_notice(&mut tx, &notice, &texts).await.unwrap();
        tx.commit().await.unwrap();
        assert_eq!(rows(&store).await.len(), 4);
        assert_eq!(store.put_notice(&notice, &texts).await.unwrap(), Put::AlreadyThere);
        assert_eq!(rows(&store).await.len(), 4, "a second run changes nothing");
    })
    .await;
}

// Fifth: SQLITE_BUSY comes up among many writers. Seen failing without BEGIN IMMEDIATE: a transaction that has read
// cannot be made to wait for its turn to write.
#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn many_writers_in_two_processes_never_meet_a_busy_store() {
    at_each_address("many writers", |address| async move {
        let (one, other) = (open_store(&address).await.unwrap(), open_store(&address).await.unwrap());
        Seed::new(Channel::Email, 300).put(&one).await;
        let now = at(NOON);
        let mut tasks = tokio::task::JoinSet::new();
        for worker in 0..32 {
            let store = if worker % 2 == 0 { one.clone() } else { other.clone() };
            tasks.spawn(async move {
                let mut done = Vec::new();
                loop {
                    let claimed = claim_as(&store, &format!("w{worker}"), 3, now).await;
                    if claimed.taken.is_empty() {
                        return done;
                    }
                    let endings: Vec<_> =
                        claimed.taken.iter().map(|leased| (leased.lease.clone(), accepted())).collect();
                    let booked = store.finish(&endings, now).await.unwrap();
                    assert!(booked.iter().all(|booked| *booked == Booked::Done(DeliveryState::Sent)), "{booked:?}");
                    store
                        .apply_report(Channel::Email, Reference::Key(&endings[0].0.delivery), Report::Delivered, now)
                        .await
                        .unwrap();
                    done.extend(endings.into_iter().map(|(lease, _)| lease));
                }
            });
        }
        let done: Vec<Lease> = tasks.join_all().await.into_iter().flatten().collect();
        assert_eq!(done.len(), 300, "each was taken once");
        assert!(done.iter().all(|lease| lease.fence == 1), "none was claimed twice");
        one.close().await;
        other.close().await;
    })
    .await;
}

// The claim.

// Seen failing on PostgreSQL without the lock line of the claim: rows are claimed twice. With FOR UPDATE alone nothing is
// claimed twice either; SKIP LOCKED only spares the wait.
#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn workers_share_the_queue_and_none_gets_what_another_has() {
    on_each_engine("shared queue", |store| async move {
        let keys = Seed::new(Channel::Email, 500).put(&store).await;
        let mut tasks = tokio::task::JoinSet::new();
        for worker in 0..8 {
            let store = store.clone();
            tasks.spawn(async move {
                let mut taken = Vec::new();
                loop {
                    let claimed = claim_as(&store, &format!("w{worker}"), 7, at(NOON)).await;
                    if claimed.taken.is_empty() {
                        return taken;
                    }
                    taken.extend(claimed.taken.into_iter().map(|leased| leased.lease.delivery));
                }
            });
        }
        let mut taken: Vec<String> = tasks.join_all().await.into_iter().flatten().collect();
        taken.sort();
        let mut wanted = keys;
        wanted.sort();
        assert_eq!(taken, wanted);
    })
    .await;
}

#[tokio::test]
async fn urgent_ones_go_first_and_then_by_their_time() {
    on_each_engine("order", |store| async move {
        let now = at(NOON);
        let with = |region, priority, minutes_ago| {
            let mut seed = Seed::new(Channel::Email, 2);
            seed.region = region;
            seed.priority = priority;
            seed.not_before = now - TimeDelta::minutes(minutes_ago);
            seed.first = usize::try_from(minutes_ago).unwrap();
            seed
        };
        let seeds = [with("late", 2, 10), with("urgent", 1, 5), with("early", 2, 30), with("not-yet", 1, 0)];
        let mut seeds = seeds.to_vec();
        seeds[3].not_before = now + TimeDelta::seconds(1);
        for seed in &seeds {
            seed.put(&store).await;
        }
        let order: Vec<String> =
            claim_as(&store, "w", 100, now).await.taken.into_iter().map(|leased| leased.notice).collect();
        let wanted: Vec<String> = [&seeds[1], &seeds[1], &seeds[2], &seeds[2], &seeds[0], &seeds[0]]
            .map(|seed| seed.notice().to_string())
            .to_vec();
        assert_eq!(order, wanted);
    })
    .await;
}

#[tokio::test]
async fn what_staff_call_back_is_not_taken() {
    on_each_engine("a recalled notice", |store| async move {
        let seed = Seed::new(Channel::Email, 2);
        seed.put(&store).await;
        let lease = claim_one(&store, "w", at(NOON)).await;
        store.recall_notice(&seed.notice(), "desk", Some("wrong region"), at(NOON)).await.unwrap();
        // One was in hand and comes back unsent: it must not go out after all.
        finish_one(&store, &lease, AttemptOutcome::NotNow { not_before: at(NOON), cause: "x".into() }, at(NOON)).await;
        assert!(claim_as(&store, "w", 10, at(NOON)).await.taken.is_empty());
    })
    .await;
}

// Seen failing when the claim does not look at the address once more.
#[tokio::test]
async fn who_said_stop_after_queueing_is_not_written_to() {
    on_each_engine("a stop between queueing and sending", |store| async move {
        let keys = Seed::new(Channel::Email, 2).put(&store).await;
        let mut tx = store.begin().await.unwrap();
        sqlx::query("UPDATE addresses SET status = 'stopped' WHERE id = 'email-0'").execute(tx.conn()).await.unwrap();
        tx.commit().await.unwrap();
        let world = World::new(store, []);
        let drained = world.dispatcher().drain_due().await.unwrap();
        assert_eq!((drained.sent, drained.withdrawn), (1, 1));
        assert_eq!(world.row(&keys[0]).await.standing.state, DeliveryState::Cancelled);
        assert_eq!(world.transport.sent_to("owner0@example.org"), 0);
    })
    .await;
}

// Reports.

// Seen failing without the forward-only rule in `DeliveryStanding::after`: "accepted" that comes last takes "delivered" back.
#[tokio::test]
async fn reports_in_every_order_end_in_the_same_state() {
    on_each_engine("reports out of order", |store| async move {
        // Ours: the answer with the provider's reference. Theirs: accepted, delivered, and delivered again.
        let orders = permutations(4);
        let mut seed = Seed::new(Channel::Sms, orders.len());
        seed.first = 1000;
        seed.put(&store).await;
        let now = at(NOON);
        let claimed = store
            .claim(&ClaimRequest {
                channel: Channel::Sms,
                now,
                lease: TimeDelta::seconds(60),
                worker: "w",
                most: 1000,
                in_flight: None,
                windows: &[],
                quiet: open_hours(),
            })
            .await
            .unwrap();
        for (leased, order) in claimed.taken.iter().zip(&orders) {
            let key = &leased.lease.delivery;
            let reference = format!("ref-{key}");
            for step in order {
                let report = |report| {
                    let (store, reference) = (&store, &reference);
                    async move {
                        store.apply_report(Channel::Sms, Reference::Provider(reference), report, now).await.unwrap()
                    }
                };
                match step {
                    0 => {
                        let ending = AttemptOutcome::Accepted { provider_ref: Some(reference.clone()) };
                        assert_ne!(finish_one(&store, &leased.lease, ending, now).await, Booked::Stale);
                    }
                    1 => drop(report(Report::Accepted).await),
                    2 => drop(report(Report::Delivered).await),
                    // By our own key this time.
                    _ => {
                        let said = store
                            .apply_report(Channel::Sms, Reference::Key(key), Report::Delivered, now)
                            .await
                            .unwrap();
                        assert_ne!(said, Reported::Unknown);
                    }
                }
            }
            let row = rows(&store).await.remove(key).unwrap();
            assert_eq!(row.standing.state, DeliveryState::Delivered, "order {order:?}");
            assert_eq!(row.provider_ref, Some(reference), "order {order:?}");
        }
    })
    .await;
}

#[tokio::test]
async fn a_report_about_nobody_is_said_to_be_one() {
    on_each_engine("unknown references", |store| async move {
        Seed::new(Channel::Sms, 1).put(&store).await;
        for reference in [Reference::Key("nobody"), Reference::Provider("nobody")] {
            let said = store.apply_report(Channel::Sms, reference, Report::Delivered, at(NOON)).await.unwrap();
            assert_eq!(said, Reported::Unknown);
        }
    })
    .await;
}

// Whoever can call the webhook could else end what others wait for.
#[tokio::test]
async fn a_report_moves_only_the_message_that_both_references_name_and_none_that_was_never_sent() {
    on_each_engine("forged reports", |store| async move {
        let keys = Seed::new(Channel::Email, 3).put(&store).await;
        let said = |reference, report| {
            let store = store.clone();
            async move { store.apply_report(Channel::Email, reference, report, at(NOON)).await.unwrap() }
        };
        for report in [Report::Accepted, Report::Delivered, Report::Undelivered] {
            let never = said(Reference::Key(&keys[0]), report).await;
            assert!(matches!(never, Reported::Forged { why } if why.contains("never sent")), "{never:?}");
        }
        assert_eq!(state_of(&store, &keys[0]).await, DeliveryState::Queued);

        let claimed = claim_as(&store, "w", 2, at(NOON)).await.taken;
        let [mine, other] = [&claimed[0].lease, &claimed[1].lease];
        for (lease, theirs) in [(mine, "r-1"), (other, "r-2")] {
            let ending = AttemptOutcome::Accepted { provider_ref: Some(theirs.into()) };
            finish_one(&store, lease, ending, at(NOON)).await;
        }
        let both = |provider| Reference::Both { key: &mine.delivery, provider };
        let forged = said(both("r-2"), Report::Undelivered).await;
        assert!(matches!(forged, Reported::Forged { why } if why.contains("another message")), "{forged:?}");
        for lease in [mine, other] {
            assert_eq!(state_of(&store, &lease.delivery).await, DeliveryState::Sent);
        }
        // A reference that nobody has is the gateway's own name of the call.
        assert!(matches!(said(both("call-1"), Report::Accepted).await, Reported::Unchanged { .. }));
        assert!(matches!(said(both("r-1"), Report::Delivered).await, Reported::Moved { .. }));
    })
    .await;
}

// Gateways that count their messages begin anew some day.
#[tokio::test]
async fn a_report_from_long_before_its_reference_was_given_is_of_another_message() {
    on_each_engine("old reports", |store| async move {
        let key = Seed::new(Channel::Email, 1).put(&store).await.remove(0);
        let long_ago = at(NOON) - TimeDelta::days(2);
        store.apply_report(Channel::Email, Reference::Provider("7"), Report::Undelivered, long_ago).await.unwrap();
        let lease = claim_one(&store, "w", at(NOON)).await;
        let ending = AttemptOutcome::Accepted { provider_ref: Some("7".into()) };
        assert_eq!(finish_one(&store, &lease, ending, at(NOON)).await, Booked::Done(DeliveryState::Sent));
        assert_eq!(state_of(&store, &key).await, DeliveryState::Sent);
    })
    .await;
}

// Seen failing without `state = 'leased'` in the booking: what came too late counts as if it had come in time.
#[tokio::test]
async fn an_answer_after_the_lease_ran_out_still_saves_the_repeat() {
    on_each_engine("a late answer without a successor", |store| async move {
        let key = Seed::new(Channel::Email, 1).put(&store).await.remove(0);
        let lease = claim_one(&store, "w", at(NOON)).await;
        let later = at(NOON) + TimeDelta::seconds(61);
        lose_leases(&store, later).await;
        assert_eq!(finish_one(&store, &lease, accepted(), later).await, Booked::Overtaken(DeliveryState::Sent));
        let row = rows(&store).await.remove(&key).unwrap();
        assert_eq!((row.standing.state, row.standing.uncertain_count), (DeliveryState::Sent, 1));
        assert!(claim_as(&store, "w", 1, later).await.taken.is_empty());
    })
    .await;
}

// Answers are booked by one statement where there are many. Whatever has become of each delivery meanwhile (its lease ran out,
// another has it, a report was quicker), it must do what booking each by itself does. Seen failing without `fence = …` and without
// `state = 'leased'` in that statement, and without its look for early reports.
#[tokio::test]
async fn many_answers_booked_at_once_do_what_each_does_by_itself() {
    use rand::seq::IndexedRandom;
    use rand::{RngExt, SeedableRng};
    const EACH: usize = 150;
    on_each_engine("answers at once", |store| async move {
        let (now, later) = (at(NOON), at(NOON) + TimeDelta::seconds(61));
        let groups = ["high-mesa", "low-mesa"].map(|region| Seed { region, ..Seed::new(Channel::Email, EACH) });
        let mut leases = Vec::new();
        for seed in &groups {
            let keys = seed.put(&store).await;
            let taken = claim_as(&store, "w", EACH as u32, now).await.taken;
            let mut taken: std::collections::BTreeMap<String, Lease> =
                taken.into_iter().map(|leased| (leased.lease.delivery.clone(), leased.lease)).collect();
            leases.push(keys.iter().map(|key| taken.remove(key).unwrap()).collect::<Vec<_>>());
        }
        let mut dice = rand_chacha::ChaCha8Rng::seed_from_u64(77);
        let fates: Vec<u8> = (0..EACH).map(|_| dice.random_range(0..5)).collect();
        let reports: Vec<Report> = (0..EACH)
            .map(|_| *[Report::Accepted, Report::Delivered, Report::Undelivered].choose(&mut dice).unwrap())
            .collect();
        let answers: Vec<u8> = (0..EACH).map(|_| dice.random_range(0..8)).collect();
        for (group, leases) in leases.iter().enumerate() {
            for (index, lease) in leases.iter().enumerate() {
                let theirs = format!("{group}-{index}");
                let reference = match fates[index] {
                    0 => Reference::Key(&lease.delivery),
                    1 => Reference::Provider(&theirs),
                    _ => continue,
                };
                store.apply_report(Channel::Email, reference, reports[index], now).await.unwrap();
            }
            let kept: Vec<Lease> =
                leases.iter().zip(&fates).filter(|(_, fate)| **fate < 4).map(|(lease, _)| lease.clone()).collect();
            store.renew_leases(&kept, now, TimeDelta::hours(1)).await.unwrap();
        }
        lose_leases(&store, later).await;
        // A fifth of each was lost. Of that all of one notice, which comes first, and half of the other's are in other hands.
        claim_as(&store, "other", EACH as u32 * 3 / 10, later).await;
        let ending = |group: usize, index: usize| match answers[index] {
            0 => AttemptOutcome::NotNow { not_before: later, cause: "x".into() },
            1 => AttemptOutcome::Refused { cause: "y".into() },
            2 => AttemptOutcome::AnswerLost { not_before: later, cause: "z".into() },
            3 => AttemptOutcome::Withdrawn,
            4 => accepted(),
            _ => AttemptOutcome::Accepted { provider_ref: Some(format!("{group}-{index}")) },
        };
        let together: Vec<(Lease, AttemptOutcome)> =
            leases[0].iter().enumerate().map(|(index, lease)| (lease.clone(), ending(0, index))).collect();
        let held_by_others = rows_held_by_others(&store).await;
        let booked = store.finish(&together, later).await.unwrap();
        let mut kinds = [0; 3];
        for (index, lease) in leases[1].iter().enumerate() {
            // Who was claimed by another is drawn by the queue: only pairs with the same fate can be held against each other.
            let pair = [&leases[0][index].delivery, &lease.delivery];
            let alone = finish_one(&store, lease, ending(1, index), later).await;
            if held_by_others.contains(pair[0]) != held_by_others.contains(pair[1]) {
                continue;
            }
            assert_eq!(booked[index], alone, "{index}: {:?} of fate {}", ending(1, index), fates[index]);
            let [one, other] = [told_of(&store, pair[0]).await, told_of(&store, pair[1]).await];
            assert_eq!(one, other, "{index}: {:?} of fate {}", ending(1, index), fates[index]);
            kinds[match alone {
                Booked::Done(_) => 0,
                Booked::Overtaken(_) => 1,
                Booked::Stale => 2,
            }] += 1;
        }
        assert!(kinds.iter().all(|count| *count > 2), "{kinds:?}");
    })
    .await;
}

async fn rows_held_by_others(store: &Store) -> std::collections::BTreeSet<String> {
    let rows = sqlx::query("SELECT id FROM deliveries WHERE fence > 1")
        .fetch_all(&mut *store.read().await.unwrap())
        .await
        .unwrap();
    rows.iter().map(|row| sqlx::Row::get(row, 0)).collect()
}

/// All that is kept of a delivery and its first attempt, but for whose it is.
async fn told_of(store: &Store, key: &str) -> Vec<String> {
    let row = sqlx::query(
        "SELECT d.state, d.fence, d.uncertain_count, d.answers_lost, d.not_before, COALESCE(d.lease_until, -1), d.updated_at, \
                COALESCE(a.ended_at, -1), COALESCE(d.last_error, '-'), COALESCE(a.outcome, '-'), \
                COALESCE(SUBSTR(d.provider_ref, 2), '-'), CASE WHEN a.outcome = 'accepted' THEN COALESCE(SUBSTR(a.detail, 2), '-') ELSE a.detail END \
         FROM deliveries d JOIN attempts a ON a.delivery_id = d.id AND a.fence = 1 WHERE d.id = $1",
    )
    .bind(key)
    .fetch_one(&mut *store.read().await.unwrap())
    .await
    .unwrap();
    let text = |at: usize| sqlx::Row::get::<Option<String>, _>(&row, at).unwrap_or_default();
    let number = |at: usize| sqlx::Row::get::<i64, _>(&row, at).to_string();
    (0..12).map(|at| if (1..8).contains(&at) { number(at) } else { text(at) }).collect()
}

// Hands of staff.

#[tokio::test]
async fn staff_retry_and_cancel_only_what_can_be() {
    on_each_engine("retry and cancel", |store| async move {
        let keys = Seed::new(Channel::Email, 3).put(&store).await;
        let world = World::new(store, [Script::GiveUp]);
        let dispatcher = world.dispatcher();
        let now = at(NOON);
        assert_eq!(
            world.store.cancel_delivery(&keys[2], "staff", now).await.unwrap(),
            ByHand::Done(DeliveryState::Cancelled)
        );
        assert_eq!(dispatcher.drain_due().await.unwrap().failed, 1);
        let failed = world.transport.tried()[0].clone();
        assert_eq!(world.store.retry_delivery(&keys[2], now).await.unwrap(), ByHand::NotFrom(DeliveryState::Cancelled));
        assert_eq!(world.store.retry_delivery("nobody", now).await.unwrap(), ByHand::Unknown);
        let end = world.row(&failed).await.expires_at;
        assert_eq!(world.store.retry_delivery(&failed, end).await.unwrap(), ByHand::PastItsEnd(end));
        assert_eq!(world.store.retry_delivery(&failed, now).await.unwrap(), ByHand::Done(DeliveryState::Queued));
        assert_eq!(dispatcher.drain_due().await.unwrap().sent, 1);
        assert_eq!(
            world.store.cancel_delivery(&failed, "staff", now).await.unwrap(),
            ByHand::NotFrom(DeliveryState::Sent)
        );
        let counts = world.store.queue_counts().await.unwrap();
        assert_eq!(counts[&(Channel::Email, DeliveryState::Sent)], 2);
        assert_eq!(counts[&(Channel::Email, DeliveryState::Cancelled)], 1);
    })
    .await;
}

// A second service on one SQLite file is refused; workers on PostgreSQL share limits through the log of attempts.
#[tokio::test]
async fn two_workers_share_the_limits_of_a_channel() {
    on_each_engine("shared limits", |store| async move {
        Seed::new(Channel::Sms, 20).put(&store).await;
        let mut world = World::new(store, []);
        world.config.sms.per_minute = Some(5);
        let (one, two) = (world.dispatcher(), world.dispatcher());
        let sent = one.drain_due().await.unwrap().sent + two.drain_due().await.unwrap().sent;
        assert_eq!(sent, 5);
        world.clock.advance(TimeDelta::seconds(60));
        assert_eq!(two.drain_due().await.unwrap().sent + one.drain_due().await.unwrap().sent, 5);
        if world.store.engine() == Engine::Postgres {
            world.clock.advance(TimeDelta::seconds(60));
            let (one, two) = tokio::join!(one.drain_due(), two.drain_due());
            assert_eq!(one.unwrap().sent + two.unwrap().sent, 5, "also when both count at the same time");
        }
        let ledger = Ledger::of(&world.store, world.transport.taken().into_iter().map(|one| one.key)).await;
        assert_eq!((ledger.repeated, ledger.marked), (0, 0));
    })
    .await;
}

// A machine's clock that ran ahead, or a look at a day that is over, must not hold the queue until then.
#[tokio::test]
async fn attempts_by_a_clock_that_ran_ahead_hold_nobody() {
    on_each_engine("a clock that ran ahead", |store| async move {
        Seed::new(Channel::Sms, 20).put(&store).await;
        let mut world = World::new(store, []);
        world.config.sms.per_minute = Some(5);
        let one = world.dispatcher();
        world.clock.advance(TimeDelta::hours(3));
        assert_eq!(one.drain_due().await.unwrap().sent, 5);
        world.clock.advance(TimeDelta::hours(-3));
        assert_eq!(one.drain_due().await.unwrap().sent, 5, "they wait for no day to come");
        assert_eq!(one.drain_due().await.unwrap().sent, 0, "and the limit holds");
    })
    .await;
}

// Each of many workers counts what began within the minute and takes what is left of the limit. Seen failing on PostgreSQL
// without the lock around counting and taking.
#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn workers_that_count_at_the_same_time_stay_within_the_limit() {
    at_each_address("counting at the same time", |address| async move {
        let store = open_store(&address).await.unwrap();
        Seed::new(Channel::Email, 400).put(&store).await;
        let windows = [RateWindow { limit: 20, length: TimeDelta::minutes(1) }];
        let mut now = at(NOON);
        for _ in 0..5 {
            let start = std::sync::Arc::new(tokio::sync::Barrier::new(8));
            let mut tasks = tokio::task::JoinSet::new();
            for worker in 0..8 {
                let (store, start) = (store.clone(), start.clone());
                tasks.spawn(async move {
                    let worker = format!("w{worker}");
                    let ask = ClaimRequest {
                        channel: Channel::Email,
                        now,
                        lease: TimeDelta::seconds(60),
                        worker: &worker,
                        most: 7,
                        in_flight: None,
                        windows: &windows,
                        quiet: open_hours(),
                    };
                    start.wait().await;
                    store.claim(&ask).await.unwrap().taken.len()
                });
            }
            assert_eq!(tasks.join_all().await.into_iter().sum::<usize>(), 20);
            now += TimeDelta::minutes(1);
        }
        store.close().await;
    })
    .await;
}

// Seen failing when early reports are not looked for at the booking.
#[tokio::test]
async fn a_report_that_is_quicker_than_our_booking_counts_once_its_reference_is_known() {
    on_each_engine("an early report", |store| async move {
        let key = Seed::new(Channel::Email, 1).put(&store).await.remove(0);
        let lease = claim_one(&store, "w", at(NOON)).await;
        let theirs = Reference::Provider("r-1");
        let said = store.apply_report(Channel::Email, theirs, Report::Undelivered, at(NOON)).await.unwrap();
        assert_eq!(said, Reported::Unknown);
        let ending = AttemptOutcome::Accepted { provider_ref: Some("r-1".into()) };
        assert_eq!(finish_one(&store, &lease, ending, at(NOON)).await, Booked::Done(DeliveryState::Bounced));
        assert_eq!(state_of(&store, &key).await, DeliveryState::Bounced);
    })
    .await;
}

// Two reports at the same instant: the one that says less must see what the other has written. Seen failing on
// PostgreSQL without FOR UPDATE.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_report_waits_for_the_one_that_is_being_written() {
    on_each_engine("reports side by side", |store| async move {
        let key = Seed::new(Channel::Email, 1).put(&store).await.remove(0);
        claim_one(&store, "w", at(NOON)).await;
        let mut tx = store.begin().await.unwrap();
        sqlx::query("UPDATE deliveries SET state = 'delivered' WHERE id = $1")
            .bind(&key)
            .execute(tx.conn())
            .await
            .unwrap();
        let late = tokio::spawn({
            let (store, key) = (store.clone(), key.clone());
            async move {
                store.apply_report(Channel::Email, Reference::Key(&key), Report::Accepted, at(NOON)).await.unwrap()
            }
        });
        // Time enough for one that does not wait to have read the state.
        for _ in 0..100 {
            store.queue_counts().await.unwrap();
        }
        tx.commit().await.unwrap();
        assert_eq!(late.await.unwrap(), Reported::Unchanged { delivery: key.clone(), at: DeliveryState::Delivered });
        assert_eq!(state_of(&store, &key).await, DeliveryState::Delivered);
    })
    .await;
}

/// What can become known of one message, as an outside check says where it must end.
#[derive(Clone, Debug)]
enum News {
    Ours(AttemptOutcome),
    ByReference(Report),
    ByKey(Report),
    /// About a message of somebody else.
    ByOther(Report),
}

/// Weighed up without regard to order: proof that it arrived before word that it did not, and that before our own answer.
fn must_end(news: &[News]) -> DeliveryState {
    // A provider's reference is only known once our own answer brought it.
    let linked = news.iter().any(|one| matches!(one, News::Ours(AttemptOutcome::Accepted { provider_ref: Some(_) })));
    let said = |report: Report| {
        news.iter().any(|one| match one {
            News::ByKey(said) => *said == report,
            News::ByReference(said) => linked && *said == report,
            _ => false,
        })
    };
    let ours = news.iter().find_map(|one| if let News::Ours(ending) = one { Some(ending) } else { None });
    if said(Report::Delivered) {
        DeliveryState::Delivered
    } else if said(Report::Undelivered) {
        DeliveryState::Bounced
    } else if said(Report::Accepted) {
        DeliveryState::Sent
    } else {
        match ours {
            None => DeliveryState::Leased,
            Some(AttemptOutcome::Accepted { .. }) => DeliveryState::Sent,
            Some(AttemptOutcome::NotNow { .. }) => DeliveryState::Queued,
            Some(AttemptOutcome::Refused { .. } | AttemptOutcome::AddressRefused { .. }) => DeliveryState::Failed,
            Some(AttemptOutcome::Withdrawn) => DeliveryState::Cancelled,
            Some(AttemptOutcome::AnswerLost { .. } | AttemptOutcome::LetGo { .. }) => DeliveryState::Uncertain,
        }
    }
}

/// How much is known in a state; news never makes it less.
fn known(state: DeliveryState) -> u8 {
    match state {
        DeliveryState::Queued | DeliveryState::Leased => 0,
        DeliveryState::Uncertain => 1,
        DeliveryState::Expired | DeliveryState::Cancelled => 2,
        DeliveryState::Failed => 3,
        DeliveryState::Sent => 4,
        DeliveryState::Bounced => 5,
        DeliveryState::Delivered => 6,
    }
}

// Reports out of order, repeated, a day late, about nobody and before our own booking: 2,000 seeded draws, or as many as
// `TREEBELL_REPORTS` says, and a twentieth of them on PostgreSQL. Seen failing without the forward-only rule in `DeliveryStanding::after`.
#[tokio::test]
async fn whatever_order_news_comes_in_a_message_ends_where_the_news_says() {
    let draws: usize = std::env::var("TREEBELL_REPORTS").map_or(2000, |text| text.parse().unwrap());
    news_in_any_order(&Store::in_memory().await.unwrap(), draws).await;
    at_each_address("news in any order", |address| async move {
        let store = open_store(&address).await.unwrap();
        if store.engine() == Engine::Postgres {
            news_in_any_order(&store, draws.div_ceil(20)).await;
        }
        store.close().await;
    })
    .await;
}

async fn news_in_any_order(store: &Store, draws: usize) {
    use rand::seq::{IndexedRandom, SliceRandom};
    use rand::{RngExt, SeedableRng};
    let state_now = async |key: &str| {
        let row = sqlx::query("SELECT state FROM deliveries WHERE id = $1")
            .bind(key)
            .fetch_one(&mut *store.read().await.unwrap())
            .await
            .unwrap();
        DeliveryState::parse(sqlx::Row::get(&row, 0)).unwrap()
    };
    let mut ends = std::collections::BTreeMap::new();
    let mut dice = rand_chacha::ChaCha8Rng::seed_from_u64(9);
    let reports = [Report::Accepted, Report::Delivered, Report::Undelivered];
    let mut seed = Seed::new(Channel::Email, 1);
    for draw in 0..draws {
        seed.first = draw;
        let key = seed.put(store).await.remove(0);
        let lease = claim_one(store, "w", at(NOON)).await;
        assert_eq!(lease.delivery, key);
        let later = at(NOON) + TimeDelta::minutes(1);
        let cause = || "x".to_owned();
        let mut news: Vec<News> = (0..dice.random_range(0..6))
            .map(|_| {
                let report = *reports.choose(&mut dice).unwrap();
                match dice.random_range(0..5) {
                    0 => News::ByOther(report),
                    1 => News::ByKey(report),
                    _ => News::ByReference(report),
                }
            })
            .collect();
        news.extend(news.clone().into_iter().filter(|_| dice.random_bool(0.2)).collect::<Vec<_>>());
        if dice.random_bool(0.95) {
            news.push(News::Ours(match dice.random_range(0..8) {
                0 => AttemptOutcome::NotNow { not_before: later, cause: cause() },
                1 => AttemptOutcome::Refused { cause: cause() },
                2 => AttemptOutcome::AnswerLost { not_before: later, cause: cause() },
                3 => AttemptOutcome::Accepted { provider_ref: None },
                _ => AttemptOutcome::Accepted { provider_ref: Some(format!("r-{draw}")) },
            }));
        }
        news.shuffle(&mut dice);
        let day_late = at(NOON) + TimeDelta::days(1);
        let mut state = DeliveryState::Leased;
        for one in &news {
            match one {
                News::Ours(ending) => drop(finish_one(store, &lease, ending.clone(), at(NOON)).await),
                News::ByKey(report) => {
                    store.apply_report(Channel::Email, Reference::Key(&key), *report, day_late).await.unwrap();
                }
                News::ByReference(report) => {
                    let theirs = format!("r-{draw}");
                    store.apply_report(Channel::Email, Reference::Provider(&theirs), *report, day_late).await.unwrap();
                }
                News::ByOther(report) => {
                    let theirs = format!("nobody-{draw}");
                    let said = store.apply_report(Channel::Email, Reference::Provider(&theirs), *report, day_late);
                    assert_eq!(said.await.unwrap(), Reported::Unknown);
                }
            }
            let after = state_now(&key).await;
            assert!(known(after) >= known(state), "draw {draw}: {state} went back to {after} at {one:?} of {news:?}");
            state = after;
        }
        assert_eq!(state, must_end(&news), "draw {draw}: {news:?}");
        *ends.entry(state).or_insert(0) += 1;
        // So that the next draw's message is the only one in hand.
        let mut tx = store.begin().await.unwrap();
        sqlx::query("UPDATE deliveries SET expires_at = 0 WHERE id = $1").bind(&key).execute(tx.conn()).await.unwrap();
        tx.commit().await.unwrap();
    }
    eprintln!("{:?}: {draws} draws of news in any order ended so: {ends:?}", store.engine());
}

// `TREEBELL_CLAIM_ROWS=1000000`: eight workers claim and finish so many rows in batches of 50 on PostgreSQL, in ten rounds. In each
// round pgbench with eight clients claims other rows of the same table, half of it with the bare statement that takes a batch, half
// with the rows of the attempts in the same transaction. The rates are printed; that nothing is claimed twice is asserted at
// every size. Run by hand as a release build: `cargo test --release --test checks eight_workers -- --nocapture`.
#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn eight_workers_empty_a_long_queue_and_claim_nothing_twice() {
    const ROUNDS: usize = 10;
    const BATCH: usize = 50;
    let rows: usize = std::env::var("TREEBELL_CLAIM_ROWS").map_or(8000, |text| text.parse().unwrap());
    let what = "a long queue beside pgbench";
    let Some(mut databases) = Databases::on_server().await else {
        support::skipped(what, "PostgreSQL at TREEBELL_TEST_POSTGRES or 127.0.0.1:5432");
        return;
    };
    let pgbench = pgbench();
    if pgbench.is_none() {
        support::skipped(what, "pgbench, which comes with the server");
    }
    // A database of its own: a transaction that another check keeps open in it would keep dead rows in the way.
    databases.create("claims").await;
    let store = open_store(&databases.address("claims")).await.unwrap();
    let theirs = (rows / ROUNDS / 2).next_multiple_of(8 * BATCH);
    fill(&store, rows, 2 * theirs * ROUNDS).await;
    let (mut claims, mut bookings, mut bare, mut full) =
        (Rate::default(), Rate::default(), Rate::default(), Rate::default());
    for round in 0..ROUNDS {
        let mut left = rows / ROUNDS;
        if round == ROUNDS - 1 {
            left = rows - left * (ROUNDS - 1);
        }
        let begun = Instant::now();
        let share: Vec<usize> = (0..8).map(|worker| (left + worker) / 8).collect();
        let claimed = at_once(share.into_iter().enumerate().map(|(worker, mut share)| {
            let store = store.clone();
            async move {
                let mut leases = Vec::new();
                while share > 0 {
                    let most = u32::try_from(share.min(BATCH)).unwrap();
                    let claimed = claim_as(&store, &format!("w{worker}"), most, at(NOON)).await;
                    assert!(!claimed.taken.is_empty(), "there is less than there should be");
                    share -= claimed.taken.len();
                    leases.push(claimed.taken.into_iter().map(|leased| (leased.lease, accepted())).collect::<Vec<_>>());
                }
                leases
            }
        }))
        .await;
        claims.add(left, begun.elapsed());
        let begun = Instant::now();
        at_once(claimed.into_iter().map(|batches| {
            let store = store.clone();
            async move {
                for endings in batches {
                    let booked = store.finish(&endings, at(NOON)).await.unwrap();
                    assert!(booked.iter().all(|booked| *booked == Booked::Done(DeliveryState::Sent)), "{booked:?}");
                }
            }
        }))
        .await;
        bookings.add(left, begun.elapsed());
        if let Some(pgbench) = &pgbench {
            for (rate, with_attempts) in [(&mut bare, false), (&mut full, true)] {
                let per_second =
                    claims_of_pgbench(pgbench, &databases.address("claims"), with_attempts, theirs / BATCH / 8);
                rate.add(theirs, Duration::from_secs_f64(theirs as f64 / (per_second * BATCH as f64)));
            }
        }
    }
    assert_eq!(claim_as(&store, "w", 1, at(NOON)).await.taken.len(), 0, "the queue is empty");
    eprintln!("{rows} rows by 8 workers: {} claimed, {} booked a second", claims.per_second(), bookings.per_second());
    if pgbench.is_some() {
        let share = |of: &Rate| 100 * claims.per_second() / of.per_second();
        eprintln!(
            "pgbench on the same table: {} claimed a second by the bare statement (we {} %), {} with attempts (we {} %)",
            bare.per_second(),
            share(&bare),
            full.per_second(),
            share(&full)
        );
    }
    let count = async |text: &'static str| -> i64 {
        let row = sqlx::query(text).fetch_one(&mut *store.read().await.unwrap()).await.unwrap();
        sqlx::Row::get(&row, 0)
    };
    let ours =
        "SELECT COUNT(*) FROM deliveries WHERE channel = 'email' AND (fence <> 1 OR attempts <> 1 OR state <> 'sent')";
    assert_eq!(count(ours).await, 0);
    assert_eq!(count("SELECT COUNT(*) FROM attempts WHERE channel = 'email'").await, i64::try_from(rows).unwrap());
    if pgbench.is_some() {
        let theirs = i64::try_from(2 * theirs * ROUNDS).unwrap();
        assert_eq!(count("SELECT COUNT(*) FROM deliveries WHERE channel = 'sms' AND fence = 1").await, theirs);
    }
    store.close().await;
}

#[derive(Default)]
struct Rate {
    rows: usize,
    took: Duration,
}

impl Rate {
    fn add(&mut self, rows: usize, took: Duration) {
        self.rows += rows;
        self.took += took;
    }

    fn per_second(&self) -> u64 {
        (self.rows as f64 / self.took.as_secs_f64()) as u64
    }
}

async fn at_once<T: Send + 'static>(tasks: impl Iterator<Item = impl Future<Output = T> + Send + 'static>) -> Vec<T> {
    tasks.collect::<tokio::task::JoinSet<T>>().join_all().await
}

/// E-mails and texts of one notice to as many invented addressees, in the shape that a release writes. By the server itself, since
/// there may be millions.
async fn fill(store: &Store, emails: usize, texts: usize) {
    Seed::new(Channel::Email, 0).put(store).await;
    Seed::new(Channel::Sms, 0).put(store).await;
    let (notice, now) = (Seed::new(Channel::Email, 0).notice(), ms(at(NOON)));
    let mut tx = store.begin().await.unwrap();
    for (channel, count) in [("email", emails), ("sms", texts)] {
        let id = format!("md5('{channel}' || i)");
        for statement in [
            format!(
                "INSERT INTO subscribers (id, language, created_at) SELECT {id}, 'en', 0 FROM generate_series(1, {count}) i"
            ),
            format!(
                "INSERT INTO addresses (id, subscriber_id, channel, address, status, status_at) \
                 SELECT {id}, {id}, '{channel}', '{channel}' || i || '@example.org', 'confirmed', 0 FROM generate_series(1, {count}) i"
            ),
            format!(
                "INSERT INTO deliveries (id, notice_id, address_id, channel, language, state, priority, not_before, expires_at, \
                     time_zone, attempts, fence, uncertain_count, created_at, updated_at) \
                 SELECT md5('d' || {id}), '{notice}', {id}, '{channel}', 'en', 'queued', 1, {now}, {now} + 86400000, \
                     'America/Denver', 0, 0, 0, {now}, {now} FROM generate_series(1, {count}) i"
            ),
        ] {
            sqlx::query(sqlx::AssertSqlSafe(statement)).execute(tx.conn()).await.unwrap();
        }
    }
    tx.commit().await.unwrap();
    // As a server does by itself where that is not switched off.
    sqlx::raw_sql("VACUUM ANALYZE").execute(&mut *store.read().await.unwrap()).await.unwrap();
}

fn pgbench() -> Option<PathBuf> {
    let mut bins: Vec<PathBuf> = std::fs::read_dir("/usr/lib/postgresql")
        .into_iter()
        .flatten()
        .filter_map(|entry| Some(entry.ok()?.path().join("bin/pgbench")))
        .chain([PathBuf::from("/usr/bin/pgbench")])
        .filter(|path| path.exists())
        .collect();
    bins.sort();
    bins.pop()
}

/// Batches a second.
fn claims_of_pgbench(pgbench: &Path, address: &str, with_attempts: bool, batches_each: usize) -> f64 {
    let now = ms(at(NOON));
    let claim = format!(
        "WITH picked AS MATERIALIZED (SELECT id FROM deliveries WHERE channel = 'sms' AND state = 'queued' AND expires_at > {now} \
         AND (state <> 'uncertain' OR (answers_lost < 2 AND uncertain_count < 5)) AND (letter_id IS NOT NULL OR EXISTS (\
             SELECT 1 FROM notices WHERE notices.id = deliveries.notice_id AND notices.status = 'released')) \
         AND not_before <= {now} AND (any_hour = 1 OR time_zone IN ('America/Denver')) \
         ORDER BY priority, not_before, id LIMIT 50 FOR UPDATE SKIP LOCKED) \
         UPDATE deliveries SET state = 'leased', fence = fence + 1, attempts = attempts + 1, lease_until = {now} + 60000, \
             lease_owner = 'pgbench', updated_at = {now} WHERE id IN (SELECT id FROM picked) RETURNING id"
    );
    let script = match with_attempts {
        false => format!("{claim};\n"),
        true => format!(
            "{} INSERT INTO attempts (delivery_id, fence, channel, started_at) SELECT id, fence, 'sms', {now} FROM claimed;\n",
            claim
                .replace(") UPDATE deliveries", "), claimed AS (UPDATE deliveries")
                .replace("RETURNING id", "RETURNING id, fence)")
        ),
    };
    let file = tempfile::NamedTempFile::new().unwrap();
    std::fs::write(file.path(), script).unwrap();
    let done = std::process::Command::new(pgbench)
        .args(["-n", "-c", "8", "-j", "2", "-M", "prepared", "-t", &batches_each.to_string(), "-f"])
        .args([file.path().as_os_str(), address.as_ref()])
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&done.stdout).into_owned();
    assert!(done.status.success(), "{said}{}", String::from_utf8_lossy(&done.stderr));
    let tps = said.lines().find_map(|line| line.strip_prefix("tps = ")).unwrap_or_else(|| panic!("{said}"));
    tps.split(' ').next().unwrap().parse().unwrap()
}

fn permutations(n: usize) -> Vec<Vec<usize>> {
    if n == 0 {
        return vec![Vec::new()];
    }
    permutations(n - 1)
        .into_iter()
        .flat_map(|shorter| {
            (0..n).map(move |place| {
                let mut longer = shorter.clone();
                longer.insert(place, n - 1);
                longer
            })
        })
        .collect()
}
