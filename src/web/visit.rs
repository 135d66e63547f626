//! One request as a page sees it.

use std::convert::Infallible;
use std::net::{IpAddr, Ipv6Addr, SocketAddr};

use axum::extract::{FromRequestParts, OriginalUri};
use axum::http::{HeaderMap, request};

use super::Site;
use crate::language::Language;
use crate::links;

/// Who asks, for which page, in which language.
#[derive(Clone)]
pub struct Visit {
    pub site: Site,
    pub language: Language,
    /// Path without base, language and query; begins with a slash.
    pub path: String,
    /// Where the request came from, as far as it can be trusted.
    pub client: IpAddr,
}

impl Visit {
    /// The path of another page in the visitor's language.
    pub fn link(&self, path: &str) -> String {
        self.site.path(self.language, path)
    }

    /// The client's network: its address's first 24 (IPv4) or 64 (IPv6) bits. One household or office shares it.
    pub fn network(&self) -> IpAddr {
        network(self.client)
    }
}

/// See [`Visit::network`].
pub fn network(client: IpAddr) -> IpAddr {
    match client {
        IpAddr::V4(v4) => {
            let [a, b, c, _] = v4.octets();
            IpAddr::from([a, b, c, 0])
        }
        IpAddr::V6(v6) => match v6.to_ipv4_mapped() {
            Some(v4) => network(IpAddr::V4(v4)),
            None => {
                let [a, b, c, d, ..] = v6.segments();
                IpAddr::V6(Ipv6Addr::new(a, b, c, d, 0, 0, 0, 0))
            }
        },
    }
}

/// Whose request it is. A proxy's word counts only when the proxy is one of ours: else anybody could call himself
/// anybody. Read from the right, since each proxy adds at the end what it saw itself.
pub fn client(peer: IpAddr, headers: &HeaderMap, trusted: &[IpAddr]) -> IpAddr {
    if !trusted.contains(&peer.to_canonical()) {
        return peer.to_canonical();
    }
    let forwarded: Vec<&str> = headers
        .get_all("x-forwarded-for")
        .iter()
        .filter_map(|value| value.to_str().ok())
        .flat_map(|value| value.split(','))
        .map(str::trim)
        .collect();
    let mut seen = peer.to_canonical();
    for hop in forwarded.iter().rev() {
        let Ok(address) = hop.parse::<IpAddr>() else { return seen };
        seen = address.to_canonical();
        if !trusted.contains(&seen) {
            return seen;
        }
    }
    seen
}

impl Visit {
    pub(super) fn of(parts: &request::Parts, site: &Site) -> Self {
        let language = parts.extensions.get::<Language>().copied().unwrap_or(Language::En);
        let original = parts.extensions.get::<OriginalUri>();
        let path = original.map_or(parts.uri.path(), |original| original.0.path());
        let path = path.strip_prefix(site.base()).filter(|rest| rest.starts_with('/')).unwrap_or(path);
        let path = path.strip_prefix(links::language_prefix(language)).unwrap_or(path);
        // One slash: `//host/` and `/\host/`, as a browser reads them, lie on another host, and pages link to their own path.
        let path = format!("/{}", path.trim_start_matches(['/', '\\']));
        // Tests call the router without a connection.
        let peer = parts.extensions.get::<SocketAddr>().map_or(IpAddr::from([127, 0, 0, 1]), SocketAddr::ip);
        let client = client(peer, &parts.headers, &site.app().config.web.trusted_proxies);
        Self { site: site.clone(), language, path, client }
    }
}

impl FromRequestParts<Site> for Visit {
    type Rejection = Infallible;

    async fn from_request_parts(parts: &mut request::Parts, site: &Site) -> Result<Self, Infallible> {
        Ok(Self::of(parts, site))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ip(text: &str) -> IpAddr {
        text.parse().expect("a literal address")
    }

    #[test]
    fn only_our_own_proxies_are_believed() {
        let trusted = [ip("127.0.0.1"), ip("192.0.2.7")];
        for (peer, forwarded, seen) in [
            ("198.51.100.9", "203.0.113.5", "198.51.100.9"),
            ("127.0.0.1", "203.0.113.5", "203.0.113.5"),
            ("127.0.0.1", "6.6.6.6, 203.0.113.5", "203.0.113.5"),
            ("127.0.0.1", "203.0.113.5, 192.0.2.7", "203.0.113.5"),
            ("127.0.0.1", "203.0.113.5, nonsense", "127.0.0.1"),
            ("::ffff:127.0.0.1", "203.0.113.5", "203.0.113.5"),
            ("127.0.0.1", "", "127.0.0.1"),
        ] {
            let mut headers = HeaderMap::new();
            headers.insert("x-forwarded-for", forwarded.parse().expect("a header value"));
            assert_eq!(client(ip(peer), &headers, &trusted), ip(seen), "{peer} with `{forwarded}`");
        }
    }

    #[test]
    fn a_network_is_a_household() {
        for (client, of) in [
            ("203.0.113.5", "203.0.113.0"),
            ("2001:db8:1:2:3:4:5:6", "2001:db8:1:2::"),
            ("::ffff:203.0.113.5", "203.0.113.0"),
        ] {
            assert_eq!(network(ip(client)), ip(of));
        }
    }
}
