//! Headers on every answer, errors included; whose forms are taken; connections that dawdle.

use std::io::{Read, Write};
use std::net::TcpStream;
use std::time::Duration;

use axum::body::Body;
use axum::http::{Request, StatusCode};
use treebell::web::server;

use super::support::World;

/// ASVS 5.0.0, 3.4.1 to 3.4.8: what every answer carries, whatever it is.
const CARRIED: [(&str, &str); 7] = [
    ("content-security-policy", "default-src 'none'"),
    ("content-security-policy", "frame-ancestors 'none'"),
    ("x-content-type-options", "nosniff"),
    ("referrer-policy", "no-referrer"),
    ("strict-transport-security", "max-age=31536000; includeSubDomains"),
    ("cross-origin-opener-policy", "same-origin"),
    ("cache-control", ""),
];

#[tokio::test]
async fn every_answer_carries_the_security_headers() {
    let world = World::empty(|_| {}).await;
    let asset = {
        let home = world.get("/").await.body;
        let at = home.find("/assets/").expect("the page loads its style");
        home[at..].split('"').next().unwrap().to_owned()
    };
    for (path, status) in [
        ("/", StatusCode::OK),
        ("/es", StatusCode::OK),
        (asset.as_str(), StatusCode::OK),
        ("/favicon.ico", StatusCode::OK),
        ("/no-such-page", StatusCode::NOT_FOUND),
        ("/es/no-such-page", StatusCode::NOT_FOUND),
        ("/assets/x/passwd", StatusCode::NOT_FOUND),
        ("/%00%ff", StatusCode::NOT_FOUND),
    ] {
        let answer = world.get(path).await;
        assert_eq!(answer.status, status, "{path}");
        for (name, holds) in CARRIED {
            assert!(answer.headers.contains_key(name) && answer.header(name).contains(holds), "{path}: {name}");
        }
        assert!(!answer.header("content-security-policy").contains("unsafe"), "{path}");
    }
}

/// ASVS 5.0.0, 14.3.2 and 4.1.1: pages that hold or ask for what is a person's own are kept nowhere, and every text says
/// its letters' code.
#[tokio::test]
async fn what_is_a_persons_own_is_kept_nowhere() {
    let world = World::empty(|_| {}).await;
    for path in [
        "/sign-up",
        "/wish",
        "/preferences",
        "/preferences/0",
        "/confirm",
        "/confirm/0",
        "/stop/0",
        "/seen/0",
        "/find?zip=00101",
        "/x",
    ] {
        for language in ["", "/es"] {
            let answer = world.get(&format!("{language}{path}")).await;
            assert_eq!(answer.header("cache-control"), "no-store", "{path}");
            assert_eq!(answer.header("content-type"), "text/html; charset=utf-8", "{path}");
            assert!(answer.headers.get("set-cookie").is_none() && answer.headers.get("server").is_none(), "{path}");
        }
    }
}

#[tokio::test]
async fn pages_and_faults_speak_the_language_of_their_path() {
    let world = World::empty(|_| {}).await;
    for (path, language, says) in [
        ("/", "en", "When to look at your pinyon"),
        ("/es", "es", "Cuándo revisar su piñonero"),
        ("/nothing", "en", "There is no such page"),
        ("/es/nothing", "es", "Esta página no existe"),
    ] {
        let answer = world.get(path).await;
        assert!(answer.body.contains(&format!("<html lang=\"{language}\">")), "{path}");
        assert!(answer.body.contains(says), "{path}: {}", answer.body);
    }
}

#[tokio::test]
async fn below_a_path_of_a_host_all_links_carry_it() {
    let world = World::empty(|config| config.messages.public_url = "https://example.org/pinyon/".into()).await;
    for path in ["/pinyon", "/pinyon/es", "/es", "/"] {
        let answer = world.get(path).await;
        assert_eq!(answer.status, StatusCode::OK, "{path}");
        for link in answer.body.split("href=\"").skip(1).map(|rest| rest.split('"').next().unwrap()) {
            assert!(link.starts_with("/pinyon") || link.starts_with('#'), "{path}: {link}");
        }
    }
}

#[tokio::test]
async fn a_form_of_another_site_is_not_taken() {
    let world = World::empty(|_| {}).await;
    for (name, value, taken) in [
        ("sec-fetch-site", "cross-site", false),
        ("sec-fetch-site", "same-site", false),
        ("sec-fetch-site", "same-origin", true),
        ("origin", "https://elsewhere.example.org", false),
        // What browsers without Sec-Fetch-Site say of our own pages.
        ("origin", "null", true),
        ("origin", "https://pinyon.example.org", true),
        ("accept", "text/html", true),
    ] {
        let request = Request::post("/").header(name, value).body(Body::empty()).unwrap();
        // The first page takes no form from anybody, and says so only to those it listens to.
        let wanted = if taken { StatusCode::METHOD_NOT_ALLOWED } else { StatusCode::BAD_REQUEST };
        assert_eq!(world.ask(request).await.status, wanted, "{name}: {value}");
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn who_sends_headers_byte_by_byte_or_by_the_hundred_thousand_is_shown_out_and_others_are_served() {
    let world = World::empty(|_| {}).await;
    let listener = server::listen("127.0.0.1:0".parse().unwrap()).await.unwrap();
    let address = listener.local_addr().unwrap();
    let (stop, stopped) = tokio::sync::oneshot::channel::<()>();
    let serving = tokio::spawn(server::serve(listener, world.router.clone(), async {
        let _ = stopped.await;
    }));
    let closes = |first: Vec<u8>| {
        tokio::task::spawn_blocking(move || {
            let mut stream = TcpStream::connect(address).unwrap();
            stream.set_read_timeout(Some(Duration::from_secs(30))).unwrap();
            // The server may have hung up before the last byte.
            let _ = stream.write_all(&first);
            let mut answer = Vec::new();
            match stream.read_to_end(&mut answer) {
                Ok(_) => String::from_utf8_lossy(&answer).into_owned(),
                Err(why) if why.kind() == std::io::ErrorKind::ConnectionReset => "reset".into(),
                Err(why) => panic!("the connection stayed open: {why}"),
            }
        })
    };
    let slow = closes(b"GET / HTTP/1.1\r\nHost: x\r\nX-Slow: ".to_vec());
    let mut large = b"GET / HTTP/1.1\r\nHost: x\r\nX-Large: ".to_vec();
    large.resize(100_000, b'a');
    large.extend_from_slice(b"\r\n\r\n");
    let large = closes(large);
    let whole = closes(b"GET / HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n".to_vec());
    assert!(whole.await.unwrap().starts_with("HTTP/1.1 200"), "others are served meanwhile");
    let large = large.await.unwrap();
    assert!(large == "reset" || large.starts_with("HTTP/1.1 431"), "{large}");
    assert!(!slow.await.unwrap().starts_with("HTTP/1.1 200"));
    let _ = stop.send(());
    serving.await.unwrap();
}

#[tokio::test]
async fn a_form_of_a_megabyte_is_refused() {
    let world = World::empty(|_| {}).await;
    let answer = world.post("/", &[("zip", &"0".repeat(1_000_000))]).await;
    assert!(answer.status.is_client_error(), "{}", answer.status);
}
