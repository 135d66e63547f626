//! One file a feed; each turns an answer of its service into [`Reading`](super::Reading)s.
//!
//! Every feed has a pure parser (bytes in, [`Parsed`] out) and asks its service through [`Feed::pull`]. A parser drops
//! nothing in silence: what is neither a reading nor the source's own sign for "no value" is a [`RejectedLine`].

mod answer;
mod ask;
mod lines;
mod text;
mod unit;

pub mod access_csv;
pub mod acis;
pub mod acis_directory;
pub mod acis_grid;
pub mod awdb;
pub mod daily_summaries;
pub mod ghcn_csv;
pub mod ghcn_dly;
mod ghcn_flags;
pub mod nws;
pub mod plain_csv;

use chrono::NaiveDate;
use url::Url;

use crate::weather::fetch::{Accept, FetchError, Fetcher};
use crate::weather::settings::FeedsConfig;
use crate::weather::station::{FeedKind, SourceRef, Station, StationId};

pub use answer::{DescribedStation, FeedError, Parsed, RejectedLine, Rejections};
pub(crate) use ask::keep_asked_days;
pub use ask::{Feed, FeedQuery};
pub use lines::LineParser;
pub(crate) use lines::{DriveError, drive_some};
pub(crate) use text::Lines;
pub use unit::Unit;

/// The feed of a kind.
pub fn feed(kind: FeedKind) -> &'static dyn Feed {
    match kind {
        FeedKind::GhcnDaily => &ghcn_dly::GhcnDaily,
        FeedKind::DailySummaries => &daily_summaries::DailySummaries,
        FeedKind::Acis => &acis::Acis,
        FeedKind::NwsObservations => &nws::Observations,
        FeedKind::NwsForecast => &nws::Forecast,
        FeedKind::Awdb => &awdb::Awdb,
        FeedKind::PlainCsv => &plain_csv::PlainCsv,
        FeedKind::AcisGrid => &acis_grid::AcisGrid,
    }
}

/// Is this how the feed names its stations? Asks nobody.
///
/// # Errors
/// [`FeedError::SourceId`] with the form that is wanted.
pub fn check_source(source: &SourceRef) -> Result<(), FeedError> {
    match source.feed {
        FeedKind::GhcnDaily | FeedKind::DailySummaries => ghcn_dly::station_id(&source.id).map(drop),
        FeedKind::Acis => acis::sid(&source.id).map(drop),
        FeedKind::NwsObservations | FeedKind::NwsForecast => nws::check_source(source.feed, &source.id),
        FeedKind::Awdb => awdb::triplet(&source.id).map(drop),
        FeedKind::PlainCsv => plain_csv::address_and_unit(&source.id).map(drop),
        FeedKind::AcisGrid => acis_grid::grid_and_place(&source.id).map(drop),
    }
}

/// Whether a source's address holds a user or a password, which lists and logs would show.
pub fn has_secret(source: &SourceRef) -> bool {
    source.feed == FeedKind::PlainCsv && plain_csv::has_secret(source.id.trim())
}

/// A station as it may be printed and noted: an older store may hold a user and a password inside a source's address.
pub fn without_secrets(station: &Station) -> Station {
    let mut shown = station.clone();
    for source in shown.sources.iter_mut().filter(|source| has_secret(source)) {
        source.id = plain_csv::masked(source.id.trim());
    }
    shown
}

/// The sources a station's id speaks for. Of a United States GHCN id: the daily summaries, which carry the archive's
/// flags; ACIS, which has the last days sooner; and the archive's files, which are large, at last.
pub fn usual_sources(station: &StationId) -> Vec<SourceRef> {
    let id = station.0.as_str();
    let source = |feed, id: &str| SourceRef { feed, id: id.to_owned() };
    if awdb::triplet(id).is_ok() {
        return vec![source(FeedKind::Awdb, id)];
    }
    // Country, network, number: the networks are those of the archive's readme.
    let looks_like_ghcn = |id: &str| match id.as_bytes() {
        [a, b, network, number @ ..] => {
            a.is_ascii_uppercase()
                && b.is_ascii_uppercase()
                && b"01CEMNPRSW".contains(network)
                && number.len() == 8
                && number.iter().all(u8::is_ascii_alphanumeric)
        }
        _ => false,
    };
    if !looks_like_ghcn(id) {
        return Vec::new();
    }
    let mut sources = vec![source(FeedKind::DailySummaries, id), source(FeedKind::GhcnDaily, id)];
    if id.starts_with("US") {
        sources.insert(1, source(FeedKind::Acis, &format!("{id} 6")));
    }
    sources
}

