//! Signatures of calls in the form of Standard Webhooks: HMAC-SHA256 over `id.timestamp.body`, the body as it came byte for
//! byte, base64 after `v1,`. Several signatures and several secrets are taken, so that a secret can be changed without a
//! gap.

use axum::http::HeaderMap;
use chrono::{DateTime, TimeDelta, Utc};
use hmac::{Hmac, KeyInit, Mac};
use sha2::Sha256;

use crate::text::{base64, from_base64};

/// A call may be so old or so far ahead.
const TOLERANCE: TimeDelta = TimeDelta::minutes(5);

#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Refused {
    #[error("webhook-id, webhook-timestamp or webhook-signature is missing")]
    Missing,
    #[error("its time is more than five minutes from ours")]
    Time,
    #[error("no signature matches")]
    Wrong,
}

/// Gives the call's id when one of its signatures is by one of the keys.
///
/// # Errors
/// See [`Refused`].
pub fn check(keys: &[Vec<u8>], headers: &HeaderMap, body: &[u8], now: DateTime<Utc>) -> Result<String, Refused> {
    let header = |name: &str| headers.get(name).and_then(|value| value.to_str().ok()).ok_or(Refused::Missing);
    let (id, stamp, signatures) = (header("webhook-id")?, header("webhook-timestamp")?, header("webhook-signature")?);
    let at = stamp.parse::<i64>().ok().and_then(|seconds| DateTime::from_timestamp(seconds, 0)).ok_or(Refused::Time)?;
    if (now - at).abs() > TOLERANCE {
        return Err(Refused::Time);
    }
    let given: Vec<Vec<u8>> =
        signatures.split(' ').filter_map(|one| one.strip_prefix("v1,")).filter_map(from_base64).collect();
    // In constant time.
    let by = |key: &[u8], signature: &[u8]| {
        mac_of(key, id, stamp, body).is_some_and(|mac| mac.verify_slice(signature).is_ok())
    };
    let is_ours = keys.iter().any(|key| given.iter().any(|signature| by(key, signature)));
    if is_ours { Ok(id.to_owned()) } else { Err(Refused::Wrong) }
}

/// What stands in the header `webhook-signature` of a call; `stamp` are seconds since 1970.
pub fn sign(key: &[u8], id: &str, stamp: i64, body: &[u8]) -> String {
    let signature = mac_of(key, id, &stamp.to_string(), body).map(|mac| base64(&mac.finalize().into_bytes()));
    format!("v1,{}", signature.unwrap_or_default())
}

/// `None` never comes: HMAC takes keys of any length.
fn mac_of(key: &[u8], id: &str, stamp: &str, body: &[u8]) -> Option<Hmac<Sha256>> {
    let mut mac = <Hmac<Sha256> as KeyInit>::new_from_slice(key).ok()?;
    for part in [id.as_bytes(), b".", stamp.as_bytes(), b".", body] {
        mac.update(part);
    }
    Some(mac)
}
