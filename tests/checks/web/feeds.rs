//! What other programs read, by readers that are not ours.

use axum::http::StatusCode;

use super::season::Season;
use crate::support;

const REGION: &str = "/region/dos-vientos";

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn pictures_are_xml_that_may_stand_alone_under_a_strict_policy() {
    let season = Season::new().await;
    let world = season.on("2025-03-10").await;
    for (path, resource) in
        [("chart.svg?w=340", "same-origin"), ("chart.svg?w=nonsense", "same-origin"), ("badge.svg", "cross-origin")]
    {
        for language in ["", "/es"] {
            let answer = world.get(&format!("{language}{REGION}/{path}")).await;
            assert_eq!(
                (answer.status, answer.header("content-type")),
                (StatusCode::OK, "image/svg+xml; charset=utf-8"),
                "{path}"
            );
            assert_eq!(answer.header("cross-origin-resource-policy"), resource, "{path}");
            let policy = answer.header("content-security-policy");
            assert!(policy.starts_with("default-src 'none'") && !policy.contains("unsafe"), "{path}: {policy}");
            let document = roxmltree::Document::parse(&answer.body).unwrap();
            assert!(!answer.body.contains("style=") && !answer.body.contains("<script"));
            let styles = document.descendants().filter(|node| node.has_tag_name("style")).count();
            assert_eq!(policy.contains("'sha256-"), styles == 1, "{path}");
        }
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn news_is_atom_with_ids_that_stay() {
    let season = Season::new().await;
    let (before, after) = (season.on("2025-03-10").await, season.on("2025-04-10").await);
    let mut seen = Vec::new();
    for world in [before, after] {
        let answer = world.get(&format!("{REGION}/news.atom")).await;
        assert_eq!(answer.header("content-type"), "application/atom+xml; charset=utf-8");
        let document = roxmltree::Document::parse(&answer.body).unwrap();
        let root = document.root_element();
        // RFC 4287, section 4.1.1: a feed has an id, a title, an updated time and an author.
        let text = |name: &str| {
            let node = root.children().find(|node| node.tag_name().name() == name).unwrap_or_else(|| panic!("{name}"));
            assert_eq!(node.tag_name().namespace(), Some("http://www.w3.org/2005/Atom"));
            node.descendants().filter(|node| node.is_text()).filter_map(|node| node.text()).collect::<String>()
        };
        assert!(!text("author").trim().is_empty() && text("title").contains("Dos Vientos"));
        let updated: chrono::DateTime<chrono::Utc> = text("updated").parse().unwrap();
        seen.push((text("id"), updated));
    }
    assert_eq!(seen[0].0, "https://pinyon.example.org/region/dos-vientos/news.atom");
    assert_eq!(seen[0].0, seen[1].0);
    assert!(seen[0].1 <= seen[1].1);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_outlook_is_json_with_its_dates_in_order() {
    let season = Season::new().await;
    let world = season.on("2025-02-10").await;
    let answer = world.get(&format!("{REGION}/outlook.json")).await;
    let value: serde_json::Value = serde_json::from_str(&answer.body).unwrap();
    assert_eq!(value["region"]["id"], "dos-vientos");
    assert_eq!(value["day"], "2025-02-10");
    assert_eq!(value["season"]["year"], 2025);
    let laying = &value["season"]["stages"][0];
    let day = |key: &str| laying["projected"][key].as_str().unwrap().to_owned();
    assert!(day("early") <= day("median") && day("median") <= day("late"));
    assert!(laying["reached_on"].is_null());
    // A number that nobody has measured: most of the doubt is the insect's, and a chance is told.
    assert!(laying["parts"]["insect_days"].as_u64().unwrap() > 7, "{laying}");
    let chance = laying["chance_today"].as_f64().unwrap();
    assert!((0.0..0.4).contains(&chance), "{chance}");
    let window = &value["season"]["window"];
    let of =
        |path: &str| window.pointer(path).and_then(|day| day.as_str()).unwrap_or_else(|| panic!("{path}: {window}"));
    assert!(of("/look_from") < of("/best_days/first") && of("/best_days/first") <= of("/best_days/last"));
    assert!(of("/best_days/last") <= of("/deadline") && of("/last_from") < of("/deadline"));
    assert!(of("/hatch/early") < of("/hatch/late") && window["deadline_was"].is_null());
    let wash = &value["season"]["wash"];
    let shares: Vec<f64> = wash["shares"].as_array().unwrap().iter().map(|share| share.as_f64().unwrap()).collect();
    assert!(shares.iter().all(|share| (0.0..=1.0).contains(share)) && shares.iter().any(|share| *share > 0.7));
    assert!(wash["first_day"].as_str().unwrap() < of("/best_days/first"));
    assert_eq!(wash["second"]["after"].as_str().unwrap(), of("/best_days/first"));
    assert_eq!(value["profile"]["version"], 1);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_window_is_a_calendar_of_whole_days_under_ids_that_stay() {
    let season = Season::new().await;
    let mut seen = Vec::new();
    for day in ["2025-02-10", "2025-03-20"] {
        let answer = season.on(day).await.get(&format!("{REGION}/calendar.ics")).await;
        assert_eq!(answer.header("content-type"), "text/calendar; charset=utf-8");
        let lines: Vec<String> = answer.body.replace("\r\n ", "").split("\r\n").map(str::to_owned).collect();
        let all = |start: &str| -> Vec<String> {
            let lines = lines.iter().filter_map(|line| line.strip_prefix(start));
            lines.map(|line| line.trim_start_matches(':').to_owned()).collect()
        };
        let (first, end) = (all("DTSTART;VALUE=DATE:"), all("DTEND;VALUE=DATE:"));
        assert_eq!((first.len(), end.len()), (2, 2));
        assert!(first[0] < end[0] && end[0] <= first[1] && first[1] < end[1], "{first:?} {end:?}");
        seen.push(all("UID"));
        let Some(python) = support::python("calendar feed read by an outside parser") else { continue };
        let read = support::run_python(
            &python,
            "import sys, icalendar\nc = icalendar.Calendar.from_ical(sys.stdin.buffer.read())\nfor e in c.walk('VEVENT'): print(e['SUMMARY'], (e['DTEND'].dt - e['DTSTART'].dt).days)",
            &[],
            answer.body.as_bytes(),
        );
        let read: Vec<&str> = read.trim().lines().collect();
        assert_eq!(read[0], "Begin to look at pinyons in Dos Vientos 1");
        let wash: i64 = read[1].strip_prefix("Wash pinyons in Dos Vientos ").unwrap().parse().unwrap();
        assert!(wash > 5, "{read:?}");
    }
    assert_eq!(seen[0], seen[1]);
}
