//! What is kept no longer: rows of every table that grows, a few at a time, so that nobody waits long for the store.

use std::collections::BTreeMap;

use chrono::{DateTime, TimeDelta, Utc};
use sqlx::AssertSqlSafe;

use crate::people::AddressId;
use crate::people::retention::RetentionConfig;
use crate::store::error::StoreError;
use crate::store::places::ANSWERS_KEPT_DAYS;
use crate::store::pseudonyms::{pseudonym, rename_deliveries, rename_person};
use crate::store::rows::{get, ms};
use crate::store::tx::{Store, Tx};

/// Rows of one transaction.
const BATCH: i64 = 500;

/// Transactions for one rule in one run; what is left waits for the next run.
const MOST_BATCHES: usize = 400;

/// Rows that go after a time, and whose going needs nothing else.
struct Rule {
    table: &'static str,
    key: &'static str,
    /// `o` is the row, `$1` the instant (ms) before which it goes.
    when: &'static str,
    days: fn(&RetentionConfig) -> u32,
}

/// Somebody is on the list, never to be written to, or has asked and may yet confirm.
const KNOWN: &str = "EXISTS (SELECT 1 FROM addresses a WHERE a.id = o.address_key) \
     OR EXISTS (SELECT 1 FROM suppressions x WHERE x.address_key = o.address_key) \
     OR EXISTS (SELECT 1 FROM confirmations c WHERE c.address_key = o.address_key AND c.ended_at IS NULL)";

const RULES: [Rule; 20] = [
    Rule {
        table: "confirmations",
        key: "id",
        when: "o.ended_at IS NOT NULL AND o.outcome <> 'confirmed' AND o.asked_at <= $1",
        days: |times| times.unconfirmed_days,
    },
    Rule { table: "confirmations", key: "id", when: "o.ended_at <= $1", days: |times| times.requests_days },
    Rule { table: "asks", key: "id", when: "o.at <= $1", days: |times| times.requests_days },
    Rule { table: "inbound", key: "id", when: "o.at <= $1", days: |times| times.requests_days },
    Rule {
        table: "delivery_reports",
        key: "channel, reference, outcome",
        when: "o.delivery_id IS NULL AND o.received_at <= $1",
        days: |times| times.requests_days,
    },
    // Of somebody who never agreed.
    Rule {
        table: "consents",
        key: "id",
        when: "o.at <= $1 AND NOT EXISTS (SELECT 1 FROM consents w WHERE w.address_key = o.address_key \
                   AND w.action IN ('confirmed', 'resumed')) AND NOT (KNOWN)",
        days: |times| times.unconfirmed_days,
    },
    Rule {
        table: "consents",
        key: "id",
        when: "NOT (KNOWN) AND NOT EXISTS (SELECT 1 FROM consents w WHERE w.address_key = o.address_key AND w.at > $1)",
        days: |times| times.consents_days,
    },
    Rule {
        table: "follow_ups",
        key: "id",
        when: "o.asked_at <= $1 AND o.closes_at <= $1",
        days: |times| times.messages_days,
    },
    // Without a name they are counted with what they were told, and go with it.
    Rule {
        table: "subscribers",
        key: "id",
        when: "o.removed_at <= $1 AND NOT EXISTS (SELECT 1 FROM addresses a WHERE a.subscriber_id = o.id) \
               AND NOT EXISTS (SELECT 1 FROM follow_ups f WHERE f.subscriber_id = o.id) \
               AND NOT EXISTS (SELECT 1 FROM subscriber_zips z WHERE z.subscriber_id = o.id) \
               AND NOT EXISTS (SELECT 1 FROM zip_waits w WHERE w.subscriber_id = o.id)",
        days: |times| times.messages_days,
    },
    Rule {
        table: "pulls",
        key: "station_id, feed, started_at",
        when: "o.started_at <= $1 AND EXISTS (SELECT 1 FROM pulls n WHERE n.station_id = o.station_id AND n.feed = o.feed \
               AND n.started_at > o.started_at)",
        days: |times| times.pulls_days,
    },
    Rule {
        table: "runs",
        key: "job, civil_time",
        when: "o.started_at <= $1 AND EXISTS (SELECT 1 FROM runs n WHERE n.job = o.job AND n.civil_time > o.civil_time)",
        days: |times| times.runs_days,
    },
    Rule { table: "alarms", key: "id", when: "o.ended_at <= $1", days: |times| times.staff_log_days },
    Rule { table: "staff_log", key: "id", when: "o.at <= $1", days: |times| times.staff_log_days },
    Rule {
        table: "forecast_values",
        key: "station_id, day, element, received_at",
        when: "o.received_at <= $1",
        days: |times| times.forecasts_days,
    },
    Rule { table: "place_answers", key: "question", when: "o.answered_at <= $1", days: |_| ANSWERS_KEPT_DAYS },
    // No session lasts longer than half a day, and tries are counted for one.
    Rule { table: "desk_sessions", key: "hash", when: "o.created_at <= $1", days: |_| 1 },
    Rule { table: "sign_in_tries", key: "bucket", when: "o.last_at <= $1", days: |_| 2 },
    // `account list` says for a while that one was not taken.
    Rule { table: "account_invitations", key: "hash", when: "o.expires_at <= $1", days: |_| 30 },
    // As long as the audit tells of its holder, whose last act was before.
    Rule { table: "accounts", key: "name", when: "o.removed_at <= $1", days: |_| 7 * 366 },
    Rule { table: "access_tokens", key: "name", when: "COALESCE(o.ended_at, o.expires_at) <= $1", days: |_| 7 * 366 },
];

