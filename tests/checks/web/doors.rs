//! Connections that are held: by who sends and never reads, by many at once, by one address; and webhooks meanwhile.

use std::net::{Ipv4Addr, SocketAddr};
use std::time::Duration;

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpSocket, TcpStream};
use tokio::task::JoinHandle;
use treebell::metrics::{Metrics, Turned};
use treebell::progress::{Part, Progress};
use treebell::store::Store;
use treebell::web::limits::Limits;
use treebell::web::server::{self, Doors};

use super::hooks::Webhooks;
use super::support::World;
use crate::support;

const HOUR: Duration = Duration::from_secs(3600);

/// No deadline, so that what a check does not speak of is not in its way.
fn patient() -> Limits {
    Limits { header: HOUR, write: HOUR, lifetime: HOUR, ..Limits::default() }
}

struct Served {
    address: SocketAddr,
    metrics: Metrics,
    task: JoinHandle<()>,
}

impl Drop for Served {
    fn drop(&mut self) {
        self.task.abort();
    }
}

impl Served {
    async fn start(router: axum::Router, limits: Limits) -> Self {
        let listener = server::listen("127.0.0.1:0".parse().unwrap()).await.unwrap();
        let address = listener.local_addr().unwrap();
        let metrics = Metrics::default();
        let doors = Doors { limits, metrics: metrics.clone(), ..Doors::default() };
        let task = tokio::spawn(server::serve_behind(doors, listener, router, std::future::pending()));
        Self { address, metrics, task }
    }

    /// A connection that comes from another address of this machine: 127.0.0.0/8 is all its own (RFC 1122, 3.2.1.3).
    async fn connect_from(&self, from: Ipv4Addr) -> TcpStream {
        let socket = TcpSocket::new_v4().unwrap();
        socket.set_recv_buffer_size(4096).unwrap();
        socket.bind(SocketAddr::from((from, 0))).unwrap();
        socket.connect(self.address).await.unwrap()
    }

    /// One request and its whole answer.
    async fn ask_from(&self, from: Ipv4Addr, request: &str) -> String {
        let mut stream = self.connect_from(from).await;
        // Who is turned away may find the door shut before the last byte.
        let _ = stream.write_all(request.as_bytes()).await;
        let mut answer = Vec::new();
        let _ = stream.read_to_end(&mut answer).await;
        String::from_utf8_lossy(&answer).into_owned()
    }

    /// Asks for a page again and again, and reads nothing of it.
    async fn hold(&self, from: Ipv4Addr) -> JoinHandle<()> {
        let mut stream = self.connect_from(from).await;
        tokio::spawn(async move {
            while stream.write_all(b"GET /guide HTTP/1.1\r\nHost: x\r\n\r\n").await.is_ok() {}
            std::future::pending::<()>().await;
        })
    }

    async fn until_turned_away(&self, why: Turned) {
        let waits = async {
            while self.metrics.count_turned_away(why) == 0 {
                tokio::time::sleep(Duration::from_millis(20)).await;
            }
        };
        let waited = tokio::time::timeout(Duration::from_secs(60), waits).await;
        assert!(waited.is_ok(), "nobody was turned away for `{}`", why.name());
    }
}

fn address(number: usize) -> Ipv4Addr {
    let [.., high, low] = u32::try_from(number).unwrap().to_be_bytes();
    Ipv4Addr::new(127, 1, high, low)
}

const HOME: &str = "GET / HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n";

// Before, the listener alone gave the sign of life, by a timer.
#[tokio::test]
async fn pages_that_are_not_answered_give_no_sign_of_life() {
    for (hangs, most) in [(false, u64::MAX), (true, 1)] {
        let page = move || async move {
            if hangs {
                std::future::pending::<()>().await;
            }
            "here"
        };
        let router = axum::Router::new().route("/", axum::routing::get(page));
        let listener = server::listen("127.0.0.1:0".parse().unwrap()).await.unwrap();
        let address = listener.local_addr().unwrap();
        let progress = Progress::default();
        let doors = Doors { progress: progress.clone(), ..Doors::default() };
        let serves = tokio::spawn(server::serve_behind(doors, listener, router, std::future::pending()));
        // A visitor who is taken in is no sign that anybody is answered.
        let visitors: Vec<TcpStream> =
            futures::future::join_all((0..3).map(|_| async { TcpStream::connect(address).await.unwrap() })).await;
        let begun = std::time::Instant::now();
        while progress.steps(Part::Pages) < 2 && begun.elapsed() < Duration::from_secs(if hangs { 1 } else { 60 }) {
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
        assert_eq!((progress.steps(Part::Pages) >= 2, progress.steps(Part::Pages) <= most), (!hangs, true));
        drop(visitors);
        serves.abort();
    }
}

#[tokio::test]
async fn who_never_reads_the_answer_is_cut_off() {
    let world = World::empty(|_| {}).await;
    let served = Served::start(world.router.clone(), Limits { write: Duration::from_millis(300), ..patient() }).await;
    let held = served.hold(address(1)).await;
    served.until_turned_away(Turned::Write).await;
    held.abort();
}

#[tokio::test]
async fn who_reads_a_little_now_and_then_is_cut_off_in_the_end() {
    let world = World::empty(|_| {}).await;
    let short = Duration::from_millis(300);
    let served = Served::start(world.router.clone(), Limits { lifetime: short, last_answer: short, ..patient() }).await;
    let held = served.hold(address(1)).await;
    served.until_turned_away(Turned::Total).await;
    held.abort();
}

#[tokio::test]
async fn one_address_holds_no_more_than_its_share() {
    let world = World::empty(|_| {}).await;
    let served = Served::start(world.router.clone(), Limits { per_address: 4, ..patient() }).await;
    let mut held = Vec::new();
    for _ in 0..4 {
        held.push(served.connect_from(address(1)).await);
    }
    assert_eq!(served.ask_from(address(1), HOME).await, "", "the fifth is not answered");
    assert_eq!(served.metrics.count_turned_away(Turned::Address), 1);
    assert!(served.ask_from(address(2), HOME).await.starts_with("HTTP/1.1 200"), "others are");
}

/// As many as there are connections hold one each, every one from an address of its own. 60; with TREEBELL_HELD=1100 the
/// number with which it was first seen.
#[tokio::test]
async fn a_stop_comes_in_while_every_connection_is_held() {
    let held = support::size("TREEBELL_HELD", 60);
    let webhooks = Webhooks::on(Store::in_memory().await.unwrap(), false);
    let limits = Limits { connections: held, for_webhooks: 4, ..patient() };
    let served = Served::start(webhooks.world.router.clone(), limits).await;
    let mut holders = Vec::new();
    for number in 0..held {
        holders.push(served.hold(address(number)).await);
    }
    let page = served.ask_from(Ipv4Addr::LOCALHOST, HOME).await;
    assert!(page.starts_with("HTTP/1.1 503") && page.contains("retry-after"), "{page}");
    let stop =
        "GET /hooks/s3cret-path-0042/text?from=%2B15055550101&to=5055550199&text=STOP&id=1 HTTP/1.1\r\nHost: x\r\n\r\n";
    let answer = served.ask_from(Ipv4Addr::LOCALHOST, stop).await;
    assert!(answer.starts_with("HTTP/1.1 200"), "{answer}");
    let suppressed = {
        let mut connection = webhooks.world.app.store.read().await.unwrap();
        sqlx::query("SELECT * FROM suppressions").fetch_all(&mut *connection).await.unwrap().len()
    };
    assert_eq!(suppressed, 1, "the phone is written to no more");
    holders.into_iter().for_each(|holder| holder.abort());
}
