//! The same behaviour on both engines: SQLite in a fresh folder, PostgreSQL in a fresh schema.

use std::collections::{BTreeMap, BTreeSet};
use std::panic::AssertUnwindSafe;
use std::sync::atomic::{AtomicU32, Ordering};

use futures::FutureExt;
use sqlx::any::AnyRow;
use sqlx::{AnyConnection, AssertSqlSafe, Column, Connection, Row};
use treebell::store::{Engine, Store};

use crate::support;
use crate::support::open_store;

/// Runs a check on SQLite, and on PostgreSQL where one answers at `TREEBELL_TEST_POSTGRES` or on this machine. The
/// check gets the address of an empty store, which it may open as often as it likes.
pub async fn at_each_address<F: Future<Output = ()>>(what: &str, check: impl Fn(String) -> F) {
    let folder = tempfile::tempdir().unwrap();
    check(format!("sqlite:{}", folder.path().join("treebell.sqlite").display())).await;

    let Some(schema) = Schema::create().await else {
        support::skipped(what, "PostgreSQL at TREEBELL_TEST_POSTGRES or 127.0.0.1:5432 for its second half");
        return;
    };
    let outcome = AssertUnwindSafe(check(schema.address.clone())).catch_unwind().await;
    schema.remove().await;
    if let Err(panic) = outcome {
        eprintln!("the check above failed on PostgreSQL");
        std::panic::resume_unwind(panic);
    }
}

/// As [`at_each_address`], with the store opened.
pub async fn on_each_engine<F: Future<Output = ()>>(what: &str, check: impl Fn(Store) -> F) {
    let check = &check;
    at_each_address(what, |address| async move {
        let store = open_store(&address).await.unwrap();
        check(store.clone()).await;
        store.close().await;
    })
    .await;
}

/// Everything a store holds, as text: by table, one line a row.
pub async fn every_row(store: &Store) -> BTreeMap<String, Vec<String>> {
    let tables = match store.engine() {
        Engine::Sqlite => "SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY name",
        Engine::Postgres => {
            "SELECT CAST(tablename AS TEXT) AS name FROM pg_catalog.pg_tables WHERE schemaname = current_schema()"
        }
    };
    let mut connection = store.read().await.unwrap();
    let tables = sqlx::query(tables).fetch_all(&mut *connection).await.unwrap();
    assert!(tables.len() > 15, "the tables of the store");
    let mut all = BTreeMap::new();
    for table in tables {
        let table: String = table.get("name");
        let rows =
            sqlx::query(AssertSqlSafe(format!("SELECT * FROM {table}"))).fetch_all(&mut *connection).await.unwrap();
        let mut lines: Vec<String> = rows.iter().map(line).collect();
        lines.sort_unstable();
        all.insert(table, lines);
    }
    all
}

fn line(row: &AnyRow) -> String {
    let cell = |at: usize| {
        let text = row.try_get::<Option<String>, _>(at).map(|text| format!("{text:?}"));
        text.or_else(|_| row.try_get::<Option<i64>, _>(at).map(|number| format!("{number:?}")))
            .or_else(|_| row.try_get::<Option<f64>, _>(at).map(|number| format!("{number:?}")))
            .or_else(|_| row.try_get::<Option<Vec<u8>>, _>(at).map(|bytes| format!("{:?}", bytes.map(hex::encode))))
            .unwrap_or_else(|why| panic!("a column that cannot be read: {why}"))
    };
    (0..row.len()).map(|at| format!("{}={}", row.column(at).name(), cell(at))).collect::<Vec<_>>().join(" ")
}

struct Schema {
    server: String,
    name: String,
    address: String,
}

/// The server to check on and a connection to it, if there is one.
async fn server() -> Option<(String, AnyConnection)> {
    sqlx::any::install_default_drivers();
    let named = std::env::var("TREEBELL_TEST_POSTGRES").ok();
    let server = named.clone().unwrap_or_else(|| "postgres://postgres@127.0.0.1:5432/postgres".into());
    match AnyConnection::connect(&server).await {
        Ok(connection) => Some((server, connection)),
        // A server that was asked for by name must answer.
        Err(why) => {
            assert!(named.is_none(), "TREEBELL_TEST_POSTGRES does not answer: {why}");
            None
        }
    }
}

