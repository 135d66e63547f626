//! The day of a report at the desk, and what has become of a report since, beside what rests on it.

use axum::http::StatusCode;
use chrono::TimeDelta;
use treebell::clock::Clock;
use treebell::people::account::Role;
use treebell::region::Release;
use treebell::season::decide::{ApprovalNeeded, Reason, Terms};
use treebell::season::{NoticeKind, Outlook, RecordTrust, SeasonKey};
use treebell::store::field_reports::{Judgement, ReportMend};
use treebell::store::notices::{NewNotice, NoticeRelease};

use super::reports::{put_notice, report_of_north};
use super::support::{DeskWorld, of_region};
use crate::people::notices::notice;

/// Another day for a report, as staff and the command note it.
async fn mend(desk: &DeskWorld, id: &str, day: &str) {
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
