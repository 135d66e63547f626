//! Who was erased is gone: from every table, from the bytes of the files, from the logs of the program; and is still
//! never written to. The canaries are addresses that stand nowhere else.

use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use async_trait::async_trait;
use chrono::TimeDelta;
use futures::FutureExt;
use mailparse::MailHeaderMap;
use sqlx::Row;
use treebell::clock::Clock;
use treebell::config::Config;
use treebell::delivery::attempt::Reference;
use treebell::delivery::state::Report;
use treebell::dispatch::bounces;
use treebell::dispatch::channels::{Outgoing, Receipt, SendFailure, Transport};
use treebell::dispatch::personalise::AsWritten;
use treebell::dispatch::{Channels, Dispatcher};
use treebell::people::{Channel, Language};
use treebell::season::NoticeKind;
use treebell::service::alarms::{AlarmKeeper, AlarmParts, Process};
use treebell::service::daemon::{self, Outside};
use treebell::service::follow_up;
use treebell::service::subscribe::tokens;
use treebell::service::subscribe::tokens::Purpose;
use treebell::service::subscribe::{preference_link, preferences, sign_up, stop};
use treebell::service::texts::TextOutcome;
use treebell::store::notices::delivery_id;
use treebell::store::staff_log::StaffKind;
use treebell::store::stops::Stopped;
use treebell::store::{Conflict, Store, StoreError};
use treebell::weather::fetch::Fetcher;

use super::inbound::Desk;
use super::notices::{notice, texts};
use super::{address, say_stop, subscriber, two_regions};
use crate::delivery::plain_config;
use crate::engines::{at_each_address, every_row};
use crate::support::{http, open_store};
use crate::web::sign_up::value_of;

/// A subscriber with both kinds of address, and two people who only asked.
const BIRD: &str = "Canary.Bird@example.org";
const BIRD_PHONE: &str = "+15055550177";
const WISH: &str = "canary.wish@example.org";
const WISH_PHONE: &str = "+15055550178";
const CANARIES: [&str; 4] = ["canary.bird", "canary.wish", "5055550177", "5055550178"];

/// Tables and files in which a canary stands.
async fn found(store: &Store, address: &str) -> Vec<String> {
    let mut found = Vec::new();
    let holds = |text: &str| CANARIES.iter().any(|canary| text.to_lowercase().contains(canary));
    for (table, rows) in every_row(store).await {
        found.extend(rows.iter().find(|row| holds(row)).map(|row| format!("{table}: {row}")));
    }
    found.extend(in_files(address));
    found
}

/// Files of a store, its log included, in which a canary stands.
fn in_files(address: &str) -> Vec<String> {
    let Some(path) = address.strip_prefix("sqlite:") else { return Vec::new() };
    let files = ["", "-wal", "-journal"].map(|side| format!("{path}{side}"));
    let read = files.iter().filter_map(|file| Some((file, std::fs::read(file).ok()?)));
    read.filter_map(|(file, bytes)| {
        let text = String::from_utf8_lossy(&bytes).to_lowercase();
        let canary = CANARIES.iter().find(|canary| text.contains(**canary))?;
        Some(format!("{file}: {canary}"))
    })
    .collect()
}

/// A service that has written to the canaries, heard from them, and knows of them whatever can be known, among other
/// people enough that pages of the file were split and merged.
struct House {
    desk: Desk,
    transport: Arc<Echo>,
}

/// Takes everything, and makes its reference of the address.
#[derive(Default)]
struct Echo {
    taken: Mutex<Vec<String>>,
}

#[async_trait]
impl Transport for Echo {
    async fn send(&self, outgoing: &Outgoing) -> Result<Receipt, SendFailure> {
        self.taken.lock().unwrap().push(outgoing.to.clone());
        Ok(Receipt { provider_ref: Some(format!("for {}", outgoing.to)) })
    }
}

