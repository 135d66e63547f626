//! Lists and records that come in, notices that go out.

use std::fmt::Write as _;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use treebell::dispatch::channels::Outgoing;
use treebell::dispatch::channels::mail::MailWriter;
use treebell::dispatch::settings::EmailConfig;
use treebell::people::{Address, Reach};
use treebell::season::{NoticeKind, SeasonKey};
use treebell::store::Store;
use treebell::store::notices::NewNotice;
use treebell::weather::Element;

use crate::beside;
use crate::country::{Country, open};
use crate::filled::texts;
use crate::table::{Table, within};
use crate::{Place, fresh, runtime, sqlite3, timed, treebell};

/// A row's alternative is SQLite's own command line.
const SQLITE: &str = "/usr/bin/sqlite3";

/// Settings of a command on the store `lists.sqlite`.
pub fn settings(folder: &Path) -> PathBuf {
    let file = folder.join("lists.toml");
    std::fs::write(&file, "[store]\naddress = \"sqlite:lists.sqlite\"\n[schedule]\ntime_zone = \"America/Denver\"\n")
        .unwrap();
    file
}

/// A table of the store with its indexes, empty, in a database of its own.
fn schema_of(from: &Path, to: &Path, tables: &[&str]) {
    let list = tables.iter().map(|table| format!("'{table}'")).collect::<Vec<_>>().join(",");
    let out = sqlite3(
        from,
        &format!(
            "SELECT sql || ';' FROM sqlite_master WHERE tbl_name IN ({list}) AND sql IS NOT NULL ORDER BY type DESC"
        ),
    )
    .output()
    .unwrap();
    let schema = String::from_utf8(out.stdout).unwrap();
    timed(&mut sqlite3(to, &format!("PRAGMA journal_mode=WAL; {schema}")));
}

/// `weather import` of 30 stations' records beside the `.import` of the same rows into the same table.
pub fn weather(place: &Place, table: &mut Table) {
    if let Some(why) = beside::missing(&[SQLITE]) {
        return table.missing("`weather import`", &why);
    }
    let country = Country::new(place.sizes.stations.min(30), 1, place.sizes.years);
    let (folder, store) = (place.folder.clone(), place.folder.join("lists.sqlite"));
    let records = folder.join("records");
    std::fs::create_dir_all(&records).unwrap();
    for (at, station) in country.stations.iter().enumerate() {
        let mut days: std::collections::BTreeMap<chrono::NaiveDate, [Option<f64>; 2]> =
            std::collections::BTreeMap::new();
        for version in country.versions(at) {
            days.entry(version.day).or_default()[usize::from(version.element == Element::Min)] =
                Some(version.value.c());
        }
        let mut text = String::from("date,tmax_c,tmin_c\n");
        for (day, [max, min]) in days {
            let shown = |value: Option<f64>| value.map_or_else(String::new, |value| format!("{value:.1}"));
            writeln!(text, "{day},{},{}", shown(max), shown(min)).unwrap();
        }
        std::fs::write(records.join(format!("{}.csv", station.id)), text).unwrap();
    }
    let settings = settings(&folder);
    let (mut ours, mut other, mut rows) = (Vec::new(), Vec::new(), 0);
    for _ in 0..place.sizes.times {
        fresh(&store);
        runtime().block_on(async {
            let store = open(&store).await;
            store.add_missing_stations(&country.stations).await.unwrap();
            store.close().await;
        });
        let (wall, cpu) =
            timed(treebell(&folder).arg("--config").arg(&settings).args(["weather", "import", "records", "--celsius"]));
        ours.push(wall);
        println!("  weather import: {wall:.2} s, {cpu:.2} s of CPU");
        let (csv, copy) = (folder.join("values.csv"), folder.join("values.sqlite"));
        timed(&mut sqlite3(&store, &format!(".mode csv\n.output {}\nSELECT * FROM daily_values;", csv.display())));
        rows = std::fs::read(&csv).unwrap().iter().filter(|byte| **byte == b'\n').count();
        fresh(&copy);
        schema_of(&store, &copy, &["daily_values"]);
        let (wall, _) = timed(&mut sqlite3(&copy, &format!(".mode csv\n.import {} daily_values", csv.display())));
        other.push(wall);
    }
    table.row(
        format!("`weather import` of {rows} values"),
        "s",
        ours,
        Some(("sqlite3 `.import`", other)),
        "at most 1.2 times",
    );
}

/// A list of so many people. Made once.
pub fn list(place: &Place) -> PathBuf {
    let file = place.folder.join(format!("people-{}.csv", place.sizes.people));
    if file.exists() {
        return file;
    }
    let mut out = std::io::BufWriter::new(std::fs::File::create(&file).unwrap());
    writeln!(out, "zip,email,phone,language,consent").unwrap();
    for n in 0..place.sizes.people {
        let language = if n % 5 == 0 { "es" } else { "en" };
        writeln!(out, "{:05},owner{n}@example.org,,{language},signed form", 100 + n % 300).unwrap();
    }
    file
}

