//! What a field report changes, or would change if it were confirmed.

use std::time::Duration;

use axum::extract::{Path, Query};
use axum::response::Response;
use chrono::NaiveDate;
use minijinja::context;
use minijinja::value::Value;

use super::caller::Desk;
use super::next_report;
use super::notice::fault_of;
use super::report::{Since, long, moves_nothing, notices_since};
use crate::language::Language;
use crate::region::Region;
use crate::season::learning::Untaught;
use crate::season::phrases::{capitalised, date};
use crate::season::{WindowDays, days_between};
use crate::service::desk::DeskError;
use crate::service::desk::comes_up::{CONFIRMING, ComesUp, elsewhere_in_words, in_words, sum_in_words};
use crate::service::desk::effect::{Effect, RegionEffect, effect};
use crate::service::desk::far_off::far_off;
use crate::store::field_reports::ReportStanding;
use crate::store::{Conflict, StoreError};
use crate::web::Fault;
use crate::web::forms::{Typed, field};

/// So long regions are worked out for one page.
const EFFECT_WITHIN: Duration = Duration::from_secs(5);

pub(super) async fn page(desk: Desk, Path(id): Path<String>, Query(query): Query<Typed>) -> Result<Response, Fault> {
    let app = desk.site().app();
    let report = match app.store.field_report(&id).await {
        Err(StoreError::Conflict(Conflict::UnknownReport { .. })) => return Err(Fault::NotFound),
        report => report?,
    };
    let region = app.store.region(&report.region).await?;
    let profile = app.profiles.get(&region.profile);
    let (work, runtime) = (app.clone(), tokio::runtime::Handle::current());
    let of = report.clone();
    // Whole seasons are worked out: nobody's answer should stand behind that on one of the server's threads.
    let worked = tokio::task::spawn_blocking(move || runtime.block_on(effect(&work, &of, EFFECT_WITHIN)));
    let worked = worked.await.map_err(|why| Fault::Inside(format!("what a report changes was cut off: {why}")))?;
    let (found, fault) = match worked {
        Ok(found) => (Some(found), None),
        Err(why @ DeskError::NoDates { .. }) => (None, Some(capitalised(&why.to_string()) + ".")),
        Err(why) => return Err(fault_of(why)),
    };
    let mine = desk.may_act_on(&region);
    let has_photograph = app.store.photograph_of(&id).await?.is_some();
    let done = ["entered", "confirmed"].into_iter().find(|done| *done == field(&query, "done"));
    let is_confirmed = report.standing == ReportStanding::Confirmed;
    let remark = match mine {
        true => far_off(app, &report, &region, has_photograph).await.map_err(fault_of)?,
        false => None,
    };
    let came_up = match done {
        Some(_) => notices_since(&desk, &report, &region, Since::All).await?,
        None => Vec::new(),
    };
    let next = next_report::after(&desk, done).await?;
    desk.page(
        "report_effect",
        context! {
            id,
            saw => capitalised(&crate::service::field_reports::seen_words(profile.as_deref(), &report)),
            region => &region.name,
            looked_on => long(report.observed_on),
            is_confirmed,
            is_new => report.standing == ReportStanding::New,
            is_aside => report.standing == ReportStanding::Refused,
            mine,
            // Refused, the form is shown on the report's own page.
            wrong => (), wrong_why => (), typed_why => "",
            idle => report.moves_nothing().then(|| moves_nothing(report.infested)),
            done,
            next,
            came_up,
            fault,
            remark,
            // Where no dates can be worked out, nothing is decided either.
            sends => (!is_confirmed).then(|| {
                in_words(found.as_ref().map_or(&[][..], |found| &found.comes_up[..]), &region, CONFIRMING)
            }),
            may_elsewhere => false,
            elsewhere => found.as_ref().and_then(|found| elsewhere(found, &region, is_confirmed, report.observed_on)),
            found => found.as_ref().map(|found| told(found, &region, report.observed_on)),
        },
    )
}

