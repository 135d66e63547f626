use chrono::{Days, NaiveDate};
use treebell::delivery::quiet_hours::QuietHours;
use treebell::people::Channel;
use treebell::region::{Region, RegionId};
use treebell::season::decide::SkipReason;
use treebell::season::status::SeasonStanding;
use treebell::season::{DateSpread, NoticeKind, Outlook, RecordTrust, SeasonKey, StageOutlook};
use treebell::service::cycle::{CycleReport, release_due};
use treebell::service::desk::Hand;
use treebell::service::desk::acts;
use treebell::service::desk::notice::{fate, notice_in_depth, why_ended};
use treebell::service::desk::region::region_in_depth;
use treebell::service::desk::today::{Doubt, Filters, today};
use treebell::store::Store;
use treebell::store::notices::{NoticeRelease, skip};
use treebell::store::runs::{RunResult, Served};
use treebell::store::staff_log::StaffKind;
use treebell::store::weather::Pull;
use treebell::weather::FeedKind;

use super::{House, UNDO, asks, at, everywhere, leaves, put, put_until};
use crate::engines::on_each_engine;

fn day(text: &str) -> NaiveDate {
    text.parse().unwrap()
}

/// A stage that comes around a day.
fn stage(id: &str, likely: NaiveDate, doubt: u64) -> StageOutlook {
    let dates: Vec<NaiveDate> = (0..=2 * doubt).map(|nth| likely - Days::new(doubt) + Days::new(nth)).collect();
    StageOutlook {
        stage: id.into(),
        at_sum: Some(214.0),
        reached: None,
        spread: DateSpread {
            early: Some(likely - Days::new(doubt)),
            median: Some(likely),
            late: Some(likely + Days::new(doubt)),
        },
        dates,
        not_reached: 0,
        past: None,
        parts: None,
    }
}

pub fn outlook(region: &str, opens: &str, doubt: u64, trust: RecordTrust) -> Outlook {
    let opens = day(opens);
    Outlook {
        season: SeasonKey { profile: "pinyon-needle-scale".into(), region: region.into(), year: 2026 },
        today: day("2026-03-16"),
        last_day: Some(day("2026-03-15")),
        newest_real_day: Some(day("2026-03-15")),
        heat_sum: 150.0,
        observed_sum: 150.0,
        current_stage: None,
        stages: vec![stage("egg-laying-begins", opens, doubt), stage("eggs-hatch", opens + Days::new(35), doubt)],
        filled_days: 2,
        trust,
        trace_years: vec![2024, 2025],
        forecast_days: 0,
        forecast_fit: None,
        station: "A".into(),
        borrowed: None,
        profile_version: 1,
        wash: None,
        learned: None,
    }
}

async fn said(store: &Store, outlook: Outlook) {
    store.put_outlook(&outlook, at("2026-03-16T12:15:00Z")).await.unwrap();
}

/// Region north needs a word, region south leaves by itself in the evening.
async fn two(store: Store) -> House {
    let house = House::new(store, asks()).await;
    let store = &house.app.store;
    for (region, county) in [("north", "Mesa"), ("south", "Vega")] {
        let region = Region { county: Some(county.into()), ..store.region(&region.into()).await.unwrap() };
        store.change_region(&region).await.unwrap();
    }
    let old = Outlook { today: day("2026-03-15"), ..outlook("north", "2026-05-01", 5, RecordTrust::Sound) };
    said(store, old).await;
    said(store, outlook("north", "2026-03-20", 8, RecordTrust::Sound)).await;
    let filled = RecordTrust::TooMuchFilled { filled_days: 30, days: 74 };
    said(store, outlook("south", "2026-03-18", 20, filled)).await;
    put(&house.app, "south", NoticeKind::InspectNow, leaves("2026-03-17T01:00:00Z")).await;
    house
}

