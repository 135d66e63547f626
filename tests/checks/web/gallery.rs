//! A site on which every state of a region stands side by side on one day, for eyes and for the walk in a browser. Nothing
//! here is real: the regions are those of the invented state, and some more with troubles of their own.

use std::collections::BTreeMap;
use std::time::Duration;

use chrono::{DateTime, NaiveDate, Utc};
use treebell::assessment::season_model::Assessment;
use treebell::demo::state::State;
use treebell::demo::weather;
use treebell::geo::Point;
use treebell::message::facts::{Basis, Grounds, NoticeFacts, Sender, WashingWindow};
use treebell::people::{Address, Channel, Language, Reach};
use treebell::people::{Consent, NewSubscriber};
use treebell::region::{Band, Region, Release, Zip};
use treebell::season::NoticeKind;
use treebell::season::decide::{ApprovalNeeded, Reason, Terms};
use treebell::service::app::App;
use treebell::service::assess;
use treebell::service::caches::{RecordCache, SeasonCache};
use treebell::service::subscribe::tokens;
use treebell::service::subscribe::tokens::Purpose;
use treebell::store::Store;
use treebell::store::follow_ups::{self, ToAsk};
use treebell::store::notices::{NewNotice, NoticeRelease, NoticeText};
use treebell::web::server;

use super::contrast::{colour, contrast};
use super::season::Season;
use super::support::World;

/// By then the lowest region is over and the highest one still waits.
pub const DAY: &str = "2025-04-05";
/// Of that day, by the world's clock.
const NOON: &str = "2025-04-05T19:00:00Z";

/// Past years on record: as many as widen the spread, and no more, since they cost time.
const FIRST_YEAR: i32 = 2003;

/// Each state and the region that stands in it.
pub const STATES: [(&str, &str); 11] = [
    ("over", "cobre-bend"),
    ("last", "dos-vientos"),
    ("look", "encina-gap"),
    ("ready", "mesa-callada"),
    ("quiet", "cerro-nublo"),
    ("due", "halfmoon-bench"),
    ("held", "piedra-mansa"),
    ("awaited", "loma-serena"),
    ("old", "llano-viejo"),
    ("borrowed", "vado-nuevo"),
    ("none", "cruz-muda"),
];

pub struct Gallery {
    pub world: World,
    /// The page of a question that is open, by language.
    pub seen: BTreeMap<&'static str, String>,
}

