//! The call after a good cycle. Whoever waits for it outside tells when none comes, which no alarm of our own could.

use std::time::Duration;

use tracing::{debug, warn};
use url::Url;

use crate::config_fault::ConfigFault;
use crate::net::http_client_builder;
use crate::secret::{Secret, SecretText};
use crate::text::root_cause;

/// Whoever waits is not worth waiting for.
const TIMEOUT: Duration = Duration::from_secs(10);

/// Calls the URL of `alarms.ping`. The URL is a secret: whoever knows it can say that all is well.
#[derive(Clone)]
pub struct Pinger {
    secret: Secret,
    client: reqwest::Client,
}

impl Pinger {
    /// `None` where the settings name no URL.
    ///
    /// # Errors
    /// When the secret cannot be read, or holds no URL that may be called.
    pub fn of(secret: Option<&Secret>) -> Result<Option<Self>, ConfigFault> {
        let Some(secret) = secret else { return Ok(None) };
        let fault = |what: String| ConfigFault::new("alarms.ping", what);
        let text = secret.read_blocking().map_err(|why| fault(why.what))?;
        url_of(&text).map_err(fault)?;
        let client = http_client_builder(&format!("treebell/{}", env!("CARGO_PKG_VERSION")))
            .timeout(TIMEOUT)
            .redirect(reqwest::redirect::Policy::none())
            .build()
            .map_err(|why| fault(root_cause(&why)))?;
        Ok(Some(Self { secret: secret.clone(), client }))
    }

    /// Says that all is well. That it cannot be said is no alarm: then whoever waits raises one.
    pub async fn call(&self) {
        let said = async {
            // Read anew, so that a URL that was changed counts at once.
            let text = self.secret.read().await.map_err(|why| why.what)?;
            let url = url_of(&text)?;
            let answer = self.client.get(url).send().await.map_err(|why| root_cause(&why.without_url()))?;
            if answer.status().is_success() { Ok(()) } else { Err(format!("it answered {}", answer.status())) }
        };
        match said.await {
            Ok(()) => debug!("told the one who waits for it that the cycle was good"),
            Err(why) => warn!("the URL of alarms.ping could not be called: {why}"),
        }
    }
}

/// Never prints what it could not read.
fn url_of(text: &SecretText) -> Result<Url, String> {
    let url = Url::parse(text.expose().trim()).map_err(|why| format!("the secret holds no URL: {why}"))?;
    let here = matches!(url.host(), Some(url::Host::Ipv4(ip)) if ip.is_loopback())
        || matches!(url.host(), Some(url::Host::Ipv6(ip)) if ip.is_loopback());
    if url.scheme() == "https" || (url.scheme() == "http" && here) {
        return Ok(url);
    }
    Err("the secret's URL must begin with https://, since whoever reads it could say that all is well".to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_url_that_could_be_overheard_is_refused_and_never_printed() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("url");
        let of = |text: &str| {
            std::fs::write(&file, text).unwrap();
            Pinger::of(Some(&Secret::File(file.clone()))).map(|pinger| pinger.is_some()).map_err(|why| why.to_string())
        };
        assert_eq!(of("https://example.org/ping/invented\n"), Ok(true));
        assert_eq!(of("http://127.0.0.1:9/ping"), Ok(true));
        for bad in ["http://example.org/ping/invented", "invented", ""] {
            let said = of(bad).unwrap_err();
            assert!(said.starts_with("alarms.ping: the secret") && !said.contains("invented"), "{said}");
        }
        assert!(Pinger::of(None).unwrap().is_none());
    }
}
