//! Texts from phones, from the webhook to the messages that answer them; joining, stopping, asking and answering.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex};

use chrono::{DateTime, TimeDelta, Utc};
use sqlx::Row;
use treebell::clock::ManualClock;
use treebell::config::Config;
use treebell::delivery::inbound::InboundText;
use treebell::message::Templates;
use treebell::people::{AddressId, Language};
use treebell::randomness::Randomness;
use treebell::season::profile::Profiles;
use treebell::service::app::App;
use treebell::service::follow_up;
use treebell::service::subscribe::confirm::{self, Confirmed};
use treebell::service::subscribe::sign_up::SignUpRequest;
use treebell::service::subscribe::tokens;
use treebell::service::subscribe::tokens::Purpose;
use treebell::service::subscribe::{messages, sign_up};
use treebell::service::texts::{TextOutcome, Texts};
use treebell::store::addresses::AddressStatus;
use treebell::store::{ServerTrust, Store};

use super::{address, at, say_stop, subscribe, two_regions, zip};
use crate::engines::{at_each_address, every_row, on_each_engine};

pub struct Desk {
    pub app: App,
    pub clock: Arc<ManualClock>,
    pub texts: Texts,
}

pub const PHONE: &str = "+15055550150";

impl Desk {
    pub fn on(store: Store, change: impl FnOnce(&mut Config)) -> Self {
        let mut config = Config::default();
        config.messages.public_url = "https://pinyon.example.org".into();
        change(&mut config);
        let clock = Arc::new(ManualClock::at(at("2026-03-20T16:00:00Z")));
        let templates = Templates::load(None).unwrap();
        let app = App::with_store(&config, clock.clone(), store, Profiles::default(), templates);
        Self { texts: Texts::new(app.clone()), app, clock }
    }

    /// A text from a phone a minute after the last one.
    pub async fn text(&self, from: &str, words: &str) -> TextOutcome {
        self.clock.advance(TimeDelta::minutes(1));
        let at = self.now();
        self.texts
            .take(&InboundText { from: from.into(), to: String::new(), text: words.into(), whole: true, at, id: None })
            .await
            .unwrap()
    }

    fn now(&self) -> DateTime<Utc> {
        use treebell::clock::Clock;
        self.clock.now()
    }

    /// Kinds and words of the transactional messages to an address that were queued, in order.
    pub async fn letters(&self, to: &str) -> Vec<(String, String)> {
        let key = self.app.store.address_hash().of(&address(to));
        sqlx::query("SELECT kind, body FROM letters WHERE address_key = $1 ORDER BY created_at, kind")
            .bind(key.as_str())
            .fetch_all(&mut *self.app.store.read().await.unwrap())
            .await
            .unwrap()
            .iter()
            .map(|row| (row.get("kind"), row.get("body")))
            .collect()
    }

    async fn kinds(&self, to: &str) -> Vec<String> {
        self.letters(to).await.into_iter().map(|(kind, _)| kind).collect()
    }

    async fn status(&self, of: &str) -> Option<AddressStatus> {
        let key = self.app.store.address_hash().of(&address(of));
        let subscriber = self.app.store.subscriber_of(&address(of)).await.unwrap()?;
        subscriber.addresses.into_iter().find(|one| one.id == key).map(|one| one.status)
    }

    pub fn wish(&self, to: &str, network: [u8; 4]) -> SignUpRequest {
        SignUpRequest {
            address: address(to),
            zips: vec![zip("00101")],
            heights: Vec::new(),
            language: Language::En,
            words: "Send me pinyon notices".into(),
            evidence: "web form".into(),
            network: Some(network.into()),
        }
    }

    /// The code or link token in the newest message.
    pub async fn secret(&self, to: &str) -> String {
        let (_, body) = self.letters(to).await.pop().unwrap();
        match body.split_once("/confirm/") {
            Some((_, rest)) => rest.chars().take_while(char::is_ascii_hexdigit).collect(),
            None => body.split_once("Code ").unwrap().1[..6].to_owned(),
        }
    }
}