impl Gallery {
    /// `public_url`: where its pages will be found.
    pub async fn open(public_url: &str) -> Self {
        let store = Store::in_memory().await.unwrap();
        let state = State::built_in().unwrap();
        let now = "2025-01-01T07:00:00Z".parse().unwrap();
        let made = weather::make(&state, 20_250_301);
        let last: NaiveDate = DAY.parse().unwrap();
        let mut stations: BTreeMap<&str, usize> = BTreeMap::new();
        for (at, station) in state.stations.iter().enumerate() {
            stations.insert(&station.station.id.0, at);
            let mut versions = made.versions(at);
            versions
                .retain(|one| one.day.format("%Y").to_string().parse::<i32>().unwrap() >= FIRST_YEAR && one.day < last);
            store.add_station(&station.station).await.unwrap();
            store.add_versions(&station.station.id, &versions).await.unwrap();
        }
        // Troubled copies of one station: silent for weeks, new, never heard of.
        let troubled = stations["ALT-MAN"];
        for (id, name, from, to) in [
            ("ALT-OLD", "Llano Viejo gate", "2003-01-01", "2025-03-20"),
            ("ALT-NEW", "Vado Nuevo ford", "2022-01-01", DAY),
            ("ALT-MUT", "Cruz Muda hill", DAY, DAY),
        ] {
            let mut station = state.stations[troubled].station.clone();
            (station.id, station.name) = (id.into(), name.into());
            let (from, to): (NaiveDate, NaiveDate) = (from.parse().unwrap(), to.parse().unwrap());
            let mut versions = made.versions(troubled);
            versions.retain(|one| (from..to).contains(&one.day));
            store.add_station(&station).await.unwrap();
            store.add_versions(&station.id, &versions).await.unwrap();
        }
        let mut regions: Vec<Region> = Vec::new();
        for of_state in &state.regions {
            let mut region = of_state.region.clone();
            match region.id.as_str() {
                "halfmoon-bench" => region.release = Release::UnlessHeld { hours: 12 },
                "mesa-callada" => region.release = Release::AtOnce,
                _ => {}
            }
            regions.push(region);
        }
        let like = regions.iter().find(|region| region.id == "dos-vientos").unwrap().clone();
        for (id, name, zip, station, release) in [
            ("loma-serena", "Loma Serena", "00205", "ALT-VIE", Release::WhenConfirmed),
            ("llano-viejo", "Llano Viejo", "00206", "ALT-OLD", Release::AtOnce),
            ("vado-nuevo", "Vado Nuevo", "00207", "ALT-NEW", Release::AtOnce),
            ("cruz-muda", "Cruz Muda", "00209", "ALT-MUT", Release::AtOnce),
        ] {
            let place = Point { latitude: like.place.latitude + 0.02, ..like.place };
            let zips = vec![Zip::parse(zip).unwrap()];
            let stations = vec![station.into()];
            let (id, name) = (id.into(), name.into());
            regions.push(Region { id, name, place, zips, stations, release, ..like.clone() });
        }
        // One ZIP code over two heights.
        for (id, name, band, landmark, elevation_m) in [
            ("sierra-baja", "Sierra Baja", "..6500", "Old Mill", 1800.0),
            ("sierra-alta", "Sierra Alta", "6500..", "High Mesa", 2100.0),
        ] {
            let band = Some(Band::parse_feet(band).unwrap());
            let (id, name) = (id.into(), name.into());
            let (zips, stations) = (vec![Zip::parse("00210").unwrap()], vec!["ALT-VIE".into()]);
            let landmarks = vec![landmark.into()];
            regions.push(Region { id, name, zips, stations, band, landmarks, elevation_m, ..like.clone() });
        }
        store.put_regions(&regions, now).await.unwrap();
        let season = Season::of(store);
        let (app, _) = season.app(DAY, public_url);
        let of = |hours: i64| NOON.parse::<DateTime<Utc>>().unwrap() + chrono::Duration::hours(hours);
        let wait = NoticeRelease::Wait { release_at: of(3) };
        notice(&app, "halfmoon-bench", NoticeKind::InspectNow, wait, of(-3)).await;
        let word = NoticeRelease::WaitForApproval { approval_needed: ApprovalNeeded::NotOnRealDays };
        notice(&app, "piedra-mansa", NoticeKind::InspectNow, word, of(-3)).await;
        season.store().hold_notice(&"pinyon-needle-scale/piedra-mansa/2025/inspect-now".into(), None).await.unwrap();
        notice(&app, "dos-vientos", NoticeKind::GetReady, NoticeRelease::Release, of(-700)).await;
        notice(&app, "dos-vientos", NoticeKind::InspectNow, NoticeRelease::Release, of(-600)).await;
        let world = season.on_as(DAY, public_url).await;
        let mut seen = BTreeMap::new();
        for language in Language::ALL {
            seen.insert(language.code(), question(&world, language).await);
        }
        Self { world, seen }
    }

    /// Answers on a port of loopback for as long as the runtime lives. Its clock goes on, since people need time to type.
    pub fn serve(&self, listener: tokio::net::TcpListener) {
        let clock = self.world.clock.clone();
        tokio::spawn(async move {
            loop {
                tokio::time::sleep(Duration::from_secs(1)).await;
                clock.advance(chrono::Duration::seconds(1));
            }
        });
        tokio::spawn(server::serve(listener, self.world.router.clone(), std::future::pending()));
    }
}

