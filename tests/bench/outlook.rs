//! Outlooks, cycles, replays and verification of states of any size, by the program that people run.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Duration;

use treebell::assessment::past::{Asked, OwnPast, SEASON_DAYS, StationHistory};
use treebell::heat::hindcast::{self, AssumedForecast, DRESSING_LEADS};
use treebell::heat::projection::{Dressing, PastSeason, Projector};
use treebell::season::Profile;
use treebell::season::outlook::heat_sum_of;
use treebell::weather::record::Known;
use treebell::weather::settings::WeatherConfig;

use crate::country::{Country, open};
use crate::heat::{own_cpu, python, script};
use crate::table::Table;
use crate::{Place, runtime, timed, treebell};

/// The day of the outlooks, in the season after the records' end but one, and the one after it.
const TODAY: &str = "2025-03-10";
const TOMORROW: &str = "2025-03-11";

/// All regions' outlooks: nothing kept, the same again, and on the next day, whose values have come in; and their arithmetic
/// beside numpy.
pub fn outlook(place: &Place, table: &mut Table) {
    let sizes = &place.sizes;
    let bare = state(&place.folder, sizes.regions, sizes.stations, sizes.years);
    let what = format!("{} regions on {} stations, {} years", sizes.regions, sizes.stations, sizes.years);
    let (mut first, mut first_cpu, mut again, mut next) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
    let (mut kept, mut anew) = (Vec::new(), Vec::new());
    for _ in 0..sizes.times {
        let folder = copied(&bare, &place.folder.join("outlook"));
        let ask =
            |day: &str| timed(treebell(&folder).args(["--config", "state.toml", "outlook", "--json", "--on", day]));
        let (wall, cpu) = ask(TODAY);
        first.push(wall);
        first_cpu.push(cpu);
        let (count, newest) = runtime().block_on(pasts_kept(&folder, i64::MIN));
        kept.push(count);
        again.push(ask(TODAY).0);
        runtime().block_on(a_new_day(&folder));
        next.push(ask(TOMORROW).0);
        anew.push(runtime().block_on(pasts_kept(&folder, newest as i64)).0);
    }
    table.row(format!("outlook of {what}, nothing kept: CPU"), "s", first_cpu, None, "10 s");
    table.row("… wall time", "s", first, None, "-");
    table.row("… the same again", "s", again, None, "under 1 s");
    table.row("… one new day", "s", next, None, "under 1 s");
    table.row("… stations whose past is kept", "", kept, None, &sizes.stations.to_string());
    table.row("… of those made anew again, or on the new day", "", anew, None, "0");
    beside_numpy(place, table, &bare);
}

/// How many pasts were kept after an instant (ms), and when the newest was.
async fn pasts_kept(folder: &Path, after: i64) -> (f64, f64) {
    let store = open(&folder.join("state.sqlite")).await;
    let mut tx = store.begin().await.unwrap();
    let (count, newest): (i64, i64) =
        sqlx::query_as("SELECT COUNT(*), COALESCE(MAX(kept_at), 0) FROM kept_pasts WHERE kept_at > $1")
            .bind(after)
            .fetch_one(tx.conn())
            .await
            .unwrap();
    tx.rollback().await.unwrap();
    store.close().await;
    (count as f64, newest as f64)
}

/// Each station's values of the first day come in once more, a little higher: as much is written as on any morning.
async fn a_new_day(folder: &Path) {
    let store = open(&folder.join("state.sqlite")).await;
    let (day, received_at) = (TODAY.parse().unwrap(), format!("{TOMORROW}T06:00:00Z").parse().unwrap());
    for station in store.stations().await.unwrap() {
        let mut versions = store.record_since(&station.id, day).await.unwrap().versions;
        versions.retain(|version| version.day == day);
        for version in &mut versions {
            (version.value.0, version.received_at) = (version.value.0 + 1, received_at);
        }
        store.add_versions(&station.id, &versions).await.unwrap();
    }
    store.close().await;
}

/// Stations that numpy works at too: three hundred take it more than five minutes.
const BESIDE_NUMPY: usize = 30;

