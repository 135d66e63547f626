//! The key: drawings of our own, described in words, with their sources.

use axum::http::StatusCode;

use super::season::well_formed;
use super::support::World;

#[tokio::test]
async fn the_guide_shows_and_describes_every_drawing_in_both_languages() {
    let world = World::empty(|_| {}).await;
    for (path, safe) in [("/guide", "power lines"), ("/es/guide", "cables de luz")] {
        let page = world.get(path).await.body;
        well_formed(&page);
        assert!(page.len() < 100_000 && page.contains(safe) && page.contains("AZ1315"), "{path}");
        let drawings: Vec<&str> =
            page.split("<img src=\"").skip(1).map(|rest| rest.split('"').next().unwrap()).collect();
        assert_eq!(drawings.len(), 8, "{path}: the mark and seven drawings");
        for drawing in drawings {
            let answer = world.get(drawing).await;
            assert_eq!(
                (answer.status, answer.header("content-type")),
                (StatusCode::OK, "image/svg+xml; charset=utf-8"),
                "{drawing}"
            );
            let document = roxmltree::Document::parse(&answer.body).unwrap();
            assert!(document.descendants().filter(|node| node.is_element()).count() >= 5, "{drawing} is drawn");
        }
        assert!(page.matches("<img ").count() == page.matches(" alt=\"").count());
        assert_eq!(page.matches("alt=\"\"").count(), 1, "only the mark beside the name says nothing");
    }
}

/// Before, an address that somebody typed with a slash behind was not found.
#[tokio::test]
async fn a_slash_behind_the_path_of_a_page_leads_to_the_page_for_good() {
    let root = World::empty(|_| {}).await;
    let below = World::empty(|config| config.messages.public_url = "https://pinyon.example.org/scale".into()).await;
    for (world, asked, led) in [
        (&root, "/guide/", "/guide"),
        (&root, "/es/guide/", "/es/guide"),
        (&root, "/region/santa-uno/", "/region/santa-uno"),
        (&root, "/es/region/santa-uno/?zip=00101", "/es/region/santa-uno?zip=00101"),
        (&root, "/sign-up/?zip=00101", "/sign-up?zip=00101"),
        (&root, "/privacy/", "/privacy"),
        (&root, "/confirm/", "/confirm"),
        (&root, "/preferences/", "/preferences"),
        (&below, "/scale/guide/", "/scale/guide"),
        (&below, "/scale/es/region/santa-uno/?zip=00101", "/scale/es/region/santa-uno?zip=00101"),
    ] {
        let answer = world.get(asked).await;
        assert_eq!((answer.status, answer.header("location")), (StatusCode::PERMANENT_REDIRECT, led), "{asked}");
    }
    for path in ["/guide//", "/nothing/", "/region/"] {
        assert_eq!(root.get(path).await.status, StatusCode::NOT_FOUND, "{path}");
    }
}
