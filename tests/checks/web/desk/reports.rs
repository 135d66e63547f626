//! Field reports at the desk as they are asked, without a browser.

use axum::http::StatusCode;
use chrono::{DateTime, TimeDelta, Utc};
use treebell::clock::Clock;
use treebell::people::account::{RegionReach, Role};
use treebell::region::{Region, Release};
use treebell::season::decide::ApprovalNeeded;
use treebell::season::profile::Profiles;
use treebell::season::{NoticeKind, Outlook, RecordTrust, SeasonKey};
use treebell::store::audit::AuditFilter;
use treebell::store::field_reports::{Judgement, NewFieldReport, ReportSource, ReportStanding, Seen, StoredReport};
use treebell::store::notices::{NewNotice, NoticeRelease};

use super::support::{Browser, DeskWorld, of_region};
use crate::people::notices::notice;

fn day(text: &str) -> chrono::NaiveDate {
    text.parse().unwrap()
}

/// A report of eggs in north that waits for a word; gives its id.
pub async fn report_of_north(desk: &DeskWorld) -> String {
    report_of_tree(desk, "big one at the gate").await
}

async fn report_of_tree(desk: &DeskWorld, tree: &str) -> String {
    let profiles = Profiles::default();
    let sight = profiles.get("pinyon-needle-scale").unwrap().sight("eggs").unwrap();
    let new = NewFieldReport {
        region: "north".into(),
        zip: None,
        observed_on: day("2025-03-08"),
        tree: Some(tree.into()),
        seen: Seen::at(sight, None),
        nothing_on: None,
        confirmed: false,
        source: ReportSource::Staff,
        person: Some("RG".into()),
        note: None,
    };
    desk.store().add_field_report(&new, desk.world.clock.now()).await.unwrap()
}

async fn all(desk: &DeskWorld) -> Vec<StoredReport> {
    desk.store().field_reports(None, day("2025-01-01"), day("2025-12-31")).await.unwrap()
}

/// Acts on reports, the oldest first: act and account.
async fn acts(desk: &DeskWorld) -> Vec<(String, Option<String>)> {
    let filter = AuditFilter { about: Some("report/".into()), ..AuditFilter::default() };
    let rows = desk.store().audit(&filter).await.unwrap();
    rows.into_iter().rev().map(|row| (row.act, row.account)).collect()
}

async fn observer<'a>(desk: &'a DeskWorld, name: &str) -> Browser<'a> {
    let mut browser = desk.signed_in(name, Role::Observer, RegionReach::default()).await.0;
    browser.get("/desk/new-report").await;
    browser
}

