//! The dispatcher over a scripted channel and a clock that stands still.

use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Duration;

use chrono::TimeDelta;
use treebell::delivery::attempt::Reference;
use treebell::delivery::state::{DeliveryState, Report};
use treebell::dispatch::channels::scripted::Script;
use treebell::dispatch::dispatcher::CrashPoint;
use treebell::dispatch::estimate::all_sent_by;
use treebell::dispatch::{Channels, DispatchError, Drained};
use treebell::people::Channel;
use treebell::store::queue::ByHand;
use treebell::store::{Engine, Store};

use super::{Ledger, NOON, Seed, World, at};
use crate::engines::on_each_engine;
use crate::support::open_store;

#[tokio::test]
async fn all_that_is_due_goes_out_once_and_a_second_pass_sends_nothing() {
    on_each_engine("a plain pass", |store| async move {
        Seed::new(Channel::Email, 30).put(&store).await;
        Seed::new(Channel::Sms, 30).put(&store).await;
        let world = World::new(store, []);
        let dispatcher = world.dispatcher();
        assert_eq!(dispatcher.next_due().await.unwrap(), Some(at(NOON)));
        assert_eq!(dispatcher.drain_due().await.unwrap(), Drained { sent: 60, ..Drained::default() });
        assert_eq!(dispatcher.drain_due().await.unwrap(), Drained::default());
        assert_eq!(dispatcher.next_due().await.unwrap(), None);
        let (counts, ended) =
            world.store.notice_progress(&Seed::new(Channel::Email, 0).notice(), at(NOON)).await.unwrap();
        assert!(ended && counts[&DeliveryState::Sent] == 60, "{counts:?}");
        let ledger = Ledger::of(&world.store, world.transport.taken().into_iter().map(|one| one.key)).await;
        assert_eq!(ledger, Ledger { booked: 60, ..Ledger::default() });
    })
    .await;
}

#[tokio::test]
async fn a_passing_fault_is_tried_again_after_the_backoff() {
    on_each_engine("try later", |store| async move {
        let key = Seed::new(Channel::Email, 1).put(&store).await.remove(0);
        let world = World::new(store, [Script::TryLater(None), Script::TryLater(Some(Duration::from_secs(97)))]);
        let dispatcher = world.dispatcher();
        assert_eq!(dispatcher.drain_due().await.unwrap().later, 1);
        let due = dispatcher.next_due().await.unwrap().unwrap();
        let wait = (due - at(NOON)).num_seconds();
        assert!((54..=66).contains(&wait), "first wait of 60 s within a tenth: {wait}");
        assert_eq!(dispatcher.drain_due().await.unwrap(), Drained::default(), "not before its time");
        world.clock.set(due);
        assert_eq!(dispatcher.drain_due().await.unwrap().later, 1);
        assert_eq!(dispatcher.next_due().await.unwrap(), Some(due + TimeDelta::seconds(97)), "as the other side asked");
        world.clock.advance(TimeDelta::seconds(97));
        assert_eq!(dispatcher.drain_due().await.unwrap().sent, 1);
        let row = world.row(&key).await;
        assert_eq!((row.standing.state, row.attempts, row.last_error), (DeliveryState::Sent, 3, None));
    })
    .await;
}

#[tokio::test]
async fn a_refusal_for_good_ends_at_once_with_its_reason() {
    on_each_engine("give up", |store| async move {
        let key = Seed::new(Channel::Sms, 1).put(&store).await.remove(0);
        let world = World::new(store, [Script::GiveUp]);
        let dispatcher = world.dispatcher();
        assert_eq!(dispatcher.drain_due().await.unwrap().failed, 1);
        assert_eq!(world.play_out(&dispatcher).await, 0);
        let row = world.row(&key).await;
        assert_eq!((row.standing.state, row.last_error.as_deref()), (DeliveryState::Failed, Some("as scripted")));
    })
    .await;
}

