//! What a demo and a practice stand on: a folder of their own, settings for it, and the invented state in a store there.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::io;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};

use chrono::{DateTime, NaiveDate, Utc};

use crate::config::{Config, ConfigFault};
use crate::delivery::settings::PaceConfig;
use crate::demo::people;
use crate::demo::practice::account::AccountFault;
use crate::demo::state::{State, StateError};
use crate::demo::weather::StateWeather;
use crate::people::{Address, AddressError, Consent, NewSubscriber, Reach};
use crate::region::Region;
use crate::secret::Secret;
use crate::service::app::AppError;
use crate::service::replay::ReplayError;
use crate::store::enrolment::enrol;
use crate::store::weather::{ForecastValue, add_forecast};
use crate::store::{Store, StoreError};

/// What a demo leaves in its folder, so that a second demo knows it may write over it.
pub(super) const SETTINGS: &str = "treebell.toml";
pub(super) const STORE: &str = "treebell.sqlite";
pub(super) const MESSAGES: &str = "messages";
/// Of a practice.
pub(super) const DESK_KEY: &str = "desk-key";
const PHOTOGRAPHS: &str = "photographs";
const MARK: &str = "# Made by `treebell demo`: an invented state, to try the other commands on.\n";

#[derive(Debug, thiserror::Error)]
pub enum DemoError {
    #[error(transparent)]
    State(#[from] StateError),
    #[error("season {season} cannot be played: the invented state has {first} to {last}")]
    Season { season: i32, first: i32, last: i32 },
    #[error("`{}` holds something that no demo made: name an empty or a new folder with --messages", .0.display())]
    NotOurs(PathBuf),
    #[error("the store in `{}` is none for practice, and is left as it is: name an empty or a new folder with --messages", .0.display())]
    NotForPractice(PathBuf),
    #[error("`{}` cannot be written", .path.display())]
    Folder { path: PathBuf, source: io::Error },
    #[error("an invented address is not one")]
    Address(#[from] AddressError),
    #[error("{0}")]
    Setting(ConfigFault),
    #[error("the built-in profile of the state is missing")]
    NoProfile,
    #[error(transparent)]
    App(#[from] AppError),
    #[error(transparent)]
    Store(#[from] StoreError),
    #[error(transparent)]
    Replay(#[from] ReplayError),
    #[error(transparent)]
    Account(#[from] AccountFault),
    #[error("the pages cannot be put together: {0}")]
    Pages(String),
    #[error("the view cannot be written")]
    View(#[source] io::Error),
}

/// Whether a folder holds what an earlier demo or practice left.
#[expect(clippy::disallowed_methods, reason = "the demo has begun nothing yet")]
pub(super) fn is_ours(folder: &Path) -> bool {
    std::fs::read_to_string(folder.join(SETTINGS)).is_ok_and(|text| text.starts_with(MARK))
}

/// An empty folder, or one that an earlier demo left, emptied of what it left.
///
/// # Errors
/// [`DemoError::NotOurs`]; a folder that cannot be made or emptied.
#[expect(clippy::disallowed_methods, reason = "the demo has begun nothing yet")]
pub(super) fn make_room(folder: &Path) -> Result<(), DemoError> {
    let fault = |path: &Path| {
        let path = path.to_owned();
        move |source| DemoError::Folder { path, source }
    };
    std::fs::create_dir_all(folder).map_err(fault(folder))?;
    let mut entries = Vec::new();
    for entry in std::fs::read_dir(folder).map_err(fault(folder))? {
        entries.push(entry.map_err(fault(folder))?.file_name().to_string_lossy().into_owned());
    }
    if entries.is_empty() {
        return Ok(());
    }
    if !is_ours(folder) {
        return Err(DemoError::NotOurs(folder.to_owned()));
    }
    for name in entries {
        let path = folder.join(&name);
        if name == MESSAGES || name == PHOTOGRAPHS {
            std::fs::remove_dir_all(&path).map_err(fault(&path))?;
        } else if name.starts_with(STORE) {
            std::fs::remove_file(&path).map_err(fault(&path))?;
        }
    }
    Ok(())
}

/// Settings for the demo's own store and folders, written beside them; with a desk at an address where there is one.
///
/// # Errors
/// When the file cannot be written.
#[expect(clippy::disallowed_methods, reason = "the demo has begun nothing yet")]
pub(super) fn settings(folder: &Path, state: &State, desk: Option<SocketAddr>) -> Result<Config, DemoError> {
    let fault = |source| DemoError::Folder { path: folder.to_owned(), source };
    let folder = std::path::absolute(folder).map_err(fault)?;
    let mut config = Config::default();
    config.store.address = store_address(&folder, STORE);
    config.schedule.time_zone = state.time_zone;
    config.email.folder = Some(folder.join(MESSAGES));
    config.sms.folder = Some(folder.join(MESSAGES));
    config.messages.sender_name = format!("Treebell {}", state.name);
    config.messages.sender_short = "Treebell".into();
    config.messages.postal_address = format!("1 Example Road, Sample City, {} 00001", state.name);
    config.messages.help_contact = "505-555-0100".into();
    config.feeds.contact = "demo@example.org".into();
    // No service knows the invented places.
    config.feeds.look_up = false;
    let mut text = format!(
        "{MARK}[store]\naddress = {}\n\n[feeds]\ncontact = {}\nlook_up = false\n\n[email]\nfolder = {}\n\n[sms]\nfolder = {}\n\n",
        quoted(&config.store.address),
        quoted(&config.feeds.contact),
        quoted(&folder.join(MESSAGES).display().to_string()),
        quoted(&folder.join(MESSAGES).display().to_string()),
    );
    // Writing to a string cannot fail.
    let _ = write!(text, "[schedule]\ntime_zone = {}\n", quoted(state.time_zone.name()));
    if desk.is_some() {
        config.schedule.cycle = ONCE_A_DAY.into();
        let _ = writeln!(text, "cycle = {}", quoted(ONCE_A_DAY));
    }
    let _ = write!(
        text,
        "\n[messages]\nsender_name = {}\nsender_short = {}\npostal_address = {}\nhelp_contact = {}\n",
        quoted(&config.messages.sender_name),
        quoted(&config.messages.sender_short),
        quoted(&config.messages.postal_address),
        quoted(&config.messages.help_contact),
    );
    if let Some(address) = desk {
        let public = format!("http://{address}");
        let (key, photographs) = (folder.join(DESK_KEY), folder.join(PHOTOGRAPHS));
        let _ = write!(
            text,
            "public_url = {}\n\n[web]\nlisten = {}\n\n[desk]\nenabled = true\nkeys = [{{ file = {} }}]\nphotographs = {}\n",
            quoted(&public),
            quoted(&address.to_string()),
            quoted(&key.display().to_string()),
            quoted(&photographs.display().to_string()),
        );
        config.messages.public_url = public.into();
        config.web.listen = Some(address);
        config.desk.enabled = true;
        config.desk.keys = vec![Secret::File(key)];
        config.desk.photographs = Some(photographs);
        // So slowly that there is something to recall.
        config.delivery.email = slow(3);
        config.delivery.sms = slow(1);
        for (channel, pace) in [("email", &config.delivery.email), ("sms", &config.delivery.sms)] {
            let per_minute = pace.per_minute.unwrap_or_default();
            let _ = write!(text, "\n[delivery.{channel}]\nin_flight = {}\nper_minute = {per_minute}\n", pace.in_flight);
        }
    }
    std::fs::write(folder.join(SETTINGS), text).map_err(fault)?;
    Ok(config)
}

/// A practice has one cycle a day, in the morning.
const ONCE_A_DAY: &str = "0 15 6 * * *";

fn slow(per_minute: u32) -> PaceConfig {
    PaceConfig { in_flight: 1, per_second: None, per_minute: Some(per_minute), per_day: None }
}

pub(super) fn store_address(folder: &Path, file: &str) -> String {
    format!("sqlite:{}", folder.join(file).display())
}

fn quoted(text: &str) -> String {
    toml::Value::String(text.to_owned()).to_string()
}

/// The first instant of the season's year.
pub(super) fn new_year(state: &State, season: i32) -> DateTime<Utc> {
    let first = NaiveDate::from_ymd_opt(season, 1, 1).unwrap_or_default();
    crate::timetable::place(first.and_time(chrono::NaiveTime::MIN), state.time_zone)
}

/// Forecasts of the state's station in this place, issued from one day to another, by when they came.
pub(super) fn forecasts_by_issue(
    made: &StateWeather,
    at: usize,
    (from, to): (NaiveDate, NaiveDate),
) -> BTreeMap<DateTime<Utc>, Vec<ForecastValue>> {
    let mut by_issue: BTreeMap<DateTime<Utc>, Vec<ForecastValue>> = BTreeMap::new();
    for value in made.forecasts(at, from, to) {
        let kept = ForecastValue { day: value.day, element: value.element, value: value.value };
        by_issue.entry(value.received_at).or_default().push(kept);
    }
    by_issue
}

/// Stations with their weather and forecasts, regions, people. `known_by`: only what had come in by then; `None`: the whole record.
///
/// # Errors
/// When the store fails.
pub(super) async fn fill(
    store: &Store,
    state: &State,
    regions: &[Region],
    made: &StateWeather,
    (season, seed): (i32, u64),
    known_by: Option<DateTime<Utc>>,
    progress: impl Fn(&str, usize, usize),
) -> Result<(), DemoError> {
    let is_known = |received_at: DateTime<Utc>| known_by.is_none_or(|by| received_at <= by);
    let now = new_year(state, season);
    let year = |month, day| NaiveDate::from_ymd_opt(season, month, day).unwrap_or_default();
    for (at, station) in state.stations.iter().enumerate() {
        progress("stations and their weather", at, state.stations.len());
        store.add_missing_stations(std::slice::from_ref(&station.station)).await?;
        let mut versions = made.versions(at);
        versions.retain(|version| is_known(version.received_at));
        store.add_versions(&station.station.id, &versions).await?;
        let forecasts = forecasts_by_issue(made, at, (year(1, 1), year(9, 30)));
        let mut tx = store.begin().await?;
        for (received_at, values) in forecasts.into_iter().filter(|(received_at, _)| is_known(*received_at)) {
            add_forecast(&mut tx, &station.station.id, &values, received_at).await?;
        }
        tx.commit().await?;
    }
    progress("regions and people", state.stations.len(), state.stations.len());
    store.put_regions(regions, now).await?;
    store.import_places(&State::places()?, now).await?;
    let mut tx = store.begin().await?;
    for person in people::make(state, seed) {
        let mut addresses = Vec::new();
        for text in [person.email, person.phone].into_iter().flatten() {
            addresses.push(Address::parse(&text, Reach::NorthAmerica)?);
        }
        let consent = Consent::Given { evidence: "invented for the demo".into() };
        let person =
            NewSubscriber { zips: person.zips, heights: Vec::new(), addresses, language: person.language, consent };
        enrol(&mut tx, &person, now).await?;
    }
    tx.commit().await?;
    Ok(())
}
