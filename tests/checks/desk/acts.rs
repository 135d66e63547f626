use chrono::TimeDelta;
use treebell::config::Config;
use treebell::delivery::attempt::AttemptOutcome;
use treebell::delivery::quiet_hours::QuietHours;
use treebell::people::Channel;
use treebell::season::decide::Standing;
use treebell::season::{NoticeId, NoticeKind};
use treebell::service::app::App;
use treebell::service::desk::acts::{self, Sent};
use treebell::service::desk::find::find;
use treebell::service::desk::notice::{May, NoticeInDepth, fate, notice_in_depth, standing_shown, why_ended};
use treebell::service::desk::today::{Filters, today};
use treebell::service::desk::{DeskError, Hand};
use treebell::store::notices::{NoticeState, Recalled};
use treebell::store::queue::ClaimRequest;
use treebell::store::{Conflict, StoreError};

use super::{END, House, NONE, UNDO, asks, at, everywhere, facts, leaves, put};
use crate::engines::on_each_engine;

#[tokio::test]
async fn what_was_sent_leaves_after_two_minutes_in_the_name_of_who_sent_it() {
    on_each_engine("sending from the desk", |store| async move {
        let house = House::new(store, asks()).await;
        let sent = acts::send(&house.app, everywhere(), &house.id, UNDO).await.unwrap();
        assert_eq!(sent, Sent::LeavesAt(at("2026-03-16T16:02:00Z")));
        assert_eq!((house.word().await, house.queued().await), ("leaving", 0));
        assert_eq!(house.app.store.next_release().await.unwrap(), Some(at("2026-03-16T16:02:00Z")));
        // The next cycle decides nothing of it any more.
        let notice = house.app.store.notice(&house.id).await.unwrap();
        assert!(matches!(notice.told(chrono_tz::America::Denver).standing, Standing::Released { .. }));

        assert_eq!(house.go_to("2026-03-16T16:01:59Z").await, NONE);
        assert_eq!(house.go_to("2026-03-16T16:02:00Z").await, std::slice::from_ref(&house.id));
        assert_eq!(house.queued().await, 3);
        let notice = house.app.store.notice(&house.id).await.unwrap();
        assert_eq!((notice.released_by(), notice.standing_word()), (Some("M. Reyes"), "released"));
        assert_eq!(standing_shown(&notice), "left", "for people");
        assert_eq!(house.go_to("2026-03-16T16:03:00Z").await, NONE, "once");
        assert_eq!(house.audit().await, ["notice-released"], "one act, one row");
    })
    .await;
}

#[tokio::test]
async fn a_word_is_taken_back_until_the_notice_leaves_and_not_after() {
    on_each_engine("undo", |store| async move {
        let house = House::new(store, asks()).await;
        let before = house.app.store.notice(&house.id).await.unwrap();
        acts::send(&house.app, everywhere(), &house.id, UNDO).await.unwrap();
        house.go_to("2026-03-16T16:01:00Z").await;
        acts::undo(&house.app, everywhere(), &house.id, UNDO).await.unwrap();
        assert_eq!(house.app.store.notice(&house.id).await.unwrap(), before, "as it stood");
        assert_eq!(house.go_to("2026-03-16T17:00:00Z").await, NONE, "nothing leaves any more");
        let nothing = acts::undo(&house.app, everywhere(), &house.id, UNDO).await.unwrap_err().to_string();
        assert!(nothing.contains("nothing was done"), "{nothing}");

        acts::send(&house.app, everywhere(), &house.id, UNDO).await.unwrap();
        house.go_to("2026-03-16T17:02:00Z").await;
        let left = acts::undo(&house.app, everywhere(), &house.id, UNDO).await.unwrap_err();
        assert!(matches!(left, DeskError::Store(StoreError::Conflict(Conflict::NoticeLeft { .. }))), "{left}");
        assert_eq!((house.word().await, house.queued().await), ("released", 3));
        assert_eq!(house.audit().await, ["notice-released", "notice-undone", "notice-released"]);
    })
    .await;
}

