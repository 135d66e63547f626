//! What the service costs at the size of a state or a country, each row beside an alternative in the same run:
//! `cargo bench --bench speed`. Sizes may be given as `NAME=NUMBER` (see [`Sizes`]), rows by their names. The table is printed
//! and written, with the machine, to `tests/evidence/speed.md`.
#![allow(
    clippy::disallowed_methods,
    clippy::unwrap_used,
    reason = "a bench reads the clock and files, and a panic there is the finding"
)]

mod country;
mod heat;
mod lists;
mod outlook;
mod pages;
mod table;

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Instant;

use table::Table;

/// How much is made.
pub struct Sizes {
    pub people: usize,
    pub regions: usize,
    pub stations: usize,
    pub years: i32,
    pub times: usize,
}

/// Where inputs and stores lie: below `target/`, so that they can be used again.
pub struct Place {
    pub folder: PathBuf,
    pub sizes: Sizes,
}

fn main() {
    let mut sizes = Sizes { people: 1_000_000, regions: 300, stations: 300, years: 60, times: 5 };
    let mut rows: Vec<String> = Vec::new();
    for word in std::env::args().skip(1).filter(|word| !word.starts_with("--")) {
        match word.split_once('=') {
            Some((name, number)) => {
                let number: usize = number.parse().unwrap_or_else(|why| panic!("{word}: {why}"));
                match name {
                    "people" => sizes.people = number,
                    "regions" => sizes.regions = number,
                    "stations" => sizes.stations = number,
                    "years" => sizes.years = i32::try_from(number).unwrap(),
                    "times" => sizes.times = number,
                    other => panic!("`{other}` is none of people, regions, stations, years, times"),
                }
            }
            None => rows.push(word),
        }
    }
    let folder = PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join("speed");
    std::fs::create_dir_all(&folder).unwrap();
    let place = Place { folder, sizes };
    let wanted = |row: &str| rows.is_empty() || rows.iter().any(|name| name == row);
    let mut table = Table::default();
    if wanted("weather") {
        lists::weather(&place, &mut table);
    }
    if wanted("people") {
        lists::people(&place, &mut table);
    }
    if wanted("notice") {
        lists::notice(&place, &mut table);
    }
    if wanted("mail") {
        lists::mail(&place, &mut table);
    }
    if wanted("pages") {
        pages::pages(&place, &mut table);
    }
    if wanted("heat") {
        heat::heat(&place, &mut table);
    }
    if wanted("outlook") {
        outlook::outlook(&place, &mut table);
    }
    if wanted("cycle") {
        outlook::cycle(&place, &mut table);
    }
    if wanted("replay") {
        outlook::replay(&place, &mut table);
    }
    if wanted("verify") {
        outlook::verify(&place, &mut table);
    }
    table.write(&rows);
}

/// Runs a program to its end; gives wall time and the CPU time of it and its children, s.
pub fn timed(command: &mut Command) -> (f64, f64) {
    let (from, before) = (Instant::now(), children_cpu());
    let done =
        command.stdin(Stdio::null()).stdout(Stdio::null()).output().unwrap_or_else(|why| panic!("{command:?}: {why}"));
    assert!(done.status.success(), "{command:?}: {}", String::from_utf8_lossy(&done.stderr));
    (from.elapsed().as_secs_f64(), children_cpu() - before)
}

/// CPU time of ended children, s: fields 16 and 17 of proc(5) `stat`, in hundredths.
fn children_cpu() -> f64 {
    let stat = std::fs::read_to_string("/proc/self/stat").unwrap();
    let fields: Vec<&str> = stat.rsplit_once(')').unwrap().1.split_whitespace().collect();
    let ticks = |at: usize| fields[at].parse::<f64>().unwrap();
    (ticks(13) + ticks(14)) / 100.0
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