/// Everything a service writes of people who ask by form and by text, from the making of its store on; by engine.
async fn rows_of_a_service(randomness: impl Fn() -> Randomness) -> Vec<BTreeMap<String, Vec<String>>> {
    let written = Mutex::new(Vec::new());
    at_each_address("a service of one seed", |store_address| {
        let (randomness, written) = (randomness(), &written);
        async move {
            let store = Store::make(&store_address, &ServerTrust::default(), None, &randomness).await.unwrap();
            two_regions(&store).await;
            let desk = Desk::on(store.clone(), |_| {});
            for to in ["one@example.org", "+15055550151"] {
                sign_up::ask(&desk.app, &desk.wish(to, [192, 0, 2, 1])).await.unwrap();
            }
            let token = desk.secret("one@example.org").await;
            let done = confirm::by_token(&desk.app, &token).await.unwrap();
            assert!(matches!(done, Confirmed::Yes { .. }), "{done:?}");
            assert_eq!(desk.text(PHONE, "Join 00101").await, TextOutcome::Asked);
            let rows = every_row(&store).await;
            written.lock().unwrap().push(rows);
            store.close().await;
        }
    })
    .await;
    written.into_inner().unwrap()
}

#[tokio::test]
async fn a_service_of_one_seed_writes_the_same_twice_and_one_of_the_machine_never() {
    let seeded = |seed| rows_of_a_service(move || Randomness::seeded(seed));
    let (first, again, other) = (seeded(7).await, seeded(7).await, seeded(8).await);
    assert!(["secrets", "asks", "confirmations", "letters"].iter().all(|table| !first[0][*table].is_empty()));
    assert_eq!(first, again);
    let (machine, once_more) =
        (rows_of_a_service(Randomness::of_system).await, rows_of_a_service(Randomness::of_system).await);
    for table in ["secrets", "asks", "confirmations", "letters"] {
        for (engine, rows) in first.iter().enumerate() {
            assert_ne!(rows[table], other[engine][table], "{table}: another seed");
            assert_ne!(machine[engine][table], once_more[engine][table], "{table}: of the machine");
        }
    }
}

#[tokio::test]
async fn a_phone_joins_by_its_zip_code_and_yes_and_leaves_by_any_word() {
    on_each_engine("joining by text", |store| async move {
        two_regions(&store).await;
        let desk = Desk::on(store, |_| {});
        assert_eq!(desk.text("15055550150", "Join 00101").await, TextOutcome::Asked, "with or without a plus");
        assert_eq!(desk.status(PHONE).await, None, "nothing before the word of its owner");
        assert_eq!(desk.app.store.recipients(&"north".into()).await.unwrap().len(), 0);
        assert_eq!(desk.text(PHONE, "Yes!").await, TextOutcome::Confirmed);
        assert_eq!(desk.app.store.recipients(&"north".into()).await.unwrap().len(), 1);
        assert_eq!(desk.kinds(PHONE).await, ["confirm", "welcome"]);
        assert_eq!(desk.text(PHONE, "00201").await, TextOutcome::Extended);
        assert_eq!(desk.app.store.recipients(&"south".into()).await.unwrap().len(), 1);
        assert_eq!(desk.text(PHONE, "please stop texting me").await, TextOutcome::Stopped);
        assert_eq!(desk.status(PHONE).await, Some(AddressStatus::Stopped));
        assert_eq!(desk.text(PHONE, "STOP").await, TextOutcome::Stopped);
        assert_eq!(desk.text(PHONE, "HELP").await, TextOutcome::Silent, "only what was promised goes to who said stop");
        assert_eq!(desk.kinds(PHONE).await, ["confirm", "welcome", "welcome", "stopped"], "one answer to a stop");
        assert_eq!(desk.text(PHONE, "start").await, TextOutcome::Resumed);
        assert_eq!(desk.status(PHONE).await, Some(AddressStatus::Confirmed));

        // Who agreed to which words, and when: nothing is taken back.
        let export = desk.app.store.export_subscriber(&address(PHONE)).await.unwrap();
        let consents = &export.addresses[0].consents;
        let actions: Vec<&str> = consents.iter().map(|row| row.action.as_str()).collect();
        assert_eq!(actions, ["asked", "confirmed", "stopped", "resumed"]);
        for row in &consents[..2] {
            assert!(row.words.as_ref().unwrap().contains("Reply YES to get a few pinyon texts"), "{row:?}");
            assert_eq!(row.language, Some(Language::En));
        }
    })
    .await;
}

