//! Drafts of regions, for pages: what takes long goes on behind them and is looked at when it has come.
//!
//! ```text
//! form ─> draft (in line ─> looking up ─> fetching records ─> past seasons) ─> ready ─> saved
//!                                                                  └─> failed, with the mend
//! ```
//!
//! They lie in the memory of this process: a draft that is not saved leaves nothing behind, and a process that ends takes its
//! drafts with it, by [`RegionDrafts::end`]: work that outlived the runtime would panic. They are bounded: so many under way for
//! one account and in all, so many kept, each for so long.

mod draft;
mod due;
mod work;

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use chrono::{DateTime, TimeDelta, Utc};
use tokio::runtime::Handle;
use tokio::sync::Semaphore;
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;
use tracing::{error, warn};

pub use draft::{Draft, Failure, Ready, RegionChange, Stage, Step, Task};

use self::work::work;
use crate::region::Region;
use crate::service::app::App;
use crate::service::desk::{DeskError, Hand};
use crate::service::new_region::Ground;
use crate::store::StoreError;
use crate::text::Chain;

/// So many are worked on at once: each takes all processors while past seasons are lived through.
const AT_ONCE: usize = 2;

/// So many of one account may be under way.
pub const MOST_EACH: usize = 2;

/// So many may be under way in all, those in line included.
pub const MOST: usize = 8;

/// So many that have ended are kept of one account.
const KEPT_EACH: usize = 3;

/// So long a draft is kept: each holds whole records of stations.
pub const KEPT: TimeDelta = TimeDelta::hours(4);

/// Nobody waits longer for a service that is slow.
const LONGEST: Duration = Duration::from_secs(15 * 60);

/// So long the work under way may take to end when the service does.
const LAST_WORK: Duration = Duration::from_secs(5);

/// All drafts of this process. Cheap to clone.
#[derive(Clone)]
pub struct RegionDrafts(Arc<Inner>);

struct Inner {
    drafts: Mutex<BTreeMap<String, Arc<Draft>>>,
    turns: Semaphore,
    /// Each draft's own token hangs on it.
    stop: CancellationToken,
    tasks: TaskTracker,
}

impl Default for RegionDrafts {
    fn default() -> Self {
        let (stop, tasks) = (CancellationToken::new(), TaskTracker::new());
        Self(Arc::new(Inner { drafts: Mutex::default(), turns: Semaphore::new(AT_ONCE), stop, tasks }))
    }
}

/// Why no draft was begun, in words for whoever wanted one.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum TooMany {
    #[error("{MOST_EACH} of your drafts are being worked on already: wait until one has ended, or give one up")]
    Yours,
    #[error("{MOST} drafts are being worked on already: try again in a few minutes")]
    Everybodys,
}

impl RegionDrafts {
    /// Begins the work on one, which goes on whether or not anybody looks. `typed`: the form as it was filled in.
    ///
    /// # Errors
    /// [`TooMany`]; then nothing was begun.
    pub fn begin(
        &self,
        app: &App,
        owner: &str,
        asked: (Task, BTreeMap<String, String>),
        ground: Ground,
    ) -> Result<Arc<Draft>, TooMany> {
        let now = app.clock.now();
        let draft = {
            let mut drafts = self.0.drafts.lock().unwrap_or_else(PoisonError::into_inner);
            forget_old(&mut drafts, now);
            let under_way = |draft: &&Arc<Draft>| draft.stage().is_under_way();
            let all = drafts.values().filter(under_way).count();
            if drafts.values().filter(under_way).filter(|draft| draft.owner == owner).count() >= MOST_EACH {
                return Err(TooMany::Yours);
            }
            if all >= MOST {
                return Err(TooMany::Everybodys);
            }
            keep_few(&mut drafts, owner);
            let id = app.store.randomness().hex::<16>();
            let draft = Arc::new(Draft::new(id, owner, now, asked, self.0.stop.child_token()));
            drafts.insert(draft.id.clone(), Arc::clone(&draft));
            draft
        };
        let (drafts, app, begun) = (self.clone(), app.clone(), Arc::clone(&draft));
        self.0.tasks.spawn(async move {
            drafts.run(app, begun, ground).await;
        });
        Ok(draft)
    }

    /// One of an account's own.
    pub fn of(&self, owner: &str, id: &str, now: DateTime<Utc>) -> Option<Arc<Draft>> {
        let mut drafts = self.0.drafts.lock().unwrap_or_else(PoisonError::into_inner);
        forget_old(&mut drafts, now);
        drafts.get(id).filter(|draft| draft.owner == owner).cloned()
    }

    /// All of an account's own, the newest first.
    pub fn all_of(&self, owner: &str, now: DateTime<Utc>) -> Vec<Arc<Draft>> {
        let mut drafts = self.0.drafts.lock().unwrap_or_else(PoisonError::into_inner);
        forget_old(&mut drafts, now);
        let mut own: Vec<Arc<Draft>> = drafts.values().filter(|draft| draft.owner == owner).cloned().collect();
        own.sort_by(|a, b| b.begun_at.cmp(&a.begun_at).then_with(|| a.id.cmp(&b.id)));
        own
    }

    /// Breaks off the work on all of them, and waits until none is worked on.
    pub async fn rest(&self) {
        let all: Vec<Arc<Draft>> =
            self.0.drafts.lock().unwrap_or_else(PoisonError::into_inner).values().cloned().collect();
        all.iter().for_each(|draft| draft.give_up());
        // Nobody closes it: whoever has all of them has waited for all.
        drop(self.0.turns.acquire_many(AT_ONCE as u32).await);
    }

    /// Ends the work on one and forgets it.
    pub fn give_up(&self, draft: &Draft) {
        draft.give_up();
        self.forget(&draft.id);
    }

