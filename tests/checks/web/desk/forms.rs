//! Whose forms are taken, and what every answer of the desk carries.

use axum::http::StatusCode;
use axum::routing::get;
use treebell::people::account::{RegionReach, Role};
use treebell::web::desk::{ENTRIES, Entry, Needs};
use treebell::web::{self, Fault, Site};

use super::support::{DeskWorld, PASSWORD, SESSION};

#[tokio::test]
async fn a_form_without_its_token_or_with_one_of_another_browser_is_not_taken() {
    let desk = DeskWorld::new().await;
    let (mut olga, _) = desk.signed_in("olga", Role::Observer, RegionReach::default()).await;
    let (otto, _) = desk.signed_in("otto", Role::Observer, RegionReach::default()).await;
    for token in [String::new(), "0".into(), otto.token, "0".repeat(64)] {
        let mut forged = desk.browser();
        (forged.jar, forged.token) = (olga.jar.clone(), token.clone());
        let refused = forged.post("/desk/sign-out", &[]).await;
        assert_eq!(refused.status, StatusCode::BAD_REQUEST, "{token}");
        assert!(refused.body.contains("no longer good"), "{}", refused.body);
    }
    assert!(olga.is_in().await);
    // The sign-in itself as well: else somebody could be signed in as another.
    let mut browser = desk.browser();
    let form = [("name", "olga"), ("password", PASSWORD), ("next", "")];
    assert_eq!(browser.post("/desk/sign-in", &form).await.status, StatusCode::BAD_REQUEST);
    assert!(!browser.jar.contains_key(SESSION));
}

#[tokio::test]
async fn a_form_from_another_site_is_not_taken_and_one_that_says_nothing_is_not_either() {
    let desk = DeskWorld::new().await;
    let (mut olga, _) = desk.signed_in("olga", Role::Observer, RegionReach::default()).await;
    for headers in [
        [("sec-fetch-site", "cross-site")].as_slice(),
        &[("sec-fetch-site", "same-site")],
        &[("sec-fetch-site", "none")],
        &[("sec-fetch-site", "cross-site"), ("origin", "https://pinyon.example.org")],
        &[("origin", "https://example.org")],
        &[("origin", "http://pinyon.example.org")],
        &[("origin", "null")],
        &[],
    ] {
        let refused = olga.post_with("/desk/sign-out", &[], headers).await;
        assert_eq!(refused.status, StatusCode::BAD_REQUEST, "{headers:?}");
        assert!(olga.is_in().await, "{headers:?}");
    }
    let taken = olga.post_with("/desk/sign-out", &[], &[("origin", "https://pinyon.example.org")]).await;
    assert_eq!(taken.status, StatusCode::SEE_OTHER, "a browser without Sec-Fetch-Site says its origin");
    assert!(!olga.is_in().await);
}

#[tokio::test]
async fn what_is_sent_after_the_session_ended_is_not_done_when_somebody_signs_in() {
    let desk = DeskWorld::new().await;
    let (mut olga, _) = desk.signed_in("olga", Role::Observer, RegionReach::default()).await;
    desk.pass(chrono::TimeDelta::minutes(31));
    let led = olga.post("/desk/account/end-others", &[]).await;
    assert_eq!(led.header("location"), "/desk/sign-in?ended=yes");
    assert!(olga.get("/desk/sign-in?ended=yes").await.body.contains("was not taken"));
}

#[tokio::test]
async fn every_page_of_the_desk_is_as_strict_as_the_public_ones_and_kept_nowhere() {
    let desk = DeskWorld::new().await;
    let (mut olga, _) = desk.signed_in("olga", Role::Observer, RegionReach::default()).await;
    let public = desk.world.get("/").await.header("content-security-policy").to_owned();
    let mut nobody = desk.browser();
    for (signed_in, path) in [
        (false, "/desk/sign-in"),
        (false, "/desk/account"),
        (false, "/desk/invitation/none"),
        (false, "/desk/no-such-page"),
        (true, "/desk/account"),
        (true, "/desk/account/password"),
    ] {
        let answer = if signed_in { olga.get(path).await } else { nobody.get(path).await };
        assert_eq!(answer.header("content-security-policy"), public, "{path}");
        assert!(public.contains("default-src 'none'") && !public.contains("unsafe"), "{public}");
        assert_eq!(answer.header("cache-control"), "no-store", "{path}");
        // Under `no-referrer` a browser without Sec-Fetch-Site would send `Origin: null` with the desk's own forms.
        assert_eq!(answer.header("referrer-policy"), "same-origin", "{path}");
        assert!(!answer.body.contains("<script") && !answer.body.contains(" style="), "{path}");
        for cookie in answer.headers.get_all("set-cookie").iter().map(|cookie| cookie.to_str().unwrap()) {
            assert!(
                cookie.starts_with("__Host-") && cookie.contains("; Path=/; Secure; HttpOnly; SameSite="),
                "{cookie}"
            );
        }
    }
    assert!(!desk.world.get("/sign-up").await.headers.contains_key("set-cookie"), "the public pages set none");
}