const PEOPLES: [&str; 4] = ["subscribers", "subscriber_zips", "addresses", "consents"];

/// `subscriber import` beside the `.import` of the same rows into the same tables.
pub fn people(place: &Place, table: &mut Table) {
    if let Some(why) = beside::missing(&[SQLITE]) {
        return table.missing("`subscriber import`", &why);
    }
    let (folder, store, list) = (place.folder.clone(), place.folder.join("lists.sqlite"), list(place));
    let settings = settings(&folder);
    let (mut ours, mut other) = (Vec::new(), Vec::new());
    let times = if place.sizes.people > 200_000 { 1 } else { place.sizes.times };
    for _ in 0..times {
        fresh(&store);
        runtime().block_on(async {
            let country = Country::new(1, 1, 1);
            let store = open(&store).await;
            store.add_missing_stations(&country.stations).await.unwrap();
            store.close().await;
        });
        let (wall, cpu) =
            timed(treebell(&folder).arg("--config").arg(&settings).args(["subscriber", "import"]).arg(&list));
        println!("  subscriber import: {wall:.2} s, {cpu:.2} s of CPU");
        ours.push(wall);
        let copy = folder.join("people.sqlite");
        fresh(&copy);
        schema_of(&store, &copy, &PEOPLES);
        let mut import = String::from(".mode csv\n");
        for name in PEOPLES {
            let csv = folder.join(format!("{name}.csv"));
            timed(&mut sqlite3(&store, &format!(".mode csv\n.output {}\nSELECT * FROM {name};", csv.display())));
            writeln!(import, ".import {} {name}", csv.display()).unwrap();
        }
        other.push(timed(&mut sqlite3(&copy, &import)).0);
    }
    table.row(
        format!("`subscriber import` of {} people", place.sizes.people),
        "s",
        ours,
        Some(("sqlite3 `.import`", other)),
        "at most 4 times",
    );
}

pub async fn release(store: &Store, region: &str) -> u64 {
    let now = treebell::clock::Clock::now(&treebell::clock::SystemClock);
    let season = SeasonKey { profile: "pinyon-needle-scale".into(), region: region.into(), year: 2025 };
    let new = NewNotice::plain(season, NoticeKind::InspectNow, now);
    match store.put_notice(&new, &texts()).await.unwrap() {
        treebell::store::notices::Put::Written { deliveries } => deliveries,
        treebell::store::notices::Put::AlreadyThere => 0,
    }
}

/// A store with one region that has all codes, and everybody subscribed there. Made once.
pub fn subscribed(place: &Place) -> PathBuf {
    let (folder, people) = (place.folder.clone(), place.sizes.people);
    let kept = folder.join(format!("subscribed-{people}.sqlite"));
    if kept.exists() {
        return kept;
    }
    let file = folder.join("lists.sqlite");
    fresh(&file);
    runtime().block_on(async {
        let mut country = Country::new(1, 300, 1);
        let zips = country.regions.iter().flat_map(|region| region.zips.clone()).collect();
        country.regions.truncate(1);
        country.regions[0].zips = zips;
        country.store(&file).await.close().await;
    });
    let settings = settings(&folder);
    timed(treebell(&folder).arg("--config").arg(&settings).args(["subscriber", "import"]).arg(list(place)));
    // What a command has committed may still lie in the log beside the file.
    runtime().block_on(async { open(&file).await.close().await });
    std::fs::rename(&file, &kept).unwrap();
    kept
}