#[tokio::test]
async fn every_word_is_obeyed_also_from_strangers_and_in_spanish() {
    on_each_engine("strangers' texts", |store| async move {
        two_regions(&store).await;
        let desk = Desk::on(store, |_| {});
        assert_eq!(desk.text(PHONE, "ALTO").await, TextOutcome::Stopped);
        assert_eq!(desk.text(PHONE, "START").await, TextOutcome::Silent, "one word subscribes nobody");
        assert_eq!(desk.kinds(PHONE).await, ["stopped"]);
        // Its owner asks from the phone itself: a newer word than the stop, and still asked back.
        assert_eq!(desk.text(PHONE, "alta 00101").await, TextOutcome::Asked);
        assert_eq!(desk.text(PHONE, "sí").await, TextOutcome::Confirmed);
        let letters = desk.letters(PHONE).await;
        assert!(letters[1].1.contains("Responda SI"), "{letters:?}");

        let other = "+15055550151";
        assert_eq!(desk.text(other, "AYUDA por favor").await, TextOutcome::Helped);
        assert_eq!(desk.text(other, "comenzar").await, TextOutcome::AskedWhere);
        assert_eq!(desk.text(other, "hola amigos").await, TextOutcome::Silent, "one question a day");
        assert_eq!(desk.text(other, "00399").await, TextOutcome::Asked);
        let kinds = desk.kinds(other).await;
        assert_eq!(kinds, ["help", "which-zip", "not-covered"]);
        assert_eq!(desk.text(other, "no").await, TextOutcome::Declined);
        assert_eq!(desk.text(other, "yes").await, TextOutcome::Silent, "nothing is open any more");
        for strange in ["12345", "TREEBELL", "+44 7700 900123", ""] {
            assert_eq!(desk.text(strange, "HELP").await, TextOutcome::NoSender, "{strange}");
        }
    })
    .await;
}

/// Whatever the sender is: a short code, a name, a number abroad, one that no plan has. Nothing is answered there, and
/// should an address of that number be known (from a list, or a plan of another year) it is stopped.
#[tokio::test]
async fn a_stop_is_obeyed_also_from_where_no_answer_can_go() {
    on_each_engine("stops from nowhere", |store| async move {
        two_regions(&store).await;
        let desk = Desk::on(store, |_| {});
        let suppressed = async |sender: &str| {
            let key = desk.app.store.address_hash().of_sender(sender).unwrap();
            let find = sqlx::query("SELECT since FROM suppressions WHERE address_key = $1").bind(key.as_str());
            find.fetch_optional(&mut *desk.app.store.read().await.unwrap()).await.unwrap().is_some()
        };
        for sender in ["12345", "TREEBELL", "+44 7700 900123", "1 295 555 0100"] {
            assert_eq!(desk.text(sender, "HELP").await, TextOutcome::NoSender, "{sender}");
            assert!(!suppressed(sender).await, "{sender}");
            assert_eq!(desk.text(sender, "please stop texting me").await, TextOutcome::Stopped, "{sender}");
            assert_eq!(desk.text(sender, "STOP").await, TextOutcome::Stopped, "{sender}, once more");
            assert!(suppressed(sender).await, "{sender}");
        }
        assert!(suppressed("treebell").await && suppressed("+12955550100").await, "however it is written");
        let letters = sqlx::query("SELECT COUNT(*) AS n FROM letters");
        let letters = letters.fetch_one(&mut *desk.app.store.read().await.unwrap()).await.unwrap();
        assert_eq!(letters.get::<i64, _>("n"), 0);

        // A number that is known here though the plan does not have it (any more).
        let key = desk.app.store.address_hash().of_sender("+12965550100").unwrap();
        let mut tx = desk.app.store.begin().await.unwrap();
        for text in [
            "INSERT INTO subscribers (id, language, created_at) VALUES ($1, 'en', 0)",
            "INSERT INTO subscriber_zips (subscriber_id, zip) VALUES ($1, '00101')",
            "INSERT INTO addresses (id, subscriber_id, channel, address, status, status_at)
             VALUES ($1, $1, 'sms', '+12965550100', 'confirmed', 0)",
        ] {
            sqlx::query(text).bind(key.as_str()).execute(tx.conn()).await.unwrap();
        }
        tx.commit().await.unwrap();
        assert_eq!(desk.app.store.recipients(&"north".into()).await.unwrap().len(), 1);
        assert_eq!(desk.text("1-296-555-0100", "alto").await, TextOutcome::Stopped);
        assert_eq!(desk.app.store.recipients(&"north".into()).await.unwrap().len(), 0);

        assert_eq!(desk.text(" ", "STOP").await, TextOutcome::NoSender);
        let log = desk.app.store.staff_log(at("2026-03-01T00:00:00Z")).await.unwrap();
        assert!(log.iter().any(|entry| entry.text.contains("without its sender")), "{log:?}");
    })
    .await;
}

