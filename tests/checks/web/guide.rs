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
