//! A region for other programs: its chart and badge as pictures, its window as a calendar, its news as Atom, its outlook
//! as JSON.

use std::cmp::Ordering;
use std::collections::BTreeMap;

use atom_syndication::{Content, Entry, Feed, Link, Person, Text};
use axum::Router;
use axum::extract::{Path, Query};
use axum::http::HeaderMap;
use axum::response::Response;
use axum::routing::get;
use chrono::{DateTime, Days, NaiveTime, Utc};
use icalendar::{Calendar, Component, Event, EventLike, Property};
use serde_json::json;

use super::views::{CHART_WIDTHS, RegionView, Views};
use super::{Fault, Site, Visit, alert};
use crate::chart::text_width;
use crate::links::region_path;
use crate::region::RegionId;
use crate::season::phrases;
use crate::season::status::{Approval, SeasonStanding};
use crate::text::escape;
use crate::timetable;
use crate::web::cache::CachedAnswer;

pub(super) fn routes() -> Router<Site> {
    Router::new()
        .route("/region/{id}/chart.svg", get(chart))
        .route("/region/{id}/badge.svg", get(badge))
        .route("/region/{id}/calendar.ics", get(calendar))
        .route("/region/{id}/news.atom", get(news))
        .route("/region/{id}/outlook.json", get(outlook))
}

/// The season's chart in the width nearest to the one asked for.
async fn chart(
    visit: Visit,
    Path(id): Path<RegionId>,
    Query(asked_for): Query<BTreeMap<String, String>>,
    asked: HeaderMap,
) -> Result<Response, Fault> {
    let views = visit.site.views().get().await?;
    let known = views.region(&id).and_then(|view| view.known.as_ref()).ok_or(Fault::NotFound)?;
    let wanted: u32 = asked_for.get("w").and_then(|width| width.parse().ok()).unwrap_or(CHART_WIDTHS[1]);
    let width = CHART_WIDTHS.into_iter().min_by_key(|width| width.abs_diff(wanted)).unwrap_or(CHART_WIDTHS[1]);
    let chart = known.charts.get(&(visit.language, width)).ok_or(Fault::NotFound)?;
    Ok(chart.answer(&asked))
}

/// Answers with what `make` writes of a region, written once for all who ask.
async fn cached(
    visit: &Visit,
    id: &RegionId,
    name: &str,
    asked: &HeaderMap,
    make: impl FnOnce(&Views, &RegionView) -> CachedAnswer,
) -> Result<Response, Fault> {
    let views = visit.site.views().get().await?;
    let view = views.region(id).ok_or(Fault::NotFound)?;
    let cached = views.answer(&format!("{}/{name}", region_path(id)), visit.language, || Ok(make(&views, view)))?;
    Ok(cached.answer(asked))
}

async fn badge(visit: Visit, Path(id): Path<RegionId>, asked: HeaderMap) -> Result<Response, Fault> {
    cached(&visit, &id, "badge.svg", &asked, |_, view| CachedAnswer::picture(badge_of(&visit, view)).embeddable()).await
}

async fn calendar(visit: Visit, Path(id): Path<RegionId>, asked: HeaderMap) -> Result<Response, Fault> {
    cached(&visit, &id, "calendar.ics", &asked, |views, view| {
        CachedAnswer::new("text/calendar; charset=utf-8", calendar_of(&visit, views, view))
    })
    .await
}

async fn news(visit: Visit, Path(id): Path<RegionId>, asked: HeaderMap) -> Result<Response, Fault> {
    cached(&visit, &id, "news.atom", &asked, |_, view| {
        CachedAnswer::new("application/atom+xml; charset=utf-8", news_of(&visit, view))
    })
    .await
}

async fn outlook(visit: Visit, Path(id): Path<RegionId>, asked: HeaderMap) -> Result<Response, Fault> {
    cached(&visit, &id, "outlook.json", &asked, |views, view| {
        CachedAnswer::new("application/json", outlook_of(&visit, views, view)).embeddable()
    })
    .await
}

/// The state in one line.
fn headline(visit: &Visit, view: &RegionView) -> String {
    phrases::capitalised(&visit.site.word(visit.language, "region", &[view.shown.standing.name(), "headline"]))
}

