//! The keys of hashes that the settings name.

use crate::config::{Config, ConfigFault, Secret};
use crate::people::{GivenKeys, Key};

/// `None`: the settings name none, and the key lies in the store.
///
/// # Errors
/// Every key that cannot be read or is none, with its place.
pub async fn read(config: &Config) -> Result<Option<GivenKeys>, Vec<ConfigFault>> {
    let keys = &config.keys;
    if keys.addresses.is_empty() && keys.links.is_empty() {
        return Ok(None);
    }
    let mut faults = Vec::new();
    let addresses = all("keys.addresses", &keys.addresses, &mut faults).await;
    let links = all("keys.links", &keys.links, &mut faults).await;
    // Only the first of each list makes new ones.
    let newest = !keys.links.is_empty() && !faults.iter().any(|fault| fault.path == "keys.links[0]");
    if newest && links.first().is_some_and(|link| addresses.contains(link)) {
        let what = "is a key of addresses as well: links want one of their own (`treebell key new --to FILE`)";
        faults.push(ConfigFault::new("keys.links[0]", what));
    }
    if faults.is_empty() { Ok(Some(GivenKeys { addresses, links })) } else { Err(faults) }
}

/// The keys that can be read; what is wrong with the others goes to `faults`.
async fn all(path: &str, secrets: &[Secret], faults: &mut Vec<ConfigFault>) -> Vec<Key> {
    let mut keys: Vec<Key> = Vec::with_capacity(secrets.len());
    for (place, secret) in secrets.iter().enumerate() {
        let read = secret.read().await.map_err(|why| why.to_string());
        match read.and_then(|text| Key::parse(text.expose()).map_err(|why| why.to_string())) {
            Ok(key) if keys.contains(&key) => {
                faults.push(ConfigFault::new(format!("{path}[{place}]"), "is the same key as one before it"));
            }
            Ok(key) => keys.push(key),
            Err(what) => faults.push(ConfigFault::new(format!("{path}[{place}]"), what)),
        }
    }
    keys
}
