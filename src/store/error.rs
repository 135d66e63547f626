//! What can go wrong in the store, sorted by what the caller does next.

use std::path::PathBuf;
use std::sync::atomic::{AtomicU64, Ordering};

use chrono::{DateTime, Utc};

use crate::id::StationId;
use crate::region::{Band, RegionId, Zip};
use crate::season::{NoticeId, NoticeKind};

#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    #[error("the store's address cannot be used: {what}")]
    BadAddress { what: String },
    #[error("the folder `{}` for the store's file cannot be used: create it, or name another in store.address", .folder.display())]
    NoFolder {
        folder: PathBuf,
        #[source]
        source: std::io::Error,
    },
    /// Only `store init` and the demo make one: a path with a slip in it must not become an empty store that looks healthy.
    #[error(
        "there is no store at {shown}: make it with `treebell store init`, or mend store.address if it is elsewhere"
    )]
    NoStore { shown: String },
    /// Prints its cause as well: some commands print the text of a store that cannot be opened alone.
    #[error("the store's file `{}` cannot be made: {source}", .file.display())]
    NoFile {
        file: PathBuf,
        #[source]
        source: std::io::Error,
    },
    /// Wait and try again, or see to the server or disk.
    #[error("the store at {shown} does not answer: {why}")]
    Unreachable { shown: String, why: String },
    /// The server did not prove to be the one that is meant; no password went to it.
    #[error(
        "the server of the store at {shown} cannot be trusted: {why} (its certificate must name this host and be by a known \
         authority: store.ca_file names one of your own)"
    )]
    Untrusted { shown: String, why: String },
    /// Keys of hashes that are not there, or are not those of this store: see to the settings.
    #[error("the store's keys: {what}")]
    Keys { what: String },
    /// A service already runs on this store.
    #[error("another treebell service is running on {shown} (it holds {held}): stop it first")]
    InUse { shown: String, held: String },
    /// Another process is writing for longer than we wait; trying again later may help.
    #[error("the store was kept by another process, or gave no connection, for too long: try again when it is free")]
    Busy,
    #[error("the store has schema {found}, this program knows schema {known}: use a newer treebell")]
    TooNew { found: i64, known: i64 },
    #[error("the SQLite library is {found}, at least {wanted} is wanted: older ones can corrupt the file")]
    OldSqlite { found: String, wanted: String },
    #[error("`{}` cannot use a write-ahead log (journal mode `{mode}`): put it on a local disk", .file.display())]
    NoWal { file: PathBuf, mode: String },
    /// The file or a row is not what it should be.
    #[error("the store holds something that cannot be read: {what}")]
    Corrupt { what: String },
    /// The request cannot stand beside what is there; nothing was changed.
    #[error(transparent)]
    Conflict(#[from] Conflict),
    /// The disk is full or broken: nothing may be sent while nothing can be booked.
    #[error("the store cannot write: {why}")]
    CannotWrite { why: String },
    /// The driver's words stand in the text: this is told in many places where no causes are walked.
    #[error("a query of the store failed: {why}")]
    Failed { why: sqlx::Error },
}

/// Requests that cannot stand beside what is there.
#[derive(Debug, PartialEq, thiserror::Error)]
pub enum Conflict {
    #[error("already taken: ZIP code {}; take {} out there first, or give each region heights that do not meet (--band-ft)",
        .taken.iter().map(ToString::to_string).collect::<Vec<_>>().join(", "),
        if .taken.len() == 1 { "it" } else { "them" })]
    ZipsTaken { taken: Vec<TakenZip> },
    #[error(
        "none of the regions of ZIP code {zip} is for trees at that height: it has {}; give a height within, or change the regions",
        .bands.join(", ")
    )]
    NoSuchHeight { zip: Zip, said: Band, bands: Vec<String> },
    #[error("region `{id}` cannot be kept: {}", .faults.join("; "))]
    UnfitRegion { id: RegionId, faults: Vec<String> },
    #[error("station `{id}` is unknown{}", near_name(.near))]
    UnknownStation { id: StationId, near: Option<String> },
    #[error("station `{id}` was retired")]
    RetiredStation { id: StationId },
    #[error("station `{id}` fills or leads region{} {}: give {} another station first",
        if .regions.len() == 1 { "" } else { "s" }, .regions.join(", "), if .regions.len() == 1 { "it" } else { "them" })]
    StationInUse { id: StationId, regions: Vec<RegionId> },
    #[error("region `{id}` is unknown{}", near_name(.near))]
    UnknownRegion { id: RegionId, near: Option<String> },
    #[error("region `{id}` was retired")]
    RetiredRegion { id: RegionId },
    #[error("{what} `{id}` is already there")]
    Exists { what: &'static str, id: String },
    #[error("a subscriber needs at least one ZIP code and one address")]
    EmptySubscriber,
    #[error("the address {masked} belongs to another subscriber than the address beside it: remove one of them first")]
    AddressTaken { masked: String },
    #[error("the address {masked} {how} on {}: it may be written to again only when its owner asks for it", .since.format("%Y-%m-%d"))]
    Suppressed { masked: String, how: &'static str, since: DateTime<Utc> },
    #[error("no subscriber has the address {masked}")]
    UnknownAddress { masked: String },
    #[error("there is no notice `{id}`")]
    UnknownNotice { id: NoticeId },
    #[error("notice `{id}` {} and cannot be {wish}", stands(.status))]
    NoticeStatus { id: NoticeId, status: &'static str, wish: &'static str },
    #[error("notice `{id}` was of use until {}: nobody is told now", .expired_at.format("%Y-%m-%d %H:%M UTC"))]
    NoticeExpired { id: NoticeId, expired_at: DateTime<Utc> },
    #[error("notice `{id}` is of no use any more: `{}` has gone out in its region", .by.name())]
    NoticeOvertaken { id: NoticeId, by: NoticeKind },
    #[error("notice `{id}` has left and cannot be taken back: recall it to stop what has not gone out")]
    NoticeLeft { id: NoticeId },
    #[error("nothing was done with notice `{id}` that could be taken back")]
    NothingToUndo { id: NoticeId },
    #[error(
        "notice `{id}` has no text for {channel} in language `{language}`, which {recipients} of its recipients want"
    )]
    NoText { id: NoticeId, channel: &'static str, language: &'static str, recipients: usize },
    #[error("there is no field report `{id}`")]
    UnknownReport { id: String },
    #[error("there is no account `{name}`: `treebell account list` shows all")]
    UnknownAccount { name: String },
    #[error(
        "an account `{name}` is, or was, somebody's, and the audit tells by this name what they did: choose another name"
    )]
    AccountName { name: String },
    #[error("there is no token of a program `{name}`: `treebell token list` shows all")]
    UnknownToken { name: String },
    #[error(
        "a program `{name}` has, or had, a token, and the audit tells by this name what it did: choose another name"
    )]
    TokenName { name: String },
}

