//! Answers that are the same for everybody: made once, kept, and asked for again with "only if it changed".

use axum::http::{HeaderMap, HeaderName, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use bytes::Bytes;
use sha2::{Digest, Sha256};

use crate::text::base64;

/// How long a browser or a cache between may show what it has, seconds. The figures behind change once or twice a day.
const MAX_AGE: &str = "public, max-age=300";

/// Without its letters' code a text is left to guesses (ASVS 5.0.0, 4.1.1).
pub(super) const SVG: &str = "image/svg+xml; charset=utf-8";

/// A body with what belongs to it.
pub(super) struct CachedAnswer {
    kind: &'static str,
    body: Bytes,
    tag: HeaderValue,
    policy: Option<HeaderValue>,
    /// May be shown inside pages of others.
    embeddable: bool,
}

impl CachedAnswer {
    pub fn new(kind: &'static str, body: impl Into<Bytes>) -> Self {
        let body = body.into();
        // Weak: the same words may travel compressed or not.
        let tag = format!("W/\"{}\"", hex::encode(&Sha256::digest(&body)[..12]));
        let tag = HeaderValue::from_str(&tag).unwrap_or(HeaderValue::from_static("W/\"\""));
        Self { kind, body, tag, policy: None, embeddable: false }
    }

    /// A picture that may be opened as a page of its own: the only style it may have is the one inside it, named by hash.
    pub fn picture(svg: String) -> Self {
        let style = svg.split_once("<style>").and_then(|(_, rest)| rest.split_once("</style>")).map(|(style, _)| style);
        let allowed =
            style.map_or_else(|| "'none'".to_owned(), |style| format!("'sha256-{}'", base64(&Sha256::digest(style))));
        let policy = format!(
            "default-src 'none'; style-src {allowed}; base-uri 'none'; form-action 'none'; frame-ancestors 'none'; object-src 'none'"
        );
        let policy = HeaderValue::from_str(&policy).ok();
        Self { policy, ..Self::new(SVG, svg) }
    }

    pub fn embeddable(self) -> Self {
        Self { embeddable: true, ..self }
    }

    /// The answer: all of it, or word that what the asker has is still right.
    pub fn answer(&self, asked: &HeaderMap) -> Response {
        let mut headers = HeaderMap::new();
        headers.insert(header::ETAG, self.tag.clone());
        headers.insert(header::CACHE_CONTROL, HeaderValue::from_static(MAX_AGE));
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
        (headers, self.body.clone()).into_response()
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
