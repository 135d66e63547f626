//! Answers that are the same for everybody: made once, kept, and asked for again with "only if it changed".

use axum::http::{HeaderMap, HeaderName, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use bytes::Bytes;
use sha2::{Digest, Sha256};

use crate::service::region_views::Packed;
use crate::text::base64;

/// How long a browser or a cache between may show what it has, seconds. The figures behind change once or twice a day.
const MAX_AGE: &str = "public, max-age=300";

/// For what is to be replaced within a minute: asked for anew each time, and only sent if it changed.
const ASK_AGAIN: &str = "no-cache";

/// Without its letters' code a text is left to guesses (ASVS 5.0.0, 4.1.1).
pub(super) const SVG: &str = "image/svg+xml; charset=utf-8";

/// Shorter bodies are not worth unpacking.
const PACKED_FROM: usize = 512;

/// A body with what belongs to it.
pub(super) struct CachedAnswer {
    kind: &'static str,
    body: Body,
    tag: HeaderValue,
    policy: Option<HeaderValue>,
    /// May be shown inside pages of others.
    embeddable: bool,
    /// Says something that stands for a while.
    lasting: bool,
}

/// Compressed once for all who take it so: that is nearly everybody.
enum Body {
    Plain(Bytes),
    Packed(Packed),
}

/// In practice staff move the clock: what may be shown for five minutes elsewhere is asked for anew each time.
pub(super) fn ask_again(headers: &mut HeaderMap) {
    if headers.get(header::CACHE_CONTROL).is_some_and(|value| value == MAX_AGE) {
        headers.insert(header::CACHE_CONTROL, HeaderValue::from_static(ASK_AGAIN));
    }
}

impl CachedAnswer {
    pub fn new(kind: &'static str, body: impl Into<Bytes>) -> Self {
        let body = body.into();
        let tag = tag_of(&body);
        let body = if body.len() < PACKED_FROM { Body::Plain(body) } else { Body::Packed(Packed::of(&body)) };
        Self { kind, body, tag, policy: None, embeddable: false, lasting: true }
    }

    /// A picture that may be opened as a page of its own: the only style it may have is the one inside it, named by hash.
    pub fn picture(svg: &str) -> Self {
        Self { policy: policy_of(svg), ..Self::new(SVG, svg.to_owned()) }
    }

    /// As [`CachedAnswer::picture`], of one that is kept packed; `None` when it is not whole.
    pub fn packed_picture(packed: &Packed) -> Option<Self> {
        let svg = String::from_utf8(packed.open()?).ok()?;
        let (tag, policy, body) = (tag_of(svg.as_bytes()), policy_of(&svg), Body::Packed(packed.clone()));
        Some(Self { kind: SVG, body, tag, policy, embeddable: false, lasting: true })
    }

    pub fn embeddable(self) -> Self {
        Self { embeddable: true, ..self }
    }

    /// `false`: nobody is to show it without having asked whether it changed.
    pub fn lasting(self, lasting: bool) -> Self {
        Self { lasting, ..self }
    }

    /// The answer: all of it, or word that what the asker has is still right.
    pub fn answer(&self, asked: &HeaderMap) -> Response {
        let mut headers = HeaderMap::new();
        headers.insert(header::ETAG, self.tag.clone());
        headers.insert(header::CACHE_CONTROL, HeaderValue::from_static(if self.lasting { MAX_AGE } else { ASK_AGAIN }));
        if let Some(policy) = &self.policy {
            headers.insert(header::CONTENT_SECURITY_POLICY, policy.clone());
        }
        if self.embeddable {
            let name = HeaderName::from_static("cross-origin-resource-policy");
            headers.insert(name, HeaderValue::from_static("cross-origin"));
        }
        if self.is_known(asked) {
            return (StatusCode::NOT_MODIFIED, headers).into_response();
        }
        headers.insert(header::CONTENT_TYPE, HeaderValue::from_static(self.kind));
        match &self.body {
            Body::Plain(body) => (headers, body.clone()).into_response(),
            Body::Packed(packed) => {
                headers.insert(header::VARY, HeaderValue::from_static("accept-encoding"));
                if takes_gzip(asked) {
                    headers.insert(header::CONTENT_ENCODING, HeaderValue::from_static("gzip"));
                    return (headers, packed.gzip().clone()).into_response();
                }
                match packed.open() {
                    Some(body) => (headers, body).into_response(),
                    None => StatusCode::INTERNAL_SERVER_ERROR.into_response(),
                }
            }
        }
    }

    /// Weak comparison, as RFC 9110 (section 13.1.2) has it for this header.
    fn is_known(&self, asked: &HeaderMap) -> bool {
        let bare = |tag: &str| tag.trim().trim_start_matches("W/").to_owned();
        let ours = bare(self.tag.to_str().unwrap_or_default());
        asked
            .get_all(header::IF_NONE_MATCH)
            .iter()
            .filter_map(|value| value.to_str().ok())
            .flat_map(|value| value.split(','))
            .any(|tag| tag.trim() == "*" || bare(tag) == ours)
    }
}

/// Weak: the same words may travel compressed or not.
fn tag_of(body: &[u8]) -> HeaderValue {
    let tag = format!("W/\"{}\"", hex::encode(&Sha256::digest(body)[..12]));
    HeaderValue::from_str(&tag).unwrap_or(HeaderValue::from_static("W/\"\""))
}

fn policy_of(svg: &str) -> Option<HeaderValue> {
    let style = svg.split_once("<style>").and_then(|(_, rest)| rest.split_once("</style>")).map(|(style, _)| style);
    let allowed =
        style.map_or_else(|| "'none'".to_owned(), |style| format!("'sha256-{}'", base64(&Sha256::digest(style))));
    let policy = format!(
        "default-src 'none'; style-src {allowed}; base-uri 'none'; form-action 'none'; frame-ancestors 'none'; object-src 'none'"
    );
    HeaderValue::from_str(&policy).ok()
}

/// Whether gzip is named, and not with a weight of nought (RFC 9110, section 12.5.3).
fn takes_gzip(asked: &HeaderMap) -> bool {
    asked.get_all(header::ACCEPT_ENCODING).iter().filter_map(|value| value.to_str().ok()).any(|value| {
        value.split(',').any(|one| {
            let mut parts = one.split(';').map(str::trim);
            let named = parts.next().is_some_and(|name| name.eq_ignore_ascii_case("gzip"));
            let weight = parts.find_map(|part| part.strip_prefix("q=")).and_then(|weight| weight.parse::<f32>().ok());
            named && weight.is_none_or(|weight| weight > 0.0)
        })
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn in_practice_a_page_is_asked_for_anew_and_what_never_changes_is_not() {
        for (said, wanted) in
            [(MAX_AGE, ASK_AGAIN), ("public, immutable", "public, immutable"), ("no-store", "no-store")]
        {
            let mut headers = HeaderMap::new();
            headers.insert(header::CACHE_CONTROL, HeaderValue::from_static(said));
            ask_again(&mut headers);
            assert_eq!(headers[header::CACHE_CONTROL], wanted);
        }
    }

    #[test]
    fn gzip_goes_to_those_who_take_it_and_the_same_text_to_the_others() {
        let answer = CachedAnswer::new("text/plain", "heat ".repeat(500));
        for (says, takes) in [
            (Some("gzip"), true),
            (Some("br, GZIP;q=0.5"), true),
            (Some("gzip;q=0"), false),
            (Some("identity"), false),
            (None, false),
        ] {
            let mut asked = HeaderMap::new();
            if let Some(says) = says {
                asked.insert(header::ACCEPT_ENCODING, HeaderValue::from_static(says));
            }
            let response = answer.answer(&asked);
            assert_eq!(response.headers().contains_key(header::CONTENT_ENCODING), takes, "{says:?}");
            assert_eq!(response.headers()[header::VARY], "accept-encoding", "{says:?}");
        }
    }
}