#[tokio::test]
async fn an_observer_enters_a_report_that_waits_until_staff_of_its_region_confirm_it() {
    let desk = DeskWorld::new().await;
    let mut olga = observer(&desk, "olga").await;
    let page = olga.get("/desk/new-report?region=south").await.body;
    assert!(page.contains("<option value=\"south\" selected>") && page.contains("value=\"2025-03-10\" max"), "{page}");
    assert!(!page.contains("name=\"count\""), "an observer lets nothing count: {page}");
    // Beside Save stands what may be missed below it.
    let (_, save) = page.split_once("type=\"submit\">Save<").expect("Save");
    assert!(save.contains("href=\"#more\">ZIP code, tree, ") && save.contains("<h2 id=\"more\">"), "{save}");
    let answer =
        olga.upload("/desk/new-report", &[("region", "north"), ("saw", "eggs"), ("date", "2025-03-09")], None).await;
    assert_eq!(answer.status, StatusCode::SEE_OTHER, "{}", answer.body);
    let [report] = &all(&desk).await[..] else { panic!("one report") };
    assert_eq!((report.standing, report.observed_on), (ReportStanding::New, day("2025-03-09")));
    assert_eq!((report.person.as_deref(), report.sight.as_deref()), (Some("olga"), Some("eggs")));
    let own = format!("/desk/report/{}", report.id);
    assert_eq!(answer.header("location"), format!("{own}?done=entered"));
    let page = olga.get(answer.header("location")).await.body;
    assert!(page.contains("Staff of the region look at it") && !page.contains("Confirm it"), "{page}");
    // The region of the last report is the first choice from then on.
    assert!(olga.get("/desk/new-report").await.body.contains("<option value=\"north\" selected>"));
    // The same once more, as of a form that was sent twice, is the same.
    olga.upload("/desk/new-report", &[("region", "north"), ("saw", "eggs"), ("date", "2025-03-09")], None).await;
    assert_eq!(all(&desk).await.len(), 1);

    for (name, region) in [("olga-two", None), ("vera", Some("south"))] {
        let mut other = match region {
            Some(region) => desk.signed_in(name, Role::Staff, of_region(region)).await.0,
            None => observer(&desk, name).await,
        };
        other.get(&own).await;
        for act in ["confirm", "set-aside", "day", "erase-photograph"] {
            let answer = other.post(&format!("{own}/{act}"), &[("why", "x"), ("day", "2025-03-01")]).await;
            assert_eq!(answer.status, StatusCode::FORBIDDEN, "{name} {act}");
        }
        let answer = other.upload(&format!("{own}/photograph"), &[], Some(("a.jpg", b"x"))).await;
        assert_eq!(answer.status, StatusCode::FORBIDDEN, "{name}");
    }
    assert_eq!(all(&desk).await[0].standing, ReportStanding::New);

    let (mut maria, _) = desk.signed_in("maria", Role::Staff, of_region("north")).await;
    let list = maria.get("/desk/reports").await.body;
    assert!(list.contains("1 waits for a word from you"), "{list}");
    maria.get(&own).await;
    let answer = maria.post(&format!("{own}/confirm"), &[]).await;
    assert_eq!(answer.status, StatusCode::SEE_OTHER, "{}", answer.body);
    let [report] = &all(&desk).await[..] else { panic!("one report") };
    assert_eq!((report.standing, report.change.who.as_deref()), (ReportStanding::Confirmed, Some("maria")));
    let log = maria.get(&own).await.body;
    assert!(log.contains("March 9, 2025 in Region north, new") && !log.contains("2025-03-09 in"), "{log}");
    assert!(
        log.contains(" by maria, Mon, Mar 10, 2025, ") && !log.contains(" 2025. "),
        "the year is behind the day: {log}"
    );
    let by = |act: &str, account: &str| (act.to_owned(), Some(account.to_owned()));
    let mut wanted = vec![by("report-added", "olga"), by("report-confirmed", "maria")];
    assert_eq!(acts(&desk).await, wanted);

    let answer = maria.post(&format!("{own}/set-aside"), &[("why", " ")]).await;
    assert_eq!(answer.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(answer.body.contains("Say why"), "{}", answer.body);
    let answer = maria.post(&format!("{own}/set-aside"), &[("why", "ask b@example.org")]).await;
    assert_eq!(answer.status, StatusCode::UNPROCESSABLE_ENTITY, "a reason holds no address");
    let answer = maria.post(&format!("{own}/set-aside"), &[("why", "last year's cotton")]).await;
    assert_eq!(answer.status, StatusCode::SEE_OTHER, "{}", answer.body);
    assert_eq!(all(&desk).await[0].standing, ReportStanding::Refused);
    wanted.push(by("report-set-aside", "maria"));
    assert_eq!(acts(&desk).await, wanted);
    let page = maria.get(&own).await.body;
    assert!(
        page.contains("Set aside by maria: last year&#39;s cotton") || page.contains("last year's cotton"),
        "{page}"
    );
}

#[tokio::test]
async fn a_look_in_vain_that_moves_no_date_is_not_told_as_one_that_counts() {
    let desk = DeskWorld::new().await;
    let (mut maria, _) = desk.signed_in("maria", Role::Staff, of_region("north")).await;
    for (infested, moves) in [(None, false), (Some(false), false), (Some(true), true)] {
        let new = NewFieldReport {
            region: "north".into(),
            zip: None,
            observed_on: day("2025-03-08"),
            tree: None,
            seen: Seen { not_yet: Some("egg-laying-begins".into()), infested, ..Seen::default() },
            nothing_on: None,
            confirmed: true,
            source: ReportSource::Staff,
            person: Some("RG".into()),
            note: None,
        };
        let id = desk.store().add_field_report(&new, desk.world.clock.now()).await.unwrap();
        let page = maria.get(&format!("/desk/report/{id}")).await.body;
        assert_eq!((page.contains("It counts."), page.contains("It moves no date: ")), (moves, !moves), "{page}");
        let page = maria.get(&format!("/desk/report/{id}/effect?done=entered")).await.body;
        let counts = page.contains("Saved, and it counts.");
        assert_eq!((counts, page.contains("Saved. It moves no date: ")), (moves, !moves), "{page}");
    }
}

#[tokio::test]
async fn what_cannot_be_is_told_at_its_field_and_nothing_is_kept() {
    let desk = DeskWorld::new().await;
    let (mut vera, _) = desk.signed_in("vera", Role::Staff, of_region("south")).await;
    assert!(vera.get("/desk/new-report").await.body.contains("Your region: Region south."));
    let sound = [("region", "south"), ("saw", "eggs"), ("date", "2025-03-09")];
    for (field, value, said) in [
        ("region", "nowhere", "Choose the region"),
        ("saw", "", "Choose what was seen"),
        ("date", "3/9/2025", "such as 2026-03-14"),
        ("date", "2025-03-11", "yet to come"),
        ("date", "0025-03-11", "from 1900 on"),
        ("zip", "00101", "is not a ZIP code of"),
        ("zip", "1", "five digits"),
        ("tree", "a\u{202e}b", "plain characters"),
        ("note", &"n".repeat(501), "plain characters"),
        ("note", "call 505-555-0100", "It holds a telephone number"),
        ("nothing_on", "2025-03-09", "a day before"),
        ("nothing_on", "soon", "the look before, such as"),
    ] {
        let form: Vec<(&str, &str)> =
            sound.into_iter().filter(|(name, _)| *name != field).chain([(field, value)]).collect();
        let answer = vera.upload("/desk/new-report", &form, None).await;
        assert_eq!(answer.status, StatusCode::UNPROCESSABLE_ENTITY, "{field} {value}");
        assert!(answer.body.contains(said), "{field} {value}: {}", answer.body);
    }
    // All at once.
    let answer =
        vera.upload("/desk/new-report", &[("region", ""), ("saw", ""), ("date", "soon"), ("zip", "00399")], None).await;
    for said in ["Choose the region", "Choose what was seen", "such as 2026-03-14"] {
        assert!(answer.body.contains(said), "{said}: {}", answer.body);
    }
    assert!(!answer.body.contains("is not a ZIP code of"), "of no region yet: {}", answer.body);
    // What is not theirs waits for others.
    let form = [("region", "north"), ("saw", "eggs"), ("date", "2025-03-09"), ("count", "yes")];
    let answer = vera.upload("/desk/new-report", &form, None).await;
    assert_eq!(answer.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(
        answer.body.contains("Only staff of Region north") || answer.body.contains("Only staff of"),
        "{}",
        answer.body
    );
    let form = [("region", "south"), ("saw", "nothing.yes"), ("date", "2025-03-09"), ("nothing_on", "2025-03-01")];
    let answer = vera.upload("/desk/new-report", &form, None).await;
    assert!(answer.body.contains("Enter each look that saw none"), "{}", answer.body);
    assert_eq!(all(&desk).await, []);

    let answer = vera
        .upload(
            "/desk/new-report",
            &[("region", "south"), ("saw", "nothing.yes"), ("date", "2025-03-09"), ("count", "yes")],
            None,
        )
        .await;
    assert_eq!(answer.status, StatusCode::SEE_OTHER, "{}", answer.body);
    let [report] = &all(&desk).await[..] else { panic!("one report") };
    assert_eq!((report.standing, report.infested), (ReportStanding::Confirmed, Some(true)));
}

#[tokio::test]
async fn the_day_and_whether_it_counts_at_once_stand_before_save() {
    let desk = DeskWorld::new().await;
    let (mut maria, _) = desk.signed_in("maria", Role::Staff, of_region("north")).await;
    let page = maria.get("/desk/new-report?region=north").await.body;
    let at = |what: &str| page.find(what).unwrap_or_else(|| panic!("no {what}: {page}"));
    let (seen, day, count, save) = (at("name=\"saw\""), at("name=\"date\""), at("name=\"count\""), at(">Save<"));
    assert!(seen < day && day < count && count < save, "{page}");
    // The day there: in the Southwest it is still the evening before.
    desk.world.clock.set("2025-03-12T05:30:00Z".parse().unwrap());
    let (mut nora, _) = desk.signed_in("nora", Role::Staff, of_region("north")).await;
    let page = nora.get("/desk/new-report?region=north").await.body;
    assert!(page.contains("value=\"2025-03-11\" max=\"2025-03-11\""), "{page}");
}

#[tokio::test]
async fn today_counts_notices_and_reports_that_need_a_word_and_leads_to_each() {
    let desk = DeskWorld::new().await;
    let (mut maria, _) = desk.signed_in("maria", Role::Staff, of_region("north")).await;
    assert!(maria.get("/desk/today").await.body.contains("Nothing waits for you."));
    report_of_north(&desk).await;
    let reports = "<a href=\"/desk/reports\">1 field report</a></h2>";
    let page = maria.get("/desk/today").await.body;
    assert!(page.contains(&format!("Needs a word: {reports}")) && page.contains("No notice waits for you."), "{page}");
    super::matrix::notice_of_north(&desk).await;
    let page = maria.get("/desk/today").await.body;
    assert!(page.contains(&format!("Needs a word: <a href=\"#word-1\">1 notice</a> and {reports}")), "{page}");
    assert!(page.contains("<li id=\"word-1\""), "{page}");
    // Before, an observer was asked for a word that they may not say.
    let (mut olga, _) = desk.signed_in("olga", Role::Observer, RegionReach::default()).await;
    let page = olga.get("/desk/today").await.body;
    let waits = format!("Waits for a word of staff: <a href=\"#word-1\">1 notice</a> and {reports}");
    assert!(page.contains(&waits) && page.contains("\">Read it<"), "{page}");
    assert!(!page.contains("Needs a word") && !page.contains("Read and decide"), "{page}");
    // Of another's regions they are not theirs.
    let (mut vera, _) = desk.signed_in("vera", Role::Staff, of_region("south")).await;
    assert!(vera.get("/desk/today").await.body.contains("Nothing waits for you."));
}

/// A notice of north in this season that was decided then and waits for a word.
pub(super) async fn put_notice(desk: &DeskWorld, kind: NoticeKind, decided_at: DateTime<Utc>) {
    let facts = crate::desk::facts("north");
    let approval_needed = ApprovalNeeded::ByPolicy;
    let new = NewNotice {
        season: SeasonKey { profile: "pinyon-needle-scale".into(), region: "north".into(), year: 2025 },
        facts: serde_json::to_value(&facts).unwrap(),
        decided_at,
        expires_at: decided_at + TimeDelta::days(30),
        ..notice(kind, NoticeRelease::WaitForApproval { approval_needed })
    };
    let texts = crate::desk::texts_of(&desk.world.app.templates.in_use(), kind, &facts);
    desk.store().put_notice(&new, &texts).await.unwrap();
}

/// So long after a word a notice leaves; what is due is done.
async fn two_minutes_later(desk: &DeskWorld) {
    desk.world.clock.advance(TimeDelta::minutes(2));
    desk.store().release_due(desk.world.clock.now()).await.unwrap();
}

/// A word on a report may bring a notice: whoever said it is led there.
#[tokio::test]
async fn what_came_up_since_a_report_was_confirmed_is_named_with_a_link() {
    let desk = DeskWorld::new().await;
    let own = format!("/desk/report/{}", report_of_north(&desk).await);
    let (mut maria, _) = desk.signed_in("maria", Role::Staff, of_region("north")).await;
    let now = desk.world.clock.now();
    put_notice(&desk, NoticeKind::GetReady, now - TimeDelta::hours(1)).await;
    maria.get(&own).await;
    let answer = maria.post(&format!("{own}/confirm"), &[]).await;
    assert_eq!(answer.status, StatusCode::SEE_OTHER, "{}", answer.body);
    // The word acts at once: eggs were seen here. As long as the notice can be stopped, the report leads to it.
    for page in [format!("{own}/effect?done=confirmed"), own.clone()] {
        let page = maria.get(&page).await.body;
        assert!(page.contains("<p>Leaves on Mon, Mar 10, ") && page.contains("Came up since"), "{page}");
        assert!(page.contains("until then it can be held or called off.") && !page.contains("Left because"), "{page}");
        assert!(page.contains("inspect-now#decide\">Hold it or call it off</a>"), "{page}");
    }
    two_minutes_later(&desk).await;
    for page in [format!("{own}/effect?done=confirmed"), format!("{own}?done=later")] {
        let page = maria.get(&page).await.body;
        let link =
            "<a href=\"/desk/notice/pinyon-needle-scale~north~2025~inspect-now\">Inspect now for Region north</a>";
        assert!(
            page.contains(link)
                && page.contains("<p>Left because of the report that maria confirmed, on Mon, Mar 10, "),
            "{page}"
        );
        assert!(!page.contains("Get ready for"), "that was there before: {page}");
    }
    assert!(!maria.get(&own).await.body.contains("Came up since"));
    // From the notice, a link leads back to what was seen.
    let page = maria.get("/desk/notice/pinyon-needle-scale~north~2025~inspect-now").await.body;
    let id = own.trim_start_matches("/desk/report/");
    assert!(page.contains(&format!("(report <a class=\"nowrap\" href=\"{own}\">{id}</a>)")), "{page}");
    assert!(page.contains("The beginning of egg laying was seen on ") && !page.contains("begins was seen"), "{page}");
    // Today has the same words as the report's own page.
    assert!(page.contains("It left because of a confirmed report.") && !page.contains("by itself"), "{page}");
    let page = maria.get("/desk/today").await.body;
    assert!(page.contains("<p>Left because of the report that maria confirmed, on Mon, Mar 10, "), "{page}");
    assert!(!page.contains("It left by itself on"), "{page}");
}

#[tokio::test]
async fn a_notice_to_nobody_says_so_and_counts_no_addresses() {
    let desk = DeskWorld::new().await;
    put_notice(&desk, NoticeKind::InspectNow, desk.world.clock.now()).await;
    let (mut maria, _) = desk.signed_in("maria", Role::Staff, of_region("north")).await;
    let page = maria.get("/desk/today").await.body;
    assert!(page.contains("<dd>nobody is signed up there</dd>") && !page.contains("0 addresses"), "{page}");
    let page = maria.get("/desk/notice/pinyon-needle-scale~north~2025~inspect-now").await.body;
    assert!(page.contains("It goes to nobody: nobody is signed up there.") && !page.contains("0 addresses"), "{page}");
    crate::people::subscribe(desk.store(), &["00101"], &["a@example.org"]).await;
    let page = maria.get("/desk/today").await.body;
    assert!(page.contains("<dd>1 address (0 by text, 1 by e-mail)</dd>"), "{page}");
}

const SENDS: &str = "Confirming it sends “Inspect now” for Region north to 2 addresses (1 by e-mail, 1 by text), 2 minutes \
                     later; until then it can be held or called off.";

/// Confirming a report may let a notice out within the minute: nobody does that unawares.
#[tokio::test]
async fn before_a_report_is_confirmed_its_pages_say_to_how_many_that_sends_a_notice() {
    let desk = DeskWorld::new().await;
    crate::people::subscribe(desk.store(), &["00101"], &["a@example.org", "+15055550101"]).await;
    let own = format!("/desk/report/{}", report_of_north(&desk).await);
    let (mut maria, _) = desk.signed_in("maria", Role::Staff, of_region("north")).await;
    let page = maria.get(&own).await.body;
    let (says, button) = (page.find(SENDS).expect(&page), page.find(">Confirm it<").expect(&page));
    assert!(says < button, "{page}");
    // Of the other regions it says what was worked out, and nothing else.
    let said = ["it may also bring up notices in other regions.", "In other regions it brings up no notice now."];
    let says_of_others = |page: &str| said.iter().any(|said| page.contains(said));
    assert!(says_of_others(&page) && !page.contains("notices in other regions with the next"), "{page}");
    let page = maria.get(&format!("{own}/effect")).await.body;
    assert!(says_of_others(&page), "{page}");
    // Before, the page that says most of it had no button: whoever had read it went back to the report.
    let (says, button) = (page.find(SENDS).expect(&page), page.find(">Confirm it<").expect(&page));
    assert!(says < button && page.contains(&format!("action=\"{own}/set-aside\"")), "{page}");
    let (mut vera, _) = desk.signed_in("vera", Role::Observer, RegionReach::default()).await;
    let seen = vera.get(&format!("{own}/effect")).await.body;
    assert!(seen.contains(SENDS) && !seen.contains(&format!("action=\"{own}/")), "{seen}");
    // What is only missing yet is no reason for ever.
    let missing = "The temperatures of March 8, 2025 are not in yet. ";
    assert!(page.contains(missing) && !page.contains("teaches nothing"), "{page}");
    maria.get(&own).await;
    let answer = maria.post(&format!("{own}/confirm"), &[]).await;
    let page = maria.get(answer.header("location")).await.body;
    assert!(page.contains("<p>Leaves on Mon, Mar 10, ") && page.contains(" It goes to 2 addresses."), "{page}");
    two_minutes_later(&desk).await;
    let page = maria.get(answer.header("location")).await.body;
    assert!(page.contains("Left because of the report that maria confirmed, on Mon, Mar 10, "), "{page}");
    assert!(page.contains(" It goes to 2 addresses.") && page.contains("#decide\">Recall it</a>"), "{page}");
    assert!(!page.contains("Confirming it"), "{page}");
    let once = "The other regions go by it once the temperatures of March 8, 2025 are in.";
    assert!(page.contains(once) && !page.contains("follow within minutes"), "{page}");
    // What is no sighting sends nothing, and says so.
    let form = [("region", "north"), ("saw", "nothing.yes"), ("date", "2025-03-09")];
    maria.get("/desk/new-report").await;
    let answer = maria.upload("/desk/new-report", &form, None).await;
    let page = maria.get(answer.header("location")).await.body;
    assert!(page.contains("Confirming it sends no notice now."), "{page}");
}

/// What is held within these minutes goes to nobody.
#[tokio::test]
async fn a_notice_that_a_confirmed_report_sends_can_be_held_before_it_leaves() {
    let desk = DeskWorld::new().await;
    crate::people::subscribe(desk.store(), &["00101"], &["a@example.org"]).await;
    let own = format!("/desk/report/{}", report_of_north(&desk).await);
    let (mut maria, _) = desk.signed_in("maria", Role::Staff, of_region("north")).await;
    maria.get(&own).await;
    maria.post(&format!("{own}/confirm"), &[]).await;
    let notice = "/desk/notice/pinyon-needle-scale~north~2025~inspect-now";
    assert!(maria.get(notice).await.body.contains("It leaves by itself on Mon, Mar 10, "));
    let answer = maria.post(&format!("{notice}/hold"), &[("end", "open"), ("why", "last year’s cotton")]).await;
    assert_eq!(answer.status, StatusCode::SEE_OTHER, "{}", answer.body);
    two_minutes_later(&desk).await;
    let id = "pinyon-needle-scale/north/2025/inspect-now".into();
    assert_eq!(desk.store().notice(&id).await.unwrap().standing_word(), "held");
    assert!(desk.store().delivery_counts(&id).await.unwrap().is_empty());
}

/// A report that counts may send something by another day, too.
#[tokio::test]
async fn a_day_that_sends_a_notice_is_kept_once_that_was_read() {
    let desk = DeskWorld::new().await;
    crate::people::subscribe(desk.store(), &["00101"], &["a@example.org", "+15055550101"]).await;
    let id = report_of_north(&desk).await;
    let own = format!("/desk/report/{id}");
    // It counts, and nothing has come of it yet.
    let (ids, now) = ([id], desk.world.clock.now());
    desk.store().judge_field_reports(&ids, Judgement::Confirmed, Some("maria"), None, now).await.unwrap();
    let (mut maria, _) = desk.signed_in("maria", Role::Staff, of_region("north")).await;
    maria.get(&own).await;
    let page = maria.post(&format!("{own}/day"), &[("day", "2025-03-09")]).await;
    let told = SENDS.replace("Confirming it", "Keeping this day");
    assert!(page.body.contains("The day is not changed yet") && page.body.contains(&told), "{}", page.body);
    assert_eq!(all(&desk).await[0].observed_on, day("2025-03-08"));
    let (_, announced) = page.body.split_once("name=\"announced\" value=\"").expect("what was read");
    let (announced, _) = announced.split_once('"').unwrap();
    // What was read of one day says nothing of another.
    let other = maria.post(&format!("{own}/day"), &[("day", "2025-03-07"), ("announced", announced)]).await;
    assert!(other.body.contains("The day is not changed yet"), "{}", other.body);
    let form = [("day", "2025-03-09"), ("announced", announced)];
    let answer = maria.post(&format!("{own}/day"), &form).await;
    assert_eq!(answer.status, StatusCode::SEE_OTHER, "{}", answer.body);
    assert_eq!(all(&desk).await[0].observed_on, day("2025-03-09"));
    let page = maria.get(answer.header("location")).await.body;
    assert!(page.contains("The day is changed.") && page.contains("<p>Leaves on Mon, Mar 10, "), "{page}");
}

#[tokio::test]
async fn a_notice_that_a_report_brings_up_for_staff_is_told_as_one_that_waits_for_them() {
    let desk = DeskWorld::new().await;
    crate::people::subscribe(desk.store(), &["00101"], &["a@example.org"]).await;
    let (mut maria, _) = desk.signed_in("maria", Role::Staff, of_region("north")).await;
    let own = format!("/desk/report/{}", report_of_north(&desk).await);
    let to = "“Inspect now” for Region north to 1 address (1 by e-mail, 0 by text)";
    for (release, said) in [
        (Release::UnlessHeld { hours: 5 }, format!("Confirming it sends {to} after the usual wait, on Mon, Mar 10, ")),
        (Release::WhenConfirmed, "that notice will wait for a word of staff.".to_owned()),
    ] {
        let region = Region { release, ..desk.store().region(&"north".into()).await.unwrap() };
        desk.store().change_region(&region).await.unwrap();
        let page = maria.get(&own).await.body;
        assert!(page.contains(&said) && !page.contains("at once."), "{said}: {page}");
    }
}

#[tokio::test]
async fn a_new_report_that_would_send_a_notice_at_once_asks_first_and_any_other_counts() {
    let desk = DeskWorld::new().await;
    crate::people::subscribe(desk.store(), &["00101"], &["a@example.org", "+15055550101"]).await;
    put_likely(&desk, "2025-03-12", "2025-03-08").await;
    let (mut maria, _) = desk.signed_in("maria", Role::Staff, of_region("north")).await;
    maria.get("/desk/new-report").await;
    let form = [("region", "north"), ("saw", "eggs"), ("date", "2025-03-09"), ("count", "yes")];
    let answer = maria.upload("/desk/new-report", &form, None).await;
    let [report] = &all(&desk).await[..] else { panic!("one report") };
    assert_eq!(report.standing, ReportStanding::New);
    assert_eq!(answer.header("location"), format!("/desk/report/{}?done=asks", report.id));
    let page = maria.get(answer.header("location")).await.body;
    assert!(page.contains("Saved, but it does not count yet") && page.contains(SENDS), "{page}");
    maria.post(&format!("/desk/report/{}/confirm", report.id), &[]).await;
    assert_eq!(all(&desk).await[0].standing, ReportStanding::Confirmed);
    // The notice is out: a second tree sends nothing more.
    let form = [("region", "north"), ("saw", "eggs"), ("date", "2025-03-10"), ("count", "yes")];
    maria.get("/desk/new-report").await;
    let answer = maria.upload("/desk/new-report", &form, None).await;
    assert!(answer.header("location").ends_with("/effect?done=entered"), "{}", answer.header("location"));
    assert!(all(&desk).await.iter().all(|report| report.standing == ReportStanding::Confirmed));
}

#[tokio::test]
async fn a_sighting_long_before_the_likely_days_is_remarked_before_it_is_confirmed() {
    let desk = DeskWorld::new().await;
    let own = format!("/desk/report/{}", report_of_north(&desk).await);
    let (mut maria, _) = desk.signed_in("maria", Role::Staff, of_region("north")).await;
    let remark = "This is 38 days before the earliest likely date (April 15): ask who looked before it counts.";
    assert!(!maria.get(&own).await.body.contains("earliest likely date"));
    put_likely(&desk, "2025-04-20", "2025-03-08").await;
    let page = maria.get(&own).await.body;
    let (says, button) = (page.find(remark).expect(&page), page.find(">Confirm it<").expect(&page));
    assert!(says < button, "{page}");
    // It is no obstacle, and what counts is asked no more.
    maria.post(&format!("{own}/confirm"), &[]).await;
    assert_eq!(all(&desk).await[0].standing, ReportStanding::Confirmed);
    assert!(!maria.get(&own).await.body.contains("earliest likely date"));
    let remark = remark.replace(" before it counts", "");
    assert!(maria.get(&format!("{own}/effect?done=confirmed")).await.body.contains(&remark));
    // Before, one that was to count at once counted without a word.
    maria.get("/desk/new-report").await;
    let form = [("region", "north"), ("saw", "eggs"), ("date", "2025-03-08"), ("tree", "gate"), ("count", "yes")];
    let answer = maria.upload("/desk/new-report", &form, None).await;
    assert!(answer.header("location").ends_with("?done=asks"), "{}", answer.header("location"));
    let page = maria.get(answer.header("location")).await.body;
    assert!(
        page.contains("does not count yet. Read what is unlikely about it") && page.contains(">Confirm it<"),
        "{page}"
    );
    assert!(page.contains("This is 38 days before the earliest likely date (April 15)"), "{page}");
}

/// Before, whoever had several to judge went back to the list after each.
#[tokio::test]
async fn after_a_word_on_a_report_the_next_one_that_waits_is_a_step_away() {
    let desk = DeskWorld::new().await;
    let first = report_of_tree(&desk, "first").await;
    desk.world.clock.advance(TimeDelta::minutes(1));
    let second = report_of_tree(&desk, "second").await;
    desk.world.clock.advance(TimeDelta::minutes(1));
    let third = report_of_tree(&desk, "third").await;
    let (mut maria, _) = desk.signed_in("maria", Role::Staff, of_region("north")).await;
    let (waits, none) = ("Next report that waits", "No other report waits for a word from you.");
    let page = maria.get(&format!("/desk/report/{second}")).await.body;
    assert!(!page.contains(waits) && !page.contains(none), "{page}");
    let answer = maria.post(&format!("/desk/report/{second}/confirm"), &[]).await;
    let page = maria.get(answer.header("location")).await.body;
    assert!(page.contains(&format!("href=\"/desk/report/{first}\">{waits}")), "the oldest: {page}");
    assert!(page.contains("2 wait for a word from you."), "{page}");
    maria.get(&format!("/desk/report/{first}")).await;
    let answer = maria.post(&format!("/desk/report/{first}/set-aside"), &[("why", "another insect")]).await;
    let page = maria.get(answer.header("location")).await.body;
    assert!(page.contains(&format!("href=\"/desk/report/{third}\">{waits}")), "{page}");
    maria.get(&format!("/desk/report/{third}")).await;
    let answer = maria.post(&format!("/desk/report/{third}/set-aside"), &[("why", "another insect")]).await;
    let page = maria.get(answer.header("location")).await.body;
    assert!(page.contains(none) && !page.contains(waits), "{page}");
}

/// An outlook of north, made on a day, by which egg laying is likely within 5 days of another one.
async fn put_likely(desk: &DeskWorld, opens: &str, on: &str) {
    let likely = crate::desk::today::outlook("north", opens, 5, RecordTrust::Sound);
    let season = SeasonKey { year: 2025, ..likely.season.clone() };
    let likely = Outlook { season, today: day(on), ..likely };
    desk.store().put_outlook(&likely, desk.world.clock.now()).await.unwrap();
}

#[tokio::test]
async fn a_notice_that_a_report_let_out_past_a_hold_says_so_on_every_page() {
    let desk = DeskWorld::new().await;
    let own = format!("/desk/report/{}", report_of_north(&desk).await);
    let (mut maria, _) = desk.signed_in("maria", Role::Staff, of_region("north")).await;
    put_notice(&desk, NoticeKind::GetReady, desk.world.clock.now() - TimeDelta::hours(1)).await;
    let ready = "/desk/notice/pinyon-needle-scale~north~2025~get-ready";
    maria.get(ready).await;
    let answer = maria.post(&format!("{ready}/hold"), &[("end", "open"), ("why", "the station is in doubt")]).await;
    assert_eq!(answer.status, StatusCode::SEE_OTHER, "{}", answer.body);
    maria.get(&own).await;
    let answer = maria.post(&format!("{own}/confirm"), &[]).await;
    let page = maria.get(answer.header("location")).await.body;
    assert!(page.contains("<p>Skipped; it had been held by maria: the station is in doubt.</p>"), "{page}");
    for path in ["/desk/today", "/desk/notice/pinyon-needle-scale~north~2025~inspect-now"] {
        let page = maria.get(path).await.body;
        assert!(page.contains("Get ready here was held by maria on Mon, Mar 10, "), "{path}: {page}");
        assert!(page.contains(": “the station is in doubt”. It was skipped on Mon, Mar 10, "), "{path}: {page}");
    }
    let page = maria.get(ready).await.body;
    let held = "It was held by maria, with no end (the station is in doubt), when it was skipped";
    assert!(page.contains(held), "{page}");
    assert!(page.contains("It was not told: ") && !page.contains("since 2025-"), "{page}");
}