#[tokio::test]
async fn a_hold_and_a_calling_off_are_taken_back_too() {
    on_each_engine("undo of holds", |store| async move {
        let house = House::new(store, leaves("2026-03-16T18:00:00Z")).await;
        acts::call_off(&house.app, everywhere(), &house.id, Some("wrong station")).await.unwrap();
        assert_eq!(house.word().await, "cancelled");
        assert_eq!(standing_shown(&house.app.store.notice(&house.id).await.unwrap()), "called off", "for people");
        acts::undo(&house.app, everywhere(), &house.id, UNDO).await.unwrap();
        assert_eq!(house.word().await, "waiting");

        acts::hold(&house.app, everywhere(), &house.id, None, Some("the crew looks")).await.unwrap();
        assert_eq!(house.go_to("2026-03-16T19:00:00Z").await, NONE, "its hour has passed");
        acts::undo(&house.app, everywhere(), &house.id, UNDO).await.unwrap();
        let notice = house.app.store.notice(&house.id).await.unwrap();
        assert_eq!(notice.release_at(), Some(at("2026-03-16T19:02:00Z")), "not in this very moment");
        // A second thought while it is leaving: held as it stood before the word to send.
        acts::send(&house.app, everywhere(), &house.id, UNDO).await.unwrap();
        acts::hold(&house.app, everywhere(), &house.id, None, None).await.unwrap();
        assert_eq!(house.word().await, "held");
        assert_eq!(house.go_to("2026-03-17T19:00:00Z").await, NONE);
    })
    .await;
}

#[tokio::test]
async fn a_hold_ends_by_itself_at_its_time() {
    on_each_engine("holds that end", |store| async move {
        let house = House::new(store, leaves("2026-03-16T18:00:00Z")).await;
        let until = at("2026-03-17T15:30:00Z");
        acts::hold(&house.app, everywhere(), &house.id, Some(until), Some("the crew looks")).await.unwrap();
        assert_eq!(house.app.store.next_release().await.unwrap(), Some(until));
        assert_eq!(house.go_to("2026-03-17T15:29:00Z").await, NONE);
        assert_eq!(
            house.go_to("2026-03-17T15:30:00Z").await,
            std::slice::from_ref(&house.id),
            "its hour had come meanwhile"
        );

        // One that needs a word asks for it again.
        let asked = put(&house.app, "south", NoticeKind::InspectNow, asks()).await;
        acts::hold(&house.app, everywhere(), &asked, Some(at("2026-03-18T15:00:00Z")), None).await.unwrap();
        assert_eq!(house.go_to("2026-03-18T15:00:00Z").await, NONE);
        let notice = house.app.store.notice(&asked).await.unwrap();
        assert_eq!((notice.state.clone(), notice.approval_needed().is_some()), (NoticeState::Waiting, true));
    })
    .await;
}

#[tokio::test]
async fn a_hold_past_the_use_of_a_notice_is_refused() {
    on_each_engine("holds that are too long", |store| async move {
        let house = House::new(store, leaves("2026-03-16T18:00:00Z")).await;
        for (until, wanted) in [
            (END, "it is of use until Fri, Mar 20, 12:00 AM MDT"),
            ("2026-03-21T16:00:00Z", "give an earlier end, or call it off"),
            // Nothing leaves after eight in the evening, and the next morning is too late.
            ("2026-03-20T02:30:00Z", "it could not leave before Fri, Mar 20, 8:00 AM MDT"),
            ("2026-03-16T15:00:00Z", "must end after now"),
        ] {
            let said = acts::hold(&house.app, everywhere(), &house.id, Some(at(until)), None).await;
            let said = said.map_err(|why| why.to_string());
            assert!(said.as_ref().is_err_and(|said| said.contains(wanted)), "{until}: {said:?}");
            assert_eq!(house.word().await, "waiting");
        }
        let last = at("2026-03-20T01:30:00Z");
        acts::hold(&house.app, everywhere(), &house.id, Some(last), None).await.unwrap();
        assert_eq!(house.audit().await, ["notice-held"]);
    })
    .await;
}

