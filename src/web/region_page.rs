//! A region's page: where its season stands, what to do now, and on what that rests.

use std::collections::BTreeMap;

use axum::Router;
use axum::extract::{Path, Query};
use axum::http::HeaderMap;
use axum::response::Response;
use axum::routing::get;
use chrono::{DateTime, Datelike, NaiveDate, Timelike};
use chrono_tz::Tz;
use minijinja::context;
use minijinja::value::Value;

use super::home::HTML;
use super::page;
use super::views::{CHART_WIDTHS, Known, RegionView, STEPS};
use super::{Fault, Site, Visit, alert, recalled, window};
use crate::language::Language;
use crate::links::region_path;
use crate::region::RegionId;
use crate::season::lapse::HeightEffect;
use crate::season::status::{Approval, SeasonStanding};
use crate::season::{PastScore, StageOutlook, learning_words, phrases};
use crate::units;
use crate::weather::feeds::acis_grid::Grid;
use crate::web::cache::CachedAnswer;

pub(super) fn routes() -> Router<Site> {
    Router::new().route("/region/{id}", get(region))
}

async fn region(
    visit: Visit,
    Path(id): Path<RegionId>,
    Query(asked_for): Query<BTreeMap<String, String>>,
    asked: HeaderMap,
) -> Result<Response, Fault> {
    let views = visit.site.views().get().await?;
    let view = views.region(&id).ok_or(Fault::NotFound)?;
    // Only codes of the region itself: each makes a page that is kept.
    let zip = asked_for.get("zip").and_then(|text| view.region.zips.iter().find(|zip| zip.as_str() == text));
    let path = zip.map_or_else(|| region_path(&id), |zip| format!("{}?zip={zip}", region_path(&id)));
    let cached = view.answer(&path, visit.language, || {
        let made_at = view.made_at.with_timezone(&view.region.time_zone);
        let made =
            format!("{}, {}", long_date(visit.language, made_at.date_naive()), clock_time(visit.language, &made_at));
        let shown = context! { zip => zip.map_or("", |zip| zip.as_str()), ..shown(&visit, view, &made) };
        Ok(CachedAnswer::new(HTML, page::html(&visit, "region", shown)?))
    })?;
    Ok(cached.answer(&asked))
}

fn shown(visit: &Visit, view: &RegionView, made_at: &str) -> Value {
    let language = visit.language;
    let region = &view.region;
    let whole = |path: &str| visit.site.address(language, path).map_or_else(|| visit.link(path), |url| url.to_string());
    let [narrow, middle, wide] = CHART_WIDTHS;
    context! {
        id => region.id.as_str(),
        name => &region.name,
        insect => view.profile.names.get(language),
        provisional => view.profile.provisional,
        standing => view.shown.standing.name(),
        said => view.said(),
        steps => steps(view.shown.standing, view.said()),
        days => window::days(visit, view),
        by_heat => view.shown.by_heat.name(),
        backing => view.shown.backing.name(),
        backing_words => backing_words(view.shown.backing, eggs_seen(view)),
        recalled => recalled::of_page(&visit.site, language, view, alert::words),
        held_back => view.shown.is_held_back(),
        zips => region.zips.iter().map(|zip| zip.to_string()).collect::<Vec<_>>(),
        heights => region.band.map(|band| phrases::capitalised(&band.words(language))),
        landmarks => region.landmarks.join(", "),
        feet => thousands(units::m_to_feet(region.elevation_m)),
        metres => thousands(region.elevation_m),
        made_at,
        known => view.known.as_ref().map(|known| figures(language, view, known)),
        narrow, middle, wide,
        page_address => whole(&region_path(&region.id)),
        badge_address => whole(&format!("{}/badge.svg", region_path(&region.id))),
        calendar_address => whole(&format!("{}/calendar.ics", region_path(&region.id))),
    }
}

fn eggs_seen(view: &RegionView) -> bool {
    let opens = view.known.as_ref().and_then(|known| known.outlook.stage(&view.profile.window.opens));
    opens.is_some_and(StageOutlook::seen)
}

/// The name of the words that say who has the say: they also say by what the season would stand further on.
fn backing_words(backing: Approval, eggs_seen: bool) -> &'static str {
    match (backing, eggs_seen) {
        (Approval::Awaited, true) => "awaited_seen",
        (Approval::Held, true) => "held_seen",
        (backing, _) => backing.name(),
    }
}

/// The season's six steps, each with the name of its words.
fn steps(now: SeasonStanding, said: &'static str) -> Vec<Value> {
    if now == SeasonStanding::Unknown {
        return Vec::new();
    }
    let place = STEPS.iter().position(|step| *step == now).unwrap_or(0);
    let step = |(at, step): (usize, &SeasonStanding)| {
        let is_now = at == place;
        context! { said => if is_now { said } else { step.name() }, is_now, is_done => at < place }
    };
    STEPS.iter().enumerate().map(step).collect()
}

