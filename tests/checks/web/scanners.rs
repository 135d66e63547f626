//! Programs that look at mail open every link in it, some the links on those pages too. Nothing may come of it: whatever
//! changes something wants a button to be pressed.

use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::path::Path;
use std::sync::Arc;

use axum::body::Body;
use axum::http::Request;
use chrono::TimeDelta;
use mailparse::MailHeaderMap;
use treebell::clock::Clock;
use treebell::dispatch::channels::folder::FolderTransport;
use treebell::dispatch::channels::mail::MailWriter;
use treebell::dispatch::{Channels, Dispatcher};
use treebell::message::samples;
use treebell::people::{Channel, Language};
use treebell::season::{NoticeKind, SeasonKey};
use treebell::service::follow_up;
use treebell::service::subscribe::{preferences, stop};
use treebell::store::addresses::AddressStatus;
use treebell::store::notices::{NewNotice, NoticeRelease, NoticeText};

use super::sign_up::world;
use super::support::World;
use crate::delivery::plain_config;
use crate::engines::every_row;
use crate::people::address;

const SITE: &str = "https://pinyon.example.org";
const OWNER: &str = "owner@example.org";
const ASKED: &str = "asked@example.org";
const WAITS: &str = "waits@example.org";
const NEW: &str = "new@example.org";

/// A mail that was sent.
struct Mail {
    to: String,
    /// Targets of its links, as a program finds them, and of the header that ends the messages with one click.
    links: BTreeSet<String>,
    one_click: String,
}

/// A mail of each kind that has a link of its own: notices in both languages, the question after one, confirmations,
/// welcome, the way to the settings.
async fn mails(world: &World, folder: &Path) -> Vec<Mail> {
    let store = &world.app.store;
    world.subscribe(OWNER).await;
    world.sign_up("/sign-up", "00101", "", NEW, "es").await;
    let (_, _, words) = world.letter_to(NEW).await.unwrap();
    let link = links_in(&words).into_iter().find(|link| link.contains("/confirm/")).unwrap();
    assert_eq!(world.post(&link, &[]).await.status, 200);
    world.sign_up("/sign-up", "00101", "", ASKED, "en").await;
    world.sign_up("/es/wish", "00300", "", WAITS, "es").await;
    preferences::send_link(&world.app, &address(OWNER)).await.unwrap();
    let now = world.clock.now();
    let notice = NewNotice {
        season: SeasonKey { profile: "pinyon-needle-scale".into(), region: "dos-vientos".into(), year: 2025 },
        kind: NoticeKind::InspectNow,
        fate: NoticeRelease::Release,
        reason: serde_json::json!({"ground": "crossed", "on": "2025-03-09"}),
        facts: serde_json::json!({}),
        decided_on: now.date_naive(),
        decided_at: now,
        expires_at: now + TimeDelta::days(21),
        priority: 1,
    };
    let mut facts = samples::typical().facts;
    (facts.region_id, facts.sender.public_url) = ("dos-vientos".into(), Some(SITE.into()));
    let texts = [Language::En, Language::Es].map(|language| NoticeText {
        language,
        message: world.app.templates.in_use().render_notice(notice.kind, language, Channel::Email, &facts).unwrap(),
    });
    store.put_notice(&notice, &texts).await.unwrap();
    send_all(world, folder).await;
    world.clock.advance(TimeDelta::days(10));
    assert_eq!(follow_up::ask_due(&world.app).await.unwrap(), 2);
    // Links that are still good are the ones that could do harm.
    world.sign_up("/sign-up", "00102", "", ASKED, "en").await;
    world.sign_up("/es/wish", "00301", "", WAITS, "es").await;
    send_all(world, folder).await;
    let read = |entry: std::io::Result<std::fs::DirEntry>| {
        let path = entry.unwrap().path();
        (path.extension()? == "eml").then(|| mail(&std::fs::read(path).unwrap()))
    };
    std::fs::read_dir(folder).unwrap().filter_map(read).collect()
}

async fn send_all(world: &World, folder: &Path) {
    let store = world.app.store.clone();
    let writer = MailWriter::new(&world.app.config.email).unwrap();
    let transport = FolderTransport::open(folder, writer).unwrap();
    let stop = stop::personaliser(&SITE.into(), store.address_hash().clone());
    let clock: Arc<dyn Clock> = world.clock.clone();
    let channels = Channels::both(Arc::new(transport));
    let drained = Dispatcher::new(store, clock, channels, &plain_config(), Arc::new(stop)).drain_due().await.unwrap();
    assert!(drained.sent > 0 && drained.later + drained.failed == 0, "{drained:?}");
}

fn mail(raw: &[u8]) -> Mail {
    let parsed = mailparse::parse_mail(raw).unwrap();
    let header = |name: &str| parsed.headers.get_first_value(name).unwrap_or_default();
    let mut links = BTreeSet::new();
    let mut app = vec![&parsed];
    while let Some(part) = app.pop() {
        app.extend(&part.subparts);
        if part.ctype.mimetype.starts_with("text/") {
            links.extend(links_in(&part.get_body().unwrap()));
        }
    }
    let one_click = links_in(&header("List-Unsubscribe")).pop_first().expect("a header to stop by");
    assert_eq!(header("List-Unsubscribe-Post"), "List-Unsubscribe=One-Click");
    links.insert(one_click.clone());
    Mail { to: header("To"), links, one_click }
}