/// A notice decided at an instant, with the facts and the words that the service gives it.
async fn notice(app: &App, region: &str, kind: NoticeKind, fate: NoticeRelease, now: DateTime<Utc>) {
    let region = app.store.region(&region.into()).await.unwrap();
    let profile = app.profiles.get(&region.profile).unwrap();
    let mut records = RecordCache::new(app.store.clone());
    let Assessment { outlook, days, .. } =
        assess::look(app, &mut records, &mut SeasonCache::default(), &region, now).await.unwrap();
    let opens = outlook.stage(&profile.window.opens).unwrap();
    let chance = opens.chance_by(outlook.today + chrono::Days::new(if kind == NoticeKind::GetReady { 21 } else { 0 }));
    let stages = &profile.window;
    let window = WashingWindow { stages, heat_needed: opens.at_sum.unwrap(), provisional: profile.provisional };
    let grounds = Grounds { basis: Basis::Chance, moved_by: None, chance: Some(chance) };
    let station = app.store.station(&outlook.station).await.unwrap().name;
    let sender = Sender::from(&app.config.messages);
    let facts = NoticeFacts::from_outlook(sender, &region, &station, &outlook, days, window, grounds);
    let mut texts = Vec::new();
    for language in Language::ALL {
        for channel in Channel::ALL {
            let message = app.templates.in_use().render_notice(kind, language, channel, &facts).unwrap();
            texts.push(NoticeText { language, message });
        }
    }
    let expires_at = now + chrono::Duration::days(40);
    let approval_needed = match &fate {
        NoticeRelease::WaitForApproval { approval_needed } => Some(approval_needed.clone()),
        _ => None,
    };
    let terms = Terms {
        reason: Reason::BegunLikely { chance },
        release: region.release,
        approval_needed,
        expires_on: expires_at.date_naive(),
        deadline: None,
    };
    let new = NewNotice {
        season: outlook.season.clone(),
        kind,
        fate,
        reason: serde_json::to_value(&terms).unwrap(),
        facts: serde_json::to_value(&facts).unwrap(),
        decided_on: outlook.today,
        decided_at: now,
        expires_at,
        priority: 1,
    };
    app.store.put_notice(&new, &texts).await.unwrap();
}

/// The page on which somebody is asked what they saw.
async fn question(world: &World, language: Language) -> String {
    let store = &world.app.store;
    let address = Address::parse(&format!("asked-{}@example.org", language.code()), Reach::NorthAmerica).unwrap();
    let new = NewSubscriber {
        zips: vec![Zip::parse("00201").unwrap()],
        heights: Vec::new(),
        addresses: vec![address.clone()],
        language,
        consent: Consent::Given { evidence: "invented".into() },
    };
    store.add_subscriber(&new, world.app.clock.now()).await.unwrap();
    let subscriber = store.subscriber_of(&address).await.unwrap().unwrap().id;
    let id = format!("question-{}", language.code());
    let asked = ToAsk { id: id.clone(), subscriber, address, language };
    let mut tx = store.begin().await.unwrap();
    let now = world.app.clock.now();
    let notice = "pinyon-needle-scale/dos-vientos/2025/inspect-now".into();
    follow_ups::put(&mut tx, &notice, &asked, now + chrono::Duration::days(10), now).await.unwrap();
    tx.commit().await.unwrap();
    let token = tokens::make(store.address_hash(), Purpose::Seen, &id);
    match language {
        Language::En => format!("/seen/{token}"),
        Language::Es => format!("/es/seen/{token}"),
    }
}