#[tokio::test]
async fn in_the_night_a_word_can_be_taken_back_until_the_morning() {
    on_each_engine("sending at night", |store| async move {
        let house = House::new(store, asks()).await;
        house.go_to("2026-03-17T04:00:00Z").await;
        let sent = acts::send(&house.app, everywhere(), &house.id, UNDO).await.unwrap();
        assert_eq!(sent, Sent::LeavesAt(at("2026-03-17T14:00:00Z")), "8:00 there");
        house.go_to("2026-03-17T13:59:00Z").await;
        acts::undo(&house.app, everywhere(), &house.id, UNDO).await.unwrap();
        assert_eq!(house.word().await, "waiting");
        // On its last evening it would never leave: nobody is told that it did.
        house.clock.set(at("2026-03-20T03:00:00Z"));
        let late = acts::send(&house.app, everywhere(), &house.id, UNDO).await.unwrap_err().to_string();
        assert!(late.contains("was of use until"), "{late}");
    })
    .await;
}

#[tokio::test]
async fn a_recall_says_how_many_had_gone() {
    on_each_engine("recalls", |store| async move {
        let house = House::new(store, asks()).await;
        assert_eq!(
            acts::send(&house.app, everywhere(), &house.id, chrono::TimeDelta::zero()).await.unwrap(),
            Sent::Queued(3)
        );
        let mut tx = house.app.store.begin().await.unwrap();
        for (state, which) in [("sent", "MIN"), ("uncertain", "MAX")] {
            sqlx::query(sqlx::AssertSqlSafe(format!(
                "UPDATE deliveries SET state = '{state}' WHERE id = (SELECT {which}(id) FROM deliveries)"
            )))
            .execute(tx.conn())
            .await
            .unwrap();
        }
        tx.commit().await.unwrap();
        let recalled = acts::recall(&house.app, everywhere(), &house.id, Some("wrong region")).await.unwrap();
        assert_eq!(recalled, Recalled { cancelled: 2, gone: 1, maybe: 1 });
        assert_eq!(house.word().await, "recalled");
        let seen = notice_in_depth(&house.app, &house.id, UNDO).await.unwrap();
        assert_eq!(
            seen.stands,
            "Recalled by M. Reyes on Mon, Mar 16, 10:00 AM MDT: 1 message had gone out; of 1 more it was not known. Who has \
             its message gets none about the recall. The region's public page says that it was recalled, and what stands \
             now. The next notice of the season tells its own days."
        );
        // Beside a report and in practice. Before, it only said that it had left.
        let quiet = QuietHours::from(&house.app.config.delivery);
        assert_eq!(
            fate(&seen.notice, quiet, seen.region.time_zone, house.app.clock.now()),
            "recalled by M. Reyes on Mon, Mar 16, 10:00 AM MDT: 1 message had gone out; of 1 more it was not known"
        );
        assert_eq!(seen.why.waits, "M. Reyes sent it. Staff recalled it: wrong region.");
        assert!(!seen.may.recall && !seen.may.undo && !seen.may.send);
        assert_eq!(house.audit().await, ["notice-released", "notice-recalled"]);
    })
    .await;
}

#[tokio::test]
async fn staff_of_another_region_can_do_nothing() {
    on_each_engine("reach", |store| async move {
        let house = House::new(store, asks()).await;
        let other = Hand { by: "A. Vigil", reach: &|region| region.id == "south" };
        let (app, id) = (&house.app, &house.id);
        let refused = |what: &str, done: Result<(), DeskError>| {
            let said = done.expect_err(what).to_string();
            assert_eq!(said, "Region north is not one of your regions: ask somebody who keeps it", "{what}");
        };
        refused("send", acts::send(app, other, id, UNDO).await.map(|_| ()));
        refused("hold", acts::hold(app, other, id, None, None).await);
        refused("call off", acts::call_off(app, other, id, None).await);
        refused("undo", acts::undo(app, other, id, UNDO).await);
        refused("recall", acts::recall(app, other, id, None).await.map(|_| ()));
        refused("reword", treebell::service::desk::wording::reword(app, other, id, &[]).await);
        refused("restore-words", treebell::service::desk::wording::words_of_templates(app, other, id).await);
        assert_eq!((house.word().await, house.audit().await), ("waiting", Vec::<String>::new()));
        acts::hold(app, Hand { reach: &|region| region.id == "north", ..other }, id, None, None).await.unwrap();
    })
    .await;
}

