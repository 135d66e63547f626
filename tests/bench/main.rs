//! What the service costs at the size of a state or a country, each row beside an alternative in the same run:
//!
//! ```text
//! cargo bench --bench speed                       all groups at full size, which takes long
//! cargo bench --bench speed -- --small            all groups at a fraction of it
//! cargo bench --bench speed -- queue drain        these groups (see `GROUPS`)
//! cargo bench --bench speed -- queue people=100000 times=1
//! ```
//!
//! Sizes may be given as `NAME=NUMBER` (see [`Sizes`]). Groups are printed and kept, and `tests/evidence/speed.md` is written from
//! the newest of each. Inputs lie below `target/` and are used again. What serves as an alternative and is not installed is named
//! in the table: sqlite3, nginx, wrk, Postfix, Kannel, PostgreSQL with pgbench.
#![allow(
    clippy::disallowed_methods,
    clippy::unwrap_used,
    reason = "a bench reads the clock and files, and a panic there is the finding"
)]

mod beside;
mod claims;
mod country;
mod drains;
mod filled;
mod growth;
mod heat;
mod lists;
mod outlook;
mod pages;
#[path = "../checks/delivery/private_postfix.rs"]
mod private_postfix;
mod table;

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Instant;

use table::Table;

/// How much is made.
pub struct Sizes {
    pub people: usize,
    /// Messages of a queue that is drained.
    pub messages: usize,
    /// Deliveries that workers on PostgreSQL claim.
    pub claims: usize,
    pub regions: usize,
    pub stations: usize,
    pub years: i32,
    pub times: usize,
}

const FULL: Sizes =
    Sizes { people: 1_000_000, messages: 100_000, claims: 1_000_000, regions: 300, stations: 300, years: 60, times: 5 };

const SMALL: Sizes =
    Sizes { people: 20_000, messages: 2_000, claims: 20_000, regions: 30, stations: 30, years: 20, times: 1 };

impl Sizes {
    fn set(&mut self, name: &str, number: usize) {
        match name {
            "people" => self.people = number,
            "messages" => self.messages = number,
            "claims" => self.claims = number,
            "regions" => self.regions = number,
            "stations" => self.stations = number,
            "years" => self.years = i32::try_from(number).unwrap(),
            "times" => self.times = number,
            other => panic!("`{other}` is none of people, messages, claims, regions, stations, years, times"),
        }
    }
}

impl std::fmt::Display for Sizes {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let Self { people, messages, claims, regions, stations, years, times } = self;
        write!(
            f,
            "people={people} messages={messages} claims={claims} regions={regions} stations={stations} years={years} times={times}"
        )
    }
}

/// Where inputs and stores lie, below `target/`.
pub struct Place {
    pub folder: PathBuf,
    pub sizes: Sizes,
}

type Group = (&'static str, fn(&Place, &mut Table));

/// In the order in which they are run and shown.
const GROUPS: [Group; 14] = [
    ("heat", heat::heat),
    ("outlook", outlook::outlook),
    ("cycle", outlook::cycle),
    ("replay", outlook::replay),
    ("verify", outlook::verify),
    ("weather", lists::weather),
    ("people", lists::people),
    ("queue", lists::queue),
    ("mail", lists::mail),
    ("drain", drains::drain),
    ("claims", claims::claims),
    ("pages", pages::pages),
    ("start", pages::start),
    ("growth", growth::growth),
];

const NAMES: [&str; GROUPS.len()] = {
    let mut names = [""; GROUPS.len()];
    let mut at = 0;
    while at < GROUPS.len() {
        names[at] = GROUPS[at].0;
        at += 1;
    }
    names
};

fn main() {
    let mut sizes = FULL;
    let mut rows: Vec<String> = Vec::new();
    // Cargo itself adds `--bench`.
    for word in std::env::args().skip(1).filter(|word| word != "--bench") {
        match word.split_once('=') {
            _ if word == "--small" => sizes = SMALL,
            Some((name, number)) => sizes.set(name, number.parse().unwrap_or_else(|why| panic!("{word}: {why}"))),
            None if NAMES.contains(&word.as_str()) => rows.push(word),
            None => panic!("`{word}` is none of {}", NAMES.join(", ")),
        }
    }
    let folder = PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join("speed");
    std::fs::create_dir_all(&folder).unwrap();
    let place = Place { folder, sizes };
    let mut table = Table::new(&place.folder, &NAMES);
    for (name, measure) in GROUPS.iter().filter(|(name, _)| rows.is_empty() || rows.iter().any(|row| row == name)) {
        println!("{name}");
        measure(&place, &mut table);
        table.end(name, &place.sizes.to_string());
    }
}

/// Runs a program to its end; gives wall time and the CPU time of it and its children, s.
pub fn timed(command: &mut Command) -> (f64, f64) {
    let (from, before) = (Instant::now(), cpu_of("self", 13));
    let done =
        command.stdin(Stdio::null()).stdout(Stdio::null()).output().unwrap_or_else(|why| panic!("{command:?}: {why}"));
    assert!(done.status.success(), "{command:?}: {}", String::from_utf8_lossy(&done.stderr));
    (from.elapsed().as_secs_f64(), cpu_of("self", 13) - before)
}

/// CPU time, s: two fields, in hundredths, of proc(5) `stat` of a process. 11: its own; 13: that of its ended children.
pub fn cpu_of(process: &str, field: usize) -> f64 {
    let stat = std::fs::read_to_string(format!("/proc/{process}/stat")).unwrap();
    let fields: Vec<&str> = stat.rsplit_once(')').unwrap().1.split_whitespace().collect();
    let ticks = |at: usize| fields[at].parse::<f64>().unwrap();
    (ticks(field) + ticks(field + 1)) / 100.0
}

pub fn treebell(folder: &Path) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_treebell"));
    command.current_dir(folder).env("RUST_LOG", "warn");
    command
}

/// The command line of SQLite, on a database. Its own commands take a line each, so the script is a file.
pub fn sqlite3(database: &Path, script: &str) -> Command {
    let file = database.with_extension("script");
    std::fs::write(&file, format!("{script}\n")).unwrap();
    let mut command = Command::new("sqlite3");
    command.arg("-batch").arg("-bail").arg(database).arg(format!(".read {}", file.display()));
    command
}

pub fn runtime() -> tokio::runtime::Runtime {
    tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build().unwrap()
}

/// Takes away a database and what lies beside it.
pub fn fresh(file: &Path) {
    for end in ["", "-wal", "-shm", ".answers", ".answers-wal", ".answers-shm"] {
        let _ = std::fs::remove_file(format!("{}{end}", file.display()));
    }
}
