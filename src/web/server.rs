//! Listens, and holds connections to their limits.

use std::future::Future;
use std::io;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use axum::extract::Request;
use hyper::body::Incoming;
use hyper::service::service_fn;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::server::graceful::GracefulShutdown;
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::Semaphore;
use tower::ServiceExt;
use tower_http::compression::CompressionLayer;
use tracing::{debug, info, warn};

/// All headers of a request have to be here by then: who sends them byte by byte is not a browser.
const HEADER_TIME: Duration = Duration::from_secs(8);

/// Headers of one request, bytes.
const HEADER_BYTES: usize = 32 * 1024;

/// Connections at once; more wait until one ends.
const CONNECTIONS: usize = 2048;

/// How long answers under way may take after the word to stop.
const LAST_ANSWERS: Duration = Duration::from_secs(5);

/// # Errors
/// When the address cannot be had; the message names it and the mend.
pub async fn listen(address: SocketAddr) -> io::Result<TcpListener> {
    TcpListener::bind(address).await.map_err(|why| {
        io::Error::new(
            why.kind(),
            format!("web.listen: {address} cannot be listened on ({why}): another program may have it"),
        )
    })
}

/// Answers until `shutdown`, then lets answers under way end.
pub async fn serve(listener: TcpListener, router: Router, shutdown: impl Future<Output = ()>) {
    if let Ok(address) = listener.local_addr() {
        info!("pages are served on http://{address}");
    }
    let router = router.layer(CompressionLayer::new());
    let open = Arc::new(Semaphore::new(CONNECTIONS));
    let graceful = GracefulShutdown::new();
    tokio::pin!(shutdown);
    loop {
        // Nobody closes the semaphore.
        let Ok(place) = open.clone().acquire_owned().await else { break };
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
            () = &mut shutdown => break,
        };
        let served = graceful.watch(connection(stream, peer, router.clone()));
        tokio::spawn(async move {
            if let Err(why) = served.await {
                debug!("a connection ended early: {why}");
            }
            drop(place);
        });
    }
    drop(listener);
    if tokio::time::timeout(LAST_ANSWERS, graceful.shutdown()).await.is_err() {
        warn!("some answers were cut off at the stop");
    }
}

fn connection(
    stream: TcpStream,
    peer: SocketAddr,
    router: Router,
) -> impl hyper_util::server::graceful::GracefulConnection<Error = hyper::Error> + Send + 'static {
    // Pages are small: waiting for more to send only delays them. Failing to say so changes nothing else.
    let _ = stream.set_nodelay(true);
    let service = service_fn(move |mut request: Request<Incoming>| {
        request.extensions_mut().insert(peer);
        router.clone().oneshot(request)
    });
    hyper::server::conn::http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(HEADER_TIME)
        .max_buf_size(HEADER_BYTES)
        .serve_connection(TokioIo::new(stream), service)
}