#[tokio::test]
async fn today_shows_what_needs_a_word_what_leaves_and_how_regions_stand() {
    on_each_engine("today", |store| async move {
        let house = two(store).await;
        let seen = today(&house.app, everywhere(), &Filters::default()).await.unwrap();
        let [line] = seen.needs_word.as_slice() else { panic!("{:?}", seen.needs_word) };
        assert_eq!((line.id.clone(), line.region_name.as_str()), (house.id.clone(), "Region north"));
        assert_eq!(
            line.reach.iter().map(|(of, count)| (*of, *count)).collect::<Vec<_>>(),
            [(Channel::Email, 2), (Channel::Sms, 1)]
        );
        assert_eq!((line.dies_at, line.deadline), (at(super::END), Some(day("2026-04-12"))));
        assert!(line.why.contains("filled in"), "{}", line.why);
        let [leaving] = seen.leaves.as_slice() else { panic!("{:?}", seen.leaves) };
        // Seven in the evening there.
        assert_eq!((leaving.region_name.as_str(), leaving.leaves_today), ("Region south", true));
        assert_eq!(leaving.leaves_at, Some(at("2026-03-17T01:00:00Z")));
        assert_eq!(leaving.recipients(), 0);
        let doubt = seen.wrong.iter().find(|trouble| trouble.title == "Temperatures are in doubt").unwrap();
        assert!(doubt.what.contains("Region south (30 of 74 days are filled in)"), "{}", doubt.what);

        let names = |regions: &[treebell::service::desk::today::RegionRow]| {
            regions.iter().map(|row| row.region.id.to_string()).collect::<Vec<_>>()
        };
        assert_eq!(names(&seen.regions), ["south", "north"], "by their windows");
        let north = &seen.regions[1];
        assert_eq!((north.outlook_of, north.doubt_days()), (Some(day("2026-03-16")), Some(16)), "the newest outlook");
        assert_eq!((north.waiting.as_slice(), north.sent.len()), (&[NoticeKind::InspectNow][..], 0));
        assert_eq!(seen.counties, ["Mesa", "Vega"]);

        for (filters, wanted) in [
            (Filters { county: Some("Vega".into()), ..Filters::default() }, vec!["south"]),
            (Filters { doubt: Some(Doubt::Temperatures), ..Filters::default() }, vec!["south"]),
            (Filters { doubt: Some(Doubt::Dates), ..Filters::default() }, vec!["south"]),
            (Filters { standing: Some(SeasonStanding::Over), ..Filters::default() }, vec![]),
            (Filters { standing: Some(north.standing), ..Filters::default() }, vec!["north"]),
        ] {
            let seen = today(&house.app, everywhere(), &filters).await.unwrap();
            assert_eq!(names(&seen.regions), wanted, "{filters:?}");
            assert_eq!((seen.of_regions, seen.needs_word.len()), (2, 1), "the queue is whole");
        }

        acts::send(&house.app, everywhere(), &house.id, UNDO).await.unwrap();
        let seen = today(&house.app, everywhere(), &Filters::default()).await.unwrap();
        assert_eq!((seen.needs_word.len(), seen.leaves.len()), (0, 2));
        assert!(seen.leaves[0].undoable && seen.leaves[0].id == house.id, "the first to leave is first");
        house.go_to("2026-03-16T16:02:00Z").await;
        let seen = today(&house.app, everywhere(), &Filters::default()).await.unwrap();
        let north = seen.regions.iter().find(|row| row.region.id == "north").unwrap();
        assert_eq!(north.sent, [(NoticeKind::InspectNow, day("2026-03-16"))]);
        house.go_to("2026-03-17T16:00:00Z").await;
        acts::recall(&house.app, everywhere(), &house.id, Some("wrong region")).await.unwrap();
        let seen = today(&house.app, everywhere(), &Filters::default()).await.unwrap();
        let north = seen.regions.iter().find(|row| row.region.id == "north").unwrap();
        assert_eq!(
            (north.sent.len(), north.recalled.as_slice()),
            (0, &[(NoticeKind::InspectNow, day("2026-03-17"))][..])
        );
    })
    .await;
}

#[tokio::test]
async fn staff_of_one_county_see_its_regions_and_no_other() {
    let house = two(Store::in_memory().await.unwrap()).await;
    let hand = Hand { by: "A. Vigil", reach: &|region| region.county.as_deref() == Some("Vega") };
    let seen = today(&house.app, hand, &Filters::default()).await.unwrap();
    assert_eq!((seen.needs_word.len(), seen.leaves.len(), seen.of_regions), (0, 1, 1));
    assert_eq!(seen.counties, ["Vega"]);
}

