//! Sign-up, confirm, preferences, stop, privacy: what people and programs may do with them.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;

use axum::body::Body;
use axum::http::{Request, StatusCode};
use sqlx::Row;
use treebell::people::{Address, AddressId, Channel, Language, Reach, Zip};
use treebell::people::{Consent, GivenKeys, Key, NewSubscriber};
use treebell::randomness::Randomness;
use treebell::service::subscribe::messages;
use treebell::service::subscribe::preference_link;
use treebell::service::subscribe::stop::{StopRequest, stop};
use treebell::service::subscribe::tokens;
use treebell::service::subscribe::tokens::Purpose;
use treebell::store::addresses::AddressStatus;
use treebell::store::{ServerTrust, Store};

use super::support::{Answer, World};

const PHONE: &str = "+15055550123";
const EMAIL: &str = "owner@example.org";

/// A world with two regions: 00101 and 00102.
pub async fn world() -> World {
    World::empty(|_| {}).await.with_regions().await
}

impl World {
    pub async fn with_regions(self) -> Self {
        for (id, name, zip) in [("dos-vientos", "Dos Vientos", "00101"), ("mesa-alta", "Mesa Alta", "00102")] {
            self.add_region(id, name, zip).await;
        }
        self
    }

    pub async fn add_region(&self, id: &str, name: &str, zip: &str) {
        use treebell::geo::Point;
        use treebell::region::{OwnerReports, Region, Release};
        use treebell::weather::{FeedKind, SourceRef, Station};
        let station = Station {
            id: id.into(),
            name: name.into(),
            place: Point { latitude: 35.0, longitude: -135.0 },
            elevation_m: 1900.0,
            time_zone: chrono_tz::America::Denver,
            observation_hour: None,
            sources: vec![SourceRef { feed: FeedKind::PlainCsv, id: "logger.csv".into() }],
        };
        self.app.store.add_station(&station).await.unwrap();
        let region = Region {
            id: id.into(),
            name: name.into(),
            place: Point { latitude: 35.0, longitude: -135.0 },
            elevation_m: 1900.0,
            time_zone: chrono_tz::America::Denver,
            profile: "pinyon-needle-scale".into(),
            zips: vec![Zip::parse(zip).unwrap()],
            stations: vec![id.into()],
            release: Release::AtOnce,
            owner_reports: OwnerReports::WhenConfirmed,
            county: None,
            state: None,
            band: None,
            landmarks: Vec::new(),
            retired: false,
        };
        self.app.store.add_region(&region, self.app.clock.now()).await.unwrap();
    }

    /// The token of the form on a page, as old as a person needs to fill it in.
    pub async fn token_of(&self, path: &str) -> String {
        let page = self.get(path).await;
        assert_eq!(page.status, StatusCode::OK, "{path}");
        let token = value_of(&page.body, "token");
        self.clock.advance(chrono::Duration::seconds(3));
        token
    }

    /// Signs up like a person, from a network of one's own.
    pub async fn sign_up(&self, path: &str, zip: &str, phone: &str, email: &str, language: &str) -> Answer {
        let token = self.token_of(path).await;
        let form = [("zip", zip), ("phone", phone), ("email", email), ("language", language), ("token", &token)];
        self.post(path, &form).await
    }

    /// Newest transactional message to an address: kind, language, words.
    pub async fn letter_to(&self, address: &str) -> Option<(String, String, String)> {
        let mut connection = self.app.store.read().await.unwrap();
        let row = sqlx::query(
            "SELECT kind, language, body FROM letters WHERE address = $1 ORDER BY created_at DESC, id LIMIT 1",
        )
        .bind(address)
        .fetch_optional(&mut *connection)
        .await
        .unwrap()?;
        Some((row.get("kind"), row.get("language"), row.get("body")))
    }

    pub async fn count(&self, table: &str) -> i64 {
        let mut connection = self.app.store.read().await.unwrap();
        let find = format!("SELECT COUNT(*) AS n FROM {table}");
        sqlx::query(sqlx::AssertSqlSafe(find)).fetch_one(&mut *connection).await.unwrap().get("n")
    }

    /// Of every delivery there is; gives how many.
    async fn set_delivery_state(&self, state: &str, lease_until: Option<i64>) -> u64 {
        let mut tx = self.app.store.begin().await.unwrap();
        let done = sqlx::query("UPDATE deliveries SET state = $1, lease_until = $2")
            .bind(state)
            .bind(lease_until)
            .execute(tx.conn())
            .await
            .unwrap();
        tx.commit().await.unwrap();
        done.rows_affected()
    }