    /// Ends the work on all of them, when the service ends, and waits until it has ended.
    pub async fn end(&self) {
        self.0.stop.cancel();
        self.0.tasks.close();
        if tokio::time::timeout(LAST_WORK, self.0.tasks.wait()).await.is_err() {
            warn!("the work on a draft of a region was cut off at the stop");
        }
    }

    fn forget(&self, id: &str) {
        self.0.drafts.lock().unwrap_or_else(PoisonError::into_inner).remove(id);
    }

    async fn run(&self, app: App, draft: Arc<Draft>, ground: Ground) {
        let given_up = draft.given_up().clone();
        let turn = tokio::select! {
            () = given_up.cancelled() => return draft.go_to(Stage::GivenUp),
            turn = self.0.turns.acquire() => turn,
        };
        let (of, runtime, until) = (Arc::clone(&draft), Handle::current(), given_up.clone());
        // Whole seasons are worked out: nobody's answer should stand behind that on one of the server's threads.
        let done = tokio::task::spawn_blocking(move || {
            runtime.block_on(async {
                tokio::select! {
                    () = until.cancelled() => None,
                    done = tokio::time::timeout(LONGEST, work(&app, &of, &ground)) => Some(done),
                }
            })
        });
        let stage = match done.await {
            Ok(None) => Stage::GivenUp,
            Ok(Some(Ok(Ok(ready)))) => Stage::Ready(Arc::new(ready)),
            Ok(Some(Ok(Err(why)))) => {
                if why.is_ours() {
                    warn!(why = %Chain(&why), "a draft of a region could not be worked out");
                }
                Stage::Failed(Arc::new(why.told()))
            }
            Ok(Some(Err(_))) => Stage::Failed(Arc::new(Failure::of(format!(
                "it took longer than {} minutes and was broken off: a service that is asked may be slow today, so try again later",
                LONGEST.as_secs() / 60
            )))),
            Err(why) => {
                error!("a draft of a region was cut off: {why}");
                Stage::Failed(Arc::new(Failure::of(
                    "a fault of ours cut it off, and the log of the service has it: begin once more, or tell an administrator",
                )))
            }
        };
        drop(turn);
        draft.go_to(stage);
        // Also where nobody comes back to look.
        tokio::select! {
            () = given_up.cancelled() => {}
            () = tokio::time::sleep(KEPT.to_std().unwrap_or_default()) => self.forget(&draft.id),
        }
    }
}

fn forget_old(drafts: &mut BTreeMap<String, Arc<Draft>>, now: DateTime<Utc>) {
    drafts.retain(|_, draft| draft.stage().is_under_way() || now - draft.begun_at < KEPT);
}

/// Makes room for one more of an account's.
fn keep_few(drafts: &mut BTreeMap<String, Arc<Draft>>, owner: &str) {
    let mut ended: Vec<(DateTime<Utc>, String)> = drafts
        .values()
        .filter(|draft| draft.owner == owner && !draft.stage().is_under_way())
        .map(|draft| (draft.begun_at, draft.id.clone()))
        .collect();
    ended.sort();
    let too_many = (ended.len() + 1).saturating_sub(KEPT_EACH);
    for (_, id) in ended.into_iter().take(too_many) {
        // Its task waits to forget it.
        if let Some(draft) = drafts.remove(&id) {
            draft.give_up();
        }
    }
}

/// Why a draft was not saved.
#[derive(Debug, thiserror::Error)]
pub enum NotSaved {
    #[error("it is not worked out yet, or it was saved already")]
    NotReady,
    #[error(
        "region `{0}` was changed by somebody else since this draft was begun: look at it again and begin once more"
    )]
    ChangedMeanwhile(String),
    #[error(transparent)]
    Desk(#[from] DeskError),
}

impl From<StoreError> for NotSaved {
    fn from(why: StoreError) -> Self {
        Self::Desk(why.into())
    }
}

/// Saves a draft that is ready: region and new stations in one transaction with its row of the audit, then the records that were
/// fetched. `hand` may act on the region as it would be, and on one that is changed as it is.
///
/// # Errors
/// See [`NotSaved`]; the draft stays as it was.
pub async fn save(app: &App, hand: Hand<'_>, draft: &Draft) -> Result<Region, NotSaved> {
    let Stage::Ready(ready) = draft.stage() else { return Err(NotSaved::NotReady) };
    let region = &ready.found.region;
    if !(hand.reach)(region) {
        return Err(DeskError::NotYours { region: region.name.clone() }.into());
    }
    match (&draft.task, &ready.trial) {
        (Task::Change(of), _) => change(app, hand, of).await?,
        (Task::Add(_), Some(trial)) => trial.save(&app.store, app.clock.now()).await?,
        (Task::Add(_), None) => return Err(NotSaved::NotReady),
    }
    draft.go_to(Stage::Saved(region.id.clone()));
    Ok(region.clone())
}

/// Changes a region at once, with its row of the audit: what a draft would show of it is not wanted, or was looked at. `hand` may act
/// on it as it is.
///
/// # Errors
/// [`NotSaved::ChangedMeanwhile`] where it is not any more as it was seen; as
/// [`Store::change_region`](crate::store::Store::change_region).
pub async fn change(app: &App, hand: Hand<'_>, of: &RegionChange) -> Result<(), NotSaved> {
    let now = app.store.region(&of.before.id).await?;
    if now != of.before {
        return Err(NotSaved::ChangedMeanwhile(now.id.to_string()));
    }
    if !(hand.reach)(&now) {
        return Err(DeskError::NotYours { region: now.name }.into());
    }
    Ok(app.store.change_region(&of.after).await?)
}
