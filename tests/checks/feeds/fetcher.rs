//! The HTTP manners that belong to no single service: redirects, private networks, crowds, broken connections.

use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Duration;

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use treebell::config::FeedsConfig;
use treebell::randomness::Randomness;
use treebell::weather::fetch::{Accept, FetchError};
use url::Url;
use wiremock::matchers::path;
use wiremock::{Mock, MockServer, ResponseTemplate};

use super::{feeds_at, fetcher, tries_again};

fn at(address: &str, rest: &str) -> Url {
    Url::parse(&format!("{address}{rest}")).unwrap()
}

#[tokio::test]
async fn redirects_are_followed_on_the_same_host_only() {
    let server = MockServer::start().await;
    let to = |target: &str| ResponseTemplate::new(301).insert_header("location", target);
    Mock::given(path("/old")).respond_with(to("/new")).mount(&server).await;
    Mock::given(path("/new")).respond_with(ResponseTemplate::new(200).set_body_string("here")).mount(&server).await;
    Mock::given(path("/away")).respond_with(to("http://169.254.169.254/latest")).mount(&server).await;
    Mock::given(path("/port")).respond_with(to("http://127.0.0.1:1/new")).mount(&server).await;
    Mock::given(path("/round")).respond_with(to("/round")).mount(&server).await;
    Mock::given(path("/nowhere")).respond_with(ResponseTemplate::new(302)).mount(&server).await;
    let (fetcher, _) = fetcher(&feeds_at(&server.uri()), |_| {});
    let get = async |rest: &str| fetcher.get(&at(&server.uri(), rest), Accept::Text).await;
    assert_eq!(&get("/old").await.unwrap().body[..], b"here");
    let why = get("/away").await.unwrap_err();
    assert!(matches!(&why, FetchError::Elsewhere { to, .. } if to.starts_with("http://169.254.169.254")), "{why}");
    assert!(matches!(get("/port").await, Err(FetchError::Elsewhere { .. })));
    assert!(matches!(get("/round").await, Err(FetchError::Refused { .. })));
    assert!(matches!(get("/nowhere").await, Err(FetchError::BadAddress { .. })));
    // What is posted is never sent on, and nothing at all where whole records are fetched.
    let asked = serde_json::json!({"sids": "X"});
    let why = fetcher.post_json(&at(&server.uri(), "/old"), &asked).await.unwrap_err();
    assert!(matches!(&why, FetchError::Elsewhere { to, .. } if to.ends_with("/new")), "{why}");
    let (strict, _) = super::fetcher(&feeds_at(&server.uri()), |limits| limits.redirects = false);
    let why = strict.get(&at(&server.uri(), "/old"), Accept::Text).await.unwrap_err();
    assert!(matches!(why, FetchError::Elsewhere { .. }), "{why}");
}

#[tokio::test]
async fn a_private_network_is_asked_only_where_the_settings_name_its_host() {
    let server = MockServer::start().await;
    Mock::given(path("/log.csv"))
        .respond_with(ResponseTemplate::new(200).set_body_string("x"))
        .expect(2)
        .mount(&server)
        .await;
    let local = server.uri().replace("127.0.0.1", "localhost");
    // The configured services are public ones here.
    let mut feeds = FeedsConfig::default();
    let (strict, _) = fetcher(&feeds, |limits| limits.tries = 1);
    for address in
        [server.uri(), local.clone(), "http://[::1]:9".into(), "http://192.168.1.20".into(), "http://2130706433".into()]
    {
        let why = strict.get(&at(&address, "/log.csv"), Accept::Text).await.unwrap_err();
        assert!(matches!(why, FetchError::PrivateAddress { .. }), "{address}: {why}");
    }
    feeds.private_hosts = vec!["127.0.0.1".into(), "LocalHost".into()];
    let (open, _) = fetcher(&feeds, |_| {});
    for address in [server.uri(), local] {
        assert!(open.get(&at(&address, "/log.csv"), Accept::Text).await.is_ok(), "{address}");
    }
}

#[tokio::test]
async fn only_web_addresses_are_asked() {
    let (fetcher, _) = fetcher(&FeedsConfig::default(), |_| {});
    for address in ["file:///etc/hostname", "ftp://example.org/x", "data:text/plain,x"] {
        let why = fetcher.get(&Url::parse(address).unwrap(), Accept::Text).await.unwrap_err();
        assert!(matches!(why, FetchError::BadAddress { .. }), "{address}: {why}");
    }
}