    pub async fn standing(&self, address: &str) -> Option<(AddressStatus, Vec<String>, Language)> {
        let address = Address::parse(address, Reach::NorthAmerica).unwrap();
        let subscriber = self.app.store.subscriber_of(&address).await.unwrap()?;
        let status = subscriber.addresses.iter().find(|known| known.address == address).unwrap().status;
        Some((status, subscriber.zips.iter().map(Zip::to_string).collect(), subscriber.language))
    }

    pub async fn subscribe(&self, address: &str) -> AddressId {
        let address = Address::parse(address, Reach::NorthAmerica).unwrap();
        let new = NewSubscriber {
            zips: vec![Zip::parse("00101").unwrap()],
            heights: Vec::new(),
            addresses: vec![address.clone()],
            language: Language::En,
            consent: Consent::Given { evidence: "signed form".into() },
        };
        self.app.store.add_subscriber(&new, self.app.clock.now()).await.unwrap();
        self.key_of(&address)
    }

    pub fn key_of(&self, address: &Address) -> AddressId {
        self.app.store.address_hash().of(address)
    }

    pub fn token(&self, purpose: Purpose, address: &str) -> String {
        let address = Address::parse(address, Reach::NorthAmerica).unwrap();
        let (hash, key) = (self.app.store.address_hash(), self.key_of(&address));
        match purpose {
            Purpose::Preferences => preference_link::make(hash, &key, self.app.clock.now()),
            _ => tokens::make(hash, purpose, key.as_str()),
        }
    }
}

/// The value of the input of this name.
pub fn value_of(html: &str, name: &str) -> String {
    let at = html.find(&format!("name=\"{name}\"")).unwrap_or_else(|| panic!("no field {name} in {html}"));
    html[at..].split("value=\"").nth(1).unwrap().split('"').next().unwrap().to_owned()
}

fn code_in(words: &str) -> String {
    words
        .split(|c: char| !c.is_ascii_digit())
        .find(|run| run.len() == 6)
        .unwrap_or_else(|| panic!("{words}"))
        .to_owned()
}

pub fn link_in(words: &str, page: &str) -> String {
    let at = words.find(&format!("/{page}/")).unwrap_or_else(|| panic!("no {page} link in {words}"));
    let path: String = words[at..].chars().take_while(|c| !c.is_whitespace() && *c != ')' && *c != '>').collect();
    let spanish = words[..at].ends_with("/es");
    if spanish { format!("/es{path}") } else { path }
}

#[tokio::test]
async fn an_e_mail_address_is_subscribed_by_the_button_behind_its_link_and_not_by_opening_it() {
    for (path, language, asks) in [("/sign-up", "en", "Please confirm"), ("/es/sign-up", "es", "Por favor confirme")] {
        let world = world().await;
        let sent = world.sign_up(path, "00101", "", EMAIL, language).await;
        assert_eq!(sent.status, StatusCode::OK, "{}", sent.body);
        assert!(sent.body.contains(EMAIL));
        let (kind, spoken, words) = world.letter_to(EMAIL).await.expect("a letter");
        assert_eq!((kind.as_str(), spoken.as_str()), ("confirm", language));
        let link = link_in(&words, "confirm");
        for _ in 0..3 {
            let page = world.get(&link).await;
            assert_eq!(page.status, StatusCode::OK, "{link}");
            assert!(page.body.contains(asks) && page.body.contains("00101"), "{}", page.body);
            assert_eq!(world.standing(EMAIL).await, None, "a link scanner subscribes nobody");
        }
        let done = world.post(&link, &[]).await;
        assert_eq!(done.status, StatusCode::OK);
        assert!(done.body.contains("Dos Vientos"), "{}", done.body);
        let wanted = Some((AddressStatus::Confirmed, vec!["00101".to_owned()], Language::parse(language).unwrap()));
        assert_eq!(world.standing(EMAIL).await, wanted);
        // Once more, and by GET: nothing new, and said so.
        let consents = world.count("consents").await;
        assert_eq!(world.post(&link, &[]).await.status, StatusCode::OK);
        assert_eq!(world.get(&link).await.status, StatusCode::OK);
        assert_eq!(world.count("consents").await, consents);
        assert_eq!(world.standing(EMAIL).await, wanted);
    }
}