/// Asks one source, and keeps of its answer the days asked for that are over.
///
/// # Errors
/// See [`FeedError`].
pub async fn pull(
    kind: FeedKind,
    fetcher: &Fetcher,
    feeds: &FeedsConfig,
    ask: &FeedQuery<'_>,
) -> Result<Parsed, FeedError> {
    let mut parsed = feed(kind).pull(fetcher, base_url(kind, feeds)?, ask).await?;
    parsed.check_size()?;
    keep_asked_days(&mut parsed, kind, ask);
    Ok(parsed)
}

/// Asks one source for all it has of a station, from its first day to today. Values that nobody can have measured, of days
/// to come or before anybody measured, are rejected and told.
///
/// # Errors
/// See [`FeedError`].
pub async fn pull_whole_record(
    kind: FeedKind,
    fetcher: &Fetcher,
    feeds: &FeedsConfig,
    ask: &FeedQuery<'_>,
) -> Result<Parsed, FeedError> {
    let base_url = base_url(kind, feeds)?;
    let mut parsed = match kind {
        FeedKind::Acis => acis::whole_record(fetcher, base_url, ask).await?,
        _ => feed(kind).pull(fetcher, base_url, ask).await?,
    };
    parsed.check_size()?;
    parsed.keep_possible_days(ask.to);
    keep_asked_days(&mut parsed, kind, &FeedQuery { from: NaiveDate::MIN, ..*ask });
    Ok(parsed)
}

/// Fetches the list of stations that GHCN-Daily publishes, `ghcnd-stations.txt` below `feeds.ghcn_daily.base_url`: one request.
///
/// # Errors
/// When it cannot be had.
pub async fn ghcn_station_list(fetcher: &Fetcher, feeds: &FeedsConfig) -> Result<bytes::Bytes, FeedError> {
    let url = ask::below(base_url(FeedKind::GhcnDaily, feeds)?, "ghcnd-stations.txt");
    Ok(fetcher.get(&url, Accept::Text).await?.body)
}

/// The configured address of a feed. Plain CSV has none, and any will do: its sources are whole addresses.
fn base_url(kind: FeedKind, feeds: &FeedsConfig) -> Result<&Url, FeedError> {
    let address = match kind {
        FeedKind::GhcnDaily | FeedKind::PlainCsv => &feeds.ghcn_daily.base_url,
        FeedKind::DailySummaries => &feeds.daily_summaries.base_url,
        FeedKind::Acis | FeedKind::AcisGrid => &feeds.acis.base_url,
        FeedKind::NwsObservations | FeedKind::NwsForecast => &feeds.nws.base_url,
        FeedKind::Awdb => &feeds.awdb.base_url,
    };
    address.url().map_err(|why| FetchError::bad_address(&address.to_string(), why).into())
}

/// An error and all its causes in one line.
pub fn chain(why: &dyn std::error::Error) -> String {
    // A transparent error repeats its cause.
    crate::text::error_chain_without(why, |line, cause| line.ends_with(cause))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_stations_id_speaks_for_its_sources() {
        let of = |id: &str| {
            usual_sources(&id.into()).iter().map(|s| format!("{}:{}", s.feed.name(), s.id)).collect::<Vec<_>>()
        };
        assert_eq!(of("USC00290692"), ["daily-summaries:USC00290692", "acis:USC00290692 6", "ghcn-daily:USC00290692"]);
        assert_eq!(of("AE000041196"), ["daily-summaries:AE000041196", "ghcn-daily:AE000041196"]);
        assert_eq!(of("9901:XA:SNTL"), ["awdb:9901:XA:SNTL"]);
        for invented in ["orchard-1", "LOW-MESA-01", "EXAMPLESTN1"] {
            assert!(of(invented).is_empty(), "{invented}");
        }
    }

    #[test]
    fn every_usual_source_passes_its_own_check() {
        for id in ["USC00290692", "AE000041196", "9901:XA:SNTL"] {
            assert!(usual_sources(&id.into()).iter().all(|source| check_source(source).is_ok()), "{id}");
        }
        let check = |feed, id: &str| check_source(&SourceRef { feed, id: id.into() });
        assert!(check(FeedKind::NwsForecast, "ZZZ/101,111").is_ok() && check(FeedKind::NwsForecast, "KZZ9").is_err());
        assert!(
            check(FeedKind::NwsObservations, "KZZ9").is_ok() && check(FeedKind::NwsObservations, "ZZZ/1,1").is_err()
        );
        assert!(check(FeedKind::PlainCsv, "logger.csv#celsius").is_ok() && check(FeedKind::PlainCsv, "x#y").is_err());
    }
}
