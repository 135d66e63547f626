//! A region for other programs: its chart and badge as pictures, its window as a calendar, its news as Atom. Its outlook as
//! JSON has a file of its own.

use std::cmp::Ordering;
use std::collections::BTreeMap;

use atom_syndication::{Content, Entry, Feed, Link, Person, Text};
use axum::Router;
use axum::extract::{Path, Query};
use axum::http::HeaderMap;
use axum::response::Response;
use axum::routing::get;
use chrono::{DateTime, Days, NaiveDate, NaiveTime, Utc};
use icalendar::{Calendar, Component, Event, EventLike, Property};

use super::views::{CHART_WIDTHS, RegionView, STEPS};
use super::window::hatch_words;
use super::{Fault, Site, Visit, alert, outlook_json, recalled};
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
    let view = views.region(&id).ok_or(Fault::NotFound)?.made()?;
    let known = view.known.as_ref().ok_or(Fault::NotFound)?;
    let wanted: u32 = asked_for.get("w").and_then(|width| width.parse().ok()).unwrap_or(CHART_WIDTHS[1]);
    let width = CHART_WIDTHS.into_iter().min_by_key(|width| width.abs_diff(wanted)).unwrap_or(CHART_WIDTHS[1]);
    let chart = known.charts.get(&(visit.language, width)).ok_or(Fault::NotFound)?;
    let cached = view.answer(&format!("{}/chart.svg?w={width}", region_path(&id)), visit.language, || {
        CachedAnswer::packed_picture(chart).ok_or_else(|| Fault::Inside("a chart is not whole".to_owned()))
    })?;
    Ok(cached.answer(&asked))
}

/// Answers with what `make` writes of a region, written once for all who ask.
async fn cached(
    visit: &Visit,
    id: &RegionId,
    name: &str,
    asked: &HeaderMap,
    make: impl FnOnce(&RegionView) -> Result<CachedAnswer, Fault>,
) -> Result<Response, Fault> {
    let views = visit.site.views().get().await?;
    let view = views.region(id).ok_or(Fault::NotFound)?;
    let cached = view.answer(&format!("{}/{name}", region_path(id)), visit.language, || make(view))?;
    Ok(cached.answer(asked))
}

async fn badge(visit: Visit, Path(id): Path<RegionId>, asked: HeaderMap) -> Result<Response, Fault> {
    cached(&visit, &id, "badge.svg", &asked, |view| Ok(CachedAnswer::picture(&badge_of(&visit, view)).embeddable()))
        .await
}

async fn calendar(visit: Visit, Path(id): Path<RegionId>, asked: HeaderMap) -> Result<Response, Fault> {
    cached(&visit, &id, "calendar.ics", &asked, |view| {
        // An empty one would take the entries out of calendars that have them.
        Ok(CachedAnswer::new("text/calendar; charset=utf-8", calendar_of(&visit, view.made()?)))
    })
    .await
}

async fn news(visit: Visit, Path(id): Path<RegionId>, asked: HeaderMap) -> Result<Response, Fault> {
    cached(&visit, &id, "news.atom", &asked, |view| {
        Ok(CachedAnswer::new("application/atom+xml; charset=utf-8", news_of(&visit, view)))
    })
    .await
}

async fn outlook(visit: Visit, Path(id): Path<RegionId>, asked: HeaderMap) -> Result<Response, Fault> {
    cached(&visit, &id, "outlook.json", &asked, |view| {
        Ok(CachedAnswer::new("application/json", outlook_json::of(&visit, view.made()?)).embeddable())
    })
    .await
}

/// The state in one line.
fn headline(visit: &Visit, view: &RegionView) -> String {
    phrases::capitalised(&visit.site.word(visit.language, "region", &[view.said(), "headline"]))
}

