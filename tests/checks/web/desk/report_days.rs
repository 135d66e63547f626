//! The day of a report at the desk, and what has become of a report since, beside what rests on it.

use axum::http::StatusCode;
use chrono::{Days, TimeDelta};
use treebell::clock::Clock;
use treebell::people::account::Role;
use treebell::region::Release;
use treebell::season::decide::{ApprovalNeeded, Reason, Terms};
use treebell::season::profile::Profiles;
use treebell::season::{NoticeKind, Outlook, RecordTrust, SeasonKey};
use treebell::service::desk::came_of::{came_up, rests_elsewhere};
use treebell::store::Store;
use treebell::store::field_reports::{Judgement, NewFieldReport, ReportMend, ReportSource, Seen, StoredReport};
use treebell::store::notices::{NewNotice, Notice, NoticeRelease};

use super::reports::{put_notice, report_of_north};
use super::support::{DeskWorld, of_region};
use crate::learning::World;
use crate::people::notices::notice;

/// Another day for a report, as staff and the command note it.
pub async fn mend(desk: &DeskWorld, id: &str, day: &str) {
    let mend = ReportMend { observed_on: day.parse().ok(), ..ReportMend::default() };
    let (why, now) = (format!("looked on {day}"), desk.world.clock.now());
    desk.store().mend_field_report(id, &mend, Some("maria"), &why, now).await.unwrap();
}

#[tokio::test]
async fn the_day_of_a_report_is_told_in_words_and_the_same_day_changes_nothing() {
    let desk = DeskWorld::new().await;
    let id = report_of_north(&desk).await;
    let own = format!("/desk/report/{id}");
    let (mut maria, _) = desk.signed_in("maria", Role::Staff, of_region("north")).await;
    maria.get(&own).await;
    let answer = maria.post(&format!("{own}/day"), &[("day", "2025-03-08")]).await;
    let page = maria.get(answer.header("location")).await.body;
    assert!(page.contains("Nothing is changed: March 8, 2025 was its day already."), "{page}");
    assert!(!page.contains("The day is changed") && !page.contains("Report changed"), "{page}");
    let answer = maria.post(&format!("{own}/day"), &[("day", "2025-03-11")]).await;
    assert_eq!(answer.status, StatusCode::UNPROCESSABLE_ENTITY);
    let wrong = "<a href=\"#day\">March 11, 2025 is yet to come; today is March 10, 2025.</a>";
    assert!(answer.body.contains(wrong), "{}", answer.body);

    let likely = crate::desk::today::outlook("north", "2025-04-20", 5, RecordTrust::Sound);
    let season = SeasonKey { year: 2025, ..likely.season.clone() };
    let likely = Outlook { season, today: "2025-03-08".parse().unwrap(), ..likely };
    desk.store().put_outlook(&likely, desk.world.clock.now()).await.unwrap();
    let (ids, now) = ([id.clone()], desk.world.clock.now());
    desk.store().judge_field_reports(&ids, Judgement::Confirmed, Some("maria"), None, now).await.unwrap();
    assert!(!maria.get(&own).await.body.contains("earliest likely date"), "nothing was changed");
    mend(&desk, &id, "2025-03-07").await;
    let page = maria.get(&format!("{own}?done=day")).await.body;
    assert!(page.contains("Confirmed. Changed since, by maria: looked on March 7, 2025. It counts."), "{page}");
    assert!(page.contains("This is 39 days before the earliest likely date (April 15): ask who looked."), "{page}");
    assert!(page.contains(&format!("see <a href=\"{own}/effect\">What it changes</a>.")), "{page}");
}

