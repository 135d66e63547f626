//! How long a session lasts, and what ends it.

use axum::http::StatusCode;
use chrono::TimeDelta;
use sqlx::{AnyConnection, AssertSqlSafe, Connection};
use treebell::clock::Clock;
use treebell::people::account::{Account, RegionReach, Role};
use treebell::randomness::Randomness;
use treebell::service::desk;
use treebell::service::desk::{CodeGiven, Credentials, PasswordChanged, PasswordGiven, Place};
use treebell::store::Engine;

use super::support::{Browser, DEVICE, DeskWorld, PASSWORD, SESSION, name, of_region};
use crate::engines::{at_each_address, every_row, on_each_engine};
use crate::support::open_store;

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
        desk.pass(TimeDelta::minutes(1));
        let (mut second, mut third) = (another(&desk, "olga").await, another(&desk, "olga").await);
        let (mut stranger, _) = desk.signed_in("otto", Role::Observer, RegionReach::default()).await;
        let page = here.get("/desk/account").await.body;
        // Alike in all else, each has a number by its beginning, and this one is marked.
        let numbered = |nth: u32| {
            page.split(&format!("Firefox on Android ({nth})</b>")).nth(1).unwrap_or_else(|| panic!("{page}"))
        };
        let marked = |nth: u32| numbered(nth).split("</li>").next().unwrap().contains("this one");
        assert_eq!([1, 2, 3].map(marked), [true, false, false], "{page}");
        assert!(page.matches("; last used ").count() == 3 && page.matches(">began ").count() == 3, "{page}");
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
        let page = here.get("/desk/account").await.body;
        assert!(
            page.contains("Firefox on Android</b>") && !page.contains("numbered"),
            "alone it has no number: {page}"
        );
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
        assert!(
            refused.status == StatusCode::UNPROCESSABLE_ENTITY && refused.body.matches("password</a>").count() == 1
        );
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
        let token = desk::change(&store, &raised, TimeDelta::hours(1), now).await.unwrap();
        assert!(!olga.is_in().await, "a session of a password alone is none for who may release");
        assert_eq!(olga.give_password("olga", PASSWORD).await.header("location"), "/desk/sign-in?invited=yes");
        let invitation = format!("/desk/invitation/{}", token.expect("a raise to a role with a second factor invites"));
        olga.get(&invitation).await;
        let set = olga.post(&invitation, &[("password", PASSWORD), ("again", PASSWORD)]).await;
        assert_eq!(set.header("location"), "/desk/second-factor");
        assert_eq!(desk::change(&store, &raised, TimeDelta::hours(1), now).await.unwrap(), None, "no raise");
        desk::remove(&store, &name("olga"), now).await.unwrap();
        assert_eq!(olga.give_password("olga", PASSWORD).await.status, StatusCode::UNPROCESSABLE_ENTITY);
        let again = desk::add(&store, &raised, TimeDelta::hours(1), now).await.unwrap_err().to_string();
        assert!(again.contains("choose another name"), "{again}");
        assert!(!desk.acts_on("olga").await.is_empty(), "the audit tells by name still");
    })
    .await;
}

