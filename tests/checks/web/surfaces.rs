//! One truth about the window: on every day of two seasons, and in every state of the gallery, all surfaces tell the same
//! days. Each surface tells some of them, in its own words; what it should say is made here from `outlook.json`'s window, and
//! stands there letter for letter.

// What a notice tells.
mod notice;

use std::collections::{BTreeMap, BTreeSet};

use chrono::{Datelike, Days, NaiveDate};
use roxmltree::Document;
use treebell::demo::state::State;
use treebell::demo::weather;
use treebell::language::Language;
use treebell::season::decide::Terms;
use treebell::season::window::DeadlineRule;
use treebell::season::{DaySpan, NoticeKind, NoticeStatus, WindowDays, phrases};
use treebell::service::caches::{RecordCache, SeasonCache};
use treebell::service::cycle;
use treebell::service::replay::ReplayWorld;
use treebell::store::Store;
use treebell::store::notices::Notice;

use notice::notice_agrees;

use super::gallery::{DAY, Gallery, STATES};
use super::season::Season;
use super::support::World;

/// What `outlook.json` says of a region.
struct Told {
    /// `None` where nothing can be said.
    days: Option<WindowDays>,
    standing: String,
    held_back: bool,
    doubted: bool,
}

fn told(json: &str) -> Told {
    let json: serde_json::Value = serde_json::from_str(json).unwrap();
    let window = &json["season"]["window"];
    let day = |value: &serde_json::Value| value.as_str().map(|text| text.parse::<NaiveDate>().unwrap());
    let days = day(&window["deadline"]).map(|deadline| WindowDays {
        look_from: day(&window["look_from"]).unwrap(),
        best: day(&window["best_days"]["first"])
            .map(|first| DaySpan { first, last: day(&window["best_days"]["last"]).unwrap() }),
        deadline,
        rule: serde_json::from_value::<DeadlineRule>(window["deadline_rule"].clone()).unwrap(),
        last_from: day(&window["last_from"]).unwrap(),
        hatch_early: day(&window["hatch"]["early"]),
        hatch_late: day(&window["hatch"]["late"]),
        settled: day(&window["settled"]),
        // Of a move that people were told of, the new day is what stands.
        was: day(&window["deadline_was"]).filter(|_| window["deadline_moved_by"].is_null()),
    });
    assert_eq!(json["season"]["wash_by"], window["deadline"]);
    let text = |key: &str| json[key].as_str().unwrap().to_owned();
    Told {
        days,
        standing: text("standing"),
        held_back: text("standing") != text("standing_by_heat"),
        doubted: ["doubted", "awaited", "held"].contains(&text("backing").as_str()),
    }
}

/// Between two marks; empty where they are not.
fn part<'a>(text: &'a str, from: &str, to: &str) -> &'a str {
    text.split_once(from).and_then(|(_, rest)| rest.split_once(to)).map_or("", |(part, _)| part)
}

fn hatch(language: Language, days: &WindowDays) -> Option<String> {
    let (early, late) = (days.hatch_early?, days.hatch_late);
    Some(match (late.filter(|late| *late > early), language) {
        (Some(late), _) => phrases::between(language, early, late),
        (None, Language::En) if late.is_some() => format!("on {}", phrases::date(language, early)),
        (None, Language::Es) if late.is_some() => format!("el {}", phrases::date(language, early)),
        (None, Language::En) => format!("from {} on", phrases::date(language, early)),
        (None, Language::Es) => format!("a partir del {}", phrases::date(language, early)),
    })
}

