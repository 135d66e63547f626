//! Floods, forged forms, methods that are none, and what must not stand in logs.

use std::collections::BTreeMap;
use std::io::Write;
use std::process::Command;
use std::sync::{Arc, Mutex};

use axum::body::Body;
use axum::http::{Method, Request, StatusCode};
use futures::StreamExt;
use sqlx::Row;
use treebell::config::Config;
use treebell::delivery::inbound::InboundText;
use treebell::service::subscribe::tokens::Purpose;

use super::sign_up::{value_of, world};
use super::support::World;
use crate::support;

const EMAIL: &str = "owner@example.org";

/// Sends a form as a browser behind our proxy does.
async fn submit(world: &World, network: &str, address: &str, token: &str) -> StatusCode {
    let (phone, email) = if address.starts_with('+') { (address, "") } else { ("", address) };
    let form = [("zip", "00101"), ("phone", phone), ("email", email), ("language", "en"), ("token", token)];
    let body = url::form_urlencoded::Serializer::new(String::new()).extend_pairs(form).finish();
    let request = Request::post("/sign-up")
        .header("content-type", "application/x-www-form-urlencoded")
        .header("x-forwarded-for", network)
        .body(Body::from(body));
    world.ask(request.unwrap()).await.status
}

/// A site behind a proxy of ours.
async fn behind_a_proxy(change: impl FnOnce(&mut Config)) -> World {
    let world = World::empty(|config| {
        config.web.trusted_proxies = vec!["127.0.0.1".parse().unwrap()];
        change(config);
    });
    world.await.with_regions().await
}

/// How many messages went to each address.
async fn letters(world: &World) -> BTreeMap<String, i64> {
    let mut connection = world.app.store.read().await.unwrap();
    let rows = sqlx::query("SELECT address, COUNT(*) AS n FROM letters GROUP BY address");
    rows.fetch_all(&mut *connection).await.unwrap().iter().map(|row| (row.get("address"), row.get("n"))).collect()
}

async fn staff_are_told(world: &World, what: &str) -> bool {
    let since = world.app.clock.now() - chrono::Duration::days(1);
    world.app.store.staff_log(since).await.unwrap().iter().any(|entry| entry.text.contains(what))
}

/// Sign-ups in the name of others: for a hundredth as many victims (half of them by phone) from a twentieth as many
/// networks, in four waves over eighteen hours, with honest people from other networks in between. 1,000 submissions; with
/// TREEBELL_FLOOD=10000 as many as that, at the limits that are the defaults.
#[tokio::test]
async fn a_flood_writes_to_each_victim_once_a_day_and_honest_people_get_through() {
    let size = support::size("TREEBELL_FLOOD", 1000);
    let (victims, networks) = (size / 100, size / 20);
    let world = behind_a_proxy(|config| config.limits.asks_per_hour = u32::try_from(size / 50).unwrap()).await;
    let victim = |number: usize| match number % 2 {
        0 => format!("victim{number}@example.org"),
        _ => format!("+15055550{:03}", 100 + number / 2),
    };
    let (mut honest, mut through) = ([0, 0], [0, 0]);
    for (wave, area) in AREAS.into_iter().enumerate().take(4) {
        let token = world.token_of("/sign-up").await;
        let mut all = Vec::new();
        let mut honest_ones = Vec::new();
        for number in 0..size / 4 {
            let network = number % networks;
            all.push((format!("198.{}.{}.7", 18 + network / 250, network % 250), victim((number + wave) % victims)));
            if number % 20 == 0 {
                let one = number / 20;
                let address = match one % 5 {
                    4 => format!("+1{area}55501{:02}", one % 100),
                    _ => format!("honest{wave}.{one}@example.org"),
                };
                all.push((format!("10.{wave}.{one}.9"), address.clone()));
                honest_ones.push(address);
            }
        }
        let sent = all.iter().map(|(network, address)| submit(&world, network, address, &token));
        let answers: Vec<StatusCode> = futures::stream::iter(sent).buffer_unordered(60).collect().await;
        assert!(answers.iter().all(|status| *status == StatusCode::OK), "a flood is not told what came of it");
        for address in honest_ones {
            let kind = usize::from(address.starts_with('+'));
            honest[kind] += 1;
            through[kind] += usize::from(world.letter_to(&address).await.is_some());
        }
        world.clock.advance(chrono::Duration::hours(6));
    }
    let letters = letters(&world).await;
    let to_victims: Vec<i64> = (0..victims).filter_map(|number| letters.get(&victim(number)).copied()).collect();
    println!(
        "{size} submissions for {victims} victims from {networks} networks: {} got a message, the most {:?} in 18 hours; \
         honest by e-mail {} of {}, by phone {} of {}",
        to_victims.len(),
        to_victims.iter().max(),
        through[0],
        honest[0],
        through[1],
        honest[1]
    );
    assert!(to_victims.iter().all(|count| *count == 1), "{letters:?}");
    assert!(staff_are_told(&world, "far more sign-ups than usual").await);
    for (honest, through) in honest.into_iter().zip(through) {
        assert!(through * 100 >= honest * 99, "honest sign-ups during a flood: {through} of {honest}");
    }
}

