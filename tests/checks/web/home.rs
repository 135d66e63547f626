//! The first page and the way from a ZIP code to its region.

use axum::http::StatusCode;

use super::season::{Season, well_formed};
use super::support::World;

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_zip_code_leads_to_its_region_and_an_uncovered_one_to_an_honest_answer() {
    let season = Season::new().await;
    let world = season.on("2025-03-10").await;
    for (asked, language) in [("/find?zip=00201", ""), ("/es/find?zip=+00201-1234+", "/es")] {
        let answer = world.get(asked).await;
        assert_eq!(answer.status, StatusCode::SEE_OTHER, "{asked}");
        assert_eq!(answer.header("location"), format!("{language}/region/dos-vientos?zip=00201"));
    }
    let uncovered = world.get("/find?zip=00399").await;
    assert_eq!(uncovered.status, StatusCode::OK);
    assert!(uncovered.body.contains("We do not watch 00399 yet") && uncovered.body.contains("action=\"/wish\""));
    well_formed(&uncovered.body);
    for wrong in ["/find", "/find?zip=", "/find?zip=123", "/find?zip=%3Cscript%3E"] {
        let answer = world.get(wrong).await;
        assert_eq!(answer.status, StatusCode::BAD_REQUEST, "{wrong}");
        assert!(answer.body.contains("aria-invalid=\"true\"") && !answer.body.contains("<script"), "{wrong}");
        well_formed(&answer.body);
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_first_page_lists_all_regions_in_the_order_of_their_windows() {
    let season = Season::new().await;
    let world = season.on("2025-02-01").await;
    for path in ["/", "/es"] {
        let page = world.get(path).await.body;
        well_formed(&page);
        assert!(page.len() < 100_000);
        let place = |name: &str| page.find(&format!("<b>{name}</b>")).unwrap_or_else(|| panic!("{path}: {name}"));
        assert!(place("Cobre Bend") < place("Dos Vientos"), "the lower comes first");
        assert!(place("Dos Vientos") < place("Mesa Callada"));
        assert!(page.contains("/sign-up\""), "{path}");
    }
}

#[tokio::test]
async fn without_regions_the_first_page_says_so() {
    let world = World::empty(|_| {}).await;
    assert!(world.get("/").await.body.contains("No region is watched yet"));
}
