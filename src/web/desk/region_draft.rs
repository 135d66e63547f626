//! A draft of a region: how far the work on it is, what came of it, and Save.

use std::time::Duration;

use axum::extract::{Form, Path, Query};
use axum::http::StatusCode;
use axum::response::Response;
use chrono::{NaiveDate, TimeDelta};
use minijinja::context;
use minijinja::value::Value;

use super::caller::Desk;
use super::notice::{app_of, by, fault_of, reach};
use super::region_form::conflict_of;
use super::region_height::{days_off, height_words, trees_beside, warning};
use super::sign_in::with_status;
use crate::assessment::past_dates::median;
use crate::assessment::place_past::{OFF_LEAD_DAYS, PastRow};
use crate::assessment::rehearsal::Rehearsal;
use crate::chart::ribbon::{Axis, Ribbon, SoftBand, gradients, months, ribbon};
use crate::language::Language;
use crate::region::Region;
use crate::season::lapse::usual_days_for;
use crate::season::phrases::{capitalised, date};
use crate::season::{DaySpan, days_after, days_before, days_between};
use crate::service::desk::comes_up::of_saving_in_words;
use crate::service::desk::region_words::{desk_words, page_words, whole_miles, without_brackets};
use crate::service::desk::reports::act_at_once;
use crate::service::desk::{DeskError, Hand, region_changes};
use crate::service::new_region::{Fact, NoStation};
use crate::service::preview::{OtherRegion, Preview};
use crate::service::region_drafts::{self, Draft, Failure, NotSaved, Ready, Stage, Step, Task};
use crate::service::station_choice::is_far_in_height;
use crate::store::StoreError;
use crate::store::audit::changes;
use crate::units::grouped_feet;
use crate::web::Fault;
use crate::web::forms::{Typed, field};

/// So long somebody waits for a draft before its page tells how far it is.
pub(super) const PATIENCE: Duration = Duration::from_secs(3);

/// So many seconds after which a page reloads itself, for whoever asked for that.
const RELOAD_S: u32 = 5;

/// Fields of the form that sentences name.
const FIELDS: [(&str, &str); 3] =
    [("“Elevation”", "elevation_ft"), ("“Stations”", "stations"), ("“Time zone”", "time_zone")];

/// Days before our heat number of which is told how far off projections were.
const LEADS_SHOWN: [u32; 4] = [42, 28, 14, 7];

pub(super) fn path_of(draft: &Draft) -> String {
    format!("/desk/region-draft/{}", draft.id)
}

pub(super) async fn page(desk: Desk, Path(id): Path<String>, Query(query): Query<Typed>) -> Result<Response, Fault> {
    let Some(draft) = own(&desk, &id) else { return gone(&desk) };
    match field(&query, "follow") {
        "yes" => draft.follow(true),
        "no" => draft.follow(false),
        _ => {}
    }
    shown(&desk, &draft, None)
}

pub(super) async fn save(desk: Desk, Path(id): Path<String>, Form(typed): Form<Typed>) -> Result<Response, Fault> {
    let Some(draft) = own(&desk, &id) else { return gone(&desk) };
    let Stage::Ready(ready) = draft.stage() else { return Ok(desk.to(&path_of(&draft))) };
    let why = match field(&typed, "why") {
        "" => None,
        why => match crate::people::csv::kept_reason(why) {
            Ok(why) => Some(why),
            Err(why) => {
                return refused(
                    &desk,
                    &draft,
                    format!("Say why in a few words without e-mail addresses or telephone numbers: {why}."),
                );
            }
        },
    };
    if !ready.found.doubts.is_empty() && field(&typed, "sure") != "yes" {
        let why = "Something is in doubt: change it, or say below that you have looked at it.";
        return refused(&desk, &draft, why.to_owned());
    }
    let app = app_of(&desk, why.as_deref())?;
    let saved = match &draft.task {
        Task::Add(_) => {
            let may_add = |region: &Region| desk.account().may_add(region);
            region_drafts::save(&app, Hand { by: by(&desk), reach: &may_add }, &draft).await
        }
        Task::Change(_) => {
            let may = reach(&desk);
            region_drafts::save(&app, Hand { by: by(&desk), reach: &may }, &draft).await
        }
    };
    match saved {
        Ok(region) => {
            acted(&desk, &region).await;
            let done = if matches!(draft.task, Task::Add(_)) { "added" } else { "changed" };
            Ok(desk.to(&format!("/desk/region/{}?done={done}", region.id)))
        }
        Err(NotSaved::NotReady) => Ok(desk.to(&path_of(&draft))),
        Err(NotSaved::Desk(DeskError::Store(StoreError::Conflict(conflict)))) => {
            let (_, why) = conflict_of(&desk, &conflict).await?;
            refused(&desk, &draft, why)
        }
        Err(NotSaved::Desk(DeskError::NotYours { .. })) => refused(&desk, &draft, not_theirs(&desk)),
        Err(NotSaved::Desk(why)) => Err(fault_of(why)),
        Err(why) => refused(&desk, &draft, desk_words(&why.to_string())),
    }
}

