//! Floods, forged forms, methods that are none, and what must not stand in logs.

use std::collections::BTreeMap;
use std::io::Write;
use std::process::Command;
use std::sync::{Arc, Mutex};

use axum::body::Body;
use axum::http::{Method, Request, StatusCode};
use futures::StreamExt;
use sqlx::Row;
use treebell::service::tokens::Purpose;

use super::sign_up::{value_of, world};
use super::support::World;

const EMAIL: &str = "owner@example.org";

/// Sends a form as a browser behind our proxy does.
async fn submit(world: &World, network: &str, email: &str, token: &str) -> StatusCode {
    let form = [("zip", "00101"), ("phone", ""), ("email", email), ("language", "en"), ("token", token)];
    let body = url::form_urlencoded::Serializer::new(String::new()).extend_pairs(form).finish();
    let request = Request::post("/sign-up")
        .header("content-type", "application/x-www-form-urlencoded")
        .header("x-forwarded-for", network)
        .body(Body::from(body));
    world.ask(request.unwrap()).await.status
}

/// Delivery test E4 at a tenth of its size: 1,000 submissions for 10 victims from 50 networks, then honest people from 50
/// other networks.
#[tokio::test]
async fn a_flood_writes_to_each_victim_once_and_honest_people_get_through() {
    let world = World::empty(|config| {
        config.web.trusted_proxies = vec!["127.0.0.1".parse().unwrap()];
        config.limits.asks_per_hour = 20;
    })
    .await
    .with_regions()
    .await;
    let token = world.token_of("/sign-up").await;
    let flood = (0..1000).map(|number| {
        let (network, victim) = (format!("198.51.{}.7", number % 50), format!("victim{}@example.org", number % 10));
        let (world, token) = (&world, &token);
        async move { submit(world, &network, &victim, token).await }
    });
    let answers: Vec<StatusCode> = futures::stream::iter(flood).buffer_unordered(40).collect().await;
    assert!(answers.iter().all(|status| *status == StatusCode::OK), "a flood is not told what came of it");
    let mut connection = world.parts.store.read().await.unwrap();
    let rows = sqlx::query("SELECT address, COUNT(*) AS n FROM letters GROUP BY address")
        .fetch_all(&mut *connection)
        .await
        .unwrap();
    drop(connection);
    let letters: BTreeMap<String, i64> = rows.iter().map(|row| (row.get("address"), row.get("n"))).collect();
    assert!(letters.len() <= 10 && letters.values().all(|count| *count == 1), "{letters:?}");
    let told = world.parts.store.staff_log(world.parts.clock.now() - chrono::Duration::hours(1)).await.unwrap();
    assert!(told.iter().any(|entry| entry.text.contains("far more sign-ups than usual")), "{told:?}");
    let mut through = 0;
    for number in 0..50 {
        let email = format!("honest{number}@example.org");
        assert_eq!(submit(&world, &format!("203.0.{number}.9"), &email, &token).await, StatusCode::OK);
        through += usize::from(world.letter_to(&email).await.is_some());
    }
    assert_eq!(through, 50, "honest sign-ups during a flood");
}

