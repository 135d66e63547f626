//! Notices as CAP 1.2 alerts: the rules of its section 3 checked here, the whole read back by a parser that is not ours.

use std::collections::BTreeSet;

use axum::http::StatusCode;
use roxmltree::{Document, Node};
use serde_json::json;
use treebell::clock::ManualClock;
use treebell::config::Config;
use treebell::message::facts::{Basis, NoticeFacts, Sender, StageDates};
use treebell::message::{Message, Templates};
use treebell::people::Language;
use treebell::season::decide::MovedBy;
use treebell::season::profile::Profiles;
use treebell::season::window::DeadlineRule;
use treebell::season::{DaySpan, NoticeKind, SeasonKey, WindowDays, phrases};
use treebell::service::app::App;
use treebell::store::Store;
use treebell::store::notices::{NewNotice, Notice, NoticeRelease, NoticeState, NoticeText, Recall, ReleasePlan};
use treebell::web::Site;

use super::season::Season;
use super::support::World;
use crate::support;

const NAMESPACE: &str = "urn:oasis:names:tc:emergency:cap:1.2";
const REGION: &str = "/region/dos-vientos";

/// Kind, hour at which it went out.
const NOTICES: [(NoticeKind, &str); 6] = [
    (NoticeKind::GetReady, "2025-02-28T13:15:00Z"),
    (NoticeKind::InspectNow, "2025-03-12T12:15:00Z"),
    (NoticeKind::WashNow, "2025-03-30T12:15:00Z"),
    (NoticeKind::DeadlineMoved, "2025-04-03T12:15:00Z"),
    (NoticeKind::LastDaysToWash, "2025-04-06T12:15:00Z"),
    (NoticeKind::TooLateToWash, "2025-04-20T12:15:00Z"),
];

fn days() -> WindowDays {
    let day = |text: &str| text.parse().unwrap();
    WindowDays {
        look_from: day("2025-03-12"),
        best: Some(DaySpan { first: day("2025-03-30"), last: day("2025-04-06") }),
        deadline: day("2025-04-07"),
        rule: DeadlineRule::LeastDays,
        last_from: day("2025-04-04"),
        hatch_early: Some(day("2025-04-05")),
        hatch_late: Some(day("2025-05-01")),
        settled: Some(day("2025-05-02")),
        was: None,
    }
}

/// Facts of a notice of a kind; the one on a move tells the day before.
fn facts_of(kind: NoticeKind) -> NoticeFacts {
    if kind != NoticeKind::DeadlineMoved {
        return facts();
    }
    let days = WindowDays { was: Some("2025-04-02".parse().unwrap()), ..days() };
    NoticeFacts { days: Some(days), moved_by: Some(MovedBy::CoolWeather), ..facts() }
}

fn facts() -> NoticeFacts {
    let day = |text: &str| text.parse().unwrap();
    let dates = |reached: Option<&str>, early: &str, likely: &str, late: &str| StageDates {
        reached: reached.map(day),
        early: Some(day(early)),
        likely: day(likely),
        late: Some(day(late)),
        past_error_days: None,
    };
    NoticeFacts {
        sender: Sender::from(&Config::default().messages),
        region_id: "dos-vientos".into(),
        region_name: "Dos Vientos".into(),
        season: 2025,
        decided_on: day("2025-03-12"),
        basis: Basis::Heat,
        laying: dates(None, "2025-03-02", "2025-03-18", "2025-04-03"),
        hatch: dates(None, "2025-04-05", "2025-04-16", "2025-05-01"),
        wash_by: day("2025-04-07"),
        station_name: "Dos Vientos school".into(),
        heat_sum: 220.0,
        heat_needed: 214.0,
        provisional: true,
        borrowed: None,
        days: Some(days()),
        moved_by: None,
        profile_version: Some(1),
        estimated: None,
        laying_chance: None,
        learned_days: None,
        grid: None,
        chance: None,
        wash: None,
    }
}

/// The invented season with so many notices out.
async fn world(name: &str, day: &str, how_many: usize) -> World {
    let season = Season::named(name).await;
    for (kind, at) in NOTICES.into_iter().take(how_many) {
        let at: chrono::DateTime<chrono::Utc> = at.parse().unwrap();
        put(season.store(), kind, &facts_of(kind), at).await;
    }
    season.on(day).await
}

