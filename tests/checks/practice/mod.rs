//! Practice: a season lived at the desk on the real program, kept in its store, from which nothing leaves; and that the service
//! has none of it.

mod client;
mod kept;
mod pages;
mod relay;
mod walk;

use std::io::Read;
use std::net::TcpListener;
use std::path::Path;
use std::process::{Command, Output};
use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};

use axum::http::StatusCode;
use chrono::{DateTime, TimeDelta, Utc};
use treebell::people::account::{RegionReach, Role};
use treebell::season::NoticeKind;
use treebell::store::notices::NoticeRelease;
use treebell::store::practice::Practice;
use treebell::web::desk::{Kind, PRACTICE_ENTRIES};

use crate::engines::on_each_engine;
use crate::people::notices::{notice, texts};
use crate::people::{at, subscribe, two_regions};
use crate::support::open_store;
use crate::web::desk::support::DeskWorld;

pub fn treebell(folder: &Path, line: &str) -> Output {
    Command::new(assert_cmd::cargo::cargo_bin!("treebell"))
        .current_dir(folder)
        .args(line.split_whitespace())
        .output()
        .unwrap()
}

/// Standard output, of a command that succeeds.
pub fn told(folder: &Path, line: &str) -> String {
    let output = treebell(folder, line);
    assert_eq!(output.status.code(), Some(0), "{line}: {}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap()
}

#[tokio::test]
async fn a_mark_is_kept_and_its_clock_only_goes_on() {
    on_each_engine("the mark of a practice store", |store| async move {
        assert_eq!(store.practice().await.unwrap(), None);
        let now = at("2025-02-01T16:00:00Z");
        store.set_practice_clock(now).await.unwrap();
        assert_eq!(store.practice().await.unwrap(), None, "a clock makes no practice store of a real one");
        let mark = Practice { season: 2025, seed: u64::MAX - 5, now };
        store.mark_as_practice(&mark).await.unwrap();
        assert_eq!(store.practice().await.unwrap(), Some(mark));
        assert!(store.mark_as_practice(&mark).await.is_err(), "it is marked once");
        let clock = async || store.practice().await.unwrap().unwrap().now;
        store.set_practice_clock(now + TimeDelta::days(1)).await.unwrap();
        assert_eq!(clock().await, now + TimeDelta::days(1));
        store.set_practice_clock(now).await.unwrap();
        assert_eq!(clock().await, now + TimeDelta::days(1), "never back");
    })
    .await;
}

#[tokio::test]
async fn the_real_desk_has_no_page_and_no_form_of_practice() {
    let desk = DeskWorld::new().await;
    let (mut browser, _) = desk.signed_in("ada", Role::Administrator, RegionReach::default()).await;
    assert!(PRACTICE_ENTRIES.len() >= 5);
    for entry in PRACTICE_ENTRIES {
        let path = entry.path.replace("{message}", "d-1.txt");
        let answer = match entry.kind {
            Kind::Page => browser.get(&path).await,
            Kind::Form | Kind::Upload => browser.post(&path, &[("step", "day")]).await,
        };
        assert_eq!(answer.status, StatusCode::NOT_FOUND, "{path}");
    }
    let today = browser.get("/desk/today").await;
    assert_eq!(today.status, StatusCode::OK);
    assert!(!today.body.contains("ractice"), "{}", today.body);
    let code = browser.get("/desk/sign-in").await;
    assert!(!code.body.contains("ractice"));
}

/// Counts who connects, and hangs up.
struct Outside {
    port: u16,
    calls: Arc<AtomicU32>,
}

impl Outside {
    fn open() -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let port = listener.local_addr().unwrap().port();
        let calls = Arc::new(AtomicU32::new(0));
        let counted = Arc::clone(&calls);
        std::thread::spawn(move || {
            for mut stream in listener.incoming().map_while(Result::ok) {
                counted.fetch_add(1, Ordering::SeqCst);
                let _ = stream.read(&mut [0; 16]);
            }
        });
        Self { port, calls }
    }

    /// Settings whose relay it is.
    fn settings(&self) -> String {
        let port = self.port;
        format!(
            "[delivery]\nquiet_until = \"00:00:00\"\nquiet_from = \"23:59:59\"\n[feeds]\nlook_up = false\n\
             [email]\nhost = \"127.0.0.1\"\nport = {port}\nsecurity = \"plain\"\nfrom = \"desk@example.org\"\n\
             [messages]\npostal_address = \"1 Example Road, Sample City\"\nhelp_contact = \"505-555-0100\"\n"
        )
    }
}