impl House {
    async fn with_canaries(store: &Store) -> Self {
        two_regions(store).await;
        let desk = Desk::on(store.clone(), |_| {});
        let transport = Arc::new(Echo::default());
        let house = Self { desk, transport };
        house.others(0..150).await;
        let new = subscriber(&["00101", "00399"], &[BIRD, BIRD_PHONE], Language::En);
        store.add_subscriber(&new, house.now()).await.unwrap();
        house.others(150..300).await;
        for (who, network) in [(WISH, [192, 0, 2, 0]), (WISH_PHONE, [198, 51, 100, 0])] {
            sign_up::ask(&house.desk.app, &house.desk.wish(who, network)).await.unwrap();
        }
        house.others(300..450).await;
        // A ZIP code that waits for its region, the transactional messages of the phone, the link of the mailbox.
        assert_eq!(house.desk.text(BIRD_PHONE, "00398").await, TextOutcome::Extended);
        assert_eq!(house.desk.text(BIRD_PHONE, "HELP").await, TextOutcome::Helped);
        house.desk.text(BIRD_PHONE, &format!("call me at {BIRD_PHONE} or {BIRD}")).await;
        preferences::send_link(&house.desk.app, &address(BIRD)).await.unwrap();
        // A notice, refused for the mailbox by a server that repeats the address, taken for the phone by a gateway that
        // makes its reference of the number, with reports of both; then the question ten days later.
        let mut new = notice(NoticeKind::InspectNow, treebell::store::notices::NoticeRelease::Release);
        (new.decided_at, new.expires_at) = (house.now(), house.now() + TimeDelta::days(30));
        store.put_notice(&new, &texts()).await.unwrap();
        house.dispatcher().drain_due().await.unwrap();
        let number = Reference::Provider("for +15055550177");
        store.apply_report(Channel::Sms, number, Report::Delivered, house.now()).await.unwrap();
        house.desk.clock.advance(TimeDelta::days(10));
        assert!(follow_up::ask_due(&house.desk.app).await.unwrap() > 0);
        house.bounce().await;
        house.plant().await;
        house
    }

    fn now(&self) -> chrono::DateTime<chrono::Utc> {
        self.desk.clock.now()
    }

    fn dispatcher(&self) -> Dispatcher {
        let clock: Arc<dyn Clock> = self.desk.clock.clone();
        let channels = Channels::both(self.transport.clone());
        let store = self.desk.app.store.clone();
        let stop = stop::personaliser(&"https://pinyon.example.org".into(), store.address_hash().clone());
        Dispatcher::new(store, clock, channels, &plain_config(), Arc::new(stop))
    }

    /// Looks for alarms, as every process does.
    fn keeper(&self) -> AlarmKeeper {
        let (app, disks) = (self.desk.app.clone(), AlarmParts::default().disks);
        AlarmKeeper::new(app, Channels::default(), disks, Process::after_work("once"))
    }

    async fn others(&self, numbers: std::ops::Range<usize>) {
        for number in numbers {
            let new = subscriber(&["00101"], &[&format!("neighbor{number}@example.org")], Language::En);
            self.desk.app.store.add_subscriber(&new, self.now()).await.unwrap();
        }
    }

    /// The notice's mail comes back, with the address in the server's words.
    async fn bounce(&self) {
        let key = self.desk.app.store.address_hash().of(&address(BIRD));
        let row = sqlx::query("SELECT id FROM deliveries WHERE address_id = $1 AND notice_id IS NOT NULL")
            .bind(key.as_str())
            .fetch_one(&mut *self.desk.app.store.read().await.unwrap())
            .await
            .unwrap();
        let id: String = row.get("id");
        let report = format!(
            "Content-Type: multipart/report; report-type=delivery-status; boundary=x\r\n\r\n\
             --x\r\nContent-Type: message/delivery-status\r\n\r\n\
             Reporting-MTA: dns; relay.example.org\r\n\r\n\
             Final-Recipient: rfc822; {BIRD}\r\nAction: failed\r\nStatus: 5.2.2\r\n\
             Diagnostic-Code: smtp; 552 5.2.2 <{BIRD}> mailbox of {BIRD_PHONE} (+1 505 555 0177) is full\r\n\r\n\
             --x\r\nContent-Type: message/rfc822\r\n\r\nMessage-ID: <{id}@treebell>\r\nTo: {BIRD}\r\n\r\n--x--\r\n"
        );
        let booked = bounces::take(&self.desk.app.store, report.as_bytes(), 3, self.now()).await.unwrap();
        assert!(matches!(booked, bounces::BounceOutcome::Booked(_)), "{booked:?}");
    }

