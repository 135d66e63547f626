//! The one way this program makes an HTTP client: our name on every request, TLS by rustls with the ring provider.

/// A builder with our defaults. `user_agent` names the program and a contact, as public feeds ask.
#[expect(clippy::disallowed_methods, reason = "the one place that makes clients")]
pub fn http_client_builder(user_agent: &str) -> reqwest::ClientBuilder {
    // reqwest is built without a provider of its own; a second installation is refused and harmless.
    let _ = rustls::crypto::ring::default_provider().install_default();
    reqwest::Client::builder().user_agent(user_agent.to_owned())
}