// What cannot be sent while it is of use is never sent late.
#[tokio::test]
async fn what_is_of_no_use_any_more_expires_unsent() {
    on_each_engine("expiry", |store| async move {
        let mut seed = Seed::new(Channel::Email, 3);
        seed.expires_at = at(NOON) + TimeDelta::minutes(30);
        seed.put(&store).await;
        let world = World::new(store, std::iter::repeat_n(Script::TryLater(Some(Duration::from_secs(1200))), 100));
        let dispatcher = world.dispatcher();
        assert_eq!(dispatcher.drain_due().await.unwrap().later, 3);
        world.clock.advance(TimeDelta::minutes(20));
        assert_eq!(dispatcher.drain_due().await.unwrap().later, 3);
        assert_eq!(dispatcher.next_due().await.unwrap(), Some(seed.expires_at));
        world.clock.set(seed.expires_at);
        assert_eq!(dispatcher.drain_due().await.unwrap(), Drained { expired: 3, ..Drained::default() });
        assert_eq!(dispatcher.next_due().await.unwrap(), None);
        assert!(world.transport.taken().is_empty());
    })
    .await;
}

#[tokio::test]
async fn a_channel_that_is_not_configured_keeps_its_deliveries_until_they_expire() {
    on_each_engine("no transport", |store| async move {
        let seed = Seed::new(Channel::Sms, 2);
        seed.put(&store).await;
        Seed::new(Channel::Email, 1).put(&store).await;
        let world = World::new(store, []);
        let dispatcher = world.dispatcher_over(world.only(Channel::Email));
        assert_eq!(dispatcher.drain_due().await.unwrap(), Drained { sent: 1, ..Drained::default() });
        assert_eq!(dispatcher.next_due().await.unwrap(), Some(seed.expires_at));
        let nothing = world.dispatcher_over(Channels::default());
        assert_eq!(nothing.drain_due().await.unwrap(), Drained::default());
        assert_eq!(world.play_out(&dispatcher).await, 1);
        assert_eq!(world.store.queue_counts().await.unwrap()[&(Channel::Sms, DeliveryState::Expired)], 2);
    })
    .await;
}

#[tokio::test]
async fn an_e_mail_whose_answer_was_lost_goes_out_once_more_under_the_same_key() {
    on_each_engine("an uncertain e-mail", |store| async move {
        let key = Seed::new(Channel::Email, 1).put(&store).await.remove(0);
        let world = World::new(store, [Script::TakeAndLoseAnswer]);
        let dispatcher = world.dispatcher();
        assert_eq!(dispatcher.drain_due().await.unwrap().uncertain, 1);
        assert_eq!(world.row(&key).await.standing.state, DeliveryState::Uncertain);
        world.play_out(&dispatcher).await;
        let copies: Vec<String> = world.transport.taken().into_iter().map(|one| one.key).collect();
        assert_eq!(copies, [key.clone(), key.clone()]);
        let row = world.row(&key).await;
        assert_eq!((row.standing.state, row.standing.uncertain_count), (DeliveryState::Sent, 1));
        assert_eq!(world.store.uncertain_total().await.unwrap(), 1);
    })
    .await;
}

#[tokio::test]
async fn an_uncertain_text_waits_for_its_report_and_is_not_repeated_when_that_comes() {
    on_each_engine("an uncertain text", |store| async move {
        let keys = Seed::new(Channel::Sms, 2).put(&store).await;
        let world = World::new(store, [Script::TakeAndLoseAnswer, Script::TakeAndLoseAnswer]);
        let dispatcher = world.dispatcher();
        assert_eq!(dispatcher.drain_due().await.unwrap().uncertain, 2);
        assert_eq!(dispatcher.next_due().await.unwrap(), Some(at(NOON) + TimeDelta::minutes(15)));
        world.clock.advance(TimeDelta::minutes(14));
        assert_eq!(dispatcher.drain_due().await.unwrap(), Drained::default());
        world.store.apply_report(Channel::Sms, Reference::Key(&keys[0]), Report::Delivered, at(NOON)).await.unwrap();
        world.play_out(&dispatcher).await;
        let copies = |key: &String| world.transport.taken().iter().filter(|one| one.key == *key).count();
        assert_eq!((copies(&keys[0]), copies(&keys[1])), (1, 2));
        assert_eq!(world.row(&keys[0]).await.standing.state, DeliveryState::Delivered);
        assert_eq!(world.row(&keys[1]).await.standing.state, DeliveryState::Sent);
    })
    .await;
}

