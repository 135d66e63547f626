//! The demo's glue: the invented state into a store of its own, then one season through the service's own replay.

use std::collections::BTreeMap;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use chrono::{DateTime, Utc};

use crate::clock::SystemClock;
use crate::config::{Config, ConfigFault};
use crate::demo::eggs::{self, Harvest};
use crate::demo::state::{State, StateError};
use crate::demo::view::{Board, BoardRegion, LiveView, Manner, Mark, Scale, Speed};
use crate::demo::weather::StateWeather;
use crate::demo::{people, reports, truth, weather};
use crate::dispatch::channels::Channels;
use crate::dispatch::channels::folder::FolderTransport;
use crate::dispatch::channels::mail::MailWriter;
use crate::people::{Address, AddressError, Consent, NewSubscriber, Reach};
use crate::randomness::Randomness;
use crate::service::app::{App, AppError, make_store};
use crate::service::replay::{RegionSeason, ReplayError, ReplayWorld};
use crate::store::enrolment::enrol;
use crate::store::notices::Notice;
use crate::store::weather::{ForecastValue, add_forecast};
use crate::store::{Store, StoreError};

/// What the demo leaves in its folder, so that a second demo knows it may write over it.
const SETTINGS: &str = "treebell.toml";
const STORE: &str = "treebell.sqlite";
const MESSAGES: &str = "messages";
/// The invented staff confirm the next morning.
const STAFF_ANSWER: chrono::Duration = chrono::Duration::hours(26);
const MARK: &str = "# Made by `treebell demo`: an invented state, to try the other commands on.\n";

#[derive(Clone, Debug)]
pub struct Play {
    pub folder: PathBuf,
    /// `None`: the state's own.
    pub season: Option<i32>,
    pub seed: u64,
    pub speed: Speed,
    pub manner: Option<Manner>,
}

/// What a demo came to.
#[derive(Debug)]
pub struct Played {
    pub state: State,
    pub season: i32,
    pub regions: Vec<RegionSeason>,
    /// Every notice of the season, as it stood in the end.
    pub notices: Vec<Notice>,
    /// What the notices were worth, region by region.
    pub harvest: Vec<Harvest>,
    pub board: Board,
    pub settings: PathBuf,
    /// What those settings say.
    pub config: Config,
    pub messages: PathBuf,
    /// What the demo goes on drawing from: of the play's seed.
    pub randomness: Randomness,
}