    /// What an older release or a strange server may have left wherever words of servers are kept.
    async fn plant(&self) {
        let mut tx = self.desk.app.store.begin().await.unwrap();
        for (who, text) in [
            (BIRD, "UPDATE deliveries SET last_error = '550 no such user canary.bird@example.org' WHERE address_id = $1"),
            (BIRD_PHONE, "UPDATE deliveries SET last_error = '5055550177 is unknown' WHERE address_id = $1"),
            (
                BIRD,
                "INSERT INTO attempts (delivery_id, fence, channel, started_at, detail)
                 SELECT id, 99, channel, 1, '550 no such user canary.bird@example.org' FROM deliveries WHERE address_id = $1",
            ),
            (
                WISH,
                "INSERT INTO attempts (delivery_id, fence, channel, started_at, detail)
                 SELECT id, 99, channel, 1, '451 not now, canary.wish@example.org' FROM deliveries WHERE address_id = $1",
            ),
        ] {
            let key = self.desk.app.store.address_hash().of(&address(who));
            let done = sqlx::query(text).bind(key.as_str()).execute(tx.conn()).await.unwrap();
            assert!(done.rows_affected() > 0, "{text}");
        }
        tx.commit().await.unwrap();
    }

    /// Whatever others do now, nothing is written to the canaries; what the owner of a phone does is theirs.
    async fn nothing_is_written_to_them(&self) {
        let store = &self.desk.app.store;
        self.desk.clock.advance(TimeDelta::days(2));
        self.dispatcher().drain_due().await.unwrap();
        let before = self.transport.taken.lock().unwrap().len();
        for (who, network) in [(BIRD, 1), (BIRD_PHONE, 2), (WISH, 3), (WISH_PHONE, 4)] {
            sign_up::ask(&self.desk.app, &self.desk.wish(who, [203, 0, network, 0])).await.unwrap();
            let refused = store.add_subscriber(&subscriber(&["00101"], &[who], Language::En), self.now()).await;
            assert!(matches!(refused, Err(StoreError::Conflict(Conflict::Suppressed { .. }))), "{refused:?}");
            preferences::send_link(&self.desk.app, &address(who)).await.unwrap();
        }
        for number in [BIRD_PHONE, WISH_PHONE] {
            assert_eq!(self.desk.text(number, "START").await, TextOutcome::Silent, "one word subscribes nobody");
            assert_eq!(self.desk.text(number, "YES").await, TextOutcome::Silent);
            assert_eq!(self.desk.text(number, "HELP").await, TextOutcome::Silent);
        }
        let mut new = notice(NoticeKind::LastDaysToWash, treebell::store::notices::NoticeRelease::Release);
        (new.decided_at, new.expires_at) = (self.now(), self.now() + TimeDelta::days(7));
        store.put_notice(&new, &texts()).await.unwrap();
        self.dispatcher().drain_due().await.unwrap();
        let written = self.transport.taken.lock().unwrap().split_off(before);
        assert!(written.len() >= 400, "the others are told: {}", written.len());
        let to_them = written.iter().find(|to| CANARIES.iter().any(|canary| to.to_lowercase().contains(canary)));
        assert_eq!(to_them, None);
        let told = store.staff_log(self.now() - TimeDelta::days(1)).await.unwrap();
        assert!(told.iter().any(|entry| entry.text.contains("unless they text their ZIP code")), "{told:?}");
        // The owner of the phone who asks from it is asked back, and subscribed by nothing but their YES.
        assert_eq!(self.desk.text(BIRD_PHONE, "00101").await, TextOutcome::Asked);
        assert!(store.subscriber_of(&address(BIRD_PHONE)).await.unwrap().is_none());
        assert_eq!(self.desk.text(BIRD_PHONE, "YES").await, TextOutcome::Confirmed);
    }
}

