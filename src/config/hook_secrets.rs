//! What the webhooks are opened by: a secret part of their path, keys of signatures.

use crate::config::{ConfigFault, HooksConfig};
use crate::secret::{hook_key, hook_path};

impl HooksConfig {
    /// What is wrong with the secrets as they can be read now: a webhook with such a one would be open to guesses, or closed to
    /// the gateway.
    pub fn faults(&self) -> Vec<ConfigFault> {
        let mut faults = Vec::new();
        let mut take =
            |place: String, fault: Option<String>| faults.extend(fault.map(|what| ConfigFault::new(place, what)));
        if let Some(secret) = &self.path {
            let read = secret.read_blocking().map_err(|why| why.what);
            take("hooks.path".into(), read.and_then(|text| hook_path(&text)).err());
        }
        let keys = self.secrets.iter().enumerate().map(|(at, secret)| (format!("hooks.secrets[{at}]"), secret));
        for (place, secret) in
            keys.chain(self.bounce_secret.iter().map(|secret| ("hooks.bounce_secret".to_owned(), secret)))
        {
            let read = secret.read_blocking().map_err(|why| why.what);
            take(place, read.and_then(|text| hook_key(&text)).err());
        }
        faults
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::Secret;

    #[test]
    fn secrets_that_are_no_secrets_are_told_by_their_place_and_never_shown() {
        let folder = tempfile::tempdir().unwrap();
        let file = |name: &str, text: &str| {
            std::fs::write(folder.path().join(name), text).unwrap();
            Some(Secret::File(folder.path().join(name)))
        };
        let path = |text: &str| {
            let hooks = HooksConfig { path: file("path", text), ..HooksConfig::default() };
            hooks.faults().iter().map(ToString::to_string).collect::<Vec<_>>().join("|")
        };
        let key = |text: &str| {
            let hooks = HooksConfig { secrets: file("key", text).into_iter().collect(), ..HooksConfig::default() };
            hooks.faults().iter().map(ToString::to_string).collect::<Vec<_>>().join("|")
        };
        assert_eq!(path("0123456789abcdef\n"), "");
        assert!(path("").starts_with("hooks.path: is empty"), "{}", path(""));
        assert!(path("geheim").starts_with("hooks.path: is 6 bytes long"), "{}", path("geheim"));
        let slash = path("geheim/0123456789abcdef");
        assert!(slash.starts_with("hooks.path: has a '/' in it") && !slash.contains("geheim"), "{slash}");
        for bad in ["0123456789abcde?", "0123456789 bcdef", "0123456789abcdé"] {
            assert!(path(bad).contains("in it"), "{bad}: {}", path(bad));
        }
        assert_eq!(key("sixteen bytes ok"), "");
        assert_eq!(key("whsec_MDEyMzQ1Njc4OWFiY2RlZg=="), "");
        assert_eq!(key("whsec_MDEyMzQ1Njc4OWFiY2RlZg"), "", "without padding");
        for (text, wanted) in [
            ("", "is empty"),
            ("  \n", "is empty"),
            ("whsec_", "is empty"),
            ("whsec_b2xkIGtleQ==", "is 7 bytes"),
            ("whsec_?!", "not base64"),
        ] {
            assert!(key(text).starts_with("hooks.secrets[0]: ") && key(text).contains(wanted), "{text}: {}", key(text));
        }
        let gone =
            HooksConfig { bounce_secret: Some(Secret::File(folder.path().join("none"))), ..HooksConfig::default() };
        assert!(gone.faults()[0].to_string().starts_with("hooks.bounce_secret: secret file"), "{:?}", gone.faults());
    }
}