#[tokio::test]
async fn an_uncertain_text_that_is_of_no_use_any_more_is_not_repeated() {
    on_each_engine("an uncertain text past its end", |store| async move {
        let mut seed = Seed::new(Channel::Sms, 1);
        seed.expires_at = at(NOON) + TimeDelta::minutes(10);
        let key = seed.put(&store).await.remove(0);
        let world = World::new(store, [Script::TakeAndLoseAnswer]);
        let dispatcher = world.dispatcher();
        world.play_out(&dispatcher).await;
        assert_eq!(world.transport.taken().len(), 1);
        world.clock.set(seed.expires_at);
        let (counts, ended) = world.store.notice_progress(&seed.notice(), seed.expires_at).await.unwrap();
        assert_eq!(counts[&DeliveryState::Uncertain], 1, "it stays visible as what it is");
        assert!(ended);
        assert_eq!(world.row(&key).await.standing.uncertain_count, 1);
    })
    .await;
}

#[tokio::test]
async fn twice_uncertain_is_left_to_staff() {
    on_each_engine("twice uncertain", |store| async move {
        let key = Seed::new(Channel::Email, 1).put(&store).await.remove(0);
        let world = World::new(store, [Script::TakeAndLoseAnswer, Script::TryLater(None), Script::DropAndLoseAnswer]);
        let dispatcher = world.dispatcher();
        world.play_out(&dispatcher).await;
        assert_eq!(
            world.transport.tried().len(),
            3,
            "a repeat that was not taken is still owed, one that is lost is not"
        );
        let row = world.row(&key).await;
        assert_eq!((row.standing.state, row.standing.uncertain_count), (DeliveryState::Uncertain, 2));
        let now = at(NOON) + TimeDelta::hours(1);
        assert_eq!(world.store.retry_delivery(&key, now).await.unwrap(), ByHand::Done(DeliveryState::Queued));
        world.clock.set(now);
        assert_eq!(dispatcher.drain_due().await.unwrap().sent, 1);
    })
    .await;
}

// Quiet hours.

#[tokio::test]
async fn nobody_is_woken_and_everybody_is_told_in_the_morning() {
    on_each_engine("quiet hours", |store| async move {
        // 21:30 in Denver on the evening before the clocks go forward; 20:30 in Los Angeles.
        let evening = at("2026-03-08T04:30:00Z");
        for (region, zone, first) in [("high-mesa", "America/Denver", 0), ("far-west", "America/Los_Angeles", 10)] {
            let mut seed = Seed::new(Channel::Sms, 3);
            (seed.region, seed.zone, seed.first, seed.not_before) = (region, zone, first, evening);
            seed.put(&store).await;
        }
        let world = World::new(store, []);
        world.clock.set(evening);
        let dispatcher = world.dispatcher();
        assert_eq!(dispatcher.drain_due().await.unwrap(), Drained::default());
        // IANA: 8:00 in Denver is 14:00 Z from 8 March 2026 on, and in Los Angeles 15:00 Z.
        assert_eq!(dispatcher.next_due().await.unwrap(), Some(at("2026-03-08T14:00:00Z")));
        world.clock.set(at("2026-03-08T14:00:00Z"));
        assert_eq!(dispatcher.drain_due().await.unwrap().sent, 3);
        assert_eq!(dispatcher.next_due().await.unwrap(), Some(at("2026-03-08T15:00:00Z")));
        world.clock.set(at("2026-03-08T15:00:00Z"));
        assert_eq!(dispatcher.drain_due().await.unwrap().sent, 3);
        assert!(world.transport.taken()[3..].iter().all(|one| one.at == at("2026-03-08T15:00:00Z")));
    })
    .await;
}