#[tokio::test]
async fn an_erased_person_is_gone_from_every_table_and_file_and_never_written_to() {
    at_each_address("erasure", |store_address| async move {
        let store = open_store(&store_address).await.unwrap();
        let house = House::with_canaries(&store).await;
        // What staff were told of the mail that came back is gathered when the day is over, with the delivery's id in it.
        let key = store.address_hash().of(&address(BIRD));
        let row = sqlx::query("SELECT id FROM deliveries WHERE address_id = $1 AND notice_id IS NOT NULL")
            .bind(key.as_str())
            .fetch_one(&mut *store.read().await.unwrap())
            .await
            .unwrap();
        let bounced: String = row.get("id");
        let (fact, text) = (format!("address-dead/{bounced}"), format!("given up (delivery {bounced})"));
        store.tell_staff(&fact, None, StaffKind::AddressUndeliverable, &text, house.now()).await.unwrap();
        house.desk.clock.advance(TimeDelta::days(1));
        house.keeper().look().await;
        let full = every_row(&store).await;
        assert!(full["alarms"].iter().any(|row| row.contains(&bounced)), "{:?}", full["alarms"]);
        let hold = |table: &str| full[table].iter().any(|row| CANARIES.iter().any(|c| row.to_lowercase().contains(c)));
        for table in ["addresses", "confirmations", "letters", "deliveries", "attempts", "delivery_reports"] {
            assert!(hold(table), "the search itself works: {table}");
        }
        for table in ["zip_waits", "follow_ups", "asks", "inbound", "consents", "consent_words"] {
            assert!(!full[table].is_empty(), "{table}");
        }

        let now = house.now();
        let phone = store.address_hash().of(&address(BIRD_PHONE));
        let link = || preference_link::make(store.address_hash(), &phone, house.now());
        let old_link = link();
        assert_eq!(preference_link::open(&house.desk.app, &old_link).await.unwrap(), Some(phone.clone()));
        let removed = store.remove_subscriber(&address(BIRD_PHONE), "asked by letter", now).await.unwrap();
        assert_eq!(removed.addresses, 2, "{removed:?}");
        for who in [WISH, WISH_PHONE] {
            let removed = store.remove_subscriber(&address(who), "asked by letter", now).await.unwrap();
            assert_eq!(removed, Stopped::default(), "{who}");
        }
        // As the service does at its next cycle.
        store.rewrite_after_erasures(now).await.unwrap();
        assert_eq!(found(&store, &store_address).await, Vec::<String>::new());
        for who in [BIRD, BIRD_PHONE, WISH, WISH_PHONE] {
            let again = store.remove_subscriber(&address(who), "asked by letter", now).await;
            assert!(matches!(again, Err(StoreError::Conflict(Conflict::UnknownAddress { .. }))), "{again:?}");
        }
        assert_eq!(store.subscribers(None).await.unwrap().len(), 450);
        let rows = every_row(&store).await;
        // As a whole value: five digits in a row stand in ids as well.
        let is_theirs = |row: &str| {
            row.split(|sign: char| !sign.is_ascii_alphanumeric()).any(|of| ["00399", "00398"].contains(&of))
        };
        let homes = |table: &str| rows[table].iter().filter(|row| is_theirs(row)).count();
        assert_eq!((homes("zip_waits"), homes("subscriber_zips")), (0, 0), "where their trees stood");
        // Nothing stands under their hashes, nor under keys that are made of them, but that they are never written to and why.
        for who in [BIRD, BIRD_PHONE, WISH, WISH_PHONE] {
            let key = store.address_hash().of(&address(who));
            let under: Vec<&String> = rows
                .iter()
                .filter(|(_, rows)| rows.iter().any(|row| row.contains(key.as_str())))
                .map(|(table, _)| table)
                .collect();
            assert_eq!(under, ["consents", "suppressions"], "{who}");
            let told = full["notices"].iter().filter_map(|row| row.split("id=Some(\"").nth(1)?.split('"').next());
            for notice in told {
                let delivery = delivery_id(&notice.into(), &key);
                let there = rows.iter().find(|(_, rows)| rows.iter().any(|row| row.contains(&delivery)));
                assert_eq!(there, None, "{who}, {notice}");
            }
        }
        assert_eq!(rows["deliveries"].len(), full["deliveries"].len(), "what went out is counted");
        let wishes = |rows: &[String]| rows.iter().filter(|row| row.contains("zips=Some(\"[\\\"00")).count();
        assert_eq!(
            (wishes(&full["confirmations"]), wishes(&rows["confirmations"])),
            (2, 0),
            "where they wished to be told"
        );
        assert!(rows["consents"].iter().filter(|row| row.contains("erased")).all(|row| row.contains("ip_hash=None")));
        house.nothing_is_written_to_them().await;
        // The phone has signed up again since: whoever holds a link from before is not let in.
        assert_eq!(preference_link::open(&house.desk.app, &old_link).await.unwrap(), None);
        assert_eq!(preference_link::open(&house.desk.app, &link()).await.unwrap(), Some(phone.clone()));
        store.close().await;
    })
    .await;
}