/// Tables whose rows have their time: of each a canary is planted and looked for by the checks.
pub const TIMED: [&str; 27] = [
    "access_tokens",
    "account_invitations",
    "accounts",
    "addresses",
    "alarms",
    "answers",
    "asks",
    "attempts",
    "audit",
    "confirmations",
    "consents",
    "deliveries",
    "delivery_reports",
    "desk_sessions",
    "follow_ups",
    "forecast_values",
    "inbound",
    "letters",
    "place_answers",
    "pulls",
    "runs",
    "sign_in_tries",
    "staff_log",
    "subscriber_zips",
    "subscribers",
    "text_parts",
    "zip_waits",
];

/// Tables whose rows stay, and why.
pub const LASTING: [(&str, &str); 31] = [
    ("access_token_regions", "with their tokens"),
    ("account_reach", "with their accounts"),
    ("backfills", "a row a station and feed"),
    ("consent_words", "a row a wording"),
    ("daily_values", "every version of a temperature is kept"),
    ("field_report_photographs", "with their reports; those of an owner go with the owner, all when staff say so"),
    ("field_report_standings", "with their reports"),
    ("field_reports", "what was seen at trees teaches later seasons; whose it was goes"),
    ("hash_keys", "a row a key"),
    ("kept_pasts", "a few rows a station; the oldest go when a new one comes"),
    ("kept_skills", "a few rows a station; the oldest go when a new one comes"),
    ("learning_freezes", "words of staff on a season"),
    ("notice_texts", "with their notices"),
    ("notices", "a season's decisions, which past seasons are judged by"),
    ("outlooks", "what was said on each day, which past seasons are judged by"),
    ("place_tables", "one row: where ZIP codes are"),
    ("practice", "one row, in practice stores alone"),
    ("profile_versions", "outlooks name them"),
    ("record_years", "a row a station and year of its record"),
    ("recovery_codes", "a few an account, with it"),
    ("region_stations", "with their regions"),
    ("region_views", "a row a region, without persons"),
    ("region_zips", "with their regions"),
    ("regions", "seasons stand on them"),
    ("schema_migrations", "a row a migration"),
    ("secrets", "the key of a store that has no key file"),
    ("station_marks", "a row a station"),
    ("stations", "records stand on them"),
    ("unfinished_tries", "a row a job"),
    ("watchers", "a row a process that is at work; who is gone for long is taken out"),
    ("wording_versions", "what messages said, and who wrote it"),
];

/// `suppressions` never go: an address that said stop is never written to again.
pub const NEVER_GOES: &str = "suppressions";

impl Store {
    /// Takes away what has had its time. Gives the rows by table.
    ///
    /// # Errors
    /// When the store fails; what was taken before stays taken, and the next run goes on.
    pub async fn keep_times(
        &self,
        times: &RetentionConfig,
        now: DateTime<Utc>,
    ) -> Result<BTreeMap<&'static str, u64>, StoreError> {
        let mut gone = BTreeMap::new();
        for rule in &RULES {
            let before = ms(days_before(now, (rule.days)(times)));
            for _ in 0..MOST_BATCHES {
                let mut tx = self.begin().await?;
                let done = apply(&mut tx, rule, before).await?;
                tx.commit().await?;
                if !count(&mut gone, rule.table, done) {
                    break;
                }
            }
        }
        let unconfirmed = ms(days_before(now, times.unconfirmed_days));
        let old = ms(days_before(now, times.messages_days));
        // A letter goes with its delivery; what went to somebody who never confirmed goes as soon as their request.
        let letters = "d.letter_id IS NOT NULL AND d.state NOT IN ('queued', 'leased') AND (d.created_at <= $1 \
             OR (d.created_at <= $2 AND NOT EXISTS (SELECT 1 FROM addresses a WHERE a.id = d.address_id)))";
        let notices =
            "d.notice_id IS NOT NULL AND d.state NOT IN ('queued', 'leased') AND d.created_at <= $1 AND $2 = $2";
        for which in [letters, notices] {
            for _ in 0..MOST_BATCHES {
                let mut tx = self.begin().await?;
                let done = forget_deliveries(&mut tx, which, old, unconfirmed).await?;
                tx.commit().await?;
                if !count(&mut gone, "deliveries", done) {
                    break;
                }
            }
        }
        for _ in 0..MOST_BATCHES {
            let mut tx = self.begin().await?;
            let done = rename_left_over(&mut tx).await?;
            tx.commit().await?;
            if !count(&mut gone, "deliveries of the erased", done) {
                break;
            }
        }
        for _ in 0..MOST_BATCHES {
            let mut tx = self.begin().await?;
            let done = rename_old_tellers(&mut tx, old).await?;
            tx.commit().await?;
            if !count(&mut gone, "tellers of field reports", done) {
                break;
            }
        }
        count(&mut gone, "audit", self.trim_audit(now).await?);
        Ok(gone)
    }
}

