//! The client: limits for each host, tries, waits and redirects of one request.

use std::collections::{HashMap, HashSet};
use std::fmt;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use bytes::Bytes;
use reqwest::header::{self, HeaderMap, HeaderValue};
use reqwest::{Method, StatusCode};
use serde_json::Value;
use tokio::sync::Semaphore;
use url::Url;

use super::answer::{Accept, Answer, BodyError, html_title, is_html, read_body, retry_after, what_was_said};
use super::cache::{BodyCache, CachedBody};
use super::error::{FetchError, root_cause, shown};
use super::guard::{PrivateName, PublicNames, check_address, redirect_target, trusted_hosts};
use super::sleeper::{RealSleeper, Sleeper};
use crate::clock::Clock;
use crate::net::http_client_builder;
use crate::randomness::Randomness;
use crate::weather::settings::FeedsConfig;

/// First wait after a passing fault; doubles with each try.
const FIRST_WAIT: Duration = Duration::from_secs(2);
/// A host that says "too many requests" without a time is left alone at least this long.
const TOO_MANY_WAIT: Duration = Duration::from_secs(5);
const LONGEST_CONNECT: Duration = Duration::from_secs(10);
const MOST_REDIRECTS: u32 = 5;

/// Asks services and keeps what they allow to be kept. One for the whole program; cheap to share.
pub struct Fetcher {
    client: reqwest::Client,
    limits: Limits,
    /// Hosts that may stand on a private network, in lower case.
    trusted: Arc<HashSet<String>>,
    hosts: Mutex<HashMap<String, Arc<Semaphore>>>,
    cache: Mutex<BodyCache>,
    /// Sent so far, repeats included.
    requests: AtomicU64,
    clock: Arc<dyn Clock>,
    randomness: Randomness,
    waiting: Arc<dyn Sleeper>,
}

/// The bounds of one [`Fetcher`].
#[derive(Clone, Debug)]
pub struct Limits {
    /// For one whole answer.
    pub timeout: Duration,
    /// Tries of one request, the first included; at least 1.
    pub tries: u32,
    pub longest_wait: Duration,
    /// Requests under way at once to one host; at least 1.
    pub per_host: usize,
    /// Bytes after decompression.
    pub largest_body: u64,
    /// As `largest_body`, of an answer in JSON.
    pub largest_json: u64,
    /// Whether an answer may send us on within its host; never where something is posted.
    pub redirects: bool,
}

impl Limits {
    pub fn of(feeds: &FeedsConfig) -> Self {
        Self {
            timeout: Duration::from_secs(feeds.timeout_s.max(1)),
            tries: feeds.tries.max(1),
            longest_wait: Duration::from_secs(feeds.longest_wait_s),
            per_host: feeds.per_host.max(1),
            largest_body: feeds.largest_body_mib.max(1).saturating_mul(1 << 20),
            largest_json: feeds.largest_json_mib.max(1).saturating_mul(1 << 20),
            redirects: true,
        }
    }
}

impl Fetcher {
    /// # Errors
    /// When the contact cannot stand in a header or the HTTP client cannot start.
    pub fn new(feeds: &FeedsConfig, clock: Arc<dyn Clock>, randomness: Randomness) -> Result<Self, FetchError> {
        Self::with(feeds, Limits::of(feeds), clock, randomness, Arc::new(RealSleeper))
    }

    /// With other limits and another way of waiting than the configured ones.
    ///
    /// # Errors
    /// As [`Fetcher::new`].
    pub fn with(
        feeds: &FeedsConfig,
        limits: Limits,
        clock: Arc<dyn Clock>,
        randomness: Randomness,
        waiting: Arc<dyn Sleeper>,
    ) -> Result<Self, FetchError> {
        let user_agent = format!("treebell/{} ({})", env!("CARGO_PKG_VERSION"), feeds.contact.trim());
        if HeaderValue::from_str(&user_agent).is_err() || !user_agent.is_ascii() {
            return Err(FetchError::NoClient {
                source: "feeds.contact may hold visible ASCII characters only, such as heat@example.org".into(),
            });
        }
        let trusted = Arc::new(trusted_hosts(feeds));
        let client = http_client_builder(&user_agent)
            .timeout(limits.timeout)
            .connect_timeout(limits.timeout.min(LONGEST_CONNECT))
            .redirect(reqwest::redirect::Policy::none())
            .dns_resolver(PublicNames { trusted: Arc::clone(&trusted) })
            .build()
            .map_err(|why| FetchError::NoClient { source: root_cause(&why).into() })?;
        Ok(Self {
            client,
            limits,
            trusted,
            hosts: Mutex::default(),
            cache: Mutex::default(),
            requests: AtomicU64::new(0),
            clock,
            randomness,
            waiting,
        })
    }

    /// Requests sent so far, repeats and redirects included: for those who tell how many a piece of work took.
    pub fn requests(&self) -> u64 {
        self.requests.load(Ordering::Relaxed)
    }