/// By the button of one's own page, and by the stop link of a request that somebody else caused.
#[tokio::test]
async fn who_erases_themselves_on_their_page_is_as_gone() {
    at_each_address("erasure by the page", |store_address| async move {
        let store = open_store(&store_address).await.unwrap();
        let house = House::with_canaries(&store).await;
        let world = crate::web::support::World::on(store.clone(), |_| {});
        let link = |purpose, who: &str| {
            let (hash, key) = (store.address_hash(), store.address_hash().of(&address(who)));
            match purpose {
                Purpose::Preferences => preference_link::make(hash, &key, world.app.clock.now()),
                _ => tokens::make(hash, purpose, key.as_str()),
            }
        };
        let page = format!("/preferences/{}", link(Purpose::Preferences, BIRD));
        assert_eq!(world.post(&page, &[("action", "erase"), ("sure", "yes")]).await.status, 200);
        for who in [WISH, WISH_PHONE] {
            assert_eq!(world.post(&format!("/stop/{}", link(Purpose::Stop, who)), &[]).await.status, 200);
        }
        // What was not sent to those who only asked is forgotten within a day of its end.
        house.desk.clock.advance(TimeDelta::hours(25));
        store.erase_ended_transactional(house.now()).await.unwrap();
        store.rewrite_after_erasures(house.now()).await.unwrap();
        assert_eq!(found(&store, &store_address).await, Vec::<String>::new());
        house.nothing_is_written_to_them().await;
        store.close().await;
    })
    .await;
}

