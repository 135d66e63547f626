//! Reports of undelivered mail: what they do to a delivery and to an address, and the command for a mail server's pipe.

use std::io::Write;
use std::process::{Command, Stdio};
use std::sync::Arc;

use treebell::delivery::attempt::{AddressFault, AttemptOutcome};
use treebell::delivery::bounce_report::BounceKind;
use treebell::delivery::state::DeliveryState;
use treebell::dispatch::Channels;
use treebell::dispatch::bounces;
use treebell::dispatch::bounces::BounceOutcome;
use treebell::dispatch::channels::smtp::SmtpTransport;
use treebell::people::Channel;
use treebell::store::Store;
use treebell::store::bounces::Bounced;

use super::queue::claim_one;
use super::smtp::{Act, Point, SmtpServer};
use super::{NOON, Seed, World, at, rows};
use crate::engines::on_each_engine;
use crate::support::open_store;

/// A report in the form that Postfix gives it (RFC 3464).
pub fn report(key: &str, status: &str) -> String {
    format!(
        "From: MAILER-DAEMON@relay.example.org\r\nTo: treebell@example.org\r\nSubject: Undelivered Mail Returned to Sender\r\n\
         MIME-Version: 1.0\r\nContent-Type: multipart/report; report-type=delivery-status;\r\n\tboundary=\"4Zx/relay\"\r\n\r\n\
         --4Zx/relay\r\nContent-Description: Notification\r\nContent-Type: text/plain; charset=us-ascii\r\n\r\nSorry.\r\n\r\n\
         --4Zx/relay\r\nContent-Description: Delivery report\r\nContent-Type: message/delivery-status\r\n\r\n\
         Reporting-MTA: dns; relay.example.org\r\nX-Postfix-Queue-ID: 4Zx\r\n\r\n\
         Final-Recipient: rfc822; owner0@example.org\r\nAction: failed\r\nStatus: {status}\r\n\
         Diagnostic-Code: smtp; 550 {status} <owner0@example.org>: refused\r\n\r\n\
         --4Zx/relay\r\nContent-Description: Undelivered Message\r\nContent-Type: message/rfc822\r\n\r\n\
         From: Treebell <treebell@example.org>\r\nMessage-ID: <{key}@example.org>\r\nSubject: s\r\n\r\nLook.\r\n--4Zx/relay--\r\n"
    )
}

