//! What pages of a practice say of its clock, over a practice that does nothing.

use std::sync::{Arc, Mutex};
use std::time::Duration;

use async_trait::async_trait;
use axum::http::StatusCode;
use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use treebell::clock::{Clock, ManualClock, SystemClock};
use treebell::people::account::{RegionReach, Role};
use treebell::season::{NoticeId, NoticeKind};
use treebell::service::practice::{Goal, Lived, Message, Practice, PracticeFault, Standing, Step, Went};
use treebell::store::accounts::StoredAccount;
use treebell::store::notices::{NewNotice, NoticeRelease};

use crate::people::notices::notice;
use crate::web::desk::matrix::notice_of_north;
use crate::web::desk::support::{DeskWorld, of_region};

/// Stands where a check puts it.
struct Put {
    standing: Mutex<Standing>,
    now: DateTime<Utc>,
    last_day: Mutex<NaiveDate>,
}

#[async_trait]
impl Practice for Put {
    fn now(&self) -> DateTime<Utc> {
        self.now
    }

    fn season(&self) -> i32 {
        2025
    }

    fn last_day(&self) -> NaiveDate {
        *self.last_day.lock().unwrap()
    }

    fn standing(&self) -> Standing {
        self.standing.lock().unwrap().clone()
    }

    async fn step(&self, _: Step, _: Duration) -> Result<(), PracticeFault> {
        Err(PracticeFault::Busy)
    }

    async fn begin_again(&self) -> Result<(), PracticeFault> {
        Err(PracticeFault::Busy)
    }

    async fn messages(&self, _: usize) -> std::io::Result<Vec<Went>> {
        Ok(Vec::new())
    }

    async fn message(&self, _: &str) -> std::io::Result<Option<Message>> {
        Ok(None)
    }

    fn code(&self, _: &StoredAccount) -> Option<String> {
        None
    }
}

