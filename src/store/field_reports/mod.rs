//! What people saw on their trees. A report stands as the newest row of its standings says; each row has its time, so that
//! what stood at an earlier instant can be told.

mod photographs;
mod report;
pub(in crate::store) mod rows;

use chrono::{DateTime, NaiveDate, Utc};
use sha2::{Digest, Sha256};

use self::rows::{FIND, append, histories_of, insert, locked, reword};
use crate::region::{RegionId, Zip};
use crate::store::acts::Act;
use crate::store::error::{Conflict, StoreError};
use crate::store::regions::known_region;
use crate::store::rows::day_number;
use crate::store::tx::Store;
pub use photographs::{NewPhotograph, Photograph};
pub use report::{
    NewFieldReport, ReportHistory, ReportSource, ReportStanding, SaidBy, Seen, StandingChange, StoredReport,
};

/// What staff say of a field report.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Judgement {
    Confirmed,
    Refused,
}

/// What staff mend in a report; `None` leaves it as it is.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ReportMend {
    /// The day on which they looked: it is known then.
    pub observed_on: Option<NaiveDate>,
    pub infested: Option<Option<bool>>,
    pub tree: Option<String>,
    pub nothing_on: Option<NaiveDate>,
}

/// A report as somebody enters it.
#[derive(Clone, Copy, Debug)]
pub struct Entered<'a> {
    pub report: &'a NewFieldReport,
    /// Account of the desk that enters it.
    pub by_account: Option<&'a str>,
    pub photograph: Option<&'a NewPhotograph>,
}

impl Store {
    /// Keeps a field report; gives its id. The same report again changes nothing, but a confirmed one confirms it.
    ///
    /// # Errors
    /// [`Conflict::UnknownRegion`].
    pub async fn add_field_report(&self, new: &NewFieldReport, now: DateTime<Utc>) -> Result<String, StoreError> {
        let entered = Entered { report: new, by_account: None, photograph: None };
        self.enter_field_report(&entered, now).await.map(|(id, _)| id)
    }

    /// As [`Store::add_field_report`], by an account of the desk, with a photograph in the place of the one that the report had. Gives
    /// its id, and the file that is needed no more.
    ///
    /// # Errors
    /// [`Conflict::UnknownRegion`].
    pub async fn enter_field_report(
        &self,
        entered: &Entered<'_>,
        now: DateTime<Utc>,
    ) -> Result<(String, Option<String>), StoreError> {
        let new = entered.report;
        let mut tx = self.begin().await?;
        known_region(tx.conn(), &new.region).await?;
        let or_empty = |text: Option<&str>| text.unwrap_or("").to_owned();
        let told = [
            new.region.to_string(),
            new.observed_on.to_string(),
            or_empty(new.seen.sight.as_deref().or(new.seen.stage.as_ref().map(|stage| stage.0.as_str()))),
            or_empty(new.zip.as_ref().map(Zip::as_str)),
            new.source.name().to_owned(),
            or_empty(new.note.as_deref()),
            or_empty(new.tree.as_deref()),
            or_empty(new.person.as_deref()),
            new.nothing_on.map_or_else(String::new, |day| day.to_string()),
            new.seen.infested.map_or("", |infested| if infested { "yes" } else { "no" }).to_owned(),
        ];
        let id = format!("f-{}", hex::encode(&Sha256::digest(told.join("\n"))[..6]));
        let standing = if new.confirmed { ReportStanding::Confirmed } else { ReportStanding::New };
        let by = if new.confirmed { SaidBy::Staff } else { SaidBy::Teller };
        let change = StandingChange { standing, at: now, by, who: new.person.clone(), why: None };
        // The same once more is no act: a program may repeat what it is not sure of.
        let mut is_news = entered.photograph.is_some();
        match locked(&mut tx, &id).await? {
            Some(there) if new.confirmed && there.now.standing != standing => {
                append(&mut tx, &id, &change).await?;
                is_news = true;
            }
            Some(_) => {}
            None => {
                is_news = true;
                let report = new.under(id.clone(), now);
                insert(&mut tx, &report, None).await?;
                if let Some(account) = entered.by_account {
                    photographs::note_account(&mut tx, &id, account).await?;
                }
            }
        }
        let replaced = match entered.photograph {
            Some(photograph) => photographs::put(&mut tx, &id, photograph, now).await?,
            None => None,
        };
        let standing = if new.confirmed { "confirmed" } else { "new" };
        let with = if entered.photograph.is_some() { ", with a photograph" } else { "" };
        let detail = format!("{} in {}, {standing}{with}", new.observed_on, new.region);
        if is_news {
            tx.note_act(Act::ReportAdded, &subject(&id), &detail).await?;
        }
        tx.commit().await?;
        Ok((id, replaced))
    }