/// Who said stop and then asks to join by a text from the phone is asked back, and nothing else: until their YES the
/// stop holds against forms, lists and notices, and it holds on if no YES comes.
#[tokio::test]
async fn a_stop_holds_until_the_phone_itself_says_yes() {
    on_each_engine("stops and new wishes", |store| async move {
        two_regions(&store).await;
        subscribe(&store, &["00101"], &[PHONE]).await;
        let desk = Desk::on(store, |_| {});
        let world = crate::delivery::World::new(desk.app.store.clone(), []);
        let sends = async || {
            use treebell::clock::Clock;
            world.clock.set(desk.clock.now());
            world.dispatcher().drain_due().await.unwrap();
            world.transport.sent_to(PHONE)
        };
        desk.text(PHONE, "STOP").await;
        assert_eq!(sends().await, 1, "the answer to the stop");
        let others_are_refused = async || {
            sign_up::ask(&desk.app, &desk.wish(PHONE, [192, 0, 2, 0])).await.unwrap();
            let new = super::subscriber(&["00101"], &[PHONE], Language::En);
            assert!(desk.app.store.add_subscriber(&new, desk.now()).await.is_err());
            assert!(desk.app.store.recipients(&"north".into()).await.unwrap().is_empty());
        };
        for (round, ends_by) in ["no", "a week", "STOP"].into_iter().enumerate() {
            desk.clock.advance(TimeDelta::days(1));
            assert_eq!(desk.text(PHONE, "00101").await, TextOutcome::Asked);
            others_are_refused().await;
            assert_eq!(sends().await, 2 + round, "the question");
            match ends_by {
                "a week" => {
                    desk.clock.advance(TimeDelta::days(8));
                    desk.app.store.end_old_sign_ups(desk.now() - TimeDelta::days(7), desk.now()).await.unwrap();
                }
                word => drop(desk.text(PHONE, word).await),
            }
            others_are_refused().await;
            assert_eq!(sends().await, 2 + round, "{ends_by}");
        }
        // A question that waits when another stop comes is called back.
        desk.clock.advance(TimeDelta::days(1));
        assert_eq!(desk.text(PHONE, "00101").await, TextOutcome::Asked);
        assert_eq!(desk.text(PHONE, "ALTO").await, TextOutcome::Stopped);
        assert_eq!(sends().await, 4);
        desk.clock.advance(TimeDelta::days(1));
        assert_eq!(desk.text(PHONE, "00101").await, TextOutcome::Asked);
        assert_eq!(desk.text(PHONE, "YES").await, TextOutcome::Confirmed);
        assert_eq!(desk.app.store.recipients(&"north".into()).await.unwrap().len(), 1);
        assert_eq!(sends().await, 6, "question and welcome");
        // No form takes the place of the pending sign-up meanwhile.
        let other = "+15055550151";
        desk.text(other, "STOP").await;
        assert_eq!(desk.text(other, "00101").await, TextOutcome::Asked);
        desk.clock.advance(TimeDelta::days(2));
        sign_up::ask(&desk.app, &desk.wish(other, [192, 0, 2, 0])).await.unwrap();
        assert_eq!(desk.text(other, "YES").await, TextOutcome::Confirmed);
    })
    .await;
}