/// What each region's page is there to show, in both languages.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn each_state_says_what_it_is_and_no_more() {
    let gallery = Gallery::open("https://pinyon.example.org").await;
    let world = &gallery.world;
    let of: BTreeMap<&str, &str> = STATES.into_iter().collect();
    let mut wrong = Vec::new();
    for (state, standing, by_heat, backing) in [
        ("over", "over", "over", "plain"),
        ("last", "last", "last", "plain"),
        ("look", "look", "look", "plain"),
        ("ready", "ready", "ready", "plain"),
        ("quiet", "quiet", "quiet", "plain"),
        ("due", "look", "look", "due"),
        ("held", "ready", "look", "held"),
        ("awaited", "ready", "last", "awaited"),
        ("old", "wash", "wash", "doubted"),
        ("borrowed", "look", "look", "plain"),
        ("none", "none", "none", "plain"),
    ] {
        let json = world.get(&format!("/region/{}/outlook.json", of[state])).await.body;
        let json: serde_json::Value = serde_json::from_str(&json).unwrap();
        let said = ["standing", "standing_by_heat", "backing"].map(|key| json[key].as_str().unwrap().to_owned());
        if said != [standing, by_heat, backing] {
            wrong.push(format!("{state}: {said:?}"));
        }
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
    // Who stands behind it, on the page, in the list and on the badge. Without the step back (the loop in
    // `Shown::of`) "held" and "awaited" fail here and in the whole seasons of `season.rs`.
    for (state, en, es) in [
        ("due", Some("Extension staff can still hold it back."), Some("aún puede detenerlo.")),
        ("held", Some("Extension staff have held that back"), Some("lo ha detenido por ahora")),
        ("awaited", Some("They have not done so yet"), Some("Aún no lo ha hecho")),
        ("old", Some("Extension staff have not confirmed this yet"), Some("aún no lo ha confirmado")),
        ("look", None, None),
        ("borrowed", None, None),
        ("over", None, None),
    ] {
        for (language, words) in [("", en), ("/es", es)] {
            let page = world.get(&format!("{language}/region/{}", of[state])).await.body;
            assert_eq!(page.contains("class=\"say\""), words.is_some(), "{state}");
            assert!(words.is_none_or(|words| page.contains(words)), "{language} {state}");
            if ["held", "awaited"].contains(&state) {
                assert!(page.contains("class=\"signal ready\""), "{state}");
                let told = page.split("<main").nth(1).unwrap();
                assert!(!told.contains("Wash by") && !told.contains("Lave a más tardar"), "{state}");
            }
        }
    }
    // The badge and the chart stand alone: their own texts on their own grounds.
    let painted = |body: &str| {
        let document = roxmltree::Document::parse(body).unwrap();
        let mut shapes =
            document.descendants().filter(|node| node.has_tag_name(("http://www.w3.org/2000/svg", "rect")));
        let ground = shapes.find(|node| node.attribute("fill").is_some()).unwrap();
        let texts = document.descendants().filter(|node| node.has_tag_name(("http://www.w3.org/2000/svg", "text")));
        let fill = |node: &roxmltree::Node<'_, '_>| colour(node.attribute("fill").unwrap());
        let worst = texts.map(|text| contrast(fill(&text), fill(&ground))).fold(21.0, f64::min);
        assert!(worst >= 4.5, "{worst:.2}: {body}");
    };
    for (_, region) in STATES {
        painted(&world.get(&format!("/region/{region}/badge.svg")).await.body);
    }
    painted(&world.get("/region/dos-vientos/chart.svg?w=340").await.body);
    let rows = world.get("/").await.body;
    let row =
        |state: &str| rows.split(&format!("/region/{}\"", of[state])).nth(1).unwrap().split("</li>").next().unwrap();
    assert!(row("old").contains("Wash now") && row("old").contains("(not confirmed yet)"));
    assert!(row("held").contains("Get ready") && row("held").contains("The next step is not confirmed yet"));
    assert!(!row("look").contains("confirmed"));
    for (state, says) in [("held", "The next step is not confirmed yet"), ("old", "(not confirmed yet)")] {
        let badge = world.get(&format!("/region/{}/badge.svg", of[state])).await.body;
        assert!(badge.contains(says), "{badge}");
    }

    // A word of staff shows without a new cycle: within the quarter minute in which the store is asked again.
    let held = "pinyon-needle-scale/piedra-mansa/2025/inspect-now".into();
    world.app.store.release_notice(&held, "staff", world.app.clock.now()).await.unwrap();
    world.clock.advance(chrono::Duration::seconds(16));
    let mut shown = String::new();
    for _ in 0..600 {
        shown = world.get("/region/piedra-mansa").await.body;
        if shown.contains("class=\"signal look\"") {
            break;
        }
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
    assert!(shown.contains("class=\"signal look\"") && !shown.contains("class=\"say\""), "the hold still shows");
}