#[tokio::test]
async fn a_phone_is_subscribed_by_its_code_which_is_locked_after_five_wrong_ones() {
    let world = world().await;
    assert_eq!(world.sign_up("/sign-up", "00101", "505-555-0123", "", "en").await.status, StatusCode::OK);
    let code = code_in(&world.letter_to(PHONE).await.unwrap().2);
    let wrong = if code == "000000" { "000001" } else { "000000" };
    for _ in 0..4 {
        let answer = world.post("/confirm", &[("phone", PHONE), ("code", wrong)]).await;
        assert_eq!(answer.status, StatusCode::UNPROCESSABLE_ENTITY);
        assert!(answer.body.contains("aria-invalid") && answer.body.contains(PHONE), "{}", answer.body);
    }
    assert_eq!(world.standing(PHONE).await, None);
    let done = world
        .post("/confirm", &[("phone", "(505) 555 0123"), ("code", &format!(" {} {}", &code[..3], &code[3..]))])
        .await;
    assert_eq!(done.status, StatusCode::OK, "{}", done.body);
    assert_eq!(world.standing(PHONE).await.unwrap().0, AddressStatus::Confirmed);

    // Another phone: five wrong ones end it, the right one too then.
    let other = "+15055550124";
    world.sign_up("/sign-up", "00101", other, "", "en").await;
    let code = code_in(&world.letter_to(other).await.unwrap().2);
    for _ in 0..5 {
        world.post("/confirm", &[("phone", other), ("code", "999999x")]).await;
    }
    let answer = world.post("/confirm", &[("phone", other), ("code", &code)]).await;
    assert_eq!((answer.status, world.standing(other).await), (StatusCode::UNPROCESSABLE_ENTITY, None));
    // An old code, and the code of another.
    let third = "+15055550125";
    world.sign_up("/sign-up", "00101", third, "", "en").await;
    let code = code_in(&world.letter_to(third).await.unwrap().2);
    world.post("/confirm", &[("phone", "+15055550126"), ("code", &code)]).await;
    world.clock.advance(chrono::Duration::minutes(11));
    world.post("/confirm", &[("phone", third), ("code", &code)]).await;
    assert_eq!(world.standing(third).await, None);
    assert_eq!(world.standing("+15055550126").await, None);
}

#[tokio::test]
async fn one_network_cannot_try_codes_without_end() {
    let world = world().await;
    for number in 0..30 {
        let phone = format!("+150555501{number:02}");
        let answer = world.post("/confirm", &[("phone", &phone), ("code", "123456")]).await;
        assert_eq!(answer.status, StatusCode::UNPROCESSABLE_ENTITY);
    }
    let answer = world.post("/confirm", &[("phone", PHONE), ("code", "123456")]).await;
    assert_eq!(answer.status, StatusCode::TOO_MANY_REQUESTS);
}

#[tokio::test]
async fn faults_stand_beside_their_fields_and_what_was_typed_is_kept() {
    let world = world().await;
    for (form, at, says) in [
        ([("zip", ""), ("phone", PHONE), ("email", "")], "zip", "where your trees stand"),
        ([("zip", "1234"), ("phone", PHONE), ("email", "")], "zip", "five digits"),
        ([("zip", "00101"), ("phone", ""), ("email", "")], "phone", "mobile number or an e-mail"),
        ([("zip", "00101"), ("phone", "555-0100"), ("email", "")], "phone", "area code"),
        ([("zip", "00101"), ("phone", "+44 7700 900123"), ("email", "")], "phone", "area code"),
        ([("zip", "00101"), ("phone", ""), ("email", "<b>\"me\"@nowhere")], "email", "owner@example.org"),
        ([("zip", "00101"), ("phone", PHONE), ("email", EMAIL)], "email", "only one of the two"),
    ] {
        let token = world.token_of("/sign-up").await;
        let mut whole = form.to_vec();
        whole.push(("token", &token));
        let answer = world.post("/sign-up", &whole).await;
        assert_eq!(answer.status, StatusCode::UNPROCESSABLE_ENTITY, "{form:?}");
        let id = format!("id=\"{at}-error\">");
        let beside = answer.body.split(&id).nth(1).unwrap_or_else(|| panic!("no error at {at}: {}", answer.body));
        assert!(beside.split('<').next().unwrap().contains(says), "{form:?}: {beside}");
        for (name, typed) in form {
            let kept = typed.replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;");
            assert_eq!(value_of(&answer.body, name), kept, "{form:?}");
        }
        assert!(
            answer.body.contains(&format!("{at}-error\" aria-invalid=\"true\""))
                || answer.body.contains("aria-invalid")
        );
    }
    assert_eq!(world.count("letters").await, 0);
}

