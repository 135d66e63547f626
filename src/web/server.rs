//! Listens, and holds connections to their limits: how many, from where, how long.

use std::future::Future;
use std::io;
use std::net::{IpAddr, SocketAddr};
use std::pin::pin;
use std::time::Duration;

use axum::Router;
use axum::body::Body;
use axum::extract::Request;
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use hyper::body::Incoming;
use hyper::service::service_fn;
use hyper_util::rt::{TokioIo, TokioTimer};
use tokio::net::{TcpListener, TcpStream};
use tokio::time::{Instant, MissedTickBehavior};
use tokio_util::sync::CancellationToken;
use tokio_util::task::{AbortOnDropHandle, TaskTracker};
use tower::ServiceExt;
use tower_http::compression::CompressionLayer;
use tracing::{debug, warn};

use super::limits::Limits;
use super::places::{Place, Places};
use super::write_deadline::WriteDeadline;
use crate::metrics::{Metrics, Turned};
use crate::progress::{Part, Progress};

/// Headers of one request, bytes.
const HEADER_BYTES: usize = 32 * 1024;

/// How long answers under way may take after the word to stop.
const LAST_ANSWERS: Duration = Duration::from_secs(5);

/// A page is asked for this often, to show that it is answered; and it is said at most this often that people are turned away.
const LOOK_EVERY: Duration = Duration::from_secs(10);

/// What stands around the pages while they are served.
#[derive(Clone, Default)]
pub struct Doors {
    pub limits: Limits,
    /// Whose connections are many people's.
    pub trusted_proxies: Vec<IpAddr>,
    /// Path before every path of ours.
    pub base: String,
    pub metrics: Metrics,
    pub progress: Progress,
}

/// # Errors
/// When the address cannot be had; the message names it and the mend.
pub async fn listen(address: SocketAddr) -> io::Result<TcpListener> {
    listen_as("web.listen", address).await
}

/// As [`listen`], of an address that another setting names.
///
/// # Errors
/// See [`listen`].
pub async fn listen_as(setting: &str, address: SocketAddr) -> io::Result<TcpListener> {
    TcpListener::bind(address).await.map_err(|why| {
        io::Error::new(
            why.kind(),
            format!("{setting}: {address} cannot be listened on ({why}): another program may have it"),
        )
    })
}

/// Answers until `shutdown`, then lets answers under way end. With limits that fit any service.
pub async fn serve(listener: TcpListener, router: Router, shutdown: impl Future<Output = ()>) {
    serve_behind(Doors::default(), listener, router, shutdown).await;
}

/// As [`serve`], with limits of one's own.
pub async fn serve_behind(doors: Doors, listener: TcpListener, router: Router, shutdown: impl Future<Output = ()>) {
    let router = router.layer(CompressionLayer::new());
    let places = Places::new(&doors.limits, &doors.trusted_proxies);
    let (stop, served) = (CancellationToken::new(), TaskTracker::new());
    let mut look = tokio::time::interval(LOOK_EVERY);
    look.set_missed_tick_behavior(MissedTickBehavior::Delay);
    let mut told: Option<Instant> = None;
    tokio::pin!(shutdown);
    doors.progress.made(Part::Pages);
    let mut asked: Option<AbortOnDropHandle<()>> = None;
    loop {
        let (stream, peer) = tokio::select! {
            accepted = listener.accept() => match accepted {
                Ok(accepted) => accepted,
                Err(why) => {
                    // Out of file handles, mostly: others will be closed in a moment.
                    warn!("a connection could not be accepted: {why}");
                    tokio::time::sleep(Duration::from_millis(50)).await;
                    continue;
                }
            },
            _ = look.tick() => {
                // One at a time: a page that is not answered shows as such.
                if asked.as_ref().is_none_or(AbortOnDropHandle::is_finished) {
                    let (router, progress) = (router.clone(), doors.progress.clone());
                    asked = Some(AbortOnDropHandle::new(tokio::spawn(ask_for_a_page(router, progress))));
                }
                continue;
            }
            () = &mut shutdown => break,
        };
        match places.take(peer.ip()) {
            Ok(place) => {
                served.spawn(connection(stream, peer, place, router.clone(), doors.clone(), stop.clone()));
            }
            Err(why) => {
                doors.metrics.turned_away(why);
                if told.is_none_or(|at| at.elapsed() >= LOOK_EVERY) {
                    told = Some(Instant::now());
                    let what = match why {
                        Turned::Address => "its address has as many as one may have",
                        _ => "there is no room for another",
                    };
                    warn!(reason = why.name(), "a connection was turned away: {what}");
                }
            }
        }
    }
    drop(asked);
    doors.progress.ended(Part::Pages);
    drop(listener);
    stop.cancel();
    served.close();
    if tokio::time::timeout(LAST_ANSWERS, served.wait()).await.is_err() {
        warn!("some answers were cut off at the stop");
    }
}

