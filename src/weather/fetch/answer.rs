//! What comes back from a host: what was asked for, how much of it is read, and what an error answer says.

use std::time::Duration;

use bytes::{Bytes, BytesMut};
use chrono::{DateTime, NaiveDateTime, Utc};
use reqwest::header::{self, HeaderMap};
use serde_json::Value;

use crate::weather::excerpt::excerpt;

/// What kind of answer is wanted.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Accept {
    Json,
    /// `application/geo+json`: asked for by name, since without it stale answers have been seen.
    GeoJson,
    /// Fixed-width text or CSV.
    Text,
}

impl Accept {
    pub(super) fn header(self) -> &'static str {
        match self {
            Accept::Json => "application/json",
            Accept::GeoJson => "application/geo+json, application/json;q=0.9",
            Accept::Text => "text/plain, text/csv, */*;q=0.5",
        }
    }

    pub(super) fn name(self) -> &'static str {
        match self {
            Accept::Json | Accept::GeoJson => "JSON",
            Accept::Text => "plain text",
        }
    }
}

/// A good answer.
#[derive(Clone, Debug)]
pub struct Answer {
    pub body: Bytes,
    /// The host said that nothing changed since we asked last; the body is the one kept.
    pub unchanged: bool,
}

pub(super) enum BodyError {
    TooLarge,
    TimedOut,
    BrokenOff,
}

/// Reads piece by piece, so that a body that swells when unpacked is never held whole.
pub(super) async fn read_body(mut response: reqwest::Response, limit: u64) -> Result<Bytes, BodyError> {
    let mut body = BytesMut::new();
    loop {
        match response.chunk().await {
            Ok(None) => return Ok(body.freeze()),
            Ok(Some(piece)) => {
                if (body.len() + piece.len()) as u64 > limit {
                    return Err(BodyError::TooLarge);
                }
                body.extend_from_slice(&piece);
            }
            Err(why) if why.is_timeout() => return Err(BodyError::TimedOut),
            Err(_) => return Err(BodyError::BrokenOff),
        }
    }
}

/// `Retry-After` as seconds or as an instant; the host's own clock counts where it shows it.
pub(super) fn retry_after(headers: &HeaderMap, now: DateTime<Utc>) -> Option<Duration> {
    let text = headers.get(header::RETRY_AFTER)?.to_str().ok()?.trim();
    if let Ok(seconds) = text.parse::<u64>() {
        return Some(Duration::from_secs(seconds));
    }
    let then = http_date(text)?;
    let now = headers.get(header::DATE).and_then(|date| http_date(date.to_str().ok()?)).unwrap_or(now);
    Some((then - now).to_std().unwrap_or(Duration::ZERO))
}

/// The three forms of RFC 9110, section 5.6.7.
fn http_date(text: &str) -> Option<DateTime<Utc>> {
    let fixed = DateTime::parse_from_rfc2822(text).ok().map(|at| at.to_utc());
    let old = ["%A, %d-%b-%y %H:%M:%S GMT", "%a %b %e %H:%M:%S %Y"];
    fixed.or_else(|| old.iter().find_map(|form| NaiveDateTime::parse_from_str(text, form).ok()).map(|at| at.and_utc()))
}

pub(super) fn is_html(accept: Accept, headers: &HeaderMap, body: &[u8]) -> bool {
    let kind = headers.get(header::CONTENT_TYPE).and_then(|kind| kind.to_str().ok()).unwrap_or("");
    let start: Vec<u8> = body
        .iter()
        .copied()
        .skip_while(|byte| byte.is_ascii_whitespace() || [0xEF, 0xBB, 0xBF].contains(byte))
        .take(14)
        .map(|byte| byte.to_ascii_lowercase())
        .collect();
    let looks = start.starts_with(b"<!doctype html") || start.starts_with(b"<html");
    match accept {
        Accept::Json | Accept::GeoJson => looks || start.starts_with(b"<"),
        // Folders of plain files are at times served as text/html: what the body begins with counts.
        Accept::Text => looks || (kind.starts_with("text/html") && start.starts_with(b"<")),
    }
}

