//! A region in depth.

use axum::extract::{Path, Query};
use axum::response::Response;
use chrono::Datelike;
use minijinja::context;
use minijinja::value::Value;

use super::caller::Desk;
use super::date_doubts;
use super::learned::Heat;
use super::notice::{fault_of, path_of};
use super::report::{change, long};
use super::said::done_of;
use super::today::{shown_region, standing_words};
use crate::chart::ribbon::{Axis, gradients, months};
use crate::delivery::quiet_hours::QuietHours;
use crate::language::Language;
use crate::people::Channel;
use crate::region::RegionId;
use crate::season::NoticeStatus;
use crate::season::phrases::{capitalised, date};
use crate::season::status::SeasonStanding;
use crate::service::app::App;
use crate::service::desk::left::{left_from, left_words};
use crate::service::desk::nobody::HAD_NOBODY;
use crate::service::desk::notice::{fate, standing_shown, why_ended};
use crate::service::desk::region::{RegionInDepth, ReportYear, StationHealth, region_beside};
use crate::service::desk::region_words::whole_miles;
use crate::service::desk::{kind_words, local, region_changes};
use crate::service::station_choice::is_of_midnight;
use crate::store::notices::Notice;
use crate::units::{grouped_feet, m_to_feet};
use crate::web::Fault;
use crate::web::forms::Typed;
use crate::web::views::CHART_WIDTHS;

/// What may stand behind `?done=`.
const DONE: [&str; 3] = ["added", "changed", "retired"];

pub(super) async fn page(desk: Desk, Path(id): Path<RegionId>, Query(query): Query<Typed>) -> Result<Response, Fault> {
    let app = desk.site().app();
    let views = desk.site().views().shown_now();
    let on_page = |id: &RegionId| views.as_ref()?.on_page(id);
    let seen = region_beside(app, &id, &on_page).await.map_err(fault_of)?;
    let RegionInDepth { row, stages, doubts, .. } = &seen;
    let region = &row.region;
    let zone = region.time_zone;
    let axis = Axis::of_season(row.season.unwrap_or_else(|| row.today.year()));
    let [narrow, middle, wide] = CHART_WIDTHS;
    let profile = app.profiles.get(&region.profile);
    let told = row.days.filter(|_| row.standing != SeasonStanding::Unknown);
    let certainty = seen
        .date_doubts
        .as_ref()
        .zip(profile)
        .map(|(of, profile)| date_doubts::shown(&profile, of, told, row.today, &axis));
    // The chart is the public page's, which is worked out behind the pages.
    let view = desk.site().views().peek().and_then(|views| views.region(&id).cloned());
    let has_chart = view.as_ref().is_some_and(|view| view.is_made && view.known.is_some());
    let chart_comes = !region.retired && view.is_none_or(|view| !view.is_made);
    let done = done_of(&DONE, &query);
    let came_up = match done {
        Some("added" | "changed") => Some(came_up(app, &seen).await?),
        _ => None,
    };
    let total: u64 = seen.people.values().flat_map(|by_channel| by_channel.values()).sum();
    desk.page(
        "region",
        context! {
            id => region.id.as_str(),
            name => &region.name,
            county => &region.county,
            state => &region.state,
            feet => grouped_feet(region.elevation_m),
            heights => region.band.map(|band| capitalised(&band.words(Language::En))),
            zone => zone.name(),
            retired => region.retired,
            done,
            came_up,
            may_act => desk.may_act_on(region),
            may_add => desk.account().may_add_regions(),
            owner_reports => region.owner_reports.name(),
            release => region_changes::release(region.release),
            row => shown_region(&axis, row, app.config.policy.get_ready_days),
            standing_words => standing_words(row),
            gradients => Value::from_safe_string(gradients().to_owned()),
            months => Value::from_safe_string(months(&axis, Language::En)),
            season => row.season,
            narrow, middle, wide, has_chart, chart_comes,
            stages => stages.iter().map(|stage| context! { name => &stage.name, when => &stage.when }).collect::<Vec<_>>(),
            doubts,
            date_doubts => certainty,
            heat => seen.heat_sum_c.map(|sum| Heat::of(&desk).told(sum)),
            newest => row.newest_real_day.map(long),
            filled => row.filled_days,
            outlook_of => row.outlook_of.map(long),
            record_doubt => &row.record_doubt,
            stations => seen.stations.iter().map(|station| station_of(station, zone)).collect::<Vec<_>>(),
            reports => seen.reports.iter().map(year_of).collect::<Vec<_>>(),
            notices => seen.notices.iter().map(|notice| notice_of(app, &seen, notice)).collect::<Vec<_>>(),
            people => seen.people.iter().map(|(zip, by_channel)| context! {
                zip => zip.as_str(),
                texts => by_channel.get(&Channel::Sms).copied().unwrap_or(0),
                emails => by_channel.get(&Channel::Email).copied().unwrap_or(0),
            }).collect::<Vec<_>>(),
            total,
            without => region.zips.iter().filter(|zip| !seen.people.contains_key(zip)).map(|zip| zip.to_string()).collect::<Vec<_>>(),
            demand => seen.demand.iter().map(|wait| context! {
                zip => wait.zip.as_str(), people => wait.people, miles => whole_miles(wait.km),
            }).collect::<Vec<_>>(),
            changes => seen.changes.iter().map(|entry| context! {
                detail => region_changes::in_words(&entry.detail), ..change(entry, zone)
            }).collect::<Vec<_>>(),
        },
    )
}

