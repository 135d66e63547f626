//! One service on one store.

use std::path::Path;

use sha2::{Digest, Sha256};
use sqlx::any::AnyConnectOptions;
use sqlx::{AnyConnection, ConnectOptions, Connection, Row};

use crate::store::error::StoreError;
use crate::store::tx::{Engine, Store};
use std::fs::{File, OpenOptions, TryLockError};

impl Store {
    /// Makes this process the one service on this store until the lock is dropped.
    ///
    /// # Errors
    /// [`StoreError::InUse`] at once when another process is it.
    pub async fn lock_service(&self) -> Result<ServiceLock, StoreError> {
        match (self.inner.engine, &self.inner.file) {
            (Engine::Sqlite, Some(file)) => ServiceLock::on_file(file),
            (Engine::Sqlite, None) => Ok(ServiceLock::in_memory()),
            (Engine::Postgres, _) => ServiceLock::on_server(&self.inner.options, &self.inner.shown).await,
        }
    }
}

/// Held by the one service on a store; another is refused until it is dropped or its process ends, however it ends.
pub struct ServiceLock {
    held: LockKind,
}

enum LockKind {
    /// The file stays locked while it is open.
    File(#[expect(dead_code, reason = "held for its lock")] File),
    /// The server keeps an advisory lock while the connection lives.
    Server(Box<AnyConnection>),
    Nothing,
}

impl ServiceLock {
    pub(super) fn in_memory() -> Self {
        Self { held: LockKind::Nothing }
    }

    /// The lock file lies beside the database: locks on the database file itself belong to SQLite. It is left behind
    /// on purpose, since taking it away could unlock another process.
    pub(super) fn on_file(database: &Path) -> Result<Self, StoreError> {
        let mut path = database.as_os_str().to_owned();
        path.push(".lock");
        let path = Path::new(&path);
        let mut options = OpenOptions::new();
        options.create(true).truncate(false).write(true);
        // Who can open it can hold the lock, and so keep the service out.
        #[cfg(unix)]
        std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
        let file = options.open(path).map_err(|source| StoreError::NoFile { file: path.to_owned(), source })?;
        close_to_others(&file, path);
        match file.try_lock() {
            Ok(()) => Ok(Self { held: LockKind::File(file) }),
            Err(TryLockError::WouldBlock) => Err(StoreError::InUse {
                shown: format!("sqlite:{}", database.display()),
                held: format!("the lock file {}", path.display()),
            }),
            Err(TryLockError::Error(source)) => Err(StoreError::NoFile { file: path.to_owned(), source }),
        }
    }

    pub(super) async fn on_server(options: &AnyConnectOptions, shown: &str) -> Result<Self, StoreError> {
        let mut connection = options.connect().await.map_err(|source| StoreError::unreachable(shown, source))?;
        let schema: String =
            sqlx::query("SELECT CAST(current_schema() AS TEXT) AS s").fetch_one(&mut connection).await?.try_get("s")?;
        let taken: bool = sqlx::query("SELECT pg_try_advisory_lock($1) AS taken")
            .bind(lock_number(&schema))
            .fetch_one(&mut connection)
            .await?
            .try_get("taken")?;
        if !taken {
            return Err(StoreError::InUse { shown: shown.to_owned(), held: "the schedule's advisory lock".into() });
        }
        Ok(Self { held: LockKind::Server(Box::new(connection)) })
    }

    /// Whether the lock still stands. On PostgreSQL it falls with its connection, for example when the server restarts;
    /// the holder must then stop keeping the schedule until it has a new one.
    pub async fn still_held(&mut self) -> bool {
        match &mut self.held {
            LockKind::File(_) | LockKind::Nothing => true,
            LockKind::Server(connection) => connection.ping().await.is_ok(),
        }
    }
}

impl std::fmt::Debug for ServiceLock {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("ServiceLock")
    }
}

/// Of a lock file that an older version made.
fn close_to_others(file: &File, path: &Path) {
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        let open = file.metadata().is_ok_and(|found| found.permissions().mode() & 0o077 != 0);
        if open && let Err(why) = file.set_permissions(std::fs::Permissions::from_mode(0o600)) {
            tracing::warn!("others can hold the lock file {}, which cannot be changed: {why}", path.display());
        }
    }
    #[cfg(not(unix))]
    let _ = (file, path);
}

/// Advisory locks belong to a database; two stores in two schemas of it must not meet.
fn lock_number(schema: &str) -> i64 {
    let digest = Sha256::digest(format!("treebell service in {schema}"));
    i64::from_be_bytes(std::array::from_fn(|at| digest[at]))
}
