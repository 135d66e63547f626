//! A ZIP code with several heights on the pages: sign-up, one's own settings, the way to a region.

use axum::http::StatusCode;
use chrono::Datelike;
use treebell::demo::state::State;
use treebell::demo::weather;
use treebell::language::Language;
use treebell::region::{Band, RegionId};
use treebell::season::lapse::HeightEffect;
use treebell::service::caches::RecordCache;
use treebell::service::height_effect;
use treebell::service::subscribe::tokens::Purpose;
use treebell::store::Store;
use treebell::weather::{FeedKind, SourceRef, Station};

use super::season::Season;
use super::sign_up::link_in;
use super::support::World;

const EMAIL: &str = "owner@example.org";

/// ZIP code 00101 with `foot` below 6,500 ft and `ridge` above, 00102 with one region.
async fn world() -> World {
    let world = World::empty(|_| {}).await;
    for (id, name, zip) in [("foot", "Foot", "00103"), ("ridge", "Ridge", "00104"), ("mesa-alta", "Mesa Alta", "00102")]
    {
        world.add_region(id, name, zip).await;
    }
    let store = &world.app.store;
    for (id, band, landmark) in [("foot", "..6500", "Red Rock"), ("ridge", "6500..", "High Mesa")] {
        let mut region = store.region(&id.into()).await.unwrap();
        region.band = Some(Band::parse_feet(band).unwrap());
        region.elevation_m = if id == "foot" { 1900.0 } else { 2100.0 };
        region.zips = vec![treebell::region::Zip::parse("00101").unwrap()];
        region.landmarks = vec![landmark.into()];
        store.change_region(&region).await.unwrap();
    }
    world
}

async fn home(world: &World) -> (Option<RegionId>, bool) {
    let address = treebell::people::Address::parse(EMAIL, treebell::people::Reach::NorthAmerica).unwrap();
    let subscriber = world.app.store.subscriber_of(&address).await.unwrap().unwrap();
    let home = subscriber.homes.into_iter().next().unwrap();
    (home.region, home.said.is_some())
}

#[tokio::test]
async fn the_form_asks_how_high_up_where_it_matters_and_nowhere_else() {
    for (path, question, low, unknown, choose) in [
        (
            "/sign-up",
            "How high up do your trees stand in 00101?",
            "Below 6,500 ft (Red Rock)",
            "I do not know",
            "Please choose how",
        ),
        (
            "/es/sign-up",
            "¿A qué altura sobre el mar están sus árboles en 00101?",
            "Debajo de 6,500 pies (Red Rock)",
            "No sé",
            "Elija la altura",
        ),
    ] {
        let world = world().await;
        assert!(!world.get(path).await.body.contains("name=\"height-"), "no ZIP code yet");
        assert!(!world.get(&format!("{path}?zip=00102")).await.body.contains("name=\"height-"), "one region");
        let page = world.get(&format!("{path}?zip=00101")).await.body;
        for words in [question, low, unknown, "name=\"height-00101\"", "High Mesa"] {
            assert!(page.contains(words), "{words}: {page}");
        }
        // Which region it is hangs on the answer.
        assert!(page.contains("<b>Foot, Ridge</b>") && !page.contains("<b>Foot</b>"), "{page}");
        assert!(!page.contains(choose));

        // Typed in without an answer: asked, with all else kept.
        let answer = world.sign_up(path, "00101", "", EMAIL, "en").await;
        assert_eq!(answer.status, StatusCode::UNPROCESSABLE_ENTITY);
        assert!(answer.body.contains(choose) && answer.body.contains("href=\"#height\""), "{}", answer.body);
        assert!(answer.body.contains("id=\"height\"") && answer.body.contains(EMAIL), "{}", answer.body);
        assert_eq!(world.letter_to(EMAIL).await, None);

        let token = world.token_of(path).await;
        let form = |height: &'static str| {
            [
                ("zip", "00101"),
                ("height-00101", height),
                ("email", EMAIL),
                ("language", "en"),
                ("token", token.as_str()),
            ]
        };
        assert_eq!(world.post(path, &form("nowhere")).await.status, StatusCode::UNPROCESSABLE_ENTITY);
        assert_eq!(world.post(path, &form("ridge")).await.status, StatusCode::OK);
        let (_, _, words) = world.letter_to(EMAIL).await.unwrap();
        let done = world.post(&link_in(&words, "confirm"), &[]).await;
        assert!(done.body.contains("Ridge") && done.body.contains("6,500 ft and above"), "{}", done.body);
        assert_eq!(home(&world).await, (Some("ridge".into()), true));
    }
}

