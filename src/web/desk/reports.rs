//! The field reports of a year, those that wait for a word first.

use axum::extract::Query;
use axum::response::Response;
use chrono::{Datelike, NaiveDate};
use minijinja::context;

use super::caller::Desk;
use super::notice::{by, fault_of, reach};
use super::report::{long, standing_word, told_by};
use crate::region::RegionId;
use crate::season::phrases::capitalised;
use crate::service::desk::{Hand, reports};
use crate::web::Fault;
use crate::web::forms::{Typed, field};

/// Reports on one page: a region alone has fewer.
const SHOWN: usize = 200;

/// Years to choose from.
const YEARS_BACK: i32 = 12;

pub(super) async fn page(desk: Desk, Query(query): Query<Typed>) -> Result<Response, Fault> {
    let app = desk.site().app();
    let now = app.clock.now().with_timezone(&app.config.schedule.time_zone).year();
    let asked = field(&query, "year").parse::<i32>().ok().filter(|year| (1900..=9999).contains(year));
    let year = asked.unwrap_or(now);
    let edge = |month, day| NaiveDate::from_ymd_opt(year, month, day);
    let (Some(from), Some(to)) = (edge(1, 1), edge(12, 31)) else { return Err(Fault::NotFound) };
    let regions = app.store.regions().await?;
    let region = Some(field(&query, "region")).filter(|id| !id.is_empty());
    let region = region.map(|id| RegionId(id.to_owned())).filter(|id| regions.iter().any(|of| of.id == *id));
    let hand = Hand { by: by(&desk), reach: &reach(&desk) };
    let lines = reports::reports(app, hand, &regions, region.as_ref(), (from, to)).await.map_err(fault_of)?;
    let waiting = lines.iter().filter(|line| line.waits_for_me).count();
    let mut years: Vec<i32> = (now - YEARS_BACK..=now).rev().collect();
    if !years.contains(&year) {
        years.push(year);
    }
    desk.page(
        "reports",
        context! {
            year,
            years,
            region => region.as_ref().map(RegionId::as_str),
            regions => regions.iter().map(|region| context! { id => region.id.as_str(), name => &region.name }).collect::<Vec<_>>(),
            waiting,
            more => lines.len().saturating_sub(SHOWN),
            lines => lines.iter().take(SHOWN).map(|line| context! {
                id => &line.report.id,
                saw => capitalised(&line.saw),
                region => &line.region_name,
                region_id => line.report.region.as_str(),
                on => if line.report.day_known { long(line.report.observed_on) } else { format!("told {}, day of the look not known", long(line.report.observed_on)) },
                tree => line.report.tree.as_deref().or(line.report.owner_tree.as_deref()),
                told_by => told_by(&line.report),
                standing => standing_word(&line.report),
                waits => line.waits_for_me,
            }).collect::<Vec<_>>(),
        },
    )
}
