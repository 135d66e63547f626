//! How connections are made ready: the file of an SQLite store, pools, pragmas, the oldest library we trust.

use std::path::{Path, PathBuf};
use std::time::Duration;

use sqlx::any::{AnyConnectOptions, AnyPoolOptions};
use sqlx::{AnyConnection, ConnectOptions, Row};

use crate::store::error::StoreError;

/// SQLite before this release can corrupt a WAL database when two connections reset the log at the same instant
/// (SQLite release notes 3.51.3, "WAL-reset bug").
const OLDEST_SQLITE: (u32, u32, u32) = (3, 51, 3);

/// How long a writer waits for another process's transaction.
const BUSY_WAIT: Duration = Duration::from_secs(10);

/// The file in full, and the address sqlx wants for it.
pub(super) fn sqlite_url(path: &Path) -> Result<(PathBuf, String), StoreError> {
    let name = path.file_name().ok_or_else(|| StoreError::BadAddress {
        what: format!("`{}` names a folder, a file is wanted", path.display()),
    })?;
    let folder = match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    };
    let folder = folder.canonicalize().map_err(|source| StoreError::NoFolder { folder: folder.to_owned(), source })?;
    let file = folder.join(name);
    if file.is_dir() {
        return Err(StoreError::BadAddress { what: format!("`{}` is a folder, a file is wanted", file.display()) });
    }
    let Some(text) = file.to_str() else {
        return Err(StoreError::BadAddress { what: format!("the path `{}` is not UTF-8", file.display()) });
    };
    let mut url = String::from("sqlite:");
    for byte in text.bytes() {
        match byte {
            b'A'..=b'Z' | b'a'..=b'z' | b'0'..=b'9' | b'/' | b'-' | b'_' | b'.' | b'~' => url.push(char::from(byte)),
            other => url.push_str(&format!("%{other:02X}")),
        }
    }
    url.push_str("?mode=rwc");
    Ok((file, url))
}

/// The file holds phone numbers: only its owner may read it. SQLite gives its side files the same rights.
pub(super) fn create_private(file: &Path) -> Result<(), StoreError> {
    let mut options = std::fs::OpenOptions::new();
    options.write(true).create_new(true);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
    match options.open(file) {
        Ok(_) => Ok(()),
        Err(why) if why.kind() == std::io::ErrorKind::AlreadyExists => Ok(()),
        Err(source) => Err(StoreError::NoFile { file: file.to_owned(), source }),
    }
}

/// Statements are not logged: they tell an administrator nothing and fill the log.
pub(super) fn quiet(options: AnyConnectOptions) -> AnyConnectOptions {
    options.disable_statement_logging()
}

/// SQLite connections do not age, and the one in memory must never be closed.
pub(super) fn lasting_pool(connections: u32) -> AnyPoolOptions {
    AnyPoolOptions::new()
        .min_connections(1)
        .max_connections(connections)
        .idle_timeout(None)
        .max_lifetime(None)
        .test_before_acquire(false)
        .acquire_timeout(Duration::from_secs(60))
}

pub(super) async fn prepare_writer(connection: &mut AnyConnection) -> Result<(), sqlx::Error> {
    // The first switch to WAL cannot wait for other connections by itself, so it is tried again for a while.
    let mut left = 100;
    while let Err(why) = set(connection, "PRAGMA journal_mode = WAL").await {
        let busy = why.as_database_error().and_then(|e| e.code()).is_some_and(|code| code == "5");
        if !busy || left == 0 {
            return Err(why);
        }
        left -= 1;
        tokio::time::sleep(BUSY_WAIT / 100).await;
    }
    set_busy_wait(connection).await?;
    // FULL: what was committed survives a power cut. A forgotten "sent" would be a second message.
    set(connection, "PRAGMA synchronous = FULL").await?;
    set(connection, "PRAGMA foreign_keys = ON").await?;
    // What is erased is written over, not only let go.
    set(connection, "PRAGMA secure_delete = ON").await?;
    set(connection, "PRAGMA journal_size_limit = 67108864").await
}

pub(super) async fn prepare_reader(connection: &mut AnyConnection) -> Result<(), sqlx::Error> {
    set_busy_wait(connection).await?;
    set(connection, "PRAGMA query_only = ON").await
}

pub(super) async fn set_busy_wait(connection: &mut AnyConnection) -> Result<(), sqlx::Error> {
    let text = format!("PRAGMA busy_timeout = {}", BUSY_WAIT.as_millis());
    sqlx::raw_sql(sqlx::AssertSqlSafe(text)).execute(connection).await.map(drop)
}

pub(super) async fn set(connection: &mut AnyConnection, pragma: &'static str) -> Result<(), sqlx::Error> {
    sqlx::raw_sql(pragma).execute(connection).await.map(drop)
}

pub(super) async fn check_sqlite_version(connection: &mut AnyConnection) -> Result<(), StoreError> {
    let found: String = sqlx::query("SELECT sqlite_version()").fetch_one(connection).await?.try_get(0)?;
    if version_of(&found).is_none_or(|version| version < OLDEST_SQLITE) {
        let (major, minor, patch) = OLDEST_SQLITE;
        return Err(StoreError::OldSqlite { found, wanted: format!("{major}.{minor}.{patch}") });
    }
    Ok(())
}

fn version_of(text: &str) -> Option<(u32, u32, u32)> {
    let mut parts = text.split('.').map(|part| part.parse().ok());
    Some((parts.next()??, parts.next()??, parts.next()??))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn old_sqlite_libraries_are_told_apart() {
        assert!(version_of("3.51.2").unwrap() < OLDEST_SQLITE);
        assert!(version_of("3.51.3").unwrap() >= OLDEST_SQLITE);
        assert!(version_of("3.100.0").unwrap() > OLDEST_SQLITE);
        assert_eq!(version_of("3.51"), None);
    }
}