#[tokio::test]
async fn pages_say_where_the_clock_is_moving_to_and_lead_to_what_came_up() {
    let real = DeskWorld::new().await;
    // The sign-in of a practice goes by this machine's clock.
    let now = SystemClock.now();
    let clock = Arc::new(ManualClock::at(now));
    let put = Arc::new(Put { standing: Mutex::new(Standing::Still(None)), now, last_day: Mutex::new(NaiveDate::MAX) });
    let app = treebell::service::app::App { clock: clock.clone(), ..real.world.app.clone() };
    let desk = DeskWorld::practising(&app, clock, put.clone());
    let (mut nora, _) = desk.signed_in("nora", Role::Staff, of_region("north")).await;
    let stand = |standing: Standing| *put.standing.lock().unwrap() = standing;
    let quiet = nora.get("/desk/today").await.body;
    let next = "<a class=\"go\" href=\"/desk/practice#clock\">Move the clock to the next notice</a>";
    assert!(quiet.contains("Nothing waits for you.") && quiet.contains(next), "{quiet}");
    let (mut olga, _) = desk.signed_in("olga", Role::Observer, RegionReach::default()).await;
    assert!(quiet.contains("<a href=\"/desk/practice\">Move the clock</a>"), "{quiet}");
    for path in ["/desk/today", "/desk/practice"] {
        assert!(!olga.get(path).await.body.contains("Move the clock"), "who may only look moves no clock");
    }

    let monday: DateTime<Utc> = "2025-03-17T15:00:00Z".parse().unwrap();
    for (goal, said) in [(Goal::At(monday), "Mon, Mar 17, "), (Goal::NextNotice, "the next notice")] {
        stand(Standing::Moving(goal));
        let said = format!("The clock is moving to {said}");
        let today = nora.get("/desk/today").await.body;
        assert!(today.matches(&said).count() >= 2 && today.contains("href=\"/desk/today\">Look again"), "{today}");
        assert!(!today.contains("Nothing waits"), "nobody knows that yet: {today}");
        for path in ["/desk/people", "/desk/practice"] {
            assert!(nora.get(path).await.body.contains(&said), "{path}");
        }
    }

    // Nothing that somebody has opened is closed while the clock moves: the next page comes when it stands.
    let moving = nora.get("/desk/practice").await;
    assert_eq!(moving.header("refresh"), "1; url=/desk/practice?wait=yes");
    let stops = async {
        tokio::time::sleep(Duration::from_millis(250)).await;
        stand(Standing::Still(None));
    };
    let (stood, ()) = tokio::join!(nora.get("/desk/practice?wait=yes"), stops);
    assert!(!stood.body.contains("is moving") && stood.header("refresh").is_empty(), "{}", stood.body);

    // Who may only look moves nothing and begins nothing again.
    for form in ["move", "begin-again"] {
        let path = format!("/desk/practice/{form}");
        assert_eq!(olga.post(&path, &[("step", "day")]).await.status, StatusCode::FORBIDDEN, "{form}");
        assert_eq!(nora.post(&path, &[("step", "day")]).await.status, StatusCode::CONFLICT, "{form}");
        let action = format!("action=\"{path}\"");
        assert!(nora.get("/desk/practice").await.body.contains(&action), "{form}");
        let page = olga.get("/desk/practice").await;
        assert_eq!(page.status, StatusCode::OK, "{}", page.body);
        assert!(!page.body.contains(&action), "{form}: {}", page.body);
    }

    // The page is named after what it says, and its heading after what whoever reads it can do.
    let title = |body: &str| body.split("<title>").nth(1).unwrap().split(" · Desk").next().unwrap().to_owned();
    let page = nora.get("/desk/practice").await.body;
    let today = now.with_timezone(&app.config.schedule.time_zone).format("%A, %B %-d, %Y");
    assert!(page.contains(&format!("<p class=\"lead\">{today}</p>")), "{today}: {page}");
    assert_eq!(title(&page), "Practice");
    let refused = nora.post("/desk/practice/move", &[("step", "day")]).await.body;
    assert_eq!(title(&refused), "Please check · Practice");
    *put.last_day.lock().unwrap() = NaiveDate::MIN;
    for (browser, heading) in [(&mut nora, "Move the clock"), (&mut olga, "The clock")] {
        let page = browser.get("/desk/practice").await.body;
        assert!(page.contains("The season is over."), "{page}");
        assert!(page.contains(&format!("<h2 id=\"clock\">{heading}</h2>")), "{heading}: {page}");
    }
    *put.last_day.lock().unwrap() = NaiveDate::MAX;

    let lived = |messages| Lived {
        from: now - TimeDelta::days(1),
        to: now,
        cycles: 1,
        decided: Vec::new(),
        released: Vec::new(),
        messages,
        reports: 0,
        faults: Vec::new(),
        season_over: false,
    };
    stand(Standing::Still(Some(lived(0))));
    let page = nora.get("/desk/practice").await;
    assert_eq!(page.status, StatusCode::OK, "{}", page.body);
    assert!(page.body.contains("Nothing waits for a word.") && !page.body.contains("is moving"), "{}", page.body);
    notice_of_north(&desk).await;
    stand(Standing::Still(Some(lived(12))));
    let page = nora.get("/desk/practice").await.body;
    for link in [
        "<a href=\"/desk/today#word\">1 notice needs a word</a>",
        "<a href=\"/desk/practice/messages\">12 messages went</a>",
    ] {
        assert!(page.contains(link), "{link}: {page}");
    }

    // What left with nobody asked is no decision that waits.
    let facts = crate::desk::facts("north");
    let texts = crate::desk::texts_of(&app.templates.in_use(), NoticeKind::GetReady, &facts);
    let new = NewNotice {
        facts: serde_json::to_value(&facts).unwrap(),
        // Long enough ago that its messages left, whatever the hour is here.
        decided_at: now - TimeDelta::days(2),
        expires_at: now + TimeDelta::days(30),
        ..notice(NoticeKind::GetReady, NoticeRelease::Release)
    };
    app.store.put_notice(&new, &texts).await.unwrap();
    let id: NoticeId = "pinyon-needle-scale/north/2026/get-ready".into();
    stand(Standing::Still(Some(Lived { decided: vec![id.clone()], released: vec![id], ..lived(12) })));
    let page = nora.get("/desk/practice").await.body;
    assert!(page.contains("<a href=\"#left\">1 notice has left by itself</a>"), "{page}");
    assert!(page.contains("Left by itself on ") && !page.contains("<h3>Decided</h3>"), "{page}");
}