/// Nobody takes it for one that waits, and what left with nobody asked is not gone from sight.
#[tokio::test]
async fn a_hold_says_since_when_by_whom_and_until_when_and_what_left_by_itself_is_listed() {
    let house = two(Store::in_memory().await.unwrap()).await;
    let seen = || async { today(&house.app, everywhere(), &Filters::default()).await.unwrap() };
    let why = Some("the crew looks first");
    acts::hold(&house.app, everywhere(), &house.id, Some(at("2026-03-17T15:00:00Z")), why).await.unwrap();
    let now = seen().await;
    assert_eq!((now.needs_word.len(), now.held.len(), now.leaves.len()), (0, 1, 1));
    assert_eq!(
        now.held[0].why,
        "Held since Mon, Mar 16, 10:00 AM MDT by M. Reyes, until Tue, Mar 17, 9:00 AM MDT; then it asks for a word again. \
         The crew looks first."
    );
    acts::hold(&house.app, everywhere(), &house.id, None, why).await.unwrap();
    let now = seen().await;
    assert_eq!((now.needs_word.len(), now.held.len()), (1, 0), "nothing else would call anybody");
    let held = "by M. Reyes, with no end: somebody has to send it or call it off. The crew looks first.";
    assert!(now.needs_word[0].held && now.needs_word[0].why.ends_with(held), "{}", now.needs_word[0].why);

    assert!(now.left.is_empty(), "{:?}", now.left);
    house.go_to("2026-03-17T01:00:00Z").await;
    let now = seen().await;
    let left: Vec<_> = now.left.iter().map(|left| (left.region_name.as_str(), left.at)).collect();
    assert_eq!((left.as_slice(), now.leaves.len()), (&[("Region south", at("2026-03-17T01:00:00Z"))][..], 0));
    assert!(!now.left[0].is_recalled, "{:?}", now.left);
    acts::recall(&house.app, everywhere(), &now.left[0].id, Some("wrong station")).await.unwrap();
    let now = seen().await;
    assert_eq!((now.left[0].is_recalled, now.left[0].recall_reason.as_deref()), (true, Some("wrong station")));
    house.go_to("2026-03-19T02:00:00Z").await;
    assert!(seen().await.left.is_empty(), "of the last two days");
}

/// Before: "then it leaves by itself", and nobody could tell from it when.
#[tokio::test]
async fn a_hold_says_on_which_day_and_at_which_hour_its_notice_leaves_by_itself() {
    let house = two(Store::in_memory().await.unwrap()).await;
    let app = &house.app;
    let south = today(app, everywhere(), &Filters::default()).await.unwrap().leaves[0].id.clone();
    for (until, said) in [
        // Its own hour comes after the hold.
        (
            "2026-03-17T00:00:00Z",
            "until Mon, Mar 16, 6:00 PM MDT; then it leaves by itself, on Mon, Mar 16, 7:00 PM MDT.",
        ),
        // The end of quiet hours comes after it.
        (
            "2026-03-17T06:00:00Z",
            "until the end of Mon, Mar 16; then it leaves by itself, on Tue, Mar 17, 8:00 AM MDT.",
        ),
        ("2026-03-17T15:00:00Z", "until Tue, Mar 17, 9:00 AM MDT, when it leaves by itself."),
    ] {
        acts::hold(app, everywhere(), &south, Some(at(until)), None).await.unwrap();
        let seen = today(app, everywhere(), &Filters::default()).await.unwrap();
        assert!(seen.held[0].why.ends_with(said), "{}", seen.held[0].why);
    }
}