#[tokio::test]
async fn a_text_that_comes_twice_has_one_effect_and_two_machines_come_to_an_end() {
    on_each_engine("texts twice", |store| async move {
        two_regions(&store).await;
        let desk = Desk::on(store, |_| {});
        let mut text = InboundText {
            from: PHONE.into(),
            to: "".into(),
            text: "HELP".into(),
            whole: true,
            at: desk.now(),
            id: Some("m1".into()),
        };
        assert_eq!(desk.texts.take(&text).await.unwrap(), TextOutcome::Helped);
        assert_eq!(desk.texts.take(&text).await.unwrap(), TextOutcome::Repeated);
        text.id = None;
        assert_eq!(desk.texts.take(&text).await.unwrap(), TextOutcome::Helped);
        assert_eq!(desk.texts.take(&text).await.unwrap(), TextOutcome::Repeated, "the same words in the same minute");
        for round in 0..40 {
            desk.text(PHONE, &format!("I am a machine too, help me {round}")).await;
        }
        assert!(desk.letters(PHONE).await.len() <= 10);
        assert_eq!(desk.text(PHONE, "STOP").await, TextOutcome::Stopped, "a stop always counts");
        assert_eq!(desk.kinds(PHONE).await.last().unwrap(), "stopped");
        let mut stop = InboundText { text: "stop".into(), at: desk.now(), id: None, ..text };
        desk.texts.take(&stop).await.unwrap();
        stop.text = "stop".into();
        assert_eq!(desk.texts.take(&stop).await.unwrap(), TextOutcome::Stopped);
    })
    .await;
}

#[tokio::test]
async fn who_waited_for_a_region_is_told_when_it_comes() {
    on_each_engine("waiting for a region", |store| async move {
        two_regions(&store).await;
        let desk = Desk::on(store, |_| {});
        desk.text(PHONE, "00399").await;
        desk.text(PHONE, "yes").await;
        assert_eq!(messages::tell_newly_covered(&desk.app).await.unwrap(), 0);
        desk.app.store.add_region(&super::region("west", &["00399"], "A"), desk.now()).await.unwrap();
        desk.clock.advance(TimeDelta::minutes(1));
        assert_eq!(messages::tell_newly_covered(&desk.app).await.unwrap(), 1);
        assert_eq!(messages::tell_newly_covered(&desk.app).await.unwrap(), 0);
        assert_eq!(desk.kinds(PHONE).await, ["not-covered", "kept-zip", "covered-now"]);
    })
    .await;
}