/// Paths of all links to our pages.
fn links_in(text: &str) -> BTreeSet<String> {
    let starts = text.match_indices(SITE).map(|(at, _)| &text[at + SITE.len()..]);
    let ends = |c: char| c.is_whitespace() || "\"'<>)".contains(c);
    let links = starts.map(|rest| rest.split(ends).next().unwrap_or_default().trim_end_matches(['.', ',']));
    links.map(|link| if link.is_empty() { "/".into() } else { link.replace("&amp;", "&") }).collect()
}

/// What a page leads to: links, pictures, and where its forms go.
fn leads(page: &str) -> Vec<String> {
    let attributes = ["href=\"", "src=\"", "action=\""];
    let values = attributes.iter().flat_map(|name| page.split(name).skip(1)).filter_map(|rest| rest.split('"').next());
    values.filter(|to| to.starts_with('/')).map(|to| to.replace("&amp;", "&")).collect()
}

#[tokio::test]
async fn a_program_that_opens_every_link_of_every_mail_changes_nothing() {
    let world = world().await;
    let folder = tempfile::tempdir().unwrap();
    let mails = mails(&world, folder.path()).await;
    // What pages show of regions is worked out as time goes on, whoever asks, and kept.
    world.site.ready().await.unwrap();
    let before = every_row(&world.app.store).await;

    let mut to_open: VecDeque<String> = mails.iter().flat_map(|mail| mail.links.iter().cloned()).collect();
    for page in ["confirm", "preferences", "stop", "seen"] {
        assert!(to_open.iter().any(|link| link.contains(&format!("/{page}/"))), "{page} is in the mails: {to_open:#?}");
    }
    let mut opened: BTreeSet<String> = BTreeSet::new();
    while let Some(path) = to_open.pop_front() {
        if !opened.insert(path.clone()) {
            continue;
        }
        assert!(opened.len() < 500, "an end comes: {opened:#?}");
        let page = world.get(&path).await;
        assert!(!page.status.is_server_error(), "{path}: {}", page.status);
        to_open.extend(leads(&page.body));
        let head = world.ask(Request::head(path.as_str()).body(Body::empty()).unwrap()).await;
        assert_eq!(head.status, page.status, "{path}");
        // As if its buttons led somewhere by themselves.
        let pressed = "action=stop&action=erase&sure=yes&saw=eggs&zip=00102&List-Unsubscribe=One-Click";
        let joint = if path.contains('?') { '&' } else { '?' };
        world.get(&format!("{path}{joint}{pressed}")).await;
    }
    assert!(opened.len() > 40, "{opened:#?}");
    let after = every_row(&world.app.store).await;
    for (table, rows) in &before {
        assert_eq!(after[table], *rows, "{table} after opening {} pages", opened.len());
    }

    // Pressed with another's token, or one of another purpose, or one with a digit changed: nothing either.
    let tokens: BTreeSet<(String, String)> = opened
        .iter()
        .filter_map(|path| {
            let (page, token) = path.split('?').next()?.trim_start_matches("/es").strip_prefix('/')?.split_once('/')?;
            ["confirm", "preferences", "stop", "seen"].contains(&page).then(|| (page.to_owned(), token.to_owned()))
        })
        .collect();
    let forms: BTreeMap<&str, Vec<(&str, &str)>> = BTreeMap::from([
        ("confirm", vec![]),
        ("preferences", vec![("action", "erase"), ("sure", "yes")]),
        ("stop", vec![("List-Unsubscribe", "One-Click")]),
        ("seen", vec![("saw", "eggs")]),
    ]);
    for (of, token) in &tokens {
        let other = tokens.iter().find(|(page, other)| page == of && other != token).map_or("0", |(_, other)| other);
        let at = token.len() / 2;
        let last = if token.ends_with('0') { "1" } else { "0" };
        let swapped = format!("{}{}", &token[..at], &other[at.min(other.len())..]);
        let forged =
            [format!("{}{last}", &token[..token.len() - 1]), format!("{token}0"), token.to_uppercase(), swapped];
        for (page, form) in &forms {
            let foreign = (page != of).then(|| token.clone());
            for bad in
                forged.iter().chain(&foreign).filter(|bad| !tokens.contains(&((*page).to_owned(), (*bad).clone())))
            {
                world.post(&format!("/{page}/{bad}"), form).await;
            }
        }
    }
    assert_eq!(every_row(&world.app.store).await, before, "after forged tokens");

    // The button does it, also without a browser, and a second time is as the first.
    let owner = mails.iter().find(|mail| mail.to == OWNER).unwrap();
    let one_click = || {
        let body = Body::from("List-Unsubscribe=One-Click");
        let kind = "application/x-www-form-urlencoded";
        Request::post(owner.one_click.as_str()).header("content-type", kind).body(body).unwrap()
    };
    assert_eq!(world.ask(one_click()).await.status, 200);
    assert_eq!(world.standing(OWNER).await.unwrap().0, AddressStatus::Stopped);
    let stopped = every_row(&world.app.store).await;
    assert_eq!(world.ask(one_click()).await.status, 200);
    assert_eq!(every_row(&world.app.store).await, stopped);
    assert_eq!(world.standing(NEW).await.unwrap().0, AddressStatus::Confirmed, "nobody else is stopped");
}
