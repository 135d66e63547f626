//! The work on a draft: looking its place up, fetching records, living through past seasons. Nothing is saved but what services
//! said of a place.

use std::sync::Arc;

use super::draft::{Draft, Failure, Ready, RegionChange, Stage, Step, Task};
use super::due::due;
use crate::service::app::App;
use crate::service::new_region::history::{fetch, not_fetched, notes};
use crate::service::new_region::trial::Trial;
use crate::service::new_region::{Found, Ground, NewRegionError, Wish, change_stands, find};
use crate::service::past_cache::Watch;
use crate::service::preview::Previews;
use crate::service::region_fault::RegionFault;
use crate::store::StoreError;
use crate::text::Chain;
use crate::weather::Station;

/// Why a draft came to nothing.
#[derive(Debug, thiserror::Error)]
pub(super) enum WorkFault {
    #[error(transparent)]
    Region(#[from] NewRegionError),
    #[error(transparent)]
    Preview(#[from] RegionFault),
    #[error(transparent)]
    Store(#[from] StoreError),
}

impl WorkFault {
    /// For whoever asked.
    pub fn told(&self) -> Failure {
        match self {
            WorkFault::Region(NewRegionError::Refused(faults)) => Failure { why: faults.clone(), no_station: None },
            WorkFault::Region(NewRegionError::NoStation(none)) => {
                Failure { no_station: Some((**none).clone()), ..Failure::of(none.to_string()) }
            }
            WorkFault::Region(NewRegionError::Store(why)) | WorkFault::Store(why) => Failure::of(store_words(why)),
            WorkFault::Preview(RegionFault::Store(why)) => Failure::of(store_words(why)),
            WorkFault::Preview(why) => Failure::of(Chain(why).to_string()),
        }
    }

    /// Whether it is for the log: nothing that was asked for mends it.
    pub fn is_ours(&self) -> bool {
        match self {
            WorkFault::Region(NewRegionError::Refused(_) | NewRegionError::NoStation(_)) => false,
            WorkFault::Region(NewRegionError::Store(why)) | WorkFault::Store(why) => {
                !matches!(why, StoreError::Conflict(_))
            }
            WorkFault::Preview(_) => true,
        }
    }
}

fn store_words(why: &StoreError) -> String {
    match why {
        StoreError::Conflict(conflict) => conflict.to_string(),
        other => format!("{other}; nothing was saved, so begin once more when that is over"),
    }
}

pub(super) async fn work(app: &App, draft: &Arc<Draft>, ground: &Ground) -> Result<Ready, WorkFault> {
    draft.go_to(Stage::Working { step: Step::LookingUp, done: 0, of: 0 });
    match &draft.task {
        Task::Add(wish) => add(app, draft, wish, ground).await,
        Task::Change(change) => of_change(app, draft, change, ground).await,
    }
}

async fn add(app: &App, draft: &Arc<Draft>, wish: &Wish, ground: &Ground) -> Result<Ready, WorkFault> {
    let now = app.clock.now();
    let found = find(wish, ground).await?;
    // What the store would refuse is told before records are fetched.
    app.store.try_region(&found.region, &found.new_stations, now).await?;
    let trial = Trial::of(&found, ground, now).await?;
    let notes = records(app, draft, &trial, ground).await?;
    let mut previews = Previews::in_trial(app, trial.store());
    let preview = previews.of(&found.region, &watch(draft)).await?;
    // Where the store has all of its records, it has their forecasts as well.
    let own = if found.new_stations.is_empty() && trial.lacking().is_empty() { app } else { previews.own() };
    let comes_up = due(app, own, &found.region, &preview.waiting).await?;
    Ok(Ready { found, preview, before: None, comes_up, notes, trial: Some(trial) })
}

/// Fetches what the trial lacks; gives what could not be had.
async fn records(app: &App, draft: &Draft, trial: &Trial, ground: &Ground) -> Result<Vec<String>, StoreError> {
    let lacking = trial.lacking();
    match ground.look_ups.offline() {
        _ if lacking.is_empty() => Ok(Vec::new()),
        Some(why) => Ok(vec![not_fetched(lacking, why)]),
        None => {
            let heard = |nth: usize, station: Option<&Station>| {
                if let Some(station) = station {
                    let (done, of) = (nth as u64, lacking.len() as u64);
                    draft.go_to(Stage::Working { step: Step::Fetching(station.id.clone()), done, of });
                }
            };
            let done = fetch(trial.store(), lacking, ground, &app.config.feeds, Arc::clone(&app.clock), &heard).await?;
            Ok(done.iter().flat_map(notes).collect())
        }
    }
}

async fn of_change(app: &App, draft: &Arc<Draft>, change: &RegionChange, ground: &Ground) -> Result<Ready, WorkFault> {
    let RegionChange { before, after } = change;
    app.store.try_changing_region(after).await?;
    let (remarks, doubts) = change_stands(before, after, ground).await?;
    let mut previews = Previews::new(app, &[]);
    let now = previews.of(before, &watch(draft)).await?;
    let preview = previews.of(after, &watch(draft)).await?;
    let found = Found { region: after.clone(), new_stations: Vec::new(), facts: Vec::new(), remarks, doubts };
    let comes_up = due(app, app, after, &preview.waiting).await?;
    Ok(Ready { found, preview, before: Some(now), comes_up, notes: Vec::new(), trial: None })
}

/// Tells how many past seasons are lived through.
fn watch(draft: &Arc<Draft>) -> Watch {
    let draft = Arc::clone(draft);
    Arc::new(move |done, of| draft.go_to(Stage::Working { step: Step::Living, done, of }))
}
