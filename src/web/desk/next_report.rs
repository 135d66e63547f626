//! After a word on a field report: the way to the next one that waits.

use chrono::{Datelike, NaiveDate};
use minijinja::context;
use minijinja::value::Value;

use super::caller::Desk;
use super::notice::{by, fault_of, reach};
use crate::season::phrases::capitalised;
use crate::service::desk::Hand;
use crate::service::desk::reports::{ReportLine, reports};
use crate::web::Fault;

/// What a page says after a word on a report.
const AFTER: [&str; 3] = ["confirmed", "set-aside", "later"];

/// The report of this year that has waited longest for a word of whoever looks, with how many wait; that none does; nothing
/// where no word was given.
pub(super) async fn after(desk: &Desk, done: Option<&str>) -> Result<Value, Fault> {
    let app = desk.site().app();
    let year = app.clock.now().with_timezone(&app.config.schedule.time_zone).year();
    let edge = |month, day| NaiveDate::from_ymd_opt(year, month, day);
    let (Some(from), Some(to)) = (edge(1, 1), edge(12, 31)) else { return Ok(Value::from(())) };
    if done.is_none_or(|done| !AFTER.contains(&done)) {
        return Ok(Value::from(()));
    }
    let regions = app.store.regions().await?;
    let hand = Hand { by: by(desk), reach: &reach(desk) };
    let lines = reports(app, hand, &regions, None, (from, to)).await.map_err(fault_of)?;
    let waiting: Vec<&ReportLine> = lines.iter().filter(|line| line.waits_for_me).collect();
    let next = waiting.iter().min_by_key(|line| (line.report.created_at, line.report.id.clone()));
    Ok(context! {
        id => next.map(|line| &line.report.id),
        saw => next.map(|line| capitalised(&line.saw)),
        region => next.map(|line| &line.region_name),
        waiting => waiting.len(),
    })
}