/// Waits, ms, of somebody who says stop every 20 ms, until it is done.
fn stopping(store: &Store, done: &Arc<AtomicBool>, people: usize) -> tokio::task::JoinHandle<Vec<f64>> {
    let (store, done) = (store.clone(), Arc::clone(done));
    tokio::spawn(async move {
        let clock = treebell::clock::SystemClock;
        let (mut waits, mut at) = (Vec::new(), 7);
        while !done.load(Ordering::Relaxed) {
            let owner = Address::parse(&format!("owner{}@example.org", at % people), Reach::NorthAmerica).unwrap();
            let key = store.address_id(&owner).await.unwrap();
            let from = Instant::now();
            let stop = treebell::service::subscribe::stop::StopRequest::Address(&key);
            treebell::service::subscribe::stop::stop(&store, &clock, stop, "link").await.unwrap();
            waits.push(from.elapsed().as_secs_f64() * 1000.0);
            at += 1009;
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
        waits
    })
}

/// Waits, ms, of a read as of a page every 10 ms, until it is done.
fn reading(store: &Store, done: &Arc<AtomicBool>) -> tokio::task::JoinHandle<Vec<f64>> {
    let (store, done) = (store.clone(), Arc::clone(done));
    tokio::spawn(async move {
        let mut waits = Vec::new();
        while !done.load(Ordering::Relaxed) {
            let from = Instant::now();
            store.regions().await.unwrap();
            waits.push(from.elapsed().as_secs_f64() * 1000.0);
            tokio::time::sleep(Duration::from_millis(10)).await;
        }
        waits
    })
}

/// One statement that queues the notice for everybody, in one transaction that keeps all others out.
const BARE: &str = "INSERT INTO notices (id, profile, region_id, season, kind, status, reason, facts, decided_on, decided_at, released_at, expires_at, priority)
 VALUES ('n', 'pinyon-needle-scale', 'region-00000', 2025, 'inspect-now', 'released', '{}', '{}', 1, 1, 1, 1900000000000, 1);
 INSERT INTO deliveries (id, notice_id, address_id, channel, language, state, priority, not_before, expires_at, time_zone,
                         attempts, fence, uncertain_count, created_at, updated_at)
 SELECT a.id, 'n', a.id, a.channel, s.language, 'queued', 1, 1800000000000, 1900000000000, 'America/Denver',
        0, 0, 0, 1800000000000, 1800000000000
 FROM subscriber_zips z JOIN region_zips r ON r.zip = z.zip JOIN subscribers s ON s.id = z.subscriber_id
      JOIN addresses a ON a.subscriber_id = s.id
 WHERE r.region_id = 'region-00000' AND a.status = 'confirmed' AND s.removed_at IS NULL
   AND EXISTS (SELECT 1 FROM subscriber_regions v WHERE v.subscriber_id = z.subscriber_id AND v.zip = z.zip AND v.region_id = r.region_id)
   AND NOT EXISTS (SELECT 1 FROM suppressions x WHERE x.address_key = a.id);";

/// A notice to everybody beside one INSERT … SELECT from the same people into the same table; meanwhile reads as of a page, and
/// stops.
pub fn queue(place: &Place, table: &mut Table) {
    if let Some(why) = beside::missing(&[SQLITE]) {
        return table.missing("a notice queued", &why);
    }
    let (kept, people) = (subscribed(place), place.sizes.people);
    let file = place.folder.join("queue.sqlite");
    let times = if people > 200_000 { 1 } else { place.sizes.times };
    let (mut ours, mut bare) = (Vec::new(), Vec::new());
    let (mut stops, mut reads) = (Vec::new(), Vec::new());
    for _ in 0..times {
        copied(&kept, &file);
        let (seconds, deliveries) = runtime().block_on(async {
            let store = open(&file).await;
            let done = Arc::new(AtomicBool::new(false));
            let (stopping, reading) = (stopping(&store, &done, people), reading(&store, &done));
            let from = Instant::now();
            let deliveries = release(&store, "region-00000").await;
            let seconds = from.elapsed().as_secs_f64();
            done.store(true, Ordering::Relaxed);
            let waits = stopping.await.unwrap();
            // Each who said stop before it was their turn is not queued.
            let most = deliveries as usize + waits.len();
            assert!(
                deliveries as usize <= people && most >= people,
                "{deliveries} queued of {people}, {} stops",
                waits.len()
            );
            stops.extend(waits);
            reads.extend(reading.await.unwrap());
            store.close().await;
            (seconds, deliveries)
        });
        println!("  {deliveries} queued in {seconds:.2} s");
        ours.push(seconds);
        copied(&kept, &file);
        bare.push(timed(&mut sqlite3(&file, BARE)).0);
    }
    let what = format!("a notice queued for {people} subscribers");
    table.row(what, "s", ours, Some(("INSERT … SELECT", bare)), "at most 2 times");
    let late = within(99, &stops);
    table.row("… a stop meanwhile", "ms", stops, None, "under 50 ms");
    table.row("… 99 of 100 stops within", "ms", vec![late], None, "under 50 ms");
    let late = within(99, &reads);
    table.row("… a read meanwhile", "ms", reads, None, "under 50 ms");
    table.row("… 99 of 100 reads within", "ms", vec![late], None, "under 50 ms");
}

/// A copy that lies on the disk: what is measured next should not wait for it.
pub fn copied(from: &Path, to: &Path) {
    fresh(to);
    std::fs::copy(from, to).unwrap();
    std::fs::File::open(to).unwrap().sync_all().unwrap();
}

/// E-mails written out, one after the other.
pub fn mail(place: &Place, table: &mut Table) {
    let writer = MailWriter::new(&EmailConfig::default()).unwrap();
    let message = texts().remove(0).message;
    let now: chrono::DateTime<chrono::Utc> = "2025-04-10T16:00:00Z".parse().unwrap();
    let (mut ours, mut bytes) = (Vec::new(), 0);
    for _ in 0..place.sizes.times {
        let from = Instant::now();
        for n in 0..2000 {
            let outgoing = Outgoing {
                key: format!("{n:032x}"),
                to: format!("owner{n}@example.org"),
                message: message.clone(),
                stop_url: url::Url::parse("https://example.org/stop?t=abc").ok(),
                at: now,
                dated: now,
            };
            bytes = writer.write(&outgoing).unwrap().raw.len();
        }
        ours.push(from.elapsed().as_secs_f64() * 1e6 / 2000.0);
    }
    table.row(format!("an e-mail of {bytes} bytes written out, unsigned"), "µs", ours, None, "-");
}
