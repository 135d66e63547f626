//! Field reports in the store: what an older store held, how they stand and stood, and what owners' answers become.

use chrono::{DateTime, NaiveDate, Utc};
use sqlx::{AnyConnection, AssertSqlSafe, Connection};
use treebell::people::keywords::ScaleAnswer;
use treebell::region::OwnerReports;
use treebell::season::profile::Profiles;
use treebell::season::{Observer, StageId};
use treebell::service::follow_up::{self, Reply};
use treebell::service::subscribe::tokens;
use treebell::service::subscribe::tokens::Purpose;
use treebell::service::texts::TextOutcome;
use treebell::store::Store;
use treebell::store::field_reports::{
    Judgement, NewFieldReport, ReportMend, ReportSource, ReportStanding, SaidBy, Seen, StoredReport,
};
use treebell::store::follow_ups::{self, ToAsk};

use super::inbound::{Desk, PHONE};
use super::{address, at, day, subscribe, two_regions, zip};
use crate::engines::{at_each_address, on_each_engine};
use crate::support::open_store;

fn sight(id: &str, infested: Option<bool>) -> Seen {
    let profiles = Profiles::default();
    Seen::at(profiles.get("pinyon-needle-scale").unwrap().sight(id).unwrap(), infested)
}

fn report(on: &str, seen: Seen) -> NewFieldReport {
    NewFieldReport {
        region: "north".into(),
        zip: None,
        observed_on: day(on),
        tree: Some("big one at the gate".into()),
        seen,
        nothing_on: None,
        confirmed: false,
        source: ReportSource::Staff,
        person: Some("RG".into()),
        note: Some("first cottony masses".into()),
    }
}

async fn all(store: &Store) -> Vec<StoredReport> {
    store.field_reports(None, day("2026-01-01"), day("2026-12-31")).await.unwrap()
}

async fn judge(store: &Store, id: &str, judgement: Judgement, why: Option<&str>, now: &str) {
    store.judge_field_reports(&[id.to_owned()], judgement, Some("RG"), why, at(now)).await.unwrap();
}

#[tokio::test]
async fn a_report_is_kept_once_with_all_it_says_and_judged() {
    on_each_engine("field reports", |store| async move {
        two_regions(&store).await;
        let mut new =
            NewFieldReport { nothing_on: Some(day("2026-04-10")), ..report("2026-04-18", sight("eggs", None)) };
        let now = at("2026-04-18T20:00:00Z");
        let id = store.add_field_report(&new, now).await.unwrap();
        assert_eq!(store.add_field_report(&new, now).await.unwrap(), id);
        let kept = store.field_report(&id).await.unwrap();
        assert_eq!(all(&store).await, std::slice::from_ref(&kept));
        assert_eq!(
            (kept.observed_on, kept.day_known, kept.nothing_on),
            (day("2026-04-18"), true, Some(day("2026-04-10")))
        );
        assert_eq!((kept.sight.as_deref(), kept.stage), (Some("eggs"), Some("egg-laying-begins".into())));
        assert_eq!((kept.not_yet, kept.infested), (None, Some(true)), "eggs are seen only where the insect is");
        assert_eq!((kept.tree.as_deref(), kept.person.as_deref()), (Some("big one at the gate"), Some("RG")));
        assert_eq!((kept.standing, kept.created_at), (ReportStanding::New, now));

        new.confirmed = true;
        assert_eq!(store.add_field_report(&new, now).await.unwrap(), id);
        assert_eq!(all(&store).await[0].standing, ReportStanding::Confirmed);
        new.confirmed = false;
        store.add_field_report(&new, now).await.unwrap();
        assert_eq!(all(&store).await[0].standing, ReportStanding::Confirmed, "saying it again does not take it back");
        judge(&store, &id, Judgement::Refused, Some("old lint"), "2026-04-19T10:00:00Z").await;
        let aside = store.field_report(&id).await.unwrap();
        assert_eq!((aside.standing, aside.change.why.as_deref()), (ReportStanding::Refused, Some("old lint")));
        assert_eq!(aside.for_decision(), None);
        let south = "south".into();
        assert_eq!(store.field_reports(Some(&south), day("2026-04-18"), day("2026-04-18")).await.unwrap(), []);

        for other in [
            NewFieldReport { seen: sight("nothing", None), nothing_on: None, ..new.clone() },
            NewFieldReport { tree: Some("small one".into()), ..new.clone() },
            NewFieldReport { person: None, ..new.clone() },
        ] {
            assert_ne!(store.add_field_report(&other, now).await.unwrap(), id, "another look is another report");
        }
        new.region = "nort".into();
        let said = store.add_field_report(&new, now).await.unwrap_err().to_string();
        assert!(said.contains("did you mean `north`?"), "{said}");
        // One that is unknown, and none is judged.
        let before = all(&store).await;
        let ids = [before[0].id.clone(), "f-0".into()];
        let said = store.judge_field_reports(&ids, Judgement::Confirmed, None, None, now).await.unwrap_err();
        assert_eq!(said.to_string(), "there is no field report `f-0`");
        assert_eq!(all(&store).await, before);
    })
    .await;
}