#[tokio::test]
async fn once_a_later_notice_has_gone_out_no_earlier_one_leaves() {
    on_each_engine("the order of notices", |store| async move {
        let house = House::new(store, asks()).await;
        let (app, inspect) = (&house.app, &house.id);
        let wash = put(app, "north", NoticeKind::WashNow, leaves("2026-03-16T18:00:00Z")).await;
        let moved = put(app, "north", NoticeKind::DeadlineMoved, asks()).await;
        let last = put(app, "north", NoticeKind::LastDaysToWash, asks()).await;
        let late = put(app, "north", NoticeKind::TooLateToWash, asks()).await;
        let elsewhere = put(app, "south", NoticeKind::InspectNow, asks()).await;
        // One that staff let go a moment before the later one.
        acts::send(app, everywhere(), inspect, UNDO).await.unwrap();
        acts::send(app, everywhere(), &last, TimeDelta::zero()).await.unwrap();

        for undo in [UNDO, TimeDelta::zero()] {
            let said = acts::send(app, everywhere(), &wash, undo).await.unwrap_err();
            let by = NoticeKind::LastDaysToWash;
            let refused = matches!(&said, DeskError::Store(StoreError::Conflict(Conflict::NoticeOvertaken { by: named, .. })) if *named == by);
            assert!(refused, "{said}");
            assert!(said.to_string().contains("`last-days-to-wash` has gone out in its region"), "{said}");
        }
        assert_eq!(house.go_to("2026-03-16T18:00:00Z").await, NONE);
        for id in [inspect, &wash] {
            let notice = app.store.notice(id).await.unwrap();
            let why = Some("overtaken by last-days-to-wash, which had gone out");
            assert_eq!((&notice.state, notice.staff_note.as_deref()), (&NoticeState::Skipped, why), "{id}");
            assert_eq!(app.store.delivery_counts(id).await.unwrap().len(), 0, "{id}");
        }
        // What stands beside the others, comes later or lies elsewhere.
        for id in [&moved, &late, &elsewhere] {
            acts::send(app, everywhere(), id, TimeDelta::zero()).await.unwrap();
        }
    })
    .await;
}

#[tokio::test]
async fn a_reason_holds_no_address() {
    let house = House::new(treebell::store::Store::in_memory().await.unwrap(), asks()).await;
    for (why, wanted) in [
        (" ", "nothing was given"),
        ("ask a@example.org", "write it without the address"),
        ("call 505 555 0101", "it holds a telephone number"),
    ] {
        let said = acts::hold(&house.app, everywhere(), &house.id, None, Some(why)).await.unwrap_err().to_string();
        assert!(said.contains(wanted), "{said}");
    }
    assert_eq!(house.word().await, "waiting");
}

#[tokio::test]
async fn a_notice_is_found_by_the_beginning_of_its_id_or_its_region() {
    on_each_engine("short ids", |store| async move {
        let house = House::new(store, asks()).await;
        let ready = put(&house.app, "north", NoticeKind::GetReady, asks()).await;
        let south = put(&house.app, "south", NoticeKind::GetReady, asks()).await;
        let store = &house.app.store;
        let of = |asked: &'static str| async move { find(store, asked, 2026).await.map(|notice| notice.id) };
        for (asked, wanted) in [
            ("pinyon-needle-scale/north/2026/inspect-now", &house.id),
            ("pinyon-needle-scale/north/2026/i", &house.id),
            ("north/2026/get", &ready),
            ("north/insp", &house.id),
            ("Region South", &south),
            ("south", &south),
        ] {
            assert_eq!(&of(asked).await.unwrap(), wanted, "{asked}");
        }
        let several = of("north").await.unwrap_err();
        match &several {
            DeskError::Ambiguous { candidates, .. } => {
                let mut candidates: Vec<&NoticeId> = candidates.iter().collect();
                candidates.sort();
                assert_eq!(candidates, [&ready, &house.id]);
            }
            other => panic!("{other}"),
        }
        assert!(several.to_string().contains("north/2026/get-ready"), "{several}");
        // The one that has not left is meant, where there is one.
        acts::send(&house.app, everywhere(), &ready, chrono::TimeDelta::zero()).await.unwrap();
        assert_eq!(of("region north").await.unwrap(), house.id);
        let none = of("norht").await.unwrap_err().to_string();
        assert!(none.contains("no notice of season 2026 is meant by `norht`, did you mean `north`?"), "{none}");
    })
    .await;
}