#[tokio::test]
async fn what_somebody_types_stands_on_the_page_as_text() {
    let desk = DeskWorld::new().await;
    let mut browser = desk.browser();
    browser.get("/desk/sign-in?next=%22%3E%3Cb%3E").await;
    let answer = browser.post("/desk/sign-in", &[("name", "\"><b>x"), ("password", "y"), ("next", "\"><b>z")]).await;
    assert!(!answer.body.contains("<b>") && answer.body.contains("&lt;b&gt;x"), "{}", answer.body);
}

async fn broken() -> Result<String, Fault> {
    Err(Fault::Inside("broken for a check".into()))
}

/// Whoever works at the desk goes on from there, and the public pages' head would lead them away.
#[tokio::test]
async fn what_is_wrong_is_told_in_the_frame_of_the_desk_with_a_way_on() {
    const BROKEN: Entry = Entry::page("/desk/try/broken", Needs::Nothing, || get(broken));
    let mut desk = DeskWorld::new().await;
    let all: Vec<Entry> = ENTRIES.iter().chain([&BROKEN]).map(|entry| Entry { ..*entry }).collect();
    desk.world.router = web::router_with(&Site::new(desk.world.app.clone()).unwrap(), &all);
    let (mut olga, _) = desk.signed_in("olga", Role::Observer, RegionReach::default()).await;
    let mut stranger = desk.browser();
    let token = olga.token.clone();
    let stale = {
        olga.token = "0".into();
        let stale = olga.post("/desk/sign-out", &[]).await;
        olga.token = token;
        stale
    };
    let forbidden = olga.get("/desk/new-region").await;
    for (answer, status, way) in [
        (stale, StatusCode::BAD_REQUEST, "/desk/today"),
        (forbidden, StatusCode::FORBIDDEN, "/desk/account"),
        (olga.get("/desk/nothing").await, StatusCode::NOT_FOUND, "/desk/today"),
        (olga.get("/desk/sign-out").await, StatusCode::METHOD_NOT_ALLOWED, "/desk/today"),
        (olga.get("/desk/try/broken").await, StatusCode::INTERNAL_SERVER_ERROR, "/desk/today"),
        (stranger.get("/desk/nothing").await, StatusCode::NOT_FOUND, "/desk/sign-in"),
        (stranger.get("/desk/try/broken").await, StatusCode::INTERNAL_SERVER_ERROR, "/desk/sign-in"),
    ] {
        assert_eq!(answer.status, status, "{}", answer.body);
        assert!(answer.body.contains("<body class=\"desk\">"), "{status}: {}", answer.body);
        let way = format!("href=\"{way}\">");
        let main = answer.body.split("<main").nth(1).unwrap();
        assert!(main.contains(&way), "{status}: {main}");
        let signed_in = answer.body.contains("<nav aria-label=\"Desk\">") && answer.body.contains("(olga)");
        assert_eq!(signed_in, !way.contains("sign-in"), "{status}: {}", answer.body);
        assert_eq!(answer.header("cache-control"), "no-store");
        assert_eq!(answer.header("referrer-policy"), "same-origin");
    }
    // Where there is no desk, nothing of it is shown.
    let without = super::super::support::World::empty(|_| {}).await;
    let answer = without.get("/desk/nothing").await;
    assert_eq!(answer.status, StatusCode::NOT_FOUND);
    assert!(!answer.body.contains("class=\"desk\""), "{}", answer.body);
}