#[tokio::test]
async fn a_retry_or_repeat_that_falls_into_the_night_waits_too() {
    on_each_engine("a retry at night", |store| async move {
        Seed::new(Channel::Sms, 2).put(&store).await;
        let world = World::new(store, [Script::TryLater(None), Script::TakeAndLoseAnswer]);
        world.clock.set(at("2026-04-11T01:59:50Z")); // 19:59:50 in Denver
        let dispatcher = world.dispatcher();
        let drained = dispatcher.drain_due().await.unwrap();
        assert_eq!((drained.later, drained.uncertain), (1, 1));
        world.clock.advance(TimeDelta::minutes(16));
        assert_eq!(dispatcher.drain_due().await.unwrap(), Drained::default());
        assert_eq!(dispatcher.next_due().await.unwrap(), Some(at("2026-04-11T14:00:00Z")));
    })
    .await;
}

// Pace.

#[tokio::test]
async fn no_window_ever_holds_more_than_its_limit_and_the_estimate_is_kept() {
    on_each_engine("pace", |store| async move {
        Seed::new(Channel::Sms, 45).put(&store).await;
        let mut world = World::new(store, []);
        world.config.sms.per_second = Some(0.5);
        world.config.sms.per_minute = Some(10);
        world.config.sms.per_day = Some(30);
        let told = all_sent_by(&world.store, &world.config, Channel::Sms, at(NOON)).await.unwrap();
        let dispatcher = world.dispatcher();
        world.play_out(&dispatcher).await;
        let starts: Vec<_> = world.transport.taken().into_iter().map(|one| one.at).collect();
        assert_eq!(starts.len(), 45);
        for (limit, length) in [(1, 2), (10, 60), (30, 86_400)] {
            for pair in starts.windows(limit + 1) {
                assert!(pair[limit] - pair[0] >= TimeDelta::seconds(length), "{limit} in {length} s: {pair:?}");
            }
        }
        // The last third has to wait for the next day's allowance; the estimate knew.
        let last = *starts.last().unwrap();
        assert!(last - at(NOON) > TimeDelta::hours(23));
        let by = told.all_sent_by.unwrap();
        assert!((by - last).num_seconds().abs() <= 2, "told {by}, was {last}");
    })
    .await;
}

// The classes that carriers give to small and large senders, and a daily allowance. Nothing goes out above the limit in any
// window, nothing late: what the pace leaves no time for expires unsent and is told before.
#[tokio::test]
async fn carriers_classes_are_kept_and_what_they_leave_no_time_for_expires() {
    for (per_second, per_minute, per_day, messages, window, hours) in [
        (None, Some(75), None, 400, (75, 60), 24),
        (Some(0.1), None, None, 60, (1, 10), 24),
        (None, Some(4500), None, 5000, (4500, 60), 24),
        (None, None, Some(20), 50, (20, 86_400), 24 * 7),
        // Ten a minute for half an hour.
        (None, Some(10), None, 400, (10, 60), 0),
    ] {
        let store = Store::in_memory().await.unwrap();
        let mut seed = Seed::new(Channel::Sms, messages);
        seed.expires_at = at(NOON) + TimeDelta::hours(hours) + TimeDelta::minutes(30);
        seed.put(&store).await;
        let mut world = World::new(store, []);
        (world.config.sms.per_second, world.config.sms.per_minute, world.config.sms.per_day) =
            (per_second, per_minute, per_day);
        (world.config.sms.in_flight, world.config.batch) = (500, 500);
        let told = all_sent_by(&world.store, &world.config, Channel::Sms, at(NOON)).await.unwrap();
        world.play_out(&world.dispatcher()).await;
        let starts: Vec<_> = world.transport.taken().into_iter().map(|one| one.at).collect();
        let (limit, length) = window;
        for pair in starts.windows(limit + 1) {
            assert!(pair[limit] - pair[0] >= TimeDelta::seconds(length), "{limit} in {length} s: {pair:?}");
        }
        let counts = world.store.queue_counts().await.unwrap();
        let expired = counts.get(&(Channel::Sms, DeliveryState::Expired)).copied().unwrap_or(0);
        assert_eq!(starts.len() + expired as usize, messages);
        assert_eq!((expired, expired > 0), (told.too_late, hours == 0), "told {told:?}");
        assert!(starts.iter().all(|start| *start < seed.expires_at));
        let (by, last) = (told.all_sent_by.unwrap(), *starts.last().unwrap());
        assert!((by - last).num_seconds().abs() <= 2, "told {by}, was {last}");
    }
}