/// Nobody asks for anything: a month after a stop, and a week after a request that was never confirmed, the service
/// itself has forgotten them.
#[tokio::test]
async fn after_the_time_of_keeping_the_service_has_forgotten_by_itself() {
    at_each_address("retention", |store_address| async move {
        let store = open_store(&store_address).await.unwrap();
        let house = House::with_canaries(&store).await;
        // Of a message that nobody knows: it is never joined to anybody.
        let unknown = Reference::Provider("sent to 5055550178");
        store.apply_report(Channel::Sms, unknown, Report::Delivered, house.now()).await.unwrap();
        assert_eq!(house.desk.text(BIRD_PHONE, "STOP").await, TextOutcome::Stopped);
        say_stop(&store, &address(BIRD), "stop link", house.now()).await;
        let cycle = async || {
            // The clock stands still, so what paces would hold back is sent first.
            house.dispatcher().drain_due().await.unwrap();
            let clock: Arc<dyn Clock> = house.desk.clock.clone();
            let outside = Outside {
                fetcher: Fetcher::new(&Config::default().feeds, clock, store.randomness().clone()).unwrap(),
                channels: Channels::both(house.transport.clone()),
                personaliser: Arc::new(AsWritten),
                alarms: Default::default(),
                starter: None,
                servers: Vec::new(),
            };
            let never = std::future::pending().boxed();
            daemon::once(&house.desk.app, outside, Duration::ZERO, never).await.unwrap();
        };
        cycle().await;
        // After so long a pause, which may be the clock's, nothing is taken away before the next cycle.
        let count =
            async || (every_row(&store).await["confirmations"].len(), store.subscribers(None).await.unwrap().len());
        let before = count().await;
        house.desk.clock.advance(TimeDelta::days(8));
        cycle().await;
        assert_eq!(count().await, before);
        cycle().await;
        let left = found(&store, &store_address).await;
        let rows = left.iter().filter(|at| !at.contains(".sqlite"));
        assert!(rows.clone().count() > 0 && rows.clone().all(|at| !at.contains("canary.wish")), "{left:?}");
        let letters = rows.clone().filter(|at| at.starts_with("letters") || at.starts_with("confirmations"));
        assert_eq!(letters.count(), 0, "{left:?}");
        // All that was written because of a request is gone with it, but the marks that limits are kept by.
        let all = every_row(&store).await;
        for who in [WISH, WISH_PHONE] {
            let key = store.address_hash().of(&address(who));
            let under: Vec<&String> = all
                .iter()
                .filter(|(_, rows)| rows.iter().any(|row| row.contains(key.as_str())))
                .map(|at| at.0)
                .collect();
            assert_eq!(under, ["asks"], "{who}");
        }
        house.desk.clock.advance(TimeDelta::days(23));
        cycle().await;
        cycle().await;
        assert_eq!(found(&store, &store_address).await, Vec::<String>::new());
        // A sign-up request that was not confirmed is no stop: those may ask again.
        for (who, held) in [(BIRD, true), (BIRD_PHONE, true), (WISH, false)] {
            let taken = store.add_subscriber(&subscriber(&["00101"], &[who], Language::En), house.now()).await;
            assert_eq!(taken.is_err(), held, "{who}: {taken:?}");
        }
        store.close().await;
    })
    .await;
}

/// Rows are moved from page to page as others come and go, and SQLite leaves copies behind. Many people, so that some copies
/// are left for certain.
#[tokio::test]
async fn nothing_of_who_was_erased_stays_in_unused_bytes_of_the_file() {
    let folder = tempfile::tempdir().unwrap();
    let store_address = format!("sqlite:{}", folder.path().join("pages.sqlite").display());
    let store = open_store(&store_address).await.unwrap();
    two_regions(&store).await;
    let mut now = chrono::DateTime::parse_from_rfc3339("2031-03-01T12:00:00Z").unwrap().to_utc();
    let (leaves, stays) = (|n| format!("canary.wish{n}@example.org"), |n| format!("neighbor{n}@example.org"));
    for n in 0..300 {
        for address in [leaves(n), stays(n)] {
            store.add_subscriber(&subscriber(&["00101"], &[&address], Language::En), now).await.unwrap();
        }
    }
    for n in 0..300 {
        store.remove_subscriber(&address(&leaves(n)), "asked by letter", now).await.unwrap();
    }
    assert_ne!(in_files(&store_address), Vec::<String>::new(), "else this check sees nothing");
    now += TimeDelta::hours(1);
    assert!(store.rewrite_after_erasures(now).await.unwrap());
    assert_eq!(in_files(&store_address), Vec::<String>::new());
    assert_eq!(store.subscribers(None).await.unwrap().len(), 300);
    // Once is enough, until somebody else is erased.
    assert!(!store.rewrite_after_erasures(now + TimeDelta::hours(1)).await.unwrap());
    store.remove_subscriber(&address(&stays(0)), "asked by letter", now + TimeDelta::hours(2)).await.unwrap();
    assert!(!store.rewrite_after_erasures(now + TimeDelta::hours(3)).await.unwrap(), "once a day");
    assert!(store.rewrite_after_erasures(now + TimeDelta::hours(25)).await.unwrap());
}

