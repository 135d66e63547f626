//! How long a session lasts, and what ends it.

use axum::http::StatusCode;
use chrono::TimeDelta;
use treebell::clock::Clock;
use treebell::people::account::{Account, RegionReach, Role};
use treebell::service::desk;

use super::support::{Browser, DEVICE, DeskWorld, PASSWORD, SESSION, name, of_region};
use crate::engines::on_each_engine;

#[tokio::test]
async fn a_session_ends_after_half_an_hour_without_a_click() {
    let desk = DeskWorld::new().await;
    let (mut browser, _) = desk.signed_in("olga", Role::Observer, RegionReach::default()).await;
    for _ in 0..3 {
        desk.pass(TimeDelta::minutes(29));
        assert!(browser.is_in().await, "each click begins the half hour anew");
    }
    desk.pass(TimeDelta::minutes(30));
    assert!(!browser.is_in().await);
}

#[tokio::test]
async fn a_session_ends_after_twelve_hours_whatever_is_done() {
    let desk = DeskWorld::new().await;
    let (mut browser, _) = desk.signed_in("olga", Role::Observer, RegionReach::default()).await;
    for _ in 0..35 {
        desk.pass(TimeDelta::minutes(20));
        assert!(browser.is_in().await);
    }
    desk.pass(TimeDelta::minutes(20));
    assert!(!browser.is_in().await, "twelve hours are over");
}

#[tokio::test]
async fn a_token_of_before_is_worth_nothing_after_each_step() {
    let desk = DeskWorld::new().await;
    let (_, secret) = desk.signed_in("maria", Role::Staff, of_region("north")).await;
    let mut browser = desk.browser();
    // A token that somebody planted.
    browser.jar.insert(SESSION.into(), "0".repeat(64));
    browser.give_password("maria", PASSWORD).await;
    let half = browser.jar[SESSION].clone();
    assert_ne!(half, "0".repeat(64));
    browser.give_code(&desk.code(&secret)).await;
    let whole = browser.jar[SESSION].clone();
    assert_ne!(whole, half);
    assert!(browser.is_in().await);
    for old in ["0".repeat(64), half] {
        let mut thief = desk.browser();
        thief.jar.insert(SESSION.into(), old);
        assert!(!thief.is_in().await);
        assert!(
            thief.get("/desk/code").await.header("location").starts_with("/desk/sign-in"),
            "the half-done one is gone too"
        );
    }
    // Signing in again in one browser leaves no second session behind.
    desk.pass(TimeDelta::seconds(60));
    browser.post("/desk/sign-in", &[("name", "maria"), ("password", PASSWORD), ("next", "")]).await;
    let mut thief = desk.browser();
    thief.jar.insert(SESSION.into(), whole);
    assert!(!thief.is_in().await);
}

async fn another<'a>(desk: &'a DeskWorld, who: &str) -> Browser<'a> {
    let mut browser = desk.browser_at("198.51.100.9");
    browser.give_password(who, PASSWORD).await;
    assert!(browser.is_in().await);
    browser
}

#[tokio::test]
async fn sessions_are_listed_and_ended_one_by_one_or_all_but_this() {
    on_each_engine("desk sessions", |store| async move {
        let desk = DeskWorld::on(store).await;
        let (mut here, _) = desk.signed_in("olga", Role::Observer, RegionReach::default()).await;
        let (mut second, mut third) = (another(&desk, "olga").await, another(&desk, "olga").await);
        let (mut stranger, _) = desk.signed_in("otto", Role::Observer, RegionReach::default()).await;
        let page = here.get("/desk/account").await.body;
        assert_eq!(page.matches("Firefox on Android</b>").count(), 3, "{page}");
        assert!(page.contains("198.51.100.0") && !page.contains("198.51.100.9"), "the network, not the address");
        let ids: Vec<String> = page
            .split("name=\"session\" value=\"")
            .skip(1)
            .map(|rest| rest.split('"').next().unwrap().to_owned())
            .collect();
        assert_eq!(ids.len(), 2, "this one is ended by signing out");
        // Nobody ends sessions of another account.
        stranger.post("/desk/account/end-session", &[("session", &ids[0])]).await;
        assert!(second.is_in().await && third.is_in().await);
        let ended = here.post("/desk/account/end-session", &[("session", &ids[0])]).await;
        assert_eq!(ended.header("location"), "/desk/account?done=ended");
        assert_eq!([second.is_in().await, third.is_in().await].iter().filter(|is| **is).count(), 1);
        here.post("/desk/account/end-others", &[]).await;
        assert!(!second.is_in().await && !third.is_in().await && here.is_in().await && stranger.is_in().await);
        let left = here.post("/desk/sign-out", &[]).await;
        assert_eq!(left.header("location"), "/desk/sign-in?out=yes");
        assert!(!here.jar.contains_key(SESSION) && here.jar.contains_key(DEVICE));
        let acts: Vec<String> = desk.acts_on("olga").await.into_iter().map(|(act, _)| act).collect();
        assert_eq!(acts[acts.len() - 3..], ["session-ended", "session-ended", "signed-out"]);
    })
    .await;
}

