//! Bulk history from files: finds out what a file is by its content, reads it in bounded memory, and says what it took.
//!
//! A file is read twice. The first reading counts, and meets every fault that speaks against the whole file (damaged
//! packing, unknown unit, day-first dates) before anything of it is stored; the second hands out its readings station
//! by station. So a broken file leaves nothing behind, and an import cut off between two stations is simply run again:
//! what is there already changes nothing.

mod file;
mod find;
mod read;
mod station_list;
mod tally;

pub use file::ImportError;
pub use find::{Format, Found, FoundFile, find, recognise};
pub use read::{Options, read, survey};
pub use station_list::read_station_list;
pub use tally::Summary;
