//! What alarms must not say: that something is over which is not, that something is wrong which is not, and that somebody was told
//! who was not.

use treebell::region::Release;
use treebell::season::decide::{Reason, Terms};

use super::*;

const CHANNEL_DOWN: Script = Script::ChannelDown(None);

/// The kinds of the open alarms.
async fn open(house: &House) -> Vec<AlarmKind> {
    house.app.store.alarms(None).await.unwrap().into_iter().map(|alarm| alarm.kind).collect()
}

// Before, an open alarm of the queue was measured by the hours since the morning: at night nothing was old any more.
#[tokio::test]
async fn a_queue_that_stands_still_is_not_told_to_be_over_as_the_night_begins() {
    on_each_engine("a queue at night", |store| async move {
        // 16:00 in Denver; nobody delivers until the next morning.
        let house = House::new(store, "2026-04-10T22:00:00Z", "");
        Seed::new(Channel::Sms, 3).put(&house.app.store).await;
        while house.clock.now() < at("2026-04-11T14:30:00Z") {
            house.clock.advance(TimeDelta::minutes(10));
            house.keeper.look().await;
        }
        let since = Some(at("2026-04-10T00:00:00Z"));
        let all = house.app.store.alarms(since).await.unwrap();
        let told: Vec<_> = all.iter().map(|alarm| (alarm.kind, alarm.ended_at)).collect();
        assert_eq!(told, [(AlarmKind::Queue, None)]);
        house.dispatcher.drain_due().await.unwrap();
        house.lives(TimeDelta::hours(2)).await;
        let mails = house.mails(ADMIN);
        let left = house.app.store.alarms(since).await.unwrap();
        assert_eq!(
            mails.last().unwrap(),
            "RESOLVED: messages wait too long",
            "{mails:?} {left:?} {:?}",
            house.texts.taken()
        );
        assert_eq!(mails.iter().filter(|subject| subject.starts_with("RESOLVED")).count(), 1, "{mails:?}");
    })
    .await;
}

// Before, too few answers counted as no refusals.
#[tokio::test]
async fn that_nothing_is_sent_any_more_is_no_end_of_refusals() {
    on_each_engine("refusals and then silence", |store| async move {
        let house = House::new(store, "2026-04-10T18:00:00Z", "");
        house.texts.script(vec![Script::GiveUp; 12]);
        Seed::new(Channel::Sms, 12).put(&house.app.store).await;
        house.lives(TimeDelta::hours(9)).await;
        let title = "many messages are refused";
        assert!(house.mails(ADMIN).contains(&format!("ALARM: {title}")), "{:?}", house.mails(ADMIN));
        assert_eq!(open(&house).await, [AlarmKind::Deliveries]);
        house.lives(TimeDelta::hours(72)).await;
        assert_eq!(open(&house).await, [], "after two days it is closed, and nobody is told that it is over");
        assert!(!house.mails(ADMIN).contains(&format!("RESOLVED: {title}")), "{:?}", house.mails(ADMIN));
    })
    .await;
}

// Before, each telling was of use for a day.
#[tokio::test]
async fn after_an_outage_of_the_relay_one_message_of_an_alarm_arrives_and_not_all() {
    on_each_engine("an outage of the relay", |store| async move {
        let house = House::new(store, "2026-04-10T14:30:00Z", "");
        two_regions(&house.app.store).await;
        waits_for_a_word(&house, "2026-04-20T18:00:00Z").await;
        house.mail.script(vec![CHANNEL_DOWN; 40]);
        while house.mails(AGENT).is_empty() {
            house.lives(TimeDelta::minutes(30)).await;
            assert!(house.clock.now() < at("2026-04-12T00:00:00Z"), "never sent");
        }
        assert!(house.clock.now() > at("2026-04-10T17:00:00Z"), "the outage lasted for several tellings");
        house.lives(TimeDelta::minutes(30)).await;
        let mails = house.mails(AGENT);
        assert_eq!(mails.len(), 1, "{mails:?}");
        assert!(mails[0].starts_with("STILL: a notice waits for your word"), "{mails:?}");
    })
    .await;
}

