//! The service with many regions: how soon after its start a page is there, what pages take meanwhile, and how much memory that
//! takes.

use std::io::{Read, Write};
use std::net::TcpStream;
use std::path::Path;
use std::process::{Child, Stdio};
use std::time::{Duration, Instant};

use treebell::clock::{Clock, SystemClock};
use treebell::config::Config;
use treebell::message::Templates;
use treebell::season::profile::Profiles;
use treebell::service::app::App;
use treebell::service::region_views::renew_kept;

use crate::beside;
use crate::country::{Country, open};
use crate::lists::{copied, subscribed};
use crate::table::{Table, within};
use crate::{Place, runtime, sqlite3, timed, treebell};

const PAGES: &str = "127.0.0.1:18090";
const WATCH: &str = "127.0.0.1:18091";
const NGINX: u16 = 18092;

/// Connections of wrk.
const VISITORS: usize = 16;

/// A service that is killed with its handle.
struct Service(Child);

impl Drop for Service {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

impl Service {
    /// With the settings of the last [`set_up`].
    fn start(folder: &Path) -> Self {
        let mut command = treebell(folder);
        command.args(["--config", "pages.toml", "run"]).stdout(Stdio::null()).stderr(Stdio::null());
        Self(command.spawn().unwrap())
    }

    /// Resident memory, MiB.
    fn resident(&self) -> f64 {
        let status = std::fs::read_to_string(format!("/proc/{}/status", self.0.id())).unwrap();
        let line = status.lines().find_map(|line| line.strip_prefix("VmRSS:")).unwrap();
        line.trim().trim_end_matches(" kB").parse::<f64>().unwrap() / 1024.0
    }
}

/// Settings of a service on this store that begins no cycle by itself.
fn set_up(folder: &Path, store: &Path) {
    let settings = format!(
        "[store]\naddress = \"sqlite:{}\"\n[web]\nlisten = \"{PAGES}\"\n[watch]\nlisten = \"{WATCH}\"\n\
         [schedule]\ntime_zone = \"America/Denver\"\ncycle = \"0 0 4 1 1 *\"\n[email]\nfolder = \"out\"\n[sms]\nfolder = \"out\"\n",
        store.display()
    );
    std::fs::write(folder.join("pages.toml"), settings).unwrap();
}

/// Asks for a path; gives the status, 0 where nobody answers.
fn ask(address: &str, path: &str) -> u16 {
    asked(address, path).0
}

/// The status and the body, packed.
fn asked(address: &str, path: &str) -> (u16, Vec<u8>) {
    let Ok(mut stream) = TcpStream::connect(address) else { return (0, Vec::new()) };
    stream.set_read_timeout(Some(Duration::from_secs(60))).unwrap();
    let ask = format!("GET {path} HTTP/1.1\r\nHost: localhost\r\nAccept-Encoding: gzip\r\nConnection: close\r\n\r\n");
    if stream.write_all(ask.as_bytes()).is_err() {
        return (0, Vec::new());
    }
    let mut answer = Vec::new();
    let _ = stream.read_to_end(&mut answer);
    let text = String::from_utf8_lossy(&answer[..answer.len().min(15)]).into_owned();
    let status = text.split(' ').nth(1).and_then(|code| code.parse().ok()).unwrap_or(0);
    let body = answer.windows(4).position(|four| four == b"\r\n\r\n").map_or(answer.len(), |at| at + 4);
    (status, answer.split_off(body))
}

fn until_ready() -> f64 {
    let from = Instant::now();
    while ask(WATCH, "/readyz") != 200 {
        assert!(from.elapsed() < Duration::from_secs(120), "it is never ready");
        std::thread::sleep(Duration::from_millis(5));
    }
    from.elapsed().as_secs_f64() * 1000.0
}

pub fn pages(place: &Place, table: &mut Table) {
    let (folder, sizes) = (&place.folder, &place.sizes);
    let file = folder.join(format!("pages-{}-{}-{}.sqlite", sizes.regions, sizes.stations, sizes.years));
    set_up(folder, &file);
    runtime().block_on(async {
        if !file.exists() {
            // One that was cut off while it was made is not used.
            let new = file.with_extension("new");
            crate::fresh(&new);
            Country::new(sizes.stations, sizes.regions, sizes.years).store(&new).await.close().await;
            std::fs::rename(&new, &file).unwrap();
        }
        let store = open(&file).await;
        let clock = std::sync::Arc::new(SystemClock);
        let app = App::with_store(
            &Config::default(),
            clock.clone(),
            store.clone(),
            Profiles::default(),
            Templates::load(None).unwrap(),
        );
        let from = Instant::now();
        let made = renew_kept(&app).await.unwrap();
        println!("  {made} views made in {:.1} s at {}", from.elapsed().as_secs_f64(), clock.now());
        store.close().await;
    });
    let (mut ready, mut first, mut memory, mut waits, mut bad) = (Vec::new(), Vec::new(), Vec::new(), Vec::new(), 0);
    for _ in 0..sizes.times {
        // All that is kept is old: it is worked out anew while the pages are asked for.
        timed(&mut sqlite3(&file, "UPDATE station_marks SET writes = writes + 1;"));
        let service = Service::start(folder);
        ready.push(until_ready());
        let from = Instant::now();
        let status = ask(PAGES, "/region/region-00007");
        first.push(from.elapsed().as_secs_f64() * 1000.0);
        bad += usize::from(status != 200);
        for (wait, status) in asked_at_500_a_second(sizes.regions) {
            waits.push(wait);
            bad += usize::from(status != 200);
        }
        memory.push(service.resident());
    }
    let what = format!("{} regions on {} stations", sizes.regions, sizes.stations);
    let late = within(99, &waits);
    table.row(format!("start to READY, {what}, all of them old"), "ms", ready, None, "under 1 s");
    table.row("… first page after READY", "ms", first, None, "at once, never a 503");
    table.row("… pages at 500 a second while all are made anew", "ms", waits, None, "-");
    table.row("… 99 of 100 within", "ms", vec![late], None, "50 ms");
    table.row("… answers that were not 200", "", vec![bad as f64], None, "none");
    table.row("… resident memory after them", "MiB", memory, None, "under 200 MiB");
    beside_nginx(place, table);
}

/// Open loop: each is due at its time, whether the one before has come or not. Gives waits, ms, and statuses.
fn asked_at_500_a_second(regions: usize) -> Vec<(f64, u16)> {
    let from = Instant::now();
    let asking: Vec<_> = (0..4_usize)
        .map(|who| {
            std::thread::spawn(move || {
                let mut waits = Vec::new();
                for n in (who..2500).step_by(4) {
                    let due = Duration::from_millis(n as u64 * 2);
                    std::thread::sleep(due.saturating_sub(from.elapsed()));
                    let path = match n % 4 {
                        0 => "/".to_owned(),
                        1 => format!("/region/region-{:05}", n % regions),
                        2 => format!("/es/region/region-{:05}", n % regions),
                        _ => format!("/region/region-{:05}/chart.svg?w=620", n % regions),
                    };
                    let status = ask(PAGES, &path);
                    waits.push(((from.elapsed() - due).as_secs_f64() * 1000.0, status));
                }
                waits
            })
        })
        .collect();
    asking.into_iter().flat_map(|one| one.join().unwrap()).collect()
}

/// Kept pages, asked for by wrk, beside nginx with the same bytes from a file.
fn beside_nginx(place: &Place, table: &mut Table) {
    if let Some(why) = beside::missing(&[beside::WRK]) {
        return table.missing("kept pages as fast as can be", &why);
    }
    let _service = Service::start(&place.folder);
    until_ready();
    // Whatever is old is made anew first.
    std::thread::sleep(Duration::from_secs(if place.sizes.regions > 100 { 60 } else { 15 }));
    let no_nginx = beside::missing(&[beside::NGINX]);
    for path in ["/", "/region/region-00007"] {
        let (status, body) = asked(PAGES, path);
        assert_eq!(status, 200);
        let root = place.folder.join("root");
        std::fs::create_dir_all(&root).unwrap();
        std::fs::write(root.join("page"), &body).unwrap();
        let _nginx = no_nginx.is_none().then(|| beside::nginx(&place.folder, NGINX, &root));
        let (mut ours, mut theirs) = (Vec::new(), Vec::new());
        for _ in 0..place.sizes.times {
            ours.push(beside::wrk_pages(&format!("http://{PAGES}{path}"), VISITORS));
            if no_nginx.is_none() {
                theirs.push(beside::wrk_pages(&format!("http://127.0.0.1:{NGINX}/page"), VISITORS));
            }
        }
        let other = no_nginx.is_none().then_some(("nginx", theirs));
        table.row(
            format!("`{path}`, {} bytes packed, as fast as can be", body.len()),
            "/s",
            ours,
            other,
            "0.9 of nginx",
        );
    }
    if let Some(why) = no_nginx {
        table.missing("nginx beside kept pages", &why);
    }
}

/// How soon a service with very many subscribers is ready, and what it takes idle.
pub fn start(place: &Place, table: &mut Table) {
    let file = place.folder.join("start.sqlite");
    copied(&subscribed(place), &file);
    set_up(&place.folder, &file);
    let (mut ready, mut memory) = (Vec::new(), Vec::new());
    for _ in 0..place.sizes.times {
        let service = Service::start(&place.folder);
        ready.push(until_ready());
        std::thread::sleep(Duration::from_secs(3));
        memory.push(service.resident());
    }
    table.row(format!("start to READY, {} subscribers", place.sizes.people), "ms", ready, None, "under 1 s");
    table.row("… resident memory, idle", "MiB", memory, None, "-");
}
