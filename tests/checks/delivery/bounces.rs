//! Reports of undelivered mail: what they do to a delivery and to an address, and the command for a mail server's pipe.

use std::io::Write;
use std::process::{Command, Stdio};

use treebell::delivery::state::DeliveryState;
use treebell::dispatch::bounces;
use treebell::dispatch::bounces::BounceOutcome;
use treebell::people::Channel;
use treebell::store::Store;
use treebell::store::bounces::Bounced;

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

pub async fn sent_mails(store: &Store, regions: &[&'static str]) -> Vec<String> {
    let mut keys = Vec::new();
    for region in regions {
        keys.extend(Seed { region, ..Seed::new(Channel::Email, 1) }.put(store).await);
    }
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