/// Guessed, used again, too late, or another's: none of them confirms.
#[tokio::test]
async fn only_the_right_code_or_link_confirms_once_and_in_time() {
    on_each_engine("confirmations", |store| async move {
        two_regions(&store).await;
        let desk = Desk::on(store, |_| {});
        let (one, two) = ("+15055550150", "+15055550151");
        let first = sign_up::ask(&desk.app, &desk.wish(one, [192, 0, 2, 0])).await.unwrap();
        let second = sign_up::ask(&desk.app, &desk.wish(two, [192, 0, 2, 0])).await.unwrap();
        let (code, other) = (desk.secret(one).await, desk.secret(two).await);
        let type_in = async |ask: &str, code: &str| confirm::by_code(&desk.app, ask, code).await.unwrap();
        if code != other {
            assert_eq!(type_in(&first.ask, &other).await, Confirmed::Wrong { tries_left: 4 }, "another's code");
        }
        assert_eq!(type_in("nonsense", &code).await, Confirmed::No);
        assert!(matches!(type_in(&second.ask, &other).await, Confirmed::Yes { .. }));
        assert_eq!(type_in(&second.ask, &other).await, Confirmed::No, "used");
        let wrong = |n: u32| format!("{:06}", (code.parse::<u32>().unwrap() + n) % 1_000_000);
        for n in 1..=4 {
            type_in(&first.ask, &wrong(n)).await;
        }
        type_in(&first.ask, &wrong(5)).await;
        assert_eq!(type_in(&first.ask, &code).await, Confirmed::No, "locked after five");
        assert_eq!(desk.text(one, &code).await, TextOutcome::NotUnderstood, "locked also for the phone");
        assert_eq!(desk.text(one, "YES").await, TextOutcome::Confirmed, "the phone itself still can");

        // Guesses side by side do not share a try: of forty at once, five are looked at.
        let many = "+15055550153";
        let ask = sign_up::ask(&desk.app, &desk.wish(many, [192, 0, 2, 0])).await.unwrap().ask;
        let code = desk.secret(many).await;
        let guesses = (1..=40).map(|n| {
            let (ask, guess) = (&ask, format!("{:06}", (code.parse::<u32>().unwrap() + n) % 1_000_000));
            async move { type_in(ask, &guess).await }
        });
        let answers = futures::future::join_all(guesses).await;
        let looked_at = answers.iter().filter(|answer| matches!(answer, Confirmed::Wrong { .. })).count();
        assert_eq!(looked_at, 5);
        assert_eq!(type_in(&ask, &code).await, Confirmed::No);
        // What was made for one purpose or person opens nothing of another.
        for purpose in [Purpose::Preferences, Purpose::Stop, Purpose::Seen, Purpose::Form] {
            let key = tx_key(&desk, "+15055550154");
            sign_up::ask(&desk.app, &desk.wish("+15055550154", [198, 51, 100, 0])).await.unwrap();
            let foreign = tokens::make(desk.app.store.address_hash(), purpose, key.as_str());
            assert_eq!(type_in(&foreign, &desk.secret("+15055550154").await).await, Confirmed::No, "{purpose:?}");
        }

        let late = "+15055550152";
        let third = sign_up::ask(&desk.app, &desk.wish(late, [192, 0, 2, 0])).await.unwrap();
        let code = desk.secret(late).await;
        desk.clock.advance(TimeDelta::minutes(11));
        assert_eq!(type_in(&third.ask, &code).await, Confirmed::No, "too late");

        let mail = "owner@example.org";
        sign_up::ask(&desk.app, &desk.wish(mail, [192, 0, 2, 0])).await.unwrap();
        let token = desk.secret(mail).await;
        assert_eq!(token.len(), 32, "128 bits");
        let shown = confirm::request_of(&desk.app, &token).await.unwrap().unwrap();
        assert!(!shown.confirmed && desk.status(mail).await.is_none(), "looking changes nothing");
        let press = async |token: &str| confirm::by_token(&desk.app, token).await.unwrap();
        for guess in ["", "0", &"0".repeat(32), &token[..31], &format!("{token}0"), &token.to_uppercase()] {
            if guess != token {
                assert_eq!(press(guess).await, Confirmed::No);
            }
        }
        let neighbor = "neighbor@example.org";
        sign_up::ask(&desk.app, &desk.wish(neighbor, [203, 0, 113, 0])).await.unwrap();
        assert!(matches!(press(&token).await, Confirmed::Yes { .. }));
        assert_eq!((desk.status(mail).await, desk.status(neighbor).await), (Some(AddressStatus::Confirmed), None));
        assert_eq!(press(&token).await, Confirmed::No, "used");
        assert!(confirm::request_of(&desk.app, &token).await.unwrap().unwrap().confirmed);

        let mail = "late@example.org";
        sign_up::ask(&desk.app, &desk.wish(mail, [198, 51, 100, 0])).await.unwrap();
        let token = desk.secret(mail).await;
        desk.clock.advance(TimeDelta::days(3) + TimeDelta::seconds(1));
        assert_eq!(press(&token).await, Confirmed::No, "too late");
        assert!(confirm::request_of(&desk.app, &token).await.unwrap().is_none());
        // Nothing of an unconfirmed sign-up request is left in plain after a week.
        desk.clock.advance(TimeDelta::days(5));
        desk.app.store.end_old_sign_ups(desk.now() - TimeDelta::days(7), desk.now()).await.unwrap();
        let plain = sqlx::query("SELECT COUNT(*) AS n FROM confirmations WHERE address <> ''")
            .fetch_one(&mut *desk.app.store.read().await.unwrap())
            .await
            .unwrap();
        assert_eq!(plain.get::<i64, _>("n"), 0);
    })
    .await;
}