#[tokio::test]
async fn what_may_be_done_follows_from_where_a_notice_stands() {
    let house = House::new(treebell::store::Store::in_memory().await.unwrap(), asks()).await;
    let may = |when: &'static str| {
        let store = house.app.store.clone();
        let id = house.id.clone();
        async move { May::of(&store.notice(&id).await.unwrap(), at(when)) }
    };
    let now = "2026-03-16T16:00:00Z";
    let open = May { send: true, hold: true, call_off: true, reword: true, undo: false, recall: false };
    assert_eq!(may(now).await, open);
    assert_eq!(may(END).await, May { send: false, hold: false, call_off: false, reword: false, ..open });
    acts::send(&house.app, everywhere(), &house.id, UNDO).await.unwrap();
    assert_eq!(may(now).await, May { send: false, undo: true, ..open });
    house.go_to("2026-03-16T16:02:00Z").await;
    let left = May { send: false, hold: false, call_off: false, reword: false, undo: false, recall: true };
    assert_eq!(may(now).await, left);
}

#[tokio::test]
async fn a_notice_in_depth_says_why_whom_how_and_when() {
    on_each_engine("a notice in depth", |store| async move {
        let house = House::new(store, asks()).await;
        let seen = notice_in_depth(&house.app, &house.id, UNDO).await.unwrap();
        assert_eq!(seen.why.sentence, "The chance that egg laying has begun is 84 %.");
        assert_eq!(seen.why.waits, "The heat sum rests on days that were filled in and not measured.");
        let number = |name: &str| seen.why.numbers.iter().find(|(of, _)| *of == name).map(|(_, value)| value.as_str());
        assert_eq!(number("Chance that egg laying has begun"), Some("60 %"));
        assert!(number("Heat so far").is_some_and(|heat| heat.contains(" °C·day (")), "{:?}", seen.why.numbers);
        let mut config = Config::default();
        config.units.fahrenheit = true;
        let app = App { config: config.into(), ..house.app.clone() };
        let numbers = notice_in_depth(&app, &house.id, UNDO).await.unwrap().why.numbers;
        let heat = numbers.iter().find(|(name, _)| *name == "Heat so far").map(|(_, value)| value.as_str());
        assert!(heat.is_some_and(|heat| heat.contains(" °F·day (") && heat.ends_with(" °C·day)")), "{heat:?}");
        assert_eq!(number("Egg laying begins"), Some("likely March 22; 8 in 10 between March 8 and April 10"));
        assert_eq!((seen.recipients(), seen.whom.len()), (3, 2));
        assert_eq!(seen.reads.len(), 4);
        for reading in &seen.reads {
            let text = format!("{:?}", reading.message);
            assert!(text.contains("Region north") && !text.contains("stop-link"), "{text}");
            let parts = reading.segments.as_ref().map(|segments| segments.parts);
            assert!(parts.is_none_or(|parts| parts <= 2), "{text}");
        }
        assert_eq!(seen.goes.from, None);
        assert_eq!(seen.goes.if_sent_now, Some(at("2026-03-16T16:02:00Z")));
        let last = seen.goes.all_sent_by.values().map(|estimate| estimate.all_sent_by.unwrap()).max().unwrap();
        assert!(last > at("2026-03-16T16:02:00Z") && last < at("2026-03-16T16:05:00Z"), "{last}");
        assert_eq!(seen.stands, "It waits for a word. Without one it is skipped on Fri, Mar 20, 12:00 AM MDT.");
        acts::send(&house.app, everywhere(), &house.id, UNDO).await.unwrap();
        let seen = notice_in_depth(&house.app, &house.id, UNDO).await.unwrap();
        assert_eq!(
            seen.stands,
            "It leaves on the word of M. Reyes: the first message on Mon, Mar 16, 10:02 AM MDT; all are out by about \
             10:03 AM. It can be taken back until Mon, Mar 16, 10:02 AM MDT."
        );
    })
    .await;
}

