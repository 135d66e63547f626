//! The settings of this room: `[feeds]` and `[weather]`.

use std::fmt;

use serde::{Deserialize, Serialize};
use url::Url;

#[derive(Clone, Debug, Deserialize, Serialize)]
#[serde(default)]
pub struct FeedsConfig {
    /// Named in every request's User-Agent, as the public services ask: an address or page where you can be reached.
    pub contact: String,
    pub ghcn_daily: FeedConfig,
    pub daily_summaries: FeedConfig,
    pub acis: FeedConfig,
    pub nws: FeedConfig,
    pub awdb: FeedConfig,
    /// Seconds for one whole answer.
    pub timeout_s: u64,
    /// Tries of one request, the first included.
    pub tries: u32,
    /// Longest wait between tries, seconds; a longer Retry-After ends the request for this pull.
    pub longest_wait_s: u64,
    /// Requests under way at once to one host.
    pub per_host: usize,
    /// Largest body accepted, MiB after decompression.
    pub largest_body_mib: u64,
    /// As `largest_body_mib`, of an answer in JSON: it holds a few weeks of days, and takes many times its size once read.
    pub largest_json_mib: u64,
    /// Each pull asks again for this many days, since values are revised.
    pub again_days: u32,
    /// Whether services are asked about the place of a new region.
    pub look_up: bool,
    /// Hosts of a private network that plain CSV sources may name; all others there are refused.
    pub private_hosts: Vec<String>,
}

impl Default for FeedsConfig {
    fn default() -> Self {
        let feed = |base_url: &str| FeedConfig { base_url: base_url.to_owned().into() };
        Self {
            contact: "contact-not-set".into(),
            ghcn_daily: feed("https://www.ncei.noaa.gov/pub/data/ghcn/daily/"),
            daily_summaries: feed("https://www.ncei.noaa.gov/access/services/data/v1"),
            acis: feed("https://data.rcc-acis.org/"),
            nws: feed("https://api.weather.gov/"),
            awdb: feed("https://wcc.sc.egov.usda.gov/awdbRestApi/services/v1/"),
            timeout_s: 60,
            tries: 4,
            longest_wait_s: 120,
            per_host: 2,
            largest_body_mib: 64,
            largest_json_mib: 8,
            again_days: 10,
            look_up: true,
            private_hosts: Vec::new(),
        }
    }
}

#[derive(Clone, Debug, Default, Deserialize, Serialize)]
pub struct FeedConfig {
    pub base_url: BaseUrl,
}

/// The address under which a service is asked: parsed once, when it is read; printed as it was written.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize, Serialize)]
#[serde(from = "String", into = "String")]
pub struct BaseUrl {
    written: String,
    parsed: Result<Url, url::ParseError>,
}

/// Why nothing can be asked under a base address.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum BaseUrlError {
    #[error("`{written}` is not an http or https address")]
    NotHttp { written: String },
    #[error("`{written}` is not an address")]
    NotAnAddress { written: String, source: url::ParseError },
}

impl BaseUrl {
    /// The address, which is an http or https one with a host.
    ///
    /// # Errors
    /// When it is something else. Loading the settings meets this first, and names the key.
    pub fn url(&self) -> Result<&Url, BaseUrlError> {
        let written = || self.written.clone();
        match &self.parsed {
            Ok(url) if matches!(url.scheme(), "http" | "https") && url.has_host() => Ok(url),
            Ok(_) => Err(BaseUrlError::NotHttp { written: written() }),
            Err(source) => Err(BaseUrlError::NotAnAddress { written: written(), source: *source }),
        }
    }
}

impl Default for BaseUrl {
    fn default() -> Self {
        String::new().into()
    }
}

impl From<String> for BaseUrl {
    fn from(written: String) -> Self {
        Self { parsed: Url::parse(&written), written }
    }
}

impl From<BaseUrl> for String {
    fn from(address: BaseUrl) -> Self {
        address.written
    }
}

impl fmt::Display for BaseUrl {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.written)
    }
}

#[derive(Clone, Debug, PartialEq, Deserialize, Serialize)]
#[serde(default)]
pub struct WeatherConfig {
    /// °C per 1000 m, for filling a gap from a station at another height (ICAO standard atmosphere: 6.5).
    pub lapse_c_per_km: f64,
    /// Longest gap filled by a straight line, days.
    pub interpolate_days: u32,
    /// Days both stations must have before a bias is taken out.
    pub bias_days: u32,
    /// Assumed age at which a bulk-imported value could first be known, days.
    pub bulk_latency_days: u32,
}

impl Default for WeatherConfig {
    fn default() -> Self {
        Self { lapse_c_per_km: 6.5, interpolate_days: 2, bias_days: 30, bulk_latency_days: 2 }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::text::Chain;

    #[test]
    fn a_base_address_is_printed_as_written_and_says_what_is_wrong_with_it() {
        let address = |written: &str| BaseUrl::from(written.to_owned());
        assert_eq!(address("https://example.org").to_string(), "https://example.org");
        assert_eq!(address("https://example.org").url().unwrap().as_str(), "https://example.org/");
        let fault = |written: &str| Chain(&address(written).url().unwrap_err()).to_string();
        assert_eq!(fault("file:///etc"), "`file:///etc` is not an http or https address");
        assert_eq!(fault("example"), "`example` is not an address: relative URL without a base");
    }

    #[test]
    fn every_built_in_base_address_can_be_asked() {
        let feeds = FeedsConfig::default();
        for feed in [feeds.ghcn_daily, feeds.daily_summaries, feeds.acis, feeds.nws, feeds.awdb] {
            assert!(feed.base_url.url().is_ok(), "{}", feed.base_url);
        }
    }
}