/// Numbers in a row, and a flood for a few victims from many networks.
#[tokio::test]
async fn pumping_ends_at_the_days_cap_and_a_flood_leaves_the_honest_alone() {
    on_each_engine("pumping", |store| async move {
        two_regions(&store).await;
        let desk = Desk::on(store, |config| config.limits.confirmation_texts_per_day = 40);
        for n in 0..150_u8 {
            let phone = format!("+1{}55501{:02}", 505 + u32::from(n) / 100, n % 100);
            sign_up::ask(&desk.app, &desk.wish(&phone, [10, 0, n, 0])).await.unwrap();
        }
        let count = |text: &'static str| {
            let store = desk.app.store.clone();
            async move { sqlx::query(text).fetch_one(&mut *store.read().await.unwrap()).await.unwrap().get::<i64, _>("n") }
        };
        assert_eq!(count("SELECT COUNT(*) AS n FROM letters").await, 40);
        let log = desk.app.store.staff_log(at("2026-03-01T00:00:00Z")).await.unwrap();
        assert_eq!(log.iter().filter(|entry| entry.kind == treebell::store::staff_log::StaffKind::SignUp).count(), 1, "told once: {log:?}");

        desk.clock.advance(TimeDelta::days(2));
        for n in 0..1500_u32 {
            let [_, _, high, low] = (n % 300).to_be_bytes();
            let wish = desk.wish(&format!("victim{}@example.org", n % 20), [10, 1 + high, low, 0]);
            sign_up::ask(&desk.app, &wish).await.unwrap();
        }
        assert_eq!(count("SELECT COUNT(*) AS n FROM letters WHERE channel = 'email'").await, 20, "one a victim and day");
        let log = desk.app.store.staff_log(at("2026-03-21T00:00:00Z")).await.unwrap();
        assert!(log.iter().any(|entry| entry.id.starts_with("sign-up/flood")), "{log:?}");
        for n in 0..50_u8 {
            sign_up::ask(&desk.app, &desk.wish(&format!("honest{n}@example.org"), [172, 16, n, 0])).await.unwrap();
        }
        assert_eq!(count("SELECT COUNT(*) AS n FROM letters WHERE channel = 'email'").await, 70, "each honest one is served");
    })
    .await;
}

#[tokio::test]
async fn known_unknown_and_stopped_addresses_get_the_same_answer() {
    on_each_engine("no enumeration", |store| async move {
        two_regions(&store).await;
        subscribe(&store, &["00101"], &["known@example.org", "stopped@example.org"]).await;
        say_stop(&store, &address("stopped@example.org"), "link", at("2026-03-01T00:00:00Z")).await;
        let desk = Desk::on(store, |_| {});
        for who in ["known@example.org", "stopped@example.org", "new@example.org"] {
            let asked = sign_up::ask(&desk.app, &desk.wish(who, [192, 0, 2, 0])).await.unwrap();
            assert_eq!(asked.ask.len(), 64, "{who}");
            let typed = confirm::by_code(&desk.app, &asked.ask, "000000").await.unwrap();
            assert!(!matches!(typed, Confirmed::Yes { .. }), "{who}");
        }
        assert_eq!(desk.kinds("known@example.org").await, ["confirm"]);
        assert_eq!(desk.kinds("stopped@example.org").await, Vec::<String>::new());
        assert_eq!(desk.kinds("new@example.org").await, ["confirm"]);
    })
    .await;
}

#[tokio::test]
async fn those_who_were_told_to_inspect_are_asked_once_and_their_answers_are_reports() {
    on_each_engine("follow-up", |store| async move {
        two_regions(&store).await;
        subscribe(&store, &["00101"], &["both@example.org", "+15055550150"]).await;
        subscribe(&store, &["00101"], &["mail@example.org"]).await;
        subscribe(&store, &["00101"], &["failed@example.org"]).await;
        subscribe(&store, &["00201"], &["elsewhere@example.org"]).await;
        let desk = Desk::on(store, |_| {});
        let mut new = super::notices::notice(
            treebell::season::NoticeKind::InspectNow,
            treebell::store::notices::NoticeRelease::Release,
        );
        new.decided_at = at("2026-03-20T16:00:00Z");
        new.expires_at = at("2026-04-20T16:00:00Z");
        desk.app.store.put_notice(&new, &super::notices::texts()).await.unwrap();
        let mut tx = desk.app.store.begin().await.unwrap();
        let key = tx_key(&desk, "failed@example.org");
        sqlx::query("UPDATE deliveries SET state = CASE WHEN address_id = $1 THEN 'failed' ELSE 'sent' END")
            .bind(key.as_str())
            .execute(tx.conn())
            .await
            .unwrap();
        tx.commit().await.unwrap();

        desk.clock.set(at("2026-03-29T16:00:00Z"));
        assert_eq!(follow_up::ask_due(&desk.app).await.unwrap(), 0, "too soon");
        desk.clock.set(at("2026-03-30T16:00:00Z"));
        assert_eq!(follow_up::ask_due(&desk.app).await.unwrap(), 2, "one a person");
        assert_eq!(follow_up::ask_due(&desk.app).await.unwrap(), 0, "once");
        assert_eq!(desk.kinds(PHONE).await, ["follow-up"]);
        assert_eq!(desk.kinds("both@example.org").await, Vec::<String>::new());

        // Looking behind the link changes nothing; what answers become, the checks of field reports say.
        let (_, body) = desk.letters("mail@example.org").await.pop().unwrap();
        let token: String = body.split_once("/seen/").unwrap().1.chars().take_while(char::is_ascii_hexdigit).collect();
        let question = follow_up::question(&desk.app, &token).await.unwrap().unwrap();
        assert_eq!((question.region.as_str(), question.answer, question.looked_on), ("north", None, None));
        let (first, last) = ("2026-01-01".parse().unwrap(), "2026-12-31".parse().unwrap());
        assert_eq!(desk.app.store.field_reports(None, first, last).await.unwrap(), []);
        assert_eq!(desk.text(PHONE, "1 lots of them").await, TextOutcome::Reported);
        assert_eq!(desk.kinds(PHONE).await, ["follow-up", "thanks"]);
        assert_eq!(desk.app.store.field_reports(None, first, last).await.unwrap().len(), 1);
    })
    .await;
}