#[tokio::test]
async fn a_channel_that_does_not_work_is_left_alone_and_tried_with_one() {
    on_each_engine("channel down", |store| async move {
        Seed::new(Channel::Email, 50).put(&store).await;
        let mut world = World::new(store, std::iter::repeat_n(Script::ChannelDown(None), 6));
        world.config.email.in_flight = 4;
        let dispatcher = world.dispatcher();
        assert_eq!(dispatcher.drain_due().await.unwrap().later, 4, "those in flight together, and no more");
        assert_eq!(dispatcher.drain_due().await.unwrap(), Drained::default());
        for _ in 0..2 {
            world.clock.set(dispatcher.next_due().await.unwrap().unwrap());
            assert_eq!(dispatcher.drain_due().await.unwrap().later, 1, "one is tried");
        }
        world.clock.set(dispatcher.next_due().await.unwrap().unwrap());
        assert!(dispatcher.drain_due().await.unwrap().sent >= 44, "it works again");
        world.play_out(&dispatcher).await;
        assert_eq!(world.transport.taken().len(), 50);
    })
    .await;
}

// Each lost answer costs one of two copies: a gateway that loses all must not be fed the whole queue.
#[tokio::test]
async fn a_channel_that_loses_answers_in_a_row_is_left_alone() {
    on_each_engine("answers lost in a row", |store| async move {
        Seed::new(Channel::Sms, 50).put(&store).await;
        let mut world = World::new(store, std::iter::repeat_n(Script::DropAndLoseAnswer, 100));
        world.config.sms.in_flight = 2;
        let drained = world.dispatcher().drain_due().await.unwrap();
        assert!((3..=5).contains(&drained.uncertain), "{drained:?}");
    })
    .await;
}

// Crash on purpose.

/// A new start after a death: on SQLite the service holds the store alone and takes over at once, on PostgreSQL the dead
/// worker's leases run out.
async fn restart_and_play_out(world: &World) {
    let dispatcher = world.dispatcher();
    if world.store.engine() == Engine::Sqlite {
        dispatcher.take_over().await.unwrap();
    } else {
        world.clock.advance(TimeDelta::seconds(61));
    }
    world.play_out(&dispatcher).await;
}

// Seen failing (a repeat) when the answer is not noted.
#[tokio::test]
async fn a_death_before_the_booking_of_a_noted_answer_repeats_nothing() {
    on_each_engine("noted answers", |store| async move {
        for (round, channel) in [Channel::Email, Channel::Sms].into_iter().enumerate() {
            let mut seed = Seed::new(channel, 3);
            seed.first = round * 10;
            let keys = seed.put(&store).await;
            let mut world = World::new(store.clone(), []);
            (world.config.email.in_flight, world.config.sms.in_flight) = (1, 1);
            let dispatcher = world.dispatcher().dying_when(|at| at == CrashPoint::AfterSend);
            let died = dispatcher.drain_due().await;
            assert!(matches!(died, Err(DispatchError::Stopped(CrashPoint::AfterSend))), "{died:?}");
            drop(dispatcher);
            restart_and_play_out(&world).await;
            for key in &keys {
                let (row, copies) = (world.row(key).await, world.transport.taken().len());
                assert_eq!((row.standing.state, row.standing.uncertain_count), (DeliveryState::Sent, 0));
                assert_eq!(copies, keys.len(), "a repeat of what was known to be taken");
            }
        }
    })
    .await;
}