/// "84 %" and "17 days off" are of the day on which it was decided, and whoever reads it days later must not count from theirs.
#[tokio::test]
async fn why_a_notice_is_in_place_is_told_as_of_the_day_of_the_decision() {
    on_each_engine("why, days later", |store| async move {
        let house = House::new(store, asks()).await;
        let why = || async { notice_in_depth(&house.app, &house.id, UNDO).await.unwrap().why.sentence };
        // Still March 16 there.
        house.clock.set(at("2026-03-17T05:59:00Z"));
        assert_eq!(why().await, "The chance that egg laying has begun is 84 %.");
        house.clock.set(at("2026-03-17T06:00:00Z"));
        let then = "When this was decided, on March 16: the chance that egg laying has begun is 84 %.";
        assert_eq!(why().await, then);
        // With new terms it is as of their day.
        let facts = treebell::message::NoticeFacts { decided_on: "2026-03-18".parse().unwrap(), ..facts("north") };
        let mut tx = house.app.store.begin().await.unwrap();
        sqlx::query("UPDATE notices SET facts = $1 WHERE id = $2")
            .bind(serde_json::to_string(&facts).unwrap())
            .bind(house.id.as_str())
            .execute(tx.conn())
            .await
            .unwrap();
        tx.commit().await.unwrap();
        house.clock.set(at("2026-03-18T16:00:00Z"));
        assert_eq!(why().await, "The chance that egg laying has begun is 84 %.");
        house.clock.set(at("2026-03-19T16:00:00Z"));
        assert_eq!(why().await, then.replace("was decided, on March 16", "was last decided, on March 18"));
    })
    .await;
}

#[tokio::test]
async fn a_notice_that_was_called_off_says_whom_it_would_have_reached() {
    on_each_engine("whom a notice would have reached", |store| async move {
        let house = House::new(store, asks()).await;
        let open = notice_in_depth(&house.app, &house.id, UNDO).await.unwrap();
        assert_eq!(open.to_nobody(), None);
        acts::call_off(&house.app, everywhere(), &house.id, Some("wrong station")).await.unwrap();
        let seen = notice_in_depth(&house.app, &house.id, UNDO).await.unwrap();
        assert_eq!((seen.to_nobody(), seen.recipients()), (Some("it was called off"), 3));
        let why = why_ended(&seen.notice, seen.region.time_zone, None);
        assert_eq!(why.as_deref(), Some("Called off by M. Reyes: wrong station."), "as the page of its region says");
        assert_eq!(seen.whom, open.whom);
        assert!(seen.goes.all_sent_by.is_empty() && seen.goes.from.is_none(), "{:?}", seen.goes);
    })
    .await;
}

#[tokio::test]
async fn a_notice_that_left_to_nobody_says_so_as_long_as_that_can_be_told() {
    on_each_engine("left to nobody", |store| async move {
        let house = House::new(store, asks()).await;
        let id = put(&house.app, "south", NoticeKind::InspectNow, leaves("2026-03-16T16:30:00Z")).await;
        let said = || async { notice_in_depth(&house.app, &id, UNDO).await.unwrap() };
        assert_eq!(said().await.nobody().as_deref(), Some("Nobody: no address is signed up here."));
        assert_eq!(house.go_to("2026-03-16T16:30:00Z").await, std::slice::from_ref(&id));
        let seen = said().await;
        assert_eq!(seen.stands, "It left on Mon, Mar 16, 10:30 AM MDT, by itself, and had nobody to go to.");
        let nobody = "It went to nobody: no address was signed up here when it left.";
        assert_eq!(seen.nobody().as_deref(), Some(nobody));
        // By then deliveries are gone, whoever got them.
        house.clock.set(at("2029-03-16T16:30:00Z"));
        let seen = said().await;
        assert_eq!(
            seen.nobody().as_deref(),
            Some("To whom it went is no longer kept: single messages are deleted after 731 days.")
        );
        assert!(!seen.stands.contains("nobody"), "{}", seen.stands);
    })
    .await;
}

