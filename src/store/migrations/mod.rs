//! The schema and how it comes into a store: embedded, forward only, each migration in one transaction.

use sqlx::{AnyConnection, AnyPool, Row};

use super::error::StoreError;
use super::tx::Engine;

/// In order; a released one is never edited, the next one mends it.
const MIGRATIONS: [(i64, &str, &str); 27] = [
    (1, "base", include_str!("0001_base.sql")),
    (2, "letters", include_str!("0002_letters.sql")),
    (4, "inbound", include_str!("0004_inbound.sql")),
    (5, "notice_chart", include_str!("0005_notice_chart.sql")),
    (6, "answers", include_str!("0006_answers.sql")),
    (7, "text_parts", include_str!("0007_text_parts.sql")),
    (8, "field_reports", include_str!("0008_field_reports.sql")),
    (9, "learning", include_str!("0009_learning.sql")),
    (10, "alarms", include_str!("0010_alarms.sql")),
    (11, "audit", include_str!("0011_audit.sql")),
    (12, "hash_keys", include_str!("0012_hash_keys.sql")),
    (13, "unfinished_tries", include_str!("0013_unfinished_tries.sql")),
    (14, "bands", include_str!("0014_bands.sql")),
    (15, "places", include_str!("0015_places.sql")),
    (16, "backfills", include_str!("0016_backfills.sql")),
    (17, "kept_skills", include_str!("0017_kept_skills.sql")),
    (18, "size", include_str!("0018_size.sql")),
    (19, "trees", include_str!("0019_trees.sql")),
    (20, "past_writes", include_str!("0020_past_writes.sql")),
    (21, "desk", include_str!("0021_desk.sql")),
    (22, "notice_acts", include_str!("0022_notice_acts.sql")),
    (23, "kept_pasts", include_str!("0023_kept_pasts.sql")),
    (24, "photographs", include_str!("0024_photographs.sql")),
    (26, "wordings", include_str!("0026_wordings.sql")),
    (27, "practice", include_str!("0027_practice.sql")),
    (28, "access_tokens", include_str!("0028_access_tokens.sql")),
    (29, "run_counts", include_str!("0029_run_counts.sql")),
];

/// Runs what is missing. A kill at any point leaves a migration done or not begun, so the next start goes on from there.
///
/// # Errors
/// [`StoreError::TooNew`] when a later program has been here.
pub(super) async fn bring_up_to_date(pool: &AnyPool, engine: Engine) -> Result<(), StoreError> {
    // Looking first keeps a command from waiting for the service's write lock on every start.
    if stand_of(pool, engine).await? == known() {
        return Ok(());
    }
    let mut tx = match engine {
        Engine::Sqlite => pool.begin_with("BEGIN IMMEDIATE").await?,
        Engine::Postgres => pool.begin().await?,
    };
    if engine == Engine::Postgres {
        // Two workers started together must not both create the tables.
        sqlx::query("SELECT pg_advisory_xact_lock($1)").bind(MIGRATION_LOCK).execute(&mut *tx).await?;
    }
    sqlx::query("CREATE TABLE IF NOT EXISTS schema_migrations (version BIGINT PRIMARY KEY, name TEXT NOT NULL)")
        .execute(&mut *tx)
        .await?;
    let stand: i64 = sqlx::query("SELECT COALESCE(MAX(version), 0) AS stand FROM schema_migrations")
        .fetch_one(&mut *tx)
        .await?
        .try_get("stand")?;
    for (version, name, text) in MIGRATIONS {
        if version > stand {
            // All missing migrations share one transaction: the schema is the old one or the new one, never between.
            sqlx::raw_sql(sqlx::AssertSqlSafe(for_engine(text, engine))).execute(&mut *tx).await?;
            sqlx::query("INSERT INTO schema_migrations (version, name) VALUES ($1, $2)")
                .bind(version)
                .bind(name)
                .execute(&mut *tx)
                .await?;
        }
    }
    tx.commit().await?;
    Ok(())
}

/// Any number will do; it only has to be the same in every process.
const MIGRATION_LOCK: i64 = 0x7472_6565_6265_6c6c;

/// Whether nothing is missing.
///
/// # Errors
/// As [`bring_up_to_date`].
pub(super) async fn is_up_to_date(pool: &AnyPool, engine: Engine) -> Result<bool, StoreError> {
    Ok(stand_of(pool, engine).await? == known())
}

fn known() -> i64 {
    MIGRATIONS.iter().map(|(version, ..)| *version).max().unwrap_or(0)
}

/// Whether anything of ours is there.
///
/// # Errors
/// When it cannot be asked.
pub(super) async fn has_begun(connection: &mut AnyConnection, engine: Engine) -> Result<bool, StoreError> {
    let there = match engine {
        Engine::Sqlite => {
            sqlx::query("SELECT COUNT(*) AS n FROM sqlite_master WHERE type = 'table' AND name = 'schema_migrations'")
        }
        Engine::Postgres => sqlx::query(
            "SELECT COUNT(*) AS n FROM pg_catalog.pg_tables WHERE schemaname = current_schema() AND tablename = 'schema_migrations'",
        ),
    };
    Ok(there.fetch_one(connection).await?.try_get::<i64, _>("n")? > 0)
}

/// The newest migration that was run; 0 in an empty store.
async fn stand_of(pool: &AnyPool, engine: Engine) -> Result<i64, StoreError> {
    if !has_begun(&mut *pool.acquire().await?, engine).await? {
        return Ok(0);
    }
    let found: i64 = sqlx::query("SELECT COALESCE(MAX(version), 0) AS stand FROM schema_migrations")
        .fetch_one(pool)
        .await?
        .try_get("stand")?;
    if found > known() {
        return Err(StoreError::TooNew { found, known: known() });
    }
    Ok(found)
}

/// Of a line `-- sqlite only` or `-- postgres only`, what follows up to the next such line or `-- both` is for that engine.
/// `/*clustered*/` after a table keeps its rows in key order on SQLite, which halves the file and makes reading a
/// station's record one sweep. PostgreSQL has no such word. Bytes are `BYTEA` there and `BLOB` here.
fn for_engine(text: &str, engine: Engine) -> String {
    let mut wanted = true;
    let mut out = String::with_capacity(text.len());
    for line in text.lines() {
        match line.trim_end() {
            "-- sqlite only" => wanted = engine == Engine::Sqlite,
            "-- postgres only" => wanted = engine == Engine::Postgres,
            "-- both" => wanted = true,
            line if wanted => {
                out.push_str(line);
                out.push('\n');
            }
            _ => {}
        }
    }
    match engine {
        Engine::Sqlite => out.replace("/*clustered*/", "WITHOUT ROWID").replace("BYTEA", "BLOB"),
        Engine::Postgres => out,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_engine_gets_its_own_part() {
        let text = "a\n-- sqlite only\nb\n-- postgres only\nc /*clustered*/\n-- both\nd /*clustered*/\n";
        assert_eq!(for_engine(text, Engine::Sqlite), "a\nb\nd WITHOUT ROWID\n");
        assert_eq!(for_engine(text, Engine::Postgres), "a\nc /*clustered*/\nd /*clustered*/\n");
    }

    #[test]
    fn versions_count_up() {
        assert!(MIGRATIONS.windows(2).all(|pair| pair[0].0 < pair[1].0));
    }
}