/// Asks every surface of a region; `at` says where and when. Gives its standing.
async fn agree(world: &World, region: &str, home: &[(Language, String)], at: &str) -> String {
    let path = |language: Language, rest: &str| match language {
        Language::En => format!("/region/{region}{rest}"),
        Language::Es => format!("/es/region/{region}{rest}"),
    };
    let told = told(&world.get(&path(Language::En, "/outlook.json")).await.body);
    for (language, home) in home {
        let language = *language;
        let at = format!("{at}, {language:?}");
        let page = world.get(&path(language, "")).await.body;
        let badge = world.get(&path(language, "/badge.svg")).await.body;
        let calendar = world.get(&path(language, "/calendar.ics")).await.body.replace("\r\n ", "");
        let row = part(home, &format!("/region/{region}\""), "</li>");
        let Some(days) = &told.days else {
            assert!(!page.contains("class=\"facts days\"") && !calendar.contains("BEGIN:VEVENT"), "{at}");
            continue;
        };
        let [look_from, deadline] = [days.look_from, days.deadline].map(|day| phrases::date(language, day));
        let best = days.best.map(|best| phrases::span(language, best));

        // The page: its list of days, and what it calls out above.
        let list = part(&page, "<dl class=\"facts days\">", "</dl>");
        let values: Vec<&str> = list.split("<dd>").skip(1).map(|rest| rest.split("</dd>").next().unwrap()).collect();
        let mut wanted = vec![look_from.clone()];
        wanted.extend(best.clone());
        wanted.push(format!("{deadline}."));
        wanted.extend(hatch(language, days));
        wanted.extend(days.settled.map(|day| phrases::date(language, day)));
        assert_eq!(values.len(), wanted.len(), "{at}: {list}");
        for (value, wanted) in values.iter().zip(&wanted) {
            let value = value.split(" <span").next().unwrap();
            let value = value.trim_start_matches("about ").trim_start_matches("hacia el ");
            assert_eq!(value, wanted, "{at}: {list}");
        }
        let signal = part(&page, "<div class=\"signal", "</div>");
        let calls_out = ["wash", "last"].contains(&told.standing.as_str());
        assert_eq!(signal.contains(&wash_by(language, &deadline)), calls_out, "{at}: {signal}");

        // The row of the first page and the badge: the day that matters now.
        let matters = match (told.standing.as_str(), &best) {
            _ if told.held_back => None,
            ("quiet" | "ready", _) => Some(look_from.clone()),
            ("look", Some(best)) => Some(best.clone()),
            ("look" | "wash" | "last", _) => Some(deadline.clone()),
            _ => None,
        };
        for (surface, text) in [("row", row), ("badge", badge.as_str())] {
            match &matters {
                Some(day) => assert!(text.contains(day.as_str()), "{at}: {surface} without {day}: {text}"),
                None => assert!(!text.contains(&deadline), "{at}: {surface}: {text}"),
            }
        }
        if told.doubted && !told.held_back && matters.is_some() {
            assert!(row.contains("(not confirmed yet)") || row.contains("(sin confirmar)"), "{at}: {row}");
        }

        // The calendar: a day to look, then the days to wash up to the last one.
        let digits = |day: NaiveDate| day.format("%Y%m%d").to_string();
        let value = |name: &str| -> Vec<String> {
            let lines = calendar.split("\r\n").filter_map(|line| line.strip_prefix(name));
            lines.map(|line| line.rsplit(':').next().unwrap().to_owned()).collect()
        };
        let wash = days.best.map_or(days.look_from, |best| best.first);
        let look = days.best.map(|_| days.look_from);
        let starts: Vec<String> = look.into_iter().chain([wash]).map(digits).collect();
        assert_eq!(value("DTSTART;VALUE=DATE"), starts, "{at}");
        assert_eq!(value("DTEND;VALUE=DATE").last(), Some(&digits(days.deadline.max(wash) + Days::new(1))), "{at}");
        let described = calendar.replace("\\,", ",").replace("\\;", ";");
        for said in best.iter().cloned().chain(hatch(language, days)).chain([deadline.clone()]) {
            assert!(described.contains(&said), "{at}: the calendar does not say {said}: {described}");
        }

        // The chart's own words, in its row and for those who do not see it.
        let chart = world.get(&path(language, "/chart.svg?w=900")).await.body;
        let chart = part(&chart, "<desc", "</desc>").to_owned();
        for said in best.iter().chain([&look_from, &deadline]) {
            assert!(chart.contains(said.as_str()), "{at}: the chart does not say {said}: {chart}");
        }
    }
    told.standing
}

fn wash_by(language: Language, day: &str) -> String {
    match language {
        Language::En => format!("Wash by {day}"),
        Language::Es => format!("Lave a más tardar el {day}"),
    }
}

