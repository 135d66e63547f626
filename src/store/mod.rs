//! SQLite and PostgreSQL behind one set of queries.
//!
//! One SQL text serves both engines: `$1` placeholders, no time functions, instants as milliseconds and civil days as
//! day numbers ([`ms`], [`day_number`]). Where the engines cannot agree, [`Engine`] decides in one place.
//!
//! Files here name each other directly, never through this one.

mod connect;
mod pools;
mod tx;

mod error;
mod rows;

pub mod accounts;
pub mod acts;
mod address_ids;
mod answers;
pub mod audit;
pub mod backfills;
mod bulk;
mod folding;
mod hash_keys;
mod lock;
mod migrations;
mod server_trust;

pub mod places;
pub mod practice;
mod pseudonyms;
pub mod region_views;
pub mod regions;
pub mod retention;
mod retirement;
pub mod stations;
pub mod weather;
mod weather_range;
mod weather_rows;

pub mod field_reports;
mod kept_pasts;
mod kept_skills;
pub mod learning;
pub mod notices;
pub mod outlooks;
pub mod staff_log;
pub mod wordings;

pub mod addresses;
pub mod bands;
pub mod consents;
pub mod enrol_many;
pub mod enrolment;
mod erasure;
pub mod export;
pub mod figures;
pub mod heights;
pub mod pending_sign_ups;
pub mod people_found;
pub mod preferences;
pub mod stops;
pub mod subscriptions;
pub mod suppression;
pub mod waiting_zips;

pub mod alarm_facts;
pub mod alarms;

pub mod bounces;
mod given_up;
pub mod queue;
pub mod transactional;

pub mod follow_ups;
pub mod inbound;
pub mod runs;
pub mod text_parts;

pub use error::{Conflict, StoreError, TakenZip, store_errors};
pub use hash_keys::KnownKey;
pub use lock::ServiceLock;
pub use rows::{civil_day, day_number, instant, ms};
pub use server_trust::ServerTrust;
pub use tx::{Engine, Store, Tx};
