//! Links: none of a page of ours leads to a host that a visitor names; those to one's settings come to an end.

use axum::body::Body;
use axum::http::{Request, StatusCode};
use chrono::TimeDelta;
use treebell::people::{Address, Reach};
use treebell::service::subscribe::stop::{StopRequest, stop};
use treebell::service::subscribe::tokens::Purpose;
use treebell::store::addresses::AddressStatus;

use super::sign_up::world;
use super::support::World;
use crate::engines::on_each_engine;

const EMAIL: &str = "owner@example.org";

/// What a browser takes for another host: `//host` and, since it reads `\` as `/`, `/\host`.
#[tokio::test]
async fn no_path_makes_a_link_to_another_site() {
    let world = world().await;
    for start in ["/es//", "/es/\\", "/es///", "/es/\\/", "//", "/\\", "/es//\\"] {
        let path = format!("{start}evil.example/");
        let answer = world.get(&path).await;
        assert!(answer.status.is_client_error(), "{path}: {}", answer.status);
        for attribute in ["href", "src", "action", "content"] {
            for off_site in ["//", "/\\", "\\", "/&#x2f;", "&#x2f;&#x2f;", "&#x2f;\\"] {
                let link = format!("{attribute}=\"{off_site}");
                assert!(!answer.body.contains(&link), "{path} gives {link}\n{}", answer.body);
            }
        }
        assert!(answer.body.contains("evil.example"), "the page links to itself in the other language");
    }
}

#[tokio::test]
async fn one_click_ends_the_messages_wherever_it_is_sent_from() {
    for (name, value) in [
        ("origin", "https://mail.example.org"),
        ("origin", "null"),
        ("sec-fetch-site", "cross-site"),
        ("sec-fetch-site", "same-site"),
    ] {
        for before in ["", "/es"] {
            let world = world().await;
            world.subscribe(EMAIL).await;
            let path = format!("{before}/stop/{}", world.token(Purpose::Stop, EMAIL));
            // RFC 8058, section 3.2: the body is a form, of either kind.
            let request = Request::post(path)
                .header(name, value)
                .header("content-type", "application/x-www-form-urlencoded")
                .body(Body::from("List-Unsubscribe=One-Click"));
            let answer = world.ask(request.unwrap()).await;
            assert_eq!(answer.status, StatusCode::OK, "{name}: {value}");
            assert_eq!(world.standing(EMAIL).await.unwrap().0, AddressStatus::Stopped, "{name}: {value}");
            // Every other form stays closed to other sites; `null` names none.
            let request = Request::post("/sign-up").header(name, value).body(Body::empty());
            let refused = world.ask(request.unwrap()).await.status == StatusCode::BAD_REQUEST;
            assert_eq!(refused, value != "null", "{name}: {value}");
        }
    }
}

#[tokio::test]
async fn a_link_to_ones_settings_ends_after_its_time() {
    let world = World::empty(|config| config.web.preferences_link_days = 30).await.with_regions().await;
    world.subscribe(EMAIL).await;
    let link = format!("/preferences/{}", world.token(Purpose::Preferences, EMAIL));
    world.clock.advance(TimeDelta::days(29));
    assert_eq!(world.get(&link).await.status, StatusCode::OK);
    world.clock.advance(TimeDelta::days(1));
    let over = world.get(&link).await;
    assert_eq!(over.status, StatusCode::NOT_FOUND);
    assert!(over.body.contains("/preferences\""), "it says where to get another: {}", over.body);
    assert_eq!(world.post(&link, &[("action", "stop")]).await.status, StatusCode::NOT_FOUND);
    assert_eq!(world.standing(EMAIL).await.unwrap().0, AddressStatus::Confirmed);
    // What ends the messages has no end.
    world.clock.advance(TimeDelta::days(4000));
    world.post(&format!("/stop/{}", world.token(Purpose::Stop, EMAIL)), &[]).await;
    assert_eq!(world.standing(EMAIL).await.unwrap().0, AddressStatus::Stopped);
}

#[tokio::test]
async fn a_link_to_ones_settings_ends_with_an_erasure() {
    on_each_engine("links after an erasure", |store| async move {
        let world = World::on(store.clone(), |_| {}).with_regions().await;
        world.subscribe(EMAIL).await;
        let old = format!("/preferences/{}", world.token(Purpose::Preferences, EMAIL));
        assert_eq!(world.get(&old).await.status, StatusCode::OK);
        world.clock.advance(TimeDelta::minutes(1));
        let address = Address::parse(EMAIL, Reach::NorthAmerica).unwrap();
        stop(&store, &*world.clock, StopRequest::Erase(&address), "asked by phone").await.unwrap();
        assert_eq!(world.get(&old).await.status, StatusCode::NOT_FOUND);
    })
    .await;
}
