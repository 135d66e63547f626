//! The desk in a browser, on the real program; `tests/browser/desk_notices.mjs` does the walking. And the same walk on a day in March, for
//! pictures with a season in them.

use std::path::Path;
use std::process::{Command, Output, Stdio};
use std::sync::Arc;

use chrono::{DateTime, Days, TimeDelta, Utc};
use tokio::net::TcpListener;
use treebell::clock::{Clock, ManualClock, SystemClock};
use treebell::config::Config;
use treebell::message::Templates;
use treebell::people::Key;
use treebell::people::account::{Account, AccountName, RegionReach, Role};
use treebell::randomness::Randomness;
use treebell::region::{Region, RegionId, Zip};
use treebell::season::decide::{ApprovalNeeded, Reason, Terms};
use treebell::season::profile::Profiles;
use treebell::season::{NoticeKind, Outlook, RecordTrust, SeasonKey};
use treebell::secret::Secret;
use treebell::service::app::App;
use treebell::service::desk;
use treebell::store::Store;
use treebell::store::notices::{NewNotice, NoticeRelease};
use treebell::web::{self, Site, server};

use super::super::browser::{Daemon, await_port, browser, free_port};
use super::browser::{acceptor, proxy};
use crate::desk::today::outlook;
use crate::desk::{MORNING, facts, texts_of};
use crate::people::{subscribe, two_regions};
use crate::support::open_store;

const WHAT: &str = "the walk of staff through a notice";

/// A small state around an instant: two notices need a word, one leaves by itself, one has gone out.
async fn people_a_state(store: &Store, templates: &Templates, now: DateTime<Utc>) {
    two_regions(store).await;
    subscribe(store, &["00101"], &["a@example.org", "+15055550101"]).await;
    let today = now.with_timezone(&chrono_tz::America::Denver).date_naive();
    let names = [
        ("north", "Juniper Canyon", "Mesa", 1565.0),
        ("south", "Dos Vientos", "Vega", 1710.0),
        ("alta", "Alta Loma", "Vega", 2105.0),
        ("piedra", "Piedra Mansa", "Mesa", 1880.0),
        ("rim", "Upper Juniper Canyon North Rim", "Vega", 2290.0),
    ];
    let model = store.region(&"south".into()).await.unwrap();
    for (nth, (id, name, county, height)) in names.into_iter().enumerate() {
        let region = Region {
            id: RegionId(id.into()),
            name: name.into(),
            county: Some(county.into()),
            elevation_m: height,
            ..model.clone()
        };
        if nth < 2 {
            let zips = store.region(&id.into()).await.unwrap().zips;
            store.change_region(&Region { zips, ..region }).await.unwrap();
        } else {
            let zips = vec![Zip::parse(&format!("003{nth:02}")).unwrap()];
            store.add_region(&Region { zips, ..region }, now - TimeDelta::days(90)).await.unwrap();
        }
        let opens = today + Days::new(4 + 12 * nth as u64);
        let trust = match nth {
            3 => RecordTrust::TooMuchFilled { filled_days: 31, days: 74 },
            _ => RecordTrust::Sound,
        };
        let said = outlook(id, &opens.to_string(), 8 + 3 * nth as u64, trust);
        let said = Outlook { today, last_day: Some(today), newest_real_day: Some(today), ..said };
        store.put_outlook(&said, now).await.unwrap();
    }
    let asks = |approval_needed| NoticeRelease::WaitForApproval { approval_needed };
    for (region, name, kind, fate, days) in [
        ("north", "Juniper Canyon", NoticeKind::InspectNow, asks(ApprovalNeeded::NotOnRealDays), 3),
        ("piedra", "Piedra Mansa", NoticeKind::GetReady, asks(ApprovalNeeded::ByPolicy), 5),
        (
            "south",
            "Dos Vientos",
            NoticeKind::InspectNow,
            NoticeRelease::Wait { release_at: now + TimeDelta::hours(30) },
            6,
        ),
        ("north", "Juniper Canyon", NoticeKind::GetReady, NoticeRelease::Release, 4),
    ] {
        let facts = treebell::message::NoticeFacts { region_name: name.into(), ..facts(region) };
        let terms = Terms {
            reason: Reason::BegunLikely { chance: 0.84 },
            release: treebell::region::Release::WhenConfirmed,
            approval_needed: None,
            expires_on: today,
            deadline: Some(facts.wash_by),
        };
        let new = NewNotice {
            season: SeasonKey { profile: "pinyon-needle-scale".into(), region: region.into(), year: 2026 },
            kind,
            fate,
            reason: serde_json::to_value(terms).unwrap(),
            facts: serde_json::to_value(&facts).unwrap(),
            decided_on: today,
            decided_at: now,
            expires_at: now + TimeDelta::days(days),
            priority: 1,
        };
        store.put_notice(&new, &texts_of(templates, kind, &facts)).await.unwrap();
    }
}

pub(super) async fn invitation(store: &Store, now: DateTime<Utc>) -> String {
    let name = AccountName::parse("maria").unwrap();
    let account = Account { name, role: Role::Administrator, reach: RegionReach::default() };
    format!("/desk/invitation/{}", desk::add(store, &account, TimeDelta::hours(72), now).await.unwrap())
}