    pub fn largest_body(&self) -> u64 {
        self.limits.largest_body
    }

    /// # Errors
    /// See [`FetchError`].
    pub async fn get(&self, url: &Url, accept: Accept) -> Result<Answer, FetchError> {
        self.ask(Question { method: Method::GET, url, accept, body: None }).await
    }

    /// Posts a question that changes nothing on the other side, so that it may be repeated.
    ///
    /// # Errors
    /// See [`FetchError`].
    pub async fn post_json(&self, url: &Url, body: &Value) -> Result<Answer, FetchError> {
        let body = Bytes::from(body.to_string());
        self.ask(Question { method: Method::POST, url, accept: Accept::Json, body: Some(body) }).await
    }

    async fn ask(&self, question: Question<'_>) -> Result<Answer, FetchError> {
        check_address(question.url, &self.trusted)?;
        let tries = self.limits.tries.max(1);
        let mut tried = 0;
        loop {
            tried += 1;
            let fault = match self.try_once(&question).await {
                Ok(answer) => return Ok(answer),
                Err(TryError::Final(why)) => return Err(why),
                Err(TryError::Transient(fault)) => fault,
            };
            let url = shown(question.url);
            let wait = self.wait_before_next(&fault, tried);
            // Only a wait that the host itself asks for can be longer than ours.
            if let (TransientFault::Status { status, .. }, true) = (&fault, wait > self.limits.longest_wait) {
                return Err(FetchError::ComeBack { url, status: status.as_u16(), after_s: wait.as_secs() });
            }
            if tried >= tries {
                return Err(fault.into_error(url, tried, self.limits.timeout));
            }
            tracing::debug!(url = %shown(question.url), tried, wait_ms = wait.as_millis() as u64, "asking again after a wait");
            self.waiting.wait(wait).await;
        }
    }

    fn wait_before_next(&self, fault: &TransientFault, tried: u32) -> Duration {
        let growing = FIRST_WAIT.saturating_mul(1 << (tried - 1).min(10)).min(self.limits.longest_wait);
        // Between a half and the whole, so that many stations do not come back at the same moment.
        let growing = growing.mul_f64(self.randomness.between(0.5, 1.0));
        match fault {
            TransientFault::Status { after: Some(after), .. } => *after,
            TransientFault::Status { status: StatusCode::TOO_MANY_REQUESTS, .. } => {
                growing.max(TOO_MANY_WAIT.min(self.limits.longest_wait))
            }
            _ => growing,
        }
    }

    async fn try_once(&self, question: &Question<'_>) -> Result<Answer, TryError> {
        let limit = self.host_limit(question.url);
        // The semaphore is never closed.
        let _permit = limit.acquire().await;
        let kept = self.cached_for(question);
        let mut url = question.url.clone();
        for _ in 0..=MOST_REDIRECTS {
            let mut request = self
                .client
                .request(question.method.clone(), url.clone())
                .header(header::ACCEPT, question.accept.header());
            if let Some(body) = &question.body {
                request = request.header(header::CONTENT_TYPE, "application/json").body(body.clone());
            }
            if let Some(kept) = &kept {
                request = request.headers(kept.conditions());
            }
            self.requests.fetch_add(1, Ordering::Relaxed);
            let response = request.send().await.map_err(|why| self.send_error(question.url, &why))?;
            let status = response.status();
            if status.is_redirection() && status != StatusCode::NOT_MODIFIED {
                let target = redirect_target(&url, response.headers()).map_err(TryError::Final)?;
                if question.body.is_some() || !self.limits.redirects {
                    return Err(TryError::Final(FetchError::Elsewhere {
                        url: shown(question.url),
                        to: shown(&target),
                    }));
                }
                url = target;
                continue;
            }
            return self.read(question, response, kept).await;
        }
        Err(TryError::Final(FetchError::Refused {
            url: shown(question.url),
            status: StatusCode::LOOP_DETECTED.as_u16(),
            said: format!("more than {MOST_REDIRECTS} redirects"),
        }))
    }