/// A mail for each region to the one address, not yet sent.
async fn put_mails(store: &Store, regions: &[&'static str]) -> Vec<String> {
    let mut keys = Vec::new();
    for region in regions {
        keys.extend(Seed { region, ..Seed::new(Channel::Email, 1) }.put(store).await);
    }
    keys
}

pub async fn sent_mails(store: &Store, regions: &[&'static str]) -> Vec<String> {
    let keys = put_mails(store, regions).await;
    World::new(store.clone(), []).dispatcher().drain_due().await.unwrap();
    keys
}

async fn take(store: &Store, key: &str, status: &str) -> BounceOutcome {
    bounces::take(store, report(key, status).as_bytes(), 3, at(NOON)).await.unwrap()
}

fn booked(key: &str, deactivated: bool) -> BounceOutcome {
    BounceOutcome::Booked(Bounced { delivery: key.to_owned(), deactivated })
}

#[tokio::test]
async fn an_address_is_given_up_after_as_many_mails_as_the_settings_say_and_staff_are_told_once() {
    on_each_engine("bounces for good", |store| async move {
        let keys = sent_mails(&store, &["north", "south", "east", "west"]).await;
        assert_eq!(take(&store, &keys[0], "5.2.1").await, booked(&keys[0], false));
        // The same report again counts once.
        assert_eq!(take(&store, &keys[0], "5.2.1").await, booked(&keys[0], false));
        assert_eq!(take(&store, &keys[1], "5.2.2").await, booked(&keys[1], false), "a full mailbox is no dead one");
        assert_eq!(take(&store, &keys[2], "5.2.1").await, booked(&keys[2], false));
        assert!(store.staff_log(at(NOON)).await.unwrap().is_empty());
        assert_eq!(take(&store, &keys[3], "5.4.4").await, booked(&keys[3], true));
        let told = store.staff_log(at(NOON)).await.unwrap();
        assert_eq!(told.len(), 1);
        assert!(told[0].text.contains("5.4.4") && !told[0].text.contains("owner0"), "{}", told[0].text);
        for row in rows(&store).await.values() {
            assert_eq!(row.standing.state, DeliveryState::Bounced);
            assert!(!row.last_error.clone().unwrap().contains("owner0@"), "{:?}", row.last_error);
        }
        // Nothing more is written to it.
        let late = Seed { region: "late", ..Seed::new(Channel::Email, 1) }.put(&store).await.remove(0);
        World::new(store.clone(), []).dispatcher().drain_due().await.unwrap();
        assert_eq!(rows(&store).await[&late].standing.state, DeliveryState::Cancelled);
    })
    .await;
}

#[tokio::test]
async fn no_such_mailbox_is_enough_once() {
    on_each_engine("no such mailbox", |store| async move {
        let keys = sent_mails(&store, &["north"]).await;
        assert_eq!(take(&store, &keys[0], "5.1.1").await, booked(&keys[0], true));
        assert_eq!(
            take(&store, &keys[0], "5.1.1").await,
            booked(&keys[0], false),
            "a second report buries nobody twice"
        );
        assert_eq!(store.staff_log(at(NOON)).await.unwrap().len(), 1);
    })
    .await;
}

/// As [`put_mails`], then through a relay that answers so at this point.
async fn refused_mails(store: &Store, regions: &[&'static str], point: Point, answer: &'static str) -> Vec<String> {
    let keys = put_mails(store, regions).await;
    let server = SmtpServer::start(vec![Act::Reply(point, answer); regions.len()]).await;
    let transport = Arc::new(SmtpTransport::new(&server.config()).unwrap());
    let channels = Channels { email: Some(transport), sms: None };
    World::new(store.clone(), []).dispatcher_over(channels).drain_due().await.unwrap();
    keys
}

async fn address_status(store: &Store) -> String {
    let row = sqlx::query("SELECT status FROM addresses WHERE id = $1")
        .bind("email-0")
        .fetch_one(&mut *store.read().await.unwrap())
        .await
        .unwrap();
    sqlx::Row::get(&row, 0)
}

// Seen failing before: the delivery failed, the address stayed and nobody was told.
#[tokio::test]
async fn a_relay_that_knows_no_such_mailbox_gives_the_address_up_as_a_report_does() {
    on_each_engine("no such mailbox at RCPT", |store| async move {
        let answer = "550 5.1.1 <owner0@example.org> no such user here";
        let key = refused_mails(&store, &["north"], Point::Rcpt, answer).await.remove(0);
        assert_eq!(rows(&store).await[&key].standing.state, DeliveryState::Failed);
        assert_eq!(address_status(&store).await, "dead");
        let told = store.staff_log(at(NOON)).await.unwrap();
        assert_eq!(told.len(), 1);
        let text = &told[0].text;
        assert!(text.starts_with("an e-mail address was given up, since mail to it comes back: "), "{text}");
        assert!(text.contains("5.1.1 (address) no such user here") && text.contains(&key), "{text}");
        let late = Seed { region: "late", ..Seed::new(Channel::Email, 1) }.put(&store).await.remove(0);
        World::new(store.clone(), []).dispatcher().drain_due().await.unwrap();
        assert_eq!(rows(&store).await[&late].standing.state, DeliveryState::Cancelled);
    })
    .await;
}

#[tokio::test]
async fn a_refusal_that_says_nothing_of_the_mailbox_leaves_the_address() {
    on_each_engine("refused for other reasons", |store| async move {
        for (region, point, answer) in [
            ("a", Point::Rcpt, "550 no such user here"),
            ("b", Point::Rcpt, "550 5.7.1 refused by policy"),
            ("c", Point::Rcpt, "450 4.1.1 not known yet"),
            ("d", Point::Rcpt, "550 5.1.8 the sender's domain is not known"),
            ("e", Point::Mail, "550 5.1.1 no such sender"),
            ("f", Point::Data, "550 5.1.1 no such user"),
            ("g", Point::Dot, "550 5.1.1 no such user"),
        ] {
            refused_mails(&store, &[region], point, answer).await;
            assert_eq!(address_status(&store).await, "confirmed", "{point:?} {answer}");
        }
        assert!(store.staff_log(at(NOON)).await.unwrap().is_empty());
    })
    .await;
}

#[tokio::test]
async fn refusals_and_reports_count_together() {
    on_each_engine("refusals and reports", |store| async move {
        refused_mails(&store, &["north", "south"], Point::Rcpt, "550 5.2.1 mailbox disabled").await;
        assert_eq!(address_status(&store).await, "confirmed");
        let key = sent_mails(&store, &["east"]).await.remove(0);
        assert_eq!(take(&store, &key, "5.2.1").await, booked(&key, true));
        assert_eq!(address_status(&store).await, "dead");
    })
    .await;
}

#[tokio::test]
async fn an_address_that_said_stop_stays_stopped_whatever_a_relay_says() {
    on_each_engine("stopped and refused", |store| async move {
        Seed::new(Channel::Email, 1).put(&store).await;
        let lease = claim_one(&store, "w", at(NOON)).await;
        let mut tx = store.begin().await.unwrap();
        sqlx::query("UPDATE addresses SET status = 'stopped'").execute(tx.conn()).await.unwrap();
        tx.commit().await.unwrap();
        let fault = AddressFault { kind: BounceKind::NoSuchMailbox, until_undeliverable: 3 };
        let ending = AttemptOutcome::AddressRefused { fault, cause: "550 5.1.1 no such user".into() };
        store.finish(&[(lease, ending)], at(NOON)).await.unwrap();
        assert_eq!(address_status(&store).await, "stopped");
        assert!(store.staff_log(at(NOON)).await.unwrap().is_empty());
    })
    .await;
}

// Anybody can write a report. Without the look into the store the address of whoever is named would be deactivated.
#[tokio::test]
async fn a_report_about_no_mail_of_ours_changes_nothing() {
    on_each_engine("forged bounces", |store| async move {
        let keys = sent_mails(&store, &["north"]).await;
        let texts = Seed::new(Channel::Sms, 1).put(&store).await;
        let unsent = Seed { region: "south", ..Seed::new(Channel::Email, 1) }.put(&store).await;
        let before = rows(&store).await;
        for forged in ["00112233445566778899aabbccddeeff", &texts[0], &unsent[0]] {
            assert_eq!(take(&store, forged, "5.1.1").await, BounceOutcome::Unknown, "{forged}");
        }
        let stripped = report(&keys[0], "5.1.1").replace("Message-ID: <", "X-Id: <");
        let taken = bounces::take(&store, stripped.as_bytes(), 3, at(NOON)).await.unwrap();
        assert!(matches!(taken, BounceOutcome::Nothing(_)), "{taken:?}");
        let states = |rows: &std::collections::BTreeMap<String, treebell::store::queue::DeliveryRow>| {
            rows.values().map(|row| row.standing.state).collect::<Vec<_>>()
        };
        assert_eq!(states(&before), states(&rows(&store).await));
        assert!(store.staff_log(at(NOON)).await.unwrap().is_empty());
    })
    .await;
}

fn pipe(folder: &std::path::Path, input: &str) -> (Option<i32>, String) {
    let mut child = Command::new(env!("CARGO_BIN_EXE_treebell"))
        .args(["bounce", "-"])
        .current_dir(folder)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    // A program that fails before it reads closes the pipe.
    let _ = child.stdin.take().unwrap().write_all(input.as_bytes());
    let output = child.wait_with_output().unwrap();
    (
        output.status.code(),
        format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr)),
    )
}

#[tokio::test]
async fn a_mail_server_is_told_to_bring_a_report_again_when_the_store_cannot_take_it() {
    let folder = tempfile::tempdir().unwrap();
    let settings = |text: &str| std::fs::write(folder.path().join("treebell.toml"), text).unwrap();
    settings("[store]\naddress = \"sqlite:here.sqlite\"\n");
    let store = open_store(&format!("sqlite:{}", folder.path().join("here.sqlite").display())).await.unwrap();
    let key = sent_mails(&store, &["north"]).await.remove(0);
    store.close().await;

    let (code, said) = pipe(folder.path(), &report(&key, "5.1.1"));
    assert_eq!((code, said), (Some(0), format!("delivery {key} came back; its address is given up\n")));
    let (code, said) = pipe(folder.path(), "Subject: Out of office\r\n\r\nI am away.\r\n");
    assert_eq!(code, Some(0), "{said}");
    assert!(said.starts_with("nothing done: it is no report"), "{said}");
    // EX_TEMPFAIL, whatever is wrong on our side: a store that is not there, settings that cannot be read.
    settings("[store]\naddress = \"sqlite:no/such/folder/store.sqlite\"\n");
    assert_eq!(pipe(folder.path(), &report(&key, "5.1.1")).0, Some(75));
    settings("[store\n");
    assert_eq!(pipe(folder.path(), &report(&key, "5.1.1")).0, Some(75));
}