/// Staff said "not now" of the first notice, and a later one goes to the same people: nobody is to find that out from them.
#[tokio::test]
async fn a_notice_says_that_it_overtook_one_that_staff_held() {
    on_each_engine("overtaken holds", |store| async move {
        let house = two(store).await;
        let (app, south) = (&house.app, RegionId("south".into()));
        let ready = put(app, "south", NoticeKind::GetReady, asks()).await;
        acts::hold(app, everywhere(), &ready, None, Some("station is in doubt")).await.unwrap();
        let seen = today(app, everywhere(), &Filters::default()).await.unwrap();
        assert!(seen.leaves[0].overtook.is_empty(), "{:?}", seen.leaves);
        let mut tx = app.store.begin().await.unwrap();
        let reason = serde_json::to_value(SkipReason::WindowOpen { since: day("2026-02-01") }).unwrap();
        skip(&mut tx, &ready, &reason).await.unwrap();
        tx.commit().await.unwrap();
        let (key, noon) = (format!("skipped/{ready}"), at("2026-03-16T18:00:00Z"));
        app.store.tell_staff(&key, Some(&south), StaffKind::Skipped, "get-ready was skipped", noon).await.unwrap();

        let said = "Get ready here was held by M. Reyes on Mon, Mar 16, 10:00 AM MDT, with no end: “station is in doubt”. It was \
                    skipped on Mon, Mar 16, 12:00 PM MDT: the window has been open since February 1.";
        let seen = today(app, everywhere(), &Filters::default()).await.unwrap();
        assert_eq!((seen.leaves[0].overtook.as_slice(), seen.needs_word[0].overtook.len()), (&[said.to_owned()][..], 0));
        let later = notice_in_depth(app, &seen.leaves[0].id, UNDO).await.unwrap();
        assert_eq!(later.overtook, [said]);
        // The one that was skipped keeps what staff said of it.
        let skipped = notice_in_depth(app, &ready, UNDO).await.unwrap();
        assert_eq!(skipped.why.sentence, "It was not told: the window has been open since February 1.");
        let held = "It was held by M. Reyes, with no end (station is in doubt), when it was skipped on Mon, Mar 16, 12:00 PM MDT.";
        assert_eq!(skipped.why.waits, held);
        let zone = skipped.region.time_zone;
        let both = format!("{} {held}", skipped.why.sentence);
        assert_eq!(why_ended(&skipped.notice, zone, Some(held)), Some(both));
        assert_eq!(region_in_depth(app, &south).await.unwrap().held.get(&ready).map(String::as_str), Some(held));
        let quiet = QuietHours::from(&app.config.delivery);
        assert_eq!(fate(&skipped.notice, quiet, zone, app.clock.now()), "skipped; it had been held by M. Reyes: station is in doubt");

        house.go_to("2026-03-17T01:00:00Z").await;
        let seen = today(app, everywhere(), &Filters::default()).await.unwrap();
        assert_eq!(seen.left[0].overtook, [said]);
    })
    .await;
}

/// A hold without an end lasts until the notice is of no use: that is told, and whoever reads the next one learns it too.
#[tokio::test]
async fn a_hold_that_runs_out_is_told_on_today_and_with_the_next_notice() {
    on_each_engine("holds that run out", |store| async move {
        let house = House::new(store, asks()).await;
        let app = &house.app;
        acts::hold(app, everywhere(), &house.id, None, Some("Miller trees first.")).await.unwrap();
        let held = notice_in_depth(app, &house.id, UNDO).await.unwrap();
        assert_eq!(held.why.waits, "Held by M. Reyes: Miller trees first.");
        let (end, mut report) = (at("2026-03-20T12:15:00Z"), CycleReport::default());
        house.clock.set(end);
        release_due(app, end, &mut report, &mut |_| {}).await.unwrap();
        // Practice lists it by this.
        assert_eq!(report.ended, std::slice::from_ref(&house.id));
        assert_eq!(house.word().await, "skipped");
        let told = "Inspect now here was held by M. Reyes on Mon, Mar 16, 10:00 AM MDT, with no end: “Miller trees first”. It \
                    came to be of no use on Fri, Mar 20, 12:00 AM MDT; people";
        let seen = today(app, everywhere(), &Filters::default()).await.unwrap();
        let ended = seen.wrong.iter().find(|trouble| trouble.title == "Inspect now for Region north ended unsent").unwrap();
        assert_eq!(ended.what, format!("{told} there were never told to look."));
        let ended = notice_in_depth(app, &house.id, UNDO).await.unwrap();
        assert!(ended.stands.starts_with("It ended unsent: it was of use until Fri, Mar 20"), "{}", ended.stands);
        let held = "It was held by M. Reyes, with no end (Miller trees first), until it was of no use.";
        assert_eq!(ended.why.waits, held);
        let why = why_ended(&ended.notice, ended.region.time_zone, None).unwrap();
        assert_eq!(why, "It was of use until Fri, Mar 20, 12:00 AM MDT. It had been held by M. Reyes: Miller trees first.");
        let quiet = QuietHours::from(&app.config.delivery);
        let fate = fate(&ended.notice, quiet, ended.region.time_zone, app.clock.now());
        assert!(fate.starts_with("ended unsent, of use until Fri, Mar 20, 12:00 AM MDT; it had been held by"), "{fate}");

        let later = put_until(app, "north", NoticeKind::WashNow, asks(), "2026-04-01T06:00:00Z").await;
        let said = format!("{told} here were never told to look.");
        assert_eq!(notice_in_depth(app, &later, UNDO).await.unwrap().overtook, std::slice::from_ref(&said));
        let seen = today(app, everywhere(), &Filters::default()).await.unwrap();
        assert_eq!((seen.needs_word[0].id.clone(), seen.needs_word[0].overtook.clone()), (later, vec![said]));
        house.clock.set(at("2026-03-28T12:15:00Z"));
        let seen = today(app, everywhere(), &Filters::default()).await.unwrap();
        assert!(!seen.wrong.iter().any(|trouble| trouble.title.ends_with("ended unsent")), "of the last week");
    })
    .await;
}