/// The date that matters now, in words; what waits for a word of staff where there is such.
fn date_line(visit: &Visit, view: &RegionView) -> String {
    let Some(known) = &view.known else { return String::new() };
    let (shown, language) = (view.shown, visit.language);
    let said = |keys: &[&str]| visit.site.word(language, "region", keys);
    if shown.is_held_back() {
        return said(&["backing", "next"]);
    }
    let stage = |id| {
        let stage = known.outlook.stage(id)?;
        let day = stage.reached.map(|reached| reached.on).or(stage.spread.median)?;
        Some(phrases::date(language, day))
    };
    let window = &view.profile.window;
    let line = said(&[shown.standing.name(), "brief"])
        .replace("{wash_by}", &phrases::date(language, known.wash_by))
        .replace("{laying}", &stage(&window.opens).unwrap_or_else(|| "?".into()))
        .replace("{hatch}", &stage(&window.closes).unwrap_or_else(|| "?".into()));
    match shown.backing {
        Approval::Plain | Approval::Due => line,
        Approval::Doubted | Approval::Awaited | Approval::Held => said(&["backing", "brief"]).replace("{line}", &line),
    }
}

/// The colour of what is to be done, as in the style sheet on a light page.
const BERRY: &str = "#43377a";

/// A picture for the page of a county: region, state, date. Colours stand on the elements: it needs no style.
fn badge_of(visit: &Visit, view: &RegionView) -> String {
    let (stem, fill, word) = match view.shown.standing {
        SeasonStanding::Unknown | SeasonStanding::Over => (5, "#f5efe1", "#55503f"),
        SeasonStanding::Quiet => (3, "#f0ecf7", BERRY),
        SeasonStanding::Ready => (5, "#f0ecf7", BERRY),
        SeasonStanding::Look | SeasonStanding::Last => (8, "#ddd5ee", BERRY),
    };
    let beads = beads_of(view.shown.standing);
    let (name, line, date) =
        (escape(&view.region.name), escape(&headline(visit, view)), escape(&date_line(visit, view)));
    let insect = escape(&phrases::capitalised(view.profile.names.get(visit.language)));
    let title = format!("{insect}, {name}: {line}. {date}");
    // A long name gets smaller letters rather than a cut end.
    let fitted = |text: &str, size: f64, bold: bool| {
        let room = 256.0 / text_width(text, size, bold);
        (size * room.min(1.0) * 10.0).floor() / 10.0
    };
    let name_size = fitted(&view.region.name, 18.0, true);
    let line_size = fitted(&headline(visit, view), 14.5, true);
    let date_size = fitted(&date_line(visit, view), 13.0, false);
    let mark = include_str!("assets/mark.svg");
    let inner = mark.split_once('>').map_or("", |(_, rest)| rest).trim_end().trim_end_matches("</svg>");
    let inner = inner.replace("<title>Treebell</title>", "");
    format!(
        r##"<svg xmlns="http://www.w3.org/2000/svg" width="360" height="104" viewBox="0 0 360 104" role="img" aria-label="{title}" font-family="system-ui, 'Segoe UI', Roboto, 'DejaVu Sans', sans-serif">
<title>{title}</title>
<rect x="0.5" y="0.5" width="359" height="103" fill="{fill}" stroke="#857757"/>
<path d="M0 1H{stem}V103H0Z" fill="{word}"/>
<g transform="translate(16 14)">{inner}</g>
{beads}<text x="92" y="28" font-size="12.5" fill="#55503f">{insect}</text>
<text x="92" y="50" font-size="{name_size}" font-weight="bold" fill="#20231c">{name}</text>
<text x="92" y="71" font-size="{line_size}" font-weight="bold" fill="{word}">{line}</text>
<text x="92" y="90" font-size="{date_size}" fill="#20231c">{date}</text>
</svg>
"##
    )
}