async fn homes(world: &World) -> Vec<(Language, String)> {
    let mut homes = Vec::new();
    for (language, path) in [(Language::En, "/"), (Language::Es, "/es")] {
        homes.push((language, world.get(path).await.body));
    }
    homes
}

/// The last day to wash that was told last stands until the page says that it has moved.
async fn what_was_told_stands(world: &World, region: &str, notices: &[Notice], at: &str) {
    let out = notices.iter().filter(|one| one.released_at().is_some());
    let Some(newest) = out.max_by_key(|one| one.released_at()) else { return };
    let days = told(&world.get(&format!("/region/{region}/outlook.json")).await.body).days;
    let days = days.expect("a notice went out, so something can be said");
    let tells: Terms = serde_json::from_value(newest.reason.clone()).unwrap();
    if let Some(told) = tells.deadline.filter(|_| newest.kind != NoticeKind::TooLateToWash) {
        assert_eq!(days.was.unwrap_or(days.deadline), told, "{at}: what was told stands");
    }
}

/// A low region and a middle one.
const WATCHED: [&str; 2] = ["cobre-bend", "dos-vientos"];

/// Past years on record: as many as widen the spread, and few, since they cost time.
const PAST_YEARS: i32 = 7;

async fn season(year: i32) -> World {
    let state = State::built_in().unwrap();
    let made = weather::make(&state, 20_250_301);
    let store = Store::in_memory().await.unwrap();
    let mut regions = Vec::new();
    for of_state in state.regions.iter().filter(|of| WATCHED.contains(&of.region.id.as_str())) {
        let mut region = of_state.region.clone();
        region.stations.truncate(1);
        for (at, station) in state.stations.iter().enumerate() {
            if region.stations.contains(&station.station.id) {
                let mut versions = made.versions(at);
                versions.retain(|one| (year - PAST_YEARS..=year).contains(&one.day.year()));
                store.add_station(&station.station).await.unwrap();
                store.add_versions(&station.station.id, &versions).await.unwrap();
            }
        }
        regions.push(region);
    }
    store.put_regions(&regions, format!("{year}-01-01T07:00:00Z").parse().unwrap()).await.unwrap();
    Season::of(store).on(&format!("{year}-01-20")).await
}

async fn every_day_of(year: i32) {
    let world = season(year).await;
    let (mut records, mut seasons) = (RecordCache::new(world.app.store.clone()), SeasonCache::default());
    let (mut standings, mut kinds) = (BTreeSet::new(), BTreeSet::new());
    let last = NaiveDate::from_ymd_opt(year, 6, 10).unwrap();
    for day in NaiveDate::from_ymd_opt(year, 1, 20).unwrap().iter_days().take_while(|day| *day <= last) {
        world.go_to(day);
        let report = cycle::run(&world.app, &mut records, &mut seasons, &mut |_| {}).await.unwrap();
        assert_eq!(report.faults, Vec::<String>::new(), "{day}");
        let homes = homes(&world).await;
        let notices = world.app.store.notices_of_season("pinyon-needle-scale", year).await.unwrap();
        for region in WATCHED {
            standings.insert(agree(&world, region, &homes, &format!("{region}, {day}")).await);
            let own: Vec<Notice> = notices.iter().filter(|one| one.season.region == *region).cloned().collect();
            kinds.extend(own.iter().map(|one| one.kind));
            what_was_told_stands(&world, region, &own, &format!("{region}, {day}")).await;
            for notice in own.iter().filter(|one| one.decided_on == day && one.status() != NoticeStatus::Skipped) {
                notice_agrees(&world, notice, day).await;
            }
        }
    }
    assert_eq!(standings.len(), 6, "{standings:?}");
    for kind in [NoticeKind::GetReady, NoticeKind::InspectNow, NoticeKind::WashNow, NoticeKind::LastDaysToWash] {
        assert!(kinds.contains(&kind), "{kinds:?}");
    }
    a_replay_tells_the_same(&world, year).await;
}