/// The built program with its most talkative log.
struct Program {
    folder: tempfile::TempDir,
    child: Child,
    site: String,
}

impl Program {
    fn start() -> Self {
        let folder = tempfile::tempdir().unwrap();
        // Free now, and most likely still when the program asks for it.
        let site = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().to_string();
        std::fs::write(folder.path().join("hook-path"), "s3cret-path-0042").unwrap();
        std::fs::write(
            folder.path().join("treebell.toml"),
            format!(
                "[store]\naddress = \"sqlite:treebell.sqlite\"\n[feeds]\ncontact = \"test@example.org\"\n\
                 [messages]\npublic_url = \"http://{site}\"\n[web]\nlisten = \"{site}\"\n\
                 [email]\nfolder = \"outbox\"\n[sms]\nfolder = \"outbox\"\n\
                 [hooks]\npath = {{ file = \"hook-path\" }}\n[log]\nlevel = \"trace\"\n"
            ),
        )
        .unwrap();
        let made = Command::new(assert_cmd::cargo::cargo_bin!("treebell"))
            .current_dir(folder.path())
            .args(["store", "init"])
            .output()
            .unwrap();
        assert!(made.status.success(), "{}", String::from_utf8_lossy(&made.stderr));
        let log = std::fs::File::create(folder.path().join("log")).unwrap();
        let child = Command::new(assert_cmd::cargo::cargo_bin!("treebell"))
            .current_dir(folder.path())
            .args(["--config", "treebell.toml", "run"])
            .stdout(log.try_clone().unwrap())
            .stderr(log)
            .spawn()
            .unwrap();
        let program = Self { folder, child, site };
        program.waits_for("its pages", || std::net::TcpStream::connect(&program.site).ok());
        program
    }

    fn waits_for<T>(&self, what: &str, look: impl Fn() -> Option<T>) -> T {
        let begun = std::time::Instant::now();
        loop {
            if let Some(found) = look() {
                return found;
            }
            assert!(begun.elapsed() < Duration::from_secs(60), "{what}: {}", self.log());
            std::thread::sleep(Duration::from_millis(50));
        }
    }

    fn log(&self) -> String {
        std::fs::read_to_string(self.folder.path().join("log")).unwrap()
    }

    fn post(&self, page: &str, form: &[(&str, &str)]) -> u16 {
        http(&self.site, "POST", page, form).status
    }

    fn text(&self, from: &str, words: &str) {
        let call = url::form_urlencoded::Serializer::new(String::new())
            .append_pair("from", from)
            .append_pair("text", words)
            .finish();
        assert_eq!(http(&self.site, "GET", &format!("/hooks/s3cret-path-0042/text?{call}"), &[]).status, 200);
    }

    /// A message to an address that says this, from the outbox.
    fn message(&self, to: &str, says: &str) -> String {
        let find = || {
            let entries = std::fs::read_dir(self.folder.path().join("outbox")).ok()?;
            let texts = entries.filter_map(|entry| {
                let raw = std::fs::read(entry.ok()?.path()).ok()?;
                let mail = mailparse::parse_mail(&raw).ok()?;
                let plain = mail.subparts.first().and_then(|part| part.get_body().ok());
                let addressee = mail.headers.get_first_value("To").unwrap_or_default();
                let whole = || String::from_utf8_lossy(&raw).into_owned();
                let all = plain.map_or_else(whole, |plain| format!("{addressee}\n{plain}"));
                (all.contains(to) && all.contains(says)).then_some(all)
            });
            texts.into_iter().next()
        };
        self.waits_for(says, find)
    }

    fn command(&self, args: &[&str]) -> std::process::Output {
        let mut command = Command::new(assert_cmd::cargo::cargo_bin!("treebell"));
        command.current_dir(self.folder.path()).args(["--config", "treebell.toml"]).args(args);
        command.stdin(Stdio::null()).output().unwrap()
    }
}