#[tokio::test]
async fn a_contact_that_cannot_travel_is_refused_at_the_start() {
    let feeds = FeedsConfig { contact: "a\nb".into(), ..FeedsConfig::default() };
    let clock = Arc::new(treebell::clock::SystemClock);
    assert!(matches!(
        treebell::weather::fetch::Fetcher::new(&feeds, clock, Randomness::seeded(1)),
        Err(FetchError::NoClient { .. })
    ));
}

/// A server of one short answer, written byte by byte by `answer`.
async fn raw_server<F, Fut>(answer: F) -> String
where
    F: Fn(TcpStream) -> Fut + Send + Sync + 'static,
    Fut: Future<Output = ()> + Send + 'static,
{
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = format!("http://{}", listener.local_addr().unwrap());
    tokio::spawn(async move {
        while let Ok((stream, _)) = listener.accept().await {
            tokio::spawn(answer(stream));
        }
    });
    address
}

async fn read_question(stream: &mut TcpStream) {
    let mut seen = Vec::new();
    let mut buffer = [0; 1024];
    while !seen.windows(4).any(|w| w == b"\r\n\r\n") {
        match stream.read(&mut buffer).await {
            Ok(0) | Err(_) => return,
            Ok(count) => seen.extend_from_slice(&buffer[..count]),
        }
    }
}

#[tokio::test]
async fn a_connection_that_breaks_inside_the_body_is_tried_again_and_told() {
    let address = raw_server(|mut stream| async move {
        read_question(&mut stream).await;
        let _ = stream
            .write_all(b"HTTP/1.1 200 OK\r\ncontent-type: application/json\r\ncontent-length: 1000\r\n\r\n[{\"DATE\"")
            .await;
    })
    .await;
    let (fetcher, waiting) = fetcher(&feeds_at(&address), |limits| limits.tries = 3);
    let why = fetcher.get(&at(&address, "/x"), Accept::Json).await.unwrap_err();
    assert!(matches!(why, FetchError::BrokenOff { tries: 3, .. }), "{why}");
    assert_eq!(waiting.waits().len(), 2);
}

#[tokio::test]
async fn answers_that_are_no_http_and_closed_ports_are_errors() {
    let address = raw_server(|mut stream| async move {
        read_question(&mut stream).await;
        let _ = stream.write_all(b"\xff\xfe\x00 what?\r\n\r\n").await;
    })
    .await;
    let (rude, _) = fetcher(&feeds_at(&address), |limits| limits.tries = 2);
    let why = rude.get(&at(&address, "/x"), Accept::Json).await.unwrap_err();
    assert!(matches!(why, FetchError::Unreachable { tries: 2, .. }), "{why}");

    // Bound and dropped: nobody listens there now.
    let closed = format!("http://{}", TcpListener::bind("127.0.0.1:0").await.unwrap().local_addr().unwrap());
    let (fetcher, _) = fetcher(&feeds_at(&closed), |limits| limits.tries = 2);
    let why = fetcher.get(&at(&closed, "/x?token=hush"), Accept::Json).await.unwrap_err();
    assert!(matches!(why, FetchError::Unreachable { tries: 2, .. }) && tries_again(&why), "{why}");
    assert!(!why.to_string().contains("hush"), "{why}");
}

#[tokio::test]
async fn a_host_is_asked_a_few_questions_at_a_time() {
    let (under_way, most) = (Arc::new(AtomicUsize::new(0)), Arc::new(AtomicUsize::new(0)));
    let counts = (Arc::clone(&under_way), Arc::clone(&most));
    let address = raw_server(move |mut stream| {
        let (under_way, most) = (Arc::clone(&counts.0), Arc::clone(&counts.1));
        async move {
            read_question(&mut stream).await;
            most.fetch_max(under_way.fetch_add(1, Ordering::SeqCst) + 1, Ordering::SeqCst);
            // Long enough that a crowd, were it let in, would stand here together.
            tokio::time::sleep(Duration::from_millis(20)).await;
            under_way.fetch_sub(1, Ordering::SeqCst);
            let _ = stream.write_all(b"HTTP/1.1 200 OK\r\ncontent-length: 2\r\nconnection: close\r\n\r\n[]").await;
        }
    })
    .await;
    let (fetcher, _) = fetcher(&feeds_at(&address), |limits| limits.per_host = 2);
    let urls: Vec<Url> = (0..8).map(|n| at(&address, &format!("/{n}"))).collect();
    let answers = futures::future::join_all(urls.iter().map(|url| fetcher.get(url, Accept::Json))).await;
    assert!(answers.iter().all(Result::is_ok));
    assert_eq!(most.load(Ordering::SeqCst), 2);
}