fn walk(base: &str, invitation: &str, now: Option<DateTime<Utc>>, shots: Option<&str>) -> Option<Output> {
    let (modules, chromium) = browser(WHAT)?;
    let mut node = Command::new("node");
    node.arg(Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/browser/desk_notices.mjs"))
        .env("BASE", base)
        .env("INVITATION", invitation)
        .env("NOW", now.map_or_else(String::new, |now| now.timestamp_millis().to_string()))
        .env("MODULES", &modules)
        .env("CHROMIUM", &chromium)
        .env_remove("SHOTS");
    if let Some(shots) = shots {
        node.env("SHOTS", shots);
    }
    Some(node.output().unwrap())
}

pub(super) fn check(walk: &Output, pages: usize) {
    let said = String::from_utf8_lossy(&walk.stdout);
    let findings: Vec<&str> = said.lines().filter(|line| line.starts_with("FINDING")).collect();
    let err = String::from_utf8_lossy(&walk.stderr);
    assert!(walk.status.success() && findings.is_empty(), "{}\n{said}\n{err}", findings.join("\n"));
    assert!(said.lines().filter(|line| line.starts_with("looking at")).count() >= pages, "{said}");
}

#[test]
fn staff_do_their_work_in_a_browser() {
    if browser(WHAT).is_none() {
        return;
    }
    let runtime = tokio::runtime::Runtime::new().unwrap();
    let home = tempfile::tempdir().unwrap();
    let key = home.path().join("desk-key");
    std::fs::write(&key, Key::draw(&Randomness::seeded(5)).expose()).unwrap();
    let listener = runtime.block_on(TcpListener::bind("127.0.0.1:0")).unwrap();
    let base = format!("https://localhost:{}", listener.local_addr().unwrap().port());
    let port = free_port();
    runtime.spawn(proxy(listener, acceptor(), port));
    let store = home.path().join("treebell.sqlite");
    let invited = runtime.block_on(async {
        let store = open_store(&format!("sqlite:{}", store.display())).await.unwrap();
        let now = SystemClock.now();
        people_a_state(&store, &Templates::load(None).unwrap(), now).await;
        let invited = invitation(&store, now).await;
        store.close().await;
        invited
    });
    let settings = home.path().join("treebell.toml");
    // No cycle: the notices are as they were put there.
    let text = format!(
        "[store]\naddress = \"sqlite:{}\"\n[schedule]\ncycle = \"0 0 0 1 1 * 2099\"\n[messages]\npublic_url = \"{base}\"\n\
         [web]\nlisten = \"127.0.0.1:{port}\"\n[desk]\nenabled = true\nkeys = [{{ file = \"{}\" }}]\n[email]\nfolder = \"out\"\n\
         [sms]\nfolder = \"out\"\n",
        store.display(),
        key.display()
    );
    std::fs::write(&settings, text).unwrap();
    let log = home.path().join("log");
    let started = Command::new(env!("CARGO_BIN_EXE_treebell"))
        .arg("--config")
        .arg(&settings)
        .arg("run")
        .current_dir(home.path())
        .stdout(Stdio::null())
        .stderr(std::fs::File::create(&log).unwrap())
        .spawn();
    let mut daemon = Daemon(started.unwrap());
    await_port(port, &mut daemon, &log);
    check(&walk(&base, &invited, None, None).unwrap(), 14);
    let log = std::fs::read_to_string(&log).unwrap();
    assert!(!log.contains("tall grass"), "the log holds a password");
}

/// With `SHOTS=FOLDER` it leaves pictures of the desk on a day in March.
#[tokio::test(flavor = "multi_thread")]
async fn the_same_walk_on_a_day_in_march() {
    if browser(WHAT).is_none() {
        return;
    }
    let now: DateTime<Utc> = MORNING.parse().unwrap();
    let folder = tempfile::tempdir().unwrap();
    let key = folder.path().join("desk-key");
    std::fs::write(&key, Key::draw(&Randomness::seeded(5)).expose()).unwrap();
    let listener = server::listen("127.0.0.1:0".parse().unwrap()).await.unwrap();
    let outside = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let base = format!("https://localhost:{}", outside.local_addr().unwrap().port());
    tokio::spawn(proxy(outside, acceptor(), listener.local_addr().unwrap().port()));
    let mut config = Config::default();
    config.messages.public_url = base.as_str().into();
    config.desk.enabled = true;
    config.desk.keys = vec![Secret::File(key)];
    let templates = Templates::load(None).unwrap();
    let store = Store::in_memory().await.unwrap();
    people_a_state(&store, &templates, now).await;
    let invited = invitation(&store, now).await;
    let clock = Arc::new(ManualClock::at(now));
    let app = App::with_store(&config, clock, store, Profiles::default(), templates);
    let site = Site::new(app).unwrap();
    tokio::spawn(server::serve(listener, web::router(&site), std::future::pending()));
    let shots = std::env::var("SHOTS").ok();
    let walked = tokio::task::spawn_blocking(move || walk(&base, &invited, Some(now), shots.as_deref()).unwrap());
    check(&walked.await.unwrap(), 14);
}