impl Drop for Program {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn files_of(folder: &Path) -> Vec<String> {
    in_files(&format!("sqlite:{}", folder.join("treebell.sqlite").display()))
}

/// Everything a person can do, through the pages and webhooks of the built program; then one is erased by the command
/// while the service runs, one on their page. Neither the files nor the log at its most talkative know them.
#[test]
fn the_program_leaves_no_trace_of_who_was_erased_in_its_files_and_logs() {
    let mut program = Program::start();
    let token = |page: &str| value_of(&http(&program.site, "GET", page, &[]).body, "token");
    let (sign_up, links) = (token("/sign-up"), token("/preferences"));
    let fields = [("zip", "00101"), ("email", "canary.bird@example.org"), ("token", &sign_up)];
    // A person takes two seconds to fill the form in.
    program.waits_for("the form is taken", || (program.post("/sign-up", &fields) == 200).then_some(()));
    program.post("/sign-up", &[("zip", "00101"), ("phone", WISH_PHONE), ("token", &sign_up)]);
    program.post("/sign-up", &[("zip", "00101"), ("email", "canary.wish@@example.org"), ("token", &sign_up)]);
    program.post("/sign-up", &[("zip", "00101"), ("email", "canary.wish@example.org"), ("token", &sign_up)]);
    let path_in = |words: &str, page: &str| {
        let at = words.find(&format!("/{page}/")).unwrap_or_else(|| panic!("{page}: {words}"));
        words[at..].split(|c: char| c.is_whitespace() || c == ')' || c == '>').next().unwrap().to_owned()
    };
    let confirm = path_in(&program.message("canary.bird@example.org", "/confirm/"), "confirm");
    assert_eq!(program.post(&confirm, &[]), 200);
    let preferences = path_in(&program.message("canary.bird@example.org", "/preferences/"), "preferences");
    assert_eq!(program.post(&preferences, &[("action", "add"), ("zip", "00399")]), 303);
    assert_eq!(program.post("/preferences", &[("email", "canary.bird@example.org"), ("token", &links)]), 200);
    program.post("/confirm", &[("phone", WISH_PHONE), ("code", "000000")]);
    for words in ["00101", "YES", "HELP", "I am canary.bird@example.org, 505 555 0177", "STOP", "START", "2"] {
        program.text(BIRD_PHONE, words);
    }
    program.text("12345", "STOP");
    http(&program.site, "GET", "/hooks/s3cret-path-0042/report?id=4711&status=1&to=15055550177", &[]);
    http(&program.site, "POST", "/hooks/s3cret-path-0042/bounce", &[("mail", "for canary.bird@example.org")]);
    http(&program.site, "GET", "/nowhere/canary.bird@example.org?phone=5055550177", &[]);
    assert!(!files_of(program.folder.path()).is_empty(), "the search itself works");

    for who in [BIRD_PHONE, WISH_PHONE, WISH] {
        let done = program.command(&["subscriber", "erase", who]);
        let said = format!("{}{}", String::from_utf8_lossy(&done.stdout), String::from_utf8_lossy(&done.stderr));
        assert!(done.status.success() && !CANARIES.iter().any(|canary| said.contains(canary)), "{who}: {said}");
    }
    assert_eq!(program.post(&preferences, &[("action", "erase"), ("sure", "yes")]), 200);
    let left = program.command(&["subscriber", "list", "--show"]);
    assert!(!String::from_utf8_lossy(&left.stdout).to_lowercase().contains("canary"));
    assert_eq!(files_of(program.folder.path()), Vec::<String>::new(), "while it runs");
    Command::new("kill").args(["-TERM", &program.child.id().to_string()]).status().unwrap();
    assert!(program.child.wait().unwrap().success());
    assert_eq!(files_of(program.folder.path()), Vec::<String>::new(), "after its end");
    let log = program.log();
    assert!(log.contains("a text came in") && log.contains("somebody asked to be told"), "{log}");
    for canary in CANARIES.iter().chain(&["555 0177", "s3cret-path-0042"]) {
        let at = log.to_lowercase().find(canary);
        assert!(at.is_none(), "{canary}: {}", log.get(at.unwrap_or(0).saturating_sub(300)..).unwrap_or_default());
    }
}
