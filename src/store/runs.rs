//! Scheduled runs: each job and civil time once.

use chrono::{DateTime, NaiveDateTime, Utc};
use sqlx::any::AnyRow;

use crate::store::error::StoreError;
use crate::store::rows::{get, get_instant, get_instant_if_any, ms};
use crate::store::tx::Store;

/// The one job on the schedule.
pub const CYCLE: &str = "cycle";
/// Cycles that were asked for by hand or by a cron.
pub const ONCE: &str = "once";
/// Stands in the outcome of a cycle before what failed beside its regions.
pub const FAILED_WORK: &str = "; failed: ";
/// SQLite's file written anew after erasures.
pub const REWRITE: &str = "rewrite";

/// A run as stored.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Run {
    pub job: String,
    /// The time on the civil time line of the schedule's zone that it stands for.
    pub civil_time: NaiveDateTime,
    pub started_at: DateTime<Utc>,
    /// `None`: under way, or cut off by a crash.
    pub ended_at: Option<DateTime<Utc>>,
    pub outcome: Option<String>,
    /// `None` also of runs before this was kept.
    pub result: Option<RunResult>,
}

/// Whether a run did what it is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum RunResult {
    Good,
    /// Some of it: the rest has alarms of its own.
    Partly,
    Failed,
}

impl RunResult {
    pub fn name(self) -> &'static str {
        match self {
            RunResult::Good => "good",
            RunResult::Partly => "partly",
            RunResult::Failed => "failed",
        }
    }

    pub fn parse(name: &str) -> Option<Self> {
        [RunResult::Good, RunResult::Partly, RunResult::Failed].into_iter().find(|result| result.name() == name)
    }
}

/// Whether a run may begin.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Start {
    /// Nobody has run it.
    Fresh,
    /// It was begun and never ended. The holder of the service lock knows that it was cut off, and runs it again.
    CutOff { started_at: DateTime<Utc> },
    /// It was done.
    Done,
}

/// Tries of a job that were begun, one after the other, and never ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct UnfinishedTries {
    /// At least 1.
    pub tries: u32,
    pub last_began_at: DateTime<Utc>,
}

/// How many regions a cycle was to serve, and how many faults it met in that.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Served {
    pub regions: u32,
    pub faults: u32,
}

impl Served {
    /// There were regions, and none of them could be served.
    pub fn is_none(self) -> bool {
        self.faults > 0 && self.faults >= self.regions
    }
}