/// Does what a visitor does. Any answer is a sign of life: that it is not a good one is for [`crate::watch`] to tell, and nothing
/// that a new start would mend.
async fn ask_for_a_page(router: Router, progress: Progress) {
    let Ok(ask) = Request::get("/").body(Body::empty()) else { return };
    let answer = router.oneshot(ask).await.unwrap_or_else(|never| match never {});
    debug!("the first page answers with {}", answer.status());
    progress.made(Part::Pages);
}

/// One connection, from its first byte to its end.
async fn connection(
    stream: TcpStream,
    peer: SocketAddr,
    place: Place,
    router: Router,
    doors: Doors,
    stop: CancellationToken,
) {
    let _open = doors.metrics.connection();
    // Pages are small: waiting for more to send only delays them. Failing to say so changes nothing else.
    let _ = stream.set_nodelay(true);
    let (limits, reserved) = (&doors.limits, place.reserved);
    let service = service_fn(|mut request: Request<Incoming>| {
        request.extensions_mut().insert(peer);
        let turned_away = reserved && !is_webhook(request.uri().path(), &doors.base);
        let (router, metrics) = (router.clone(), doors.metrics.clone());
        async move {
            if turned_away {
                metrics.turned_away(Turned::Reserved);
                return Ok::<Response, std::convert::Infallible>(no_room());
            }
            router.oneshot(request).await
        }
    });
    let stream = WriteDeadline::new(stream, limits.write);
    let served = hyper::server::conn::http1::Builder::new()
        .timer(TokioTimer::new())
        // Who has a place kept for webhooks has to say at once that it is one.
        .header_read_timeout(if reserved { limits.header / 4 } else { limits.header })
        .keep_alive(!reserved)
        .max_buf_size(HEADER_BYTES)
        .serve_connection(TokioIo::new(stream), service);
    let mut served = pin!(served);
    let early = tokio::select! {
        done = served.as_mut() => Some(done),
        () = tokio::time::sleep(limits.lifetime) => None,
        () = stop.cancelled() => None,
    };
    let done = match early {
        Some(done) => Some(done),
        None => {
            served.as_mut().graceful_shutdown();
            tokio::time::timeout(limits.last_answer, served).await.ok()
        }
    };
    match done {
        Some(Ok(())) => {}
        Some(Err(why)) => {
            if let Some(why) = turned(&why) {
                doors.metrics.turned_away(why);
            }
            debug!("a connection ended early: {why}");
        }
        None => doors.metrics.turned_away(Turned::Total),
    }
    drop(place);
}

/// Which deadline a connection ran into, if it was one.
fn turned(why: &hyper::Error) -> Option<Turned> {
    if why.is_timeout() {
        return Some(Turned::Header);
    }
    let source = std::error::Error::source(why)?.downcast_ref::<io::Error>()?;
    (source.kind() == io::ErrorKind::TimedOut).then_some(Turned::Write)
}

/// Whether a path is that of a webhook: where nothing else is let in.
fn is_webhook(path: &str, base: &str) -> bool {
    path.strip_prefix(base).unwrap_or(path).starts_with("/hooks/")
}

fn no_room() -> Response {
    let mut response =
        (StatusCode::SERVICE_UNAVAILABLE, "No room at the moment. Try again in a minute.\n").into_response();
    response.headers_mut().insert(header::RETRY_AFTER, HeaderValue::from_static("60"));
    response
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn webhooks_are_known_by_their_path() {
        for (path, base, is) in [
            ("/hooks/secret/text", "", true),
            ("/scale/hooks/secret/text", "/scale", true),
            ("/hooks/secret/text", "/scale", true),
            ("/", "", false),
            ("/hooksecret", "", false),
            ("/es/hooks/x", "", false),
        ] {
            assert_eq!(is_webhook(path, base), is, "{path} below `{base}`");
        }
    }
}
