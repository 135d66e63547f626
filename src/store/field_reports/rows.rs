//! Reports and their standings as rows, inside transactions.

use chrono::{DateTime, Utc};
use sqlx::any::{Any, AnyArguments, AnyRow};
use sqlx::query::Query;

use super::report::{ReportHistory, ReportSource, ReportStanding, SaidBy, StandingChange, StoredReport};
use crate::region::{RegionId, Zip};
use crate::season::StageId;
use crate::store::error::StoreError;
use crate::store::rows::{
    day_number, get, get_day, get_day_if_any, get_flag_if_any, get_instant, get_instant_if_any, ms,
};
use crate::store::tx::Tx;

pub(super) const FIND: &str = "SELECT r.*, s.standing, s.at AS standing_at, s.said_by, s.who, s.why
     FROM field_reports r JOIN field_report_standings s ON s.report_id = r.id";

/// A report whose rows are locked for the rest of the transaction.
pub(in crate::store) async fn locked(tx: &mut Tx, id: &str) -> Result<Option<ReportHistory>, StoreError> {
    let find = format!("{FIND} WHERE r.id = $1 ORDER BY s.number {}", tx.engine().for_update());
    let rows = sqlx::query(sqlx::AssertSqlSafe(find)).bind(id).fetch_all(tx.conn()).await?;
    Ok(histories_of(&rows)?.pop())
}

/// What answered a question, in the order in which it came, locked for the rest of the transaction.
pub(in crate::store) async fn answers_of(tx: &mut Tx, question: &str) -> Result<Vec<ReportHistory>, StoreError> {
    let find =
        format!("{FIND} WHERE r.question = $1 ORDER BY r.created_at, r.id, s.number {}", tx.engine().for_update());
    let rows = sqlx::query(sqlx::AssertSqlSafe(find)).bind(question).fetch_all(tx.conn()).await?;
    histories_of(&rows)
}

/// Writes a report with its first standing.
pub(in crate::store) async fn insert(
    tx: &mut Tx,
    report: &StoredReport,
    question: Option<&str>,
) -> Result<(), StoreError> {
    let query = sqlx::query(
        "INSERT INTO field_reports (id, observed_on, day_known, stage, not_yet, sight, infested, tree, nothing_on,
                                    owner_tree, region_id, zip, source, person, question, note, created_at)
         VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17)",
    );
    with_look(query, report)
        .bind(report.region.as_str())
        .bind(report.zip.as_ref().map(Zip::as_str))
        .bind(report.source.name())
        .bind(report.person.as_deref())
        .bind(question)
        .bind(report.note.as_deref())
        .bind(ms(report.created_at))
        .execute(tx.conn())
        .await?;
    append(tx, &report.id, &report.change).await
}

/// Writes what a report says now; its standing is another matter.
pub(in crate::store) async fn reword(tx: &mut Tx, report: &StoredReport, now: DateTime<Utc>) -> Result<(), StoreError> {
    let query = sqlx::query(
        "UPDATE field_reports SET observed_on = $2, day_known = $3, stage = $4, not_yet = $5, sight = $6, infested = $7,
                                  tree = $8, nothing_on = $9, owner_tree = $10, changed_at = $11
         WHERE id = $1",
    );
    with_look(query, report).bind(ms(now)).execute(tx.conn()).await?;
    Ok(())
}

/// Binds the report's id as `$1`, and from `$2` on what the look at the tree was.
fn with_look<'q>(query: Query<'q, Any, AnyArguments>, report: &'q StoredReport) -> Query<'q, Any, AnyArguments> {
    query
        .bind(&report.id)
        .bind(day_number(report.observed_on))
        .bind(i64::from(report.day_known))
        .bind(report.stage.as_ref().map(|stage| stage.0.as_str()))
        .bind(report.not_yet.as_ref().map(|stage| stage.0.as_str()))
        .bind(report.sight.as_deref())
        .bind(report.infested.map(i64::from))
        .bind(report.tree.as_deref())
        .bind(report.nothing_on.map(day_number))
        .bind(report.owner_tree.as_deref())
}

/// Adds a standing; the report is locked, or new.
pub(in crate::store) async fn append(tx: &mut Tx, id: &str, change: &StandingChange) -> Result<(), StoreError> {
    let row = sqlx::query("SELECT COUNT(*) AS n FROM field_report_standings WHERE report_id = $1")
        .bind(id)
        .fetch_one(tx.conn())
        .await?;
    sqlx::query(
        "INSERT INTO field_report_standings (report_id, number, standing, at, said_by, who, why)
         VALUES ($1, $2, $3, $4, $5, $6, $7)",
    )
    .bind(id)
    .bind(get::<i64>(&row, "n")? + 1)
    .bind(change.standing.as_str())
    .bind(ms(change.at))
    .bind(change.by.as_str())
    .bind(change.who.as_deref())
    .bind(change.why.as_deref())
    .execute(tx.conn())
    .await?;
    Ok(())
}

/// Rows of [`FIND`], those of one report together and its standings in order.
pub(super) fn histories_of(rows: &[AnyRow]) -> Result<Vec<ReportHistory>, StoreError> {
    let mut all: Vec<ReportHistory> = Vec::new();
    for row in rows {
        let change = change_of(row)?;
        match all.last_mut() {
            Some(last) if last.now.id == get::<&str>(row, "id")? => {
                last.now.standing = change.standing;
                last.now.change = change.clone();
                last.changes.push(change);
            }
            _ => all.push(ReportHistory {
                now: report_of(row, change.clone())?,
                changed_at: get_instant_if_any(row, "changed_at")?,
                changes: vec![change],
            }),
        }
    }
    Ok(all)
}

fn change_of(row: &AnyRow) -> Result<StandingChange, StoreError> {
    let (standing, by): (&str, &str) = (get(row, "standing")?, get(row, "said_by")?);
    let strange = |column: &str, held: &str| StoreError::corrupt(format!("field_report_standings.{column} `{held}`"));
    Ok(StandingChange {
        standing: ReportStanding::parse(standing).ok_or_else(|| strange("standing", standing))?,
        at: get_instant(row, "standing_at")?,
        by: SaidBy::parse(by).ok_or_else(|| strange("said_by", by))?,
        who: get(row, "who")?,
        why: get(row, "why")?,
    })
}

fn report_of(row: &AnyRow, change: StandingChange) -> Result<StoredReport, StoreError> {
    let source: &str = get(row, "source")?;
    let zip: Option<&str> = get(row, "zip")?;
    let stage = |column: &str| Ok::<_, StoreError>(get::<Option<String>>(row, column)?.map(StageId));
    Ok(StoredReport {
        id: get(row, "id")?,
        region: RegionId(get(row, "region_id")?),
        observed_on: get_day(row, "observed_on")?,
        day_known: get::<i64>(row, "day_known")? != 0,
        zip: zip.map(Zip::parse).transpose().map_err(|why| StoreError::corrupt(why.to_string()))?,
        tree: get(row, "tree")?,
        owner_tree: get(row, "owner_tree")?,
        sight: get(row, "sight")?,
        stage: stage("stage")?,
        not_yet: stage("not_yet")?,
        infested: get_flag_if_any(row, "infested")?,
        nothing_on: get_day_if_any(row, "nothing_on")?,
        source: match source {
            "staff" => ReportSource::Staff,
            "subscriber" => ReportSource::Subscriber,
            other => return Err(StoreError::corrupt(format!("field_reports.source `{other}`"))),
        },
        person: get(row, "person")?,
        note: get(row, "note")?,
        created_at: get_instant(row, "created_at")?,
        standing: change.standing,
        change,
    })
}