impl Store {
    /// What was begun of a job since it last ended; `None` when it ended, or was never begun.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn unfinished_tries(&self, job: &str) -> Result<Option<UnfinishedTries>, StoreError> {
        let row = sqlx::query("SELECT tries, last_began_at FROM unfinished_tries WHERE job = $1")
            .bind(job)
            .fetch_optional(&mut *self.read().await?)
            .await?;
        let Some(row) = row else { return Ok(None) };
        let tries = u32::try_from(get::<i64>(&row, "tries")?).unwrap_or(0);
        let last_began_at = get_instant(&row, "last_began_at")?;
        Ok((tries > 0).then_some(UnfinishedTries { tries, last_began_at }))
    }

    /// Takes back the last try of a job: it was stopped on purpose.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn forgive_try(&self, job: &str) -> Result<(), StoreError> {
        let mut tx = self.begin().await?;
        sqlx::query("UPDATE unfinished_tries SET tries = tries - 1 WHERE job = $1 AND tries > 0")
            .bind(job)
            .execute(tx.conn())
            .await?;
        tx.commit().await
    }

    /// Books the beginning of a run, which counts as an unfinished try until it ends; one that was cut off is booked anew.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn start_run(
        &self,
        job: &str,
        civil_time: NaiveDateTime,
        now: DateTime<Utc>,
    ) -> Result<Start, StoreError> {
        let mut tx = self.begin().await?;
        let key = civil_text(civil_time);
        let there = sqlx::query("SELECT * FROM runs WHERE job = $1 AND civil_time = $2")
            .bind(job)
            .bind(&key)
            .fetch_optional(tx.conn())
            .await?;
        let start = match there.as_ref().map(run_of).transpose()? {
            Some(Run { ended_at: Some(_), .. }) => return Ok(Start::Done),
            Some(run) => Start::CutOff { started_at: run.started_at },
            None => Start::Fresh,
        };
        sqlx::query(
            "INSERT INTO runs (job, civil_time, started_at) VALUES ($1, $2, $3)
             ON CONFLICT (job, civil_time) DO UPDATE SET started_at = excluded.started_at, outcome = NULL",
        )
        .bind(job)
        .bind(&key)
        .bind(ms(now))
        .execute(tx.conn())
        .await?;
        sqlx::query(
            "INSERT INTO unfinished_tries (job, tries, last_began_at) VALUES ($1, 1, $2)
             ON CONFLICT (job) DO UPDATE SET tries = unfinished_tries.tries + 1, last_began_at = excluded.last_began_at",
        )
        .bind(job)
        .bind(ms(now))
        .execute(tx.conn())
        .await?;
        tx.commit().await?;
        Ok(start)
    }

    /// Books the end of a run.
    ///
    /// # Errors
    /// When the store fails, or the run was never begun.
    pub async fn finish_run(
        &self,
        job: &str,
        civil_time: NaiveDateTime,
        result: RunResult,
        outcome: &str,
        now: DateTime<Utc>,
    ) -> Result<(), StoreError> {
        self.end_run(job, civil_time, result, outcome, None, now).await
    }

    /// Books the end of a cycle.
    ///
    /// # Errors
    /// As [`Store::finish_run`].
    pub async fn finish_cycle(
        &self,
        job: &str,
        civil_time: NaiveDateTime,
        result: RunResult,
        outcome: &str,
        served: Served,
        now: DateTime<Utc>,
    ) -> Result<(), StoreError> {
        self.end_run(job, civil_time, result, outcome, Some(served), now).await
    }

    async fn end_run(
        &self,
        job: &str,
        civil_time: NaiveDateTime,
        result: RunResult,
        outcome: &str,
        served: Option<Served>,
        now: DateTime<Utc>,
    ) -> Result<(), StoreError> {
        let mut tx = self.begin().await?;
        let done = sqlx::query(
            "UPDATE runs SET ended_at = $3, outcome = $4, result = $5, regions = $6, faults = $7 \
             WHERE job = $1 AND civil_time = $2",
        )
        .bind(job)
        .bind(civil_text(civil_time))
        .bind(ms(now))
        .bind(outcome)
        .bind(result.name())
        .bind(served.map(|served| i64::from(served.regions)))
        .bind(served.map(|served| i64::from(served.faults)))
        .execute(tx.conn())
        .await?
        .rows_affected();
        if done == 0 {
            return Err(StoreError::corrupt(format!("run {job} of {civil_time} ended but was never begun")));
        }
        sqlx::query("DELETE FROM unfinished_tries WHERE job = $1").bind(job).execute(tx.conn()).await?;
        tx.commit().await
    }

    /// Notes why a try failed. The run stays begun and not ended, so that it is made again.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn note_failed_try(&self, job: &str, civil_time: NaiveDateTime, why: &str) -> Result<(), StoreError> {
        let mut tx = self.begin().await?;
        sqlx::query("UPDATE runs SET outcome = $3 WHERE job = $1 AND civil_time = $2 AND ended_at IS NULL")
            .bind(job)
            .bind(civil_text(civil_time))
            .bind(why)
            .execute(tx.conn())
            .await?;
        tx.commit().await
    }

    /// The run of a job with the latest civil time.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn last_run(&self, job: &str) -> Result<Option<Run>, StoreError> {
        let row = sqlx::query("SELECT * FROM runs WHERE job = $1 ORDER BY civil_time DESC LIMIT 1")
            .bind(job)
            .fetch_optional(&mut *self.read().await?)
            .await?;
        row.as_ref().map(run_of).transpose()
    }
}

/// Text that sorts like the time it stands for.
const CIVIL_FORM: &str = "%Y-%m-%dT%H:%M:%S";

fn civil_text(at: NaiveDateTime) -> String {
    at.format(CIVIL_FORM).to_string()
}

/// `None` of a run that counted none.
pub(super) fn served_of(row: &AnyRow) -> Result<Option<Served>, StoreError> {
    let count = |column| -> Result<Option<u32>, StoreError> {
        get::<Option<i64>>(row, column)?
            .map(|n| u32::try_from(n).map_err(|_| StoreError::corrupt(format!("runs.{column} `{n}`"))))
            .transpose()
    };
    Ok(count("regions")?.zip(count("faults")?).map(|(regions, faults)| Served { regions, faults }))
}

fn run_of(row: &AnyRow) -> Result<Run, StoreError> {
    let text: &str = get(row, "civil_time")?;
    Ok(Run {
        job: get(row, "job")?,
        civil_time: NaiveDateTime::parse_from_str(text, CIVIL_FORM)
            .map_err(|why| StoreError::corrupt(format!("runs.civil_time `{text}`: {why}")))?,
        started_at: get_instant(row, "started_at")?,
        ended_at: get_instant_if_any(row, "ended_at")?,
        outcome: get(row, "outcome")?,
        result: get::<Option<&str>>(row, "result")?
            .map(|name| RunResult::parse(name).ok_or_else(|| StoreError::corrupt(format!("runs.result `{name}`"))))
            .transpose()?,
    })
}