/// A ZIP code whose heights another region has.
#[derive(Clone, Debug, PartialEq)]
pub struct TakenZip {
    pub zip: Zip,
    pub by: RegionId,
    /// `None`: all of them.
    pub band: Option<Band>,
}

impl std::fmt::Display for TakenZip {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{} by region `{}` ", self.zip, self.by)?;
        match self.band {
            Some(band) => write!(f, "({band})"),
            None => f.write_str("(all heights)"),
        }
    }
}

/// How a notice stands that cannot be had as was wished.
fn stands(status: &str) -> String {
    match status {
        "released" => "has left".to_owned(),
        "cancelled" => "is called off".to_owned(),
        other => format!("is {other}"),
    }
}

fn near_name(near: &Option<String>) -> String {
    crate::text::did_you_mean(near.as_deref())
}

impl StoreError {
    pub(crate) fn corrupt(what: impl Into<String>) -> Self {
        Self::Corrupt { what: what.into() }
    }

    /// A connection that could not be made. The driver's words are kept: they hold no password.
    pub(crate) fn unreachable(shown: &str, source: sqlx::Error) -> Self {
        let of_handshake = |why: &std::io::Error| why.get_ref().is_some_and(|inner| inner.is::<rustls::Error>());
        match &source {
            sqlx::Error::Tls(why) => return Self::Untrusted { shown: shown.to_owned(), why: why.to_string() },
            sqlx::Error::Io(why) if of_handshake(why) => {
                return Self::Untrusted { shown: shown.to_owned(), why: why.to_string() };
            }
            _ => {}
        }
        match Self::from(source) {
            Self::Failed { why } => Self::Unreachable { shown: shown.to_owned(), why: why.to_string() },
            Self::Unreachable { why, .. } => Self::Unreachable { shown: shown.to_owned(), why },
            other => other,
        }
    }
}

/// Faults of the database that this process met, by kind. Of the process and not of a store: an error is made where no store
/// is at hand.
static MET: [(&str, AtomicU64); 5] = [
    ("busy", AtomicU64::new(0)),
    ("unreachable", AtomicU64::new(0)),
    ("cannot-write", AtomicU64::new(0)),
    ("corrupt", AtomicU64::new(0)),
    ("failed", AtomicU64::new(0)),
];

/// How many faults of the database this process has met since its start, by kind.
pub fn store_errors() -> impl Iterator<Item = (&'static str, u64)> {
    MET.iter().map(|(kind, met)| (*kind, met.load(Ordering::Relaxed)))
}

impl From<sqlx::Error> for StoreError {
    fn from(source: sqlx::Error) -> Self {
        let fault = Self::sorted(source);
        let kind = match &fault {
            Self::Busy => "busy",
            Self::Unreachable { .. } => "unreachable",
            Self::CannotWrite { .. } => "cannot-write",
            Self::Corrupt { .. } => "corrupt",
            _ => "failed",
        };
        if let Some((_, met)) = MET.iter().find(|(name, _)| *name == kind) {
            met.fetch_add(1, Ordering::Relaxed);
        }
        fault
    }
}

impl StoreError {
    fn sorted(source: sqlx::Error) -> Self {
        match &source {
            sqlx::Error::PoolTimedOut => Self::Busy,
            sqlx::Error::Io(why) => Self::Unreachable { shown: "its address".into(), why: why.to_string() },
            sqlx::Error::Database(why) => {
                let code = why.code().unwrap_or_default();
                // SQLite gives primary or extended result codes (extended: primary in the low byte); PostgreSQL gives
                // five characters, of which the first two are the class.
                match code.parse::<i32>().ok().filter(|_| code.len() < 5).map(|code| code & 0xff) {
                    Some(5 | 6) => Self::Busy,
                    Some(8 | 10 | 13) => Self::CannotWrite { why: why.message().to_owned() },
                    Some(11 | 26) => Self::corrupt(why.message().to_owned()),
                    Some(_) => Self::Failed { why: source },
                    None if code.starts_with("08") || code.starts_with("57P") => {
                        Self::Unreachable { shown: "its address".into(), why: why.message().to_owned() }
                    }
                    None if code.starts_with("53") => Self::CannotWrite { why: why.message().to_owned() },
                    None if code == "55P03" || code == "40P01" => Self::Busy,
                    None => Self::Failed { why: source },
                }
            }
            _ => Self::Failed { why: source },
        }
    }
}