/// The date that matters now, in words; what waits for a word of staff where there is such.
fn date_line(visit: &Visit, view: &RegionView) -> String {
    let Some(days) = view.days() else { return String::new() };
    let (shown, language) = (view.shown, visit.language);
    let said = |keys: &[&str]| visit.site.word(language, "region", keys);
    if shown.is_held_back() {
        return said(&["backing", "next"]);
    }
    let line = said(&[view.said(), "brief"])
        .replace("{look_from}", &phrases::date(language, days.look_from))
        .replace("{best}", &days.best.map(|best| phrases::span(language, best)).unwrap_or_default())
        .replace("{wash_by}", &phrases::date(language, days.deadline));
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
        SeasonStanding::Look | SeasonStanding::Wash | SeasonStanding::Last => (8, "#ddd5ee", BERRY),
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

/// The season's six steps in a row under the mark, as on the page: past ones full, the present one a diamond.
fn beads_of(standing: SeasonStanding) -> String {
    let Some(now) = STEPS.iter().position(|step| *step == standing) else { return String::new() };
    let bead = |at: usize| {
        let x = 11 + 13 * at;
        match at.cmp(&now) {
            Ordering::Less => format!(r#"<circle cx="{x}" cy="91" r="3.5" fill="{BERRY}"/>"#),
            Ordering::Equal => format!(r#"<path d="M{x} 85l6 6l-6 6l-6 -6Z" fill="{BERRY}"/>"#),
            Ordering::Greater => {
                format!(r##"<circle cx="{x}" cy="91" r="3" fill="#fffdf8" stroke="#857757" stroke-width="1.6"/>"##)
            }
        }
    };
    (0..STEPS.len()).map(|at| bead(at) + "\n").collect()
}

/// Two entries of whole days: from when to look, and the time to wash. Each moves with the outlook under one id. Without
/// best days looking and washing are one entry.
fn calendar_of(visit: &Visit, view: &RegionView) -> String {
    let language = visit.language;
    let said =
        |key: &str| visit.site.word(language, "region", &["calendar", key]).replace("{place}", &view.region.name);
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
    let Some(days) = view.days() else { return calendar.to_string() };
    let season = view.profile.season_of(view.today);
    let host = visit.site.public().and_then(|url| url.host_str()).unwrap_or("treebell.invalid");
    let days_in = (view.today - view.profile.first_day(season)).num_days().max(0);
    let mut entry = |id: &str, first: NaiveDate, last: NaiveDate, summary: &str, what: &str| {
        let mut event = Event::with_uid(&format!("{id}-{}-{season}@{host}", view.region.id));
        event
            .timestamp(view.made_at)
            .sequence(u32::try_from(days_in).unwrap_or(0))
            .starts(first)
            // An end that is a date is exclusive (RFC 5545, section 3.6.1).
            .ends(last.checked_add_days(Days::new(1)).unwrap_or(last))
            .summary(summary)
            .description(what)
            .location(&view.region.name)
            .add_property("TRANSP", "TRANSPARENT");
        if let Some(page) = visit.site.address(language, &region_path(&view.region.id)) {
            event.url(page.as_str());
        }
        calendar.push(event.done());
    };
    if days.best.is_some() {
        entry("look", days.look_from, days.look_from, &said("look"), &said("look_what"));
    }
    let first = days.best.map_or(days.look_from, |best| best.first);
    let best = days.best.map(|best| said("best").replace("{best}", &phrases::span(language, best)));
    let hatch = hatch_words(language, &days).map(|hatch| said("hatch").replace("{hatch}", &hatch));
    let what = said("wash_what").replace("{wash_by}", &phrases::date(language, days.deadline));
    let what = [best, hatch, Some(what)].into_iter().flatten().collect::<Vec<_>>().join(" ");
    entry("window", first, days.deadline.max(first), &said("wash"), &what);
    calendar.to_string()
}

/// The notices of the season that went out, the newest first. Ids are made from the facts and times are those of going
/// out, so that nothing seen before changes, unless it was recalled.
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
        let kind = notice.kind.name();
        let when = alert::when(&visit.site, language, notice);
        let words = alert::words(notice);
        let what = format!("{when} {}", said(&["news", words, "what"])).trim().to_owned();
        // A recall is news of the same entry: it comes first, and readers show the entry again.
        let (what, changed) = match recalled::of_notice(&visit.site, language, view, notice).zip(notice.recall.as_ref())
        {
            Some((recalled, recall)) => (format!("{recalled} {what}"), at.max(recall.at)),
            None => (what, at),
        };
        updated = updated.max(changed);
        let document =
            Link { mime_type: Some(alert::KIND.to_owned()), ..link("alternate", &address(&alert::path(view, notice))) };
        let id = page.clone();
        let page = Link { mime_type: Some("text/html".to_owned()), ..link("alternate", &page) };
        let entry = Entry {
            id: format!("{id}#{}-{kind}", notice.season.year),
            title: Text::plain(said(&["news", words, "title"])),
            updated: changed.fixed_offset(),
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
