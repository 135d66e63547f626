//! The pages in a browser, on the real program with a real store and folders as channels: a walk from sign-up to erasure in
//! both languages, axe-core and html-validate on every page and state. `tests/browser/check.mjs` does the walking.

use std::collections::BTreeMap;
use std::io::Read;
use std::net::TcpListener;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use treebell::web::server;

use super::gallery::{Gallery, STATES};
use super::support::World;
use crate::support::{open_store, skipped};

/// Ends the program with the test, whatever became of it.
pub(super) struct Daemon(pub(super) Child);

impl Drop for Daemon {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

#[test]
fn a_walk_through_all_pages_finds_nothing_wrong() {
    let Some((modules, chromium)) = browser("the walk through all pages") else { return };
    // The sites that the test serves itself are made while the program plays its season.
    let runtime = tokio::runtime::Runtime::new().unwrap();
    let own_sites = runtime.spawn(own_sites());
    let home = tempfile::tempdir().unwrap();
    let folder = home.path().join("state");
    let program = env!("CARGO_BIN_EXE_treebell");
    let demo = Command::new(program)
        .args(["demo", "--speed", "at-once", "--no-live", "--messages"])
        .arg(&folder)
        .current_dir(home.path())
        .output()
        .unwrap();
    assert!(demo.status.success(), "{}", String::from_utf8_lossy(&demo.stderr));
    // The walk wants a service: from now on it is one's own store, with invented people in it.
    runtime.block_on(unmark(&folder));
    // The season's messages to invented people are none of the walk's.
    let outbox = folder.join("messages");
    std::fs::remove_dir_all(&outbox).unwrap();
    std::fs::create_dir(&outbox).unwrap();
    let port = free_port();
    let base = format!("http://127.0.0.1:{port}");
    let settings = folder.join("treebell.toml");
    let text = std::fs::read_to_string(&settings).unwrap();
    let text = text.replace("[messages]", &format!("[messages]\npublic_url = \"{base}\""));
    // All of the walk comes from one network.
    let text = format!("{text}\n[web]\nlisten = \"127.0.0.1:{port}\"\n\n[limits]\nasks_per_network_per_hour = 100\n");
    std::fs::write(&settings, text).unwrap();
    let log = home.path().join("log");
    let started = Command::new(program)
        .arg("--config")
        .arg(&settings)
        .arg("run")
        .current_dir(home.path())
        .stdout(Stdio::null())
        .stderr(std::fs::File::create(&log).unwrap())
        .spawn();
    let mut daemon = Daemon(started.unwrap());
    await_port(port, &mut daemon, &log);
    let own_sites = runtime.block_on(own_sites).unwrap();
    let walk = Command::new("node")
        .arg(Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/browser/check.mjs"))
        .env("BASE", &base)
        .env("OUTBOX", &outbox)
        .env("ZIP", "00201")
        .env("REGION", "dos-vientos")
        .env("GALLERY", &own_sites.gallery)
        .env("BROKEN", &own_sites.broken)
        .env("STATES", serde_json::to_string(&BTreeMap::from(STATES)).unwrap())
        .env("SEEN", serde_json::to_string(&own_sites.seen).unwrap())
        .env("MODULES", &modules)
        .env("CHROMIUM", &chromium)
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&walk.stdout);
    let findings: Vec<&str> = said.lines().filter(|line| line.starts_with("FINDING")).collect();
    assert!(
        walk.status.success() && findings.is_empty(),
        "{}\n{}\n{}",
        findings.join("\n"),
        said.lines().last().unwrap_or(""),
        String::from_utf8_lossy(&walk.stderr)
    );
    assert!(said.lines().filter(|line| line.starts_with("looking at")).count() >= 110, "{said}");
    // Nothing that the walker typed stands in the program's log.
    let log = std::fs::read_to_string(&log).unwrap();
    for private in ["walker-en", "walker-es", "5055550199"] {
        assert!(!log.contains(private), "the log holds {private}");
    }
}

/// Makes a real store of the demo's, as nobody does in earnest.
async fn unmark(folder: &Path) {
    let store = open_store(&format!("sqlite:{}", folder.join("treebell.sqlite").display())).await.unwrap();
    let mut tx = store.begin().await.unwrap();
    sqlx::query("DELETE FROM practice").execute(tx.conn()).await.unwrap();
    tx.commit().await.unwrap();
    store.close().await;
}

struct OwnSites {
    gallery: String,
    seen: BTreeMap<&'static str, String>,
    broken: String,
}

/// A region in every state, and a site whose store does not answer.
async fn own_sites() -> OwnSites {
    let listener = || async { server::listen("127.0.0.1:0".parse().unwrap()).await.unwrap() };
    let (shown, failing) = (listener().await, listener().await);
    let address = |of: &tokio::net::TcpListener| format!("http://{}", of.local_addr().unwrap());
    let (gallery, broken) = (address(&shown), address(&failing));
    let opened = Gallery::open(&gallery).await;
    opened.serve(shown);
    let world = World::empty(|_| {}).await;
    world.app.store.close().await;
    tokio::spawn(server::serve(failing, world.router.clone(), std::future::pending()));
    OwnSites { gallery, seen: opened.seen, broken }
}

/// A port that no other check is given meanwhile: below those that systems hand out by themselves.
pub(super) fn free_port() -> u16 {
    let first = 20_000 + u16::try_from(std::process::id() % 8_000).unwrap();
    (first..first + 500).find(|port| TcpListener::bind(("127.0.0.1", *port)).is_ok()).expect("one of 500 ports is free")
}

pub(super) fn await_port(port: u16, daemon: &mut Daemon, log: &Path) {
    let until = Instant::now() + Duration::from_secs(60);
    while std::net::TcpStream::connect(("127.0.0.1", port)).is_err() {
        let ended = daemon.0.try_wait().unwrap();
        let mut said = String::new();
        let _ = std::fs::File::open(log).and_then(|mut file| file.read_to_string(&mut said));
        assert!(ended.is_none() && Instant::now() < until, "the service did not come up: {said}");
        std::thread::sleep(Duration::from_millis(100));
    }
}

/// Where the driver's packages and the browser are. Says so loudly when they are not.
pub fn browser(what: &str) -> Option<(PathBuf, PathBuf)> {
    let named = std::env::var_os("TREEBELL_BROWSER_MODULES").map(PathBuf::from);
    let modules = named.unwrap_or_else(|| Path::new(env!("CARGO_MANIFEST_DIR")).join("target/outside/browser"));
    let has_modules = ["playwright-core", "axe-core", "html-validate"]
        .iter()
        .all(|name| modules.join("node_modules").join(name).exists());
    let chromium = ["/usr/bin/chromium", "/usr/bin/chromium-browser"].map(PathBuf::from);
    let chromium = chromium.into_iter().find(|path| path.exists());
    let node = Command::new("node").arg("--version").output().is_ok_and(|answer| answer.status.success());
    match chromium {
        Some(chromium) if has_modules && node => Some((modules, chromium)),
        _ => {
            skipped(what, "node, chromium and the packages of tests/browser, which .ci/run installs");
            None
        }
    }
}
