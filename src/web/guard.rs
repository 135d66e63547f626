//! What holds for every answer: headers, whose form it may be, how long it may take.

use std::sync::Arc;
use std::time::{Duration, Instant};

use axum::extract::{Request, State};
use axum::http::{HeaderMap, HeaderName, HeaderValue, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use futures::FutureExt;

use super::cache::ask_again;
use super::desk::{fault as desk_fault, programs, upload};
use super::{Fault, Site, Visit};
use crate::language::Language;

/// A person who waits this long has gone.
const LONGEST_ANSWER: Duration = Duration::from_secs(10);

/// A photograph from a phone at a tree takes this long to arrive.
const LONGEST_UPLOAD: Duration = Duration::from_secs(60);

/// The page of a practice may wait for its clock to stand; there is none in the service.
const PRACTICE: &str = "/desk/practice";
const LONGEST_WAIT: Duration = Duration::from_secs(60);

/// Pages load their own style and pictures and nothing else; no script runs, and nobody may frame them.
const CONTENT_POLICY: &str = "default-src 'none'; style-src 'self'; img-src 'self'; form-action 'self'; \
     base-uri 'none'; frame-ancestors 'none'; object-src 'none'";

const HEADERS: [(HeaderName, &str); 7] = [
    (header::CONTENT_SECURITY_POLICY, CONTENT_POLICY),
    (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
    (header::REFERRER_POLICY, "no-referrer"),
    (header::X_FRAME_OPTIONS, "DENY"),
    (HeaderName::from_static("cross-origin-opener-policy"), "same-origin"),
    (HeaderName::from_static("cross-origin-resource-policy"), "same-origin"),
    (
        HeaderName::from_static("permissions-policy"),
        "camera=(), geolocation=(), microphone=(), payment=(), usb=(), interest-cohort=()",
    ),
];

/// A year, with every host below ours.
const STRICT_TRANSPORT: &str = "max-age=31536000; includeSubDomains";

pub async fn guard(State(site): State<Site>, request: Request, next: Next) -> Response {
    let (mut parts, body) = request.into_parts();
    let spanish = parts.uri.path().strip_prefix(site.base()).unwrap_or("").split('/').nth(1) == Some("es");
    if spanish {
        parts.extensions.insert(Language::Es);
    }
    let visit = Visit::of(&parts, &site);
    let (page, since) = (kind_of_page(&visit.path), Instant::now());
    let longest = match page {
        "desk" if upload::is_one(&parts.headers) => LONGEST_UPLOAD,
        "desk" if visit.path == PRACTICE => LONGEST_WAIT,
        _ => LONGEST_ANSWER,
    };
    let is_get = matches!(parts.method, Method::GET | Method::HEAD);
    let is_desk = page == "desk" && !spanish && site.credentials().is_some();
    let of_desk = is_desk.then(|| parts.headers.clone());
    let mut response = if is_get || is_stop(&visit.path) || from_our_own_page(&parts.headers, &site) {
        let answer = next.run(Request::from_parts(parts, body));
        // A panic is a bug of ours; it must cost one visitor one answer and nobody else anything.
        match tokio::time::timeout(longest, std::panic::AssertUnwindSafe(answer).catch_unwind()).await {
            Ok(Ok(response)) => response,
            Ok(Err(_)) => Fault::Inside("a page panicked".into()).into_response(),
            Err(_) => Fault::TooSlow(longest).into_response(),
        }
    } else {
        Fault::BadRequest("the form was sent from another site").into_response()
    };
    if let Some(fault) = response.extensions_mut().remove::<Arc<Fault>>() {
        response = told(&fault, &visit, of_desk.as_ref()).await;
    } else if response.status().is_client_error()
        && !response.headers().contains_key(header::CONTENT_LENGTH)
        && is_plain(&response)
    {
        response = as_page(response.status(), &visit, of_desk.as_ref()).await;
    }
    let headers = response.headers_mut();
    // The desk's gate wants to read where a form comes from, and under `no-referrer` browsers say `Origin: null` of their own pages
    // too (Fetch standard, "append a request `Origin` header").
    if page == "desk" {
        headers.entry(header::REFERRER_POLICY).or_insert(HeaderValue::from_static("same-origin"));
    }
    for (name, value) in HEADERS {
        headers.entry(name).or_insert(HeaderValue::from_static(value));
    }
    if site.is_https() {
        headers.insert(header::STRICT_TRANSPORT_SECURITY, HeaderValue::from_static(STRICT_TRANSPORT));
    }
    if site.practice().is_some() {
        ask_again(headers);
    }
    // A page may say otherwise; what nobody thought about is not kept anywhere.
    headers.entry(header::CACHE_CONTROL).or_insert(HeaderValue::from_static("no-store"));
    site.app().metrics.answered(page, response.status().as_u16(), since.elapsed());
    response
}

/// Whether it is the one click of RFC 8058, which mail programs and web mail send from wherever they are, with an Origin of
/// their own or none (section 3.2: no cookies, no log-in, nothing but the address). Its token says whose messages end, and
/// nothing else can be done with it, so it does not matter who sends it.
fn is_stop(path: &str) -> bool {
    path.starts_with("/stop/")
}

/// The kind of page for the metrics: one of a few, whatever somebody asks for.
fn kind_of_page(path: &str) -> &'static str {
    const KINDS: [&str; 13] = [
        "region",
        "sign-up",
        "confirm",
        "preferences",
        "stop",
        "seen",
        "hooks",
        "assets",
        "guide",
        "privacy",
        "find",
        "wish",
        "desk",
    ];
    match path.trim_start_matches('/').split(['/', '.']).next() {
        None | Some("") => "home",
        Some(first) => KINDS.into_iter().find(|kind| *kind == first).unwrap_or("other"),
    }
}

/// The answer that says what is wrong: to programs as JSON, to staff in the frame of the desk, to visitors as a page.
async fn told(fault: &Fault, visit: &Visit, of_desk: Option<&HeaderMap>) -> Response {
    match of_desk {
        _ if programs::asks(&visit.path) => programs::told(fault),
        Some(headers) => desk_fault::page(visit, headers, fault).await,
        None => visit.fault(fault),
    }
}

/// What axum refuses by itself (a body too large, a form that cannot be read) gets a page too, with its status kept.
async fn as_page(status: StatusCode, visit: &Visit, of_desk: Option<&HeaderMap>) -> Response {
    let fault = match status {
        StatusCode::METHOD_NOT_ALLOWED => Fault::Method,
        _ => Fault::BadRequest("refused before it reached its page"),
    };
    let mut page = told(&fault, visit, of_desk).await;
    *page.status_mut() = status;
    page
}

fn is_plain(response: &Response) -> bool {
    response.headers().get(header::CONTENT_TYPE).is_none_or(|kind| kind.as_bytes().starts_with(b"text/plain"))
}

/// Whether a form comes from a page of ours, as far as the browser says so. Programs that are no browser say nothing, and
/// browsers without `Sec-Fetch-Site` say `Origin: null` of our own pages, which are under `no-referrer` (Fetch standard, "append
/// a request `Origin` header"). What those may do is decided by tokens and signatures: no cookie of a public page lets anybody in.
fn from_our_own_page(headers: &HeaderMap, site: &Site) -> bool {
    let said = |name: &str| headers.get(name).and_then(|value| value.to_str().ok());
    match said("sec-fetch-site") {
        Some("same-origin" | "none") => return true,
        Some(_) => return false,
        None => {}
    }
    let Some(origin) = said("origin").filter(|origin| *origin != "null") else { return true };
    let ours = site.public().map(|url| url.origin().ascii_serialization());
    let host = said("host").map(|host| [format!("http://{host}"), format!("https://{host}")]);
    ours.as_deref() == Some(origin) || host.is_some_and(|hosts| hosts.iter().any(|host| host == origin))
}