/// A replay of the season comes to the notices of the service, on the same days and with the same last day to wash.
async fn a_replay_tells_the_same(world: &World, year: i32) {
    let played = ReplayWorld::read(&world.app, &[]).await.unwrap().play(year, None, &mut |_| {}).await.unwrap();
    let lived = world.app.store.notices_of_season("pinyon-needle-scale", year).await.unwrap();
    for region in WATCHED {
        let lived: BTreeSet<_> = lived
            .iter()
            .filter(|notice| notice.season.region == *region && notice.status() == NoticeStatus::Released)
            .map(|notice| (notice.kind, notice.decided_on, notice.deadline()))
            .collect();
        let played = &played.iter().find(|season| season.region == *region).unwrap().notices;
        let played: BTreeSet<_> = played
            .iter()
            .filter(|notice| notice.status == NoticeStatus::Released)
            .map(|notice| (notice.kind, notice.decided_on, notice.deadline))
            .collect();
        assert_eq!(played, lived, "{region}, {year}");
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn on_every_day_of_a_season_all_surfaces_tell_the_same_days() {
    every_day_of(2024).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn on_every_day_of_another_season_all_surfaces_tell_the_same_days() {
    every_day_of(2025).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn in_every_state_of_a_region_all_surfaces_tell_the_same_days() {
    let gallery = Gallery::open("https://pinyon.example.org").await;
    let world = &gallery.world;
    let before = compare_all(world).await;
    assert_eq!(before.values().flatten().count(), 4, "those of the gallery: {before:?}");

    // What the service tells on that day in each of the states: whatever goes out, waits or is held.
    let (mut records, mut seasons) = (RecordCache::new(world.app.store.clone()), SeasonCache::default());
    world.go_to(DAY.parse().unwrap());
    let report = cycle::run(&world.app, &mut records, &mut seasons, &mut |_| {}).await.unwrap();
    assert_eq!(report.faults, Vec::<String>::new());
    world.go_to(DAY.parse().unwrap());
    let after = compare_all(world).await;
    let told = ["over", "last", "look", "ready", "due", "held", "awaited", "old", "borrowed"];
    let lacking: Vec<&str> = told.into_iter().filter(|state| after[state].is_empty()).collect();
    assert!(lacking.is_empty() && after["quiet"].is_empty(), "{lacking:?}: {after:?}");
    for kind in [NoticeKind::GetReady, NoticeKind::InspectNow, NoticeKind::LastDaysToWash, NoticeKind::TooLateToWash] {
        assert!(after.values().flatten().any(|told| *told == kind), "{kind:?}: {after:?}");
    }
}

/// All surfaces of all states; gives the notices that were compared.
async fn compare_all(world: &World) -> BTreeMap<&'static str, Vec<NoticeKind>> {
    let today = DAY.parse().unwrap();
    let homes = homes(world).await;
    let notices = world.app.store.notices_of_season("pinyon-needle-scale", 2025).await.unwrap();
    let mut compared = BTreeMap::new();
    for (state, region) in STATES {
        agree(world, region, &homes, state).await;
        let own = notices.iter().filter(|one| one.season.region == *region && one.status() != NoticeStatus::Skipped);
        let own: Vec<Notice> = own.cloned().collect();
        what_was_told_stands(world, region, &own, state).await;
        for notice in &own {
            notice_agrees(world, notice, today).await;
        }
        compared.insert(state, own.iter().map(|one| one.kind).collect());
    }
    compared
}

/// Pictures, pages and texts hold no word that says eggs are there, unless somebody saw them.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn nothing_says_that_eggs_are_there_where_nobody_saw_them() {
    let gallery = Gallery::open("https://pinyon.example.org").await;
    for (state, region) in STATES.into_iter().filter(|(state, _)| *state != "seen") {
        for root in ["", "/es"] {
            for rest in ["", "/badge.svg", "/calendar.ics", "/chart.svg", "/news.atom"] {
                let text = gallery.world.get(&format!("{root}/region/{region}{rest}")).await.body;
                if rest.ends_with(".svg") && !text.is_empty() && text.starts_with("<svg") {
                    Document::parse(&text).unwrap();
                }
                for claim in [
                    "eggs now",
                    "is laying",
                    "are laying",
                    "Hay huevos",
                    "ya ponen",
                    "Somebody saw eggs here",
                    "Alguien vio huevos aquí",
                ] {
                    assert!(!text.contains(claim), "{state}{rest}: {claim}");
                }
            }
        }
    }
}