/// How far off projections of past seasons were, and what numpy makes of the same seasons. Its dates must be ours.
fn beside_numpy(place: &Place, table: &mut Table, bare: &Path) {
    let pasts = pasts(bare, place.sizes.stations.min(BESIDE_NUMPY));
    let profile = Profile::pinyon_needle_scale();
    let target = heat_sum_of(&profile, &profile.window.opens).unwrap();
    let mut text = format!("{} {} {target}\n", profile.heat.lower_c(), profile.heat.upper_c().unwrap());
    let before = own_cpu();
    let mut asked = Vec::with_capacity(pasts.len());
    for past in &pasts {
        let projector = Projector::new(profile.heat, SEASON_DAYS, past);
        let seasons: Vec<i32> = projector.seasons().collect();
        let (none, no_dressing) = (AssumedForecast::None, Dressing::default());
        asked.push(hindcast::hindcast(&projector, &seasons, target, &DRESSING_LEADS, none, &no_dressing));
    }
    let ours = own_cpu() - before;
    let work = format!("past projections of {} stations, one sum at {} leads: CPU", pasts.len(), DRESSING_LEADS.len());
    let Some(python) = python() else {
        table.row(work, "s", vec![ours], None, "a tenth of numpy");
        return;
    };
    for (past, asked) in pasts.iter().zip(&asked) {
        writeln!(text, "{} {}", past.len(), asked.len()).unwrap();
        for season in past {
            write!(text, "{}", season.season).unwrap();
            season.days.iter().for_each(|day| write!(text, " {} {}", day.min_c, day.max_c).unwrap());
            text.push('\n');
        }
        for one in asked {
            writeln!(text, "{} {} {} {}", one.season, one.lead, one.mean, one.not_reached).unwrap();
        }
    }
    let file = place.folder.join("outlook.txt");
    std::fs::write(&file, text).unwrap();
    let done = Command::new(python).arg(script("outlook.py")).arg(&file).output().unwrap();
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
    let said = String::from_utf8(done.stdout).unwrap();
    let (cpu, compared) = said.trim().split_once('\n').unwrap();
    let (compared, differ) = compared.split_once(' ').unwrap();
    // A sum that lies on the target to the last bits may fall on either side of it.
    let (compared, differ): (u32, u32) = (compared.parse().unwrap(), differ.parse().unwrap());
    assert!(compared > 0 && differ * 10_000 <= compared, "{differ} of {compared} dates differ from numpy's");
    table.row(work, "s", vec![ours], Some(("numpy", vec![cpu.parse().unwrap()])), "a tenth of numpy");
}

/// The past seasons of each station's own record.
fn pasts(folder: &Path, stations: usize) -> Vec<Vec<PastSeason>> {
    let (profile, rules) = (Profile::pinyon_needle_scale(), WeatherConfig::default());
    let asked = Asked { profile: &profile, season: 2025, rules: &rules, known: Known::Everything };
    runtime().block_on(async {
        let store = open(&folder.join("state.sqlite")).await;
        let mut pasts = Vec::with_capacity(stations);
        for stored in store.stations().await.unwrap().into_iter().take(stations) {
            let record = store.record(&stored.id).await.unwrap().index(stored.time_zone);
            pasts.push(OwnPast::of(&StationHistory { station: stored, record }, &asked).into_seasons());
        }
        store.close().await;
        pasts
    })
}

/// The code with which `once` ends where no source of an invented station gave anything: the cycle is made all the same.
const NO_SOURCE_ANSWERED: i32 = 5;

/// A day's cycle over ten times the regions, and the memory that it takes.
pub fn cycle(place: &Place, table: &mut Table) {
    let (regions, stations) = (place.sizes.regions * 10, place.sizes.stations * 10 / 3);
    let folder = state(&place.folder, regions, stations, place.sizes.years);
    let folder = copied(&folder, &place.folder.join("cycle"));
    let (wall, memory) =
        measured(treebell(&folder).args(["--config", "state.toml", "once", "--patience", "0"]), NO_SOURCE_ANSWERED);
    table.row(format!("a day's cycle, {regions} regions on {stations} stations"), "s", vec![wall], None, "60 s");
    table.row("… most memory", "MiB", vec![memory], None, "1 GiB");
}

/// Every season of eight regions, and one season of very many.
pub fn replay(place: &Place, table: &mut Table) {
    let years = place.sizes.years * 100 / 60;
    let folder = state(&place.folder, 8, 8, years);
    let (wall, memory) =
        measured(treebell(&folder).args(["--config", "state.toml", "replay", "--all-seasons", "--json"]), 0);
    table.row(format!("replay of all seasons, 8 regions, {years} years"), "s", vec![wall], None, "15 s");
    table.row("… most memory", "MiB", vec![memory], None, "-");
    let (regions, stations, years) = (place.sizes.regions * 110, place.sizes.stations * 20, place.sizes.years / 2);
    let folder = state(&place.folder, regions, stations, years + 1);
    let (wall, memory) =
        measured(treebell(&folder).args(["--config", "state.toml", "replay", "--season", "2025", "--json"]), 0);
    let what = format!("replay of one season, {regions} regions on {stations} stations, {years} past years");
    table.row(what, "s", vec![wall], None, "5 min");
    table.row("… most memory", "MiB", vec![memory], None, "2 GiB");
}