#[tokio::test]
async fn who_does_not_know_gets_the_lowest_and_can_choose_later() {
    let world = world().await;
    let token = world.token_of("/sign-up").await;
    let form =
        [("zip", "00101 00102"), ("height-00101", "unknown"), ("email", EMAIL), ("language", "en"), ("token", &token)];
    assert_eq!(world.post("/sign-up", &form).await.status, StatusCode::OK);
    let (_, _, words) = world.letter_to(EMAIL).await.unwrap();
    world.post(&link_in(&words, "confirm"), &[]).await;
    assert_eq!(home(&world).await, (Some("foot".into()), false));

    let link = format!("/preferences/{}", world.token(Purpose::Preferences, EMAIL));
    let page = world.get(&link).await.body;
    assert!(page.contains("You have not told us yet") && page.contains("below 6,500 ft"), "{page}");
    assert_eq!(page.matches("name=\"height\"").count(), 2, "one mountain, two choices");
    let spanish = world.get(&format!("/es{link}")).await.body;
    assert!(spanish.contains("Todavía no nos lo ha dicho") && spanish.contains("debajo de 6,500 pies"), "{spanish}");
    let change = |height: &'static str| [("action", "height"), ("zip", "00101"), ("height", height)];
    assert_eq!(world.post(&link, &change("mesa-alta")).await.status, StatusCode::UNPROCESSABLE_ENTITY);
    let done = world.post(&link, &change("ridge")).await;
    assert_eq!((done.status, done.header("location")), (StatusCode::SEE_OTHER, format!("{link}?done=height").as_str()));
    assert_eq!(home(&world).await, (Some("ridge".into()), true));
    let page = world.get(&format!("{link}?done=height")).await.body;
    assert!(page.contains("The height is saved") && page.contains("value=\"ridge\" checked"), "{page}");
    assert!(!page.contains("You have not told us yet"));
}

#[tokio::test]
async fn a_zip_code_with_several_heights_leads_to_the_choice_of_them() {
    let world = world().await;
    let one = world.get("/find?zip=00102").await;
    assert_eq!((one.status, one.header("location")), (StatusCode::SEE_OTHER, "/region/mesa-alta?zip=00102"));
    let page = world.get("/find?zip=00101").await;
    assert_eq!(page.status, StatusCode::OK);
    let (low, high) = (
        page.body.find("Below 6,500 ft (Red Rock)").unwrap(),
        page.body.find("6,500 ft and above (High Mesa)").unwrap(),
    );
    assert!(low < high, "from the foot up");
    assert!(page.body.contains("/region/ridge?zip=00101") && page.body.contains("/region/foot?zip=00101"));
    let spanish = world.get("/es/find?zip=00101").await.body;
    assert!(spanish.contains("Debajo de 6,500 pies (Red Rock)") && spanish.contains("/es/region/ridge?zip=00101"));
    let none = world.get("/find?zip=00399").await;
    assert!(none.body.contains("We do not watch 00399 yet"), "{}", none.body);
}

/// Invented weather is for plumbing: that stations are found, measured and told of. The measure itself is checked where it is
/// made.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_page_says_what_height_makes_where_three_stations_are_around() {
    let state = State::built_in().unwrap();
    let made = weather::make(&state, 7);
    let store = Store::in_memory().await.unwrap();
    for (at, of_state) in state.stations.iter().enumerate() {
        let station = &of_state.station;
        if ["ALT-TIN", "ALT-VIE", "ALT-MAN", "ALT-COB"].contains(&station.id.as_str()) {
            let mut versions = made.versions(at);
            versions.retain(|version| version.day.year() >= 2012);
            store.add_station(station).await.unwrap();
            store.add_versions(&station.id, &versions).await.unwrap();
        }
    }
    let mut region = state.regions.iter().find(|one| one.region.id == "dos-vientos").unwrap().region.clone();
    region.stations.truncate(1);
    region.band = Some(Band::parse_metres("1500..1800").unwrap());
    store.add_region(&region, "2025-01-01T07:00:00Z".parse().unwrap()).await.unwrap();

    let season = Season::of(store.clone());
    let world = season.on("2025-03-10").await;
    let app = &world.app;
    let profile = app.profiles.get(&region.profile).unwrap();
    let now = app.clock.now();
    let around = async || {
        let mut records = RecordCache::new(app.store.clone());
        height_effect::around(app, &mut records, &region, &profile, now, &|_| 0).await.unwrap().effect
    };
    let effect = around().await.expect("three stations within reach");
    // ALT-COB lies 175 km away.
    assert_eq!((effect.stations, effect.lowest_m.round(), effect.highest_m.round()), (3, 1402.0, 1684.0));
    assert!(effect.days_per_100_m > 0.0 && effect.seasons >= 10, "{effect:?}");
    let page = world.get("/region/dos-vientos").await.body;
    assert!(page.contains("Higher or lower?") && page.contains(&effect.words(Language::En)), "{page}");
    assert!(page.contains("For trees at") && page.contains("4,921 to 5,906 ft"), "{page}");
    let spanish = world.get("/es/region/dos-vientos").await.body;
    assert!(spanish.contains("¿Más arriba o más abajo?") && spanish.contains(&effect.words(Language::Es)), "{spanish}");
    // A grid's estimate is no measurement.
    let measured = store.station(&"ALT-MAN".into()).await.unwrap();
    let source = SourceRef { feed: FeedKind::AcisGrid, id: "21:-135.0,32.0".into() };
    store.change_station(&Station { sources: vec![source], ..measured.clone() }).await.unwrap();
    assert_eq!(around().await, None, "two stations and a grid point make no line");
    store.change_station(&measured).await.unwrap();
    assert!(around().await.is_some());
    store.retire_station(&"ALT-MAN".into(), now).await.unwrap();
    assert_eq!(around().await, None, "two stations make no line");
    // And that is said, since staff and owners alike look for it.
    let world = season.on("2025-03-10").await;
    for (path, language) in [("/region/dos-vientos", Language::En), ("/es/region/dos-vientos", Language::Es)] {
        let page = world.get(path).await.body;
        assert!(page.contains(&HeightEffect::not_measured(language)), "{path}: {page}");
    }
}
