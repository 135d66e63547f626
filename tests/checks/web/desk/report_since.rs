//! What rests on a report that had counted, once staff have set it aside or given it the day of another year.

use chrono::{DateTime, TimeDelta, Utc};
use treebell::clock::Clock;
use treebell::message::NoticeFacts;
use treebell::people::account::{RegionReach, Role};
use treebell::season::{NoticeKind, Outlook, RecordTrust, SeasonKey};
use treebell::store::field_reports::Judgement;
use treebell::store::notices::{NewNotice, NoticeRelease};

use super::report_days::mend;
use super::reports::report_of_north;
use super::support::{DeskWorld, of_region};
use crate::people::notices::notice;

const OF_SOUTH: &str = "/desk/notice/pinyon-needle-scale~south~2025~inspect-now";

/// A notice of south that leaves at once, and tells days that field reports moved, or did not.
async fn put_of_south(desk: &DeskWorld, kind: NoticeKind, learned_days: Option<i64>) {
    let now = desk.world.clock.now();
    let facts = NoticeFacts { learned_days, ..crate::desk::facts("south") };
    let new = NewNotice {
        season: SeasonKey { profile: "pinyon-needle-scale".into(), region: "south".into(), year: 2025 },
        facts: serde_json::to_value(&facts).unwrap(),
        decided_at: now,
        expires_at: now + TimeDelta::days(30),
        ..notice(kind, NoticeRelease::Release)
    };
    let texts = crate::desk::texts_of(&desk.world.app.templates.in_use(), kind, &facts);
    desk.store().put_notice(&new, &texts).await.unwrap();
}

async fn judge(desk: &DeskWorld, id: &str, judgement: Judgement) {
    let (ids, why, now) = ([id.to_owned()], Some("another insect"), desk.world.clock.now());
    desk.store().judge_field_reports(&ids, judgement, Some("maria"), why, now).await.unwrap();
}

fn both() -> RegionReach {
    RegionReach { regions: vec!["north".into(), "south".into()], counties: Vec::new() }
}

/// A notice of south from before the report of north was confirmed, one of while it was, and one with days of its own.
async fn three_notices(desk: &DeskWorld) -> String {
    crate::people::subscribe(desk.store(), &["00201"], &["south@example.org"]).await;
    let id = report_of_north(desk).await;
    put_of_south(desk, NoticeKind::GetReady, Some(-4)).await;
    desk.world.clock.advance(TimeDelta::minutes(1));
    judge(desk, &id, Judgement::Confirmed).await;
    put_of_south(desk, NoticeKind::InspectNow, Some(-4)).await;
    put_of_south(desk, NoticeKind::WashNow, None).await;
    desk.world.clock.advance(TimeDelta::minutes(1));
    id
}

/// Before, the list ended with the word that made it needed.
#[tokio::test]
async fn a_report_that_was_set_aside_lists_the_notices_of_other_regions_that_may_rest_on_it() {
    let desk = DeskWorld::new().await;
    let id = three_notices(&desk).await;
    let (mut maria, _) = desk.signed_in("maria", Role::Staff, both()).await;
    let own = format!("/desk/report/{id}");
    judge(&desk, &id, Judgement::Refused).await;
    // What was decided after that rests on other words.
    desk.world.clock.advance(TimeDelta::minutes(1));
    put_of_south(&desk, NoticeKind::LastDaysToWash, Some(-4)).await;
    let page = maria.get(&own).await.body;
    assert!(page.contains("<h2>Notices of other regions that may rest on it</h2>"), "{page}");
    assert!(page.contains("This one may be among them. It has been set aside since."), "{page}");
    assert!(page.contains(&format!("<a href=\"{OF_SOUTH}\">Inspect now for Region south</a>")), "{page}");
    assert!(page.contains(&format!("<a href=\"{OF_SOUTH}#decide\">Recall it</a>")), "{page}");
    for other in ["Get ready for", "Wash now for", "Last days to wash for"] {
        assert!(!page.contains(other), "{other}: {page}");
    }
    // Once it counts again, that is not said any more.
    judge(&desk, &id, Judgement::Confirmed).await;
    let page = maria.get(&own).await.body;
    assert!(!page.contains("that may rest on it"), "{page}");
}