#[tokio::test]
async fn a_notice_with_reasons_of_its_own_is_not_put_down_to_a_report() {
    let desk = DeskWorld::new().await;
    let own = format!("/desk/report/{}", report_of_north(&desk).await);
    let (mut maria, _) = desk.signed_in("maria", Role::Staff, of_region("north")).await;
    maria.get(&own).await;
    let answer = maria.post(&format!("{own}/confirm"), &[]).await;
    // "Get ready" was passed over with it.
    put_notice(&desk, NoticeKind::WashNow, desk.world.clock.now()).await;
    let page = maria.get(answer.header("location")).await.body;
    let at = |what: &str| page.find(what).unwrap_or_else(|| panic!("no {what}: {page}"));
    let (of_it, also) = (at("<h2>Came up since</h2>"), at("<h2>Also came up here since</h2>"));
    assert!(of_it < at("Inspect now for Region north") && at("Inspect now for Region north") < also, "{page}");
    assert!(also < at("Wash now for Region north"), "{page}");
}

/// A notice of north that waits for a word because of what a report saw on March 8.
async fn put_notice_of(desk: &DeskWorld, report: &str) {
    let (kind, now) = (NoticeKind::InspectNow, desk.world.clock.now());
    let facts = crate::desk::facts("north");
    let on = "2025-03-08".parse().unwrap();
    let terms = Terms {
        reason: Reason::Seen { report: report.into(), stage: "egg-laying-begins".into(), on },
        release: Release::WhenConfirmed,
        approval_needed: Some(ApprovalNeeded::ByPolicy),
        expires_on: "2025-04-09".parse().unwrap(),
        deadline: None,
    };
    let new = NewNotice {
        season: SeasonKey { profile: "pinyon-needle-scale".into(), region: "north".into(), year: 2025 },
        facts: serde_json::to_value(&facts).unwrap(),
        reason: serde_json::to_value(&terms).unwrap(),
        decided_at: now,
        expires_at: now + TimeDelta::days(30),
        ..notice(kind, NoticeRelease::WaitForApproval { approval_needed: ApprovalNeeded::ByPolicy })
    };
    let texts = crate::desk::texts_of(&desk.world.app.templates.in_use(), kind, &facts);
    desk.store().put_notice(&new, &texts).await.unwrap();
}

/// A word was asked for on a notice whose ground was gone, with no remark.
#[tokio::test]
async fn a_notice_that_waits_says_what_has_become_of_the_report_it_rests_on() {
    let desk = DeskWorld::new().await;
    let id = report_of_north(&desk).await;
    let (ids, now) = ([id.clone()], desk.world.clock.now());
    desk.store().judge_field_reports(&ids, Judgement::Confirmed, Some("maria"), None, now).await.unwrap();
    put_notice_of(&desk, &id).await;
    let (mut maria, _) = desk.signed_in("maria", Role::Staff, of_region("north")).await;
    let pages = ["/desk/today", "/desk/notice/pinyon-needle-scale~north~2025~inspect-now"];
    for page in pages {
        assert!(!maria.get(page).await.body.contains("The report it rests on"), "{page}");
    }
    mend(&desk, &id, "2025-03-07").await;
    for page in pages {
        let body = maria.get(page).await.body;
        assert!(body.contains("The report it rests on is now told as seen on March 7, not March 8."), "{page}: {body}");
        assert!(body.contains(&format!("<a href=\"/desk/report/{id}\">Look at the report")), "{page}: {body}");
    }
    // In another year: a slip of the hand, which the years show.
    mend(&desk, &id, "2024-03-07").await;
    for page in pages {
        let body = maria.get(page).await.body;
        assert!(body.contains("is now told as seen on March 7, 2024, not March 8, 2025."), "{page}: {body}");
    }
    let (why, now) = (Some("last year’s cotton"), desk.world.clock.now());
    desk.store().judge_field_reports(&ids, Judgement::Refused, Some("maria"), why, now).await.unwrap();
    for page in pages {
        let body = maria.get(page).await.body;
        assert!(body.contains("The report it rests on was set aside on March 10 by maria."), "{page}: {body}");
    }
}