#[derive(Debug, thiserror::Error)]
pub enum DemoError {
    #[error(transparent)]
    State(#[from] StateError),
    #[error("season {season} cannot be played: the invented state has {first} to {last}")]
    Season { season: i32, first: i32, last: i32 },
    #[error("`{}` holds something that no demo made: name an empty or a new folder with --messages", .0.display())]
    NotOurs(PathBuf),
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
    #[error("the view cannot be written")]
    View(#[source] io::Error),
}

/// Builds the state and plays a season.
///
/// `progress` is told in words what is being made, before the view begins.
///
/// # Errors
/// See [`DemoError`]. A folder that holds anything but an earlier demo is left as it was.
pub async fn play(
    wanted: &Play,
    out: impl io::Write + Send,
    progress: impl Fn(&str, usize, usize),
) -> Result<Played, DemoError> {
    let state = State::built_in()?;
    let season = wanted.season.unwrap_or(state.season);
    if !state.seasons().contains(&season) {
        let (first, last) = (*state.seasons().start(), *state.seasons().end());
        return Err(DemoError::Season { season, first, last });
    }
    make_room(&wanted.folder)?;
    let config = settings(&wanted.folder, &state)?;
    let randomness = Randomness::seeded(wanted.seed);
    make_store(&config, &randomness).await?.close().await;
    let app = App::open(&config, Arc::new(SystemClock), &randomness).await?;
    let made = weather::make(&state, wanted.seed);
    fill(&app.store, &state, &made, wanted.seed, season, progress).await?;
    let profile = app.profiles.get(&state.profile).ok_or(DemoError::NoProfile)?.clone();
    let truths = truth::draw(&state, &made, &profile, season, wanted.seed);
    let seen = reports::make(&truths, &profile, state.time_zone, season, wanted.seed);
    reports::put(&app.store, &seen).await?;

    let world = ReplayWorld::read(&app, &[]).await?.with_staff(STAFF_ANSWER);
    let messages = wanted.folder.join(MESSAGES);
    let folder = FolderTransport::open(&messages, MailWriter::new(&config.email).map_err(DemoError::Setting)?)
        .map_err(|source| DemoError::Folder { path: messages.clone(), source })?;
    let board = board(&app, &state, season)?;
    let manner = wanted.manner.unwrap_or(Manner::Plain);
    let mut view = LiveView::new(board, out, manner, wanted.speed);
    let mut broken = None;
    let (regions, notices) = world
        .play_through(season, Some(Channels::both(Arc::new(folder.clone()))), &mut |event| {
            if broken.is_none() {
                broken = view.handle(event).err();
            }
        })
        .await?;
    if let Some(why) = broken {
        return Err(DemoError::View(why));
    }
    folder.sort_index().map_err(|source| DemoError::Folder { path: messages.clone(), source })?;
    let board = view.close().map_err(DemoError::View)?;
    let harvest = profile.eggs.as_ref().map(|eggs| eggs::harvest(&regions, &truths, eggs)).unwrap_or_default();
    app.store.close().await;
    let settings = wanted.folder.join(SETTINGS);
    Ok(Played { state, season, regions, notices, harvest, board, settings, config, messages, randomness })
}

/// An empty folder, or one that an earlier demo left, emptied of what it left.
#[expect(clippy::disallowed_methods, reason = "the demo has begun nothing yet")]
fn make_room(folder: &Path) -> Result<(), DemoError> {
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
    let ours = std::fs::read_to_string(folder.join(SETTINGS)).is_ok_and(|text| text.starts_with(MARK));
    if !ours {
        return Err(DemoError::NotOurs(folder.to_owned()));
    }
    for name in entries {
        let path = folder.join(&name);
        if name == MESSAGES {
            std::fs::remove_dir_all(&path).map_err(fault(&path))?;
        } else if name.starts_with(STORE) {
            std::fs::remove_file(&path).map_err(fault(&path))?;
        }
    }
    Ok(())
}

/// Settings for the demo's own store and folders, written beside them.
#[expect(clippy::disallowed_methods, reason = "the demo has begun nothing yet")]
fn settings(folder: &Path, state: &State) -> Result<Config, DemoError> {
    let fault = |source| DemoError::Folder { path: folder.to_owned(), source };
    let folder = std::path::absolute(folder).map_err(fault)?;
    let mut config = Config::default();
    config.store.address = format!("sqlite:{}", folder.join(STORE).display());
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
    let text = format!(
        "{MARK}[store]\naddress = {}\n\n[schedule]\ntime_zone = {}\n\n[feeds]\ncontact = {}\nlook_up = false\n\n[email]\nfolder = {}\n\n[sms]\nfolder = {}\n\n\
         [messages]\nsender_name = {}\nsender_short = {}\npostal_address = {}\nhelp_contact = {}\n",
        quoted(&config.store.address),
        quoted(state.time_zone.name()),
        quoted(&config.feeds.contact),
        quoted(&folder.join(MESSAGES).display().to_string()),
        quoted(&folder.join(MESSAGES).display().to_string()),
        quoted(&config.messages.sender_name),
        quoted(&config.messages.sender_short),
        quoted(&config.messages.postal_address),
        quoted(&config.messages.help_contact),
    );
    std::fs::write(folder.join(SETTINGS), text).map_err(fault)?;
    Ok(config)
}

fn quoted(text: &str) -> String {
    toml::Value::String(text.to_owned()).to_string()
}

/// Stations with their weather and forecasts, regions, people.
async fn fill(
    store: &Store,
    state: &State,
    made: &StateWeather,
    seed: u64,
    season: i32,
    progress: impl Fn(&str, usize, usize),
) -> Result<(), DemoError> {
    let now: DateTime<Utc> = crate::timetable::place(
        chrono::NaiveDate::from_ymd_opt(season, 1, 1).unwrap_or_default().and_time(chrono::NaiveTime::MIN),
        state.time_zone,
    );
    let year = |month, day| chrono::NaiveDate::from_ymd_opt(season, month, day).unwrap_or_default();
    for (at, station) in state.stations.iter().enumerate() {
        progress("stations and their weather", at, state.stations.len());
        store.add_missing_stations(std::slice::from_ref(&station.station)).await?;
        store.add_versions(&station.station.id, &made.versions(at)).await?;
        let mut by_issue: BTreeMap<DateTime<Utc>, Vec<ForecastValue>> = BTreeMap::new();
        for value in made.forecasts(at, year(1, 1), year(9, 30)) {
            let kept = ForecastValue { day: value.day, element: value.element, value: value.value };
            by_issue.entry(value.received_at).or_default().push(kept);
        }
        let mut tx = store.begin().await?;
        for (received_at, values) in by_issue {
            add_forecast(&mut tx, &station.station.id, &values, received_at).await?;
        }
        tx.commit().await?;
    }
    progress("regions and people", state.stations.len(), state.stations.len());
    let regions: Vec<_> = state.regions.iter().map(|region| region.region.clone()).collect();
    store.put_regions(&regions, now).await?;
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

fn board(app: &App, state: &State, season: i32) -> Result<Board, DemoError> {
    let profile = &*app.profiles.get(&state.profile).ok_or(DemoError::NoProfile)?;
    let regions = state.regions.iter().map(|region| BoardRegion {
        id: region.region.id.clone(),
        name: region.region.name.clone(),
        elevation_m: region.region.elevation_m,
    });
    let marks = profile
        .heat_marks()
        .into_iter()
        .map(|(stage, degree_days)| {
            let word = if stage == profile.window.opens {
                "lay"
            } else if stage == profile.window.closes {
                "hatch"
            } else if profile.rank(&stage) > profile.rank(&profile.window.opens) {
                "most"
            } else {
                ""
            };
            Mark { word: word.into(), degree_days }
        })
        .collect();
    let scale = Scale { marks, opens: profile.window.opens.clone(), closes: profile.window.closes.clone() };
    let first = profile.first_day(season);
    let last = chrono::NaiveDate::from_ymd_opt(season, 7, 15).unwrap_or(first);
    Ok(Board::new(&state.name, first, last, scale, regions))
}
