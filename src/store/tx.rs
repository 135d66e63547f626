//! The open store as its users hold it, and its write transactions.
//!
//! SQLite has one writer connection whose transactions begin with `BEGIN IMMEDIATE`, so that two writers wait for each
//! other instead of failing half-way, and a few connections that can only read. A [`Tx`] must be finished before the
//! same task reads through the [`Store`] in memory, where there is one connection for both.

use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use sqlx::any::AnyConnectOptions;
use sqlx::pool::PoolConnection;
use sqlx::{Any, AnyConnection, AnyPool, Transaction};

use crate::people::AddressHash;
use crate::randomness::Randomness;
use crate::store::acts::Actor;
use crate::store::error::StoreError;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Engine {
    Sqlite,
    Postgres,
}

impl Engine {
    /// Locks the rows that a query finds, for the rest of the transaction. SQLite has a single writer and rejects the
    /// clause.
    pub(super) fn for_update(self) -> &'static str {
        match self {
            Engine::Postgres => "FOR UPDATE",
            Engine::Sqlite => "",
        }
    }

    /// As [`Engine::for_update`], but rows that only refer to those found may still be written.
    pub(super) fn for_change(self) -> &'static str {
        match self {
            Engine::Postgres => "FOR NO KEY UPDATE",
            Engine::Sqlite => "",
        }
    }

    /// Keeps the rows that a query finds as they are for the rest of the transaction; others may do the same.
    pub(super) fn for_share(self) -> &'static str {
        match self {
            Engine::Postgres => "FOR SHARE",
            Engine::Sqlite => "",
        }
    }

    /// As [`Engine::for_share`], of the rows of one table.
    pub(super) fn for_share_of(self, table: &str) -> String {
        match self {
            Engine::Postgres => format!("FOR SHARE OF {table}"),
            Engine::Sqlite => String::new(),
        }
    }

    /// As [`Engine::for_update`], of the rows that nobody else has locked.
    pub(super) fn skip_locked(self) -> &'static str {
        match self {
            Engine::Postgres => "FOR UPDATE SKIP LOCKED",
            Engine::Sqlite => "",
        }
    }
}

/// The store. Cheap to clone; all clones share the connections.
#[derive(Clone)]
pub struct Store {
    pub(super) inner: Arc<Inner>,
    /// Who uses it, where that is somebody: see [`super::audit`].
    pub(super) actor: Option<Arc<Actor>>,
}

pub(super) struct Inner {
    pub(super) engine: Engine,
    pub(super) writer: AnyPool,
    pub(super) reader: AnyPool,
    /// See [`super::answers`]; `None` in memory, where no process outlives another.
    pub(super) answers: Option<AnyPool>,
    /// The database file; `None` in memory and on PostgreSQL.
    pub(super) file: Option<PathBuf>,
    /// For the connection that holds the service lock.
    pub(super) options: AnyConnectOptions,
    /// The address without its password, for messages.
    pub(super) shown: String,
    pub(super) hash: AddressHash,
    pub(super) key_lies_inside: bool,
    pub(super) randomness: Randomness,
    pub(super) lent: Lent,
}

/// What was given out since the store was opened.
#[derive(Default)]
pub(super) struct Lent {
    pub(super) transactions: AtomicU64,
    pub(super) readers: AtomicU64,
}

/// A write transaction. Dropped without [`Tx::commit`], it is rolled back.
pub struct Tx {
    pub(super) inner: Transaction<'static, Any>,
    pub(super) engine: Engine,
    pub(super) hash: AddressHash,
    pub(super) randomness: Randomness,
    pub(super) actor: Option<Arc<Actor>>,
}

impl Store {
    pub(super) fn of(inner: Inner) -> Self {
        Self { inner: Arc::new(inner), actor: None }
    }

    /// Begins a write transaction.
    ///
    /// # Errors
    /// [`StoreError::Busy`] when another process keeps the file longer than ten seconds.
    pub async fn begin(&self) -> Result<Tx, StoreError> {
        const BEGIN: &str = "BEGIN IMMEDIATE";
        self.inner.lent.transactions.fetch_add(1, Ordering::Relaxed);
        let inner = match self.inner.engine {
            // Taking the write lock at once: a transaction that read first and must write later could not be waited for.
            Engine::Sqlite => match self.inner.writer.begin_with(BEGIN).await {
                // After a full disk or an I/O error SQLite ends a transaction by itself. The library cannot end it a second
                // time and takes it to be open for ever: only a new connection helps.
                Err(sqlx::Error::InvalidSavePointStatement) if self.inner.file.is_some() => {
                    self.inner.writer.acquire().await?.close().await?;
                    self.inner.writer.begin_with(BEGIN).await?
                }
                begun => begun?,
            },
            Engine::Postgres => self.inner.writer.begin().await?,
        };
        let (hash, randomness) = (self.inner.hash.clone(), self.inner.randomness.clone());
        Ok(Tx { inner, engine: self.inner.engine, hash, randomness, actor: self.actor.clone() })
    }

    /// A connection for queries that change nothing.
    ///
    /// # Errors
    /// When none can be had.
    pub async fn read(&self) -> Result<PoolConnection<Any>, StoreError> {
        self.inner.lent.readers.fetch_add(1, Ordering::Relaxed);
        Ok(self.inner.reader.acquire().await?)
    }

    /// How many transactions were begun and how often a connection was lent for reading, since the store was opened: what a
    /// page costs must not tell whom the store knows.
    pub fn lent(&self) -> (u64, u64) {
        let lent = &self.inner.lent;
        (lent.transactions.load(Ordering::Relaxed), lent.readers.load(Ordering::Relaxed))
    }

    pub fn engine(&self) -> Engine {
        self.inner.engine
    }

    /// The address as it may be shown: without a password.
    pub fn shown(&self) -> &str {
        &self.inner.shown
    }

    /// The keyed hash of this store, by which an address is known after it was erased.
    pub fn address_hash(&self) -> &AddressHash {
        &self.inner.hash
    }

    /// What is drawn for this store: ids of rows, names of its workers.
    pub fn randomness(&self) -> &Randomness {
        &self.inner.randomness
    }
}

impl std::fmt::Debug for Store {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_tuple("Store").field(&self.inner.shown).finish()
    }
}

impl Tx {
    /// The connection inside the transaction, for `sqlx::query(…).execute(tx.conn())`.
    pub fn conn(&mut self) -> &mut AnyConnection {
        &mut self.inner
    }

    pub fn engine(&self) -> Engine {
        self.engine
    }

    pub(crate) fn hash(&self) -> &AddressHash {
        &self.hash
    }

    pub(crate) fn randomness(&self) -> &Randomness {
        &self.randomness
    }

    /// # Errors
    /// When the commit fails: then nothing of the transaction was kept, or on a lost server connection it is unknown.
    pub async fn commit(self) -> Result<(), StoreError> {
        Ok(self.inner.commit().await?)
    }

    /// # Errors
    /// When the server connection is lost; the transaction is gone then too.
    pub async fn rollback(self) -> Result<(), StoreError> {
        Ok(self.inner.rollback().await?)
    }
}
