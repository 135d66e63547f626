//! The demo's glue: the invented state into a store of its own, then one season through the service's own replay.

use std::io;
use std::path::PathBuf;
use std::sync::Arc;

use chrono::NaiveTime;

use crate::clock::SystemClock;
use crate::config::Config;
use crate::demo::eggs::{self, Harvest};
use crate::demo::ground::{self, DemoError, MESSAGES, SETTINGS, STORE};
use crate::demo::state::State;
use crate::demo::view::{Board, BoardRegion, Event, LiveView, Manner, Mark, Scale, Speed};
use crate::demo::{reports, truth, weather};
use crate::dispatch::channels::Channels;
use crate::dispatch::channels::folder::FolderTransport;
use crate::dispatch::channels::mail::MailWriter;
use crate::randomness::Randomness;
use crate::service::app::{App, make_store};
use crate::service::replay::{RegionSeason, ReplayWorld};
use crate::store::notices::Notice;
use crate::store::practice::Practice;
use crate::timetable::place;

/// The invented staff confirm the next morning.
const STAFF_ANSWER: chrono::Duration = chrono::Duration::hours(26);

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
    /// The store that keeps the season.
    pub store: PathBuf,
    /// What those settings say.
    pub config: Config,
    pub messages: PathBuf,
    /// What the demo goes on drawing from: of the play's seed.
    pub randomness: Randomness,
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
    ground::make_room(&wanted.folder)?;
    let config = ground::settings(&wanted.folder, &state, None)?;
    let randomness = Randomness::seeded(wanted.seed);
    let store = make_store(&config, &randomness).await?;
    let mark = Practice { season, seed: wanted.seed, now: ground::new_year(&state, season) };
    store.mark_as_practice(&mark).await?;
    store.close().await;
    let app = App::open(&config, Arc::new(SystemClock), &randomness).await?;
    // Of an invented season nothing has to survive a power cut.
    app.store.hurry().await?;
    let made = weather::make(&state, wanted.seed);
    let regions: Vec<_> = state.regions.iter().map(|region| region.region.clone()).collect();
    ground::fill(&app.store, &state, &regions, &made, (season, wanted.seed), None, progress).await?;
    let profile = app.profiles.get(&state.profile).ok_or(DemoError::NoProfile)?.clone();
    let truths = truth::draw(&state, &made, &profile, season, wanted.seed);
    let seen = reports::make(&truths, &profile, state.time_zone, season, wanted.seed);
    reports::put(&app.store, &seen).await?;

    let world = ReplayWorld::read(&app, &[]).await?.with_staff(STAFF_ANSWER).kept_in(app.store.clone());
    let messages = wanted.folder.join(MESSAGES);
    let folder = FolderTransport::open(&messages, MailWriter::new(&config.email).map_err(DemoError::Setting)?)
        .map_err(|source| DemoError::Folder { path: messages.clone(), source })?;
    let board = board(&app, &state, season)?;
    let manner = wanted.manner.unwrap_or(Manner::Plain);
    let mut view = LiveView::new(board, out, manner, wanted.speed);
    let (mut broken, mut last_day) = (None, None);
    let (regions, notices) = world
        .play_through(season, Some(Channels::both(Arc::new(folder.clone()))), &mut |event| {
            if let Event::Day { day, .. } = &event {
                last_day = Some(*day);
            }
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
    // The clock of the store stands where the season ended.
    if let (Some(day), Some(noon)) = (last_day, NaiveTime::from_hms_opt(12, 0, 0)) {
        app.store.set_practice_clock(place(day.and_time(noon), state.time_zone)).await?;
    }
    app.store.close().await;
    let (settings, store) = (wanted.folder.join(SETTINGS), wanted.folder.join(STORE));
    Ok(Played { state, season, regions, notices, harvest, board, settings, store, config, messages, randomness })
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