/// A store with a message that is due, and settings whose channels lead outside. Without the mark the message would leave.
async fn due_message(folder: &Path, outside: &Outside, practice: bool) {
    let store = open_store(&format!("sqlite:{}", folder.join("treebell.sqlite").display())).await.unwrap();
    two_regions(&store).await;
    subscribe(&store, &["00101"], &["a@example.org", "+15055550101"]).await;
    let expires_at: DateTime<Utc> = at("2099-01-01T00:00:00Z");
    let new =
        treebell::store::notices::NewNotice { expires_at, ..notice(NoticeKind::InspectNow, NoticeRelease::Release) };
    store.put_notice(&new, &texts()).await.unwrap();
    if practice {
        let mark = Practice { season: 2026, seed: 1, now: at("2026-04-21T12:00:00Z") };
        store.mark_as_practice(&mark).await.unwrap();
    }
    store.close().await;
    std::fs::write(folder.join("treebell.toml"), outside.settings()).unwrap();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn run_and_once_refuse_a_practice_store_and_real_channels_are_never_used_with_it() {
    let outside = Outside::open();
    // That the settings lead outside is seen on a real store.
    let real = tempfile::tempdir().unwrap();
    due_message(real.path(), &outside, false).await;
    let once = treebell(real.path(), "once --patience 1");
    assert!(outside.calls.load(Ordering::SeqCst) > 0, "{}", String::from_utf8_lossy(&once.stderr));

    outside.calls.store(0, Ordering::SeqCst);
    let folder = tempfile::tempdir().unwrap();
    due_message(folder.path(), &outside, true).await;
    for line in ["once --patience 1", "run", "check-config", "alarms test --patience 0"] {
        if line.starts_with("alarms") {
            let file = folder.path().join("treebell.toml");
            let named = std::fs::read_to_string(&file).unwrap();
            let who = "[[alarms.recipients]]\nname = \"ada\"\nemail = \"ada@example.org\"\n";
            std::fs::write(&file, named + who).unwrap();
        }
        let output = treebell(folder.path(), line);
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(2), "{line}: {said}");
        assert!(said.contains("a practice store"), "{line}: {said}");
    }
    assert_eq!(outside.calls.load(Ordering::SeqCst), 0, "nothing went outside");
    let said = told(folder.path(), "deliveries --state queued --json");
    assert_eq!(said.matches("\"queued\"").count(), 2, "{said}");

    // Accounts belong to practice too; whoever makes one there is told so.
    for (folder, practice) in [(&folder, true), (&real, false)] {
        let added = treebell(folder.path(), "account add olga --role observer");
        let said = String::from_utf8_lossy(&added.stderr).into_owned();
        assert_eq!(added.status.code(), Some(0), "{said}");
        assert_eq!(said.contains("is a practice store"), practice, "{said}");
        let listed = treebell(folder.path(), "account list");
        assert!(!String::from_utf8_lossy(&listed.stderr).contains("practice"), "reading changes nothing");
    }
}

/// As [`treebell`], of a command that would serve for ever if it did not refuse.
fn refusal(folder: &Path, line: &str) -> (Option<i32>, String) {
    let log = folder.join("refusal.log");
    let mut child = Command::new(assert_cmd::cargo::cargo_bin!("treebell"))
        .current_dir(folder)
        .args(line.split_whitespace())
        .stdout(std::process::Stdio::null())
        .stderr(std::fs::File::create(&log).unwrap())
        .spawn()
        .unwrap();
    let until = std::time::Instant::now() + std::time::Duration::from_secs(120);
    let ended = loop {
        match child.try_wait().unwrap() {
            Some(ended) => break ended.code(),
            None if std::time::Instant::now() > until => {
                child.kill().unwrap();
                panic!("{line}: it goes on: {}", std::fs::read_to_string(&log).unwrap());
            }
            None => std::thread::sleep(std::time::Duration::from_millis(100)),
        }
    };
    (ended, std::fs::read_to_string(&log).unwrap())
}

/// What a folder says of itself is not enough: the mark stands in the store.
#[test]
fn a_real_store_in_the_folder_of_a_demo_is_not_practised_on() {
    let folder = tempfile::tempdir().unwrap();
    let real = folder.path().join("real");
    std::fs::create_dir(&real).unwrap();
    told(&real, "store init");
    std::fs::write(
        real.join("treebell.toml"),
        "# Made by `treebell demo`: an invented state, to try the other commands on.\n",
    )
    .unwrap();
    let before = std::fs::read(real.join("treebell.sqlite")).unwrap();
    let (code, said) = refusal(folder.path(), "demo --desk --listen 127.0.0.1:0 --messages real");
    assert!(code == Some(2) && said.contains("none for practice"), "{code:?} {said}");
    assert_eq!(std::fs::read(real.join("treebell.sqlite")).unwrap(), before);
}

#[test]
fn practice_is_served_to_this_machine_alone_and_leaves_real_stores_alone() {
    let folder = tempfile::tempdir().unwrap();
    let (code, said) = refusal(folder.path(), "demo --desk --listen 0.0.0.0:0");
    assert_eq!(code, Some(2), "{said}");
    assert!(said.contains("this machine alone"), "{said}");
    assert!(!folder.path().join("treebell-practice").exists(), "nothing was made");
    // Somebody's real store.
    let real = folder.path().join("real");
    std::fs::create_dir(&real).unwrap();
    told(&real, "store init");
    let before = std::fs::read(real.join("treebell.sqlite")).unwrap();
    let (code, said) = refusal(folder.path(), "demo --desk --listen 127.0.0.1:0 --messages real");
    assert_eq!(code, Some(2), "{said}");
    assert!(said.contains("none for practice"), "{said}");
    assert_eq!(std::fs::read(real.join("treebell.sqlite")).unwrap(), before);
    assert!(!real.join("treebell.toml").exists());
}
