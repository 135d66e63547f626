//! Signatures of calls in the form of Standard Webhooks: HMAC-SHA256 over `id.timestamp.body`, the body as it came byte for
//! byte, base64 after `v1,`. Several signatures and several secrets are taken, so that a secret can be changed without a
//! gap.

use axum::http::HeaderMap;
use chrono::{DateTime, TimeDelta, Utc};
use hmac::{Hmac, KeyInit, Mac};
use sha2::Sha256;

use crate::config::SecretText;

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

/// Gives the call's id when one of its signatures is by one of the secrets.
///
/// # Errors
/// See [`Refused`].
pub fn check(secrets: &[SecretText], headers: &HeaderMap, body: &[u8], now: DateTime<Utc>) -> Result<String, Refused> {
    let header = |name: &str| headers.get(name).and_then(|value| value.to_str().ok()).ok_or(Refused::Missing);
    let (id, stamp, signatures) = (header("webhook-id")?, header("webhook-timestamp")?, header("webhook-signature")?);
    let at = stamp.parse::<i64>().ok().and_then(|seconds| DateTime::from_timestamp(seconds, 0)).ok_or(Refused::Time)?;
    if (now - at).abs() > TOLERANCE {
        return Err(Refused::Time);
    }
    let given: Vec<Vec<u8>> =
        signatures.split(' ').filter_map(|one| one.strip_prefix("v1,")).filter_map(decoded).collect();
    let by = |secret: &SecretText, signature: &[u8]| {
        let Ok(mut mac) = <Hmac<Sha256> as KeyInit>::new_from_slice(&key_of(secret.expose())) else { return false };
        for part in [id.as_bytes(), b".", stamp.as_bytes(), b".", body] {
            mac.update(part);
        }
        // In constant time.
        mac.verify_slice(signature).is_ok()
    };
    let is_ours = secrets.iter().any(|secret| given.iter().any(|signature| by(secret, signature)));
    if is_ours { Ok(id.to_owned()) } else { Err(Refused::Wrong) }
}

/// `whsec_` and base64, as the standard writes them; any other text is its own bytes.
fn key_of(secret: &str) -> Vec<u8> {
    secret.strip_prefix("whsec_").and_then(decoded).unwrap_or_else(|| secret.as_bytes().to_vec())
}

/// Base64 (RFC 4648, section 4), with or without its padding.
fn decoded(text: &str) -> Option<Vec<u8>> {
    let mut bytes = Vec::with_capacity(text.len() * 3 / 4);
    let (mut bits, mut count) = (0_u32, 0);
    for c in text.trim_end_matches('=').bytes() {
        let six = match c {
            b'A'..=b'Z' => c - b'A',
            b'a'..=b'z' => c - b'a' + 26,
            b'0'..=b'9' => c - b'0' + 52,
            b'+' => 62,
            b'/' => 63,
            _ => return None,
        };
        bits = (bits << 6) | u32::from(six);
        count += 6;
        if count >= 8 {
            count -= 8;
            bytes.push((bits >> count) as u8); // the highest of what is there: at most eight bits are kept below
            bits &= (1 << count) - 1;
        }
    }
    Some(bytes)
}

#[cfg(test)]
mod tests {
    use super::*;

    // RFC 4648, section 10.
    #[test]
    fn base64_is_read() {
        for (coded, plain) in
            [("", ""), ("Zg==", "f"), ("Zm8=", "fo"), ("Zm9v", "foo"), ("Zm9vYg", "foob"), ("Zm9vYmFy", "foobar")]
        {
            assert_eq!(decoded(coded).as_deref(), Some(plain.as_bytes()), "{coded}");
        }
        assert_eq!(decoded("Zm9v\n"), None);
    }
}
