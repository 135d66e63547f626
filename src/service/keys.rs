//! The keys of hashes that the settings name.

use crate::config::{Config, ConfigFault, Secret};
use crate::people::{GivenKeys, Key};

/// `None`: the settings name none, and the key lies in the store.
///
/// # Errors
/// The first key that cannot be read or is none, with its place.
pub async fn read(config: &Config) -> Result<Option<GivenKeys>, ConfigFault> {
    let keys = &config.keys;
    if keys.addresses.is_empty() && keys.links.is_empty() {
        return Ok(None);
    }
    let addresses = all("keys.addresses", &keys.addresses).await?;
    let links = all("keys.links", &keys.links).await?;
    if links.first().is_some_and(|link| addresses.contains(link)) {
        let what = "is a key of addresses as well: links want one of their own (`treebell key new --to FILE`)";
        return Err(ConfigFault::new("keys.links[0]", what));
    }
    Ok(Some(GivenKeys { addresses, links }))
}

async fn all(path: &str, secrets: &[Secret]) -> Result<Vec<Key>, ConfigFault> {
    let mut keys: Vec<Key> = Vec::with_capacity(secrets.len());
    for (place, secret) in secrets.iter().enumerate() {
        let at = format!("{path}[{place}]");
        let text = secret.read().await.map_err(|why| ConfigFault::new(at.clone(), why.to_string()))?;
        let key = Key::parse(text.expose()).map_err(|why| ConfigFault::new(at.clone(), why.to_string()))?;
        if keys.contains(&key) {
            return Err(ConfigFault::new(at, "is the same key as one before it"));
        }
        keys.push(key);
    }
    Ok(keys)
}