/// A notice of the region north that goes out when staff say so.
async fn waits_for_a_word(house: &House, expires: &str) {
    let by_policy = serde_json::to_string(&ApprovalNeeded::ByPolicy).unwrap();
    put_waiting(house, &format!("NULL, '{by_policy}'"), expires).await;
}

/// `terms`: when it leaves by itself, and what has to be said first.
async fn put_waiting(house: &House, terms: &str, expires: &str) {
    house
        .execute(format!(
            "INSERT INTO notices (id, profile, region_id, season, kind, status, reason, facts, decided_on, decided_at, \
                 release_at, word_needed, expires_at, priority) VALUES ('{WAITS}', 'pinyon-needle-scale', 'north', 2026, \
                 'inspect-now', 'waiting', '{{}}', '{{}}', 20553, {}, {terms}, {}, 1)",
            ms(house.clock.now()),
            ms(at(expires))
        ))
        .await;
}

// Before, it was told as one that waits for a word, again and again.
#[tokio::test]
async fn a_notice_that_goes_out_by_itself_is_told_once_with_the_command_that_holds_it() {
    on_each_engine("a notice that leaves", |store| async move {
        let house = House::new(store, "2026-04-10T15:00:00Z", "");
        two_regions(&house.app.store).await;
        let leaves = ms(at("2026-04-12T16:00:00Z"));
        put_waiting(&house, &format!("{leaves}, NULL"), "2026-04-20T18:00:00Z").await;
        house.lives(TimeDelta::hours(36)).await;
        assert_eq!(house.mails(AGENT), [format!("ALARM: a notice goes out by itself ({WAITS})")]);
        let said = house.newest(AGENT);
        for part in [
            "It goes out by itself on Sun, Apr 12, 2026, 10:00 AM MDT unless it is held.",
            "What to do: nothing, if it is right.",
            &format!("treebell notices hold {WAITS} --by YOUR-NAME"),
        ] {
            assert!(said.contains(part), "{part} is missing in\n{said}");
        }
    })
    .await;
}

/// Whoever confirms a report has read that a notice leaves a moment later, and can stop it: nobody else is called for that.
#[tokio::test]
async fn a_notice_that_leaves_a_moment_after_staff_brought_it_up_is_no_alarm() {
    on_each_engine("a notice that staff brought up", |store| async move {
        let house = House::new(store, "2026-04-10T15:00:00Z", "");
        two_regions(&house.app.store).await;
        let leaves = ms(at("2026-04-10T16:00:00Z"));
        put_waiting(&house, &format!("{leaves}, NULL"), "2026-04-20T18:00:00Z").await;
        let terms = Terms {
            reason: Reason::BegunLikely { chance: 0.9 },
            release: Release::AtOnce,
            approval_needed: None,
            expires_on: "2026-04-20".parse().unwrap(),
            deadline: None,
        };
        house.execute(format!("UPDATE notices SET reason = '{}'", serde_json::to_string(&terms).unwrap())).await;
        house.lives(TimeDelta::minutes(30)).await;
        let mails = house.mails(AGENT);
        assert!(mails.is_empty(), "{mails:?}");
    })
    .await;
}

// Before, one failed try past the queue counted as told for an hour, and each process told the end.
#[tokio::test]
async fn a_store_that_takes_nothing_is_told_until_somebody_hears_it_and_its_end_by_who_told_it() {
    on_each_engine("tried past the queue", |store| async move {
        let house = House::new(store, "2026-04-10T18:00:00Z", "");
        let elsewhere =
            AlarmKeeper::new(house.app.clone(), Channels::default(), house.disk.clone(), process("elsewhere"));
        for keeper in [&house.keeper, &elsewhere] {
            keeper.look().await;
        }
        house.execute("ALTER TABLE watchers RENAME TO watchers_away").await;
        house.mail.script([CHANNEL_DOWN]);
        house.texts.script([CHANNEL_DOWN]);
        let heard = || house.mails(ADMIN).len() + house.texts_to_admin().len();
        for minute in 0..10 {
            for keeper in [&house.keeper, &elsewhere] {
                keeper.look().await;
            }
            // Two minutes of patience, then a try in vain, then five minutes.
            assert_eq!(heard(), if minute < 7 { 0 } else { 2 }, "minute {minute}");
            // The metrics tell it from the first, whoever was reached.
            assert_eq!(house.app.metrics.store_alarm(), minute >= 2, "minute {minute}");
            house.clock.advance(TimeDelta::minutes(1));
        }
        house.execute("ALTER TABLE watchers_away RENAME TO watchers").await;
        for keeper in [&elsewhere, &house.keeper] {
            keeper.look().await;
        }
        house.minute().await;
        assert!(!house.app.metrics.store_alarm());
        let title = "the store cannot be written";
        assert_eq!(house.mails(ADMIN), [format!("ALARM: {title}"), format!("RESOLVED: {title}")]);
        assert_eq!(house.texts_to_admin().len(), 2);
    })
    .await;
}

