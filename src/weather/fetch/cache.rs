//! Bodies kept for conditional requests.

use std::collections::HashMap;

use bytes::Bytes;
use reqwest::header::{self, HeaderMap, HeaderValue};

/// Bodies kept for conditional requests, all together.
const CACHED_BYTES: usize = 64 << 20;

/// Bodies whose host told how to ask "has it changed?", the longest unused going first.
#[derive(Default)]
pub(super) struct BodyCache {
    by_url: HashMap<String, CachedBody>,
    bytes: usize,
    uses: u64,
}

#[derive(Clone)]
pub(super) struct CachedBody {
    pub(super) etag: Option<HeaderValue>,
    pub(super) modified: Option<HeaderValue>,
    pub(super) body: Bytes,
    pub(super) used: u64,
}

impl CachedBody {
    pub(super) fn conditions(&self) -> HeaderMap {
        let mut headers = HeaderMap::new();
        if let Some(etag) = &self.etag {
            headers.insert(header::IF_NONE_MATCH, etag.clone());
        }
        if let Some(modified) = &self.modified {
            headers.insert(header::IF_MODIFIED_SINCE, modified.clone());
        }
        headers
    }
}

impl BodyCache {
    pub(super) fn find(&mut self, url: &str) -> Option<CachedBody> {
        self.uses += 1;
        let kept = self.by_url.get_mut(url)?;
        kept.used = self.uses;
        Some(kept.clone())
    }

    pub(super) fn put(&mut self, url: &str, mut body: CachedBody) {
        self.forget(url);
        if body.body.len() > CACHED_BYTES / 4 {
            return;
        }
        self.uses += 1;
        body.used = self.uses;
        self.bytes += body.body.len();
        self.by_url.insert(url.to_owned(), body);
        while self.bytes > CACHED_BYTES {
            let Some(oldest) = self.by_url.iter().min_by_key(|(_, kept)| kept.used).map(|(url, _)| url.clone()) else {
                break;
            };
            self.forget(&oldest);
        }
    }

    pub(super) fn forget(&mut self, url: &str) {
        if let Some(gone) = self.by_url.remove(url) {
            self.bytes -= gone.body.len();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn kept_bodies_stay_within_their_room() {
        let mut kept = BodyCache::default();
        let body =
            |mib: usize| CachedBody { etag: None, modified: None, body: Bytes::from(vec![0; mib << 20]), used: 0 };
        for index in 0..10 {
            kept.put(&format!("{index}"), body(10));
            kept.find("0");
        }
        assert!(kept.bytes <= CACHED_BYTES && kept.by_url.len() == 6);
        assert!(kept.find("0").is_some() && kept.find("1").is_none());
        kept.put("huge", body(40));
        assert!(kept.find("huge").is_none());
    }
}
