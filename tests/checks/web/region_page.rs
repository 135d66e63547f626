//! A region's page through a season: what it says and what it is worth to caches.

use axum::body::Body;
use axum::http::{Request, StatusCode};

use treebell::weather::feeds::acis_grid::{Grid, source_of};

use super::season::{STAGES, Season};

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_page_changes_with_the_season_in_both_languages() {
    let season = Season::new().await;
    for ((standing, en, es), day) in STAGES.into_iter().zip(season.days().await) {
        let world = season.on(&day).await;
        let page = world.get("/region/dos-vientos").await;
        assert_eq!(page.status, StatusCode::OK, "{day}");
        assert!(page.body.contains(&format!("class=\"signal {standing}\"")), "{day} should be {standing}");
        assert!(page.body.contains(en), "{day}: {en}");
        let spanish = world.get("/es/region/dos-vientos").await;
        assert!(spanish.body.contains("<html lang=\"es\">") && spanish.body.contains(es), "{day}: {es}");
        for body in [&page.body, &spanish.body] {
            assert!(body.len() < 100_000, "{} bytes", body.len());
            assert_eq!(body.matches("<h1").count(), 1);
            // Cautions stand on every page that tells somebody to use a jet of water.
            assert!(body.contains("power lines") || body.contains("cables de luz"));
            if body.contains("nsecticid") {
                assert!(body.contains("The label is the law") || body.contains("La etiqueta es la ley"));
            }
            let main = body.split("<main").nth(1).unwrap().split("<code").next().unwrap();
            assert!(!main.contains('{') && !main.contains('}'), "a place in the words was not filled: {main}");
            super::season::well_formed(body);
        }
        assert_eq!(page.body.contains("nsecticid"), standing == "over", "{day}");
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn pages_of_the_season_are_kept_and_asked_for_again_at_no_cost() {
    let season = Season::new().await;
    let world = season.on("2025-03-10").await;
    for path in [
        "/",
        "/guide",
        "/region/dos-vientos",
        "/region/dos-vientos/chart.svg?w=340",
        "/region/dos-vientos/badge.svg",
        "/region/dos-vientos/news.atom",
        "/region/dos-vientos/calendar.ics",
        "/region/dos-vientos/outlook.json",
    ] {
        let first = world.get(path).await;
        assert_eq!(first.status, StatusCode::OK, "{path}");
        assert!(first.header("cache-control").starts_with("public, max-age="), "{path}");
        let tag = first.header("etag").to_owned();
        assert!(tag.starts_with("W/\""), "{path}");
        let again =
            Request::get(path).header("if-none-match", format!("\"other\", {tag}")).body(Body::empty()).unwrap();
        let again = world.ask(again).await;
        assert_eq!((again.status, again.body.as_str()), (StatusCode::NOT_MODIFIED, ""), "{path}");
        let other = Request::get(path).header("if-none-match", "\"other\"").body(Body::empty()).unwrap();
        assert_eq!(world.ask(other).await.status, StatusCode::OK, "{path}");
    }
    for path in ["/region/nowhere", "/region/nowhere/badge.svg", "/region/nowhere/outlook.json", "/region/"] {
        assert_eq!(world.get(path).await.status, StatusCode::NOT_FOUND, "{path}");
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_name_with_markup_stays_a_name_everywhere() {
    let season = Season::named("Dos <b>&\"Vientos").await;
    let world = season.on("2025-03-10").await;
    for path in [
        "/",
        "/region/dos-vientos",
        "/es/region/dos-vientos",
        "/region/dos-vientos/badge.svg",
        "/region/dos-vientos/chart.svg",
        "/region/dos-vientos/news.atom",
    ] {
        let answer = world.get(path).await;
        assert_eq!(answer.status, StatusCode::OK, "{path}");
        assert!(!answer.body.contains("<b>&"), "{path}");
        assert!(answer.body.contains("Dos &lt;b&gt;&amp;"), "{path}");
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_region_without_temperatures_says_so_and_still_tells_what_to_do() {
    let season = Season::new().await;
    // The invented record ends with 2025.
    let world = season.on("2027-03-10").await;
    let page = world.get("/region/dos-vientos").await;
    assert_eq!(page.status, StatusCode::OK);
    assert!(page.body.contains("we cannot say yet") || page.body.contains("Take this with care"), "{}", page.body);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_grids_estimate_is_named_as_one_with_its_makers_in_both_languages() {
    let season = Season::new().await;
    let paths = ["/region/dos-vientos", "/es/region/dos-vientos", "/region/dos-vientos/outlook.json"];
    let of_grid = ["Instead of a weather station", "En lugar de una estación del tiempo", "\"grid-point\""];
    let of_station = ["<dt>Weather station</dt>", "<dt>Estación del tiempo</dt>", "\"kind\": \"station\""];
    let world = season.on("2025-03-10").await;
    for ((path, wanted), not) in paths.into_iter().zip(of_station).zip(of_grid) {
        let body = world.get(path).await.body;
        assert!(body.contains(wanted) && !body.contains(not) && !body.contains("PRISM"), "{path}: {body}");
    }
    let store = season.store();
    let region = store.region(&"dos-vientos".into()).await.unwrap();
    let mut station = store.station(&region.stations[0]).await.unwrap();
    // Beside the source that its invented record is from.
    station.sources.push(source_of(Grid::Prism, station.place));
    store.change_station(&station).await.unwrap();
    let world = season.on("2025-03-10").await;
    for ((path, wanted), not) in paths.into_iter().zip(of_grid).zip(of_station) {
        let body = world.get(path).await.body;
        assert!(body.contains(wanted) && !body.contains(not), "{path}: {body}");
        assert!(body.contains("PRISM Group, Oregon State University"), "{path}: {body}");
    }
}