// It holds nothing but knowledge that spares repeats, so it must never be in the way.
#[tokio::test]
async fn a_broken_file_of_notes_is_begun_anew() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("t.sqlite");
    let store = open_store(&format!("sqlite:{}", file.display())).await.unwrap();
    let notes = folder.path().join("t.sqlite.answers");
    std::fs::write(&notes, "no database at all, and long enough to be one".repeat(100)).unwrap();
    let keys = Seed::new(Channel::Email, 1).put(&store).await;
    let world = World::new(store, []);
    let dying = world.dispatcher().dying_when(|at| at == CrashPoint::AfterClaim);
    dying.drain_due().await.unwrap_err();
    restart_and_play_out(&world).await;
    let row = world.row(&keys[0]).await;
    assert_eq!((row.standing.state, row.standing.uncertain_count), (DeliveryState::Sent, 1));
    assert!(std::fs::read(&notes).unwrap().starts_with(b"SQLite format 3"), "the file was not begun anew");
}

// Seen failing when the lease is committed only after the answer (a repeat without a mark), without the mark on what a
// vanished worker had in hand (the same), and without the recovery of leases (it never ends).
#[tokio::test]
async fn a_death_at_each_named_point_loses_nothing_and_marks_every_repeat() {
    on_each_engine("named crash points", |store| async move {
        let mut first = 0;
        for point in [CrashPoint::AfterClaim, CrashPoint::AfterSend, CrashPoint::AfterBooking] {
            for visit in 0..4 {
                let mut seed = Seed::new(if visit % 2 == 0 { Channel::Email } else { Channel::Sms }, 12);
                seed.first = first;
                first += seed.count;
                let keys = seed.put(&store).await;
                let world = World::new(store.clone(), []);
                let met = Arc::new(AtomicUsize::new(0));
                let dispatcher = world
                    .dispatcher()
                    .dying_when(move |at| at == point && met.fetch_add(1, Ordering::Relaxed) == visit);
                let died = dispatcher.drain_due().await;
                if visit < 3 {
                    assert!(
                        matches!(died, Err(DispatchError::Stopped(at)) if at == point),
                        "{point:?} {visit}: {died:?}"
                    );
                }
                drop(dispatcher);
                restart_and_play_out(&world).await;

                let copies = |key: &str| world.transport.taken().iter().filter(|one| one.key == key).count();
                let mut repeats = 0;
                for key in &keys {
                    let row = world.row(key).await;
                    assert_eq!(row.standing.state, DeliveryState::Sent, "{point:?} {visit}");
                    assert!(copies(key) >= 1, "lost at {point:?} {visit}");
                    let repeated = copies(key) - 1;
                    assert!(
                        repeated as i64 <= row.standing.uncertain_count,
                        "a repeat without a mark at {point:?} {visit}"
                    );
                    repeats += repeated;
                }
                // At the very first claim nothing is in flight yet.
                let first_claim = point == CrashPoint::AfterClaim && visit == 0;
                let most = if first_claim { 0 } else { world.config.email.in_flight };
                assert!(repeats <= most, "{repeats} repeats at {point:?} {visit}");
            }
        }
    })
    .await;
}

#[tokio::test]
async fn a_death_in_the_middle_of_a_send_is_uncertain_whether_or_not_it_was_taken() {
    on_each_engine("death in mid-send", |store| async move {
        for (round, (hang, copies)) in [(Script::HangBefore, 1), (Script::HangAfter, 2)].into_iter().enumerate() {
            let mut seed = Seed::new(Channel::Email, 1);
            seed.first = round;
            let key = seed.put(&store).await.remove(0);
            let world = World::new(store.clone(), [hang]);
            let dispatcher = world.dispatcher();
            tokio::select! {
                drained = dispatcher.drain_due() => panic!("{drained:?}"),
                () = world.transport.hangs() => {}
            }
            drop(dispatcher);
            assert_eq!(world.row(&key).await.standing.state, DeliveryState::Leased, "the attempt is on record");
            restart_and_play_out(&world).await;
            assert_eq!(world.transport.taken().len(), copies);
            let row = world.row(&key).await;
            assert_eq!((row.standing.state, row.standing.uncertain_count), (DeliveryState::Sent, 1));
        }
    })
    .await;
}

// The loop of the service.