/// Today and the page of a notice that had been sent went on to speak of a confirmed report.
#[tokio::test]
async fn a_notice_that_was_sent_says_that_the_report_it_rests_on_was_set_aside_since() {
    let desk = DeskWorld::new().await;
    let id = report_of_north(&desk).await;
    let own = format!("/desk/report/{id}");
    let (mut maria, _) = desk.signed_in("maria", Role::Staff, of_region("north")).await;
    maria.get(&own).await;
    maria.post(&format!("{own}/confirm"), &[]).await;
    desk.world.clock.advance(TimeDelta::minutes(2));
    desk.store().release_due(desk.world.clock.now()).await.unwrap();
    let notice = "/desk/notice/pinyon-needle-scale~north~2025~inspect-now";
    for page in ["/desk/today", notice] {
        assert!(!maria.get(page).await.body.contains("set aside"), "{page}");
    }
    let was = desk.store().notice_words(&"pinyon-needle-scale/north/2025/inspect-now".into()).await.unwrap();
    desk.world.clock.advance(TimeDelta::minutes(10));
    let (ids, now) = ([id.clone()], desk.world.clock.now());
    desk.store()
        .judge_field_reports(&ids, Judgement::Refused, Some("vera"), Some("cotton of last year"), now)
        .await
        .unwrap();
    for page in ["/desk/today", notice] {
        let body = maria.get(page).await.body;
        assert!(body.contains("The report it rests on has been set aside since, on Mon, Mar 10, "), "{page}: {body}");
        assert!(
            body.contains(", by vera.") && body.contains(&format!("<a href=\"{own}\">Look at the report")),
            "{body}"
        );
        assert!(body.contains("because of a report that was confirmed then"), "{page}: {body}");
        assert!(!body.contains("because of a confirmed report"), "{page}: {body}");
    }
    let is = desk.store().notice_words(&"pinyon-needle-scale/north/2025/inspect-now".into()).await.unwrap();
    assert_eq!(is, was, "what was sent stays as it is");
}

/// Before, the dates were said to be worked out without what had never counted.
#[tokio::test]
async fn only_of_a_report_that_counted_is_it_said_that_the_dates_are_worked_out_without_it() {
    for counted in [false, true] {
        let desk = DeskWorld::new().await;
        let own = format!("/desk/report/{}", report_of_north(&desk).await);
        let (mut maria, _) = desk.signed_in("maria", Role::Staff, of_region("north")).await;
        maria.get(&own).await;
        if counted {
            maria.post(&format!("{own}/confirm"), &[]).await;
            maria.get(&own).await;
        }
        let answer = maria.post(&format!("{own}/set-aside"), &[("why", "another insect")]).await;
        assert!(answer.header("location").ends_with("?done=set-aside"), "{}", answer.body);
        let page = maria.get(answer.header("location")).await.body;
        assert!(page.contains("<p>Set aside."), "{page}");
        assert_eq!(page.contains("are worked out without it."), counted, "{page}");
    }
}

/// The day of the look before cannot be changed; nothing said what to do about a wrong one.
#[tokio::test]
async fn beside_the_day_of_the_look_before_stands_what_to_do_when_it_is_wrong() {
    let desk = DeskWorld::new().await;
    let profiles = Profiles::default();
    let sight = profiles.get("pinyon-needle-scale").unwrap().sight("eggs").unwrap();
    let new = NewFieldReport {
        region: "north".into(),
        zip: None,
        observed_on: "2025-03-08".parse().unwrap(),
        tree: None,
        seen: Seen::at(sight, None),
        nothing_on: "2025-03-01".parse().ok(),
        confirmed: false,
        source: ReportSource::Staff,
        person: None,
        note: None,
    };
    let id = desk.store().add_field_report(&new, desk.world.clock.now()).await.unwrap();
    let (mut maria, _) = desk.signed_in("maria", Role::Staff, of_region("north")).await;
    let says = "If this day is wrong, enter the report anew with the right one, and set this one aside.";
    let page = maria.get(&format!("/desk/report/{id}")).await.body;
    assert!(page.contains("March 1, 2025.") && page.contains(says), "{page}");
    let without = report_of_north(&desk).await;
    let page = maria.get(&format!("/desk/report/{without}")).await.body;
    assert!(!page.contains(says), "{page}");
}