#[tokio::test]
async fn what_stood_at_an_instant_can_be_told() {
    on_each_engine("standings", |store| async move {
        two_regions(&store).await;
        let new = report("2026-04-10", sight("nothing", None));
        let id = store.add_field_report(&new, at("2026-04-11T12:00:00Z")).await.unwrap();
        judge(&store, &id, Judgement::Confirmed, None, "2026-04-13T12:00:00Z").await;
        judge(&store, &id, Judgement::Refused, Some("another tree"), "2026-04-15T12:00:00Z").await;
        judge(&store, &id, Judgement::Confirmed, None, "2026-04-17T12:00:00Z").await;
        let then = async |instant: &str| -> Option<(ReportStanding, Option<bool>)> {
            let reports = store.field_reports_as_of(day("2026-01-01"), day("2026-12-31"), at(instant)).await.unwrap();
            assert!(reports.len() <= 1);
            reports.first().map(|report| (report.standing, report.infested))
        };
        assert_eq!(then("2026-04-11T11:59:59Z").await, None, "it had not come");
        assert_eq!(then("2026-04-13T11:59:59Z").await, Some((ReportStanding::New, None)));
        assert_eq!(then("2026-04-13T12:00:00Z").await, Some((ReportStanding::Confirmed, None)));
        assert_eq!(then("2026-04-16T00:00:00Z").await, Some((ReportStanding::Refused, None)));
        assert_eq!(then("2026-05-01T00:00:00Z").await, Some((ReportStanding::Confirmed, None)));

        // What it says is mended: what it said before is not kept, so then it counts as if nobody had judged it.
        let mend = ReportMend { infested: Some(Some(true)), ..ReportMend::default() };
        store.mend_field_report(&id, &mend, Some("RG"), "beans on it", at("2026-04-20T12:00:00Z")).await.unwrap();
        assert_eq!(then("2026-04-18T00:00:00Z").await, Some((ReportStanding::New, Some(true))));
        assert_eq!(then("2026-04-20T12:00:00Z").await, Some((ReportStanding::Confirmed, Some(true))));
        assert_eq!(then("2026-04-16T00:00:00Z").await, Some((ReportStanding::Refused, Some(true))));
        let mended = store.field_report(&id).await.unwrap();
        assert_eq!((mended.change.by, mended.change.why.as_deref()), (SaidBy::Staff, Some("beans on it")));
        assert_eq!(mended.for_decision().unwrap().not_yet, Some("egg-laying-begins".into()));
    })
    .await;
}

/// The built-in migrations before this one, as the engine runs them.
pub fn older(text: &str, is_sqlite: bool) -> String {
    let mut wanted = true;
    let mut out = String::new();
    for line in text.lines() {
        match line {
            "-- sqlite only" => wanted = is_sqlite,
            "-- postgres only" => wanted = !is_sqlite,
            "-- both" => wanted = true,
            line if wanted => out += &format!("{line}\n"),
            _ => {}
        }
    }
    if is_sqlite { out.replace("/*clustered*/", "WITHOUT ROWID").replace("BYTEA", "BLOB") } else { out }
}

