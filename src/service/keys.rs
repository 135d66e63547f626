//! The keys of hashes that the settings name.

use crate::config::{Config, ConfigFault, DeskConfig, Secret, SecretText};
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
    if desk_key(&config.desk).await.is_some_and(|key| addresses.contains(&key) || links.contains(&key)) {
        let what =
            "is a key of addresses or links as well: the desk wants one of its own (`treebell key new --to FILE`)";
        faults.push(ConfigFault::new("desk.keys[0]", what));
    }
    if faults.is_empty() { Ok(Some(GivenKeys { addresses, links })) } else { Err(faults) }
}

/// The key by which the desk seals. That it cannot be read is told where it is used.
async fn desk_key(desk: &DeskConfig) -> Option<Key> {
    let secret = desk.keys.first().filter(|_| desk.enabled)?;
    let text = secret.read().await.ok()?;
    Key::parse(text.expose()).ok()
}

/// The keys of the desk: the first seals, all open.
///
/// # Errors
/// Every key that cannot be read or is none, with its place; that there is none at all.
pub fn read_desk(desk: &DeskConfig) -> Result<Vec<Key>, Vec<ConfigFault>> {
    let (mut keys, mut faults) = (Vec::with_capacity(desk.keys.len()), Vec::new());
    if desk.keys.is_empty() {
        let what =
            "is missing, and the desk seals secrets of second factors by it: `treebell key new --to FILE` makes one";
        faults.push(ConfigFault::new("desk.keys", what));
    }
    for (place, secret) in desk.keys.iter().enumerate() {
        put("desk.keys", place, secret.read_blocking(), &mut keys, &mut faults);
    }
    if faults.is_empty() { Ok(keys) } else { Err(faults) }
}

/// The keys that can be read; what is wrong with the others goes to `faults`.
async fn all(path: &str, secrets: &[Secret], faults: &mut Vec<ConfigFault>) -> Vec<Key> {
    let mut keys: Vec<Key> = Vec::with_capacity(secrets.len());
    for (place, secret) in secrets.iter().enumerate() {
        put(path, place, secret.read().await, &mut keys, faults);
    }
    keys
}

fn put(
    path: &str,
    place: usize,
    read: Result<SecretText, ConfigFault>,
    keys: &mut Vec<Key>,
    faults: &mut Vec<ConfigFault>,
) {
    let read = read.map_err(|why| why.to_string());
    match read.and_then(|text| Key::parse(text.expose()).map_err(|why| why.to_string())) {
        Ok(key) if keys.contains(&key) => {
            faults.push(ConfigFault::new(format!("{path}[{place}]"), "is the same key as one before it"));
        }
        Ok(key) => keys.push(key),
        Err(what) => faults.push(ConfigFault::new(format!("{path}[{place}]"), what)),
    }
}
