//! Many rows with few statements.

use sqlx::AssertSqlSafe;
use sqlx::any::AnyArguments;

use crate::store::error::StoreError;
use crate::store::tx::{Engine, Tx};

/// Rows of one statement: enough that the statement's own cost is spread, few enough that all its values stay far under
/// the limits of both engines (32,766 and 65,535).
const ROWS: usize = 500;

/// A statement with many rows, and how it binds one.
pub(super) struct Insert {
    /// Up to and with `VALUES`.
    pub head: &'static str,
    /// After the rows, such as `ON CONFLICT … DO NOTHING`.
    pub tail: &'static str,
    pub columns: usize,
}

/// As [`Insert`], of rows that share some of their values: those are bound once a statement, since a value that is bound costs
/// about what it takes to write it.
pub(super) struct InsertAlike {
    /// Table and columns, those shared first: `daily_values (station_id, …)`.
    pub into: &'static str,
    /// How many are shared, and how many each row has of its own.
    pub shared: usize,
    pub own: usize,
}

/// The values of one row, in the order of the columns.
pub(super) struct RowValues<'a>(&'a mut AnyArguments);

impl RowValues<'_> {
    pub fn add<'t, T>(&mut self, value: T) -> Result<(), StoreError>
    where
        T: sqlx::Encode<'t, sqlx::Any> + sqlx::Type<sqlx::Any>,
    {
        sqlx::Arguments::add(self.0, value).map_err(|source| sqlx::Error::Encode(source).into())
    }
}

impl Insert {
    /// Writes all rows; gives how many were really inserted.
    pub async fn run<R>(
        &self,
        tx: &mut Tx,
        rows: &[R],
        bind: impl Fn(&R, &mut RowValues<'_>) -> Result<(), StoreError>,
    ) -> Result<u64, StoreError> {
        in_chunks(tx, rows, |engine, rows| self.text(engine, rows), bind, |_| Ok(())).await
    }

    fn text(&self, engine: Engine, rows: usize) -> String {
        format!("{} {} {}", self.head, rows_of(engine, rows, self.columns), self.tail)
    }
}

impl InsertAlike {
    /// As [`Insert::run`]; `share` binds what the rows share, `bind` the rest of each.
    pub async fn run<R>(
        &self,
        tx: &mut Tx,
        rows: &[R],
        share: impl Fn(&mut RowValues<'_>) -> Result<(), StoreError>,
        bind: impl Fn(&R, &mut RowValues<'_>) -> Result<(), StoreError>,
    ) -> Result<u64, StoreError> {
        in_chunks(tx, rows, |engine, rows| self.text(engine, rows), bind, share).await
    }

    fn text(&self, engine: Engine, rows: usize) -> String {
        let places_after = |at: usize| match engine {
            Engine::Sqlite => "?".to_owned(),
            Engine::Postgres => format!("${}", rows * self.own + at),
        };
        let columns = (1..=self.shared).map(places_after).chain((1..=self.own).map(|at| format!("column{at}")));
        format!(
            "WITH given AS (VALUES {}) INSERT INTO {} SELECT {} FROM given",
            rows_of(engine, rows, self.own),
            self.into,
            columns.collect::<Vec<_>>().join(", ")
        )
    }
}

/// Runs a statement a chunk: `text` makes it for so many rows, `bind` gives the values of each and `share` those behind them.
async fn in_chunks<R>(
    tx: &mut Tx,
    rows: &[R],
    text: impl Fn(Engine, usize) -> String,
    bind: impl Fn(&R, &mut RowValues<'_>) -> Result<(), StoreError>,
    share: impl Fn(&mut RowValues<'_>) -> Result<(), StoreError>,
) -> Result<u64, StoreError> {
    let mut inserted = 0;
    for chunk in rows.chunks(ROWS) {
        let mut arguments = AnyArguments::default();
        for row in chunk {
            bind(row, &mut RowValues(&mut arguments))?;
        }
        share(&mut RowValues(&mut arguments))?;
        // Chunks of full length share one prepared statement.
        let text = AssertSqlSafe(text(tx.engine(), chunk.len()));
        inserted += sqlx::query_with(text, arguments).execute(tx.conn()).await?.rows_affected();
    }
    Ok(inserted)
}

/// Places for so many values of a list, from the first on.
pub(super) fn places(engine: Engine, values: usize) -> String {
    let place = |at: usize| match engine {
        Engine::Sqlite => "?".to_owned(),
        Engine::Postgres => format!("${}", at + 1),
    };
    (0..values).map(place).collect::<Vec<_>>().join(",")
}

/// Places for rows of values, from the first on: `(?,?),(?,?)`. Values that follow them are numbered on.
pub(super) fn rows_of(engine: Engine, rows: usize, columns: usize) -> String {
    let mut text = String::with_capacity(rows * (columns * 6 + 3));
    for row in 0..rows {
        text.push_str(if row == 0 { "(" } else { ",(" });
        for column in 0..columns {
            if column > 0 {
                text.push(',');
            }
            match engine {
                // A named placeholder is looked up along a list by SQLite, once a value: thousands would take long.
                Engine::Sqlite => text.push('?'),
                Engine::Postgres => text.push_str(&format!("${}", row * columns + column + 1)),
            }
        }
        text.push(')');
    }
    text
}