fn figures(language: Language, view: &RegionView, known: &Known) -> Value {
    let (outlook, window) = (&known.outlook, &view.profile.window);
    // Where nothing was measured, no record speaks for it.
    let measured = outlook.newest_real_day.is_some();
    let marks = view.profile.heat_marks();
    let heat = |sum: f64| thousands(units::dd_c_to_f(sum));
    let stages: Vec<Value> = outlook
        .stages
        .iter()
        .filter_map(|stage| {
            let name = phrases::capitalised(view.profile.stage(&stage.stage)?.names.get(language));
            let needs = marks.iter().find(|(id, _)| *id == stage.stage).map(|(_, sum)| heat(*sum));
            let when = phrases::capitalised(&phrases::when(language, stage, view.today));
            Some(context! { name, when, needs })
        })
        .collect();
    let needed = marks.iter().find(|(id, _)| *id == window.opens).map(|(_, sum)| heat(*sum));
    context! {
        station => &known.station,
        grid => known.grid.map(|grid| context! { whose => grid.title(), prism => grid == Grid::Prism }),
        newest => outlook.newest_real_day.map(|day| long_date(language, day)),
        filled => outlook.filled_days,
        heat => heat(outlook.heat_sum),
        needed => &needed,
        years => outlook.trace_years.len(),
        first_year => outlook.trace_years.iter().min(),
        last_year => outlook.trace_years.iter().max(),
        forecast_days => outlook.forecast_days,
        care => match known.grid {
            Some(_) => phrases::with_care_of_grid(language, &outlook.trust),
            None => phrases::with_care(language, &outlook.trust),
        },
        past_error => outlook.stage(&window.opens).filter(|_| measured).and_then(|stage| phrases::past_error_of(language, stage, view.today)),
        borrowed => phrases::borrowed_years(language, outlook),
        learned => outlook.learned.as_ref().and_then(|note| learning_words::note(language, &view.profile, note)),
        record => known.skill.iter().filter(|row| measured && SHOWN_LEADS.contains(&row.lead_days)).map(record_row).collect::<Vec<_>>(),
        stages,
        height_effect => match known.height_effect {
            Some(effect) => Some(effect.words(language)),
            None => needed.is_some().then(|| HeightEffect::not_measured(language)),
        },
        year => outlook.season.year,
    }
}

/// Days ahead at which the page shows the forecast's record.
const SHOWN_LEADS: [u32; 6] = [42, 28, 21, 14, 7, 3];

fn record_row(row: &PastScore) -> Value {
    context! {
        lead => row.lead_days,
        seasons => row.n,
        off => format!("{:.1}", row.mae_days),
        held => format!("{:.0}", row.held * 100.0),
    }
}

/// `1:00 PM MDT`, `1:00 p. m. MDT`.
fn clock_time(language: Language, at: &DateTime<Tz>) -> String {
    let (is_pm, hour) = at.hour12();
    let half = match (language, is_pm) {
        (Language::En, false) => "AM",
        (Language::En, true) => "PM",
        (Language::Es, false) => "a. m.",
        (Language::Es, true) => "p. m.",
    };
    format!("{hour}:{:02} {half} {}", at.minute(), at.format("%Z"))
}

/// `March 12, 2026`, `12 de marzo de 2026`.
fn long_date(language: Language, day: NaiveDate) -> String {
    match language {
        Language::En => format!("{}, {}", phrases::date(language, day), day.year()),
        Language::Es => format!("{} de {}", phrases::date(language, day), day.year()),
    }
}

/// `6,430`: whole, with a comma as people in the Southwest write it in both languages.
fn thousands(value: f64) -> String {
    let digits = format!("{:.0}", value.abs());
    let mut text = String::new();
    for (at, digit) in digits.chars().enumerate() {
        if at > 0 && (digits.len() - at).is_multiple_of(3) {
            text.push(',');
        }
        text.push(digit);
    }
    if value < -0.5 { format!("-{text}") } else { text }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_held_back_is_put_down_to_a_report_where_somebody_saw_eggs() {
        for (backing, seen, words) in [
            (Approval::Awaited, true, "awaited_seen"),
            (Approval::Held, true, "held_seen"),
            (Approval::Awaited, false, "awaited"),
            (Approval::Held, false, "held"),
            (Approval::Doubted, true, "doubted"),
        ] {
            assert_eq!(backing_words(backing, seen), words);
        }
    }

    #[test]
    fn large_numbers_are_parted() {
        for (value, shown) in [(0.0, "0"), (999.4, "999"), (1000.0, "1,000"), (12345.0, "12,345"), (-1200.0, "-1,200")]
        {
            assert_eq!(thousands(value), shown);
        }
    }
}
