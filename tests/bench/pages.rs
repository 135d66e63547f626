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

use crate::country::{Country, open};
use crate::table::Table;
use crate::{Place, runtime, treebell};

const PAGES: &str = "127.0.0.1:18090";
const WATCH: &str = "127.0.0.1:18091";

/// A service that is killed with its handle.
struct Service(Child);

impl Drop for Service {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

impl Service {
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

/// Asks for a path; gives the status, 0 where nobody answers.
fn ask(address: &str, path: &str) -> u16 {
    let Ok(mut stream) = TcpStream::connect(address) else { return 0 };
    stream.set_read_timeout(Some(Duration::from_secs(60))).unwrap();
    let ask = format!("GET {path} HTTP/1.1\r\nHost: localhost\r\nAccept-Encoding: gzip\r\nConnection: close\r\n\r\n");
    if stream.write_all(ask.as_bytes()).is_err() {
        return 0;
    }
    let mut answer = Vec::new();
    let _ = stream.read_to_end(&mut answer);
    let text = String::from_utf8_lossy(&answer[..answer.len().min(15)]).into_owned();
    text.split(' ').nth(1).and_then(|code| code.parse().ok()).unwrap_or(0)
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
    let settings = format!(
        "[store]\naddress = \"sqlite:{}\"\n[web]\nlisten = \"{PAGES}\"\n[watch]\nlisten = \"{WATCH}\"\n\
         [schedule]\ntime_zone = \"America/Denver\"\ncycle = \"0 0 4 1 1 *\"\n[email]\nfolder = \"out\"\n[sms]\nfolder = \"out\"\n",
        file.display()
    );
    std::fs::write(folder.join("pages.toml"), settings).unwrap();
    runtime().block_on(async {
        let store = if file.exists() {
            open(&file).await
        } else {
            Country::new(sizes.stations, sizes.regions, sizes.years).store(&file).await
        };
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
        let service = Service::start(folder);
        ready.push(until_ready());
        let from = Instant::now();
        let status = ask(PAGES, "/region/region-00007");
        first.push(from.elapsed().as_secs_f64() * 1000.0);
        bad += usize::from(status != 200);
        // Open loop: each is due at its time, whether the one before has come or not.
        let from = Instant::now();
        let regions = sizes.regions;
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
        for one in asking {
            for (wait, status) in one.join().unwrap() {
                waits.push(wait);
                bad += usize::from(status != 200);
            }
        }
        memory.push(service.resident());
    }
    waits.sort_by(f64::total_cmp);
    let p99 = waits[waits.len() * 99 / 100];
    let what = format!("{} regions on {} stations", sizes.regions, sizes.stations);
    table.row(format!("start to READY, {what}"), "ms", ready, None, "under 1 s");
    table.row("… first page after READY", "ms", first, None, "at once, never a 503");
    table.row("… pages at 500 a second, 99 of 100 within", "ms", vec![p99], None, "50 ms");
    table.row("… answers that were not 200", "", vec![bad as f64], None, "none");
    table.row("… resident memory after them", "MiB", memory, None, "under 200 MiB");
}