async fn until(mut condition: impl AsyncFnMut() -> bool) {
    let begun = std::time::Instant::now();
    while !condition().await {
        assert!(begun.elapsed() < Duration::from_secs(30), "it does not happen");
        tokio::task::yield_now().await;
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_loop_wakes_for_what_is_queued_and_stops_when_asked() {
    on_each_engine("the loop", |store| async move {
        let world = World::new(store, []);
        let dispatcher = Arc::new(world.dispatcher());
        let (stop, stopped) = tokio::sync::oneshot::channel::<()>();
        let running = tokio::spawn({
            let dispatcher = dispatcher.clone();
            async move { dispatcher.run(async { drop(stopped.await) }).await }
        });
        Seed::new(Channel::Email, 25).put(&world.store).await;
        dispatcher.waker().notify_one();
        world.transport.has_taken(25).await;
        stop.send(()).unwrap();
        let done = running.await.unwrap();
        assert_eq!(done, Drained { sent: 25, ..Drained::default() });
        assert_eq!(world.store.queue_counts().await.unwrap()[&(Channel::Email, DeliveryState::Sent)], 25);
    })
    .await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_stop_lets_go_of_what_never_answers_and_marks_it() {
    on_each_engine("stop with a message in flight", |store| async move {
        let key = Seed::new(Channel::Email, 1).put(&store).await.remove(0);
        let world = World::new(store, [Script::HangAfter]);
        let dispatcher = Arc::new(world.dispatcher().with_grace(Duration::from_millis(20)));
        let (stop, stopped) = tokio::sync::oneshot::channel::<()>();
        let running = tokio::spawn({
            let dispatcher = dispatcher.clone();
            async move { dispatcher.run(async { drop(stopped.await) }).await }
        });
        dispatcher.waker().notify_one();
        world.transport.hangs().await;
        stop.send(()).unwrap();
        assert_eq!(running.await.unwrap(), Drained { uncertain: 1, ..Drained::default() });
        let row = world.row(&key).await;
        assert_eq!((row.standing.state, row.standing.uncertain_count), (DeliveryState::Uncertain, 1));
    })
    .await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn run_until_idle_ends_by_itself() {
    on_each_engine("until idle", |store| async move {
        Seed::new(Channel::Sms, 10).put(&store).await;
        let mut later = Seed::new(Channel::Email, 1);
        later.not_before = at(NOON) + TimeDelta::hours(1);
        later.put(&store).await;
        let world = World::new(store, []);
        let done = world.dispatcher().run_until_idle(std::future::pending(), Duration::from_secs(60)).await;
        assert_eq!(done, Drained { sent: 10, ..Drained::default() });
    })
    .await;
}

// A lease of one second and a send that outlasts it: the worker keeps it alive. Seen failing without `renew`.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_slow_send_keeps_its_lease() {
    let folder = tempfile::tempdir().unwrap();
    let store = open_store(&format!("sqlite:{}", folder.path().join("t.sqlite").display())).await.unwrap();
    let key = Seed::new(Channel::Email, 1).put(&store).await.remove(0);
    let mut world = World::new(store, [Script::HangAfter]);
    world.config.lease_s = 1;
    let dispatcher = Arc::new(world.dispatcher().with_grace(Duration::from_millis(20)));
    let (stop, stopped) = tokio::sync::oneshot::channel::<()>();
    let running = tokio::spawn({
        let dispatcher = dispatcher.clone();
        async move { dispatcher.run(async { drop(stopped.await) }).await }
    });
    world.transport.hangs().await;
    let lease_of = async || {
        let row = sqlx::query("SELECT lease_until FROM deliveries")
            .fetch_one(&mut *world.store.read().await.unwrap())
            .await
            .unwrap();
        sqlx::Row::get::<i64, _>(&row, 0)
    };
    let first = lease_of().await;
    // Moved by less than the lease, so that it is still held when it is renewed.
    world.clock.advance(TimeDelta::milliseconds(900));
    until(async || lease_of().await > first).await;
    world.clock.advance(TimeDelta::milliseconds(900));
    assert_eq!(world.lose_leases().await, 0, "1.8 s after the claim");
    stop.send(()).unwrap();
    running.await.unwrap();
    assert_eq!(world.row(&key).await.standing.uncertain_count, 1);
}
