//! The one way this program makes an HTTP client (our name on every request, TLS by rustls with the ring provider), and which
//! hosts are this machine.

use std::net::IpAddr;

/// A builder with our defaults. `user_agent` names the program and a contact, as public feeds ask.
#[expect(clippy::disallowed_methods, reason = "the one place that makes clients")]
pub fn http_client_builder(user_agent: &str) -> reqwest::ClientBuilder {
    // reqwest is built without a provider of its own; a second installation is refused and harmless.
    let _ = rustls::crypto::ring::default_provider().install_default();
    reqwest::Client::builder().user_agent(user_agent.to_owned())
}

/// Whether a host is this machine itself: then nobody stands in between who could read along. A name other than `localhost` is
/// not looked up: whoever answers for names could send us elsewhere.
pub fn is_this_machine(host: &str) -> bool {
    let host = host.strip_prefix('[').and_then(|host| host.strip_suffix(']')).unwrap_or(host);
    match host.parse::<IpAddr>() {
        Ok(address) => address.to_canonical().is_loopback(),
        Err(_) => host.eq_ignore_ascii_case("localhost"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn this_machine_is_told_by_loopback_addresses_and_its_one_name() {
        for host in ["127.0.0.1", "127.8.8.8", "::1", "[::1]", "::ffff:127.0.0.1", "localhost", "LOCALHOST"] {
            assert!(is_this_machine(host), "{host}");
        }
        for host in
            ["", "10.0.0.1", "db.example.org", "localhost.example.org", "127.0.0.1.example.org", "[2001:db8::1]"]
        {
            assert!(!is_this_machine(host), "{host}");
        }
    }
}