pub(super) fn html_title(body: &[u8]) -> String {
    let text = String::from_utf8_lossy(body.get(..4096).unwrap_or(body)).into_owned();
    let lower = text.to_ascii_lowercase();
    let title = lower
        .find("<title")
        .and_then(|at| Some(at + lower.get(at..)?.find('>')? + 1))
        .and_then(|start| text.get(start..start + lower.get(start..)?.find("</title")?));
    excerpt(title.unwrap_or("no title"), 80)
}

/// The words of an error answer: of a problem document its title and detail, of a page its title.
pub(super) fn what_was_said(headers: &HeaderMap, body: &[u8]) -> String {
    if is_html(Accept::Json, headers, body) {
        return html_title(body);
    }
    if let Ok(Value::Object(problem)) = serde_json::from_slice::<Value>(body) {
        let parts: Vec<&str> = ["title", "detail", "errorMessage", "message", "error"]
            .iter()
            .filter_map(|key| problem.get(*key).and_then(Value::as_str))
            .collect();
        if !parts.is_empty() {
            return excerpt(&parts.join(": "), 300);
        }
    }
    let text = excerpt(&String::from_utf8_lossy(body.get(..500).unwrap_or(body)), 300);
    if text.is_empty() { "no words".into() } else { text }
}

#[cfg(test)]
mod tests {
    use super::*;
    use reqwest::header::HeaderValue;

    #[test]
    fn http_dates_are_read_in_their_three_forms() {
        // The example of RFC 9110, section 5.6.7.
        let wanted = DateTime::parse_from_rfc3339("1994-11-06T08:49:37Z").unwrap().to_utc();
        for text in ["Sun, 06 Nov 1994 08:49:37 GMT", "Sunday, 06-Nov-94 08:49:37 GMT", "Sun Nov  6 08:49:37 1994"] {
            assert_eq!(http_date(text), Some(wanted), "{text}");
        }
        assert_eq!(http_date("soon"), None);
    }

    #[test]
    fn retry_after_counts_by_the_clock_of_the_host() {
        let now = DateTime::parse_from_rfc3339("1994-11-06T08:00:00Z").unwrap().to_utc();
        let with = |pairs: &[(header::HeaderName, &'static str)]| {
            let headers = pairs.iter().map(|(name, value)| (name.clone(), HeaderValue::from_static(value))).collect();
            retry_after(&headers, now).map(|wait| wait.as_secs())
        };
        assert_eq!(with(&[(header::RETRY_AFTER, "120")]), Some(120));
        assert_eq!(with(&[(header::RETRY_AFTER, "Sun, 06 Nov 1994 08:01:00 GMT")]), Some(60));
        let dated =
            [(header::RETRY_AFTER, "Sun, 06 Nov 1994 08:49:37 GMT"), (header::DATE, "Sun, 06 Nov 1994 08:49:07 GMT")];
        assert_eq!(with(&dated), Some(30));
        assert_eq!(with(&[(header::RETRY_AFTER, "Sun, 06 Nov 1994 07:00:00 GMT")]), Some(0));
        assert_eq!(with(&[(header::RETRY_AFTER, "later")]), None);
        assert_eq!(with(&[]), None);
    }

    #[test]
    fn words_are_found_in_problem_documents_and_pages() {
        let headers = HeaderMap::new();
        let problem = br#"{"title":"Unexpected Problem","status":500,"detail":"An unexpected problem has occurred."}"#;
        assert_eq!(what_was_said(&headers, problem), "Unexpected Problem: An unexpected problem has occurred.");
        assert_eq!(what_was_said(&headers, b"<html><head><TITLE>503 Down</TITLE>"), "503 Down");
        assert_eq!(what_was_said(&headers, b""), "no words");
        assert_eq!(html_title("<title>\u{130}".as_bytes()), "no title");
    }
}
