//! What has become of the report that a notice rests on: whoever is asked for a word on the notice is told.

use chrono::{Datelike, NaiveDate};
use chrono_tz::Tz;

use super::DeskError;
use crate::language::Language;
use crate::season::NoticeStatus;
use crate::season::decide::{Reason, Terms};
use crate::season::phrases::date;
use crate::service::app::App;
use crate::service::field_reports::long;
use crate::store::field_reports::StoredReport;
use crate::store::notices::Notice;
use crate::store::{Conflict, StoreError};

/// A report that is not any more as it was when a notice came up because of it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RestsOn {
    /// Its id; `None`: it is there no more.
    pub report: Option<String>,
    /// What has become of it, in a sentence.
    pub words: String,
}

/// `None`: the notice rests on no report, the report is as it was, or the notice waits for nothing any more.
pub(super) async fn rests_on(app: &App, notice: &Notice, zone: Tz) -> Result<Option<RestsOn>, DeskError> {
    if !matches!(notice.status(), NoticeStatus::Waiting | NoticeStatus::Held) {
        return Ok(None);
    }
    let terms = serde_json::from_value::<Terms>(notice.reason.clone());
    let Ok(Terms { reason: Reason::Seen { report: id, on, .. }, .. }) = terms else { return Ok(None) };
    let report = match app.store.field_report(&id).await {
        Err(StoreError::Conflict(Conflict::UnknownReport { .. })) => {
            let words = "The report it rests on is there no more.".to_owned();
            return Ok(Some(RestsOn { report: None, words }));
        }
        report => report?,
    };
    Ok(changed(&report, on, zone).map(|words| RestsOn { report: Some(id), words }))
}

/// `on`: the day on which it was seen, as the notice has it.
fn changed(report: &StoredReport, on: NaiveDate, zone: Tz) -> Option<String> {
    let day = |day| date(Language::En, day);
    if report.refused() {
        let aside_on = day(report.change.at.with_timezone(&zone).date_naive());
        return Some(format!("The report it rests on was set aside on {aside_on} by {}.", report.change.by_words()));
    }
    let is_other = report.day_known && report.observed_on != on;
    let day = |of| if report.observed_on.year() == on.year() { day(of) } else { long(of) };
    is_other
        .then(|| format!("The report it rests on is now told as seen on {}, not {}.", day(report.observed_on), day(on)))
}
