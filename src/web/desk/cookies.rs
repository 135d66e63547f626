//! The desk's cookies. The prefix `__Host-` binds each to this host, the whole of it and TLS (RFC 6265bis, section 4.1.3.2): no other
//! host and no clear connection can set one.

use axum::http::{HeaderMap, HeaderValue, header};
use axum::response::Response;

/// Token of the session. `Lax`: a link in a mail leads to the page that it names; a form from elsewhere brings nothing along.
pub(super) const SESSION: &str = "__Host-desk";

/// What the forms of the sign-in are bound to, before there is a session.
pub(super) const FORM: &str = "__Host-desk-form";

/// The browser's number, from an earlier sign-in.
pub(super) const DEVICE: &str = "__Host-desk-browser";

/// Half a year, anew with each sign-in.
const DEVICE_S: u32 = 183 * 86_400;

const COMMON: &str = "Path=/; Secure; HttpOnly";

pub(super) fn session(token: &str) -> String {
    format!("{SESSION}={token}; {COMMON}; SameSite=Lax")
}

pub(super) fn no_session() -> String {
    format!("{SESSION}=; {COMMON}; SameSite=Lax; Max-Age=0")
}

pub(super) fn form_seed(seed: &str) -> String {
    format!("{FORM}={seed}; {COMMON}; SameSite=Strict")
}

pub(super) fn device(number: &str) -> String {
    format!("{DEVICE}={number}; {COMMON}; SameSite=Strict; Max-Age={DEVICE_S}")
}

pub(super) fn add(response: &mut Response, cookie: &str) {
    if let Ok(value) = HeaderValue::from_str(cookie) {
        response.headers_mut().append(header::SET_COOKIE, value);
    }
}

/// What a browser sent under a name; ours are letters and digits.
pub(super) fn read(headers: &HeaderMap, name: &str) -> Option<String> {
    let sent = headers.get_all(header::COOKIE).iter().filter_map(|value| value.to_str().ok());
    let pairs = sent.flat_map(|line| line.split(';')).filter_map(|pair| pair.trim().split_once('='));
    let found = pairs.filter(|(named, _)| *named == name).map(|(_, value)| value).next()?;
    let is_ours = (1..=200).contains(&found.len()) && found.bytes().all(|b| b.is_ascii_alphanumeric());
    is_ours.then(|| found.to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_cookie_is_read_by_its_whole_name() {
        let mut headers = HeaderMap::new();
        headers.append("cookie", HeaderValue::from_static("a=b; __Host-desk-form=c0ffee;__Host-desk=abc"));
        headers.append("cookie", HeaderValue::from_static("__Host-desk=second; odd; __Host-desk-browser=a b"));
        assert_eq!(read(&headers, SESSION).as_deref(), Some("abc"));
        assert_eq!(read(&headers, FORM).as_deref(), Some("c0ffee"));
        assert_eq!((read(&headers, DEVICE), read(&headers, "desk")), (None, None));
    }

    #[test]
    fn every_cookie_is_bound_to_host_and_tls_and_hidden_from_scripts() {
        for cookie in [session("x"), no_session(), form_seed("x"), device("x")] {
            for wanted in ["__Host-", "; Path=/; Secure; HttpOnly; SameSite="] {
                assert!(cookie.contains(wanted), "{cookie}");
            }
            assert!(!cookie.contains("Domain"), "{cookie}");
        }
    }
}