/// Before, only who had held it was told, and not that the hold was to last until the next day.
#[tokio::test]
async fn a_notice_that_was_skipped_in_a_hold_says_until_when_that_was_to_last() {
    let house = two(Store::in_memory().await.unwrap()).await;
    let app = &house.app;
    let ready = put(app, "south", NoticeKind::GetReady, asks()).await;
    let (until, why) = (Some(at("2026-03-17T15:00:00Z")), Some("station is in doubt"));
    acts::hold(app, everywhere(), &ready, until, why).await.unwrap();
    let mut tx = app.store.begin().await.unwrap();
    let reason = serde_json::to_value(SkipReason::WindowOpen { since: day("2026-02-01") }).unwrap();
    skip(&mut tx, &ready, &reason).await.unwrap();
    tx.commit().await.unwrap();
    let (key, noon) = (format!("skipped/{ready}"), at("2026-03-16T18:00:00Z"));
    app.store.tell_staff(&key, Some(&"south".into()), StaffKind::Skipped, "get-ready was skipped", noon).await.unwrap();
    let page = notice_in_depth(app, &ready, UNDO).await.unwrap();
    let held = "It was held by M. Reyes, until Tue, Mar 17, 9:00 AM MDT (station is in doubt), when it was skipped on Mon, Mar 16, \
                12:00 PM MDT.";
    assert_eq!(page.why.waits, held);
    let seen = today(app, everywhere(), &Filters::default()).await.unwrap();
    let said = "Get ready here was held by M. Reyes on Mon, Mar 16, 10:00 AM MDT, until Tue, Mar 17, 9:00 AM MDT: “station is in \
                doubt”. It was skipped on Mon, Mar 16, 12:00 PM MDT: the window has been open since February 1.";
    assert_eq!(seen.leaves[0].overtook, [said]);
}

/// An alarm waits for six hours; before, today said that long that nothing was wrong.
#[tokio::test]
async fn a_cycle_that_failed_is_told_on_today_at_once_until_one_is_good() {
    on_each_engine("a failed cycle", |store| async move {
        let house = House::new(store, asks()).await;
        let told = || async {
            let wrong = today(&house.app, everywhere(), &Filters::default()).await.unwrap().wrong;
            wrong.into_iter().find(|trouble| trouble.title == "The newest cycle failed")
        };
        let cycle = async |began: &str, result: RunResult, outcome: &str, faults: Option<u32>| {
            let (civil, store) = (at(began).naive_utc(), &house.app.store);
            store.start_run("cycle", civil, at(began)).await.unwrap();
            match faults.map(|faults| Served { regions: 2, faults }) {
                Some(served) => store.finish_cycle("cycle", civil, result, outcome, served, at(began)).await.unwrap(),
                None => store.finish_run("cycle", civil, result, outcome, at(began)).await.unwrap(),
            }
        };
        assert_eq!(told().await, None);
        // What was answered before is not this cycle's.
        for (began, feed, error) in [
            ("2026-03-15T12:15:00Z", FeedKind::Awdb, "an older answer"),
            ("2026-03-16T12:15:00Z", FeedKind::Acis, "status 503 of `data.example.org`."),
            ("2026-03-16T12:15:00Z", FeedKind::NwsForecast, "no forecast"),
        ] {
            let error = Some(error.to_owned());
            let pull = Pull { station: "A".into(), feed, started_at: at(began), taken: 0, rejected: 0, error };
            house.app.store.add_pull(&pull).await.unwrap();
        }
        let silent = "failed: 1 of 1 station silent, 2 regions, 2 days, 0 new values, 3 decided, 0 deliveries, 0 faults";
        cycle("2026-03-16T12:15:00Z", RunResult::Failed, silent, Some(0)).await;
        let trouble = told().await.expect("at once");
        assert_eq!(trouble.since, Some(at("2026-03-16T12:15:00Z")));
        let what = "No station could be read: Station A (acis: status 503 of “data.example.org”). Until a cycle succeeds, dates and \
                    notices rest on the temperatures of before.";
        assert_eq!(trouble.what, what);
        assert!(trouble.by_command.is_some_and(|said| said.ends_with(&format!(" The cycle came to: {silent}."))));
        let faulty = "failed: 0 of 1 station silent, 2 regions, 0 days, 4 new values, 0 decided, 0 deliveries, 2 faults";
        cycle("2026-03-16T13:15:00Z", RunResult::Failed, faulty, Some(2)).await;
        let what = "No region could be worked out: dates stay as they were, and no new notice is decided until a cycle succeeds.";
        assert_eq!(told().await.expect("at once").what, what);
        // Of a cycle before regions were counted, nothing is said of them, and its sentence is not taken apart.
        cycle("2026-03-16T14:15:00Z", RunResult::Failed, faulty, None).await;
        let what = "Until a cycle succeeds, dates and notices rest on the temperatures of before.";
        assert_eq!(told().await.expect("at once").what, what);
        cycle("2026-03-16T15:15:00Z", RunResult::Partly, "one station gave nothing", Some(0)).await;
        assert_eq!(told().await, None);
    })
    .await;
}