pub(super) async fn give_up(desk: Desk, Path(id): Path<String>, Form(typed): Form<Typed>) -> Result<Response, Fault> {
    let Some(draft) = own(&desk, &id) else { return gone(&desk) };
    desk.site().region_drafts().give_up(&draft);
    Ok(match &draft.task {
        Task::Change(change) if field(&typed, "from") != "list" => {
            desk.to(&format!("/desk/region/{}", change.before.id))
        }
        _ => desk.to("/desk/new-region"),
    })
}

/// What follows at once: its dates are worked out, and the public pages behind that.
pub(super) async fn acted(desk: &Desk, region: &Region) {
    act_at_once(desk.site().app(), region, TimeDelta::zero(), PATIENCE).await;
    let site = desk.site().clone();
    tokio::spawn(async move {
        if let Err(why) = site.views().renewed().await {
            why.log();
        }
    });
}

pub(super) fn own(desk: &Desk, id: &str) -> Option<std::sync::Arc<Draft>> {
    desk.site().region_drafts().of(by(desk), id, desk.site().now())
}

/// Of nobody's drafts is told whether they are there.
pub(super) fn gone(desk: &Desk) -> Result<Response, Fault> {
    let hours = region_drafts::KEPT.num_hours();
    with_status(desk.page("region_draft_gone", context! { hours }), StatusCode::NOT_FOUND)
}

fn refused(desk: &Desk, draft: &Draft, why: String) -> Result<Response, Fault> {
    with_status(shown(desk, draft, Some(why)), StatusCode::UNPROCESSABLE_ENTITY)
}

fn not_theirs(desk: &Desk) -> String {
    let counties: Vec<String> = desk.account().reach.counties.iter().map(ToString::to_string).collect();
    format!(
        "Only an administrator can save this: its county, as it was looked up, is not one of yours ({}).",
        if counties.is_empty() { "none".to_owned() } else { counties.join("; ") }
    )
}

/// `living through past seasons: 12 of 30`.
pub(super) fn step_words(step: &Step, done: u64, of: u64) -> String {
    match step {
        Step::InLine => "waiting until other drafts are done".to_owned(),
        Step::LookingUp => "looking up the place and its stations".to_owned(),
        Step::Fetching(station) => {
            format!("fetching the whole record of station {station}: {} of {of}", (done + 1).min(of))
        }
        Step::Living => format!("living through past seasons: {done} of {of}"),
    }
}

fn shown(desk: &Desk, draft: &Draft, wrong: Option<String>) -> Result<Response, Fault> {
    let (name, of_region) = match &draft.task {
        Task::Add(wish) => (wish.name.clone(), None),
        Task::Change(change) => (change.after.name.clone(), Some(change.before.id.to_string())),
    };
    let around = context! { draft => draft.id.as_str(), name, of_region };
    match draft.stage() {
        Stage::Saved(region) => Ok(desk.to(&format!("/desk/region/{region}"))),
        Stage::GivenUp => gone(desk),
        Stage::Working { step, done, of } => {
            let follows = draft.follows();
            let at_work =
                context! { step => capitalised(&step_words(&step, done, of)), done, of, follows, every => RELOAD_S };
            desk.page("region_draft_under_way", context! { ..at_work, ..around })
        }
        Stage::Failed(failure) => desk.page("region_draft_failed", context! { ..failed(&failure), ..around }),
        Stage::Ready(ready) => {
            let told = context! { wrong, ..told(desk, draft, &ready) };
            desk.page("region_draft", context! { ..told, ..around })
        }
    }
}

