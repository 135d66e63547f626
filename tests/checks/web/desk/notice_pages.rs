//! Pages of notices as they are asked, without a browser.

use axum::http::StatusCode;
use chrono::TimeDelta;
use treebell::people::account::{RegionReach, Role};
use treebell::season::NoticeKind;
use treebell::season::decide::ApprovalNeeded;
use treebell::store::audit::AuditFilter;
use treebell::store::notices::{NewNotice, NoticeRelease};

use super::support::{DeskWorld, of_region};
use crate::desk::{facts, texts_of};
use crate::people::notices::notice;

use treebell::clock::Clock;

const ID: &str = "pinyon-needle-scale/north/2026/inspect-now";
const PAGE: &str = "/desk/notice/pinyon-needle-scale~north~2026~inspect-now";

/// A desk with a notice of north that waits for a word.
async fn world() -> DeskWorld {
    let desk = DeskWorld::new().await;
    let facts = facts("north");
    let approval_needed = ApprovalNeeded::ByPolicy;
    let new = NewNotice {
        facts: serde_json::to_value(&facts).unwrap(),
        expires_at: desk.world.clock.now() + TimeDelta::days(30),
        ..notice(NoticeKind::InspectNow, NoticeRelease::WaitForApproval { approval_needed })
    };
    let texts = texts_of(&desk.world.app.templates.in_use(), NoticeKind::InspectNow, &facts);
    desk.store().put_notice(&new, &texts).await.unwrap();
    desk
}

async fn word(desk: &DeskWorld) -> &'static str {
    desk.store().notice(&ID.into()).await.unwrap().standing_word()
}

/// The fingerprint in the form to send.
fn seen(page: &str) -> String {
    page.split("name=\"seen\" value=\"").nth(1).expect("a form to send").split('"').next().unwrap().to_owned()
}

#[tokio::test]
async fn what_has_changed_since_it_was_looked_at_is_not_sent() {
    let desk = world().await;
    let (mut browser, _) = desk.signed_in("maria", Role::Staff, of_region("north")).await;
    let page = browser.get(PAGE).await;
    let looked_at = seen(&page.body);
    let words = browser.get(&format!("{PAGE}/words")).await.body;
    assert!(words.contains("{stop-link}"), "{words}");
    // Somebody else changes its words meanwhile.
    let app = &desk.world.app;
    let stored = desk.store().notice(&ID.into()).await.unwrap();
    let mut own = treebell::service::desk::wording::drafts(app, &stored).await.unwrap();
    own.iter_mut().filter(|draft| !draft.subject.is_empty()).for_each(|draft| draft.body += "\n\n505-555-0100\n");
    let everywhere = treebell::service::desk::Hand { by: "olga", reach: &|_| true };
    treebell::service::desk::wording::reword(app, everywhere, &ID.into(), &own).await.unwrap();

    browser.get(PAGE).await;
    let answer = browser.post(&format!("{PAGE}/send"), &[("seen", &looked_at)]).await;
    assert_eq!((answer.status, word(&desk).await), (StatusCode::UNPROCESSABLE_ENTITY, "waiting"));
    assert!(answer.body.contains("It has changed since you looked at it"), "{}", answer.body);
    let answer = browser.post(&format!("{PAGE}/send"), &[("seen", &seen(&answer.body))]).await;
    assert_eq!((answer.status, word(&desk).await), (StatusCode::SEE_OTHER, "leaving"));
    let page = browser.get(answer.header("location")).await.body;
    assert!(page.contains("maria has sent it") && page.contains("Take the last word back"), "{page}");
}

#[tokio::test]
async fn staff_of_another_region_read_and_cannot_act() {
    let desk = world().await;
    let (mut browser, _) = desk.signed_in("vera", Role::Staff, of_region("south")).await;
    let page = browser.get(PAGE).await;
    assert_eq!(page.status, StatusCode::OK);
    assert!(page.body.contains("It is not yours to decide") && !page.body.contains("name=\"seen\""), "{}", page.body);
    for act in ["send", "hold", "call-off", "recall", "undo", "words", "restore-words"] {
        let answer = browser.post(&format!("{PAGE}/{act}"), &[("why", "because")]).await;
        assert_eq!(answer.status, StatusCode::FORBIDDEN, "{act}");
    }
    assert_eq!(word(&desk).await, "waiting");
    let today = browser.get("/desk/today").await.body;
    assert!(today.contains("Nothing waits for you.") && !today.contains("Region north"), "{today}");
    assert!(browser.get("/desk/today?all=yes").await.body.contains("Inspect now for Region north"));
}

#[tokio::test]
async fn an_act_is_one_row_of_the_audit_with_account_and_reason() {
    let desk = world().await;
    let (mut browser, _) = desk.signed_in("maria", Role::Administrator, RegionReach::default()).await;
    browser.get(PAGE).await;
    for (form, wanted) in [
        (vec![("end", "open"), ("why", "")], "Say why"),
        (vec![("end", "at"), ("why", "crew"), ("day", "3/14/2026"), ("time", "09:00")], "such as 2026-03-14"),
        (vec![("end", "at"), ("why", "crew"), ("day", "2099-03-14"), ("time", "09:00")], "it is of use until"),
    ] {
        let answer = browser.post(&format!("{PAGE}/hold"), &form).await;
        assert_eq!(answer.status, StatusCode::UNPROCESSABLE_ENTITY, "{form:?}");
        assert!(answer.body.contains(wanted), "{wanted}: {}", answer.body);
    }
    assert_eq!(word(&desk).await, "waiting");
    let answer = browser.post(&format!("{PAGE}/hold"), &[("end", "open"), ("why", "the crew looks first")]).await;
    assert_eq!((answer.status, word(&desk).await), (StatusCode::SEE_OTHER, "held"));
    let filter = AuditFilter { about: Some(format!("notice/{ID}")), ..Default::default() };
    let rows = desk.store().audit(&filter).await.unwrap();
    let [row] = rows.as_slice() else { panic!("{rows:?}") };
    assert_eq!((row.act.as_str(), row.account.as_deref()), ("notice-held", Some("maria")));
    assert_eq!(row.why.as_deref(), Some("the crew looks first"));
}