    /// Field reports observed from one day to another, both included, oldest first, as they stand now; with a region, those
    /// of it.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn field_reports(
        &self,
        region: Option<&RegionId>,
        from: NaiveDate,
        to: NaiveDate,
    ) -> Result<Vec<StoredReport>, StoreError> {
        let histories = self.field_report_histories(region, from, to).await?;
        Ok(histories.into_iter().map(ReportHistory::into_now).collect())
    }

    /// As [`Store::field_reports`] of all regions, with what had come by an instant and the standing it had then.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn field_reports_as_of(
        &self,
        from: NaiveDate,
        to: NaiveDate,
        instant: DateTime<Utc>,
    ) -> Result<Vec<StoredReport>, StoreError> {
        let histories = self.field_report_histories(None, from, to).await?;
        Ok(histories.iter().filter_map(|history| history.as_of(instant)).collect())
    }

    /// As [`Store::field_reports`], each with every standing it had.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn field_report_histories(
        &self,
        region: Option<&RegionId>,
        from: NaiveDate,
        to: NaiveDate,
    ) -> Result<Vec<ReportHistory>, StoreError> {
        let find = format!(
            "{FIND} WHERE ($1 = '' OR r.region_id = $1) AND r.observed_on BETWEEN $2 AND $3
             ORDER BY r.observed_on, r.region_id, r.id, s.number"
        );
        let rows = sqlx::query(sqlx::AssertSqlSafe(find))
            .bind(region.map_or("", RegionId::as_str))
            .bind(day_number(from))
            .bind(day_number(to))
            .fetch_all(&mut *self.read().await?)
            .await?;
        histories_of(&rows)
    }

    /// # Errors
    /// [`Conflict::UnknownReport`].
    pub async fn field_report(&self, id: &str) -> Result<StoredReport, StoreError> {
        self.field_report_history(id).await.map(ReportHistory::into_now)
    }

    /// As [`Store::field_report`], with every standing it had.
    ///
    /// # Errors
    /// [`Conflict::UnknownReport`].
    pub async fn field_report_history(&self, id: &str) -> Result<ReportHistory, StoreError> {
        let find = format!("{FIND} WHERE r.id = $1 ORDER BY s.number");
        let rows = sqlx::query(sqlx::AssertSqlSafe(find)).bind(id).fetch_all(&mut *self.read().await?).await?;
        histories_of(&rows)?.pop().ok_or_else(|| Conflict::UnknownReport { id: id.to_owned() }.into())
    }

    /// Staff stand behind reports, or set them aside: all of them or none. What stands so already gets no new row.
    ///
    /// # Errors
    /// [`Conflict::UnknownReport`].
    pub async fn judge_field_reports(
        &self,
        ids: &[String],
        judgement: Judgement,
        who: Option<&str>,
        why: Option<&str>,
        now: DateTime<Utc>,
    ) -> Result<(), StoreError> {
        let (standing, act) = match judgement {
            Judgement::Confirmed => (ReportStanding::Confirmed, Act::ReportConfirmed),
            Judgement::Refused => (ReportStanding::Refused, Act::ReportSetAside),
        };
        let (who, why) = (who.map(str::to_owned), why.map(str::to_owned));
        let change = StandingChange { standing, at: now, by: SaidBy::Staff, who, why };
        let mut tx = self.begin().await?;
        for id in ids {
            let there = locked(&mut tx, id).await?.ok_or_else(|| Conflict::UnknownReport { id: id.clone() })?;
            let before = &there.now.change;
            let same = before.standing == standing && before.by == SaidBy::Staff && before.why == change.why;
            if !same {
                append(&mut tx, id, &change).await?;
                let said = [change.who.as_deref().map(|who| format!("said by {who}")), change.why.clone()];
                let detail = said.into_iter().flatten().collect::<Vec<_>>().join(": ");
                tx.note_act(act, &subject(id), &detail).await?;
            }
        }
        tx.commit().await
    }

    /// Staff mend what a report says. Its standing stays; from now on it is theirs, so that an owner's later answer changes it
    /// no more.
    ///
    /// # Errors
    /// [`Conflict::UnknownReport`].
    pub async fn mend_field_report(
        &self,
        id: &str,
        mend: &ReportMend,
        who: Option<&str>,
        why: &str,
        now: DateTime<Utc>,
    ) -> Result<(), StoreError> {
        let mut tx = self.begin().await?;
        let there = locked(&mut tx, id).await?.ok_or_else(|| Conflict::UnknownReport { id: id.to_owned() })?;
        let mut report = there.now;
        if let Some(day) = mend.observed_on {
            (report.observed_on, report.day_known) = (day, true);
        }
        report.infested = mend.infested.unwrap_or(report.infested);
        report.tree = mend.tree.clone().or(report.tree);
        report.nothing_on = mend.nothing_on.or(report.nothing_on);
        reword(&mut tx, &report, now).await?;
        let (who, why) = (who.map(str::to_owned), Some(why.to_owned()));
        let change = StandingChange { standing: report.standing, at: now, by: SaidBy::Staff, who, why };
        append(&mut tx, id, &change).await?;
        tx.note_act(Act::ReportChanged, &subject(id), change.why.as_deref().unwrap_or("")).await?;
        tx.commit().await
    }

    /// Makes these the only field reports, each with the one standing it has here: what a replay knows on a day.
    ///
    /// # Errors
    /// When a report's region is unknown, or the store fails.
    pub async fn replace_field_reports(&self, reports: &[StoredReport]) -> Result<(), StoreError> {
        let mut tx = self.begin().await?;
        sqlx::query("DELETE FROM field_report_standings").execute(tx.conn()).await?;
        sqlx::query("DELETE FROM field_reports").execute(tx.conn()).await?;
        for report in reports {
            insert(&mut tx, report, None).await?;
        }
        tx.commit().await
    }
}

fn subject(id: &str) -> String {
    format!("report/{id}")
}