fn tx_key(desk: &Desk, of: &str) -> AddressId {
    desk.app.store.address_hash().of(&address(of))
}

// Seen before there was a cap: 400 numbers that text anything had 400 answers sent and paid, ahead of the notices.
#[tokio::test]
async fn a_day_has_so_many_answers_to_texts_and_only_stops_of_subscribers_are_answered_beyond() {
    on_each_engine("the day's answers", |store| async move {
        two_regions(&store).await;
        subscribe(&store, &["00101"], &[PHONE]).await;
        let desk = Desk::on(store.clone(), |config| config.limits.answers_per_day = 3);
        let stranger = |n: usize| format!("+1505555{:04}", 160 + n);
        for n in 0..8 {
            desk.text(&stranger(n), "HELP").await;
        }
        let mut answered = 0;
        for n in 0..8 {
            answered += desk.letters(&stranger(n)).await.len();
        }
        assert_eq!(answered, 3);
        // What asks for something is done all the same: a stranger's stop holds, a subscriber's too, and that one is answered.
        assert_eq!(desk.text(&stranger(0), "STOP").await, TextOutcome::Stopped);
        assert_eq!(desk.kinds(&stranger(0)).await, ["help"]);
        assert_eq!(desk.text(PHONE, "STOP").await, TextOutcome::Stopped);
        assert_eq!(desk.kinds(PHONE).await, ["stopped"]);
        assert_eq!(desk.status(PHONE).await, Some(AddressStatus::Stopped));
        // Nobody who is not asked back is taken for somebody who asked.
        assert_eq!(desk.text(&stranger(1), "00101").await, TextOutcome::Silent);
        let told = store.staff_log(at("2026-03-01T00:00:00Z")).await.unwrap();
        assert_eq!(told.iter().filter(|entry| entry.id.starts_with("answers-used-up/")).count(), 1, "{told:?}");
        // A day later there is room again.
        desk.clock.advance(TimeDelta::days(1));
        desk.text(&stranger(5), "HELP").await;
        assert_eq!(desk.kinds(&stranger(5)).await, ["help"]);
    })
    .await;
}

#[tokio::test]
async fn answers_to_texts_leave_at_any_hour_and_after_every_notice() {
    on_each_engine("the turn of answers", |store| async move {
        two_regions(&store).await;
        let desk = Desk::on(store.clone(), |_| {});
        desk.text("+15055550161", "HELP").await;
        desk.text("+15055550162", "Join 00101").await;
        sign_up::ask(&desk.app, &desk.wish("+15055550163", [192, 0, 2, 1])).await.unwrap();
        let rows = sqlx::query(
            "SELECT l.kind, d.priority, d.any_hour FROM deliveries d JOIN letters l ON l.id = d.letter_id \
             ORDER BY d.created_at, d.priority DESC",
        )
        .fetch_all(&mut *store.read().await.unwrap())
        .await
        .unwrap();
        let turns: Vec<(String, i64, i64)> =
            rows.iter().map(|row| (row.get("kind"), row.get("priority"), row.get("any_hour"))).collect();
        let turn = |kind: &str, priority| (kind.to_owned(), priority, 1);
        // Notices have 0 to 3. Who waits on a page for a code is one of a few and has it at once.
        assert_eq!(turns, [turn("help", 4), turn("confirm", 4), turn("confirm", -1)]);
    })
    .await;
}