/// What a program does that never saw the page, or fills it in at once, or fills every field: no effect.
#[tokio::test]
async fn forms_that_no_person_filled_in_have_no_effect() {
    let world = world().await;
    let now = world.get("/sign-up").await;
    let fresh = value_of(&now.body, "token");
    let other = value_of(&world.get("/preferences").await.body, "token");
    world.clock.advance(chrono::Duration::seconds(1));
    let base = [("zip", "00101"), ("phone", PHONE), ("email", "")];
    let send = async |token: Option<&str>, trap: &str| {
        let mut form = base.to_vec();
        form.extend(token.map(|token| ("token", token)));
        form.push(("website", trap));
        world.post("/sign-up", &form).await
    };
    assert_eq!(send(None, "").await.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert_eq!(send(Some(""), "").await.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert_eq!(send(Some("0"), "").await.status, StatusCode::UNPROCESSABLE_ENTITY);
    let quick = send(Some(&fresh), "").await;
    assert_eq!(quick.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(quick.body.contains("very quick"));
    world.clock.advance(chrono::Duration::seconds(3));
    assert_eq!(send(Some(&other), "").await.status, StatusCode::UNPROCESSABLE_ENTITY, "of another form");
    let trapped = send(Some(&fresh), "https://example.org").await;
    assert_eq!(trapped.status, StatusCode::OK);
    assert_eq!(world.count("letters").await, 0);
    world.clock.advance(chrono::Duration::hours(24));
    let old = send(Some(&fresh), "").await;
    assert_eq!((old.status, world.count("letters").await), (StatusCode::UNPROCESSABLE_ENTITY, 0));
    // The page that says so carries a fresh token, and what was typed.
    let again = value_of(&old.body, "token");
    assert_eq!(value_of(&old.body, "phone"), PHONE);
    world.clock.advance(chrono::Duration::seconds(3));
    let honest = send(Some(&again), "").await;
    assert_eq!((honest.status, world.count("letters").await), (StatusCode::OK, 1));
    assert_eq!(honest.body, trapped.body, "a program learns nothing from the trap");
}

/// Who is known here cannot be learnt from the answer.
#[tokio::test]
async fn known_unknown_stopped_and_often_asked_addresses_get_the_same_bytes() {
    for (path, fields) in [("/sign-up", true), ("/preferences", false)] {
        let mut answers = BTreeMap::new();
        for kind in ["unknown", "confirmed", "stopped", "asked before"] {
            let world = world().await;
            match kind {
                "confirmed" => drop(world.subscribe(EMAIL).await),
                "stopped" => {
                    let key = world.subscribe(EMAIL).await;
                    stop(&world.app.store, &*world.app.clock, StopRequest::Address(&key), "test").await.unwrap();
                }
                "asked before" => drop(world.sign_up("/sign-up", "00102", "", EMAIL, "es").await),
                _ => {}
            }
            let answer = if fields {
                world.sign_up(path, "00101", "", EMAIL, "en").await
            } else {
                let token = world.token_of(path).await;
                world.post(path, &[("phone", ""), ("email", EMAIL), ("token", &token)]).await
            };
            assert_eq!(answer.status, StatusCode::OK, "{path} {kind}: {}", answer.body);
            let headers: Vec<_> = answer.headers.iter().map(|(n, v)| format!("{n}: {v:?}")).collect();
            answers.insert(kind, (headers, answer.body));
        }
        let first = answers["unknown"].clone();
        assert!(answers.values().all(|answer| *answer == first), "{path}: {answers:?}");
    }
    // A wrong code for a number that was asked and for one that was not.
    let world = world().await;
    world.sign_up("/sign-up", "00101", PHONE, "", "en").await;
    let asked = world.post("/confirm", &[("phone", PHONE), ("code", "12345x")]).await;
    let not_asked = world.post("/confirm", &[("phone", "+15055550199"), ("code", "12345x")]).await;
    assert_eq!(asked.body.replace(PHONE, ""), not_asked.body.replace("+15055550199", ""));
    assert_eq!(asked.status, not_asked.status);
}

#[tokio::test]
async fn one_click_stops_at_once_and_opening_the_link_does_not() {
    let world = world().await;
    world.subscribe(EMAIL).await;
    let link = format!("/stop/{}", world.token(Purpose::Stop, EMAIL));
    let wrong = format!("/stop/{}", world.token(Purpose::Preferences, EMAIL));
    for path in [&link, &wrong, &format!("/es{link}")] {
        let page = world.get(path).await;
        assert_eq!(page.status, StatusCode::OK);
        assert!(page.body.contains("<button"));
        let head = world.ask(Request::head(path.as_str()).body(Body::empty()).unwrap()).await;
        assert_eq!(head.status, StatusCode::OK);
    }
    assert_eq!(world.standing(EMAIL).await.unwrap().0, AddressStatus::Confirmed);
    // RFC 8058, 3.2: as a mail program sends it, with no cookie and no origin.
    let one_click = |path: &str| {
        Request::post(path)
            .header("content-type", "application/x-www-form-urlencoded")
            .body(Body::from("List-Unsubscribe=One-Click"))
            .unwrap()
    };
    let unknown = world.ask(one_click("/stop/0123")).await;
    let forged = world.ask(one_click(&wrong)).await;
    assert_eq!(world.standing(EMAIL).await.unwrap().0, AddressStatus::Confirmed);
    let first = world.ask(one_click(&link)).await;
    assert_eq!(world.standing(EMAIL).await.unwrap().0, AddressStatus::Stopped);
    let consents = world.count("consents").await;
    let second = world.ask(one_click(&link)).await;
    assert_eq!(world.count("consents").await, consents, "twice is once");
    for (answer, path) in [(&unknown, "/stop/0123"), (&forged, &wrong), (&first, &link), (&second, &link)] {
        assert_eq!(answer.status, StatusCode::OK);
        assert!(!answer.headers.contains_key("location") && !answer.headers.contains_key("set-cookie"));
        // The link to the other language repeats the token that was sent.
        assert_eq!(answer.body.replace(path, ""), first.body.replace(&link, ""), "the same for every token");
    }
    // Multipart, as RFC 8058 also allows.
    let body = "--x\r\nContent-Disposition: form-data; name=\"List-Unsubscribe\"\r\n\r\nOne-Click\r\n--x--\r\n";
    let multipart =
        Request::post(&link).header("content-type", "multipart/form-data; boundary=x").body(Body::from(body));
    assert_eq!(world.ask(multipart.unwrap()).await.status, StatusCode::OK);
}

/// Whoever stops by the link is answered only when no worker has a message to them in hand any more.
#[tokio::test]
async fn a_stop_by_link_waits_for_a_message_that_is_in_hand() {
    let world = Arc::new(world().await);
    world.sign_up("/sign-up", "00101", "", EMAIL, "en").await;
    let until = (world.app.clock.now() + chrono::Duration::seconds(60)).timestamp_millis();
    assert_eq!(world.set_delivery_state("leased", Some(until)).await, 1);
    let link = format!("/stop/{}", world.token(Purpose::Stop, EMAIL));
    let stop = {
        let world = Arc::clone(&world);
        tokio::spawn(async move { world.post(&link, &[]).await })
    };
    tokio::time::sleep(Duration::from_millis(300)).await;
    assert!(!stop.is_finished(), "answered while a message to them was under way");
    world.set_delivery_state("sent", None).await;
    let answer = tokio::time::timeout(Duration::from_secs(2), stop).await.expect("it waits no longer").unwrap();
    assert_eq!(answer.status, StatusCode::OK);
}

/// Somebody who was only asked, and never subscribed, can say stop too: nothing more is ever sent there.
#[tokio::test]
async fn the_stop_link_of_a_confirmation_request_holds_for_strangers() {
    let world = world().await;
    world.sign_up("/sign-up", "00101", "", EMAIL, "en").await;
    let (_, _, words) = world.letter_to(EMAIL).await.unwrap();
    world.post(&format!("/stop/{}", world.token(Purpose::Stop, EMAIL)), &[]).await;
    world.clock.advance(chrono::Duration::days(2));
    let letters = world.count("letters").await;
    world.sign_up("/sign-up", "00101", "", EMAIL, "en").await;
    assert_eq!(world.count("letters").await, letters);
    // The old link does not undo it.
    world.post(&link_in(&words, "confirm"), &[]).await;
    assert_eq!(world.standing(EMAIL).await, None);
}

#[tokio::test]
async fn the_preferences_page_changes_places_and_language_stops_starts_and_erases() {
    let world = world().await;
    world.subscribe(EMAIL).await;
    let token = world.token_of("/preferences").await;
    world.post("/preferences", &[("email", EMAIL), ("phone", ""), ("token", &token)]).await;
    let (kind, _, words) = world.letter_to(EMAIL).await.unwrap();
    assert_eq!(kind, "preferences");
    let path = link_in(&words, "preferences");
    let page = world.get(&path).await;
    assert_eq!(page.status, StatusCode::OK);
    assert!(page.body.contains("Dos Vientos") && page.body.contains("o***@example.org"), "{}", page.body);
    assert!(!page.body.contains(EMAIL), "the address itself is not shown");
    let zips = async || world.standing(EMAIL).await.unwrap().1.join(" ");

    let change = async |form: &[(&str, &str)]| {
        let answer = world.post(&path, form).await;
        assert_eq!(answer.status, StatusCode::SEE_OTHER, "{form:?}: {}", answer.body);
        let page = world.get(answer.header("location")).await;
        assert!(page.body.contains("role=\"status\""), "{form:?}: {}", page.body);
    };
    change(&[("action", "add"), ("zip", "00102")]).await;
    change(&[("action", "add"), ("zip", "00102")]).await;
    change(&[("action", "add"), ("zip", "00399")]).await;
    assert_eq!(zips().await, "00101 00102 00399");
    change(&[("action", "remove"), ("zip", "00101")]).await;
    change(&[("action", "remove"), ("zip", "00399")]).await;
    assert_eq!(zips().await, "00102");
    change(&[("action", "language"), ("language", "es")]).await;
    assert_eq!(world.standing(EMAIL).await.unwrap().2, Language::Es);
    for (form, status) in [
        (vec![("action", "remove"), ("zip", "00102")], StatusCode::UNPROCESSABLE_ENTITY),
        (vec![("action", "add"), ("zip", "1")], StatusCode::UNPROCESSABLE_ENTITY),
        (vec![("action", "language"), ("language", "fr")], StatusCode::UNPROCESSABLE_ENTITY),
        (vec![("action", "erase")], StatusCode::UNPROCESSABLE_ENTITY),
        (vec![("action", "dance")], StatusCode::BAD_REQUEST),
        (vec![], StatusCode::BAD_REQUEST),
    ] {
        assert_eq!(world.post(&path, &form).await.status, status, "{form:?}");
    }
    assert_eq!(zips().await, "00102");
    change(&[("action", "stop")]).await;
    assert_eq!(world.standing(EMAIL).await.unwrap().0, AddressStatus::Stopped);
    change(&[("action", "start")]).await;
    assert_eq!(world.standing(EMAIL).await.unwrap().0, AddressStatus::Confirmed);
    let erased = world.post(&path, &[("action", "erase"), ("sure", "yes")]).await;
    assert_eq!((erased.status, world.standing(EMAIL).await), (StatusCode::OK, None));
    assert_eq!(world.get(&path).await.status, StatusCode::NOT_FOUND);
}

#[tokio::test]
async fn nobody_has_places_without_end() {
    let world = world().await;
    let key = world.subscribe(EMAIL).await;
    for number in 0..25 {
        let zip = Zip::parse(&format!("002{number:02}")).unwrap();
        world.app.store.add_place(&key, &zip, world.app.clock.now()).await.unwrap();
    }
    assert_eq!(world.standing(EMAIL).await.unwrap().1.len(), 20);
}

#[tokio::test]
async fn links_are_sent_to_those_we_know_and_not_without_end() {
    let world = world().await;
    world.subscribe(EMAIL).await;
    let ask = async |email: &str| {
        let token = world.token_of("/preferences").await;
        world.post("/preferences", &[("email", email), ("token", &token)]).await.status
    };
    assert_eq!(ask(EMAIL).await, StatusCode::OK);
    assert_eq!(ask(EMAIL).await, StatusCode::OK);
    assert_eq!(world.count("letters").await, 1, "twice in an hour is one letter");
    assert_eq!(ask("stranger@example.org").await, StatusCode::OK);
    assert_eq!(world.count("letters").await, 1);
    for _ in 0..5 {
        world.clock.advance(chrono::Duration::hours(1));
        assert_eq!(ask(EMAIL).await, StatusCode::OK);
    }
    assert_eq!(world.count("letters").await, 3, "three a day");
    for _ in 0..4 {
        ask(EMAIL).await;
    }
    assert_eq!(ask(EMAIL).await, StatusCode::TOO_MANY_REQUESTS, "five an hour from one network");
}

#[tokio::test]
async fn a_place_that_nobody_watches_is_wished_for_counted_and_told_once() {
    let world = world().await;
    let page = world.get("/sign-up?zip=00300").await;
    assert!(page.body.contains("do not watch ZIP code <b>00300</b> yet"), "{}", page.body);
    assert!(world.get("/sign-up?zip=00101").await.body.contains("Dos Vientos"));
    let sent = world.sign_up("/wish", "00300", "", EMAIL, "en").await;
    assert!(sent.body.contains("keep your wish"), "{}", sent.body);
    let (kind, _, words) = world.letter_to(EMAIL).await.unwrap();
    assert_eq!(kind, "not-covered");
    assert_eq!(world.app.store.demand().await.unwrap().len(), 0, "not confirmed yet");
    let done = world.post(&link_in(&words, "confirm"), &[]).await;
    assert!(done.body.contains("do not watch it yet"), "{}", done.body);
    let demand = world.app.store.demand().await.unwrap();
    assert_eq!(demand.iter().map(|d| (d.zip.as_str(), d.people)).collect::<Vec<_>>(), [("00300", 1)]);
    assert_eq!(messages::tell_newly_covered(&world.app).await.unwrap(), 0);
    world.add_region("new-place", "New Place", "00300").await;
    world.clock.advance(chrono::Duration::minutes(1));
    assert_eq!(messages::tell_newly_covered(&world.app).await.unwrap(), 1);
    assert_eq!(messages::tell_newly_covered(&world.app).await.unwrap(), 0);
    assert_eq!(world.letter_to(EMAIL).await.unwrap().0, "covered-now");
    assert!(world.app.store.demand().await.unwrap().is_empty());
}

#[tokio::test]
async fn what_was_agreed_to_is_kept_with_its_words() {
    let world = world().await;
    world.sign_up("/sign-up", "00101", PHONE, "", "es").await;
    let code = code_in(&world.letter_to(PHONE).await.unwrap().2);
    world.post("/confirm", &[("phone", PHONE), ("code", &code)]).await;
    let address = Address::parse(PHONE, Reach::NorthAmerica).unwrap();
    let export = world.app.store.export_subscriber(&address).await.unwrap();
    assert_eq!(export.addresses[0].channel, Channel::Sms);
    for consent in &export.addresses[0].consents {
        let words = consent.words.as_deref().expect("the words shown");
        for said in ["five to seven messages a year", "Message and data rates", "STOP", "HELP", "stop at any time"] {
            assert!(words.contains(said), "{said}: {words}");
        }
    }
    let page = world.get("/sign-up").await.body;
    for said in ["five to seven messages a year", "Message and data rates may apply", "STOP", "HELP", "/privacy"] {
        assert!(page.contains(said), "{said}");
    }
}

// Before, a store that never held a key was said to have left it in old copies.
#[tokio::test]
async fn that_old_copies_may_hold_the_key_is_said_only_where_one_lay_in_the_store() {
    let folder = tempfile::tempdir().unwrap();
    let key = |seed| Key::draw(&Randomness::seeded(seed));
    let open = async |name: &str, keys: Option<GivenKeys>| {
        let place = format!("sqlite:{}", folder.path().join(name).display());
        Store::make(&place, &ServerTrust::default(), keys.as_ref(), &Randomness::of_system()).await.unwrap()
    };
    let told = async |store: &Store| {
        let page = World::on(store.clone(), |_| {}).get("/privacy").await.body;
        ["keep the key apart", "Old backup copies may still hold the key", "lies beside our list"]
            .map(|words| page.contains(words))
    };
    let apart = open("apart", Some(GivenKeys { addresses: vec![key(1)], links: vec![key(2)] })).await;
    assert_eq!(told(&apart).await, [true, false, false]);
    let inside = open("moved", None).await;
    assert_eq!(told(&inside).await, [false, false, true]);
    let lay_inside = inside.inside_key().await.unwrap();
    inside.take_key_out(&lay_inside).await.unwrap();
    inside.close().await;
    let moved = open("moved", Some(GivenKeys { addresses: vec![lay_inside], links: vec![key(2)] })).await;
    assert_eq!(told(&moved).await, [true, true, false]);
}