async fn put(store: &Store, kind: NoticeKind, facts: &NoticeFacts, at: chrono::DateTime<chrono::Utc>) {
    let new = NewNotice {
        season: SeasonKey { profile: "pinyon-needle-scale".into(), region: "dos-vientos".into(), year: 2025 },
        kind,
        fate: NoticeRelease::Release,
        reason: json!({}),
        facts: serde_json::to_value(facts).unwrap(),
        decided_on: at.date_naive(),
        decided_at: at,
        expires_at: at + chrono::Duration::days(21),
        priority: 1,
    };
    let texts = Language::ALL.map(|language| NoticeText { language, message: Message::Sms { text: "t".into() } });
    store.put_notice(&new, &texts).await.unwrap();
}

fn child<'a>(of: Node<'a, 'a>, name: &str) -> &'a str {
    of.children().find(|node| node.has_tag_name((NAMESPACE, name))).and_then(|node| node.text()).unwrap_or("")
}

/// What section 3 of the standard asks of one document, and what our alerts have beyond that.
fn check(xml: &str) -> (String, String, String) {
    let document = Document::parse(xml).unwrap();
    let alert = document.root_element();
    assert!(alert.has_tag_name((NAMESPACE, "alert")));
    let in_order = |of: Node<'_, '_>, order: &[&str]| {
        let names: Vec<&str> = of.children().filter(Node::is_element).map(|node| node.tag_name().name()).collect();
        let places: Vec<usize> = names
            .iter()
            .map(|name| order.iter().position(|known| known == name).unwrap_or_else(|| panic!("{name}")))
            .collect();
        assert!(places.is_sorted(), "{names:?}");
        for node in of.children().filter(Node::is_element) {
            assert!(node.children().count() > 0, "an empty {}", node.tag_name().name());
        }
    };
    in_order(alert, &["identifier", "sender", "sent", "status", "msgType", "scope", "note", "references", "info"]);
    for name in ["identifier", "sender"] {
        let text = child(alert, name);
        assert!(!text.is_empty() && !text.contains([' ', ',', '<', '&']), "{name}: {text}");
    }
    let time = |text: &str| {
        assert!(!text.contains('Z') && !text.ends_with("+00:00") && text.len() == 25, "{text}");
        chrono::DateTime::parse_from_rfc3339(text).unwrap()
    };
    let sent = time(child(alert, "sent"));
    assert!(["Actual", "Exercise"].contains(&child(alert, "status")));
    assert!(["Alert", "Update"].contains(&child(alert, "msgType")));
    assert_eq!(child(alert, "scope"), "Public");
    assert_eq!(child(alert, "msgType") == "Update", !child(alert, "references").is_empty());
    let infos: Vec<Node<'_, '_>> = alert.children().filter(|node| node.has_tag_name((NAMESPACE, "info"))).collect();
    assert_eq!(infos.iter().map(|info| child(*info, "language")).collect::<Vec<_>>(), ["en-US", "es-US"]);
    for info in infos {
        in_order(
            info,
            &[
                "language",
                "category",
                "event",
                "responseType",
                "urgency",
                "severity",
                "certainty",
                "onset",
                "expires",
                "senderName",
                "headline",
                "description",
                "instruction",
                "web",
                "contact",
                "area",
            ],
        );
        assert_eq!(child(info, "category"), "Env");
        assert!(["Prepare", "Monitor", "Execute", "None"].contains(&child(info, "responseType")));
        assert!(["Future", "Past"].contains(&child(info, "urgency")));
        assert_eq!(child(info, "severity"), "Minor");
        assert!(["Observed", "Likely"].contains(&child(info, "certainty")));
        assert!(time(child(info, "expires")) > sent);
        time(child(info, "onset"));
        // The five things that a warning tells: who, what, where, when, what to do.
        for name in ["senderName", "event", "headline", "description", "instruction", "web", "contact"] {
            let text = child(info, name);
            assert!(!text.is_empty() && !text.contains(['{', '}']), "{name}: {text}");
        }
        assert!(child(info, "description").chars().any(|c| c.is_ascii_digit()), "a date");
        let area = info.children().find(|node| node.has_tag_name((NAMESPACE, "area"))).unwrap();
        in_order(area, &["areaDesc", "geocode"]);
        let codes: BTreeSet<&str> = area
            .children()
            .filter(|node| node.has_tag_name((NAMESPACE, "geocode")))
            .map(|code| {
                assert_eq!(child(code, "valueName"), "ZIP");
                child(code, "value")
            })
            .collect();
        assert!(codes.contains("00201") && codes.len() == 5, "{codes:?}");
    }
    assert!(xml.len() < 900_000);
    (child(alert, "identifier").into(), child(alert, "sender").into(), child(alert, "sent").into())
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn each_notice_is_an_alert_that_names_those_before_it() {
    let world = world("Dos Vientos", "2025-04-21", 6).await;
    let news = world.get(&format!("{REGION}/news.atom")).await.body;
    let feed = Document::parse(&news).unwrap();
    // The newest first in the feed; in the order of their going here.
    let mut paths: Vec<String> = feed
        .descendants()
        .filter(|node| node.attribute("type") == Some("application/cap+xml"))
        .map(|node| {
            let parent = node.parent().unwrap();
            assert_eq!((parent.tag_name().name(), node.attribute("rel")), ("entry", Some("alternate")));
            node.attribute("href").unwrap().strip_prefix("https://pinyon.example.org").unwrap().to_owned()
        })
        .collect();
    paths.reverse();
    assert_eq!(paths.len(), 6, "{news}");
    let mut before: Vec<String> = Vec::new();
    // Onset and end by the window's days: the next midnight after the last day. Those that tell no last day end with their use.
    let lasts = [
        ("2025-03-12", None),
        ("2025-03-12", None),
        ("2025-03-30", Some("2025-04-08")),
        ("2025-03-30", Some("2025-04-08")),
        // As the facts of all six have it, decided on 12 March.
        ("2025-03-12", Some("2025-04-08")),
        ("2025-04-08", Some("2025-05-03")),
    ];
    for (path, (onset, end)) in paths.iter().zip(lasts) {
        let answer = world.get(path).await;
        assert_eq!(
            (answer.status, answer.header("content-type")),
            (StatusCode::OK, "application/cap+xml; charset=utf-8"),
            "{path}"
        );
        let (identifier, sender, sent) = check(&answer.body);
        assert_eq!(sender, "pinyon.example.org");
        assert!(sent.ends_with("-07:00") || sent.ends_with("-06:00"), "{sent}");
        assert!(answer.body.contains("<status>Actual</status>"), "{path}");
        assert!(answer.body.contains(&format!("<onset>{onset}T00:00:00-0")), "{path}: {}", answer.body);
        if let Some(end) = end {
            assert!(answer.body.contains(&format!("<expires>{end}T00:00:00-0")), "{path}: {}", answer.body);
        }
        assert!(answer.body.contains("<certainty>Likely</certainty>") && !answer.body.contains("Observed"), "{path}");
        let document = Document::parse(&answer.body).unwrap();
        assert_eq!(child(document.root_element(), "references"), before.join(" "), "{path}");
        before.push(format!("{sender},{identifier},{sent}"));
        let Some(python) = support::python("alerts read by an outside parser") else { continue };
        let read = support::run_python(&python, READER, &[], answer.body.as_bytes());
        assert_eq!(read.trim(), format!("{identifier} Public 2 5 ZIP"), "{path}");
    }
    // A moved deadline is an update that names both days and why.
    let moved = world.get(&paths[3]).await.body;
    assert!(moved.contains("<msgType>Update</msgType>"));
    for said in [
        "Wash by April 7. It was April 2. Cool weather moved it.",
        "Lave a más tardar el 7 de abril. Antes era el 2 de abril. Cambió por el tiempo fresco.",
    ] {
        assert!(moved.contains(said), "{moved}");
    }
    // The newest under one address, and only what went out.
    let newest = world.get(&format!("{REGION}/alert.cap")).await;
    assert_eq!(newest.body, world.get(&paths[5]).await.body);
    assert!(
        newest.body.contains("<urgency>Past</urgency>") && newest.body.contains("<responseType>None</responseType>")
    );
    for path in ["/alert/2024-inspect-now.cap", "/alert/2025-inspect-now", "/alert/x"] {
        assert_eq!(world.get(&format!("{REGION}{path}")).await.status, StatusCode::NOT_FOUND, "{path}");
    }
    assert_eq!(world.get("/region/mesa-callada/alert.cap").await.status, StatusCode::NOT_FOUND);
    assert_eq!(world.get("/region/nowhere/alert.cap").await.status, StatusCode::NOT_FOUND);
}

/// Two truths without `window::moved`: the page names the day that was told before, the outlook for programs does not.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_last_day_that_has_moved_is_named_by_page_and_outlook_alike() {
    let season = Season::new().await;
    let standings = season.days().await;
    let day = &standings[3];
    let window = |body: &str| serde_json::from_str::<serde_json::Value>(body).unwrap()["season"]["window"].clone();
    let before = window(&season.on(day).await.get(&format!("{REGION}/outlook.json")).await.body);
    assert!(before["deadline_was"].is_null() && before["deadline_moved_by"].is_null(), "{before}");
    let deadline: chrono::NaiveDate = before["deadline"].as_str().unwrap().parse().unwrap();
    let was = deadline - chrono::Days::new(5);
    let days = WindowDays { deadline, was: Some(was), ..days() };
    let facts = NoticeFacts { days: Some(days), wash_by: deadline, ..facts_of(NoticeKind::DeadlineMoved) };
    put(season.store(), NoticeKind::DeadlineMoved, &facts, format!("{day}T12:15:00Z").parse().unwrap()).await;
    let world = season.on(day).await;
    let page = world.get(REGION).await.body;
    let said = format!("It was {}. Cool weather moved it.", phrases::date(Language::En, was));
    assert!(page.contains(&said), "{said}: {page}");
    let after = window(&world.get(&format!("{REGION}/outlook.json")).await.body);
    assert_eq!(after["deadline"], before["deadline"]);
    assert_eq!((&after["deadline_was"], &after["deadline_moved_by"]), (&json!(was), &json!("cool-weather")));
}