#[tokio::test]
async fn what_is_in_flight_does_not_survive_a_reset_a_lock_or_an_end_of_sessions() {
    on_each_engine("desk in flight", |store| async move {
        let desk = DeskWorld::on(store.clone()).await;
        let app = &desk.world.app;
        let credentials = Credentials::of(&app.config, &Randomness::seeded(3)).unwrap().unwrap();
        let place = Place { network: "192.0.2.0".parse().unwrap(), device: None, browser: "a browser" };
        let new = "eleven quiet herons wade";
        for how in ["reset", "lock", "end"] {
            let who = format!("olga-{how}");
            let step_in = async || {
                let now = desk.world.clock.now();
                match how {
                    "reset" => {
                        desk::invite_anew(&store, &name(&who), TimeDelta::hours(1), now).await.unwrap();
                    }
                    "lock" => {
                        desk::lock(&store, &name(&who), now).await.unwrap();
                    }
                    _ => {
                        desk::end_all(&store, &name(&who)).await.unwrap();
                    }
                }
            };
            let (browser, _) = desk.signed_in(&who, Role::Observer, RegionReach::default()).await;
            let now = desk.world.clock.now();
            let seen = store.desk_session(&desk::digest(&browser.jar[SESSION]), now).await.unwrap().unwrap();
            step_in().await;
            let signed = (&seen.0, &seen.1);
            let changed = desk::change_password(app, &credentials, signed, (PASSWORD, new), place).await.unwrap();
            assert!(matches!(changed, PasswordChanged::Over), "{how}: {changed:?}");
            let begun = desk::start_first(app, &credentials, signed, PASSWORD, place).await.unwrap();
            assert!(matches!(begun, PasswordGiven::Wrong), "{how}: {begun:?}");
            assert!(store.desk_sessions(&name(&who), now).await.unwrap().is_empty(), "{how}");
            assert_eq!(desk.browser().give_password(&who, new).await.status, StatusCode::UNPROCESSABLE_ENTITY, "{how}");

            let who = format!("maria-{how}");
            let (_, secret) = desk.signed_in(&who, Role::Staff, of_region("north")).await;
            let mut half = desk.browser();
            half.give_password(&who, PASSWORD).await;
            let now = desk.world.clock.now();
            let seen = store.desk_session(&desk::digest(&half.jar[SESSION]), now).await.unwrap().unwrap();
            match how {
                "reset" => drop(desk::invite_anew(&store, &name(&who), TimeDelta::hours(1), now).await.unwrap()),
                "lock" => assert!(desk::lock(&store, &name(&who), now).await.unwrap()),
                _ => assert_eq!(desk::end_all(&store, &name(&who)).await.unwrap(), 2),
            }
            let given = desk::by_code(app, &credentials, (&seen.0, &seen.1), &desk.code(&secret), place).await.unwrap();
            assert!(matches!(given, CodeGiven::Over), "{how}: {given:?}");
        }
    })
    .await;
}

#[tokio::test]
async fn a_sign_in_whose_password_is_being_looked_at_does_not_survive_a_reset() {
    on_each_engine("desk sign-in in flight", |store| async move {
        let desk = DeskWorld::on(store.clone()).await;
        let app = &desk.world.app;
        desk.signed_in("olga", Role::Observer, RegionReach::default()).await;
        let now = desk.world.clock.now();
        let credentials = Credentials::of(&app.config, &Randomness::seeded(3)).unwrap().unwrap();
        let place = Place { network: "192.0.2.0".parse().unwrap(), device: None, browser: "a browser" };
        let before = every_row(&store).await["sign_in_tries"].clone();
        let reset = async {
            // Until the try is counted, after which the password is looked at; whichever ends first, no session may be left.
            for _ in 0..1000 {
                if every_row(&store).await["sign_in_tries"] != before {
                    break;
                }
            }
            desk::invite_anew(&store, &name("olga"), TimeDelta::hours(1), now).await.unwrap();
        };
        let (signed, ()) = tokio::join!(desk::by_password(app, &credentials, ("olga", PASSWORD), place, None), reset);
        signed.unwrap();
        assert!(store.desk_sessions(&name("olga"), now).await.unwrap().is_empty());
    })
    .await;
}

// A desk that closes when the disk is full would show nobody what goes wrong.
#[tokio::test]
async fn a_store_that_takes_no_write_is_read_on() {
    at_each_address("desk without writes", |address| async move {
        let store = open_store(&address).await.unwrap();
        let desk = DeskWorld::on(store.clone()).await;
        let (mut olga, _) = desk.signed_in("olga", Role::Observer, RegionReach::default()).await;
        let refuse = match store.engine() {
            Engine::Sqlite => {
                "CREATE TRIGGER no_write BEFORE UPDATE ON desk_sessions BEGIN SELECT RAISE(ABORT, 'no write'); END"
            }
            Engine::Postgres => "ALTER TABLE desk_sessions ADD CONSTRAINT no_write CHECK (seen_at = created_at)",
        };
        let mut beside = AnyConnection::connect(&address).await.unwrap();
        sqlx::query(AssertSqlSafe(refuse)).execute(&mut beside).await.unwrap();
        beside.close().await.unwrap();
        desk.pass(TimeDelta::minutes(2));
        assert!(olga.is_in().await);
        store.close().await;
    })
    .await;
}