/// Before, today told the hour at which its messages were queued, when nobody is written to.
#[tokio::test]
async fn today_tells_from_when_messages_leave_that_were_queued_in_quiet_hours() {
    let house = two(Store::in_memory().await.unwrap()).await;
    let id = put(&house.app, "north", NoticeKind::GetReady, leaves("2026-03-17T12:15:00Z")).await;
    house.go_to("2026-03-17T12:15:00Z").await;
    for (now, how) in [
        ("2026-03-17T12:20:00Z", "it leaves by itself from Tue, Mar 17, 8:00 AM MDT, as the region has it"),
        ("2026-03-17T14:00:00Z", "it left by itself on Tue, Mar 17, 8:00 AM MDT, as the region has it"),
    ] {
        house.clock.set(at(now));
        let seen = today(&house.app, everywhere(), &Filters::default()).await.unwrap();
        assert_eq!((&seen.left[0].id, seen.left[0].how.as_str()), (&id, how));
    }
}

/// Before, nothing said that either had been held, and the end of the one was blamed on a hold that had long been over.
#[tokio::test]
async fn a_hold_that_ended_by_its_time_is_told_and_not_blamed() {
    on_each_engine("holds that ended", |store| async move {
        let house = two(store).await;
        let app = &house.app;
        let south = today(app, everywhere(), &Filters::default()).await.unwrap().leaves[0].id.clone();
        for id in [&house.id, &south] {
            let (until, why) = (Some(at("2026-03-17T15:00:00Z")), Some("the crew looks first"));
            acts::hold(app, everywhere(), id, until, why).await.unwrap();
        }
        assert_eq!(house.go_to("2026-03-17T15:00:00Z").await, std::slice::from_ref(&south));
        let words = "held by M. Reyes until Tue, Mar 17, 9:00 AM MDT (the crew looks first).";
        let said = format!("It had been {words}");
        let seen = today(app, everywhere(), &Filters::default()).await.unwrap();
        assert_eq!(seen.left[0].held.as_ref(), Some(&said));
        assert!(seen.needs_word[0].why.ends_with(&said), "{}", seen.needs_word[0].why);
        for id in [&house.id, &south] {
            let page = notice_in_depth(app, id, UNDO).await.unwrap();
            assert!(page.stands.ends_with(&said), "{}", page.stands);
            let region = region_in_depth(app, &page.region.id).await.unwrap();
            assert_eq!(region.held.get(id), Some(&said));
        }

        house.go_to("2026-03-20T12:15:00Z").await;
        let page = notice_in_depth(app, &house.id, UNDO).await.unwrap();
        let waited = format!("It waited for a word of staff until Fri, Mar 20, 12:00 AM MDT; it had been {words}");
        assert_eq!(page.why.waits, waited);
        let seen = today(app, everywhere(), &Filters::default()).await.unwrap();
        let ended = seen.wrong.iter().find(|trouble| trouble.title.ends_with("ended unsent")).unwrap();
        let over = "That hold ended on Tue, Mar 17, 9:00 AM MDT; then it waited for a word, and came to be of no use on Fri, Mar 20";
        assert!(ended.what.contains(over) && !ended.what.contains("It came"), "{}", ended.what);
    })
    .await;
}