/// Strict: an element or a value that the standard does not know is a fault.
const READER: &str = "
import sys
from cap_tools.models import Alert
from xsdata.formats.dataclass.parsers import XmlParser
from xsdata.formats.dataclass.parsers.config import ParserConfig
config = ParserConfig(fail_on_unknown_properties=True, fail_on_unknown_attributes=True, fail_on_converter_warnings=True)
alert = XmlParser(config=config).from_bytes(sys.stdin.buffer.read(), Alert)
codes = alert.infos[0].areas[0].geocodes
print(alert.identifier, alert.scope.value, len(alert.infos), len(codes), codes[0].value_name.value)
";

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_name_with_markup_stays_a_name_in_an_alert() {
    let world = world("Dos <b>&\"Vientos", "2025-03-14", 2).await;
    let answer = world.get(&format!("{REGION}/alert.cap")).await;
    check(&answer.body);
    assert!(answer.body.contains("<areaDesc>Dos &lt;b&gt;&amp;&quot;Vientos</areaDesc>"), "{}", answer.body);
}

/// The heat number is no sight: only eggs or a hatch that somebody saw are observed.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn only_what_somebody_saw_is_observed() {
    let season = Season::new().await;
    let seen_hatch = WindowDays { rule: DeadlineRule::HatchSeen, ..days() };
    for (kind, basis, days, certainty) in [
        (NoticeKind::InspectNow, Basis::Heat, days(), "Likely"),
        (NoticeKind::WashNow, Basis::Seen, days(), "Observed"),
        (NoticeKind::LastDaysToWash, Basis::Seen, days(), "Likely"),
        (NoticeKind::TooLateToWash, Basis::Heat, seen_hatch, "Observed"),
    ] {
        let facts = NoticeFacts { basis, days: Some(days), ..facts() };
        let at = "2025-03-30T12:15:00Z".parse().unwrap();
        put(season.store(), kind, &facts, at).await;
        let name = format!("{REGION}/alert/2025-{}.cap", kind.name());
        let alert = season.on("2025-03-31").await.get(&name).await.body;
        assert!(alert.contains(&format!("<certainty>{certainty}</certainty>")), "{kind:?} {basis:?}: {alert}");
    }
}