/// Before, only one that was set aside was told.
#[tokio::test]
async fn a_notice_that_was_sent_says_that_the_report_it_rests_on_is_of_another_season_now() {
    let desk = DeskWorld::new().await;
    let id = report_of_north(&desk).await;
    let own = format!("/desk/report/{id}");
    let (mut maria, _) = desk.signed_in("maria", Role::Staff, of_region("north")).await;
    maria.get(&own).await;
    maria.post(&format!("{own}/confirm"), &[]).await;
    desk.world.clock.advance(TimeDelta::minutes(2));
    desk.store().release_due(desk.world.clock.now()).await.unwrap();
    desk.world.clock.advance(TimeDelta::minutes(10));
    let pages = ["/desk/today", "/desk/notice/pinyon-needle-scale~north~2025~inspect-now"];
    // Another day of the same season leaves what was sent as it is.
    mend(&desk, &id, "2025-03-07").await;
    for page in pages {
        assert!(!maria.get(page).await.body.contains("is now told as seen on"), "{page}");
    }
    mend(&desk, &id, "2024-03-07").await;
    for page in pages {
        let body = maria.get(page).await.body;
        assert!(body.contains("is now told as seen on March 7, 2024, not March 8, 2025."), "{page}: {body}");
        assert!(!body.contains("because of a confirmed report"), "{page}: {body}");
    }
}

/// Before, a slip of the hand in the year took a report out of its season unasked.
#[tokio::test]
async fn a_day_that_moves_a_report_into_another_season_is_kept_once_that_was_read() {
    let desk = DeskWorld::new().await;
    let id = report_of_north(&desk).await;
    let own = format!("/desk/report/{id}");
    let (mut maria, _) = desk.signed_in("maria", Role::Staff, of_region("north")).await;
    let (ids, now) = ([id.clone()], desk.world.clock.now());
    desk.store().judge_field_reports(&ids, Judgement::Confirmed, Some("maria"), None, now).await.unwrap();
    put_notice_of(&desk, &id).await;
    desk.world.clock.advance(TimeDelta::minutes(1));
    maria.get(&own).await;
    let page = maria.post(&format!("{own}/day"), &[("day", "2019-03-08")]).await.body;
    let asks = "The day is not changed yet. March 8, 2019 is a day of season 2019: the report will no longer count for season 2025.";
    assert!(page.contains(asks), "{page}");
    assert_eq!(desk.store().field_report(&id).await.unwrap().observed_on, "2025-03-08".parse().unwrap());
    let (_, announced) = page.split_once("name=\"announced\" value=\"").expect("what was read");
    let (announced, _) = announced.split_once('"').unwrap();
    let other = maria.post(&format!("{own}/day"), &[("day", "2018-03-08"), ("announced", announced)]).await;
    assert!(
        other.body.contains("a day of season 2018"),
        "what was read of one day says nothing of another: {}",
        other.body
    );
    let answer = maria.post(&format!("{own}/day"), &[("day", "2019-03-08"), ("announced", announced)]).await;
    assert_eq!(answer.status, StatusCode::SEE_OTHER, "{}", answer.body);
    assert_eq!(desk.store().field_report(&id).await.unwrap().observed_on, "2019-03-08".parse().unwrap());
    // What came of it before, in the season that it has left, has not come up since.
    let page = maria.get(answer.header("location")).await.body;
    assert!(page.contains("The day is changed.") && !page.contains("Inspect now for Region north"), "{page}");
}