#[tokio::test]
async fn a_changed_password_ends_all_other_sessions_and_wants_the_old_one() {
    let desk = DeskWorld::new().await;
    let (mut here, _) = desk.signed_in("olga", Role::Observer, RegionReach::default()).await;
    let mut other = another(&desk, "olga").await;
    let new = "eleven quiet herons wade";
    here.get("/desk/account/password").await;
    let wrong = here.post("/desk/account/password", &[("old", "not it"), ("password", new), ("again", new)]).await;
    assert!(
        wrong.status == StatusCode::UNPROCESSABLE_ENTITY && wrong.body.contains("not your password"),
        "{}",
        wrong.body
    );
    let weak =
        here.post("/desk/account/password", &[("old", PASSWORD), ("password", "short"), ("again", "short")]).await;
    assert!(weak.status == StatusCode::UNPROCESSABLE_ENTITY && weak.body.contains("Too short"), "{}", weak.body);
    assert!(other.is_in().await);
    let before = here.jar[SESSION].clone();
    let done = here.post("/desk/account/password", &[("old", PASSWORD), ("password", new), ("again", new)]).await;
    assert_eq!(done.header("location"), "/desk/account?done=password", "{}", done.body);
    assert!(here.is_in().await && !other.is_in().await);
    assert_ne!(here.jar[SESSION], before);
    assert_eq!(desk.browser().give_password("olga", PASSWORD).await.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert_eq!(desk.browser().give_password("olga", new).await.status, StatusCode::SEE_OTHER);
}

#[tokio::test]
async fn locks_resets_removals_and_a_higher_role_end_sessions_at_once() {
    on_each_engine("desk locks", |store| async move {
        let desk = DeskWorld::on(store.clone()).await;
        let now = desk.world.clock.now();
        let (mut maria, secret) = desk.signed_in("maria", Role::Staff, of_region("north")).await;
        desk::lock(&store, &name("maria"), now).await.unwrap();
        assert!(!maria.is_in().await);
        let refused = maria.give_password("maria", PASSWORD).await;
        assert!(refused.status == StatusCode::UNPROCESSABLE_ENTITY && refused.body.contains("do not fit together"));
        desk::unlock(&store, &name("maria")).await.unwrap();
        maria.give_password("maria", PASSWORD).await;
        maria.give_code(&desk.code(&secret)).await;
        assert!(maria.is_in().await);
        assert_eq!(desk::end_all(&store, &name("maria")).await.unwrap(), 1);
        assert!(!maria.is_in().await);
        desk::invite_anew(&store, &name("maria"), TimeDelta::hours(1), now).await.unwrap();
        assert_eq!(maria.give_password("maria", PASSWORD).await.status, StatusCode::UNPROCESSABLE_ENTITY);

        let (mut olga, _) = desk.signed_in("olga", Role::Observer, RegionReach::default()).await;
        let raised = Account { name: name("olga"), role: Role::Administrator, reach: RegionReach::default() };
        desk::change(&store, &raised).await.unwrap();
        assert!(!olga.is_in().await, "a session of a password alone is none for who may release");
        assert_eq!(olga.give_password("olga", PASSWORD).await.header("location"), "/desk/second-factor");
        desk::remove(&store, &name("olga"), now).await.unwrap();
        assert_eq!(olga.give_password("olga", PASSWORD).await.status, StatusCode::UNPROCESSABLE_ENTITY);
        let again = desk::add(&store, &raised, TimeDelta::hours(1), now).await.unwrap_err().to_string();
        assert!(again.contains("choose another name"), "{again}");
        assert!(!desk.acts_on("olga").await.is_empty(), "the audit tells by name still");
    })
    .await;
}