/// The notices that came up since it was last changed, with how many each goes to.
async fn came_up(app: &App, seen: &RegionInDepth) -> Result<Vec<Value>, Fault> {
    let (region, mut lines) = (&seen.row.region, Vec::new());
    let Some(changed_at) = seen.changes.first().map(|entry| entry.at) else { return Ok(lines) };
    let quiet = QuietHours::from(&app.config.delivery);
    let is_since = |notice: &&Notice| notice.decided_at >= changed_at && notice.status() != NoticeStatus::Skipped;
    for notice in seen.notices.iter().filter(is_since) {
        let goes_to: u64 = match notice.released_at() {
            Some(_) => app.store.delivery_words(&notice.id).await?.values().sum(),
            None => app.store.count_recipients(&region.id).await?.values().sum(),
        };
        let stands = capitalised(&fate(notice, quiet, region.time_zone, app.clock.now()));
        lines.push(context! { path => path_of(&notice.id), kind => kind_words(notice.kind), stands, goes_to });
    }
    Ok(lines)
}

fn station_of(station: &StationHealth, zone: chrono_tz::Tz) -> Value {
    let of = &station.of;
    let feet = m_to_feet(station.above_m);
    context! {
        id => of.station.id.as_str(),
        name => &of.station.name,
        is_own => station.is_own,
        is_grid => of.station.is_grid_point(),
        miles => whole_miles(station.km),
        height => match feet.round() {
            feet if feet >= 1.0 => format!("{} ft above the region", grouped_feet(station.above_m)),
            feet if feet <= -1.0 => format!("{} ft below the region", grouped_feet(-station.above_m)),
            _ => "at the region’s height".to_owned(),
        },
        newest => of.newest_day.map(long),
        answered => of.answered_at.map(|at| local(at, zone)),
        hour => match of.station.observation_hour {
            None if !is_of_midnight(&of.station) => "an unknown hour".to_owned(),
            None | Some(0 | 24) => "midnight".to_owned(),
            Some(12) => "noon".to_owned(),
            Some(hour) if hour < 12 => format!("{hour} AM"),
            Some(hour) => format!("{} PM", hour - 12),
        },
    }
}

fn year_of(year: &ReportYear) -> Value {
    context! {
        year => year.year,
        confirmed => year.confirmed,
        waiting => year.waiting,
        aside => year.set_aside,
        first_seen => year.first_seen.map(|day| date(Language::En, day)),
    }
}

fn notice_of(app: &App, seen: &RegionInDepth, notice: &Notice) -> Value {
    let (zone, quiet) = (seen.row.region.time_zone, QuietHours::from(&app.config.delivery));
    let held = seen.held.get(&notice.id).map(String::as_str);
    context! {
        path => path_of(&notice.id),
        kind => kind_words(notice.kind),
        standing => standing_shown(notice),
        decided_on => date(Language::En, notice.decided_on),
        left => left_from(notice, quiet, zone).map(|from| left_words("", from, zone, app.clock.now())),
        had_nobody => seen.to_nobody.contains(&notice.id).then_some(HAD_NOBODY),
        why => why_ended(notice, zone, held).or_else(|| held.map(str::to_owned)),
        says => notice.deadline().map(|day| date(Language::En, day)),
    }
}