/// The end that a hold had before it was lengthened is not the one by which it ended.
#[tokio::test]
async fn a_hold_that_was_lengthened_did_not_end_by_its_first_time() {
    let house = House::new(Store::in_memory().await.unwrap(), asks()).await;
    let app = &house.app;
    let why = Some("the crew looks first");
    acts::hold(app, everywhere(), &house.id, Some(at("2026-03-17T15:00:00Z")), why).await.unwrap();
    house.clock.set(at("2026-03-16T17:00:00Z"));
    acts::hold(app, everywhere(), &house.id, None, why).await.unwrap();
    house.go_to("2026-03-20T12:15:00Z").await;
    let seen = today(app, everywhere(), &Filters::default()).await.unwrap();
    let ended = seen.wrong.iter().find(|trouble| trouble.title.ends_with("ended unsent")).unwrap();
    assert!(ended.what.contains(" It came to be of no use on Fri, Mar 20"), "{}", ended.what);
    let page = notice_in_depth(app, &house.id, UNDO).await.unwrap();
    assert!(!page.why.waits.contains("Mar 17"), "{}", page.why.waits);
}

/// One whose days moved after it had come up: its terms say one end, and the reason for which it was skipped an earlier one.
#[tokio::test]
async fn a_notice_that_newer_data_took_the_use_of_has_one_end() {
    let house = House::new(Store::in_memory().await.unwrap(), asks()).await;
    let app = &house.app;
    acts::hold(app, everywhere(), &house.id, None, None).await.unwrap();
    let mut tx = app.store.begin().await.unwrap();
    let reason = serde_json::to_value(SkipReason::PastUse { until: day("2026-03-15") }).unwrap();
    skip(&mut tx, &house.id, &reason).await.unwrap();
    tx.commit().await.unwrap();
    let page = notice_in_depth(app, &house.id, UNDO).await.unwrap();
    let said = "It was not told: by a later reckoning it was of use only until March 15, before it came up.";
    assert_eq!((page.why.sentence.as_str(), page.useless_from()), (said, None));
    assert_eq!(page.stands, "It ended unsent: it was of use until March 15.");
}

/// One that has waited for days would still send the words of its day. Before, own words that were saved today hid that, and of all
/// days only that of egg laying was told.
#[tokio::test]
async fn words_of_an_earlier_day_are_told_beside_what_is_known_today() {
    let house = two(Store::in_memory().await.unwrap()).await;
    let app = &house.app;
    let said_of = || async {
        let line = today(app, everywhere(), &Filters::default()).await.unwrap().needs_word.remove(0);
        let page = notice_in_depth(app, &house.id, UNDO).await.unwrap();
        assert_eq!((&line.id, &line.old_words), (&house.id, &page.old_words));
        (page.old_words, page.days_moved)
    };
    // The words are of this day.
    let words = "Its words go by an earlier reckoning, in which egg laying most likely begins on March 22; by today’s, that day is \
         March 20.";
    assert_eq!(said_of().await, (Some(words.to_owned()), true));
    let on_day = |of: &str, opens: &str| {
        house.clock.set(at(&format!("{of}T16:00:00Z")));
        Outlook { today: day(of), ..outlook("north", opens, 8, RecordTrust::Sound) }
    };
    // A day is what a likely one shifts by.
    said(&app.store, on_day("2026-03-17", "2026-03-21")).await;
    assert_eq!(said_of().await, (Some("Its words are of March 16.".to_owned()), false));
    said(&app.store, on_day("2026-03-18", "2026-03-24")).await;
    let words = "Its words are of March 16 and go by a reckoning in which egg laying most likely begins on March 22; by today’s, \
         that day is March 24.";
    assert_eq!(said_of().await, (Some(words.to_owned()), true));
    // Nothing was reckoned today.
    house.clock.set(at("2026-03-19T16:00:00Z"));
    let words = words.replace("by today’s", "by that of March 18");
    assert_eq!(said_of().await, (Some(words), true));
}

/// The last day to wash is told to the day.
#[tokio::test]
async fn a_last_day_that_moved_is_told_beside_the_one_in_the_words() {
    let house = two(Store::in_memory().await.unwrap()).await;
    let app = &house.app;
    let id = put(app, "north", NoticeKind::LastDaysToWash, asks()).await;
    let row = region_in_depth(app, &"north".into()).await.unwrap().row;
    let deadline = row.days.unwrap().deadline;
    let page = notice_in_depth(app, &id, UNDO).await.unwrap();
    let words = format!(
        "Its words go by an earlier reckoning, in which the last day to wash is April 12; by today’s, that day is {}.",
        deadline.format("%B %-d")
    );
    assert_ne!(deadline, day("2026-04-12"));
    assert_eq!((page.old_words, page.days_moved), (Some(words), true));
}