fn fresh_name() -> String {
    static COUNT: AtomicU32 = AtomicU32::new(0);
    format!("treebell_test_{}_{}", std::process::id(), COUNT.fetch_add(1, Ordering::Relaxed))
}

/// Whole databases on the server, for checks that go back to an earlier state again and again.
pub struct Databases {
    server: String,
    connection: AnyConnection,
    name: String,
    made: BTreeSet<String>,
}

/// Also of a check that failed.
impl Drop for Databases {
    fn drop(&mut self) {
        let (server, name, made) = (self.server.clone(), self.name.clone(), std::mem::take(&mut self.made));
        let remove = async move {
            let mut connection = AnyConnection::connect(&server).await.unwrap();
            for which in made {
                let drop = format!("DROP DATABASE IF EXISTS {name}_{which} WITH (FORCE)");
                sqlx::query(AssertSqlSafe(drop)).execute(&mut connection).await.unwrap();
            }
        };
        // A runtime does not start another inside of itself.
        let thread = std::thread::spawn(|| tokio::runtime::Runtime::new().unwrap().block_on(remove));
        if thread.join().is_err() {
            eprintln!("databases of a check were left over");
        }
    }
}

impl Databases {
    pub async fn on_server() -> Option<Self> {
        let (server, connection) = server().await?;
        Some(Self { server, connection, name: fresh_name(), made: BTreeSet::new() })
    }

    pub fn address(&self, which: &str) -> String {
        let mut url: url::Url = self.server.parse().unwrap();
        url.set_path(&format!("{}_{which}", self.name));
        url.to_string()
    }

    async fn execute(&mut self, text: String) {
        sqlx::query(AssertSqlSafe(text)).execute(&mut self.connection).await.unwrap();
    }

    pub async fn create(&mut self, which: &str) {
        self.made.insert(which.to_owned());
        self.execute(format!("CREATE DATABASE {}_{which}", self.name)).await;
    }

    /// Makes `which` what `of` is; whoever is still in it is thrown out.
    pub async fn copy(&mut self, which: &str, of: &str) {
        self.made.insert(which.to_owned());
        self.execute(format!("DROP DATABASE IF EXISTS {}_{which} WITH (FORCE)", self.name)).await;
        self.execute(format!("CREATE DATABASE {0}_{which} TEMPLATE {0}_{of}", self.name)).await;
    }

    /// Sessions that are open in it, and how many of them wait for a lock.
    pub async fn sessions(&mut self, which: &str) -> (i64, i64) {
        let row = sqlx::query(
            "SELECT COUNT(*), COUNT(CASE WHEN wait_event_type = 'Lock' THEN 1 END) FROM pg_stat_activity WHERE datname = $1",
        )
        .bind(format!("{}_{which}", self.name))
        .fetch_one(&mut self.connection)
        .await
        .unwrap();
        (sqlx::Row::get(&row, 0), sqlx::Row::get(&row, 1))
    }
}

impl Schema {
    async fn create() -> Option<Self> {
        let (server, mut connection) = server().await?;
        let name = fresh_name();
        sqlx::query(AssertSqlSafe(format!("CREATE SCHEMA {name}"))).execute(&mut connection).await.unwrap();
        let joint = if server.contains('?') { '&' } else { '?' };
        let address = format!("{server}{joint}options[search_path]={name}");
        Some(Self { server, name, address })
    }

    async fn remove(self) {
        let mut connection = AnyConnection::connect(&self.server).await.unwrap();
        sqlx::query(AssertSqlSafe(format!("DROP SCHEMA {} CASCADE", self.name)))
            .execute(&mut connection)
            .await
            .unwrap();
    }
}
