//! SQLite and PostgreSQL behind one set of queries.