// Before, only the age of waiting alarms was asked for, and nobody's word to be left alone.
#[tokio::test]
async fn that_nobody_delivers_is_told_only_where_it_is_so_and_to_nobody_who_said_stop() {
    for delivers in [true, false] {
        on_each_engine("whether somebody delivers", |store| async move {
            let house = House::new(store, "2026-04-10T18:00:00Z", "");
            let channels = Channels { email: Some(house.mail.clone()), sms: Some(house.texts.clone()) };
            let web = Process { machine: "here".into(), role: "web".into(), delivers: false, catches_up: true };
            let keeper = AlarmKeeper::new(house.app.clone(), channels, house.disk.clone(), web);
            let phone = crate::people::address(ADMIN_PHONE);
            crate::people::subscribe(&house.app.store, &["00101"], &[ADMIN_PHONE]).await;
            crate::people::say_stop(&house.app.store, &phone, "a text", house.clock.now()).await;
            Seed::new(Channel::Sms, 3).put(&house.app.store).await;
            for _ in 0..24 {
                house.clock.advance(TimeDelta::minutes(10));
                if delivers {
                    // It is slow: what waits is paced.
                    house.keeper.look().await;
                }
                keeper.look().await;
            }
            let told = house.mails(ADMIN);
            assert_eq!(told.is_empty(), delivers, "{told:?}");
            assert_eq!(house.texts_to_admin().len(), 0, "the phone has said stop");
        })
        .await;
    }
}

// Before, a source was judged by its last answers for two weeks, whether it was asked or not.
#[tokio::test]
async fn a_source_that_nobody_asks_any_more_is_not_told_to_answer_with_nothing() {
    on_each_engine("a source that was taken away", |store| async move {
        let house = House::new(store, "2026-03-10T15:00:00Z", "");
        two_regions(&house.app.store).await;
        house
            .execute("UPDATE stations SET sources = '[{\"feed\":\"acis\",\"id\":\"ZZ1 6\"},{\"feed\":\"awdb\",\"id\":\"1\"}]'")
            .await;
        house.good_cycle("2026-03-10T14:00:00Z").await;
        let awdb = async || {
            let (station, started_at) = ("A".into(), house.clock.now());
            let pull = Pull { station, feed: FeedKind::Awdb, started_at, taken: 20, rejected: 0, error: None };
            house.app.store.add_pull(&pull).await.unwrap();
        };
        for _ in 0..4 {
            house.pulled("A", 0, 7).await;
            awdb().await;
            house.lives(TimeDelta::hours(1)).await;
        }
        assert!(open(&house).await.contains(&AlarmKind::Answers), "{:?}", open(&house).await);
        house.execute("UPDATE stations SET sources = '[{\"feed\":\"awdb\",\"id\":\"1\"}]'").await;
        awdb().await;
        house.lives(TimeDelta::hours(1)).await;
        assert!(!open(&house).await.contains(&AlarmKind::Answers), "{:?}", open(&house).await);
    })
    .await;
}

