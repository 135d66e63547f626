//! What a field report changes, or would change if it were confirmed.

use std::time::Duration;

use axum::extract::{Path, Query};
use axum::response::Response;
use chrono::NaiveDate;
use minijinja::context;
use minijinja::value::Value;

use super::caller::Desk;
use super::came_of::{Since, notices_since, resting_elsewhere};
use super::elsewhere::{elsewhere, when};
use super::next_report;
use super::notice::fault_of;
use super::report::{long, moves_nothing};
use crate::language::Language;
use crate::region::Region;
use crate::season::learning::Untaught;
use crate::season::phrases::{capitalised, date};
use crate::season::{WindowDays, days_between};
use crate::service::desk::DeskError;
use crate::service::desk::comes_up::{BY_ESTIMATE, CONFIRMING, elsewhere_in_words, in_words};
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
    let mut came_up = match done {
        Some(_) => notices_since(&desk, &report, &region, Since::All).await?,
        None => Vec::new(),
    };
    if is_confirmed && let Some(found) = &found {
        let teaches = Some(found.untaught.is_none());
        came_up.extend(resting_elsewhere(&desk, &report, &region, teaches).await?);
    }
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

fn told(found: &Effect, own: &Region, day: NaiveDate) -> Value {
    let when = when(found, day);
    let moved = |row: &&RegionEffect| {
        row.moved_days.is_some_and(|days| days != 0) || row.without != row.with || !row.comes_up.is_empty()
    };
    let row_of = |row: &RegionEffect| row_of(row, &when);
    let others: Vec<&RegionEffect> = found.regions.iter().filter(|row| row.region.id != own.id).collect();
    let (changed, same): (Vec<_>, Vec<_>) = others.iter().copied().partition(moved);
    let brings_up = changed.iter().any(|row| !row.comes_up.is_empty());
    context! {
        season => found.season,
        own => found.regions.iter().find(|row| row.region.id == own.id).map(row_of),
        changed => changed.into_iter().map(row_of).collect::<Vec<_>>(),
        same => same.len(),
        left => found.left(),
        failed => found.failed,
        // What is only missing yet is told apart.
        untaught => found.untaught.filter(|why| *why != Untaught::HeatUnknown).map(Untaught::words),
        awaits_heat => found.untaught == Some(Untaught::HeatUnknown),
        is_guessed => found.is_guessed,
        by_estimate => (found.is_guessed && brings_up).then_some(BY_ESTIMATE),
    }
}

fn row_of(row: &RegionEffect, when: &str) -> Value {
    let days = |of: &Option<WindowDays>| {
        of.map(|days| context! { look_from => date(Language::En, days.look_from), deadline => date(Language::En, days.deadline) })
    };
    let best = |of: &Option<WindowDays>| of.and_then(|days| days.best);
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
        others => best(&row.without) != best(&row.with) || row.moved_days.is_some_and(|days| days != 0),
        comes_up => row.comes_up.iter().map(|one| elsewhere_in_words(one, when)).collect::<Vec<_>>(),
    }
}

fn counted(days: i64) -> String {
    if days == 1 { "1 day".to_owned() } else { format!("{days} days") }
}

#[cfg(test)]
mod tests {
    use super::super::elsewhere::tests::{brings_up, effect_of};
    use super::*;

    /// "Inspect now" was announced as if it were sure, and "Wash now" came.
    #[test]
    fn notices_of_other_regions_that_rest_on_an_estimate_are_told_as_ones_that_a_later_one_may_replace() {
        let day = "2025-03-08".parse().unwrap();
        let found = effect_of(&[("north", vec![]), ("south", vec![brings_up()])]);
        let said = |found: &Effect| told(found, &Region::bare("north"), day).get_attr("by_estimate").unwrap();
        assert!(said(&found).is_none(), "{:?}", said(&found));
        let guessed = Effect { is_guessed: true, ..found };
        assert_eq!(said(&guessed).as_str(), Some(BY_ESTIMATE));
        let idle = Effect { is_guessed: true, ..effect_of(&[("north", vec![]), ("south", vec![])]) };
        assert!(said(&idle).is_none(), "nothing is announced");
    }
}