/// CAP 1.2, section 3.2.2: Likely is "p > ~50%", Possible "p <= ~50%".
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_certainty_follows_the_chance_of_what_is_told() {
    for (chance, certainty) in [(Some(0.5), "Possible"), (Some(0.51), "Likely")] {
        let season = Season::new().await;
        for kind in NoticeKind::ALL {
            let facts = NoticeFacts { chance, ..facts_of(kind) };
            put(season.store(), kind, &facts, "2025-03-30T12:15:00Z".parse().unwrap()).await;
        }
        let world = season.on("2025-03-31").await;
        for kind in NoticeKind::ALL {
            let alert = world.get(&format!("{REGION}/alert/2025-{}.cap", kind.name())).await.body;
            let wanted = format!("<certainty>{certainty}</certainty>");
            assert_eq!(alert.matches(&wanted).count(), 2, "{kind:?} at {chance:?}: {alert}");
        }
    }
}

/// A notice of a played season that left 30 hours after it was decided.
fn played(at: chrono::DateTime<chrono::Utc>, recall: Option<Recall>) -> Notice {
    Notice {
        id: "pinyon-needle-scale/dos-vientos/2025/inspect-now".into(),
        season: SeasonKey { profile: "pinyon-needle-scale".into(), region: "dos-vientos".into(), year: 2025 },
        kind: NoticeKind::InspectNow,
        state: NoticeState::Released { at: at + chrono::Duration::hours(30), by: "policy".into() },
        plan: ReleasePlan::At(at),
        reason: json!({}),
        facts: serde_json::to_value(facts()).unwrap(),
        decided_on: at.date_naive(),
        decided_at: at,
        expires_at: at + chrono::Duration::days(21),
        staff_note: None,
        recall,
        own_words: None,
        undoable: false,
    }
}