/// Gives whether there was anything.
fn count(gone: &mut BTreeMap<&'static str, u64>, table: &'static str, rows: u64) -> bool {
    if rows > 0 {
        *gone.entry(table).or_default() += rows;
    }
    rows > 0
}

fn days_before(now: DateTime<Utc>, days: u32) -> DateTime<Utc> {
    now.checked_sub_signed(TimeDelta::days(i64::from(days))).unwrap_or(DateTime::<Utc>::MIN_UTC)
}

async fn apply(tx: &mut Tx, rule: &Rule, before: i64) -> Result<u64, StoreError> {
    let Rule { table, key, .. } = rule;
    let when = rule.when.replace("KNOWN", KNOWN);
    let forget =
        format!("DELETE FROM {table} WHERE ({key}) IN (SELECT {key} FROM {table} o WHERE {when} LIMIT {BATCH})");
    let done = sqlx::query(AssertSqlSafe(forget)).bind(before).execute(tx.conn()).await?;
    Ok(done.rows_affected())
}

/// Deliveries with their attempts, reports and letters.
async fn forget_deliveries(tx: &mut Tx, which: &str, old: i64, unconfirmed: i64) -> Result<u64, StoreError> {
    let find = format!("SELECT d.id, d.letter_id FROM deliveries d WHERE {which} ORDER BY d.id LIMIT {BATCH}");
    let rows = sqlx::query(AssertSqlSafe(find)).bind(old).bind(unconfirmed).fetch_all(tx.conn()).await?;
    let ids = rows.iter().map(|row| get(row, "id")).collect::<Result<Vec<String>, _>>()?;
    let letters = rows.iter().filter_map(|row| get::<Option<String>>(row, "letter_id").transpose());
    let letters = letters.collect::<Result<Vec<String>, _>>()?;
    for (table, column, keys) in [
        ("attempts", "delivery_id", &ids),
        ("delivery_reports", "delivery_id", &ids),
        ("deliveries", "id", &ids),
        ("letters", "id", &letters),
    ] {
        if keys.is_empty() {
            continue;
        }
        let places: Vec<String> = (1..=keys.len()).map(|place| format!("${place}")).collect();
        let forget = format!("DELETE FROM {table} WHERE {column} IN ({})", places.join(", "));
        let mut query = sqlx::query(AssertSqlSafe(forget));
        for key in keys {
            query = query.bind(key);
        }
        query.execute(tx.conn()).await?;
    }
    Ok(ids.len() as u64)
}

/// Deliveries that were in a worker's hand when their owner was erased stand under the hash of the address still.
async fn rename_left_over(tx: &mut Tx) -> Result<u64, StoreError> {
    let row = sqlx::query(
        "SELECT MIN(d.address_id) AS id FROM deliveries d WHERE d.notice_id IS NOT NULL \
         AND d.state NOT IN ('queued', 'leased', 'uncertain') AND d.address_id NOT LIKE 'erased-%' \
         AND NOT EXISTS (SELECT 1 FROM addresses a WHERE a.id = d.address_id)",
    )
    .fetch_one(tx.conn())
    .await?;
    let Some(id) = get::<Option<String>>(&row, "id")? else { return Ok(0) };
    let name = pseudonym(tx);
    rename_deliveries(tx, &AddressId(id), &name).await
}

/// What somebody saw stays; after the time of the messages it is told by nobody any more.
async fn rename_old_tellers(tx: &mut Tx, before: i64) -> Result<u64, StoreError> {
    let row = sqlx::query(
        "SELECT MIN(f.person) AS person FROM field_reports f WHERE f.source = 'subscriber' AND f.created_at <= $1 \
         AND f.person NOT LIKE 'erased-%'",
    )
    .bind(before)
    .fetch_one(tx.conn())
    .await?;
    let Some(person) = get::<Option<String>>(&row, "person")? else { return Ok(0) };
    let name = pseudonym(tx);
    rename_person(tx, &AddressId(person), &name, Some(before)).await
}