/// The fault in few words, what stands behind it in full, and the station that may be taken all the same.
fn failed(failure: &Failure) -> Value {
    let full: Vec<String> = failure.why.iter().map(|why| desk_words(why)).collect();
    let faults: Vec<String> = full.iter().map(|why| without_brackets(why)).collect();
    let more = if failure.no_station.is_some() || faults != full { full } else { Vec::new() };
    let [faults, more] = [faults, more].map(|all| all.iter().map(|said| with_fields(said)).collect::<Vec<_>>());
    context! { faults, more, no_station => failure.no_station.as_ref().map(offer) }
}

/// A sentence in pieces, those that name a field of the form with its id.
fn with_fields(said: &str) -> Vec<Value> {
    let (mut pieces, mut rest) = (Vec::new(), said);
    loop {
        let found = FIELDS.iter().filter_map(|(name, id)| Some((rest.find(*name)?, *name, *id)));
        let Some((at, name, id)) = found.min_by_key(|(at, ..)| *at) else { break };
        pieces.push(context! { text => &rest[..at], field => None::<&str> });
        pieces.push(context! { text => name, field => Some(id) });
        rest = &rest[at + name.len()..];
    }
    pieces.push(context! { text => rest, field => None::<&str> });
    pieces
}

fn offer(none: &NoStation) -> Value {
    context! {
        has_grid => none.has_grid,
        station => none.offer.as_ref().map(|offer| context! {
            name => &offer.station.name,
            id => offer.station.id.as_str(),
            miles => whole_miles(offer.km),
            higher => offer.higher_m.map(|higher| height_words(higher, "the place")),
            // Far below or above the trees; of others the reason itself says enough.
            days => offer.higher_m.filter(|higher| is_far_in_height(*higher)).and_then(|higher| days_off(usual_days_for(-higher))),
            why => offer.refused.as_ref().map(|why| without_brackets(&desk_words(why))),
        }),
    }
}

fn told(desk: &Desk, draft: &Draft, ready: &Ready) -> Value {
    let Ready { found, preview, before, comes_up, notes, .. } = ready;
    let region = &found.region;
    let may_save = match &draft.task {
        Task::Add(_) => desk.account().may_add(region),
        Task::Change(_) => desk.may_act_on(region),
    };
    let (stations, facts): (Vec<&Fact>, Vec<&Fact>) =
        found.facts.iter().partition(|fact| ["station", "not taken"].contains(&fact.what));
    let remarks = found.remarks.iter().chain(notes).map(|remark| desk_words(remark));
    let waiting = &preview.waiting;
    context! {
        is_new => before.is_none(),
        id => region.id.as_str(),
        feet => grouped_feet(region.elevation_m),
        heights => region.band.map(|band| band.to_string()),
        zips => region.zips.iter().map(ToString::to_string).collect::<Vec<_>>(),
        facts => facts.iter().map(|fact| context! {
            what => capitalised(fact.what), value => page_words(&fact.value), source => page_words(&fact.source),
        }).collect::<Vec<_>>(),
        stations => stations.iter().map(|fact| context! {
            taken => fact.what == "station",
            value => &fact.value,
            source => capitalised(&page_words(fact.source.trim_start_matches("taken: "))),
        }).collect::<Vec<_>>(),
        own => context! {
            name => format!("{} ({})", preview.station.name, preview.station.id),
            miles => whole_miles(preview.station_km),
            higher => above_words(preview.station.elevation_m - region.elevation_m),
            trees => trees_beside(desk, preview),
        },
        warning => warning(desk, preview),
        doubts => found.doubts.iter().map(|doubt| with_fields(&desk_words(&doubt.words()))).collect::<Vec<_>>(),
        remarks => remarks.map(|remark| with_fields(&remark)).collect::<Vec<_>>(),
        conflicts => preview.conflicts.iter().map(|taken| context! {
            zip => taken.zip.as_str(), region => taken.region.as_str(), name => &taken.name,
        }).collect::<Vec<_>>(),
        past => past_of(preview),
        moved => before.as_ref().map(|before| moved(before, preview)),
        others => between(preview, region),
        people => waiting.people, emails => waiting.emails, phones => waiting.phones,
        waiting => waiting.zips.iter().map(|one| context! { zip => one.zip.as_str(), people => one.people }).collect::<Vec<_>>(),
        sends => of_saving_in_words(comes_up.as_deref(), region),
        may_save,
        typed_why => draft.typed.get("why"),
        why_not => (!may_save).then(|| not_theirs(desk)),
        changes => match &draft.task {
            Task::Change(change) => Some(region_changes::in_words(&changes(&change.before, &change.after))),
            Task::Add(_) => None,
        },
    }
}