/// Without the line of the page (`recalled` in `region_page.rs`) it is silent about a message that people have.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn who_has_the_message_of_a_recalled_notice_reads_that_it_was_recalled() {
    let world = world("Dos Vientos", "2025-03-14", 0).await;
    let at: chrono::DateTime<chrono::Utc> = "2025-03-12T12:15:00Z".parse().unwrap();
    let recall = |gone, maybe| Recall { at: at + chrono::Duration::hours(48), by: "M. Reyes".into(), gone, maybe };
    world.clock.set("2025-03-14T19:00:00Z".parse().unwrap());
    for (recall, en, es) in [
        (None, None, None),
        (Some(recall(0, 0)), None, None),
        (Some(recall(12, 0)), Some("On March 13, a message went out: "), Some("El 13 de marzo salió un mensaje: ")),
        (
            Some(recall(0, 1)),
            Some("On March 13, a message may have gone out: "),
            Some("pudo haber salido un mensaje: "),
        ),
    ] {
        let is_recalled = recall.is_some();
        let site = Site::of_exercise(world.app.clone(), vec![played(at, recall)]).unwrap();
        site.ready().await.unwrap();
        let shown = World::of(world.app.clone(), world.clock.clone(), site);
        for (language, said, after) in
            [("", en, "On March 14, extension staff recalled it."), ("/es", es, "El 14 de marzo el personal")]
        {
            let page = shown.get(&format!("{language}{REGION}")).await.body;
            assert_eq!(page.contains(after), said.is_some(), "{page}");
            assert!(said.is_none_or(|said| page.contains(said)), "{page}");
        }
        let json = shown.get(&format!("{REGION}/outlook.json")).await.body;
        let json: serde_json::Value = serde_json::from_str(&json).unwrap();
        let wanted = en.map(|_| json!({ "kind": "inspect-now", "on": "2025-03-13", "recalled_on": "2025-03-14" }));
        assert_eq!(json["recalled"], wanted.unwrap_or_default());
        let alert = format!("{REGION}/alert/2025-inspect-now.cap");
        for path in [format!("{REGION}/news.atom"), alert] {
            let body = shown.get(&path).await.body;
            assert_eq!(body.contains("Extension staff recalled this on March 14."), is_recalled, "{path}: {body}");
        }
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_exercise_says_so_and_shows_a_notice_from_its_hour_on() {
    let world = world("Dos Vientos", "2025-03-14", 0).await;
    let at: chrono::DateTime<chrono::Utc> = "2025-03-12T12:15:00Z".parse().unwrap();
    let played = played(at, None);
    // Asked for on the day it was decided, and on the day after it went out.
    for (day, backing, status) in
        [("2025-03-13T01:00:00Z", "due", StatusCode::NOT_FOUND), ("2025-03-14T19:00:00Z", "plain", StatusCode::OK)]
    {
        world.clock.set(day.parse().unwrap());
        let site = Site::of_exercise(world.app.clone(), vec![played.clone()]).unwrap();
        site.ready().await.unwrap();
        let shown = World::of(world.app.clone(), world.clock.clone(), site);
        let answer = shown.get(&format!("{REGION}/alert.cap")).await;
        assert_eq!(answer.status, status, "{day}");
        let json = shown.get(&format!("{REGION}/outlook.json")).await.body;
        assert!(json.contains(&format!("\"backing\": \"{backing}\"")), "{day}: {json}");
        if status == StatusCode::OK {
            check(&answer.body);
            assert!(answer.body.contains("<status>Exercise</status>") && answer.body.contains("<note>"));
        }
        for (path, says) in [("/", "This is an exercise"), ("/es", "Esto es un ejercicio")] {
            assert!(shown.get(path).await.body.contains(says), "{path}");
        }
    }
    // And a service at work does not.
    let app = App::with_store(
        &Config::default(),
        std::sync::Arc::new(ManualClock::at(at)),
        Store::in_memory().await.unwrap(),
        Profiles::default(),
        Templates::load(None).unwrap(),
    );
    let site = Site::new(app).unwrap();
    assert!(!site.is_exercise());
}