/// The channels take all that waits.
async fn all_go_out(house: &House) {
    go_out(house, &Channel::ALL).await;
}

/// These channels take all that waits for them.
async fn go_out(house: &House, channels: &[Channel]) {
    let now = house.app.clock.now();
    let quiet = QuietHours::from(&house.app.config.delivery);
    for &channel in channels {
        let (lease, most) = (chrono::TimeDelta::seconds(60), 10);
        let ask = ClaimRequest { channel, now, lease, worker: "check", most, in_flight: None, windows: &[], quiet };
        let taken = house.app.store.claim(&ask).await.unwrap().taken;
        let ended = taken.into_iter().map(|one| (one.lease, AttemptOutcome::Accepted { provider_ref: None }));
        house.app.store.finish(&ended.collect::<Vec<_>>(), now).await.unwrap();
    }
}

#[tokio::test]
async fn a_notice_is_being_sent_until_the_last_message_is_out_and_then_sent() {
    on_each_engine("all are out", |store| async move {
        let house = House::new(store, asks()).await;
        acts::send(&house.app, everywhere(), &house.id, UNDO).await.unwrap();
        house.go_to("2026-03-16T16:02:00Z").await;
        let seen = notice_in_depth(&house.app, &house.id, UNDO).await.unwrap();
        let waits = "It left on Mon, Mar 16, 10:02 AM MDT, sent by M. Reyes: 3 messages wait, and none is sent yet; all are out \
                     by about 10:03 AM.";
        assert_eq!((seen.stands.as_str(), seen.all_out), (waits, false));
        go_out(&house, &[Channel::Sms]).await;
        let seen = notice_in_depth(&house.app, &house.id, UNDO).await.unwrap();
        let since = "Being sent since Mon, Mar 16, 10:02 AM MDT, sent by M. Reyes: 1 message is sent and 2 wait; ";
        assert!(seen.stands.starts_with(since) && !seen.all_out, "{}", seen.stands);
        all_go_out(&house).await;
        assert_eq!(house.queued().await, 0);
        let seen = notice_in_depth(&house.app, &house.id, UNDO).await.unwrap();
        let sent = "Sent: it left on Mon, Mar 16, 10:02 AM MDT, sent by M. Reyes.";
        assert_eq!((seen.stands.as_str(), seen.all_out), (sent, true));
        // Deliveries are kept for two years and a day.
        house.clock.set(at("2028-03-20T16:02:00Z"));
        let times = treebell::people::retention::RetentionConfig::default();
        house.app.store.keep_times(&times, house.app.clock.now()).await.unwrap();
        let seen = notice_in_depth(&house.app, &house.id, UNDO).await.unwrap();
        let deleted = "is no longer kept: single messages are deleted after 731 days.";
        assert_eq!(seen.stands, format!("{sent} How many messages were sent {deleted}"));
        assert_eq!(seen.nobody(), Some(format!("To whom it went {deleted}")));
    })
    .await;
}

/// Before, it was nowhere on that page from the minute in which it left.
#[tokio::test]
async fn today_lists_what_staff_sent_until_the_last_message_is_out() {
    on_each_engine("being sent today", |store| async move {
        let house = House::new(store, asks()).await;
        let said = async || {
            let seen = today(&house.app, everywhere(), &Filters::default()).await.unwrap();
            seen.sending.into_iter().map(|one| one.words).collect::<Vec<_>>()
        };
        acts::send(&house.app, everywhere(), &house.id, UNDO).await.unwrap();
        assert_eq!(said().await, [""; 0], "it leaves, and stands there with its hour");
        house.go_to("2026-03-16T16:02:00Z").await;
        let words = |sent: &str| format!("M. Reyes sent it, and it left on Mon, Mar 16, 10:02 AM MDT: {sent} sent.");
        assert_eq!(said().await, [words("0 of 3 messages are")]);
        go_out(&house, &[Channel::Sms]).await;
        assert_eq!(said().await, [words("1 of 3 messages are")]);
        let south = Hand { by: "A. Vigil", reach: &|region| region.id == "south" };
        let seen = today(&house.app, south, &Filters::default()).await.unwrap();
        assert_eq!(seen.sending, [], "of another region");
        all_go_out(&house).await;
        assert_eq!(said().await, [""; 0], "all are out");
    })
    .await;
}