/// Everything that takes a form, with a body that would have an effect.
async fn changes(world: &World) -> Vec<(String, Vec<(&'static str, String)>)> {
    let form =
        |pairs: &[(&'static str, &str)]| pairs.iter().map(|(name, value)| (*name, (*value).to_owned())).collect();
    world.subscribe(EMAIL).await;
    let preferences = format!("/preferences/{}", world.token(Purpose::Preferences, EMAIL));
    let mut all = vec![
        (format!("/stop/{}", world.token(Purpose::Stop, EMAIL)), form(&[("List-Unsubscribe", "One-Click")])),
        (preferences.clone(), form(&[("action", "add"), ("zip", "00102")])),
        (preferences.clone(), form(&[("action", "language"), ("language", "es")])),
        (preferences.clone(), form(&[("action", "stop")])),
        (preferences, form(&[("action", "erase"), ("sure", "yes")])),
    ];
    for path in ["/sign-up", "/wish", "/preferences"] {
        let token = value_of(&world.get(path).await.body, "token");
        let email = if path == "/preferences" { EMAIL } else { "new@example.org" };
        all.push((path.to_owned(), form(&[("zip", "00101"), ("email", email), ("token", &token)])));
    }
    world.clock.advance(chrono::Duration::seconds(3));
    all
}

/// All that a form could change.
async fn state(world: &World) -> (Vec<i64>, String) {
    let mut counts = Vec::new();
    for table in ["letters", "deliveries", "consents", "suppressions", "asks", "confirmations", "addresses"] {
        counts.push(world.count(table).await);
    }
    (counts, format!("{:?}", world.standing(EMAIL).await))
}

/// Delivery test F2.
#[tokio::test]
async fn without_its_token_from_another_site_or_by_get_a_form_has_no_effect() {
    let world = world().await;
    let all = changes(&world).await;
    let before = state(&world).await;
    for (path, form) in &all {
        let encoded = |pairs: &[(&str, String)]| {
            url::form_urlencoded::Serializer::new(String::new()).extend_pairs(pairs).finish()
        };
        let kind = ("content-type", "application/x-www-form-urlencoded");
        let post = |path: &str, form: &[(&str, String)]| {
            Request::post(path).header(kind.0, kind.1).body(Body::from(encoded(form)))
        };
        let foreign = |name: &str, value: &str| {
            Request::post(path).header(kind.0, kind.1).header(name, value).body(Body::from(encoded(form)))
        };
        world.ask(foreign("origin", "https://elsewhere.example.org").unwrap()).await;
        world.ask(foreign("sec-fetch-site", "cross-site").unwrap()).await;
        world.ask(foreign("origin", "null").unwrap()).await;
        world.get(path).await;
        world.get(&format!("{path}?{}", encoded(form))).await;
        world.ask(Request::head(path.as_str()).body(Body::empty()).unwrap()).await;
        // Without the token: of the address where it stands there, else of the form.
        let bare: Vec<_> = form.iter().filter(|(name, _)| *name != "token").cloned().collect();
        let cut = match path.rsplit_once('/') {
            Some((start, token)) if token.len() > 40 => format!("{start}/{}", &token[..token.len() - 1]),
            _ => path.clone(),
        };
        world.ask(post(&cut, &bare).unwrap()).await;
        assert_eq!(state(&world).await, before, "{path} {form:?}");
    }
    // The same forms as they should be do change something.
    for (path, form) in &all[..2] {
        let form: Vec<_> = form.iter().map(|(name, value)| (*name, value.as_str())).collect();
        world.post(path, &form).await;
        assert_ne!(state(&world).await, before, "{path}");
    }
}

/// Delivery test F1: every page and the methods it takes.
#[tokio::test]
async fn every_page_takes_its_methods_and_no_other() {
    let world = world().await;
    let (read, form) = (&["GET", "HEAD"][..], &["GET", "HEAD", "POST"][..]);
    let table = [
        ("/", read),
        ("/privacy", read),
        ("/guide", read),
        ("/find", read),
        ("/region/dos-vientos", read),
        ("/sign-up", form),
        ("/wish", form),
        ("/confirm", form),
        ("/confirm/0123", form),
        ("/preferences", form),
        ("/preferences/0123", form),
        ("/stop/0123", form),
        ("/seen/0123", form),
    ];
    for (path, takes) in table {
        for path in [path.to_owned(), format!("/es{}", path.trim_end_matches('/'))] {
            for method in ["GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS", "TRACE", "BREW"] {
                let request = Request::builder()
                    .method(Method::from_bytes(method.as_bytes()).unwrap())
                    .uri(&path)
                    .header("content-type", "application/x-www-form-urlencoded")
                    .body(Body::empty());
                let status = world.ask(request.unwrap()).await.status;
                let refused = status == StatusCode::METHOD_NOT_ALLOWED;
                assert_eq!(!refused, takes.contains(&method), "{method} {path}: {status}");
                assert!(!status.is_server_error(), "{method} {path}: {status}");
            }
        }
    }
}

#[derive(Clone, Default)]
struct Heard(Arc<Mutex<Vec<u8>>>);

impl Write for Heard {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        self.0.lock().unwrap().write(bytes)
    }

    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

/// Delivery test F8: what only one person has never stands in a log, whatever is asked and however it goes wrong.
#[test]
fn addresses_tokens_and_codes_never_stand_in_logs() {
    // In a process of its own: listeners that other tests' threads come and go with decide what is heard in a shared one.
    if std::env::var_os(ALONE).is_some() {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
        return runtime.block_on(listen_for_canaries());
    }
    let alone = Command::new(std::env::current_exe().unwrap())
        .args(["--exact", "web::abuse::addresses_tokens_and_codes_never_stand_in_logs", "--nocapture"])
        .env(ALONE, "1")
        .output()
        .unwrap();
    let (said, complained) = (String::from_utf8_lossy(&alone.stdout), String::from_utf8_lossy(&alone.stderr));
    assert!(alone.status.success() && said.contains("1 passed"), "{said}{complained}");
}

const ALONE: &str = "TREEBELL_LISTEN_ALONE";

async fn listen_for_canaries() {
    let heard = Heard::default();
    let writer = heard.clone();
    let subscriber = tracing_subscriber::fmt()
        .with_max_level(tracing::Level::TRACE)
        .with_writer(move || writer.clone())
        .with_ansi(false)
        .finish();
    let _guard = tracing::subscriber::set_default(subscriber);
    let world = world().await;
    let (email, phone) = ("canary.owner@example.org", "+15055550177");
    world.sign_up("/sign-up", "00101", "", email, "en").await;
    world.sign_up("/sign-up", "00101", phone, "", "es").await;
    world.sign_up("/sign-up", "00101", "", "canary.owner@@example.org", "en").await;
    let (_, _, words) = world.letter_to(phone).await.unwrap();
    let code = words.split(|c: char| !c.is_ascii_digit()).find(|run| run.len() == 6).unwrap().to_owned();
    world.post("/confirm", &[("phone", phone), ("code", "000000")]).await;
    world.post("/confirm", &[("phone", phone), ("code", &code)]).await;
    world.subscribe(email).await;
    let stop = world.token(Purpose::Stop, email);
    let preferences = world.token(Purpose::Preferences, email);
    for path in [format!("/preferences/{preferences}"), format!("/stop/{stop}"), format!("/confirm/{stop}")] {
        world.get(&path).await;
        world.get(&format!("{path}/more")).await;
        world.post(&path, &[("action", email)]).await;
        world.ask(Request::delete(path.as_str()).body(Body::empty()).unwrap()).await;
    }
    let log = String::from_utf8_lossy(&heard.0.lock().unwrap()).into_owned();
    assert!(log.contains("somebody asked to be told"), "something was heard: {log}");
    // The store's own statements are heard at this level too, without what was bound to them.
    for canary in ["canary.owner", "5055550177", &stop, &preferences, &code] {
        let at = log.find(canary);
        assert!(at.is_none(), "{canary}: {}", &log[at.unwrap_or(0).saturating_sub(200)..][..300]);
    }
}