    async fn read(
        &self,
        question: &Question<'_>,
        response: reqwest::Response,
        kept: Option<CachedBody>,
    ) -> Result<Answer, TryError> {
        let status = response.status();
        let headers = response.headers().clone();
        let url = || shown(question.url);
        if status == StatusCode::NOT_MODIFIED {
            return match kept {
                Some(kept) => Ok(Answer { body: kept.body, unchanged: true }),
                None => Err(TryError::Final(FetchError::Refused {
                    url: url(),
                    status: status.as_u16(),
                    said: "it says that nothing changed, though we asked without a condition".into(),
                })),
            };
        }
        if !status.is_success() {
            let body = read_body(response, 64 * 1024).await.unwrap_or_default();
            return Err(self.status_error(question, status, &headers, &body));
        }
        let (limit, setting) = match question.accept {
            Accept::Json | Accept::GeoJson => {
                (self.limits.largest_json.min(self.limits.largest_body), "feeds.largest_json_mib")
            }
            Accept::Text => (self.limits.largest_body, "feeds.largest_body_mib"),
        };
        let body = match read_body(response, limit).await {
            Ok(body) => body,
            Err(BodyError::TooLarge) => {
                return Err(TryError::Final(FetchError::TooLarge { url: url(), limit_mib: limit >> 20, setting }));
            }
            Err(BodyError::TimedOut) => return Err(TryError::Transient(TransientFault::TooSlow)),
            Err(BodyError::BrokenOff) => return Err(TryError::Transient(TransientFault::BrokenOff)),
        };
        if is_html(question.accept, &headers, &body) {
            return Err(TryError::Final(FetchError::Html {
                url: url(),
                wanted: question.accept.name(),
                title: html_title(&body),
            }));
        }
        if question.method == Method::GET {
            self.keep(question.url, &headers, &body);
        }
        Ok(Answer { body, unchanged: false })
    }

    fn status_error(&self, question: &Question<'_>, status: StatusCode, headers: &HeaderMap, body: &[u8]) -> TryError {
        let url = shown(question.url);
        let said = what_was_said(headers, body);
        let passing = status.is_server_error()
            || matches!(status, StatusCode::TOO_MANY_REQUESTS | StatusCode::REQUEST_TIMEOUT | StatusCode::TOO_EARLY);
        if passing {
            let after = retry_after(headers, self.clock.now());
            return TryError::Transient(TransientFault::Status { status, after, said });
        }
        TryError::Final(match status {
            StatusCode::NOT_FOUND | StatusCode::GONE => FetchError::NotThere { url, status: status.as_u16() },
            _ => FetchError::Refused { url, status: status.as_u16(), said },
        })
    }

    fn send_error(&self, url: &Url, why: &reqwest::Error) -> TryError {
        let mut cause: Option<&(dyn std::error::Error + 'static)> = Some(why);
        while let Some(error) = cause {
            if let Some(PrivateName { host }) = error.downcast_ref::<PrivateName>() {
                return TryError::Final(FetchError::PrivateAddress { host: host.clone() });
            }
            cause = error.source();
        }
        if why.is_timeout() {
            return TryError::Transient(TransientFault::TooSlow);
        }
        if why.is_builder() {
            return TryError::Final(FetchError::bad_address(url.as_str(), root_cause(why)));
        }
        TryError::Transient(TransientFault::Unreachable(root_cause(why)))
    }

    fn host_limit(&self, url: &Url) -> Arc<Semaphore> {
        let host = format!("{}:{}", url.host_str().unwrap_or(""), url.port_or_known_default().unwrap_or(0));
        let mut hosts = self.hosts.lock().unwrap_or_else(PoisonError::into_inner);
        Arc::clone(hosts.entry(host).or_insert_with(|| Arc::new(Semaphore::new(self.limits.per_host.max(1)))))
    }

    fn cached_for(&self, question: &Question<'_>) -> Option<CachedBody> {
        if question.method != Method::GET {
            return None;
        }
        self.cache.lock().unwrap_or_else(PoisonError::into_inner).find(question.url.as_str())
    }

    fn keep(&self, url: &Url, headers: &HeaderMap, body: &Bytes) {
        let (etag, modified) = (headers.get(header::ETAG).cloned(), headers.get(header::LAST_MODIFIED).cloned());
        let mut kept = self.cache.lock().unwrap_or_else(PoisonError::into_inner);
        if etag.is_some() || modified.is_some() {
            kept.put(url.as_str(), CachedBody { etag, modified, body: body.clone(), used: 0 });
        } else {
            kept.forget(url.as_str());
        }
    }
}

impl fmt::Debug for Fetcher {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Fetcher").field("limits", &self.limits).finish_non_exhaustive()
    }
}

struct Question<'a> {
    method: Method,
    url: &'a Url,
    accept: Accept,
    body: Option<Bytes>,
}

enum TryError {
    Transient(TransientFault),
    Final(FetchError),
}

enum TransientFault {
    Unreachable(String),
    TooSlow,
    BrokenOff,
    Status { status: StatusCode, after: Option<Duration>, said: String },
}

impl TransientFault {
    fn into_error(self, url: String, tries: u32, timeout: Duration) -> FetchError {
        match self {
            TransientFault::Unreachable(why) => FetchError::Unreachable { url, tries, why },
            TransientFault::TooSlow => FetchError::TooSlow { url, tries, seconds: timeout.as_secs_f64() },
            TransientFault::BrokenOff => FetchError::BrokenOff { url, tries },
            TransientFault::Status { status, said, .. } => {
                FetchError::Failing { url, status: status.as_u16(), tries, said }
            }
        }
    }
}