/// What left by itself is listed as that, and what staff recalled is sent no more.
#[tokio::test]
async fn today_lists_nothing_as_being_sent_that_left_by_itself_or_was_recalled() {
    on_each_engine("not being sent today", |store| async move {
        let house = House::new(store, leaves("2026-03-16T16:02:00Z")).await;
        house.go_to("2026-03-16T16:02:00Z").await;
        assert_eq!((house.word().await, house.queued().await), ("released", 3));
        let seen = today(&house.app, everywhere(), &Filters::default()).await.unwrap();
        assert_eq!(seen.sending, []);
        let id = put(&house.app, "north", NoticeKind::WashNow, asks()).await;
        acts::send(&house.app, everywhere(), &id, TimeDelta::zero()).await.unwrap();
        let seen = today(&house.app, everywhere(), &Filters::default()).await.unwrap();
        assert_eq!(seen.sending.iter().map(|one| &one.id).collect::<Vec<_>>(), [&id]);
        acts::recall(&house.app, everywhere(), &id, Some("wrong region")).await.unwrap();
        let seen = today(&house.app, everywhere(), &Filters::default()).await.unwrap();
        assert_eq!(seen.sending, []);
    })
    .await;
}

/// Before, it was said to have left, and to be sent, at an hour at which nobody is written to.
#[tokio::test]
async fn a_notice_leaves_when_its_messages_do_and_not_in_quiet_hours() {
    on_each_engine("left in quiet hours", |store| async move {
        let house = House::new(store, leaves("2026-03-17T12:15:00Z")).await;
        let (app, zone) = (&house.app, chrono_tz::America::Denver);
        let quiet = QuietHours::from(&app.config.delivery);
        let told = |seen: &NoticeInDepth| fate(&seen.notice, quiet, zone, app.clock.now());
        assert_eq!(house.go_to("2026-03-17T12:15:00Z").await, std::slice::from_ref(&house.id));
        let seen = notice_in_depth(app, &house.id, UNDO).await.unwrap();
        let to_come = "Its messages leave from Tue, Mar 17, 8:00 AM MDT on; until then it can be recalled.";
        assert!(seen.stands.starts_with(to_come), "{}", seen.stands);
        assert_eq!(told(&seen), "leaves by itself from Tue, Mar 17, 8:00 AM MDT");
        house.clock.set(at("2026-03-17T14:00:00Z"));
        let seen = notice_in_depth(app, &house.id, UNDO).await.unwrap();
        let waits = "It left on Tue, Mar 17, 8:00 AM MDT, by itself: 3 messages wait, and none is sent yet";
        assert!(seen.stands.starts_with(waits), "{}", seen.stands);
        assert_eq!(told(&seen), "left by itself on Tue, Mar 17, 8:00 AM MDT");
    })
    .await;
}

#[tokio::test]
async fn a_notice_of_which_more_are_to_be_queued_is_still_being_sent() {
    on_each_engine("more to follow", |store| async move {
        let house = House::new(store, asks()).await;
        acts::send(&house.app, everywhere(), &house.id, chrono::TimeDelta::zero()).await.unwrap();
        all_go_out(&house).await;
        assert_eq!(house.queued().await, 0);
        for (queued_to, begins, all_out) in [("'/'", "Being sent since ", false), ("NULL", "Sent: it left on ", true)] {
            let mut tx = house.app.store.begin().await.unwrap();
            let reached = format!("UPDATE notices SET queued_to = {queued_to}");
            sqlx::query(sqlx::AssertSqlSafe(reached)).execute(tx.conn()).await.unwrap();
            tx.commit().await.unwrap();
            let seen = notice_in_depth(&house.app, &house.id, UNDO).await.unwrap();
            assert_eq!(seen.all_out, all_out, "{}", seen.stands);
            assert!(seen.stands.starts_with(begins), "{}", seen.stands);
        }
    })
    .await;
}