#[tokio::test]
async fn reports_of_an_older_store_say_what_must_have_been_seen() {
    at_each_address("migrating field reports", |address| async move {
        sqlx::any::install_default_drivers();
        let is_sqlite = address.starts_with("sqlite:");
        let url = if is_sqlite { format!("{address}?mode=rwc") } else { address.clone() };
        let mut old = AnyConnection::connect(&url).await.unwrap();
        let run = async |old: &mut AnyConnection, text: String| {
            sqlx::raw_sql(AssertSqlSafe(text)).execute(old).await.unwrap();
        };
        run(&mut old, "CREATE TABLE schema_migrations (version BIGINT PRIMARY KEY, name TEXT NOT NULL)".into()).await;
        for (version, text) in [
            (1, include_str!("../../../src/store/migrations/0001_base.sql")),
            (2, include_str!("../../../src/store/migrations/0002_letters.sql")),
            (4, include_str!("../../../src/store/migrations/0004_inbound.sql")),
            (5, include_str!("../../../src/store/migrations/0005_notice_chart.sql")),
            (6, include_str!("../../../src/store/migrations/0006_answers.sql")),
            (7, include_str!("../../../src/store/migrations/0007_text_parts.sql")),
        ] {
            run(&mut old, format!("BEGIN;\n{}\nCOMMIT;", older(text, is_sqlite))).await;
            run(&mut old, format!("INSERT INTO schema_migrations (version, name) VALUES ({version}, 'x')")).await;
        }
        for (id, profile) in [("mesa", "pinyon-needle-scale"), ("vega", "another-scale")] {
            run(&mut old, format!(
                "INSERT INTO regions (id, name, latitude, longitude, elevation_m, time_zone, profile, release_policy, hold_hours, created_at)
                 VALUES ('{id}', '{id}', 35, -135, 2000, 'America/Denver', '{profile}', 'at-once', 0, 0)"
            )).await;
        }
        run(&mut old, "INSERT INTO subscribers (id, language, created_at) VALUES ('s', 'en', 0)".into()).await;
        run(&mut old,
            "INSERT INTO notices (id, profile, region_id, season, kind, status, reason, facts, decided_on, decided_at, expires_at, priority)
             VALUES ('n', 'p', 'mesa', 2026, 'inspect-now', 'released', '{}', '{}', 1, 1, 2, 1)".into()).await;
        for (question, key) in [("00aa11bb22cc33dd44ee55ff66778899", "key-1"), ("ff00112233445566778899aabbccddee", "key-2")] {
            run(&mut old, format!(
                "INSERT INTO follow_ups (id, notice_id, subscriber_id, address_key, asked_at, closes_at, answer)
                 VALUES ('{question}', 'n', 's', '{key}', 1, 2, 'eggs')"
            )).await;
        }
        let told = 20_500_i64 * 86_400_000;
        for (id, region, stage, status, source) in [
            ("f-begins", "mesa", "'egg-laying-begins'", "confirmed", "staff"),
            ("f-ends", "mesa", "'egg-laying-ends'", "refused", "staff"),
            ("f-hatch", "mesa", "'eggs-hatch'", "new", "staff"),
            ("f-settled", "mesa", "'crawlers-settled'", "new", "staff"),
            ("f-none", "mesa", "NULL", "confirmed", "staff"),
            ("f-00aa11bb22cc", "mesa", "'egg-laying-begins'", "new", "subscriber"),
            ("f-ff0011223344", "mesa", "NULL", "confirmed", "subscriber"),
            ("f-other", "vega", "'eggs-hatch'", "new", "staff"),
            ("f-other-none", "vega", "NULL", "new", "staff"),
        ] {
            run(&mut old, format!(
                "INSERT INTO field_reports (id, region_id, observed_on, stage, status, source, created_at)
                 VALUES ('{id}', '{region}', 20499, {stage}, '{status}', '{source}', {told})"
            )).await;
        }
        old.close().await.unwrap();

        let store = open_store(&address).await.unwrap();
        let came: DateTime<Utc> = DateTime::from_timestamp_millis(told).unwrap();
        let looked = NaiveDate::default() + chrono::Days::new(20_499);
        let of = async |id: &str| {
            let one = store.field_report(id).await.unwrap();
            assert_eq!((one.observed_on, one.created_at, one.change.at), (looked, came, came), "{id}");
            (one.sight, one.stage.map(|stage| stage.0), one.not_yet.map(|stage| stage.0), one.infested, one.standing)
        };
        let text = |text: &str| Some(text.to_owned());
        let (eggs, crawlers) = (text("eggs"), text("crawlers"));
        let begins = text("egg-laying-begins");
        use ReportStanding::{Confirmed, New, Refused};
        assert_eq!(of("f-begins").await, (eggs.clone(), begins.clone(), None, Some(true), Confirmed));
        assert_eq!(of("f-ends").await, (eggs.clone(), text("egg-laying-ends"), None, Some(true), Refused));
        assert_eq!(of("f-hatch").await, (crawlers.clone(), text("eggs-hatch"), None, Some(true), New));
        assert_eq!(of("f-settled").await, (crawlers, text("crawlers-settled"), None, Some(true), New));
        assert_eq!(of("f-none").await, (text("nothing"), None, begins.clone(), None, Confirmed));
        assert_eq!(of("f-00aa11bb22cc").await, (eggs, begins.clone(), None, Some(true), New));
        assert_eq!(of("f-ff0011223344").await, (text("nothing"), None, begins, None, Confirmed));
        assert_eq!(of("f-other").await, (None, text("eggs-hatch"), None, None, New));
        assert_eq!(of("f-other-none").await, (None, None, None, None, New));
        let owner = store.field_report("f-00aa11bb22cc").await.unwrap();
        assert_eq!((owner.person.as_deref(), owner.day_known), (Some("key-1"), false), "the answer's day is not the look's");
        let owner = store.field_report("f-ff0011223344").await.unwrap();
        assert_eq!((owner.person.as_deref(), owner.day_known), (Some("key-2"), true), "staff stood behind its day");
        assert_eq!(store.region(&"mesa".into()).await.unwrap().owner_reports, OwnerReports::WhenConfirmed);
        // All goes on from there.
        judge(&store, "f-hatch", Judgement::Confirmed, None, "2026-05-01T00:00:00Z").await;
        assert_eq!(of_standing(&store, "f-hatch").await, Confirmed);
        store.close().await;
    })
    .await;
}

async fn of_standing(store: &Store, id: &str) -> ReportStanding {
    store.field_report(id).await.unwrap().standing
}

/// A desk whose owners at `north` were asked on 30 March what they saw: a phone, and a mailbox whose link's token is given.
async fn asked(store: Store, teach: OwnerReports) -> (Desk, String) {
    two_regions(&store).await;
    let mut north = store.region(&"north".into()).await.unwrap();
    north.owner_reports = teach;
    store.change_region(&north).await.unwrap();
    assert_eq!(store.region(&"north".into()).await.unwrap().owner_reports, teach);
    subscribe(&store, &["00101"], &[PHONE]).await;
    subscribe(&store, &["00101"], &["mail@example.org"]).await;
    let desk = Desk::on(store, |_| {});
    let kind = treebell::season::NoticeKind::InspectNow;
    let mut new = super::notices::notice(kind, treebell::store::notices::NoticeRelease::Release);
    new.decided_at = at("2026-03-20T16:00:00Z");
    new.expires_at = at("2026-04-20T16:00:00Z");
    desk.app.store.put_notice(&new, &super::notices::texts()).await.unwrap();
    desk.app.store.count_as_sent(at("2026-03-20T17:00:00Z")).await.unwrap();
    desk.clock.set(at("2026-03-30T16:00:00Z"));
    assert_eq!(follow_up::ask_due(&desk.app).await.unwrap(), 2);
    let (_, body) = desk.letters("mail@example.org").await.pop().unwrap();
    let token = body.split_once("/seen/").unwrap().1.chars().take_while(char::is_ascii_hexdigit).collect();
    (desk, token)
}

fn reply(saw: ScaleAnswer, days_ago: Option<u8>, infested: Option<bool>) -> Reply {
    Reply { saw, days_ago, infested, tree: None }
}

#[tokio::test]
async fn an_answer_by_text_is_a_report_of_the_day_of_the_look_and_waits_for_staff() {
    on_each_engine("answers by text", |store| async move {
        let (desk, _) = asked(store, OwnerReports::WhenConfirmed).await;
        let store = &desk.app.store;
        let key = store.address_hash().of(&address(PHONE)).to_string();
        assert_eq!(desk.text(PHONE, "2 3").await, TextOutcome::Reported);
        let [none] = all(store).await.try_into().unwrap();
        assert_eq!((none.observed_on, none.day_known), (day("2026-03-27"), true));
        assert_eq!((none.sight.as_deref(), none.infested), (Some("nothing"), None), "a clean tree is no zero");
        assert_eq!(none.person.as_deref(), Some(key.as_str()));
        assert_eq!((none.standing, none.zip.clone()), (ReportStanding::New, Some(zip("00101"))));
        let told = none.for_decision().unwrap();
        assert_eq!((told.observer, told.confirmed, told.person), (Observer::Owner, false, Some(key)));

        // Mended within the day: no look before. Without a day it teaches nothing, so they are asked for it; before, they were
        // told that it helps.
        assert!(!desk.letters(PHONE).await.pop().unwrap().1.contains("When did you look?"));
        assert_eq!(desk.text(PHONE, "1").await, TextOutcome::Reported);
        let answer = desk.letters(PHONE).await.pop().unwrap().1;
        assert!(
            answer.contains("When did you look? Text 10 for today, 11 for yesterday, 12 for two days ago."),
            "{answer}"
        );
        let [eggs] = all(store).await.try_into().unwrap();
        assert_eq!((eggs.observed_on, eggs.day_known, eggs.nothing_on), (day("2026-03-30"), false, None));
        assert_eq!(eggs.infested, Some(true));
        judge(store, &eggs.id, Judgement::Confirmed, None, "2026-03-30T20:00:00Z").await;
        let undated = store.field_report(&eggs.id).await.unwrap();
        assert!(!undated.counts() && !undated.for_decision().unwrap().confirmed, "without its day it teaches nothing");
        let mend = ReportMend { observed_on: Some(day("2026-03-29")), ..ReportMend::default() };
        store.mend_field_report(&eggs.id, &mend, None, "called them", at("2026-03-30T21:00:00Z")).await.unwrap();
        let dated = store.field_report(&eggs.id).await.unwrap();
        assert!(dated.counts() && dated.observed_on == day("2026-03-29"));

        // Staff have said something of it: what differs now is another report, and the same answer again is none.
        assert_eq!(desk.text(PHONE, "41").await, TextOutcome::Reported);
        assert_eq!(desk.text(PHONE, "4 1").await, TextOutcome::Reported);
        let both = all(store).await;
        assert_eq!(both.len(), 2, "{both:?}");
        assert_eq!(store.field_report(&eggs.id).await.unwrap(), dated, "what staff stand behind stays");
        let crawlers = both.iter().find(|report| report.id != eggs.id).unwrap();
        assert_eq!(crawlers.stage, Some(StageId("eggs-hatch".into())));
        assert_eq!(desk.text(PHONE, "not looked").await, TextOutcome::Reported);
        assert_eq!(of_standing(store, &crawlers.id).await, ReportStanding::Refused, "taken back");
        assert_eq!(desk.text(PHONE, "crawlers yesterday").await, TextOutcome::Reported);
        assert_eq!(of_standing(store, &crawlers.id).await, ReportStanding::New);
        assert_eq!(all(store).await.len(), 2);
    })
    .await;
}

/// Nothing seen is a zero only on a tree of which it is known that it has the insect: a text cannot say both at once, so it is
/// asked.
#[tokio::test]
async fn nothing_seen_by_text_is_unknown_until_they_say_whether_the_tree_has_beans() {
    on_each_engine("beans by text", |store| async move {
        let (desk, _) = asked(store, OwnerReports::AtOnce).await;
        let store = &desk.app.store;
        let asks = "Are there black beans on that tree's older needles? Text BEANS or NO BEANS.";
        assert_eq!(desk.text(PHONE, "BEANS").await, TextOutcome::NotUnderstood, "of no tree that we know");
        // First the day, then the beans.
        assert_eq!(desk.text(PHONE, "2").await, TextOutcome::Reported);
        assert!(desk.letters(PHONE).await.pop().unwrap().1.contains("When did you look? Text 20 for today"));
        assert_eq!(desk.text(PHONE, "23").await, TextOutcome::Reported);
        assert!(desk.letters(PHONE).await.pop().unwrap().1.contains(asks));
        let [report] = all(store).await.try_into().unwrap();
        assert_eq!((report.infested, report.counts()), (None, true), "confirmed, and no zero");
        for (words, infested) in [("Beans!", true), ("no beans", false), ("sí, hay frijolitos", true)] {
            assert_eq!(desk.text(PHONE, words).await, TextOutcome::Reported, "{words}");
            let answer = desk.letters(PHONE).await.pop().unwrap().1;
            assert!(!answer.contains(asks), "{answer}");
            // A clean tree moves no date: the answer does not say that it helps.
            let is_clean = answer.contains("so your answer does not change the dates");
            assert_eq!((is_clean, answer.contains("helps us")), (!infested, infested), "{words}: {answer}");
            let [said] = all(store).await.try_into().unwrap();
            assert_eq!((said.infested, said.sight.as_deref()), (Some(infested), Some("nothing")), "{words}");
            assert_eq!((said.observed_on, said.day_known), (day("2026-03-27"), true), "the day stays");
        }
        // What they see later on that tree leaves that as it is, and who sees eggs is not asked.
        assert_eq!(desk.text(PHONE, "2 0").await, TextOutcome::Reported);
        assert!(!desk.letters(PHONE).await.pop().unwrap().1.contains(asks));
        assert_eq!(all(store).await[0].infested, Some(true));
    })
    .await;
}

/// The words are the owner's: they are handed out, and go when the owner goes.
#[tokio::test]
async fn the_words_for_a_tree_are_exported_and_erased() {
    on_each_engine("words for trees", |store| async move {
        let (desk, token) = asked(store, OwnerReports::WhenConfirmed).await;
        let store = &desk.app.store;
        let words = "big one by the gate";
        let answer = Reply { tree: Some(words.into()), ..reply(ScaleAnswer::Eggs, Some(1), None) };
        assert!(follow_up::answer(&desk.app, &token, &answer).await.unwrap());
        let [report] = all(store).await.try_into().unwrap();
        assert_eq!(report.owner_tree.as_deref(), Some(words));
        let mend = ReportMend { tree: Some("tree 7".into()), ..ReportMend::default() };
        store.mend_field_report(&report.id, &mend, None, "called them", at("2026-03-30T21:00:00Z")).await.unwrap();
        let export =
            serde_json::to_value(store.export_subscriber(&address("mail@example.org")).await.unwrap()).unwrap();
        let told = &export["addresses"][0]["reports"][0];
        assert_eq!((told["tree"].as_str(), told["saw"].as_str()), (Some(words), Some("eggs")), "{export}");
        store.remove_subscriber(&address("mail@example.org"), "asked", at("2026-03-31T16:00:00Z")).await.unwrap();
        let [left] = all(store).await.try_into().unwrap();
        assert_eq!((left.owner_tree, left.tree.as_deref()), (None, Some("tree 7")), "what staff wrote stays");
        let mut tx = store.begin().await.unwrap();
        let row = sqlx::query("SELECT COUNT(*) AS n FROM follow_ups WHERE tree IS NOT NULL")
            .fetch_one(tx.conn())
            .await
            .unwrap();
        assert_eq!(sqlx::Row::get::<i64, _>(&row, "n"), 0);
    })
    .await;
}

#[tokio::test]
async fn a_look_that_saw_nothing_becomes_the_look_before() {
    on_each_engine("the look before", |store| async move {
        let (desk, token) = asked(store, OwnerReports::WhenConfirmed).await;
        let store = &desk.app.store;
        let none = reply(ScaleAnswer::None, Some(1), Some(true));
        assert!(follow_up::answer(&desk.app, &token, &none).await.unwrap());
        let [zero] = all(store).await.try_into().unwrap();
        assert_eq!((zero.observed_on, zero.infested, zero.stage), (day("2026-03-29"), Some(true), None));
        assert_eq!(zero.not_yet, Some("egg-laying-begins".into()));
        desk.clock.set(at("2026-04-04T16:00:00Z"));
        let eggs = reply(ScaleAnswer::Eggs, Some(0), Some(false));
        assert!(follow_up::answer(&desk.app, &token, &eggs).await.unwrap());
        let [seen] = all(store).await.try_into().unwrap();
        assert_eq!((seen.observed_on, seen.nothing_on), (day("2026-04-04"), Some(day("2026-03-29"))));
        assert_eq!(seen.infested, Some(true), "who sees eggs sees a tree that has the insect");
        // The day is mended, and the look before stays.
        let mended = reply(ScaleAnswer::Eggs, Some(2), None);
        assert!(follow_up::answer(&desk.app, &token, &mended).await.unwrap());
        let [seen] = all(store).await.try_into().unwrap();
        assert_eq!((seen.observed_on, seen.nothing_on), (day("2026-04-02"), Some(day("2026-03-29"))));
        let question = follow_up::question(&desk.app, &token).await.unwrap().unwrap();
        assert_eq!((question.answer, question.looked_on), (Some(ScaleAnswer::Eggs), Some(day("2026-04-02"))));
    })
    .await;
}

#[tokio::test]
async fn where_staff_said_so_an_answer_counts_at_once() {
    on_each_engine("answers at once", |store| async move {
        let (desk, token) = asked(store, OwnerReports::AtOnce).await;
        let store = &desk.app.store;
        assert_eq!(desk.text(PHONE, "1 0").await, TextOutcome::Reported);
        let [eggs] = all(store).await.try_into().unwrap();
        assert_eq!((eggs.standing, eggs.change.by), (ReportStanding::Confirmed, SaidBy::Rule));
        assert_eq!(eggs.change.by_words(), "region's rule");
        assert!(eggs.counts());
        // Another answer changes the same report, which then did not stand so before.
        desk.clock.set(at("2026-04-02T16:00:00Z"));
        assert_eq!(desk.text(PHONE, "1 1").await, TextOutcome::Reported);
        let [changed] = all(store).await.try_into().unwrap();
        assert_eq!((changed.id.as_str(), changed.observed_on), (eggs.id.as_str(), day("2026-04-01")));
        let then = store.field_reports_as_of(day("2026-01-01"), day("2026-12-31"), at("2026-04-01T00:00:00Z"));
        assert_eq!(then.await.unwrap()[0].standing, ReportStanding::New);
        // Without a day it is confirmed and teaches nothing yet.
        let undated = reply(ScaleAnswer::None, None, Some(true));
        assert!(follow_up::answer(&desk.app, &token, &undated).await.unwrap());
        let undated = all(store).await.into_iter().find(|report| report.id != eggs.id).unwrap();
        assert!(undated.standing == ReportStanding::Confirmed && !undated.counts());
        // Staff have the last word.
        judge(store, &eggs.id, Judgement::Refused, Some("old lint"), "2026-04-02T18:00:00Z").await;
        assert_eq!(desk.text(PHONE, "1 1").await, TextOutcome::Reported);
        assert_eq!(of_standing(store, &eggs.id).await, ReportStanding::Refused);
        assert_eq!(all(store).await.len(), 2, "what staff set aside does not come back as another report");
    })
    .await;
}

#[tokio::test]
async fn a_question_that_is_closed_or_not_ours_takes_no_answer() {
    on_each_engine("closed questions", |store| async move {
        let (desk, token) = asked(store, OwnerReports::AtOnce).await;
        let eggs = reply(ScaleAnswer::Eggs, Some(0), None);
        assert!(!follow_up::answer(&desk.app, &format!("{token}0"), &eggs).await.unwrap());
        desk.clock.set(at("2026-04-21T16:00:00Z"));
        assert!(!follow_up::answer(&desk.app, &token, &eggs).await.unwrap(), "closed");
        assert_eq!(desk.text(PHONE, "1 0").await, TextOutcome::NotUnderstood);
        assert_eq!(all(&desk.app.store).await, []);
    })
    .await;
}

/// A question on a notice that no cycle made, for pages.
pub async fn question_for(store: &Store, mailbox: &str, asked_at: DateTime<Utc>) -> String {
    let address = address(mailbox);
    let subscriber = store.subscriber_of(&address).await.unwrap().unwrap();
    let id = "0123456789abcdef0123456789abcdef".to_owned();
    let mut tx = store.begin().await.unwrap();
    sqlx::query(
        "INSERT INTO notices (id, profile, region_id, season, kind, status, reason, facts, decided_on, decided_at,
                              expires_at, priority, released_at, released_by)
         VALUES ('n', 'pinyon-needle-scale', 'dos-vientos', 2025, 'inspect-now', 'released', '{}', '{}', 1, 1, 2, 1, 1,
                 'policy')",
    )
    .execute(tx.conn())
    .await
    .unwrap();
    let one = ToAsk { id: id.clone(), subscriber: subscriber.id, address, language: subscriber.language };
    let closes = asked_at + chrono::Duration::days(10);
    follow_ups::put(&mut tx, &"n".into(), &one, closes, asked_at).await.unwrap();
    tx.commit().await.unwrap();
    tokens::make(store.address_hash(), Purpose::Seen, &id)
}