/// Fourteen real stations where they lie beside the project.
pub fn verify(place: &Place, table: &mut Table) {
    let records = Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/data/ghcn-daily");
    if !records.is_dir() {
        return table.missing("verify of 14 real stations", "their records do not lie beside the project");
    }
    let folder = place.folder.join("verify");
    if !folder.join("state.sqlite").exists() {
        std::fs::create_dir_all(&folder).unwrap();
        runtime().block_on(real_stations(&records, &folder.join("state.sqlite")));
        settings(&folder);
    }
    let ask = || timed(treebell(&folder).args(["--config", "state.toml", "verify", "--json"]));
    let (wall, cpu): (Vec<f64>, Vec<f64>) = (0..place.sizes.times).map(|_| ask()).unzip();
    table.row("verify of 14 real stations", "s", wall, None, "3 s");
    table.row("… CPU", "s", cpu, None, "-");
}

async fn real_stations(records: &Path, file: &Path) {
    use std::io::Read as _;
    let store = open(file).await;
    let files = std::fs::read_dir(records).unwrap().map(|entry| entry.unwrap().path());
    let mut files: Vec<PathBuf> = files.filter(|path| path.to_string_lossy().ends_with(".dly.gz")).collect();
    files.sort();
    let country = Country::new(1, 1, 1);
    for path in files {
        let mut text = String::new();
        flate2::read::GzDecoder::new(std::fs::File::open(&path).unwrap()).read_to_string(&mut text).unwrap();
        let mut station = country.stations[0].clone();
        station.id = treebell::weather::StationId(path.file_name().unwrap().to_string_lossy()[..11].to_owned());
        store.add_station(&station).await.unwrap();
        store.add_versions(&station.id, &crate::country::dly_versions(&text)).await.unwrap();
    }
    store.close().await;
}

/// A folder with a store and its settings: made once, used again.
fn state(of: &Path, regions: usize, stations: usize, years: i32) -> PathBuf {
    let folder = of.join(format!("state-{regions}-{stations}-{years}"));
    if !folder.join("made").exists() {
        let _ = std::fs::remove_dir_all(&folder);
        std::fs::create_dir_all(&folder).unwrap();
        runtime().block_on(async {
            let country = Country::new(stations, regions, years);
            country.store(&folder.join("state.sqlite")).await.close().await;
        });
        settings(&folder);
        std::fs::write(folder.join("made"), "").unwrap();
    }
    folder
}

fn settings(folder: &Path) {
    let text = "[store]\naddress = \"sqlite:state.sqlite\"\n[email]\nfolder = \"out\"\n[sms]\nfolder = \"out\"\n";
    std::fs::write(folder.join("state.toml"), text).unwrap();
}

/// As it was made, without what a run has kept.
fn copied(from: &Path, to: &Path) -> PathBuf {
    let _ = std::fs::remove_dir_all(to);
    std::fs::create_dir_all(to).unwrap();
    for file in ["state.sqlite", "state.toml"] {
        std::fs::copy(from.join(file), to.join(file)).unwrap();
    }
    to.to_owned()
}

/// Runs a program to its end, which is to be with this code; wall time, s, and the most memory it had resident, MiB (proc(5) `status`, VmHWM).
fn measured(command: &mut Command, code: i32) -> (f64, f64) {
    let from = std::time::Instant::now();
    let mut child = command.stdin(Stdio::null()).stdout(Stdio::null()).spawn().unwrap();
    let mut most: f64 = 0.0;
    loop {
        let status = std::fs::read_to_string(format!("/proc/{}/status", child.id())).unwrap_or_default();
        let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:"));
        let kib = line.and_then(|line| line.trim().trim_end_matches(" kB").parse::<f64>().ok());
        most = most.max(kib.unwrap_or(0.0) / 1024.0);
        if let Some(done) = child.try_wait().unwrap() {
            assert_eq!(done.code(), Some(code), "{command:?}");
            return (from.elapsed().as_secs_f64(), most);
        }
        std::thread::sleep(Duration::from_millis(20));
    }
}
