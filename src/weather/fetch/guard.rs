//! Which addresses may be asked: public ones, and those whose host the settings name.

use std::collections::HashSet;
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr};
use std::sync::Arc;

use reqwest::header::{self, HeaderMap};
use url::{Host, Url};

use super::error::{FetchError, shown};
use crate::weather::settings::FeedsConfig;

/// Only http and https, and no private network unless the configuration names the host.
pub(super) fn check_address(url: &Url, trusted: &HashSet<String>) -> Result<(), FetchError> {
    if !matches!(url.scheme(), "http" | "https") {
        return Err(FetchError::bad_address(url.as_str(), "only http and https are asked"));
    }
    let (Some(host), Some(name)) = (url.host(), url.host_str()) else {
        return Err(FetchError::bad_address(url.as_str(), "it has no host"));
    };
    let literal = match host {
        Host::Ipv4(ip) => Some(IpAddr::V4(ip)),
        Host::Ipv6(ip) => Some(IpAddr::V6(ip)),
        Host::Domain(_) => None,
    };
    match literal {
        Some(ip) if !is_public(ip) && !trusted.contains(&bare_host(name)) => {
            Err(FetchError::PrivateAddress { host: name.to_owned() })
        }
        _ => Ok(()),
    }
}

/// Where a redirect leads: the same host and port, or the same host's https.
pub(super) fn redirect_target(from: &Url, headers: &HeaderMap) -> Result<Url, FetchError> {
    let location = headers.get(header::LOCATION).and_then(|value| value.to_str().ok()).unwrap_or("");
    let to = from
        .join(location)
        .ok()
        .filter(|_| !location.is_empty())
        .ok_or_else(|| FetchError::bad_address(location, format!("{} redirects to it", shown(from))))?;
    let same = to.host_str() == from.host_str()
        && (to.port_or_known_default() == from.port_or_known_default() && to.scheme() == from.scheme()
            || from.scheme() == "http" && to.scheme() == "https" && from.port().is_none() && to.port().is_none());
    if same { Ok(to) } else { Err(FetchError::Elsewhere { url: shown(from), to: shown(&to) }) }
}

/// Hosts that may stand on a private network, in lower case: those of the base addresses and those the settings name.
pub(super) fn trusted_hosts(feeds: &FeedsConfig) -> HashSet<String> {
    let bases = [&feeds.ghcn_daily, &feeds.daily_summaries, &feeds.acis, &feeds.nws, &feeds.awdb];
    let of_bases = bases.into_iter().filter_map(|feed| Some(bare_host(feed.base_url.url().ok()?.host_str()?)));
    of_bases.chain(feeds.private_hosts.iter().map(|host| bare_host(host))).collect()
}

/// Lower case, without the brackets of an IPv6 address.
fn bare_host(host: &str) -> String {
    host.trim().trim_start_matches('[').trim_end_matches(']').to_ascii_lowercase()
}

/// Names resolve to public addresses only, unless the host is trusted.
pub(super) struct PublicNames {
    pub(super) trusted: Arc<HashSet<String>>,
}

#[derive(Debug, thiserror::Error)]
#[error("`{host}` leads to a private network")]
pub(super) struct PrivateName {
    pub(super) host: String,
}

impl reqwest::dns::Resolve for PublicNames {
    fn resolve(&self, name: reqwest::dns::Name) -> reqwest::dns::Resolving {
        let trusted = Arc::clone(&self.trusted);
        Box::pin(async move {
            let host = name.as_str().to_owned();
            let found: Vec<SocketAddr> = tokio::net::lookup_host((host.as_str(), 0)).await?.collect();
            if !trusted.contains(&bare_host(&host)) && found.iter().any(|address| !is_public(address.ip())) {
                return Err(PrivateName { host }.into());
            }
            Ok(Box::new(found.into_iter()) as reqwest::dns::Addrs)
        })
    }
}

/// Addresses of the public internet, after the special-purpose registries of IANA (RFC 6890 and its updates).
fn is_public(ip: IpAddr) -> bool {
    match ip {
        IpAddr::V4(ip) => is_public_v4(ip),
        IpAddr::V6(ip) => {
            let [first, second, ..] = ip.segments();
            if let Some(inner) = ip.to_ipv4_mapped().or_else(|| translated(ip)) {
                return is_public_v4(inner);
            }
            !(ip.is_loopback()
                || ip.is_unspecified()
                || ip.is_multicast()
                || first & 0xfe00 == 0xfc00 // unique local
                || first & 0xffc0 == 0xfe80 // link local
                || first & 0xffc0 == 0xfec0 // site local, no longer in use
                || (first == 0x2001 && second == 0x0db8) // documentation
                || (first == 0x0100 && second == 0)) // discard
        }
    }
}

/// The IPv4 address inside a 6to4 or NAT64 one.
fn translated(ip: Ipv6Addr) -> Option<Ipv4Addr> {
    let parts = ip.segments();
    let v4 = |high: u16, low: u16| Ipv4Addr::from((u32::from(high) << 16) | u32::from(low));
    match parts {
        [0x2002, high, low, ..] => Some(v4(high, low)),
        [0x64, 0xff9b, 0, 0, 0, 0, high, low] => Some(v4(high, low)),
        _ => None,
    }
}

fn is_public_v4(ip: Ipv4Addr) -> bool {
    let [a, b, c, _] = ip.octets();
    !(ip.is_private()
        || ip.is_loopback()
        || ip.is_link_local()
        || ip.is_broadcast()
        || ip.is_documentation()
        || ip.is_multicast()
        || a == 0
        || a >= 240
        || (a == 100 && (64..128).contains(&b)) // shared address space
        || (a == 192 && b == 0 && c == 0)
        || (a == 198 && (18..20).contains(&b))) // benchmarks
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn private_and_special_addresses_are_told_from_public_ones() {
        for private in [
            "127.0.0.1",
            "10.1.2.3",
            "172.16.0.1",
            "192.168.1.20",
            "169.254.169.254",
            "0.0.0.0",
            "100.64.0.1",
            "198.18.0.1",
            "224.0.0.1",
            "255.255.255.255",
            "240.0.0.1",
            "192.0.0.8",
            "::1",
            "::",
            "fd00::1",
            "fe80::1",
            "ff02::1",
            "::ffff:127.0.0.1",
            "64:ff9b::7f00:1",
            "2002:7f00:1::",
            "2001:db8::1",
            "fec0::1",
        ] {
            assert!(!is_public(private.parse().unwrap()), "{private}");
        }
        for public in ["8.8.8.8", "140.172.17.21", "172.32.0.1", "100.128.0.1", "2600::1", "::ffff:8.8.8.8"] {
            assert!(is_public(public.parse().unwrap()), "{public}");
        }
    }
}