/// Before, nothing said that of two that wait side by side the later one ends the other, and the earlier one does not.
#[tokio::test]
async fn of_two_that_wait_side_by_side_each_says_which_one_ends_the_other() {
    let house = two(Store::in_memory().await.unwrap()).await;
    let app = &house.app;
    let last = put(app, "north", NoticeKind::LastDaysToWash, asks()).await;
    // One that tells of a moved day ends nothing.
    put(app, "north", NoticeKind::DeadlineMoved, asks()).await;
    let day = "and tells April 12 as the last day to wash";
    let once = "once it has left, this one is not told; where this one leaves first, people get both";
    let of_earlier = format!("“Last days to wash” waits here as well, {day}: {once}.");
    let of_later = format!("“Inspect now” waits here as well, {day}: once this one has left, that one is not told.");
    let seen = today(app, everywhere(), &Filters::default()).await.unwrap();
    for (id, said) in [(&house.id, &of_earlier), (&last, &of_later)] {
        let line = seen.needs_word.iter().find(|line| line.id == *id).unwrap();
        let page = notice_in_depth(app, id, UNDO).await.unwrap();
        assert_eq!((&line.beside, page.beside.as_slice()), (&page.beside, std::slice::from_ref(said)));
    }
    let others = seen.needs_word.iter().filter(|line| ![&house.id, &last].contains(&&line.id));
    assert_eq!(others.map(|line| line.beside.len()).collect::<Vec<_>>(), [0]);
    acts::hold(app, everywhere(), &last, None, Some("the crew looks first")).await.unwrap();
    let page = notice_in_depth(app, &house.id, UNDO).await.unwrap();
    assert_eq!(page.beside, [of_earlier.replace("waits here", "is held here")]);
    acts::call_off(app, everywhere(), &last, None).await.unwrap();
    assert!(notice_in_depth(app, &house.id, UNDO).await.unwrap().beside.is_empty());
}

/// Before, the desk said that it was over where the public page said that it was late and told people to wash what they see.
#[tokio::test]
async fn a_region_past_its_last_day_is_late_until_eggs_have_probably_hatched_or_people_were_told() {
    let house = two(Store::in_memory().await.unwrap()).await;
    let app = &house.app;
    let row_of = || async { region_in_depth(app, &"north".into()).await.unwrap().row };
    assert!(!row_of().await.is_late);
    for (opens, is_late) in [("2026-02-17", true), ("2026-02-07", false)] {
        said(&app.store, outlook("north", opens, 8, RecordTrust::Sound)).await;
        let row = row_of().await;
        assert_eq!((row.standing, row.is_late), (SeasonStanding::Over, is_late), "{opens}");
    }
    said(&app.store, outlook("north", "2026-02-17", 8, RecordTrust::Sound)).await;
    put(app, "north", NoticeKind::TooLateToWash, NoticeRelease::Release).await;
    assert!(!row_of().await.is_late);
}

/// What today costs the store does not grow with the regions.
#[tokio::test]
async fn a_state_of_regions_is_read_with_as_few_questions_as_two() {
    let house = two(Store::in_memory().await.unwrap()).await;
    let store = &house.app.store;
    let asked = || store.lent().1;
    let before = asked();
    today(&house.app, everywhere(), &Filters::default()).await.unwrap();
    let of_two = asked() - before;
    let model = store.region(&"south".into()).await.unwrap();
    let many: Vec<Region> = (0..300)
        .map(|nth| Region {
            id: RegionId(format!("region-{nth:03}")),
            name: format!("Region {nth:03}"),
            zips: Vec::new(),
            ..model.clone()
        })
        .collect();
    for (nth, region) in many.into_iter().enumerate() {
        let id = region.id.to_string();
        let zip = treebell::region::Zip::parse(&format!("{:05}", 300 + nth)).unwrap();
        store.add_region(&Region { zips: vec![zip], ..region }, at("2026-01-01T00:00:00Z")).await.unwrap();
        said(store, outlook(&id, "2026-04-10", 12, RecordTrust::Sound)).await;
    }
    let before = asked();
    let seen = today(&house.app, everywhere(), &Filters::default()).await.unwrap();
    assert_eq!((seen.regions.len(), asked() - before), (302, of_two));
    assert!(of_two <= 12, "{of_two} questions");
}
