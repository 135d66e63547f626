//! The invented state's season, to look at its pages on any day.

use std::sync::Arc;

use chrono::NaiveDate;
use treebell::clock::ManualClock;
use treebell::config::Config;
use treebell::demo::state::State;
use treebell::demo::weather;
use treebell::message::Templates;
use treebell::season::profile::Profiles;
use treebell::service::app::App;
use treebell::store::Store;
use treebell::web::Site;

use super::support::World;

/// Standings in their order, with their words in both languages.
pub const STAGES: [(&str, &str, &str); 7] = [
    ("quiet", "nothing to do yet", "nada que hacer todavía"),
    ("ready", "get ready", "prepárese"),
    ("look", "look at your pinyons now", "revise sus piñoneros ahora"),
    ("wash", "wash your pinyons now", "lave sus piñoneros ahora"),
    ("last", "last days to wash", "últimos días para lavar"),
    ("over", "the best time has passed", "el mejor momento ya pasó"),
    ("over", "over for this year", "terminó por este año"),
];

pub struct Season {
    store: Store,
}

impl Season {
    pub async fn new() -> Self {
        Self::named("Dos Vientos").await
    }

    /// Three regions of the state, low, middle and high; the middle one under a name of the test's choosing.
    pub async fn named(name: &str) -> Self {
        let state = State::built_in().unwrap();
        let store = Store::in_memory().await.unwrap();
        let now = "2025-01-01T07:00:00Z".parse().unwrap();
        let made = weather::make(&state, 7);
        let wanted = ["cobre-bend", "dos-vientos", "mesa-callada"];
        let mut regions = Vec::new();
        for of_state in state.regions.iter().filter(|region| wanted.contains(&region.region.id.as_str())) {
            let mut region = of_state.region.clone();
            region.stations.truncate(1);
            if region.id == "dos-vientos" {
                region.name = name.to_owned();
            }
            for (at, station) in state.stations.iter().enumerate() {
                if region.stations.contains(&station.station.id) {
                    store.add_station(&station.station).await.unwrap();
                    store.add_versions(&station.station.id, &made.versions(at)).await.unwrap();
                }
            }
            regions.push(region);
        }
        assert_eq!(regions.len(), 3);
        store.put_regions(&regions, now).await.unwrap();
        Self { store }
    }

    pub fn store(&self) -> &Store {
        &self.store
    }

    /// Whatever the store holds.
    pub fn of(store: Store) -> Self {
        Self { store }
    }

    /// A day for each of [`STAGES`] in Dos Vientos, found on the way through the season: what stands later moves with it.
    pub async fn days(&self) -> [String; 7] {
        let mut day = NaiveDate::from_ymd_opt(2025, 1, 15).unwrap();
        let mut found: Vec<String> = Vec::new();
        let world = self.on(&day.to_string()).await;
        while found.len() < STAGES.len() {
            assert!(day < NaiveDate::from_ymd_opt(2025, 8, 1).unwrap(), "{found:?} and no more");
            world.go_to(day);
            let page = world.get("/region/dos-vientos").await.body;
            if page.contains(&format!("<h1>Dos Vientos: {}</h1>", STAGES[found.len()].1)) {
                found.push(day.to_string());
            }
            day = day + chrono::Days::new(1);
        }
        found.try_into().unwrap()
    }

    /// The site at noon of a day.
    pub async fn on(&self, day: &str) -> World {
        self.on_as(day, "https://pinyon.example.org").await
    }

    /// The same, under a public address.
    pub async fn on_as(&self, day: &str, public_url: &str) -> World {
        let (app, clock) = self.app(day, public_url);
        let site = Site::new(app.clone()).unwrap();
        // A program made for tests on a busy machine takes longer for a season than any visitor waits.
        site.ready().await.unwrap();
        World::of(app, clock, site)
    }

    /// The service behind the site, at noon of a day.
    pub fn app(&self, day: &str, public_url: &str) -> (App, Arc<ManualClock>) {
        let day: NaiveDate = day.parse().unwrap();
        let mut config = Config::default();
        config.messages.public_url = public_url.into();
        config.messages.sender_name = "Treebell Altaseca".into();
        config.messages.postal_address = "1 Example Road, Sample City, Altaseca 00001".into();
        config.messages.help_contact = "505-555-0100".into();
        let clock = Arc::new(ManualClock::at(day.and_hms_opt(19, 0, 0).unwrap().and_utc()));
        let templates = Templates::load(None).unwrap();
        (App::with_store(&config, clock.clone(), self.store.clone(), Profiles::default(), templates), clock)
    }
}

/// Tags that open also close, in order, and headings skip no level: a page read by a reader of XML once the tags that
/// HTML leaves open are closed.
pub fn well_formed(html: &str) {
    let mut text = html.replace("<!DOCTYPE html>", "");
    for tag in ["meta", "link", "img", "input", "source"] {
        let mut closed = String::new();
        let mut rest = text.as_str();
        while let Some(at) = rest.find(&format!("<{tag} ")) {
            let end = at + rest[at..].find('>').unwrap();
            closed.push_str(&rest[..end]);
            closed.push('/');
            rest = &rest[end..];
        }
        closed.push_str(rest);
        text = closed;
    }
    for (short, long) in [(" required", " required=\"\""), (" checked", " checked=\"\"")] {
        text = text.replace(&format!("{short}>"), &format!("{long}>"));
        text = text.replace(&format!("{short}/>"), &format!("{long}/>"));
        text = text.replace(&format!("{short} "), &format!("{long} "));
    }
    let document = roxmltree::Document::parse(&text).unwrap_or_else(|why| panic!("{why}\n{text}"));
    let level =
        |node: &roxmltree::Node<'_, '_>| node.tag_name().name().strip_prefix('h').and_then(|n| n.parse::<u8>().ok());
    let mut last = 0;
    for level in document.descendants().filter_map(|node| level(&node)) {
        assert!(level <= last + 1, "a heading of level {level} after one of level {last}");
        last = level;
    }
    let mut ids: Vec<&str> = document.descendants().filter_map(|node| node.attribute("id")).collect();
    let all = ids.len();
    ids.sort_unstable();
    ids.dedup();
    assert_eq!(ids.len(), all, "an id stands twice");
}