/// In a season's own region, too, only what was decided since the newest word has come up since.
#[tokio::test]
async fn a_notice_from_before_another_day_of_a_report_has_not_come_up_since() {
    let desk = DeskWorld::new().await;
    let id = report_of_north(&desk).await;
    let (ids, now) = ([id.clone()], desk.world.clock.now());
    desk.store().judge_field_reports(&ids, Judgement::Confirmed, Some("maria"), None, now).await.unwrap();
    put_notice_of(&desk, &id).await;
    let north = desk.store().region(&"north".into()).await.unwrap();
    let came = async || {
        let report = desk.store().field_report(&id).await.unwrap();
        came_up(&desk.world.app, &report, &north).await.unwrap().len()
    };
    assert_eq!(came().await, 1);
    desk.world.clock.advance(TimeDelta::minutes(1));
    mend(&desk, &id, "2025-03-07").await;
    assert_eq!(came().await, 0);
}

/// After the next cycle the page of a report named nothing any more of what it had brought up elsewhere.
#[tokio::test]
async fn a_confirmed_report_lists_the_notices_of_other_regions_that_rest_on_it_as_long_as_its_season_lasts() {
    let world = World::build(Store::in_memory().await.unwrap()).await;
    let low = world.regions[0].clone();
    let seen_on = world.day_of(&low, 140.0).await;
    world.set(seen_on + Days::new(3));
    let id = world.report(&low.id, seen_on, "eggs", None, false).await;
    world.confirm(&id).await;
    world.clock.advance(TimeDelta::seconds(1));
    let report = world.app.store.field_report(&id).await.unwrap();
    let resting = async |report: &StoredReport| rests_elsewhere(&world.app, report, &low, None).await.unwrap();
    assert_eq!(resting(&report).await, []);
    // Day by day, until one comes up elsewhere.
    let mut found = Vec::new();
    for day in 4..90 {
        world.set(seen_on + Days::new(day));
        world.cycle().await;
        found = resting(&report).await;
        if !found.is_empty() {
            break;
        }
    }
    assert!(!found.is_empty() && found.iter().all(|notice| notice.season.region != low.id), "{found:?}");
    world.set(world.clock.now().date_naive() + Days::new(1));
    world.cycle().await;
    let ids = |notices: &[Notice]| notices.iter().map(|notice| notice.id.clone()).collect::<Vec<_>>();
    let still = ids(&resting(&report).await);
    assert!(ids(&found).iter().all(|id| still.contains(id)), "{still:?}");
    let later = StoredReport { observed_on: seen_on - Days::new(365), ..report.clone() };
    assert_eq!(resting(&later).await, [], "of another season");
    assert_eq!(rests_elsewhere(&world.app, &report, &low, Some(false)).await.unwrap(), [], "it teaches nothing");

    let desk = DeskWorld::over(&world.app, world.clock.clone());
    let (mut maria, _) = desk.signed_in("maria", Role::Staff, of_region(low.id.as_str())).await;
    let page = maria.get(&format!("/desk/report/{id}/effect")).await.body;
    assert!(page.contains("<h2>Notices of other regions that rest on it</h2>"), "{page}");
    let path = found[0].id.as_str().replace('/', "~");
    assert!(page.contains(&format!("<a href=\"/desk/notice/{path}\">")), "{page}");

    // Set aside and confirmed anew: what was decided before that rests on other words.
    let known_to_teach = async || {
        let report = world.app.store.field_report(&id).await.unwrap();
        ids(&rests_elsewhere(&world.app, &report, &low, Some(true)).await.unwrap())
    };
    assert!(known_to_teach().await.contains(&found[0].id));
    for judgement in [Judgement::Refused, Judgement::Confirmed] {
        world.clock.advance(TimeDelta::minutes(1));
        let (of, why, now) = ([id.clone()], Some("looked again"), world.clock.now());
        world.app.store.judge_field_reports(&of, judgement, Some("maria"), why, now).await.unwrap();
    }
    assert!(known_to_teach().await.is_empty());
}