// Before, a forecast counted as a source: the cycle went as partly done, and the ping was called.
#[tokio::test]
async fn where_only_the_forecast_answers_the_cycle_has_failed_and_nobody_is_called() {
    let waits = MockServer::start().await;
    Mock::given(method("GET"))
        .and(path("/ping"))
        .respond_with(ResponseTemplate::new(200))
        .expect(0)
        .mount(&waits)
        .await;
    let grid = serde_json::json!({"properties": {"updateTime": "2026-03-10T10:00:00+00:00",
        "maxTemperature": {"uom": "wmoUnit:degC", "values": [{"validTime": "2026-03-11T14:00:00+00:00/PT13H", "value": 12.3}]},
        "minTemperature": {"uom": "wmoUnit:degC", "values": [{"validTime": "2026-03-11T02:00:00+00:00/PT14H", "value": 1.2}]}}});
    Mock::given(path("/nws/gridpoints/ZZZ/101,111"))
        .respond_with(ResponseTemplate::new(200).set_body_json(grid))
        .expect(1..)
        .mount(&waits)
        .await;
    let settings = format!(
        "[feeds]\nacis = {{ base_url = \"http://127.0.0.1:1/\" }}\nnws = {{ base_url = \"{}/nws/\" }}",
        waits.uri()
    );
    let house = House::new(Store::in_memory().await.unwrap(), "2026-03-10T12:14:00Z", &settings);
    two_regions(&house.app.store).await;
    house
        .execute(
            "UPDATE stations SET sources = '[{\"feed\":\"acis\",\"id\":\"ZZ1 6\"},{\"feed\":\"nws-forecast\",\"id\":\"ZZZ/101,111\"}]'",
        )
        .await;
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("url");
    std::fs::write(&file, format!("{}/ping\n", waits.uri())).unwrap();
    let report = house.once(Pinger::of(Some(&Secret::File(file))).unwrap()).await;
    assert!(report.pulled.new_values() > 0, "the forecast came: {:?}", report.pulled);
    assert_eq!((report.result, report.pulled.silent_stations().len()), (RunResult::Failed, 1));
}

// Before, the second look of `once` was a quick one.
#[tokio::test]
async fn once_tells_of_refusals_that_its_own_sending_met() {
    on_each_engine("refusals of once", |store| async move {
        // So fast that no pace holds them back while the clock stands.
        let house = House::new(store, "2026-04-10T18:00:00Z", "[delivery]\nsms = { per_second = 100.0 }");
        house.texts.script(vec![Script::GiveUp; 12]);
        Seed::new(Channel::Sms, 12).put(&house.app.store).await;
        house.once(None).await;
        assert_eq!(house.texts.taken().len(), 0, "all were refused");
        assert!(open(&house).await.contains(&AlarmKind::Deliveries), "{:?}", open(&house).await);
    })
    .await;
}