/// Area codes of the plan, each with the hundred numbers that are kept for invention.
const AREAS: [u32; 50] = [
    201, 202, 203, 205, 206, 207, 208, 209, 210, 212, 213, 214, 215, 216, 217, 218, 219, 224, 225, 228, 229, 231, 234,
    239, 240, 248, 251, 252, 253, 254, 256, 260, 262, 267, 269, 270, 276, 281, 301, 302, 303, 304, 305, 307, 308, 309,
    310, 312, 313, 314,
];

/// Numbers in a row at home, and as many abroad or dear: kept for invention by the plans of France and Great Britain, and
/// under area codes of islands and of numbers that charge.
fn pumped(size: usize) -> (Vec<String>, Vec<String>) {
    let home = (0..size / 2).map(|at| format!("+1{}55501{:02}", AREAS[at / 100], at % 100));
    let abroad = (0..size / 2).map(|at| match at % 4 {
        0 => format!("+33639{:06}", 980_000 + at),
        1 => format!("+447700900{:03}", at % 1000),
        2 => format!("+1876555{:04}", 100 + at % 100),
        _ => format!("+1900555{:04}", 100 + at % 100),
    });
    (home.collect(), abroad.collect())
}

/// Who makes money from texts has them sent to numbers of their own, from as many networks as there are numbers. 400
/// numbers; with TREEBELL_PUMP=10000 as many as that.
#[tokio::test]
async fn texts_that_strangers_cause_end_at_the_days_limit_and_none_goes_abroad() {
    let size = support::size("TREEBELL_PUMP", 400);
    let cap = (size * 3 / 100).max(120); // 300 of 10,000: the default
    let (home, abroad) = pumped(size);
    // All the day's, where nobody looks who confirms; half of them, where that is looked at; and from ten networks that come
    // again and again, as many as are needed to see that nobody confirms.
    let (used_up, few) = ("the day's texts that ask for confirmation are used up", "hardly anybody confirms");
    for (confirmed_percent, networks, wanted, told) in
        [(0, size, cap, used_up), (20, size, cap / 2, few), (20, 10, 50, few)]
    {
        let world = behind_a_proxy(|config| {
            // What limits a flood by its number would be in the way of what is looked at here.
            (config.limits.asks_per_hour, config.limits.asks_per_network_per_hour) = (u32::MAX, u32::MAX);
            config.limits.confirmation_texts_per_day = u32::try_from(cap).unwrap();
            config.limits.confirmed_percent = confirmed_percent;
        })
        .await;
        let token = world.token_of("/sign-up").await;
        let all: Vec<(String, &String)> = home
            .iter()
            .chain(&abroad)
            .enumerate()
            .map(|(at, number)| (at % networks, number))
            .map(|(at, number)| (format!("10.{}.{}.7", at / 250, at % 250), number))
            .collect();
        let sent = all.iter().map(|(network, number)| submit(&world, network, number, &token));
        let answers: Vec<StatusCode> = futures::stream::iter(sent).buffered(60).collect().await;
        let (at_home, elsewhere) = answers.split_at(home.len());
        assert!(at_home.iter().all(|status| *status == StatusCode::OK), "nobody is told of a limit");
        assert!(
            elsewhere.iter().all(|status| *status == StatusCode::UNPROCESSABLE_ENTITY),
            "only numbers at home are taken"
        );
        // The same numbers by texts that seem to come from them: one limit for all.
        let texts = treebell::service::texts::Texts::new(world.app.clone());
        let mut asked = 0;
        if confirmed_percent == 0 {
            for number in home.iter().chain(&abroad) {
                let (from, at) = (number.clone(), world.app.clock.now());
                let text = InboundText { whole: true, from, to: String::new(), text: "00101".into(), at, id: None };
                asked += usize::from(texts.take(&text).await.unwrap() == treebell::service::texts::TextOutcome::Asked);
            }
        }
        let letters = letters(&world).await;
        println!(
            "{size} numbers from {networks} networks, {confirmed_percent} % are to confirm: {} texts, {asked} asked for by text",
            letters.values().sum::<i64>()
        );
        assert_eq!((letters.values().sum::<i64>(), letters.len(), asked), (wanted as i64, wanted, 0));
        assert!(letters.keys().all(|number| home.contains(number)), "none abroad");
        assert!(staff_are_told(&world, told).await);
    }
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

/// As a page of another site would send it, as a robot that follows links would, as somebody who guesses.
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
        // The one click of RFC 8058 may come from anywhere: see `links`.
        if !path.starts_with("/stop/") {
            world.ask(foreign("origin", "https://elsewhere.example.org").unwrap()).await;
            world.ask(foreign("sec-fetch-site", "cross-site").unwrap()).await;
        }
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

/// Every page and the methods it takes.
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

/// What only one person has never stands in a log, whatever is asked and however it goes wrong.
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