/// When it acts on the other regions.
fn when(found: &Effect, day: NaiveDate) -> String {
    if found.is_guessed {
        format!("once the temperatures of {} are in", long(day))
    } else {
        "with the next cycle".to_owned()
    }
}

/// What it brings up in other regions, in a sentence for the head; `None`: nothing, as the page says elsewhere.
fn elsewhere(found: &Effect, own: &Region, is_confirmed: bool, day: NaiveDate) -> Option<String> {
    let others: Vec<&[ComesUp]> =
        found.regions.iter().filter(|row| row.region.id != own.id).map(|row| &row.comes_up[..]).collect();
    let not_known = match left_of(found) + found.failed {
        0 => "",
        _ => " Not every region was worked out: there may be more.",
    };
    let is_idle = others.iter().all(|of| of.is_empty());
    match (is_idle, found.untaught) {
        (false, _) => {
            let act = match (is_confirmed, found.is_guessed) {
                (true, false) => "It will also bring up",
                (true, true) => "By the estimate below, it will also bring up",
                (false, false) => "Confirming it also brings up",
                (false, true) => "By the estimate below, confirming it also brings up",
            };
            Some(sum_in_words(&others, act, &when(found, day)) + not_known)
        }
        (true, Some(Untaught::HeatUnknown)) if !found.is_guessed => Some(format!(
            "Once the temperatures of {} are in, it may also bring up notices in other regions.",
            long(day)
        )),
        (true, Some(Untaught::HeatUnknown) | None) if !is_confirmed && found.of_regions > 1 => {
            Some(format!("In other regions it brings up no notice now.{not_known}"))
        }
        (true, _) => None,
    }
}

/// So many regions were not looked at.
fn left_of(found: &Effect) -> usize {
    found.of_regions.saturating_sub(found.regions.len() + found.failed)
}

fn told(found: &Effect, own: &Region, day: NaiveDate) -> Value {
    let when = when(found, day);
    let moved = |row: &&RegionEffect| {
        row.moved_days.is_some_and(|days| days != 0) || row.without != row.with || !row.comes_up.is_empty()
    };
    let row_of = |row: &RegionEffect| row_of(row, &when);
    let others: Vec<&RegionEffect> = found.regions.iter().filter(|row| row.region.id != own.id).collect();
    let (changed, same): (Vec<_>, Vec<_>) = others.iter().copied().partition(moved);
    context! {
        season => found.season,
        own => found.regions.iter().find(|row| row.region.id == own.id).map(row_of),
        changed => changed.into_iter().map(row_of).collect::<Vec<_>>(),
        same => same.len(),
        left => left_of(found),
        failed => found.failed,
        // What is only missing yet is told apart.
        untaught => found.untaught.filter(|why| *why != Untaught::HeatUnknown).map(Untaught::words),
        awaits_heat => found.untaught == Some(Untaught::HeatUnknown),
        is_guessed => found.is_guessed,
    }
}

fn row_of(row: &RegionEffect, when: &str) -> Value {
    let days = |of: &Option<WindowDays>| {
        of.map(|days| context! { look_from => date(Language::En, days.look_from), deadline => date(Language::En, days.deadline) })
    };
    let moves = |of: &dyn Fn(&WindowDays) -> NaiveDate| {
        let (without, with) = (row.without.as_ref()?, row.with.as_ref()?);
        match days_between(of(without), of(with)) {
            0 => None,
            days if days < 0 => Some(format!("{} earlier", counted(-days))),
            days => Some(format!("{} later", counted(days))),
        }
    };
    context! {
        id => row.region.id.as_str(),
        name => &row.region.name,
        without => days(&row.without),
        with => days(&row.with),
        look_moves => moves(&|days| days.look_from),
        deadline_moves => moves(&|days| days.deadline),
        comes_up => row.comes_up.iter().map(|one| elsewhere_in_words(one, when)).collect::<Vec<_>>(),
    }
}

fn counted(days: i64) -> String {
    if days == 1 { "1 day".to_owned() } else { format!("{days} days") }
}