#[tokio::test]
async fn the_look_for_alarms_is_a_part_that_gives_signs_of_life() {
    let house = House::new(Store::in_memory().await.unwrap(), "2026-04-10T18:00:00Z", "");
    let progress = house.app.progress.clone();
    let (stop, stopped) = tokio::sync::oneshot::channel::<()>();
    let stops_it = async {
        let begun = std::time::Instant::now();
        while progress.steps(Part::Alarms) == 0 {
            assert!(begun.elapsed() < Duration::from_secs(60), "no step");
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
        drop(stop);
    };
    tokio::join!(house.keeper.run(async { drop(stopped.await) }), stops_it);
    assert_eq!(progress.steps(Part::Alarms), 0, "an orderly end is waited for by nobody");
}

#[test]
fn the_check_of_the_settings_names_the_alarms_that_nobody_hears_of_and_every_faulty_key() {
    let folder = tempfile::tempdir().unwrap();
    let check = |more: &str| {
        let settings = format!(
            "[[alarms.recipients]]\nname = \"Example Administrator\"\nemail = \"{ADMIN}\"\nkinds = [\"service\", \"station\"]\n{more}"
        );
        std::fs::write(folder.path().join("treebell.toml"), settings).unwrap();
        let mut command = Command::new(assert_cmd::cargo::cargo_bin!("treebell"));
        let done = command.current_dir(folder.path()).arg("check-config").output().unwrap();
        (done.status.code(), String::from_utf8_lossy(&done.stderr).into_owned())
    };
    let (code, told) = check("");
    assert_eq!(code, Some(0), "{told}");
    assert!(
        told.contains("warning: alarms.recipients: nobody is told of notice-waits, notice-leaves, notice-runs-out,"),
        "{told}"
    );
    // Before, the first faulty key hid the others, and had no line.
    std::fs::write(folder.path().join("short"), "word").unwrap();
    let (code, told) =
        check("[keys]\naddresses = [{ file = \"none\" }, { file = \"short\" }]\nlinks = [{ file = \"none\" }]\n");
    assert_eq!(code, Some(2), "{told}");
    for fault in [
        "treebell.toml:6: keys.addresses[0]: ",
        "treebell.toml:6: keys.addresses[1]: ",
        "treebell.toml:7: keys.links[0]: ",
    ] {
        assert!(told.contains(fault), "{fault} is missing in\n{told}");
    }
}

// Before, all of these were lines of the log, and the ping outside was called.
#[tokio::test]
async fn what_fails_beside_the_regions_is_told_and_so_is_its_end() {
    on_each_engine("work that fails", |store| async move {
        let house = House::new(store, "2026-04-10T18:00:00Z", "");
        house.execute("ALTER TABLE zip_waits RENAME TO zip_waits_away").await;
        let report = house.once(None).await;
        assert_eq!(report.result, RunResult::Partly, "{:?}", report.cycle);
        house.lives(TimeDelta::minutes(20)).await;
        let title = "work of a cycle failed";
        assert_eq!(house.mails(ADMIN), [format!("ALARM: {title}")]);
        assert!(
            house.newest(ADMIN).contains("those whose ZIP code has a region now could not be told"),
            "{}",
            house.newest(ADMIN)
        );
        house.execute("ALTER TABLE zip_waits_away RENAME TO zip_waits").await;
        house.once(None).await;
        house.lives(TimeDelta::minutes(20)).await;
        assert_eq!(house.mails(ADMIN)[1..], [format!("RESOLVED: {title}")]);
    })
    .await;
}

// Before, it waited for an hour that had passed, and was told again when its use was over, by the same call that failed.
#[tokio::test]
async fn a_notice_that_should_have_left_by_itself_and_has_not_is_told_as_one_whose_time_runs_out() {
    on_each_engine("a notice that is stuck", |store| async move {
        let house = House::new(store, "2026-04-10T15:00:00Z", "");
        two_regions(&house.app.store).await;
        let left = ms(at("2026-04-10T12:00:00Z"));
        put_waiting(&house, &format!("{left}, NULL"), "2026-04-20T18:00:00Z").await;
        house.lives(TimeDelta::minutes(20)).await;
        assert_eq!(house.mails(AGENT), [format!("ALARM: a notice waits and its time runs out ({WAITS})")]);
        let said = house.newest(AGENT);
        assert!(
            said.contains("It should have gone out by itself on Fri, Apr 10, 2026, 6:00 AM MDT and has not"),
            "{said}"
        );
    })
    .await;
}

// Before, a station that no service is asked for was never looked at.
#[tokio::test]
async fn a_station_whose_files_do_not_come_any_more_is_told_in_season() {
    on_each_engine("files that stay away", |store| async move {
        let house = House::new(store, "2026-03-10T15:00:00Z", "");
        two_regions(&house.app.store).await;
        house.execute("UPDATE stations SET sources = '[]'").await;
        house.good_cycle("2026-03-10T14:00:00Z").await;
        for (newest, is_late) in [("2026-02-27T00:00:00Z", true), ("2026-03-05T00:00:00Z", false)] {
            let day = ms(at(newest)) / 86_400_000;
            for element in 0..2 {
                house
                    .execute(format!(
                        "INSERT INTO daily_values (station_id, day, element, feed, received_at, value_tenths, day_reported, sampled, \
                         bulk) VALUES ('A', {day}, {element}, 'plain-csv', 0, 10, {day}, 0, 1)"
                    ))
                    .await;
            }
            house.lives(TimeDelta::hours(1)).await;
            let all = house.app.store.alarms(None).await.unwrap();
            let told = all.iter().find(|alarm| alarm.kind == AlarmKind::Station);
            assert_eq!(told.map(|alarm| alarm.what.contains("comes from files alone")), is_late.then_some(true), "{all:?}");
        }
    })
    .await;
}

// Two machines whose clocks differ by a moment see the same at once: what each would raise has a name of its own, so that only
// the second look under the lock keeps it to one.
#[tokio::test]
async fn of_two_machines_that_see_the_same_at_once_one_raises_it() {
    on_each_engine("two machines at once", |store| async move {
        let house = House::new(store.clone(), "2026-04-10T18:00:00Z", "");
        let beside = House::new(store, "2026-04-10T18:00:00.001Z", "");
        Seed::new(Channel::Sms, 3).put(&house.app.store).await;
        for one in [&house, &beside] {
            one.clock.advance(TimeDelta::hours(3));
        }
        tokio::join!(house.keeper.look(), beside.keeper.look());
        assert_eq!(open(&house).await, [AlarmKind::Queue]);
        house.lives(TimeDelta::minutes(2)).await;
        assert_eq!(house.mails(ADMIN), ["ALARM: messages wait too long"]);
    })
    .await;
}

// Before, a cron's failure was told to its log alone; and what was told of it stood for ever where the daemon works on, and was
// told to be over as soon as another was begun.
#[tokio::test]
async fn a_cycle_by_hand_that_failed_is_told_until_a_good_one() {
    on_each_engine("once that fails", |store| async move {
        let house = House::new(store, "2026-04-10T18:00:00Z", "");
        let begin = async |minute: u32| {
            let at = at(&format!("2026-04-10T17:{minute}:00Z"));
            house.app.store.start_run("once", at.naive_utc(), at).await.unwrap();
            at.naive_utc()
        };
        let failed = begin(10).await;
        house.app.store.note_failed_try("once", failed, "the regions cannot be read").await.unwrap();
        house.lives(TimeDelta::minutes(20)).await;
        let title = "work of a cycle failed";
        assert_eq!(house.mails(ADMIN), [format!("ALARM: {title}")]);
        assert!(house.newest(ADMIN).contains("the regions cannot be read"), "{}", house.newest(ADMIN));
        begin(20).await;
        house.lives(TimeDelta::minutes(20)).await;
        assert_eq!(house.mails(ADMIN).len(), 1, "one under way shows nothing");
        house.good_cycle("2026-04-10T18:45:00Z").await;
        house.lives(TimeDelta::minutes(20)).await;
        assert_eq!(house.mails(ADMIN)[1..], [format!("RESOLVED: {title}")]);
    })
    .await;
}

#[tokio::test]
async fn a_notice_that_is_half_queued_for_long_is_told_until_it_is_whole() {
    on_each_engine("half queued", |store| async move {
        let house = House::new(store, "2026-04-10T15:00:00Z", "");
        two_regions(&house.app.store).await;
        waits_for_a_word(&house, "2026-04-20T18:00:00Z").await;
        let released = ms(house.clock.now());
        house
            .execute(format!(
                "UPDATE notices SET status = 'released', released_at = {released}, released_by = 'staff', queued_to = '/'"
            ))
            .await;
        house.clock.advance(TimeDelta::minutes(14));
        house.keeper.look().await;
        assert_eq!(open(&house).await, [], "it takes its time");
        house.clock.advance(TimeDelta::minutes(2));
        house.keeper.look().await;
        assert_eq!(open(&house).await, [AlarmKind::Queue]);
        house.app.store.queue_rest(house.clock.now()).await.unwrap();
        house.lives(TimeDelta::hours(1)).await;
        assert_eq!(open(&house).await, []);
    })
    .await;
}

// When all sources fail it is no station's fault: the cycle's own alarm speaks.
#[tokio::test]
async fn where_every_source_fails_no_station_is_blamed() {
    on_each_engine("all sources fail", |store| async move {
        let house = House::new(store, "2026-03-10T15:00:00Z", "");
        two_regions(&house.app.store).await;
        house.execute("UPDATE stations SET sources = '[{\"feed\":\"acis\",\"id\":\"ZZ1 6\"}]'").await;
        house.good_cycle("2026-03-10T14:00:00Z").await;
        house.pulled("A", 5, 0).await;
        for _ in 0..30 {
            house.lives(TimeDelta::hours(1)).await;
            house.pulled("A", 0, 0).await;
        }
        house.lives(TimeDelta::hours(1)).await;
        assert!(!open(&house).await.contains(&AlarmKind::Station), "{:?}", open(&house).await);
        assert!(open(&house).await.contains(&AlarmKind::Cycle), "{:?}", open(&house).await);
    })
    .await;
}

// Before, the whole text of what had waited came again, and nothing of what became of it.
#[tokio::test]
async fn the_end_of_a_notice_that_waited_says_what_became_of_it() {
    for (word, became) in [
        ("status = 'released', released_at = 1, released_by = 'maria'", "was sent by maria."),
        (
            "status = 'released', released_at = 1, released_by = 'maria', recalled_at = 2, recalled_by = 'maria', \
             staff_note = 'recalled by maria: wrong region'",
            "was sent by maria and was recalled (wrong region).",
        ),
        ("status = 'cancelled', staff_note = 'wrong station'", "was called off (wrong station)."),
        ("status = 'held'", "is held."),
    ] {
        on_each_engine("how a notice ended", |store| async move {
            let house = House::new(store, "2026-04-10T18:00:00Z", "");
            two_regions(&house.app.store).await;
            waits_for_a_word(&house, "2026-04-20T18:00:00Z").await;
            house.minute().await;
            assert_eq!(house.mails(AGENT), [format!("ALARM: a notice waits for your word ({WAITS})")]);
            house.execute(format!("UPDATE notices SET {word} WHERE id = '{WAITS}'")).await;
            house.clock.advance(TimeDelta::minutes(10));
            house.minute().await;
            let said = house.newest(AGENT);
            assert!(said.starts_with("RESOLVED: a notice waits for your word"), "{said}");
            assert!(said.contains(&format!("\"inspect now\" for north {became}")), "{said}");
            assert!(!said.contains("decided on"), "what it was is known: {said}");
        })
        .await;
    }
    on_each_engine("a notice whose time ran out", |store| async move {
        let house = House::new(store, "2026-04-10T18:00:00Z", "");
        two_regions(&house.app.store).await;
        waits_for_a_word(&house, "2026-04-10T20:00:00Z").await;
        // What runs out is not told in the first quarter of an hour.
        house.lives(TimeDelta::minutes(30)).await;
        house.clock.advance(TimeDelta::hours(3));
        house.minute().await;
        let said = house.newest(AGENT);
        assert!(said.contains("\"inspect now\" for north did not go out: its time ran out."), "{said}");
    })
    .await;
}

// Before, each start held the alarms of the queue, the cycle and notices that run out for a quarter of an hour anew.
#[tokio::test]
async fn a_service_that_ends_and_begins_again_and_again_tells_what_is_late_and_one_that_stood_still_first_makes_up_for_it()
 {
    let keeper = |house: &House| {
        let channels = Channels { email: Some(house.mail.clone()), sms: Some(house.texts.clone()) };
        AlarmKeeper::new(house.app.clone(), channels, house.disk.clone(), process("here"))
    };
    on_each_engine("a service that ends again and again", |store| async move {
        let house = House::new(store, "2026-04-10T18:00:00Z", "");
        Seed::new(Channel::Sms, 3).put(&house.app.store).await;
        while house.clock.now() < at("2026-04-10T21:00:00Z") {
            keeper(&house).look().await;
            house.clock.advance(TimeDelta::minutes(10));
        }
        assert_eq!(open(&house).await, [AlarmKind::Queue]);
    })
    .await;
    on_each_engine("a service that stood still", |store| async move {
        let house = House::new(store, "2026-04-10T18:00:00Z", "");
        Seed::new(Channel::Sms, 3).put(&house.app.store).await;
        keeper(&house).look().await;
        house.clock.advance(TimeDelta::hours(4));
        let anew = keeper(&house);
        for (minutes, told) in [(0, false), (10, false), (10, true)] {
            house.clock.advance(TimeDelta::minutes(minutes));
            anew.look().await;
            assert_eq!(!open(&house).await.is_empty(), told);
        }
    })
    .await;
}