/// `120 ft above it`.
fn above_words(higher_m: f64) -> String {
    match higher_m {
        higher if higher >= 0.5 => format!("{} ft above it", grouped_feet(higher)),
        higher if higher <= -0.5 => format!("{} ft below it", grouped_feet(-higher)),
        _ => "at its height".to_owned(),
    }
}

/// The past seasons, the newest first, each in words and drawn.
fn past_of(preview: &Preview) -> Value {
    let axis_of = |row: &PastRow| Axis::of_season(row.season);
    let rows: Vec<Value> = preview
        .seasons
        .iter()
        .rev()
        .map(|row| {
            context! {
                season => row.season,
                borrowed => row.borrowed,
                told => told_days(row),
                opened => row.opened.map(|day| date(Language::En, day)),
                off => row.off_days.map(off_words),
                filled => row.filled_days,
                days => row.days,
                ribbon => Value::from_safe_string(ribbon(&axis_of(row), &ribbon_of(row))),
            }
        })
        .collect();
    let newest = preview.seasons.last().map_or(preview.season, |row| row.season);
    let (days, filled) = preview
        .seasons
        .iter()
        .filter(|row| !row.borrowed)
        .fold((0, 0), |(days, filled), row| (days + row.days, filled + row.filled_days));
    context! {
        rows,
        usual => usual_days(preview),
        months => Value::from_safe_string(months(&Axis::of_season(newest), Language::En)),
        gradients => Value::from_safe_string(gradients().to_owned()),
        left_out => preview.left_out.iter().map(ToString::to_string).collect::<Vec<_>>(),
        borrowed => preview.borrowed.as_ref().map(|from| context! {
            own => from.own_years, lent => from.borrowed_years, station => from.station.as_str(), name => &from.name,
            with_care => from.low_confidence,
        }),
        filled => (days > 0).then(|| format!("{:.1}", 100.0 * f64::from(filled) / f64::from(days))),
        lead => OFF_LEAD_DAYS,
        scores => preview.off.iter().filter(|score| LEADS_SHOWN.contains(&score.lead_days)).map(|score| context! {
            lead => score.lead_days,
            seasons => score.n,
            off => format!("{:.1}", score.mae_days),
            // Without it a little below nothing would read -0.0.
            late => format!("{:+.1}", (score.bias_days * 10.0).round() / 10.0 + 0.0),
            held => format!("{:.0} %", score.held * 100.0),
        }).collect::<Vec<_>>(),
    }
}

type DayOf = fn(&Rehearsal) -> Option<NaiveDate>;

const DAYS: [(&str, DayOf); 4] = [
    ("Get ready", |told| told.get_ready),
    ("look", |told| told.inspect_now),
    ("wash", |told| told.wash_now),
    ("last day to wash", |told| told.wash_by),
];

fn told_days(row: &PastRow) -> Option<String> {
    let told = row.told.as_ref()?;
    let days = DAYS.iter().filter_map(|(name, of)| Some(format!("{name} {}", date(Language::En, of(told)?))));
    Some(days.collect::<Vec<_>>().join(", ")).filter(|words| !words.is_empty()).map(|words| capitalised(&words))
}