#[tokio::test]
async fn a_report_given_a_day_of_another_year_lists_them_too() {
    let desk = DeskWorld::new().await;
    let id = three_notices(&desk).await;
    let (mut maria, _) = desk.signed_in("maria", Role::Staff, both()).await;
    mend(&desk, &id, "2025-03-07").await;
    let page = maria.get(&format!("/desk/report/{id}")).await.body;
    assert!(!page.contains("that may rest on it"), "it counts for the season as before: {page}");
    desk.world.clock.advance(TimeDelta::minutes(1));
    mend(&desk, &id, "2024-03-07").await;
    let page = maria.get(&format!("/desk/report/{id}")).await.body;
    assert!(page.contains("This one may be among them. It counts for season 2025 no longer."), "{page}");
    assert!(page.contains(&format!("<a href=\"{OF_SOUTH}\">Inspect now for Region south</a>")), "{page}");
    assert!(!page.contains("Get ready for") && !page.contains("Wash now for"), "{page}");
    let page = maria.get(OF_SOUTH).await.body;
    let says = "One that may be among them, a look in Region north, has the day March 7, 2024 now: it counts for season 2025 no longer.";
    assert!(page.contains(says), "{page}");
}

/// Before, nothing on the page of such a notice led to the report.
#[tokio::test]
async fn a_notice_of_another_region_says_that_a_report_which_may_have_moved_its_days_was_set_aside() {
    let desk = DeskWorld::new().await;
    let id = three_notices(&desk).await;
    let (mut maria, _) = desk.signed_in("maria", Role::Staff, both()).await;
    let moved = "Field reports moved the days that it tells. One that may be among them, a look of March 8, 2025 in Region north, \
                 has been set aside since, on Mon, Mar 10, ";
    assert!(!maria.get(OF_SOUTH).await.body.contains("may be among them"));
    judge(&desk, &id, Judgement::Refused).await;
    let page = maria.get(OF_SOUTH).await.body;
    assert!(page.contains(moved), "{page}");
    assert!(page.contains(&format!("<a href=\"/desk/report/{id}\">Look at the report")), "{page}");
    assert!(page.contains("<summary>Recall it</summary>"), "{page}");
    // It left by itself: Today says it, too, once the season of south is known.
    let likely = crate::desk::today::outlook("south", "2025-04-20", 5, RecordTrust::Sound);
    let likely = Outlook {
        season: SeasonKey { year: 2025, ..likely.season.clone() },
        today: "2025-03-10".parse().unwrap(),
        ..likely
    };
    desk.store().put_outlook(&likely, desk.world.clock.now()).await.unwrap();
    let page = maria.get("/desk/today").await.body;
    assert_eq!(page.matches(moved).count(), 1, "{page}");
    for kind in ["get-ready", "wash-now"] {
        let page = maria.get(&OF_SOUTH.replace("inspect-now", kind)).await.body;
        assert!(!page.contains("may be among them"), "{kind}: {page}");
    }
}

/// Before, the notice that a report had brought up was gone from its page as soon as it could not be stopped any more.
#[tokio::test]
async fn a_report_lists_the_notice_that_left_because_of_it_also_when_it_is_set_aside() {
    let desk = DeskWorld::new().await;
    crate::people::subscribe(desk.store(), &["00101"], &["a@example.org"]).await;
    let id = report_of_north(&desk).await;
    let own = format!("/desk/report/{id}");
    let (mut maria, _) = desk.signed_in("maria", Role::Staff, of_region("north")).await;
    maria.get(&own).await;
    maria.post(&format!("{own}/confirm"), &[]).await;
    desk.world.clock.advance(TimeDelta::minutes(2));
    let left: DateTime<Utc> = desk.world.clock.now();
    desk.store().release_due(left).await.unwrap();
    let recall = "<a href=\"/desk/notice/pinyon-needle-scale~north~2025~inspect-now#decide\">Recall it</a>";
    let set_aside = "It has been set aside since: what was sent stays as it is, unless it is recalled.";
    let page = maria.get(&own).await.body;
    assert!(page.contains("<h2>Notices that came of it</h2>") && page.contains(recall), "{page}");
    assert!(page.contains("Left because of the report that maria confirmed,") && !page.contains(set_aside), "{page}");
    desk.world.clock.advance(TimeDelta::minutes(10));
    judge(&desk, &id, Judgement::Refused).await;
    let page = maria.get(&own).await.body;
    assert!(page.contains("<h2>Notices that came of it</h2>") && page.contains(recall), "{page}");
    assert!(page.contains("Left because of a report that was confirmed then,") && page.contains(set_aside), "{page}");
    // Given a day of another year in the place of that, its season has none of them.
    judge(&desk, &id, Judgement::Confirmed).await;
    mend(&desk, &id, "2024-03-07").await;
    let page = maria.get(&own).await.body;
    assert!(page.contains("<h2>Notices that came of it</h2>") && page.contains(recall), "{page}");
}