/// The season's five steps in a row under the mark, as on the page: past ones full, the present one a diamond.
fn beads_of(standing: SeasonStanding) -> String {
    let order = [
        SeasonStanding::Quiet,
        SeasonStanding::Ready,
        SeasonStanding::Look,
        SeasonStanding::Last,
        SeasonStanding::Over,
    ];
    let Some(now) = order.iter().position(|step| *step == standing) else { return String::new() };
    let bead = |at: usize| {
        let x = 22 + 13 * at;
        match at.cmp(&now) {
            Ordering::Less => format!(r#"<circle cx="{x}" cy="91" r="3.5" fill="{BERRY}"/>"#),
            Ordering::Equal => format!(r#"<path d="M{x} 85l6 6l-6 6l-6 -6Z" fill="{BERRY}"/>"#),
            Ordering::Greater => {
                format!(r##"<circle cx="{x}" cy="91" r="3" fill="#fffdf8" stroke="#857757" stroke-width="1.6"/>"##)
            }
        }
    };
    (0..order.len()).map(|at| bead(at) + "\n").collect()
}

/// One entry of whole days: the time to look and wash. It moves with the outlook under one id.
fn calendar_of(visit: &Visit, views: &Views, view: &RegionView) -> String {
    let said =
        |key: &str| visit.site.word(visit.language, "region", &["calendar", key]).replace("{place}", &view.region.name);
    let mut calendar = Calendar::empty();
    for (name, value) in [
        ("VERSION", "2.0"),
        ("PRODID", "-//Treebell//Regions//EN"),
        ("CALSCALE", "GREGORIAN"),
        ("METHOD", "PUBLISH"),
        ("X-WR-CALNAME", said("name").as_str()),
        ("REFRESH-INTERVAL;VALUE=DURATION", "PT12H"),
        ("X-PUBLISHED-TTL", "PT12H"),
    ] {
        calendar.append_property(Property::from((name, value)));
    }
    if let (Some(known), Some(first)) = (&view.known, view.opening()) {
        let season = known.outlook.season.year;
        let host = visit.site.public().and_then(|url| url.host_str()).unwrap_or("treebell.invalid");
        // The stages that come later may already be over: then the entry ends where washing ended.
        let closed = known.outlook.stage(&view.profile.window.closes).and_then(|stage| stage.reached);
        let last = closed.map_or(known.wash_by, |closed| closed.on).max(first);
        let days_in = (view.today - view.profile.first_day(season)).num_days().max(0);
        let mut event = Event::with_uid(&format!("window-{}-{season}@{host}", view.region.id));
        event
            .timestamp(views.made_at)
            .sequence(u32::try_from(days_in).unwrap_or(0))
            .starts(first)
            // An end that is a date is exclusive (RFC 5545, section 3.6.1).
            .ends(last.checked_add_days(Days::new(1)).unwrap_or(last))
            .summary(&said("summary"))
            .description(&said("what"))
            .location(&view.region.name)
            .add_property("TRANSP", "TRANSPARENT");
        if let Some(page) = visit.site.address(visit.language, &region_path(&view.region.id)) {
            event.url(page.as_str());
        }
        calendar.push(event.done());
    }
    calendar.to_string()
}

/// The notices of the season that went out, the newest first. Ids are made from the facts and times are those of going
/// out, so that nothing seen before changes.
fn news_of(visit: &Visit, view: &RegionView) -> String {
    let language = visit.language;
    let address = |path: &str| {
        visit.site.address(language, path).map_or_else(
            || format!("urn:treebell:{}", path.trim_start_matches('/').replace('/', ":")),
            |url| url.to_string(),
        )
    };
    let (page, own) =
        (address(&region_path(&view.region.id)), address(&format!("{}/news.atom", region_path(&view.region.id))));
    let link = |rel: &str, href: &str| Link { rel: rel.to_owned(), href: href.to_owned(), ..Link::default() };
    let said = |keys: &[&str]| visit.site.word(language, "region", keys).replace("{place}", &view.region.name);
    let season = view.profile.season_of(view.today);
    let begin = timetable::place(view.profile.first_day(season).and_time(NaiveTime::MIN), view.region.time_zone);
    let mut updated: DateTime<Utc> = begin;
    let mut entries = Vec::new();
    for notice in &view.notices {
        let at = notice.released_at().unwrap_or(notice.decided_at);
        updated = updated.max(at);
        let kind = notice.kind.name();
        let when = alert::when(&visit.site, language, notice);
        let what = format!("{when} {}", said(&["news", kind, "what"])).trim().to_owned();
        let document =
            Link { mime_type: Some(alert::KIND.to_owned()), ..link("alternate", &address(&alert::path(view, notice))) };
        let id = page.clone();
        let page = Link { mime_type: Some("text/html".to_owned()), ..link("alternate", &page) };
        let entry = Entry {
            id: format!("{id}#{}-{kind}", notice.season.year),
            title: Text::plain(said(&["news", kind, "title"])),
            updated: at.fixed_offset(),
            published: Some(at.fixed_offset()),
            links: vec![page, document],
            content: Some(Content { content_type: Some("text".into()), value: Some(what), ..Content::default() }),
            ..Entry::default()
        };
        entries.insert(0, entry);
    }
    let author = Person { name: visit.site.app().config.messages.sender_name.clone(), ..Person::default() };
    let feed = Feed {
        id: own.clone(),
        title: Text::plain(said(&["news", "name"])),
        updated: updated.fixed_offset(),
        authors: vec![author],
        lang: Some(language.code().to_owned()),
        links: vec![link("self", &own), link("alternate", &page)],
        entries,
        ..Feed::default()
    };
    feed.to_string()
}

/// `outlook.json`. Dates are days of the region's own `time_zone`, as `2026-03-09`; `computed_at` is UTC; heat is
/// °C·day (`…_degree_days_c`, to a tenth); what is not known is `null`.
///
/// - `region`: `id`, `name`, `zips`, `elevation_m`, `time_zone` (IANA name).
/// - `profile`: `id`, and whether its thresholds are `provisional`.
/// - `day`: the day that all this was worked out for.
/// - `standing`: where the season stands, as the page shows it: `none` (nothing can be said), `quiet`, `ready`, `look`,
///   `last` (days to wash), `over`. `standing_by_heat`: the same by the heat alone.
/// - `backing`: who stands behind `standing`. `plain`: it was told, or nobody is asked; `due`: its notice waits for its
///   hour; `doubted`: temperatures are in doubt, staff are asked; `awaited`: this region tells nothing unconfirmed;
///   `held`: staff hold it back.
/// - `season`, `null` for a region that could not be assessed:
///   - `year`; `heat_sum_degree_days_c` up to and with `last_day`; `newest_observed_day`; how many of the days summed
///     are `filled_days`; how many `forecast_days` follow them; how many `past_years` the dates were projected from.
///   - `record`: whether the temperatures are sound: `trust` is `sound`, `too-much-filled`, `too-old`, `too-few-years`
///     or `borrowed-years`, each but the first with its figures.
///   - `station`: `id` and `name`; `wash_by`: the last day on which washing is advised.
///   - `stages`, in order: `id`; `name` in the page's language; `degree_days_c` at which it comes; and either
///     `reached_on` with `reached_on_observed_days` (observed temperatures or a person's eyes carry it, not filled days),
///     or `projected` with the 10 % (`early`), 50 % (`median`) and 90 % (`late`) dates.
fn outlook_of(visit: &Visit, views: &Views, view: &RegionView) -> String {
    let region = &view.region;
    let spread = |spread: crate::season::DateSpread| json!({ "early": spread.early, "median": spread.median, "late": spread.late });
    let season = view.known.as_ref().map(|known| {
        let outlook = &known.outlook;
        let stages: Vec<_> = outlook
            .stages
            .iter()
            .map(|stage| {
                let name = view.profile.stage(&stage.stage).map(|of| of.names.get(visit.language));
                json!({
                    "id": stage.stage,
                    "name": name,
                    "reached_on": stage.reached.map(|reached| reached.on),
                    "reached_on_observed_days": stage.reached.map(|reached| reached.on_real_days),
                    "projected": (stage.reached.is_none()).then(|| spread(stage.spread)),
                    "degree_days_c": stage.at_sum.map(tenth),
                })
            })
            .collect();
        json!({
            "year": outlook.season.year,
            "heat_sum_degree_days_c": tenth(outlook.heat_sum),
            "last_day": outlook.last_day,
            "newest_observed_day": outlook.newest_real_day,
            "filled_days": outlook.filled_days,
            "forecast_days": outlook.forecast_days,
            "past_years": outlook.trace_years.len(),
            "record": outlook.trust,
            "station": { "id": outlook.station, "name": known.station },
            "wash_by": known.wash_by,
            "stages": stages,
        })
    });
    let value = json!({
        "region": {
            "id": region.id,
            "name": region.name,
            "zips": region.zips,
            "elevation_m": region.elevation_m,
            "time_zone": region.time_zone.name(),
        },
        "profile": { "id": view.profile.id, "provisional": view.profile.provisional },
        "day": view.today,
        "computed_at": views.made_at.format("%Y-%m-%dT%H:%M:%SZ").to_string(),
        "standing": view.shown.standing.name(),
        "standing_by_heat": view.shown.by_heat.name(),
        "backing": view.shown.backing.name(),
        "season": season,
    });
    format!("{value:#}\n")
}

fn tenth(value: f64) -> f64 {
    (value * 10.0).round() / 10.0
}