fn off_words(off: f64) -> String {
    let days = off.abs().round();
    let unit = if days == 1.0 { "day" } else { "days" };
    match off.round() {
        0.0 => "on the day".to_owned(),
        late if late > 0.0 => format!("{days:.0} {unit} late"),
        _ => format!("{days:.0} {unit} early"),
    }
}

/// The medians, as the days of a year.
fn usual_days(preview: &Preview) -> Option<String> {
    if preview.seasons.len() < 2 {
        return None;
    }
    let new_year = |season: i32| NaiveDate::from_ymd_opt(season, 1, 1).unwrap_or_default();
    let day = |of: fn(&Rehearsal) -> Option<NaiveDate>| {
        let told = preview.seasons.iter().filter_map(|row| Some((row.season, of(row.told.as_ref()?)?)));
        let days = median(told.map(|(season, day)| days_between(new_year(season), day)).collect())?;
        let first = new_year(preview.season);
        Some(u32::try_from(days).map_or_else(|_| first + chrono::Duration::days(days), |days| days_after(first, days)))
    };
    let days = DAYS.iter().filter_map(|(name, of)| Some(format!("{name} {}", date(Language::En, day(*of)?))));
    let words = days.collect::<Vec<_>>().join(", ");
    (!words.is_empty()).then(|| capitalised(&words))
}

fn ribbon_of(row: &PastRow) -> Ribbon {
    let Some(told) = &row.told else { return Ribbon::default() };
    let firm = |from: NaiveDate, to: NaiveDate| SoftBand { from, full_from: from, full_to: to, to };
    let look_from = told.inspect_now.unwrap_or(told.look_from);
    let ready = told.get_ready.filter(|ready| *ready < look_from).map(|ready| firm(ready, days_before(look_from, 1)));
    let wash = told.wash_by.filter(|last| *last >= look_from).map(|last| firm(look_from, last));
    let best = told.best_from.zip(told.wash_by).filter(|(first, last)| first <= last);
    Ribbon {
        ready,
        wash,
        best: best.map(|(first, last)| DaySpan { first, last }),
        deadline: told.wash_by,
        sent: [told.get_ready, told.inspect_now, told.wash_now].into_iter().flatten().collect(),
        ..Ribbon::default()
    }
}

/// What a change does to the usual days.
fn moved(before: &Preview, after: &Preview) -> Value {
    let opens = |of: &Preview| of.usual.map(|usual| date(Language::En, usual.opens));
    let days = before.usual.zip(after.usual).map(|(before, after)| days_between(before.opens, after.opens));
    context! {
        opened => opens(before),
        opens => opens(after),
        days => days.map(|days| apart_words(days, "no day earlier or later")),
        told => usual_days(before),
        tells => usual_days(after),
    }
}

/// `22 days earlier`; `same`: where it is none.
fn apart_words(days: i64, same: &str) -> String {
    let unit = if days.abs() == 1 { "day" } else { "days" };
    match days {
        0 => same.to_owned(),
        days if days < 0 => format!("{} {unit} earlier", -days),
        days => format!("{days} {unit} later"),
    }
}

/// The regions around in the order of their usual days, this one among them.
fn between(preview: &Preview, region: &Region) -> Vec<Value> {
    let row = |other: &OtherRegion| {
        context! {
            here => false,
            name => &other.name,
            id => other.region.as_str(),
            feet => grouped_feet(other.elevation_m),
            opens => other.usual.map(|usual| date(Language::En, usual.opens)),
            after => other.days_after.map(|days| apart_words(days, "the same day")),
            miles => whole_miles(other.km),
        }
    };
    if preview.others.is_empty() {
        return Vec::new();
    }
    let (earlier, rest): (Vec<&OtherRegion>, Vec<&OtherRegion>) =
        preview.others.iter().partition(|other| other.days_after.is_some_and(|days| days < 0));
    let here = context! {
        here => true,
        name => &region.name,
        id => region.id.as_str(),
        feet => grouped_feet(region.elevation_m),
        opens => preview.usual.map(|usual| date(Language::En, usual.opens)),
        after => Value::from(()),
        miles => Value::from(()),
    };
    earlier.into_iter().map(row).chain([here]).chain(rest.into_iter().map(row)).collect()
}
