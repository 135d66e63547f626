//! Who confirms while a window is open is told on the page that it is time now.

use axum::http::StatusCode;
use treebell::season::{NoticeKind, SeasonKey};
use treebell::store::notices::NewNotice;

use super::sign_up::{link_in, world};
use crate::people::joining::out;
use crate::people::notices::texts;

const EMAIL: &str = "owner@example.org";

#[tokio::test]
async fn the_page_after_confirming_says_what_it_is_time_for_and_until_when() {
    let wash = [
        ("/sign-up", "en", "It is time now to wash your trees. Wash by April 19."),
        ("/es/sign-up", "es", "Ya es hora de lavar sus piñoneros. Lave a más tardar el 19 de abril."),
    ];
    for (path, language, says) in wash {
        let world = world().await;
        let season = SeasonKey { profile: "pinyon-needle-scale".into(), region: "dos-vientos".into(), year: 2025 };
        let notice = |kind, deadline: bool| {
            let mut new = NewNotice { season: season.clone(), ..out(kind, world.app.clock.now(), 14) };
            if !deadline {
                new.reason["deadline"] = serde_json::Value::Null;
            }
            new
        };
        let confirm = async |to: &str| {
            assert_eq!(world.sign_up(path, "00101", "", to, language).await.status, StatusCode::OK);
            let (_, _, words) = world.letter_to(to).await.expect("a letter");
            let done = world.post(&link_in(&words, "confirm"), &[]).await;
            assert_eq!(done.status, StatusCode::OK);
            done.body
        };
        let before = confirm("early@example.org").await;
        assert!(!before.contains("class=\"box good\""), "nothing is in force yet: {before}");

        world.app.store.put_notice(&notice(NoticeKind::InspectNow, false), &texts()).await.unwrap();
        let look = confirm("look@example.org").await;
        let not_yet = if language == "en" { "Do not wash yet" } else { "No lave todavía" };
        assert!(look.contains(not_yet) && !look.contains("April 19") && !look.contains("19 de abril"), "{look}");

        world.app.store.put_notice(&notice(NoticeKind::WashNow, true), &texts()).await.unwrap();
        let done = confirm(EMAIL).await;
        assert!(done.contains(says), "{done}");
        let own_page =
            if language == "en" { "href=\"/region/dos-vientos\"" } else { "href=\"/es/region/dos-vientos\"" };
        assert!(done.contains(own_page) && !done.contains(not_yet), "{done}");
    }
}
